"""Trends: generalised least squares on simulated and real records, coverage."""

import csv

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.errors import InputError
from reeftally.ledger import (
    deployment_offset_term,
    local_trend,
    trend,
    trend_sd,
)

MONTHS = np.arange(144) / 12.0 + 2031.0


def ar1(rng, n, phi, sd):
    noise = np.empty(n)
    noise[0] = sd * rng.normal()
    for i in range(1, n):
        noise[i] = phi * noise[i - 1] + sd * np.sqrt(1 - phi**2) * rng.normal()
    return noise


def record(rng, slope=-0.0018, phi=0.5, sd=0.012):
    """Invented twelve-year monthly pH record: season of 0.022, seven months missing in year eight."""
    value = 8.03 + slope * (MONTHS - 2031.0) + 0.022 * np.cos(2 * np.pi * (MONTHS - 0.6))
    value = value + ar1(rng, MONTHS.size, phi, sd)
    value[84:91] = np.nan
    return value


GLS = {
    "gls-se-all-0.0": (0.0, range(120)),
    "gls-se-alt-0.0": (0.0, range(0, 120, 2)),
    "gls-se-gap-0.0": (0.0, [*range(42), *range(78, 120)]),
    "gls-se-end-0.0": (0.0, range(84)),
    "gls-se-all-0.5": (0.5, range(120)),
    "gls-se-alt-0.5": (0.5, range(0, 120, 2)),
    "gls-se-gap-0.5": (0.5, [*range(42), *range(78, 120)]),
}


@pytest.mark.parametrize("name", GLS)
def test_the_trend_error_for_real_sampling_times(name, row):
    phi, months = GLS[name]

    found = trend_sd(time=np.array(list(months)) / 12.0, phi=phi, sigma=1.0)

    assert found == pytest.approx(row(name)["value"], abs=row(name)["tolerance"])


def test_losing_both_ends_hurts_more_than_a_hole_in_the_middle():
    # methods text: complete 0.0534, first and last two years only 0.0593 (10 yr, phi 0.5, sigma 1)
    months = np.array([*range(24), *range(96, 120)]) / 12.0

    assert trend_sd(time=months, phi=0.5, sigma=1.0) == pytest.approx(0.0593, abs=0.00005)


@pytest.fixture(scope="module")
def mauna_loa(request):
    folder = request.path.parent / "data"
    with (folder / "mauna_loa_weekly.csv").open() as file:
        rows = [(r["date"], float(r["co2"] or "nan")) for r in csv.DictReader(file)]
    sums, counts = np.zeros(516), np.zeros(516)
    for date, value in rows:
        month = (int(date[:4]) - 1959) * 12 + int(date[4:6]) - 1
        if np.isfinite(value) and 0 <= month < 516:
            sums[month] += value
            counts[month] += 1
    with np.errstate(invalid="ignore"):
        monthly = sums / counts
    missing = ~np.isfinite(monthly)
    at = np.arange(516)
    monthly[missing] = np.interp(at[missing], at[~missing], monthly[~missing])
    return (at + 0.5) / 12.0, monthly


def test_the_mauna_loa_record_by_ordinary_and_generalised_least_squares(mauna_loa, row):
    # Quadratic with two harmonics, 1959 to 2001; phi fixed at the lag-1 value of the ordinary residuals.
    time, value = mauna_loa
    ordinary = trend(time=time, value=value, degree=2, phi=0.0)
    residual = ordinary.residual
    phi = float((residual[1:] * residual[:-1]).sum() / (residual**2).sum())
    general = trend(time=time, value=value, degree=2, phi=phi)

    def near(found, name):
        return found == pytest.approx(row(name)["value"], abs=row(name)["tolerance"])

    assert near(ordinary.slope, "co2-ols-slope")
    assert near(ordinary.coefficients["curvature"], "co2-ols-quad")
    assert near(phi, "co2-phi")
    assert near(general.slope, "co2-gls-slope")
    # ordinary error 0.0027, the generalised one about four times larger
    assert ordinary.ordinary_sd == pytest.approx(0.0027, abs=0.00005)
    assert 3.5 < general.noise_sd / ordinary.ordinary_sd < 4.6


def test_the_old_record_lies_below_todays_annual_means(mauna_loa, row):
    from importlib import resources

    text = resources.files("reeftally.ledger").joinpath("data/atmospheric_co2.csv").read_text("utf-8")
    today = {int(r["year"]): float(r["mauna_loa"]) for r in csv.DictReader(text.splitlines()) if r["mauna_loa"]}
    _, value = mauna_loa
    annual = value.reshape(43, 12).mean(axis=1)

    difference = np.mean([annual[y - 1959] - today[y] for y in range(1959, 2002)])
    assert difference == pytest.approx(row("co2-vs-mlo")["value"], abs=row("co2-vs-mlo")["tolerance"])


def test_the_interval_holds_the_truth_in_500_autocorrelated_records():
    # Central 99.9 % band of the binomial for 95 % of 500: 458 to 489.
    held = ordinary = 0
    for seed in range(500):
        fit = trend(time=MONTHS, value=record(np.random.default_rng(seed)))
        held += fit.lower <= -0.0018 <= fit.upper
        ordinary += abs(fit.ordinary_slope + 0.0018) <= 1.96 * fit.ordinary_sd

    assert 458 <= held <= 489
    # The ordinary interval is too narrow: by sqrt(3) for phi 0.5 it would hold about 74 in 100.
    assert ordinary < 420


@pytest.mark.slow
@pytest.mark.parametrize(("phi", "months"), [(0.2, 48), (0.5, 48), (0.8, 48), (0.8, 144)])
def test_short_and_slowly_varying_records_have_honest_intervals_too(phi, months):
    held = 0
    for seed in range(500):
        value = 8.0 - 0.0018 * (MONTHS - 2031.0) + ar1(np.random.default_rng(seed), MONTHS.size, phi, 0.012)
        fit = trend(time=MONTHS[:months], value=value[:months])
        held += fit.lower <= -0.0018 <= fit.upper

    assert 458 <= held <= 489


def test_offsets_of_deployments_are_a_term_that_months_do_not_shrink():
    deployment = np.floor(MONTHS[:120] - 2031.0)
    value = record(np.random.default_rng(1))[:120]
    often = trend(time=MONTHS[:120], value=value, deployment=deployment, offset_sd=0.01)
    plain = trend(time=MONTHS[:120], value=value)

    # methods text: 0.01 pH, one deployment a year, ten years: 0.0011 per yr
    assert often.calibration_sd == pytest.approx(0.0011, rel=0.1)
    assert abs(often.slope - plain.slope) < 0.5 * plain.slope_sd
    assert often.slope_sd == pytest.approx(np.hypot(often.noise_sd, often.calibration_sd), rel=1e-12)
    assert often.upper - often.lower > plain.upper - plain.lower


@pytest.mark.parametrize("name", ["cal-5", "cal-10"])
def test_the_calibration_term_of_yearly_deployments(name, row):
    given_ = row(name)["conditions"]

    found = deployment_offset_term(offset_sd=given_["offset_sd"], time=np.arange(given_["deployments"]))

    assert found == pytest.approx(row(name)["value"], abs=row(name)["tolerance"])


@pytest.mark.slow
def test_coverage_holds_with_offsets_when_they_are_declared():
    # 200 invented records with an offset of sd 0.008 a year; band for 95 % of 200: 179 to 198.
    deployment = np.floor(MONTHS - 2031.0)
    held = 0
    for seed in range(200):
        rng = np.random.default_rng(1000 + seed)
        value = record(rng) + rng.normal(0, 0.008, 12)[deployment.astype(int)]
        fit = trend(time=MONTHS, value=value, deployment=deployment, offset_sd=0.008)
        held += fit.lower <= -0.0018 <= fit.upper

    assert 179 <= held <= 198


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.01, 0.01), st.floats(-1.0, 1.0), st.floats(0.0, 0.9))
def test_adding_a_line_adds_its_slope(slope, level, phi):
    value = record(np.random.default_rng(3))
    plain = trend(time=MONTHS, value=value, phi=phi)
    tilted = trend(time=MONTHS, value=value + level + slope * (MONTHS - 2037.0), phi=phi)

    assert tilted.slope == pytest.approx(plain.slope + slope, abs=1e-10)
    assert tilted.noise_sd == pytest.approx(plain.noise_sd, rel=1e-6)


def test_the_local_trend_is_that_of_the_difference():
    # Invented: -0.0018 offshore, -0.0024 in the basin; shared noise drops out of the difference.
    rng = np.random.default_rng(5)
    shared = ar1(rng, MONTHS.size, 0.5, 0.02)
    offshore = 8.03 - 0.0018 * (MONTHS - 2031.0) + shared
    basin = 8.00 - 0.0024 * (MONTHS - 2031.0) + shared + ar1(rng, MONTHS.size, 0.5, 0.003)

    found = local_trend(time=MONTHS, reef=basin, reference=offshore)

    assert found.lower <= -0.0006 <= found.upper
    assert found.slope_sd < 0.5 * trend(time=MONTHS, value=basin).slope_sd


def test_a_record_out_of_order_or_too_short_is_refused():
    with pytest.raises(InputError, match="increasing"):
        trend(time=[2031.0, 2031.0, *range(2032, 2050)], value=np.zeros(20))
    with pytest.raises(InputError, match="at least"):
        trend(time=MONTHS[:8], value=np.zeros(8))
    with pytest.raises(InputError, match="do not separate"):
        trend(time=2031.0 + np.arange(12.0), value=np.arange(12.0))
    with pytest.raises(InputError, match="offset_sd"):
        trend(time=MONTHS, value=record(np.random.default_rng(1)), deployment=np.floor(MONTHS))


@pytest.mark.parametrize("slope", [0.0, -0.002])
def test_a_record_without_noise_gives_its_slope(slope):
    found = trend(time=MONTHS, value=8.0 + slope * (MONTHS - 2031.0))

    assert found.slope == pytest.approx(slope, abs=1e-12)
    assert found.upper - found.lower < 1e-9
