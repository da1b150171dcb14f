"""Random and systematic parts, trials per JCGM 101, lines with errors in both axes, summaries.

Here:     drawing terms, propagating them, summarising trials, straight lines with errors in both axes.
Not here: what the terms are (mission book) and where they enter (analysis).
Rules:    pure. A generator or a seed is always passed in; no global random state.
"""

from reeftally.uncertainty.budget import BudgetRow, budget, shares_from_draws
from reeftally.uncertainty.distributions import (
    Arcsine,
    CurvilinearTrapezoid,
    Distribution,
    Normal,
    Rectangular,
    Student,
    Triangular,
)
from reeftally.uncertainty.first_order import FirstOrder, coverage_factor, first_order, welch_satterthwaite
from reeftally.uncertainty.lines import (
    Line,
    deming_line,
    geometric_mean_line,
    least_squares_line,
    theil_sen_slope,
    york_line,
)
from reeftally.uncertainty.series import CorrelatedMean, autocorrelation, correlated_mean
from reeftally.uncertainty.summaries import (
    Moments,
    Parts,
    Summary,
    numerical_tolerance,
    split_parts,
    summarise,
    trials_suffice,
)
from reeftally.uncertainty.trials import CHUNK, Trials, collect

__all__ = [
    "CHUNK",
    "Arcsine",
    "BudgetRow",
    "CorrelatedMean",
    "CurvilinearTrapezoid",
    "Distribution",
    "FirstOrder",
    "Line",
    "Moments",
    "Normal",
    "Parts",
    "Rectangular",
    "Student",
    "Summary",
    "Trials",
    "Triangular",
    "autocorrelation",
    "budget",
    "collect",
    "correlated_mean",
    "coverage_factor",
    "deming_line",
    "first_order",
    "geometric_mean_line",
    "least_squares_line",
    "numerical_tolerance",
    "shares_from_draws",
    "split_parts",
    "summarise",
    "theil_sen_slope",
    "trials_suffice",
    "welch_satterthwaite",
    "york_line",
]
