"""The dive sheet: one page, large enough, without any limit, following the slate, with its cautions."""

import csv
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from reeftally.report import read_facts
from reeftally.report.dive_sheet import MOST_SPOTS, _next_numbers, dive_sheet_of, write_dive_sheet
from reeftally.report.typesetting import pages_of
from reeftally.telling.cautions import FOLLOW, STANDING_LINE, cautions_for

FORBIDDEN = re.compile(
    r"bottom[ -]?time|depth|decompress|no[- ]stop|ascent|surface interval|nitrogen|\bNDL\b|\bstop at\b", re.IGNORECASE
)
VISITS = (
    "visit,organism,form,time_in,time_out,instruments,blank,osculum_diameter_cm,jet_speed_m_s,jet_speed_sd_m_s,method,"
    "note"
)
TASKS = [
    {
        "kind": "swap",
        "text": "Swap the O₂ sensors OXY-1 and OXY-3 between 0.35 and 1.00 m above the bed",
        "worth": "0.4",
    },
    {"kind": "visits", "text": "Visit 8 more of the class urn, others than before", "worth": "0.1"},
    {"kind": "bottles", "text": "Take 4 more bottles for alkalinity and DIC at the mast", "worth": "0"},
]


def visit(number, organism, form, day):
    return (
        f"{number},{organism},{form},2031-03-{day}T03:43:00Z,2031-03-{day}T03:48:00Z,OXY-H PHI-H,no,2.3,0.08,0.005,dye,"
    )


@pytest.fixture
def dived(mission, tmp_path) -> Path:
    """A mission with results of the morning and a slate: five organisms, some visited twice."""
    folder = tmp_path / "mission"
    shutil.copytree(mission, folder, symlinks=True)
    (folder / "tables").mkdir(exist_ok=True)
    rows = [visit(k, f"urn-{k:02d}", "urn", 26) for k in range(1, 4)]
    rows += [visit(k + 10, f"pipe-{k:02d}", "pipe", 26) for k in range(1, 4)]
    rows += [visit(20, "urn-01", "urn", 27)]
    (folder / "tables" / "visits.csv").write_text("\n".join([VISITS, *rows]) + "\n", encoding="utf-8")
    latest = folder / "results" / "latest"
    (latest / "morning.json").write_text(
        json.dumps({"window": {"start": "2031-03-26T02:00:00Z", "end": "2031-03-27T02:00:00Z"}}), encoding="utf-8"
    )
    with (latest / "tasks.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, ["kind", "text", "why", "worth", "pressing"])
        writer.writeheader()
        writer.writerows({"why": "", "pressing": "2", **row} for row in TASKS)
    return folder


def words_of(pdf: Path) -> str:
    return subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout


def test_the_sheet_is_one_page_of_at_least_eleven_points_in_black(dived):
    pdf, page = write_dive_sheet(dived)

    assert pages_of(pdf.read_bytes()) == 1
    source = (Path(__file__).parents[2] / "src/reeftally/report/templates/dive_sheet.typ").read_text(encoding="utf-8")
    assert not re.search(r"rgb\(|size: 0?\.\d+em", source)
    html = page.read_text(encoding="utf-8")
    sizes = [float(size) for size in re.findall(r"font(?:-size)?: ?(\d+(?:\.\d+)?)pt", html)]
    assert sizes
    assert min(sizes) >= 11.0
    assert {c.lower() for c in re.findall(r"#[0-9a-fA-F]{3,6}\b", html)} <= {"#000", "#fff"}


def test_no_limit_of_time_or_gas_stands_on_it(dived):
    pdf, page = write_dive_sheet(dived)
    sheet = dive_sheet_of(read_facts(dived))

    for text in (sheet.text(), re.sub(r"<style>.*?</style>", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)):
        assert not FORBIDDEN.findall(text)
    if shutil.which("pdftotext"):
        assert not FORBIDDEN.findall(words_of(pdf))


def test_tasks_stand_in_order_of_worth_with_what_the_diver_needs(dived):
    sheet = dive_sheet_of(read_facts(dived))

    first, second, third = sheet.tasks[:3]
    assert "OXY-1, OXY-3" in first.what
    assert first.where == "0.35 and 1.00 m above the bed"
    assert second.what.startswith("Visit")
    assert "bottles" in third.what
    assert all(task.count and task.photos for task in sheet.tasks)


def test_spots_take_turns_by_class_the_class_that_matters_first_and_the_seldom_visited_before_the_others(dived):
    sheet = dive_sheet_of(read_facts(dived))

    names = [spot.organism for spot in sheet.spots]
    assert names[:2] == ["urn-02", "pipe-01"]
    assert names.index("urn-01") > names.index("urn-03")
    assert [s.left for s in sheet.spots if s.organism in ("urn-01", "urn-02")] == [2, 1]


def test_the_sheet_follows_the_slate_of_the_dive_before(dived):
    before = dive_sheet_of(read_facts(dived))
    table = dived / "tables" / "visits.csv"
    more = [visit(30 + k, "urn-02", "urn", 28) for k in range(2)]
    table.write_text(table.read_text(encoding="utf-8") + "\n".join(more) + "\n", encoding="utf-8")
    bottles = "bottle,time,station,height_above_bed_m,flag\nC09,2031-03-26T05:00:00Z,mast,1.0,2\n"
    (dived / "tables" / "bottles.csv").write_text(bottles, encoding="utf-8")

    after = dive_sheet_of(read_facts(dived))

    assert "urn-02" in {s.organism for s in before.spots}
    assert "urn-02" not in {s.organism for s in after.spots}
    assert after.bottles[0][0] == "C10"
    assert after.known_to != before.known_to


def test_cautions_of_the_tasks_stand_on_it_in_short_and_whom_to_follow_once(dived):
    _, page = write_dive_sheet(dived)
    sheet = dive_sheet_of(read_facts(dived))

    hazards = dict(sheet.cautions)
    wanted = {
        row.hazard: row
        for place in ("dive sheet", "dye task", "poison task", "cable task")
        for row in cautions_for(place)
    }
    assert set(wanted) <= set(hazards)
    assert all(row.short in hazards[name] for name, row in wanted.items())
    assert all(row.short for row in wanted.values())
    html = page.read_text(encoding="utf-8")
    assert html.count(FOLLOW) == 1
    assert STANDING_LINE.replace("'", "&#39;") in html
    assert f"{len(sheet.tasks)} tasks on this sheet" in hazards["Many tasks, lines, lifting"]


def test_a_hostile_name_is_shown_as_text(dived):
    table = dived / "tables" / "visits.csv"
    hostile = visit(40, "<script>alert(1)</script>", "#set page(width: 1pt)", 27)
    table.write_text(table.read_text(encoding="utf-8") + hostile + "\n", encoding="utf-8")

    pdf, page = write_dive_sheet(dived)

    assert "<script" not in page.read_text(encoding="utf-8")
    assert pages_of(pdf.read_bytes()) == 1


def test_many_organisms_still_fit_one_page(dived):
    table = dived / "tables" / "visits.csv"
    rows = [
        visit(100 + k, f"an organism with a very long name {k}", f"a form with a long name {k % 5}", 27)
        for k in range(60)
    ]
    table.write_text(table.read_text(encoding="utf-8") + "\n".join(rows) + "\n", encoding="utf-8")

    pdf, _ = write_dive_sheet(dived)

    assert pages_of(pdf.read_bytes()) == 1
    assert len(dive_sheet_of(read_facts(dived)).spots) == MOST_SPOTS


def test_results_of_an_older_run_without_a_morning_still_give_a_sheet(mission, tmp_path):
    folder = tmp_path / "mission"
    shutil.copytree(mission, folder, symlinks=True)

    pdf, page = write_dive_sheet(folder)

    assert pages_of(pdf.read_bytes()) == 1
    assert "Look at every sensor" in page.read_text(encoding="utf-8")


def test_the_same_tables_and_results_give_the_same_bytes(dived):
    first = [p.read_bytes() for p in write_dive_sheet(dived)]

    assert [p.read_bytes() for p in write_dive_sheet(dived)] == first


def test_what_brings_nothing_is_no_task(dived):
    latest = dived / "results" / "latest"
    text = (latest / "tasks.csv").read_text(encoding="utf-8")
    (latest / "tasks.csv").write_text(text.replace(",0.4,2", ",0,0.2"), encoding="utf-8")

    sheet = dive_sheet_of(read_facts(dived))

    assert not [task for task in sheet.tasks if task.what.startswith("Swap")]


def test_after_the_mission_the_heights_come_before_anything_is_moved(dived):
    window = {"window": {"start": "2031-03-27T12:00:00Z", "end": "2031-03-28T12:00:00Z"}}
    (dived / "results" / "latest" / "morning.json").write_text(json.dumps(window), encoding="utf-8")

    sheet = dive_sheet_of(read_facts(dived))

    assert "over" in sheet.note
    assert sheet.tasks[0].photos == "mast from four sides"
    assert sheet.tasks[1].what.startswith("Heights")
    assert not [task for task in sheet.tasks if task.what.startswith(("Swap", "Clean"))]


def test_bottle_numbers_go_on_where_they_ended():
    assert _next_numbers(["B001", "B096", "X2"], 2) == ["B097", "B098"]
    assert _next_numbers(["099"], 2) == ["100", "101"]
    assert _next_numbers([], 1) == ["B001"]
