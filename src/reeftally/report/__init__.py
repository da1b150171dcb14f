"""Reports: the manager's brief, the scientific report, methods text.

Here:     text, tables and pages made from the results of a run.
Not here: any number that is not in the results; drawing (`reeftally.charts`).
Rules:    wording follows the interval; what cannot be concluded is said; the same results give the same bytes.
"""

from reeftally.report.brief import Brief, brief_of, write_brief
from reeftally.report.dive_sheet import DiveSheet, dive_sheet_of, write_dive_sheet
from reeftally.report.html import write_report
from reeftally.report.methods import methods_text
from reeftally.report.paper import write_report_pdf
from reeftally.report.sections import TargetState, targets
from reeftally.telling.cautions import CAUTIONS, STANDING_LINE, Caution, cautions_for
from reeftally.telling.explain import Step, explain
from reeftally.telling.facts import Facts, Number, read_facts
from reeftally.telling.story import Claim, Headline, claims, headline

__all__ = [
    "CAUTIONS",
    "STANDING_LINE",
    "Brief",
    "Caution",
    "Claim",
    "DiveSheet",
    "Facts",
    "Headline",
    "Number",
    "Step",
    "TargetState",
    "brief_of",
    "cautions_for",
    "claims",
    "dive_sheet_of",
    "explain",
    "headline",
    "methods_text",
    "read_facts",
    "targets",
    "write_brief",
    "write_dive_sheet",
    "write_report",
    "write_report_pdf",
]
