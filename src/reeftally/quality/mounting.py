"""Checks of where and how an instrument stands: height, tilt, heading, wake, boundaries, visitors, power.

Here:     steps of a frame, moved sensors, compass offsets, sidelobes, wakes, fish and divers, pump stops, dye,
          common noise, restarts; the cost of a wrong height.
Not here: axes turned over (`reeftally.flow.orientation`), velocity wrap (`reeftally.flow.unwrap`), slate times
          (`reeftally.exchange.visits`).
Rules:    evidence and a proposal; a new geometry is never applied by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError
from reeftally.quality._patterns import mean_of_present, running_median, runs_of
from reeftally.quality.doubts import Doubt
from reeftally.quality.qartod import FAIL, GOOD, MISSING, SUSPECT, FlagArray

__all__ = [
    "HeadingOffset",
    "common_noise",
    "dye_nearby",
    "frame_steps",
    "heading_offset",
    "height_error_cost",
    "moved",
    "pump_stop",
    "restarts",
    "usable_bins",
    "visitors",
    "wake_sectors",
]


def height_error_cost(*, lower_height: float, upper_height: float, lower_error: float, upper_error: float) -> float:
    """Relative error of a gradient flux when the heights are really `..._height + ..._error`. [1]

    The flux goes as 1 / ln(z2 / z1): 5 cm too low a statement of both 0.25 and 0.90 m is 10 %, of the
    lower one alone 14 %.
    """
    true = np.log((upper_height + upper_error) / (lower_height + lower_error))
    if not (lower_height > 0 and lower_height + lower_error > 0 and true > 0):
        message = "heights with their errors must stay above 0 and in order."
        raise InputError(message)
    return float(true / np.log(upper_height / lower_height) - 1.0)


def _step_at(record: FloatArray, width: int) -> tuple[int, float, float]:
    """Place, size and clearness of the largest step between medians of `width` blocks before and after."""
    where = np.flatnonzero(np.isfinite(record))
    kept = record[where]
    best = (0, 0.0, 0.0)
    if kept.size < 2 * width + 1:
        return best
    scale = 1.4826 * float(np.median(np.abs(np.diff(kept)))) / np.sqrt(2.0)
    for at in range(width, kept.size - width + 1):
        before, after = kept[at - width : at], kept[at : at + width]
        low, high = float(np.median(before)), float(np.median(after))
        size = high - low
        within = 1.4826 * float(np.median(np.abs(np.concatenate([before - low, after - high]))))
        # The median of w samples scatters by 1.25 / sqrt(w) of their spread.
        clear = abs(size) / max(1.25 * max(within, scale) * np.sqrt(2.0 / width), 1e-12)
        # A ramp within the windows is a tide, not a step: most of the change must happen at once.
        sharp = abs(float(np.median(kept[at : at + 3]) - np.median(kept[max(at - 3, 0) : at])))
        if sharp > 0.5 * abs(size) and clear > best[2]:
            best = (int(where[at]), size, clear)
    return best


def frame_steps(
    *,
    time: npt.ArrayLike,
    pitch: npt.ArrayLike,
    roll: npt.ArrayLike,
    pressure: npt.ArrayLike | None = None,
    neighbour_pressure: npt.ArrayLike | None = None,
    width: int = 8,
    least_degrees: float = 0.5,
    least_dbar: float = 0.02,
) -> list[Doubt]:
    """Find the moment at which a frame sank, tipped or was knocked.

    Parameters
    ----------
    time, pitch, roll : array-like, (n,)
        Block means. [s], [degree]
    pressure, neighbour_pressure : array-like, (n,), optional
        Of the frame and of one that stands still; their difference shows sinking. [dbar]
    width : int
        Blocks on each side.
    """
    t = as_float("time", time)
    out = []
    records = {"pitch": (as_float("pitch", pitch), least_degrees), "roll": (as_float("roll", roll), least_degrees)}
    if pressure is not None and neighbour_pressure is not None:
        records["pressure"] = (
            as_float("pressure", pressure) - as_float("neighbour_pressure", neighbour_pressure),
            least_dbar,
        )
    for name, (record, least) in records.items():
        at, size, clear = _step_at(record, width)
        if clear > 6.0 and abs(size) > least:
            unit = "dbar" if name == "pressure" else "degrees"
            out.append(
                Doubt(
                    kind="frame moved",
                    severity=3,
                    found=f"a step of {size:+.2g} {unit} in {name}",
                    wanted="a frame that stands still",
                    proposal="End the deployment here and begin another with heights and angles measured again.",
                    start=float(t[at]),
                    numbers={"step": size, "clear": clear},
                )
            )
    return out


def moved(
    *, time: npt.ArrayLike, values: npt.ArrayLike, neighbours: npt.ArrayLike, width: int = 16, clear: float = 8.0
) -> Doubt | None:
    """Ask "moved?" where a sensor's level steps and none of its neighbours does.

    Parameters
    ----------
    time, values : array-like, (n,)
        Block means.
    neighbours : array-like, (k, n)
        The same quantity near by.
    """
    t, y = as_float("time", time), as_float("values", values)
    others = np.atleast_2d(as_float("neighbours", neighbours))
    at, size, sharp = _step_at(y - mean_of_present(others), width)
    if sharp < clear:
        return None
    return Doubt(
        kind="moved",
        severity=2,
        found=f"a step of {size:+.3g} in the level, {sharp:.0f} times its noise, none at {others.shape[0]} neighbours",
        wanted="the neighbours' course",
        proposal="Was it moved, cleaned or knocked? If so, end the deployment here and begin another.",
        start=float(t[at]),
        numbers={"step": size, "clear": sharp},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingOffset:
    """Rotation of one current record against another."""

    degrees: float
    """To add to the subject's heading (positive clockwise from above)."""
    sd: float
    with_power: float
    """Difference of the offset between power on and off; NaN if not asked for. [degree]"""
    doubt: Doubt | None


def heading_offset(
    *,
    east: npt.ArrayLike,
    north: npt.ArrayLike,
    reference_east: npt.ArrayLike,
    reference_north: npt.ArrayLike,
    powered: npt.ArrayLike | None = None,
    least: float = 3.0,
) -> HeadingOffset:
    """Compass offset from the tide that two instruments saw together.

    Parameters
    ----------
    east, north, reference_east, reference_north : array-like, (n,)
        Block means. [m s-1]
    powered : array-like of bool, (n,), optional
        Whether a heater, lamp or cable current was on.
    least : float
        Offset from which to ask. [degree]

    Notes
    -----
    Phase of the complex correlation of the two currents (Kundu 1976, J. Phys. Oceanogr. 6, 238, from memory);
    standard uncertainty from twelve stretches of the record.
    """
    w = as_float("east", east) + 1j * as_float("north", north)
    v = as_float("reference_east", reference_east) + 1j * as_float("reference_north", reference_north)
    good = np.isfinite(w.real) & np.isfinite(w.imag) & np.isfinite(v.real) & np.isfinite(v.imag)
    product = np.where(good, v * np.conj(w), 0.0)

    def turn(mask: npt.NDArray[np.bool_]) -> float:
        # Reference over subject turns counter-clockwise; headings count clockwise.
        return -float(np.degrees(np.angle(product[mask].sum())))

    degrees = turn(good)
    parts = [turn(np.isin(np.arange(w.size), part) & good) for part in np.array_split(np.arange(w.size), 12)]
    away = np.mod(np.array(parts) - degrees + 180.0, 360.0) - 180.0
    sd = float(np.std(away, ddof=1) / np.sqrt(12.0))
    on_off = float("nan")
    if powered is not None:
        lit = np.asarray(powered, dtype=bool)
        if (lit & good).any() and (~lit & good).any():
            on_off = float(np.mod(turn(lit & good) - turn(~lit & good) + 180.0, 360.0) - 180.0)
    doubt = None
    if abs(degrees) > max(least, 3.0 * sd):
        extra = f"; it changes by {on_off:+.1f} degrees with power" if abs(on_off) > 2.0 else ""
        doubt = Doubt(
            kind="heading",
            severity=2,
            found=f"currents turned by {degrees:+.1f} degrees (1 sd {sd:.1f}) from the neighbour's{extra}",
            wanted=f"within {least:g} degrees",
            proposal="Iron or a cable near the compass? Measure the heading by hand before it is changed in the book.",
            numbers={"degrees": degrees, "sd": sd},
        )
    return HeadingOffset(degrees=degrees, sd=sd, with_power=on_off, doubt=doubt)


def usable_bins(
    *, heights: npt.ArrayLike, bin_size: float, depth: npt.ArrayLike, beam_angle: float, head_height: float = 0.0
) -> npt.NDArray[np.bool_]:
    """Which bins of an upward profiler hold no echo of the surface or of the bed.

    Parameters
    ----------
    heights : array-like, (bins,)
        Bin centres above the bed. [m]
    bin_size : float
        [m]
    depth : array-like, (n,)
        Water depth, tide included. [m]
    beam_angle : float
        From the vertical. [degree]
    head_height : float
        Of the transducer above the bed. [m]

    Returns
    -------
    bool array, (bins, n)
        Sidelobes spoil the range beyond (depth - head) cos(angle) from the head; half a bin more is cut on each side.
    """
    z = as_float("heights", heights)[:, None]
    reach = (as_float("depth", depth)[None, :] - head_height) * np.cos(np.radians(beam_angle)) + head_height
    return np.asarray((z + 0.5 * bin_size <= reach) & (z - 0.5 * bin_size >= 0.0))


def wake_sectors(
    *, direction: npt.ArrayLike, stress_ratio: npt.ArrayLike, width: float = 30.0, low: float = 0.5, high: float = 2.0
) -> list[tuple[float, float]]:
    """Sectors of flow in which turbulence against speed squared differs from all others: wake or shadow of the frame.

    Parameters
    ----------
    direction : array-like, (n,)
        Direction the water comes from. [degree]
    stress_ratio : array-like, (n,)
        Turbulence or stress over speed squared, block by block.
    width : float
        Of a sector. [degree]
    low, high : float
        Ratio to the median of the others below or above which a sector is named.
    """
    angle, ratio = np.mod(as_float("direction", direction), 360.0), as_float("stress_ratio", stress_ratio)
    edges = np.arange(0.0, 360.0, width)
    out = []
    for edge in edges:
        inside = (angle >= edge) & (angle < edge + width) & np.isfinite(ratio)
        outside = ~inside & np.isfinite(ratio)
        if inside.sum() < 8 or outside.sum() < 8:
            continue
        share = float(np.median(ratio[inside]) / np.median(ratio[outside]))
        if share < low or share > high:
            out.append((float(edge), float(edge + width)))
    return out


def visitors(
    *, values: npt.ArrayLike, neighbours: npt.ArrayLike, noise_sd: float, longest: int, limit: float = 8.0
) -> FlagArray:
    """Flag 3 short bursts at one sensor only: fish, weed, a diver; hold them against the diver log.

    Parameters
    ----------
    values : array-like, (n,)
    neighbours : array-like, (k, n)
    noise_sd : float
        Of one sample.
    longest : int
        Samples up to which a burst counts as short.
    limit : float
        Standard deviations from the running median.
    """
    y = as_float("values", values)
    others = np.atleast_2d(as_float("neighbours", neighbours))

    def away(a: FloatArray) -> FloatArray:
        return np.abs(a - running_median(a, 3 * longest))

    own = away(y) > limit * noise_sd
    shared = np.any([away(o) > limit * noise_sd for o in others], axis=0)
    flags = np.where(np.isnan(y), MISSING, GOOD).astype(np.uint8)
    # Short pauses within one visit do not end it.
    joined = np.convolve(own.astype(float), np.ones(3), "same") > 0
    for first, end in runs_of(joined):
        if end - first <= longest + 2 and not shared[first:end].any():
            flags[first:end][own[first:end]] = SUSPECT
    return flags


def pump_stop(
    *, time: npt.ArrayLike, values: npt.ArrayLike, neighbour: npt.ArrayLike, window: int = 12
) -> tuple[FlagArray, Doubt | None]:
    """Find where a pumped or membrane sensor goes flat while its neighbour goes on, and flag 4 from there.

    Returns
    -------
    flags : uint8 array, (n,)
    doubt : Doubt or None
    """
    n = require_same_length(time=time, values=values, neighbour=neighbour)
    t, y, other = as_float("time", time), as_float("values", values), as_float("neighbour", neighbour)
    flags = np.where(np.isnan(y), MISSING, GOOD).astype(np.uint8)
    if n < 4 * window:
        return flags, None
    own = np.abs(np.diff(y, prepend=y[0]))
    lively = np.abs(np.diff(other, prepend=other[0]))
    kernel = np.ones(window) / window
    quiet = np.convolve(np.nan_to_num(own), kernel, "same") < 0.15 * float(np.nanmedian(own))
    alive = np.convolve(np.nan_to_num(lively), kernel, "same") > 0.4 * float(np.nanmedian(lively))
    for first, end in runs_of(quiet & alive):
        if end - first < 2 * window:
            continue
        start, stop = max(first - window // 2, 0), min(end + window // 2, n)
        flags[start:stop][flags[start:stop] == GOOD] = FAIL
        return flags, Doubt(
            kind="pump stopped",
            severity=3,
            found=f"a signal that goes flat for {(t[stop - 1] - t[start]) / 3600:.1f} h while its neighbour varies",
            wanted="water that moves past the membrane",
            proposal="Look at the pump and its supply; the samples are flagged 4 from the stop.",
            start=float(t[start]),
            end=float(t[stop - 1]),
        )
    return flags, None


def dye_nearby(*, time: npt.ArrayLike, releases: npt.ArrayLike, minutes: float = 15.0) -> FlagArray:
    """Flag 3 the optical samples of `minutes` after each dye release (common practice, no source)."""
    t = as_float("time", time)
    flags = np.full(t.shape, GOOD, dtype=np.uint8)
    for release in np.atleast_1d(as_float("releases", releases)):
        flags[(t >= release) & (t <= release + 60.0 * minutes)] = SUSPECT
    return flags


def common_noise(*, records: npt.ArrayLike, names: tuple[str, ...], least: float = 0.6) -> Doubt | None:
    """Ask the base where fast noise is common to channels that share no water: a ground fault or water in a housing.

    Parameters
    ----------
    records : array-like, (channels, n)
        Different quantities of one hub or cable, at the same times.
    names : tuple of str
    least : float
        Mean correlation of their differences from which to ask.
    """
    x = np.diff(as_float("records", records), axis=1)
    x = x[:, np.isfinite(x).all(axis=0)]
    if x.shape[0] < 3 or x.shape[1] < 50:
        return None
    r = np.abs(np.corrcoef(x))
    mean = float((r.sum() - x.shape[0]) / (x.shape[0] * (x.shape[0] - 1)))
    if mean < least:
        return None
    return Doubt(
        kind="common noise",
        severity=3,
        found=f"fast noise alike (correlation {mean:.2f}) in {', '.join(names)}",
        wanted="noise of their own",
        proposal="Tell the base person: ground fault or water in a housing? Powering down is a human decision.",
        numbers={"correlation": mean},
    )


def restarts(
    *, time: npt.ArrayLike, interval: float, counter: npt.ArrayLike | None = None, many_per_day: float = 3.0
) -> tuple[npt.NDArray[np.int64], Doubt | None]:
    """Count restarts: silences longer than five intervals, or a counter that begins anew.

    Returns
    -------
    begins : int array
        First sample of every new segment.
    doubt : Doubt or None
        Where they are many: a brown-out, not a plug.
    """
    t = as_float("time", time)
    begun = np.zeros(t.size, dtype=bool)
    begun[1:] = np.diff(t) > 5.0 * interval
    if counter is not None:
        begun[1:] |= np.diff(as_float("counter", counter)) < 0
    begins = np.flatnonzero(begun)
    days = max(float(np.ptp(t)) / 86400.0, 1.0 / 24.0)
    if begins.size / days <= many_per_day:
        return begins, None
    return begins, Doubt(
        kind="restarts",
        severity=2,
        found=f"{begins.size} restarts in {days:.1f} days",
        wanted=f"at most {many_per_day:g} a day",
        proposal="Brown-outs? Log the supply; check that rate and settings came back after each restart.",
        start=float(t[begins[0]]),
        numbers={"restarts": float(begins.size)},
    )
