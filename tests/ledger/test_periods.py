"""Periods combined and the reference water shifted."""

import numpy as np
import pytest

from reeftally.errors import InputError, ShapeError
from reeftally.ledger import MixingLine, State, combine_periods, decompose, sensitivity_to_reference

COMMON = {
    "reference": State(28.4, 35.1, 2312.0, 1988.8), "xco2_now": 429.0, "xco2_past": 291.6,
    "air_pressure": 1011.0, "mixing_line": MixingLine(50.0, 60.0), "gas_exchange_dic": -0.5,
}  # fmt: skip


def day_and_night():
    """Invented basin of 96 quarter hours: DIC 1994 to 2014, T and S moving with the hour."""
    hour = np.arange(96) / 4.0
    dic = 2004.0 + 10.0 * np.cos(2 * np.pi * (hour - 6.0) / 24.0)
    temperature = 28.4 + 0.4 * np.cos(2 * np.pi * (hour - 15.0) / 24.0)
    return hour, State(temperature, 35.1 - 0.02 * np.sin(hour), 2308.2, dic)


def account(reef, organic=17.7):
    return decompose(reef=reef, organic_dic=organic, **COMMON)


def part(state, chosen):
    return State(
        np.broadcast_to(state.temperature, 96)[chosen], np.broadcast_to(state.salinity, 96)[chosen],
        state.total_alkalinity, np.broadcast_to(state.dic, 96)[chosen],
    )  # fmt: skip


def test_night_and_day_by_their_hours_equal_the_24_hours():
    hour, reef = day_and_night()
    dark = (hour < 6.0) | (hour >= 18.25)
    night, day = account(part(reef, dark)).mean(), account(part(reef, ~dark)).mean()
    together = combine_periods(accounts=[night, day], hours=[dark.sum() / 4, (~dark).sum() / 4])
    whole = account(reef).mean()

    for method in whole.effects:
        for quantity in whole.effects[method]:
            assert together.effects[method][quantity] == pytest.approx(whole.effects[method][quantity], abs=1e-12)


def test_the_account_of_the_mean_state_is_within_one_percent_of_the_mean_account():
    _, reef = day_and_night()
    whole = account(reef).mean()
    state = State(np.mean(reef.temperature), np.mean(reef.salinity), 2308.2, np.mean(reef.dic))
    of_mean = account(state)

    for driver in ("global", "organic", "carbonate"):
        assert float(of_mean.effect(quantity="ph_total", driver=driver)) == pytest.approx(
            float(whole.effect(quantity="ph_total", driver=driver)), rel=0.01
        )


def test_a_season_of_missions_keeps_trials_and_sums():
    rng = np.random.default_rng(2)
    missions = [account(State(28.4, 35.1, 2308.2, 2004.0 + rng.normal(0, 3.0, 50))) for _ in range(3)]
    season = combine_periods(accounts=missions, hours=[240.0, 200.0, 180.0])

    assert season.end.shape == (4, 50)
    assert season.remainder(quantity="ph_total") == pytest.approx(np.zeros(50), abs=1e-12)


def test_unlike_accounts_are_not_combined():
    one, other = account(State(28.4, 35.1, 2308.2, 2004.0)), account(State(28.4, 35.1, 2308.2, np.ones(3) * 2004))
    with pytest.raises(ShapeError, match="members"):
        combine_periods(accounts=[one, other], hours=[1.0, 1.0])
    with pytest.raises(ShapeError, match="as many"):
        combine_periods(accounts=[one], hours=[1.0, 1.0])
    with pytest.raises(InputError, match="not all zero"):
        combine_periods(accounts=[one], hours=[0.0])
    less = decompose(reef=State(28.4, 35.1, 2308.2, 2004.0), organic_dic=17.7, methods=("taylor",), **COMMON)
    with pytest.raises(InputError, match="like with like"):
        combine_periods(accounts=[one, less], hours=[1.0, 1.0])


def test_a_reference_off_by_0p01_moves_the_local_part_by_0p010():
    # Story of the reef scientist's "what if the reference is wrong": +0.01 in the reference's pH makes the
    # part made here more negative by 0.010, and the other way round.
    base, higher, lower = sensitivity_to_reference(
        reef=State(28.4, 35.1, 2308.2, 2004.1), organic_dic=17.7, ph_shift=0.01, **COMMON
    )

    assert float(higher.reef_minus_reference) == pytest.approx(-0.010, abs=1e-9)
    assert float(lower.reef_minus_reference) == pytest.approx(0.010, abs=1e-9)
    # organic from oxygen does not see the reference's DIC: the change shows in the residual
    assert float(higher.by_driver["residual"]) == pytest.approx(-0.010, abs=0.0005)
    assert abs(float(higher.by_driver["local"])) < 0.0005
    assert float(base.effect(quantity="ph_total", driver="organic")) < 0.0


def test_the_shift_falls_to_organic_when_organic_is_what_is_left():
    def run(reference):
        end = State(28.4, 35.1, 2308.2, 2004.1)
        rest = float(end.dic) - float(np.asarray(reference.dic)) + 1.9 + 0.5
        return decompose(reef=end, organic_dic=rest, **{**COMMON, "reference": reference})

    _, higher, _ = sensitivity_to_reference(
        reef=State(28.4, 35.1, 2308.2, 2004.1), organic_dic=17.7, ph_shift=0.01, **COMMON
    )
    shifted = run(State(*(float(x) for x in higher.account.reference)))
    base = run(COMMON["reference"])
    method = "shapley_from_reference"
    change = shifted.effect(quantity="ph_total", driver="local", method=method) - base.effect(
        quantity="ph_total", driver="local", method=method
    )

    assert float(change) == pytest.approx(-0.010, abs=1e-9)
