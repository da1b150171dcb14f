"""Ledger: baselines, driver split, source mixing, scaling-up, closure, trends, detectability.

Here:     pure functions that turn states and fluxes into the account.
Not here: reading references or tables; the caller passes them in.
Rules:    never clipped, never forced to close; the residual is always a part of its own.
"""
