"""The map of the site: distances, places that share a point, petals, what is said where something is missing."""

import json
import math

import pandas as pd
import pytest

from reeftally.charts import svg_for_paper
from reeftally.report import read_facts
from reeftally.telling.flow_figures import SECTORS, RoseCounts, rose_counts
from reeftally.telling.map_figures import places_of, site_map, site_map_of

AWAY = {"name": "outside", "role": "reference", "latitude_deg": None, "longitude_deg": None, "water_depth_m": 60.0}


@pytest.fixture(scope="module")
def facts(build_mission, tmp_path_factory):
    return read_facts(build_mission(tmp_path_factory.mktemp("map") / "m", keep=set()))


@pytest.fixture
def moved(facts):
    """Return a book with one more station, so many degrees away."""

    def make(north, east):
        site = facts.book.site
        more = {**AWAY, "latitude_deg": site.latitude_deg + north, "longitude_deg": site.longitude_deg + east}
        kind = type(facts.book.stations[0])
        return facts.book.model_copy(update={"stations": (*facts.book.stations, kind(**more))})

    return make


def _drawn(figure, width=740):
    return json.loads(figure.build(width).to_json())


def _rows(spec, field):
    return [row for data in spec["datasets"].values() for row in data if field in row]


def test_a_minute_of_latitude_is_a_nautical_mile(moved):
    # 1 nautical mile is 1852 m exactly, made to be a minute of latitude (Bureau International des Poids et Mesures,
    # SI brochure, 8th edition 2006, table 8); a sphere of the mean radius gives 1853.2 m.
    place = next(p for p in places_of(moved(1.0 / 60.0, 0.0)) if "outside" in p.names)

    assert place.north_km == pytest.approx(1.852, rel=0.002)
    assert place.east_km == pytest.approx(0.0, abs=1e-9)
    assert place.depth_m == 60.0


def test_longitude_shrinks_with_latitude_and_crosses_the_date_line(moved):
    book = moved(0.0, 0.5)
    place = next(p for p in places_of(book) if "outside" in p.names)
    site = book.site.model_copy(update={"longitude_deg": 179.9})
    station = book.stations[-1].model_copy(update={"longitude_deg": -179.9})
    crossed = book.model_copy(update={"site": site, "stations": (station,)})

    assert place.east_km == pytest.approx(30.0 * 1.852 * math.cos(math.radians(book.site.latitude_deg)), rel=0.002)
    assert 0.0 < places_of(crossed)[0].east_km < 25.0


def test_stations_without_coordinates_lie_at_the_site_together(facts):
    places = places_of(facts.book)
    own = {row.name for row in facts.book.stations if row.latitude_deg is None}

    assert places[0].at_site
    assert own <= set(places[0].names)
    assert sum(len(p.names) for p in places) == len(facts.book.stations)
    assert {d.instrument for d in facts.book.deployments} == {label for p in places for label in p.instruments}


def test_a_kilometre_is_as_long_to_the_north_as_to_the_east(moved):
    for width in (740, 300):
        spec = _drawn(site_map(moved(0.02, -0.05), None), width)
        points = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "point")
        x, y = (points["encoding"][axis]["scale"]["domain"] for axis in "xy")

        assert (x[1] - x[0]) / spec["width"] == pytest.approx((y[1] - y[0]) / spec["height"])


def test_a_petal_points_where_the_water_went_and_is_as_long_as_its_share(moved):
    table = pd.DataFrame(
        [
            {"sector": 4, "kind": 0, "from": 0.0, "to": 10.0},
            {"sector": 4, "kind": 1, "from": 10.0, "to": 40.0},
            {"sector": 12, "kind": 0, "from": 0.0, "to": 20.0},
        ]
    )
    rose = RoseCounts(table, ("slow", "middling", "fast", "fastest"), 100)
    corners = pd.DataFrame(_rows(_drawn(site_map(moved(0.02, 0.02), rose)), "petal"))
    east, west = corners[corners["petal"] == 1], corners[corners["petal"] == 2]

    assert SECTORS == 16
    assert east["east"].max() > 0.0 > west["east"].min()
    # 40 % to the east, 20 % to the west.
    assert east["east"].max() == pytest.approx(-2.0 * west["east"].min(), rel=1e-9)
    assert abs(east["north"].mean()) < 1e-9


def test_the_rose_of_the_run_is_drawn_and_every_station_is_named(facts):
    found = rose_counts(facts)
    figure = site_map_of(facts)
    words = " ".join(
        row["label"].replace("\n", " ").replace("\N{NO-BREAK SPACE}", " ") for row in _rows(_drawn(figure), "label")
    )

    assert all(row.name in words for row in facts.book.stations)
    assert facts.book.site.bottom in words
    if found is None:
        assert "the rose is missing" in figure.caption
    else:
        assert f"{found.blocks} blocks" in figure.caption
        assert found.table.groupby("sector")["to"].max().sum() == pytest.approx(100.0)


def test_no_label_leaves_the_sheet(moved):
    for north, east in ((0.02, 0.05), (-0.02, -0.05), (0.05, 0.0), (0.0, 0.0)):
        for width in (740, 300):
            spec = _drawn(site_map(moved(north, east), None), width)
            for layer in spec["layer"]:
                if layer["mark"]["type"] != "text":
                    continue
                low, high = layer["encoding"]["x"]["scale"]["domain"]
                for row in spec["datasets"][layer["data"]["name"]]:
                    at = (row["east"] - low) / (high - low) * spec["width"]
                    # Half an em a letter, common practice, no source.
                    wide = 13 * 0.5 * max(len(line) for line in row["label"].split("\n"))
                    side = layer["mark"]["align"]
                    left = at - {"left": 0.0, "center": wide / 2.0, "right": wide}[side]
                    assert left >= -40.0
                    assert left + wide <= spec["width"] + 20.0


def test_a_book_without_stations_says_what_to_write(facts):
    found = site_map(facts.book.model_copy(update={"stations": ()}), None)

    assert found.build is None
    assert "[[stations]]" in found.missing


def test_the_map_can_be_drawn_for_paper(facts):
    assert "<svg" in svg_for_paper(site_map_of(facts).build(740))
