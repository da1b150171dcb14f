"""Intake: decoding of delimited text, immutable raw copies, exactly-once loading.

Here:     from bytes to rows in canonical units, one clear message for each thing that cannot be read.
Not here: judging the values (`quality`), correcting them (`calibration`).
Rules:    raw bytes first; one bad file never stops the others; repeating is harmless.
"""

from __future__ import annotations

from reeftally.intake._listen import Heard, listen
from reeftally.intake._propose import propose_layout
from reeftally.intake._report import FileReport, IntakeReport
from reeftally.intake._take import rebuild, take_in

__all__ = ["FileReport", "Heard", "IntakeReport", "listen", "propose_layout", "rebuild", "take_in"]
