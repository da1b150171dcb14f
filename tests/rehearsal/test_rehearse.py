"""A whole rehearsal: same bytes, a valid mission, errors of sensors as planted (invented data)."""

from __future__ import annotations

import hashlib
import itertools

import numpy as np
import pytest

from reeftally import mission
from reeftally.errors import InputError
from reeftally.rehearsal import read_truth, rehearse
from reeftally.rehearsal.faults import FILE_KINDS, ROW_KINDS

FEW = ("OXY-1", "PHI-1", "MET-1", "FAR-1")


def _hashes(folder) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _optode(folder, label: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time [s since 2031-03-29], oxygen by volume and temperature of an optode's files."""
    times, rows = [], []
    for path in sorted((folder / "inbox").glob(f"{label}_*.txt")):
        for line in path.read_text().splitlines():
            if line[:1].isdigit():
                when, oxygen, temperature = line.split(";")
                times.append(np.datetime64(when, "ms"))
                rows.append((float(oxygen), float(temperature)))
    seconds = (np.array(times) - np.datetime64("2031-03-29T00:00:00", "ms")).astype(float) / 1000.0
    values = np.array(rows)
    return seconds, values[:, 0], values[:, 1]


def test_same_seed_same_bytes(tmp_path):
    rehearse(tmp_path / "one", instruments=FEW, seed=7)
    rehearse(tmp_path / "two", instruments=FEW, seed=7)
    rehearse(tmp_path / "other", instruments=FEW, seed=8)

    one, two, other = (_hashes(tmp_path / name) for name in ("one", "two", "other"))

    assert one == two
    assert all(one[name] != other[name] for name in one if name.startswith(("inbox", "truth", "tables/bottles")))


def test_a_subset_of_instruments_writes_the_same_files(tmp_path, small_mission):
    folder, _ = small_mission

    rehearse(tmp_path, instruments=("OXY-2", "PHI-2"), seed=3)

    few, many = _hashes(tmp_path), _hashes(folder)
    for name in few:
        if name.startswith("inbox"):
            assert few[name] == many[name]
    apart = [
        [row for row in read_truth(where).rows if row["quantity"] != "stream_rows"] for where in (tmp_path, folder)
    ]
    assert apart[0] == apart[1]


def test_the_folder_is_a_valid_mission(small_mission):
    folder, _ = small_mission

    book = mission.read_book(folder)
    layouts = mission.read_layouts(folder)
    tables = mission.read_tables(folder)

    assert mission.problems_of(book) == ()
    assert mission.doubts_of(book) == ()
    assert mission.problems_with_layouts(book, layouts) == ()
    assert tables.problems == ()
    assert len(book.swaps()) == 4


def test_a_full_book_is_valid_too(tmp_path):
    from reeftally.rehearsal.book import book_text, write_layouts
    from reeftally.rehearsal.highrate import make_world
    from reeftally.rehearsal.reef import INSTRUMENTS

    world = make_world("full", 2, draw=True)
    (tmp_path / "mission.toml").write_text(book_text(world, INSTRUMENTS), encoding="utf-8")
    write_layouts(world, tmp_path / "layouts", INSTRUMENTS)

    book = mission.read_book(tmp_path)

    assert mission.problems_of(book) == ()
    assert mission.problems_with_layouts(book, mission.read_layouts(tmp_path)) == ()
    assert len(book.nights()) >= 10


def test_offsets_between_optodes_side_by_side_are_the_planted_ones(small_mission):
    folder, truth = small_mission
    seconds, one, temperature = _optode(folder, "OXY-1")
    _, three, _ = _optode(folder, "OXY-3")
    side = (seconds > 1800.0) & (seconds < 5.5 * 3600.0)
    from reeftally.seawater import oxygen

    def by_mass(molar):
        true = oxygen.salinity_compensation(
            oxygen_molar=molar, temperature=temperature[side], salinity=35.1, salinity_setting=0.0
        )
        return oxygen.molar_to_gravimetric(oxygen_molar=true, temperature=temperature[side], salinity=35.1)

    difference = np.mean(by_mass(three[side]) - by_mass(one[side]))

    start = (
        truth.find("sensor_offset", subject="OXY-3")[0]["value"]
        - truth.find("sensor_offset", subject="OXY-1")[0]["value"]
    )
    days = np.mean(seconds[side]) / 86400.0
    drift = truth.value("sensor_drift", subject="OXY-3") - truth.value("sensor_drift", subject="OXY-1")
    assert difference == pytest.approx(start + drift * days, abs=0.02)


def test_the_stuck_hour_is_stuck_and_only_that(small_mission):
    folder, truth = small_mission
    seconds, oxygen, _ = _optode(folder, "OXY-2")
    row = truth.find("planted_fault", subject="OXY-2", kind="stuck")[0]
    start = (
        (np.datetime64(row["start"][:-1]) - np.datetime64("2031-03-29T00:00:00")).astype("timedelta64[s]").astype(float)
    )
    held = (seconds >= start) & (seconds < start + 3600.0)

    assert np.ptp(oxygen[held]) == 0.0
    assert np.ptp(oxygen[(seconds >= start - 3600.0) & (seconds < start)]) > 0.5


def test_the_office_clock_jumps_one_hour(small_mission):
    folder, truth = small_mission
    lines = [
        line
        for path in sorted((folder / "inbox").glob("CTD-1_*.txt"))
        for line in path.read_text().splitlines()
        if line[:1].isdigit()
    ]
    times = np.array([np.datetime64(line.split()[0], "s") for line in lines])
    steps = np.diff(times).astype(int)

    assert np.sum(steps == 3605) == 1
    assert np.sum(steps != 5) == 1
    assert str(times[int(np.argmax(steps))])[:13] == "2031-03-30T00"
    assert truth.value("planted_fault", subject="CTD-1", kind="zone_jump") == 3600.0


def test_truth_reads_back_as_it_was_returned(small_mission):
    folder, truth = small_mission

    assert read_truth(folder).rows == truth.rows
    keys = {"quantity", "subject", "period", "start", "end", "value", "unit"}
    assert all(keys <= set(row) for row in truth.rows)


def test_the_truth_counts_the_rows_of_every_stream(small_mission):
    folder, truth = small_mission

    for label in ("OXY-1", "OXY-2"):
        seconds, _, _ = _optode(folder, label)
        assert truth.value("stream_rows", subject=label) == seconds.size
        assert truth.find("stream_rows", subject=label)[0]["start"] == "2031-03-29T00:00:00.000Z"


def test_drawn_truths_differ_from_the_stated_ones_within_the_priors(tmp_path):
    values = []
    for seed in range(1, 7):
        truth = rehearse(tmp_path / str(seed), instruments=("MET-1",), seed=seed, draw_truth=True)
        values.append(truth.value("von_karman"))

    assert np.std(values) > 0.002
    assert all(abs(value - 0.41) < 0.05 for value in values)


def test_planted_faults_are_told_and_do_not_overlap(tmp_path):
    labels = ("OXY-1", "OXY-2", "OXY-3", "OXY-4", "PHI-1", "PHI-2", "CTD-1", "DYE-P", "PAR-1", "FAR-1", "MET-1")

    truth = rehearse(tmp_path, instruments=labels, seed=5, plant_faults=30)

    rows = truth.find("planted_fault", drawn=True)
    assert len(rows) == 30
    assert {row["kind"] for row in rows} == set(ROW_KINDS) | set(FILE_KINDS)
    for label in labels:
        own = sorted((row["start"], row["end"]) for row in rows if row["subject"] == label)
        assert all(one[1] < two[0] for one, two in itertools.pairwise(own))


def test_a_folder_with_a_mission_is_left_alone(small_mission):
    folder, _ = small_mission

    with pytest.raises(InputError, match="already holds a mission"):
        rehearse(folder)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"size": "huge"}, "size is 'huge'"),
        ({"scenario": "C"}, "needs A or B"),
        ({"instruments": ("OXY-9",)}, "OXY-9"),
        ({"instruments": ("FAST-O",)}, "without VEL-A"),
        ({"instruments": ("OXY-1",), "plant_faults": 100}, "0 to 60"),
        ({"instruments": ("PRO-W",), "plant_faults": 3}, "can carry a planted fault"),
    ],
)
def test_arguments_that_name_nothing_known_are_refused(tmp_path, arguments, message):
    with pytest.raises(InputError, match=message):
        rehearse(tmp_path / "new", **arguments)
