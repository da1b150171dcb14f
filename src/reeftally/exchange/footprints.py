"""Area of the bed that a covariance flux stands for.

Here:     length, peak and width of the footprint and the share of each bottom type in it.
Not here: maps and positions on the globe.
Rules:    outside the range of the fit the value comes with a warning, never silently.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.stats

from reeftally._checks import FloatArray, as_float
from reeftally.errors import ShapeError

__all__ = ["Footprint", "bottom_shares", "footprint"]

_WARNINGS = {
    1: "height outside 0.05 to 0.3 m, the fitted range",
    2: "roughness length outside 7.04e-6 to 0.01 m, the fitted range",
    4: "water shallower than 6.7 heights: outside the fitted range",
    8: "waves or stratification: the fit knows neither",
    16: "no footprint: height or roughness cannot be",
}


@dataclass(frozen=True, slots=True)
class Footprint:
    """Footprint upstream of the instrument; arrays broadcast from the input."""

    length: FloatArray
    """Upstream length that gives 90 % of the flux. [m]"""
    peak: FloatArray
    """Distance of the strongest contribution. [m]"""
    width: FloatArray
    """Width that gives 90 % of the flux. [m]"""
    code: npt.NDArray[np.int64]
    """Bits of the warnings; 0 inside the fitted range."""

    def warnings(self) -> tuple[str, ...]:
        """Return the sentences of all bits that occur."""
        joined = int(np.bitwise_or.reduce(np.atleast_1d(self.code).ravel(), initial=0))
        return tuple(text for bit, text in _WARNINGS.items() if joined & bit)


def footprint(
    *,
    height: npt.ArrayLike,
    roughness_length: npt.ArrayLike,
    depth: npt.ArrayLike = np.inf,
    displacement: npt.ArrayLike = 0.0,
    waves: npt.ArrayLike = False,
) -> Footprint:
    """Return the footprint of a measurement.

    Parameters
    ----------
    height, displacement : array-like
        Above the bed; their difference enters. [m]
    roughness_length : array-like
        [m]
    depth : array-like
        Of the water. [m]
    waves : array-like of bool
        Waves or stratification are present.

    Returns
    -------
    Footprint

    Notes
    -----
    Berg, Roy and Wiberg (2007), Limnol. Oceanogr. 52(4): equations of the abstract, logarithm to base 10,
    fitted for heights of 0.05 to 0.3 m, roughness 7.04e-6 to 0.01 m and depth above 27 heights; for 6.7 to
    27 heights the length is multiplied by ``1 + 8.347 exp(-0.2453 H/h)``. Reef roughness and heights often
    lie outside.
    """
    h = as_float("height", height) - as_float("displacement", displacement)
    z0, total = as_float("roughness_length", roughness_length), as_float("depth", depth)
    h, z0, total, wavy = np.broadcast_arrays(h, z0, total, np.asarray(waves, dtype=bool))
    possible = (h > 0.0) & (z0 > 0.0) & (h > z0) & (total > h)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        log = np.log10(np.where(possible, z0, np.nan))
        length = -2.783 - 158.7 * h + 159.2 * h**2 - 120.8 * h * log
        ratio = total / h
        length = length * np.where(ratio < 27.0, 1.0 + 8.347 * np.exp(-0.2453 * ratio), 1.0)
        peak = -0.09888 - 11.53 * h + 10.25 * h**2 - 6.650 * h * log
        # Far outside the fit the parabolas turn negative; a negative distance is no footprint.
        possible = possible & (length > 0.0) & (peak > 0.0)
        code = (
            ((h < 0.05) | (h > 0.3)) * 1
            + ((z0 < 7.04e-6) | (z0 > 0.01)) * 2
            + (ratio < 6.7) * 4
            + wavy * 8
            + ~possible * 16
        )
    return Footprint(
        length=np.where(possible, length, np.nan),
        peak=np.where(possible, peak, np.nan),
        width=np.where(possible, 6.531 * h, np.nan),
        code=np.asarray(code, dtype=np.int64),
    )


def bottom_shares(
    *,
    length: float,
    peak: float,
    width: float,
    direction_from: float,
    east: npt.ArrayLike,
    north: npt.ArrayLike,
    bottom: npt.ArrayLike,
    names: tuple[str, ...],
) -> Mapping[str, float]:
    """Return the share of each bottom type in the footprint.

    Parameters
    ----------
    length, peak, width : float
        Of the footprint. [m]
    direction_from : float
        Compass direction from which the water comes. [degree]
    east, north : array-like, shape (n,)
        Positions of map points (even grid) relative to the instrument. [m]
    bottom : array-like of int, shape (n,)
        Index into `names`; negative where unknown.
    names : tuple of str

    Returns
    -------
    mapping
        Weighted share by name, ``unknown`` for unmapped weight; empty if no point lies upstream. [1]

    Raises
    ------
    ShapeError
        If the map arrays differ in length.

    Notes
    -----
    Along the flow the weight follows a log-normal curve with the given peak whose 90 % point is the
    length; across it a normal curve whose central 90 % is the width (common practice, no source).
    """
    x, y, kind = as_float("east", east), as_float("north", north), np.asarray(bottom, dtype=np.int64)
    if not (x.shape == y.shape == kind.shape and x.ndim == 1):
        message = f"east {x.shape}, north {y.shape} and bottom {kind.shape} need one length."
        raise ShapeError(message)
    if not (np.isfinite(length) and 0.0 < peak < length and width > 0.0):
        return {}
    angle = np.deg2rad(direction_from)
    along, across = x * np.sin(angle) + y * np.cos(angle), x * np.cos(angle) - y * np.sin(angle)
    # Log-normal: mode exp(m - s2), 90 % point exp(m + 1.2816 s).
    quantile = float(scipy.stats.norm.ppf(0.9))
    spread = 0.5 * (-quantile + np.sqrt(quantile**2 + 4.0 * np.log(length / peak)))
    centre = np.log(peak) + spread**2
    upstream = along > 0.0
    weight = np.zeros(x.size)
    weight[upstream] = scipy.stats.lognorm.pdf(along[upstream], spread, scale=np.exp(centre))
    weight *= np.exp(-0.5 * (across / (0.5 * width / 1.6449)) ** 2)
    total = weight.sum()
    if not total > 0.0:
        return {}
    shares = {name: float(weight[kind == k].sum() / total) for k, name in enumerate(names)}
    shares["unknown"] = float(weight[(kind < 0) | (kind >= len(names))].sum() / total)
    return shares
