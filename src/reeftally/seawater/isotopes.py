"""Carbon isotopes: delta and ratio, fractionation among the carbonate species, mixing of two amounts.

Here:     notation, equilibrium fractionations by author and year, delta of DIC from what a gas analyser sees.
Not here: source lines and shares of sources (`ledger`), the line itself (`uncertainty.york_line`).
Rules:    delta in permil against VPDB; fractionation of A relative to B is 1000 (R_A/R_B - 1) in permil.
          One set of fractionations is used throughout a calculation; choosing it costs `SET_CHOICE_SD`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, one_of
from reeftally.errors import InputError
from reeftally.seawater._elementwise import Range, elementwise, reasons

__all__ = [
    "ARAGONITE_BICARBONATE",
    "ARAGONITE_BICARBONATE_SD",
    "FRACTIONATIONS",
    "KINETIC_UPTAKE_FACTOR",
    "NBS19_DELTA",
    "SET_CHOICE_SD",
    "VPDB_RATIOS",
    "atom_fraction",
    "delta_after_addition",
    "delta_from_atom_fraction",
    "delta_from_ratio",
    "delta_of_co2",
    "delta_of_dic",
    "dic_gas_from_species",
    "dic_gas_zhang1995",
    "fractionation",
    "ratio_from_delta",
    "reasons",
    "shift",
]

VPDB_RATIOS: Final = {"dunn2024": 0.0111105, "chang1990": 0.011180, "craig1957": 0.0112372}
"""13C/12C of VPDB: Dunn et al. 2024 (+-0.0000042, k = 2), Chang and Li 1990, Craig 1957. [mol mol-1] The choice
changes atom fractions by about 1 % and mixing of deltas not at all."""

NBS19_DELTA: Final = 1.95
"""delta 13C of NBS 19, which defines the VPDB scale. [permil] Exact (IUPAC; Coplen 1995). A scale fixed at a second
point by L-SVEC is another scale; data must say which one they are on."""

ARAGONITE_BICARBONATE: Final = 2.7
"""Enrichment of aragonite over bicarbonate, any temperature. [permil] Romanek et al. 1992 (from memory)."""

ARAGONITE_BICARBONATE_SD: Final = 0.6
"""Its stated uncertainty. [permil]"""

KINETIC_UPTAKE_FACTOR: Final = 0.998
"""Ratio of 13C to 12C taken up from the air over that of the air, 15 degC. [1] Inoue and Sugimura 1985."""

SET_CHOICE_SD: Final = 0.15
"""Standard uncertainty of a DIC-gas fractionation for the choice of the set. [permil] The sum over species and the
direct line of Zhang et al. 1995 differ by 0.28 permil at 25 degC; half of that, rounded up."""

_DELTA: Final[Range] = (-1000.0, 100000.0, "permil")
_CELSIUS: Final[Range] = (-2.0, 40.0, "degC")
_SHARE: Final[Range] = (0.0, 1.0, "")
_RATIO: Final[Range] = (0.0, np.inf, "")
_AMOUNT: Final[Range] = (0.0, np.inf, "")


def _standard(standard: str) -> float:
    one_of("standard", standard, tuple(VPDB_RATIOS))
    return VPDB_RATIOS[standard]


@elementwise({"delta": _DELTA})
def ratio_from_delta(*, delta: npt.ArrayLike, standard: str = "dunn2024") -> FloatArray:
    """Isotope ratio 13C/12C from delta [permil] against VPDB of the named determination. [mol mol-1]"""
    return np.asarray(_standard(standard) * (1.0 + np.asarray(delta) / 1000.0))


@elementwise({"ratio": _RATIO})
def delta_from_ratio(*, ratio: npt.ArrayLike, standard: str = "dunn2024") -> FloatArray:
    """Delta [permil] from the isotope ratio 13C/12C [mol mol-1]; the inverse of `ratio_from_delta`."""
    return np.asarray(1000.0 * (np.asarray(ratio) / _standard(standard) - 1.0))


@elementwise({"delta": _DELTA})
def atom_fraction(*, delta: npt.ArrayLike, standard: str = "dunn2024") -> FloatArray:
    """Share of 13C among the carbon atoms, R/(1 + R), from delta [permil] (Coplen 2011). [mol mol-1]"""
    ratio = _standard(standard) * (1.0 + np.asarray(delta) / 1000.0)
    return np.asarray(ratio / (1.0 + ratio))


@elementwise({"fraction": (0.0, 1.0, "")})
def delta_from_atom_fraction(*, fraction: npt.ArrayLike, standard: str = "dunn2024") -> FloatArray:
    """Delta [permil] from the share of 13C [mol mol-1]; the inverse of `atom_fraction`."""
    x = np.asarray(fraction)
    return np.asarray(1000.0 * (x / (1.0 - x) / _standard(standard) - 1.0))


@elementwise({"amount": _AMOUNT, "delta": _DELTA, "added": (-np.inf, np.inf, ""), "delta_added": _DELTA})
def delta_after_addition(
    *,
    amount: npt.ArrayLike,
    delta: npt.ArrayLike,
    added: npt.ArrayLike,
    delta_added: npt.ArrayLike,
    exact: bool = False,
    standard: str = "dunn2024",
) -> FloatArray:
    """Delta of a pool after some carbon was added or, with `added` below 0, taken away.

    Parameters
    ----------
    amount : array-like
        Carbon there, such as DIC. [µmol kg-1]
    delta : array-like
        Its delta. [permil]
    added : array-like
        Carbon added; negative for removal. [µmol kg-1]
    delta_added : array-like
        Its delta. [permil]
    exact : bool, default False
        Mix atom fractions instead of deltas; at natural abundance the difference is below 0.0003 permil.
    standard : str
        Determination of VPDB, for `exact` only.

    Returns
    -------
    float64 array
        Delta of what is there afterwards. [permil] NaN where nothing is left.
    """
    there, more = np.asarray(amount), np.asarray(added)
    total = there + more
    if exact:
        ratio = _standard(standard)
        old = ratio * (1.0 + np.asarray(delta) / 1000.0)
        new = ratio * (1.0 + np.asarray(delta_added) / 1000.0)
        heavy = (there * old / (1.0 + old) + more * new / (1.0 + new)) / total
        mixed = 1000.0 * (heavy / (1.0 - heavy) / ratio - 1.0)
    else:
        mixed = (there * np.asarray(delta) + more * np.asarray(delta_added)) / total
    return np.asarray(np.where(total > 0.0, mixed, np.nan))


@elementwise({"delta": _DELTA, "enrichment": (-1000.0, 1000.0, "permil")})
def shift(*, delta: npt.ArrayLike, enrichment: npt.ArrayLike) -> FloatArray:
    """Delta of A from that of B and the fractionation of A relative to B, exactly. [permil]"""
    return np.asarray((1.0 + np.asarray(delta) / 1000.0) * (1000.0 + np.asarray(enrichment)) - 1000.0)


# --- equilibrium fractionations -----------------------------------------------------------------------------------

_Formula = Callable[[FloatArray], FloatArray]

FRACTIONATIONS: Final[dict[tuple[str, str, str], _Formula]] = {
    # Zhang, Quay and Wilbur 1995, Geochim. Cosmochim. Acta 59, 107-114: aqueous CO2 from memory, the others as
    # quoted; standard errors bicarbonate 0.0028 and 0.04, carbonate 0.021 and 0.38 (slope, intercept).
    ("co2_aqueous", "co2_gas", "zhang1995"): lambda t: 0.0049 * t - 1.31,
    ("bicarbonate", "co2_gas", "zhang1995"): lambda t: -0.1141 * t + 10.78,
    ("carbonate", "co2_gas", "zhang1995"): lambda t: -0.052 * t + 7.22,
    # Mook, Bommerson and Staverman 1974, Earth Planet. Sci. Lett. 22, 169-176, abstract.
    ("co2_gas", "bicarbonate", "mook1974"): lambda t: -9483.0 / (t + 273.15) + 23.89,
    ("co2_aqueous", "bicarbonate", "mook1974"): lambda t: -9866.0 / (t + 273.15) + 24.12,
    # Halas et al. 1997, Geochim. Cosmochim. Acta 61, 2691-2695, abstract: 5.0 +- 0.2 at 25 degC only; NaN elsewhere.
    ("carbonate", "co2_gas", "halas1997"): lambda t: np.where(np.abs(t - 25.0) <= 0.5, 5.0, np.nan),
    # Deines, Langmuir and Harmon 1974, Geochim. Cosmochim. Acta 38, 1147-1164 (from memory).
    ("carbonate", "co2_gas", "deines1974"): lambda t: 0.87e6 / (t + 273.15) ** 2 - 3.4,
}
"""Formulas by (of, relative to, author and year); temperature in degC to permil."""


@elementwise({"temperature": _CELSIUS})
def fractionation(*, of: str, relative_to: str, temperature: npt.ArrayLike, method: str = "zhang1995") -> FloatArray:
    """Equilibrium carbon isotope fractionation between two forms of inorganic carbon.

    Parameters
    ----------
    of, relative_to : {"co2_gas", "co2_aqueous", "bicarbonate", "carbonate"}
        The two forms.
    temperature : array-like
        Temperature. [degC]
    method : {"zhang1995", "mook1974", "halas1997", "deines1974"}, default "zhang1995"
        Author and year. A pair that a source gives only the other way round, or over a third form
        within the same source, is computed exactly from what it gives.

    Returns
    -------
    float64 array
        1000 (R_of / R_relative_to - 1). [permil]

    Raises
    ------
    InputError
        The source says nothing about the pair; the message lists what there is.
    """
    t = np.asarray(temperature, dtype=np.float64)
    if of == relative_to:
        return np.zeros_like(t)
    factor = _ratio_of_ratios(of, relative_to, method, t)
    if factor is None:
        forms = {form for key in FRACTIONATIONS if key[2] == method for form in key[:2]}
        for third in sorted(forms - {of, relative_to}):
            first = _ratio_of_ratios(of, third, method, t)
            second = _ratio_of_ratios(third, relative_to, method, t)
            if first is not None and second is not None:
                factor = first * second
                break
    if factor is None:
        known = ", ".join(f"{a} relative to {b} ({c})" for a, b, c in FRACTIONATIONS)
        message = f"No fractionation of {of} relative to {relative_to} after {method}; there are: {known}."
        raise InputError(message)
    return np.asarray(1000.0 * (factor - 1.0))


def _ratio_of_ratios(of: str, relative_to: str, method: str, t: FloatArray) -> FloatArray | None:
    if (of, relative_to, method) in FRACTIONATIONS:
        return 1.0 + FRACTIONATIONS[of, relative_to, method](t) / 1000.0
    if (relative_to, of, method) in FRACTIONATIONS:
        return 1.0 / (1.0 + FRACTIONATIONS[relative_to, of, method](t) / 1000.0)
    return None


@elementwise({"temperature": _CELSIUS, "carbonate_share": _SHARE})
def dic_gas_zhang1995(*, temperature: npt.ArrayLike, carbonate_share: npt.ArrayLike) -> FloatArray:
    """Fractionation of DIC relative to CO2 gas, the direct line of Zhang et al. 1995 (from memory).

    Parameters
    ----------
    temperature : array-like
        Temperature. [degC]
    carbonate_share : array-like
        Carbonate ion over DIC. [1]

    Returns
    -------
    float64 array
        0.014 t f - 0.105 t + 10.53. [permil] Later papers quote 0.0144 and 0.107, which differ by 0.05 at 25 degC.
    """
    t = np.asarray(temperature)
    return np.asarray(0.014 * t * np.asarray(carbonate_share) - 0.105 * t + 10.53)


@elementwise({"temperature": _CELSIUS, "co2_share": _SHARE, "carbonate_share": _SHARE})
def dic_gas_from_species(
    *,
    temperature: npt.ArrayLike,
    co2_share: npt.ArrayLike,
    carbonate_share: npt.ArrayLike,
    carbonate_method: str = "zhang1995",
) -> FloatArray:
    """Fractionation of DIC relative to CO2 gas as the sum over its species.

    Parameters
    ----------
    temperature : array-like
        Temperature. [degC]
    co2_share, carbonate_share : array-like
        Aqueous CO2 and carbonate ion over DIC; bicarbonate is the rest. [1]
    carbonate_method : {"zhang1995", "halas1997", "deines1974"}
        Source for carbonate ion, where published values differ most; the others are of Zhang et al. 1995.

    Returns
    -------
    float64 array
        Sum of shares times fractionations. [permil]
    """
    t = np.asarray(temperature)
    first, last = np.asarray(co2_share), np.asarray(carbonate_share)
    of_co2 = FRACTIONATIONS["co2_aqueous", "co2_gas", "zhang1995"](t)
    of_bicarbonate = FRACTIONATIONS["bicarbonate", "co2_gas", "zhang1995"](t)
    of_carbonate = fractionation(of="carbonate", relative_to="co2_gas", temperature=t, method=carbonate_method)
    rest = np.where(first + last <= 1.0, 1.0 - first - last, np.nan)
    return np.asarray(first * of_co2 + rest * of_bicarbonate + last * of_carbonate)


_DIC_METHODS: Final = ("zhang1995", "species")
_PHASES: Final = ("co2_aqueous", "co2_gas")


def _dic_over_co2(
    temperature: npt.ArrayLike,
    carbonate_share: npt.ArrayLike,
    co2_share: npt.ArrayLike,
    phase: str,
    method: str,
) -> FloatArray:
    one_of("phase", phase, _PHASES)
    one_of("method", method, _DIC_METHODS)
    if method == "zhang1995":
        dic = dic_gas_zhang1995(temperature=temperature, carbonate_share=carbonate_share)
    else:
        dic = dic_gas_from_species(temperature=temperature, co2_share=co2_share, carbonate_share=carbonate_share)
    seen = fractionation(of=phase, relative_to="co2_gas", temperature=temperature)
    return np.asarray((1000.0 + dic) / (1000.0 + seen))


_DIC_RANGES: Final = {
    "delta_co2": _DELTA,
    "delta_dic": _DELTA,
    "temperature": _CELSIUS,
    "carbonate_share": _SHARE,
    "co2_share": _SHARE,
}


@elementwise(_DIC_RANGES)
def delta_of_dic(
    *,
    delta_co2: npt.ArrayLike,
    temperature: npt.ArrayLike,
    carbonate_share: npt.ArrayLike,
    co2_share: npt.ArrayLike = 0.005,
    phase: str = "co2_aqueous",
    method: str = "zhang1995",
) -> FloatArray:
    """Delta of DIC from that of the CO2 an analyser sees, at isotopic equilibrium within the water.

    Parameters
    ----------
    delta_co2 : array-like
        Delta of the CO2. [permil]
    temperature : array-like
        Temperature of the sample itself; 1 degC is 0.1 permil. [degC]
    carbonate_share : array-like
        Carbonate ion over DIC, from the carbonate system. [1]
    co2_share : array-like, default 0.005
        Aqueous CO2 over DIC, for method "species". [1]
    phase : {"co2_aqueous", "co2_gas"}
        CO2 behind a membrane is seen as the dissolved kind; a headspace in equilibrium is gas.
    method : {"zhang1995", "species"}
        Direct DIC line, or sum over species; `SET_CHOICE_SD` covers the choice.

    Returns
    -------
    float64 array
        Delta of DIC. [permil] The water equilibrates within itself in minutes, with the air in a decade.
    """
    factor = _dic_over_co2(temperature, carbonate_share, co2_share, phase, method)
    return np.asarray((1000.0 + np.asarray(delta_co2)) * factor - 1000.0)


@elementwise(_DIC_RANGES)
def delta_of_co2(
    *,
    delta_dic: npt.ArrayLike,
    temperature: npt.ArrayLike,
    carbonate_share: npt.ArrayLike,
    co2_share: npt.ArrayLike = 0.005,
    phase: str = "co2_aqueous",
    method: str = "zhang1995",
) -> FloatArray:
    """Delta of the CO2 an analyser sees over DIC of a known delta: the inverse of `delta_of_dic`. [permil]"""
    factor = _dic_over_co2(temperature, carbonate_share, co2_share, phase, method)
    return np.asarray((1000.0 + np.asarray(delta_dic)) / factor - 1000.0)
