"""Charts: definitions used alike by page, report and notebook.

Here:     functions from results to Altair charts.
Not here: any computation of a result.
Rules:    same colour for the same quantity; gaps are gaps; every axis has name and unit.
"""
