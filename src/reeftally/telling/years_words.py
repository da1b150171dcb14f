"""Words for the numbers of a long record.

Here:     what each quantity and each way is called, what a trend's interval says.
Not here: pages and sections, figures (`years_figures`).
Rules:    "not yet detectable" is said plainly wherever the interval holds zero.
"""

from __future__ import annotations

from reeftally.charts import method_name, quantity_name
from reeftally.telling.facts import Number

__all__ = ["STATE", "TRENDS", "honest", "name_of", "said", "way_of"]

STATE = (
    "ph_total", "ph_total_night_minimum", "ph_total_daily_range", "ph_total_hours_below_site_value",
    "ph_reef_minus_reference",
)  # fmt: skip
TRENDS = ("ph_trend", "ph_trend_local", "ph_trend_equilibrium")
_WORDS = {
    "ph_trend": "trend of pH a year",
    "ph_trend_local": "local trend of pH a year, reef minus what comes from outside",
    "ph_trend_equilibrium": "trend of pH a year that the air's CO₂ alone would give",
    "years_to_detect": "years until a trend of pH can be told",
    "years_to_detect_local": "years until a local trend can be told",
    "time_of_emergence": "years until the trend stands out of the scatter",
    "time_of_emergence_local": "years until the local trend stands out of the scatter",
    "sensor_step": "step at the change of sensor",
    "ph_noise_sd": "scatter of months about trend and season",
    "ph_noise_correlation": "how much a month resembles the one before",
    "ph_season_amplitude": "half the range of the season",
    "ph_reef_minus_reference": "reef minus open water, mean",
    "ph_total": "pH, mean",
    "ph_total_night_minimum": "lowest pH of the night, mean",
    "ph_total_daily_range": "range of pH within a day, mean",
    "ph_total_hours_below_site_value": "hours below the site's own value",
}
_WAYS = {
    "gls_ar1": "least squares with months that resemble each other",
    "ordinary_fit": "ordinary fit, to compare",
    "theil_sen": "median of slopes between years",
    "_minus_reference": ", minus open water",
    "_minus_equilibrium": ", minus balance with the air",
    "signal_above_2_sd": "trend above two standard deviations",
    "weatherhead_air_trend": "for the trend that the air's CO₂ gives",
    "weatherhead_fitted_trend": "for the trend found here",
}


def name_of(quantity: str) -> str:
    """Return what a quantity of the long record is called."""
    return _WORDS.get(quantity, quantity_name(quantity))


def way_of(n: Number) -> str:
    """Return how a number was found, in words."""
    if n.method in _WAYS:
        return _WAYS[n.method]
    for end in ("_minus_reference", "_minus_equilibrium"):
        base = n.method.removesuffix(end)
        if base != n.method and base in _WAYS:
            return _WAYS[base] + _WAYS[end]
    return method_name(n.method)


def said(n: Number) -> str:
    """Return what the interval of a trend says."""
    return "not yet detectable" if n.lower <= 0.0 <= n.upper else ("falling" if n.value < 0 else "rising")


def honest(n: Number) -> bool:
    """Return whether a trend is one to use: its fit knows that months resemble each other, or it is the air's own."""
    return n.method.startswith("gls_ar1") or n.quantity == "ph_trend_equilibrium"
