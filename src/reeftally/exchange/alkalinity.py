"""Mean alkalinity flux off the bed from bottles inside and outside the box.

Here:     `alkalinity_budget`.
Not here: budgets of records that sensors make (`budgets`).
Rules:    bottles are few: the day's swing between them is a prior that widens the error; depth and residence time are
          systematic.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from reeftally._checks import as_float, require_range, require_same_length
from reeftally.exchange._common import SECONDS_PER_HOUR, FluxEstimate, Reason, assembled

__all__ = ["alkalinity_budget"]

# Amplitude with which the alkalinity flux of a reef swings between day and night: calcification by light against
# dissolution in the dark, 2 mmol m-2 h-1 of carbonate each way on a busy flat (common practice, no source).
ALKALINITY_SWING_SD = 4.0


def alkalinity_budget(
    *,
    time: npt.ArrayLike,
    alkalinity: npt.ArrayLike,
    alkalinity_sd: npt.ArrayLike,
    reference_time: npt.ArrayLike,
    reference_alkalinity: npt.ArrayLike,
    reference_alkalinity_sd: npt.ArrayLike,
    depth: float,
    residence_time: float,
    patch_sd: float = 0.0,
    depth_sd: float = 0.0,
    residence_time_sd: float = 0.0,
    laboratory_sd: float = 0.0,
    salinity: npt.ArrayLike | None = None,
    reference_salinity: npt.ArrayLike | None = None,
    alkalinity_per_salinity: float = 0.0,
    start: float | None = None,
    end: float | None = None,
    swing_sd: float = ALKALINITY_SWING_SD,
) -> FluxEstimate:
    """Return the mean alkalinity flux off the bed from bottles inside and outside the box.

    Parameters
    ----------
    time, alkalinity, alkalinity_sd : array-like, shape (n,)
        Bottles in the box. [s, mmol m-3, mmol m-3]
    reference_time, reference_alkalinity, reference_alkalinity_sd : array-like, shape (m,)
        Bottles of the reference water. [s, mmol m-3, mmol m-3]
    depth, residence_time : float
        [m, h]
    patch_sd : float
        Real variation between samples that the mean day does not explain. [mmol m-3]
    depth_sd, residence_time_sd : float
        [m, h]
    laboratory_sd : float
        Common error of the laboratory in the *difference*; 0 where one laboratory measured both. [mmol m-3]
    salinity, reference_salinity : array-like, optional
        With `alkalinity_per_salinity` [mmol m-3], alkalinity is brought to the mean reference salinity.
    start, end : float, optional
        Ends of the period that the mean is for; default the first and last bottle. [s]
    swing_sd : float
        Prior standard deviation of the amplitude with which the flux swings between day and night. [mmol m-2 h-1]

    Returns
    -------
    FluxEstimate
        Scalar arrays; mean from `start` to `end`. NCC is minus half of it.

    Notes
    -----
    The bottles are fitted by a level at mid-time, a slope and the first harmonic of the day. Few bottles cannot tell
    slope and harmonic apart; leaving the harmonic out would call a night's rise a trend, so it stays, held by its
    prior: amplitude ``swing_sd / (depth omega)``. Change and mean of the period are those of the fitted curve between
    its ends; then the balance of `open_water_balance`.
    """
    when, a, sd = (
        as_float("time", time),
        as_float("alkalinity", alkalinity),
        as_float("alkalinity_sd", alkalinity_sd),
    )
    sd = np.broadcast_to(sd, a.shape)
    outside, b = as_float("reference_time", reference_time), as_float("reference_alkalinity", reference_alkalinity)
    sd_b = np.broadcast_to(as_float("reference_alkalinity_sd", reference_alkalinity_sd), b.shape)
    require_same_length(time=when, alkalinity=a)
    require_same_length(reference_time=outside, reference_alkalinity=b)
    require_range("residence_time", residence_time, 1e-6, 1e6, "h")
    if salinity is not None and reference_salinity is not None:
        s, s_ref = as_float("salinity", salinity), as_float("reference_salinity", reference_salinity)
        base = float(np.nanmean(s_ref))
        a, b = a - alkalinity_per_salinity * (s - base), b - alkalinity_per_salinity * (s_ref - base)
    good, fine = np.isfinite(a) & (sd > 0.0), np.isfinite(b) & (sd_b > 0.0)
    when, a, sd, b, sd_b = when[good], a[good], sd[good], b[fine], sd_b[fine]
    if a.size < 6 or b.size < 2 or not np.ptp(when) > 0.0:
        return assembled(
            value=np.nan, random={}, systematic={}, reason=int(Reason.EMPTY), hours=np.nan, n=a.size + b.size
        )
    hours = (when - 0.5 * (when.min() + when.max())) / SECONDS_PER_HOUR
    omega = 2.0 * np.pi / 24.0
    x = np.column_stack([np.ones_like(hours), hours, np.cos(omega * hours), np.sin(omega * hours)])
    held = np.array([0.0, 0.0, 1.0, 1.0]) * (depth * omega / swing_sd) ** 2
    weight = 1.0 / (sd**2 + patch_sd**2)
    cov = np.linalg.inv(x.T @ (weight[:, None] * x) + np.diag(held))
    answer = cov @ (x.T @ (weight * a))
    # How many of the four the bottles themselves decide; the prior decides the rest.
    decided = float(np.trace(cov @ (x.T @ (weight[:, None] * x))))
    misfit = float((weight * (a - x @ answer) ** 2).sum()) / max(a.size - decided, 1.0)
    cov = cov * max(misfit, 1.0)
    weight_b = 1.0 / sd_b**2
    level_b = float((weight_b * b).sum() / weight_b.sum())
    spread_b = float((weight_b * (b - level_b) ** 2).sum()) / max(b.size - 1, 1)
    var_b = max(spread_b, 1.0) / float(weight_b.sum())
    middle = 0.5 * (when.min() + when.max())
    first = (float(when.min()) if start is None else start) - middle
    last = (float(when.max()) if end is None else end) - middle
    t0, t1 = first / SECONDS_PER_HOUR, last / SECONDS_PER_HOUR
    span = t1 - t0
    c0, c1, s0, s1 = np.cos(omega * t0), np.cos(omega * t1), np.sin(omega * t0), np.sin(omega * t1)
    change = np.array([0.0, 1.0, (c1 - c0) / span, (s1 - s0) / span])
    mean = np.array([1.0, 0.5 * (t0 + t1), (s1 - s0) / (omega * span), (c0 - c1) / (omega * span)])
    pull = depth * (change + mean / residence_time)
    through = depth * (level_b - float(mean @ answer)) / residence_time
    value = depth * float(change @ answer) - through
    return assembled(
        value=value,
        random={
            "bottles": float(np.sqrt(pull @ cov @ pull)),
            "reference": depth / residence_time * float(np.sqrt(var_b)),
        },
        systematic={
            "depth": value * depth_sd / depth,
            "residence_time": through * residence_time_sd / residence_time,
            "laboratory": depth / residence_time * laboratory_sd,
        },
        reason=0,
        hours=np.ptp(when) / SECONDS_PER_HOUR,
        n=a.size + b.size,
        parts={"change": depth * float(change @ answer), "exchange": -through},
    )
