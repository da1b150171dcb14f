"""The QARTOD tests, vectorised over a record.

Here:     gap, gross range, climatology, spike, rate of change, flat line, attenuated signal; the roll-up.
Not here: tests with a second series (`related`), of currents (`currents`), on packets (`stream`); thresholds for
          a site (they come from the mission book and `thresholds`); instrument tests (`screens`).
Rules:    flags 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing; a value is never changed. The raw
          samples of velocimeters (16 to 64 Hz) are not for these tests: `reeftally.flow` screens them.

Source of the definitions: U.S. IOOS QARTOD manuals for pH (v1.0, 2019), dissolved oxygen (v2.1, 2018),
currents and temperature/salinity. Where a manual contradicts itself the choice is named in the docstring.
"""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError

__all__ = [
    "FAIL",
    "GOOD",
    "MISSING",
    "NOT_EVALUATED",
    "SUSPECT",
    "FlagArray",
    "attenuated_signal",
    "climatology",
    "flat_line",
    "gap",
    "gross_range",
    "rate_of_change",
    "roll_up",
    "spike",
]

FlagArray = npt.NDArray[np.uint8]

GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9

# Rank of each flag in the roll-up: 4 > 3 > 2 > 1, and missing is kept whatever else was found.
_RANK = np.zeros(10, dtype=np.uint8)
_RANK[[GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING]] = [1, 0, 2, 3, 4]
_BY_RANK = np.array([NOT_EVALUATED, GOOD, SUSPECT, FAIL, MISSING], dtype=np.uint8)


def _start(values: FloatArray) -> FlagArray:
    return np.where(np.isnan(values), np.uint8(MISSING), np.uint8(GOOD)).astype(np.uint8)


def gross_range(
    *,
    values: npt.ArrayLike,
    sensor_span: tuple[float, float],
    user_span: tuple[float, float] | None = None,
) -> FlagArray:
    """Flag 4 outside the sensor's span, 3 outside the user's span.

    Parameters
    ----------
    values : array-like, (n,)
        Record in canonical units.
    sensor_span, user_span : (low, high)
        Inclusive limits in the same unit.

    Returns
    -------
    uint8 array, (n,)
        Flags.

    Raises
    ------
    InputError
        If a span is reversed or the user's span is wider than the sensor's.

    Notes
    -----
    QARTOD test 4. The pH manual's example has the two user limits exchanged; here low comes first and a
    reversed span is an error.
    """
    record = as_float("values", values)
    for name, span in (("sensor_span", sensor_span), ("user_span", user_span)):
        if span is not None and not span[0] < span[1]:
            message = f"{name} is {span}; it needs the lower limit first."
            raise InputError(message)
    flags = _start(record)
    if user_span is not None:
        if user_span[0] < sensor_span[0] or user_span[1] > sensor_span[1]:
            message = f"user_span {user_span} reaches outside sensor_span {sensor_span}; it needs to lie inside."
            raise InputError(message)
        flags[(record < user_span[0]) | (record > user_span[1])] = SUSPECT
    flags[(record < sensor_span[0]) | (record > sensor_span[1])] = FAIL
    return flags


def climatology(*, values: npt.ArrayLike, low: npt.ArrayLike, high: npt.ArrayLike) -> FlagArray:
    """Flag 3 outside the range expected for the season; this test never fails a value (QARTOD test 5)."""
    record = as_float("values", values)
    flags = _start(record)
    flags[(record < as_float("low", low)) | (record > as_float("high", high))] = SUSPECT
    return flags


def spike(*, values: npt.ArrayLike, suspect_above: float, fail_above: float) -> FlagArray:
    """Flag single points that stand away from the mean of their two neighbours.

    Parameters
    ----------
    values : array-like, (n,)
        Record.
    suspect_above, fail_above : float
        Thresholds of ``|x[n-1] - (x[n-2] + x[n]) / 2|``.

    Returns
    -------
    uint8 array, (n,)
        Flags; the first and the newest point, and points beside a missing one, are 2.

    Notes
    -----
    QARTOD test 6. Manuals differ in > and >=; here a value equal to a threshold passes.
    """
    if not 0.0 < suspect_above < fail_above:
        message = f"suspect_above {suspect_above} must be above 0 and below fail_above {fail_above}."
        raise InputError(message)
    record = as_float("values", values)
    flags = _start(record)
    distance = np.full(record.shape, np.nan)
    if record.size > 2:
        distance[1:-1] = np.abs(record[1:-1] - 0.5 * (record[:-2] + record[2:]))
    flags[np.isnan(distance) & (flags == GOOD)] = NOT_EVALUATED
    flags[distance > suspect_above] = SUSPECT
    flags[distance > fail_above] = FAIL
    return flags


def rate_of_change(*, values: npt.ArrayLike, limit: float) -> FlagArray:
    """Flag 3 where a value differs from the one before by more than `limit`; never fails (QARTOD test 7).

    The pH manual takes N standard deviations of the series, the wind manual of its first differences; the
    caller decides and passes the product as `limit`.
    """
    if not limit > 0:
        message = f"limit is {limit}; it must be above 0."
        raise InputError(message)
    record = as_float("values", values)
    flags = _start(record)
    step = np.full(record.shape, np.nan)
    step[1:] = np.abs(np.diff(record))
    flags[np.isnan(step) & (flags == GOOD)] = NOT_EVALUATED
    flags[step > limit] = SUSPECT
    return flags


@numba.njit(cache=True, error_model="numpy", nogil=True)
def _repeats(values: FloatArray, tolerance: float, most: int) -> npt.NDArray[np.int64]:  # pragma: no cover
    """How many previous values in a row lie within `tolerance` of each value, counted up to `most`."""
    out = np.zeros(values.size, dtype=np.int64)
    for n in range(values.size):
        count = 0
        while count < most and n - count > 0 and abs(values[n] - values[n - count - 1]) <= tolerance:
            count += 1
        out[n] = count
    return out


def flat_line(
    *,
    values: npt.ArrayLike,
    tolerance: float,
    suspect_count: int = 3,
    fail_count: int = 5,
    whole_run: bool = True,
) -> FlagArray:
    """Flag values that have not moved by more than `tolerance` for too long.

    Parameters
    ----------
    values : array-like, (n,)
        Record.
    tolerance : float
        Change below which two values count as equal (the sensor's resolution).
    suspect_count, fail_count : int
        How many previous values must all equal the present one.
    whole_run : bool
        True (with full context): every repeat of a run that reaches a count gets its flag. False (real time):
        only values that already have that many equal ones behind them, as the manuals have it; historical
        flags are not changed.

    Returns
    -------
    uint8 array, (n,)
        Flags.

    Notes
    -----
    QARTOD test 8 (pH), 17 (currents). The pH manual's prose (five most recent equal) and its loop (compare with
    five previous) differ by one sample; the loop is followed. Every previous value is compared with the present
    one, so a slow ramp is not a flat line. With full context the whole run is flagged because a stuck sensor was
    stuck from the run's first repeat.
    """
    if not 1 <= suspect_count < fail_count:
        message = f"suspect_count {suspect_count} must be at least 1 and below fail_count {fail_count}."
        raise InputError(message)
    record = as_float("values", values)
    flags = _start(record)
    if record.size < 2:
        return flags
    repeats = _repeats(record, float(tolerance), fail_count)
    for count, flag in ((suspect_count, SUSPECT), (fail_count, FAIL)):
        hit = repeats >= count
        if whole_run and hit.any():
            # A value with `count` equal ones behind it makes those a run, save the first, which repeats nothing.
            change = np.zeros(record.size + 1, dtype=np.int64)
            at = np.flatnonzero(hit)
            np.add.at(change, at - count + 1, 1)
            np.add.at(change, at + 1, -1)
            hit = np.cumsum(change[:-1]) > 0
        flags[hit] = flag
    return flags


def gap(*, time: npt.ArrayLike, interval: float, allowed: float = 1.5) -> FlagArray:
    """Flag the first sample after a silence longer than `allowed` intervals.

    Parameters
    ----------
    time : array-like, (n,)
        Seconds, increasing.
    interval : float
        Expected step. [s]
    allowed : float
        Longest silence, in intervals, that is not a gap.

    Returns
    -------
    uint8 array, (n,)
        3 at the first sample after a gap, 1 elsewhere.

    Notes
    -----
    QARTOD test 1 in its delayed-mode form: the real-time test asks whether a sample came in time; afterwards
    the missing samples have no row of their own, so the sample that ends the silence carries the mark.
    """
    seconds = as_float("time", time)
    flags = np.full(seconds.shape, GOOD, dtype=np.uint8)
    if seconds.size > 1:
        flags[1:][np.diff(seconds) > allowed * interval] = SUSPECT
    return flags


def attenuated_signal(*, values: npt.ArrayLike, window: int, warn_below: float, fail_below: float) -> FlagArray:
    """Flag stretches whose standard deviation over `window` samples is too small (QARTOD test 10).

    The pH manual's example has a warning threshold below the failure threshold, which can never be reached;
    here ``fail_below < warn_below`` is required.
    """
    if not 0.0 <= fail_below < warn_below:
        message = f"fail_below {fail_below} must be at least 0 and below warn_below {warn_below}."
        raise InputError(message)
    record = as_float("values", values)
    flags = _start(record)
    n_windows = record.size // window
    if n_windows == 0:
        flags[flags == GOOD] = NOT_EVALUATED
        return flags
    for index in range(n_windows):
        part = slice(index * window, (index + 1) * window if index < n_windows - 1 else record.size)
        finite = record[part][np.isfinite(record[part])]
        if finite.size < max(3, window // 2):
            continue
        spread = float(np.std(finite, ddof=1))
        if spread < warn_below:
            segment = flags[part]
            segment[segment == GOOD] = FAIL if spread < fail_below else SUSPECT
    return flags


def roll_up(*flags: FlagArray) -> FlagArray:
    """Return the worst flag of several tests, sample by sample: 9 is kept, else 4 > 3 > 1 > 2.

    A sample that one test passed and another could not evaluate counts as good: not being able to run the
    spike test at the end of a record does not make its last point doubtful.
    """
    if not flags:
        message = "roll_up needs the flags of at least one test."
        raise InputError(message)
    require_same_length(**{f"flags_{i}": f for i, f in enumerate(flags)})
    worst = _RANK[flags[0]]
    for other in flags[1:]:
        worst = np.maximum(worst, _RANK[other])
    return _BY_RANK[worst]
