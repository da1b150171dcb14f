"""The report on paper: set from the same sections, the same bytes for the same results, nothing missing breaks it."""

import pytest

from reeftally.report import write_report_pdf
from reeftally.report.typesetting import pages_of


@pytest.fixture(scope="module")
def content(build_mission, tmp_path_factory):
    return write_report_pdf(build_mission(tmp_path_factory.mktemp("paper") / "m", keep={"flow"})).read_bytes()


def test_it_is_a_pdf_of_several_pages(content):
    assert content.startswith(b"%PDF-")
    assert pages_of(content) > 4


def test_its_fonts_are_inside(content):
    assert b"LibertinusSerif" in content


def test_names_are_words_not_markup(build_mission, tmp_path):
    book = build_mission.__globals__["BOOK"].replace("An invented basin <with> an awkward & title", "#panic() $ *b* @x")
    folder = build_mission(tmp_path / "m", book=book, keep=set())

    first, second = (write_report_pdf(folder).read_bytes() for _ in range(2))

    assert pages_of(first) > 4
    assert first == second
