"""Which published sets of constants exist, their names and their ranges of validity.

Here:     the `Constants` choice that every function of the carbonate system takes.
Not here: the formulas (`_constants`) and their compiled evaluation (`_kernels`).
Rules:    a range is what the source (or its users' guide) states; leaving it never stops a
          calculation but always sets a bit of the reason code.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from reeftally._checks import FloatArray, one_of
from reeftally.seawater import _constants as formulas

__all__ = ["Constants", "ReasonCode", "ValidityRange"]


class ReasonCode(IntFlag):
    """Bits of the reason code of a state. The first five come with no value (NaN)."""

    OK = 0
    """Solved, inside every range."""
    MISSING = 1
    """An input is NaN."""
    NEGATIVE = 2
    """A concentration, a partial pressure or the salinity is below zero."""
    OUT_OF_RANGE = 4
    """A condition or a pH lies where no seawater is."""
    NO_SOLUTION = 8
    """No total-scale pH from 2 to 12 satisfies both quantities."""
    NEAR_FOLD = 16
    """Two roots nearly coincide: relative errors would grow more than 10^4 times."""
    TWO_ROOTS = 32
    """Two solutions exist; the one asked for is given."""
    OUTSIDE_K1K2 = 64
    """Temperature or salinity outside the range of K1 and K2."""
    OUTSIDE_KS = 128
    """Outside the range of the sulfate constant."""
    OUTSIDE_KF = 256
    """Outside the range of the fluoride constant."""
    OUTSIDE_KB = 512
    """Outside the range of the boric acid constant."""
    OUTSIDE_KW = 1024
    """Outside the range of water, phosphoric and silicic acid."""
    OUTSIDE_KSP = 2048
    """Outside the range of the solubility products."""
    OUTSIDE_K0 = 4096
    """Outside the range of the solubility of CO2."""


class ValidityRange(NamedTuple):
    """Range of a source."""

    temperature_low: float
    """Lowest temperature. [°C]"""
    temperature_high: float
    """Highest temperature. [°C]"""
    salinity_low: float
    """Lowest practical salinity. [1]"""
    salinity_high: float
    """Highest practical salinity. [1]"""


# Ranges marked (m) are from memory of the printed source; the others were read in its abstract.
_K1K2 = {
    "lueker2000": (formulas.LUEKER2000, ValidityRange(2.0, 35.0, 19.0, 43.0)),  # (m)
    "roy1993": (formulas.ROY1993, ValidityRange(0.0, 45.0, 5.0, 45.0)),  # (m)
    "millero2006": (formulas.MILLERO2006, ValidityRange(0.0, 50.0, 0.0, 50.0)),
    "mojica2002": (formulas.MOJICA2002, ValidityRange(0.0, 45.0, 5.0, 42.0)),  # (m)
    "dickson_millero1987": (formulas.DICKSON_MILLERO1987, ValidityRange(2.0, 35.0, 0.0, 40.0)),
}
_KS = {
    "dickson1990": (formulas.KS_DICKSON1990, ValidityRange(0.0, 45.0, 5.0, 45.0)),  # (m)
    "khoo1977": (formulas.KS_KHOO1977, ValidityRange(5.0, 40.0, 20.0, 45.0)),  # (m)
}
_KF = {
    "perez1987": (formulas.KF_PEREZ1987, ValidityRange(9.0, 33.0, 10.0, 40.0)),  # (m)
    "dickson1979": (formulas.KF_DICKSON1979, ValidityRange(0.0, 45.0, 0.0, 45.0)),  # (m)
}
_KB = {"dickson1990": (0, ValidityRange(0.0, 45.0, 5.0, 45.0))}  # (m)
_BORON = {"uppstrom1974": 0, "lee2010": 1}
_KB_PRESSURE = {
    "corrected": formulas.KB_PRESSURE_CORRECTED,
    "as_printed": formulas.KB_PRESSURE_AS_PRINTED,
}
_KW_PRESSURE = {
    "millero1995": formulas.KW_PRESSURE_MILLERO1995,
    "seawater": formulas.KW_PRESSURE_SEAWATER,
}
_OTHERS = (
    (ReasonCode.OUTSIDE_KW, ValidityRange(0.0, 45.0, 0.0, 45.0)),  # Millero 1995 (m)
    (ReasonCode.OUTSIDE_KSP, ValidityRange(5.0, 40.0, 5.0, 44.0)),  # Mucci 1983 (m)
    (ReasonCode.OUTSIDE_K0, ValidityRange(-1.0, 40.0, 0.0, 40.0)),  # Weiss 1974 (m)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Constants:
    """The published sets used; the defaults are those of the 2007 guide to best practices.

    Parameters
    ----------
    k1k2 : str
        ``lueker2000``, ``roy1993``, ``millero2006``, ``mojica2002`` or ``dickson_millero1987``.
    ks : str
        Sulfate: ``dickson1990`` or ``khoo1977``.
    kf : str
        Fluoride: ``perez1987`` or ``dickson1979`` (Dickson and Riley).
    kb : str
        Boric acid: ``dickson1990``.
    boron : str
        Total boron to salinity: ``uppstrom1974`` or ``lee2010``.
    kb_pressure : str
        Quadratic volume coefficient of boric acid: ``corrected`` (-2.608e-3) or ``as_printed``.
    kw_pressure : str
        Volume coefficients of water: ``millero1995`` or ``seawater``.

    Raises
    ------
    InputError
        If a name is unknown; the message lists the known ones.

    References
    ----------
    Dickson, Sabine and Christian (eds) 2007, PICES Special Publication 3, chapter 5.
    """

    k1k2: str = "lueker2000"
    ks: str = "dickson1990"
    kf: str = "perez1987"
    kb: str = "dickson1990"
    boron: str = "uppstrom1974"
    kb_pressure: str = "corrected"
    kw_pressure: str = "millero1995"

    def __post_init__(self) -> None:
        one_of("k1k2", self.k1k2, tuple(_K1K2))
        one_of("ks", self.ks, tuple(_KS))
        one_of("kf", self.kf, tuple(_KF))
        one_of("kb", self.kb, tuple(_KB))
        one_of("boron", self.boron, tuple(_BORON))
        one_of("kb_pressure", self.kb_pressure, tuple(_KB_PRESSURE))
        one_of("kw_pressure", self.kw_pressure, tuple(_KW_PRESSURE))

    def codes(self) -> tuple[int, int, int, int, int, int]:
        """Return the numbers by which the kernels know the chosen sets."""
        return (
            _K1K2[self.k1k2][0],
            _KS[self.ks][0],
            _KF[self.kf][0],
            _BORON[self.boron],
            _KB_PRESSURE[self.kb_pressure],
            _KW_PRESSURE[self.kw_pressure],
        )

    def validity(self) -> dict[ReasonCode, ValidityRange]:
        """Return the range of temperature and salinity of each source in use."""
        return {
            ReasonCode.OUTSIDE_K1K2: _K1K2[self.k1k2][1],
            ReasonCode.OUTSIDE_KS: _KS[self.ks][1],
            ReasonCode.OUTSIDE_KF: _KF[self.kf][1],
            ReasonCode.OUTSIDE_KB: _KB[self.kb][1],
            **dict(_OTHERS),
        }

    def limits(self) -> FloatArray:
        """Return the ranges as rows of temperature, salinity and bit; first the common range."""
        return _limits(self)


@lru_cache(maxsize=32)
def _limits(constants: Constants) -> FloatArray:
    """Return the table of `Constants.limits`, made once for each choice."""
    rows = np.array([[*span, float(bit)] for bit, span in constants.validity().items()])
    common = [rows[:, 0].max(), rows[:, 1].min(), rows[:, 2].max(), rows[:, 3].min(), 0.0]
    return np.vstack([common, rows])
