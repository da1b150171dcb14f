"""Fitness and flux cost."""

import pytest

from reeftally.errors import InputError
from reeftally.quality.fitness import PURPOSES, SensorDay, flux_cost, grade_day

PLACE = {"friction_velocity": 0.008, "lower_height": 0.25, "upper_height": 0.90}


@pytest.mark.parametrize(
    ("quantity", "offset", "flux", "digit"),
    [("ph_total", 0.001, 5.9, 0.05), ("ph_total", 0.003, 17.6, 0.05), ("oxygen", 0.1, 0.9, 0.05)],
)
def test_cost_of_an_offset_is_that_of_the_worked_numbers(quantity, offset, flux, digit):
    # Worked by hand for u* 0.8 cm/s between 0.25 and 0.90 m with kappa 0.41, 1025 kg m-3 and -0.00161 of pH per
    # µmol/kg of DIC: 0.41 * 0.008 / ln 3.6 * 1025 * 3.6e-3 = 0.00945 per µmol/kg; 0.1 of oxygen is 0.94, 0.001 of pH is
    # 0.621 µmol/kg or 5.87, 0.003 is 17.6.
    cost = flux_cost(quantity=quantity, offset=offset, density=1025.0, dic_per_ph=1 / 0.00161, **PLACE)

    assert cost.flux == pytest.approx(flux, abs=digit)


def test_the_state_of_the_water_gives_the_stated_sensitivity():
    # -0.00161 of pH per µmol/kg of DIC at pH 8.03, alkalinity 2312, 28.4 degC, S 35.1, computed with other code; half
    # of its last digit is 0.3 %.
    given = {"quantity": "ph_total", "offset": 0.001, "ph": 8.0299, "total_alkalinity": 2312.0, **PLACE}

    from_state = flux_cost(**given).flux / flux_cost(**given, dic_per_ph=1.0).flux

    assert 1 / from_state == pytest.approx(0.00161, abs=0.000005)


def test_the_sentence_says_it_in_the_words_of_the_trade():
    cost = flux_cost(quantity="ph_total", offset=0.001, density=1025.0, dic_per_ph=1 / 0.00161, **PLACE)

    assert cost.sentence == (
        "A pH offset of 0.001 here is a false DIC flux of 5.9 mmol m-2 h-1 (u* 0.8 cm/s, 0.25 to 0.90 m)."
    )


def test_heights_in_the_wrong_order_are_refused():
    with pytest.raises(InputError, match="lower one comes first"):
        flux_cost(quantity="oxygen", offset=0.1, friction_velocity=0.01, lower_height=0.9, upper_height=0.25)


def day(**more):
    given = {
        "sensor": "PHI-1", "day": "2031-03-28", "quantity": "ph_total", "good_share": 0.98, "offset_sd": 0.004,
        "pair_offset_sd": 0.004, "interval": 60.0, "response_time": 12.0, "flux_target": 12.0,
        "cost_per_unit": flux_cost(quantity="ph_total", offset=0.001, **PLACE).per_unit,
    }  # fmt: skip
    return {g.purpose: g for g in grade_day(SensorDay(**{**given, **more}))}


def test_a_ph_sensor_with_0004_offset_uncertainty_is_fit_for_ambient_and_unfit_for_gradient():
    # Story 28.
    grades = day()

    assert tuple(grades) == PURPOSES
    assert grades["ambient"].grade == "fit"
    assert grades["gradient"].grade == "unfit"
    assert "swap the two" in grades["gradient"].reasons[0]
    assert grades["covariance"].grade == "not for this"


def test_side_by_side_makes_it_fit_for_gradient():
    assert day(pair_offset_sd=0.0001)["gradient"].grade == "fit"
    assert day(pair_offset_sd=0.0003)["gradient"].grade == "limited"


@pytest.mark.parametrize(
    ("more", "grade"),
    [
        ({"response_time": 0.45, "interval": 0.125, "clock_sd": 0.02}, "fit"),
        ({"response_time": 1.0, "interval": 0.125, "clock_sd": 0.02}, "limited"),
        ({"response_time": 28.0, "interval": 5.0, "clock_sd": 0.02}, "unfit"),
        ({"response_time": 0.45, "interval": 0.125, "clock_sd": 1.0}, "unfit"),
        ({"response_time": None, "interval": 0.125}, "unfit"),
    ],
)
def test_covariance_needs_speed_and_a_clock(more, grade):
    assert day(near_velocimeter=True, **more)["covariance"].grade == grade


def test_point_sources_need_a_settled_visit():
    assert day(plume=0.02, noise_sd=0.0015, interval=1.0, response_time=10.0)["point source"].grade == "fit"
    assert day(plume=0.02, noise_sd=0.0015, interval=1.0, response_time=120.0)["point source"].grade == "unfit"


def test_a_day_with_few_good_samples_is_unfit_for_all():
    grades = day(good_share=0.1)

    assert grades["ambient"].grade == "unfit"
    assert "only 10%" in grades["ambient"].reasons[-1]
