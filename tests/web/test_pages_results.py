"""Pages of results: they open at every stage, hold the numbers of the run, escape what people wrote."""

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from tests.web.conftest import FIRST_NS, HOSTILE, MINUTE_NS, bare, client_of, row, with_data

from reeftally import ledger
from reeftally.analysis.estimates import Estimates
from reeftally.analysis.results import write_results
from reeftally.telling import read_facts
from reeftally.web.blocks import number_key, value_of
from reeftally.web.look import Look, Memory
from reeftally.web.pages import Query, find_pages
from reeftally.web.pages._parts import newest_periods

PAGES = ("side_by_side", "flow", "flux", "chemistry", "organisms", "isotopes", "account", "years", "package")

INPUTS = {
    "reef_temperature": 28.45, "reef_salinity": 35.1, "reef_total_alkalinity": 2309.7, "reef_dic": 2004.2,
    "reference_temperature": 28.4, "reference_salinity": 35.1, "reference_total_alkalinity": 2314.5,
    "reference_dic": 1989.9, "reef_oxygen": 183.9, "reference_oxygen": 197.6, "xco2_now": 428.7, "xco2_past": 291.6,
    "air_pressure": 1011.2, "oxygen_gas_exchange": 4.0, "dic_gas_exchange": -0.36, "pq": 1.05, "residence_time": 34.0,
    "alkalinity_at_zero_salinity": 0.0, "dic_at_zero_salinity": 0.0, "pressure": 5.4,
}  # fmt: skip

DRIVERS = {
    "global": -0.1313, "organic": -0.0276, "carbonate": -0.0028, "gas_exchange": 0.0006, "residual": 0.0007,
    "local": -0.0298, "total": -0.0312,
}  # fmt: skip


def estimates():
    """Return invented estimates of every kind that the pages show."""
    out = Estimates()
    plain = {"unit": "", "trail": "account"}
    for driver, value in DRIVERS.items():
        for method in ("shapley_from_reference", "shapley_from_past"):
            if driver == "global" and method.endswith("reference"):
                continue
            for period, start in (("mission", "2031-03-25T20:00:00Z"), ("night", "2031-03-26T13:00:00Z")):
                out.rows.append(
                    row(
                        quantity=f"ph_change_{driver}", method=method, value=value, lower=value - 0.004,
                        upper=value + 0.004, period=period, start=start, **plain,
                    )
                )  # fmt: skip
    for name in ("total", "local"):
        out.rows.append(
            row(
                quantity=f"ph_change_{name}_sensitivity", method="reference_ph_higher_by_0.01", value=-0.01,
                lower=-0.0100001, upper=-0.0099999, **plain,
            )
        )  # fmt: skip
    out.rows += [
        row(),
        row(method="gradient", value=-13.4, lower=-15.0, upper=-11.8, budget="offset of OXY-1 0.61; random 0.2"),
        row(
            quantity="method_bias", method="covariance_against_gradient", value=0.4, lower=-1.0, upper=1.8,
            reason=f"they agree {HOSTILE}", trail="agreement",
        ),
        row(quantity="friction_velocity", method="log_law", value=0.0095, lower=0.0086, upper=0.0103, unit="m s-1"),
        row(
            quantity="local_dic_excess", method="reef_minus_reference", value=14.6, lower=10.7, upper=18.4,
            unit="µmol kg-1", trail="closure",
        ),
        row(quantity="closure_ratio", method="flux_times_residence_over_difference", value=1.05, lower=0.6, upper=1.6,
            unit="1", trail="closure"),
        row(
            quantity="source_delta13C", method="night_samples", value=None, lower=None, upper=None, unit="‰", flag=4,
            reason=f"not resolved: detectable limit 5.0 ‰ (1 sd at best); bound -23 to 4 ‰; {HOSTILE}",
            trail="isotopes",
        ),
        row(
            quantity="visit_ph_difference", method="carried_sensor", subject=f"urn-01 {HOSTILE}", period="instant",
            start="2031-03-26T08:22:00Z", end="2031-03-26T08:28:00Z", value=-0.0151, lower=-0.0157, upper=-0.0145,
            unit="", trail="visits", flag=3, reason=HOSTILE,
        ),
        row(quantity="community_share", method="scaled_organisms", subject="community", value=0.28, lower=0.14,
            upper=0.42, unit="1", trail="organisms"),
        row(quantity="ph_total", method="trials", value=8.0012, lower=7.9981, upper=8.0043, unit="", trail="chemistry"),
    ]  # fmt: skip
    return out


def put(folder: Path) -> Path:
    """Write a run with everything that the pages read."""
    starts = np.arange(FIRST_NS, FIRST_NS + 2 * 86_400 * 10**9, 15 * MINUTE_NS, dtype=np.int64)
    count = starts.size
    wave = np.sin(np.arange(count) / 8.0)

    def group(**names):
        return xr.Dataset(
            {name: ("time", np.asarray(v)) for name, v in names.items()},
            coords={"time": ("time", starts.view("datetime64[ns]"))},
        )

    flow = group(
        speed=0.1 + 0.05 * wave, direction_to=np.where(wave > 0, 70.0, 250.0),
        friction_velocity=0.01 + 0.004 * wave, friction_velocity_log_law=0.01 + 0.004 * wave,
        friction_velocity_log_law_random_sd=np.full(count, 0.001),
    )  # fmt: skip
    codes = np.zeros(count, dtype=np.int32)
    codes[:7] = 1
    flow["VEL-A__burst_reason"] = ("time", codes, {"flag_meanings": "too_few_samples all_missing"})
    reasons = np.zeros(count, dtype=np.int32)
    reasons[:5] = 8
    exchange = group(
        oxygen_flux_covariance=-5.0 + 9.0 * wave, oxygen_flux_covariance_random_sd=np.full(count, 1.0),
        oxygen_flux_gradient=-5.2 + 9.0 * wave, oxygen_flux_gradient_random_sd=np.full(count, 1.5),
        oxygen_flux_covariance_reason=reasons,
    )  # fmt: skip
    chemistry = group(
        dic=2004.0 + 5.0 * wave, total_alkalinity=2309.0 + 2.0 * wave, oxygen=184.0 - 9.0 * wave,
        ph_total=8.0 - 0.01 * wave,
    )  # fmt: skip
    trail = {
        "settings": {"constants": {"k1k2": "lueker2000", "ks": "dickson1990", "kf": "perez1987",
                                   "boron": "uppstrom1974"}},
        "methods": {}, "inputs": {}, "records": {}, "velocimeters": {"VEL-A": {"blocks": count}},
        "sensors": {
            "oxygen": {
                "sensors": ["OXY-1", "OXY-2"], "offset": [-2.0, 1.0], "noise": [0.02, 0.03], "range": 9.4,
                "covariance": [[1.0, 0.9975, 0, 0], [0.9975, 1.0, 0, 0], [0] * 4, [0] * 4], "blocks": 52,
                "laboratories": [HOSTILE],
            }
        },
        "reference_water": {"ph_total": {"value": 8.031, "random_sd": 0.0005, "from": HOSTILE}},
        "account_inputs": [{"period": "mission", "start": "2031-03-25T20:00:00Z", "end": "2031-03-27T20:00:00Z",
                            "inputs": INPUTS}],
        "notes": {"closure": f"The lines agree {HOSTILE}", "agreement": f"agree {HOSTILE}"},
    }  # fmt: skip
    run = write_results(
        folder, estimates=estimates(), groups={"flow": flow, "exchange": exchange, "chemistry": chemistry},
        trail=trail, attributes={},
    )  # fmt: skip
    (run / "replicates.csv").write_text(
        "organism,form,quantity,n,mean,lower,upper,sd,wanted,from_book,needed,more\n"
        "urn-01,urn,ph_total,2,-0.0151,-0.0157,-0.0145,0.0005,0.004,no,3,1\n",
        encoding="utf-8",
    )
    (run / "fitness.csv").write_text(
        "sensor,day,quantity,purpose,grade,good_share,offset_sd,partner,pair_offset_sd,clock_sd_s,flux_cost,flux,"
        "flux_unit,sentence,reasons\n"
        "OXY-1,2031-03-26,oxygen,gradient,fit,1,0.4,OXY-2,0.0036,0,0.077,-13,mmol m-2 h-1,<b>An offset</b>,\n",
        encoding="utf-8",
    )
    (run / "sensors.csv").write_text(
        "sensor,quantity,unit,offset_before,offset_before_sd,offset_after,offset_after_sd,change,change_sd,"
        "drift_per_day,drift_per_day_sd,range_in_common,gain_note\n"
        "OXY-1,oxygen,µmol kg-1,-2.1,0.05,-1.9,0.05,0.2,0.03,0.1,0.02,9.4,<i>note</i>\n",
        encoding="utf-8",
    )
    return run


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """A mission with a run of its own; not to be changed."""
    folder = with_data(tmp_path_factory.mktemp("told") / "mission")
    put(folder)
    return folder


@pytest.fixture(scope="module")
def texts(told):
    """The HTML of every page of the finished mission."""
    asked = client_of(told)
    answers = {name: asked.get(f"/{name}") for name in PAGES}
    assert {name: a.status_code for name, a in answers.items()} == dict.fromkeys(PAGES, 200)
    return {name: a.text for name, a in answers.items()}


@pytest.mark.parametrize("name", PAGES)
def test_every_page_is_whole_and_escapes_what_people_wrote(texts, name):
    text = texts[name]

    assert "could not be made" not in text
    assert "lacks something" not in text
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert "<b>An offset" not in text
    assert "<i>note" not in text


SHOWN = {
    "account": [("ph_change_organic", "shapley_from_reference"), ("ph_change_global", "shapley_from_past"),
                ("local_dic_excess", "reef_minus_reference"),
                ("closure_ratio", "flux_times_residence_over_difference")],
    "flux": [("oxygen_flux", "covariance"), ("oxygen_flux", "gradient"), ("method_bias", None)],
    "flow": [("friction_velocity", "log_law")],
    "chemistry": [("ph_total", "trials")],
    "organisms": [("visit_ph_difference", "carried_sensor")],
}  # fmt: skip


@pytest.mark.parametrize("name", SHOWN)
def test_numbers_are_those_of_the_table_and_lead_to_their_explanation(told, texts, name):
    facts = read_facts(told)
    for quantity, method in SHOWN[name]:
        n = facts.find(quantity, method=method)[0]
        wanted = value_of(n, sign=True).text
        links = re.findall(rf'<a class="n" href="/number/{number_key(n)}"[^>]*>([^<]*)</a>', texts[name])
        assert wanted.replace("+", "") in [text.replace("+", "") for text in links], f"{quantity} by {method}"
        assert client_of(told).get(f"/number/{number_key(n)}").status_code == 200


def test_bursts_and_blocks_are_counted_by_reason(texts):
    assert re.search(r"refused: too few samples</td><td[^>]*>7</td>", texts["flow"])
    assert re.search(r"slack water</td><td[^>]*>5</td>", texts["flux"])


def test_pairs_are_told_with_their_joint_uncertainty(texts):
    # Var = 1 + 1 - 2 * 0.9975 = 0.005, so 1.96 sd is 0.139, while either offset alone is known to 1.96.
    text = texts["side_by_side"]

    assert "−3.00 ± 0.14" in text
    assert "−2.0 ± 2.0" in text
    assert "0.077 mmol m⁻² h⁻¹" in text


def test_isotopes_say_first_what_cannot_be_told(texts):
    text = texts["isotopes"]

    table = text[text.index("<table") :]
    assert table.index("detectable limit") < table.index("5.0 ‰") < table.index("not resolved <a")
    assert "5.0 ‰ (1 sd at best)" in text
    assert "Over decades carbon-13 alone cannot tell" in text


def test_one_mission_shows_no_trend(texts):
    assert "One mission cannot show a trend." in texts["years"]


def test_organisms_stand_with_what_is_left(texts):
    assert "28 (14 to 42) %" in texts["organisms"]
    assert re.search(r"urn-01</td>.*?>1</td>\s*</tr>", texts["organisms"], flags=re.DOTALL)
    assert "Do not touch." in texts["organisms"]


def test_an_error_of_the_reference_is_shown_both_ways(told, texts):
    up = ledger.what_if(inputs=INPUTS, reference_ph_offset=0.01).shift["shapley_from_reference"]["total"]

    assert up == pytest.approx(-0.0100, abs=1e-4)
    text = texts["account"]
    assert re.search(r"\+0\.01</td><td[^>]*>−0\.0100</td>", text)
    assert re.search(r"−0\.01</td><td[^>]*>\+0\.0100</td>", text)
    assert "Read the interval" in text


def test_a_what_if_is_the_ledgers_own_answer(told):
    text = client_of(told).get("/account?reference=0.02&residence=20&pq=1.2").text
    wanted = ledger.what_if(inputs=INPUTS, reference_ph_offset=0.02, residence_time=20.0, pq=1.2)

    shift = wanted.shift["shapley_from_reference"]["organic"]
    assert f"{abs(shift):.4f}" in text
    assert wanted.sentence.split(":")[0][:30] in text


@pytest.mark.parametrize("wish", ["reference=nan", "reference=7", "pq=x%3Cb%3E", "residence=-3", "period=no%20such"])
def test_a_wish_that_cannot_be_is_refused_in_words(told, wish):
    answer = client_of(told).get(f"/account?{wish}")

    assert answer.status_code == 200
    assert "<b>" not in answer.text.split("</nav>", 1)[-1]
    assert ("Not asked." in answer.text) == (not wish.startswith("period"))


def test_the_package_names_what_is_missing_and_how_files_are_checked(told, texts):
    text = texts["package"]

    assert "required fields are missing" in text
    assert "dataset.institution" in text
    assert "estimates.csv" in text
    digests = [json.loads(line)["hash"] for line in (told / "raw" / "index.jsonl").read_text().splitlines()]
    assert all(digest in text for digest in digests)


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("stage", ["nothing", "bare", "data", "torn"])
def test_unfinished_and_damaged_missions_say_what_to_do(told, tmp_path, stage, name):
    folder = tmp_path / "mission"
    if stage == "nothing":
        folder.mkdir()
    elif stage == "bare":
        bare(folder)
    elif stage == "data":
        with_data(folder)
    else:
        shutil.copytree(told, folder, symlinks=True)
        run = folder / "results" / "latest"
        (run / "results.nc").write_bytes(b"no such file kind")
        (run / "trail.json").write_text('{"settings"', encoding="utf-8")
        (run / "fitness.csv").write_bytes(b"\x00\xff\n,,,")

    answer = client_of(folder).get(f"/{name}")

    assert answer.status_code == 200
    assert 'class="notice' in answer.text
    assert "Traceback" not in answer.text


def test_torn_series_leave_the_numbers_standing(told, tmp_path):
    folder = Path(shutil.copytree(told, tmp_path / "mission", symlinks=True))
    (folder / "results" / "latest" / "results.nc").write_bytes(b"no such file kind")
    facts = read_facts(folder)
    n = facts.find("oxygen_flux", method="covariance")[0]

    text = client_of(folder).get("/flux").text

    assert value_of(n).text in text
    assert "not drawn" in text


def test_pages_write_nothing(told):
    before = sorted((p.relative_to(told), p.stat().st_mtime_ns) for p in told.rglob("*") if p.is_file())
    look = Look(told, Memory())
    for name, entry in find_pages().items():
        if name in PAGES:
            entry.page(look, Query())

    after = sorted((p.relative_to(told), p.stat().st_mtime_ns) for p in told.rglob("*") if p.is_file())
    assert after == before


def test_older_periods_wait_behind_their_caption_and_every_number_stays_on_the_page(told):
    model = read_facts(told).find("oxygen_flux", method="covariance")[0]
    nights = [
        replace(model, index=k, period="night", start=f"2031-03-{26 + k}T13:00:00Z", end=f"2031-03-{26 + k}T23:00:00Z")
        for k in range(5)
    ]
    numbers = [replace(model, index=9), *nights]

    newest, older = newest_periods(read_facts(told), "Oxygen flux", numbers)

    assert [len(newest.rows), len(older.rows)] == [4, 2]
    assert not newest.closed
    assert older.closed
    assert [r[0] for r in older.rows] == ["night of 26 Mar", "night of 27 Mar"]
    assert len(newest_periods(read_facts(told), "Oxygen flux", numbers[:4])) == 1
