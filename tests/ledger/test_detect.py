"""Years to detect, emergence, steps at sensor changes."""

import numpy as np
import pytest

from reeftally.errors import InputError
from reeftally.ledger import step_test, time_of_emergence, trend, years_to_detect

MONTHS = np.arange(144) / 12.0 + 2031.0


@pytest.mark.parametrize("name", ["wh-n-0", "wh-n-1", "wh-n-3", "wh-n-5"])
def test_years_to_detect_a_trend(name, row):
    given_ = row(name)["conditions"]
    found = years_to_detect(
        trend=given_["trend_per_year"], noise_sd=given_["sigma_monthly_noise"], phi=given_["phi_monthly"]
    )

    assert found.years == pytest.approx(row(name)["value"], abs=row(name)["tolerance"])


def test_the_two_records_of_the_planning_example():
    # 0.0018 per year, phi 0.5: sd 0.012 gives 11.3 years, 0.020 gives 15.9 (Weatherhead et al. 1998 form)
    quiet = years_to_detect(trend=-0.0018, noise_sd=0.012, phi=0.5)
    noisy = years_to_detect(trend=-0.0018, noise_sd=0.020, phi=0.5)

    assert quiet.years == pytest.approx(11.3, abs=0.05)
    assert noisy.years == pytest.approx(15.9, abs=0.05)


def test_limits_of_the_years():
    # methods text: 10 µatm, phi 0.3, 2 µatm/yr: 7.97 years, 6.62 to 9.59
    found = years_to_detect(trend=2.0, noise_sd=10.0, phi=0.3)

    assert (found.lower, found.years, found.upper) == pytest.approx((6.62, 7.97, 9.59), abs=0.005)


def test_the_trend_error_of_ten_years_of_months(row):
    # sigma n^-1.5 sqrt((1+phi)/(1-phi)) is what 3.3 errors must fit into: at n* the trend is 3.3 of them
    given_ = row("wh-se")["conditions"]
    error = row("wh-se")["value"]
    found = years_to_detect(trend=3.3 * error, noise_sd=given_["sigma"], phi=given_["phi"])

    assert found.years == pytest.approx(given_["n_years"], abs=1e-5)


def test_a_step_of_unknown_size_in_the_middle_costs_59_percent(row):
    plain = years_to_detect(trend=2.0, noise_sd=10.0, phi=0.3)
    stepped = years_to_detect(trend=2.0, noise_sd=10.0, phi=0.3, step_fraction=0.5)

    assert stepped.years / plain.years == pytest.approx(row("wh-shift")["value"], abs=1e-6)


def test_fewer_samples_a_year_and_unknown_offsets_take_longer():
    monthly = years_to_detect(trend=-0.0018, noise_sd=0.012, phi=0.5).years
    seldom = years_to_detect(trend=-0.0018, noise_sd=0.012, phi=0.5, samples_per_year=6).years
    offsets = years_to_detect(trend=-0.0018, noise_sd=0.012, phi=0.5, offset_sd=0.01).years
    tiny = years_to_detect(trend=-0.0018, noise_sd=0.012, phi=0.5, offset_sd=1e-7).years

    assert seldom / monthly == pytest.approx(2 ** (1 / 3), rel=1e-9)
    assert offsets > monthly + 1.0
    assert tiny == pytest.approx(monthly, rel=1e-6)


def test_the_power_at_the_stated_years_is_about_ninety_percent():
    # Simulated power at n* for white noise (independent computation: 0.92 for one case); 90 % is the claim.
    years = years_to_detect(trend=2.0, noise_sd=10.0, phi=0.0).years
    time = np.arange(round(12 * years)) / 12.0
    rng = np.random.default_rng(2)
    found = [
        trend(time=time, value=2.0 * time + rng.normal(0, 10.0, time.size), harmonics=0, phi=0.0).lower > 0
        for _ in range(400)
    ]

    # 99.9 % band of the binomial for 0.90 to 0.93 of 400
    assert 340 <= sum(found) <= 388


def test_no_noise_no_waiting():
    assert years_to_detect(trend=0.001, noise_sd=0.0, phi=0.0).upper == 0.0


def test_no_trend_is_never_found():
    assert years_to_detect(trend=0.0, noise_sd=0.01, phi=0.3).years == np.inf


def test_emergence_is_labelled_apart_from_detection():
    found = time_of_emergence(trend=-0.002, noise_sd=0.02, trend_sd=0.0005)

    assert found.years == pytest.approx(20.0)
    assert found.lower == pytest.approx(0.04 / (0.002 + 1.96 * 0.0005))
    assert "noise" in found.definition
    assert time_of_emergence(trend=0.001, noise_sd=0.02, trend_sd=0.001).upper == np.inf


def record(rng, step):
    """Invented: AR(1) phi 0.5, sd 0.012, trend -0.0018, sensor change at year five, gap in year eight."""
    noise = np.empty(MONTHS.size)
    noise[0] = 0.012 * rng.normal()
    for i in range(1, MONTHS.size):
        noise[i] = 0.5 * noise[i - 1] + 0.012 * np.sqrt(0.75) * rng.normal()
    value = 8.0 - 0.0018 * (MONTHS - 2031) + 0.022 * np.cos(2 * np.pi * MONTHS) + noise
    value = value + step * (MONTHS >= 2036.0)
    value[84:91] = np.nan
    return value


def service_step(seed, step):
    rng = np.random.default_rng(seed)
    visits = np.arange(2031.1, 2043.0, 8 / 52)
    return step_test(
        time=MONTHS, value=record(rng, step), step_time=2036.0,
        overlap_difference=step + rng.normal(0, 0.002), overlap_sd=0.002,
        bottle_time=visits, bottle_misfit=step * (visits >= 2036.0) + rng.normal(0, 0.006, visits.size),
        bottle_sd=0.006,
    )  # fmt: skip


def test_a_planted_step_is_found_with_bottles_and_overlap():
    found = service_step(1, 0.015)

    assert found.p < 0.01
    assert found.claimed
    assert found.lower <= 0.015 <= found.upper
    assert set(found.evidence) == {"series", "overlap", "bottles"}


def test_the_series_alone_is_weak_and_says_so():
    found = service_step(1, 0.015)
    alone = step_test(time=MONTHS, value=record(np.random.default_rng(1), 0.015), step_time=2036.0)

    assert 0.2 < found.series_power < 0.9
    assert alone.sd > 3 * found.sd
    assert "of 100 such records" in alone.sentence


def test_no_step_is_claimed_in_95_of_100_clean_records():
    claimed = sum(service_step(seed, 0.0).claimed for seed in range(100))

    assert claimed <= 5


def test_evidence_that_disagrees_is_not_averaged():
    rng = np.random.default_rng(3)
    found = step_test(
        time=MONTHS, value=record(rng, 0.0), step_time=2036.0, overlap_difference=0.03, overlap_sd=0.001,
        bottle_time=[2034.0, 2035.0, 2037.0, 2038.0], bottle_misfit=[0.0, 0.001, 0.0, -0.001], bottle_sd=0.002,
    )  # fmt: skip

    assert not found.claimed
    assert not found.consistent
    assert found.sentence.startswith("Not resolved")


def test_bottles_on_one_side_only_are_refused():
    with pytest.raises(InputError, match="one side"):
        step_test(
            time=MONTHS, value=record(np.random.default_rng(1), 0.0), step_time=2036.0,
            bottle_time=[2037.0], bottle_misfit=[0.0], bottle_sd=0.01,
        )  # fmt: skip
