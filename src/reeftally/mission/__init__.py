"""The mission book: typed model of `mission.toml` and `layouts/*.toml`, its checks, its revisions, its log.

Here:     what was where, when, how calibrated, and who decided what.
Not here: samples (`store`), reading raw files (`intake`).
Rules:    unknown keys are refused; nothing is guessed; every message names the key, found, wanted, mend.
"""

from reeftally.mission import solar, units
from reeftally.mission._book import (
    accept_revision,
    current_revision,
    dump_book,
    edit_book,
    parse_book,
    read_book,
    read_revision,
    revisions,
    write_book,
)
from reeftally.mission._cross import doubts_of, problems_of, problems_with_layouts
from reeftally.mission._model import FORMAT, Book, Swap
from reeftally.mission._problems import BookErrors
from reeftally.mission._rows import (
    Analysis,
    Bins,
    Calibration,
    Community,
    Constants,
    Deployment,
    Instrument,
    Intercalibration,
    Mission,
    Reference,
    Site,
    Station,
    StoreSettings,
    Target,
    Term,
    to_ns,
)

__all__ = [
    "FORMAT",
    "Analysis",
    "Bins",
    "Book",
    "BookErrors",
    "Calibration",
    "Community",
    "Constants",
    "Deployment",
    "Instrument",
    "Intercalibration",
    "Mission",
    "Reference",
    "Site",
    "Station",
    "StoreSettings",
    "Swap",
    "Target",
    "Term",
    "accept_revision",
    "current_revision",
    "doubts_of",
    "dump_book",
    "edit_book",
    "parse_book",
    "problems_of",
    "problems_with_layouts",
    "read_book",
    "read_revision",
    "revisions",
    "solar",
    "to_ns",
    "units",
    "write_book",
]
