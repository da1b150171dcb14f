"""Charts on pages: drawn by the server when a reader comes to them, once, in the colours of light and dark."""

import json
from xml.etree import ElementTree as ET

import altair as alt
import pandas as pd

from reeftally.charts import COLOURS
from reeftally.errors import ResultError
from reeftally.web.blocks import Chart
from reeftally.web.render import NARROW, WIDE, Drawings

from .conftest import HOSTILE


def chart(key="flux", *, built=None, fault=""):
    def build(width):
        if built is not None:
            built.append(width)
        if fault:
            raise ResultError(fault)
        data = pd.DataFrame({"x": [1.0, 2.0], "y": [1.0, 3.0], "note": [HOSTILE, "b"]})
        return (
            alt.Chart(data)
            .mark_line(color=COLOURS["oxygen"].light)
            .encode(x="x:Q", y="y:Q", tooltip="note:N")
            .properties(width=width, height=80)
        )

    return Chart(key, f"Flux {HOSTILE}", build)


def test_a_chart_is_drawn_once_for_light_and_dark():
    built, drawings = [], Drawings()
    name = drawings.place("0001", chart(built=built))
    assert built == []  # the page itself draws nothing
    light, dark = (drawings.svg(name, width=WIDE, dark=tone) for tone in (False, True))

    assert built == [WIDE]
    assert COLOURS["oxygen"].light in light
    assert COLOURS["oxygen"].dark in dark
    assert "var(" not in light + dark
    assert "style=" not in light
    assert ET.fromstring(light).tag.endswith("svg")


def test_the_specification_comes_apart_and_keeps_words_as_words():
    drawings = Drawings()
    name = drawings.place("0001", chart())
    spec = json.loads(drawings.spec(name))

    assert HOSTILE in json.dumps(list(spec["datasets"].values()), ensure_ascii=False).replace('\\"', '"')
    assert "$schema" not in spec


def test_what_cannot_be_drawn_says_why():
    drawings = Drawings()
    name = drawings.place("0001", chart(fault=f"no bottle {HOSTILE}"))
    drawn = ET.fromstring(drawings.svg(name, width=NARROW, dark=False))

    assert "Not drawn: no bottle <script>" in " ".join(drawn.itertext())
    assert drawings.spec(name) is None


def test_a_new_run_is_a_new_drawing_and_old_ones_are_forgotten():
    drawings = Drawings(most=3)
    first = drawings.place("0001", chart())
    drawings.svg(first, width=WIDE, dark=False)
    assert drawings.place("0002", chart()) != first
    for k in range(3):
        drawings.place("0002", chart(f"other {k}"))

    assert drawings.svg(first, width=WIDE, dark=False) is None
    assert len(drawings._charts) == 3
    assert len(drawings._held) == 0


def test_drawings_have_addresses(client):
    name = client.app.state.site.drawings.place("0001", chart())

    for kind in ("wide-light.svg", "wide-dark.svg", "narrow-light.svg", "narrow-dark.svg"):
        answer = client.get(f"/drawing/{name}/{kind}")
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("image/svg+xml")
    assert client.get(f"/drawing/{name}/spec.json").json()["mark"]
    assert client.get("/drawing/0000/wide-light.svg").status_code == 404
    assert client.get(f"/drawing/{name}/tall-light.svg").status_code == 404
