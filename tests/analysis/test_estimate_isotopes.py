"""Source of the added carbon from bottles. All waters are invented; the mass balance is exact."""

from types import SimpleNamespace

import numpy as np
import pytest

from reeftally.analysis.estimate_isotopes import estimate_isotopes, join_bottles
from reeftally.analysis.estimates import Estimates
from reeftally.analysis.grid import make_grid
from reeftally.analysis.offsets import usable_bottles
from reeftally.analysis.periods import Span
from reeftally.ledger import delta_after_adding

DAY_NS = 86_400_000_000_000
HOUR_NS = DAY_NS // 24
BASE, BASE_DELTA = 1988.0, 0.95


def _bottle(
    number, hour, station, dic, delta, *, delta_sd=0.02, dic_sd=1.0, near=None, salinity=35.0, alkalinity=2310.0
):
    return SimpleNamespace(
        bottle=f"B{number:03d}", time_ns=int(hour * HOUR_NS), station=station, height_above_bed_m=1.0, near=near,
        dic=dic, dic_sd=dic_sd, total_alkalinity=alkalinity, total_alkalinity_sd=1.5, delta13c_dic=delta,
        delta13c_sd=delta_sd, salinity=salinity, flag=2,
    )  # fmt: skip


def _water(added, source):
    return BASE + added, float(delta_after_adding(dic=BASE, delta13c=BASE_DELTA, added=added, delta_added=source))


def _chain(bottles, visits=(), references=()):
    grid = make_grid(start_ns=0, end_ns=10 * DAY_NS, block_s=900)
    spans = [Span("mission", "m", 0, 10 * DAY_NS, complete=True)]
    spans += [Span("night", f"n{k}", k * DAY_NS, k * DAY_NS + DAY_NS // 2, complete=True) for k in range(10)]
    stations = [SimpleNamespace(name="mast", role="bed"), SimpleNamespace(name="far", role="reference"),
                SimpleNamespace(name="jet", role="carried")]  # fmt: skip
    book = SimpleNamespace(
        stations=stations, references=references, stations_of_role=lambda role: [s for s in stations if s.role == role],
        reference=lambda name: next((r for r in references if r.quantity == name), None),
    )  # fmt: skip
    return SimpleNamespace(
        grid=grid, spans=spans, slow={}, account=None, estimates=Estimates(), notes={},
        context=SimpleNamespace(book=book, tables=SimpleNamespace(bottles=bottles, visits=visits)),
        water=SimpleNamespace(salinity=np.full(grid.count, 35.0), temperature=np.full(grid.count, 28.0)),
        model=SimpleNamespace(
            reference=SimpleNamespace(values={"salinity": 35.0, "total_alkalinity": 2310.0, "dic": BASE})
        ),
    )  # fmt: skip


def _nights(source=-18.5, n=40, delta_sd=0.02, seed=1, spread=60.0):
    rng = np.random.default_rng(seed)
    bottles = []
    for i in range(n):
        dic, delta = _water(10 + spread * i / n, source)
        bottles.append(
            _bottle(
                i, 24 * (i % 10) + 1 + 0.2 * (i // 10), "mast", dic + rng.standard_normal(),
                delta + delta_sd * rng.standard_normal(), delta_sd=delta_sd,
            )
        )  # fmt: skip
    return bottles


def _rows(chain):
    return {(row.method, row.subject): row for row in chain.estimates.rows}


def test_nights_of_pure_respiration_give_its_carbon_by_nights_and_with_carbonate_removed():
    chain = _chain(_nights())

    estimate_isotopes(chain)

    for method in ("night_samples", "night_samples_without_carbonate"):
        row = _rows(chain)[method, "site"]
        assert row.lower < -18.5 < row.upper
        assert row.random_sd < 3.0
        assert "detectable limit" in row.reason


def test_three_tenths_of_a_permil_and_forty_samples_are_not_resolved_and_the_limit_is_said():
    chain = _chain(_nights(delta_sd=0.3, spread=15.0))

    estimate_isotopes(chain)

    row = _rows(chain)["night_samples", "site"]
    assert row.value is None
    assert row.reason.startswith("not resolved: detectable limit")
    assert "bound" in row.reason


def test_reef_minus_reference_gives_the_source_that_makes_one_water_into_the_other():
    far = [_bottle(100 + i, 20 + 24 * i, "far", BASE, BASE_DELTA, delta_sd=0.01, dic_sd=0.5) for i in range(8)]
    dic, delta = _water(40.0, -25.0)
    reef = [_bottle(i, 24 * (i % 10) + 14, "mast", dic, delta, delta_sd=0.01, dic_sd=0.5) for i in range(10)]
    chain = _chain(far + reef)

    found = estimate_isotopes(chain)

    assert found["reef_minus_reference"].value == pytest.approx(-25.0, abs=0.01)
    assert "not the carbon respired" in _rows(chain)["reef_minus_reference", "site"].reason


def test_water_from_a_jet_is_paired_with_the_ambient_water_nearest_in_time_by_form():
    bottles, visits = [], [SimpleNamespace(organism="urn-01", form="urn")]
    for i in range(12):
        dic, delta = _water(15.0, -15.0)
        out = dic + 30.0, float(delta_after_adding(dic=dic, delta13c=delta, added=30.0, delta_added=-19.5))
        bottles.append(_bottle(2 * i, 5 + i, "mast", dic, delta))
        bottles.append(_bottle(2 * i + 1, 5.1 + i, "jet", *out, near="urn-01"))
    chain = _chain(bottles, visits)

    found = estimate_isotopes(chain)

    assert found["pairs urn"].value == pytest.approx(-19.5, abs=0.01)
    assert _rows(chain)["pairs", "urn"].n == 12


def test_bottles_closed_together_are_one_sample_and_others_are_not():
    dic, delta = _water(20.0, -18.5)
    first = _bottle(1, 2.0, "mast", dic, None)
    second = _bottle(2, 2.0 + 20 / 3600, "mast", None, delta)
    third = _bottle(3, 4.0, "mast", dic + 5, delta)

    samples = join_bottles(_chain([first, second, third]))

    assert [(s.dic, s.delta) for s in samples] == [(dic, delta), (dic + 5, delta)]


def test_rain_in_the_sample_is_taken_off_along_the_mixing_line():
    dic, delta = _water(20.0, -18.5)
    chain = _chain([_bottle(1, 2.0, "mast", dic, delta)])
    chain.water.salinity[:] = 34.9

    sample = join_bottles(chain)[0]

    # Rain without carbon: DIC of the reference over its salinity, for each unit of salinity.
    assert sample.dic == pytest.approx(dic + 0.1 * BASE / 35.0)


def test_candidates_of_the_book_are_weighed_and_the_global_caveat_stands_beside_every_answer():
    references = [
        SimpleNamespace(quantity="source_delta13c_sponges", value=-18.5, sd=1.0),
        SimpleNamespace(quantity="source_delta13c_carbonate", value=2.0, sd=1.0),
    ]
    chain = _chain(_nights(), references=references)

    estimate_isotopes(chain)

    assert "sponges is the likely source" in chain.notes["delta13C candidates"]
    assert "cannot tell" in chain.notes["delta13C"]


def _sources(**values):
    return [
        SimpleNamespace(quantity=f"source_delta13c_{name}", value=value, sd=sd) for name, (value, sd) in values.items()
    ]


def test_two_sources_are_shared_out_with_errors_and_a_bounded_answer_beside():
    chain = _chain(_nights(), references=_sources(sponges=(-19.5, 0.5), sediment=(-15.0, 0.5)))

    found = estimate_isotopes(chain)

    rows = _rows(chain)
    source = found["night_samples_without_carbonate"]
    # Phillips and Gregg 2001: f = (dM - dB) / (dA - dB), variance of dM, f dA and (1 - f) dB over (dA - dB)^2.
    share = (source.value + 15.0) / (-19.5 + 15.0)
    sd = np.sqrt(source.sd**2 + (share * 0.5) ** 2 + ((1 - share) * 0.5) ** 2) / 4.5
    linear, bounded = rows["2_sources", "sponges"], rows["2_sources_bounded", "sponges"]
    assert linear.value == pytest.approx(share)
    assert linear.random_sd == pytest.approx(sd)
    assert 0.0 <= bounded.lower < bounded.value < bounded.upper <= 1.0
    assert linear.value + rows["2_sources", "sediment"].value == pytest.approx(1.0)


def test_three_sources_and_one_tracer_say_that_they_are_mostly_prior():
    chain = _chain(_nights(), references=_sources(a=(-20.0, 0.5), b=(-17.0, 0.5), c=(1.0, 0.5)))

    estimate_isotopes(chain)

    rows = _rows(chain)
    assert ("3_sources", "a") not in rows
    assert rows["3_sources_bounded", "a"].flag == 3
    assert "one tracer cannot part three sources" in rows["3_sources_bounded", "a"].reason


def test_a_source_that_is_not_resolved_is_not_shared_out():
    chain = _chain(_nights(n=40, delta_sd=0.3, spread=20.0), references=_sources(a=(-20.0, 0.5), b=(-15.0, 0.5)))

    estimate_isotopes(chain)

    row = _rows(chain)["2_sources", "a"]
    assert row.value is None
    assert row.reason.startswith("not resolved")


def test_too_few_samples_are_refused_and_no_bottle_leaves_no_trace():
    few, none = _chain(_nights(n=2)), _chain([])

    estimate_isotopes(few)
    estimate_isotopes(none)

    assert all(row.value is None for row in few.estimates.rows)
    assert "at least 3" in _rows(few)["night_samples", "site"].reason
    assert none.estimates.rows == []
    assert none.notes == {}


def test_a_jet_is_paired_with_the_water_beside_it_before_that_of_the_mast():
    # Invented: the mast's water holds 8 µmol/kg more than the water beside the organism; mass balance exact.
    own, own_delta = _water(12.0, -18.5)
    bottles = []
    for k in range(12):
        at = 24 * (k % 10) + 3 + 0.5 * k
        rise = 30.0
        jet = float(delta_after_adding(dic=own, delta13c=own_delta, added=rise, delta_added=-21.0))
        bottles += [
            _bottle(3 * k, at, "jet", own, own_delta, dic_sd=0.5),
            _bottle(3 * k + 1, at + 0.08, "jet", own + rise, jet, near="urn-01", dic_sd=0.5),
            _bottle(3 * k + 2, at + 0.09, "mast", *_water(20.0, -18.5)),
        ]
    chain = _chain(bottles, visits=[SimpleNamespace(organism="urn-01", form="urn")])

    estimate_isotopes(chain)

    row = _rows(chain)["pairs", "urn"]
    assert row.value == pytest.approx(-21.0, abs=0.05)  # with the mast's water it would be about -22
    assert row.n == 12
    assert ("pairs", "site") not in _rows(chain)  # one form: all together would say the same again


def test_water_from_a_jet_is_no_water_of_the_reef():
    chain = _chain(
        [_bottle(1, 1, "mast", 2000.0, 0.8), _bottle(2, 2, "mast", 2030.0, 0.5, near="urn-01")],
        visits=[SimpleNamespace(organism="urn-01", form="urn")],
    )

    assert [b.bottle for b, _, _ in usable_bottles(chain.context, "dic")] == ["B001"]
    assert [b.bottle for b, _, _ in usable_bottles(chain.context, "dic", jets=True)] == ["B001", "B002"]
