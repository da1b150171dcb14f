"""From what the typed models refuse to what a person can mend.

Here:     the aggregate error, key paths, and the wording of every refusal of a model.
Not here: checks that look at more than one key (`_cross`).
Rules:    all problems at once; each names file, key path, found, wanted and mend.
"""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from reeftally.errors import BookError

__all__ = ["BookErrors", "did_you_mean", "from_validation", "show_path"]

_TIME_WANTED = "a time with its offset from UTC"
_TIME_MEND = "Write it without quotes and with Z or an offset, for example 2031-03-25T20:00:00Z."


class BookErrors(BookError):  # noqa: N818 (it holds many)
    """All problems of one file, most basic first.

    Parameters
    ----------
    problems : sequence of BookError
        At least one. The parts of the first are this error's own parts; all are in `problems`.
    """

    kind = "book"

    def __init__(self, problems: Sequence[BookError]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        super().__init__(key=first.key, found=first.found, wanted=first.wanted, mend=first.mend, file=first.file)
        if len(self.problems) > 1:
            listing = "\n".join(f"  {number}. {problem}" for number, problem in enumerate(self.problems, 1))
            self.args = (f"{len(self.problems)} problems:\n{listing}",)

    @property
    def others(self) -> tuple[BookError, ...]:
        """The problems after the first."""
        return self.problems[1:]


def did_you_mean(found: str, choices: Iterable[str]) -> str:
    """Return ``Did you mean 'x'?`` for the nearest of `choices`, or an empty text."""
    near = difflib.get_close_matches(found, list(choices), n=1, cutoff=0.6)
    return f"Did you mean {near[0]!r}?" if near else ""


def show_path(location: Sequence[str | int]) -> str:
    """Return a key path such as ``deployments[3].height_above_bed_m``."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text or "the file"


def _models_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model class inside an annotation such as ``tuple[Deployment, ...] | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if isinstance(annotation, types.UnionType) or typing.get_origin(annotation) is not None:
        for inner in typing.get_args(annotation):
            found = _models_in(inner)
            if found is not None:
                return found
    return None


def _model_at(model: type[BaseModel], location: Sequence[str | int]) -> type[BaseModel] | None:
    """Return the model class that owns the key at the end of `location`."""
    current: type[BaseModel] | None = model
    for part in location[:-1]:
        if isinstance(part, int):
            continue
        if current is None or part not in current.model_fields:
            return None
        current = _models_in(current.model_fields[part].annotation)
    return current


def _name_of(data: Any, location: Sequence[str | int]) -> str:
    """Return ``(OXY-1)`` for a row that carries a label, an instrument or a name."""
    current = data
    label = ""
    for part in location:
        try:
            current = current[part]
        except (KeyError, IndexError, TypeError):
            break
        if isinstance(part, int) and isinstance(current, Mapping):
            for key in ("label", "instrument", "name", "quantity"):
                if isinstance(current.get(key), str):
                    label = f" ({current[key]})"
                    break
    return label


def _translate(error: Any, model: type[BaseModel], data: Any) -> tuple[object, str, str]:
    """Return found, wanted and mend of one refusal."""
    kind, location, found = error["type"], error["loc"], error["input"]
    context = error.get("ctx", {})
    owner = _model_at(model, location)
    last = str(location[-1]) if location else ""
    description = ""
    if owner is not None and last in owner.model_fields:
        description = owner.model_fields[last].description or ""
    if kind == "extra_forbidden":
        known = list(owner.model_fields) if owner is not None else []
        guess = did_you_mean(last, known)
        return found, f"to go: no such key is known here ({', '.join(known)})", guess or "Remove it."
    if kind == "missing":
        return "missing", description or "a value", "Nothing is guessed here: write it down."
    if kind in {"timezone_aware", "datetime_type", "datetime_parsing", "date_type"}:
        return str(found), _TIME_WANTED, _TIME_MEND
    if kind == "literal_error":
        guess = did_you_mean(str(found), [str(choice) for choice in _choices(owner, last)])
        return found, f"one of {context.get('expected', '')}", guess
    if kind in {"float_type", "int_type", "int_from_float"}:
        whole = "a whole number" if kind != "float_type" else "a number"
        mend = "Write it without quotes." if isinstance(found, str) else ""
        return found, f"{whole}: {description}" if description else whole, mend
    if kind == "string_type":
        return found, f"text in quotes: {description}" if description else "text in quotes", ""
    if kind == "bool_type":
        return found, "true or false", "Write it without quotes." if isinstance(found, str) else ""
    if kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        limit = {
            "greater_than": f"more than {context.get('gt')}",
            "greater_than_equal": f"at least {context.get('ge')}",
            "less_than": f"less than {context.get('lt')}",
            "less_than_equal": f"at most {context.get('le')}",
        }[kind]
        return found, f"{limit}: {description}" if description else limit, ""
    if kind == "value_error":
        inner = context.get("error")
        if isinstance(inner, Refusal):
            return inner.found if inner.found is not None else found, inner.wanted, inner.mend
    return found, f"{description}; {error['msg'].lower()}" if description else error["msg"].lower(), ""


def _choices(owner: type[BaseModel] | None, key: str) -> tuple[Any, ...]:
    if owner is None or key not in owner.model_fields:
        return ()
    found: list[Any] = []
    stack = [owner.model_fields[key].annotation]
    while stack:
        annotation = stack.pop()
        if typing.get_origin(annotation) is typing.Literal:
            found.extend(typing.get_args(annotation))
        else:
            stack.extend(typing.get_args(annotation))
    return tuple(found)


class Refusal(ValueError):  # noqa: N818 (it is caught and reworded, never seen by a user)
    """Raised by a validator inside a model; carries wanted and mend to the wording here."""

    def __init__(self, *, wanted: str, mend: str = "", found: object = None) -> None:
        self.found, self.wanted, self.mend = found, wanted, mend
        super().__init__(wanted)


def from_validation(error: ValidationError, model: type[BaseModel], data: Any, file: str) -> tuple[BookError, ...]:
    """Return one `BookError` for each refusal in a pydantic error.

    Parameters
    ----------
    error : ValidationError
        What the model refused.
    model : type
        The model that was asked.
    data : mapping
        The data it was asked with, for the labels of rows.
    file : str
        Name of the file for the messages.

    Returns
    -------
    tuple of BookError
        In the order of the file's keys.
    """
    problems: list[BookError] = []
    for part in error.errors(include_url=False):
        location = tuple(piece for piece in part["loc"] if not str(piece).startswith("function-"))
        found, wanted, mend = _translate({**part, "loc": location}, model, data)
        if isinstance(found, Mapping) or (isinstance(found, list | tuple) and len(str(found)) > 60):
            found = "a table" if isinstance(found, Mapping) else "a list"
        key = show_path(location) + _name_of(data, location)
        problems.append(BookError(key=key, found=found, wanted=wanted.rstrip("."), mend=mend, file=file))
    return tuple(problems)
