"""Closure: lines of evidence for the local part, in agreement and in conflict."""

import numpy as np
import pytest

from reeftally.errors import InputError, ShapeError
from reeftally.ledger import (
    EvidenceLine,
    MixingLine,
    State,
    closure,
    excess_from_difference,
    excess_from_flux,
    excess_from_isotopes,
    excess_from_organisms,
    metabolism_from_slope,
    split,
)


def test_the_demonstration_closes_from_fluxes_and_from_differences():
    # Design: DIC flux 72.9 mmol m-2 d-1, residence 34 h, depth 6.4 m; basin minus offshore 15.3, gas -0.5.
    flux = excess_from_flux(flux=72.9 / 24, residence_time=34.0, depth=6.4, density=1022.4)
    difference = excess_from_difference(
        reef=State(28.4, 35.1, 2308.2, 2004.1), reference=State(28.4, 35.1, 2312.0, 1988.8), mixing_line=None,
        gas_exchange_dic=-0.5,
    )  # fmt: skip

    assert float(difference) == pytest.approx(15.8, abs=1e-9)
    assert 0.8 <= float(flux / difference) <= 1.25


def test_dilution_is_not_a_local_excess():
    reef = State(28.0, 34.3, 2310.0 * 0.98, 1990.0 * 0.98)
    found = excess_from_difference(
        reef=reef, reference=State(28.0, 35.0, 2310.0, 1990.0), mixing_line=MixingLine(0.0, 0.0)
    )

    assert float(found) == pytest.approx(0.0, abs=1e-9)
    with pytest.raises(InputError, match="mixing_line"):
        excess_from_difference(reef=reef, reference=State(28.0, 35.0, 2310.0, 1990.0), mixing_line=None)


def test_organisms_that_are_a_known_share_rebuild_the_bed_flux():
    # 3.7 of 13.2 mmol m-2 h-1 respired: the whole respiration minus uptake and calcification is the bed flux.
    found = excess_from_organisms(
        community_release=3.7, share_of_respiration=3.7 / 13.2, gross_uptake=9.0, carbonate_dic_flux=-0.4,
        residence_time=34.0, depth=6.4, density=1022.4,
    )  # fmt: skip

    expected = excess_from_flux(flux=13.2 - 9.0 - 0.4, residence_time=34.0, depth=6.4, density=1022.4)
    assert float(found) == pytest.approx(float(expected), rel=1e-12)


def test_the_lightening_of_the_water_gives_the_added_carbon(row):
    given_ = row("iso-020")["conditions"]
    found = excess_from_isotopes(
        dic=given_["DIC0"] + given_["added_DIC"], delta13c=row("iso-020")["value"],
        reference_delta13c=given_["delta0"], source_delta13c=given_["delta_added"],
    )  # fmt: skip

    assert float(found) == pytest.approx(given_["added_DIC"], abs=1e-6)


def test_the_organic_share_of_a_slope(row):
    # Cyronak et al. 2018: 32 to 88 % organic, slopes 1.36 to 0.24; m 0.5 gives NCC : NCP 1/3, share 0.75
    share, _ = metabolism_from_slope(slope=[1.36, 0.24])
    half, ratio = metabolism_from_slope(slope=0.5)

    assert share == pytest.approx([row("ncp-frac")["value"], 0.88], abs=1e-9)
    assert (float(half), float(ratio)) == pytest.approx((0.75, 0.333333), abs=1e-4)


def test_metabolism_along_the_ph_isoline_does_not_move_ph():
    # Isoline slope 1.1175 at TA 2350, DIC 2000, S 35.5, 27 °C (independent computation, tolerance 0.01)
    step = 0.5
    moved = np.zeros((7, 4, 2))
    moved[3, 2, 0], moved[3, 3, 1] = step, step
    found = split(reference=State(27.0, 35.5, 2350.0, 2000.0), increments=moved)
    by_alkalinity, by_dic = found.total(quantity="ph_total")

    assert -by_dic / by_alkalinity == pytest.approx(1.1175, abs=0.01)


def test_lines_that_agree_are_combined_by_their_weights():
    found = closure(
        lines=[
            EvidenceLine("reef minus reference", value=15.8, sd=1.5),
            EvidenceLine("bed flux × residence / depth", value=17.0, sd=3.0),
            EvidenceLine("organisms", value=12.0, sd=5.0),
        ]
    )
    weight = np.array([1.5, 3.0, 5.0]) ** -2.0

    assert found.agree
    assert found.combined == pytest.approx((weight * [15.8, 17.0, 12.0]).sum() / weight.sum())
    assert found.combined_sd == pytest.approx(weight.sum() ** -0.5)
    assert found.ratio[1] == pytest.approx(17.0 / 15.8)
    assert "agree" in found.sentence


def test_lines_that_disagree_are_not_averaged_and_the_odd_one_is_named():
    found = closure(
        lines=[
            EvidenceLine("differences", value=15.8, sd=1.0),
            EvidenceLine("fluxes", value=16.5, sd=1.5),
            EvidenceLine("isotopes", value=31.0, sd=2.0),
        ]
    )

    assert not found.agree
    assert np.isnan(found.combined)
    assert found.outlier == "isotopes"
    assert found.sentence.startswith("Not resolved")
    assert "Without isotopes the others agree" in found.sentence


def test_with_two_lines_nobody_is_called_the_odd_one():
    found = closure(lines=[EvidenceLine("differences", value=15.8, sd=1.0), EvidenceLine("fluxes", value=25.0, sd=1.5)])

    assert not found.agree
    assert found.outlier is None
    assert "differ by 9.2" in found.sentence


def test_errors_that_lines_share_do_not_hide_their_disagreement():
    rng = np.random.default_rng(7)
    shared = rng.normal(0, 5.0, 4000)
    first = 15.0 + shared + rng.normal(0, 0.5, 4000)
    second = 19.0 + shared + rng.normal(0, 0.5, 4000)

    together = closure(lines=[EvidenceLine("a", samples=first), EvidenceLine("b", samples=second)])
    apart = closure(lines=[EvidenceLine("a", value=15.0, sd=5.0), EvidenceLine("b", value=19.0, sd=5.0)])

    assert not together.agree
    assert together.difference_sd[0, 1] == pytest.approx(np.hypot(0.5, 0.5), rel=0.05)
    assert apart.agree


def test_one_line_is_not_tested_and_wide_lines_say_little():
    one = closure(lines=[EvidenceLine("differences", value=15.8, sd=1.0)])
    wide = closure(lines=[EvidenceLine("a", value=1.0, sd=30.0), EvidenceLine("b", value=20.0, sd=30.0)])

    assert not one.agree
    assert one.sentence.startswith("Not tested")
    assert "says little" in wide.sentence


def test_agreement_is_claimed_in_95_of_100_true_agreements():
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(500):
        lines = [
            EvidenceLine(name, value=15.0 + sd * rng.normal(), sd=sd)
            for name, sd in (("a", 1.0), ("b", 3.0), ("c", 5.0))
        ]
        held += closure(lines=lines).agree

    assert 458 <= held <= 489


def test_bad_lines_are_named():
    with pytest.raises(InputError, match="isotopes"):
        closure(lines=[EvidenceLine("isotopes", value=np.nan, sd=1.0)])
    with pytest.raises(InputError, match="samples, or value and sd"):
        closure(lines=[EvidenceLine("isotopes", value=1.0)])
    with pytest.raises(ShapeError, match="trials"):
        closure(lines=[EvidenceLine("a", samples=np.arange(5.0)), EvidenceLine("b", samples=np.arange(6.0))])
    with pytest.raises(InputError, match="at least one"):
        closure(lines=[])
