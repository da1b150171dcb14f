"""The command `watch`: the live page of a mission.

Here:     options, access codes, the server with the loop beside it.
Not here: the pages (`reeftally.web`), what a round does (`_loop`).
Rules:    loopback unless an address is named; then both codes are needed for every request.
"""

from __future__ import annotations

import ipaddress
import secrets
import socket
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reeftally.cli._group import FOLDER, commands
from reeftally.cli._output import Outcome, command_result, say

if TYPE_CHECKING:
    from reeftally.web.guard import Access, Role

__all__ = ["access_for", "watch"]


def access_for(beyond: str | None, viewer: str | None, crew: str | None) -> Access:
    """Return who may do what: loopback without codes, or an address with a code for viewers and one for the crew.

    Raises
    ------
    ReeftallyError
        If the address is not one of one machine, or the codes are short or equal.
    """
    from reeftally.errors import InputError
    from reeftally.web.guard import Access

    if beyond is None:
        return Access()
    try:
        address = ipaddress.ip_address(beyond)
    except ValueError as error:
        message = f"--beyond is {beyond!r}; it must be this machine's address on the network, such as 192.0.2.7."
        raise InputError(message) from error
    if address.is_unspecified or address.is_multicast:
        message = f"--beyond is {beyond}; name the one address of this machine that others use."
        raise InputError(message)
    codes: dict[Role, str] = {
        "viewer": viewer or secrets.token_urlsafe(9),
        "crew": crew or secrets.token_urlsafe(12),
    }
    if min(len(code) for code in codes.values()) < 8 or codes["viewer"] == codes["crew"]:
        message = "Access codes need eight characters or more, and the two must differ."
        raise InputError(message)
    return Access(codes=codes, hosts=frozenset({str(address), socket.gethostname().lower()}))


def _sockets(port: int, beyond: str | None) -> list[socket.socket]:
    from reeftally.errors import InputError

    found: list[socket.socket] = []
    for host in filter(None, ["127.0.0.1", beyond]):
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        one = socket.socket(family, socket.SOCK_STREAM)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            one.bind((host, port))
            # Whoever opens the page before the server is ready waits, and is not turned away.
            one.listen(128)
        except OSError as error:
            for other in (one, *found):
                other.close()
            message = f"{host} port {port} cannot be used ({error.strerror}); name another with --port."
            raise InputError(message) from error
        found.append(one)
        port = int(one.getsockname()[1])
    return found


@commands.command()
@click.argument("folder", type=FOLDER)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8031, show_default=True, help="Port; 0 takes a free one."
)
@click.option(
    "--beyond", metavar="ADDRESS", help="Serve beyond this machine too, at this address of it; asks for codes."
)
@click.option("--viewer-code", envvar="REEFTALLY_VIEWER_CODE", help="Code for viewers; default a new one.")
@click.option("--crew-code", envvar="REEFTALLY_CREW_CODE", help="Code for the crew, who may write; default a new one.")
@click.option(
    "--every", type=click.FloatRange(0.2, 600.0), default=2.0, show_default=True, help="Seconds between looks."
)
@click.option("--only-show", is_flag=True, help="Show what is there; take nothing in and analyse nothing.")
@command_result
def watch(
    folder: Path,
    port: int,
    beyond: str | None,
    viewer_code: str | None,
    crew_code: str | None,
    every: float,
    only_show: bool,
) -> Outcome:
    """Show the mission in a browser and keep it up to date: what is dropped into the inbox is taken in and analysed.

    The page opens on this machine only. With --beyond others on the network may look with the viewers' code, and
    write to the log with the crew's; the network carries the codes unencrypted, so use one that you trust. The page
    never changes raw data. It is no life-support or safety system: keep those on their own screens and network.

    \b
    Example:
        reeftally watch lagoon-2031
        reeftally watch lagoon-2031 --beyond 192.0.2.7
    """
    import uvicorn

    from reeftally.cli._loop import Loop
    from reeftally.web import Broadcast, create_app

    access = access_for(beyond, viewer_code, crew_code)
    sockets = _sockets(port, beyond)
    port = int(sockets[0].getsockname()[1])
    broadcast = Broadcast()
    app = create_app(folder, access=access, broadcast=broadcast)
    site = app.state.site

    def activity(state: str, text: str) -> None:
        site.activity = {"state": state, "text": text}

    news, stopped = threading.Event(), threading.Event()
    news.set()

    def tell(event: str, data: dict[str, Any]) -> None:
        broadcast.tell(event, data)
        if event == "data":
            news.set()

    def keep_warm() -> None:
        while not stopped.is_set():
            if news.wait(1.0) and not stopped.is_set():
                news.clear()
                site.warm(stopped.is_set)

    loop = Loop(site.folder, tell=tell, activity=activity, every_s=every)
    server = uvicorn.Server(
        uvicorn.Config(
            app, log_level="warning", access_log=False, timeout_graceful_shutdown=2, server_header=False,
            limit_concurrency=400, h11_max_incomplete_event_size=16_384,
        )
    )  # fmt: skip
    say(f"The page: http://127.0.0.1:{port}/    (Ctrl-C ends it)")
    if beyond:
        say(
            f"          http://{beyond}:{port}/",
            f"Code for viewers: {access.codes['viewer']}",
            f"Code for the crew: {access.codes['crew']}",
        )
    if not only_show:
        say(f"Files dropped into {site.folder / 'inbox'} are taken in by themselves.")
        loop.start()
    threading.Thread(target=keep_warm, name="warm", daemon=True).start()
    try:
        server.run(sockets=sockets)
    except KeyboardInterrupt:
        # The usual way to end it.
        pass
    finally:
        stopped.set()
        broadcast.close()
        loop.stop()
    return Outcome(data={"port": port, "rounds": len(loop.rounds)}, lines=[f"Ended after {len(loop.rounds)} rounds."])
