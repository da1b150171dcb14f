"""The observation store: Parquet segments under a SQLite catalogue, behind one small interface.

Here:     transactions, snapshots, segments, flags, locks.
Not here: decoding (`intake`) and meaning (`analysis`).
Rules:    bytes are written and synced before the catalogue names them; reading never writes.
"""
