"""The command `listen`: live line streams into the store.

Here:     options, what people are told while it runs.
Not here: reading and loading (`reeftally.intake`).
Rules:    as for all commands; an interrupt stops it in order.
"""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path

import click

from reeftally.cli._group import FOLDER, commands
from reeftally.cli._output import Outcome, command_result, say

__all__ = ["listen"]


@commands.command()
@click.argument("folder", type=FOLDER)
@click.option("--from", "sources", multiple=True, help="LABEL=SOURCE: tcp://HOST:PORT, a device path, or - for stdin.")
@click.option(
    "--every", "every_s", type=click.FloatRange(min=0.05), default=1.0, show_default=True, help="Load so often [s]."
)
@click.option("--once", is_flag=True, help="Stop when every source has ended, in place of connecting again.")
@command_result
def listen(folder: Path, sources: tuple[str, ...], every_s: float, once: bool) -> Outcome:
    """Take live lines of instruments into the store as they come, until stopped.

    Sources stand in the mission book (`feed` of an instrument) or after --from. Bytes go to an append-only raw file
    and are synced before they are parsed; repeats and packets out of order do no harm; a lost source is tried again
    after 1, 2, 4 ... 60 s. The speed of a serial line is set outside (stty).

    \b
    Example:
        reeftally listen lagoon-2031 --from OXY-1=tcp://10.0.0.5:4001 --from CTD-1=/dev/ttyUSB0
    """
    from reeftally.intake import Heard
    from reeftally.intake import listen as listen_to

    given: dict[str, str] = {}
    for text in sources:
        label, mark, source = text.partition("=")
        if not mark or not label or not source:
            message = f"--from {text}: write LABEL=SOURCE, as in OXY-1=tcp://10.0.0.5:4001."
            raise click.UsageError(message)
        given[label] = source
    told: set[str] = set()

    def tell(heard: Heard) -> None:
        for message in heard.messages:
            if message not in told:
                told.add(message)
                say(message)

    async def run() -> Heard:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for name in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(name, stop.set)
        return await listen_to(folder, given, once=once, every_s=every_s, stop=stop, tell=tell)

    heard = asyncio.run(run())
    lines = [
        f"{heard.rows_new:,} rows new, {heard.rows_repeated:,} repeated, {heard.rows_rejected:,} rejected from "
        f"{heard.bytes:,} bytes; {heard.reconnects} times connected again."
    ]
    lines += [f"  {message}" for message in heard.messages if message not in told]
    data = {
        "rows_new": heard.rows_new,
        "rows_repeated": heard.rows_repeated,
        "rows_rejected": heard.rows_rejected,
        "bytes": heard.bytes,
        "reconnects": heard.reconnects,
        "by_instrument": heard.by_label,
        "messages": heard.messages,
    }
    return Outcome(data=data, lines=lines)
