"""The commands of `reeftally`.

Here:     one function a command, with its help and an example.
Not here: what they do.
Rules:    a test fails any command without help and example.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from pathlib import Path

import click

from reeftally.cli._output import Outcome, command_result, say, steps
from reeftally.cli.check import check, finding_lines

__all__ = ["commands"]

FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


def _now() -> dt.datetime:
    return dt.datetime.now(tz=dt.UTC)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="reeftally")
def commands() -> None:
    """Say who changed the reef's carbon, how much, and how sure we are.

    A mission is a folder: its book (mission.toml), raw files, tables, and what was made of them. Messages are for
    people on stderr; every command takes --json for one machine-readable result on stdout. Exit status 0 means done,
    1 that the data or the book need attention, 2 wrong usage.
    """


@commands.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", help="Short name of the mission; default the folder's name.")
@command_result
def new(folder: Path, name: str | None) -> Outcome:
    """Start a mission folder with a commented mission book.

    \b
    Example:
        reeftally new lagoon-2031
    """
    from reeftally.mission import new_mission

    book = new_mission(folder, name=name)
    return Outcome(
        data={"folder": str(folder), "book": str(book)},
        lines=[
            f"Made {folder}.",
            f"Next: edit {book} and the layouts, drop raw files into {folder / 'inbox'},",
            f"then run: reeftally intake {folder}",
        ],
    )


def _intake(folder: Path, files: tuple[Path, ...], *, rebuild: bool, quiet: bool) -> Outcome:
    from reeftally.intake import rebuild as rebuild_store
    from reeftally.intake import take_in

    with steps(quiet=quiet) as bar:
        started = _now()

        def progress(done: float, total: float, rows: float) -> None:
            seconds = max((_now() - started).total_seconds(), 1e-3)
            bar("Intake", done, total, f"{rows:,.0f} rows, {rows / seconds:,.0f} rows/s")

        now_ns = int(started.timestamp() * 1e9)
        if rebuild:
            report = rebuild_store(folder, progress=progress, now_ns=now_ns)
        else:
            report = take_in(folder, list(files) or None, progress=progress, now_ns=now_ns)
    counts = {s: report.count(s) for s in ("loaded", "partly", "repeated", "empty", "unknown", "refused", "damaged")}
    lines = [
        f"{report.rows_new:,} rows new, {report.rows_repeated:,} repeated, {report.rows_rejected:,} rejected; "
        + ", ".join(f"{n} files {s}" for s, n in counts.items() if n)
    ]
    for item in report.files:
        lines += [f"  {message}" for message in item.messages]
    lines += [f"  {message}" for message in [*report.messages, *report.notes]]
    data = report.as_dict() | {"counts": counts}
    return Outcome(data=data, lines=lines, attention=report.needs_attention)


@commands.command()
@click.argument("folder", type=FOLDER)
@click.argument("files", nargs=-1, type=click.Path(exists=True, path_type=Path))
@click.option("--rebuild", is_flag=True, help="Make observations/ anew from raw/ and the layouts.")
@command_result
def intake(folder: Path, files: tuple[Path, ...], rebuild: bool) -> Outcome:
    """Take FILES (default: the inbox) into the mission's store; safe to repeat.

    Bytes are copied to raw/ and synced before they are parsed. One bad file never stops the others; each thing that
    cannot be read gets one message that names file, line, field, what was found, what was expected, and how to mend.

    \b
    Example:
        reeftally intake lagoon-2031
    """
    return _intake(folder, files, rebuild=rebuild, quiet=False)


@commands.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@command_result
def layout(file: Path) -> Outcome:
    """Propose a layout for an unknown text FILE, to be edited.

    Units, zones, pH scales and the position of averaging stamps are never guessed: they stand as questions.

    \b
    Example:
        reeftally layout new-logger.txt > lagoon-2031/layouts/new-logger.toml
    """
    from reeftally.intake import propose_layout

    text = propose_layout(file)
    context = click.get_current_context()
    if not context.params.get("as_json"):
        click.echo(text)
    return Outcome(data={"layout": text}, lines=["Edit what is marked with a question before the layout is used."])


commands.add_command(check)


def _analyse(
    folder: Path, *, workers: str | None, everything: bool, quiet: bool, constants: tuple[str, ...] = ()
) -> Outcome:
    from reeftally.analysis.reprocess import parse_constants
    from reeftally.analysis.run import analyse as run_analysis

    chosen = parse_constants(constants)
    with steps(quiet=quiet) as bar:
        run, chain = run_analysis(folder, workers=workers, everything=everything, constants=chosen, progress=bar)
    refused = [row for row in chain.estimates.rows if row.value is None]
    lines = [f"{len(chain.estimates.rows)} estimates in {run}, {len(refused)} of them refused with a reason."]
    changes = json.loads((run / "changes.json").read_text(encoding="utf-8"))
    lines += changes.pop("lines")
    if chosen:
        lines.append("The mission book keeps its own constants; `analyse` without --constants goes back to them.")
    data = {"run": str(run), "estimates": len(chain.estimates.rows), "refused": len(refused), "changes": changes}
    return Outcome(data=data, lines=lines)


@commands.command()
@click.argument("folder", type=FOLDER)
@click.option("--all", "everything", is_flag=True, help="Compute every block anew.")
@click.option("--workers", help="Number of local Dask workers, or the address of a scheduler (tcp://...).")
@click.option("--constants", multiple=True, help="Other constants for this run, as k1k2=SET; may be repeated.")
@command_result
def analyse(folder: Path, everything: bool, workers: str | None, constants: tuple[str, ...]) -> Outcome:
    """Run the chain on what is new and write results/.

    Blocks are computed once and remembered; an interrupted run goes on where it stopped. With --constants the run
    before stays readable, and a table of what changed (changes.csv) goes into the folder of the new one.

    \b
    Example:
        reeftally analyse lagoon-2031
        reeftally analyse lagoon-2031 --all --workers 2
        reeftally analyse lagoon-2031 --constants k1k2=millero2006 --constants boron=lee2010
    """
    return _analyse(folder, workers=workers, everything=everything, quiet=False, constants=constants)


def _report(folder: Path) -> Outcome:
    from reeftally.report import write_brief, write_dive_sheet, write_report, write_report_pdf

    page, brief, printed = write_report(folder), write_brief(folder), write_report_pdf(folder)
    sheet, sheet_page = write_dive_sheet(folder)
    return Outcome(
        data={
            "report": str(page), "brief": str(brief), "report_pdf": str(printed), "dive_sheet": str(sheet),
            "dive_sheet_page": str(sheet_page),
        },
        lines=[f"Report: {page}", f"        {printed}", f"Brief:  {brief}", f"Dive:   {sheet}"],
    )  # fmt: skip


def _against(folder: Path, other: Path) -> Outcome:
    from reeftally.analysis.compare import compare_folders
    from reeftally.analysis.results import latest_run

    found = compare_folders(other, folder)
    run = latest_run(folder)
    assert run is not None  # compare_folders has read it
    file, methods = run / "comparison.csv", run / "comparison_methods.csv"
    found.table.to_csv(file, index=False, lineterminator="\n")
    found.methods.to_csv(methods, index=False, lineterminator="\n")
    data = {
        "comparison": str(file),
        "methods": found.methods.to_dict("records"),
        "rows": found.table.astype(object).where(found.table.notna(), None).to_dict("records"),
        "notes": list(found.notes),
    }
    return Outcome(data=data, lines=[*found.lines(), f"Table: {file}"])


def _dive_sheet(folder: Path) -> Outcome:
    from reeftally.report import write_dive_sheet

    sheet, page = write_dive_sheet(folder)
    return Outcome(
        data={"dive_sheet": str(sheet), "dive_sheet_page": str(page)},
        lines=[f"Dive sheet: {sheet}", f"            {page}"],
    )


@commands.command()
@click.argument("folder", type=FOLDER)
@click.option("--dive-sheet", "only_sheet", is_flag=True, help="Only the sheet of the next dive (one A4 page).")
@click.option("--against", type=FOLDER, help="Compare with this earlier mission instead: difference, methods, verdict.")
@command_result
def report(folder: Path, only_sheet: bool, against: Path | None) -> Outcome:
    """Write report, brief and the sheet of the next dive from the latest results and the tables as they are now.

    report.html (one file, works offline) and report.pdf, brief.pdf (two pages), dive_sheet.pdf and dive_sheet.html
    (one A4 page). After a dive the slate goes into tables/; --dive-sheet then prints what is left.

    \b
    Example:
        reeftally report lagoon-2031
        reeftally report lagoon-2031 --dive-sheet
        reeftally report lagoon-2032 --against lagoon-2031
    """
    if against is not None:
        return _against(folder, against)
    return _dive_sheet(folder) if only_sheet else _report(folder)


def _rehearse(
    folder: Path, *, size: str, seed: int, scenario: str, faults: int, quiet: bool, draw: bool = False
) -> Outcome:
    from reeftally.rehearsal import rehearse as write_rehearsal

    with steps(quiet=quiet) as bar:

        def progress(label: str, share: float) -> None:
            bar(f"Writing {label}", share, 1.0)

        write_rehearsal(
            folder, size=size, seed=seed, scenario=scenario, plant_faults=faults, draw_truth=draw, progress=progress
        )
    files = sum(1 for _ in (folder / "inbox").iterdir())
    return Outcome(
        data={"folder": str(folder), "files": files, "seed": seed, "size": size},
        lines=[f"Wrote {files} raw files, the book, the tables and truth.json to {folder} (seed {seed})."],
    )


def _rehearse_years(folder: Path, *, years: int, seed: int) -> Outcome:
    from reeftally.rehearsal import rehearse_years

    rehearse_years(folder, years=years, seed=seed)
    files = sum(1 for _ in (folder / "inbox").iterdir())
    line = f"Wrote {files} raw files of {years} years, the book, the tables and truth.json to {folder} (seed {seed})."
    return Outcome(data={"folder": str(folder), "files": files, "seed": seed, "years": years}, lines=[line])


def _rehearse_book(folder: Path, *, seed: int) -> Outcome:
    from reeftally.rehearsal import rehearse_book

    with steps() as bar:
        rehearse_book(folder, seed=seed, progress=lambda label, share: bar(f"Writing {label}", share, 1.0))
    files = sum(1 for _ in (folder / "inbox").iterdir())
    return Outcome(
        data={"folder": str(folder), "files": files, "seed": seed},
        lines=[
            f"Wrote {files} raw files for the instruments of {folder / 'mission.toml'}, and truth.json (seed {seed})."
        ],
    )


@commands.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--size", type=click.Choice(["demo36", "full", "short"]), help="Which invented mission; default demo36.")
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same bytes.")
@click.option("--scenario", type=click.Choice(["A", "B"]), default="A", show_default=True, help="B: more calcifiers.")
@click.option("--faults", type=int, default=0, show_default=True, help="Plant this many further faults.")
@click.option("--draw", is_flag=True, help="Draw the truth from the priors that the mission book states.")
@click.option("--years", type=click.IntRange(min=3), help="A standing record of this many years instead.")
@click.option("--grade", "as_grade", is_flag=True, help="Compare the latest results with the truth instead.")
@command_result
def rehearse(
    folder: Path,
    size: str | None,
    seed: int,
    scenario: str,
    faults: int,
    draw: bool,
    years: int | None,
    as_grade: bool,
) -> Outcome:
    """Write the raw files of an invented mission with known truth; or grade the results against it.

    In a folder that holds a mission book, the instruments of that book are rehearsed over the invented water; in an
    empty one, the invented mission itself.

    \b
    Example:
        reeftally rehearse practice --size full --seed 3
        reeftally rehearse practice --grade
        reeftally rehearse standing --years 12
    """
    if years is not None and not as_grade:
        if size is not None or faults or draw or scenario != "A":
            message = "--years stands alone: it takes no --size, --scenario, --faults or --draw."
            raise click.UsageError(message)
        return _rehearse_years(folder, years=years, seed=seed)
    if not as_grade and size is None and (folder / "mission.toml").exists():
        return _rehearse_book(folder, seed=seed)
    if not as_grade:
        return _rehearse(
            folder, size=size or "demo36", seed=seed, scenario=scenario, faults=faults, quiet=False, draw=draw
        )
    from reeftally.analysis.grade import grade

    result = grade(folder)
    table = result.table
    lines = [
        f"{'quantity':<38} {'method':<24} {'subject':<12} {'period':<8} {'truth':>11} {'estimate':>11} "
        f"{'lower':>11} {'upper':>11}  inside"
    ]
    for row in table.to_dict("records"):
        head = f"{row['quantity']:<38} {row['method']:<24.24} {row['subject']:<12.12} {row['period']:<8}"
        if math.isnan(row["value"]):
            lines.append(f"{head} refused: {row['reason']}")
            continue
        numbers = " ".join(f"{row[name]:>11.5g}" for name in ("truth", "value", "lower", "upper"))
        lines.append(f"{head} {numbers}  {'yes' if row['inside'] else 'NO'}")
    lines.append(
        f"The truth lies within {result.inside} of {result.total} intervals of 95 % coverage "
        f"({100 * result.inside / max(result.total, 1):.1f} %); {len(table) - result.total} were refused; "
        f"{result.unmatched_estimates} estimates have no counterpart in the truth."
    )
    data = {
        "inside": result.inside,
        "total": result.total,
        "unmatched_truth": result.unmatched_truth,
        "unmatched_estimates": result.unmatched_estimates,
        "rows": table.to_dict("records"),
    }
    return Outcome(data=data, lines=lines)


@commands.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default="demo-mission")
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same bytes.")
@click.option("--size", type=click.Choice(["demo36", "full"]), default="demo36", show_default=True)
@command_result
def demo(folder: Path, seed: int, size: str) -> Outcome:
    """Rehearse an invented mission, take it in, accept what a careful crew would, analyse, report.

    \b
    Example:
        reeftally demo
    """
    from reeftally.analysis.findings import accept, find
    from reeftally.errors import ReeftallyError
    from reeftally.mission import read_book

    quiet = bool(click.get_current_context().params.get("as_json"))
    if folder.exists() and any(folder.iterdir()):
        message = f"{folder} is not empty; the demo makes a new mission. Name another folder, or remove this one."
        raise ReeftallyError(message)
    folder.mkdir(parents=True, exist_ok=True)
    say("1/5 An invented reef writes its raw files.")
    say(*_rehearse(folder, size=size, seed=seed, scenario="A", faults=0, quiet=quiet).lines)
    say("2/5 The files are taken in.")
    taken = _intake(folder, (), rebuild=False, quiet=quiet)
    say(*taken.lines)
    say("3/5 What looks wrong, and what a careful crew accepts:")
    before = find(folder)
    say(*finding_lines(before))
    # The decision is dated by the mission, not by the clock of this machine, so that the demo is the same every day.
    decided = read_book(folder).mission.end
    done = accept(folder, ids=["all"], by="crew of the demo", now=decided)
    say(*[f"Accepted {f.id}: {f.proposal}" for f in done])
    say("4/5 The chain runs.")
    result = _analyse(folder, workers=None, everything=False, quiet=quiet)
    say(*result.lines)
    say("5/5 Report and brief are written.")
    written = _report(folder)
    data = {
        "folder": str(folder),
        "accepted": [f.id for f in done],
        **result.data,
        **written.data,
    }
    return Outcome(data=data, lines=[*written.lines, f"Compare with the truth: reeftally rehearse {folder} --grade"])


# Commands with a file of their own; at the end, since they need the group above.
from reeftally.cli import archive as _archive  # noqa: E402, F401
from reeftally.cli import plan as _plan  # noqa: E402, F401
