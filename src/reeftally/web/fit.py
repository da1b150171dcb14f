"""How fit one sensor is for each purpose on the newest day, from what the newest run knows of it.

Here:     handing book, offsets and currents of the run to the grading.
Not here: the grading (`reeftally.quality.fitness`).
Rules:    what the run does not know stays unknown; then no grade is given for that purpose.
"""

from __future__ import annotations

from reeftally.charts import quantity_name
from reeftally.mission import Instrument
from reeftally.quality.fitness import SensorDay, flux_cost, grade_day
from reeftally.telling import Facts
from reeftally.web.blocks import Cell
from reeftally.web.look import Look

__all__ = ["fitness_rows"]

GRADED = {"oxygen", "ph_total", "temperature", "salinity", "fco2"}
NS = 1_000_000_000


def fitness_rows(look: Look, row: Instrument) -> list[list[Cell]]:
    """Return rows of quantity, purpose, grade and reasons; empty where the run says nothing of the sensor."""
    facts = look.facts
    if facts is None or look.book is None:
        return []
    out: list[list[Cell]] = []
    for term in row.terms:
        if term.quantity not in GRADED:
            continue
        day = _day(look, facts, row, term.quantity, term.noise_sd)
        if day is None:
            continue
        out += [
            [quantity_name(term.quantity), grade.purpose, grade.grade, "; ".join(grade.reasons)]
            for grade in grade_day(day)
            if grade.grade != "not for this"
        ]
    return out


def _day(look: Look, facts: Facts, row: Instrument, quantity: str, noise: float) -> SensorDay | None:
    book = look.book
    assert book is not None
    offsets = [n for n in facts.find("sensor_offset", subject=row.label) if n.channel == quantity]
    newest = look.standing_ns()
    if not offsets or newest is None:
        return None
    record = facts.results.trail.get("records", {}).get(row.label, {}).get("flags", {})
    counts = record.get(quantity) or record.get(f"{quantity}_molar") or {}
    total = sum(int(v) for v in counts.values())
    roles = {book.station(d.station).role for d in book.deployments_of(row.label)}
    place = book.deployment_at(row.label, newest) or next(iter(reversed(book.deployments_of(row.label))), None)
    partner = _partner(look, row, place)
    cost = target = None
    flux = facts.one("oxygen_flux", period="night") or facts.one("oxygen_flux")
    speed = facts.one("friction_velocity")
    if (
        partner is not None
        and place is not None
        and speed is not None
        and flux is not None
        and quantity in {"oxygen", "ph_total"}
    ):
        displacement = book.site.displacement_height_m
        low, high = sorted((place.height_above_bed_m - displacement, partner - displacement))
        if 0.0 < low < high:
            cost = flux_cost(
                quantity=quantity, offset=1.0, friction_velocity=speed.value, lower_height=low, upper_height=high
            ).per_unit
            target = abs(flux.value)
    plume = None
    if "carried" in roles and quantity in {"oxygen", "ph_total"}:
        name = "visit_oxygen_difference" if quantity == "oxygen" else "visit_ph_difference"
        sizes = sorted(abs(n.value) for n in facts.find(name))
        plume = sizes[len(sizes) // 2] if sizes else None
    best = min(offsets, key=lambda n: n.systematic_sd)
    return SensorDay(
        sensor=row.label,
        day="newest",
        quantity=quantity,
        good_share=int(counts.get("1", 0)) / total if total else 1.0,
        offset_sd=best.systematic_sd,
        noise_sd=noise,
        interval=row.sample_interval_s,
        response_time=row.response_time_s,
        near_velocimeter=place is not None and place.velocimeter is not None,
        flux_target=target,
        cost_per_unit=cost,
        plume=plume,
    )


def _partner(look: Look, row: Instrument, place: object) -> float | None:
    """Return the height of another sensor of the kind at the same station; None without one."""
    from reeftally.mission import Deployment

    book = look.book
    if book is None or not isinstance(place, Deployment):
        return None
    for other in book.instruments:
        if other.label == row.label or other.kind != row.kind:
            continue
        for d in book.deployments_of(other.label):
            overlap = min(d.end_ns, place.end_ns) - max(d.start_ns, place.start_ns)
            if (
                d.station == place.station
                and overlap > 0
                and abs(d.height_above_bed_m - place.height_above_bed_m) > 0.05
            ):
                return d.height_above_bed_m
    return None
