"""Starting a mission folder.

Here:     `new_mission`: folders, commented mission book, example layouts, table headers.
Not here: filling it with an invented mission (`rehearsal`).
Rules:    a folder that holds anything is refused; what is written passes its own checks.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import tomlkit

from reeftally.errors import BookError
from reeftally.mission._book import parse_book
from reeftally.mission._files import write_atomically
from reeftally.mission._layout import parse_layout
from reeftally.mission._table_files import table_header
from reeftally.mission._tables import TABLES

__all__ = ["new_mission"]

_FOLDERS = ("book", "layouts", "inbox", "raw", "tables", "log")


def new_mission(folder: Path | str, name: str | None = None) -> Path:
    """Start a mission folder.

    Parameters
    ----------
    folder : path
        A folder that is empty or does not exist.
    name : str, optional
        Short name of the mission; the folder's name if not given.

    Returns
    -------
    Path
        The new ``mission.toml``: commented, of an invented reef, to be edited.

    Raises
    ------
    BookError
        If the folder holds anything, or is a file.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise BookError(key=str(folder), found="a file", wanted="a folder that is empty or not there yet")
    held = sorted(path.name for path in folder.iterdir()) if folder.exists() else []
    if held:
        more = f" and {len(held) - 3} more" if len(held) > 3 else ""
        raise BookError(
            key=str(folder),
            found=", ".join(held[:3]) + more,
            wanted="an empty folder",
            mend="Choose another name; nothing is ever written over a mission.",
        )
    template = resources.files("reeftally.mission") / "template"
    document = tomlkit.parse((template / "mission.toml").read_text("utf-8"))
    mission = document["mission"]
    mission["name"] = name or folder.resolve().name
    text = tomlkit.dumps(document)
    parse_book(text)
    for inner in _FOLDERS:
        (folder / inner).mkdir(parents=True, exist_ok=True)
    for layout in (template / "layouts").iterdir():
        content = layout.read_text("utf-8")
        parse_layout(content, f"layouts/{layout.name}")
        write_atomically(folder / "layouts" / layout.name, content.encode())
    for table in TABLES:
        write_atomically(folder / "tables" / f"{table}.csv", (table_header(table) + "\n").encode())
    # The book comes last: a folder with a book is a whole one.
    path = folder / "mission.toml"
    write_atomically(path, text.encode())
    return path
