"""First-hour verdict: is every stream what the book says it is, while the divers are still in the water.

Here:     `first_hour` for one stream after another, `find_swap` for crossed channels of sensors with known offsets.
Not here: the longer look (`record`, `faults`), the page that shows it.
Rules:    red stops, amber asks, green goes; every colour has its reasons, written for the diver. What could not be
          looked at is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import ShapeError
from reeftally.quality.record import flag_record
from reeftally.quality.thresholds import SPANS

__all__ = ["FirstHour", "Swap", "Verdict", "find_swap", "first_hour"]

# What a reef's water is in the first hour: saturation 80 to 130 %, pH 7.7 to 8.3 (common practice, no source).
_SANE = {"oxygen_saturation": (80.0, 130.0), "ph_total": (7.7, 8.3)}


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstHour:
    """The first hour of one channel of one stream."""

    stream: str
    quantity: str
    time: FloatArray
    """[s]"""
    values: FloatArray
    interval: float
    """Expected. [s]"""
    noise_sd: float = 0.0
    """Stated, of one sample; 0 if not stated."""
    saturation: FloatArray | None = None
    """Oxygen channels: percent of solubility."""
    depth: float | None = None
    """Pressure channels: depth by the log. [m]"""
    vertical_z: float | None = None
    """Velocimeters: combined z of `reeftally.flow.orientation`."""
    heading_difference: float | None = None
    """Current meters: direction against a neighbour. [degree]"""
    neighbour: FloatArray | None = None
    """The same quantity near by, at the same times, known offsets taken off from both."""
    neighbour_sd: float | None = None
    """How far the two may differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Traffic light of one stream."""

    stream: str
    quantity: str
    light: str
    """`green`, `amber` or `red`."""
    reasons: tuple[str, ...]
    not_looked_at: tuple[str, ...]


def first_hour(streams: list[FirstHour]) -> list[Verdict]:
    """Grade streams by their first hour, the worst first.

    Parameters
    ----------
    streams : list of FirstHour

    Returns
    -------
    list of Verdict
        One a stream and quantity.
    """
    order = {"red": 0, "amber": 1, "green": 2}
    return sorted((_one(s) for s in streams), key=lambda v: (order[v.light], v.stream))


def _one(s: FirstHour) -> Verdict:
    red: list[str] = []
    amber: list[str] = []
    skipped: list[str] = []
    finite = s.values[np.isfinite(s.values)]
    due = 3600.0 / s.interval
    if finite.size < 0.5 * due:
        red.append(f"{finite.size} samples came where {due:.0f} were due: look at cable, power and settings")
    elif finite.size < 0.9 * due - 1.0:
        # One sample more or less is a matter of where the hour begins.
        amber.append(f"{finite.size} samples came where {due:.0f} were due")
    if s.time.size > 10:
        step = float(np.median(np.diff(s.time)))
        if abs(step / s.interval - 1.0) > 0.02:
            amber.append(f"it samples every {step:.4g} s, the book says {s.interval:.4g} s")
    if finite.size > 30:
        flags = flag_record(time=s.time, values=s.values, quantity=s.quantity, interval=s.interval, noise_sd=s.noise_sd)
        stuck = flags.tests.get("flat_line")
        if stuck is not None and (stuck == 4).mean() > 0.2:
            red.append("its reading does not move: reseat it or swap it")
        outside = flags.tests.get("gross_range")
        if outside is not None and (outside >= 3).mean() > 0.2:
            span = SPANS[s.quantity].user
            red.append(
                f"its reading is {np.median(finite):.4g}; water gives {span[0]:g} to {span[1]:g}: "
                "wrong channel, unit or coefficients"
            )
        if s.noise_sd > 0:
            # Second differences of white noise have a variance of six.
            second = np.diff(finite, n=2)
            noise = 1.4826 * float(np.median(np.abs(second))) / np.sqrt(6.0)
            if noise > 4.0 * s.noise_sd:
                amber.append(f"it is {noise / s.noise_sd:.0f} times noisier than stated: bubble, weed or plug")
        else:
            skipped.append("noise: none is stated")
    _physics(s, finite, red, amber, skipped)
    light = "red" if red else "amber" if amber else "green"
    return Verdict(
        stream=s.stream, quantity=s.quantity, light=light, reasons=(*red, *amber), not_looked_at=tuple(skipped)
    )


def _physics(s: FirstHour, finite: FloatArray, red: list[str], amber: list[str], skipped: list[str]) -> None:
    if s.quantity.startswith("oxygen"):
        if s.saturation is None:
            skipped.append("saturation: no temperature and salinity beside it")
        else:
            share = float(np.nanmedian(s.saturation))
            low, high = _SANE["oxygen_saturation"]
            if not 0.6 * low <= share <= 1.4 * high:
                red.append(f"oxygen saturation is {share:.0f} %: unit, salinity setting or foil")
            elif not low <= share <= high:
                amber.append(f"oxygen saturation is {share:.0f} %, outside {low:.0f} to {high:.0f} %")
    if s.quantity == "ph_total" and finite.size:
        middle = float(np.median(finite))
        low, high = _SANE["ph_total"]
        if not low <= middle <= high:
            amber.append(f"pH is {middle:.2f}, outside {low} to {high}: not settled, or wrong scale or coefficients")
    if s.quantity == "pressure" and finite.size:
        if s.depth is None:
            skipped.append("depth: none in the log")
        else:
            off = float(np.median(finite)) - s.depth * 1.0027
            if abs(off - 10.13) < 0.7:
                red.append("pressure is one atmosphere too high: it holds the air")
            elif abs(off) > 0.7:
                amber.append(f"pressure and the logged depth differ by {off:+.1f} dbar")
    if s.quantity.startswith("velocity"):
        if s.vertical_z is None:
            skipped.append("which way is up: no orientation computed")
        elif s.vertical_z < -4.0:
            red.append(f"momentum goes upward (z {s.vertical_z:.1f}): it is upside down; look at the probe's mark")
        elif s.vertical_z < 2.0:
            skipped.append("which way is up: the flow is too weak to tell yet")
    if s.heading_difference is not None and abs(s.heading_difference) > 10.0:
        amber.append(f"its current is turned by {s.heading_difference:+.0f} degrees from the neighbour's: compass?")
    if s.neighbour is not None and s.neighbour_sd is not None:
        away = float(np.nanmedian(s.values - s.neighbour))
        if abs(away) > 4.0 * s.neighbour_sd:
            amber.append(f"it differs by {away:+.3g} from its neighbour; {2 * s.neighbour_sd:.2g} would be usual")


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """Two streams that fit better in each other's place."""

    first: str
    second: str
    gain: float
    """Drop of chi-square by exchanging them."""
    evidence: str


def find_swap(
    *,
    names: tuple[str, ...],
    readings: npt.ArrayLike,
    offsets: npt.ArrayLike,
    offset_sd: npt.ArrayLike,
    heights: npt.ArrayLike,
    water_sd: float,
    gradient_sd: float,
    clear: float = 6.0,
) -> list[Swap]:
    """Find pairs of crossed streams: sensors of one kind whose offsets are known and whose places differ.

    Parameters
    ----------
    names : tuple of str
    readings : array-like, (sensors,) or (sensors, n)
        As streamed, raw: the mean of the first hour, or block means.
    offsets, offset_sd : array-like, (sensors,)
        From the side by side before, by sensor.
    heights : array-like, (sensors,)
        Above the displacement plane, by sensor. [m]
    water_sd : float
        How far the water at one place may stray from the profile. [unit]
    gradient_sd : float
        How large a change per unit of ln(height) may be. [unit]
    clear : float
        Drop of chi-square from which a swap is named; 6 is odds of twenty to one for one pair.

    Returns
    -------
    list of Swap
        Clearest first. A sensor is named once.

    Notes
    -----
    Readings less offsets should lie on a line in ln(height) whose slope has a prior about zero. Streams that are
    crossed carry the other sensor's offset and its place: both are put right by exchanging the names. Two sensors
    whose offsets differ by less than the gradient may be cannot always be told in an hour: `faults.diagnose` finds
    them from the steps where the crossing begins or ends.
    """
    y = as_float("readings", readings)
    mean = np.nanmean(np.atleast_2d(y.T).T, axis=1) if y.ndim > 1 else y
    known, sd, z = as_float("offsets", offsets), as_float("offset_sd", offset_sd), as_float("heights", heights)
    n = len(names)
    if not mean.shape == known.shape == sd.shape == z.shape == (n,):
        message = f"find_swap needs {n} readings, offsets, sds and heights, one a name."
        raise ShapeError(message)

    def chi_square(order: list[int]) -> float:
        # order[i] is the stream that really comes from sensor i.
        d = mean[order] - known
        design = np.stack([np.ones(n), np.log(z)], axis=1)
        covariance = np.diag(sd**2 + water_sd**2) + gradient_sd**2 * np.outer(design[:, 1], design[:, 1])
        weight = np.linalg.inv(covariance)
        level = float(design[:, 0] @ weight @ d / (design[:, 0] @ weight @ design[:, 0]))
        rest = d - level
        return float(rest @ weight @ rest)

    order = list(range(n))
    out: list[Swap] = []
    free = set(range(n))
    while len(free) > 1:
        base = chi_square(order)
        best = (clear, -1, -1)
        for i in sorted(free):
            for k in sorted(free):
                if k <= i:
                    continue
                trial = order.copy()
                trial[i], trial[k] = trial[k], trial[i]
                best = max(best, (base - chi_square(trial), i, k))
        gain, i, k = best
        if i < 0:
            break
        # The next pair is judged with this one put right.
        order[i], order[k] = order[k], order[i]
        free -= {i, k}
        out.append(
            Swap(
                first=names[i],
                second=names[k],
                gain=gain,
                evidence=f"with {names[i]} and {names[k]} exchanged their offsets and places agree (chi-square falls "
                f"from {base:.1f} by {gain:.1f})",
            )
        )
    return out
