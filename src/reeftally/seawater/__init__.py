"""Seawater: properties, oxygen, pH, the carbonate system, isotope fractionation, Schmidt numbers.

Here:     pure functions of arrays, keyword-only, units in the docstrings.
Not here: exchange with air or bed (`exchange`), who made the carbon (`ledger`).
Rules:    no file, clock, setting or unit string; NaN in, NaN out.
"""
