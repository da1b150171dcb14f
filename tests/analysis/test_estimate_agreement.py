"""Agreement of covariance and gradient, and the balance of the basin. All series are invented."""

from types import SimpleNamespace

import numpy as np
import pytest

from reeftally.analysis.estimate_agreement import estimate_agreement, estimate_box, patch_spread, share_interval
from reeftally.analysis.estimates import Estimates
from reeftally.analysis.grid import make_grid
from reeftally.analysis.periods import Span
from reeftally.exchange import gas_exchange

DAY_NS = 86_400_000_000_000


class _Blocks(SimpleNamespace):
    def series(self, name, count):
        assert count == self.flux.size
        return getattr(self, name)


def _chain(factor=1.0, offset=0.0, days=4, systematic=0.02, stress=1.0):
    rng = np.random.default_rng(7)
    grid = make_grid(start_ns=0, end_ns=days * DAY_NS, block_s=900)
    hours = grid.seconds / 3600
    truth = 23 * np.tanh(np.maximum(0, 850 * np.sin(2 * np.pi * (hours - 6) / 24)) / 330) - 13.0
    n = grid.count

    def blocks(flux, random):
        return _Blocks(
            flux=flux + random * rng.standard_normal(n), random_sd=np.full(n, random),
            systematic_sd=systematic * np.abs(flux), storage=0.1 * rng.standard_normal(n), quantity="oxygen",
        )  # fmt: skip

    friction = 0.005 + 0.005 * rng.random(n)
    return SimpleNamespace(
        grid=grid, spans=[Span("mission", "m", 0, days * DAY_NS, complete=True)], estimates=Estimates(), notes={},
        covariance=blocks(truth, 1.0), gradients=[blocks(factor * truth + offset, 0.5)],
        currents=SimpleNamespace(
            friction_velocity=friction, wave_height=np.full(n, np.nan),
            direction_to=360 * rng.random(n),
            estimates={"covariance": (stress * friction, 0.1 * friction)}, systematic={"covariance": 0.05 * friction},
        ),
    )  # fmt: skip


def _rows(chain):
    return {row.quantity: row for row in chain.estimates.rows}


@pytest.mark.parametrize(
    ("share", "n", "lower", "upper"),
    # Newcombe 1998, Stat. Med. 17, 857-872, Table I, score method without continuity correction (from memory).
    [(81 / 263, 263, 0.2553, 0.3662), (15 / 148, 148, 0.0624, 0.1605), (0.0, 20, 0.0, 0.1611),
     (1 / 29, 29, 0.0061, 0.1718)],
)  # fmt: skip
def test_the_interval_of_a_share_is_that_of_the_score_method(share, n, lower, upper):
    assert share_interval(share, n) == pytest.approx((lower, upper), abs=5.1e-5)


def test_methods_of_one_flux_agree_and_say_over_how_many_blocks():
    chain = _chain()

    found = estimate_agreement(chain)

    rows = _rows(chain)
    assert found.agree
    assert rows["method_bias"].lower < 0 < rows["method_bias"].upper
    assert rows["method_slope"].lower < 1 < rows["method_slope"].upper
    assert rows["method_share_inside"].value >= 0.9
    assert rows["method_share_inside"].lower <= rows["method_share_inside"].value <= rows["method_share_inside"].upper
    assert {row.n for row in rows.values()} == {384}
    assert {row.flag for row in rows.values()} == {1}
    assert "agree over 384 common blocks" in chain.notes["agreement"]


def test_a_fifth_more_by_a_wrong_height_lowers_the_share_and_names_the_height():
    right, wrong = _chain(), _chain(factor=1.2)

    estimate_agreement(right)
    found = estimate_agreement(wrong)

    assert not found.agree
    assert _rows(wrong)["method_share_inside"].value < _rows(right)["method_share_inside"].value
    assert "height" in _rows(wrong)["method_slope"].reason
    assert "not averaged" in wrong.notes["agreement"]
    assert _rows(wrong)["method_slope"].flag == 3


def test_a_constant_difference_names_offset_and_storage():
    chain = _chain(offset=3.0)

    estimate_agreement(chain)

    assert "offset, storage" in chain.notes["agreement"]


def test_random_and_systematic_parts_of_the_bias_make_its_interval():
    chain = _chain()

    estimate_agreement(chain)

    row = _rows(chain)["method_bias"]
    assert row.random_sd == pytest.approx(np.hypot(1.0, 0.5) / np.sqrt(384))
    assert row.upper - row.value == pytest.approx(1.959964 * np.hypot(row.random_sd, row.systematic_sd))


def test_one_method_alone_is_not_compared():
    chain = _chain()
    chain.gradients = []

    assert estimate_agreement(chain) is None
    assert chain.estimates.rows == []


def test_too_few_common_blocks_are_refused_with_their_number():
    chain = _chain()
    chain.covariance.flux[5:] = np.nan

    estimate_agreement(chain)

    assert all(row.value is None and "only 5 common blocks" in row.reason for row in chain.estimates.rows)
    assert len(chain.estimates.rows) == 3


def test_the_spread_of_patches_is_found_under_a_diel_course():
    # Patches with correlation (1 + t/T) exp(-t/T): noise passed twice through one memory, in steps of a minute.
    rng, minutes = np.random.default_rng(4), 0.466 * 30
    keep = np.exp(-1 / minutes)
    noise, once, twice = rng.standard_normal(400_000), 0.0, 0.0
    series = np.empty(noise.size)
    for i, value in enumerate(noise):
        once = keep * once + (1 - keep) * value
        twice = keep * twice + (1 - keep) * once
        series[i] = twice
    series *= 1.5 / series.std()
    hours = np.arange(noise.size) / 60

    assert patch_spread((series + 8 * np.sin(hours * np.pi / 12))[::15], 900.0) == pytest.approx(1.5, rel=0.1)


def _basin(days=6):
    """One well-mixed basin with a known bed flux: 34 h, 6.4 m, gas exchange by the same equations."""
    grid = make_grid(start_ns=0, end_ns=days * DAY_NS, block_s=900)
    depth, residence, reference, density = 6.4, 34.0, 198.0, 1022.0
    per_mass = density / 1000
    flux = np.where(np.cos(2 * np.pi * grid.seconds / 86400) < 0, 6.0, -13.0)
    oxygen = np.empty(grid.count)
    level = 180.0
    # Gas exchange is linear in oxygen: two calls give the line.
    surface = [
        float(
            gas_exchange.oxygen_flux(
                oxygen=x, temperature=28.0, salinity=35.0, wind_speed=6.0, wind_variance=0.0, air_pressure=1013.25
            ).flux
        )
        for x in (180.0, 200.0)
    ]
    for i in range(grid.count):
        steps = []
        for _ in range(15):
            gas = surface[0] + (surface[1] - surface[0]) * (level - 180.0) / 20.0
            level += ((flux[i] + gas) / (depth * per_mass) + (reference - level) / residence) / 60
            steps.append(level)
        oxygen[i] = np.mean(steps)
    zero = np.zeros(grid.count)
    spans = [Span("mission", "m", 0, days * DAY_NS, complete=True)]
    for k in range(1, days - 1):
        spans.append(Span("day", f"d{k}", k * DAY_NS + DAY_NS // 4, k * DAY_NS + 3 * DAY_NS // 4, complete=True))
        spans.append(Span("night", f"n{k}", k * DAY_NS - DAY_NS // 4, k * DAY_NS + DAY_NS // 4, complete=True))
        spans.append(Span("24h", f"h{k}", k * DAY_NS, (k + 1) * DAY_NS, complete=True))
    chemistry = {
        "oxygen": (oxygen, zero + 0.1, zero + 0.2), "temperature": (zero + 28.0, zero, zero),
        "salinity": (zero + 35.0, zero, zero),
    }  # fmt: skip
    site = SimpleNamespace(residence_time_h=residence, residence_time_sd_h=5.0, water_depth_m=depth)
    return SimpleNamespace(
        grid=grid, spans=spans, estimates=Estimates(), density=density,
        account=SimpleNamespace(chemistry=chemistry),
        air=SimpleNamespace(wind_speed=zero + 6.0, wind_variance=zero, pressure=1013.25),
        context=SimpleNamespace(
            book=SimpleNamespace(site=site, analysis=SimpleNamespace(gas_transfer_sd_relative=0.2))
        ),
        model=SimpleNamespace(
            reference=SimpleNamespace(values={"oxygen": reference}, random_sd={"oxygen": 0.3})
        ),
    )  # fmt: skip


def test_the_balance_of_a_basin_gives_back_the_flux_of_nights_days_and_whole_days():
    chain = _basin()

    estimate_box(chain)

    truth = {"night": -13.0, "day": 6.0, "24h": -3.5}
    assert len(chain.estimates.rows) == 12
    for row in chain.estimates.rows:
        assert row.lower < truth[row.period] < row.upper
        assert row.value == pytest.approx(truth[row.period], abs=0.75)


def test_without_residence_or_reference_there_is_no_balance():
    one, other = _basin(days=3), _basin(days=3)
    one.context.book.site.residence_time_h = None
    other.model.reference.values = {}

    estimate_box(one)
    estimate_box(other)

    assert one.estimates.rows == other.estimates.rows == []


def test_a_stress_that_agrees_clears_the_friction_velocity_and_leaves_the_height():
    chain = _chain(factor=1.24, systematic=0.2)

    found = estimate_agreement(chain)

    names = [suspect.name for suspect in found.suspects]
    assert "height" in names
    assert "friction velocity" not in names
    assert "not friction velocity seen apart: 1.000" in chain.notes["agreement"]


def test_a_stress_that_gives_the_factor_names_the_friction_velocity_alone():
    found = estimate_agreement(_chain(factor=1.24, systematic=0.2, stress=1 / 1.24))

    names = [suspect.name for suspect in found.suspects]
    assert "friction velocity" in names
    assert "height" not in names
