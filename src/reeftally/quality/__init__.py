"""Quality: flags by the QARTOD tests, instrument tests, sensor health.

Here:     data in, flags out (1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing).
Not here: files; deciding what to do with a flagged value (`analysis`, people).
Rules:    flags are added, never overwritten; a value is never changed.
"""
