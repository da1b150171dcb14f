"""A mission reprocessed under other constants.

Here:     choices of constants from text, a book with them.
Not here: the run itself (`run`), the table of what a run changed (`changes`, `versions`).
Rules:    raw bytes, tables, log and seed are the same, so a difference is made by the constants; the old run stays as
          it was; the mission book is not rewritten.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from reeftally.errors import BookError, InputError
from reeftally.mission import Book
from reeftally.seawater import carbonate

__all__ = ["parse_constants", "with_constants"]


def parse_constants(items: Sequence[str]) -> dict[str, str]:
    """Return the choices in texts like ``k1k2=millero2006``; several may stand in one, parted by commas.

    Raises
    ------
    BookError
        A text without ``=``, an unknown choice or an unknown set; the message lists the known ones.
    """
    names = ("k1k2", "ks", "kf", "boron")
    chosen: dict[str, str] = {}
    for item in (part.strip() for text in items for part in text.split(",")):
        name, sign, value = (piece.strip() for piece in item.partition("="))
        if not sign or name not in names:
            raise BookError(
                key="constants", found=item, wanted=f"NAME=SET with NAME one of: {', '.join(names)}",
                mend="For example k1k2=millero2006.",
            )  # fmt: skip
        chosen[name] = value
    try:
        carbonate.Constants(**chosen)
    except InputError as error:
        raise BookError(
            key="constants", found=", ".join(f"{k}={v}" for k, v in chosen.items()), wanted=str(error), mend=""
        ) from error
    return chosen


def with_constants(book: Book, chosen: Mapping[str, str]) -> Book:
    """Return the book with other constants; the file is not touched."""
    constants = book.analysis.constants.model_copy(update=dict(chosen))
    return book.model_copy(update={"analysis": book.analysis.model_copy(update={"constants": constants})})
