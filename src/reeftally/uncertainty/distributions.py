"""Distributions that a term of the uncertainty budget may have, as in JCGM 101.

Here:     centred distributions with their standard uncertainty and a way to draw from them.
Not here: which stream a term draws from (trials.py).
Rules:    every distribution is centred on 0; `sd` is its standard deviation, whatever its width is called.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from reeftally._checks import FloatArray
from reeftally.errors import InputError

__all__ = [
    "Arcsine",
    "CurvilinearTrapezoid",
    "Distribution",
    "Normal",
    "Rectangular",
    "Student",
    "Triangular",
]


class Distribution(Protocol):
    """A centred distribution."""

    @property
    def sd(self) -> float:
        """Standard deviation."""

    def draw(self, generator: np.random.Generator, size: int) -> FloatArray:
        """Return `size` independent draws."""


def _positive(name: str, value: float) -> None:
    if not (np.isfinite(value) and value >= 0.0):
        message = f"{name} is {value}; it needs a finite number, 0 or above."
        raise InputError(message)


@dataclass(frozen=True, slots=True)
class Normal:
    """Gaussian with standard deviation `sd` (JCGM 101, 6.4.7)."""

    sd: float

    def __post_init__(self) -> None:
        _positive("sd", self.sd)

    def draw(self, generator: np.random.Generator, size: int) -> FloatArray:
        """Return `size` independent draws."""
        return self.sd * generator.standard_normal(size)


@dataclass(frozen=True, slots=True)
class Rectangular:
    """Uniform within plus and minus `half_width` (JCGM 101, 6.4.2)."""

    half_width: float

    def __post_init__(self) -> None:
        _positive("half_width", self.half_width)

    @property
    def sd(self) -> float:
        """Standard deviation, half width over the square root of 3."""
        return self.half_width / float(np.sqrt(3.0))

    def draw(self, generator: np.random.Generator, size: int) -> FloatArray:
        """Return `size` independent draws."""
        return self.half_width * (2.0 * generator.random(size) - 1.0)


@dataclass(frozen=True, slots=True)
class Triangular:
    """Symmetric triangle within plus and minus `half_width` (JCGM 101, 6.4.5)."""

    half_width: float

    def __post_init__(self) -> None:
        _positive("half_width", self.half_width)

    @property
    def sd(self) -> float:
        """Standard deviation, half width over the square root of 6."""
        return self.half_width / float(np.sqrt(6.0))

    def draw(self, generator: np.random.Generator, size: int) -> FloatArray:
        """Return `size` independent draws."""
        pair = generator.random((size, 2))
        return self.half_width * (pair[:, 0] + pair[:, 1] - 1.0)


@dataclass(frozen=True, slots=True)
class Arcsine:
    """Arcsine (U-shaped) within plus and minus `half_width`: a sinusoid of unknown phase (JCGM 101, 6.4.6)."""

    half_width: float

    def __post_init__(self) -> None:
        _positive("half_width", self.half_width)

    @property
    def sd(self) -> float:
        """Standard deviation, half width over the square root of 2."""
        return self.half_width / float(np.sqrt(2.0))

    def draw(self, generator: np.random.Generator, size: int) -> FloatArray:
        """Return `size` independent draws."""
        return self.half_width * np.sin(2.0 * np.pi * generator.random(size))


@dataclass(frozen=True, slots=True)
class Student:
    """Scaled t distribution (JCGM 101, 6.4.9): scale `scale`, `degrees` degrees of freedom above 2."""

    scale: float
    degrees: float

    def __post_init__(self) -> None:
        _positive("scale", self.scale)
        if not self.degrees > 2.0:
            message = f"degrees is {self.degrees}; it needs more than 2 for a standard deviation to exist."
            raise InputError(message)

    @property
    def sd(self) -> float:
        """Standard deviation, scale times sqrt(degrees / (degrees - 2))."""
        return self.scale * float(np.sqrt(self.degrees / (self.degrees - 2.0)))

    def draw(self, generator: np.random.Generator, size: int) -> FloatArray:
        """Return `size` independent draws."""
        return self.scale * generator.standard_t(self.degrees, size)


@dataclass(frozen=True, slots=True)
class CurvilinearTrapezoid:
    """Rectangle whose half width is itself known only to plus and minus `width_error` (JCGM 101, 6.4.3)."""

    half_width: float
    width_error: float

    def __post_init__(self) -> None:
        _positive("half_width", self.half_width)
        _positive("width_error", self.width_error)

    @property
    def sd(self) -> float:
        """Standard deviation, sqrt(half_width^2 / 3 + width_error^2 / 9)."""
        return float(np.sqrt(self.half_width**2 / 3.0 + self.width_error**2 / 9.0))

    def draw(self, generator: np.random.Generator, size: int) -> FloatArray:
        """Return `size` independent draws."""
        pair = generator.random((size, 2))
        half = self.half_width - self.width_error + 2.0 * self.width_error * pair[:, 0]
        return half * (2.0 * pair[:, 1] - 1.0)
