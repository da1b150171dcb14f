"""Estimates of closure: independent lines for the carbon that the reef added to its water, and whether they agree.

Here:     the local DIC excess from the bed's fluxes times residence over depth, beside reef minus reference; from
          organisms and isotopes where what they need is stated; the ratio of flux and difference; what a wrong
          reference would change.
Not here: the table and its verdict (`reeftally.ledger.closure`), the fluxes and waters themselves.
Rules:    residence, alkalinity flux, gas transfer and quotient are drawn once a trial and shared by the lines, so that
          they cannot pass for independent; depth and density are taken as exact, which is said; a line that would use
          the result of another is refused.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.account import Passage, account_of_period, gas_passage, mixing_line
from reeftally.analysis.estimate_carbon import UNKNOWN_SD
from reeftally.analysis.estimate_fluxes import RATE, PeriodFlux
from reeftally.analysis.estimates import COMMUNITY, SITE, Estimate
from reeftally.analysis.water import WaterTrials, mission_constants, solve_water
from reeftally.ledger import Closure, EvidenceLine, State
from reeftally.seawater import carbonate
from reeftally.uncertainty import Trials

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["estimate_closure", "rate_between_ends"]

UNIT = "µmol kg-1"
QUANTITY = "local_dic_excess"
MOST_TRIALS = 1000
# Length at each end of the mission from which the change of DIC over it is found.
END_S = 3 * 3600.0
# Patches of water that pass the mast keep their value for about half an hour (common practice, no source).
PATCH_S = 1800.0
REFERENCE_STEP = 0.01


@dataclass(slots=True, kw_only=True)
class _Work:
    """What the lines share: one set of trials, and the same with the random terms held."""

    water: WaterTrials
    passage: Passage | None
    trials: Trials
    residence: FloatArray
    """(trials,) [h]"""
    alkalinity: FloatArray
    """Alkalinity flux off the bed, (trials,) [mmol m-2 h-1]"""
    pq: FloatArray
    """(trials,) [1]"""
    gas: FloatArray
    """DIC through the surface into the water, (trials,) [mmol m-2 h-1]"""
    rate: FloatArray
    """Change of DIC over the mission, (trials,) [µmol kg-1 h-1]"""
    terms: dict[str, FloatArray] = field(default_factory=dict)


def rate_between_ends(
    *, time: FloatArray, values: FloatArray, sd: FloatArray, end_s: float = END_S, patch_s: float = PATCH_S
) -> tuple[float, float]:
    """Return the mean rate of change of a series from end to end, and its random standard uncertainty.

    Each end is the value at the end of a straight line through its first or last hours by generalised least squares;
    readings are alike as ``exp(-t / patch_s)`` of the time between them.

    Parameters
    ----------
    time : (n,) array
        [s]
    values, sd : (n,) arrays
        Series and its random standard uncertainty, any unit; NaN at gaps.
    end_s, patch_s : float
        [s]

    Returns
    -------
    (rate, sd)
        [unit h-1]; NaN with fewer than four readings at an end.
    """
    good = np.isfinite(values) & np.isfinite(sd)
    if good.sum() < 8:
        return np.nan, np.nan
    t, y, s = time[good], values[good], sd[good]
    first, last = float(t[0]), float(t[-1])
    found = []
    for edge, use in ((first, t <= first + end_s), (last, t >= last - end_s)):
        if use.sum() < 4:
            return np.nan, np.nan
        x = (t[use] - edge) / 3600.0
        design = np.column_stack([np.ones(x.size), x])
        precision = np.linalg.inv(np.exp(-np.abs(np.subtract.outer(x, x)) * 3600.0 / patch_s))
        inverse = np.linalg.inv(design.T @ precision @ design)
        answer = inverse @ (design.T @ precision @ y[use])
        rest = y[use] - design @ answer
        scatter = float(rest @ precision @ rest) / (x.size - 2)
        variance = max(scatter, float(np.mean(s[use] ** 2))) * float(inverse[0, 0])
        found.append((float(answer[0]), variance))
    hours = (last - first) / 3600.0
    return (found[1][0] - found[0][0]) / hours, float(np.sqrt(found[0][1] + found[1][1])) / hours


def estimate_closure(chain: Chain, per: tuple[float, float]) -> Closure | None:
    """Write the lines for the local DIC excess, their ratio, and the effect of a wrong reference.

    Parameters
    ----------
    per : (float, float)
        dpH/dDIC and dpH/dTA at the mission's mean state; NaN where not known. [kg µmol-1]

    Returns
    -------
    Closure or None
        None where residence time or the reef's chemistry are not known.
    """
    site = chain.context.book.site
    if site.residence_time_h is None or chain.account is None:
        return None
    inside = _inside(chain)
    size = min(chain.context.book.analysis.block_trials, MOST_TRIALS)
    trials = Trials(seed=chain.context.book.analysis.seed, size=size)
    full, fixed = (_work(chain, run, inside) for run in (trials, trials.without_random()))
    lines: dict[str, FloatArray] = {}
    held_lines: dict[str, FloatArray] = {}
    difference, fixed_difference = (_difference(chain, work, inside) for work in (full, fixed))
    if difference is not None and fixed_difference is not None:
        lines["reef_minus_reference"], held_lines["reef_minus_reference"] = difference, fixed_difference
    for name, samples, held, reason in _flux_lines(chain, full, fixed, per):
        lines[name], held_lines[name] = samples, held
        _row(chain, name, samples, held, full, reason)
    organisms = _organisms(chain, full)
    if organisms is not None:
        lines["organisms_scaled"] = organisms
    isotopes = _isotopes(chain, full)
    if isotopes is not None:
        lines["isotopes"] = isotopes
    _ratio(chain, lines, held_lines)
    _wrong_reference(chain)
    return _verdict(chain, lines)


def _inside(chain: Chain) -> npt.NDArray[np.bool_]:
    whole = chain.spans[0]
    return chain.grid.mids_in(whole.start_ns, whole.end_ns)


def _common(chain: Chain) -> dict[str, Any]:
    whole = chain.spans[0]
    return {"period": "mission", "start_ns": whole.start_ns, "end_ns": whole.end_ns, "trail": "closure"}


def _row_of(chain: Chain, quantity: str, method: str, unit: str, subject: str = SITE) -> Estimate | None:
    """Return the mission's row of an estimate made before, if it has a value."""
    for row in chain.estimates.rows:
        if (row.quantity, row.method, row.period, row.unit, row.subject) == (
            quantity, method, "mission", unit, subject,
        ) and row.value is not None:  # fmt: skip
            return row
    return None


def _normal(trials: Trials, name: str, sd: float) -> FloatArray:
    return np.asarray(trials.systematic(name, distribution=max(sd, 1e-12)))


def _once(trials: Trials, name: str, sd: float) -> FloatArray:
    return np.asarray(trials.random(name, block=0, distribution=max(sd, 1e-12)))


def _work(chain: Chain, trials: Trials, inside: npt.NDArray[np.bool_]) -> _Work:
    """Draw what the lines share."""
    context, analysis, site = chain.context, chain.context.book.analysis, chain.context.book.site
    terms: dict[str, FloatArray] = {}
    water = solve_water(context, chain.model, trials)
    stated = site.residence_time_h or np.nan
    passage = None
    if chain.air is not None and np.isfinite(water.oxygen).any() and np.isfinite(chain.air.wind_speed).any():
        passage = gas_passage(context, chain.grid, water, chain.air, trials, terms)
        residence = passage.residence_h
        gas = np.asarray(np.nanmean(passage.dic_flux[:, inside], axis=1))
    else:
        residence = np.maximum(stated + _normal(trials, "residence time", site.residence_time_sd_h or 0.0), 0.5)
        gas = np.zeros(trials.count)
        terms["residence time"] = residence
    row = _row_of(chain, "alkalinity_flux", "budget_of_bottles", RATE)
    if row is not None and row.value is not None:
        # The budget of the water divides by the residence time: what it is wrong by, the flux is wrong by.
        alkalinity = row.value * stated / residence + _once(trials, "alkalinity flux", row.random_sd or 0.0)
    else:
        alkalinity = _normal(trials, "alkalinity flux not measured", UNKNOWN_SD)
    pq = np.maximum(analysis.pq + _normal(trials, "photosynthetic quotient", analysis.pq_sd), 0.5)
    mean, random, _ = (
        chain.account.chemistry["dic"] if chain.account is not None else (np.full(inside.size, np.nan),) * 3
    )
    rate, rate_sd = rate_between_ends(time=chain.grid.seconds[inside], values=mean[inside], sd=random[inside])
    rates = rate + _once(trials, "change of DIC over the mission", rate_sd if np.isfinite(rate_sd) else 0.0)
    terms.update({"alkalinity flux": alkalinity, "photosynthetic quotient": pq})
    return _Work(
        water=water, passage=passage, trials=trials, residence=np.asarray(residence), alkalinity=np.asarray(alkalinity),
        pq=np.asarray(pq), gas=gas, rate=np.asarray(rates), terms=terms,
    )  # fmt: skip


def _difference(chain: Chain, work: _Work, inside: npt.NDArray[np.bool_]) -> FloatArray | None:
    """Return reef minus reference along the mixing line, (trials,) [µmol kg-1]; None without a reference water."""
    water = work.water
    needed = ("temperature", "salinity", "total_alkalinity", "dic")
    if any(name not in water.reference for name in needed):
        return None
    use = inside & np.isfinite(water.dic).all(axis=0)
    use &= np.isfinite(water.salinity).all(axis=0) & np.isfinite(water.temperature).all(axis=0)
    if use.sum() < 2:
        return None
    reef = State(*(getattr(water, name)[:, use].mean(axis=1) for name in needed))
    reference = State(*(water.reference[name] for name in needed))
    return ledger.excess_from_difference(reef=reef, reference=reference, mixing_line=mixing_line(chain.context))


def _excess(chain: Chain, work: _Work, bed: FloatArray) -> FloatArray:
    """Return what a bed flux leaves in the water: (flux + gas) residence / depth, less what has not yet gathered.

    ``dC/dt = (F_bed + F_gas) / (rho h) - C / tau`` as a mean over the mission, so
    ``C = tau ((F_bed + F_gas) / (rho h) - dC/dt)``, for any course of the fluxes within it.
    """
    gathered = ledger.excess_from_flux(
        flux=bed + work.gas, residence_time=work.residence, depth=chain.context.book.site.water_depth_m,
        density=chain.density,
    )  # fmt: skip
    change = np.where(np.isfinite(work.rate), work.rate, 0.0)
    return np.asarray(gathered - work.residence * change)


def _mission_flux(chain: Chain, method: str) -> PeriodFlux | None:
    return next((p for p in chain.fluxes.get(("oxygen_flux", method), []) if p.span.kind == "mission"), None)


def _drawn(trials: Trials, name: str, shared: str, value: float, random: float, systematic: float) -> FloatArray:
    """Draw a mission mean; `shared` is the name of what scales it together with others."""
    sign = 1.0 if value >= 0 else -1.0
    return np.asarray(value + sign * systematic * _normal(trials, shared, 1.0) + _once(trials, name, random))


def _bed_fluxes(chain: Chain, work: _Work, per: tuple[float, float]) -> dict[str, tuple[FloatArray, str]]:
    """Return the DIC flux off the bed by every route: name to (trials, words). [mmol m-2 h-1]"""
    out: dict[str, tuple[FloatArray, str]] = {}
    known = "alkalinity flux from bottles"
    if _row_of(chain, "alkalinity_flux", "budget_of_bottles", RATE) is None:
        known = f"alkalinity flux not measured, 0 ± {UNKNOWN_SD:g} {RATE}"
    for method in ("covariance", "gradient"):
        period = _mission_flux(chain, method)
        if period is None:
            continue
        shared = "scale of gradient fluxes" if method == "gradient" else "scale of covariance fluxes"
        oxygen = _drawn(
            work.trials, f"oxygen flux by {method}", shared, period.value, period.random_sd, period.systematic_sd
        )
        out["flux_times_residence"] = (
            -oxygen / work.pq + 0.5 * work.alkalinity,
            f"oxygen flux by {method} over PQ; {known}",
        )
        break
    row = _row_of(chain, "dic_flux", "gradient_ph_alkalinity", RATE)
    if row is not None and row.value is not None and np.isfinite(per).all() and per[0] != 0.0:
        ratio = per[1] / per[0]
        budget = _row_of(chain, "alkalinity_flux", "budget_of_bottles", RATE)
        mean, sd = (0.0, UNKNOWN_SD)
        if budget is not None and budget.value is not None:
            mean, sd = budget.value, float(np.hypot(budget.random_sd or 0.0, budget.systematic_sd or 0.0))
        own = float(np.sqrt(max((row.systematic_sd or 0.0) ** 2 - (ratio * sd) ** 2, 0.0)))
        by_ph = _drawn(
            work.trials, "DIC flux by pH", "scale of gradient fluxes", row.value + ratio * mean,
            row.random_sd or 0.0, own,
        )  # fmt: skip
        out["dic_flux_times_residence"] = (by_ph - ratio * work.alkalinity, f"DIC flux by the pH gradient; {known}")
    return out


def _flux_lines(
    chain: Chain, full: _Work, fixed: _Work, per: tuple[float, float]
) -> list[tuple[str, FloatArray, FloatArray, str]]:
    drawn, held = _bed_fluxes(chain, full, per), _bed_fluxes(chain, fixed, per)
    said = "gas exchange added" if full.passage is not None else "gas exchange not known, left out"
    if not np.isfinite(full.rate).all():
        said += "; taken as steady: the change of DIC over the mission is not known"
    return [
        (name, _excess(chain, full, bed), _excess(chain, fixed, held[name][0]), f"{words}; {said}; depth as exact")
        for name, (bed, words) in drawn.items()
    ]


def _row(chain: Chain, method: str, samples: FloatArray, held: FloatArray, work: _Work, reason: str) -> None:
    chain.estimates.from_trials(
        **_common(chain), quantity=QUANTITY, method=method, subject=SITE, unit=UNIT, samples=samples,
        systematic_samples=held, terms=work.terms, n=int(_inside(chain).sum()), reason=reason,
    )  # fmt: skip


def _organisms(chain: Chain, work: _Work) -> FloatArray | None:
    """Write what the counted organisms add by themselves; return the line for the whole if their share is stated.

    The share that the chain finds is their rate over the community's flux: with it the line would be the flux again.
    """
    areal = _row_of(chain, "areal_oxygen_uptake", "scaled_organisms", RATE, COMMUNITY)
    if areal is None or areal.value is None:
        return None
    analysis, site = chain.context.book.analysis, chain.context.book.site
    sd = float(np.hypot(areal.random_sd or 0.0, areal.systematic_sd or 0.0))
    # An areal rate is never negative and its interval lopsided: drawn as a lognormal of the same mean and spread.
    spread = float(np.sqrt(np.log1p((sd / areal.value) ** 2))) if areal.value > 0 else 0.0
    uptake = areal.value * np.exp(_once(work.trials, "scaled organisms", 1.0) * spread - 0.5 * spread**2)
    rq = np.maximum(analysis.rq + _normal(work.trials, "respiratory quotient", analysis.rq_sd), 0.3)
    release = uptake * rq
    said = "respiration of the organisms counted times residence over depth"
    made = ledger.excess_from_flux(
        flux=release, residence_time=work.residence, depth=site.water_depth_m, density=chain.density
    )
    chain.estimates.from_trials(
        **_common(chain), quantity="dic_added_by_organisms", method="organisms_scaled", subject=COMMUNITY, unit=UNIT,
        samples=made, n=areal.n, flag=areal.flag, terms={"residence time": work.residence, "uptake": uptake},
        systematic_samples=made / uptake * areal.value, reason="; ".join(filter(None, [areal.reason, said])),
    )  # fmt: skip
    stated = chain.context.book.reference("respiration_share_of_organisms")
    gross = next(
        (
            row
            for method in ("covariance", "gradient")
            if (row := _row_of(chain, "gross_primary_production", method, RATE, COMMUNITY)) is not None
        ),
        None,
    )
    if stated is None or gross is None or gross.value is None:
        lacking = "the share of respiration they stand for from another source than the flux itself "
        chain.estimates.refuse(
            **_common(chain), quantity=QUANTITY, method="organisms_scaled", subject=SITE, unit=UNIT, n=areal.n,
            reason=f"not given: {lacking}(reference `respiration_share_of_organisms`)"
            if stated is None else "not given: gross production of the community",
        )  # fmt: skip
        return None
    share = np.maximum(stated.value + _normal(work.trials, "share of organisms", stated.sd), 0.01)
    gross_sd = float(np.hypot(gross.random_sd or 0.0, gross.systematic_sd or 0.0))
    uptake_by_light = (gross.value + _once(work.trials, "gross production", gross_sd)) / work.pq
    line = ledger.excess_from_organisms(
        community_release=release, share_of_respiration=share, gross_uptake=uptake_by_light,
        carbonate_dic_flux=0.5 * work.alkalinity + work.gas, residence_time=work.residence, depth=site.water_depth_m,
        density=chain.density,
    )  # fmt: skip
    line = np.asarray(line - work.residence * np.where(np.isfinite(work.rate), work.rate, 0.0))
    chain.estimates.from_trials(
        **_common(chain), quantity=QUANTITY, method="organisms_scaled", subject=SITE, unit=UNIT, samples=line,
        n=areal.n, flag=areal.flag, terms=work.terms, reason=f"share stated: {stated.source}",
    )  # fmt: skip
    return line


def _isotopes(chain: Chain, work: _Work) -> FloatArray | None:
    """Return the line from the lightening of the water if the source of the net change is stated."""
    from reeftally.analysis.estimate_isotopes import join_bottles

    roles = {row.name: row.role for row in chain.context.book.stations}
    samples = join_bottles(chain)
    reef = [s for s in samples if roles.get(s.station) in {"bed", "ambient"} and not s.near]
    outside = [s for s in samples if roles.get(s.station) == "reference"]
    if not reef or not outside:
        return None
    stated = chain.context.book.reference("net_source_delta13c")
    if stated is None:
        chain.estimates.refuse(
            **_common(chain), quantity=QUANTITY, method="isotopes", subject=SITE, unit=UNIT, n=len(reef),
            reason="not given: δ13C of the net addition; photosynthesis and gas exchange shift it from that of what "
            "is respired (reference `net_source_delta13c`)",
        )  # fmt: skip
        return None

    def mean(rows: list[Any], name: str) -> FloatArray:
        values = np.array([s.delta for s in rows])
        own = float(np.sqrt(np.sum([s.delta_sd**2 for s in rows]))) / len(rows)
        scatter = float(values.std(ddof=1)) / len(rows) ** 0.5 if len(rows) > 2 else 0.0
        return float(values.mean()) + _once(work.trials, name, max(own, scatter))

    line = ledger.excess_from_isotopes(
        dic=float(np.mean([s.dic for s in reef])), delta13c=mean(reef, "δ13C of the reef"),
        reference_delta13c=mean(outside, "δ13C of the reference"),
        source_delta13c=stated.value + _normal(work.trials, "net source δ13C", stated.sd),
    )  # fmt: skip
    chain.estimates.from_trials(
        **_common(chain), quantity=QUANTITY, method="isotopes", subject=SITE, unit=UNIT, samples=line, n=len(reef),
        reason=f"source stated: {stated.source}",
    )  # fmt: skip
    return line


def _ratio(chain: Chain, lines: dict[str, FloatArray], held: dict[str, FloatArray]) -> None:
    """Write the local excess by flux over that by difference."""
    below = lines.get("reef_minus_reference")
    for name in ("flux_times_residence", "dic_flux_times_residence"):
        above = lines.get(name)
        if above is None:
            continue
        common: dict[str, Any] = {
            **_common(chain), "quantity": "closure_ratio", "method": f"{name}_over_difference", "subject": SITE,
            "unit": "1", "n": int(_inside(chain).sum()),
        }  # fmt: skip
        if below is None:
            chain.estimates.refuse(**common, reason="not given: DIC of the reference water")
        elif max((below > 0).mean(), (below < 0).mean()) < 0.975:
            chain.estimates.refuse(
                **common, reason="reef minus reference is not told from zero: the ratio has no bound"
            )
        else:
            chain.estimates.from_trials(
                **common, samples=above / below, systematic_samples=held[name] / held["reef_minus_reference"]
            )


def _verdict(chain: Chain, lines: dict[str, FloatArray]) -> Closure | None:
    """Put the table and its sentence into the notes."""
    usable = [EvidenceLine(name.replace("_", " "), samples=x) for name, x in lines.items() if np.isfinite(x).all()]
    if not usable:
        return None
    found = ledger.closure(lines=usable)
    chain.notes["closure"] = found.sentence
    if found.degrees_of_freedom:
        chain.notes["closure_chi_square"] = (
            f"{found.chi_square:.2f} for {found.degrees_of_freedom} degrees of freedom (p = {found.p:.2f}); residence "
            "time, alkalinity flux, gas transfer and PQ drawn once for all lines, depth and density as exact"
        )
    return found


def _wrong_reference(chain: Chain) -> None:
    """Write by how much the parts made here would change if the reference water's pH were 0.01 higher."""
    context, air, account = chain.context, chain.air, chain.account
    if air is None or account is None or not account.drivers:
        return
    trials = Trials(seed=context.book.analysis.seed, size=2).without_random().without_systematic()
    inside = _inside(chain)
    effects: dict[float, dict[str, float]] = {}
    for step in (0.0, REFERENCE_STEP, -REFERENCE_STEP):
        water = solve_water(context, chain.model, trials)
        reference = water.reference
        if any(name not in reference for name in ("temperature", "salinity", "total_alkalinity", "dic")):
            return
        common: dict[str, Any] = {name: reference[name] for name in ("temperature", "salinity", "total_alkalinity")}
        sets = mission_constants(context)
        ph = carbonate.solve(dic=reference["dic"], constants=sets, outputs=("ph_total",), **common)["ph_total"]
        moved = carbonate.solve(ph_total=np.asarray(ph) + step, constants=sets, outputs=("dic",), **common)["dic"]
        reference["dic"] = np.asarray(moved)
        passage = gas_passage(context, chain.grid, water, air, trials, {})
        found = account_of_period(context, water, passage, air, trials, inside, {})
        if found is None:
            return
        method = "shapley_from_reference"
        parts = {d: float(found.effect(quantity="ph_total", driver=d, method=method)[0]) for d in found.drivers}
        parts["total"] = float(found.total(quantity="ph_total", method=method)[0])
        parts["local"] = float(found.effect(quantity="ph_total", driver="local", method=method)[0])
        effects[step] = parts
    up = {name: effects[REFERENCE_STEP][name] - effects[0.0][name] for name in effects[0.0]}
    down = {name: effects[0.0][name] - effects[-REFERENCE_STEP][name] for name in effects[0.0]}
    listed = ", ".join(f"{name} {value:+.4f}" for name, value in up.items() if abs(value) >= 5e-5)
    chain.notes["reference_water_sensitivity"] = (
        f"with the reference water's pH higher by {REFERENCE_STEP:g} the parts of pH from reference change by: {listed}"
    )
    for name in ("total", "local"):
        value, half = 0.5 * (up[name] + down[name]), 0.5 * abs(up[name] - down[name])
        chain.estimates.from_parts(
            **_common(chain), quantity=f"ph_change_{name}_sensitivity",
            method=f"reference_ph_higher_by_{REFERENCE_STEP:g}", subject=SITE, unit="", value=value, random_sd=0.0,
            systematic_sd=half, n=int(inside.sum()), reason=chain.notes["reference_water_sensitivity"],
        )  # fmt: skip
