"""The observation store: Parquet segments under a SQLite catalogue, behind one small interface.

Here:     transactions, snapshots, segments, flags, locks.
Not here: decoding (`intake`) and meaning (`analysis`).
Rules:    bytes are written and synced before the catalogue names them; reading never writes.
"""

from __future__ import annotations

from reeftally.store._columns import Columns, dtype_of
from reeftally.store._flags import FlagRuns
from reeftally.store._merge import AppendResult, Difference
from reeftally.store._segments import sync_folder
from reeftally.store._store import Store, StreamInfo, open_store
from reeftally.store._writer import Writer

__all__ = [
    "AppendResult",
    "Columns",
    "Difference",
    "FlagRuns",
    "Store",
    "StreamInfo",
    "Writer",
    "dtype_of",
    "open_store",
    "sync_folder",
]
