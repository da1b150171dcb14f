"""The dive sheet: what the next dive does, in order, on one page of paper.

Here:     tasks, spots, sensors, bottles and cautions as data (`dive_sheet_of`), set with Typst and as one page of HTML.
Not here: which task is worth most (`analysis.tasks`), the words of the cautions (`telling.cautions`).
Rules:    black and white, no text below 11 pt, one A4 page. Tables are read as they are now, so that the sheet follows
          the slate of the dive before. No limit of time or gas stands on it: those are the supervisor's.
"""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import json
import math
import re
import textwrap
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import jinja2
from markupsafe import Markup

from reeftally.errors import ResultError
from reeftally.mission import Book, Tables, read_tables, to_ns
from reeftally.report.html import save
from reeftally.report.typesetting import typeset
from reeftally.telling.cautions import FOLLOW, STANDING_LINE, cautions_for
from reeftally.telling.facts import Facts, read_facts

__all__ = ["DiveSheet", "DiveTask", "Spot", "dive_sheet_of", "write_dive_sheet"]

DAY_NS = 86_400_000_000_000
MOST_SPOTS, LEAST_SPOTS = 8, 3
BOTTLES, DUPLICATES = 4, 1
SIZES = (11.6, 11.0)
"""Text sizes that are tried; none below 11 pt. [pt]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiveTask:
    """One row of the list."""

    what: str
    count: str
    where: str
    sensors: str
    photos: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One organism to visit."""

    organism: str
    form: str
    made: int
    needed: int

    @property
    def left(self) -> int:
        """Visits still to be made."""
        return max(self.needed - self.made, 0)


@dataclass(slots=True, kw_only=True)
class DiveSheet:
    """Everything on the page."""

    title: str
    place: str
    day: str
    known_to: str
    outlook: list[str] = field(default_factory=list)
    note: str = ""
    tasks: list[DiveTask] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)
    spots_note: str = ""
    carried: str = ""
    bottles: list[tuple[str, str]] = field(default_factory=list)
    """Number and where."""
    mast: list[tuple[float, str]] = field(default_factory=list)
    """Height above the bed [m] and labels, lowest first."""
    canopy_m: float | None = None
    places: list[str] = field(default_factory=list)
    cautions: list[tuple[str, str]] = field(default_factory=list)

    def text(self) -> str:
        """Return all words of the page."""
        lines = [self.title, self.place, self.day, self.known_to, *self.outlook, self.note, self.spots_note]
        lines += [" ".join(asdict(t).values()) for t in self.tasks]
        lines += [f"{s.organism} {s.form} {s.made} {s.needed}" for s in self.spots]
        lines += [self.carried, *[" ".join(b) for b in self.bottles], *[f"{h:.2f} m {n}" for h, n in self.mast]]
        return "\n".join([*lines, *self.places, *[f"{a}: {b}" for a, b in self.cautions], FOLLOW, STANDING_LINE])


def write_dive_sheet(mission_folder: Path | str) -> tuple[Path, Path]:
    """Write ``dive_sheet.pdf`` and ``dive_sheet.html`` beside the newest results.

    Returns
    -------
    (pdf, html) : tuple of Path

    Raises
    ------
    ResultError
        If there are no results yet, or a sheet does not fit one page.
    BookErrors
        If the mission book or a table cannot be read.
    """
    facts = read_facts(mission_folder)
    sheet = dive_sheet_of(facts)
    content, fitted = _printed(sheet, time_s=facts.span[1] // 1_000_000_000)
    pdf = save(facts.results.folder / "dive_sheet.pdf", content)
    return pdf, save(facts.results.folder / "dive_sheet.html", _page(fitted).encode())


def _printed(sheet: DiveSheet, *, time_s: int) -> tuple[bytes, DiveSheet]:
    """Return the page and the sheet that fitted: spots that do not fit wait for the next dive."""
    trial = sheet
    while True:
        try:
            made = typeset(
                "dive_sheet.typ", data=json.dumps(_data(trial), ensure_ascii=False, sort_keys=True),
                files={"mast.svg": mast_svg(trial.mast, trial.canopy_m)}, time_s=time_s, title=trial.title,
                sizes=SIZES, pages=1,
            )  # fmt: skip
        except ResultError:
            if len(trial.spots) > LEAST_SPOTS:
                trial = replace(trial, spots=trial.spots[:-1])
                continue
            if len(trial.tasks) > 1:
                trial = replace(trial, tasks=trial.tasks[:-1])
                continue
            raise
        return made, trial


def _data(sheet: DiveSheet) -> dict[str, Any]:
    return {**asdict(sheet), "left": [s.left for s in sheet.spots], "follow": FOLLOW, "standing": STANDING_LINE}


def _page(sheet: DiveSheet) -> str:
    source = (resources.files("reeftally.report") / "templates" / "dive_sheet.html").read_text(encoding="utf-8")
    environment = jinja2.Environment(loader=jinja2.BaseLoader(), autoescape=True, undefined=jinja2.StrictUndefined)
    return environment.from_string(source).render(
        d=sheet, follow=FOLLOW, standing=STANDING_LINE, mast=Markup(mast_svg(sheet.mast, sheet.canopy_m))
    )


def dive_sheet_of(facts: Facts) -> DiveSheet:
    """Return the sheet for the next dive, from the newest results and the tables as they are now."""
    book, tables = facts.book, read_tables(facts.folder / "tables")
    morning = _json(facts.results.folder / "morning.json")
    known = str(morning.get("window", {}).get("end", "")) or facts.numbers[0].end if facts.numbers else ""
    now = _ns(known) if known else to_ns(book.mission.start)
    local = dt.timedelta(hours=book.site.utc_offset_h)
    moment = dt.datetime.fromtimestamp(now // 1_000_000_000, tz=dt.UTC)
    sheet = DiveSheet(
        title=book.mission.name,
        place=book.site.name,
        day=f"{moment + local:%d %B %Y}",
        known_to=f"data to {moment:%d %b %H:%M} UTC ({moment + local:%H:%M} local), slate to {_slate(tables)}",
        outlook=_outlook(_json(facts.results.folder / "outlook.json"), local),
        canopy_m=book.site.canopy_height_m,
    )
    if now >= to_ns(book.mission.end):
        sheet.note = "The mission of the book is over. What stands here is what is still open."
    sheet.mast = _mast(book, min(now, to_ns(book.mission.end)) - 1)
    sheet.places = _places(book)
    needed = {row["organism"]: int(row["needed"]) for row in _rows(facts.results.folder / "replicates.csv")}
    tasks = _rows(facts.results.folder / "tasks.csv")
    first = next((_class_of(row) for row in tasks if row["kind"] == "visits"), "")
    sheet.spots = _spots(tables, needed, first)
    sheet.carried = _carried(book)
    sheet.bottles = _bottles(book, tables, sheet.mast)
    sheet.tasks = _tasks(book, tables, tasks, sheet, now)
    if not sheet.tasks:
        sheet.note = f"{sheet.note} Nothing is open for a dive.".strip()
    if sheet.spots:
        sheet.spots_note = (
            "Ambient water at the height of the in-current, before and after each. One blank (rock or dead sponge) a "
            "dive. In the order given; write the time in and out to the second."
        )
    sheet.cautions = _cautions(sheet)
    return sheet


def _json(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    return found if isinstance(found, dict) else {}


def _rows(path: Path) -> list[dict[str, str]]:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))
    except FileNotFoundError:
        return []


def _ns(text: str) -> int:
    return round(dt.datetime.fromisoformat(text).timestamp() * 1000) * 1_000_000


def _slate(tables: Tables) -> str:
    times = [v.time_out_ns for v in tables.visits] + [b.time_ns for b in tables.bottles]
    if not times:
        return "nothing yet"
    return f"{dt.datetime.fromtimestamp(max(times) // 1_000_000_000, tz=dt.UTC):%d %b %H:%M} UTC"


def _outlook(data: dict[str, Any], local: dt.timedelta) -> list[str]:
    """Return sun, tide and current of the first day, in local time."""

    def at(text: str) -> str:
        return f"{dt.datetime.fromisoformat(text) + local:%H:%M}"

    out = []
    start = str(data.get("start", ""))
    day = [row for row in data.get("sun", []) if row["sunset"] > start]
    if day:
        out.append(f"Sun {at(day[0]['sunrise'])} to {at(day[0]['sunset'])}")
    turns = data.get("tide", [])[:4]
    if turns:
        shown = (
            f"{row['what']} {at(row['time'])} ({row['height_m']:+.2f} ± {0.5 * (row['upper'] - row['lower']):.2f} m)"
            for row in turns
        )
        text = "; ".join(shown)
        out.append(f"{text[:1].upper()}{text[1:]}".replace("-", "−"))
    currents = data.get("current", [])[:4]
    if currents:
        shown = (
            f"{row['what']} {at(row['time'])} ({100 * row['speed_m_s']:.0f} ± "
            f"{50 * (row['upper'] - row['lower']):.0f} cm/s)"
            for row in currents
        )
        out.append("Current " + "; ".join(shown))
    if out:
        out[0] = f"{out[0]} (local time throughout)"
    out += [f"{text[:1].upper()}{text[1:]}" for text in data.get("missing", [])[:1] if not turns]
    return out


def _mast(book: Book, at_ns: int) -> list[tuple[float, str]]:
    beds = {row.name for row in book.stations_of_role("bed")}
    by_height: dict[float, list[str]] = {}
    for place in book.deployments:
        if place.station in beds and place.start_ns <= at_ns < place.end_ns:
            by_height.setdefault(round(place.height_above_bed_m, 2), []).append(place.instrument)
    return [(height, ", ".join(sorted(names))) for height, names in sorted(by_height.items())]


def _places(book: Book) -> list[str]:
    """Return distance and bearing of the stations that have a position of their own."""
    out = []
    for row in book.stations:
        if row.latitude_deg is None or row.longitude_deg is None:
            continue
        north = (row.latitude_deg - book.site.latitude_deg) * 60.0 * 1852.0
        east = (row.longitude_deg - book.site.longitude_deg) * 60.0 * 1852.0
        east *= math.cos(math.radians(book.site.latitude_deg))
        far, bearing = math.hypot(north, east), math.degrees(math.atan2(east, north)) % 360.0
        shown = f"{far / 1000.0:.1f} km" if far >= 1000.0 else f"{far:.0f} m"
        out.append(f"{row.name} ({row.role}): {shown} towards {bearing:03.0f}° from the mast")
    return out


def _class_of(row: dict[str, str]) -> str:
    found = re.search(r"of the class (.+?), others", row["text"])
    return found[1] if found else ""


def _spots(tables: Tables, needed: dict[str, int], first_form: str) -> list[Spot]:
    """Return the spots of a dive: fewest visits first, the class that matters most first, classes by turns."""
    made = Counter(v.organism for v in tables.visits if not v.blank)
    forms = {v.organism: v.form for v in tables.visits if not v.blank}
    rows = [
        Spot(organism=name, form=forms[name], made=count, needed=max(needed.get(name, 3), 3))
        for name, count in sorted(made.items())
    ]
    wanting = sorted((r for r in rows if r.left), key=lambda r: (r.made, r.form != first_form, -r.left, r.organism))
    lanes: dict[str, list[Spot]] = {}
    for row in wanting:
        lanes.setdefault(row.form, []).append(row)
    turns = itertools.chain.from_iterable(itertools.zip_longest(*lanes.values()))
    return [row for row in turns if row is not None][:MOST_SPOTS]


def _carried(book: Book) -> str:
    names = {row.name for row in book.stations_of_role("carried")}
    labels = sorted({d.instrument for d in book.deployments if d.station in names})
    return ", ".join(labels)


def _next_numbers(taken: Sequence[str], count: int) -> list[str]:
    """Return the numbers that follow the last bottle."""
    found = [m for name in taken if (m := re.fullmatch(r"(.*?)(\d+)", name))]
    if not found:
        return [f"B{k:03d}" for k in range(1, count + 1)]
    last = max(found, key=lambda m: int(m[2]))
    return [f"{last[1]}{int(last[2]) + k:0{len(last[2])}d}" for k in range(1, count + 1)]


def _bottles(book: Book, tables: Tables, mast: list[tuple[float, str]]) -> list[tuple[str, str]]:
    """Return the bottles of the next dive: beside the pH sensors, lowest and highest by turns, one of them twice."""
    if not tables.bottles and not mast:
        return []
    kinds = {row.label: row.kind for row in book.instruments}
    beside = [
        (height, name)
        for height, names in mast
        for name in names.split(", ")
        if kinds.get(name) in {"isfet_ph", "dye_ph", "optode"}
    ]
    acid = [row for row in beside if kinds[row[1]] in {"isfet_ph", "dye_ph"}] or beside
    numbers = _next_numbers([b.bottle for b in tables.bottles], BOTTLES + DUPLICATES)
    where = [f"beside {name}, {height:.2f} m" for height, name in acid] or ["at the mast"]
    out = [(numbers[k], where[k % len(where)]) for k in range(BOTTLES)]
    return [*out, *[(number, f"duplicate of {numbers[0]}") for number in numbers[BOTTLES:]]]


def _tasks(book: Book, tables: Tables, rows: list[dict[str, str]], sheet: DiveSheet, now_ns: int) -> list[DiveTask]:
    """Return the tasks in order; once the mission is over, recovery comes first and nothing is moved before it."""
    over = now_ns >= to_ns(book.mission.end)
    heights = DiveTask(
        what="Heights of all sensing volumes above the bed, by tape", count=f"{_count(sheet.mast)} sensors",
        where="mast, before anything is touched", sensors="tape, compass", photos="tape in the picture, level",
    )  # fmt: skip
    look = DiveTask(
        what="Look at every sensor: growth, bubbles, wipers, cables", count=f"{_count(sheet.mast)} sensors",
        where="mast", sensors="", photos="mast from four sides",
    )  # fmt: skip
    out: list[DiveTask] = []
    if over and sheet.mast:
        out += [look, heights]
    useful = [r for r in rows if float(r["worth"] or 0) > 0.0 or float(r["pressing"] or 0) >= 1.0]
    for row in sorted(useful, key=lambda r: (-float(r["worth"] or 0), -float(r["pressing"] or 0))):
        task = None if over and row["kind"] in {"swap", "clean"} else _task_of(row, sheet)
        if task is not None and task.what not in {t.what for t in out}:
            out.append(task)
    if sheet.spots and not any(t.what.startswith("Visit") for t in out):
        out.append(_visit_task(sheet))
    if sheet.bottles and not any("bottles" in t.what for t in out):
        out.append(_bottle_task(sheet))
    if over or not sheet.mast:
        return out
    measured = [row.time_ns for row in tables.heights]
    if not measured or now_ns - max(measured) > 2 * DAY_NS:
        out.append(heights)
    return [*out, look]


def _count(mast: list[tuple[float, str]]) -> int:
    return sum(len(names.split(", ")) for _, names in mast)


def _task_of(row: dict[str, str], sheet: DiveSheet) -> DiveTask | None:
    if row["kind"] == "swap":
        found = re.search(r"sensors (\S+) and (\S+) between ([\d.]+) and ([\d.]+) m", row["text"])
        pair = f"{found[1]}, {found[2]}" if found else ""
        heights = f"{found[3]} and {found[4]} m above the bed" if found else "mast"
        return DiveTask(
            what=f"Swap {pair}: ten minutes of quiet record before and after", count="2 sensors", where=heights,
            sensors=pair, photos="both with tape, before and after",
        )  # fmt: skip
    if row["kind"] == "clean":
        label = row["text"].split(" ")[1].rstrip(",")
        return DiveTask(
            what=f"Clean {label}: ten minutes of quiet record before and after", count="1 sensor",
            where=next((f"{h:.2f} m above the bed" for h, n in sheet.mast if label in n.split(", ")), "mast"),
            sensors=label, photos="before and after",
        )  # fmt: skip
    if row["kind"] == "bottles":
        return _bottle_task(sheet) if sheet.bottles else None
    return _visit_task(sheet) if sheet.spots else None


def _bottle_task(sheet: DiveSheet) -> DiveTask:
    return DiveTask(
        what=f"Close bottles {sheet.bottles[0][0]} to {sheet.bottles[-1][0]}, time to the second",
        count=f"{len(sheet.bottles)} bottles", where="beside the sensors listed", sensors="", photos="number on each",
    )  # fmt: skip


def _visit_task(sheet: DiveSheet) -> DiveTask:
    return DiveTask(
        what="Visit the spots below with the carried sensors", count=f"{len(sheet.spots)} visits, 1 blank",
        where="by tag", sensors=sheet.carried, photos="each opening with scale bar",
    )  # fmt: skip


def _cautions(sheet: DiveSheet) -> list[tuple[str, str]]:
    """Return the cautions that this dive's tasks ask for, in their short form."""
    places = ["dive sheet"]
    if sheet.bottles:
        places.append("poison task")
    if sheet.spots:
        places.append("dye task")
    rows = []
    for place in places:
        rows += [row for row in cautions_for(place) if row not in rows]
    count = f"{len(sheet.tasks)} tasks on this sheet. "
    return [
        (row.hazard, (count if row.hazard == "Many tasks, lines, lifting" else "") + (row.short or row.text))
        for row in rows
    ]


def mast_svg(mast: list[tuple[float, str]], canopy_m: float | None) -> str:
    """Return the mast drawn to scale: the bed, the canopy, every sensing volume with label and height."""
    if not mast:
        return '<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10" viewBox="0 0 10 10"></svg>'
    width, tall, foot, most = 262.0, 186.0, 168.0, 30
    top = max(max(h for h, _ in mast) * 1.08, 0.2)
    scale = (foot - 12.0) / top

    def y(height: float) -> float:
        return foot - height * scale

    parts = [f'<path d="M8,{foot}H{width - 4}" stroke="black" stroke-width="1.6"/>']
    parts.append(f'<path d="M40,{foot}V8" stroke="black" stroke-width="2.4"/>')
    if canopy_m:
        line = y(canopy_m)
        parts.append(f'<path d="M8,{line:.1f}H72" stroke="black" stroke-width="0.8" stroke-dasharray="3 3"/>')
    step, text_y = 14.5, math.inf
    for height, names in sorted(mast, reverse=True):
        at = y(height)
        lines = textwrap.wrap(f"{height:.2f} m  {names}", most, subsequent_indent="    ")
        text_y = at if math.isinf(text_y) else max(at, text_y)
        parts.append(f'<circle cx="40" cy="{at:.1f}" r="3.4" fill="white" stroke="black" stroke-width="1.4"/>')
        parts.append(f'<path d="M44,{at:.1f}L62,{text_y:.1f}H66" fill="none" stroke="black" stroke-width="0.7"/>')
        for words in lines:
            indent = 69 if words.startswith(f"{height:.2f}") else 84
            parts.append(
                f'<text x="{indent}" y="{text_y + 4:.1f}" font-family="Libertinus Serif, serif" font-size="12.4">'
                f"{escape(words.strip())}</text>"
            )
            text_y += step
    parts.append(
        f'<text x="8" y="{foot + 14:.1f}" font-family="Libertinus Serif, serif" font-size="12.4">bed'
        f"{f'; dashed: top of the canopy, {canopy_m:.2f} m' if canopy_m else ''}</text>"
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{tall:g}" '
        f'viewBox="0 0 {width:g} {tall:g}" role="img" aria-label="the mast">{"".join(parts)}</svg>'
    )
