"""Rehearsal: a simulated mission with known truth, written as raw files.

Here:     the reef, its water and flow, the instruments with their errors, the text they write, the truth.
Not here: any analysis; no other room but `cli` may look here.
Rules:    same seed, same bytes.
"""

from __future__ import annotations

from reeftally.rehearsal.planned import rehearse_book
from reeftally.rehearsal.rehearse import rehearse
from reeftally.rehearsal.truth import Truth, read_truth
from reeftally.rehearsal.years import rehearse_years

__all__ = ["Truth", "read_truth", "rehearse", "rehearse_book", "rehearse_years"]
