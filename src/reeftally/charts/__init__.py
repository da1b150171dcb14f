"""Charts: definitions used alike by page, report and notebook.

Here:     functions from results to Altair charts, the palette, and drawing without a browser.
Not here: any computation of a result.
Rules:    same colour for the same quantity; gaps are gaps; every axis has name and unit.
"""

from reeftally.charts.account import account_steps, drivers_in_time, error_budgets, estimate_lines, parts
from reeftally.charts.base import Frame
from reeftally.charts.chemistry import dic_alkalinity, offsets, property_plot
from reeftally.charts.draw import browser_library, page_spec, svg_for_page, svg_for_paper
from reeftally.charts.flow import fitted_spectrum, log_profile, spectrum
from reeftally.charts.fluxes import (
    flux_of_lag,
    flux_series,
    lag_against_speed,
    light_curve,
    means_by_period,
    method_against_method,
)
from reeftally.charts.frames import SERIES_COLUMNS, series_frame, utc
from reeftally.charts.isotopes import isotope_mixing
from reeftally.charts.labels import axis_title, driver_name, method_name, pretty_unit, quantity_name
from reeftally.charts.organisms import differences_by_form
from reeftally.charts.palette import COLOURS, colour_of, method_look, recoloured
from reeftally.charts.rose import current_rose
from reeftally.charts.series import hour_of_day, mission_strip, routes
from reeftally.charts.site_map import site_map
from reeftally.charts.years import long_record

__all__ = [
    "COLOURS",
    "SERIES_COLUMNS",
    "Frame",
    "account_steps",
    "axis_title",
    "browser_library",
    "colour_of",
    "current_rose",
    "dic_alkalinity",
    "differences_by_form",
    "driver_name",
    "drivers_in_time",
    "error_budgets",
    "estimate_lines",
    "fitted_spectrum",
    "flux_of_lag",
    "flux_series",
    "hour_of_day",
    "isotope_mixing",
    "lag_against_speed",
    "light_curve",
    "log_profile",
    "long_record",
    "means_by_period",
    "method_against_method",
    "method_look",
    "method_name",
    "mission_strip",
    "offsets",
    "page_spec",
    "parts",
    "pretty_unit",
    "property_plot",
    "quantity_name",
    "recoloured",
    "routes",
    "series_frame",
    "site_map",
    "spectrum",
    "svg_for_page",
    "svg_for_paper",
    "utc",
]
