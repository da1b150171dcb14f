"""Random and systematic parts, trials per JCGM 101, lines with errors in both axes, summaries.

Here:     drawing terms, propagating them, summarising trials, straight lines with errors in both axes.
Not here: what the terms are (mission book) and where they enter (analysis).
Rules:    pure. A generator or a seed is always passed in; no global random state.
"""
