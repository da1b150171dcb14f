"""Alkalinity from salinity, salinity normalisation, and mixing with a third water.

Here:     the regional relations of Lee et al. 2006, the user's own line with its prediction interval,
          normalisation with a non-zero end member, and mixing with groundwater or rain.
Not here: alkalinity from measured carbonate quantities (carbonate.py), shares of sources (`ledger`).
Rules:    a relation made in open water does not know what a reef has taken out. A value used inside a reef
          must be given the reef's observed deficit, and every prediction carries a label that says
          where it came from.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range, require_same_length
from reeftally.errors import InputError, NoSolutionError, ShapeError
from reeftally.seawater._elementwise import Range, elementwise, reasons
from reeftally.uncertainty import coverage_factor, least_squares_line

__all__ = [
    "LEE2006_REGIONS",
    "LEE2006_SD",
    "AlkalinityLine",
    "AlkalinityPrediction",
    "fit_alkalinity_salinity",
    "lee2006",
    "lee2006_reasons",
    "mix_third_water",
    "normalise_salinity",
    "reasons",
    "third_water_share",
]

_CONCENTRATION: Final[Range] = (0.0, 10000.0, "µmol kg-1")
_SALINITY: Final[Range] = (0.0, 50.0, "")

# Lee et al. 2006, Geophys. Res. Lett. 33, L19605, Table 1 (the form was read in the abstract, coefficients and
# limits of validity as quoted alike by several others): a, b, c of S - 35; temperature offset; d, e of t - offset.
_LEE: Final = {
    "subtropics": (2305.0, 58.66, 2.32, 20.0, -1.41, 0.040),
    "equatorial_pacific": (2294.0, 64.88, 0.39, 29.0, -4.52, -0.232),
    "north_atlantic": (2305.0, 53.97, 2.74, 20.0, -1.16, -0.040),
    "north_pacific": (2305.0, 53.23, 1.85, 20.0, -14.72, -0.158),
    "southern_ocean": (2305.0, 52.48, 2.85, 20.0, -0.49, 0.086),
}
_LEE_RANGES: Final[dict[str, dict[str, Range]]] = {
    "subtropics": {"temperature": (20.0, 40.0, "degC"), "salinity": (31.0, 38.0, "")},
    "equatorial_pacific": {"temperature": (18.0, 40.0, "degC"), "salinity": (31.0, 36.5, "")},
    "north_atlantic": {"temperature": (0.0, 20.0, "degC"), "salinity": (31.0, 37.0, "")},
    "north_pacific": {"temperature": (0.0, 20.0, "degC"), "salinity": (31.0, 35.0, "")},
    "southern_ocean": {"temperature": (-2.0, 20.0, "degC"), "salinity": (33.0, 36.0, "")},
}
LEE2006_SD: Final = {
    "subtropics": 8.6,
    "equatorial_pacific": 7.5,
    "north_atlantic": 6.4,
    "north_pacific": 8.7,
    "southern_ocean": 8.4,
}
"""Standard uncertainty of each regional fit; area-weighted 8.1. [µmol kg-1] (from memory)"""

LEE2006_REGIONS: Final = tuple(_LEE)
"""Names of the regions."""


def lee2006(
    *,
    temperature: npt.ArrayLike,
    salinity: npt.ArrayLike,
    region: str,
    longitude: npt.ArrayLike | None = None,
) -> FloatArray:
    """Open-ocean surface alkalinity from salinity and temperature.

    Parameters
    ----------
    temperature : array-like
        Sea surface temperature. [degC]
    salinity : array-like
        Practical salinity. [1]
    region : str
        One of `LEE2006_REGIONS`; most reefs lie in "subtropics" (30 S to 30 N).
    longitude : array-like, optional
        Longitude, 0 to 360; required for "north_pacific" only. Users of the relation disagree on whether it
        counts east or west; east makes the western side higher in alkalinity. [degrees east]

    Returns
    -------
    float64 array
        Total alkalinity. [µmol kg-1] NaN (an error for numbers) outside the region's stated validity; its
        standard uncertainty is ``LEE2006_SD[region]``, systematic within one water mass.

    Notes
    -----
    Not for water that has been over a reef: it knows nothing of calcification there. Lee et al. 2006, Geophys.
    Res. Lett. 33, L19605, Table 1.
    """
    one_of("region", region, LEE2006_REGIONS)
    if region == "north_pacific":
        if longitude is None:
            message = "longitude is missing; the North Pacific relation contains it."
            raise InputError(message)
        plain = _LEE_FUNCTIONS[region](temperature=temperature, salinity=salinity)
        return plain + _north_pacific_term(temperature=temperature, longitude=longitude)
    return _LEE_FUNCTIONS[region](temperature=temperature, salinity=salinity)


def lee2006_reasons(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike, region: str) -> npt.NDArray[np.str_]:
    """Say for each member why `lee2006` gives NaN; empty where it gives a number."""
    one_of("region", region, LEE2006_REGIONS)
    return reasons(_LEE_FUNCTIONS[region], temperature=temperature, salinity=salinity)


def _make_lee(region: str) -> Callable[..., FloatArray]:
    a, b, c, offset, d, e = _LEE[region]

    @elementwise(_LEE_RANGES[region])
    def relation(*, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> FloatArray:
        s = np.asarray(salinity) - 35.0
        t = np.asarray(temperature) - offset
        return np.asarray(a + (b + c * s) * s + (d + e * t) * t)

    return relation


_LEE_FUNCTIONS: Final = {region: _make_lee(region) for region in LEE2006_REGIONS}


@elementwise({"temperature": (0.0, 20.0, "degC"), "longitude": (0.0, 360.0, "degrees east")})
def _north_pacific_term(*, temperature: npt.ArrayLike, longitude: npt.ArrayLike) -> FloatArray:
    return np.asarray(0.062 * np.asarray(longitude) * (np.asarray(temperature) - 20.0))


# --- the user's own line ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class AlkalinityPrediction:
    """Alkalinity predicted from salinity."""

    total_alkalinity: FloatArray
    """Prediction; NaN outside the salinities of the fit. [µmol kg-1]"""
    random_sd: FloatArray
    """Scatter of single samples about the line. [µmol kg-1]"""
    systematic_sd: FloatArray
    """Uncertainty of the line itself and, inside a reef, of what the reef took out. [µmol kg-1]"""
    lower: FloatArray
    """Lower end of the prediction interval. [µmol kg-1]"""
    upper: FloatArray
    """Upper end of the prediction interval. [µmol kg-1]"""
    label: str
    """Where the value came from, to be shown with everything derived from it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlkalinityLine:
    """Regression of alkalinity on salinity."""

    slope: float
    """Slope. [µmol kg-1]"""
    intercept: float
    """Alkalinity at salinity 0: the end member for normalisation. [µmol kg-1]"""
    slope_sd: float
    """Standard error of the slope. [µmol kg-1]"""
    intercept_sd: float
    """Standard error of the intercept. [µmol kg-1]"""
    covariance: float
    """Covariance of slope and intercept. [(µmol kg-1)^2]"""
    residual_sd: float
    """Standard deviation of single samples about the line. [µmol kg-1]"""
    n: int
    """Number of samples."""
    salinity_low: float
    """Lowest salinity of the fit. [1]"""
    salinity_high: float
    """Highest salinity of the fit. [1]"""

    def predict(
        self,
        *,
        salinity: npt.ArrayLike,
        inside_reef: bool,
        reef_deficit: float | None = None,
        level: float = 0.95,
    ) -> AlkalinityPrediction:
        """Predict the alkalinity of a new sample.

        Parameters
        ----------
        salinity : array-like
            Practical salinity. [1]
        inside_reef : bool
            Whether the water has been over a reef since it had the alkalinity of the line.
        reef_deficit : float, optional
            Size of the alkalinity deficit observed on this reef; required inside it, added as a
            systematic standard uncertainty and not as a correction. [µmol kg-1]
        level : float, default 0.95
            Coverage of the prediction interval.

        Returns
        -------
        AlkalinityPrediction
        """
        if inside_reef and reef_deficit is None:
            message = (
                "inside_reef is True but reef_deficit is missing: the line does not know what the reef took out. "
                "Give the deficit observed here, or measure alkalinity."
            )
            raise InputError(message)
        if not inside_reef and reef_deficit is not None:
            message = "reef_deficit is given but inside_reef is False; give it inside a reef only."
            raise InputError(message)
        extra = 0.0 if reef_deficit is None else abs(float(reef_deficit))
        s = as_float("salinity", salinity)
        within = (s >= self.salinity_low) & (s <= self.salinity_high)
        value = np.where(within, self.intercept + self.slope * s, np.nan)
        of_line = self.intercept_sd**2 + 2.0 * s * self.covariance + (s * self.slope_sd) ** 2
        systematic = np.sqrt(np.where(within, np.maximum(of_line, 0.0) + extra**2, np.nan))
        random = np.where(within, self.residual_sd, np.nan)
        t = float(coverage_factor(degrees=self.n - 2, level=level))
        half = np.sqrt(t**2 * (random**2 + np.maximum(of_line, 0.0)) + (t * extra) ** 2)
        where = f", inside the reef (its deficit of {extra:g} added to the uncertainty)" if inside_reef else ""
        return AlkalinityPrediction(
            total_alkalinity=value[()],
            random_sd=random[()],
            systematic_sd=systematic[()],
            lower=(value - half)[()],
            upper=(value + half)[()],
            label=(
                f"alkalinity from salinity by a line through {self.n} samples, "
                f"salinity {self.salinity_low:g} to {self.salinity_high:g}{where}"
            ),
        )


def fit_alkalinity_salinity(*, total_alkalinity: npt.ArrayLike, salinity: npt.ArrayLike) -> AlkalinityLine:
    """Fit alkalinity against salinity by least squares.

    Parameters
    ----------
    total_alkalinity, salinity : array-like, shape (n,)
        Samples, at least 4; pairs with a missing member are left out. [µmol kg-1, 1]

    Returns
    -------
    AlkalinityLine

    Raises
    ------
    NoSolutionError
        Fewer than 4 complete pairs, or one salinity only.
    """
    ta, s = as_float("total_alkalinity", total_alkalinity), as_float("salinity", salinity)
    require_same_length(total_alkalinity=ta, salinity=s)
    require_range("salinity", s, *_SALINITY[:2])
    require_range("total_alkalinity", ta, *_CONCENTRATION)
    there = np.isfinite(ta) & np.isfinite(s)
    if there.sum() < 4:
        message = f"{int(there.sum())} complete pairs of alkalinity and salinity; a line with its scatter needs 4."
        raise NoSolutionError(message, code="too few samples")
    line = least_squares_line(x=s[there], y=ta[there])
    return AlkalinityLine(
        slope=float(line.slope),
        intercept=float(line.intercept),
        slope_sd=float(line.slope_sd),
        intercept_sd=float(line.intercept_sd),
        covariance=float(line.covariance),
        residual_sd=float(np.sqrt(line.goodness)),
        n=int(there.sum()),
        salinity_low=float(s[there].min()),
        salinity_high=float(s[there].max()),
    )


# --- normalisation and mixing -----------------------------------------------------------------------------


@elementwise(
    {
        "value": _CONCENTRATION,
        "salinity": (0.1, 50.0, ""),
        "reference_salinity": _SALINITY,
        "value_at_zero": _CONCENTRATION,
    }
)
def normalise_salinity(
    *,
    value: npt.ArrayLike,
    salinity: npt.ArrayLike,
    reference_salinity: npt.ArrayLike = 35.0,
    value_at_zero: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Alkalinity or DIC brought to a reference salinity along a mixing line.

    Parameters
    ----------
    value : array-like
        Alkalinity or DIC. [µmol kg-1]
    salinity : array-like
        Practical salinity of the sample. [1]
    reference_salinity : array-like, default 35
        Salinity to bring it to. [1]
    value_at_zero : array-like, default 0
        Value where the mixing line meets salinity 0; 0 is rain, groundwater and rivers have more. [µmol kg-1]

    Returns
    -------
    float64 array
        (X - X0) Sref/S + X0. [µmol kg-1] Friis, Körtzinger and Wallace 2003, Geophys. Res. Lett. 30, 1085.
    """
    zero = np.asarray(value_at_zero)
    return np.asarray((np.asarray(value) - zero) * np.asarray(reference_salinity) / np.asarray(salinity) + zero)


@elementwise(
    {
        "value": (-np.inf, np.inf, ""),
        "third_value": (-np.inf, np.inf, ""),
        "third_share": (0.0, 1.0, ""),
    }
)
def mix_third_water(*, value: npt.ArrayLike, third_value: npt.ArrayLike, third_share: npt.ArrayLike) -> FloatArray:
    """Conservative quantity of a water into which a third water was mixed.

    Parameters
    ----------
    value : array-like
        Salinity, alkalinity or DIC of the water before. [any unit]
    third_value : array-like
        The same of the third water (groundwater, rain, river). [unit of `value`]
    third_share : array-like
        Mass of the third water over that of the mixture, 0 to 1. [1]

    Returns
    -------
    float64 array
        Value of the mixture. [unit of `value`] pH and fCO2 do not mix; solve them from the mixed TA and DIC.
    """
    share = np.asarray(third_share)
    return np.asarray((1.0 - share) * np.asarray(value) + share * np.asarray(third_value))


def third_water_share(
    *,
    sample: npt.ArrayLike,
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    third: npt.ArrayLike,
) -> FloatArray:
    """Shares of three waters in a sample from two conservative tracers.

    Parameters
    ----------
    sample, first, second, third : array-like, shape (..., 2)
        The two tracers (salinity and temperature, say) in the sample and in each water. [any units]

    Returns
    -------
    float64 array, shape (..., 3)
        Shares of first, second and third water; they add to 1 and are never clipped: one outside 0 to 1 says
        that the waters do not enclose the sample.

    Raises
    ------
    NoSolutionError
        One sample only: the three waters lie on one line, so that no share can be told. NaN among many.
    """
    parts = [as_float(name, value) for name, value in (
        ("sample", sample), ("first", first), ("second", second), ("third", third)
    )]  # fmt: skip
    if any(part.ndim == 0 or part.shape[-1] != 2 for part in parts):
        message = "sample, first, second and third need two tracers each, shape (..., 2)."
        raise ShapeError(message)
    mixed, one, two, three = np.broadcast_arrays(*parts)
    a, b, c = two - one, three - one, mixed - one
    area = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    size = np.abs(a[..., 0] * b[..., 1]) + np.abs(a[..., 1] * b[..., 0])
    flat = np.abs(area) <= 1e-12 * size
    if mixed.ndim == 1 and bool(flat):
        message = "The three waters lie on one line in the two tracers; their shares cannot be told apart."
        raise NoSolutionError(message, code="waters on one line")
    with np.errstate(all="ignore"):
        share_two = (c[..., 0] * b[..., 1] - c[..., 1] * b[..., 0]) / area
        share_three = (a[..., 0] * c[..., 1] - a[..., 1] * c[..., 0]) / area
    shares = np.stack([1.0 - share_two - share_three, share_two, share_three], axis=-1)
    return np.where(flat[..., None], np.nan, shares)
