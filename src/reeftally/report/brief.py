"""The two-page brief for those who look after the reef.

Here:     `write_brief`: the words of both pages, and their setting with Typst.
Not here: which estimates answer the question (`story`), calibrated words (`words`).
Rules:    two A4 pages; every number is an estimate with its interval; no symbol that is not explained; plain words; no
          limit from elsewhere; what goes together is "associated with", never "caused by"; what the data cannot answer
          is a plain sentence.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from reeftally import charts
from reeftally.report.html import save
from reeftally.report.sections import targets
from reeftally.report.typesetting import typeset
from reeftally.telling.cautions import STANDING_LINE
from reeftally.telling.facts import Facts, Number, read_facts
from reeftally.telling.story import (
    Claim,
    amount,
    claims,
    global_number,
    local_number,
    moved,
    parts_of,
    short_places,
)
from reeftally.telling.words import places, share, with_interval

__all__ = ["Brief", "brief_of", "write_brief"]

QUESTION = (
    "How much of the lower pH on this reef is made here, and how much comes with the worldwide rise of carbon dioxide "
    "(CO₂) in the air?"
)

PLAIN_DRIVERS = {
    "global": "Worldwide rise of CO₂",
    "organic": "Life here: breathing less growth",
    "carbonate": "Skeletons built or lost here",
    "gas_exchange": "Air and water trading CO₂ here",
    "temperature": "Warmer or cooler water here",
    "freshwater": "Rain or drying here",
    "residual": "Left over, not explained",
    "departure": "Beyond balance with the air",
}

SIZES = (12.4, 12.0, 11.6, 11.2, 10.8, 10.4, 10.0, 9.6, 9.2, 8.8, 8.4)
"""Text sizes that are tried until both pages hold. [pt]"""


@dataclass(slots=True)
class Brief:
    """The words of the brief."""

    title: str
    place: str
    question: str = QUESTION
    answer: str = ""
    explained: list[str] = field(default_factory=list)
    figure: bool = False
    figure_note: str = ""
    sure: list[tuple[str, str]] = field(default_factory=list)
    targets: str = ""
    meaning: list[str] = field(default_factory=list)
    local: list[tuple[str, str]] = field(default_factory=list)
    beyond: str = ""
    unmeasured: list[str] = field(default_factory=list)
    trend: str = ""
    keep: list[str] = field(default_factory=list)
    ask: str = ""
    caution: str = ""
    quotes: list[tuple[str, int]] = field(default_factory=list)
    """Every number in the text, as shown, with the row of the estimates that it is."""

    def text(self) -> str:
        """Return all sentences, for reading aloud and for measuring how hard they are to read."""
        lines = [self.question, self.answer, *self.explained, self.figure_note]
        lines += [f"{words}: {claim}" for words, claim in self.sure]
        lines.append(self.targets)
        lines += [*self.meaning, *[f"{what}. {says}" for what, says in self.local], self.beyond]
        lines += [*self.unmeasured, self.trend, *self.keep, self.ask, self.caution]
        return "\n".join(line for line in lines if line)


def write_brief(mission_folder: Path | str) -> Path:
    """Write ``brief.pdf`` of the newest run: two A4 pages.

    Returns
    -------
    Path
        ``results/latest/brief.pdf`` (resolved).

    Raises
    ------
    ResultError
        If there are no results yet, or the words do not fit two pages in any readable size.
    BookErrors
        If the mission book cannot be read.
    """
    facts = read_facts(mission_folder)
    brief = brief_of(facts)
    drawing = _figure(facts)
    files = {"figure.svg": charts.svg_for_paper(drawing)} if drawing is not None else {}
    content = typeset(
        "brief.typ",
        data=json.dumps(asdict(brief), ensure_ascii=False, sort_keys=True),
        files=files,
        time_s=facts.span[1] // 1_000_000_000,
        title=brief.title,
        sizes=SIZES,
        pages=2,
    )
    return save(facts.results.folder / "brief.pdf", content)


def brief_of(facts: Facts) -> Brief:
    """Return the words of the brief for one run."""
    book = facts.book
    start, end = (pd.Timestamp(t, unit="ns") + pd.Timedelta(hours=book.site.utc_offset_h) for t in facts.span)
    dates = f"{start.day} {start:%B %Y} to {end.day} {end:%B %Y}"
    brief = Brief(title=book.mission.title, place=f"{book.site.name}, {dates}")
    writer = _Writer(facts, brief)
    writer.answer()
    writer.sure()
    writer.meaning()
    writer.action()
    writer.gaps()
    return brief


@dataclass(slots=True)
class _Writer:
    facts: Facts
    brief: Brief

    def quote(self, number: Number, shown: str) -> str:
        """Note that a shown number is an estimate, and return it."""
        self.brief.quotes.append((shown, number.index))
        return shown

    def amount(self, number: Number) -> str:
        return self.quote(number, amount(number))

    def answer(self) -> None:
        brief, facts = self.brief, self.facts
        world, local = global_number(facts), local_number(facts)
        departure = facts.one("ph_departure_from_equilibrium")
        if world is not None and local is not None:
            brief.answer = (
                f"The worldwide rise of CO₂ has {moved(world)} pH here by {self.amount(world)}, and the reef itself "
                f"has {moved(local)} it by a further {self.amount(local)}."
            )
        elif world is not None:
            brief.answer = (
                f"The worldwide rise of CO₂ has {moved(world)} pH here by {self.amount(world)}; how much the reef "
                f"itself adds cannot be told from these data."
            )
        elif local is not None:
            brief.answer = (
                f"The reef itself has {moved(local)} pH by {self.amount(local)}; how much the worldwide rise of CO₂ "
                f"adds cannot be told from these data."
            )
        else:
            brief.answer = (
                "These data cannot yet tell how much of the lower pH is made here and how much comes from the whole "
                "world."
            )
        if world is not None and local is None and departure is not None:
            side = {"lowered": "lower than", "raised": "higher than"}.get(moved(departure), "not clearly apart from")
            brief.explained.append(
                f"The water's pH was {side} that of water in balance with the air, by {self.amount(departure)}. Part "
                f"of this may come from outside: no open water was measured at the same time."
            )
        brief.explained.append(
            "pH is a scale of how acidic water is. When pH goes down, it gets harder for corals to build. The "
            "numbers in brackets show how far the true value may lie: they hold it in 95 cases out of 100."
        )
        if _figure_parts(facts):
            brief.figure = True
            bars = "Bars to the left lower pH. The thin line on each bar shows how far the true value may lie."
            past = (
                "“Past” means air with less CO₂, as set in the mission book. Warming since then is not part of the "
                "worldwide bar."
            )
            if local is None:
                brief.figure_note = (
                    f"The upper bar is the change since the past. The lower bar shows how far the water was from "
                    f"balance "
                    f"with the air of today. Where that comes from is not known. {bars} {past}"
                )
            else:
                brief.figure_note = f"What changed the pH of this reef's water since the past. {bars} {past}"
            if facts.one("net_community_calcification") is not None and any(
                d == "carbonate" for d, _ in _figure_parts(facts)
            ):
                brief.figure_note += (
                    " The bar for skeletons and the line on building below rest on two kinds of evidence: the bar on "
                    "how the reef’s water differs from the open sea, the line on water samples taken here over the "
                    "days. So the two can differ."
                )
            for driver, number in _figure_parts(facts):
                self.quote(number, _bar_texts(facts)[driver])
        else:
            brief.figure_note = (
                "No picture can be drawn yet. The parts need water from the open sea, measured at the same time as the "
                "reef."
            )

    def sure(self) -> None:
        self.brief.sure = [_sure_line(claim) for claim in claims(self.facts)]
        states = targets(self.facts)
        if states:
            met = sum(row.state == "met" for row in states)
            kinds = f"{_counted(len(states))} answers" if len(states) > 1 else "one answer"
            known = (
                "All are"
                if met == len(states)
                else "None is"
                if met == 0
                else f"{_counted(met).capitalize()} of them {'is' if met == 1 else 'are'}"
            )
            self.brief.targets = (
                f"Before the visit it was written down how well {kinds} must be known. {known} known that well now."
            )

    def meaning(self) -> None:
        facts, brief = self.facts, self.brief
        if facts.find("reference_disagreement"):
            brief.meaning.append(
                "Two parts of the pH sensor do not agree, and no water sample says which is right. The ranges given "
                "here "
                "are wide enough for both."
            )
        night = _lowest(facts.find("ph_total", period="night"))
        day = _highest(facts.find("ph_total", period="day"))
        if night is not None and day is not None:
            lead = "Nights are the hard time. " if night.value < day.value else ""
            brief.meaning.append(
                f"{lead}Mean pH was {self._with(night)} in the lowest night and {self._with(day)} on the highest "
                f"day. One low night is weather. What counts is a shift over years."
            )
        breath = _lowest(facts.find("oxygen", period="night"))
        if breath is not None:
            shown = self.quote(breath, with_interval(breath.value, breath.lower, breath.upper, decimals=0))
            brief.meaning.append(
                f"Oxygen in the lowest night was {shown} micromoles in a kilogram of water. How low is "
                f"too low differs between animals, and no limit from elsewhere is used here."
            )
        shares = facts.one("community_share")
        if shares is not None:
            shown = self.quote(shares, share(shares.value, shares.lower, shares.upper))
            brief.meaning.append(
                f"The animals that were counted make up {shown} of the breathing of the seabed. They also feed the "
                f"reef and give shelter. A share is not blame.{_roughness(shares)}"
            )
        built = facts.one("net_community_calcification")
        if built is None:
            brief.meaning.append("Whether the reef is building or losing its skeleton was not measured.")
        brief.meaning.append(
            "A reef that builds well also lowers its own pH a little. So a part made here can be a sign of life."
        )
        brief.meaning.append(
            "Which spots are best off cannot be told from one place and one visit. It takes two seasons at least."
        )

    def _with(self, number: Number) -> str:
        shown = with_interval(number.value, number.lower, number.upper, decimals=short_places(number))
        return self.quote(number, shown)

    def action(self) -> None:
        facts, brief = self.facts, self.brief
        shares = facts.one("community_share")
        brief.local = [
            (
                "Waste, food and run-off that reach the reef",
                "Associated with more breathing on other reefs. Not measured here.",
            ),
            (
                "Mud and stirred-up ground",
                "Associated with less light and less growth on other reefs. Not measured here.",
            ),
            (
                "Seaweed, and the fish that graze it",
                "Associated with the rise and fall of pH by day and night. Not measured here.",
            ),
            (
                "Ground rich in sponges",
                "Associated with part of the breathing here, as said above."
                if shares is not None
                else "Not measured here.",
            ),
        ]
        local = local_number(facts)
        lead = (
            "Local action can touch only the part that is made here."
            if local is not None
            else ("How large the part made here is, these data do not tell.")
        )
        world = global_number(facts)
        tail = (
            f" It cannot change the worldwide part, {self.amount(world)} on the pH scale. That part follows the CO₂ "
            f"in the air of the whole world."
            if world is not None
            else " It cannot change the part that follows the CO₂ in the air of the whole world."
        )
        brief.beyond = lead + tail

    def gaps(self) -> None:
        facts, brief = self.facts, self.brief
        known = {row.quantity for row in facts.numbers if row.given}
        lines = [plain for quantity, plain in _PLAIN_GAPS if quantity not in known]
        brief.unmeasured = [*lines, "Waste, mud, fish and health of the corals."]
        years = facts.one("years_to_detect")
        if years is not None:
            brief.trend = (
                f"With this set of sensors a change can be told from chance after {self._with(years)} years. Until "
                f"then, no change is not the same as no harm."
            )
        else:
            brief.trend = (
                "Not worked out. One visit cannot show a change over years. It takes the same work, at the same place, "
                "for many years."
            )
        brief.keep = [
            "pH and oxygen on the reef, day and night, with water samples to check them.",
            "The same in the open sea outside, at the same time. Without it, “made here” cannot be told.",
            "All sensors in one water before and after each visit.",
            "The cost is not in the mission book. Ask the lead for it.",
        ]
        who = ", ".join(filter(None, [facts.book.mission.investigators, facts.book.mission.institution]))
        brief.ask = f"Ask: {who}." if who else "Ask the lead of the mission. The mission book names nobody."
        brief.caution = (
            "Two things that go together need not be cause and effect. A limit from another reef may not hold here. "
            "Talk to biologists, to those who use the reef, and follow the law. A small local part does not mean "
            "that nothing "
            "can be done. A large one does not blame one kind of animal. " + STANDING_LINE
        )


_PLAIN_GAPS = (
    ("ph_change_local", "How much of the lower pH is made here."),
    ("ph_change_global", "How much of the lower pH is worldwide."),
    ("oxygen_flux", "How much the seabed breathes."),
    ("dic_flux", "How much carbon the seabed gives off."),
    ("net_community_calcification", "Whether the reef builds or loses skeleton."),
    ("community_share", "How much sponges and other animals add."),
    ("source_delta13C", "Where the added carbon comes from."),
    ("ph_trend", "Change from year to year."),
)


def _counted(number: int) -> str:
    """Return a small number as a word: numerals on this page are estimates."""
    words = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    return words[number] if number < len(words) else "many"


def _sure_line(claim: Claim) -> tuple[str, str]:
    found = claim.answer
    if found.verdict == "cannot tell":
        lean = "yes" if claim.likelier else "no"
        return "Cannot tell", f"{claim.text}. The data lean to {lean}."
    word = found.words[:1].upper() + found.words[1:]
    return word, f"{claim.text}." if claim.likelier else f"Not so: {claim.text[:1].lower()}{claim.text[1:]}."


def _roughness(number: Number) -> str:
    """Return what a reader must know of a doubtful share."""
    if number.upper > 1.0:
        return " No share can be more than the whole: this one is rough."
    return " This number is rough." if number.flag == 3 else ""


def _lowest(rows: list[Number]) -> Number | None:
    return min(rows, key=lambda row: row.value) if rows else None


def _highest(rows: list[Number]) -> Number | None:
    return max(rows, key=lambda row: row.value) if rows else None


def _figure_parts(facts: Facts) -> list[tuple[str, Number]]:
    parts = parts_of(facts)
    if "global" not in parts or "organic" not in parts:
        world, departure = global_number(facts), facts.one("ph_departure_from_equilibrium")
        if world is None or departure is None:
            return []
        return [("global", world), ("departure", departure)]
    return [(driver, parts[driver]) for driver in PLAIN_DRIVERS if driver in parts]


def _bar_texts(facts: Facts) -> dict[str, str]:
    """Return the numbers beside the bars, none with more decimal places than the first bar's interval allows."""
    parts = _figure_parts(facts)
    most = min(places(parts[0][1].lower, parts[0][1].upper), 4) if parts else 0
    return {
        driver: with_interval(n.value, n.lower, n.upper, sign=True, decimals=short_places(n, most))
        for driver, n in parts
    }


def _figure(facts: Facts) -> Any:
    parts = _figure_parts(facts)
    if not parts:
        return None
    texts = _bar_texts(facts)
    table = pd.DataFrame(
        [
            {
                "label": PLAIN_DRIVERS[driver],
                "driver": driver,
                "value": n.value,
                "lower": n.lower,
                "upper": n.upper,
                "text": texts[driver],
            }
            for driver, n in parts
        ]
    )
    return charts.parts(table, title="Change of pH", width=300)
