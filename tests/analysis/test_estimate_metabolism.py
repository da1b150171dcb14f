"""Community metabolism: the curve, respiration in the light, sums over periods. All series are invented."""

from types import SimpleNamespace

import numpy as np
import pytest

from reeftally.analysis.estimate_fluxes import PeriodFlux
from reeftally.analysis.estimate_metabolism import alike_blocks, estimate_metabolism, fit_curve, respiration_of
from reeftally.analysis.estimates import Estimates, iso
from reeftally.analysis.grid import make_grid
from reeftally.analysis.periods import Span

DAY_NS = 86_400_000_000_000
PMAX, IK, R, POWER = 23.0, 330.0, 13.5, 0.35


def _reef(days, seed=1, noise=0.5):
    rng = np.random.default_rng(seed)
    hours = np.arange(0, 24 * days, 0.25) + 0.125
    light = np.maximum(0.0, 850 * np.sin(2 * np.pi * (hours - 6) / 24))
    ratio = 0.3 + 0.7 * np.abs(np.cos(2 * np.pi * hours / 12.42))
    gross, dark = PMAX * np.tanh(light / IK), R * ratio**POWER
    return hours, light, ratio, gross, dark, gross - dark + noise * rng.standard_normal(hours.size)


class _Blocks(SimpleNamespace):
    def series(self, name, count):
        assert count == self.flux.size
        return getattr(self, name)


def _chain(days=2, light=True, missing=None):
    _, irradiance, ratio, gross, dark, flux = _reef(days)
    grid = make_grid(start_ns=0, end_ns=days * DAY_NS, block_s=900)
    spans = [Span("mission", "m", 0, days * DAY_NS, complete=True)]
    for k in range(days):
        # Night from 18 h to 6 h; the light of `_reef` begins and ends there.
        spans.append(Span("day", f"d{k}", k * DAY_NS + DAY_NS // 4, k * DAY_NS + 3 * DAY_NS // 4, complete=True))
        if k:
            spans.append(Span("night", f"n{k}", k * DAY_NS - DAY_NS // 4, k * DAY_NS + DAY_NS // 4, complete=True))
    spans.append(Span("night", "first", 0, DAY_NS // 4, complete=False))
    spans.append(Span("night", "last", days * DAY_NS - DAY_NS // 4, days * DAY_NS, complete=False))
    spans.append(Span("24h", "whole", 0, DAY_NS, complete=True))
    if missing is not None:
        flux[missing] = np.nan
    periods = []
    for span in spans:
        inside = grid.mids_in(span.start_ns, span.end_ns)
        seen = inside & np.isfinite(flux)
        periods.append(
            PeriodFlux(
                span=span, value=float((gross - dark)[inside].mean()), random_sd=0.1, systematic_sd=0.3,
                n=int(seen.sum()), filled=int((inside & ~seen).sum()), budget={},
            )
        )  # fmt: skip
    analysis = SimpleNamespace(pq=1.05, pq_sd=0.05)
    chain = SimpleNamespace(
        grid=grid, spans=spans, slow={}, light=irradiance if light else np.full(grid.count, np.nan),
        currents=SimpleNamespace(filled=SimpleNamespace(value=0.01 * ratio)),
        context=SimpleNamespace(book=SimpleNamespace(analysis=analysis)), gradients=[],
        covariance=_Blocks(flux=flux, systematic_sd=0.04 * np.abs(flux)),
        fluxes={("oxygen_flux", "covariance"): periods}, estimates=Estimates(), notes={},
    )  # fmt: skip
    return chain, gross, dark


def _rows(chain, quantity, period="mission"):
    return [r for r in chain.estimates.rows if r.quantity == quantity and r.period == period]


def test_white_noise_counts_every_block():
    assert 1.0 <= alike_blocks(np.random.default_rng(2).standard_normal(4000)) < 1.3


def test_neighbours_that_are_alike_count_as_the_theory_of_one_memory_says():
    # First-order autoregression: the variance of a mean grows by (1 + r) / (1 - r) (Bartlett 1935, from memory).
    rng, r, n = np.random.default_rng(3), 0.6, 20000
    series = np.zeros(n)
    for i in range(1, n):
        series[i] = r * series[i - 1] + rng.standard_normal()

    assert alike_blocks(series) == pytest.approx(4.0, rel=0.15)


def test_a_short_or_constant_residual_says_nothing_about_memory():
    assert alike_blocks(np.full(50, np.nan)) == 1.0
    assert alike_blocks(np.zeros(50)) == 1.0


def test_a_sensor_that_loses_light_is_told_from_a_community_that_changes_its_saturation():
    hours, light, ratio, _, _, flux = _reef(10)
    days = hours / 24

    response, loss, loss_sd = fit_curve(light=light * np.exp(-0.02 * days), flux=flux, ratio=ratio, days=days)

    assert loss == pytest.approx(0.02, abs=2 * loss_sd)
    assert loss_sd < 0.004
    assert response.saturation == pytest.approx(IK, rel=0.03)
    assert response.maximum == pytest.approx(PMAX, rel=0.02)
    assert response.flow_exponent == pytest.approx(POWER, abs=0.03)


def test_hours_of_a_broken_flux_sensor_do_not_pass_for_lost_light():
    hours, light, ratio, _, _, flux = _reef(10)
    flux[28:40] += 25.0

    _, loss, loss_sd = fit_curve(light=light, flux=flux, ratio=ratio, days=hours / 24)

    assert abs(loss) < 2 * loss_sd
    assert abs(loss) < 0.005


def test_without_a_light_curve_respiration_is_the_mean_of_the_nights():
    flux, night = np.where(np.arange(96) < 48, -12.0, 5.0), np.arange(96) < 48

    found = respiration_of(flux=flux, night=night, ratio=np.ones(96), response=None)

    assert found is not None
    assert found.value == 12.0
    assert found.mean(np.ones(3)) == (12.0, 0.0)
    assert respiration_of(flux=flux, night=np.zeros(96, dtype=bool), ratio=np.ones(96), response=None) is None


def test_intervals_of_production_and_respiration_hold_what_the_reef_did():
    chain, gross, dark = _chain()

    estimate_metabolism(chain)

    for row in (r for r in chain.estimates.rows if r.quantity in {"gross_primary_production", "community_respiration"}):
        truth = gross if row.quantity == "gross_primary_production" else dark
        span = next(s for s in chain.spans if (s.kind, iso(s.start_ns)) == (row.period, row.start))
        expected = truth[chain.grid.mids_in(span.start_ns, span.end_ns)].mean()
        factor = 24.0 if row.unit.endswith("d-1") else 1.0
        assert row.lower <= factor * expected <= row.upper
        assert row.value == pytest.approx(factor * expected, rel=0.03)
    assert len(_rows(chain, "gross_primary_production", "night")) == 0
    assert _rows(chain, "maximum_production")[0].lower < PMAX < _rows(chain, "maximum_production")[0].upper
    assert _rows(chain, "light_saturation")[0].lower < IK < _rows(chain, "light_saturation")[0].upper


def test_net_production_is_the_oxygen_flux_over_the_quotient_with_its_uncertainty():
    chain, gross, dark = _chain()

    estimate_metabolism(chain)

    row = _rows(chain, "net_community_production")[0]
    flux = float((gross - dark).mean())
    assert row.value == pytest.approx(flux / 1.05)
    assert row.random_sd == pytest.approx(0.1 / 1.05)
    assert row.systematic_sd == pytest.approx(np.hypot(0.3 / 1.05, abs(flux) / 1.05**2 * 0.05))


def test_a_day_sum_is_given_beside_the_rate_for_whole_days_only():
    chain, _, _ = _chain()

    estimate_metabolism(chain)

    by_unit = {r.unit: r.value for r in _rows(chain, "net_community_production", "24h")}
    assert by_unit["mmol m-2 d-1"] == pytest.approx(24 * by_unit["mmol m-2 h-1"])
    assert {r.unit for r in _rows(chain, "net_community_production", "day")} == {"mmol m-2 h-1"}


def test_measured_and_filled_hours_are_said():
    chain, _, _ = _chain(missing=slice(40, 46))

    estimate_metabolism(chain)

    assert "46.50 h measured, 1.50 h filled" in _rows(chain, "net_community_production")[0].reason


def test_without_light_the_curve_is_refused_and_production_still_stands_on_the_nights():
    chain, gross, _ = _chain(light=False)

    estimate_metabolism(chain)

    assert _rows(chain, "light_saturation")[0].value is None
    assert "no light" in _rows(chain, "light_saturation")[0].reason
    row = _rows(chain, "gross_primary_production", "day")[0]
    assert "mean of the nights" in row.reason
    assert row.value == pytest.approx(gross[24:72].mean(), rel=0.1)


def test_without_any_flux_nothing_is_written():
    chain, _, _ = _chain()
    chain.fluxes = {}

    assert estimate_metabolism(chain) == {}
    assert chain.estimates.rows == []
