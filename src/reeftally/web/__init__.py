"""The live page and forms; shows what the store holds.

Here:     server-rendered pages on the loopback address, the series behind them, what the crew writes to the log.
Not here: any change of raw data; taking in and analysing (`reeftally.cli.watch`).
Rules:    no network, no build step; text from people is escaped where it meets the page; what is missing is named
          with what to do about it, never a stack trace.

Notes
-----
How to add a page: put one module into `reeftally.web.pages`; its header says what it must hold. No other file has
to change.
"""

from reeftally.web.app import Access, create_app
from reeftally.web.live import Broadcast

__all__ = ["Access", "Broadcast", "create_app"]
