"""Derivatives and first-order uncertainty of the carbonate system.

Here:     `derivatives` of every output by every input and constant, from the solved system;
          `propagate`, the law of propagation with correlated inputs and uncertain constants.
Not here: Monte Carlo (`uncertainty`), over-determined samples (`consistency`).
Rules:    random and systematic parts stay apart; the constants are systematic.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from reeftally._checks import FloatArray, as_float, one_of
from reeftally.errors import InputError, ShapeError
from reeftally.seawater._carbonate_names import INPUTS, OUTPUTS, STANDARD_OUTPUTS, CarbonateState
from reeftally.seawater._carbonate_solve import DEFAULT_CONSTANTS, labelled, solve
from reeftally.seawater._constants_sets import Constants
from reeftally.seawater._kernels_acid import LN10
from reeftally.seawater._kernels_dual import LN_PARAMETERS, Dual, state

__all__ = ["ORR2018", "Propagated", "derivatives", "propagate"]

MINOR = ("phosphate", "silicate", "ammonium", "sulfide")

# Standard uncertainties of the constants as pK, and of total boron and calcium as a fraction:
# Orr, Epitalon, Dickson and Gattuso 2018, Marine Chemistry 207, 84, table of assumed standard
# uncertainties (from memory).
ORR2018: Mapping[str, float] = {
    "pk0": 0.002,
    "pk1": 0.0075,
    "pk2": 0.015,
    "pkb": 0.01,
    "pkw": 0.01,
    "pksp_aragonite": 0.02,
    "pksp_calcite": 0.02,
    "total_boron": 0.02,
}

# States differentiated at a time, so that gradients stay in the cache.
_CHUNK = 1024


def _input_names(given: Mapping[str, Any]) -> tuple[str, str]:
    """Return the names of the two carbonate quantities given (their number was checked)."""
    first, second = (name for name in INPUTS if given.get(name) is not None)
    return first, second


def _parameters(pair: tuple[str, str], moved: Mapping[str, Any]) -> tuple[str, ...]:
    """Return all parameters by which can be differentiated."""
    extra = tuple(name for name in ("temperature_out", "pressure_out") if moved[name] is not None)
    return (*pair, "temperature", "salinity", "pressure", *MINOR, "air_pressure", *extra, *LN_PARAMETERS)


def derivatives(
    *,
    wrt: Sequence[str] | None = None,
    outputs: Sequence[str] | None = None,
    temperature: Any,
    salinity: Any,
    pressure: Any = 0.0,
    phosphate: Any = 0.0,
    silicate: Any = 0.0,
    ammonium: Any = 0.0,
    sulfide: Any = 0.0,
    air_pressure: Any = 1013.25,
    temperature_out: Any = None,
    pressure_out: Any = None,
    constants: Constants = DEFAULT_CONSTANTS,
    root: str = "seawater",
    **pair: Any,
) -> dict[str, dict[str, Any]]:
    """Return the partial derivatives of the results of `solve`.

    Parameters
    ----------
    wrt : sequence of str, optional
        Parameters to differentiate by. Default: all of the two carbonate quantities,
        ``temperature``, ``salinity``, ``pressure``, the minor totals, ``air_pressure``,
        ``temperature_out`` and ``pressure_out`` where given, and the natural logarithms
        ``ln_k0 ln_k1 ln_k2 ln_kb ln_kw ln_ks ln_kf ln_kp1 ln_kp2 ln_kp3 ln_ksi ln_knh4 ln_kh2s
        ln_ksp_aragonite ln_ksp_calcite ln_total_boron ln_calcium``.
    outputs : sequence of str, optional
        Results to differentiate. Default: all down to `omega_alk`.
    **pair : array-like or DataArray
        The two carbonate quantities, and all else, as for `solve`.

    Returns
    -------
    dict of dict
        ``result[output][parameter]``: float, array of the broadcast shape or DataArray. [unit of
        the output per unit of the parameter] NaN where the state has no value.

    Raises
    ------
    As `solve`.

    Notes
    -----
    With z = (ln[H+], DIC) and the two quantities q = g(z, p), the implicit function theorem
    gives dz/dq = (dg/dz)^-1 and dz/dp = -(dg/dz)^-1 dg/dp; every partial derivative of g and of
    the outputs is exact (`_kernels_dual`). A constant changes by the same fraction at the
    conditions of measurement and of the results. `temperature` also moves the results unless
    `temperature_out` is given.
    """
    names = tuple(STANDARD_OUTPUTS if outputs is None else dict.fromkeys(outputs))
    fixed = {
        "temperature": temperature,
        "salinity": salinity,
        "pressure": pressure,
        "phosphate": phosphate,
        "silicate": silicate,
        "ammonium": ammonium,
        "sulfide": sulfide,
        "air_pressure": air_pressure,
    }
    out = {"temperature_out": temperature_out, "pressure_out": pressure_out}
    # The state at the conditions of measurement; this also checks every argument.
    at_input = solve(**pair, **fixed, constants=constants, root=root, outputs=("ph_total", "dic"))
    given = _input_names(pair)
    known = _parameters(given, out)
    chosen = known if wrt is None else tuple(one_of("wrt", name, known) for name in wrt)
    for name in names:
        one_of("outputs", name, OUTPUTS)
    moved = {name: value for name, value in out.items() if value is not None}
    values = [at_input.ph_total, at_input.dic, *fixed.values(), *moved.values()]
    keys = ("ph", "dic", *fixed, *moved)

    def on_arrays(*given_parts: Any) -> Any:
        arrays = [as_float(key, part) for key, part in zip(keys, given_parts, strict=True)]
        shape = np.broadcast_shapes(*(a.shape for a in arrays))
        lines = {key: np.broadcast_to(a, shape).reshape(-1) for key, a in zip(keys, arrays, strict=True)}
        jacobian = _jacobian(lines, given, chosen, names, constants)
        parts = tuple(jacobian.reshape(-1, *shape))
        return parts if len(parts) != 1 else parts[0]

    if labelled(values):
        import xarray as xr

        flat = xr.apply_ufunc(on_arrays, *values, output_core_dims=[[]] * (len(names) * len(chosen)), join="exact")
        flat = flat if isinstance(flat, tuple) else (flat,)
    else:
        flat = on_arrays(*values)
        flat = flat if isinstance(flat, tuple) else (flat,)
        if flat and np.ndim(flat[0]) == 0:
            flat = tuple(float(value) for value in flat)
    width = len(chosen)
    return {
        name: dict(zip(chosen, flat[row * width : (row + 1) * width], strict=True)) for row, name in enumerate(names)
    }


def _jacobian(
    lines: Mapping[str, FloatArray],
    given: tuple[str, str],
    chosen: Sequence[str],
    names: Sequence[str],
    constants: Constants,
) -> FloatArray:
    """Return derivatives (output, parameter, state), piece by piece."""
    size = lines["ph"].size
    result = np.empty((len(names), len(chosen), size))
    with np.errstate(all="ignore"):
        for begin in range(0, size, _CHUNK):
            part = slice(begin, begin + _CHUNK)
            piece = {key: line[part] for key, line in lines.items()}
            result[:, :, part] = _jacobian_piece(piece, given, chosen, names, constants)
    return result


def _jacobian_piece(
    piece: Mapping[str, FloatArray],
    given: tuple[str, str],
    chosen: Sequence[str],
    names: Sequence[str],
    constants: Constants,
) -> FloatArray:
    """Return derivatives (output, parameter, state) of one piece."""
    size = piece["ph"].size
    explicit = [name for name in chosen if name not in given]
    width = 3 + len(explicit)  # ln[H+], DIC, ln[H+] at the conditions of the results, the rest

    def seed(value: Any, position: int | None) -> Dual:
        gradient = np.zeros((width, size))
        if position is not None:
            gradient[position] = 1.0
        return Dual(np.broadcast_to(value, (size,)), gradient)

    def parameter(name: str, value: Any, scale: float = 1.0) -> Dual:
        variable = seed(value, 3 + explicit.index(name) if name in explicit else None)
        return variable if scale == 1.0 else variable * scale

    base = {name: parameter(name, piece[name]) for name in ("temperature", "salinity", "pressure")}
    common: dict[str, Any] = {
        "salinity": base["salinity"],
        "minor": {name: parameter(name, piece[name], 1e-6) for name in MINOR},
        "air_pressure": parameter("air_pressure", piece["air_pressure"]),
        "bump": {name: parameter(name, 0.0) for name in LN_PARAMETERS},
        "sets": constants.codes(),
    }
    u = -LN10 * piece["ph"]
    dic = seed(piece["dic"], 1) * 1e-6
    moved = "temperature_out" in piece or "pressure_out" in piece
    wanted = dict.fromkeys((*given, "total_alkalinity")) if moved else dict.fromkeys((*given, *names))
    at_input = state(
        u=seed(u, 0),
        dic=dic,
        temperature=base["temperature"],
        pressure=base["pressure"],
        names=wanted,
        **common,
    )
    # Rows of dg/dz, columns ln[H+] and DIC.
    g1, g2 = at_input[given[0]].gradient, at_input[given[1]].gradient
    determinant = g1[0] * g2[1] - g1[1] * g2[0]
    dz = np.zeros((2, len(chosen), size))
    rest = np.zeros((width, len(chosen), size))
    for column, name in enumerate(chosen):
        if name in given:
            r1, r2 = (1.0, 0.0) if name == given[0] else (0.0, 1.0)
        else:
            position = 3 + explicit.index(name)
            rest[position, column] = 1.0
            r1, r2 = -g1[position], -g2[position]
        dz[0, column] = (g2[1] * r1 - g1[1] * r2) / determinant
        dz[1, column] = (g1[0] * r2 - g2[0] * r1) / determinant
    rest[0], rest[1] = dz[0], dz[1]
    results = at_input
    if moved:
        temperature = (
            parameter("temperature_out", piece["temperature_out"])
            if "temperature_out" in piece
            else base["temperature"]
        )
        pressure = parameter("pressure_out", piece["pressure_out"]) if "pressure_out" in piece else base["pressure"]
        alkalinity = at_input["total_alkalinity"]
        there = solve(
            total_alkalinity=alkalinity.value,
            dic=piece["dic"],
            temperature=temperature.value,
            pressure=pressure.value,
            salinity=piece["salinity"],
            phosphate=piece["phosphate"],
            silicate=piece["silicate"],
            ammonium=piece["ammonium"],
            sulfide=piece["sulfide"],
            constants=constants,
            outputs=("ph_total",),
        )
        results = state(
            u=seed(-LN10 * there.ph_total, 2),
            dic=dic,
            temperature=temperature,
            pressure=pressure,
            names=dict.fromkeys((*names, "total_alkalinity")),
            **common,
        )
        # Alkalinity is kept: what changes it there by the other variables, ln[H+] makes good.
        before = np.einsum("wn,wcn->cn", alkalinity.gradient, rest)
        after = np.einsum("wn,wcn->cn", results["total_alkalinity"].gradient, rest)
        rest[2] = (before - after) / results["total_alkalinity"].gradient[2]
        rest[0] = 0.0
    return np.stack([np.einsum("wn,wcn->cn", results[name].gradient, rest) for name in names])


@dataclass(frozen=True, slots=True, kw_only=True)
class Propagated:
    """Standard uncertainties of the results of `solve`, random and systematic parts apart."""

    state: CarbonateState
    """The solved state."""
    sd: dict[str, Any]
    """Combined standard uncertainty by output. [unit of the output]"""
    random_sd: dict[str, Any]
    """Random part by output."""
    systematic_sd: dict[str, Any]
    """Systematic part by output, constants included."""
    contributions: dict[str, dict[str, Any]]
    """By output and source, the uncertainty that this source alone would give; systematic ones
    of an input carry the suffix `_systematic`."""


def _covariance_terms(parts: Mapping[str, Any], correlation: Mapping[tuple[str, str], float] | None) -> Any:
    """Return the variance of the sum of correlated `parts` (derivative times uncertainty)."""
    total: Any = 0.0
    for part in parts.values():
        total = total + part * part
    for (one, other), rho in (correlation or {}).items():
        if one in parts and other in parts:
            total = total + 2.0 * rho * parts[one] * parts[other]
    return total


def _check_correlation(what: str, names: Sequence[str], correlation: Mapping[tuple[str, str], float] | None) -> None:
    """Refuse unknown names and correlations that no variables can have."""
    matrix = np.eye(len(names))
    for (one, other), rho in (correlation or {}).items():
        if one not in names or other not in names or one == other:
            message = f"{what} names ({one}, {other}); both must be among: {', '.join(names)}."
            raise InputError(message)
        matrix[names.index(one), names.index(other)] = matrix[names.index(other), names.index(one)] = rho
    if names and np.linalg.eigvalsh(matrix).min() < -1e-12:
        message = f"{what} is not a possible set of correlations: {dict(correlation or {})}."
        raise InputError(message)


def _size(value: Any) -> Any:
    """Return the absolute value; a float for a single number."""
    size = abs(value)
    return float(size) if np.ndim(size) == 0 and not labelled([size]) else size


def _root(value: Any) -> Any:
    """Return the square root, rounding of a zero variance below zero taken as zero."""
    array = np.sqrt(np.maximum(value, 0.0)) if not labelled([value]) else value.clip(min=0.0) ** 0.5
    return float(array) if np.ndim(array) == 0 and not labelled([array]) else array


def propagate(
    *,
    sd: Mapping[str, Any],
    systematic_sd: Mapping[str, Any] | None = None,
    constants_sd: Mapping[str, float] | None = None,
    correlation: Mapping[tuple[str, str], float] | None = None,
    systematic_correlation: Mapping[tuple[str, str], float] | None = None,
    outputs: Sequence[str] | None = None,
    **state_of: Any,
) -> Propagated:
    """Return first-order standard uncertainties of the results of `solve`.

    Parameters
    ----------
    sd : mapping of str to array-like
        Random standard uncertainties of inputs: the two carbonate quantities, ``temperature``,
        ``salinity``, ``pressure``, minor totals, ``air_pressure``, ``temperature_out``,
        ``pressure_out``. [unit of the input]
    systematic_sd : mapping of str to array-like, optional
        Systematic standard uncertainties of inputs.
    constants_sd : mapping of str to float, optional
        Of the constants, as pK (``pk0 pk1 pk2 pkb pkw pks pkf pkp1 pkp2 pkp3 pksi pknh4 pkh2s
        pksp_aragonite pksp_calcite``) and as fractions of ``total_boron`` and ``calcium``.
        Default: `ORR2018`. Give an empty mapping for none.
    correlation, systematic_correlation : mapping of (str, str) to float, optional
        Correlation coefficients of the random errors, and of the systematic errors (of inputs
        and of constants, by their names above). A pair not named is uncorrelated.
    outputs : sequence of str, optional
        Results wanted. Default: all down to `omega_alk`.
    **state_of
        The arguments of `solve`.

    Returns
    -------
    Propagated
        Shapes as those of `solve`. NaN where the state has no value.

    Raises
    ------
    InputError
        If an uncertainty is below zero, a name is unknown or correlations are impossible; else
        as `solve`.

    Notes
    -----
    u²(y) = sum_ij (dy/dx_i)(dy/dx_j) u_i u_j r_ij: JCGM 100:2008, eq. 13; Orr et al. 2018,
    Marine Chemistry 207, 84.
    """
    constant_parts = dict(ORR2018 if constants_sd is None else constants_sd)
    systematic = dict(systematic_sd or {})
    for what, mapping in (("sd", sd), ("systematic_sd", systematic), ("constants_sd", constant_parts)):
        for name, value in mapping.items():
            if not labelled([value]) and bool(np.any(as_float(f"{what}[{name}]", value) < 0.0)):
                message = f"{what}[{name}] is below zero; a standard uncertainty cannot be."
                raise InputError(message)
    by_constant: dict[str, tuple[str, float]] = {}
    for name in constant_parts:
        parameter, factor = (f"ln_{name[1:]}", LN10) if name.startswith("pk") else (f"ln_{name}", 1.0)
        one_of("constants_sd", parameter, LN_PARAMETERS)
        by_constant[name] = (parameter, factor)
    _check_correlation("correlation", tuple(sd), correlation)
    _check_correlation("systematic_correlation", (*systematic, *constant_parts), systematic_correlation)
    names = tuple(STANDARD_OUTPUTS if outputs is None else dict.fromkeys(outputs))
    needed = dict.fromkeys((*sd, *systematic, *(p for p, _ in by_constant.values())))
    solved = solve(**state_of, outputs=names)
    partial = derivatives(**state_of, wrt=tuple(needed), outputs=names)
    result = Propagated(state=solved, sd={}, random_sd={}, systematic_sd={}, contributions={})
    for name in names:
        row = partial[name]
        try:
            random_parts = {key: row[key] * value for key, value in _arrays(sd).items()}
            systematic_parts = {key: row[key] * value for key, value in _arrays(systematic).items()}
        except ValueError as error:
            message = "The uncertainties do not broadcast with the state."
            raise ShapeError(message) from error
        for key, (parameter, factor) in by_constant.items():
            # A pK rises as ln K falls: the sign matters only for correlations with other errors.
            sign = -1.0 if key.startswith("pk") else 1.0
            systematic_parts[key] = row[parameter] * (sign * factor * constant_parts[key])
        random_variance = _covariance_terms(random_parts, correlation)
        systematic_variance = _covariance_terms(systematic_parts, systematic_correlation)
        # Where nothing was given, keep the shape and the NaN of the state.
        empty = 0.0 * solved[name]
        result.random_sd[name] = _root(random_variance + empty)
        result.systematic_sd[name] = _root(systematic_variance + empty)
        result.sd[name] = _root(random_variance + systematic_variance + empty)
        result.contributions[name] = {key: abs(part) for key, part in random_parts.items()} | {
            f"{key}_systematic" if key in systematic else key: abs(part) for key, part in systematic_parts.items()
        }
    return result


def _arrays(mapping: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values as float arrays, DataArrays as they are."""
    return {key: value if labelled([value]) else as_float(key, value) for key, value in mapping.items()}
