"""Rewriting keeps comments; accepted revisions are kept. All data are invented."""

import os
import threading

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reeftally.errors import BookError
from reeftally.mission import (
    BookErrors,
    accept_revision,
    current_revision,
    edit_book,
    read_book,
    read_revision,
    revisions,
)


def comments(text):
    return [line[line.index("#") :] for line in text.splitlines() if "#" in line]


def test_changing_a_value_keeps_every_comment_and_every_other_line(folder):
    path = folder / "mission.toml"
    before = path.read_text()

    book = edit_book(folder, {"deployments[0].height_above_bed_m": 0.45})

    after = path.read_text()
    assert book.deployments[0].height_above_bed_m == 0.45
    assert comments(after) == comments(before)
    different = [(one, two) for one, two in zip(before.splitlines(), after.splitlines(), strict=True) if one != two]
    assert different == [
        (
            "height_above_bed_m = 0.40            # metres, not centimetres",
            "height_above_bed_m = 0.45            # metres, not centimetres",
        )
    ]


def test_a_row_may_be_named_by_its_label_and_a_key_added_to_it(folder):
    book = edit_book(folder / "mission.toml", {"instruments[OXY-1].clock": "VEL-A", "stations[hut].water_depth_m": 3.0})

    assert book.instrument("OXY-1").clock == "VEL-A"
    assert book.station("hut").water_depth_m == 3.0


def test_numbers_from_arrays_are_written_as_plain_numbers(folder):
    edit_book(folder, {"deployments[0].height_above_bed_m": np.float64(0.42), "analysis.block_s": np.int64(600)})

    text = (folder / "mission.toml").read_text()
    assert "height_above_bed_m = 0.42 " in text
    assert "block_s = 600" in text


def test_none_removes_a_key_or_a_row(folder):
    book = edit_book(folder, {"references[0]": None, "analysis.pq": None})

    assert book.references == ()
    assert book.analysis.pq == 1.05


def test_a_new_row_stands_before_the_comment_that_leads_to_the_next_section(folder):
    before = (folder / "mission.toml").read_text()

    edit_book(
        folder,
        {
            "references[+]": {"quantity": "air_co2", "value": 429.0, "sd": 0.5, "source": "invented"},
            "instruments[+]": {
                "label": "PAR-1",
                "kind": "light",
                "serial": "0901",
                "layout": "ctd",
                "sample_interval_s": 60.0,
                "terms": [{"quantity": "par", "noise_sd": 5.0, "offset_sd": 2.0}],
            },
        },
    )

    text = (folder / "mission.toml").read_text()
    assert comments(text) == comments(before)
    assert text.index('"air_co2"') < text.index("# Settings of the chain")
    assert text.index('"PAR-1"') < text.index("# Deployments: one a place and period.")
    assert read_book(folder).instrument("PAR-1").term("par").noise_sd == 5.0


def test_a_section_that_was_not_there_is_made(folder):
    book = edit_book(
        folder,
        {
            "store.segments_url": "s3://a-bucket/ob-31",
            "calibrations[+]": {
                "instrument": "OXY-1",
                "serial": "0201",
                "quantity": "oxygen",
                "date": read_book(folder).mission.start,
            },
        },
    )

    assert book.store.segments_url == "s3://a-bucket/ob-31"
    assert len(book.calibrations) == 1


def test_a_change_that_makes_the_book_wrong_leaves_the_file_alone(folder):
    before = (folder / "mission.toml").read_bytes()

    with pytest.raises(BookErrors, match="Centimetres by mistake"):
        edit_book(folder, {"deployments[0].height_above_bed_m": 45.0})
    assert (folder / "mission.toml").read_bytes() == before


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("deployments[99].height_sd_m", "a row from 0 to 7"),
        ("instruments[OXI-1].clock", "Did you mean 'OXY-1'"),
        ("deployments..x", "key path"),
        ("", "key path"),
    ],
)
def test_a_key_path_that_leads_nowhere_is_refused(folder, path, words):
    with pytest.raises(BookError, match=words):
        edit_book(folder, {path: 1.0})


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=st.floats(0.0, 6.4), words=st.text(st.characters(exclude_categories=["Cs"]), max_size=40))
def test_any_number_and_any_words_come_back_as_they_went_in(folder, value, words):
    edit_book(folder, {"deployments[0].height_above_bed_m": value, "mission.summary": words})

    book = read_book(folder)
    assert (book.deployments[0].height_above_bed_m, book.mission.summary) == (value, words)


# ---------------------------------------------------------------- revisions


def test_a_revision_is_kept_only_if_something_changed(folder):
    assert current_revision(folder) == 0

    first, again = accept_revision(folder), accept_revision(folder)
    edit_book(folder, {"analysis.seed": 7})
    second = accept_revision(folder)

    assert (first, again, second, current_revision(folder)) == (1, 1, 2, 2)
    assert revisions(folder) == (1, 2)
    assert [read_revision(folder, number).analysis.seed for number in (1, 2)] == [1, 7]
    assert (folder / "book" / "0002.toml").read_bytes() == (folder / "mission.toml").read_bytes()


def test_going_back_to_an_older_text_is_a_new_revision(folder):
    for seed in (1, 2, 1):
        edit_book(folder, {"analysis.seed": seed})
        accept_revision(folder)

    assert [read_revision(folder, number).analysis.seed for number in revisions(folder)] == [1, 2, 1]


def test_a_wrong_book_is_not_kept(folder):
    path = folder / "mission.toml"
    path.write_text(path.read_text().replace("format = 1", "format = 9"))

    with pytest.raises(BookErrors, match="update Reeftally"):
        accept_revision(folder)
    assert current_revision(folder) == 0


def test_a_revision_that_is_not_there_lists_those_that_are(folder):
    accept_revision(folder)

    with pytest.raises(BookErrors, match=r"revision is 7; it needs an accepted one \(1\)"):
        read_revision(folder, 7)


def test_many_at_once_keep_one_revision_and_leave_no_rubbish(folder):
    numbers = []
    threads = [threading.Thread(target=lambda: numbers.append(accept_revision(folder))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert numbers == [1] * 8
    assert revisions(folder) == (1,)
    assert all(path.suffix == ".toml" and not path.name.startswith(".") for path in (folder / "book").iterdir())


def test_media_without_hard_links_keep_revisions_too(folder, monkeypatch):
    def refuse(*_args, **_kwargs):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)

    assert (accept_revision(folder), accept_revision(folder)) == (1, 1)
    assert read_revision(folder, 1) == read_book(folder)
    assert [path.name for path in (folder / "book").iterdir()] == ["0001.toml"]
