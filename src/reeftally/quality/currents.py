"""QARTOD tests of currents, for block or burst means.

Here:     sensor health (1, 3, 4), signal (5 to 9), velocity (10 to 17) and profile tests (18 to 20).
Not here: checksums (test 2: intake), raw samples at 16 to 64 Hz (`reeftally.flow` screens and despikes them).
Rules:    speeds in m s-1, angles in degrees. Every default is the manual's own example threshold, and a site's
          book may state others; arrays are (time,), (bins, time) or (beams, bins, time) as said.

Source of the definitions: U.S. IOOS QARTOD Manual for Real-Time Quality Control of In-Situ Current Observations,
v2.1 (2019), section 3.3. Errata, and what is done here: the pass line of test 3 joins both axes by OR where AND is
meant (AND here); the suspect line of test 9 names PG3 where PG1 is meant (PG1 here); test 14 does not take the
magnitude of the error velocity (taken here); tests 15 and 16 flag at >=, the pH manual's at > (>= here, as printed).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError
from reeftally.quality.qartod import (
    FAIL,
    GOOD,
    MISSING,
    NOT_EVALUATED,
    SUSPECT,
    FlagArray,
    flat_line,
    roll_up,
)

__all__ = [
    "battery", "correlation", "current_gradient", "direction", "echo_dropoff", "echo_jump", "error_velocity",
    "flag_currents", "horizontal_velocity", "noise_floor", "percent_good", "rate_of_change", "signal_strength",
    "signal_to_noise", "sound_speed", "speed", "spike", "tilt", "vertical_velocity",
]  # fmt: skip


def _flags(*values: FloatArray) -> FlagArray:
    """Good everywhere, missing where any of the values is NaN."""
    lost = np.zeros(np.broadcast_shapes(*[v.shape for v in values]), dtype=bool)
    for value in values:
        lost = lost | np.isnan(value)
    return np.where(lost, np.uint8(MISSING), np.uint8(GOOD)).astype(np.uint8)


def _below(name: str, values: npt.ArrayLike, least: float) -> FlagArray:
    array = as_float(name, values)
    flags = _flags(array)
    flags[array < least] = FAIL
    return flags


def battery(*, volts: npt.ArrayLike, least: float = 11.6) -> FlagArray:
    """Flag 4 below the least voltage (test 1; example 11.6 V)."""
    return _below("volts", volts, least)


def tilt(*, pitch: npt.ArrayLike, roll: npt.ArrayLike, most: float = 15.0) -> FlagArray:
    """Flag 4 where pitch or roll exceeds `most` degrees either way (test 3; example 15)."""
    x, y = as_float("pitch", pitch), as_float("roll", roll)
    flags = _flags(x, y)
    flags[(np.abs(x) > most) | (np.abs(y) > most)] = FAIL
    return flags


def sound_speed(*, sound_speed: npt.ArrayLike, low: float = 1475.0, high: float = 1560.0) -> FlagArray:
    """Flag 4 outside the range of sound speeds (test 4; example 1475 to 1560 m s-1)."""
    array = as_float("sound_speed", sound_speed)
    flags = _flags(array)
    flags[(array < low) | (array > high)] = FAIL
    return flags


def noise_floor(*, counts: npt.ArrayLike, low: float = 25.0, high: float = 30.0) -> FlagArray:
    """Flag 4 where the system's noise lies outside its range of counts (test 5; example 25 to 30)."""
    array = as_float("counts", counts)
    flags = _flags(array)
    flags[(array < low) | (array > high)] = FAIL
    return flags


def signal_strength(*, counts: npt.ArrayLike, least: float = 25.0) -> FlagArray:
    """Flag 4 below the least signal strength (test 6; example 25 counts)."""
    return _below("counts", counts, least)


def signal_to_noise(*, signal_to_noise: npt.ArrayLike, least: float) -> FlagArray:
    """Flag 4 below the least ratio (test 7; the manual leaves the value to the operator)."""
    return _below("signal_to_noise", signal_to_noise, least)


def correlation(*, counts: npt.ArrayLike, fail_below: float = 65.0, pass_above: float = 140.0) -> FlagArray:
    """Flag 4 below 65 counts, 3 from 65 to 140 (test 8; example values). Counts of 256, not per cent."""
    array = as_float("counts", counts)
    flags = _flags(array)
    flags[array <= pass_above] = SUSPECT
    flags[array < fail_below] = FAIL
    return flags


def percent_good(
    *, three_beam: npt.ArrayLike, four_beam: npt.ArrayLike, fail_below: float = 25.0, pass_above: float = 75.0
) -> FlagArray:
    """Flag the sum of three- and four-beam solutions: 4 below 25 %, 3 up to 75 % (test 9; example values)."""
    total = as_float("three_beam", three_beam) + as_float("four_beam", four_beam)
    flags = _flags(total)
    flags[total <= pass_above] = SUSPECT
    flags[total < fail_below] = FAIL
    return flags


def speed(*, speed: npt.ArrayLike, most: float = 2.5) -> FlagArray:
    """Flag 3 above the fastest current expected (test 10; example 250 cm s-1; never fails)."""
    array = as_float("speed", speed)
    flags = _flags(array)
    flags[array > most] = SUSPECT
    return flags


def direction(*, direction: npt.ArrayLike) -> FlagArray:
    """Flag 4 outside 0 to 360 degrees (test 11)."""
    array = as_float("direction", direction)
    flags = _flags(array)
    flags[(array < 0.0) | (array > 360.0)] = FAIL
    return flags


def horizontal_velocity(*, u: npt.ArrayLike, v: npt.ArrayLike, most: tuple[float, float]) -> FlagArray:
    """Flag 4 where a component exceeds its largest expected size (test 12; set locally)."""
    x, y = as_float("u", u), as_float("v", v)
    flags = _flags(x, y)
    flags[(np.abs(x) > most[0]) | (np.abs(y) > most[1])] = FAIL
    return flags


def vertical_velocity(*, w: npt.ArrayLike, speed: npt.ArrayLike, most: float | None = None) -> FlagArray:
    """Flag 3 where |w| exceeds 1 % of the speed, or `most` where given (test 13; example 0.15 m s-1).

    For block means in rotated axes only: single samples of a velocimeter exceed both at every eddy.
    """
    vertical, horizontal = as_float("w", w), as_float("speed", speed)
    flags = _flags(vertical, horizontal)
    flags[np.abs(vertical) > (0.01 * horizontal if most is None else most)] = SUSPECT
    return flags


def error_velocity(*, error_velocity: npt.ArrayLike, suspect_from: float = 0.15, fail_above: float = 0.20) -> FlagArray:
    """Flag the size of the error velocity: 3 from `suspect_from`, 4 above `fail_above` (test 14).

    The manual's example is 15 and 20 without a unit; centimetres a second are taken.
    """
    array = np.abs(as_float("error_velocity", error_velocity))
    flags = _flags(array)
    flags[array >= suspect_from] = SUSPECT
    flags[array > fail_above] = FAIL
    return flags


def _two(u: FloatArray, v: FloatArray, x: FloatArray, y: FloatArray, suspect: float, fail: float) -> FlagArray:
    flags = _flags(u, v)
    size = np.fmax(x, y)
    flags[np.isnan(x) & np.isnan(y) & (flags == GOOD)] = NOT_EVALUATED
    flags[size >= suspect] = SUSPECT
    flags[size >= fail] = FAIL
    return flags


def rate_of_change(
    *, u: npt.ArrayLike, v: npt.ArrayLike, suspect_from: float = 0.5, fail_from: float = 1.0
) -> FlagArray:
    """Flag steps of u or v along time, the last axis (test 15; example 50 and 100 cm s-1)."""
    x, y = as_float("u", u), as_float("v", v)
    first = [np.full(a.shape, np.nan) for a in (x, y)]
    for step, a in zip(first, (x, y), strict=True):
        step[..., 1:] = np.abs(np.diff(a, axis=-1))
    return _two(x, y, first[0], first[1], suspect_from, fail_from)


def spike(*, u: npt.ArrayLike, v: npt.ArrayLike, suspect_from: float = 0.5, fail_from: float = 1.0) -> FlagArray:
    """Flag single means that stand away from their two neighbours in time (test 16; 50 and 100 cm s-1)."""
    x, y = as_float("u", u), as_float("v", v)
    away = [np.full(a.shape, np.nan) for a in (x, y)]
    for distance, a in zip(away, (x, y), strict=True):
        distance[..., 1:-1] = np.abs(a[..., 1:-1] - 0.5 * (a[..., :-2] + a[..., 2:]))
    return _two(x, y, away[0], away[1], suspect_from, fail_from)


def _bad_beams(bad: npt.NDArray[np.bool_], dimensions: int) -> FlagArray:
    """Flags (bins, time) from bad beams (beams, bins, time); a failed bin spoils those farther away."""
    count = bad.sum(axis=0)
    failed = np.logical_or.accumulate(bad.shape[0] - count < dimensions, axis=0)
    return np.where(failed, FAIL, np.where(count > 0, SUSPECT, GOOD)).astype(np.uint8)


def echo_jump(*, echo: npt.ArrayLike, most: float = 30.0, dimensions: int = 3) -> FlagArray:
    """Flag bins whose echo exceeds that of the bin before (test 18; example 30 counts, three dimensions).

    Parameters
    ----------
    echo : array-like, (beams, bins, time)
        Echo intensity, bins in order from the transducer. [counts]
    most : float
        [counts]
    dimensions : int
        Valid beams needed.

    Returns
    -------
    uint8 array, (bins, time)
        4 from the first bin with too few valid beams on, 3 where some beam is bad, 1 elsewhere.
    """
    array = as_float("echo", echo)
    bad = np.zeros(array.shape, dtype=bool)
    bad[:, 1:] = np.diff(array, axis=1) > most
    return _bad_beams(bad, dimensions)


def echo_dropoff(*, echo: npt.ArrayLike, least: float = 20.0, dimensions: int = 3) -> FlagArray:
    """Flag bins whose echo is too weak (test 19; example 20 counts); arguments as for `echo_jump`."""
    return _bad_beams(as_float("echo", echo) < least, dimensions)


def current_gradient(*, speed: npt.ArrayLike, most: float) -> FlagArray:
    """Flag 4 where speed differs from the bin before by more than `most` (test 20; (bins, time), set locally)."""
    array = as_float("speed", speed)
    flags = _flags(array)
    if array.shape[0] > 1:
        flags[1:][np.abs(np.diff(array, axis=0)) > most] = FAIL
    flags[0][flags[0] == GOOD] = NOT_EVALUATED
    return flags


def flag_currents(
    *,
    u: npt.ArrayLike,
    v: npt.ArrayLike,
    w: npt.ArrayLike | None = None,
    health: Mapping[str, npt.ArrayLike] | None = None,
    largest_speed: float = 2.5,
    largest_w: float | None = None,
) -> tuple[FlagArray, dict[str, FlagArray]]:
    """Run on the block means of one point all tests whose input is there.

    Parameters
    ----------
    u, v, w : array-like, (blocks,)
        Block means in rotated or earth axes. [m s-1]
    health : mapping, optional
        Any of ``battery`` [V], ``pitch`` and ``roll`` [degree], ``sound_speed`` [m s-1], ``correlation_counts``,
        ``percent_good_3``, ``percent_good_4``, ``error_velocity`` [m s-1], each (blocks,).
    largest_speed, largest_w : float
        Limits of tests 10 and 13. [m s-1]

    Returns
    -------
    flags : uint8 array, (blocks,)
        Roll-up.
    tests : dict
        Flags by test.

    Raises
    ------
    InputError
        For a name in `health` that no test knows.
    """
    given = dict(health or {})
    known = {
        "battery", "pitch", "roll", "sound_speed", "correlation_counts", "percent_good_3", "percent_good_4",
        "error_velocity",
    }  # fmt: skip
    if set(given) - known:
        message = f"health has {', '.join(sorted(set(given) - known))}; it knows {', '.join(sorted(known))}."
        raise InputError(message)
    x, y = as_float("u", u), as_float("v", v)
    size = np.hypot(x, y)
    tests = {
        "speed": speed(speed=size, most=largest_speed),
        "rate_of_change": rate_of_change(u=x, v=y),
        "spike": spike(u=x, v=y),
        "flat_line": roll_up(flat_line(values=x, tolerance=1e-9), flat_line(values=y, tolerance=1e-9)),
    }
    if w is not None:
        tests["vertical_velocity"] = vertical_velocity(w=w, speed=size, most=largest_w)
    if "battery" in given:
        tests["battery"] = battery(volts=given["battery"])
    if "pitch" in given and "roll" in given:
        tests["tilt"] = tilt(pitch=given["pitch"], roll=given["roll"])
    if "sound_speed" in given:
        tests["sound_speed"] = sound_speed(sound_speed=given["sound_speed"])
    if "correlation_counts" in given:
        tests["correlation"] = correlation(counts=given["correlation_counts"])
    if "percent_good_4" in given:
        three = given.get("percent_good_3", np.zeros(size.shape))
        tests["percent_good"] = percent_good(three_beam=three, four_beam=given["percent_good_4"])
    if "error_velocity" in given:
        tests["error_velocity"] = error_velocity(error_velocity=given["error_velocity"])
    return roll_up(*tests.values()), tests
