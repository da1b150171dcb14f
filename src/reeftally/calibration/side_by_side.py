"""Side by side: the offsets and drifts of all sensors of one kind in one adjustment.

Here:     a linear Gaussian adjustment of what sensors said together in one water, of bottles, of laboratory
          certificates and priors: offset and drift of every sensor, with their full covariance.
Not here: swaps (they are estimated with the flux, `reeftally.exchange.gradient_flux`), clocks, sensor equations.
Rules:    reading = true + offset + drift * (t - t_ref) + noise. The water in common is never assumed known.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError

__all__ = ["Adjustment", "Anchor", "SideBySide", "adjust"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SideBySide:
    """Block means of sensors that shared one water."""

    time: FloatArray
    """Block mid times, (blocks,). [s]"""
    values: FloatArray
    """Block means, (sensors, blocks); NaN where a sensor has no good value."""
    name: str = ""
    """Which intercalibration this was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """Direct comparisons of one sensor with an independent value (bottle, certificate)."""

    sensor: int
    """Row of the sensor."""
    time: FloatArray
    """Times of comparison, (n,). [s]"""
    difference: FloatArray
    """Sensor minus independent value, (n,)."""
    sd: FloatArray
    """Random standard uncertainty of each difference, mismatch in place and time included, (n,)."""
    common_sd: float = 0.0
    """Standard uncertainty shared by all members (one laboratory, one reference material)."""
    source: str = ""
    """Where it comes from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """Offsets and drifts with covariance."""

    offset: FloatArray
    """Offset at `reference_time`, (sensors,)."""
    drift: FloatArray
    """Drift, (sensors,). [unit per day]"""
    covariance: FloatArray
    """Covariance of (offsets, drifts) stacked, (2 * sensors, 2 * sensors)."""
    reference_time: float
    """Time at which `offset` holds. [s]"""
    noise: float
    """Standard deviation of a block mean about the water in common, as found in the side by side."""
    sensors_noise: FloatArray
    """The same for each sensor, (sensors,)."""
    value_range: float
    """Range of the water in common during the side by side."""
    blocks: int
    """How many blocks at which at least two sensors spoke."""
    residuals: dict[str, FloatArray] = field(default_factory=dict)
    """Residual of each sensor in each block, by the name of the intercalibration."""

    def at(self, time: npt.ArrayLike) -> FloatArray:
        """Return offset + drift of every sensor at `time`: (sensors, len(time))."""
        days = (np.atleast_1d(as_float("time", time)) - self.reference_time) / 86400.0
        return np.asarray(self.offset[:, None] + self.drift[:, None] * days[None, :])

    def covariance_at(self, time: float) -> FloatArray:
        """Return the covariance of the sensors' errors at one time, (sensors, sensors)."""
        n = self.offset.size
        days = (time - self.reference_time) / 86400.0
        design = np.hstack([np.eye(n), np.eye(n) * days])
        return np.asarray(design @ self.covariance @ design.T)


def _group_information(
    values: FloatArray, days: FloatArray, noise: FloatArray, n: int
) -> tuple[FloatArray, FloatArray]:
    """Information matrix and vector of one side by side, the water in common eliminated block by block.

    With a flat prior on the common value c of a block, the weights W of the sensors present become
    W - W 1 1' W / (1' W 1): only differences between sensors carry information.
    """
    info = np.zeros((2 * n, 2 * n))
    vector = np.zeros(2 * n)
    for block in range(values.shape[1]):
        present = np.flatnonzero(np.isfinite(values[:, block]))
        if present.size < 2:
            continue
        weight = 1.0 / noise[present] ** 2
        projected = np.diag(weight) - np.outer(weight, weight) / weight.sum()
        design = np.zeros((present.size, 2 * n))
        design[np.arange(present.size), present] = 1.0
        design[np.arange(present.size), n + present] = days[block]
        info += design.T @ projected @ design
        vector += design.T @ projected @ values[present, block]
    return info, vector


def _residuals(values: FloatArray, days: FloatArray, theta: FloatArray, noise: FloatArray, n: int) -> FloatArray:
    corrected = values - theta[:n, None] - theta[n:, None] * days[None, :]
    weight = np.where(np.isfinite(corrected), 1.0 / noise[:, None] ** 2, 0.0)
    total = weight.sum(axis=0)
    with np.errstate(invalid="ignore"):
        common = np.where(total > 0, np.nansum(np.nan_to_num(corrected) * weight, axis=0) / total, np.nan)
    return np.asarray(corrected - common[None, :])


def adjust(
    *,
    groups: list[SideBySide],
    prior_offset_sd: npt.ArrayLike,
    prior_drift_sd: npt.ArrayLike,
    noise_sd: npt.ArrayLike,
    anchors: list[Anchor] | None = None,
    reference_time: float | None = None,
    correlation_blocks: float = 1.0,
) -> Adjustment:
    """Adjust all sensors of one kind together.

    Parameters
    ----------
    groups : list of SideBySide
        One a period in which sensors shared one water; may be empty.
    prior_offset_sd : array-like, (sensors,)
        Standard uncertainty of each offset before any comparison (certificate, instrument terms). [unit]
    prior_drift_sd : array-like, (sensors,)
        The same for the drift. [unit per day] 0 holds the drift at zero.
    noise_sd : array-like, (sensors,)
        Standard deviation of a block mean from the sensor's own noise. [unit] A floor: what the side by side
        shows beyond it (small-scale patches) is estimated and added.
    anchors : list of Anchor, optional
        Bottles and certificates.
    reference_time : float, optional
        Where `offset` holds; default the middle of all data. [s]
    correlation_blocks : float
        Effective number of blocks that share one residual; widens the covariance when residuals of
        neighbouring blocks are alike. [1]

    Returns
    -------
    Adjustment

    Raises
    ------
    ShapeError, InputError
        If arrays do not fit, or there is neither a group nor an anchor.

    Notes
    -----
    Best linear unbiased estimation with a Gaussian prior (JCGM 102:2011, 6.2, for the covariance; the linked
    adjustment is that of a levelling net). Without anchors the mean offset is known only as well as the prior,
    which the covariance says; differences between sensors are known as well as the side by side allows.
    """
    offset_sd = as_float("prior_offset_sd", prior_offset_sd)
    drift_sd = as_float("prior_drift_sd", prior_drift_sd)
    floor = as_float("noise_sd", noise_sd)
    n = offset_sd.size
    if drift_sd.shape != (n,) or floor.shape != (n,):
        message = (
            f"prior_offset_sd, prior_drift_sd and noise_sd need one length; found {n}, {drift_sd.size}, {floor.size}."
        )
        raise ShapeError(message)
    anchors = anchors or []
    if not groups and not anchors:
        message = "adjust needs at least one side by side or one anchor."
        raise InputError(message)
    for group in groups:
        if group.values.shape != (n, group.time.size):
            message = (
                f"side by side {group.name!r}: values are {group.values.shape}; they need ({n}, {group.time.size})."
            )
            raise ShapeError(message)
    if reference_time is None:
        everything = np.concatenate([g.time for g in groups] + [a.time for a in anchors])
        reference_time = 0.5 * (float(everything.min()) + float(everything.max()))

    fixed = drift_sd <= 0.0
    prior_info = np.concatenate([1.0 / offset_sd**2, np.where(fixed, 1e30, 1.0 / np.where(fixed, 1.0, drift_sd) ** 2)])

    noise: FloatArray = np.asarray(np.maximum(floor, 1e-12))
    theta: FloatArray = np.zeros(2 * n)
    info: FloatArray = np.diag(prior_info)
    # Three passes suffice: the noise estimate depends on the offsets only weakly.
    for _ in range(3):
        info = np.diag(prior_info)
        vector: FloatArray = np.zeros(2 * n)
        for group in groups:
            days = (group.time - reference_time) / 86400.0
            g_info, g_vector = _group_information(group.values, days, noise, n)
            info += g_info / correlation_blocks
            vector += g_vector / correlation_blocks
        for anchor in anchors:
            a_info, a_vector = _anchor_information(anchor, reference_time, noise[anchor.sensor], n)
            info += a_info
            vector += a_vector
        theta = np.asarray(np.linalg.solve(info, vector), dtype=np.float64)
        found = _noise(groups, theta, noise, n, reference_time)
        noise = np.asarray(np.where(np.isfinite(found), np.maximum(floor, found), np.maximum(floor, 1e-12)))

    residuals = {
        group.name or f"side by side {index + 1}": _residuals(
            group.values, (group.time - reference_time) / 86400.0, theta, noise, n
        )
        for index, group in enumerate(groups)
    }
    together = [g.values[:, np.isfinite(g.values).sum(axis=0) >= 2] for g in groups]
    spans = [np.ptp(np.nanmedian(v, axis=0)) for v in together if v.shape[1] > 0]
    return Adjustment(
        offset=theta[:n],
        drift=np.where(fixed, 0.0, theta[n:]),
        covariance=np.asarray(np.linalg.inv(info), dtype=np.float64),
        reference_time=reference_time,
        noise=float(np.median(noise)),
        sensors_noise=noise,
        value_range=float(max(spans)) if spans else 0.0,
        blocks=sum(v.shape[1] for v in together),
        residuals=residuals,
    )


def _anchor_information(anchor: Anchor, reference_time: float, noise: float, n: int) -> tuple[FloatArray, FloatArray]:
    """Information of one set of comparisons, its shared error eliminated with its own prior."""
    good = np.isfinite(anchor.difference) & np.isfinite(anchor.sd)
    days = (anchor.time[good] - reference_time) / 86400.0
    design = np.zeros((days.size, 2 * n))
    design[:, anchor.sensor] = 1.0
    design[:, n + anchor.sensor] = days
    covariance = np.diag(anchor.sd[good] ** 2 + noise**2) + anchor.common_sd**2
    weighted = np.linalg.solve(covariance, np.column_stack([design, anchor.difference[good]]))
    return np.asarray(design.T @ weighted[:, :-1]), np.asarray(design.T @ weighted[:, -1])


def _noise(groups: list[SideBySide], theta: FloatArray, noise: FloatArray, n: int, reference_time: float) -> FloatArray:
    """Standard deviation of each sensor's block means about the water in common, from the residuals.

    With k sensors in a block the residual of sensor i has variance s_i^2 (1 - 2 h_i) + sum(h_j^2 s_j^2), h the
    weight in the common value. For nearly equal weights this is s_i^2 (k - 1) / k, used here.
    """
    squares, counts = np.zeros(n), np.zeros(n)
    for group in groups:
        days = (group.time - reference_time) / 86400.0
        residual = _residuals(group.values, days, theta, noise, n)
        present = np.isfinite(residual)
        k = present.sum(axis=0)
        use = k >= 2
        factor = np.where(use, k / np.maximum(k - 1, 1), 0.0)
        squares += np.nansum(np.where(present & use, residual**2 * factor, 0.0), axis=1)
        counts += (present & use).sum(axis=1)
    # The fitted offsets take up one degree of freedom a sensor.
    return np.asarray(np.where(counts > 3, np.sqrt(squares / np.maximum(counts - 1, 1)), np.nan))
