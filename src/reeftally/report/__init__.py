"""Reports: the manager's brief, the scientific report, methods text, archive package.

Here:     text, tables and pages made from results.
Not here: any number that is not in the results.
Rules:    wording follows the interval; what cannot be concluded is said.
"""
