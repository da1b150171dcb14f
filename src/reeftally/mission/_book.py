"""Reading, rewriting and keeping the mission book.

Here:     `read_book`, `parse_book`, `write_book`, `edit_book`, and the revisions in ``book/``.
Not here: the model (`_rows`, `_model`) and its checks (`_cross`).
Rules:    a book with problems is never written; rewriting keeps comments and order; a revision,
          once accepted, is never changed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import tomlkit
import tomlkit.items
from pydantic import BaseModel, ValidationError

from reeftally.errors import BookError
from reeftally.mission._cross import problems_of
from reeftally.mission._files import write_atomically, write_new
from reeftally.mission._model import FORMAT, Book
from reeftally.mission._problems import BookErrors, did_you_mean, from_validation

__all__ = [
    "accept_revision",
    "current_revision",
    "dump_book",
    "edit_book",
    "parse_book",
    "read_book",
    "read_revision",
    "revisions",
    "write_book",
]

BOOK_NAME = "mission.toml"


def read_text(path: Path, file: str) -> str:
    """Return the text of a TOML file, or say why it cannot be read."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        mend = "Start one with `reeftally new`." if path.name == BOOK_NAME else ""
        raise BookErrors(
            [BookError(key="the file", found="missing", wanted="to be there", mend=mend, file=file)]
        ) from None
    except OSError as error:
        raise BookErrors(
            [BookError(key="the file", found=error.strerror, wanted="to be readable", file=file)]
        ) from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise BookErrors(
            [
                BookError(
                    key=f"line {line}",
                    found=f"byte 0x{content[error.start]:02x}",
                    wanted="UTF-8 text",
                    mend="Save the file as UTF-8.",
                    file=file,
                )
            ]
        ) from error


def load_toml(text: str, file: str, what: str) -> dict[str, Any]:
    """Return the tables of a TOML text of a format this version reads, or say what is wrong."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"line (\d+)", str(error))
        lines = text.splitlines()
        number = int(place.group(1)) if place else len(lines)
        found = lines[number - 1].strip() if 0 < number <= len(lines) else "the end of the file"
        raise BookErrors(
            [BookError(key=f"line {number}", found=found, wanted=f"valid TOML: {error}", file=file)]
        ) from error
    number_of_format = data.get("format")
    if isinstance(number_of_format, int) and number_of_format > FORMAT:
        raise BookErrors(
            [
                BookError(
                    key="format",
                    found=number_of_format,
                    wanted=f"at most {FORMAT}, the newest format this version reads",
                    mend=f"A newer Reeftally wrote this {what}: update Reeftally.",
                    file=file,
                )
            ]
        )
    return data


_ModelT = TypeVar("_ModelT", bound=BaseModel)


def validate(model: type[_ModelT], data: Mapping[str, Any], file: str) -> _ModelT:
    """Return the typed model of `data`, or raise all that is wrong with single keys."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise BookErrors(from_validation(error, model, data, file)) from None


def parse_book(text: str, file: str = BOOK_NAME) -> Book:
    """Return the book that a TOML text holds.

    Parameters
    ----------
    text : str
        The text of a ``mission.toml``.
    file : str
        Name for the messages.

    Raises
    ------
    BookErrors
        With every problem: of single keys first; if there is none, of the sections together.
    """
    book = validate(Book, load_toml(text, file, "mission book"), file)
    problems = problems_of(book, file)
    if problems:
        raise BookErrors(problems)
    return book


def _book_path(path: Path | str) -> Path:
    path = Path(path)
    return path / BOOK_NAME if path.is_dir() else path


def read_book(path: Path | str) -> Book:
    """Return the book at `path`, a ``mission.toml`` or the mission folder that holds one.

    Raises
    ------
    BookErrors
        With every problem found; ``problems`` lists them, each a `BookError`.
    """
    path = _book_path(path)
    return parse_book(read_text(path, path.name), path.name)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items() if inner is not None}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, np.generic):
        return value.item()
    return value


def dump_book(model: BaseModel) -> str:
    """Return a book (or layout) as TOML text; what is left at its default is left out."""
    data = _plain(model.model_dump(exclude_defaults=True, by_alias=True))
    return tomlkit.dumps(data)


def write_book(path: Path | str, book: Book) -> None:
    """Write a new ``mission.toml``; use `edit_book` for one that people have commented."""
    problems = problems_of(book, Path(path).name)
    if problems:
        raise BookErrors(problems)
    write_atomically(_book_path(path), dump_book(book).encode())


_STEP = re.compile(r"([A-Za-z0-9_]+)|\[([^\[\]]+)\]")


def _steps(path: str) -> list[str | int]:
    steps: list[str | int] = []
    position = 0
    for match in _STEP.finditer(path):
        if path[position : match.start()] not in {"", "."}:
            break
        position = match.end()
        name, inside = match.groups()
        if name is not None:
            steps.append(name)
        elif inside.isdecimal():
            steps.append(int(inside))
        else:
            steps.append("[" + inside.strip("\"'"))
    if position != len(path) or not steps:
        raise BookError(key=path, found="no key path", wanted="something like deployments[3].height_above_bed_m")
    return steps


def _row_named(rows: Any, name: str, path: str) -> int:
    names = [str(row.get("label", row.get("name", row.get("quantity", "")))) for row in rows]
    if name in names:
        return names.index(name)
    raise BookError(key=path, found=name, wanted=f"one of {', '.join(names)}", mend=did_you_mean(name, names))


def _move_tail(last: Any, row: Any) -> None:
    """Move blank lines and comments at the end of a table, which lead to the next section, to `row`."""
    while last.value.body and isinstance(last.value.body[-1][1], tomlkit.items.Table | tomlkit.items.AoT):
        inner = last.value.body[-1][1]
        last = inner[-1] if isinstance(inner, tomlkit.items.AoT) else inner
    body = last.value.body
    start = len(body)
    while start and body[start - 1][0] is None:
        start -= 1
    # What stands directly below the last key belongs to it; what follows a blank line does not.
    while start < len(body) and not isinstance(body[start][1], tomlkit.items.Whitespace):
        start += 1
    tail = [item for _, item in body[start:]]
    del body[start:]
    if tail:
        last.add(tomlkit.nl())
    for item in tail:
        row.add(item)


def _apply(document: Any, path: str, value: Any) -> None:
    steps = _steps(path)
    current = document
    for place, step in enumerate(steps[:-1]):
        if isinstance(step, int):
            if not step < len(current):
                raise BookError(key=path, found=f"[{step}]", wanted=f"a row from 0 to {len(current) - 1}")
            current = current[step]
        elif step.startswith("["):
            current = current[_row_named(current, step[1:], path)]
        else:
            if step not in current:
                following = steps[place + 1]
                current[step] = tomlkit.aot() if following == "[+" else tomlkit.table()
            current = current[step]
    last = steps[-1]
    if last == "[+":
        row = tomlkit.item(_plain(value))
        if isinstance(current, tomlkit.items.AoT) and len(current):
            _move_tail(current[-1], row)
        current.append(row)
    elif isinstance(last, int) or last.startswith("["):
        index = last if isinstance(last, int) else _row_named(current, last[1:], path)
        if value is None:
            del current[index]
        else:
            current[index] = tomlkit.item(_plain(value))
    elif value is None:
        if last in current:
            del current[last]
    elif hasattr(current.get(last), "trivia") and not isinstance(value, Mapping | list | tuple):
        comment = current[last].trivia
        item = tomlkit.item(_plain(value))
        item.trivia.comment_ws, item.trivia.comment = comment.comment_ws, comment.comment
        current[last] = item
    else:
        current[last] = _plain(value)


def edit_book(path: Path | str, changes: Mapping[str, Any]) -> Book:
    """Change keys of a book in place; comments, order and blank lines stay.

    Parameters
    ----------
    path : path
        A ``mission.toml`` or the mission folder.
    changes : mapping of str to value
        Key paths such as ``deployments[3].height_above_bed_m``; a row may be named by its label
        (``instruments[OXY-1].clock``); ``deployments[+]`` adds a row (a mapping); None removes.

    Returns
    -------
    Book
        The book as changed, which is what now stands in the file.

    Raises
    ------
    BookErrors
        If the changed book would have problems; the file is then as it was.
    """
    path = _book_path(path)
    text = read_text(path, path.name)
    wanted = load_toml(text, path.name, "mission book")
    document = tomlkit.parse(text)
    for key, value in changes.items():
        _apply(document, key, value)
        _apply(wanted, key, value)
    changed = tomlkit.dumps(document)
    if tomllib.loads(changed) != wanted:
        raise BookError(
            key=", ".join(changes),
            found="a layout of the file that cannot be changed automatically",
            wanted="each kind of section in one stretch of the file",
            mend="Change it by hand.",
            file=path.name,
        )
    book = parse_book(changed, path.name)
    if changed != text:
        write_atomically(path, changed.encode())
    return book


def revisions(folder: Path | str) -> tuple[int, ...]:
    """Return the numbers of all accepted revisions of a mission folder, in order."""
    kept = Path(folder) / "book"
    if not kept.is_dir():
        return ()
    return tuple(sorted(int(path.stem) for path in kept.glob("*.toml") if path.stem.isdecimal()))


def current_revision(folder: Path | str) -> int:
    """Return the number of the newest accepted revision, 0 if there is none."""
    return max(revisions(folder), default=0)


def _revision_path(folder: Path | str, number: int) -> Path:
    return Path(folder) / "book" / f"{number:04d}.toml"


def accept_revision(folder: Path | str) -> int:
    """Keep ``mission.toml`` as a revision, unless it is byte for byte the newest one.

    Parameters
    ----------
    folder : path
        The mission folder.

    Returns
    -------
    int
        Number of the revision that now holds the book.

    Raises
    ------
    BookErrors
        If the book has problems: such a book is not kept.
    """
    text = read_text(Path(folder) / BOOK_NAME, BOOK_NAME)
    parse_book(text)
    content = text.encode()
    while True:
        newest = current_revision(folder)
        if newest and _revision_path(folder, newest).read_bytes() == content:
            return newest
        # Another process may take the number first; then look again.
        if write_new(_revision_path(folder, newest + 1), content):
            return newest + 1


def read_revision(folder: Path | str, number: int) -> Book:
    """Return an accepted revision of the book.

    Raises
    ------
    BookErrors
        If there is no such revision, or if it was damaged.
    """
    path = _revision_path(folder, number)
    file = f"book/{path.name}"
    if not path.exists():
        known = ", ".join(str(known) for known in revisions(folder)) or "none"
        raise BookErrors([BookError(key="revision", found=number, wanted=f"an accepted one ({known})", file=file)])
    return parse_book(read_text(path, file), file)
