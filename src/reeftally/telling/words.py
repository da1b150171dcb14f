"""Numbers and words for people: digits that follow the interval, words that follow the likelihood.

Here:     formats of numbers, calibrated words, whether an interval answers a yes-or-no question.
Not here: which number is shown where (`brief`, `html`).
Rules:    two significant digits of the interval's half-width decide how many digits a value shows; a word is tied
          to a likelihood, never chosen by taste; minus signs are minus signs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from reeftally.charts import pretty_unit

__all__ = [
    "CALIBRATED_WORDS",
    "Answer",
    "answer",
    "confidence_words",
    "likelihood_below",
    "number",
    "places",
    "share",
    "with_interval",
]

CALIBRATED_WORDS: tuple[tuple[float, str], ...] = ((0.90, "very likely"), (0.66, "likely"), (0.33, "as likely as not"))
"""Least likelihood of each word; below the last one the opposite is said with its own word."""

_MINUS = "−"
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def places(lower: float, upper: float, value: float | None = None) -> int:
    """Return how many decimal places a value with this interval shows (negative: rounded to tens and so on).

    Two significant digits of half the interval; without width four significant digits of the value.
    """
    half = 0.5 * abs(upper - lower)
    if not math.isfinite(half) or half <= 0.0:
        size = abs(value) if value else 0.0
        return 3 - math.floor(math.log10(size)) if size > 0 else 0
    first = math.floor(math.log10(half))
    # 0.0998 rounds to 0.10: the rounded half-width decides.
    if round(half, 1 - first) >= 10.0 ** (first + 1):
        first += 1
    return 1 - first


def _fixed(value: float, decimals: int, *, sign: bool) -> str:
    rounded = round(value, decimals)
    text = f"{abs(rounded):.{max(decimals, 0)}f}"
    if rounded < 0:
        return _MINUS + text
    return ("+" if sign and rounded > 0 else "") + text


def number(value: float, *, lower: float, upper: float, sign: bool = False) -> str:
    """Return a value with the digits that its interval allows."""
    return _fixed(value, places(lower, upper, value), sign=sign)


def _power(value: float, lower: float, upper: float) -> int:
    size = max(abs(v) for v in (value, lower, upper) if math.isfinite(v))
    if size <= 0.0 or 1e-3 <= size < 1e5:
        return 0
    return 3 * math.floor(math.log10(size) / 3)


def with_interval(
    value: float, lower: float, upper: float, unit: str = "", *, sign: bool = False, decimals: int | None = None
) -> str:
    """Return ``value (lower to upper) unit`` with the digits that the interval allows.

    Very small and very large numbers with a unit are shown in powers of a thousand,
    ``3.1 (2.5 to 3.8) × 10⁻⁶ W kg⁻¹``; numbers without a unit (pH, saturation) never are.

    Parameters
    ----------
    sign : bool
        Whether a plus sign is shown.
    decimals : int, optional
        Decimal places where numbers stand under each other; otherwise the interval decides.
    """
    power = _power(value, lower, upper) if pretty_unit(unit) and decimals is None else 0
    scale = 10.0**power
    v, low, high = value / scale, lower / scale, upper / scale
    if decimals is None:
        decimals = places(low, high, v)
    text = (
        f"{_fixed(v, decimals, sign=sign)} ({_fixed(low, decimals, sign=sign)} to {_fixed(high, decimals, sign=sign)})"
    )
    if power:
        text += f" × 10{str(power).translate(_RAISED)}"
    shown = pretty_unit(unit)
    return f"{text} {shown}" if shown else text


def share(value: float, lower: float, upper: float) -> str:
    """Return a share of one as percent with interval, ``28 (14 to 42) %``."""
    return with_interval(100.0 * value, 100.0 * lower, 100.0 * upper) + " %"


def likelihood_below(threshold: float, *, value: float, lower: float, upper: float, level: float = 0.95) -> float:
    """Return how likely the truth lies below a threshold, from an estimate and its interval.

    Parameters
    ----------
    value, lower, upper : float
        Estimate and bounds of its interval.
    level : float
        Probability that the interval holds the truth.

    Returns
    -------
    float
        0 to 1. NaN where a bound is missing.

    Notes
    -----
    Two half normal distributions of equal weight join at the value, each with the width of its side of the
    interval (JCGM 101:2008 gives percentiles only; the shape between them is our choice, from memory: the split
    normal distribution).
    """
    if not all(math.isfinite(v) for v in (value, lower, upper)):
        return float("nan")
    side = (value - lower) if threshold < value else (upper - value)
    sd = side / float(stats.norm.ppf(0.5 + 0.5 * level))
    if sd <= 0.0:
        return float(value < threshold) if value != threshold else 0.5
    return float(stats.norm.cdf((threshold - value) / sd))


def confidence_words(probability: float) -> str:
    """Return the calibrated word for a likelihood of one third or more.

    Below one third the statement should be turned round; the function then says ``unlikely`` or ``very unlikely``.
    """
    if not math.isfinite(probability):
        return "cannot tell"
    for least, word in CALIBRATED_WORDS:
        if probability >= least:
            return word
    return "unlikely" if probability > 0.10 else "very unlikely"


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to a yes-or-no question that turns on a threshold."""

    verdict: str
    """``yes``, ``no`` or ``cannot tell``."""
    words: str
    """Calibrated words for the side that is the likelier."""
    probability: float
    """Likelihood of yes."""


def answer(*, below: bool, threshold: float, value: float, lower: float, upper: float, level: float = 0.95) -> Answer:
    """Answer whether the truth lies below (or above) a threshold.

    The verdict is ``cannot tell`` whenever the interval spans the threshold; the words then still say which way the
    data lean.
    """
    low = likelihood_below(threshold, value=value, lower=lower, upper=upper, level=level)
    probability = low if below else 1.0 - low
    if not np.isfinite(probability):
        return Answer("cannot tell", "cannot tell", probability)
    verdict = "yes" if (upper < threshold) == below else "no"
    if lower <= threshold <= upper:
        verdict = "cannot tell"
    return Answer(verdict, confidence_words(max(probability, 1.0 - probability)), probability)
