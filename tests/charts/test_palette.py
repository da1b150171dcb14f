"""Colours: contrast against both papers, one role a colour, and grey print."""

import itertools

import pytest

from reeftally.charts import COLOURS, colour_of, recoloured
from reeftally.charts.palette import DRIVER_COLOURS, METHOD_LOOKS

SHEET = {"paper", "grid", "night", "rule", "muted", "ink"}
DATA = sorted(set(COLOURS) - SHEET)


def _luminance(colour: str) -> float:
    # Web Content Accessibility Guidelines 2.2 (W3C 2023), definition of relative luminance.
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, two: str) -> float:
    high, low = sorted((_luminance(one), _luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_luminance_formula_gives_21_between_black_and_white():
    # Same guidelines, definition of contrast ratio: 1 to 21.
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)


# Success criteria 1.4.11 (graphics, 3:1) and 1.4.3 (text, 4.5:1) of the same guidelines.
@pytest.mark.parametrize("role", DATA)
def test_every_data_colour_stands_out_on_both_papers(role):
    colour, paper = COLOURS[role], COLOURS["paper"]

    assert _contrast(colour.light, paper.light) >= 3.0
    assert _contrast(colour.dark, paper.dark) >= 3.0


@pytest.mark.parametrize("role", ["ink", "muted"])
@pytest.mark.parametrize("ground", ["paper", "night"])
def test_words_can_be_read_on_paper_and_on_night(role, ground):
    assert _contrast(COLOURS[role].light, COLOURS[ground].light) >= 4.5
    assert _contrast(COLOURS[role].dark, COLOURS[ground].dark) >= 4.5


def test_no_two_roles_share_a_colour():
    for tone in ("light", "dark"):
        shown = [getattr(row, tone) for row in COLOURS.values()]

        assert len(set(shown)) == len(shown)


def test_no_light_colour_is_also_a_dark_one():
    # Otherwise a drawing recoloured for the dark could be recoloured twice.
    assert not {r.light for r in COLOURS.values()} & {r.dark for r in COLOURS.values()}


def test_methods_that_share_a_panel_differ_in_shape_and_dash_not_in_colour_alone():
    for first, second in itertools.combinations(("covariance", "gradient", "budget"), 2):
        one, two = METHOD_LOOKS[first], METHOD_LOOKS[second]

        assert one.shape != two.shape
        assert one.dash != two.dash
        assert one.role != two.role


def test_every_driver_has_a_colour_of_the_table():
    assert set(DRIVER_COLOURS.values()) <= set(COLOURS)


def test_a_drawing_is_recoloured_whole():
    drawing = f'<path fill="{colour_of("oxygen")}" stroke="{COLOURS["ink"].light}"/>'

    assert recoloured(drawing, to="css") == '<path fill="var(--c-oxygen)" stroke="var(--c-ink)"/>'
    assert recoloured(drawing, to="dark") == f'<path fill="{COLOURS["oxygen"].dark}" stroke="{COLOURS["ink"].dark}"/>'
