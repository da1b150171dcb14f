"""Years: the monthly record with its changes, trends, years still needed, step tests, the state of each year.

Here:     what a long record tells; for a mission of days, that it cannot tell a trend.
Not here: fits (`reeftally.ledger`), comparing two missions (`reeftally compare`).
Rules:    "not yet detectable" is said plainly; the ordinary fit stands beside the honest one and says why it is too
          narrow; no value from elsewhere is a limit.
"""

from __future__ import annotations

from reeftally.charts import method_name
from reeftally.telling import Facts, Number
from reeftally.telling.years_figures import changes_of, long_record, stations_of
from reeftally.telling.years_words import STATE, TRENDS, honest, name_of, said, way_of
from reeftally.web.blocks import Block, Cell, Heading, Notice, Page, Table, Text, Value, number_key, value_of
from reeftally.web.look import Look
from reeftally.web.pages import Query
from reeftally.web.pages._parts import cautions, figure, lacking

TITLE = "Years"
ORDER = 120


def page(look: Look, query: Query) -> Page:
    """Return what the years tell."""
    missing, facts = lacking(look), look.facts
    if missing is not None or facts is None:
        return Page(TITLE, [missing or look.no_results()])
    stations = stations_of(facts)
    trends = [n for q in TRENDS for n in facts.find(q, given=False)]
    if not stations and not trends:
        return Page(TITLE, _one_mission(facts))
    used = [n for n in trends if honest(n)]
    others = [n for n in trends if not honest(n)]
    blocks: list[Block] = [_trends("Trends", used)]
    blocks += [figure("years", long_record(facts, s)) for s in stations]
    blocks += _needed(facts)
    blocks += _steps(facts, stations)
    blocks += _state(facts)
    blocks += _noise(facts)
    if others:
        blocks.append(_trends("The same trends by other fits, to compare", others))
    return Page(TITLE, [*blocks, *cautions("account")], lead=_lead(trends))


def _one_mission(facts: Facts) -> list[Block]:
    start, end = facts.span
    days = (end - start) / 86_400e9
    return [
        Notice(
            "noted", "One mission cannot show a trend.",
            [
                f"This one lasts {days:.3g} days. A trend needs years of monthly means at one place, with bottles at "
                "every change of sensor: weather and season are larger than what a decade changes."
            ],
        ),
        Text(
            [
                "To compare this mission with an earlier one, write in the terminal: reeftally compare FIRST SECOND. "
                "It lists what differs in method before what differs in the water."
            ]
        ),
        Text(
            [
                "How long a record this place needs can be asked before it begins; reeftally rehearse DIR --years 12 "
                "makes an invented record to practise on."
            ],
            quiet=True,
        ),
    ]  # fmt: skip


def _lead(trends: list[Number]) -> list[Cell]:
    local = next((n for n in trends if n.quantity == "ph_trend_local" and n.given), None)
    whole = next((n for n in trends if n.quantity == "ph_trend" and n.given and n.method == "gls_ar1"), None)
    out: list[Cell] = []
    if whole is not None:
        out += [f"Trend of pH at {whole.subject}: ", value_of(whole, sign=True), f" ({said(whole)}). "]
    if local is not None:
        out += ["Local part: ", value_of(local, sign=True), f" ({said(local)})."]
    return out or ["No trend is given."]


def _trends(caption: str, trends: list[Number]) -> Table:
    rows: list[list[Cell]] = [
        [n.subject, name_of(n.quantity), way_of(n), value_of(n, sign=True), said(n) if n.given else "", n.reason]
        for n in trends
    ]
    return Table(caption, ["station", "what", "way", "value with 95 % interval", "so", "remark"], rows)


def _needed(facts: Facts) -> list[Block]:
    rows: list[list[Cell]] = []
    for quantity in dict.fromkeys(n.quantity for n in facts.numbers):
        if not quantity.startswith(("years_to_detect", "year_of_emergence", "ph_emergence", "years_still")):
            continue
        rows += [
            [n.subject, name_of(n.quantity), way_of(n), value_of(n), n.reason]
            for n in facts.find(quantity, given=False)
        ]
    if not rows:
        return []
    return [Table("Years until a trend can be told here", ["station", "what", "way", "years", "remark"], rows)]


def _steps(facts: Facts, stations: list[str]) -> list[Block]:
    blocks: list[Block] = []
    changes: list[list[Cell]] = [
        [s, f"{when:%d %b %Y}", older, newer] for s in stations for when, older, newer in changes_of(facts, s)
    ]
    tests: list[list[Cell]] = [
        [n.subject, name_of(n.quantity), method_name(n.method), facts.period_name(n), value_of(n, sign=True), n.reason]
        for n in facts.numbers
        if "step" in n.quantity or n.method.startswith("step")
    ]
    if changes:
        blocks.append(Table("Changes of sensor, from the book", ["station", "when", "from", "to"], changes))
    if tests:
        blocks.append(
            Table(
                "Was there a step at a change?",
                ["station", "what", "way", "when", "value with 95 % interval", "remark"],
                tests,
            )
        )
    return blocks


def _state(facts: Facts) -> list[Block]:
    seasons = [n for q in STATE for n in facts.find(q, period="season", given=False)]
    if not seasons:
        return []
    blocks: list[Block] = [Heading("Each year against the site's own history")]
    for station in dict.fromkeys(n.subject for n in seasons):
        own = [n for n in seasons if n.subject == station]
        names = [q for q in STATE if any(n.quantity == q for n in own)]
        rows: list[list[Cell]] = []
        for start in sorted({n.start for n in own}):
            found = {n.quantity: n for n in own if n.start == start}
            why = next((n.reason for n in found.values() if not n.given), "")
            rows.append([start[:4], *(value_of(found[q]) if q in found else "" for q in names), why])
        blocks.append(Table(station, ["year", *(name_of(q) for q in names), "remark"], rows))
    ranks = [n for n in facts.numbers if n.quantity.endswith("_rank")]
    if ranks:
        blocks.append(
            Table(
                "Place of the newest whole year among all whole years, 1 is the lowest",
                ["station", "what", "place with 95 % interval", "remark"],
                [
                    [
                        n.subject, name_of(n.quantity.removesuffix("_rank")),
                        Value(f"{n.value:g} ({n.lower:g} to {n.upper:g})", number_key(n)), n.reason,
                    ]
                    for n in ranks
                ],
            )
        )  # fmt: skip
    return blocks


def _noise(facts: Facts) -> list[Block]:
    rows: list[list[Cell]] = [
        [n.subject, name_of(n.quantity), value_of(n), n.reason]
        for q in ("ph_season_amplitude", "ph_noise_sd", "ph_noise_correlation")
        for n in facts.find(q, given=False)
    ]
    if not rows:
        return []
    return [Table("Season and weather", ["station", "what", "value with 95 % interval", "remark"], rows)]
