"""What one more dive is worth: the interval of a target before and after each task, and the rules of the trade.

Here:     swap sensors, clean a sensor, take more bottles, visit more of one class: predicted half-width of each.
Not here: the design before the mission (`reeftally.planning`), the page (`morning`).
Rules:    a prediction is first order, from the shares of variance that the estimate itself states; a task that
          narrows nothing is worth nothing. Where no target is unmet, the rules of the trade decide and it is said.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from reeftally.analysis.estimates import Estimate
from reeftally.analysis.finding import Finding
from reeftally.analysis.grid import NS
from reeftally.analysis.targets import TargetResult
from reeftally.exchange import replicates_needed
from reeftally.exchange.scaling import CommunityScale
from reeftally.mission import Book
from reeftally.quality.fitness import flux_cost

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = [
    "REPLICATES",
    "Replicates",
    "Task",
    "budget_shares",
    "candidates",
    "half_after_bottles",
    "half_after_swap",
    "half_after_visits",
    "replicates",
    "swaps_made",
]

DAY_NS = 86_400 * NS
TO_95 = 1.96
# Rules of the trade (common practice, no source): act on an offset that makes a fifth of the flux, clean at a third of
# the target, one anchor a sensor and day, three visits an organism.
OFFSET_SHARE = 0.20
CLEAN_SHARE = 1.0 / 3.0
ANCHORS_A_DAY = 1.0
REPLICATES = 3
# Without a target a mean jet of an organism good to this is worth going back for (common practice, no source). [1]
VISIT_PH_HALF_WIDTH = 0.004
VISITS_A_DIVE = 8
BOTTLES_A_DIVE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One thing a dive can do."""

    kind: str
    """``swap``, ``clean``, ``bottles`` or ``visits``."""
    text: str
    why: str
    quantity: str = ""
    period: str = ""
    unit: str = ""
    now: float | None = None
    """Half-width of the 95 % interval as it stands. [unit]"""
    then: float | None = None
    """The same, predicted after the task. [unit]"""
    wanted: float | None = None
    pressing: float = 0.0
    """Number of the rule of the trade over its threshold; 1 and more says act."""
    subject: str = ""
    page: str = "log"

    @property
    def worth(self) -> float:
        """Narrowing relative to what is wanted; 0 where there is no unmet target. [1]."""
        if self.now is None or self.then is None or self.wanted is None or self.now <= self.wanted:
            return 0.0
        return max(self.now - self.then, 0.0) / self.wanted


@dataclass(frozen=True, slots=True, kw_only=True)
class Replicates:
    """Visits of one organism: made, what they say, and how many more a target needs."""

    organism: str
    form: str
    quantity: str
    unit: str
    n: int
    mean: float | None
    lower: float | None
    upper: float | None
    sd: float | None
    wanted: float
    from_book: bool
    """Whether the wanted half-width is a target of the book."""
    needed: int
    more: int


def budget_shares(budget: str) -> dict[str, float]:
    """Return the shares of variance from the words of an estimate (``term share; term share``)."""
    out: dict[str, float] = {}
    for part in budget.split(";"):
        name, _, share = part.strip().rpartition(" ")
        try:
            out[name] = float(share)
        except ValueError:
            continue
    return out


def half_after_swap(*, half: float, offset_share: float, swaps: int, random_sd: float = 0.0) -> float:
    """Return the half-width after one more exchange of the lowest and the highest sensor.

    Each exchange measures the offset between two sensors anew: after n of them its variance falls as n/(n + 1). The
    first one replaces what the side by side left by what the record itself tells, but not below a tenth of it (held
    against the simulated missions of `reeftally.planning`, see docs/morning.md).
    """
    share = min(max(offset_share, 0.0), 1.0)
    variance = (half / TO_95) ** 2
    held = share * variance
    left = held * swaps / (swaps + 1.0) if swaps > 0 else min(held, max(random_sd**2, 0.01 * held))
    return TO_95 * math.sqrt(max(variance - held + left, 0.0))


def half_after_bottles(*, half: float, alkalinity_share: float) -> float:
    """Return the half-width once bottles by night and by day halve what is not known of the alkalinity flux."""
    return half * math.sqrt(1.0 - 0.75 * min(max(alkalinity_share, 0.0), 1.0))


def half_after_visits(*, half: float, class_share: float, n: int, more: int) -> float:
    """Return the half-width of a sum over classes after more individuals of the one that dominates it.

    Parameters
    ----------
    half : float
        Now.
    class_share : float
        Share of the variance of the sum that the scatter between individuals of the class makes. [1]
    n, more : int
        Individuals measured and to be added.
    """
    share = min(max(class_share, 0.0), 1.0)
    return half * math.sqrt(1.0 - share * more / max(n + more, 1))


def swaps_made(book: Book) -> int:
    """Return how often two sensors of the bed exchanged their heights."""
    beds = {row.name for row in book.stations_of_role("bed")}
    places = [d for d in book.deployments if d.station in beds]
    moments: set[int] = set()
    for label in {d.instrument for d in places}:
        own = sorted((d for d in places if d.instrument == label), key=lambda d: d.start_ns)
        for before, after in pairwise(own):
            if abs(before.height_above_bed_m - after.height_above_bed_m) > 0.02:
                moments.add(round(after.start_ns / (3600 * NS)))
    return len(moments)


def replicates(chain: Chain) -> list[Replicates]:
    """Return what is left to visit: number, mean, interval and visits needed for every organism of the slate."""
    book = chain.context.book
    target = next((t for t in book.targets if t.quantity == "visit_ph_difference"), None)
    wanted = target.half_width_95 if target is not None else VISIT_PH_HALF_WIDTH
    groups: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for row in chain.visits:
        if row.visit.blank:
            continue
        key = (row.visit.organism, row.visit.form)
        found = groups[key]
        value = row.differences.get("ph_total")
        if value is not None and np.isfinite(value[0]):
            found.append((value[0], value[2]))
    between = _between_visits([[v for v, _ in rows] for rows in groups.values()])
    out = []
    for (organism, form), rows in sorted(groups.items()):
        values = np.array([v for v, _ in rows])
        n = values.size
        mean = float(values.mean()) if n else None
        half = None
        if between is not None and n:
            common = float(np.mean([s for _, s in rows]))
            half = TO_95 * math.hypot(between / math.sqrt(n), common)
        needed = REPLICATES
        if between is not None and between > 0.0:
            needed = max(REPLICATES, int(replicates_needed(sd=between, half_width=wanted, done=n)["needed"]))
        out.append(
            Replicates(
                organism=organism, form=form, quantity="ph_total", unit="", n=n, mean=mean,
                lower=None if mean is None or half is None else mean - half,
                upper=None if mean is None or half is None else mean + half,
                sd=between, wanted=wanted, from_book=target is not None, needed=needed, more=max(needed - n, 0),
            )
        )  # fmt: skip
    return out


def _between_visits(groups: Sequence[Sequence[float]]) -> float | None:
    """Return the standard deviation between visits of one organism, pooled over organisms."""
    squares, freedom = 0.0, 0
    for values in groups:
        if len(values) > 1:
            squares += float(np.var(values, ddof=1)) * (len(values) - 1)
            freedom += len(values) - 1
    return math.sqrt(squares / freedom) if freedom >= 3 else None


def candidates(chain: Chain, *, results: Sequence[TargetResult], findings: Sequence[Finding], at_ns: int) -> list[Task]:
    """Return the tasks that a dive could do now, the most useful first.

    Parameters
    ----------
    chain : Chain
    results : sequence of TargetResult
        All of them.
    findings : sequence of Finding
        For growth that cleanings took away.
    at_ns : int
        Now. [ns]

    Returns
    -------
    list of Task
        By what they narrow of an unmet target; then by how far a rule of the trade says act.
    """
    rows = chain.estimates.rows
    decide = {(r.quantity, r.period): r for r in results if r.decides and r.reached is not None}
    tasks = [*_swap(chain, rows, decide), *_clean(chain, findings, decide, at_ns)]
    tasks += [*_bottles(chain, rows, decide, at_ns), *_visits(chain, decide)]
    return sorted(tasks, key=lambda t: (-t.worth, -t.pressing, t.kind))


def _mast(chain: Chain, quantity: str) -> list[tuple[str, float]]:
    """Return the sensors of the gradient mast that stand last, with height, lowest first."""
    found = next((g for g in chain.gradients if g.quantity == quantity), None)
    if found is None:
        return []
    beds = {row.name for row in chain.context.book.stations_of_role("bed")}
    places = []
    for label in found.labels:
        own = [d for d in chain.context.book.deployments_of(label) if d.station in beds]
        if own:
            last = max(own, key=lambda d: d.start_ns)
            places.append((label, last.height_above_bed_m))
    return sorted(places, key=lambda item: item[1])


_METHODS = {"oxygen": ("oxygen_flux", "gradient"), "ph_total": ("dic_flux", "gradient_ph_alkalinity")}
_WORDS = {"oxygen": "O₂", "ph_total": "pH"}


def _swap(chain: Chain, rows: Sequence[Estimate], decide: dict[tuple[str, str], TargetResult]) -> list[Task]:
    out = []
    swaps = swaps_made(chain.context.book)
    for quantity, (flux, method) in _METHODS.items():
        mast = _mast(chain, quantity)
        nights = [
            r for r in rows
            if r.quantity == flux and r.method == method and r.period == "night" and r.value is not None
            and r.lower is not None and r.upper is not None
        ]  # fmt: skip
        if len(mast) < 2 or not nights:
            continue
        last = nights[-1]
        half = 0.5 * (float(last.upper or 0.0) - float(last.lower or 0.0))
        share = budget_shares(last.budget).get("offset", 0.0)
        then = half_after_swap(half=half, offset_share=share, swaps=swaps, random_sd=last.random_sd or 0.0)
        offset_half = math.sqrt(share) * half
        size = max(abs(float(last.value or 0.0)), 1e-9)
        target = decide.get((flux, "night"))
        low, high = mast[0], mast[-1]
        why = (
            f"the offset between them makes {100 * share:.0f} % of the variance of last night's gradient flux, "
            f"{100 * offset_half / size:.0f} % of the flux; predicted ± {half:.2g} to ± {then:.2g} {last.unit}"
        )
        out.append(
            Task(
                kind="swap",
                text=f"Swap the {_WORDS[quantity]} sensors {low[0]} and {high[0]} between {low[1]:.2f} and "
                f"{high[1]:.2f} m above the bed",
                why=why, quantity=flux, period="night", unit=last.unit,
                now=half if target is None or target.reached is None else target.reached,
                then=then if target is None or target.reached is None else min(then, target.reached),
                wanted=None if target is None else target.wanted,
                pressing=offset_half / size / OFFSET_SHARE, subject=low[0], page="flux",
            )
        )  # fmt: skip
    return out


def _clean(
    chain: Chain, findings: Sequence[Finding], decide: dict[tuple[str, str], TargetResult], at_ns: int
) -> list[Task]:
    """Growth predicted since the last cleaning, from what earlier cleanings of the same sensor took away."""
    book, out = chain.context.book, []
    for finding in findings:
        growth = finding.details.get("growth_per_day")
        quantity = finding.details.get("quantity")
        if growth is None or quantity not in _METHODS or finding.end_ns is None:
            continue
        cleaned = [
            row.time_ns for row in chain.context.tables.interventions
            if row.instrument == finding.subject and row.kind.lower().startswith("clean") and row.time_ns <= at_ns
        ]  # fmt: skip
        if book.deployment_at(finding.subject, at_ns) is None or not cleaned:
            continue
        days = (at_ns - max(cleaned)) / DAY_NS
        grown = abs(float(growth)) * days
        mast = _mast(chain, quantity)
        target = decide.get((_METHODS[quantity][0], "night"))
        if len(mast) < 2 or target is None:
            continue
        false = grown * _cost(chain, quantity, mast[0][1], mast[-1][1])
        unit = " µmol/kg" if quantity == "oxygen" else ""
        reached = target.reached or 0.0
        out.append(
            Task(
                kind="clean", text=f"Clean {finding.subject}, ten minutes of record before and after",
                why=f"{days:.1f} days since its last cleaning; at the growth seen before, {grown:.2g}{unit} by now, a "
                f"false flux of {false:.2g} mmol m-2 h-1",
                quantity=target.quantity, period=target.period, unit=target.unit, now=reached + false, then=reached,
                wanted=target.wanted, pressing=false / (CLEAN_SHARE * target.wanted), subject=finding.subject,
                page="sensor",
            )
        )  # fmt: skip
    return out


def _cost(chain: Chain, quantity: str, low: float, high: float) -> float:
    """Return the false flux of a unit of offset between two heights. [mmol m-2 h-1 per unit]."""
    down = chain.context.book.site.displacement_height_m
    speed = chain.currents.friction_velocity
    mean = float(np.nanmean(speed)) if np.isfinite(speed).any() else 0.01
    if not 0.0 < low - down < high - down:
        return 0.0
    return flux_cost(
        quantity=quantity, offset=1.0, friction_velocity=mean, lower_height=low - down, upper_height=high - down,
        density=chain.density,
    ).per_unit  # fmt: skip


def _bottles(
    chain: Chain, rows: Sequence[Estimate], decide: dict[tuple[str, str], TargetResult], at_ns: int
) -> list[Task]:
    book = chain.context.book
    standing = [
        row.label for row in book.instruments
        if row.kind in {"isfet_ph", "dye_ph"} and (place := book.deployment_at(row.label, at_ns)) is not None
        and book.station(place.station).role in {"bed", "ambient"}
    ]  # fmt: skip
    inside = {row.name for row in book.stations if row.role in {"bed", "ambient"}}
    day = [
        b for b in chain.context.tables.bottles
        if at_ns - DAY_NS <= b.time_ns < at_ns and b.station in inside and b.duplicate_of is None
    ]  # fmt: skip
    target = decide.get(("dic_flux", "night"))
    share, half, then, unit = 0.0, None, None, ""
    if target is not None and target.estimate is not None:
        row = rows[target.estimate]
        share, half, unit = budget_shares(row.budget).get("alkalinity flux", 0.0), target.reached, row.unit
        then = half_after_bottles(half=half or 0.0, alkalinity_share=share)
    if half is None and not standing:
        return []
    pressing = ANCHORS_A_DAY / max(len(day), 0.5) if standing else 0.0
    said = f"{len(day)} in the last 24 h at the mast for {len(standing)} pH sensors; the rule is one a sensor and day"
    if not standing:
        said = f"{len(day)} in the last 24 h at the mast"
    if half is not None and then is not None:
        said = (
            f"the alkalinity flux makes {100 * share:.0f} % of the variance of the DIC flux; predicted ± {half:.2g} to "
            f"± {then:.2g} {unit}; {said}"
        )
    return [
        Task(
            kind="bottles",
            text=f"Take {BOTTLES_A_DIVE} bottles for alkalinity and DIC at the mast, some before sunrise, and as many "
            "outside by night and by day",
            why=said, quantity="dic_flux", period="night", unit=unit, now=half, then=then,
            wanted=None if target is None else target.wanted,
            pressing=pressing if len(day) < len(standing) else 0.0, page="chemistry",
        )
    ]  # fmt: skip


def class_shares(scale: CommunityScale, counts: dict[str, int]) -> dict[str, float]:
    """Return the share of the variance of the community sum that the scatter of individuals of each class makes.

    The survey's part of a class (density) is taken off, as visits do not narrow it; the rest is random as far as the
    sum is.
    """
    whole = scale.random_sd**2 + scale.systematic_sd**2
    if not whole > 0.0:
        return {}
    random = scale.random_sd**2 / whole
    out = {}
    for k, name in enumerate(scale.names):
        variance = float((scale.upper[k] - scale.lower[k]) / (2.0 * TO_95)) ** 2
        relative = float(scale.density_sd[k] / scale.density[k]) if scale.density[k] > 0.0 else 0.0
        survey = (float(scale.areal[k]) * relative) ** 2
        if np.isfinite(variance) and counts.get(name, 0) > 0:
            out[name] = min(max(variance - survey, 0.0) * random / whole, 1.0)
    return out


def _visits(chain: Chain, decide: dict[tuple[str, str], TargetResult]) -> list[Task]:
    out = []
    left = replicates(chain)
    behind = [row for row in left if row.n < REPLICATES]
    form: str | None = None
    share, counts = 0.0, defaultdict[str, int](int)
    for row in left:
        counts[row.form] += 1
    scale = chain.community
    if scale is not None:
        shares = class_shares(scale, counts)
        if shares:
            form = max(shares, key=lambda name: (shares[name], name))
            share = shares[form]
    target = decide.get(("community_share", "mission")) or decide.get(("areal_oxygen_uptake", "mission"))
    share_row = next((r for r in chain.estimates.rows if r.quantity == "community_share" and r.lower is not None), None)
    half: float | None = None
    if share_row is not None:
        half = 0.5 * (float(share_row.upper or 0.0) - float(share_row.lower or 0.0))
    if target is not None:
        half = target.reached
    then = None if half is None else half_after_visits(
        half=half, class_share=share, n=counts[form or ""], more=VISITS_A_DIVE
    )  # fmt: skip
    if form is not None and half is not None and then is not None:
        unit = "" if target is None or target.unit == "1" else target.unit
        out.append(
            Task(
                kind="visits", text=f"Visit {VISITS_A_DIVE} more of the class {form}, others than before",
                why=f"differences between single {form} make {100 * share:.0f} % of the variance of the community sum, "
                f"the most of all classes; predicted ± {half:.2g} to ± {then:.2g} {unit}".rstrip(),
                quantity="community_share" if target is None else target.quantity, period="mission", unit=unit,
                now=half, then=then, wanted=None if target is None else target.wanted, pressing=share, page="organisms",
            )
        )  # fmt: skip
    if behind:
        names = ", ".join(f"{r.organism} ({r.n})" for r in behind[:6]) + (" …" if len(behind) > 6 else "")
        out.append(
            Task(
                kind="visits", text=f"Go back to the organisms with fewer than {REPLICATES} visits: {names}",
                why=f"{len(behind)} of {len(left)} organisms have fewer than {REPLICATES} visits (rule of the trade)",
                quantity="visit_ph_difference", period="instant",
                pressing=1.0 + len(behind) / max(len(left), 1), page="organisms",
            )
        )  # fmt: skip
    return out
