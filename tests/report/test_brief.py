"""The two-page brief: two pages, plain words, every number an estimate, nothing claimed that is not known."""

import re
import zlib

import pytest

from reeftally.report import brief_of, read_facts, targets, write_brief
from reeftally.report.typesetting import pages_of

# Words of the trade and of statistics that a manager should not meet.
JARGON = (
    "p-value", "p <", "significan", "statistic", "DIC", "alkalinity", "aragonite", "Ω", "saturation", "flux",
    "gradient", "covariance", "mmol", "µmol", "systematic", "random", "Monte", "shapley", "residual", "anthropogenic",
    "corrosive", "normal pH", "safe level", "proof", "caused by", "causes",
)  # fmt: skip


@pytest.fixture(scope="module")
def brief(mission):
    return brief_of(read_facts(mission))


@pytest.fixture(scope="module")
def content(mission):
    return write_brief(mission).read_bytes()


def _syllables(word):
    # Groups of vowels, a silent e at the end taken off: common practice, no source; errs by a few per cent.
    word = re.sub(r"[^a-z]", "", word.lower())
    count = len(re.findall(r"[aeiouy]+", re.sub(r"(?<=[^l])e$", "", word)))
    return max(count, 1)


def _grade(text):
    # Kincaid et al. (1975), Navy Research Branch Report 8-75: 0.39 words/sentences + 11.8 syllables/words - 15.59.
    sentences = [s for s in re.split(r"[.!?:;]\s|\n", text) if re.search(r"[A-Za-z]", s)]
    words = re.findall(r"[A-Za-z’']+", text)
    return 0.39 * len(words) / len(sentences) + 11.8 * sum(map(_syllables, words)) / len(words) - 15.59


def test_the_measure_of_reading_grade_gives_hand_counted_values():
    # 6 words, 1 sentence, 6 syllables, by hand: 0.39 * 6 + 11.8 - 15.59.
    assert _grade("The cat sat on the mat.") == pytest.approx(-1.45)


def test_a_pupil_of_the_tenth_grade_can_read_it(brief):
    text = re.sub(r"[−+]?\d[\d.]*( \([^)]*\))?( %)?", "", brief.text())

    assert _grade(text) <= 10.0


def test_there_are_exactly_two_pages_of_a4(content):
    assert pages_of(content) == 2
    unpacked = content
    for found in re.finditer(rb"stream\r?\n(.*?)endstream", content, re.DOTALL):
        try:
            unpacked += zlib.decompress(found.group(1).rstrip(b"\r\n"))
        except zlib.error:
            continue
    # ISO 216: A4 is 210 mm by 297 mm; a point is 25.4/72 mm.
    for width, height in re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", unpacked):
        assert float(width) == pytest.approx(210 / 25.4 * 72, abs=0.01)
        assert float(height) == pytest.approx(297 / 25.4 * 72, abs=0.01)


def test_the_same_results_give_the_same_bytes(mission, content):
    assert write_brief(mission).read_bytes() == content


def test_the_answer_is_one_sentence_with_both_intervals(brief):
    assert brief.answer.count(".") == brief.answer.count("0.") + 1
    # 0.1347 +/- 0.0042 and 0.0289 +/- 0.0068, to three decimals.
    assert "0.135 (0.131 to 0.139)" in brief.answer
    assert "0.029 (0.022 to 0.036)" in brief.answer


def test_every_number_is_an_estimate_with_its_interval(brief, mission):
    rows = read_facts(mission).numbers
    text = brief.text()
    for shown, index in brief.quotes:
        text = text.replace(shown, "")
        row = rows[index]
        factor = 100.0 if shown.endswith("%") else 1.0
        decimals = len(re.search(r"\d+\.?(\d*)", shown).group(1))
        printed = [abs(float(v)) for v in re.findall(r"\d+\.?\d*", shown)][:3]
        wanted = [abs(round(factor * v, decimals)) for v in (row.value, row.lower, row.upper)]
        assert sorted(printed) == pytest.approx(sorted(wanted), abs=1e-12)
    # What is left are the words that explain the brackets.
    assert re.findall(r"\d+", text.replace("CO₂", "")) == ["95", "100"]


def test_no_word_of_the_trade_and_no_cause_is_claimed(brief):
    text = brief.text()

    assert [word for word in JARGON if re.search(rf"\b{re.escape(word)}", text)] == []
    assert "Associated with" in text


def test_ph_and_co2_are_explained(brief):
    assert "pH is a scale of how acidic water is" in brief.text()
    assert "carbon dioxide (CO₂)" in brief.text()


# Five questions that a manager asks, and the words that answer them.
@pytest.mark.parametrize(
    ("question", "words"),
    [
        ("Is it us or the world?", "The worldwide part is larger than the part made here."),
        (
            "Is the reef still building?",
            "Cannot tell: The building of skeletons outweighs their loss. The data lean to yes.",
        ),
        ("Is it the sponges?", "28 (14 to 42) % of the breathing of the seabed"),
        ("Is it getting worse?", "One visit cannot show a change over years."),
        ("What can we do here?", "Local action can touch only the part that is made here."),
    ],
)
def test_the_brief_answers(brief, question, words):
    assert words in brief.text(), question


def test_the_bar_and_the_line_on_skeletons_are_said_to_be_two_kinds_of_evidence(brief):
    assert "rest on two kinds of evidence" in brief.figure_note


def test_the_targets_are_told_in_one_sentence(brief, mission):
    states = [row.state for row in targets(read_facts(mission))]

    # Of the three targets of the invented mission one is met.
    assert (len(states), states.count("met")) == (3, 1)
    assert "how well three answers must be known. One of them is known that well now." in brief.targets


def test_what_was_not_measured_is_said(brief):
    assert "Where the added carbon comes from." in brief.unmeasured
    assert "Change from year to year." in brief.unmeasured


def test_the_caution_is_there(brief):
    assert "need not be cause and effect" in brief.caution
    assert "does not replace your diving supervisor" in brief.caution


def test_data_that_cannot_answer_give_a_plain_sentence(build_mission, tmp_path):
    without = {"ph_change_local", "ph_change_global", "ph_change_organic"}
    folder = build_mission(tmp_path / "m", without=without, keep=set())

    brief = brief_of(read_facts(folder))

    assert brief.answer.startswith("These data cannot yet tell")
    assert not brief.figure
    assert pages_of(write_brief(folder).read_bytes()) == 2


def test_only_the_world_part_is_known(build_mission, tmp_path):
    brief = brief_of(read_facts(build_mission(tmp_path / "m", without={"ph_change_local"}, keep=set())))

    assert "how much the reef itself adds cannot be told" in brief.answer


def test_names_are_words_not_markup(build_mission, tmp_path):
    source = build_mission.__globals__["BOOK"]
    book = source.replace("An invented basin <with> an awkward & title", "#panic() $x$ *b* @ref \\\\ [a] {b} //")
    folder = build_mission(tmp_path / "m", book=book, keep=set())

    assert pages_of(write_brief(folder).read_bytes()) == 2


def test_a_long_title_still_fits_two_pages(build_mission, tmp_path):
    source = build_mission.__globals__["BOOK"]
    book = source.replace("An invented basin <with> an awkward & title", "A long title of an invented reef " * 8)
    folder = build_mission(tmp_path / "m", book=book, keep=set())

    assert pages_of(write_brief(folder).read_bytes()) == 2


def test_bars_of_the_figure_show_one_count_of_decimals(brief):
    bars = [shown for shown, _ in brief.quotes if re.fullmatch(r"[−+]?0\.\d{4} .*", shown)]

    assert len(bars) == 7
    assert "+0.0008 (+0.0002 to +0.0014)" in bars
