"""The answer and how sure it is: the sentences that stand first in report and brief.

Here:     which estimates answer the mission's question, and the sentences made from them.
Not here: number formats and calibrated words (`words`), pages (`html`, `brief`).
Rules:    every number is an estimate with its interval; what the data cannot answer is said in a plain sentence;
          association is not called cause.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from reeftally.telling.facts import Facts, Number
from reeftally.telling.words import Answer, answer, confidence_words, likelihood_below, places

__all__ = [
    "LOCAL_DRIVERS",
    "Claim",
    "Headline",
    "amount",
    "claims",
    "headline",
    "moved",
    "not_measured",
    "parts_of",
    "short_places",
]

LOCAL_DRIVERS = ("organic", "carbonate", "gas_exchange")
OTHER_DRIVERS = ("temperature", "freshwater", "residual")


@dataclass(frozen=True, slots=True)
class Headline:
    """The answer in one sentence."""

    text: str
    """With ``{0}``, ``{1}`` … where numbers stand."""
    numbers: tuple[Number, ...]
    answered: bool

    def filled(self) -> str:
        """Return the sentence with its numbers."""
        return self.text.format(*[amount(number) for number in self.numbers])


@dataclass(frozen=True, slots=True)
class Claim:
    """One statement and how sure it is."""

    text: str
    answer: Answer
    numbers: tuple[Number, ...]

    @property
    def likelier(self) -> bool:
        """Whether the statement is likelier than its opposite."""
        return math.isfinite(self.answer.probability) and self.answer.probability >= 0.5


def short_places(number: Number, most: int = 3) -> int:
    """Return the decimals of a number in a sentence: three at most, more only where the interval would vanish."""
    digits = places(number.lower, number.upper, number.value)
    return min(digits, most) if 0.5 * (number.upper - number.lower) >= 0.5 * 10.0**-most else digits


def amount(number: Number) -> str:
    """Return the size of a change with its interval; without sign where the whole interval lies on one side."""
    value, lower, upper = number.value, number.lower, number.upper
    digits = short_places(number)
    if upper < 0 or lower > 0:
        value, (lower, upper) = abs(value), sorted((abs(lower), abs(upper)))
        return f"{value:.{max(digits, 0)}f} ({lower:.{max(digits, 0)}f} to {upper:.{max(digits, 0)}f})"
    return f"{_signed(value, digits)} ({_signed(lower, digits)} to {_signed(upper, digits)})"


def _signed(value: float, digits: int) -> str:
    rounded = round(value, digits)
    sign = "−" if rounded < 0 else ("+" if rounded > 0 else "")
    return f"{sign}{abs(rounded):.{max(digits, 0)}f}"


def moved(number: Number) -> str:
    """Return the verb of a change of pH: ``lowered``, ``raised`` or, where the interval spans zero, ``moved``."""
    if number.upper < 0:
        return "lowered"
    if number.lower > 0:
        return "raised"
    return "moved"


def parts_of(facts: Facts, *, period: str = "mission", method: str = "shapley_from_past") -> dict[str, Number]:
    """Return the parts of the change of pH by driver; ``local`` and ``total`` included where they are given."""
    out: dict[str, Number] = {}
    for driver in ("global", *LOCAL_DRIVERS, *OTHER_DRIVERS, "local", "total"):
        rows = facts.find(f"ph_change_{driver}", method=method, period=period)
        if rows:
            out[driver] = rows[0]
    return out


def local_number(facts: Facts) -> Number | None:
    """Return the local part of the change of pH that the answer rests on."""
    # From the past: there the local part and the worldwide part are parts of one sum.
    return facts.one("ph_change_local")


def global_number(facts: Facts) -> Number | None:
    """Return the global part of the change of pH that the answer rests on."""
    return facts.one("ph_change_global")


def headline(facts: Facts) -> Headline:
    """Return the answer to the question in one sentence, or say that the data cannot answer."""
    local, world = local_number(facts), global_number(facts)
    if local is not None and world is not None:
        return Headline(
            f"The worldwide rise of CO₂ has {moved(world)} the pH of the water that reaches this reef by {{0}}; "
            f"what happens on the reef itself {moved(local)} it by a further {{1}}.",
            (world, local),
            answered=True,
        )
    departure = facts.one("ph_departure_from_equilibrium")
    if world is not None and departure is not None:
        side = {"lowered": "lower than", "raised": "higher than"}.get(moved(departure), "not clearly apart from")
        return Headline(
            f"The worldwide rise of CO₂ has {moved(world)} the pH of this water by {{0}}; beyond that, its pH was "
            f"{side} "
            f"that of water in balance with the air, by {{1}}. No open water was measured beside it, so how much of "
            f"this "
            f"second part is made here is not settled.",
            (world, departure),
            answered=False,
        )
    if world is not None:
        return Headline(
            f"The worldwide rise of CO₂ has {moved(world)} the pH of this water by {{0}}. These data cannot tell how "
            f"much more is made on the reef itself.",
            (world,),
            answered=False,
        )
    if local is not None:
        return Headline(
            f"What happens on the reef itself {moved(local)} its pH by {{0}} against today's open water. These data "
            f"cannot tell how much came with the worldwide rise of CO₂.",
            (local,),
            answered=False,
        )
    return Headline(
        "These data cannot yet tell how much of the lower pH here is made on the reef and how much came with the "
        "worldwide rise of CO₂.",
        (),
        answered=False,
    )


def claims(facts: Facts) -> list[Claim]:
    """Return the statements that people decide by, each with its likelihood from the intervals."""
    out: list[Claim] = []

    def sign(text: str, number: Number | None, *, below: bool) -> None:
        if number is not None:
            found = answer(
                below=below,
                threshold=0.0,
                value=number.value,
                lower=number.lower,
                upper=number.upper,
                level=number.level,
            )
            out.append(Claim(text, found, (number,)))

    local, world = local_number(facts), global_number(facts)
    if local is None:
        sign("The worldwide rise of CO₂ has lowered the pH of this water", world, below=True)
        departure = facts.one("ph_departure_from_equilibrium")
        sign("The pH was lower than that of water in balance with the air", departure, below=True)
    sign("The reef lowers the pH of its own water", local, below=True)
    if local is not None and world is not None:
        out.append(_larger("The worldwide part is larger than the part made here", world, local))
    parts = parts_of(facts) or parts_of(facts, method="shapley_from_reference")
    sign("Breathing outweighs growth, and this lowers pH here", parts.get("organic"), below=True)
    sign("The building of skeletons outweighs their loss", facts.one("net_community_calcification"), below=False)
    oxygen = facts.one("oxygen_flux", period="24h", unit="mmol m-2 h-1") or facts.one(
        "oxygen_flux", unit="mmol m-2 h-1"
    )
    sign("Over day and night the seabed takes up more oxygen than it gives", oxygen, below=True)
    return out


def _larger(text: str, first: Number, second: Number) -> Claim:
    """Whether one lowering is larger than another: by the sum of variances, as the two are not taken as linked."""
    difference = abs(first.value) - abs(second.value)
    half = math.hypot(0.5 * (first.upper - first.lower), 0.5 * (second.upper - second.lower))
    found = answer(
        below=False,
        threshold=0.0,
        value=difference,
        lower=difference - half,
        upper=difference + half,
        level=first.level,
    )
    return Claim(text, found, (first, second))


WANTED = (
    ("ph_change_local", "the part of the pH change that is made here (it needs open water measured beside the reef)"),
    ("ph_change_global", "the part of the pH change that is worldwide"),
    ("oxygen_flux", "the exchange of oxygen between seabed and water"),
    ("dic_flux", "the exchange of carbon between seabed and water"),
    ("net_community_calcification", "whether the reef is building or losing skeleton"),
    ("community_share", "the share of sponges and other single organisms"),
    ("source_delta13C", "the fingerprint of where the added carbon comes from"),
    ("ph_trend", "any change from year to year"),
)
"""Quantity and what is missing in plain words where there is no estimate of it."""


def not_measured(facts: Facts) -> list[tuple[str, str]]:
    """Return what this mission does not tell: plain words, and the reason where one is on record."""
    out = []
    for quantity, words in WANTED:
        if facts.find(quantity):
            continue
        reasons = [row.reason for row in facts.find(quantity, given=False) if row.reason]
        out.append((words, reasons[0] if reasons else ""))
    return out


def lean(number: Number) -> str:
    """Return the calibrated word for a number being below zero or above, whichever is the likelier."""
    below = likelihood_below(0.0, value=number.value, lower=number.lower, upper=number.upper, level=number.level)
    return confidence_words(max(below, 1.0 - below))
