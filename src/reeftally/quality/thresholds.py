"""Thresholds of the tests: from physics, from the instrument's stated noise and from the record itself.

Here:     sensor and user spans for each quantity, spike and flat-line limits of one record.
Not here: the tests (`qartod`); a site's own limits (mission book).
Rules:    a span from the mission book always wins; every default names its ground.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reeftally._checks import FloatArray

__all__ = ["SPANS", "Span", "flat_count", "spike_limits"]


@dataclass(frozen=True, slots=True)
class Span:
    """What a sensor can give, and what a reef's water can be."""

    sensor: tuple[float, float]
    user: tuple[float, float]


# Sensor spans: common ranges of the instrument kinds (common practice, no source). User spans: warm shallow reefs,
# wide enough for a still night in a lagoon and a noon over dense algae (common practice, no source).
SPANS: dict[str, Span] = {
    "temperature": Span((-2.0, 45.0), (10.0, 38.0)),
    "salinity": Span((0.0, 45.0), (20.0, 42.0)),
    "pressure": Span((-5.0, 12000.0), (-1.0, 500.0)),
    "absolute_pressure": Span((0.0, 12000.0), (9.0, 500.0)),
    "oxygen": Span((-5.0, 700.0), (5.0, 450.0)),
    "oxygen_molar": Span((-5.0, 700.0), (5.0, 450.0)),
    "ph_total": Span((6.0, 9.5), (7.2, 8.8)),
    "ph_free": Span((6.0, 9.7), (7.2, 9.0)),
    "ph_seawater": Span((6.0, 9.5), (7.2, 8.8)),
    "ph_nbs": Span((6.0, 9.7), (7.2, 9.0)),
    "ph_total_internal": Span((6.0, 9.5), (7.2, 8.8)),
    "ph_total_external": Span((6.0, 9.5), (7.2, 8.8)),
    "fco2": Span((0.0, 5000.0), (80.0, 2000.0)),
    "pco2": Span((0.0, 5000.0), (80.0, 2000.0)),
    "xco2": Span((0.0, 5000.0), (80.0, 2000.0)),
    "delta13c_dic": Span((-60.0, 30.0), (-10.0, 6.0)),
    "par": Span((-5.0, 3000.0), (-2.0, 2500.0)),
    "wind_speed": Span((0.0, 75.0), (0.0, 40.0)),
    "air_pressure": Span((850.0, 1100.0), (920.0, 1060.0)),
    "air_co2": Span((200.0, 1500.0), (300.0, 700.0)),
    "speed": Span((0.0, 5.0), (0.0, 2.5)),
}


def spike_limits(*, values: FloatArray, noise_sd: float) -> tuple[float, float]:
    """Suspect and fail limits of the spike test for one record.

    The distance of a noisy point from the mean of its neighbours has a standard deviation of 1.22 times the
    noise (variance 1 + 1/2). Natural variability adds to it; its robust size (1.4826 times the median absolute
    deviation) is taken from the record. Five of these is suspect, ten fails (common practice, no source).
    """
    finite = np.isfinite(values)
    scale = 1.2247 * noise_sd
    if finite.sum() > 20:
        distance = values[1:-1] - 0.5 * (values[:-2] + values[2:])
        distance = distance[np.isfinite(distance)]
        if distance.size > 10:
            scale = max(scale, 1.4826 * float(np.median(np.abs(distance - np.median(distance)))))
    scale = max(scale, 1e-9)
    return 5.0 * scale, 10.0 * scale


def flat_count(*, values: FloatArray, tolerance: float, smallest: int = 5, chance: float = 1e-3) -> int:
    """How many equal values in a row a sensor of this resolution would almost never give by chance.

    With a share p of successive values equal, a run of L repeats somewhere among n values has a chance of about
    n * p**L; L is chosen so that this is below `chance`. A coarse sensor is thus not called stuck.
    """
    step = np.abs(np.diff(values))
    step = step[np.isfinite(step)]
    if step.size < 10:
        return smallest
    # The share is taken robustly as the median over stretches, so that a stuck hour does not set its own limit.
    parts = np.array_split(step <= tolerance, min(24, step.size // 5))
    share = float(np.clip(np.median([part.mean() for part in parts]), 0.0, 0.98))
    if share <= 0.0:
        return smallest
    return max(smallest, int(np.ceil(np.log(chance / step.size) / np.log(share))))
