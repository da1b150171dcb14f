"""What an array has to see: differences up the mast, false fluxes from offsets, errors of covariance blocks.

Here:     signal and error for a stated flux and friction velocity, before any instrument is wet.
Not here: swaps, side by side and period means (`missions`), targets (`plan`).
Rules:    plain numbers in, plain numbers out; fluxes positive into the water, differences lower minus upper. The
          profile is that of `reeftally.exchange`, so the plan and the analysis share one law.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reeftally._checks import require_range
from reeftally.exchange import eddy_diffusivity, flux_retained
from reeftally.seawater import carbonate, properties

__all__ = [
    "CovarianceBlock",
    "GradientSignal",
    "PlannedWater",
    "covariance_block",
    "false_flux",
    "gradient_signal",
    "transfer_velocity",
]

SECONDS_PER_HOUR = 3600.0
# Near a rough bed in a neutral layer: sigma_w = 1.25 u* (Panofsky and Dutton 1984, from memory); a scalar's standard
# deviation is about 2 flux/u* (common practice, no source; the same number that the correlation of about 0.4 gives).
SIGMA_W = 1.25
SIGMA_C = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWater:
    """The water one expects, for density and for the slope of pH against DIC."""

    temperature: float = 28.0
    """[degree C]"""
    salinity: float = 35.0
    """Practical. [1]"""
    total_alkalinity: float = 2300.0
    """[umol kg-1]"""
    dic: float = 2000.0
    """[umol kg-1]"""
    pressure: float = 5.0
    """[dbar]"""

    @property
    def density(self) -> float:
        """Density. [kg m-3]."""
        return float(properties.density(salinity=self.salinity, temperature=self.temperature, pressure=self.pressure))

    def _ph(self, alkalinity: float, dic: float) -> float:
        state = carbonate.solve(
            total_alkalinity=alkalinity,
            dic=dic,
            temperature=self.temperature,
            salinity=self.salinity,
            pressure=self.pressure,
            outputs=("ph_total",),
        )
        return float(state["ph_total"])

    @property
    def ph_per_dic(self) -> float:
        """Change of pH with DIC at constant alkalinity, central difference over 2 umol/kg. [kg umol-1]."""
        return (self._ph(self.total_alkalinity, self.dic + 1.0) - self._ph(self.total_alkalinity, self.dic - 1.0)) / 2.0

    @property
    def ph_per_alkalinity(self) -> float:
        """Change of pH with alkalinity at constant DIC, central difference over 2 umol/kg. [kg umol-1]."""
        return (self._ph(self.total_alkalinity + 1.0, self.dic) - self._ph(self.total_alkalinity - 1.0, self.dic)) / 2.0

    def scale(self, quantity: str) -> float:
        """Return mmol m-3 of what flows per unit of the sensor: oxygen, or DIC seen as pH."""
        per_micromole = self.density / 1000.0
        return per_micromole if quantity == "oxygen" else per_micromole / self.ph_per_dic


@dataclass(frozen=True, slots=True, kw_only=True)
class GradientSignal:
    """Differences between two heights, lower minus upper."""

    oxygen: float
    """[umol kg-1]"""
    dic: float
    """[umol kg-1]"""
    ph: float
    """[1]"""


def transfer_velocity(*, lower: float, upper: float, friction_velocity: float, von_karman: float = 0.41) -> float:
    """Return the flux that one unit of concentration difference stands for.

    Parameters
    ----------
    lower, upper : float
        Heights above the displacement plane. [m]
    friction_velocity : float
        [m s-1]
    von_karman : float
        [1]

    Returns
    -------
    float
        ``kappa u* 3600 / ln(upper/lower)``, flux per (lower minus upper). [m h-1]

    Raises
    ------
    OutOfRangeError
        If the heights are not above zero and in order, or the friction velocity is not positive.
    """
    require_range("lower", lower, 1e-6, 1e3, "m")
    require_range("upper", upper, lower * (1.0 + 1e-9), 1e3, "m")
    require_range("friction_velocity", friction_velocity, 1e-6, 1.0, "m s-1")
    # The logarithmic mean height makes K/dz the exact integral of dz/K over the layer.
    middle = (upper - lower) / np.log(upper / lower)
    diffusivity = float(eddy_diffusivity(friction_velocity=friction_velocity, height=middle, von_karman=von_karman))
    return diffusivity / (upper - lower) * SECONDS_PER_HOUR


def gradient_signal(
    *,
    oxygen_flux: float,
    friction_velocity: float,
    lower: float,
    upper: float,
    water: PlannedWater,
    respiratory_quotient: float = 1.0,
    von_karman: float = 0.41,
) -> GradientSignal:
    """Return the differences a flux of oxygen and the DIC that goes with it make between two heights.

    Parameters
    ----------
    oxygen_flux : float
        Positive into the water; uptake by the bed is negative. [mmol m-2 h-1]
    friction_velocity : float
        [m s-1]
    lower, upper : float
        Above the displacement plane. [m]
    water : PlannedWater
        For density and pH.
    respiratory_quotient : float
        DIC given off per oxygen taken up. [1]
    von_karman : float
        [1]

    Returns
    -------
    GradientSignal
        For uptake by the bed oxygen and pH are lower near the bed (negative), DIC higher.
    """
    velocity = transfer_velocity(lower=lower, upper=upper, friction_velocity=friction_velocity, von_karman=von_karman)
    oxygen = oxygen_flux / velocity / (water.density / 1000.0)
    dic = -respiratory_quotient * oxygen
    return GradientSignal(oxygen=oxygen, dic=dic, ph=dic * water.ph_per_dic)


def false_flux(
    *,
    offset: float,
    quantity: str,
    friction_velocity: float,
    lower: float,
    upper: float,
    water: PlannedWater,
    von_karman: float = 0.41,
) -> float:
    """Return the size of the false flux that an offset between two sensors makes.

    Parameters
    ----------
    offset : float
        Between the two sensors. [umol kg-1 or pH]
    quantity : str
        ``oxygen`` (flux of oxygen) or ``ph_total`` (flux of DIC at constant alkalinity).
    friction_velocity, lower, upper, water, von_karman
        As for `gradient_signal`.

    Returns
    -------
    float
        [mmol m-2 h-1]
    """
    velocity = transfer_velocity(lower=lower, upper=upper, friction_velocity=friction_velocity, von_karman=von_karman)
    return abs(offset * water.scale(quantity) * velocity)


@dataclass(frozen=True, slots=True, kw_only=True)
class CovarianceBlock:
    """What one block of a covariance flux is worth."""

    random_sd: float
    """Turbulence sampling and noise of the sensors. [mmol m-2 h-1]"""
    sampling_sd: float
    """Turbulence sampling alone. [mmol m-2 h-1]"""
    response_loss: float
    """Share of the flux lost to a slow sensor before correction. [1]"""
    integral_time: float
    """[s]"""


def covariance_block(
    *,
    flux: float,
    friction_velocity: float,
    height: float,
    speed: float,
    duration: float = 900.0,
    integral_time: float | None = None,
    response_time: float = 0.0,
    concentration_noise: float = 0.0,
    velocity_noise: float = 0.0,
    sample_rate: float = 8.0,
) -> CovarianceBlock:
    """Return random error and response loss of one block of a covariance flux.

    Parameters
    ----------
    flux : float
        [mmol m-2 h-1]
    friction_velocity, speed : float
        [m s-1]
    height : float
        Of the velocity volume above the displacement plane. [m]
    duration : float
        Of the block. [s]
    integral_time : float, optional
        Integral time scale of the flux; default height over speed, as for eddies of the size of the height that
        are carried past (common practice, no source). [s]
    response_time : float
        Of the sensor of concentration, 63 %. [s]
    concentration_noise, velocity_noise : float
        Standard deviation of one sample, white. [mmol m-3, m s-1]
    sample_rate : float
        [Hz]

    Returns
    -------
    CovarianceBlock

    Notes
    -----
    ``sqrt(2 tau/T (sigma_w^2 sigma_c^2 + F^2))``: jointly Gaussian w and c (Lenschow et al. 1994, JTECH 11, 661-673,
    from memory), with ``sigma_w = 1.25 u*`` and ``sigma_c = 2 |F|/u*``. White noise adds
    ``sigma_w sigma_n / sqrt(N)`` of either sensor. The response loss is that of `reeftally.exchange.flux_retained`.
    """
    require_range("duration", duration, 1.0, 1e6, "s")
    require_range("sample_rate", sample_rate, 1e-3, 1e4, "Hz")
    tau = height / speed if integral_time is None else integral_time
    kinematic = abs(flux) / SECONDS_PER_HOUR
    sigma_w, sigma_c = SIGMA_W * friction_velocity, SIGMA_C * kinematic / friction_velocity
    sampling = np.sqrt(2.0 * tau / duration * ((sigma_w * sigma_c) ** 2 + kinematic**2))
    count = duration * sample_rate
    white = np.hypot(sigma_w * concentration_noise, np.hypot(sigma_c, concentration_noise) * velocity_noise)
    loss = (
        1.0 - float(flux_retained(response_time=response_time, height=height, speed=speed))
        if response_time > 0.0
        else 0.0
    )
    return CovarianceBlock(
        random_sd=float(np.hypot(sampling, white / np.sqrt(count))) * SECONDS_PER_HOUR,
        sampling_sd=float(sampling) * SECONDS_PER_HOUR,
        response_loss=loss,
        integral_time=float(tau),
    )
