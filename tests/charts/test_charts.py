"""Charts: every axis has name and unit, nights are shaded, a quantity keeps its colour, drawings are repeatable."""

import json
import re

import numpy as np
import pandas as pd
import pytest

from reeftally import charts
from reeftally.charts import COLOURS

START = pd.Timestamp("2031-03-25T20:00:00Z")
FRAME = charts.Frame(
    start=START,
    end=START + pd.Timedelta(hours=36),
    utc_offset_h=5.0,
    nights=((START - pd.Timedelta(hours=7), START + pd.Timedelta(hours=5)),),
    width=700,
)


def _series(*names):
    time = START + pd.to_timedelta(np.arange(24) * 90, unit="min")
    value = np.sin(np.arange(24.0))
    value[5:8] = np.nan
    rows = [
        pd.DataFrame({"time": time, "name": n, "value": value, "lower": value - 1, "upper": value + 1, "alone": False})
        for n in names
    ]
    return pd.concat(rows, ignore_index=True)


def _estimates(**columns):
    return pd.DataFrame({"value": [1.0, -2.0], "lower": [0.5, -2.5], "upper": [1.5, -1.5], **columns})


PAIRS = pd.DataFrame(
    {
        "x": [1.0, -2.0],
        "x_lower": [0.0, -3.0],
        "x_upper": [2.0, -1.0],
        "y": [1.5, -1.0],
        "y_lower": [0.5, -2.0],
        "y_upper": [2.5, 0.0],
        "night": [False, True],
    }
)
STEPS = pd.DataFrame(
    {
        "driver": ["global", "organic"],
        "start": [0.0, -0.1],
        "end": [-0.1, -0.13],
        "lower": [-0.11, -0.14],
        "upper": [-0.09, -0.12],
        "text": ["a", "b"],
    }
)
WATER = pd.DataFrame({"dic": [2000.0, 2010.0], "total_alkalinity": [2305.0, 2309.0], "night": [True, False]})
HOURS = pd.DataFrame(
    {
        "name": "ph_total",
        "kind": ["block", "summary"],
        "hour": [3.0, 3.0],
        "value": [8.0, np.nan],
        "median": [np.nan, 8.0],
        "low": [np.nan, 7.9],
        "high": [np.nan, 8.1],
    }
)
LIGHT = pd.DataFrame(
    {"par": [0.0, 900.0], "value": [-12.0, 9.0], "lower": [-13, 8], "upper": [-11, 10], "method": "gradient"}
)
BUDGET = pd.DataFrame(
    {
        "estimate": "Oxygen flux",
        "term": ["height", "random"],
        "share": [0.6, 0.3],
        "rank": [0, 1],
    }
)
PROFILE = pd.DataFrame({"height": [0.1, 0.5], "speed": [0.05, 0.09], "label": "flood"})
SPECTRUM = pd.DataFrame({"frequency": [0.1, 1.0, 4.0], "value": [1e-3, 1e-4, 1e-5], "label": "vertical"})

ALL = {
    "mission_strip": lambda: charts.mission_strip(_series("oxygen", "ph_total"), FRAME),
    "routes": lambda: charts.routes(
        _series("covariance", "log_law"), FRAME, quantity="friction_velocity", methods=["covariance", "log_law"]
    ),
    "flux_series": lambda: charts.flux_series(
        _series("covariance", "gradient"), FRAME, quantity="oxygen_flux", methods=["covariance", "gradient"]
    ),
    "hour_of_day": lambda: charts.hour_of_day(HOURS, FRAME),
    "method_against_method": lambda: charts.method_against_method(
        PAIRS, quantity="oxygen_flux", methods=("covariance", "gradient")
    ),
    "light_curve": lambda: charts.light_curve(LIGHT, pd.DataFrame({"par": [], "value": []}), quantity="oxygen_flux"),
    "means_by_period": lambda: charts.means_by_period(
        _estimates(period=["night", "day"], method="gradient"), quantity="oxygen_flux", unit="mmol m-2 h-1"
    ),
    "dic_alkalinity": lambda: charts.dic_alkalinity(WATER, WATER.iloc[:1]),
    "property_plot": lambda: charts.property_plot(WATER, x="dic", y="total_alkalinity"),
    "offsets": lambda: charts.offsets(
        _estimates(sensor=["OXY-1", "OXY-2"], occasion="before"), quantity="oxygen", unit="µmol kg-1"
    ),
    "differences_by_form": lambda: charts.differences_by_form(
        _estimates(form="urn", organism=["a", "b"]), quantity="oxygen", unit="µmol kg-1"
    ),
    "account_steps": lambda: charts.account_steps(STEPS, title="Change of pH"),
    "drivers_in_time": lambda: charts.drivers_in_time(_series("organic", "residual"), FRAME),
    "parts": lambda: charts.parts(_estimates(label=["x", "y"], driver=["global", "organic"], text="t"), title="pH"),
    "error_budgets": lambda: charts.error_budgets(BUDGET),
    "estimate_lines": lambda: charts.estimate_lines(
        _estimates(label=["x", "y"]), quantity="local_dic_excess", unit="µmol kg-1", role="dic"
    ),
    "log_profile": lambda: charts.log_profile(PROFILE, PROFILE),
    "spectrum": lambda: charts.spectrum(SPECTRUM, title="Spectrum (m² s⁻² Hz⁻¹)", slope=-5 / 3),
}


def _text(drawing):
    return re.findall(r"<text[^>]*>([^<]*)</text>", drawing)


@pytest.mark.parametrize("name", sorted(ALL))
def test_every_chart_is_drawn_the_same_twice_and_asks_for_nothing(name):
    first, second = (charts.svg_for_page(ALL[name](), title="t") for _ in range(2))

    assert first == second
    assert not re.search(r'(?:href|src)="(?!#|data:)', first)
    assert not re.search(r"#[0-9a-f]{6}", first), "every colour follows the page's tone"


@pytest.mark.parametrize("name", sorted(ALL))
def test_a_page_specification_names_no_address(name):
    spec = json.dumps(charts.page_spec(ALL[name]()))

    assert "http" not in spec


@pytest.mark.parametrize(
    ("name", "titles"),
    [
        ("mission_strip", ["Oxygen, O₂ (µmol kg⁻¹)", "pH, total scale", "local time (UTC+5), UTC below"]),
        ("routes", ["Friction velocity, u* (m s⁻¹)"]),
        ("flux_series", ["Oxygen flux (mmol m⁻² h⁻¹)"]),
        ("method_against_method", ["Oxygen flux (mmol m⁻² h⁻¹), covariance", "Oxygen flux (mmol m⁻² h⁻¹), gradient"]),
        ("light_curve", ["Light, PAR (µmol m⁻² s⁻¹)", "Oxygen flux (mmol m⁻² h⁻¹)"]),
        ("means_by_period", ["Oxygen flux (mmol m⁻² h⁻¹)"]),
        ("dic_alkalinity", ["Inorganic carbon, DIC (µmol kg⁻¹)", "Alkalinity, TA (µmol kg⁻¹)"]),
        ("offsets", ["Offset: Oxygen, O₂ (µmol kg⁻¹)"]),
        ("error_budgets", ["share of the variance (%)"]),
        ("estimate_lines", ["DIC above open water (µmol kg⁻¹)"]),
        ("log_profile", ["Current speed (m s⁻¹)", "Height above the displacement plane (m), logarithmic"]),
        ("spectrum", ["Frequency (Hz)", "Spectrum (m² s⁻² Hz⁻¹)"]),
    ],
)
def test_axes_carry_name_and_unit(name, titles):
    words = _text(charts.svg_for_page(ALL[name](), title="t"))

    assert [title for title in titles if title not in words] == []


def test_local_time_stands_above_utc_and_the_date_at_the_first_tick_of_a_day():
    drawing = charts.svg_for_page(ALL["mission_strip"](), title="t")
    labels = re.findall(r"<tspan[^>]*>([^<]*)</tspan>", drawing)

    # 18:00 UTC and five hours make 23:00; 19:00 UTC is local midnight of the 27th.
    assert "00:00" in labels
    assert labels[labels.index("00:00") + 1] == "19:00 UTC"
    assert labels[labels.index("00:00") + 2].strip() == "27 Mar"


def test_nights_are_shaded_inside_the_frame_only():
    spec = ALL["mission_strip"]().to_dict()
    nights = [rows for rows in spec["datasets"].values() if rows and "from" in rows[0]]

    assert nights
    assert all(rows[0]["from"].startswith("2031-03-25T20:00") for rows in nights)


def test_fluxes_have_a_zero_line():
    for name in ("flux_series", "means_by_period", "light_curve", "method_against_method"):
        assert '"datum": 0' in json.dumps(ALL[name]().to_dict())


def test_a_quantity_has_one_colour_in_every_figure():
    oxygen = COLOURS["oxygen"].light
    for name in ("mission_strip", "offsets", "differences_by_form", "method_against_method"):
        assert oxygen in json.dumps(ALL[name]().to_dict())


def test_a_gap_breaks_the_line():
    drawing = charts.svg_for_page(charts.mission_strip(_series("oxygen"), FRAME), title="t")
    line = max(re.findall(r'<path d="(M[^"]*)" stroke="var\(--c-oxygen\)"', drawing), key=len)

    assert line.count("M") == 2


def test_numbers_on_axes_are_not_rounded_with_the_places_of_the_drawing():
    series = _series("ph_total")
    series[["value", "lower", "upper"]] = 8.0 + 0.004 * series[["value", "lower", "upper"]].to_numpy()
    words = _text(charts.svg_for_page(charts.mission_strip(series, FRAME), title="t"))

    assert any(re.fullmatch(r"[78]\.\d{2,3}", word) for word in words)


def test_titles_for_the_screen_reader_are_escaped():
    drawing = charts.svg_for_page(ALL["parts"](), title='a "b" <c> & d')

    assert 'aria-label="a &quot;b&quot; &lt;c&gt; &amp; d"' in drawing


def test_labels_with_quotes_break_nothing():
    table = _estimates(label=["it's a 'long' label of some \\ odd words", "y"], driver=["global", "organic"], text="t")

    drawing = charts.svg_for_paper(charts.parts(table, title="pH"))

    assert "it's a 'long' label of some" in drawing.replace("&apos;", "'").replace("&#39;", "'")


def test_the_data_of_a_page_keep_seven_digits():
    series = _series("oxygen").assign(value=183.123456789)

    spec = charts.page_spec(charts.mission_strip(series, FRAME))

    values = {row["value"] for rows in spec["datasets"].values() for row in rows if "value" in row}
    assert values == {183.1235}


def test_long_missions_show_utc_below_the_local_date_too():
    long = charts.Frame(start=START, end=START + pd.Timedelta(days=10), utc_offset_h=5.0, width=700)
    drawing = charts.svg_for_page(charts.mission_strip(_series("oxygen"), long), title="t")

    # Local midnight at UTC+5 is 19:00 UTC.
    assert ">19:00 UTC<" in drawing
    assert "local midnight (UTC+5), UTC below" in drawing
