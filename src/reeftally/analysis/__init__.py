"""The chain: which stage runs on what, in blocks, remembered and resumable; grading against truth.

Here:     joining the rooms, trials, estimates, trails.
Not here: equations (pure rooms), drawing (`charts`, `report`).
Rules:    results depend only on raw bytes, book, tables, log, settings and code version.
"""
