"""The server: routes, pages, series, events, files of the newest run.

Here:     from an address to an answer.
Not here: what a page says (`pages`), who may ask (`guard`), taking in and analysing (`cli.watch`).
Rules:    every answer goes through the guard; files are served by a list of names, never by a path from outside; a
          fault of one page is one page's fault.
"""

from __future__ import annotations

import hashlib
import logging
import re
import time
from collections.abc import Callable
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from reeftally.charts import browser_library
from reeftally.errors import ReeftallyError
from reeftally.web.blocks import Notice, Page
from reeftally.web.guard import COOKIE, Access, Guard
from reeftally.web.live import Broadcast, TooManyReadersError
from reeftally.web.look import Look, Memory
from reeftally.web.pages import Entry, Query, find_pages
from reeftally.web.render import NARROW, WIDE, Drawings, palette_css, render_enter, render_page
from reeftally.web.traces import (
    CHUNK_NS,
    DIRECT,
    Chunks,
    NoSuchSeriesError,
    blocks_of,
    channels_of,
    marks_of,
    series_window,
)
from reeftally.web.writing import WRITERS, RefusedError

__all__ = ["Access", "Site", "create_app"]

STATIC = {
    "page.css": "text/css",
    "page.js": "text/javascript",
    "trace.js": "text/javascript",
    "chart.js": "text/javascript",
    "mark.svg": "image/svg+xml",
}
FILES = {
    "report.html": "text/html",
    "report.pdf": "application/pdf",
    "brief.pdf": "application/pdf",
    "dive_sheet.html": "text/html",
    "dive_sheet.pdf": "application/pdf",
    "estimates.csv": "text/csv",
    "estimates.json": "application/json",
    "trail.json": "application/json",
    "results.nc": "application/x-netcdf",
}
"""Files of the newest run that the page hands out."""

PAPER_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline' 'unsafe-eval'; style-src 'unsafe-inline'; img-src data:; "
    "font-src data:; sandbox allow-scripts allow-popups allow-downloads"
)
"""For the report, one file with its own scripts: it runs apart from the pages and can load nothing."""

MOST_BYTES = 20_000
"""Longest form."""

log = logging.getLogger("reeftally.web")


class Site:
    """What all requests of one server share."""

    def __init__(self, folder: Path, *, access: Access, broadcast: Broadcast, wall_ns: Callable[[], int]) -> None:
        self.folder, self.access, self.broadcast, self.wall_ns = folder, access, broadcast, wall_ns
        self.memory, self.chunks, self.drawings = Memory(), Chunks(), Drawings()
        self.pages: dict[str, Entry] = find_pages()
        self.activity: dict[str, Any] = {"state": "idle", "text": ""}
        """What the loop is doing, for the head of every page."""

    def look(self) -> Look:
        """Return the mission as it stands."""
        return Look(self.folder, self.memory)

    def warm(self, stopped: Callable[[], bool]) -> None:
        """Thin the chunks of fast records ahead of the first reader, the newest first; ends when told to stop."""
        look = self.look()
        context = look.context
        if context is None:
            return
        for label, info in look.streams.items():
            rows = [row for row in context.book.instruments if row.label == label]
            if not rows or (info.last_ns - info.first_ns) / 1e9 / rows[0].sample_interval_s <= DIRECT:
                continue
            channels = channels_of(look, label)
            first, last = info.first_ns // CHUNK_NS, info.last_ns // CHUNK_NS
            for number in range(last, first - 1, -1):
                if stopped():
                    return
                try:
                    self.chunks.get(context, label, channels, number * CHUNK_NS)
                except ReeftallyError as error:
                    log.warning("%s: %s", label, error)
                    break


def create_app(
    folder: Path | str,
    *,
    access: Access | None = None,
    broadcast: Broadcast | None = None,
    wall_ns: Callable[[], int] = time.time_ns,
) -> Starlette:
    """Return the web application of one mission.

    Parameters
    ----------
    folder : path
        Mission folder; it may be empty, broken or half finished.
    access : Access, optional
        Default: loopback only, no codes.
    broadcast : Broadcast, optional
        Through which open pages are told of news.
    wall_ns : callable
        The clock that dates what the crew writes. [ns since 1970 UTC]
    """
    access = access or Access()
    site = Site(Path(folder).resolve(), access=access, broadcast=broadcast or Broadcast(), wall_ns=wall_ns)
    routes = [
        Route("/static/{name}", _static),
        Route("/drawing/{name}/{kind}", _drawing),
        Route("/data/series", _series),
        Route("/data/blocks", _blocks),
        Route("/data/marks", _marks),
        Route("/data/state", _state),
        Route("/events", _events),
        Route("/files/{name}", _file),
        Route("/raw/{digest}", _raw),
        Route("/enter", _enter, methods=["GET", "POST"]),
        Route("/write/{what}", _write, methods=["POST"]),
        Route("/", _page),
        Route("/{name}", _page),
        Route("/{name}/{subject:path}", _page),
    ]
    app = Starlette(routes=routes, middleware=[Middleware(Guard, access=access)])
    app.state.site = site
    return app


def _site(request: Request) -> Site:
    found: Site = request.app.state.site
    return found


# -- pages ----------------------------------------------------------------------------------------------


def _page(request: Request) -> Response:
    site = _site(request)
    name = request.path_params.get("name", "morning")
    look = site.look()
    role = request.scope["state"]["role"]
    query = Query(
        subject=request.path_params.get("subject", ""),
        values={k: v[:200] for k, v in request.query_params.items()},
        crew=role == "crew",
        token=site.access.token(role),
    )
    entry = site.pages.get(name)
    page = _not_there(site) if entry is None else _made(entry, look, query)
    return HTMLResponse(render_page(site, look, page, entry, query), status_code=page.status)


def _made(entry: Entry, look: Look, query: Query) -> Page:
    try:
        return entry.page(look, query)
    except ReeftallyError as error:
        messages = [str(e) for e in getattr(error, "errors", ())] or [str(error)]
        return Page(entry.title, [Notice("serious", "This page lacks something.", ["\n".join(messages)])], status=200)
    except Exception as error:
        log.exception("page %s", entry.name)
        words = f"{type(error).__name__} in the page {entry.name!r}; the terminal of `reeftally watch` shows where."
        return Page(entry.title, [Notice("serious", "This page could not be made.", [words])], status=500)


def _not_there(site: Site) -> Page:
    names = ", ".join(e.title for e in site.pages.values() if e.order is not None)
    return Page(
        "No such page", [Notice("missing", "There is no page of this name.", [f"The pages are: {names}."])], status=404
    )


def _drawing(request: Request) -> Response:
    site = _site(request)
    name, kind = request.path_params["name"], request.path_params["kind"]
    found: str | None = None
    if kind == "spec.json":
        found = site.drawings.spec(name)
    elif (drawn := re.fullmatch(r"(wide|narrow)-(light|dark)\.svg", kind)) is not None:
        found = site.drawings.svg(name, width=WIDE if drawn[1] == "wide" else NARROW, dark=drawn[2] == "dark")
    if found is None:
        return Response("This drawing belongs to a page that has grown old.\n", status_code=404)
    media = "application/json" if kind == "spec.json" else "image/svg+xml"
    # A run never changes, so neither do its drawings.
    return Response(found, media_type=media, headers={"cache-control": "private, max-age=86400"})


# -- series ---------------------------------------------------------------------------------------------


def _whole(request: Request, name: str) -> int:
    text = request.query_params.get(name, "")
    if not re.fullmatch(r"-?\d{1,16}", text):
        message = f"{name} is {text[:40]!r}; it must be a whole number."
        raise NoSuchSeriesError(message)
    return int(text)


def _answered(make: Callable[[], Any]) -> Response:
    try:
        return JSONResponse(make())
    except NoSuchSeriesError as error:
        return JSONResponse({"message": str(error)}, status_code=404)
    except ReeftallyError as error:
        return JSONResponse({"message": str(error)}, status_code=409)


def _series(request: Request) -> Response:
    site = _site(request)
    asked = request.query_params
    return _answered(
        lambda: series_window(
            site.look(),
            site.chunks,
            label=asked.get("label", ""),
            channels=[name for name in asked.get("channels", "")[:2000].split(",") if name],
            start_ns=_whole(request, "start") * 1_000_000,
            end_ns=_whole(request, "end") * 1_000_000,
            width=_whole(request, "width"),
        )
    )


def _blocks(request: Request) -> Response:
    return _answered(lambda: blocks_of(_site(request).look(), request.query_params.get("label", "")))


def _marks(request: Request) -> Response:
    return _answered(lambda: marks_of(_site(request).look(), request.query_params.get("label", "")))


# -- what is new ----------------------------------------------------------------------------------------


def _state(request: Request) -> Response:
    from reeftally.web.render import state_of

    site = _site(request)
    return JSONResponse(state_of(site, site.look()))


async def _events(request: Request) -> Response:
    site = _site(request)
    try:
        queue = site.broadcast.join()
    except TooManyReadersError:
        return Response("Too many pages are open; close some.\n", status_code=503, headers={"retry-after": "60"})
    return StreamingResponse(
        site.broadcast.stream(queue), media_type="text/event-stream", headers={"x-accel-buffering": "no"}
    )


# -- files ----------------------------------------------------------------------------------------------


@cache
def _asset(name: str) -> bytes:
    if name == "page.css":
        return palette_css().encode() + (resources.files("reeftally.web") / "static" / name).read_bytes()
    return (resources.files("reeftally.web") / "static" / name).read_bytes()


@cache
def _drawing_library() -> bytes:
    return browser_library().encode()


def _static(request: Request) -> Response:
    name = request.path_params["name"]
    if name != "drawing.js" and name not in STATIC:
        return Response("There is no such file.\n", status_code=404)
    content = _drawing_library() if name == "drawing.js" else _asset(name)
    tag = f'"{hashlib.blake2s(content, digest_size=8).hexdigest()}"'
    headers = {"etag": tag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(content, media_type=STATIC.get(name, "text/javascript"), headers=headers)


def _inside(path: Path, folder: Path) -> Path | None:
    """Return a file if it truly lies inside a folder, links followed."""
    try:
        real = path.resolve(strict=True)
    except OSError:
        return None
    return real if real.is_file() and real.is_relative_to(folder.resolve()) else None


def _file(request: Request) -> Response:
    site = _site(request)
    name = request.path_params["name"]
    run = site.look().run
    path = _inside(run / name, site.folder) if run is not None and name in FILES else None
    if path is None:
        return Response("There is no such file in the newest run.\n", status_code=404)
    headers = {"content-security-policy": PAPER_POLICY} if name.endswith(".html") else {}
    how = "inline" if name.endswith((".html", ".pdf")) else "attachment"
    return FileResponse(path, media_type=FILES[name], headers=headers, filename=name, content_disposition_type=how)


def _raw(request: Request) -> Response:
    site = _site(request)
    digest = request.path_params["digest"]
    path = None
    if re.fullmatch(r"[0-9a-f]{64}", digest):
        path = _inside(site.folder / "raw" / digest[:2] / digest, site.folder)
    if path is None:
        return Response("There are no raw bytes of this hash.\n", status_code=404)
    facts = site.look().facts
    name = (facts.raw_names.get(digest) if facts is not None else "") or f"{digest[:12]}.raw"
    return FileResponse(path, media_type="application/octet-stream", filename=Path(name).name)


# -- writing --------------------------------------------------------------------------------------------


async def _form(request: Request) -> dict[str, str] | None:
    """Return the fields of a form; None if it is too long or no form."""
    if request.headers.get("content-type", "").partition(";")[0] != "application/x-www-form-urlencoded":
        return None
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MOST_BYTES:
            return None
    try:
        return dict(parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=60))
    except ValueError:
        return None


async def _enter(request: Request) -> Response:
    site = _site(request)
    if not site.access.codes:
        return RedirectResponse("/", status_code=303)
    if request.method == "GET":
        return HTMLResponse(render_enter(""))
    form = await _form(request)
    role = site.access.enter((form or {}).get("code", ""))
    if role is None:
        return HTMLResponse(render_enter("That is not a code. After ten wrong ones, wait a minute."), status_code=403)
    answer = RedirectResponse("/", status_code=303)
    answer.set_cookie(COOKIE, site.access.cookie_for(role), httponly=True, samesite="strict", max_age=30 * 86400)
    return answer


async def _write(request: Request) -> Response:
    site = _site(request)
    role = request.scope["state"]["role"]
    writer = WRITERS.get(request.path_params["what"])
    if role != "crew":
        return Response("Only the crew may write; enter the code of the crew.\n", status_code=403)
    form = await _form(request)
    if writer is None or form is None or form.pop("token", "") != site.access.token(role):
        return Response("This form is not known or has grown old; open the page again.\n", status_code=400)
    try:
        where = await run_in_threadpool(writer, site.folder, form, site.wall_ns())
    except (RefusedError, ReeftallyError) as error:
        page = Page(
            "Not written",
            [Notice("serious", "Nothing was written.", [str(error)], "Go back and mend the entry.")],
            status=422,
        )
        text = await run_in_threadpool(render_page, site, site.look(), page, None, Query(crew=True))
        return HTMLResponse(text, status_code=422)
    site.broadcast.tell("log", {})
    return RedirectResponse(where, status_code=303)
