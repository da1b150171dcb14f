"""Layouts: how each kind of raw file is laid out.

Here:     typed model of ``layouts/*.toml``, reading, writing, and what follows from one layout.
Not here: reading raw files with it, proposing one for an unknown file (`intake`).
Rules:    zone, stamp position, unit, pH scale and missing-value marks are declared, never guessed.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, ValidationInfo, field_validator

from reeftally._checks import FloatArray
from reeftally.errors import BookError, InputError
from reeftally.mission import units
from reeftally.mission._book import dump_book, load_toml, read_text, validate
from reeftally.mission._files import write_atomically
from reeftally.mission._model import FORMAT
from reeftally.mission._problems import BookErrors, Refusal, did_you_mean
from reeftally.mission._rows import Label, Positive, Row, Tup, at_least

__all__ = [
    "Column",
    "Layout",
    "LayoutInstrument",
    "LayoutMatch",
    "LayoutText",
    "LayoutTime",
    "channel_name",
    "layout_problems",
    "parse_layout",
    "parse_zone",
    "read_layout",
    "read_layouts",
    "write_layout",
]

_NUMERIC_FORMATS = ("unix_s", "unix_ms", "serial_1900", "serial_1904")
_OFFSET = re.compile(r"^([+-])(\d{2}):?(\d{2})$")


def channel_name(quantity: str, bin_number: int | None = None) -> str:
    """Return the channel's name in the store, for example ``velocity_x_bin_01``."""
    return quantity if bin_number is None else f"{quantity}_bin_{bin_number:02d}"


def parse_zone(text: str) -> dt.tzinfo:
    """Return the time zone of an IANA name or a fixed offset such as ``+05:00``.

    Raises
    ------
    InputError
        If the name is not known.
    """
    if text in {"UTC", "Z", "utc"}:
        return dt.UTC
    match = _OFFSET.match(text)
    if match:
        sign, hours, minutes = match.groups()
        if int(hours) <= 14 and int(minutes) < 60:
            span = dt.timedelta(hours=int(hours), minutes=int(minutes))
            return dt.timezone(-span if sign == "-" else span)
    else:
        try:
            return ZoneInfo(text)
        except (KeyError, ValueError, OSError):
            pass
    message = f"{text!r} is no known time zone; write UTC, an IANA name or an offset such as +05:00."
    raise InputError(message)


def _pattern(value: str) -> str:
    try:
        re.compile(value)
    except re.error as error:
        raise Refusal(
            wanted="a regular expression", mend=f"It fails: {error}. Write \\\\ for \\ in quotes.", found=value
        ) from None
    return value


def _zone(value: str) -> str:
    try:
        parse_zone(value)
    except InputError:
        raise Refusal(
            wanted="UTC, an IANA name or a fixed offset such as +05:00",
            mend="Abbreviations such as EST or CET are ambiguous.",
            found=value,
        ) from None
    return value


def _delimiter(value: str) -> str:
    if value in {"tab", "whitespace"} or (len(value) == 1 and not value.isalnum()):
        return value
    raise Refusal(wanted="tab, whitespace or one sign such as ; or ,", found=value)


def _time_format(value: str) -> str:
    if value in _NUMERIC_FORMATS or "%" in value:
        return value
    guess = did_you_mean(value, _NUMERIC_FORMATS)
    raise Refusal(
        wanted=f"a pattern such as %Y-%m-%dT%H:%M:%S.%f, or one of {', '.join(_NUMERIC_FORMATS)}",
        mend=guess,
        found=value,
    )


def _encoding(value: str) -> str:
    try:
        "".encode(value)
    except LookupError:
        raise Refusal(wanted="a known encoding such as utf-8 or latin-1", found=value) from None
    return value


Pattern = Annotated[str, AfterValidator(_pattern)]


class LayoutMatch(Row):
    """By what a file is recognised; all that is given must hold."""

    filename: str | None = Field(default=None, description="shell pattern of the file's name, any case")
    line: Pattern | None = Field(
        default=None, description="regular expression that one of the first 40 lines must match"
    )


class LayoutInstrument(Row):
    """How the file says which instrument wrote it."""

    source: Literal["filename", "header", "fixed"] = Field(
        alias="from", description="where the label stands: filename, header, or fixed for all files"
    )
    pattern: Pattern | None = Field(
        default=None, description="regular expression whose first group is the label (or the serial number)"
    )
    label: Label | None = Field(default=None, description="label, where `from` is fixed")


class LayoutText(Row):
    """How the text is written."""

    encoding: Annotated[str, AfterValidator(_encoding)] = Field(description="encoding, for example utf-8")
    delimiter: Annotated[str, AfterValidator(_delimiter)] = Field(
        description="what parts the fields: tab, whitespace or one sign"
    )
    decimal_mark: Literal[".", ","] = Field(description="decimal mark")
    comment: str | None = Field(default=None, description="lines that begin so hold no data")
    header: Literal["names", "none"] = Field(
        description="names: a line of column names, may come again in mid-file; none: columns by position"
    )
    header_start: str | None = Field(default=None, description="the header line begins with this text")
    missing: Tup[str] = Field(description="marks of missing values, for example -999")
    checksum: Literal["xor8"] | None = Field(
        default=None, description="xor8: the last field is *HH over the line before it"
    )


class LayoutTime(Row):
    """How time is written, and what instant of an average it stamps."""

    columns: Annotated[Tup[str], AfterValidator(at_least(1, "the time's columns"))] = Field(
        description="columns that hold the time, joined by one blank"
    )
    format: Annotated[str, AfterValidator(_time_format)] = Field(
        description="strptime pattern, or unix_s, unix_ms, serial_1900, serial_1904"
    )
    zone: Annotated[str, AfterValidator(_zone)] = Field(
        description="time zone of the stamps: UTC, an IANA name, or an offset such as +05:00"
    )
    scale: Literal["UTC", "GPS", "TAI"] = Field(
        default="UTC",
        description="time scale of the stamps: UTC, GPS (satellite time, 18 s ahead since 2017) or TAI; needs zone UTC",
    )
    stamp: Literal["instant", "start", "middle", "end"] = Field(
        description="what the stamp marks: an instant, or start, middle or end of the averaging interval"
    )
    averaging_s: Positive | None = Field(
        default=None, description="length of the averaging interval; required unless stamp is instant"
    )
    counter: str | None = Field(
        default=None, description="column with a sample counter, from which sub-second times are rebuilt"
    )
    rate_hz: Positive | None = Field(default=None, description="samples per second, with counter")

    @property
    def tzinfo(self) -> dt.tzinfo:
        """The zone of the stamps."""
        return parse_zone(self.zone)

    @property
    def shift_ns(self) -> int:
        """What to add to a stamp to get the middle of its interval. [ns]."""
        half = round((self.averaging_s or 0.0) * 5e8)
        return {"start": half, "end": -half}.get(self.stamp, 0)


class Column(Row):
    """One column of the file."""

    name: str = Field(description="name as in the header, or the 1-based position where header is none")
    quantity: str = Field(description="name of the quantity; for pH it names the scale")
    unit: str = Field(description="unit, in one of the known spellings")
    minimum: float | None = Field(default=None, description="lowest plausible value [as `unit`]")
    maximum: float | None = Field(default=None, description="highest plausible value [as `unit`]")
    bin: int | None = Field(default=None, ge=1, le=999, description="bin number of a profiler [1]")

    @field_validator("quantity")
    @classmethod
    def _known_quantity(cls, value: str) -> str:
        try:
            return units.check_quantity(value)
        except InputError as error:
            mend = str(error).split(". ", 1)[-1]
            raise Refusal(wanted="a known quantity", mend=mend, found=value) from None

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, value: str, info: ValidationInfo) -> str:
        quantity = info.data.get("quantity")
        if quantity is None:
            return value  # the quantity itself was refused; that is said already
        try:
            return units.check_unit(quantity, value)
        except InputError as error:
            mend = str(error).split(". ", 1)
            raise Refusal(
                wanted=f"a known unit of {quantity}: {', '.join(units.known_units(quantity))}",
                mend=mend[1] if len(mend) > 1 else "",
                found=value,
            ) from None

    @property
    def channel(self) -> str:
        """Name of the channel in the store."""
        return channel_name(self.quantity, self.bin)

    def to_canonical(self, values: FloatArray) -> FloatArray:
        """Return values of this column in the canonical unit of its quantity."""
        return units.convert(values, self.quantity, self.unit)


class Layout(Row):
    """How one kind of raw file is laid out."""

    format: int = Field(ge=1, le=FORMAT, description="format of this file, 1 [1]")
    name: Label = Field(description="name of the layout, that of its file")
    description: str | None = Field(default=None, description="one line about it")
    match: LayoutMatch = Field(description="by what a file is recognised")
    instrument: LayoutInstrument = Field(description="how the file says which instrument wrote it")
    text: LayoutText = Field(description="how the text is written")
    time: LayoutTime = Field(description="how time is written")
    columns: Annotated[Tup[Column], AfterValidator(at_least(1, "the [[columns]]"))] = Field(
        description="columns to take in; others are ignored"
    )

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels, in the order of the columns."""
        return tuple(column.channel for column in self.columns)

    def column(self, name: str) -> Column:
        """Return the column called `name`; `BookError` with the nearest name if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        names = [column.name for column in self.columns]
        raise BookError(key="columns", found=name, wanted=f"one of {', '.join(names)}", mend=did_you_mean(name, names))


def layout_problems(layout: Layout, file: str) -> tuple[BookError, ...]:
    """Return what in a layout cannot be, looking at more than one key."""
    problems: list[BookError] = []

    def add(key: str, found: object, wanted: str, mend: str = "") -> None:
        problems.append(BookError(key=key, found=found, wanted=wanted, mend=mend, file=file))

    stem = Path(file).stem
    if layout.name != stem:
        add("name", layout.name, f"the name of its file, {stem!r}", "Rename one of the two.")
    if layout.match.filename is None and layout.match.line is None:
        add("match", "empty", "filename or line, by which a file is recognised", 'Write filename = "OXY-*.txt".')
    source = layout.instrument
    if source.source == "fixed":
        if source.label is None:
            add("instrument.label", "missing", 'the instrument\'s label, because from = "fixed"')
    elif source.pattern is None:
        add(
            "instrument.pattern",
            "missing",
            f"a regular expression with one group for the label, because from = {source.source!r}",
            'Write pattern = "^(OXY-[0-9])".',
        )
    elif re.compile(source.pattern).groups < 1:
        add("instrument.pattern", source.pattern, "a group in ( ) around the label")
    text = layout.text
    if text.delimiter == text.decimal_mark:
        add("text.decimal_mark", text.decimal_mark, "another sign than the delimiter")
    time = layout.time
    if time.stamp != "instant" and time.averaging_s is None:
        add(
            "time.averaging_s",
            "missing",
            f"the length of the averaging interval, because stamp = {time.stamp!r}",
            "A stamp at the wrong end shifts the record by the whole interval.",
        )
    if (time.counter is None) != (time.rate_hz is None):
        have, lack = ("counter", "rate_hz") if time.rate_hz is None else ("rate_hz", "counter")
        add(f"time.{lack}", "missing", f"a value, because {have} is given")
    if time.scale != "UTC" and time.tzinfo != dt.UTC:
        add("time.zone", time.zone, f'UTC, because scale = "{time.scale}" knows no zones')
    if time.format.startswith("unix") and time.tzinfo != dt.UTC:
        add("time.zone", time.zone, "UTC, because unix seconds count from 1970 in UTC")
    if time.format in _NUMERIC_FORMATS and len(time.columns) != 1:
        add("time.columns", list(time.columns), f"one column, because format = {time.format!r}")
    if "%z" in time.format and time.zone != "UTC":
        add("time.zone", time.zone, "UTC, because %z reads the offset from each line")
    names = [column.name for column in layout.columns]
    by_position = [*names, *time.columns, *([time.counter] if time.counter else [])]
    if text.header == "none":
        for name in by_position:
            if not name.isdecimal() or int(name) < 1:
                add("columns", name, 'a 1-based position such as "3", because header = "none"')
    for place, name in enumerate(names):
        if name in names[:place]:
            add(f"columns[{place}].name", name, "a name that no other column has")
    channels = list(layout.channels)
    for place, channel in enumerate(channels):
        if channel in channels[:place]:
            add(
                f"columns[{place}].quantity",
                channel,
                "a channel that no other column has",
                "Give profiler bins a bin number.",
            )
    for place, column in enumerate(layout.columns):
        if column.minimum is not None and column.maximum is not None and column.minimum >= column.maximum:
            add(f"columns[{place}].maximum ({column.name})", column.maximum, f"more than {column.minimum:g}")
    return tuple(problems)


def parse_layout(content: str, file: str) -> Layout:
    """Return the layout that a TOML text holds; `BookErrors` with every problem."""
    layout = validate(Layout, load_toml(content, file, "layout"), file)
    problems = layout_problems(layout, file)
    if problems:
        raise BookErrors(problems)
    return layout


def read_layout(path: Path | str) -> Layout:
    """Return the layout at `path`.

    Raises
    ------
    BookErrors
        With every problem found.
    """
    path = Path(path)
    file = f"layouts/{path.name}" if path.parent.name == "layouts" else path.name
    return parse_layout(read_text(path, file), file)


def read_layouts(folder: Path | str) -> dict[str, Layout]:
    """Return all layouts of a mission folder (or of its ``layouts`` folder) by name.

    Raises
    ------
    BookErrors
        With the problems of all files together.
    """
    folder = Path(folder)
    if (folder / "layouts").is_dir():
        folder = folder / "layouts"
    found: dict[str, Layout] = {}
    problems: list[BookError] = []
    for path in sorted(folder.glob("*.toml")):
        try:
            layout = read_layout(path)
        except BookErrors as error:
            problems.extend(error.problems)
        else:
            found[layout.name] = layout
    if problems:
        raise BookErrors(problems)
    return found


def write_layout(path: Path | str, layout: Layout, *, comments: Iterable[str] = ()) -> None:
    """Write a layout as TOML, with lines of comment on top; `BookErrors` if it has problems."""
    path = Path(path)
    problems = layout_problems(layout, path.name)
    if problems:
        raise BookErrors(problems)
    head = "".join(f"# {line}".rstrip() + "\n" for line in comments)
    write_atomically(path, (head + ("\n" if head else "") + dump_book(layout)).encode())
