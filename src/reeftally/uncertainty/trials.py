"""Trials per JCGM 101: which term is drawn from which stream, so that nothing else can change it.

Here:     `Trials`, a numbered set of Monte Carlo trials with named systematic terms (one draw a trial for the
          whole mission) and named random terms (one draw a trial and block), and `collect`, which runs a
          model on them batch by batch.
Not here: summaries (summaries.py), shares of the variance (budget.py), what the terms are (mission book).
Rules:    every draw is fixed by (seed, term name, block, trial number) alone. Adding, dropping or reordering
          terms, blocks, batches or workers never changes another draw.

How: each term's key comes from a `numpy.random.SeedSequence` of the seed and a hash of its name; the key
drives the counter-based generator Philox, whose counter holds the block and the chunk of 1000 trials. Streams
with different counters cannot overlap.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float
from reeftally.errors import InputError, ShapeError
from reeftally.uncertainty.distributions import Distribution, Normal

__all__ = ["CHUNK", "Trials", "collect"]

CHUNK = 1000
"""Trials drawn together; batches start at multiples of it."""

_KEEP = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trials:
    """A range of numbered trials that share one seed.

    Parameters
    ----------
    seed : int
        Seed of the whole analysis, 0 or above.
    size : int
        Number of trials in the whole set.
    start, stop : int, optional
        The trials this object stands for; default all. `start` is a multiple of `CHUNK`.

    Notes
    -----
    Methods return arrays whose first axis is the trial. `without`, `without_random`,
    `without_systematic` and `redrawn` give the same trials with some terms held at their mean or drawn
    anew; everything else stays as it was, number for number.
    """

    seed: int
    size: int
    start: int = 0
    stop: int | None = None
    frozen: frozenset[str] = frozenset()
    """Names of terms held at 0."""
    frozen_kinds: frozenset[str] = frozenset()
    """Kinds of terms ("systematic", "random") held at 0."""
    redraw: Mapping[str, int] = field(default_factory=dict)
    """Number of the fresh draw by term name; "*systematic" and "*random" stand for all of a kind."""

    def __post_init__(self) -> None:
        if self.seed < 0:
            message = f"seed is {self.seed}; it needs a whole number, 0 or above."
            raise InputError(message)
        if self.size < 1:
            message = f"size is {self.size}; it needs at least 1 trial."
            raise InputError(message)
        if self.start % CHUNK:
            message = f"start is {self.start}; it needs a multiple of {CHUNK}."
            raise InputError(message)
        if not 0 <= self.start < self._stop <= self.size:
            message = f"Trials {self.start} to {self._stop} are not among 0 to {self.size}."
            raise InputError(message)

    @property
    def _stop(self) -> int:
        return self.size if self.stop is None else self.stop

    @property
    def count(self) -> int:
        """Number of trials this object stands for."""
        return self._stop - self.start

    def batches(self, *, batch_size: int = CHUNK) -> Iterator[Trials]:
        """Yield these trials in consecutive parts of about `batch_size` (rounded up to whole chunks)."""
        step = max(1, -(-batch_size // CHUNK)) * CHUNK
        for first in range(self.start, self._stop, step):
            yield replace(self, start=first, stop=min(first + step, self._stop))

    def without(self, *names: str) -> Trials:
        """Return the same trials with the named terms held at 0."""
        return replace(self, frozen=self.frozen | set(names))

    def without_random(self) -> Trials:
        """Return the same trials with every random term held at 0: the systematic part alone."""
        return replace(self, frozen_kinds=self.frozen_kinds | {"random"})

    def without_systematic(self) -> Trials:
        """Return the same trials with every systematic term held at 0: the random part alone."""
        return replace(self, frozen_kinds=self.frozen_kinds | {"systematic"})

    def redrawn(self, *names: str, number: int = 1) -> Trials:
        """Return the same trials with the named terms drawn anew.

        "*random" and "*systematic" stand for all terms of that kind. `number` above 0 picks
        which fresh draw.
        """
        if number < 1:
            message = f"number is {number}; a fresh draw has a number of 1 or above."
            raise InputError(message)
        return replace(self, redraw={**self.redraw, **dict.fromkeys(names, number)})

    def systematic(self, name: str, *, distribution: Distribution | float) -> FloatArray:
        """Draw a systematic term: one value a trial for the whole mission.

        Parameters
        ----------
        name : str
            Name of the term; it alone decides the stream.
        distribution : Distribution or float
            Centred distribution, or the standard deviation of a normal one. [unit of the term]

        Returns
        -------
        float64 array, shape (count,)
        """
        shape = _as_distribution(distribution)
        return self._stream(name, "systematic", block=0, draw=shape.draw)

    def systematic_group(self, names: Sequence[str], *, covariance: npt.ArrayLike) -> dict[str, FloatArray]:
        """Draw normal systematic terms that belong together.

        Parameters
        ----------
        names : sequence of str, length k
            Names of the terms.
        covariance : array-like, shape (k, k)
            Their covariance matrix; positive semi-definite. [product of units]

        Returns
        -------
        dict of name to float64 array, shape (count,)

        Raises
        ------
        InputError
            The matrix is not symmetric or not positive semi-definite, or a name comes twice.

        Notes
        -----
        Each name has its own standard normal stream and the lower triangular factor mixes them, so a
        term added at the end of the group leaves the earlier ones as they were. A frozen term
        holds its own stream at 0; what it shares with the terms before it goes on.
        """
        if len(set(names)) != len(names):
            message = f"names {list(names)} hold one name twice; each term needs its own."
            raise InputError(message)
        factor = lower_factor(covariance)
        if factor.shape[0] != len(names):
            message = f"covariance has shape {factor.shape} but there are {len(names)} names."
            raise ShapeError(message)
        unit = [self.systematic(name, distribution=Normal(1.0)) for name in names]
        drawn: dict[str, FloatArray] = {}
        for row, name in enumerate(names):
            value = np.zeros(self.count)
            for column in range(row + 1):
                value = value + factor[row, column] * unit[column]
            drawn[name] = value
        return drawn

    def random(self, name: str, *, block: int, distribution: Distribution | float) -> FloatArray:
        """Draw a random term for one block: one value a trial, independent of every other block.

        Parameters
        ----------
        name : str
            Name of the term.
        block : int
            Number of the block, 0 or above; the start of the block in nanoseconds serves well, since
            it does not depend on which other blocks exist.
        distribution : Distribution or float
            Centred distribution, or the standard deviation of a normal one. [unit of the term]

        Returns
        -------
        float64 array, shape (count,)
        """
        if block < 0:
            message = f"block is {block}; it needs a whole number, 0 or above."
            raise InputError(message)
        shape = _as_distribution(distribution)
        return self._stream(name, "random", block=int(block), draw=shape.draw)

    def random_blocks(
        self,
        name: str,
        *,
        blocks: npt.ArrayLike,
        sd: npt.ArrayLike,
        autocorrelation: npt.ArrayLike | None = None,
    ) -> FloatArray:
        """Draw a normal random term for many blocks.

        Parameters
        ----------
        name : str
            Name of the term.
        blocks : array-like of int, shape (m,)
            Numbers of the blocks, as in `random`.
        sd : array-like, shape () or (m,)
            Standard deviation in each block; NaN gives NaN. [unit of the term]
        autocorrelation : array-like, shape () or (m,), optional
            Correlation of each block with the one before it in `blocks` (first order). Without it the
            blocks are independent. With it the draws depend on the list of blocks, so give a whole period.

        Returns
        -------
        float64 array, shape (count, m)
        """
        numbers = np.asarray(blocks)
        if numbers.ndim != 1 or not np.issubdtype(numbers.dtype, np.integer):
            message = f"blocks has shape {numbers.shape} and type {numbers.dtype}; it needs a list of whole numbers."
            raise ShapeError(message)
        spread = np.broadcast_to(as_float("sd", sd), numbers.shape)
        out = np.empty((self.count, numbers.size))
        unit = Normal(1.0)
        for column, number in enumerate(numbers.tolist()):
            out[:, column] = self.random(name, block=number, distribution=unit)
        if autocorrelation is not None:
            phi = np.broadcast_to(as_float("autocorrelation", autocorrelation), numbers.shape)
            if np.any(np.abs(phi) > 1.0):
                message = "autocorrelation holds a value outside -1 to 1."
                raise InputError(message)
            rest = np.sqrt(1.0 - phi * phi)
            for column in range(1, numbers.size):
                out[:, column] = phi[column] * out[:, column - 1] + rest[column] * out[:, column]
        out *= spread
        return out

    def _stream(
        self, name: str, kind: str, *, block: int, draw: Callable[[np.random.Generator, int], FloatArray]
    ) -> FloatArray:
        if name in self.frozen or kind in self.frozen_kinds:
            return np.zeros(self.count)
        number = self.redraw.get(name, self.redraw.get(f"*{kind}", _KEEP))
        key = _key(self.seed, kind, name, number)
        out = np.empty(self.count)
        for first in range(self.start, self._stop, CHUNK):
            last = min(first + CHUNK, self._stop)
            counter = np.array([0, 0, first // CHUNK, block], dtype=np.uint64)
            generator = np.random.Generator(np.random.Philox(key=key, counter=counter))
            # A whole chunk is drawn even where fewer are wanted: some distributions draw in an order
            # that depends on the number asked for.
            out[first - self.start : last - self.start] = draw(generator, CHUNK)[: last - first]
        return out


def collect(trials: Trials, model: Callable[[Trials], npt.ArrayLike], *, batch_size: int = CHUNK) -> FloatArray:
    """Run `model` on the trials in batches and stack what it returns.

    Parameters
    ----------
    trials : Trials
        The trials to run.
    model : callable
        Takes a batch of trials and returns an array whose first axis is the trial.
    batch_size : int, default 1000
        Trials a batch; decides the memory used, never the numbers.

    Returns
    -------
    float64 array, shape (count, ...)
    """
    out: FloatArray = np.empty(0)
    for batch in trials.batches(batch_size=batch_size):
        part = as_float("the model's result", model(batch))
        if part.ndim == 0 or part.shape[0] != batch.count:
            message = f"The model returned shape {part.shape} for {batch.count} trials; the first axis is the trial."
            raise ShapeError(message)
        if batch.start == trials.start:
            out = np.empty((trials.count, *part.shape[1:]))
        first = batch.start - trials.start
        out[first : first + batch.count] = part
    return out


def lower_factor(covariance: npt.ArrayLike) -> FloatArray:
    """Lower triangular factor of a positive semi-definite matrix (Cholesky, zero pivots allowed).

    Raises
    ------
    InputError
        The matrix is not square, not symmetric or has a negative eigenvalue beyond rounding.
    """
    matrix = as_float("covariance", covariance)
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1]:
        message = f"covariance has shape {matrix.shape}; it needs a square matrix."
        raise ShapeError(message)
    scale = np.sqrt(np.abs(np.diag(matrix)))
    tolerance = 1e-10 * np.outer(scale, scale)
    if not np.all(np.isfinite(matrix)) or np.any(np.abs(matrix - matrix.T) > tolerance):
        message = "covariance holds a missing number or is not symmetric."
        raise InputError(message)
    size = matrix.shape[0]
    factor = np.zeros((size, size))
    for row in range(size):
        for column in range(row):
            rest = matrix[row, column] - factor[row, :column] @ factor[column, :column]
            pivot = factor[column, column]
            if pivot > 0.0:
                factor[row, column] = rest / pivot
            elif abs(rest) > 1e-8 * scale[row] * scale[column]:
                message = "covariance is not positive semi-definite; check the correlations."
                raise InputError(message)
        left = matrix[row, row] - factor[row, :row] @ factor[row, :row]
        if left < -1e-10 * matrix[row, row] or matrix[row, row] < 0.0:
            message = "covariance is not positive semi-definite; check the correlations."
            raise InputError(message)
        factor[row, row] = np.sqrt(left) if left > 1e-12 * matrix[row, row] else 0.0
    return factor


def _as_distribution(distribution: Distribution | float) -> Distribution:
    if isinstance(distribution, (int, float)):
        return Normal(float(distribution))
    return distribution


def _key(seed: int, kind: str, name: str, number: int) -> npt.NDArray[np.uint64]:
    digest = hashlib.sha256(f"{kind}\x00{name}".encode()).digest()
    words = [int.from_bytes(digest[i : i + 4], "little") for i in range(0, 32, 4)]
    return np.random.SeedSequence([seed, number, *words]).generate_state(2, np.uint64).astype(np.uint64)
