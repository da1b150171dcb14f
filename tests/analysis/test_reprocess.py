"""Everything again under other constants: old numbers stay, changes are listed, raw files stay (invented data)."""

from __future__ import annotations

import hashlib

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from reeftally.analysis.reprocess import parse_constants, with_constants
from reeftally.analysis.results import read_results
from reeftally.analysis.run import analyse
from reeftally.cli import commands
from reeftally.errors import BookError
from reeftally.intake import take_in
from reeftally.mission import read_book
from reeftally.rehearsal import rehearse_years


def _hashes(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in (folder / "raw").rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    folder = tmp_path_factory.mktemp("twice") / "mission"
    rehearse_years(folder, years=3, seed=1)
    take_in(folder, now_ns=0)
    analyse(folder)
    raw, book = _hashes(folder), (folder / "mission.toml").read_bytes()
    run, _ = analyse(folder, constants={"k1k2": "millero2006", "boron": "lee2010"})
    return folder, run, raw, book


def test_raw_files_and_book_are_untouched_and_the_old_run_is_readable(twice):
    folder, run, raw, book = twice

    assert _hashes(folder) == raw
    assert (folder / "mission.toml").read_bytes() == book
    assert run.name == "0002"
    old = read_results(folder, "0001")
    assert old.trail["settings"]["constants"]["k1k2"] == "lueker2000"
    assert read_results(folder).trail["settings"]["constants"]["k1k2"] == "millero2006"


def test_table_of_changes_holds_what_the_constants_moved_and_nothing_else(twice):
    _, run, _, _ = twice
    table = pd.read_csv(run / "changes.csv")

    assert set(table["quantity"]) >= {"ph_trend_equilibrium"}
    # Measured pH does not depend on the constants of carbonic acid: its trend is the same to the last bit.
    own = table[(table["quantity"] == "ph_trend") & (table["method"] == "gls_ar1")]
    assert own.empty
    assert table["why"].str.contains("k1k2 lueker2000 -> millero2006").all()
    assert np.isfinite(table["difference"]).any()


def test_command_says_what_changed(twice, tmp_path):
    folder, _, _, _ = twice
    answer = CliRunner().invoke(commands, ["analyse", str(folder), "--constants", "k1k2=roy1993"])

    assert answer.exit_code == 0
    assert "k1k2 millero2006 -> roy1993" in answer.output
    assert "goes back to them" in answer.output


def test_unknown_choices_are_refused_by_name():
    with pytest.raises(BookError, match="NAME=SET"):
        parse_constants(["lueker2000"])
    with pytest.raises(BookError, match="millero2006"):
        parse_constants(["k1k2=mine"])
    assert parse_constants(["k1k2=roy1993,ks=khoo1977", "boron=lee2010"]) == {
        "k1k2": "roy1993",
        "ks": "khoo1977",
        "boron": "lee2010",
    }


def test_book_in_memory_takes_the_constants(twice):
    book = read_book(twice[0])
    other = with_constants(book, {"boron": "lee2010"})

    assert other.analysis.constants.boron == "lee2010"
    assert other.analysis.constants.k1k2 == book.analysis.constants.k1k2
    assert book.analysis.constants.boron == "uppstrom1974"
