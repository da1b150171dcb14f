"""pH from ISFET voltages against an internal and an external reference.

Here:     what `ph` offers about ISFET sensors; import it from there.
Not here: drift and bottle calibration (`calibration`).
Rules:    voltages in V; every result is on the total scale at the temperature and pressure given.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import InputError
from reeftally.seawater import carbonate
from reeftally.seawater._elementwise import Range, elementwise

__all__ = [
    "EXTERNAL_TEMPERATURE_SLOPE",
    "INTERNAL_TEMPERATURE_SLOPE",
    "IsfetCoefficients",
    "IsfetPh",
    "chloride_molality",
    "hydrochloric_log_activity",
    "isfet_external",
    "isfet_external_potential",
    "isfet_internal",
    "isfet_internal_potential",
    "isfet_total",
    "nernst_slope",
]

INTERNAL_TEMPERATURE_SLOPE: Final = -0.001101
"""Change of the standard potential against the internal reference. [V K-1] Martz et al. 2010 (from memory)."""

EXTERNAL_TEMPERATURE_SLOPE: Final = -0.001048
"""Change of the standard potential against the external reference. [V K-1] Martz et al. 2010, Bresnahan et al.
2014 (from memory)."""

_GAS_CONSTANT: Final = 8.314462618
_FARADAY: Final = 96485.33212
_LN10: Final = float(np.log(10.0))

_TEMPERATURE: Final[Range] = (-2.0, 45.0, "degC")
_SALINITY: Final[Range] = (0.5, 45.0, "")
_PRESSURE: Final[Range] = (-10.0, 11000.0, "dbar")
_PH: Final[Range] = (0.0, 14.0, "")
_VOLT: Final[Range] = (-10.0, 10.0, "V")
_STATE: Final = {"temperature": _TEMPERATURE, "salinity": _SALINITY, "pressure": _PRESSURE}


@dataclass(frozen=True, slots=True, kw_only=True)
class IsfetCoefficients:
    """Standard potential of an ISFET against one of its references.

    E0(t, p) = potential + temperature_slope (t - reference_temperature) + sum_i pressure_terms[i] p^(i+1)
    """

    potential: float
    """Standard potential at `reference_temperature` and the surface (k0). [V]"""
    temperature_slope: float
    """Its change with temperature (k2). [V K-1]"""
    reference_temperature: float
    """25 in the form of Martz et al. 2010, 0 in that of Johnson et al. 2016. [degC]"""
    pressure_terms: tuple[float, ...] = ()
    """Coefficients of p, p^2, ... of the response to pressure f(p). [V dbar-1, V dbar-2, ...]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class IsfetPh:
    """pH of one sensor by both of its references; their difference tells of a fault."""

    internal: FloatArray | None
    """Total-scale pH against the internal reference, if its voltage was given."""
    external: FloatArray | None
    """Total-scale pH against the external (chloride) reference, if its voltage was given."""

    @property
    def difference(self) -> FloatArray | None:
        """Internal minus external pH; it drifts when a reference or the salinity is at fault. [1]"""
        if self.internal is None or self.external is None:
            return None
        return self.internal - self.external


@elementwise({"temperature": _TEMPERATURE})
def nernst_slope(*, temperature: npt.ArrayLike) -> FloatArray:
    """Nernst slope ln(10) R T / F at temperature [degC]. [V per unit of pH]"""
    return np.asarray(_LN10 * _GAS_CONSTANT * (np.asarray(temperature) + 273.15) / _FARADAY)


@elementwise({"salinity": _SALINITY})
def chloride_molality(*, salinity: npt.ArrayLike) -> FloatArray:
    """Total chloride of seawater from practical salinity (Johnson et al. 2016). [mol per kg of water]"""
    s = np.asarray(salinity)
    return np.asarray(0.99889 / 35.453 * s / 1.80655 * 1000.0 / (1000.0 - 1.005 * s))


@elementwise(_STATE)
def hydrochloric_log_activity(
    *, temperature: npt.ArrayLike, salinity: npt.ArrayLike, pressure: npt.ArrayLike = 0.0
) -> FloatArray:
    """log10 of the mean activity coefficient of HCl in seawater, at pressure.

    Parameters
    ----------
    temperature, salinity, pressure : array-like
        Temperature [degC], practical salinity [1], sea pressure [dbar].

    Returns
    -------
    float64 array
        log10 of the activity coefficient, molality basis. [1]

    References
    ----------
    Khoo, Ramette, Culberson and Bates 1977, Anal. Chem. 49, 29-34; partial molal volume of HCl after Millero
    1983; as used by Johnson et al. 2016, Anal. Chem. 88, 3249-3256 (coefficients as quoted alike by several users; the
    second of A is 1e-4, where Martz et al. 2010 print 1e-6).
    """
    t, s = np.asarray(temperature), np.asarray(salinity)
    bar = np.asarray(pressure) / 10.0
    strength = 19.924 * s / (1000.0 - 1.005 * s)
    root = np.sqrt(strength)
    debye = (3.4286e-6 * t + 6.7524e-4) * t + 0.49172143
    at_surface = -debye * root / (1.0 + 1.394 * root) + (0.08885 - 0.000111 * t) * strength
    volume = 17.85 + (0.1044 - 0.001316 * t) * t
    # cm3 bar is a tenth of a joule; half, because the coefficient is the mean of two ions.
    work = volume * bar / (_LN10 * _GAS_CONSTANT * (t + 273.15) * 10.0)
    return np.asarray(at_surface + 0.5 * work)


@elementwise({"voltage": _VOLT, "temperature": _TEMPERATURE, "pressure": _PRESSURE})
def isfet_internal(
    *,
    voltage: npt.ArrayLike,
    coefficients: IsfetCoefficients,
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Total-scale pH from the voltage against the internal (gel) reference.

    Parameters
    ----------
    voltage : array-like
        ISFET source against the internal reference. [V]
    coefficients : IsfetCoefficients
        Its standard potential, calibrated on the total scale.
    temperature, pressure : array-like
        Temperature [degC] and sea pressure [dbar].

    Returns
    -------
    float64 array
        pH, total scale, at the temperature and pressure given: (E - E0)/slope. [1]

    References
    ----------
    Martz, Connery and Johnson 2010, Limnol. Oceanogr. Methods 8, 172-184; Bresnahan, Martz, Takeshita, Johnson and
    LaShomb 2014, Methods Oceanogr. 9, 44-60.
    """
    standard = _standard_potential(coefficients, temperature, pressure)
    return np.asarray((np.asarray(voltage) - standard) / nernst_slope(temperature=temperature))


@elementwise({"voltage": _VOLT, **_STATE})
def isfet_external(
    *,
    voltage: npt.ArrayLike,
    coefficients: IsfetCoefficients,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    constants: carbonate.Constants = carbonate.DEFAULT_CONSTANTS,
) -> FloatArray:
    """Total-scale pH from the voltage against the external (solid chloride) reference.

    Parameters
    ----------
    voltage : array-like
        ISFET source against the chloride electrode. [V]
    coefficients : IsfetCoefficients
        Standard potential of the pair.
    temperature, salinity, pressure : array-like
        Temperature [degC], practical salinity [1], sea pressure [dbar].
    constants : Constants
        Set that holds the bisulfate constant.

    Returns
    -------
    float64 array
        pH, total scale. [1]

    Notes
    -----
    Free scale per kg of water: (E - E0)/slope + log Cl + 2 log gamma(HCl); then per kg of seawater and to
    the total scale with the bisulfate constant at pressure. Johnson et al. 2016, Anal. Chem. 88, 3249-3256.
    """
    standard = _standard_potential(coefficients, temperature, pressure)
    per_volt = (np.asarray(voltage) - standard) / nernst_slope(temperature=temperature)
    return np.asarray(per_volt + _chloride_term(temperature, salinity, pressure, constants))


@elementwise({"voltage": _VOLT, "ph_total": _PH, "temperature": _TEMPERATURE, "pressure": _PRESSURE})
def isfet_internal_potential(
    *,
    voltage: npt.ArrayLike,
    ph_total: npt.ArrayLike,
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    temperature_slope: float = INTERNAL_TEMPERATURE_SLOPE,
    reference_temperature: float = 25.0,
    pressure_terms: tuple[float, ...] = (),
) -> FloatArray:
    """Standard potential at the reference temperature that gives a known pH (one-point calibration). [V]"""
    shape = _shape_only(temperature_slope, reference_temperature, pressure_terms)
    slope = nernst_slope(temperature=temperature)
    moved = _standard_potential(shape, temperature, pressure)
    return np.asarray(np.asarray(voltage) - slope * np.asarray(ph_total) - moved)


@elementwise({"voltage": _VOLT, "ph_total": _PH, **_STATE})
def isfet_external_potential(
    *,
    voltage: npt.ArrayLike,
    ph_total: npt.ArrayLike,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    temperature_slope: float = EXTERNAL_TEMPERATURE_SLOPE,
    reference_temperature: float = 25.0,
    pressure_terms: tuple[float, ...] = (),
    constants: carbonate.Constants = carbonate.DEFAULT_CONSTANTS,
) -> FloatArray:
    """Standard potential of the external pair that gives a known pH (one-point calibration). [V]"""
    shape = _shape_only(temperature_slope, reference_temperature, pressure_terms)
    slope = nernst_slope(temperature=temperature)
    moved = _standard_potential(shape, temperature, pressure)
    chemical = np.asarray(ph_total) - _chloride_term(temperature, salinity, pressure, constants)
    return np.asarray(np.asarray(voltage) - slope * chemical - moved)


def isfet_total(
    *,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike = 0.0,
    internal_voltage: npt.ArrayLike | None = None,
    internal: IsfetCoefficients | None = None,
    external_voltage: npt.ArrayLike | None = None,
    external: IsfetCoefficients | None = None,
    constants: carbonate.Constants = carbonate.DEFAULT_CONSTANTS,
) -> IsfetPh:
    """Total-scale pH of one ISFET sensor by each reference whose voltage is given.

    Parameters
    ----------
    temperature, salinity, pressure : array-like
        Temperature [degC], practical salinity [1], sea pressure [dbar].
    internal_voltage, external_voltage : array-like, optional
        Voltage against each reference. [V]
    internal, external : IsfetCoefficients, optional
        Standard potentials; required with the voltage, there is no default for a sensor.
    constants : Constants
        Set that holds the bisulfate constant.

    Returns
    -------
    IsfetPh

    Raises
    ------
    InputError
        No voltage, or a voltage without its coefficients.
    """
    if internal_voltage is None and external_voltage is None:
        message = "No voltage was given; isfet_total needs internal_voltage, external_voltage or both."
        raise InputError(message)
    for name, voltage, given in (
        ("internal", internal_voltage, internal),
        ("external", external_voltage, external),
    ):
        if (voltage is None) != (given is None):
            message = f"{name}_voltage and {name} belong together; give the voltage with its coefficients."
            raise InputError(message)
    inside = outside_reference = None
    if internal_voltage is not None and internal is not None:
        inside = isfet_internal(
            voltage=internal_voltage, coefficients=internal, temperature=temperature, pressure=pressure
        )
    if external_voltage is not None and external is not None:
        outside_reference = isfet_external(
            voltage=external_voltage,
            coefficients=external,
            temperature=temperature,
            salinity=salinity,
            pressure=pressure,
            constants=constants,
        )
    return IsfetPh(internal=inside, external=outside_reference)


def _shape_only(slope: float, reference: float, terms: tuple[float, ...]) -> IsfetCoefficients:
    return IsfetCoefficients(
        potential=0.0, temperature_slope=slope, reference_temperature=reference, pressure_terms=terms
    )


def _standard_potential(
    coefficients: IsfetCoefficients, temperature: npt.ArrayLike, pressure: npt.ArrayLike
) -> FloatArray:
    warm = np.asarray(temperature) - coefficients.reference_temperature
    deep = np.polynomial.polynomial.polyval(np.asarray(pressure), (0.0, *coefficients.pressure_terms))
    return np.asarray(coefficients.potential + coefficients.temperature_slope * warm + deep)


def _chloride_term(
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    pressure: npt.ArrayLike,
    constants: carbonate.Constants,
) -> FloatArray:
    s = np.asarray(salinity)
    activity = hydrochloric_log_activity(temperature=temperature, salinity=salinity, pressure=pressure)
    per_kg_seawater = np.log10((1000.0 - 1.005 * s) / 1000.0)
    total_over_free = carbonate.equilibrium_constants(
        temperature=temperature, salinity=salinity, pressure=pressure, constants=constants
    )["total_over_free"]
    chloride = np.log10(chloride_molality(salinity=salinity))
    return np.asarray(chloride + 2.0 * activity - per_kg_seawater - np.log10(total_over_free))
