"""The page of the plan says what `reeftally plan` says, and what is missing where it can say nothing."""

import html

import pytest
from tests.planning.test_plan import BESIDE, BOOK, PAIR, target
from tests.web.conftest import HOSTILE, bare, client_of

from reeftally.charts import quantity_name
from reeftally.planning import Expected, plan_mission

WITHOUT = BOOK + PAIR + BESIDE
WHOLE = (
    WITHOUT + target("oxygen_flux", 20.0) + target("oxygen_flux", 0.01, "mission") + target("ph_trend", 0.01, unit="1")
)


def planned(folder, text=WHOLE):
    folder.mkdir(exist_ok=True)
    (folder / "mission.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def mission(tmp_path_factory):
    return planned(tmp_path_factory.mktemp("plan") / "mission")


def words_of(folder, query=""):
    answer = client_of(folder).get(f"/plan{query}")
    assert answer.status_code == 200
    assert "could not be made" not in answer.text
    return html.unescape(answer.text)


def test_every_target_stands_with_what_the_command_predicts(mission):
    text, found = words_of(mission), plan_mission(mission)

    assert len(found.rows) > 1
    for row in found.rows:
        assert f"{quantity_name(row.quantity)}, {row.period}" in text
        assert (f"± {row.predicted:.2g}" if row.predicted is not None else row.reason) in text
        assert (row.dominant if row.predicted is not None else row.reason) in text
    assert f"{found.signals['false_dic_flux_of_0.001_ph']:.1f} mmol m⁻² h⁻¹" in text
    for missing in found.missing:
        assert missing[1:] in text
    assert "--night-uptake" not in text


def test_it_is_in_the_list_of_pages(mission):
    assert 'href="/plan"' in client_of(mission).get("/array").text


def test_a_wish_changes_the_prediction_as_the_command_does(mission):
    wished = plan_mission(mission, expected=Expected(night_uptake=24.0, friction_velocity=0.004))
    plain = plan_mission(mission)
    text = words_of(mission, "?night_uptake=24&friction_velocity=0.004")
    predicted = [f"± {row.predicted:.2g}" for row in wished.rows if row.predicted is not None]

    assert all(one in text for one in predicted)
    assert predicted != [f"± {row.predicted:.2g}" for row in plain.rows if row.predicted is not None]


@pytest.mark.parametrize("wish", ["0", "-3", "nan", "inf", "much", HOSTILE])
def test_a_wish_that_is_no_number_is_refused_and_the_plan_stands(mission, wish):
    answer = client_of(mission).get("/plan", params={"night_uptake": wish})

    assert answer.status_code == 200
    assert "Not asked." in answer.text
    assert "<script>alert" not in answer.text
    assert "Targets and what the design can reach" in answer.text


def test_a_book_without_targets_says_what_to_write(tmp_path):
    text = words_of(planned(tmp_path / "m", WITHOUT))

    assert "The book holds no targets." in text
    assert "[[targets]]" in text


def test_an_empty_folder_says_that_the_book_is_missing(tmp_path):
    folder = tmp_path / "m"
    folder.mkdir()

    assert "The mission book cannot be read." in words_of(folder)


def test_a_mission_with_hostile_names_and_no_data_has_its_calendar(tmp_path):
    folder = tmp_path / "m"
    bare(folder)
    answer = client_of(folder).get("/plan")

    assert answer.status_code == 200
    assert "Calendar" in answer.text
    assert "<script>alert" not in answer.text
    assert "No side by side before and after the mission is reserved." in answer.text


def test_side_by_side_periods_stand_in_the_calendar_and_the_one_that_lacks_is_named(tmp_path):
    text = client_of(planned(tmp_path / "m", WHOLE.replace('name = "before"', 'name = "before <b>"'))).get("/plan").text

    assert "side by side: before &lt;b&gt;" in text
    assert "No side by side after the mission is reserved." in text


def test_a_changed_book_changes_the_page(tmp_path):
    folder = planned(tmp_path / "m")
    asked = client_of(folder)
    first = asked.get("/plan").text
    planned(folder, WITHOUT)

    assert "The book holds no targets." not in first
    assert "The book holds no targets." in asked.get("/plan").text
