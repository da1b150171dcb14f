"""The morning page as data: on the demo, and its order and its one action on invented states."""

import datetime as dt
import json
from types import SimpleNamespace

import pytest

from reeftally.analysis.alarms import Alarm
from reeftally.analysis.morning import MOST_LINES, _action
from reeftally.analysis.morning_lines import missing
from reeftally.analysis.outlook import Outlook
from reeftally.analysis.targets import TargetResult
from reeftally.analysis.tasks import Task

PAGES = {"sensor", "array", "flux", "flow", "chemistry", "organisms", "account", "package", "log", "dive"}
NS = 1_000_000_000
START = int(dt.datetime(2031, 3, 25, 20, tzinfo=dt.UTC).timestamp()) * NS
NOON = START + 3 * 86_400 * NS
END = START + 10 * 86_400 * NS


def chain(*, heights=(), clocks=(), beside=()):
    """A mission of ten days with what the action looks at."""
    end = dt.datetime.fromtimestamp(END // NS, tz=dt.UTC)
    return SimpleNamespace(
        spans=[SimpleNamespace(start_ns=START, end_ns=END)],
        context=SimpleNamespace(
            book=SimpleNamespace(
                mission=SimpleNamespace(end=end), intercalibrations=[SimpleNamespace(start_ns=t) for t in beside]
            ),
            tables=SimpleNamespace(
                heights=[SimpleNamespace(time_ns=t) for t in heights],
                clock_checks=[SimpleNamespace(time_ns=t) for t in clocks],
            ),
        ),
    )


def target(state="not met", reached=5.0, wanted=2.0):
    return TargetResult(
        target=0, quantity="oxygen_flux", period="night", subject="site", start="", end="", unit="mmol m-2 h-1",
        wanted=wanted, reached=reached, state=state, method="gradient", estimate=0, decides=True,
    )  # fmt: skip


SWAP = Task(
    kind="swap", text="Swap the O₂ sensors OXY-1 and OXY-3 between 0.35 and 1.00 m above the bed",
    why="the offset between them makes 61 % of the variance", unit="mmol m-2 h-1", now=5.0, then=3.3, wanted=2.0,
    pressing=1.4, subject="OXY-1", page="flux",
)  # fmt: skip
VISITS = Task(kind="visits", text="Visit 8 more urns", why="they scatter", now=5.0, then=4.9, wanted=2.0, pressing=3.0)
ALARM = Alarm(
    kind="silent", instrument="CTD-1", quantity="", since_ns=NOON, raised_ns=NOON, end_ns=None, severity=3,
    text="CTD-1: nothing came", why="no value for 10 min", check="power first",
)  # fmt: skip


def test_the_task_that_narrows_an_unmet_target_most_is_the_action():
    found = _action(chain(), [SWAP, VISITS], [], [target()], NOON)

    assert found["text"] == SWAP.text
    assert "61 %" in found["why"]
    assert "The target of ± 2 mmol m-2 h-1 is not met." in found["why"]
    assert found["link"]["page"] == "flux"


def test_a_dead_instrument_goes_before_any_target():
    found = _action(chain(), [SWAP], [ALARM], [target()], NOON)

    assert "CTD-1" in found["text"]
    assert "power first" in found["why"]


@pytest.mark.parametrize(
    ("results", "said"),
    [([], "states no target"), ([target("met", 1.0)], "All targets are met"), ([target()], "No dive narrows")],
)
def test_where_no_dive_helps_a_target_a_rule_of_the_trade_decides_and_it_is_said(results, said):
    idle = Task(
        kind="visits", text="Visit 8 more urns", why="they scatter", now=5.0, then=5.0, wanted=2.0, pressing=3.0
    )

    found = _action(chain(), [idle], [], results, NOON)

    assert found["text"] == "Visit 8 more urns"
    assert said in found["why"]
    assert "rule of the trade" in found["why"]


def test_if_nothing_presses_it_is_said():
    found = _action(chain(), [], [], [target("met", 1.0)], NOON)

    assert found["text"].startswith("Nothing presses")


def test_after_the_mission_recovery_comes_first_and_then_the_package():
    late = END + 3600 * NS

    open_end = _action(chain(), [SWAP], [], [target()], late)
    closed = _action(chain(heights=[END], clocks=[END], beside=[END]), [SWAP], [], [target()], late)

    assert "side by side" in open_end["text"]
    assert "heights" in open_end["text"]
    assert "before it is switched off" in open_end["text"]
    assert closed["link"]["page"] == "package"
    assert "61 %" in closed["why"]


def test_what_is_missing_is_said_with_what_to_do():
    book = SimpleNamespace(
        targets=[], instruments=[SimpleNamespace(label="CTD-1")], intercalibrations=[SimpleNamespace(start_ns=END)]
    )
    empty = SimpleNamespace(
        context=SimpleNamespace(book=book, tables=SimpleNamespace(bottles=[], heights=[]), has=lambda label: False),
        visits=[], slow={}, spans=[SimpleNamespace(start_ns=START, end_ns=END)],
    )  # fmt: skip

    found = missing(empty, Outlook(start_ns=0, missing=["no tide ahead: 1.0 days so far"]), [], END + 10 * NS)

    text = "\n".join(found)
    for words in (
        "[[targets]]",
        "No tide ahead",
        "Nothing was taken in of CTD-1",
        "a frame that sank",
        "bottles.csv",
        "visits.csv",
    ):
        assert words in text


@pytest.fixture(scope="module")
def page(demo):
    return json.loads((demo / "results" / "latest" / "morning.json").read_text(encoding="utf-8"))


@pytest.mark.slow
def test_the_page_has_the_agreed_form(page):
    assert set(page) == {"format", "made", "window", "action", "lines", "alarms", "targets", "missing"}
    assert page["format"] == 1
    assert set(page["action"]) == {"text", "why", "link"}
    assert 1 <= len(page["lines"]) <= MOST_LINES
    for line in page["lines"]:
        assert set(line) == {"kind", "severity", "text", "link", "estimates"}
        assert line["severity"] in {"serious", "doubtful", "noted"}
    for link in [page["action"]["link"], *[line["link"] for line in page["lines"]]]:
        assert set(link) == {"page", "subject", "start", "end"}
        assert link["page"] in PAGES
    order = [("serious", "doubtful", "noted").index(line["severity"]) for line in page["lines"]]
    assert order == sorted(order)


@pytest.mark.slow
def test_all_targets_of_the_book_are_on_the_page_as_in_the_table(page, demo):
    from reeftally.mission import read_book

    wanted = [(t.quantity, t.period) for t in read_book(demo).targets]

    assert [(t["quantity"], t["period"]) for t in page["targets"]] == wanted
    assert {t["state"] for t in page["targets"]} <= {"met", "not met", "not measured"}
    table = (demo / "results" / "latest" / "targets.csv").read_text(encoding="utf-8")
    assert all(quantity in table for quantity, _ in wanted)


@pytest.mark.slow
def test_the_lines_lead_to_estimates_that_are_there(page, demo):
    from reeftally.analysis.results import read_results

    rows = read_results(demo).estimates
    night = next(line for line in page["lines"] if line["kind"] == "night")

    assert len(night["estimates"]) == 2
    assert {rows.loc[k, "quantity"] for k in night["estimates"]} == {"oxygen_flux"}
    assert f"{rows.loc[night['estimates'][0], 'value']:.1f}" in night["text"]
    assert "agree" in night["text"]


@pytest.mark.slow
def test_the_page_is_made_from_the_data_not_from_the_clock(page):
    assert page["made"] == page["window"]["end"]


@pytest.mark.slow
def test_findings_and_outlook_are_written_as_data(demo):
    latest = demo / "results" / "latest"

    findings = json.loads((latest / "findings.json").read_text(encoding="utf-8"))["findings"]
    outlook = json.loads((latest / "outlook.json").read_text(encoding="utf-8"))

    assert findings
    assert all(f["accepted"] for f in findings if f["id"].startswith("clock-"))
    assert outlook["sun"]
    assert any("5 are needed" in text for text in outlook["missing"])


@pytest.mark.slow
def test_on_the_demo_the_one_alarm_is_the_sensor_that_stood_still(demo):
    # Story 33: at most one alarm a day; the demo of 36 h holds one stuck hour among its planted troubles.
    from reeftally.analysis.context import open_context
    from reeftally.analysis.mission_alarms import alarms_of
    from reeftally.analysis.records import load_slow
    from reeftally.mission import to_ns

    context = open_context(demo)
    slow, _ = load_slow(context, context.grid)
    mission = context.book.mission
    seen = SimpleNamespace(context=context, slow=slow, grid=context.grid)

    found = alarms_of(seen, start_ns=to_ns(mission.start), end_ns=to_ns(mission.end))

    assert [a.kind for a in found] == ["stuck"]
    assert all(a.why and a.check for a in found)
