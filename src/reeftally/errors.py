"""The error tree.

ReeftallyError                  everything this package raises on purpose
├── InputError (ValueError)     an argument of a function cannot be used
│   ├── OutOfRangeError         outside the range of the source or of physics
│   ├── ShapeError              arrays that do not fit together
│   └── NoSolutionError         the equations have no answer for this input
├── BookError                   the mission book says something that cannot be
├── IntakeError                 a raw file or table could not be taken in (or a part of it)
├── StoreError                  the observation store cannot do what was asked
│   └── StoreLockedError        another process is writing
├── NotAcceptedError            a decision is needed before the work can go on
└── ResultError                 results are missing, unreadable or of an unknown format

Every class carries ``kind``, a short stable code for programs, and keeps the parts of its
message as attributes. Messages say which thing, what was found, what is wanted and how to
mend it, in that order.
"""

from __future__ import annotations

__all__ = [
    "BookError",
    "InputError",
    "IntakeError",
    "NoSolutionError",
    "NotAcceptedError",
    "OutOfRangeError",
    "ReeftallyError",
    "ResultError",
    "ShapeError",
    "StoreError",
    "StoreLockedError",
]


class ReeftallyError(Exception):
    """Root of everything raised on purpose."""

    kind = "error"


class InputError(ReeftallyError, ValueError):
    """An argument cannot be used."""

    kind = "input"


class OutOfRangeError(InputError):
    """A value lies outside the range of the source or of physics."""

    kind = "out_of_range"

    def __init__(self, name: str, *, found: object, low: float, high: float, unit: str, mend: str = "") -> None:
        self.name, self.found, self.low, self.high, self.unit, self.mend = name, found, low, high, unit, mend
        unit_text = f" {unit}" if unit else ""
        message = f"{name} is {found}; it must lie from {low:g} to {high:g}{unit_text}."
        super().__init__(f"{message} {mend}".strip())


class ShapeError(InputError):
    """Arrays that do not fit together."""

    kind = "shape"


class NoSolutionError(InputError):
    """The equations have no answer for this input."""

    kind = "no_solution"

    def __init__(self, message: str, *, code: str) -> None:
        self.code = code
        super().__init__(message)


class BookError(ReeftallyError):
    """The mission book (or a layout) says something that cannot be.

    Parameters
    ----------
    key : str
        Path of the key, for example ``deployments[3].height_above_bed_m``.
    found, wanted, mend : str
        What stands there, what is needed, and how to mend it.
    file : str
        Name of the file, relative to the mission folder where possible.
    """

    kind = "book"

    def __init__(self, *, key: str, found: object, wanted: str, mend: str = "", file: str = "") -> None:
        self.key, self.found, self.wanted, self.mend, self.file = key, found, wanted, mend, file
        where = f"{file}: " if file else ""
        super().__init__(f"{where}{key} is {found!r}; it needs {wanted}. {mend}".strip())


class IntakeError(ReeftallyError):
    """A raw file or table, or a part of it, could not be taken in."""

    kind = "intake"

    def __init__(
        self,
        *,
        file: str,
        found: str,
        expected: str,
        mend: str,
        line: int | None = None,
        field: str | None = None,
    ) -> None:
        self.file, self.line, self.field = file, line, field
        self.found, self.expected, self.mend = found, expected, mend
        where = file
        if line is not None:
            where += f", line {line}"
        if field is not None:
            where += f", field {field}"
        super().__init__(f"{where}: found {found}; expected {expected}. {mend}".strip())


class StoreError(ReeftallyError):
    """The observation store cannot do what was asked."""

    kind = "store"


class StoreLockedError(StoreError):
    """Another process is writing to the store."""

    kind = "store_locked"

    def __init__(self, holder: str) -> None:
        self.holder = holder
        super().__init__(f"The store is being written by {holder}. Wait until it ends, or stop it, and try again.")


class NotAcceptedError(ReeftallyError):
    """A decision is needed before the work can go on."""

    kind = "decision_needed"


class ResultError(ReeftallyError):
    """Results are missing, unreadable or of an unknown format."""

    kind = "result"
