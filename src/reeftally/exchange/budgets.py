"""Bed fluxes from budgets of the whole water: storage, box, control volume, slack water.

Here:     the storage term, the open-water balance with gas exchange and residence time, the balance between two
          stations, the change of isolated water.
Not here: alkalinity from bottles (`alkalinity`), the gas flux itself (`gas_exchange`), chambers (`enclosures`).
Rules:    fluxes into the water are positive, from the bed and through the surface alike; depth and
          residence time are systematic.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.errors import ShapeError
from reeftally.exchange._common import SECONDS_PER_HOUR, FluxEstimate, Reason, assembled

__all__ = [
    "concentration_rate",
    "concentration_rate_sd",
    "control_volume",
    "open_water_balance",
    "slack_water",
    "storage_term",
]


def storage_term(*, height: npt.ArrayLike, concentration_rate: npt.ArrayLike) -> FloatArray:
    """Return the flux stored in (or drawn from) the water below a height.

    Parameters
    ----------
    height : array-like
        Above the bed. [m]
    concentration_rate : array-like
        Change of the concentration with time. [mmol m-3 h-1]

    Returns
    -------
    float64 array
        To be added to the flux at `height` to get the flux off the bed. [mmol m-2 h-1] NaN for negative
        heights.

    Notes
    -----
    Rheuban, Berg and McGlathery (2014). If the change is brought by the current rather than local, the
    term is wrong: compare with a second sensor.
    """
    z = as_float("height", height)
    return np.asarray(np.where(z >= 0.0, z, np.nan) * as_float("concentration_rate", concentration_rate))


def concentration_rate(*, time: npt.ArrayLike, concentration: npt.ArrayLike, window: float = 3600.0) -> FloatArray:
    """Return the local slope of a block series.

    Parameters
    ----------
    time, concentration : array-like, shape (t,)
        [s, mmol m-3]; NaN at gaps.
    window : float
        Full width of the straight line fitted around each block. [s]

    Returns
    -------
    float64 array, shape (t,)
        [mmol m-3 h-1] NaN with fewer than three readings in the window.
    """
    return _local_lines(time, concentration, window)[0]


def concentration_rate_sd(*, time: npt.ArrayLike, concentration: npt.ArrayLike, window: float = 3600.0) -> FloatArray:
    """Return the random standard error of `concentration_rate`, from the scatter about the lines.

    Parameters
    ----------
    time, concentration, window
        As there.

    Returns
    -------
    float64 array, shape (t,)
        [mmol m-3 h-1] NaN where there is no slope, and everywhere when no window holds four readings.

    Notes
    -----
    The variance of a reading is the mean over the record, since four or seven readings tell it badly; the reading's
    place in its window is its own. Patches that last longer than the window are not seen.
    """
    slope, scatter, freedom, arm = _local_lines(time, concentration, window)
    known = freedom > 0
    if not known.any():
        return np.full(slope.shape, np.nan)
    variance = float(scatter[known].sum() / freedom[known].sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(np.isfinite(slope), np.sqrt(variance / arm), np.nan)


def _local_lines(
    time: npt.ArrayLike, concentration: npt.ArrayLike, window: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return slope, sum of squares about the line, its degrees of freedom and sum of squared times of each window."""
    when, c = as_float("time", time), as_float("concentration", concentration)
    n = require_same_length(time=when, concentration=c)
    good = np.isfinite(c) & np.isfinite(when)
    sums = np.zeros((6, n + 1))
    # Window sums about a common origin lose digits on long records, hence the shift.
    t = (when - np.nanmean(when)) / SECONDS_PER_HOUR if n else when
    y = c - np.nanmean(c) if good.any() else c
    for k, term in enumerate((np.ones(n), t, t * t, y, t * y, y * y)):
        sums[k, 1:] = np.cumsum(np.where(good, term, 0.0))
    low = np.searchsorted(when, when - 0.5 * window - 1e-6, side="left")
    high = np.searchsorted(when, when + 0.5 * window + 1e-6, side="right")
    count, s1, s2, sy, sty, syy = (row[high] - row[low] for row in sums)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (count * sty - s1 * sy) / (count * s2 - s1 * s1)
        arm = s2 - s1 * s1 / count
        scatter = np.maximum(syy - sy * sy / count - slope * slope * arm, 0.0)
    freedom = np.where((count >= 4) & np.isfinite(scatter), count - 2.0, 0.0)
    return np.where(count >= 3, slope, np.nan), np.nan_to_num(scatter), freedom, arm


def open_water_balance(
    *,
    time: npt.ArrayLike,
    concentration: npt.ArrayLike,
    reference: npt.ArrayLike,
    depth: npt.ArrayLike,
    residence_time: npt.ArrayLike,
    gas_flux: npt.ArrayLike = 0.0,
    period: npt.ArrayLike = 0,
    edge: float = 3600.0,
    concentration_sd: npt.ArrayLike = 0.0,
    correlation_time: float = 0.0,
    depth_sd: float = 0.0,
    residence_time_sd: float = 0.0,
    reference_sd: float = 0.0,
    gas_relative_sd: float = 0.0,
    offset_sd: float = 0.0,
    gas_per_concentration: float = 0.0,
) -> FluxEstimate:
    """Return the mean bed flux of each period from the balance of a well-mixed box.

    Parameters
    ----------
    time, concentration : array-like, shape (t,)
        Block series in the box; NaN at gaps. [s, mmol m-3]
    reference : array-like, broadcast to (t,)
        Concentration of the water that flows in. [mmol m-3]
    depth, residence_time : array-like, broadcast to (t,)
        [m, h]
    gas_flux : array-like, broadcast to (t,)
        Through the surface, positive into the water; 0 for alkalinity. [mmol m-2 h-1]
    period : array-like of int, broadcast to (t,)
        Blocks with one number >= 0 make a period, for example each night; negative ones are left out.
    edge : float
        Width of the straight line through the readings around each end of a period, from which the change over
        it is taken; readings outside the period count as well. [s]
    concentration_sd : array-like, broadcast to (t,)
        Random, patchiness included. [mmol m-3]
    correlation_time : float
        Time over which `concentration_sd` hangs together; 0: every block anew. [s]
    depth_sd, residence_time_sd, reference_sd, offset_sd : float
        Systematic; `offset_sd` is the sensor against the reference. [m, h, mmol m-3, mmol m-3]
    gas_relative_sd : float
        Of the transfer velocity. [1]
    gas_per_concentration : float
        Change of `gas_flux` per unit of concentration, so that an offset moves both. [m h-1]

    Returns
    -------
    FluxEstimate
        One value a period, in the order of the period numbers; `parts` holds ``change``, ``exchange`` and
        ``gas``.

    Notes
    -----
    ``F_bed = h dC/dt - F_gas - h (C_ref - C)/residence``, term by term as a mean over the period
    (Odum 1956 with exchange; common practice). The change is that between the very ends of the period, half a
    block before its first reading and after its last: a change between means inside the ends would leave out the
    first and last half hour, whose flux is not that of the rest. The random part is that of one linear function
    of all readings, so what ends and level share is counted once.
    """
    when, c = as_float("time", time), as_float("concentration", concentration)
    n = require_same_length(time=when, concentration=c)
    require_range("depth", depth, 0.0, 1e4, "m")
    ref, h, tau, gas, sd = (
        np.broadcast_to(as_float(name, given), (n,))
        for name, given in (
            ("reference", reference),
            ("depth", depth),
            ("residence_time", residence_time),
            ("gas_flux", gas_flux),
            ("concentration_sd", concentration_sd),
        )
    )
    label = np.broadcast_to(np.asarray(period, dtype=np.int64), (n,))
    numbers = np.unique(label[label >= 0])
    rows = np.full((numbers.size, 11), np.nan)
    reason = np.zeros(numbers.size, dtype=np.int64)
    count = np.zeros(numbers.size, dtype=np.int64)
    with np.errstate(divide="ignore", invalid="ignore"):
        exchange = np.where(tau > 0.0, h * (ref - c) / tau, np.nan)
    usable = np.isfinite(c + ref + h + gas + exchange + when)
    steps = np.diff(np.unique(when[np.isfinite(when)]))
    width = float(np.median(steps)) if steps.size else 0.0
    for k, number in enumerate(numbers):
        inside = label == number
        use = inside & usable
        count[k] = use.sum()
        if count[k] < 3 or not np.ptp(when[use]) > 0.0:
            reason[k] |= Reason.EMPTY
            continue
        if use.sum() < 0.7 * inside.sum():
            reason[k] |= Reason.BAD_INPUT
        first, last = when[inside].min() - 0.5 * width, when[inside].max() + 0.5 * width
        ends = [_end_weights(when, usable, end, edge, width) for end in (first, last)]
        if ends[0] is None or ends[1] is None:
            reason[k] |= Reason.BAD_INPUT
            continue
        hours = (last - first) / SECONDS_PER_HOUR
        known = np.where(usable, c, 0.0)
        depth_mean = float(h[use].mean())
        pull = depth_mean / hours * (ends[1] - ends[0])
        change = float(pull @ known)
        through = float(exchange[use].mean())
        per_level = float((h[use] / tau[use]).mean())
        surface = float(gas[use].mean())
        pull = pull + np.where(use, (per_level - gas_per_concentration) / use.sum(), 0.0)
        noise = np.sqrt(_linear_variance(pull, sd, when, correlation_time))
        rows[k] = (
            change - surface - through,
            noise,
            abs(change - through) * depth_sd / depth_mean,
            abs(through) * residence_time_sd / tau[use].mean(),
            per_level * reference_sd,
            (per_level - gas_per_concentration) * offset_sd,
            surface * gas_relative_sd,
            change,
            hours,
            -through,
            -surface,
        )
    return assembled(
        value=rows[:, 0],
        random={"noise": rows[:, 1]},
        systematic={
            "depth": rows[:, 2],
            "residence_time": rows[:, 3],
            "reference": rows[:, 4],
            "offset": rows[:, 5],
            "gas_exchange": rows[:, 6],
        },
        reason=reason,
        hours=rows[:, 8],
        n=count,
        parts={"change": rows[:, 7], "exchange": rows[:, 9], "gas": rows[:, 10]},
    )


def _end_weights(
    when: FloatArray, usable: npt.NDArray[np.bool_], end: float, edge: float, width: float
) -> FloatArray | None:
    """Return the weights, shape (t,), that give the value of the straight line around `end` at `end`.

    Readings of half an edge on either side where both sides have some, of a whole edge otherwise; None where fewer
    than three readings are left.
    """
    apart = when - end
    near = usable & (np.abs(apart) <= 0.5 * max(edge, 2.0 * width) + 1e-6)
    if near.sum() < 3 or not ((apart[near] < 0).any() and (apart[near] > 0).any()):
        near = usable & (np.abs(apart) <= max(edge, 4.0 * width) + 1e-6)
    if near.sum() < 3:
        return None
    t = apart[near]
    spread = t - t.mean()
    out = np.zeros(when.size)
    out[near] = 1.0 / t.size - t.mean() * spread / float(spread @ spread)
    return out


def _linear_variance(pull: FloatArray, sd: FloatArray, when: FloatArray, correlation_time: float) -> float:
    """Return the variance of a linear function of readings whose errors decay exponentially with time."""
    on = np.flatnonzero(pull)
    part = pull[on] * sd[on]
    if correlation_time <= 0.0:
        return float(part @ part)
    # Forward recursion of the exponential: linear in the record, no matrix of all pairs.
    keep = np.exp(-np.diff(when[on]) / correlation_time)
    carried, total = 0.0, float(part @ part)
    for k in range(1, on.size):
        carried = float(keep[k - 1]) * (carried + float(part[k - 1]))
        total += 2.0 * float(part[k]) * carried
    return max(total, 0.0)


def control_volume(
    *,
    time: npt.ArrayLike,
    upstream: npt.ArrayLike,
    downstream: npt.ArrayLike,
    speed: npt.ArrayLike,
    distance: float,
    depth: npt.ArrayLike,
    gas_flux: npt.ArrayLike = 0.0,
    width: float = np.nan,
    concentration_sd: npt.ArrayLike = 0.0,
    offset_sd: float = 0.0,
    depth_sd: float = 0.0,
    distance_sd: float = 0.0,
    speed_relative_sd: float = 0.0,
    speed_floor: float = 0.02,
    angle: npt.ArrayLike = 0.0,
    angle_limit: float = 30.0,
) -> FluxEstimate:
    """Return the bed flux between two stations along the flow, block by block.

    Parameters
    ----------
    time, upstream, downstream : array-like, shape (t,)
        Block series at the two stations. [s, mmol m-3]
    speed : array-like, broadcast to (t,)
        Depth-mean speed from the first station to the second; negative when the flow has turned. [m s-1]
    distance : float
        [m]
    depth, gas_flux : array-like, broadcast to (t,)
        [m, mmol m-2 h-1 into the water]
    width : float
        Of the path, for the area. [m]
    concentration_sd : array-like, broadcast to (t,)
        Random, each station. [mmol m-3]
    offset_sd, depth_sd, distance_sd, speed_relative_sd : float
        Systematic. [mmol m-3, m, m, 1]
    speed_floor : float
        [m s-1]
    angle, angle_limit : array-like, float
        Angle of the flow to the line; blocks beyond the limit are refused. [degree]

    Returns
    -------
    FluxEstimate
        At the times of arrival, shape (t,).

    Notes
    -----
    The water that arrives is compared with the water that left one transit time earlier, which holds the
    storage term: ``F = h (C_arrival(t) - C_departure(t - L/U)) U/L - F_gas``.
    """
    when, first, second = as_float("time", time), as_float("upstream", upstream), as_float("downstream", downstream)
    n = require_same_length(time=when, upstream=first, downstream=second)
    require_range("distance", distance, 1e-3, 1e7, "m")
    u, h, gas, sd, turn = (
        np.broadcast_to(as_float(name, given), (n,))
        for name, given in (
            ("speed", speed),
            ("depth", depth),
            ("gas_flux", gas_flux),
            ("concentration_sd", concentration_sd),
            ("angle", angle),
        )
    )
    reason = np.zeros(n, dtype=np.int64)
    reason[~(np.abs(u) >= speed_floor)] |= Reason.SLACK
    reason[np.abs(turn) > angle_limit] |= Reason.WAKE
    reason[~(h > 0.0)] |= Reason.BAD_INPUT
    with np.errstate(divide="ignore", invalid="ignore"):
        transit = distance / np.abs(u)
    left = when - np.where(np.isfinite(transit), transit, 0.0)
    if n > 1:
        past = [np.interp(left, when, series, left=np.nan) for series in (first, second)]
    else:
        past = [np.full(n, np.nan)] * 2
    gain = np.where(u >= 0.0, second - past[0], first - past[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        per_gain = h * SECONDS_PER_HOUR / transit
        turbulent = per_gain * gain
    # The departure reading lies before the record: nothing can be said, which is not bad input.
    reason[~np.isfinite(gain) & np.isfinite(first + second)] |= Reason.EMPTY
    return assembled(
        value=turbulent - gas,
        random={"noise": per_gain * sd * np.sqrt(2.0)},
        systematic={
            "offset": per_gain * offset_sd,
            "depth": turbulent * depth_sd / np.where(h > 0.0, h, np.nan),
            "distance": turbulent * distance_sd / distance,
            "speed": turbulent * speed_relative_sd,
        },
        reason=reason,
        hours=transit / SECONDS_PER_HOUR,
        area=distance * width,
        n=np.isfinite(gain).astype(int) * 2,
        parts={"gain": turbulent, "gas": -gas},
    )


def slack_water(
    *,
    time: npt.ArrayLike,
    concentration: npt.ArrayLike,
    depth: npt.ArrayLike,
    gas_flux: float = 0.0,
    area: float = np.nan,
    depth_sd: float = 0.0,
    gas_relative_sd: float = 0.0,
    gain_sd: float = 0.0,
) -> FluxEstimate:
    """Return the bed flux from the change of isolated water.

    Parameters
    ----------
    time, concentration : array-like, shape (t,)
        During slack. [s, mmol m-3]
    depth : array-like, broadcast to (t,)
        Volume over area. [m]
    gas_flux : float
        Mean, positive into the water. [mmol m-2 h-1]
    area : float
        [m2]
    depth_sd, gas_relative_sd, gain_sd : float
        Systematic. [m, 1, 1]

    Returns
    -------
    FluxEstimate
        Scalar arrays. The slope is by least squares; its error is widened by the correlation of the
        residuals.

    Notes
    -----
    ``F = h dC/dt - F_gas`` (Smith and Key 1975; Kinsey 1978).
    """
    when, c = as_float("time", time), as_float("concentration", concentration)
    n = require_same_length(time=when, concentration=c)
    h = np.broadcast_to(as_float("depth", depth), (n,))
    good = np.isfinite(when + c) & (h > 0.0)
    if good.sum() < 2 or not np.ptp(when[good]) > 0.0:
        return assembled(value=np.nan, random={}, systematic={}, reason=int(Reason.EMPTY), hours=np.nan)
    slope, error = line_slope(when[good] / SECONDS_PER_HOUR, c[good])
    mean_depth = float(h[good].mean())
    change = mean_depth * slope
    return assembled(
        value=change - gas_flux,
        random={"slope": mean_depth * error},
        systematic={
            "depth": change * depth_sd / mean_depth,
            "gas_exchange": gas_flux * gas_relative_sd,
            "gain": change * gain_sd,
        },
        # Two readings give a change but no error of it.
        reason=0 if good.sum() > 2 else int(Reason.WEAK),
        hours=np.ptp(when[good]) / SECONDS_PER_HOUR,
        area=area,
        n=int(good.sum()),
        parts={"change": change, "gas": -gas_flux},
    )


def line_slope(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return slope and standard error of a straight line, residuals allowed an AR(1) correlation."""
    if x.shape != y.shape:
        message = f"x {x.shape} and y {y.shape} differ."
        raise ShapeError(message)
    arm = x - x.mean()
    power = float(arm @ arm)
    slope = float(arm @ y) / power
    if x.size < 3:
        return slope, np.nan
    residual = y - y.mean() - slope * arm
    variance = float(residual @ residual) / (x.size - 2)
    rho = 0.0
    if x.size > 8 and variance > 0.0:
        # A fitted line pulls the lag-one correlation down by about 4/n; positive values only widen.
        rho = float(residual[1:] @ residual[:-1]) / float(residual @ residual) + 4.0 / x.size
        rho = min(max(rho, 0.0), 0.98)
    return slope, float(np.sqrt(variance / power * (1.0 + rho) / (1.0 - rho)))
