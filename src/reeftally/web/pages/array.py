"""The array: the frame to scale with every sensing volume, whether each instrument is alive, the map of the site.

Here:     the drawing and one row an instrument: state, last value, days since cleaning, clock; the map
          with the current rose, and the places of the book.
Not here: one instrument's record (`sensor`).
Rules:    heights and headings are the book's at the time of the newest data.
"""

from __future__ import annotations

import math
from urllib.parse import quote

from reeftally.mission import Book
from reeftally.telling.flow_figures import rose_counts
from reeftally.telling.map_figures import places_of, site_map
from reeftally.web.alive import Pulse, pulses
from reeftally.web.blocks import Block, Cell, Chart, Drawing, Link, Page, Table, Text, value_of
from reeftally.web.frame_drawing import Spot, elevation, headings
from reeftally.web.look import Look, stamp_of
from reeftally.web.pages import Query
from reeftally.web.pages._parts import figure
from reeftally.web.times import lasting, when

TITLE = "Array"
ORDER = 20

DAY_NS = 86_400_000_000_000
CLEANED = ("clean", "wip")


def page(look: Look, query: Query) -> Page:
    """Return the array."""
    book = look.book
    if book is None:
        return Page(TITLE, [look.no_book()])
    rows = pulses(look)
    blocks: list[Block] = []
    if not look.streams:
        blocks.append(look.no_data())
    spots = [s for p in rows if (s := _spot(look, p)) is not None]
    if spots:
        depth = book.site.water_depth_m
        blocks.append(
            Drawing(
                "The frame to scale",
                elevation(
                    spots,
                    depth_m=depth,
                    displacement_m=book.site.displacement_height_m,
                    title="Heights of all sensing volumes above the bed",
                ),
                "Heights by the mission book; thin strokes are one standard uncertainty. Triangles look at their "
                "sampling volume; bars are the bins of a profiler; squares sense pH. Shaded: displacement height "
                f"{book.site.displacement_height_m:g} m. Water depth {depth:g} m.",
            )
        )
        rose = headings(spots, title="Where the x axes point")
        if rose is not None:
            blocks.append(Drawing("Where the x axes point", rose, "Headings by the mission book, from magnetic north."))
    else:
        blocks.append(Text(["Nothing is deployed at the mast when the newest data were taken."]))
    blocks.append(_table(look, rows))
    blocks += _map(look, book)
    return Page(TITLE, blocks)


def _map(look: Look, book: Book) -> list[Block]:
    facts = look.facts
    found = site_map(book, rose_counts(facts) if facts is not None else None)
    if found.build is None:
        return [figure("array", found)]
    # The book may change between two runs, and the map with it.
    key = f"array/{found.name} {stamp_of(look.folder / 'mission.toml')}"
    rows: list[list[Cell]] = []
    for place in places_of(book):
        for name, role in zip(place.names, place.roles, strict=True):
            own = tuple(dict.fromkeys(d.instrument for d in book.deployments if d.station == name))
            dry = role == "air"
            rows.append(
                [
                    name,
                    role,
                    f"{place.latitude_deg:.4f}, {place.longitude_deg:.4f}".replace("-", "−"),
                    f"{math.hypot(place.east_km, place.north_km):.2f}",
                    "" if dry else f"{place.depth_m:g}" if place.depth_m is not None else "not stated",
                    "" if dry else book.site.bottom if place.at_site else "not stated",
                    ", ".join(own) or "none deployed",
                ]
            )  # fmt: skip
    return [
        Chart(key, found.title, found.build, found.caption),
        Table(
            "Places of the book",
            ["station", "role", "latitude, longitude", "km from the site", "depth (m)", "bottom", "instruments"],
            rows,
        ),
    ]


def _spot(look: Look, p: Pulse) -> Spot | None:
    book, place = look.book, p.place
    if book is None or place is None or book.station(place.station).role not in {"bed", "ambient"}:
        return None
    low = high = place.height_above_bed_m
    if p.instrument.bins is not None:
        heights = p.instrument.bins.heights()
        low, high = float(heights[0]), float(heights[-1])
    return Spot(
        label=p.instrument.label,
        kind=p.instrument.kind,
        height_m=(low + high) / 2 if p.instrument.bins is not None else place.height_above_bed_m,
        height_sd_m=place.height_sd_m,
        low_m=low,
        high_m=high,
        heading_deg=place.heading_deg,
        down=book.axes_of(place) == "down",
        alive=p.state == "alive",
    )


def _table(look: Look, rows: list[Pulse]) -> Table:
    book, newest = look.book, look.standing_ns()
    offset = book.site.utc_offset_h if book is not None else 0.0
    out: list[list[Cell]] = []
    weights = []
    for p in rows:
        where = f"{p.place.station}, {p.place.height_above_bed_m:g} m" if p.place is not None else "nowhere now"
        last = when(p.last_ns, offset) if p.last_ns is not None else ""
        state = p.state if p.state != "silent" else f"silent for {lasting(p.behind_s)}"
        out.append(
            [
                Link(p.instrument.label, f"/sensor/{quote(p.instrument.label)}"),
                where,
                state,
                last,
                p.value,
                _cleaned(look, p.instrument.label, newest),
                _clock(look, p.instrument.label),
            ]
        )
        weights.append("serious" if p.state == "silent" else "")
    return Table(
        "Every instrument of the book",
        [
            "instrument",
            "where",
            "state",
            "last sample",
            "last values",
            "days since cleaned",
            "clock, newest comparison",
        ],
        out,
        weights=weights,
    )


def _cleaned(look: Look, label: str, newest: int | None) -> str:
    tables = look.tables
    if tables is None or newest is None:
        return ""
    times = [
        i.time_ns
        for i in tables.interventions
        if i.instrument == label and i.kind.lower().startswith(CLEANED) and i.time_ns <= newest
    ]
    return f"{(newest - max(times)) / DAY_NS:.1f}" if times else "not noted"


def _clock(look: Look, label: str) -> Cell:
    facts, book = look.facts, look.book
    if facts is None or book is None:
        return ""
    found = facts.find("clock_offset", subject=book.clock_of(label))
    return value_of(max(found, key=lambda n: n.start), sign=True) if found else "not compared"
