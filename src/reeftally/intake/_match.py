"""Which layout a file has, and which instrument wrote it.

Here:     matching by name and by first lines; binding to a label of the mission book.
Not here: reading the rows.
Rules:    an unknown file is named and left alone; a label or serial number that the book does not know
          is refused, not guessed.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Mapping, Sequence

from reeftally.errors import IntakeError
from reeftally.mission import Book, Layout

__all__ = ["bind_instrument", "match_layout"]


def match_layout(name: str, lines: Sequence[str], layouts: Mapping[str, Layout]) -> Layout | None:
    """Return the one layout whose every condition holds; None if there is none.

    A layout that asks for a name and a line is preferred to one that asks for less.

    Raises
    ------
    IntakeError
        If several equally exact layouts fit.
    """
    fitting: dict[int, list[Layout]] = {}
    for layout in layouts.values():
        match = layout.match
        if match.filename is not None and not fnmatch.fnmatchcase(name.lower(), match.filename.lower()):
            continue
        if match.line is not None and not any(re.search(match.line, line) for line in lines[:40]):
            continue
        fitting.setdefault((match.filename is not None) + (match.line is not None), []).append(layout)
    if not fitting:
        return None
    best = fitting[max(fitting)]
    if len(best) > 1:
        raise IntakeError(
            file=name,
            found=f"{len(best)} layouts that fit: {', '.join(sorted(layout.name for layout in best))}",
            expected="one",
            mend="Make the [match] of these layouts tell the files apart.",
        )
    return best[0]


def bind_instrument(name: str, lines: Sequence[str], layout: Layout, book: Book | None) -> str:
    """Return the label of the instrument that wrote the file.

    Raises
    ------
    IntakeError
        If the file does not say, or says a label or serial number that the book does not have, or the book
        gives that instrument another layout.
    """
    source = layout.instrument
    if source.source == "fixed":
        found = source.label or ""
    else:
        texts = [name] if source.source == "filename" else list(lines[:40])
        pattern = source.pattern or "$^"
        hits = (re.search(pattern, text) for text in texts)
        found = next((hit.group(1) for hit in hits if hit is not None and hit.group(1)), "")
        if not found:
            where = "its name" if source.source == "filename" else "its first 40 lines"
            raise IntakeError(
                file=name,
                field="instrument",
                found=f"no match for {source.pattern!r} in {where}",
                expected="the label or serial number of an instrument",
                mend=f"Mend the pattern under [instrument] in layouts/{layout.name}.toml, or rename the file.",
            )
    if book is None:
        return found
    labels = {instrument.label: instrument for instrument in book.instruments}
    serials = {str(instrument.serial): instrument for instrument in book.instruments}
    instrument = labels.get(found) or (serials.get(found) if source.source != "fixed" else None)
    if instrument is None:
        known = ", ".join(f"{item.label} (serial {item.serial})" for item in book.instruments) or "none"
        raise IntakeError(
            file=name,
            field="instrument",
            found=f"label or serial number {found!r}",
            expected=f"an instrument of the mission book: {known}",
            mend="If the file belongs to this mission, add the instrument (or mend its serial number) in mission.toml.",
        )
    if instrument.layout != layout.name:
        raise IntakeError(
            file=name,
            field="instrument",
            found=f"a file of layout {layout.name!r} for {instrument.label}",
            expected=f"layout {instrument.layout!r}, as the mission book says",
            mend="Is the label in the file's name right? If so, mend `layout` of the instrument in mission.toml.",
        )
    return instrument.label
