"""Over-determined carbonate samples: do the measured quantities fit together?

Here:     weighted adjustment of three or more measured quantities, residuals, the test of
          consistency, and what each quantity should have been by every pair of the others.
Not here: solving from exactly two (`carbonate.solve`), correcting a sensor (`calibration`).
Rules:    an adjustment that fails its test still shows its numbers, and says that the
          quantities are not consistent; it never hides a residual.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy.stats import chi2

from reeftally._checks import FloatArray, as_float, require_range
from reeftally.errors import InputError, NoSolutionError, ShapeError
from reeftally.seawater._carbonate_names import GROUPS, INPUTS, STANDARD_OUTPUTS
from reeftally.seawater._carbonate_solve import DEFAULT_CONSTANTS, labelled, solve
from reeftally.seawater._constants_sets import Constants
from reeftally.seawater._kernels_acid import LN10
from reeftally.seawater.carbonate_uncertainty import derivatives

__all__ = ["Adjustment", "Discrepancy", "adjust"]

_STEPS = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Discrepancy:
    """One measured quantity against what a pair of the others says."""

    quantity: str
    """The quantity compared."""
    pair: tuple[str, str]
    """The two it is calculated from."""
    calculated: Any
    """Its value from the pair. [unit of the quantity]"""
    difference: Any
    """Calculated minus measured. [unit of the quantity]"""
    sd: Any
    """Standard uncertainty of the difference. [unit of the quantity]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """Result of `adjust`; arrays (or DataArrays) have the broadcast shape of the measurements."""

    adjusted: dict[str, Any]
    """All results of `solve` at the adjusted state, by name."""
    adjusted_sd: dict[str, Any]
    """Their standard uncertainty as the adjustment gives it. Not widened where inconsistent."""
    residuals: dict[str, Any]
    """Measured minus adjusted, by measured quantity. [unit of the quantity]"""
    standardised_residuals: dict[str, Any]
    """Residual over its own standard deviation; beyond about 2 is suspicious. [1]"""
    chi_square: Any
    """Weighted sum of squares of the residuals. [1]"""
    degrees_of_freedom: int
    """Number of quantities minus two. [1]"""
    p_value: Any
    """Chance of at least this `chi_square` if all is as stated. [1]"""
    consistent: Any
    """Whether `p_value` reaches the level asked for; False where there is no value."""
    discrepancies: tuple[Discrepancy, ...]
    """Every quantity against every pair of the others."""
    message: str
    """One sentence in plain words."""


def _covariance(
    names: tuple[str, ...],
    sds: list[FloatArray],
    correlation: Mapping[tuple[str, str], float] | None,
    shape: tuple[int, ...],
) -> FloatArray:
    """Return the covariance of the measurements (*shape, m, m), or refuse it."""
    size = len(names)
    rho = np.eye(size)
    for (one, other), value in (correlation or {}).items():
        if one not in names or other not in names or one == other:
            message = f"correlation names ({one}, {other}); both must be among: {', '.join(names)}."
            raise InputError(message)
        rho[names.index(one), names.index(other)] = rho[names.index(other), names.index(one)] = value
    if np.linalg.eigvalsh(rho).min() < 1e-12:
        message = f"correlation leaves nothing to adjust or is impossible: {dict(correlation or {})}."
        raise InputError(message)
    sd = np.stack([np.broadcast_to(s, shape) for s in sds], axis=-1)
    return np.asarray(sd[..., :, None] * sd[..., None, :] * rho)


def adjust(
    *,
    measured: Mapping[str, Any],
    sd: Mapping[str, Any],
    temperature: Any,
    salinity: Any,
    pressure: Any = 0.0,
    phosphate: Any = 0.0,
    silicate: Any = 0.0,
    ammonium: Any = 0.0,
    sulfide: Any = 0.0,
    air_pressure: Any = 1013.25,
    correlation: Mapping[tuple[str, str], float] | None = None,
    constants_sd: Mapping[str, float] | None = None,
    constants: Constants = DEFAULT_CONSTANTS,
    level: float = 0.05,
) -> Adjustment:
    """Adjust three or more measured carbonate quantities to one state, and test whether they fit.

    Parameters
    ----------
    measured : mapping of str to array-like
        Three or more quantities by name (see `carbonate.INPUTS`), at one temperature and
        pressure, of different kinds (one pH, one of fCO2, pCO2, xCO2, CO2, and so on).
    sd : mapping of str to array-like
        Standard uncertainty of each. [unit of the quantity]
    temperature, salinity, pressure, phosphate, silicate, ammonium, sulfide, air_pressure
        As for `carbonate.solve`.
    correlation : mapping of (str, str) to float, optional
        Correlation of the measurements' errors. [1]
    constants_sd : mapping of str to float, optional
        Uncertainty of the constants, names as for `carbonate.propagate`; it widens the
        covariance of the misfit. Default: none, so that the test judges measurements together
        with the constants as they stand.
    constants : Constants
        The published sets to use.
    level : float
        Significance below which the quantities are called inconsistent. [1]

    Returns
    -------
    Adjustment

    Raises
    ------
    InputError
        If fewer than three different quantities are given or an uncertainty is missing or not
        above zero.
    NoSolutionError
        If single measurements admit no state at all.

    Notes
    -----
    Generalised least squares (Gauss-Newton on ln[H+] and DIC with exact derivatives). The
    chi-square test of the overall misfit: Deming 1943; JCGM 100:2008, H.3. Arrays are adjusted
    member by member.
    """
    names = tuple(name for name in INPUTS if name in measured)
    unknown = [name for name in measured if name not in INPUTS]
    if unknown or len(names) < 3 or len({GROUPS[name] for name in names}) < len(names):
        message = (
            f"measured has {', '.join(measured)}; it needs three or more of different kinds out of: "
            f"{', '.join(INPUTS)}."
        )
        raise InputError(message)
    missing = [name for name in names if name not in sd]
    if missing:
        message = f"sd lacks {', '.join(missing)}; every measured quantity needs a standard uncertainty."
        raise InputError(message)
    require_range("level", level, 0.0, 1.0)
    conditions: dict[str, Any] = {
        "temperature": temperature,
        "salinity": salinity,
        "pressure": pressure,
        "phosphate": phosphate,
        "silicate": silicate,
        "ammonium": ammonium,
        "sulfide": sulfide,
        "air_pressure": air_pressure,
    }
    given = {name: measured[name] for name in names}
    given |= {f"sd[{name}]": sd[name] for name in names} | conditions
    plain, template = _without_labels(given)
    values = [plain[name] for name in names]
    sds = [plain[f"sd[{name}]"] for name in names]
    conditions = {key: plain[key] for key in conditions}
    for name, one in zip(names, sds, strict=True):
        if bool(np.any(one <= 0.0)):
            message = f"sd[{name}] must be above zero."
            raise InputError(message)
    shape = np.broadcast_shapes(*(a.shape for a in (*values, *sds, *conditions.values())))
    # Everything below works on arrays; a single sample is an array of one.
    work = shape or (1,)
    conditions = {key: np.broadcast_to(value, work) for key, value in conditions.items()}
    y = np.stack([np.broadcast_to(v, work) for v in values], axis=-1)
    covariance = _covariance(names, sds, correlation, work)
    ph, dic, predicted, slope, covariance = _least_squares(names, y, covariance, conditions, constants, constants_sd)
    if not shape and np.isnan(predicted).any() and not np.isnan(y).any():
        message = f"No state of the carbonate system comes near {dict(measured)}."
        raise NoSolutionError(message, code="no_solution")
    weight = np.linalg.inv(covariance)
    normal = np.swapaxes(slope, -1, -2) @ weight @ slope
    good = np.isfinite(normal).all(axis=(-1, -2))
    state_covariance = np.full(normal.shape, np.nan)
    state_covariance[good] = np.linalg.inv(normal[good])
    residual = y - predicted
    chi_square = np.einsum("...i,...ij,...j->...", residual, weight, residual)
    freedom = len(names) - 2
    p_value = chi2.sf(chi_square, freedom)
    consistent = np.asarray(p_value >= level) & good
    residual_covariance = covariance - slope @ state_covariance @ np.swapaxes(slope, -1, -2)
    residual_sd = np.sqrt(np.maximum(np.diagonal(residual_covariance, axis1=-2, axis2=-1), 0.0))
    with np.errstate(all="ignore"):
        standardised = residual / residual_sd
    state = solve(ph_total=ph, dic=dic, **conditions, constants=constants)
    partial = derivatives(ph_total=ph, dic=dic, **conditions, constants=constants, wrt=("ph_total", "dic"))

    def shaped(array: Any) -> Any:
        array = np.reshape(array, shape)
        if template is not None:
            return template.copy(data=array)
        return array.item() if not shape else array

    adjusted_sd = {}
    for name in STANDARD_OUTPUTS:
        row = np.stack([partial[name]["ph_total"], partial[name]["dic"]], axis=-1)
        variance = np.einsum("...i,...ij,...j->...", row, state_covariance, row)
        adjusted_sd[name] = shaped(np.sqrt(np.maximum(variance, 0.0)))
    return Adjustment(
        adjusted={name: shaped(state[name]) for name in STANDARD_OUTPUTS},
        adjusted_sd=adjusted_sd,
        residuals={name: shaped(residual[..., j]) for j, name in enumerate(names)},
        standardised_residuals={name: shaped(standardised[..., j]) for j, name in enumerate(names)},
        chi_square=shaped(chi_square),
        degrees_of_freedom=freedom,
        p_value=shaped(p_value),
        consistent=shaped(consistent),
        discrepancies=_discrepancies(names, y, covariance, conditions, constants, shaped),
        message=_sentence(names, consistent, p_value, level),
    )


def _without_labels(given: Mapping[str, Any]) -> tuple[dict[str, FloatArray], Any]:
    """Return plain arrays in one order of dimensions, and a DataArray to put results back into."""
    if not labelled(list(given.values())):
        return {name: as_float(name, value) for name, value in given.items()}, None
    import xarray as xr

    named = {name: xr.DataArray(value) if np.ndim(value) == 0 else value for name, value in given.items()}
    bare = [name for name, value in named.items() if not labelled([value])]
    if bare:
        message = f"{', '.join(bare)} has no named dimensions; with DataArrays only they and single numbers fit."
        raise ShapeError(message)
    arrays = xr.broadcast(*xr.align(*named.values(), join="exact"))
    plain = {name: as_float(name, array.values) for name, array in zip(named, arrays, strict=True)}
    return plain, xr.DataArray(np.zeros(arrays[0].shape), dims=arrays[0].dims, coords=arrays[0].coords)


def _prediction(
    names: tuple[str, ...], ph: FloatArray, dic: FloatArray, conditions: Mapping[str, Any], constants: Constants
) -> tuple[FloatArray, FloatArray]:
    """Return predicted quantities (..., m) and their slopes by pH and DIC (..., m, 2)."""
    at = solve(ph_total=ph, dic=dic, **conditions, constants=constants, outputs=names)
    partial = derivatives(
        ph_total=ph, dic=dic, **conditions, constants=constants, outputs=names, wrt=("ph_total", "dic")
    )
    predicted = np.stack([at[name] for name in names], axis=-1)
    slope = np.stack([np.stack([partial[name]["ph_total"], partial[name]["dic"]], axis=-1) for name in names], axis=-2)
    return predicted, slope


def _start(
    names: tuple[str, ...], y: FloatArray, covariance: FloatArray, conditions: Mapping[str, Any], constants: Constants
) -> tuple[FloatArray, FloatArray]:
    """Return pH and DIC of the pair that fits all measurements best, member by member."""
    shape = y.shape[:-1]
    ph, dic, best = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.inf)
    sd = np.sqrt(np.diagonal(covariance, axis1=-2, axis2=-1))
    for i, j in combinations(range(len(names)), 2):
        pair: dict[str, Any] = {names[i]: y[..., i], names[j]: y[..., j]}
        state = solve(
            **pair,
            **conditions,
            constants=constants,
            outputs=("ph_total", "dic", *names),
        )
        misfit = np.sum([((y[..., k] - state[name]) / sd[..., k]) ** 2 for k, name in enumerate(names)], axis=0)
        better = misfit < best
        ph, dic = np.where(better, state.ph_total, ph), np.where(better, state.dic, dic)
        best = np.where(better, misfit, best)
    return ph, dic


def _least_squares(
    names: tuple[str, ...],
    y: FloatArray,
    covariance: FloatArray,
    conditions: Mapping[str, Any],
    constants: Constants,
    constants_sd: Mapping[str, float] | None,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return pH, DIC, predicted quantities, slopes and the covariance of the misfit."""
    ph, dic = _start(names, y, covariance, conditions, constants)
    if constants_sd:
        covariance = covariance + _constants_covariance(names, ph, dic, conditions, constants, constants_sd)
    weight = np.linalg.inv(covariance)
    predicted, slope = _prediction(names, ph, dic, conditions, constants)
    for _ in range(_STEPS):
        transposed = np.swapaxes(slope, -1, -2)
        normal = transposed @ weight @ slope
        right = (transposed @ weight @ (y - predicted)[..., None])[..., 0]
        step = np.full(right.shape, np.nan)
        good = np.isfinite(normal).all(axis=(-1, -2)) & np.isfinite(right).all(axis=-1)
        step[good] = np.linalg.solve(normal[good], right[good][..., None])[..., 0]
        # Far-off measurements are approached in bounded steps, so that no step leaves chemistry.
        shrink = np.minimum(1.0, 0.5 / np.maximum(np.abs(step[..., 0]), 1e-300))
        shrink = np.minimum(shrink, 0.3 * dic / np.maximum(np.abs(step[..., 1]), 1e-300))
        ph, dic = ph + shrink * step[..., 0], dic + shrink * step[..., 1]
        predicted, slope = _prediction(names, ph, dic, conditions, constants)
        moving = np.abs(step[..., 0]) > 1e-11
        if not bool(np.any(moving & good)):
            break
    return ph, dic, predicted, slope, covariance


def _constants_covariance(
    names: tuple[str, ...],
    ph: FloatArray,
    dic: FloatArray,
    conditions: Mapping[str, Any],
    constants: Constants,
    constants_sd: Mapping[str, float],
) -> FloatArray:
    """Return the covariance of the predictions that comes from the constants."""
    scale = {
        (f"ln_{key[1:]}" if key.startswith("pk") else f"ln_{key}"): value * (LN10 if key.startswith("pk") else 1.0)
        for key, value in constants_sd.items()
    }
    partial = derivatives(ph_total=ph, dic=dic, **conditions, constants=constants, outputs=names, wrt=tuple(scale))
    rows = np.stack(
        [np.stack([partial[name][key] * s for key, s in scale.items()], axis=-1) for name in names], axis=-2
    )
    return np.asarray(rows @ np.swapaxes(rows, -1, -2))


def _discrepancies(
    names: tuple[str, ...],
    y: FloatArray,
    covariance: FloatArray,
    conditions: Mapping[str, Any],
    constants: Constants,
    shaped: Any,
) -> tuple[Discrepancy, ...]:
    """Return every quantity against every pair of the others."""
    found = []
    for i, j in combinations(range(len(names)), 2):
        pair: dict[str, Any] = {names[i]: y[..., i], names[j]: y[..., j]}
        state = solve(**pair, **conditions, constants=constants, outputs=names)
        partial = derivatives(**pair, **conditions, constants=constants, outputs=names, wrt=(names[i], names[j]))
        for k, name in enumerate(names):
            if k in (i, j):
                continue
            row = np.zeros(y.shape)
            row[..., i], row[..., j], row[..., k] = partial[name][names[i]], partial[name][names[j]], -1.0
            variance = np.einsum("...i,...ij,...j->...", row, covariance, row)
            found.append(
                Discrepancy(
                    quantity=name,
                    pair=(names[i], names[j]),
                    calculated=shaped(state[name]),
                    difference=shaped(state[name] - y[..., k]),
                    sd=shaped(np.sqrt(np.maximum(variance, 0.0))),
                )
            )
    return tuple(found)


def _sentence(names: tuple[str, ...], consistent: Any, p_value: Any, level: float) -> str:
    """Return what the test says, in one sentence."""
    listing = ", ".join(names)
    count = int(np.size(consistent))
    passed = int(np.sum(consistent))
    if count == 1:
        chance = float(np.ravel(p_value)[0])
        if np.isnan(chance):
            return f"No statement on {listing}: a value is missing or has no solution."
        verdict = "agree within their stated uncertainties" if passed else "do not fit together"
        return f"{listing} {verdict} (chance of a misfit this large: {chance:.2g}; level {level:g})."
    return f"{passed} of {count} samples of {listing} agree within their stated uncertainties (level {level:g})."
