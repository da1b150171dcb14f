"""Estimates of the source of the added carbon from carbon-13 of DIC.

Here:     bottles joined to samples with DIC, δ13C and alkalinity; the source from night samples, the line over 24 h,
          reef minus reference, pairs of in-current and ex-current water, and the stream of a gas analyser.
Not here: the equations and the gate (`reeftally.ledger`).
Rules:    what a plan of samples could reach at best is said before the answer; a source wider than the gate is a
          refused estimate with its bound; a line that holds photosynthesis is not the carbon respired, and says so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.account import mixing_line
from reeftally.analysis.estimate_metabolism import alike_blocks
from reeftally.analysis.estimate_shares import estimate_shares
from reeftally.analysis.estimates import SITE
from reeftally.analysis.grid import NS
from reeftally.analysis.offsets import usable_bottles
from reeftally.errors import ReeftallyError
from reeftally.ledger import GLOBAL_NOTE, SourceEstimate
from reeftally.seawater import carbonate, isotopes

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["Sample", "estimate_isotopes", "join_bottles"]

UNIT = "‰"
QUANTITY = "source_delta13C"
# Bottles closed at one place within two minutes are one sample (common practice, no source).
TOGETHER_S = 120.0
# Ambient water that belongs to a bottle from a jet (common practice, no source).
PAIR_S = 1800.0
MIXED = "holds photosynthesis and gas exchange, which shift carbon-13 by themselves: not the carbon respired"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """Water of one place and time with DIC and its δ13C."""

    time_ns: int
    station: str
    near: str
    """Organism whose jet it came from; empty in ambient water."""
    dic: float
    """At the salinity of the reference water. [µmol kg-1]"""
    dic_sd: float
    delta: float
    """[‰]"""
    delta_sd: float
    alkalinity: float
    """At the salinity of the reference water; NaN where not measured. [µmol kg-1]"""


def join_bottles(chain: Chain) -> list[Sample]:
    """Return samples of the mission with δ13C and DIC; bottles closed together are averaged.

    DIC is that of the bottles, and where they have none that of the sensors in the block. Both are taken along the
    mixing line to the salinity of the reference water.
    """
    whole = chain.spans[0]
    held: dict[str, dict[str, tuple[float, float]]] = {
        name: {bottle.bottle: (value, sd) for bottle, value, sd in usable_bottles(chain.context, name, jets=True)}
        for name in ("delta13c_dic", "dic", "total_alkalinity")
    }
    organisms = {row.organism for row in chain.context.tables.visits}
    groups: list[list[Any]] = []
    for bottle in sorted(chain.context.tables.bottles, key=lambda b: (b.station, b.height_above_bed_m, b.time_ns)):
        if bottle.flag not in {2, 6} or not whole.start_ns <= bottle.time_ns < whole.end_ns:
            continue
        last = groups[-1][-1] if groups else None
        jet = bottle.near if bottle.near in organisms else ""
        if (
            last is not None
            and last.station == bottle.station
            and abs(last.height_above_bed_m - bottle.height_above_bed_m) < 0.05
            and (last.near if last.near in organisms else "") == jet
            and bottle.time_ns - last.time_ns <= TOGETHER_S * NS
        ):
            groups[-1].append(bottle)
        else:
            groups.append([bottle])
    salinity, shift_dic, shift_alkalinity = _dilution(chain)
    out = []
    for group in groups:
        delta = _mean([held["delta13c_dic"][b.bottle] for b in group if b.bottle in held["delta13c_dic"]])
        dic = _mean([held["dic"][b.bottle] for b in group if b.bottle in held["dic"]]) or _sensors(chain, group[0])
        if delta is None or dic is None:
            continue
        alkalinity = _mean([held["total_alkalinity"][b.bottle] for b in group if b.bottle in held["total_alkalinity"]])
        fresh = _fresh(chain, group, salinity)
        out.append(
            Sample(
                time_ns=int(np.mean([b.time_ns - whole.start_ns for b in group])) + whole.start_ns,
                station=group[0].station, near=group[0].near if group[0].near in organisms else "",
                dic=dic[0] - shift_dic * fresh, dic_sd=dic[1], delta=delta[0], delta_sd=delta[1],
                alkalinity=np.nan if alkalinity is None else alkalinity[0] - shift_alkalinity * fresh,
            )
        )  # fmt: skip
    return sorted(out, key=lambda s: s.time_ns)


def _mean(values: list[tuple[float, float]]) -> tuple[float, float] | None:
    """Return the mean of values with their standard uncertainties; None without any."""
    if not values:
        return None
    return (
        float(np.mean([v for v, _ in values])),
        float(np.sqrt(np.sum([s**2 for _, s in values]))) / len(values),
    )


def _sensors(chain: Chain, bottle: Any) -> tuple[float, float] | None:
    """Return DIC from pH and alkalinity in the block of a bottle in the reef."""
    index = int(chain.grid.index(bottle.time_ns))
    outside = {row.name for row in chain.context.book.stations_of_role("reference")}
    if chain.account is None or index < 0 or bottle.station in outside:
        return None
    mean, random, _ = chain.account.chemistry["dic"]
    return (float(mean[index]), float(random[index])) if np.isfinite(mean[index]) else None


def _dilution(chain: Chain) -> tuple[float, float, float]:
    """Return the reference salinity and d(DIC)/dS, d(TA)/dS of the mixing line; NaN and zeros where not known."""
    values = chain.model.reference.values
    if not {"salinity", "total_alkalinity"} <= values.keys() or not {"dic", "ph_total"} & values.keys():
        return float("nan"), 0.0, 0.0
    line = mixing_line(chain.context)
    salinity = values["salinity"]
    # A salinity that differs by tenths moves DIC by a few µmol/kg: the level of DIC need not be better than that.
    level = values.get("dic", 0.87 * values["total_alkalinity"])
    return (
        salinity,
        (level - float(np.asarray(line.dic_at_zero))) / salinity,
        (values["total_alkalinity"] - float(np.asarray(line.alkalinity_at_zero))) / salinity,
    )


def _fresh(chain: Chain, group: list[Any], salinity: float) -> float:
    """Return by how much a sample is saltier than the reference water; zero where either is not known."""
    outside = {row.name for row in chain.context.book.stations_of_role("reference")}
    if not np.isfinite(salinity) or group[0].station in outside:
        return 0.0
    index = int(chain.grid.index(group[0].time_ns))
    found = float(chain.water.salinity[index]) if index >= 0 else np.nan
    if not np.isfinite(found):
        own = [b.salinity for b in group if b.salinity is not None]
        found = float(np.mean(own)) if own else np.nan
    return found - salinity if np.isfinite(found) else 0.0


def estimate_isotopes(chain: Chain) -> dict[str, SourceEstimate]:
    """Write the source of the added carbon by every way the mission allows; nothing without δ13C.

    Returns
    -------
    dict of method to SourceEstimate
        Resolved or not.
    """
    samples = join_bottles(chain)
    found: dict[str, SourceEstimate] = {}
    if samples:
        _bottles(chain, samples, found)
    _stream(chain, found)
    if found or samples:
        chain.notes["delta13C"] = GLOBAL_NOTE
        _candidates(chain, found)
    return found


def _arrays(samples: list[Sample]) -> dict[str, FloatArray]:
    return {
        "dic": np.array([s.dic for s in samples]),
        "delta13c": np.array([s.delta for s in samples]),
        "dic_sd": np.array([s.dic_sd for s in samples]),
        "delta13c_sd": np.array([s.delta_sd for s in samples]),
    }


def _at_night(chain: Chain, time_ns: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    night = np.zeros(time_ns.shape, dtype=bool)
    for span in chain.spans:
        if span.kind == "night":
            night |= (time_ns >= span.start_ns) & (time_ns < span.end_ns)
    return night


def _bottles(chain: Chain, samples: list[Sample], found: dict[str, SourceEstimate]) -> None:
    roles = {row.name: row.role for row in chain.context.book.stations}
    reef = [s for s in samples if roles.get(s.station) in {"bed", "ambient"} and not s.near]
    reference = [s for s in samples if roles.get(s.station) == "reference"]
    dark = _at_night(chain, np.array([s.time_ns for s in reef], dtype=np.int64)) if reef else np.zeros(0, dtype=bool)
    night = [s for s, is_dark in zip(reef, dark, strict=True) if is_dark]
    level = chain.model.reference.values.get("total_alkalinity")

    def line(rows: list[Sample]) -> Callable[[], SourceEstimate]:
        return lambda: ledger.miller_tans(**_arrays(rows))

    _try(chain, "night_samples", SITE, night, line(night), "samples of the nights", found)
    _try(chain, "line_24h", SITE, reef, line(reef), MIXED, found)
    known = [s for s in night if np.isfinite(s.alkalinity)]
    if level is not None and known:
        organic, delta = ledger.remove_carbonate(
            dic=_arrays(known)["dic"], delta13c=_arrays(known)["delta13c"],
            total_alkalinity=np.array([s.alkalinity for s in known]), reference_alkalinity=level,
        )  # fmt: skip
        without = {**_arrays(known), "dic": organic, "delta13c": delta}
        _try(
            chain, "night_samples_without_carbonate", SITE, known, lambda: ledger.miller_tans(**without),
            "samples of the nights, dissolution removed by alkalinity", found,
        )  # fmt: skip
    if reference:
        _try(
            chain, "reef_minus_reference", SITE, reef, lambda: _difference(reef, reference),
            f"{MIXED}; {len(reference)} samples of the reference water", found,
        )  # fmt: skip
    _pairs(chain, samples, reef, found)


def _difference(reef: list[Sample], reference: list[Sample]) -> SourceEstimate:
    """Return the source that makes the reference water's mean into the reef's mean.

    The error of a mean is the larger of what its analyses and what its scatter say: samples of a few hours stand for
    the mission.
    """

    def mean(rows: list[Sample], value: str, error: str) -> tuple[float, float]:
        values = np.array([getattr(s, value) for s in rows])
        own = float(np.sqrt(np.sum([getattr(s, error) ** 2 for s in rows]))) / len(rows)
        scatter = float(values.std(ddof=1)) / len(rows) ** 0.5 if len(rows) > 2 else 0.0
        return float(values.mean()), max(own, scatter)

    dic, dic_sd = mean(reef, "dic", "dic_sd")
    base, base_sd = mean(reference, "dic", "dic_sd")
    delta, delta_sd = mean(reef, "delta", "delta_sd")
    base_delta, base_delta_sd = mean(reference, "delta", "delta_sd")
    # One standard uncertainty for both ends: the root mean square, so that the difference has its own.
    return ledger.paired_source(
        dic_in=[base], dic_out=[dic], delta13c_in=[base_delta], delta13c_out=[delta],
        dic_sd=float(np.sqrt((dic_sd**2 + base_sd**2) / 2.0)),
        delta13c_sd=float(np.sqrt((delta_sd**2 + base_delta_sd**2) / 2.0)),
    )  # fmt: skip


def _pairs(chain: Chain, samples: list[Sample], ambient: list[Sample], found: dict[str, SourceEstimate]) -> None:
    """Pair every bottle from a jet with the ambient water nearest in time, by form and all together.

    Water drawn beside the organism (same station, no organism named) goes before that of other places.
    """
    forms = {row.organism: row.form for row in chain.context.tables.visits}
    pairs: dict[str, list[tuple[Sample, Sample]]] = defaultdict(list)
    for sample in samples:
        if not sample.near:
            continue
        own = [s for s in samples if s.station == sample.station and not s.near]
        for waters in (own, ambient):
            near = [s for s in waters if abs(s.time_ns - sample.time_ns) <= PAIR_S * NS]
            if near:
                nearest = min(near, key=lambda s: abs(s.time_ns - sample.time_ns))
                pairs[forms[sample.near]].append((nearest, sample))
                break
    if len(pairs) > 1:
        pairs[SITE] = [pair for _, rows in sorted(pairs.items()) for pair in rows]
    for form, rows in sorted(pairs.items()):
        into, out = [a for a, _ in rows], [b for _, b in rows]
        sd = {name: np.sqrt((_arrays(into)[name] ** 2 + _arrays(out)[name] ** 2) / 2.0)
              for name in ("dic_sd", "delta13c_sd")}  # fmt: skip
        first, second = _arrays(into), _arrays(out)

        def fit(first: dict[str, FloatArray] = first, second: dict[str, FloatArray] = second,
                sd: dict[str, FloatArray] = sd) -> SourceEstimate:  # fmt: skip
            return ledger.paired_source(
                dic_in=first["dic"], dic_out=second["dic"], delta13c_in=first["delta13c"],
                delta13c_out=second["delta13c"], **sd,
            )  # fmt: skip

        _try(chain, "pairs", form, out, fit, "pairs of ambient water and jet", found)


def _stream(chain: Chain, found: dict[str, SourceEstimate]) -> None:
    """Use the gas analyser's δ13C of CO2, brought to DIC by equilibrium, against DIC from the sensors."""
    account = chain.account
    if account is None:
        return
    whole = chain.spans[0]
    inside = chain.grid.mids_in(whole.start_ns, whole.end_ns)
    night = _at_night(chain, chain.grid.mids)
    for label, blocks in chain.slow.items():
        if "delta13c_co2" not in blocks.channels:
            continue
        channel = blocks.channels["delta13c_co2"]
        dic, dic_sd, _ = account.chemistry["dic"]
        good = inside & np.isfinite(channel.mean) & np.isfinite(dic) & np.isfinite(dic_sd)
        if good.sum() < 12:
            continue
        delta = _dic_of_gas(chain, channel.mean, good)
        noise = float(np.nanmedian(channel.sd[good] / np.sqrt(np.maximum(channel.n[good], 1))))
        terms = [t.noise_sd for t in chain.context.book.instrument(label).terms if t.quantity == "delta13c_co2"]
        if not np.isfinite(noise) or noise <= 0:
            noise = terms[0] if terms and terms[0] else 0.3
        for method, use, words in (
            ("stream_night", good & night, f"{label} by night against DIC from pH and alkalinity"),
            ("stream_24h", good, f"{label} against DIC from pH and alkalinity; {MIXED}"),
        ):
            _one_stream(chain, method, use, dic, dic_sd, delta, noise, words, found)


def _one_stream(
    chain: Chain,
    method: str,
    use: npt.NDArray[np.bool_],
    dic: FloatArray,
    dic_sd: FloatArray,
    delta: FloatArray,
    noise: float,
    words: str,
    found: dict[str, SourceEstimate],
) -> None:
    if use.sum() < 12:
        return
    slope = np.polyfit(dic[use] - dic[use].mean(), delta[use], 1)
    rest = np.where(use, delta - np.polyval(slope, dic - dic[use].mean()), np.nan)
    # Neighbouring blocks err alike (drift, alkalinity between bottles): so many of them count as one.
    alike = float(np.sqrt(alike_blocks(rest)))
    least = 1e-3

    def fit() -> SourceEstimate:
        return ledger.miller_tans(
            dic=dic[use], delta13c=delta[use], dic_sd=np.maximum(dic_sd[use], least) * alike,
            delta13c_sd=noise * alike,
        )  # fmt: skip

    _try(chain, method, SITE, list(np.flatnonzero(use)), fit, words, found)


def _dic_of_gas(chain: Chain, gas: FloatArray, good: npt.NDArray[np.bool_]) -> FloatArray:
    """Return δ13C of DIC in equilibrium with the dissolved CO2 that passed the membrane."""
    account = chain.account
    temperature = np.where(np.isfinite(chain.water.temperature), chain.water.temperature, np.nan)
    if account is None or not np.isfinite(temperature[good]).any():
        return gas
    temperature = np.where(np.isfinite(temperature), temperature, np.nanmean(temperature[good]))
    means = {name: float(np.nanmean(account.chemistry[name][0][good])) for name in ("dic", "total_alkalinity")}
    salinity = float(np.nanmean(chain.water.salinity[good]))
    solved = carbonate.solve(
        dic=means["dic"], total_alkalinity=means["total_alkalinity"],
        temperature=float(temperature[good].mean()),
        salinity=salinity if np.isfinite(salinity) else 35.0, outputs=("carbonate",),
    )  # fmt: skip
    share = float(np.asarray(solved["carbonate"])) / means["dic"]
    total = isotopes.dic_gas_zhang1995(temperature=temperature, carbonate_share=share)
    dissolved = isotopes.fractionation(of="co2_aqueous", relative_to="co2_gas", temperature=temperature)
    return np.asarray(isotopes.shift(delta=gas, enrichment=np.asarray(total) - np.asarray(dissolved)))


def _try(
    chain: Chain,
    method: str,
    subject: str,
    rows: list[Any],
    fit: Callable[[], SourceEstimate],
    words: str,
    found: dict[str, SourceEstimate],
) -> None:
    """Write one source, or why there is none."""
    whole = chain.spans[0]
    common: dict[str, Any] = {
        "quantity": QUANTITY, "method": method, "subject": subject, "period": "mission",
        "start_ns": whole.start_ns, "end_ns": whole.end_ns, "unit": UNIT, "n": len(rows), "trail": "isotopes",
    }  # fmt: skip
    try:
        source = fit()
    except ReeftallyError as error:
        chain.estimates.refuse(**common, reason=f"not resolved: {error}")
        return
    found[method if subject == SITE else f"{method} {subject}"] = source
    if not source.resolved:
        chain.estimates.refuse(
            **common,
            reason=f"not resolved: detectable limit {source.limit:.1f} ‰ (1 sd at best); {source.reason}; "
            f"bound {source.lower:.0f} to {source.upper:.0f} ‰; {words}",
        )
        return
    # The interval of the fit may be Student's; the factor keeps it.
    factor = (source.upper - source.value) / source.sd if source.sd > 0 else 1.959964
    chain.estimates.from_parts(
        **common, value=source.value, random_sd=source.sd, systematic_sd=0.0, coverage_factor=factor,
        reason=f"detectable limit {source.limit:.1f} ‰ (1 sd at best); {words}",
    )  # fmt: skip


def _candidates(chain: Chain, found: dict[str, SourceEstimate]) -> None:
    """Compare the source of the nights with the candidates that the book states."""
    prefix = "source_delta13c_"
    stated = {
        row.quantity.removeprefix(prefix): (row.value, row.sd)
        for row in chain.context.book.references
        if row.quantity.startswith(prefix)
    }
    name = "night_samples_without_carbonate" if "night_samples_without_carbonate" in found else "night_samples"
    best = found.get(name)
    if not stated or best is None:
        return
    estimate_shares(chain, best, stated, n=next(row.n for row in chain.estimates.rows if row.method == name))
    verdict = ledger.candidate_likelihoods(estimate=best.estimate, sd=best.sd, candidates=stated)
    shares = ", ".join(f"{name} {share:.2f}" for name, share in verdict.probability.items())
    chain.notes["delta13C candidates"] = f"{verdict.verdict} ({shares})"
