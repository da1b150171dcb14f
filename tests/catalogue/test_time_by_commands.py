"""Rows 1 to 12 of the catalogue through `intake` and `check`: clocks, zones, dates, stamps (all records invented)."""

import datetime as dt
from pathlib import Path

import catalogue_kit as kit
import numpy as np
import pytest

from reeftally.mission import timescales
from reeftally.store import open_store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return kit.mission(tmp_path / "mission")


def accept(folder: Path, finding: str) -> None:
    status, said = kit.run("check", folder, "--accept", finding, "--by", "crew")
    assert status in (0, 1)
    assert any(item["id"] == finding and item["accepted"] for item in said["findings"])


def test_row_01_an_offset_of_minutes_is_estimated_with_interval_asked_and_both_stamps_are_kept(folder):
    kit.neighbours(folder)
    kit.write(folder, "T-1_a.csv", kit.iso(kit.moments(kit.SECONDS + 437)), kit.values(kit.SECONDS))
    kit.take(folder)

    finding = kit.check(folder)["clock-T-1-signal"]

    kit.full(finding, "T-2", "temperature", "95 %", "nobody compared")
    shift = finding["correction"]
    assert abs(shift["seconds"] + 437) < 4 * shift["sd_s"] < 60
    assert not finding["accepted"]
    accept(folder, "clock-T-1-signal")
    # The store keeps the stamps as written; only the record as read is moved.
    assert open_store(folder).streams()["T-1"].first_ns == int((kit.START.timestamp() + 437) * 1e9)


def test_row_02_local_time_for_utc_is_named_zone_by_sun_and_by_neighbours(folder):
    kit.neighbours(folder)
    local = kit.SECONDS + 5 * 3600
    kit.write(folder, "T-1_a.csv", kit.iso(kit.moments(local)), kit.values(kit.SECONDS))
    minutes = np.arange(0, kit.DAYS * 86400, 60)
    # Noon of the sun at 78.5 degrees east is some minutes after 06:45 UTC.
    hour = (minutes / 3600 + 20 - 6.82 + 0.05) % 24
    light = np.maximum(0.0, np.cos((hour - 24 * (hour > 12)) / 12 * np.pi)) * 900
    kit.write(folder, "P-1_a.csv", kit.iso(kit.moments(minutes + 5 * 3600)), light, 1)
    kit.take(folder)

    found = kit.check(folder)

    kit.full(found["clock-T-1-signal"], "zone")
    kit.full(found["clock-P-1-signal"], "zone", "solar noon")
    assert found["clock-P-1-signal"]["correction"]["seconds"] == -5 * 3600


@pytest.mark.parametrize("forward", [True, False])
def test_row_03_a_change_of_daylight_saving_in_mid_file_is_found_both_ways_and_asked(tmp_path, forward):
    month, day = (3, 29) if forward else (10, 25)
    start = dt.datetime(2031, month, day, 20, tzinfo=dt.UTC)
    folder = kit.mission(tmp_path / "mission", start=start, days=2)
    change = np.datetime64(f"2031-{month:02d}-{day + 1:02d}T01:00:00")  # clocks of Europe change at 01:00 UTC
    true = kit.moments(np.arange(0, 86400, 10), start)
    shown = true + np.where(true >= change, 3600 if forward else -3600, 0).astype("timedelta64[s]")
    kit.write(folder, "T-1_a.csv", kit.iso(shown), kit.values(np.arange(0, 86400, 10)))
    kit.take(folder)

    (finding,) = [item for key, item in kit.check(folder).items() if key.startswith("clock-T-1")]

    kit.full(finding, "daylight saving", f"2031-{month:02d}-{day + 1:02d}", "Europe")
    assert (finding["correction"] is not None) is forward
    if not forward:
        assert "zone" in finding["proposal"]


def test_row_03_a_declared_zone_tells_the_hour_that_stands_twice_apart(tmp_path):
    start = dt.datetime(2031, 10, 25, 20, tzinfo=dt.UTC)
    folder = kit.mission(tmp_path / "mission", start=start, days=2)
    kit.layout(folder, zone="Europe/Berlin")
    true = kit.moments(np.arange(0, 43200, 10), start)
    summer = true < np.datetime64("2031-10-26T01:00:00")
    shown = true + np.where(summer, 7200, 3600).astype("timedelta64[s]")
    kit.write(folder, "T-1_a.csv", kit.iso(shown), kit.values(np.arange(0, 43200, 10)))

    report = kit.take(folder)

    (message,) = kit.messages(report)
    kit.complete(message, file="T-1_a.csv", words=("hour that Europe/Berlin has twice",))
    stored = open_store(folder).read("T-1")["time"]
    assert np.array_equal(stored, true.astype("datetime64[ns]").astype(np.int64))


def test_row_04_a_drift_is_a_line_through_the_comparisons_with_its_uncertainty(folder):
    kit.neighbours(folder)
    kit.write(
        folder, "T-1_a.csv", kit.iso(kit.moments(kit.SECONDS * (1 + 8.64 / 86400)), "ms"), kit.values(kit.SECONDS)
    )
    kit.layout(folder, format="%Y-%m-%dT%H:%M:%S.%f")
    kit.compare(folder, [("T-1", at, 8.64 * at / 86400) for at in (600, 86400, 2 * 86400, 3 * 86400 - 600)])
    kit.take(folder)

    finding = kit.check(folder)["clock-T-1-1"]

    kit.full(finding, "drifts by +8.6", "4 comparisons", "standard uncertainty")
    assert finding["correction"]["per_day"] == pytest.approx(-8.64, abs=0.3)


def test_row_05_a_reset_clock_is_a_stretch_of_its_own_placed_by_the_log_or_refused(folder):
    kit.neighbours(folder)
    before, after = kit.SECONDS[kit.SECONDS < 90_000], kit.SECONDS[kit.SECONDS >= 95_000]
    kit.write(folder, "T-1_a.csv", kit.iso(kit.moments(before)), kit.values(before))
    epoch = np.datetime64("2000-01-01T00:00:00", "ms")
    stamps = epoch + ((after - 95_000) * 1000).astype("timedelta64[ms]")
    kit.write(folder, "T-1_b.csv", kit.iso(stamps), kit.values(after))

    report = kit.take(folder)

    (message,) = kit.messages(report)
    kit.complete(
        message, file="T-1_b.csv", field="time", words=("clock that was reset", "2000-01-01", "reeftally check")
    )
    assert message["line"] == 2
    refused = kit.check(folder)["reset-T-1"]
    kit.full(refused, "nothing says when it began", "interventions.csv")
    assert refused["correction"] is None
    when = kit.START + dt.timedelta(seconds=95_020)
    (folder / "tables" / "interventions.csv").write_text(
        f"time,instrument,kind,note,who\n{when:%Y-%m-%dT%H:%M:%SZ},T-1,restart,,crew\n"
    )
    placed = kit.check(folder)["reset-T-1"]
    truth = (kit.START + dt.timedelta(seconds=95_000)).timestamp() - dt.datetime(2000, 1, 1, tzinfo=dt.UTC).timestamp()
    assert placed["correction"]["seconds"] == pytest.approx(truth, abs=120.0)
    kit.full(placed, "restart", "95 %")


def test_row_06_satellite_time_is_converted_and_a_second_60_accepted(tmp_path):
    start = dt.datetime(2016, 12, 31, 12, tzinfo=dt.UTC)
    folder = kit.mission(tmp_path / "mission", start=start, days=1)
    true = np.arange(43_190, 43_211)  # across the leap second at the end of 2016
    stamps = []
    for second in true:
        if second == 43_200:
            stamps.append("2016-12-31T23:59:60")
        when = start + dt.timedelta(seconds=int(second))
        stamps.append(f"{when:%Y-%m-%dT%H:%M:%S}")
    numbers = np.arange(len(stamps)) / 100 + 28
    kit.write(folder, "T-1_a.csv", stamps, numbers)
    report = kit.take(folder)

    assert [m for m in kit.messages(report) if m["field"] == "time" and "twice" in m["found"]] == []
    (file,) = report["files"]
    assert file["rows_new"] == 22
    assert any("leap second" in note for note in file["notes"])

    other = kit.mission(tmp_path / "other", start=start, days=1)
    kit.layout(other, more='stamp = "instant"\nscale = "GPS"')
    utc = np.array([start.timestamp() + 1000.0, start.timestamp() + 50_000.0])
    ahead = timescales.gps_minus_utc(utc)
    assert ahead.tolist() == [17.0, 18.0]
    gps = kit.moments(utc + ahead - start.timestamp(), start)
    kit.write(other, "T-1_a.csv", kit.iso(gps), np.array([28.0, 28.1]))
    report = kit.take(other)
    assert (open_store(other).read("T-1")["time"] / 1e9).tolist() == utc.tolist()
    assert any("GPS time" in note and "taken off" in note for note in report["files"][0]["notes"])


def test_row_07_day_and_month_exchanged_are_tried_against_the_mission_and_asked(folder):
    kit.layout(folder, format="%d/%m/%Y %H:%M:%S")
    early = kit.moments(kit.SECONDS[:2000])  # 3 and 4 April: both readings are dates
    american = [f"{t.astype(dt.datetime):%m/%d/%Y %H:%M:%S}" for t in early]
    kit.write(folder, "T-1_a.csv", american, kit.values(kit.SECONDS[:2000]))

    (message,) = kit.messages(kit.take(folder))

    kit.complete(
        message, file="T-1_a.csv", words=("day and month exchanged", 'format = "%m/%d/%Y %H:%M:%S"', "2031-04-03")
    )
    # After the twelfth there is no such day, and the message names the other reading as well.
    later = kit.mission(folder.parent / "later", start=dt.datetime(2031, 4, 13, 20, tzinfo=dt.UTC))
    kit.layout(later, format="%d/%m/%Y %H:%M:%S")
    late = kit.moments(kit.SECONDS[:500], dt.datetime(2031, 4, 13, 20))
    kit.write(
        later, "T-1_b.csv", [f"{t.astype(dt.datetime):%m/%d/%Y %H:%M:%S}" for t in late], kit.values(kit.SECONDS[:500])
    )
    (message,) = kit.messages(kit.take(later))
    kit.complete(message, file="T-1_b.csv", field="time", words=("04/13/2031", "day and month exchanged"))


def test_row_08_serial_days_of_the_other_epoch_and_lost_centuries_are_recognised_and_asked(folder):
    kit.layout(folder, format="serial_1900")
    days = (kit.moments(kit.SECONDS[:500]) - np.datetime64("1904-01-01T00:00:00", "ms")) / np.timedelta64(1, "D")
    kit.write(folder, "T-1_a.csv", [f"{d:.9f}" for d in days], kit.values(kit.SECONDS[:500]))

    (message,) = kit.messages(kit.take(folder))

    kit.complete(message, file="T-1_a.csv", field="time", words=("2027-04-02", 'format = "serial_1904"', "rebuild"))
    other = kit.mission(folder.parent / "other")
    stamps = [f"{t.astype(dt.datetime):1931-%m-%dT%H:%M:%S}" for t in kit.moments(kit.SECONDS[:500])]
    kit.write(other, "T-1_a.csv", stamps, kit.values(kit.SECONDS[:500]))
    (message,) = kit.messages(kit.take(other))
    kit.complete(message, file="T-1_a.csv", field="time", words=("1931-04-03", "a century was lost"))


def test_row_09_stamps_that_go_back_are_flagged_and_the_rows_kept(folder):
    seconds = kit.SECONDS[:1000].copy()
    seconds[500:] -= 1803
    kit.write(folder, "T-1_a.csv", kit.iso(kit.moments(seconds)), kit.values(kit.SECONDS[:1000]))

    report = kit.take(folder)

    (message,) = kit.messages(report)
    kit.complete(message, file="T-1_a.csv", field="time", words=("back in time", "by 1793 s", "stamps that grow"))
    assert message["line"] == 502
    assert report["rows_new"] == 1000


def numbered(folder: Path, name: str, stamps: list[str], numbers: np.ndarray, counter: np.ndarray) -> None:
    """Write a file with packet numbers."""
    rows = "".join(f"{t},{n},{v:.4f}\n" for t, n, v in zip(stamps, counter, numbers, strict=True))
    (folder / "inbox" / name).write_text("time,n,v\n" + rows)


def test_row_09_packets_that_came_late_are_sorted_by_their_numbers_and_a_clock_set_back_is_asked_about(tmp_path):
    number = np.arange(480)
    seconds = number // 8
    value = 28.0 + number / 1000.0
    late = np.concatenate([number[:160], number[240:320], number[160:240], number[320:]])
    folder = kit.mission(tmp_path / "late", interval=0.125)
    kit.layout(folder, more='stamp = "instant"\ncounter = "n"\nrate_hz = 8.0')
    numbered(folder, "T-1_a.csv", kit.iso(kit.moments(seconds[late])), value[late], late)

    (file,) = kit.take(folder)["files"]

    assert file["messages"] == []
    assert any("1 stretch(es) of rows that came late" in note and "packet numbers" in note for note in file["notes"])
    stored = open_store(folder).read("T-1")
    assert np.allclose(stored["temperature"], value, atol=1e-6)
    assert np.allclose(stored["time"] / 1e9 - kit.START.timestamp(), number / 8.0, atol=1e-6)

    other = kit.mission(tmp_path / "back", interval=0.125)
    kit.layout(other, more='stamp = "instant"\ncounter = "n"\nrate_hz = 8.0')
    shown = seconds - 20 * (number >= 240)
    numbered(other, "T-1_a.csv", kit.iso(kit.moments(shown)), value, number)
    report = kit.take(other)
    (message,) = [m for m in kit.messages(report) if "back in time" in m["found"]]
    kit.complete(
        message,
        file="T-1_a.csv",
        field="time",
        words=("packet numbers go on", "clock was set back", "clock_checks.csv"),
    )
    assert message["line"] == 242


def test_row_10_an_average_needs_its_stamp_position_and_is_moved_to_its_middle(folder):
    kit.layout(folder, more='stamp = "end"')
    kit.write(folder, "T-1_a.csv", kit.iso(kit.moments(kit.SECONDS[:100])), kit.values(kit.SECONDS[:100]))

    report = kit.take(folder)

    assert any("averaging_s" in message["found"] and "layouts/" in message["file"] for message in report["messages"])
    kit.layout(folder, more='stamp = "end"\naveraging_s = 600.0')
    kit.take(folder)
    from reeftally.analysis.context import open_context

    read = open_context(folder).read("T-1").time_ns
    assert read[0] == int(kit.START.timestamp() * 1e9) - 300_000_000_000


@pytest.mark.parametrize(("declared", "true"), [("start", "end"), ("end", "start"), ("end", "end")])
def test_row_10_a_declared_position_is_checked_by_the_lag_of_a_shared_signal(tmp_path, declared, true):
    folder = kit.mission(tmp_path / "mission", interval=600.0)
    kit.neighbours(folder)
    book = folder / "mission.toml"
    text = book.read_text()
    at = text.index('label = "T-1"')
    book.write_text(text[:at] + text[at:].replace('layout = "kind-t"', 'layout = "kind-a"', 1))
    kit.layout(folder, prefix="A", more=f'stamp = "{declared}"\naveraging_s = 600.0')
    (folder / "layouts" / "kind-a.toml").write_text(
        (folder / "layouts" / "kind-a.toml").read_text().replace("A-*.csv", "T-1*.csv").replace("^(A-[0-9])", "^(T-1)")
    )
    other = folder / "layouts" / "kind-t.toml"
    other.write_text(other.read_text().replace("T-*.csv", "T-[2-4]*.csv"))
    starts = np.arange(0, kit.DAYS * 86400, 600)
    means = kit.water(starts[:, None] + np.arange(0, 600, 10)).mean(axis=1)
    kit.write(folder, "T-1_a.csv", kit.iso(kit.moments(starts + (600 if true == "end" else 0))), means)
    kit.compare(folder, [("T-1", 3600, 0.0), ("T-1", 2 * 86400, 0.0)])
    kit.take(folder)

    found = kit.check(folder)

    if declared == true:
        assert "stamp-T-1" not in found
    else:
        kit.full(found["stamp-T-1"], f"name the {true}", f"says {declared}", "temperature", f'stamp = "{true}"')


def test_row_11_whole_seconds_at_8_hertz_are_rebuilt_from_the_counter_by_a_stated_rule(tmp_path):
    folder = kit.mission(tmp_path / "mission", interval=0.125)
    seconds = np.arange(0, 60, 0.125)
    stamps = kit.iso(kit.moments(np.floor(seconds)))
    kit.write(folder, "T-1_a.csv", stamps, kit.values(seconds))

    (message,) = [m for m in kit.messages(kit.take(folder)) if "equal stamps" in m["found"]]

    kit.complete(message, file="T-1_a.csv", field="time", words=("counter", "rate_hz"))
    other = kit.mission(tmp_path / "other", interval=0.125)
    kit.layout(other, more='stamp = "instant"\ncounter = "n"\nrate_hz = 8.0')
    rows = "".join(f"{t},{n},{28.0 + n / 1000:.3f}\n" for n, t in enumerate(stamps))
    (other / "inbox" / "T-1_a.csv").write_text("time,n,v\n" + rows)
    report = kit.take(other)
    assert any("first sample of each second stands at the second" in note for note in report["files"][0]["notes"])
    stored = open_store(other).read("T-1")["time"] / 1e9 - kit.START.timestamp()
    assert np.abs(stored - seconds).max() < 1e-6


def test_row_12_a_rate_that_is_not_the_books_is_measured_and_reported(tmp_path):
    folder = kit.mission(tmp_path / "mission", interval=0.25)
    kit.layout(folder, format="%Y-%m-%dT%H:%M:%S.%f")
    seconds = np.arange(4000) * 0.25 * 1.001
    kit.write(folder, "T-1_a.csv", kit.iso(kit.moments(seconds), "ms"), kit.values(seconds))

    (file,) = kit.take(folder)["files"]

    assert any("Measured rate 3.996 Hz, the book says 4 Hz" in note for note in file["notes"])
    wrong = kit.mission(tmp_path / "wrong", interval=5.0)
    kit.write(wrong, "T-1_a.csv", kit.iso(kit.moments(kit.SECONDS[:500])), kit.values(kit.SECONDS[:500]))
    (message,) = kit.messages(kit.take(wrong))
    kit.complete(message, file="T-1_a.csv", words=("a row every 10 s", "one every 5 s", "sample_interval_s"))
