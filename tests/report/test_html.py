"""The report page: one file, no request, escaped, every number explained in three steps, nothing missing breaks it."""

import json
from html.parser import HTMLParser

import pytest

from reeftally.errors import ResultError
from reeftally.report import read_facts, write_report
from reeftally.report._packed import unpacked
from reeftally.report.html import limits, report_page
from reeftally.report.sections import sections
from reeftally.telling.words import with_interval

VOID = {"meta", "link", "br", "input", "img", "hr"}


class Page(HTMLParser):
    """What a browser would see: elements with their attributes, nesting, text by element id."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.open, self.texts, self.ids = [], [], {}, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.elements.append((tag, found))
        if "id" in found:
            self.ids.append(found["id"])
        if tag not in VOID:
            self.open.append((tag, found.get("id")))

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open
        assert self.open[-1][0] == tag, f"</{tag}> closes <{self.open[-1][0]}>"
        self.open.pop()

    def handle_data(self, data):
        for _, name in self.open:
            if name:
                self.texts[name] = self.texts.get(name, "") + data


@pytest.fixture(scope="module")
def text(mission):
    return write_report(mission).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_every_element_is_closed(page):
    assert page.open == []


def test_no_id_comes_twice_and_every_link_leads_somewhere_on_the_page(page):
    links = [a["href"] for tag, a in page.elements if tag == "a" and "href" in a]

    assert len(set(page.ids)) == len(page.ids)
    assert all(link.startswith("#") for link in links)
    assert {link[1:] for link in links} <= set(page.ids)


def test_nothing_is_asked_from_elsewhere(page, text):
    loads = [
        value
        for tag, attributes in page.elements
        for name, value in attributes.items()
        if name in {"src", "href", "xlink:href", "data", "action", "poster", "srcset"} and tag != "a"
    ]

    assert [value for value in loads if not value.startswith(("data:", "#"))] == []
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style


def test_the_drawing_library_knows_no_editor_on_line(text):
    assert "vega.github.io/editor" not in text


def test_the_page_is_small_enough_to_mail(text):
    assert len(text.encode()) < 6_000_000


def test_names_and_reasons_are_shown_as_text(text):
    assert "An invented basin &lt;with&gt; an awkward &amp; title" in text
    assert "no bottle carries delta13C &lt;b&gt;" in text
    assert "<with>" not in text
    assert "Words &lt;i&gt;of&lt;/i&gt; the method." in text


def test_a_hostile_name_ends_no_script_and_starts_none(build_mission, tmp_path):
    evil = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'"
    from_book = build_mission.__globals__["BOOK"]
    book = from_book.replace("An invented basin <with> an awkward & title", evil.replace('"', '\\"'))
    folder = build_mission(tmp_path / "evil", book=book, keep=set())
    page = Page(report_page(read_facts(folder)))

    assert page.open == []
    assert not [a for tag, a in page.elements if tag == "img" or "onerror" in a]
    scripts = [a for tag, a in page.elements if tag == "script"]
    plain = [a for a in scripts if a.get("type") not in {"application/json", "text/plain"}]
    assert len(plain) == 1


def test_the_answer_comes_first_with_its_interval(page):
    order = [
        i for i in page.ids if i in {"answer", "sure", "glance", "sensors", "account", "methods", "cautions", "every"}
    ]

    assert order == ["answer", "sure", "glance", "sensors", "account", "methods", "cautions", "every"]
    assert "0.135 (0.131 to 0.139)" in page.texts["answer"]


def test_every_number_leads_to_its_raw_files_in_three_steps(page, mission):
    facts = read_facts(mission)
    shown = {a["href"] for tag, a in page.elements if tag == "a" and a.get("class") == "n"}
    # Step 1: from the number to its row; step 2: from the row to the method; step 3: from there to the files.
    for link in shown:
        row = facts.numbers[int(link.removeprefix("#n-"))]
        assert row.quantity in page.texts[link[1:]]
        assert "equation" in page.texts[f"how-{row.trail}"]
    assert "a" * 64 in page.texts["inputs"]
    assert "revision 2" in page.texts["inputs"]
    assert len(shown) > 50


def test_every_estimate_has_its_row_as_in_the_table(page, mission):
    for row in read_facts(mission).numbers:
        text = page.texts[f"n-{row.index}"]
        assert row.quantity in text
        if row.given:
            assert with_interval(row.value, row.lower, row.upper, row.unit).lstrip("+") in text.replace("+", "")
        else:
            assert row.reason in text


def test_figures_can_be_read_without_a_script_on_laptop_and_phone(page):
    figures = [a["data-name"] for tag, a in page.elements if tag == "figure"]
    drawings = [a for tag, a in page.elements if tag == "svg" and a.get("role") == "img"]

    assert len(figures) >= 12
    assert len(drawings) == 2 * len(figures)
    assert all(a["aria-label"] for a in drawings)


def test_the_data_behind_each_figure_are_in_the_page(page):
    for name in [a["data-name"] for tag, a in page.elements if tag == "figure"]:
        spec = unpacked(json.loads(page.texts[f"spec-{name}"]))

        assert any(rows for rows in spec["datasets"].values())
        assert "http" not in page.texts[f"spec-{name}"]


def test_the_same_results_give_the_same_bytes(mission, text):
    assert write_report(mission).read_text(encoding="utf-8") == text


def test_targets_are_met_not_met_or_not_measured(page):
    assert "Of 3 targets, 1 met, 1 not met, 1 not measured." in page.texts["uncertainty"]


def test_cautions_end_with_the_standing_line(page):
    assert "does not replace your diving supervisor" in page.texts["cautions"]
    assert "need not be cause and effect" in page.texts["cautions"]


@pytest.mark.parametrize("group", ["chemistry", "flow", "exchange", "ledger"])
def test_a_missing_group_is_told_with_what_to_do(build_mission, tmp_path, group):
    keep = {"chemistry", "flow", "exchange", "ledger"} - {group}
    found = sections(read_facts(build_mission(tmp_path / "m", keep=keep)))

    place = {"chemistry": "chemistry", "flow": "flow", "exchange": "exchange", "ledger": "account"}[group]
    missing = [f.missing for s in found if s.name == place for f in s.figures if f.build is None]
    assert missing
    assert all(len(words) > 15 for words in missing)


def test_without_any_series_the_estimates_are_reported_still(build_mission, tmp_path):
    page = Page(report_page(read_facts(build_mission(tmp_path / "m", keep=set()))))

    assert "0.135 (0.131 to 0.139)" in page.texts["answer"]
    assert not [1 for tag, a in page.elements if tag == "figure" and a["data-name"] == "strip"]


def test_without_a_local_part_the_page_says_that_it_cannot_tell(build_mission, tmp_path):
    without = {"ph_change_local", "ph_change_organic", "ph_change_carbonate", "ph_change_gas_exchange"}
    facts = read_facts(build_mission(tmp_path / "m", without=without, keep=set()))
    page = Page(report_page(facts))

    assert "cannot tell" in page.texts["answer"]
    assert "0.135" in page.texts["answer"]


def test_limits_say_that_the_constants_are_taken_as_known(mission):
    told = [line for line in limits(read_facts(mission)) if "carbonate constants" in line]

    assert len(told) == 1
    assert "7 µmol/kg of DIC" in told[0]


def test_limits_name_the_ground_the_warming_and_what_was_refused(mission):
    lines = " ".join(limits(read_facts(mission)))

    for words in ("rubble with sponges", "warming since the past is not in it", "1 estimates were refused", "no"):
        assert words in lines


def test_without_results_the_message_says_what_to_run(tmp_path, build_mission):
    (tmp_path / "mission.toml").write_text(build_mission.__globals__["BOOK"], encoding="utf-8")

    with pytest.raises(ResultError, match="reeftally analyse"):
        write_report(tmp_path)
