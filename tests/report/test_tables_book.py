"""Tables from the book and the crew's tables."""

import shutil

import pytest

from reeftally.report import read_facts
from reeftally.report.sections import sections
from reeftally.report.tables_book import bottle_tables, instrument_tables

BOTTLES = """\
bottle,time,station,height_above_bed_m,dic,dic_sd,duplicate_of,flag
B1,2031-03-26T05:00:00Z,mast,1.0,2000.0,1.5,,2
B2,2031-03-26T05:00:20Z,mast,1.0,2003.0,1.5,B1,2
B3,2031-03-26T06:00:00Z,mast,1.0,2000.0,1.5,,2
B4,2031-03-26T06:00:20Z,mast,1.0,1990.0,1.5,B3,2
"""
MATERIALS = """\
time,quantity,certified,measured,sd,laboratory
2031-03-26T16:00:00Z,total_alkalinity,2297.31,2299.31,1.0,hut
"""


@pytest.fixture
def written(mission, tmp_path):
    folder = shutil.copytree(mission, tmp_path / "m", symlinks=True)
    (folder / "tables").mkdir(exist_ok=True)
    (folder / "tables" / "bottles.csv").write_text(BOTTLES, encoding="utf-8")
    (folder / "tables" / "reference_materials.csv").write_text(MATERIALS, encoding="utf-8")
    return read_facts(folder)


def test_duplicates_show_their_scatter_beside_what_is_stated(written):
    duplicates, materials = bottle_tables(written)

    (row,) = duplicates[2]
    # By hand: sqrt((3^2 + 10^2) / 4) = 5.2; stated sqrt(2 (2 1.5^2) / 4) = 1.5; 10 > 3 hypot(1.5, 1.5) = 6.4.
    assert row[1:] == ("2", "5.2 µmol kg⁻¹", "1.5 µmol kg⁻¹", "10 µmol kg⁻¹", "1")
    assert materials[2][0][4] == "+2 ± 2"


def test_every_instrument_with_errors_and_every_deployment_has_a_row(written):
    titles = {title: rows for title, _, rows, _ in instrument_tables(written)}

    assert [row[0] for row in titles["Deployments"]] == sorted(d.instrument for d in written.book.deployments)
    assert "OXY-1" in {row[0] for row in titles["Instruments and what was known of their errors before"]}
    assert all(" ± " in row[4] for row in titles["Deployments"])


def test_the_report_carries_them(written):
    titles = {table.title for section in sections(written) for table in section.tables}

    assert {"Deployments", "Duplicate bottles", "Reference materials"} <= titles
