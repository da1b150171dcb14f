"""One sensor: its record with corrected blocks, flags, marks and anchors, its numbers, its fitness.

Here:     the list of instruments, and the page of one.
Not here: thinning and drawing (`traces`, `static/trace.js`).
Rules:    a window given in the address is the first one shown.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from reeftally._names import QUANTITIES
from reeftally.charts import pretty_unit, quantity_name
from reeftally.mission import Instrument
from reeftally.web.alive import pulses
from reeftally.web.blocks import Block, Cell, Field, Form, Link, Notice, Page, Pairs, Table, Trace, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.said import raised
from reeftally.web.times import lasting, parse_ns, when
from reeftally.web.traces import trace_config
from reeftally.web.writing import KINDS

TITLE = "One sensor"
ORDER = 30

NS = 1_000_000_000
DAY_NS = 86_400 * NS


def page(look: Look, query: Query) -> Page:
    """Return the page of an instrument, or the list of all."""
    if look.book is None:
        return Page(TITLE, [look.no_book()])
    labels = {row.label: row for row in look.book.instruments}
    if not query.subject:
        return _list(look)
    if query.subject not in labels:
        return Page(
            "No such instrument",
            [Notice("missing", "The book knows no instrument of this name.", [f"It knows {', '.join(labels)}."])],
            status=404,
        )
    return _one(look, query, labels[query.subject])


def _list(look: Look) -> Page:
    rows: list[list[Cell]] = []
    weights = []
    for p in pulses(look):
        offset = look.book.site.utc_offset_h if look.book else 0.0
        last = when(p.last_ns, offset) if p.last_ns is not None else "nothing yet"
        rows.append(
            [
                Link(p.instrument.label, f"/sensor/{quote(p.instrument.label)}"),
                p.instrument.kind.replace("_", " "),
                p.state,
                last,
                p.value,
            ]
        )
        weights.append("serious" if p.state == "silent" else "")
    return Page(
        "Sensors",
        [
            Table(
                "All instruments of the book",
                ["instrument", "kind", "state", "last sample", "last values"],
                rows,
                weights=weights,
            )
        ],
    )


def _window(look: Look, query: Query, row: Instrument) -> tuple[int, int]:
    """Return the first window: the one asked for with a margin, else the last day of a fast record, else all."""
    info = look.streams[row.label]
    start, end = (parse_ns(query.values.get(k, "")) for k in ("start", "end"))
    if start is not None:
        end = end if end is not None and end > start else start + 3600 * NS
        margin = (end - start) // 2
        return start - margin, end + margin
    if row.sample_interval_s < 2.0:
        return info.last_ns - DAY_NS, info.last_ns
    margin = (info.last_ns - info.first_ns) // 100
    return info.first_ns - margin, info.last_ns + margin


def _one(look: Look, query: Query, row: Instrument) -> Page:
    label = row.label
    blocks: list[Block] = []
    pulse = next(p for p in pulses(look) if p.instrument.label == label)
    offset = look.book.site.utc_offset_h if look.book else 0.0
    if label not in look.streams:
        blocks.append(
            Notice(
                "missing", "Nothing of this instrument has been taken in.",
                [f"Its files are laid out as in layouts/{row.layout}.toml."], f"Drop them into {look.folder / 'inbox'}",
            )
        )  # fmt: skip
    else:
        if pulse.state == "silent" and pulse.last_ns is not None:
            blocks.append(
                Notice(
                    "serious", f"Silent since {when(pulse.last_ns, offset)}.",
                    [f"That is {lasting(pulse.behind_s)} before the newest data of the others."],
                    "Look at its power, its cable and its storage.",
                )
            )  # fmt: skip
        start, end = _window(look, query, row)
        caption = (
            "Coloured: samples in true time as a run reads them, every pixel column from lowest to highest value. "
            "Black with grey: corrected block means with their 95 % interval. Squares: bottles. Grey columns: night. "
            "Below: flags (tall failed, low doubtful) and what was done (triangles). Gaps are gaps."
        )
        blocks.append(
            Trace(label, f"{label}: the record", trace_config(look, label, start_ns=start, end_ns=end), caption)
        )
    blocks += _findings(look, label)
    blocks += _numbers(look, label)
    blocks += _flags(look, label)
    blocks += _fitness(look, label)
    blocks.append(_facts(look, row))
    blocks.append(
        Form(
            "intervention", f"Done to {label} just now",
            [
                Field("instrument", "", label, hidden=True), Field("note", "Note (may stay empty)"),
                Field("by", "Your role", "divers"),
            ],
            "", KINDS, "Stamped with this computer's UTC time; can be taken back in the log.",
        )
    )  # fmt: skip
    return Page(label, blocks, lead=_lead(pulse.instrument, pulse.place, offset, look, pulse.value))


def _lead(row: Instrument, place: object, offset: float, look: Look, value: str) -> list[Cell]:
    from reeftally.mission import Deployment

    parts: list[Cell] = [row.kind.replace("_", " ").capitalize()]
    if isinstance(place, Deployment):
        parts.append(f" at {place.station}, {place.height_above_bed_m:g} m above the bed")
    parts.append(f". Last: {value}." if value else ".")
    return parts


def _fitness(look: Look, label: str) -> list[Block]:
    """Return the grades of the newest day that the run graded, and of the days before where they differ."""
    rows = [r for r in look.rows("fitness.csv") if r.get("sensor") == label]
    days = sorted({r.get("day", "") for r in rows})
    out: list[list[Cell]] = []
    for r in rows:
        if r.get("day") != days[-1]:
            continue
        before = [
            o.get("grade", "")
            for o in rows
            if (o.get("quantity"), o.get("purpose")) == (r.get("quantity"), r.get("purpose"))
        ]
        changed = "" if len(set(before)) < 2 else ", ".join(f"{d[5:]} {g}" for d, g in zip(days, before, strict=False))
        why = "; ".join(filter(None, [r.get("reasons", ""), r.get("sentence", "")]))
        out.append(
            [quantity_name(r.get("quantity", "")), r.get("purpose", ""), r.get("grade", ""), raised(why), changed]
        )
    if not out:
        return []
    columns = ["quantity", "purpose", "grade", "why, and what would mend it", "by day, where it changed"]
    return [Table(f"Fit for what, on {days[-1]}", columns, out)]


def _findings(look: Look, label: str) -> list[Block]:
    document = look.document("findings.json")
    rows: list[list[Cell]] = []
    weights = []
    words = {3: "serious", 2: "doubtful", 1: "noted"}
    for f in (document or {}).get("findings", []):
        if not isinstance(f, dict) or f.get("subject") != label:
            continue
        weight = str(
            f.get("severity") if isinstance(f.get("severity"), str) else words.get(f.get("severity", 1), "noted")
        )
        rows.append(
            [
                "accepted" if f.get("accepted") else weight,
                raised(f.get("what", "")),
                raised(f.get("evidence", "")),
                _causes(f),
                raised(f.get("proposal", "")),
                str(f.get("id", "")),
            ]
        )
        weights.append("" if f.get("accepted") else weight)
    return (
        [Table("Findings", ["state", "what", "evidence", "likely causes", "proposal", "id"], rows, weights=weights)]
        if rows
        else []
    )


def _causes(finding: dict[str, Any]) -> str:
    """Return the likely causes in order, and the test that would separate the first two."""
    causes = [str(c) for c in finding.get("causes") or []]
    test = str(finding.get("test") or "")
    return "; ".join([*causes[:3], *([f"to tell: {test}"] if test else [])])


def _numbers(look: Look, label: str) -> list[Block]:
    facts = look.facts
    if facts is None:
        return [look.no_results()]
    wanted = ("sensor_offset", "sensor_drift", "clock_offset")
    rows: list[list[Cell]] = []
    clocks = 0
    for n in facts.numbers:
        if n.subject != label or n.quantity not in wanted:
            continue
        if n.quantity == "clock_offset":
            clocks += 1
            if clocks > 6:
                continue
        what = quantity_name(n.quantity) + (f": {quantity_name(n.channel)}" if n.channel else "")
        rows.append([what, n.method.replace("_", " "), facts.period_name(n), value_of(n, sign=True)])
    if not rows:
        return []
    return [Table("What is known of its errors", ["what", "method", "when", "value with 95 % interval"], rows)]


def _flags(look: Look, label: str) -> list[Block]:
    facts = look.facts
    record = (facts.results.trail.get("records", {}) if facts is not None else {}).get(label)
    if not isinstance(record, dict):
        return []
    rows: list[list[Cell]] = []
    for channel, counts in record.get("flags", {}).items():
        if "_bin_" in channel:
            continue
        total = sum(int(v) for v in counts.values()) or 1
        rows.append(
            [
                quantity_name(channel),
                *(
                    f"{100 * int(counts.get(str(k), 0)) / total:.2f} % ({int(counts.get(str(k), 0))})"
                    for k in (1, 3, 4)
                ),
                ", ".join(
                    f"{k.replace('_', ' ')} {v:.4g}" for k, v in record.get("limits", {}).get(channel, {}).items()
                ),
            ]
        )
    blocks: list[Block] = [
        Table("Samples by flag", ["channel", "good (1)", "doubtful (3)", "failed (4)", "limits used"], rows)
    ]
    blocks += [
        Notice("serious", f"{quantity_name(q)} is withheld.", [str(why)])
        for q, why in record.get("withheld", {}).items()
    ]
    return blocks


def _facts(look: Look, row: Instrument) -> Pairs:
    book = look.book
    assert book is not None
    rows: list[tuple[str, Cell]] = [
        ("serial", row.serial),
        ("layout of its files", row.layout),
        ("sample every", f"{row.sample_interval_s:g} s"),
    ]
    if row.response_time_s is not None:
        rows.append(("responds in (63 %)", f"{row.response_time_s:g} s"))
    for term in row.terms:
        unit = pretty_unit(QUANTITIES[term.quantity].unit) if term.quantity in QUANTITIES else ""
        rows.append(
            (
                f"{quantity_name(term.quantity)}: before any side by side",
                f"noise {term.noise_sd:g}, offset {term.offset_sd:g} {unit} (one standard uncertainty)",
            )
        )
    offset = book.site.utc_offset_h
    for place in book.deployments_of(row.label):
        height = f"{place.height_above_bed_m:g} ± {place.height_sd_m:g} m above the bed"
        words = f"{when(place.start_ns, offset)} to {when(place.end_ns, offset)}, {height}"
        rows.append((f"at {place.station}", words))
    for c in (c for c in book.calibrations if c.instrument == row.label):
        other = "" if c.serial == row.serial else " (another serial number)"
        words = f"{c.date.day} {c.date:%b %Y}{other}; {c.source or 'no source stated'}"
        rows.append((f"certificate, {quantity_name(c.quantity)}", words))
    return Pairs("From the mission book", rows)
