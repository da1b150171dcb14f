"""Review of one record with full context: flags of all tests that apply, and the stretches a person should look at.

Here:     `review_record`: `record.flag_record`, then attenuation, visitors and steps against neighbours, rough and
          silent stretches, as flags and as doubts with start and end.
Not here: which fault it is (`faults`), what is done about it.
Rules:    flags are added, never overwritten; a neighbour's word alone never fails a value, it makes it suspect.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.quality._patterns import mean_of_present, runs_of
from reeftally.quality.doubts import Doubt
from reeftally.quality.mounting import moved, visitors
from reeftally.quality.qartod import FAIL, GOOD, MISSING, SUSPECT, FlagArray, roll_up
from reeftally.quality.record import flag_record
from reeftally.quality.thresholds import Span
from reeftally.quality.values import attenuated_against

__all__ = ["Review", "review_record"]

# Stretches are looked at in pieces of this many samples; shorter faults are the business of single-sample tests.
_PIECE = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """What a look at one record with its neighbours found."""

    flags: FlagArray
    """Roll-up of all tests, (n,)."""
    tests: dict[str, FlagArray]
    doubts: tuple[Doubt, ...]
    """Stretches to look at, most serious first."""


def _means(values: FloatArray, size: int) -> FloatArray:
    n = values.size // size
    cut = values[: n * size].reshape(n, size)
    count = np.isfinite(cut).sum(axis=1)
    return np.asarray(np.where(count > 0, np.nansum(cut, axis=1) / np.maximum(count, 1), np.nan))


def _roughness(values: FloatArray, size: int) -> FloatArray:
    """Scatter of the differences of neighbouring samples in each piece; NaN where too few are there."""
    steps = np.diff(values, prepend=np.nan)
    n = steps.size // size
    cut = steps[: n * size].reshape(n, size)
    out = np.full(n, np.nan)
    for k in range(n):
        part = cut[k][np.isfinite(cut[k])]
        if part.size > size // 2:
            out[k] = 1.4826 * float(np.median(np.abs(part)))
    return out


def _middle(others: FloatArray) -> FloatArray:
    """What the neighbours show: the median of three or more, so that one that errs itself does not speak for all."""
    if others.shape[0] < 3:
        return mean_of_present(others)
    filled = np.where(np.isfinite(others), others, mean_of_present(others))
    return np.asarray(np.median(filled, axis=0))


def _stretches(time: FloatArray, mask: npt.NDArray[np.bool_], least: int) -> list[tuple[float, float, int]]:
    return [(float(time[a]), float(time[b - 1]), b - a) for a, b in runs_of(mask) if b - a >= least]


def review_record(
    *,
    time: npt.ArrayLike,
    values: npt.ArrayLike,
    quantity: str,
    interval: float,
    noise_sd: float,
    neighbours: npt.ArrayLike | None = None,
    span: Span | None = None,
    carried: bool = False,
) -> Review:
    """Run every test that applies to one slow record with full context.

    Parameters
    ----------
    time, values : array-like, (n,)
        [s], canonical unit; NaN where a sample is missing.
    quantity : str
    interval : float
        Sampling interval. [s]
    noise_sd : float
        Stated noise of one sample; 0 if unknown.
    neighbours : array-like, (k, n), optional
        The same quantity near by, at the same times.
    span : Span, optional
        Sensor and user span of the mission book.
    carried : bool
        A carried sensor moves through plumes on purpose: only range and flat line are tested.

    Returns
    -------
    Review

    Notes
    -----
    Pieces of 60 samples: a piece is rough from three times the usual scatter of neighbouring samples (suspect),
    attenuated below a third of it against its neighbour (`values.attenuated_against`). A step is looked for in block
    means against the mean of the neighbours. All of these are common practice.
    """
    n = require_same_length(time=time, values=values)
    t, y = as_float("time", time), as_float("values", values)
    first = flag_record(
        time=t, values=y, quantity=quantity, interval=interval, noise_sd=noise_sd, span=span, carried=carried
    )
    tests = dict(first.tests)
    doubts: list[Doubt] = []
    others = None if neighbours is None else np.atleast_2d(as_float("neighbours", neighbours))
    if not carried and quantity != "par" and n >= 8 * _PIECE:
        rough = _roughness(y, _PIECE)
        usual = float(np.nanmedian(rough))
        flags = np.where(np.isnan(y), MISSING, GOOD).astype(np.uint8)
        for piece in np.flatnonzero(rough > 3.0 * max(usual, 1e-12)):
            part = flags[piece * _PIECE : (piece + 1) * _PIECE]
            part[part == GOOD] = SUSPECT
        tests["rough"] = flags
        if others is not None:
            tests["attenuated"] = attenuated_against(values=y, neighbour=_middle(others), window=_PIECE)
            scale = max(noise_sd, usual / np.sqrt(2.0))
            tests["visitor"] = visitors(values=y, neighbours=others, noise_sd=scale, longest=_PIECE // 4)
            size = max(1, n // 400)
            blocks = [_means(a, size) for a in (t, y, *others)]
            step = moved(time=blocks[0], values=blocks[1], neighbours=np.stack(blocks[2:]))
            if step is not None:
                doubts.append(step)
    lost = np.isnan(y)
    for begin, end, count in _stretches(t, lost, 5):
        doubts.append(
            Doubt(
                kind="missing", severity=2, found=f"{count} samples in a row without a value",
                wanted=f"one every {interval:g} s", proposal="Look at cable, power and logger.", start=begin, end=end,
            )
        )  # fmt: skip
    silent = np.flatnonzero(np.diff(t) > 5.0 * interval)
    doubts.extend(
        Doubt(
            kind="gap", severity=1, found=f"a silence of {(t[at + 1] - t[at]) / 60:.0f} min",
            wanted=f"a sample every {interval:g} s", proposal="Look for a restart or a missing file.",
            start=float(t[at]), end=float(t[at + 1]),
        )
        for at in silent
    )  # fmt: skip
    words = {
        "flat_line": ("stuck", 2, "equal values in a row", "Look at the sensor and its cable."),
        "gross_range": ("range", 3, "values outside what water can give", "Wrong unit, channel or coefficients?"),
        "rough": ("rough", 2, "values rougher than usual", "Bubble, weed or a bad plug?"),
        "attenuated": ("attenuated", 2, "values that hardly vary while the neighbour does", "Pump, membrane or cap?"),
        "visitor": ("visitor", 1, "values off for a moment at this sensor only", "Fish, weed or a diver?"),
    }
    for name, (kind, severity, what, proposal) in words.items():
        if name not in tests:
            continue
        bad = (tests[name] == FAIL) | (tests[name] == SUSPECT)
        for begin, end, count in _stretches(t, bad, 3):
            doubts.append(
                Doubt(
                    kind=kind, severity=severity, found=f"{count} {what}", wanted="a living record of water",
                    proposal=proposal, start=begin, end=end,
                )
            )  # fmt: skip
    doubts.sort(key=lambda d: (-d.severity, d.start or 0.0))
    return Review(flags=roll_up(*tests.values()), tests=tests, doubts=tuple(doubts))
