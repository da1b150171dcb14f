"""What is told of results, by page and report alike: facts of a run, words, explanations, cautions.

Here:     reading one run for people, formats of numbers, any number explained, the cautions.
Not here: pages (`reeftally.web`), papers (`reeftally.report`), drawing (`reeftally.charts`).
Rules:    nothing is computed that could be an estimate; what is missing is said to be missing.
"""

from reeftally.telling.cautions import CAUTIONS, STANDING_LINE, Caution, cautions_for
from reeftally.telling.explain import Step, explain, method_entry, steps_of
from reeftally.telling.facts import Facts, Number, read_facts

__all__ = [
    "CAUTIONS",
    "STANDING_LINE",
    "Caution",
    "Facts",
    "Number",
    "Step",
    "cautions_for",
    "explain",
    "method_entry",
    "read_facts",
    "steps_of",
]
