"""A planned gradient mast as block means: simulated missions, and what the analysis says of them.

Here:     the design of a mast, missions drawn from it, their analysis by the functions of the chain, the predicted
          interval of a period and the real spread over many missions.
Not here: the mission book (`book`), what to improve (`improve`), raw files of a rehearsed mission.
Rules:    a prediction is the mean of what the analysis itself states on a few drawn missions; the spread is that of
          its errors on many. Both use `calibration.side_by_side.adjust` and `exchange.gradient_flux`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.calibration.side_by_side import DAY_S, SETTLING_TIMES, Adjustment, SideBySide, adjust
from reeftally.errors import InputError
from reeftally.exchange import GradientFlux, gradient_flux

__all__ = ["GradientDesign", "Prediction", "Spread", "Water", "analyse_mission", "draw_mission", "predict", "spread"]

TO_95 = 1.96
# How the flux departs from its curve of light, and how far neighbouring blocks of it hang together: slow wandering
# of respiration (common practice, no source). It acts on the truth of a drawn mission only.
FLUX_WANDER_SD = 1.0
FLUX_WANDER_HOURS = 2.0

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """One water that sensors share for a while."""

    name: str
    time: FloatArray
    """Mid times of its blocks, (n,). [s]"""
    present: BoolArray
    """Which sensor is in it, (sensors, n)."""
    beside: bool
    """Whether it is a planned side by side rather than neighbours on the mast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GradientDesign:
    """Everything the interval of a gradient flux hangs on."""

    quantity: str
    labels: tuple[str, ...]
    mast: tuple[int, ...]
    """Rows of the sensors that stand on the mast at some time."""
    time: FloatArray
    """Mid times of the blocks, (t,). [s]"""
    height: FloatArray
    """Above the bed, NaN where a sensor is not on the mast, (sensors, t). [m]"""
    height_sd: float
    """[m]"""
    displacement: float
    """[m]"""
    displacement_sd: float
    """[m]"""
    waters: tuple[Water, ...]
    noise_sd: FloatArray
    """Of a block mean, (sensors,). [sensor's unit]"""
    offset_sd: FloatArray
    """Before any side by side, (sensors,). [sensor's unit]"""
    drift_sd: FloatArray
    """(sensors,). [sensor's unit per day]"""
    settling_sd: FloatArray
    """(sensors,). [sensor's unit]"""
    scale: float
    """mmol m-3 of what flows per unit of the sensor."""
    flux: FloatArray
    """Expected, (t,). [mmol m-2 h-1]"""
    friction_velocity: FloatArray
    """Expected, (t,). [m s-1]"""
    light: FloatArray
    """Expected, (t,). [umol m-2 s-1]"""
    friction_random: float
    """Relative, each block on its own. [1]"""
    friction_systematic: float
    """Relative, common to the mission. [1]"""
    von_karman: float
    von_karman_sd: float
    periods: dict[str, BoolArray]
    """Blocks of each period, (t,)."""
    friction_floor: float = 0.003
    """[m s-1]"""
    other_sd: dict[str, float] = field(default_factory=dict)
    """Further systematic causes by name that are known beforehand. [mmol m-2 h-1]"""
    flux_variation: tuple[float, float] | None = None
    """See `reeftally.exchange.solve_offsets`; None lets the likelihood choose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnMission:
    """One simulated mission: what the sensors would have said, and the truth."""

    values: FloatArray
    """Block means on the mast, (sensors, t). [sensor's unit]"""
    groups: list[SideBySide]
    friction_velocity: FloatArray
    """As measured, (t,). [m s-1]"""
    flux: FloatArray
    """Truth, (t,). [mmol m-2 h-1]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """Predicted uncertainty of the mean flux of one period."""

    half_width: float
    """Of the 95 % interval. [mmol m-2 h-1]"""
    random_sd: float
    """[mmol m-2 h-1]"""
    systematic_sd: float
    """[mmol m-2 h-1]"""
    budget: dict[str, float]
    """Standard uncertainty by cause. [mmol m-2 h-1]"""

    @property
    def dominant(self) -> str:
        """Cause with the largest share."""
        return max(self.budget, key=lambda name: self.budget[name])


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Errors of many simulated missions."""

    half_width: float
    """1.96 standard deviations of the errors. [mmol m-2 h-1]"""
    bias: float
    """Mean error. [mmol m-2 h-1]"""
    inside: float
    """Share of the analysis's own 95 % intervals that hold the truth. [1]"""
    missions: int


def draw_mission(design: GradientDesign, rng: np.random.Generator) -> DrawnMission:
    """Draw a mission in which everything the design gives with an uncertainty has one true value.

    Parameters
    ----------
    design : GradientDesign
    rng : numpy Generator
        Terms of the whole mission are drawn first, so that two designs drawn from equal generators differ in
        little else than what was changed.

    Returns
    -------
    DrawnMission
    """
    common = rng.standard_normal(3)
    sensors, blocks = design.height.shape
    own = rng.standard_normal((32, 6))[:sensors]
    displacement = design.displacement + design.displacement_sd * common[0]
    kappa = design.von_karman + design.von_karman_sd * common[1]
    wander = _wander(design.time, FLUX_WANDER_SD, FLUX_WANDER_HOURS * 3600.0, rng)
    flux = design.flux + wander
    # The currents are given as truth; what is measured differs by a common factor and by noise of each block.
    measured = (
        design.friction_velocity
        * (1.0 + design.friction_systematic * common[2])
        * (1.0 + design.friction_random * rng.standard_normal(blocks))
    )
    rounded = np.where(np.isfinite(design.height), np.rint(design.height * 100.0), -1.0)
    places, seat = np.unique(rounded, return_inverse=True)
    moved = (design.height_sd * rng.standard_normal(places.size))[seat.reshape(rounded.shape)]
    above = np.maximum(design.height + moved - displacement, 0.01)
    profile = -flux * np.log(above) / (kappa * design.friction_velocity * 3600.0)
    error = _Errors(design, own)
    values = profile / design.scale + error.at(design.time)
    values = values + design.noise_sd[:, None] * rng.standard_normal(values.shape)
    groups = []
    for water in design.waters:
        shared = error.at(water.time) + design.noise_sd[:, None] * rng.standard_normal(water.present.shape)
        if not water.beside:
            # Neighbours on the mast read the very block means that go into the flux.
            # Blocks before and after the mission have none: there the sensors share a water of their own.
            index = np.minimum(np.searchsorted(design.time, water.time), blocks - 1)
            inside = (water.time >= design.time[0]) & (water.time <= design.time[-1])
            seen = np.where(inside, values[:, index], np.nan)
            on = np.isfinite(seen)
            level = np.where(on, seen, 0.0).sum(axis=0) / np.maximum(on.sum(axis=0), 1)
            shared = np.where(on, seen, shared + level)
        groups.append(SideBySide(time=water.time, values=np.where(water.present, shared, np.nan), name=water.name))
    return DrawnMission(values=values, groups=groups, friction_velocity=measured, flux=flux)


class _Errors:
    """True errors of the sensors of one drawn mission."""

    def __init__(self, design: GradientDesign, own: FloatArray) -> None:
        self._design = design
        self._own = own
        self._middle = float(design.time[design.time.size // 2])
        self._start = _settling_start(design)

    def at(self, time: FloatArray) -> FloatArray:
        """Return what each sensor reads too much at `time`, (sensors, times)."""
        d = self._design
        days = (time - self._middle) / DAY_S
        out = (d.offset_sd * self._own[:, 0])[:, None] + (d.drift_sd * self._own[:, 1])[:, None] * days
        since = np.maximum(time - self._start, 0.0)
        for k, tau in enumerate(SETTLING_TIMES):
            out = out + (d.settling_sd * self._own[:, 2 + k])[:, None] * np.exp(-since / tau)
        return np.asarray(out)


def _settling_start(design: GradientDesign) -> float:
    return min([float(design.time[0]), *(float(w.time[0]) for w in design.waters if w.time.size)])


def _wander(time: FloatArray, sd: float, seconds: float, rng: np.random.Generator) -> FloatArray:
    """Draw an Ornstein-Uhlenbeck series."""
    rho = np.exp(-np.diff(time) / seconds)
    draw = rng.standard_normal(time.size)
    out = np.empty(time.size)
    out[0] = draw[0]
    for i in range(1, time.size):
        out[i] = rho[i - 1] * out[i - 1] + np.sqrt(1.0 - rho[i - 1] ** 2) * draw[i]
    return sd * out


def _adjusted(design: GradientDesign, mission: DrawnMission) -> Adjustment:
    sensors = len(design.labels)
    groups = mission.groups or [SideBySide(time=np.empty(0), values=np.empty((sensors, 0)), name="none")]
    settles = bool((design.settling_sd > 0.0).any())
    return adjust(
        groups=groups,
        prior_offset_sd=np.maximum(design.offset_sd, 1e-6),
        prior_drift_sd=design.drift_sd,
        noise_sd=design.noise_sd,
        prior_settling_sd=design.settling_sd,
        settling_start=_settling_start(design),
        settling_times=SETTLING_TIMES if settles else (),
        reference_time=float(design.time[design.time.size // 2]),
    )


def analyse_mission(design: GradientDesign, mission: DrawnMission) -> GradientFlux:
    """Analyse a drawn mission as the chain analyses a real one: side by side, then flux and offsets from swaps."""
    adjustment = _adjusted(design, mission)
    rows = list(design.mast)
    prior, covariance, index = adjustment.select(rows)
    matrix = adjustment.shape.design(design.time)[index][:, rows] * design.scale
    free = np.diag(covariance) > 0.0
    values = np.where(np.isfinite(design.height[rows]), mission.values[rows], np.nan) * design.scale
    return gradient_flux(
        concentration=values - np.nanmean(values),
        height=design.height[rows],
        time=design.time,
        friction_velocity=mission.friction_velocity,
        noise_sd=(adjustment.sensors_noise[rows] * abs(design.scale))[:, None] * np.ones(design.time.size),
        prior_offset=prior[free],
        prior_covariance=covariance[np.ix_(free, free)],
        height_sd=design.height_sd,
        displacement=design.displacement,
        displacement_sd=design.displacement_sd,
        friction_velocity_random=design.friction_random,
        friction_velocity_systematic=design.friction_systematic,
        von_karman=design.von_karman,
        von_karman_sd=design.von_karman_sd,
        design=matrix[free],
        light=design.light,
        flux_variation=design.flux_variation,
        storage_rate=np.zeros(design.time.size),
        friction_velocity_floor=design.friction_floor,
    )


def _period(design: GradientDesign, period: str) -> BoolArray:
    if period not in design.periods or not design.periods[period].any():
        message = f"period {period!r} has no block in this design; it has {sorted(design.periods)}."
        raise InputError(message)
    return design.periods[period]


def predict(design: GradientDesign, period: str, *, draws: int = 4, seed: int = 1) -> Prediction:
    """Return the uncertainty that the analysis will state for the mean flux of a period.

    Parameters
    ----------
    design : GradientDesign
    period : str
        Key of `design.periods`.
    draws : int
        Missions drawn; what the analysis states hardly differs between them.
    seed : int

    Returns
    -------
    Prediction
        Root mean square over the draws of each cause; causes add in quadrature.

    Raises
    ------
    InputError
        If the period has no block, or no block of it would be accepted.
    """
    where = _period(design, period)
    squares: dict[str, float] = {}
    random = systematic = 0.0
    for k in range(draws):
        mission = draw_mission(design, np.random.default_rng([seed, k]))
        mean = analyse_mission(design, mission).mean(where=where)
        if mean.n == 0:
            message = f"no block of period {period!r} would give a flux; check heights and friction velocity."
            raise InputError(message)
        for name, part in mean.budget.items():
            squares[name] = squares.get(name, 0.0) + part**2 / draws
        random += mean.random_sd**2 / draws
        systematic += mean.systematic_sd**2 / draws
    for name, part in design.other_sd.items():
        squares[name] = part**2
        systematic += part**2
    budget = {name: float(np.sqrt(part)) for name, part in squares.items()}
    return Prediction(
        half_width=TO_95 * float(np.sqrt(random + systematic)),
        random_sd=float(np.sqrt(random)),
        systematic_sd=float(np.sqrt(systematic)),
        budget=budget,
    )


def spread(design: GradientDesign, period: str, *, missions: int = 200, seed: int = 1) -> Spread:
    """Return the errors of the period's mean over many simulated missions analysed with the same code.

    Parameters
    ----------
    design, period
        As for `predict`; `other_sd` of the design is not simulated.
    missions, seed : int

    Returns
    -------
    Spread
        Error: estimate minus the true mean over the blocks that were accepted.
    """
    where = _period(design, period)
    errors, stated = np.empty(missions), np.empty(missions)
    for k in range(missions):
        mission = draw_mission(design, np.random.default_rng([seed, k]))
        found = analyse_mission(design, mission)
        mean = found.mean(where=where)
        errors[k] = mean.value - mission.flux[where & np.isfinite(found.flux)].mean()
        stated[k] = TO_95 * np.hypot(mean.random_sd, mean.systematic_sd)
    return Spread(
        half_width=TO_95 * float(errors.std(ddof=1)),
        bias=float(errors.mean()),
        inside=float((np.abs(errors) <= stated).mean()),
        missions=missions,
    )
