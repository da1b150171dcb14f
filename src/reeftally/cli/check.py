"""The command `check`: what is wrong or doubtful, decisions about it, flags by hand, the first hour.

Here:     options, their checks, and how findings and verdicts are printed.
Not here: what is looked for (`reeftally.analysis`).
Rules:    most serious first; exit status 1 only where something must be decided.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import click

from reeftally.cli._output import Outcome, command_result

__all__ = ["check", "finding_lines"]

FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)
WORDS = {3: "SERIOUS", 2: "DOUBTFUL", 1: "noted"}


class _Moment(click.ParamType):  # type: ignore[type-arg]
    """A time with zone, as 2031-03-28T07:00Z."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dt.datetime:
        """Return the time in UTC."""
        if isinstance(value, dt.datetime):
            return value
        try:
            found = dt.datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f"found {value!r}; expected a time such as 2031-03-28T07:00Z.", param, ctx)
        if found.tzinfo is None:
            self.fail(f"found {value!r} without a zone; add Z for UTC or +05:00.", param, ctx)
        return found.astimezone(dt.UTC)


def _now() -> dt.datetime:
    return dt.datetime.now(tz=dt.UTC)


@click.command()
@click.argument("folder", type=FOLDER)
@click.option("--accept", "accept_ids", multiple=True, help="Accept a finding by id, or `all`; may be repeated.")
@click.option("--undo", "undo_id", help="Take back an accepted finding or a flag by its id.")
@click.option(
    "--flag",
    "flags",
    nargs=3,
    type=(str, _Moment(), _Moment()),
    multiple=True,
    metavar="INSTRUMENT[:CHANNEL] START END",
    help="Flag a stretch by hand; needs --as, --by and --why.",
)
@click.option("--as", "flag_as", type=click.Choice(["3", "4"]), help="Flag by hand as 3 (suspect) or 4 (fail).")
@click.option("--by", help="Role of who decides, for example chemist. Required with --accept, --undo and --flag.")
@click.option("--why", default="", help="Reason, for the log. Required with --flag.")
@click.option("--first-hour", is_flag=True, help="Grade every stream by its first hour in place, for the divers.")
@command_result
def check(
    folder: Path,
    accept_ids: tuple[str, ...],
    undo_id: str | None,
    flags: tuple[tuple[str, dt.datetime, dt.datetime], ...],
    flag_as: str | None,
    by: str | None,
    why: str,
    first_hour: bool,
) -> Outcome:
    """Show everything wrong or doubtful in book and data, most serious first.

    Each finding has an id, its evidence, the likeliest causes, the one test that would separate the first two, and a
    proposed correction. Accepting writes to the log; nothing is changed unseen, nothing is deleted, and every
    decision can be taken back. Automatic flags of the review go to the store beside those that are there.

    \b
    Example:
        reeftally check lagoon-2031
        reeftally check lagoon-2031 --accept clock-CTD-1-2 --by electronics
        reeftally check lagoon-2031 --flag OXY-2:oxygen_molar 2031-03-28T07:00Z 2031-03-28T07:20Z --as 4 \\
            --by divers --why "a fish in the cage"
        reeftally check lagoon-2031 --first-hour
    """
    if (accept_ids or undo_id or flags) and not by:
        message = "--accept, --undo and --flag need --by ROLE, so that the log says who decided."
        raise click.UsageError(message)
    if flags and (flag_as is None or not why):
        message = "--flag needs --as 3 or 4 and --why TEXT."
        raise click.UsageError(message)
    if first_hour:
        if accept_ids or undo_id or flags:
            message = "--first-hour stands alone."
            raise click.UsageError(message)
        return _first_hour(folder)
    from reeftally.analysis.findings import accept, look, undo
    from reeftally.analysis.manual_flags import add_flag

    said: list[str] = []
    for what, start, end in flags:
        entry = add_flag(
            folder, what=what, start=start, end=end, flag=int(flag_as or 4), by=by or "", why=why, now=_now()
        )
        said.append(f"Flagged {what} as {flag_as}: {entry.id} (--undo {entry.id} takes it back)")
    if undo_id and by:
        undo(folder, finding=undo_id, by=by, now=_now(), why=why)
        said.append(f"Taken back: {undo_id}")
    if accept_ids and by:
        done = accept(folder, ids=list(accept_ids), by=by, now=_now(), why=why)
        said += [f"Accepted {finding.id}: {finding.proposal}" for finding in done]
    seen = look(folder, save=True)
    findings = seen.findings
    lines = [*said, *([seen.note] if seen.note else []), *finding_lines(findings)]
    waiting = [f for f in findings if f.open]
    return Outcome(
        data={
            "findings": [f.as_dict() for f in findings],
            "open": len(waiting),
            "flags": [
                {"instrument": r.label, "channel": r.channel, "samples": r.samples, "days": r.days}
                for r in seen.reviews
            ],
        },
        lines=lines,
        attention=bool(waiting),
    )


def finding_lines(findings: list[Any]) -> list[str]:
    """Return findings as lines for people."""
    if not findings:
        return ["Nothing wrong or doubtful was found."]
    lines = []
    for finding in findings:
        mark = "accepted" if finding.accepted else WORDS[finding.severity]
        lines += [
            f"{mark:<9} {finding.id}",
            f"          {finding.what}",
            f"          evidence: {finding.evidence}",
        ]
        if finding.causes:
            lines.append(f"          likely:   {', then '.join(cause.name for cause in finding.causes)}")
        if finding.test and finding.open:
            lines.append(f"          to tell:  {finding.test}")
        lines.append(f"          proposal: {finding.proposal}")
    waiting = sum(f.open for f in findings)
    lines.append(f"{len(findings)} findings, {waiting} need a decision.")
    return lines


def _first_hour(folder: Path) -> Outcome:
    from reeftally.analysis.first_look import first_look

    found = first_look(folder)
    lines = []
    for verdict in found.streams:
        if verdict.light == "green":
            continue
        lines.append(f"{verdict.light.upper():<6} {verdict.stream}")
        lines += [f"         {reason}" for reason in dict.fromkeys(verdict.reasons)]
    green = [v.stream for v in found.streams if v.light == "green"]
    if green:
        lines.append(f"GREEN  {', '.join(green)}")
    skipped = [*found.not_looked_at]
    # That no noise is stated is nothing a diver can mend.
    skipped += [
        f"{v.stream}: {what}" for v in found.streams for what in v.not_looked_at if not what.startswith("noise")
    ]
    lines += ["Not looked at:", *(f"         {what}" for what in skipped)] if skipped else []
    counts = {light: sum(v.light == light for v in found.streams) for light in ("red", "amber", "green")}
    lines.append(
        f"{len(found.streams)} streams: {counts['red']} red (stop), {counts['amber']} amber (ask), "
        f"{counts['green']} green (go). More data is never a reason for one more dive."
    )
    return Outcome(data=found.as_dict(), lines=lines, attention=bool(counts["red"]))
