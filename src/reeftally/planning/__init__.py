"""Planning: detectability of fluxes, effects and trends before anything gets wet.

Here:     what the array can and cannot see, on paper.
Not here: the analysis of real records.
Rules:    predictions use the same functions that analyse.
"""
