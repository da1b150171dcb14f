"""Write docs/mission-book.md from the typed models of the mission room.

Here:     the reference of every key of `mission.toml` and `layouts/*.toml`, every column of `tables/*.csv`,
          every correction of the log, and the unit spellings.
Not here: the meaning itself: it stands once, beside each field in `src/reeftally/mission/`.
Rules:    run it after a change there; a test fails while the page is older than the models.
"""

from __future__ import annotations

import re
import sys
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from reeftally.mission import TABLES, Book, Layout
from reeftally.mission._log import AxisFlip, ClockShift, Exclude, LogEntry, SwapStreams
from reeftally.mission._tables import fields_of
from reeftally.mission.units import CHANNELS, known_units

_SUFFIXES = (
    ("_umol_mol", "µmol mol-1"),
    ("_m_s", "m s-1"),
    ("_deg", "degree"),
    ("_percent", "%"),
    ("_h", "h"),
    ("_hz", "Hz"),
    ("_m", "m"),
    ("_s", "s"),
)

HEAD = """\
# The mission book, key by key

This page is written by `docs/make_mission_book.py` from the models in `src/reeftally/mission/`; change it there.

`reeftally new DIR` starts a folder with a commented `mission.toml`, example layouts and empty tables. Unknown keys
are refused, required ones are never guessed, and every message names the key, what was found, what is wanted and how
to mend it. Times stand without quotes and carry their offset from UTC: `2031-03-25T20:00:00Z`. Every `sd` is one
standard uncertainty. Fluxes are positive into the water.

"""


def unit_of(name: str, description: str) -> tuple[str, str]:
    """Return unit and meaning of a key, from the [brackets] of its description or the end of its name."""
    match = re.search(r"\s*\[([^\[\]]+)\]$", description)
    if match:
        return match.group(1), description[: match.start()]
    stem = re.sub(r"_sd(?=_)|_sd$", "", name)
    for suffix, unit in _SUFFIXES:
        if name.endswith(suffix) or stem.endswith(suffix):
            return unit, description
    return "", description


def inner_models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models inside an annotation."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif isinstance(annotation, types.UnionType) or typing.get_origin(annotation) is not None:
        for part in typing.get_args(annotation):
            yield from inner_models(part)


def choices(annotation: Any) -> tuple[str, ...]:
    """Return the words an annotation allows, if it allows only some."""
    if typing.get_origin(annotation) is typing.Literal:
        return tuple(str(choice) for choice in typing.get_args(annotation))
    found: tuple[str, ...] = ()
    for part in typing.get_args(annotation):
        found += choices(part)
    return found


def default_of(field: FieldInfo) -> str:
    """Return how a key's default is shown."""
    if field.is_required():
        return "**required**"
    value = field.get_default(call_default_factory=True)
    if value is None or value == ():
        return "optional"
    if isinstance(value, BaseModel):
        return "see below"
    return f"`{value}`"


def keys_table(model: type[BaseModel]) -> str:
    """Return the table of one model's keys."""
    lines = ["| key | default | unit | meaning |", "|---|---|---|---|"]
    for name, field in model.model_fields.items():
        unit, meaning = unit_of(name, field.description or "")
        allowed = choices(field.annotation)
        if allowed:
            meaning += f" ({', '.join(f'`{choice}`' for choice in allowed)})"
        lines.append(f"| `{field.alias or name}` | {default_of(field)} | {unit} | {meaning} |")
    return "\n".join(lines) + "\n"


def sections(model: type[BaseModel], path: str, title: str) -> Iterator[str]:
    """Yield the sections of a file, table by table, in its order."""
    yield f"### {title}\n\n{(model.__doc__ or '').strip()}\n\n{keys_table(model)}\n"
    for name, field in model.model_fields.items():
        key = field.alias or name
        many = "tuple" in str(field.annotation)
        for inner in inner_models(field.annotation):
            full = f"{path}.{key}" if path else key
            yield from sections(inner, full, f"`[[{full}]]`" if many else f"`[{full}]`")


def page() -> str:
    """Return the whole page."""
    parts = [HEAD, "## mission.toml\n\n", *sections(Book, "", "the file itself")]
    parts += ["## layouts/NAME.toml\n\n", *sections(Layout, "", "the file itself")]
    parts.append(
        "## tables/*.csv\n\nUTF-8, comma, header row; times ISO 8601 with Z or an offset; empty means not measured.\n\n"
    )
    for name, record in TABLES.items():
        lines = [
            f"### `{name}.csv`\n",
            (record.__doc__ or "").strip() + "\n",
            "| column | filled | unit | meaning |",
            "|---|---|---|---|",
        ]
        for column in fields_of(record):
            unit, meaning = unit_of(column.name, column.meaning)
            filled = "**always**" if column.required else "may be empty"
            lines.append(f"| `{column.name}` | {filled} | {unit} | {meaning} |")
        parts.append("\n".join(lines) + "\n\n")
    parts.append("## log/entries.jsonl\n\nOne JSON object a line, append-only.\n\n")
    parts.append(f"### an entry\n\n{keys_table(LogEntry)}\n")
    for correction in (ClockShift, AxisFlip, Exclude, SwapStreams):
        title = f"correction `{correction.model_fields['type'].default}`"
        parts.append(f"### {title}\n\n{(correction.__doc__ or '').strip()}\n\n{keys_table(correction)}\n")
    parts.append(
        "## Units that files may use\n\nOne spelling a unit; others (µ for u, superscripts, `kg-1`) are known, too. "
        "The first is not always the canonical one, which is the one inside the package.\n\n"
        "| quantity | inside | known in files |\n|---|---|---|\n"
    )
    for name, quantity in CHANNELS.items():
        known = ", ".join(f"`{unit}`" for unit in known_units(name))
        parts.append(f"| `{name}` | {quantity.unit or '1'} | {known} |\n")
    return "".join(parts)


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("mission-book.md")
    target.write_text(page(), encoding="utf-8")
