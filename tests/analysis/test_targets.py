"""Targets: every one appears, the narrowest method counts, the widest period decides."""

import csv
import io

import pytest

from reeftally.analysis.estimates import Estimate
from reeftally.analysis.targets import COLUMNS, deciding, target_results, to_csv
from reeftally.mission import Target


def row(quantity="oxygen_flux", *, method="gradient", start="2031-03-26T13:00:00Z", half=1.0, reason="", **more):
    known = {"period": "night", "unit": "mmol m-2 h-1", "subject": "site"} | more
    given = half is not None
    return Estimate(
        quantity=quantity, method=method, start=start, end=start, value=-12.0 if given else None,
        lower=-12.0 - half if given else None, upper=-12.0 + half if given else None, reason=reason, **known,
    )  # fmt: skip


FLUX = Target(quantity="oxygen_flux", period="night", half_width_95=2.0, unit="mmol m-2 h-1")
SOURCE = Target(quantity="source_delta13C", period="mission", half_width_95=2.0, unit="permil")


def test_the_narrowest_method_of_a_night_counts_and_the_widest_night_decides():
    rows = [
        row(method="gradient", half=2.5),
        row(method="covariance", half=1.2),
        row(method="gradient", start="2031-03-27T13:00:00Z", half=1.9),
    ]

    first, second = target_results(targets=[FLUX], estimates=rows)

    assert (first.method, first.estimate, first.state, first.decides) == ("covariance", 1, "met", False)
    assert (second.method, second.estimate, second.state, second.decides) == ("gradient", 2, "met", True)
    assert second.reached == pytest.approx(1.9)


def test_one_wide_night_misses_the_target():
    rows = [row(half=1.0), row(start="2031-03-27T13:00:00Z", half=2.1)]

    (decides,) = deciding(target_results(targets=[FLUX], estimates=rows))

    assert decides.state == "not met"
    assert decides.start == "2031-03-27T13:00:00Z"


def test_every_target_of_the_book_appears_measured_or_not():
    targets = [FLUX, SOURCE, Target(quantity="ph_trend", period="season", half_width_95=0.001, unit="yr-1")]
    rows = [row(), row("source_delta13C", period="mission", unit="‰", half=None, reason="no bottle has it")]

    found = deciding(target_results(targets=targets, estimates=rows))

    assert [r.target for r in found] == [0, 1, 2]
    assert [r.state for r in found] == ["met", "not measured", "not measured"]
    assert [r.reason for r in found] == ["", "no bottle has it", "no estimate"]


def test_a_refused_night_is_not_measured_but_does_not_hide_the_others():
    rows = [row(half=None, reason="slack water"), row(start="2031-03-27T13:00:00Z", half=1.0)]

    found = target_results(targets=[FLUX], estimates=rows)

    assert [(r.state, r.decides) for r in found] == [("not measured", False), ("met", True)]
    assert found[0].reason == "slack water"


def test_another_unit_is_not_taken_for_the_targets():
    (found,) = target_results(targets=[FLUX], estimates=[row(unit="mmol m-2 d-1")])

    assert found.state == "not measured"
    assert "mmol m-2 d-1" in found.reason


def test_the_table_reads_back():
    found = target_results(targets=[FLUX, SOURCE], estimates=[row(half=1.25)])

    rows = list(csv.DictReader(io.StringIO(to_csv(found))))

    assert tuple(rows[0]) == COLUMNS
    assert float(rows[0]["reached"]) == pytest.approx(1.25)
    assert [r["state"] for r in rows] == ["met", "not measured"]
    assert [r["decides"] for r in rows] == ["yes", "yes"]
