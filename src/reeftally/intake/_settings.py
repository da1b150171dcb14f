"""What intake needs from the mission: the book, the layouts, the span of credible stamps.

Here:     reading them, and saying what of them could not be read.
Not here: the use made of them.
Rules:    a bad book or layout costs its own checks or files, never the whole intake.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from reeftally.errors import BookError, IntakeError
from reeftally.intake._report import iso
from reeftally.mission import Book, Layout, read_book, read_layout, to_ns

__all__ = ["Settings", "expected_rows", "read_settings"]

_DAY_NS = 86_400_000_000_000
_MARGIN_DAYS = 400
# Side-by-side periods before and after the time in place belong to the mission too.
_SIDE_NS = 5 * _DAY_NS


@dataclass
class Settings:
    book: Book | None
    layouts: dict[str, Layout]
    layout_hashes: dict[str, str]
    segments_url: str | None
    window_ns: tuple[int, int]
    window_text: str
    mission_ns: tuple[int, int] | None
    messages: list[IntakeError]


def read_settings(folder: Path) -> Settings:
    messages: list[IntakeError] = []
    book: Book | None = None
    if (folder / "mission.toml").exists():
        try:
            book = read_book(folder)
        except BookError as error:
            messages.append(_of_book(error, "mission.toml", "Labels and serial numbers were not checked."))
    layouts: dict[str, Layout] = {}
    hashes: dict[str, str] = {}
    for path in sorted((folder / "layouts").glob("*.toml")):
        try:
            layout = read_layout(path)
        except BookError as error:
            messages.append(_of_book(error, f"layouts/{path.name}", "Files of this layout were left alone."))
        else:
            layouts[layout.name] = layout
            hashes[layout.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    url = None
    low, high = 631_152_000_000_000_000, 7_258_118_400_000_000_000
    text = "a stamp from 1990 to 2200"
    mission = None
    if book is not None:
        url = book.store.segments_url if book.store is not None else None
        mission = (to_ns(book.mission.start) - _SIDE_NS, to_ns(book.mission.end) + _SIDE_NS)
        low = to_ns(book.mission.start) - _MARGIN_DAYS * _DAY_NS
        high = to_ns(book.mission.end) + _MARGIN_DAYS * _DAY_NS
        text = f"a stamp within {_MARGIN_DAYS} days of the mission, {iso(low)} to {iso(high)}"
    return Settings(book, layouts, hashes, url, (low, high), text, mission, messages)


def _of_book(error: BookError, file: str, mend: str) -> IntakeError:
    return IntakeError(file=file, found=str(error), expected="a file without problems", mend=mend)


def expected_rows(book: Book, label: str) -> int:
    instrument = next((item for item in book.instruments if item.label == label), None)
    if instrument is None:
        return 0
    seconds = sum(
        (deployment.end - deployment.start).total_seconds()
        for deployment in book.deployments
        if deployment.instrument == label
    )
    return round(seconds / instrument.sample_interval_s)
