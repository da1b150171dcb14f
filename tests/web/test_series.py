"""Windows of a record: extremes kept, gaps kept, no more read than needed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reeftally.intake import take_in
from reeftally.store import open_store
from reeftally.web import app, traces
from reeftally.web.look import Look, Memory
from reeftally.web.thin import thin

from .conftest import FIRST_NS, MINUTE_NS, client_of, record

NS, MS = 1_000_000_000, 1_000_000
FIRST, LAST = FIRST_NS // MS, (FIRST_NS + 2 * 1440 * MINUTE_NS) // MS


def window(client, start=FIRST, end=LAST, width=500, channel="oxygen_molar", label="OXY-1"):
    return client.get(f"/data/series?label={label}&channels={channel}&start={start}&end={end}&width={width}")


def one(client, **more):
    return window(client, **more).json()["series"]["oxygen_molar"]


@settings(deadline=None, max_examples=200)
@given(
    st.lists(st.tuples(st.integers(0, 10_000), st.floats(-1e6, 1e6) | st.just(float("nan"))), max_size=80),
    st.integers(1, 40),
    st.integers(0, 5_000),
    st.integers(1, 9_000),
)
def test_thinning_keeps_the_extremes_of_every_window(points, width, start, length):
    points.sort(key=lambda p: p[0])
    time = np.array([p[0] for p in points], dtype=np.int64)
    values = np.array([p[1] for p in points], dtype=np.float64)
    inside = values[(time >= start) & (time < start + length)]
    finite = inside[np.isfinite(inside)]

    columns = thin(time_ns=time, values=values, start_ns=start, end_ns=start + length, width=width)

    assert columns.count.sum() == finite.size
    assert np.array_equal(np.isnan(columns.low), columns.count == 0)
    if finite.size:
        assert np.nanmin(columns.low) == finite.min()
        assert np.nanmax(columns.high) == finite.max()
    else:
        assert np.isnan(columns.low).all()


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 200), st.integers(1, 50))
def test_every_column_holds_its_own_values(count, width):
    time = np.arange(count, dtype=np.int64) * 7
    values = np.cos(time.astype(np.float64))
    end = int(time[-1]) + 1

    columns = thin(time_ns=time, values=values, start_ns=0, end_ns=end, width=width)

    for k in range(width):
        own = values[np.minimum((time * (width / end)).astype(int), width - 1) == k]
        assert columns.count[k] == own.size
        if own.size:
            assert (columns.low[k], columns.high[k]) == (own.min(), own.max())


def test_a_lone_spike_is_seen_at_any_width(client):
    for width in (3, 50, 500):
        answer = one(client, width=width)
        assert max(v for v in answer["high"] if v is not None) == pytest.approx(
            200 + 20 * np.sin(333 / 230) + 40, abs=1e-3
        )


def test_a_gap_stays_empty(client):
    answer = one(client, width=720)  # four minutes a column
    empty = [k for k, v in enumerate(answer["low"]) if v is None]

    assert empty == list(range(150, 165))
    assert answer["gap"] < 60 * 60_000  # shorter than the gap, so the line breaks


def test_a_short_window_is_given_sample_by_sample(client):
    answer = one(client, end=FIRST + 30 * 60_000, width=500)

    assert answer["t"] == [60_000.0 * k for k in range(30)]
    assert answer["v"][0] == 200.0


@pytest.mark.parametrize(
    "changes",
    [
        {"label": "NONE-1"}, {"channel": "nothing"}, {"channel": ""},
        {"channel": "temperature,nothing"}, {"start": "x"}, {"end": "1e99"},
        {"width": 0}, {"width": 99_999}, {"start": LAST, "end": FIRST},
        {"start": "9" * 30},
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_words(client, changes):
    answer = window(client, **changes)

    assert answer.status_code == 404
    assert len(answer.json()["message"]) > 10


def test_a_window_at_the_ends_of_time_is_empty(client):
    assert one(client, start=-9_000_000_000_000, end=-8_000_000_000_000)["v"] == []


def test_long_windows_are_put_together_from_chunks_that_are_read_once(mission, monkeypatch):
    direct = one(client_of(mission), width=48)
    monkeypatch.setattr(traces, "DIRECT", 100)
    client = client_of(mission)
    chunks = client.app.state.site.chunks

    first = one(client, width=48)
    made = chunks.made
    second = one(client, width=48)

    assert first == second
    assert (first["low"], first["high"]) == (direct["low"], direct["high"])
    assert 0 < made == chunks.made


def test_channels_come_together_from_one_reading(mission, monkeypatch):
    monkeypatch.setattr(traces, "DIRECT", 100)
    client = client_of(mission)
    both = window(client, width=48, channel="oxygen_molar,temperature").json()["series"]
    made = client.app.state.site.chunks.made

    assert both["oxygen_molar"] == one(client, width=48)
    assert set(both) == {"oxygen_molar", "temperature"}
    assert client.app.state.site.chunks.made == made


def test_chunks_are_made_ahead_newest_first_until_stopped(mission, monkeypatch):
    monkeypatch.setattr(app, "DIRECT", 100)
    monkeypatch.setattr(traces, "DIRECT", 100)
    client = client_of(mission)
    site = client.app.state.site
    site.warm(lambda: site.chunks.made >= 3)
    newest = sorted(start for _, start in site.chunks._held)
    site.warm(lambda: False)
    made = site.chunks.made
    window(client, width=48)

    assert newest[-1] == max(start for _, start in site.chunks._held if start <= FIRST_NS + 2 * 1440 * MINUTE_NS)
    assert len(newest) == 3
    # The day around the record, under clocks not yet corrected, is looked through for the window alone.
    assert site.chunks.made - made <= 8


def test_new_data_renew_only_the_chunks_they_touch(mission, monkeypatch):
    monkeypatch.setattr(traces, "DIRECT", 100)
    client = client_of(mission)
    chunks = client.app.state.site.chunks
    end = LAST + 6 * 86_400_000
    window(client, end=end, width=48)
    made = chunks.made
    late = mission / "inbox" / "OXY-1_late.csv"
    late.write_text(record(600, start=5 * 1440), encoding="utf-8")
    take_in(mission, now_ns=1)

    answer = one(client, end=end, width=48)

    assert answer["low"][30] is not None  # five days after the start, two days hold two sixths
    # Ten hours touch two chunks; a day to either side may hold them under clocks not yet corrected.
    assert 0 < chunks.made - made <= 2 + 2 * 4 + 12


def test_the_memory_of_chunks_is_bounded(mission, monkeypatch):
    monkeypatch.setattr(traces, "DIRECT", 100)
    client = client_of(mission)
    site = client.app.state.site
    site.chunks = traces.Chunks(most=3)
    window(client)

    assert len(site.chunks._held) == 3
    assert site.chunks.made > 3


def test_blocks_come_with_their_interval(client):
    answer = client.get("/data/blocks?label=OXY-1").json()
    series = answer["series"]["oxygen"]

    assert series["corrected"][0] == pytest.approx(series["mean"][0] + 2.0)
    assert series["half"][0] == pytest.approx(1.959964 * np.hypot(0.1, 0.4), rel=1e-3)
    assert answer["step"] == 900_000


def test_marks_hold_flags_with_their_test_events_and_places(client):
    marks = client.get("/data/marks?label=OXY-1").json()

    assert {"spike"} <= {f["test"] for f in marks["flags"] if f["channel"] == "oxygen_molar"}
    assert marks["events"][0]["text"].startswith("cleaning, <script>")
    assert marks["spans"][0]["text"] == "mast <i>, 0.35 m above the bed"
    assert client.get("/data/marks?label=NONE").status_code == 404


def test_looking_writes_nothing(mission):
    def stamps():
        return {p: p.stat().st_mtime_ns for p in mission.rglob("*") if p.is_file()}

    before = stamps()
    client = client_of(mission)
    for path in (
        "/",
        "/array",
        "/sensor/OXY-1",
        "/log",
        "/number",
        "/data/marks?label=OXY-1",
        "/data/blocks?label=OXY-1",
    ):
        assert client.get(path).status_code == 200
    window(client)

    assert stamps() == before


def test_loads_and_commits_are_told_by_the_store(mission):
    store = open_store(mission)

    assert store.newest_load("OXY-1") > 0
    assert store.newest_load("OXY-1", 0, 1) == 0
    assert store.newest_load("NONE") == 0
    assert store.commit_times() == sorted(store.commit_times())
    assert open_store(mission / "nowhere").commit_times() == []


def test_rows_of_a_reset_clock_do_not_stretch_the_record(mission):
    before = Look(mission, Memory())
    info, span = before.streams["OXY-1"], before.span_ns()
    reset = np.datetime64("2000-01-01T00:00:00", "ns").astype(np.int64) + NS * np.arange(0, 600, 60)
    columns = {name: np.full(reset.size, 200.0) for name in info.channels}
    with open_store(mission, write=True) as store, store.writer() as writer:
        writer.append("OXY-1", {"time": reset, **columns}, "0" * 64, 0, 600)

    after = Look(mission, Memory())

    assert after.store.streams()["OXY-1"].first_ns == reset[0]
    assert after.streams["OXY-1"].first_ns == info.first_ns
    assert after.streams["OXY-1"].rows == info.rows + reset.size
    assert after.span_ns() == span
    config = traces.trace_config(after, "OXY-1", start_ns=info.first_ns, end_ns=info.last_ns)
    assert config["first"] == info.first_ns // MS
