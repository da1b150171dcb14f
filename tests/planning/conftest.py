"""Light synthetic designs of a mast; all numbers are invented, in the span of the job description's demo."""

import numpy as np
import pytest

from reeftally.planning.missions import GradientDesign, Water


def mast(
    *,
    hours=36.0,
    block=900.0,
    beside=(5.75, 3.75),
    swaps=(12.0, 24.0),
    heights=(0.35, 0.55, 1.00),
    noise=0.0075,
    offset=4.0,
    drift=0.1,
    height_sd=0.01,
    displacement_sd=0.02,
    friction_systematic=0.04,
    friction_random=0.03,
    flux_variation=None,
):
    time = (np.arange(int(hours * 3600 / block)) + 0.5) * block
    sensors = len(heights)
    height = np.repeat(np.array(heights)[:, None], time.size, axis=1)
    for moment in swaps:
        later = time > moment * 3600.0
        height[[0, -1]] = np.where(later, height[[-1, 0]], height[[0, -1]])
    waters = []
    for name, length, start in (
        ("before", beside[0], -beside[0] * 3600.0 - 900.0),
        ("after", beside[1], time[-1] + block),
    ):
        if length > 0:
            when = start + (np.arange(max(int(length * 3600 / block), 2)) + 0.5) * block
            waters.append(Water(name=name, time=when, present=np.ones((sensors, when.size), dtype=bool), beside=True))
    clock = (time / 3600.0 + 11.0) % 24.0
    light = 870.0 * np.maximum(np.sin(np.pi * (clock - 6.0) / 12.0), 0.0)
    night = (time > 7.0 * 3600.0) & (time < 19.0 * 3600.0)
    return GradientDesign(
        quantity="oxygen",
        labels=tuple(f"OXY-{k + 1}" for k in range(sensors)),
        mast=tuple(range(sensors)),
        time=time,
        height=height,
        height_sd=height_sd,
        displacement=0.10,
        displacement_sd=displacement_sd,
        waters=tuple(waters),
        noise_sd=np.full(sensors, noise),
        offset_sd=np.full(sensors, offset),
        drift_sd=np.full(sensors, drift),
        settling_sd=np.zeros(sensors),
        scale=1.0223,
        flux=-12.0 + 20.0 * np.tanh(light / 330.0),
        friction_velocity=0.004 + 0.010 * np.abs(np.cos(2 * np.pi * time / 3600.0 / 12.42)),
        light=light,
        friction_random=friction_random,
        friction_systematic=friction_systematic,
        von_karman=0.41,
        von_karman_sd=0.01,
        periods={"night": night, "mission": np.ones(time.size, dtype=bool)},
        flux_variation=flux_variation,
    )


@pytest.fixture
def make_mast():
    return mast
