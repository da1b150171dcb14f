"""The slow way: one odd line at a time, to say what is wrong with it or to read it after all.

Here:     overflow text, marks that mean missing, cut lines, junk, headers in mid-file.
Not here: the regular case (`_kernel`).
Rules:    a cell that is not a number is missing only if it is declared so or can mean nothing else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from reeftally.intake._kernel import CHECKSUM, TIME_PART
from reeftally.intake._kernel_time import BAD_TIME, PATTERN, SERIAL, UNIX, parse_pattern
from reeftally.intake._mapping import WORDS, Mapping, is_header, split_fields
from reeftally.intake._times import looks_mangled
from reeftally.mission import Layout

__all__ = ["OddLine", "read_odd_line"]

_OVERFLOW = re.compile(r"^(\*+|#+|[+-]?1\.#(INF|QNAN|SNAN|IND)\w*|[+-]?inf(inity)?|[+-]?E[+-]?\d+)$", re.IGNORECASE)
_OVER = {"over", "ovr", "over range", "overrange", "ovfl", "under", "undr"}
_WORDS = {word.lower() for word in WORDS}
# A comma or a blank between groups of three digits: a thousands mark, or a decimal one?
_THOUSANDS = re.compile(r"^[+-]?\d{1,3}([,'\u00a0 ]\d{3})+$")


@dataclass
class OddLine:
    """What became of one odd line."""

    kind: str
    """row, header, junk, comment, short, long, time, number, mangled, checksum."""
    time_ns: int = 0
    """Local stamp before the epoch of the format is added, for a row. [ns]"""
    values: list[float] = field(default_factory=list)
    """Values in the order of the mapping's rows, for a row."""
    overflow: list[int] = field(default_factory=list)
    """Which of them were overflow text."""
    missing: list[int] = field(default_factory=list)
    """Which of them were words that mean missing without being declared."""
    header: tuple[str, ...] = ()
    """Names, for a header."""
    field_name: str | None = None
    """Field that is wrong."""
    found: str = ""
    """What stands there."""
    expected: str = ""
    """What is wanted."""


def _shown(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def read_odd_line(data: bytes, status: int, mapping: Mapping, layout: Layout, encoding: str) -> OddLine:
    """Look closely at one line that the kernel could not read."""
    text = data.decode("utf-8" if encoding.startswith("utf-16") else encoding, errors="replace").rstrip("\r\n")
    if is_header(text, layout):
        return OddLine("header", header=tuple(split_fields(text.lstrip("\ufeff"), layout.text.delimiter)))
    printable = all(sign.isprintable() or sign == "\t" for sign in text) and "\ufffd" not in text
    if not printable:
        return OddLine("junk", found=_shown(text), expected="text of numbers")
    if status == CHECKSUM:
        return OddLine("checksum", found=_shown(text), expected="a line whose checksum *HH fits")
    if layout.text.checksum:
        text = text.rpartition("*")[0]
    fields = split_fields(text, layout.text.delimiter)
    width = mapping.fields or mapping.roles.size
    if len(fields) < width:
        return OddLine("short", found=f"{len(fields)} fields: {_shown(text)}", expected=f"{width} fields")
    if mapping.fields and any(fields[width:]):
        return OddLine("long", found=f"{len(fields)} fields: {_shown(text)}", expected=f"{width} fields")
    return _row(fields, mapping, layout)


def _row(fields: list[str], mapping: Mapping, layout: Layout) -> OddLine:
    parts = [""] * len(layout.time.columns)
    odd = OddLine("row", values=[float("nan")] * mapping.rows)
    names = {row: column.name for row, column in enumerate(mapping.columns)}
    for place, role in enumerate(mapping.roles.tolist()):
        if role <= TIME_PART:
            parts[TIME_PART - role] = fields[place]
        elif role >= 0:
            value, kind = _value(fields[place], layout)
            if kind == "overflow":
                odd.overflow.append(role)
            elif kind == "missing":
                odd.missing.append(role)
            elif kind:
                expected = "a number or a declared mark of missing values"
                if kind == "thousands":
                    expected = f"a number with decimal mark {layout.text.decimal_mark!r} and no thousands mark"
                elif kind == "mangled":
                    expected = "a number; a spreadsheet turned this cell into a date"
                name = names.get(role, layout.time.counter or "")
                return OddLine(
                    "mangled" if kind == "mangled" else "number",
                    field_name=name,
                    found=_shown(fields[place]),
                    expected=expected,
                )
            odd.values[role] = value
    stamp = " ".join(parts)
    moment = _moment(stamp, mapping, layout)
    if moment == BAD_TIME:
        return OddLine(
            "time",
            field_name=" ".join(layout.time.columns),
            found=_shown(stamp),
            expected=f"a time written as {layout.time.format}",
        )
    odd.time_ns = moment
    return odd


def _value(text: str, layout: Layout) -> tuple[float, str]:
    """Return a cell's value and, if it is none, why: overflow, missing, thousands, mangled or other."""
    nan = float("nan")
    if text in layout.text.missing:
        return nan, ""
    if not text or text.lower() in _WORDS:
        return nan, "missing"
    if _OVERFLOW.match(text) or text.lower() in _OVER:
        return nan, "overflow"
    if looks_mangled(text):
        return nan, "mangled"
    plain = text.replace(layout.text.decimal_mark, ".") if layout.text.decimal_mark != "." else text
    if layout.text.decimal_mark == "," and "." in text:
        return nan, "thousands" if re.match(r"^[+-]?\d{1,3}(\.\d{3})+(,\d*)?$", text) else "other"
    if re.match(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$", plain):
        value = float(plain)
        return (value, "") if np.isfinite(value) else (nan, "overflow")
    return nan, "thousands" if _THOUSANDS.match(text) else "other"


def _moment(text: str, mapping: Mapping, layout: Layout) -> int:
    rule = mapping.rule
    if rule.kind == PATTERN:
        data = np.frombuffer(text.encode("utf-8", errors="replace") or b" ", np.uint8)
        return int(parse_pattern(data, 0, data.size, rule.program, rule.utc))
    plain = text.replace(layout.text.decimal_mark, ".")
    if not re.match(r"^[+-]?\d+(\.\d*)?$", plain):
        return BAD_TIME
    whole, _, part = plain.partition(".")
    total = int(whole) * rule.unit_ns
    if part:
        share = int(part) * rule.unit_ns / 10 ** len(part) if rule.kind == SERIAL else 0
        if rule.kind == UNIX:
            share = int(part) * rule.unit_ns // 10 ** len(part)
        total += -round(share) if whole.startswith("-") else round(share)
    return total if abs(total) < 9_200_000_000_000_000_000 else BAD_TIME
