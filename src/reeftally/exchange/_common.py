"""What the methods of this room share: reason codes, time factors, gaps.

Here:     the reason bits of a block, their sentences, and small array helpers.
Not here: any flux.
Rules:    a refusing bit empties the value of the block; a doubting bit does not, because leaving out
          blocks by what was measured in them would bias every mean.
"""

from __future__ import annotations

import dataclasses
import enum
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray

__all__ = [
    "DOUBTING",
    "KAPPA",
    "REFUSING",
    "SECONDS_PER_HOUR",
    "Each",
    "FluxEstimate",
    "Reason",
    "assembled",
    "fill_gaps",
    "reason_texts",
    "refused",
    "root_sum_square",
]

SECONDS_PER_HOUR = 3600.0
"""s per h; covariances are in mmol m-2 s-1, fluxes in mmol m-2 h-1."""

Each = Callable[[Callable[[int], Any], Iterable[int]], Iterable[Any]]
"""How a function is called on many pieces, in order: `map`, or the `map` of a pool that the caller owns."""

KAPPA = 0.41
"""von Karman constant. The literature uses 0.40 and 0.41; callers state theirs."""


class Reason(enum.IntFlag):
    """Why a block has no value, or a doubtful one."""

    NONE = 0
    EMPTY = 1
    """Too few usable samples."""
    CONSTANT = 2
    """A channel does not vary."""
    LOW_FRICTION = 4
    """Friction velocity below the floor."""
    SLACK = 8
    """Speed below the floor: travel time and mixing are not defined."""
    WAKE = 16
    """The flow comes through the frame."""
    UNSTEADY = 32
    """The stationarity measure fails by more than the random error allows."""
    IMPOSSIBLE_HEIGHT = 64
    """A height at or below the displacement height, or two equal heights."""
    STRATIFIED = 128
    """Stratification beyond the range of the stability correction."""
    STORAGE = 256
    """Storage between the heights outweighs the flux."""
    BAD_INPUT = 512
    """An input that this block needs is missing or cannot be."""
    LAG_AT_EDGE = 1024
    """The searched lag lies on the edge of the allowed window (doubt)."""
    LAG_SENSITIVE = 2048
    """The flux changes by more than a quarter when the lag is moved by 0.25 s (doubt)."""
    PARTLY_UNSTEADY = 4096
    """Stationarity between good and bad: usable in sums (doubt)."""
    NO_STORAGE = 8192
    """No storage term was given, so the value stands for the measuring height (doubt)."""
    WEAK = 16384
    """The difference or flux is below twice its random error: a bound for this block alone (doubt)."""
    ILL_CONDITIONED = 32768
    """The answer amplifies the measuring error too much: a bound, not a rate (doubt)."""
    UNDEVELOPED = 65536
    """Vertical velocity variance does not fit the friction velocity (doubt)."""


DOUBTING = (
    Reason.LAG_AT_EDGE
    | Reason.LAG_SENSITIVE
    | Reason.PARTLY_UNSTEADY
    | Reason.NO_STORAGE
    | Reason.WEAK
    | Reason.ILL_CONDITIONED
    | Reason.UNDEVELOPED
)
REFUSING = ~DOUBTING

_TEXTS = {
    Reason.EMPTY: "too few usable samples",
    Reason.CONSTANT: "a channel does not vary",
    Reason.LOW_FRICTION: "friction velocity below the floor",
    Reason.SLACK: "speed below the floor",
    Reason.WAKE: "flow through the frame",
    Reason.UNSTEADY: "not stationary",
    Reason.IMPOSSIBLE_HEIGHT: "heights that cannot be",
    Reason.STRATIFIED: "too strongly stratified",
    Reason.STORAGE: "storage outweighs the flux",
    Reason.BAD_INPUT: "an input is missing",
    Reason.LAG_AT_EDGE: "lag at the edge of the allowed window",
    Reason.LAG_SENSITIVE: "flux changes by more than 25 % for 0.25 s of lag",
    Reason.PARTLY_UNSTEADY: "stationary enough for sums only",
    Reason.NO_STORAGE: "without storage term",
    Reason.WEAK: "below twice its random error",
    Reason.ILL_CONDITIONED: "ill-conditioned: a bound only",
    Reason.UNDEVELOPED: "turbulence not well developed",
}


def reason_texts(code: int) -> tuple[str, ...]:
    """Return the sentences of the reason bits set in `code`, refusing ones first."""
    return tuple(text for bit, text in _TEXTS.items() if int(code) & bit)


def refused(code: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Return where `code` holds a refusing bit."""
    return np.asarray((np.asarray(code, dtype=np.int64) & int(~int(DOUBTING))) != 0)


def root_sum_square(*parts: npt.ArrayLike) -> FloatArray:
    """Return the root of the sum of squares of independent parts (broadcast)."""
    total: FloatArray = np.zeros(np.broadcast_shapes(*(np.shape(part) for part in parts)))
    for part in parts:
        total = total + np.asarray(part, dtype=np.float64) ** 2
    return np.asarray(np.sqrt(total))


def fill_gaps(values: FloatArray) -> FloatArray:
    """Return `values` with NaN bridged linearly along the last axis (ends held; all-NaN rows become 0)."""
    bad = ~np.isfinite(values)
    if not bad.any():
        return values
    filled = values.copy()
    flat, mask = filled.reshape(-1, filled.shape[-1]), bad.reshape(-1, filled.shape[-1])
    index = np.arange(filled.shape[-1])
    for row in np.flatnonzero(mask.any(axis=1)):
        good = ~mask[row]
        flat[row, ~good] = np.interp(index[~good], index[good], flat[row, good]) if good.any() else 0.0
    return filled


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class FluxEstimate:
    """What every method other than covariance and gradient returns; arrays are one value a period."""

    value: FloatArray
    """Flux into the water; NaN where refused. [mmol m-2 h-1]"""
    random_sd: FloatArray
    """[mmol m-2 h-1]"""
    systematic_sd: FloatArray
    """[mmol m-2 h-1]"""
    budget: dict[str, FloatArray]
    """Standard uncertainty by cause. [mmol m-2 h-1]"""
    reason: npt.NDArray[np.int64]
    """Bits of `Reason`."""
    hours: FloatArray
    """Time that the value stands for. [h]"""
    area: FloatArray
    """Bed that the value stands for; NaN where the method cannot tell. [m2]"""
    n: npt.NDArray[np.int64]
    """Readings used."""
    parts: dict[str, FloatArray] = dataclasses.field(default_factory=dict)
    """Terms that add to the value, by name. [mmol m-2 h-1]"""


def assembled(
    *,
    value: npt.ArrayLike,
    random: dict[str, npt.ArrayLike],
    systematic: dict[str, npt.ArrayLike],
    reason: npt.ArrayLike,
    hours: npt.ArrayLike,
    area: npt.ArrayLike = np.nan,
    n: npt.ArrayLike = 0,
    parts: dict[str, npt.ArrayLike] | None = None,
) -> FluxEstimate:
    """Return a `FluxEstimate` whose parts are summed in quadrature and emptied where refused."""
    amount = np.asarray(value, dtype=np.float64)
    code = np.array(np.broadcast_to(np.asarray(reason, dtype=np.int64), amount.shape))
    code = np.where(~np.isfinite(amount) & ~refused(code), code | int(Reason.BAD_INPUT), code)
    out = refused(code)

    def empty(given: npt.ArrayLike) -> FloatArray:
        return np.where(out, np.nan, np.abs(np.broadcast_to(np.asarray(given, dtype=np.float64), amount.shape)))

    causes = {name: empty(part) for name, part in {**random, **systematic}.items()}
    return FluxEstimate(
        value=np.where(out, np.nan, amount),
        random_sd=root_sum_square(*(causes[name] for name in random)) if random else empty(0.0),
        systematic_sd=root_sum_square(*(causes[name] for name in systematic)) if systematic else empty(0.0),
        budget=causes,
        reason=code,
        hours=np.array(np.broadcast_to(np.asarray(hours, dtype=np.float64), amount.shape)),
        area=np.array(np.broadcast_to(np.asarray(area, dtype=np.float64), amount.shape)),
        n=np.array(np.broadcast_to(np.asarray(n, dtype=np.int64), amount.shape)),
        parts={
            name: np.array(np.broadcast_to(np.asarray(part, dtype=np.float64), amount.shape))
            for name, part in (parts or {}).items()
        },
    )
