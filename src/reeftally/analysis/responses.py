"""Response times from steps that sensors went through together, side by side.

Here:     the step that all sensors of a side by side saw at once; time constants from it, or why there are none.
Not here: the fit (`calibration.response`), the response time that the book states and the chain uses.
Rules:    every sensor must show the step, in one direction; a course that is no single step gives no number.
"""

from __future__ import annotations

import numpy as np

from reeftally._checks import FloatArray
from reeftally.analysis.context import Context
from reeftally.analysis.grid import NS
from reeftally.calibration.response import response_times
from reeftally.errors import InputError

__all__ = ["common_step", "responses"]

# Seconds before a step, and until and while the level after it is read: four time constants of a slow optode.
BEFORE_S, SETTLED_S, AFTER_S = 120.0, 120.0, 240.0
# A step stands out by so many of the usual scatters of such differences (common practice, no source).
CLEAR = 12.0
# Scatter about the fitted course over the noise of single samples; above it the course is no single step.
WORST_FIT = 2.0


def common_step(times: list[FloatArray], values: list[FloatArray], *, stride_s: float = 20.0) -> float | None:
    """Return about when all sensors stepped together; None where no step stands out in every one. [s]"""
    low, high = max(t[0] for t in times) + BEFORE_S, min(t[-1] for t in times) - AFTER_S
    moments = np.arange(low, high, stride_s)
    if moments.size < 20:
        return None
    signed = np.zeros((len(times), moments.size))
    for row, (t, y) in enumerate(zip(times, values, strict=True)):
        first, at, settled, last = (
            np.searchsorted(t, moments + offset) for offset in (-BEFORE_S, 0.0, SETTLED_S, AFTER_S)
        )
        change = np.array(
            [
                np.median(y[c:d]) - np.median(y[a:b]) if b - a >= 4 and d - c >= 4 else np.nan
                for a, b, c, d in zip(first, at, settled, last, strict=True)
            ]
        )
        usual = 1.4826 * float(np.nanmedian(np.abs(change - np.nanmedian(change)))) if np.isfinite(change).any() else 0
        signed[row] = np.nan_to_num(change) / max(usual, 1e-12)
    least = np.where((np.sign(signed) == np.sign(signed[0])).all(axis=0), np.abs(signed).min(axis=0), 0.0)
    best = int(np.argmax(least))
    return float(moments[best]) if least[best] >= CLEAR else None


def responses(context: Context, labels: tuple[str, ...], quantity: str) -> dict[str, tuple[float, float, str]]:
    """Return (time constant, standard uncertainty, note) of each sensor. [s], [s]"""
    names = ("oxygen", "oxygen_molar") if quantity == "oxygen" else (quantity,)
    out = dict.fromkeys(labels, (np.nan, np.nan, "No response time: never side by side with another."))
    streams = context.store.streams()
    for period in context.book.intercalibrations:
        held: dict[str, tuple[FloatArray, FloatArray]] = {}
        for label in labels:
            channel = next((n for n in names if label in streams and n in streams[label].channels), None)
            if label not in period.instruments or channel is None:
                continue
            record = context.read(label, start_ns=period.start_ns, end_ns=period.end_ns, channels=[channel])
            y = np.asarray(record.channels.get(channel, np.empty(0)), dtype=np.float64)
            good = np.isfinite(y)
            if good.sum() >= 50:
                held[label] = ((record.time_ns[good] - period.start_ns) / NS, y[good])
        if len(held) < 2:
            continue
        times, values = [t for t, _ in held.values()], [y for _, y in held.values()]
        at = common_step(times, values)
        found = None
        note = "No response time: no step that all saw together."
        if at is not None:
            cut = [(t >= at - BEFORE_S) & (t < at + AFTER_S) for t in times]
            windows = [t[c] for t, c in zip(times, cut, strict=True)], [y[c] for y, c in zip(values, cut, strict=True)]
            try:
                found = response_times(times=windows[0], values=windows[1])
            except InputError as error:
                note = f"No response time: {error}"
        for number, label in enumerate(held):
            if np.isfinite(out[label][0]):
                continue
            out[label] = (np.nan, np.nan, note)
            if found is None:
                continue
            one, y = found[number], windows[1][number]
            single = 1.4826 * float(np.median(np.abs(np.diff(y) - np.median(np.diff(y))))) / np.sqrt(2.0)
            if one.noise > WORST_FIT * max(single, 1e-6 * abs(one.step)):
                out[label] = (np.nan, np.nan, "No response time: what it saw was no single step.")
            else:
                out[label] = (one.seconds, one.sd, f"From the step of {one.step:.3g} in {period.name}.")
    return out
