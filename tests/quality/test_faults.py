"""Which fault: an invented mast with planted faults; the true cause first in 70 %, in the first three in 90 %.

The water is a tide, a day and weather; a gradient that changes sign with the light; patches at each sensor that last
some blocks; sensor offsets within what side by side leaves. Sizes of faults are those of the demo or smaller.
"""

import numpy as np
import pytest

from reeftally.errors import InputError, ShapeError
from reeftally.quality.faults import CAUSES, Suspect, diagnose, ph_scale_shifts
from reeftally.seawater.oxygen import salinity_factor

DAY = 86400.0
HEIGHTS = (0.25, 0.90, 1.9)
OWN = 0.45
# quantity, level, size of the day, gradient per unit ln z, patches, noise, offset sd
WATERS = {
    "oxygen": (185.0, 8.0, 1.0, 0.20, 0.10, 0.15),
    "ph_total": (8.02, 0.02, 0.0016, 0.0006, 0.0006, 0.0008),
    "velocity_x": (0.0, 0.10, 0.03, 0.004, 0.003, 0.002),
}
INTERVAL = 120.0
DAYS = 5.0


class Mast:
    """Records of a sensor at 0.45 m and three neighbours."""

    def __init__(self, seed, quantity):
        rng = self.rng = np.random.default_rng(seed)
        self.quantity = quantity
        self.level, self.day, self.gradient, self.patch, self.noise, self.offset = WATERS[quantity]
        self.time = 1.9e9 + np.arange(0, DAYS * DAY, INTERVAL)
        n = self.time.size
        self.light = np.clip(np.sin(2 * np.pi * (self.time - 1.9e9) / DAY - 0.5), 0, None) * 800
        self.phase = rng.uniform(0, 2 * np.pi, 3)
        self.weather = np.cumsum(rng.normal(0, 1, n // 60 + 2))
        self.patches = {z: self.slow_noise(n) for z in (OWN, *HEIGHTS)}
        self.own_offset = rng.normal(0, self.offset)
        self.others = np.stack(
            [self.water(self.time, z) + rng.normal(0, self.offset) + rng.normal(0, self.noise, n) for z in HEIGHTS]
        )

    def slow_noise(self, n):
        coarse = self.rng.normal(0, self.patch, n // 15 + 2)
        for k in range(1, coarse.size):
            coarse[k] = 0.6 * coarse[k - 1] + 0.8 * coarse[k]
        return np.interp(np.arange(n), np.arange(coarse.size) * 15, coarse)

    def water(self, time, z):
        t = time - 1.9e9
        wave = (
            np.sin(2 * np.pi * t / DAY - 0.5)
            + 0.5 * np.sin(2 * np.pi * t / 44712 + self.phase[0])
            + 0.25 * np.sin(2 * np.pi * t / 19000 + self.phase[1])
            + 0.15 * np.sin(2 * np.pi * t / 7300 + self.phase[2])
            + 0.10 * np.interp(t, np.arange(self.weather.size) * 60 * INTERVAL, self.weather)
        )
        if self.quantity == "velocity_x":
            return wave * (self.day + self.gradient * np.log(z / 0.02) * 1.0)
        strength = self.gradient * (np.sin(2 * np.pi * t / DAY - 0.5) + 0.5 * np.sin(2 * np.pi * t / 44712))
        patch = np.interp(time, self.time, self.patches[z]) if z in self.patches else 0.0
        return self.level + self.day * wave + strength * np.log(z / OWN) + patch

    def own(self, time=None, z=OWN):
        record = self.water(self.time if time is None else time, z)
        return record + self.own_offset + self.rng.normal(0, self.noise, record.size)

    def suspect(self, values, **more):
        return Suspect(
            time=self.time, values=values, quantity=self.quantity, noise_sd=self.noise, offset_sd=self.offset,
            neighbours=more.pop("neighbours", self.others), names=("A", "C", "D"), height=OWN,
            neighbour_heights=HEIGHTS, light=self.light, temperature=28.4, salinity=35.1,
            started=more.pop("started", None), **more,
        )  # fmt: skip


def planted(cause, seed):
    quantity = {"ph scale": "ph_total", "settling": "ph_total", "upside down": "velocity_x"}.get(
        cause, "oxygen" if seed % 2 or cause in ("salinity setting", "bubble") else "ph_total"
    )
    m = Mast(seed * 101 + sum(map(ord, cause)), quantity)
    rng, t = m.rng, m.time - m.time[0]
    days = t / DAY
    values, more = m.own(), {}
    unit = m.offset / 0.15  # one µmol/kg of oxygen, or as much of another quantity against its scatter
    if cause == "fouling":
        onset, cleaned = rng.uniform(0.5, 1.5), rng.uniform(3.5, 4.5)
        grown = np.where(days < cleaned, np.clip(days - onset, 0, None), 0.0)
        values -= grown * unit * 0.7 * (1 + 0.4 * (m.light / 800 - 0.5))
        more["cleanings"] = (m.time[0] + cleaned * DAY,)
    elif cause == "bubble":
        for _ in range(3):
            a, length = rng.uniform(0.3, 4.3), rng.uniform(0.1, 0.3)
            inside = (days > a) & (days < a + length)
            values[inside] += unit * (3.0 + rng.normal(0, 1.5, inside.sum()))
    elif cause == "settling":
        values += rng.choice([-1, 1]) * unit * 3.0 * np.exp(-days / rng.uniform(0.4, 1.5))
        more["started"] = m.time[0]
    elif cause == "stuck":
        a = rng.integers(300, 2800)
        values[a : a + rng.integers(90, 240)] = values[a]
    elif cause == "swapped streams":
        end = int(m.time.size * rng.uniform(0.3, 0.7))
        others = m.others.copy()
        partner = 1
        # Offsets known from side by side are taken off by name, so crossed streams carry each other's too.
        shift = rng.choice([-1, 1]) * 8 * m.offset
        own, other = values[:end].copy(), others[partner, :end].copy()
        values[:end], others[partner, :end] = other + shift, own - shift
        more["neighbours"] = others
    elif cause == "salinity setting":
        values /= salinity_factor(temperature=28.4, salinity=35.1, salinity_setting=0.0)
    elif cause == "ph scale":
        values += ph_scale_shifts(temperature=28.4, salinity=35.1)[rng.choice(["free", "nbs", "at 25 degC"])]
    elif cause == "height":
        values = m.own(z=OWN * rng.choice([0.5, 2.0]))
    elif cause == "upside down":
        values, more["vertical_z"] = -values, float(rng.normal(-6, 2))
    elif cause == "clock":
        values = m.own(time=m.time - rng.choice([-1, 1]) * rng.uniform(600, 1500))
    elif cause == "zone":
        values = m.own(time=m.time - 3600.0 * rng.choice([-5, -3, -2, -1, 1, 2, 3, 5, 5.5]))
    elif cause == "cable or power":
        starts = rng.choice(np.arange(50, m.time.size - 60), 6, replace=False)
        for a in starts:
            values[a : a + rng.integers(5, 40)] = np.nan
        more["restarts"] = tuple(m.time[starts[:3]])
    elif cause == "true signal":
        # A still night: all sensors see oxygen fall far below what the climate says.
        fall = -4 * m.day * np.exp(-(((days - 2.5) / 0.2) ** 2))
        values += fall
        more["neighbours"] = m.others + fall
    elif cause == "drift":
        values += rng.choice([-1, 1]) * unit * 0.5 * days
    elif cause == "moved":
        values += rng.choice([-1, 1]) * unit * 1.5 * (days > rng.uniform(1, 4))
    elif cause == "calibration":
        values += rng.choice([-1, 1]) * unit * 9.0
    if rng.uniform() < 0.5:
        lost = rng.uniform(size=values.size) < 0.01  # packets are lost now and then
        values = np.where(lost, np.nan, values)
    return m.suspect(values, **more)


KINDS = (
    "fouling", "bubble", "settling", "stuck", "swapped streams", "salinity setting", "ph scale", "height",
    "upside down", "clock", "zone", "cable or power", "true signal",
)  # fmt: skip


def ranks(kinds, seeds):
    out = {}
    for kind in kinds:
        out[kind] = [[c.name for c in diagnose(planted(kind, seed)).causes].index(kind) for seed in seeds]
    return out


@pytest.mark.slow
def test_true_cause_is_first_in_seven_of_ten_and_in_the_first_three_in_nine_of_ten():
    # Story 22: 12 kinds x 5 repeats; here 13 kinds.
    found = ranks(KINDS, range(5))
    places = np.concatenate([np.array(v) for v in found.values()])

    assert (places == 0).mean() >= 0.70, found
    assert (places <= 2).mean() >= 0.90, found


@pytest.mark.slow
def test_no_kind_of_fault_is_lost_altogether():
    found = ranks((*KINDS, "drift", "moved", "calibration"), range(10, 13))

    assert all(min(places) == 0 for places in found.values()), found


def test_a_healthy_sensor_is_called_right():
    first = []
    for seed in range(6):
        m = Mast(seed, "oxygen" if seed % 2 else "ph_total")
        first.append(diagnose(m.suspect(m.own())).first)

    assert first.count("true signal") >= 5, first


def test_every_cause_carries_evidence_and_the_first_two_a_separating_test():
    found = diagnose(planted("fouling", 1))

    assert {c.name for c in found.causes} <= set(CAUSES)
    assert all(c.evidence for c in found.causes)
    assert found.first == "fouling"
    assert "lean the sensor" in found.separating_test


@pytest.mark.parametrize("first", CAUSES)
@pytest.mark.parametrize("second", CAUSES)
def test_every_pair_of_causes_has_one_test(first, second):
    from reeftally.quality._separating import separating_test

    if first != second:
        text = separating_test(first, second)

        assert first in text or second in text or text.endswith(".")


def test_scales_differ_by_the_published_distances():
    # At 28 degC free minus total is about 0.12 (computed with Dickson 1990; Dickson, Sabine and Christian 2007, ch. 5).
    shifts = ph_scale_shifts(temperature=28.0, salinity=35.0)

    assert shifts["free"] == pytest.approx(0.12, abs=0.01)
    assert shifts["at 25 degC"] == pytest.approx(0.045, abs=0.003)


def test_records_that_do_not_fit_are_refused():
    m = Mast(1, "oxygen")
    good = m.suspect(m.own())
    with pytest.raises(ShapeError, match="same times"):
        diagnose(Suspect(
            time=good.time[:-1], values=good.values, quantity="oxygen", noise_sd=0.1, offset_sd=0.1,
            neighbours=good.neighbours,
        ))  # fmt: skip
    with pytest.raises(InputError, match="needs 60"):
        diagnose(Suspect(
            time=good.time[:10], values=good.values[:10], quantity="oxygen", noise_sd=0.1, offset_sd=0.1,
            neighbours=good.neighbours[:, :10],
        ))  # fmt: skip
