"""Side by side: the offsets and drifts of all sensors of one kind in one adjustment.

Here:     a linear Gaussian adjustment of what sensors said together in one water, of bottles, of laboratory
          certificates and priors: offset, drift and settling of every sensor, with their full covariance.
Not here: swaps (they are estimated with the flux, `reeftally.exchange.gradient_flux`), clocks, sensor equations.
Rules:    reading = true + offset + drift * (t - t_ref) + sum of settling_k * exp(-(t - t_0) / tau_k) + noise.
          The water in common is never assumed known. A laboratory is a sensor too: a row with a tight offset
          and no drift.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError

__all__ = ["DAY_S", "SETTLING_TIMES", "Adjustment", "Anchor", "SideBySide", "adjust"]


DAY_S = 86400.0

# Potentiometric sensors settle over half a day to a few days in seawater (common practice, no source). Any single
# exponential between is followed by the sum of these three; dropping the terms when the evidence is not for them
# made the intervals too narrow in trials, so a sensor that may settle always carries them.
SETTLING_TIMES = (0.5 * DAY_S, 1.5 * DAY_S, 4.0 * DAY_S)


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
class Shape:
    """How the error of a sensor may run in time: offset, drift, and settling with stated time constants."""

    sensors: int
    reference_time: float
    """Time at which the offset holds. [s]"""
    settling_start: float = 0.0
    """Time at which settling sensors were switched on or put in. [s]"""
    settling_times: tuple[float, ...] = ()
    """Time constants of the settling terms; none when sensors do not settle. [s]"""

    @property
    def terms(self) -> int:
        """How many terms a sensor has."""
        return 2 + len(self.settling_times)

    @property
    def parameters(self) -> int:
        """How many parameters in all."""
        return self.terms * self.sensors

    def columns(self, time: npt.ArrayLike) -> FloatArray:
        """Return what each term adds at `time`, (terms, times)."""
        t = np.atleast_1d(as_float("time", time))
        since = np.maximum(t - self.settling_start, 0.0)
        settling = [np.exp(-since / tau) for tau in self.settling_times]
        return np.stack([np.ones(t.shape), (t - self.reference_time) / DAY_S, *settling])

    def design(self, time: npt.ArrayLike) -> FloatArray:
        """Return reading per unit of parameter, (parameters, sensors, times)."""
        columns = self.columns(time)
        eye = np.eye(self.sensors)
        return np.asarray(np.concatenate([eye[:, :, None] * column[None, None, :] for column in columns]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """Errors of the sensors with covariance."""

    parameters: FloatArray
    """Offsets, drifts [unit per day] and settling amplitudes stacked, (terms * sensors,)."""
    covariance: FloatArray
    """Covariance of `parameters`."""
    shape: Shape
    """How the parameters run in time."""
    noise: float
    """Standard deviation of a block mean about the water in common, as found in the side by side."""
    sensors_noise: FloatArray
    """The same for each sensor, (sensors,)."""
    value_range: float
    """Range of the water in common during the side by side."""
    blocks: int
    """How many blocks at which at least two sensors spoke."""
    evidence: float
    """Log of the marginal likelihood, for choosing between shapes."""
    residuals: dict[str, FloatArray] = field(default_factory=dict)
    """Residual of each sensor in each block, by the name of the group."""

    @property
    def offset(self) -> FloatArray:
        """Offset of each sensor at the reference time, (sensors,)."""
        return self.parameters[: self.shape.sensors]

    @property
    def drift(self) -> FloatArray:
        """Drift of each sensor, (sensors,). [unit per day]"""
        return self.parameters[self.shape.sensors : 2 * self.shape.sensors]

    @property
    def settling(self) -> FloatArray:
        """Settling amplitudes, (settling terms, sensors)."""
        return self.parameters[2 * self.shape.sensors :].reshape(-1, self.shape.sensors)

    def at(self, time: npt.ArrayLike) -> FloatArray:
        """Return the error of every sensor at `time`: (sensors, times)."""
        return np.asarray(np.einsum("p,pst->st", self.parameters, self.shape.design(time)))

    def covariance_at(self, time: float) -> FloatArray:
        """Return the covariance of the sensors' errors at one time, (sensors, sensors)."""
        design = self.shape.design(time)[:, :, 0]
        return np.asarray(design.T @ self.covariance @ design)

    def select(self, sensors: list[int]) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int64]]:
        """Return parameters and covariance of some sensors, and the positions of those parameters."""
        n = self.shape.sensors
        index = np.array([term * n + sensor for term in range(self.shape.terms) for sensor in sensors], dtype=np.int64)
        return self.parameters[index], self.covariance[np.ix_(index, index)], index


def _weights(values: FloatArray, noise: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), 1.0 / noise[:, None] ** 2, 0.0)


def _group_information(group: SideBySide, shape: Shape, noise: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Information matrix, vector and sum of squares of one group, the water in common eliminated.

    With a flat prior on the common value of a block, the weights W of the sensors present become
    W - W 1 1' W / (1' W 1): only differences between sensors carry information.
    """
    n = shape.sensors
    weight = _weights(group.values, noise)
    together = np.isfinite(group.values).sum(axis=0) >= 2
    weight = weight * together
    total = weight.sum(axis=0)
    share = np.where(total > 0, weight / np.where(total > 0, total, 1.0), 0.0)
    filled = np.where(np.isfinite(group.values), group.values, 0.0)
    # The level of the water must not decide rounding: readings are taken about the block's own mean.
    filled = filled - (share * filled).sum(axis=0)
    columns = shape.columns(group.time)
    info = np.zeros((shape.parameters, shape.parameters))
    vector = np.zeros(shape.parameters)
    for a in range(shape.terms):
        vector[a * n : (a + 1) * n] = (weight * filled * columns[a]).sum(axis=1)
        for b in range(shape.terms):
            product = columns[a] * columns[b]
            block = np.diag((weight * product).sum(axis=1)) - (weight * product) @ share.T
            info[a * n : (a + 1) * n, b * n : (b + 1) * n] = block
    return info, vector, float((weight * filled**2).sum())


def _anchor_information(anchor: Anchor, shape: Shape, noise: float) -> tuple[FloatArray, FloatArray, float]:
    """Information of one set of comparisons, its shared error eliminated with its own prior."""
    good = np.isfinite(anchor.difference) & np.isfinite(anchor.sd)
    n = shape.sensors
    design = np.zeros((int(good.sum()), shape.parameters))
    for term, column in enumerate(shape.columns(anchor.time[good])):
        design[:, term * n + anchor.sensor] = column
    covariance = np.diag(anchor.sd[good] ** 2 + noise**2) + anchor.common_sd**2
    weighted = np.linalg.solve(covariance, np.column_stack([design, anchor.difference[good]]))
    squares = float(anchor.difference[good] @ weighted[:, -1])
    return np.asarray(design.T @ weighted[:, :-1]), np.asarray(design.T @ weighted[:, -1]), squares


def _residuals(group: SideBySide, shape: Shape, theta: FloatArray, noise: FloatArray) -> FloatArray:
    corrected = group.values - np.einsum("p,pst->st", theta, shape.design(group.time))
    weight = _weights(corrected, noise)
    total = weight.sum(axis=0)
    common = (weight * np.nan_to_num(corrected)).sum(axis=0) / np.where(total > 0, total, np.nan)
    return np.asarray(corrected - common[None, :])


def _noise(groups: list[SideBySide], shape: Shape, theta: FloatArray, noise: FloatArray) -> FloatArray:
    """Standard deviation of each sensor's block means about the water in common, from the residuals.

    With weights h in the common value the residual of sensor i has variance s_i^2 (1 - h_i). Blocks in which a
    sensor makes nearly all of the common value say nothing about it and are left out.
    """
    squares, counts = np.zeros(shape.sensors), np.zeros(shape.sensors)
    for group in groups:
        residual = _residuals(group, shape, theta, noise)
        weight = _weights(residual, noise)
        share = weight / np.maximum(weight.sum(axis=0), 1e-300)
        use = np.isfinite(residual) & (share < 0.8)
        squares += np.where(use, np.nan_to_num(residual) ** 2 / np.where(use, 1.0 - share, 1.0), 0.0).sum(axis=1)
        counts += use.sum(axis=1)
    # The fitted offset takes up one degree of freedom a sensor.
    return np.asarray(np.where(counts > 5, np.sqrt(squares / np.maximum(counts - 1, 1)), np.nan))


def adjust(
    *,
    groups: list[SideBySide],
    prior_offset_sd: npt.ArrayLike,
    prior_drift_sd: npt.ArrayLike,
    noise_sd: npt.ArrayLike,
    prior_settling_sd: npt.ArrayLike | None = None,
    settling_start: float = 0.0,
    settling_times: tuple[float, ...] = (),
    anchors: list[Anchor] | None = None,
    reference_time: float | None = None,
    correlation_blocks: float = 1.0,
    learn_noise: npt.ArrayLike = True,
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
        shows beyond it (small-scale patches) is estimated and added where `learn_noise` is true.
    prior_settling_sd : array-like, (sensors,), optional
        Standard uncertainty of each settling amplitude; 0 for sensors that do not settle. [unit]
    settling_start : float
        When settling began. [s]
    settling_times : tuple of float
        Time constants of the settling terms; empty for none. [s]
    anchors : list of Anchor, optional
        Direct comparisons of single sensors.
    reference_time : float, optional
        Where `offset` holds; default the middle of all data. [s]
    correlation_blocks : float
        Effective number of blocks that share one residual; widens the covariance when residuals of
        neighbouring blocks are alike. [1]
    learn_noise : array-like of bool, (sensors,)
        Whether the noise of a row may be raised by what the residuals show.

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
    n = offset_sd.size
    drift_sd = as_float("prior_drift_sd", prior_drift_sd)
    floor = as_float("noise_sd", noise_sd)
    settling_sd = np.zeros(n) if prior_settling_sd is None else as_float("prior_settling_sd", prior_settling_sd)
    if not drift_sd.shape == floor.shape == settling_sd.shape == (n,):
        message = (
            "prior_offset_sd, prior_drift_sd, prior_settling_sd and noise_sd need one length; "
            f"found {n}, {drift_sd.size}, {settling_sd.size}, {floor.size}."
        )
        raise ShapeError(message)
    anchors = anchors or []
    if not groups and not anchors:
        message = "adjust needs at least one side by side or one anchor."
        raise InputError(message)
    for group in groups:
        if group.values.shape != (n, group.time.size):
            message = f"group {group.name!r}: values are {group.values.shape}; they need ({n}, {group.time.size})."
            raise ShapeError(message)
    if reference_time is None:
        everything = np.concatenate([g.time for g in groups] + [a.time for a in anchors])
        reference_time = 0.5 * (float(everything.min()) + float(everything.max()))
    shape = Shape(
        sensors=n,
        reference_time=reference_time,
        settling_start=settling_start,
        settling_times=tuple(float(tau) for tau in settling_times),
    )
    size = shape.parameters
    prior_sd = np.concatenate([offset_sd, drift_sd, *[settling_sd for _ in shape.settling_times]])
    free = prior_sd > 0.0
    learn = np.broadcast_to(np.asarray(learn_noise, dtype=bool), (n,))

    noise: FloatArray = np.asarray(np.maximum(floor, 1e-12))
    theta: FloatArray = np.zeros(size)
    covariance: FloatArray = np.diag(prior_sd**2)
    evidence = 0.0
    # Four passes suffice: the noise estimate depends on the offsets only weakly.
    for _ in range(4):
        info: FloatArray = np.zeros((size, size))
        vector: FloatArray = np.zeros(size)
        squares = 0.0
        log_noise = 0.0
        for group in groups:
            g_info, g_vector, g_squares = _group_information(group, shape, noise)
            info += g_info / correlation_blocks
            vector += g_vector / correlation_blocks
            squares += g_squares / correlation_blocks
            present = np.isfinite(group.values) & (np.isfinite(group.values).sum(axis=0) >= 2)
            log_noise += float((present.sum(axis=1) * np.log(noise)).sum()) / correlation_blocks
        for anchor in anchors:
            a_info, a_vector, a_squares = _anchor_information(anchor, shape, noise[anchor.sensor])
            info += a_info
            vector += a_vector
            squares += a_squares
        left = info[np.ix_(free, free)] + np.diag(1.0 / prior_sd[free] ** 2)
        inverse = np.asarray(np.linalg.inv(left), dtype=np.float64)
        theta = np.zeros(size)
        theta[free] = inverse @ vector[free]
        covariance = np.zeros((size, size))
        covariance[np.ix_(free, free)] = inverse
        evidence = -0.5 * (squares - float(vector[free] @ theta[free])) - log_noise
        evidence += -0.5 * float(np.linalg.slogdet(left)[1]) - float(np.log(prior_sd[free]).sum())
        found = _noise(groups, shape, theta, noise)
        noise = np.asarray(np.where(np.isfinite(found) & learn, np.maximum(floor, found), np.maximum(floor, 1e-12)))

    together = [g.values[:, np.isfinite(g.values).sum(axis=0) >= 2] for g in groups]
    spans = [np.ptp(np.nanmedian(v, axis=0)) for v in together if v.shape[1] > 0]
    return Adjustment(
        parameters=theta,
        covariance=covariance,
        shape=shape,
        noise=float(np.median(noise)),
        sensors_noise=noise,
        value_range=float(max(spans)) if spans else 0.0,
        blocks=sum(v.shape[1] for v in together),
        evidence=evidence,
        residuals={
            group.name or f"group {index + 1}": _residuals(group, shape, theta, noise)
            for index, group in enumerate(groups)
        },
    )
