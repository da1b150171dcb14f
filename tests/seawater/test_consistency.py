"""Over-determined samples."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from numpy.testing import assert_allclose

from reeftally.errors import InputError, NoSolutionError, ShapeError
from reeftally.seawater.carbonate import ORR2018, STANDARD_OUTPUTS, solve
from reeftally.seawater.consistency import adjust

WHERE = {"temperature": 28.4, "salinity": 35.1}
TRUTH = solve(total_alkalinity=2312.0, fco2=412.0, **WHERE)
SD = {"total_alkalinity": 2.0, "dic": 2.0, "ph_total": 0.003, "fco2": 2.0}


def sample(*names: str, **bias: float) -> dict[str, float]:
    return {name: TRUTH[name] + bias.get(name, 0.0) for name in names}


def test_a_ph_bias_shows_as_the_stated_discrepancy_of_dic() -> None:
    # A pH bias of +0.010 in reef water is -6.2 within 1 µmol/kg of DIC: computed independently.
    result = adjust(measured=sample("total_alkalinity", "dic", "ph_total", ph_total=0.010), sd=SD, **WHERE)

    found = next(d for d in result.discrepancies if d.quantity == "dic")

    assert found.pair == ("total_alkalinity", "ph_total")
    assert abs(found.difference - -6.2) <= 1.0
    assert abs(found.difference) > 1.5 * found.sd


@pytest.mark.parametrize(
    ("bias", "dic"),
    [(0.003, 1.9), (0.010, 6.2), (0.020, 12.5)],
)
def test_ph_errors_are_worth_the_stated_dic(bias: float, dic: float) -> None:
    # 1.9, 6.2 and 12.5 µmol/kg: computed independently, printed to one decimal.
    result = adjust(measured=sample("total_alkalinity", "dic", "ph_total", ph_total=bias), sd=SD, **WHERE)

    difference = next(d.difference for d in result.discrepancies if d.quantity == "dic")

    assert abs(abs(difference) - dic) <= 0.06


def test_exact_measurements_are_left_as_they_are() -> None:
    result = adjust(measured=sample(*SD), sd=SD, **WHERE)

    assert result.consistent is True
    assert result.degrees_of_freedom == 2
    assert_allclose(list(result.residuals.values()), 0.0, atol=1e-8)
    for name in STANDARD_OUTPUTS:
        assert_allclose(result.adjusted[name], TRUTH[name], rtol=1e-9)
    # Four measurements know the state better than any two of them.
    for name, sd in SD.items():
        assert result.adjusted_sd[name] < sd


def test_a_misfit_is_not_called_consistent_and_its_numbers_stay() -> None:
    result = adjust(measured=sample(*SD, ph_total=0.02), sd=SD, **WHERE)

    assert result.consistent is False
    assert result.p_value < 0.001
    assert "do not fit together" in result.message
    assert abs(result.standardised_residuals["ph_total"]) > 3.0
    assert np.isfinite(result.adjusted["dic"])


def test_with_three_quantities_all_standardised_residuals_have_one_size() -> None:
    # With one degree of freedom each is the root of chi-square.
    result = adjust(measured=sample("total_alkalinity", "dic", "ph_total", dic=3.0), sd=SD, **WHERE)

    for value in result.standardised_residuals.values():
        assert_allclose(abs(value), np.sqrt(result.chi_square), rtol=1e-4)


def test_honest_samples_pass_as_often_as_the_level_says() -> None:
    # 2,000 invented samples with errors as stated: 5 % fail; central 99.9 % of the binomial.
    rng = np.random.default_rng(44)
    measured = {name: TRUTH[name] + sd * rng.standard_normal(2000) for name, sd in SD.items()}

    result = adjust(measured=measured, sd=SD, **WHERE)

    failures = int((~result.consistent).sum())
    assert 69 <= failures <= 133
    # And the adjusted values scatter as the adjustment says.
    for name in ("dic", "ph_total", "aragonite_saturation"):
        spread = np.std(result.adjusted[name] - TRUTH[name])
        assert_allclose(spread, np.mean(result.adjusted_sd[name]), rtol=0.06)


def test_the_adjusted_state_has_the_least_weighted_misfit() -> None:
    measured = sample(*SD, ph_total=0.004, dic=-3.0)
    result = adjust(measured=measured, sd=SD, **WHERE)

    def misfit(ph: float, dic: float) -> float:
        state = solve(ph_total=ph, dic=dic, **WHERE)
        return sum(((measured[n] - state[n]) / SD[n]) ** 2 for n in SD)

    least = misfit(result.adjusted["ph_total"], result.adjusted["dic"])
    assert_allclose(least, result.chi_square, rtol=1e-9)
    for d_ph, d_dic in ((1e-4, 0.0), (-1e-4, 0.0), (0.0, 0.05), (0.0, -0.05)):
        assert misfit(result.adjusted["ph_total"] + d_ph, result.adjusted["dic"] + d_dic) > least


def test_uncertain_constants_widen_what_still_fits() -> None:
    measured = sample("total_alkalinity", "dic", "ph_total", ph_total=0.02)

    strict = adjust(measured=measured, sd=SD, **WHERE)
    wide = adjust(measured=measured, sd=SD, **WHERE, constants_sd=ORR2018)

    assert not strict.consistent
    assert wide.consistent
    assert wide.chi_square < strict.chi_square


def test_arrays_are_adjusted_member_by_member_and_missing_ones_are_not_consistent() -> None:
    dic = TRUTH.dic + np.array([0.0, 5.0, np.nan])

    result = adjust(measured={"total_alkalinity": 2312.0, "dic": dic, "ph_total": TRUTH.ph_total}, sd=SD, **WHERE)

    single = adjust(measured={"total_alkalinity": 2312.0, "dic": dic[1], "ph_total": TRUTH.ph_total}, sd=SD, **WHERE)
    assert_allclose(result.adjusted["ph_total"][1], single.adjusted["ph_total"], rtol=1e-12)
    assert np.isnan(result.adjusted["ph_total"][2])
    assert not result.consistent[2]
    assert "of 3 samples" in result.message


def test_labelled_samples_are_matched_by_name() -> None:
    dic = xr.DataArray(TRUTH.dic + np.array([0.0, 5.0]), dims="time", coords={"time": [3, 4]})
    ph = xr.DataArray(TRUTH.ph_total + np.array([0.0, 0.01]), dims="sensor")

    result = adjust(measured={"total_alkalinity": 2312.0, "dic": dic, "ph_total": ph}, sd=SD, **WHERE)

    single = adjust(
        measured={"total_alkalinity": 2312.0, "dic": float(dic[1]), "ph_total": float(ph[0])}, sd=SD, **WHERE
    )
    assert result.chi_square.dims == ("time", "sensor")
    assert_allclose(float(result.chi_square.sel(time=4, sensor=0)), single.chi_square, rtol=1e-9)
    assert bool(result.consistent.sel(time=3, sensor=0))
    with pytest.raises(ShapeError, match="no named dimensions"):
        adjust(measured={"total_alkalinity": np.full(2, 2312.0), "dic": dic, "ph_total": ph}, sd=SD, **WHERE)


def test_what_cannot_be_adjusted_is_refused() -> None:
    with pytest.raises(InputError, match="three or more"):
        adjust(measured=sample("dic", "ph_total"), sd=SD, **WHERE)
    with pytest.raises(InputError, match="different kinds"):
        adjust(measured=sample("dic", "fco2", "pco2"), sd=SD | {"pco2": 1.0}, **WHERE)
    with pytest.raises(InputError, match="sd lacks"):
        adjust(measured=sample("dic", "fco2", "ph_total"), sd={"dic": 1.0}, **WHERE)
    with pytest.raises(InputError, match="above zero"):
        adjust(measured=sample("dic", "fco2", "ph_total"), sd=SD | {"dic": 0.0}, **WHERE)
    with pytest.raises(NoSolutionError):
        adjust(measured={"dic": -5.0, "fco2": -5.0, "ph_total": 8.0}, sd=SD, **WHERE)
