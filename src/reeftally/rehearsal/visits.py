"""Sponges: the population, the organisms that are visited, the dives, what carried sensors meet.

Here:     `Organism`, `Visit`, `plan_visits`, `hand_signal`, `population`, surveys.
Not here: the sensors' own errors (`slow`), the text of tables (`tables`).
Rules:    true values while pumping; duty cycles act only on what is added up over the community.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reeftally._checks import FloatArray
from reeftally.rehearsal.carbon import ph_of
from reeftally.rehearsal.highrate import World
from reeftally.rehearsal.reef import Form, generator
from reeftally.rehearsal.slow import Seen

__all__ = [
    "Organism",
    "Visit",
    "community_uptake",
    "hand_signal",
    "plan_visits",
    "pumping",
    "survey_rows",
    "with_flasks",
]


@dataclass(frozen=True, slots=True)
class Organism:
    """One visited organism (or a blank: bare rock, a dead urn)."""

    name: str
    form: str
    diameter_cm: float
    jet: float
    """Area-mean speed [m s-1]."""
    ratio: float
    oxygen_drop: float
    """Ambient minus excurrent [µmol kg-1]."""
    dic_rise: float
    alkalinity_change: float
    source: float
    blank: bool = False

    @property
    def pumping(self) -> float:
        """Water pumped [L s-1]."""
        return float(self.jet * np.pi * (self.diameter_cm / 200.0) ** 2 * 1000.0)

    def uptake(self, density: float) -> float:
        """Oxygen taken up while pumping [mmol h-1]."""
        return self.pumping * density / 1000.0 * self.oxygen_drop * 3600.0 / 1000.0


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit: ambient, excurrent, ambient again; true times [s]."""

    number: int
    organism: Organism
    arrive: float
    jet_in: float
    jet_out: float
    leave: float
    slate_in: float
    slate_out: float
    noted: str


def pumping(form: Form, diameter_cm: FloatArray) -> FloatArray:
    """Water pumped by organisms of a form [L s-1]: goes with the diameter to the form's exponent."""
    mean = form.jet * np.pi * (form.diameter_cm / 200.0) ** 2 * 1000.0
    return np.asarray(mean * (diameter_cm / form.diameter_cm) ** form.exponent)


def diameters(form: Form, rng: np.random.Generator, n: int) -> FloatArray:
    """Osculum diameters [cm], log-normal with the form's arithmetic mean."""
    mu = np.log(form.diameter_cm) - 0.5 * form.log_sd**2
    return np.asarray(np.exp(mu + form.log_sd * rng.standard_normal(n)))


def community_uptake(world: World) -> dict[str, float]:
    """Oxygen taken up per area by each form, duty cycle counted [mmol m-2 h-1].

    Summed over 200,000 individuals drawn from the size distribution.
    """
    out: dict[str, float] = {}
    for form in world.reef.forms:
        rng = generator(world.seed, f"population {form.name}")
        litres = pumping(form, diameters(form, rng, 200_000)).mean()
        drop = form.oxygen_drop * world.reef.sponge_scale
        each = litres * world.reef.density / 1000.0 * drop * 3.6
        out[form.name] = float(each * form.density * form.duty)
    return out


def _organisms(world: World) -> list[Organism]:
    made: list[Organism] = []
    forms = {form.name: form for form in world.reef.forms}
    for name, count in world.script.visits.items():
        form = forms[name]
        rng = generator(world.seed, f"organisms {name}")
        sizes = diameters(form, rng, count)
        for number, raw in enumerate(sizes):
            size = np.round(raw, 1)
            drop = form.oxygen_drop * world.reef.sponge_scale * float(np.exp(0.12 * rng.standard_normal()))
            area = np.pi * (size / 200.0) ** 2
            made.append(
                Organism(
                    name=f"{name}-{number + 1:02d}",
                    form=name,
                    diameter_cm=float(size),
                    jet=float(pumping(form, size) / 1000.0 / area),
                    ratio=form.ratio,
                    oxygen_drop=drop,
                    dic_rise=drop * world.reef.rq,
                    alkalinity_change=form.alkalinity_change,
                    source=form.source,
                )
            )
    for number in range(world.script.blanks):
        kind = "rock" if number % 2 == 0 else "dead urn"
        made.append(Organism(f"blank-{number + 1:02d}", kind, 10.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, blank=True))
    return made


def plan_visits(world: World) -> list[Visit]:
    """Lay the visits out over the dives: repeats of one organism fall on different dives where possible.

    Three minutes of ambient water, five to six in the jet, three of ambient; slates carry the minute,
    wrong by up to four.
    """
    script = world.script
    rng = generator(world.seed, "visits")
    organisms = _organisms(world)
    todo: list[Organism] = []
    for repeat in range(script.repeats):
        order = [o for o in organisms if not o.blank]
        order += [o for o in organisms if o.blank and (int(o.name[-2:]) - 1) % script.repeats == repeat]
        todo += [order[i] for i in rng.permutation(len(order))]
    out: list[Visit] = []
    share = int(np.ceil(len(todo) / len(script.dives)))
    for number, (start, end) in enumerate(script.dives):
        group = todo[number * share : (number + 1) * share]
        at = start + 420.0
        for organism in group:
            ambient, inside, after = 180.0 + rng.uniform(0, 40), 300.0 + rng.uniform(0, 70), 180.0 + rng.uniform(0, 40)
            leave = at + ambient + inside + after
            if leave > end - 120.0:
                break
            wrong = float(np.clip(1.6 * rng.standard_normal(), -4.0, 4.0))
            jet_in, jet_out = at + ambient, at + ambient + inside
            out.append(
                Visit(
                    number=len(out) + 1,
                    organism=organism,
                    arrive=at,
                    jet_in=jet_in,
                    jet_out=jet_out,
                    leave=leave,
                    slate_in=60.0 * round((jet_in + 60.0 * wrong) / 60.0),
                    slate_out=60.0 * round((jet_out + 60.0 * wrong) / 60.0),
                    noted=organism.name,
                )
            )
            at = leave + rng.uniform(60.0, 150.0)
    return out


def with_flasks(visits: list[Visit]) -> list[Visit]:
    """Return the visits on which water is taken into flasks: the first two of each organism.

    Crusts are left out: a flask draws more than their jet of a few millimetres gives.
    """
    seen: dict[str, int] = {}
    out: list[Visit] = []
    for visit in visits:
        name = visit.organism.name
        seen[name] = seen.get(name, 0) + 1
        if not visit.organism.blank and visit.organism.form != "crust" and seen[name] <= 2:
            out.append(visit)
    return out


def jet_state(world: World, visit: Visit, t: FloatArray) -> dict[str, FloatArray]:
    """Ambient and excurrent water of a visit on the minute grid of the box, without turbulence."""
    chemistry, water = world.chemistry, world.water
    height = world.true_height("middle")
    oxygen = np.interp(t, water.t, chemistry.at_height("oxygen", height))
    dic = np.interp(t, water.t, chemistry.at_height("dic", height))
    alkalinity = np.interp(t, water.t, chemistry.at_height("total_alkalinity", height))
    organism = visit.organism
    common = {"temperature": water.at("temperature", t), "salinity": water.at("salinity", t)}
    return {
        "oxygen": oxygen,
        "oxygen_out": oxygen - organism.oxygen_drop,
        "dic": dic,
        "dic_out": dic + organism.dic_rise,
        "ph": ph_of(dic=dic, total_alkalinity=alkalinity, **common),
        "ph_out": ph_of(
            dic=dic + organism.dic_rise, total_alkalinity=alkalinity + organism.alkalinity_change, **common
        ),
    }


def hand_signal(world: World, seen: Seen, visits: list[Visit]) -> dict[str, FloatArray]:
    """What the carried sensors meet once a second: side by side, swimming, ambient water, jets."""
    t = seen.t
    out = {name: seen.series(name, "ambient").copy() for name in ("oxygen", "dic", "total_alkalinity")}
    for start, end in world.script.dives:
        diving = (t >= start) & (t < end)
        for name, values in out.items():
            values[diving] = seen.series(name, "middle")[diving]
    rng = generator(world.seed, "jets")
    for visit in visits:
        inside = (t >= visit.jet_in) & (t < visit.jet_out)
        n = int(inside.sum())
        organism = visit.organism
        # A hand that moves and a jet that breathes: slow changes of a few per cent.
        knots = np.arange(0, n + 40, 20)
        steady = 1.0 + 0.03 * np.interp(np.arange(n), knots, rng.standard_normal(knots.size))
        # The truth of a visit is its mean.
        steady += 1.0 - steady.mean()
        if organism.blank:
            steady = np.ones(n)
        # Water in the sponge is mixed: less turbulence than outside.
        for name, change in (
            ("oxygen", -organism.oxygen_drop),
            ("dic", organism.dic_rise),
            ("total_alkalinity", organism.alkalinity_change),
        ):
            mean = np.interp(t[inside], world.water.t, world.chemistry.at_height(name, world.true_height("middle")))
            rest = out[name][inside] - mean
            calm = 1.0 if organism.blank else 0.3
            out[name][inside] = mean + calm * rest + change * steady
    out["ph_total"] = ph_of(
        dic=out["dic"],
        total_alkalinity=out["total_alkalinity"],
        temperature=world.water.at("temperature", t),
        salinity=world.water.at("salinity", t),
    )
    return out


def survey_rows(world: World) -> tuple[list[list[object]], list[list[object]]]:
    """Counts on belt transects of 10 by 1 m (negative binomial, k = 1.6) and measured oscula."""
    counts: list[list[object]] = []
    measured: list[list[object]] = []
    shape = 1.6
    for form in world.reef.forms:
        rng = generator(world.seed, f"survey {form.name}")
        for number in range(world.script.transects):
            mean = form.density * 10.0
            count = int(rng.poisson(rng.gamma(shape, mean / shape)))
            sizes = diameters(form, rng, count)
            shown = f"{sizes.mean():.1f}" if count else ""
            counts.append([f"T{number + 1:02d}", 10, form.name, count, shown, ""])
        measured.extend([form.name, f"{size:.1f}", ""] for size in diameters(form, rng, 40))
    return counts, measured
