"""The trail: from an estimate to method, equation, source, constants, inputs and raw files.

Here:     one entry for each way a number is made, with the raw hashes, snapshot and revision behind it.
Not here: writing (`results`), showing (`reeftally.report`).
Rules:    every `trail` key of an estimate has an entry.
"""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from reeftally.analysis.account_inputs import account_inputs

if TYPE_CHECKING:
    from reeftally.analysis.run import Chain

__all__ = ["METHODS", "table_hashes", "trail_document"]

METHODS: dict[str, dict[str, Any]] = {
    "side_by_side": {
        "what": "Offsets and drifts of all sensors of a kind from one adjustment of what they said in one water.",
        "functions": ["reeftally.calibration.side_by_side.adjust"],
        "equation": "reading = true + offset + drift (t - t_ref) + settling + noise; the water in common eliminated",
        "sources": ["JCGM 102:2011, 6.2 (least squares with covariance)"],
    },
    "clocks": {
        "what": "Clock errors from comparisons with the reference clock.",
        "functions": ["reeftally.calibration.clocks.clock_segments"],
        "equation": "true = stamp + seconds + per_day * days",
        "sources": ["weighted straight line"],
    },
    "currents": {
        "what": "Friction velocity by covariance, dissipation and log law, and the best of the three.",
        "functions": [
            "reeftally.flow.burst",
            "reeftally.flow.law_of_the_wall",
            "reeftally.flow.friction_velocity_best",
        ],
        "equation": "u*^2 = |<u'w'>|; u* = (kappa z eps)^(1/3); U = (u*/kappa) ln((z - d)/z0)",
        "sources": [
            "Goring and Nikora 2002 with Wahl 2003 (despiking)",
            "Wilczak et al. 2001 (plane of the flow)",
            "Benilov and Filyushkin 1970; Bricker and Monismith 2007 (waves)",
            "Trowbridge and Elgar 2001; Feddersen 2010 (inertial subrange)",
        ],
    },
    "covariance": {
        "what": "Oxygen flux from the covariance of vertical velocity and fast oxygen, storage below added.",
        "functions": ["reeftally.exchange.eddy_covariance", "reeftally.exchange.pooled_lag"],
        "equation": "F = <w'c'> + integral of dC/dt below the sensor",
        "sources": [
            "Finkelstein and Sims 2001 (random error)",
            "Foken and Wichura 1996 (stationarity)",
            "Berg et al. 2015 (lag in waves)",
            "Rheuban, Berg and McGlathery 2014 (storage)",
        ],
    },
    "gradient": {
        "what": "Flux from block means at several heights and the friction velocity; offsets estimated with the flux "
        "where sensors exchanged places.",
        "functions": ["reeftally.exchange.gradient_flux", "reeftally.exchange.solve_offsets"],
        "equation": "F = kappa u* (C_lower - C_upper) / ln((z_upper - d)/(z_lower - d)), storage below added",
        "sources": ["McGillis et al. 2011", "Takeshita et al. 2016"],
    },
    "gradient_dic": {
        "what": "DIC flux from the pH gradient: with the alkalinity flux from bottles, or with the oxygen flux.",
        "functions": ["reeftally.exchange.gradient_flux", "reeftally.seawater.carbonate.solve"],
        "equation": "dDIC = (dpH - (dpH/dTA) dTA) / (dpH/dDIC); F_DIC = -F_O2/PQ + F_TA/2",
        "sources": ["Takeshita et al. 2016", "McGillis et al. 2011"],
    },
    "alkalinity_budget": {
        "what": "Alkalinity flux and net calcification from bottles inside and outside the basin.",
        "functions": ["reeftally.exchange.alkalinity_budget"],
        "equation": "F_TA = rho h (dTA/dt + (TA - TA_reference)/residence); NCC = -F_TA / 2",
        "sources": ["Falter et al. 2013", "Kinsey 1978 (alkalinity anomaly, from memory)"],
    },
    "visits": {
        "what": "Jet minus ambient of each visit of the carried sensors, found in the record, named by the slate.",
        "functions": [
            "reeftally.exchange.find_plateaus",
            "reeftally.exchange.match_slate",
            "reeftally.exchange.excurrent_difference",
        ],
        "equation": "level and response to a box of unit height by generalised least squares",
        "sources": ["Yahel et al. 2005 (in-current and ex-current sampling, from memory)"],
    },
    "organisms": {
        "what": "Pumping, uptake of single organisms, and their share of the community.",
        "functions": [
            "reeftally.exchange.pumping_rate",
            "reeftally.exchange.point_source",
            "reeftally.exchange.scaling.scale_to_community",
        ],
        "equation": "Q = ratio U pi D^2 / 4; J = Q (C_ambient - C_jet); sum over surveyed sizes times duty cycle",
        "sources": ["Morganti et al. 2021 (size)", "Hoffmann et al. 2008 (duty cycle)"],
    },
    "chemistry": {
        "what": "The carbonate system of the reef's water from pH and alkalinity, in trials.",
        "functions": ["reeftally.seawater.carbonate.solve", "reeftally.uncertainty.Trials"],
        "equation": "total alkalinity, DIC and equilibrium constants of the chosen sets",
        "sources": ["Dickson, Sabine and Christian 2007", "Lueker et al. 2000", "JCGM 101:2008"],
    },
    "twins": {
        "what": "Disagreement of the two references of one pH sensor; their mean is the pH, half of their difference a "
        "systematic standard uncertainty of its offset, half of the trend one of its drift.",
        "functions": ["reeftally.analysis.twins.disagreement_of", "reeftally.analysis.twins.widened"],
        "equation": "d = pH_internal - pH_external; pH = mean of the two; u = |d| / 2",
        "sources": [
            "Bresnahan et al. 2014 (two references, conditioning)",
            "JCGM 100:2008, 4.2.3 (mean of two values)",
        ],
    },
    "diel": {
        "what": "Swing and hours of the diel cycle: generalised least squares of a straight line and harmonics of 24 h "
        "and 12 h, residuals of neighbouring blocks alike; systematic terms in trials.",
        "functions": ["reeftally.analysis.diel.fit_cycle"],
        "equation": "y = level + slope t + sum over k = 1, 2 of a_k cos(2 pi k t / 24 h) + b_k sin(2 pi k t / 24 h)",
        "sources": ["Prais and Winsten 1954; Patterson and Thompson 1971 (correlated residuals)", "JCGM 101:2008"],
    },
    "metabolism": {
        "what": "Light curve of the community with respiration that follows the current; gross production is net "
        "production plus respiration in the light, taken equal to that in the dark at the same current.",
        "functions": ["reeftally.exchange.light_response", "reeftally.analysis.estimate_metabolism.fit_curve"],
        "equation": "P = Pmax tanh(I/Ik) - R (u*/u*_ref)^p; GPP = F_O2 + R; NCP = F_O2 / PQ",
        "sources": [
            "Jassby and Platt 1976 (light curve)",
            "Huber 1967 (covariance under the soft loss, from memory)",
            "Long et al. 2013 (respiration in the light)",
        ],
    },
    "agreement": {
        "what": "Covariance against gradient over common blocks: bias, line with errors in both axes, share of "
        "differences inside their own 95 %, suspects.",
        "functions": ["reeftally.exchange.agreement"],
        "equation": "F_covariance = a + b F_gradient",
        "sources": ["York et al. 2004 (line)", "Wilson 1927 (interval of a share, from memory)"],
    },
    "box": {
        "what": "Oxygen flux from the balance of the basin: change, exchange with the reference water, gas exchange.",
        "functions": ["reeftally.exchange.open_water_balance", "reeftally.exchange.gas_exchange"],
        "equation": "F = h dC/dt - F_gas - h (C_reference - C) / residence",
        "sources": ["Odum 1956, with exchange", "Wanninkhof 2014 (gas transfer)"],
    },
    "closure": {
        "what": "Independent lines for the local DIC excess in shared trials, their ratio and their chi-square; what a "
        "reference water 0.01 higher in pH would change.",
        "functions": [
            "reeftally.ledger.excess_from_flux",
            "reeftally.ledger.excess_from_difference",
            "reeftally.ledger.excess_from_organisms",
            "reeftally.ledger.closure",
        ],
        "equation": "C = residence ((F_bed + F_gas) / (rho h) - dC/dt); chi-square of the lines about their common "
        "value with the covariance of the trials",
        "sources": ["one well-mixed box (common practice)", "JCGM 101:2008"],
    },
    "isotopes": {
        "what": "Source of the added carbon: slope of DIC times its carbon-13 on DIC, and differences of two waters.",
        "functions": [
            "reeftally.ledger.miller_tans",
            "reeftally.ledger.paired_source",
            "reeftally.ledger.remove_carbonate",
            "reeftally.ledger.mix",
        ],
        "equation": "delta C = delta_s C + constant; delta_s = (C2 delta2 - C1 delta1) / (C2 - C1); "
        "share of A = (delta_s - delta_B) / (delta_A - delta_B)",
        "sources": [
            "Miller and Tans 2003",
            "York et al. 2004 (line)",
            "Zhang, Quay and Wilbur 1995 (CO2 to DIC)",
            "Phillips and Gregg 2001 (shares and their errors)",
        ],
    },
    "long_record": {
        "what": "Trend of calendar months by generalised least squares with AR(1) noise, two harmonics of the year and "
        "what calibration leaves open; gaps stay gaps; the ordinary fit and the median slope of years stand beside it.",
        "functions": ["reeftally.ledger.trend", "reeftally.ledger.theil_sen", "reeftally.ledger.detection_years"],
        "equation": "y = mean + slope t + harmonics + calibration errors + noise, correlation phi^|months|; "
        "n* = (3.3 sd / |slope| sqrt((1 + phi) / (1 - phi)))^(2/3)",
        "sources": [
            "Tiao et al. 1990 (generalised least squares)",
            "Weatherhead et al. 1998 (years to detect)",
            "Sutton et al. 2022 (order of the steps)",
            "Sen 1968 (median of slopes)",
        ],
    },
    "sensor_change": {
        "what": "Offset and drift of every deployment from service bottles, overlaps and priors in one adjustment; the "
        "step at a logged change from bottles, overlap and series.",
        "functions": ["reeftally.ledger.refer_to_bottles", "reeftally.ledger.step_test"],
        "equation": "reading = true + offset + drift (t - middle) + noise",
        "sources": ["JCGM 102:2011, 6.2 (least squares with covariance)", "service visits: common practice, no source"],
    },
    "history": {
        "what": "A year's mean, night minimum, daily range, hours below the site's own value and reef minus reference, "
        "and its place among earlier years; calibration errors that years share are drawn once.",
        "functions": ["reeftally.analysis.status.estimate_status", "reeftally.ledger.rank_in_history"],
        "equation": "means over blocks, nights and days of pH referred to service bottles",
        "sources": ["JCGM 101:2008", "comparison with a site's own history: Flower et al. 2017 (from memory)"],
    },
    "account": {
        "what": "Order-independent split of the change of pH and aragonite saturation between drivers, in trials.",
        "functions": ["reeftally.ledger.decompose", "reeftally.exchange.gas_exchange", "reeftally.uncertainty.Trials"],
        "equation": "Shapley value of each driver on the full carbonate system; parts add to the total in every trial",
        "sources": ["Shapley 1953", "Wanninkhof 2014 (gas transfer)", "JCGM 101:2008"],
    },
}


def table_hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every table that the crew wrote, by file name."""
    return {path.name: sha256(path.read_bytes()).hexdigest() for path in sorted((folder / "tables").glob("*.csv"))}


def trail_document(chain: Chain, *, software: dict[str, Any]) -> dict[str, Any]:
    """Return the content of `trail.json`."""
    context = chain.context
    analysis = context.book.analysis
    used = {row.trail for row in chain.estimates.rows}
    unknown = sorted(used - METHODS.keys())
    if unknown:
        message = f"estimates point at trails without an entry: {unknown}"
        raise KeyError(message)
    return {
        "snapshot": context.snapshot,
        "book_revision": context.revision,
        "decisions": list(context.decisions),
        "software": software,
        "settings": analysis.model_dump(mode="json"),
        "site": context.book.site.model_dump(mode="json"),
        "methods": {name: METHODS[name] for name in sorted(used)},
        "inputs": {label: sorted(hashes) for label, hashes in sorted(context.used.items())},
        "tables": table_hashes(context.folder),
        "records": _records(chain),
        "velocimeters": {
            v.label: {"rotation": v.rotation, "blocks": len(v.records), "rate_hz": v.sample_rate}
            for v in chain.velocimeters
        },
        "refused_bursts": chain.currents.refused,
        "sensors": _sensors(chain),
        "reference_water": {
            name: {
                "value": value,
                "random_sd": chain.model.reference.random_sd[name],
                "from": chain.model.reference.source[name],
            }
            for name, value in chain.model.reference.values.items()
        },
        "air": None
        if chain.air is None
        else {"co2_now": chain.air.co2_now, "co2_now_sd": chain.air.co2_now_sd, "co2_past": chain.air.co2_past,
              "pressure_hpa": chain.air.pressure, "from": chain.air.source},
        "account_inputs": account_inputs(chain),
        "notes": {**chain.model.notes, **chain.notes},
        "largest_difference_of_parts_and_total": None if chain.account is None else chain.account.worst_sum,
    }  # fmt: skip


def _records(chain: Chain) -> dict[str, Any]:
    """Return samples, flags and limits of each slow record."""
    return {
        label: {
            "samples": blocks.samples,
            "flags": {channel: flags.counts() for channel, flags in blocks.flags.items()},
            "limits": {channel: flags.limits for channel, flags in blocks.flags.items()},
            "withheld": blocks.withheld,
        }
        for label, blocks in sorted(chain.slow.items())
    }


def _sensors(chain: Chain) -> dict[str, Any]:
    """Return what the side by side says of each quantity."""
    out: dict[str, Any] = {}
    for quantity, offsets in chain.offsets.items():
        adjustment = offsets.adjustment
        sd = np.sqrt(np.maximum(np.diag(adjustment.covariance)[: adjustment.shape.sensors], 0.0))
        out[quantity] = {
            "sensors": list(offsets.labels),
            "laboratories": list(offsets.laboratories),
            "blocks": adjustment.blocks,
            "range": adjustment.value_range,
            "offset": adjustment.offset.tolist(),
            "offset_sd": sd.tolist(),
            "noise": adjustment.sensors_noise.tolist(),
            "covariance": adjustment.covariance.tolist(),
        }
    return out
