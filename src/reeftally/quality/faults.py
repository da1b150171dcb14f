"""Which fault: causes ranked from the pattern in a sensor, its neighbours and what is known of it.

Here:     `diagnose`: fouling, bubble, settling, stuck, swapped streams, wrong salinity setting, wrong scale, wrong
          height, upside down, clock, zone, cable or power, drift, moved, calibration, or a true signal.
Not here: finding that something is odd (`record`, `stream`), mending it, files.
Rules:    "true signal" is the ground: a fault is named only if it explains the record better than neighbours who saw
          the same. Every cause carries its evidence; the first two carry the one test that would separate them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reeftally._checks import FloatArray
from reeftally.errors import InputError, ShapeError
from reeftally.quality._patterns import Blocks, Fit, fit_columns, make_blocks, predict_from_neighbours, runs_of
from reeftally.quality._separating import evidence_words, separating_test
from reeftally.seawater.oxygen import salinity_factor
from reeftally.seawater.ph import convert_scale

__all__ = ["CAUSES", "Cause", "Diagnosis", "Suspect", "diagnose", "ph_scale_shifts"]

DAY_S = 86400.0
CAUSES = (
    "true signal", "fouling", "bubble", "settling", "stuck", "swapped streams", "salinity setting", "ph scale",
    "height", "upside down", "clock", "zone", "cable or power", "drift", "moved", "calibration",
)  # fmt: skip
_ZONE_HOURS = np.array([h for h in np.arange(-12.0, 14.1, 0.5) if h != 0.0])
_FREE = float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A sensor in doubt and what is known around it; all records at the same times."""

    time: FloatArray
    """(n,), regular. [s]"""
    values: FloatArray
    """(n,), known offset taken off; NaN where a sample was lost."""
    quantity: str
    noise_sd: float
    """Of one sample."""
    offset_sd: float
    """How large an offset to its neighbours may be without being a fault."""
    neighbours: FloatArray
    """(k, n): the same quantity at neighbours, known offsets taken off."""
    names: tuple[str, ...] = ()
    height: float | None = None
    neighbour_heights: tuple[float, ...] | None = None
    """Heights above the displacement plane. [m]"""
    light: FloatArray | None = None
    temperature: float = 27.0
    salinity: float = 35.0
    started: float | None = None
    """When it went in or was switched on. [s]"""
    cleanings: tuple[float, ...] = ()
    restarts: tuple[float, ...] = ()
    """Restarts noted by power or hub. [s]"""
    vertical_z: float | None = None
    """Velocimeters: combined z of `reeftally.flow.orientation`, negative when momentum seems to go upward."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One possible cause."""

    name: str
    support: float
    """Nats by which it explains the record better than a true signal does."""
    evidence: str
    numbers: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Causes, likeliest first."""

    causes: tuple[Cause, ...]
    separating_test: str
    """The one test that would separate the first two."""

    @property
    def first(self) -> str:
        """Name of the likeliest cause."""
        return self.causes[0].name


def ph_scale_shifts(*, temperature: float, salinity: float) -> dict[str, float]:
    """PH read on another scale, or at 25 degC, minus total-scale pH in place, by name."""
    shifts = {
        name: float(
            convert_scale(ph=8.05, from_scale="total", to_scale=name, temperature=temperature, salinity=salinity)
        )
        - 8.05
        for name in ("free", "seawater", "nbs")
    }
    # Temperature effect on pH of closed seawater, -0.0151 per degree (Guide 2007 states about -0.015, from memory).
    shifts["at 25 degC"] = -0.0151 * (25.0 - temperature)
    return shifts


def diagnose(suspect: Suspect) -> Diagnosis:
    """Rank the causes of what a sensor shows.

    Parameters
    ----------
    suspect : Suspect

    Returns
    -------
    Diagnosis
        All causes that apply to the quantity, likeliest first.

    Raises
    ------
    ShapeError, InputError
        If the records do not fit together or hold too little.

    Notes
    -----
    The neighbours (a line in ln(height) through them where heights are known) say what the sensor should read. Each
    cause leaves its own pattern in the difference; patterns are fitted to block means by least squares and compared
    by log likelihood with the Schwarz penalty (Schwarz 1978, Annals of Statistics 6, 461), on the noise that the best
    of them leaves. Equal values, lost samples and rough noise add their own likelihoods.
    """
    n = suspect.time.size
    if suspect.values.shape != (n,) or suspect.neighbours.ndim != 2 or suspect.neighbours.shape[1] != n:
        message = (
            f"time has {n} samples, values {suspect.values.shape}, neighbours {suspect.neighbours.shape}; "
            "all need the same times, neighbours as (k, n)."
        )
        raise ShapeError(message)
    if n < 60:
        message = f"diagnose found {n} samples; it needs 60."
        raise InputError(message)
    heights = None if suspect.neighbour_heights is None else np.asarray(suspect.neighbour_heights, dtype=np.float64)
    predicted, slope = predict_from_neighbours(suspect.neighbours, heights, suspect.height)
    blocks = make_blocks(suspect.time, suspect.values, predicted, slope, suspect.noise_sd)
    if np.isfinite(blocks.difference).sum() < 12:
        message = "the sensor and its neighbours have fewer than 12 blocks in common."
        raise InputError(message)
    fits = _all(suspect, blocks)
    null = fits["true signal"]
    # The best pattern leaves the noise that all are measured by. Its variance over that of steps between blocks is
    # 1 / (1 - phi) for patches of water that last, and slow patterns then count (1 - phi) / (1 + phi) as much.
    least = min(f.squares for f in fits.values())
    ratio = max(1.0, least / max(np.isfinite(blocks.difference).sum(), 1))
    inflation = ratio * (2.0 * ratio - 1.0)
    causes = [
        Cause(
            name=name,
            support=0.5 * (null.squares - fit.squares) / inflation + fit.bonus - fit.cost,
            evidence=evidence_words(name, fit, cleaned=bool(suspect.cleanings), names=suspect.names),
            numbers=fit.numbers,
        )
        for name, fit in fits.items()
    ]
    ranked = tuple(sorted(causes, key=lambda c: -c.support))
    return Diagnosis(causes=ranked, separating_test=separating_test(ranked[0].name, ranked[1].name))


def _all(s: Suspect, b: Blocks) -> dict[str, Fit]:
    d, sigma = b.difference, b.sigma
    one = np.ones(d.size)
    half_log = 0.5 * float(np.log(max(np.isfinite(d).sum(), 2)))
    tight = [s.offset_sd]
    squares, beta = fit_columns(d, [one], tight, sigma)
    fits = {"true signal": Fit(squares=squares, cost=0.0, numbers={"offset": float(beta[0])})}
    # A factory or conversion offset of any size: ten times what is usual.
    squares, beta = fit_columns(d, [one], [_FREE], sigma)
    fits["calibration"] = Fit(squares=squares, cost=half_log + 2.0, numbers={"offset": float(beta[0])})
    days = (b.time - b.time[0]) / DAY_S
    squares, beta = fit_columns(d, [one, days], [s.offset_sd, _FREE], sigma)
    fits["drift"] = Fit(squares=squares, cost=half_log + 1.0, numbers={"per_day": float(beta[1])})
    fits["settling"] = _settling(s, b, half_log)
    fits["fouling"] = _fouling(s, b, half_log)
    fits["moved"] = _moved(s, b, half_log)
    fits["clock"], fits["zone"] = _clock(s, b, half_log)
    fits["stuck"] = _stuck(s, b)
    fits["bubble"] = _bubble(s, b, half_log)
    fits["cable or power"] = _cable(s, b)
    if np.any(b.slope != 0.0):
        squares, beta = fit_columns(d, [one, b.slope], [s.offset_sd, 0.7], sigma)
        fits["height"] = Fit(squares=squares, cost=half_log, numbers={"log_ratio": float(beta[1])})
    if s.neighbours.shape[0] >= 2:
        fits["swapped streams"] = _swapped(s, b, half_log)
    if s.quantity.startswith("oxygen"):
        fits["salinity setting"] = _salinity(s, b)
    if s.quantity.startswith("ph_"):
        fits["ph scale"] = _scale(s, b)
    if s.quantity.startswith("velocity"):
        fits["upside down"] = _upside_down(s, b)
    return fits


def _settling(s: Suspect, b: Blocks, half_log: float) -> Fit:
    start = b.time[0] if s.started is None else s.started
    since = np.maximum(b.time - start, 0.0) / DAY_S
    best = (np.inf, 0.0, np.zeros(2))
    for tau in np.geomspace(0.05, 4.0, 14):
        squares, beta = fit_columns(
            b.difference, [np.ones(since.size), np.exp(-since / tau)], [s.offset_sd, _FREE], b.sigma
        )
        if squares < best[0]:
            best = (squares, float(tau), beta)
    return Fit(
        squares=best[0], cost=2.0 * half_log, numbers={"amplitude": float(best[2][1]), "days": best[1]}
    )  # fmt: skip


def _fouling(s: Suspect, b: Blocks, half_log: float) -> Fit:
    light = None
    if s.light is not None:
        at = np.interp(b.time, s.time, np.where(np.isfinite(s.light), s.light, 0.0))
        top = float(at.max())
        light = at / top - float(at.mean()) / top if top > 0 else None
    best = Fit(squares=np.inf, cost=0.0)
    span = float(b.time[-1] - b.time[0])
    for onset in b.time[0] + span * np.linspace(0.0, 0.8, 17):
        grown = np.maximum(b.time - onset, 0.0)
        for cleaned in s.cleanings:
            if cleaned > onset:
                # Cleaning takes all of it away; growth begins anew.
                grown = np.where(b.time >= cleaned, np.minimum(grown, np.maximum(b.time - cleaned, 0.0)), grown)
        grown = grown / DAY_S
        columns, priors = [np.ones(grown.size), grown], [s.offset_sd, _FREE]
        if light is not None:
            columns.append(grown * light)
            priors.append(_FREE)
        squares, beta = fit_columns(b.difference, columns, priors, b.sigma)
        if squares < best.squares:
            numbers = {"per_day": float(beta[1]), "onset_days": float(onset - b.time[0]) / DAY_S}
            if light is not None:
                numbers["by_light"] = float(beta[2])
            best = Fit(squares=squares, cost=half_log * len(columns), numbers=numbers)
    return best


def _moved(s: Suspect, b: Blocks, half_log: float) -> Fit:
    best = Fit(squares=np.inf, cost=0.0)
    n = b.time.size
    for at in range(4, n - 4, max(1, n // 96)):
        later = (np.arange(n) >= at).astype(np.float64)
        squares, beta = fit_columns(b.difference, [np.ones(n), later], [s.offset_sd, _FREE], b.sigma)
        if squares < best.squares:
            best = Fit(
                squares=squares,
                cost=2.0 * half_log + 1.0,
                numbers={"step": float(beta[1]), "day": float(b.time[at] - b.time[0]) / DAY_S},
            )
    return best


def _clock(s: Suspect, b: Blocks, half_log: float) -> tuple[Fit, Fit]:
    """Any lag, and a lag of a whole number of half hours give or take a minute."""
    good = np.isfinite(b.predicted)
    # The neighbours alone go on where the sensor was out; outside the record nothing is known.
    alone, _ = predict_from_neighbours(
        s.neighbours, None if s.neighbour_heights is None else np.asarray(s.neighbour_heights), s.height
    )
    whole = make_blocks(s.time, alone, alone, np.zeros(alone.size), s.noise_sd)
    good = np.isfinite(whole.values)
    if good.sum() < 12:
        return Fit(squares=np.inf, cost=0.0), Fit(squares=np.inf, cost=0.0)
    base, _ = fit_columns(b.difference, [np.ones(b.time.size)], [s.offset_sd], b.sigma)
    n = int(np.isfinite(b.difference).sum())

    def left(lag: float) -> float:
        shifted = np.interp(b.time - lag, whole.time[good], whole.values[good], left=np.nan, right=np.nan)
        rest = b.values - shifted
        used = int(np.isfinite(rest).sum())
        if used < 0.4 * n:
            return np.inf
        squares, _ = fit_columns(rest, [np.ones(rest.size)], [s.offset_sd], b.sigma)
        # Blocks that fall off the end are counted at the mean of the sensor-is-right fit, neither gain nor loss.
        return squares + base * (1.0 - used / n)

    reach = min(14 * 3600.0, 0.5 * float(np.ptp(b.time)))
    lags = np.arange(-reach, reach + 1.0, b.length)
    found = np.array([left(float(lag)) for lag in lags])
    top = float(lags[int(np.argmin(found))])
    fine = top + np.linspace(-1.0, 1.0, 41) * b.length
    finer = np.array([left(float(lag)) for lag in fine])
    lag = float(fine[int(np.argmin(finer))])
    clock = Fit(
        squares=float(min(finer.min(), found.min())),
        cost=half_log + float(np.log(2.0 * 14.0 * 3600.0 / 60.0)),
        numbers={"lag": lag},
    )
    hours = _ZONE_HOURS[np.abs(_ZONE_HOURS) * 3600.0 <= reach]
    best, which = np.inf, 0.0
    for hour in hours:
        for extra in (-45.0, 0.0, 45.0):
            value = left(float(hour) * 3600.0 + extra)
            if value < best:
                best, which = value, float(hour)
    return clock, Fit(squares=best, cost=half_log + float(np.log(_ZONE_HOURS.size)), numbers={"hours": which})


def _masked(s: Suspect, b: Blocks, mask: FloatArray) -> tuple[float, int]:
    """Squares left if blocks under the mask say nothing; a masked block counts as an ordinary one."""
    d = np.where(mask > 0, np.nan, b.difference)
    lost = int((np.isfinite(b.difference) & (mask > 0)).sum())
    if np.isfinite(d).sum() < 6:
        return np.inf, lost
    squares, _ = fit_columns(d, [np.ones(d.size)], [s.offset_sd], b.sigma)
    return squares + lost, lost


def _over(b: Blocks, s: Suspect, mask: FloatArray) -> FloatArray:
    """Share of each block's samples under a mask of samples."""
    n = b.time.size
    size = s.time.size // n
    return np.asarray(mask[: n * size].reshape(n, size).mean(axis=1))


def _stuck(s: Suspect, b: Blocks) -> Fit:
    same = np.concatenate(([False], np.diff(s.values) == 0.0))
    share = float(np.clip(np.median([part.mean() for part in np.array_split(same, 24)]), 1e-3, 0.98))
    mask = np.zeros(s.values.size)
    repeats, longest = 0, 0
    for first, end in runs_of(same):
        # Longer than chance allows at one in a thousand for the whole record.
        if (end - first) * np.log(share) < np.log(1e-3 / s.values.size) and end - first >= 5:
            mask[first - 1 : end] = 1.0
            repeats += end - first
            longest = max(longest, end - first)
    if not repeats:
        return Fit(squares=np.inf, cost=0.0, numbers={"longest": 0.0})
    squares, _ = _masked(s, b, (_over(b, s, mask) > 0.2).astype(np.float64))
    step = float(np.median(np.diff(s.time)))
    bonus = -repeats * float(np.log(share)) + float(np.log(1e-3 / s.values.size))
    return Fit(
        squares=squares, cost=3.0, bonus=bonus, numbers={"longest": float(longest), "minutes": longest * step / 60}
    )


def _bubble(s: Suspect, b: Blocks, half_log: float) -> Fit:
    rough_blocks = b.rough[np.isfinite(b.rough)]
    if not rough_blocks.size:
        # Blocks of one sample each have no roughness to judge.
        return Fit(squares=np.inf, cost=0.0, numbers={"stretches": 0.0})
    usual = float(np.median(rough_blocks))
    d = b.difference - float(np.nanmedian(b.difference))
    size = max(1, s.time.size // b.time.size)
    rough = np.nan_to_num(b.rough) > 2.5 * max(usual, 1e-12)
    away = np.abs(d) > 4.0 * b.sigma
    mask = rough & away
    # A bubble holds for a while: blocks beside one that still stand away belong to it.
    for first, end in runs_of(rough | away):
        if rough[first:end].mean() > 0.4 and away[first:end].mean() > 0.4:
            mask[first:end] = True
    held = runs_of(mask)
    if not held or mask.mean() > 0.45:
        return Fit(squares=np.inf, cost=0.0, numbers={"stretches": float(len(held))})
    sides = d[mask][np.isfinite(d[mask])]
    one_sided = max((sides > 0).mean(), (sides < 0).mean()) if sides.size else 0.0
    squares, _ = _masked(s, b, mask.astype(np.float64))
    # Likelihood ratio of a larger noise in those blocks, for the samples' own degrees of freedom.
    ratio = np.clip(b.rough[mask & rough] / max(usual, 1e-12), 1.0, 30.0)
    bonus = float(np.sum(0.5 * (size - 1) * (ratio**2 - 1.0 - 2.0 * np.log(ratio)))) if size > 2 else 0.0
    return Fit(
        squares=squares,
        cost=half_log * 3.0 * len(held) + (50.0 if one_sided < 0.8 else 0.0),
        bonus=min(bonus, 1e5),
        numbers={"stretches": float(len(held)), "share": float(mask.mean()), "one_sided": float(one_sided)},
    )


def _cable(s: Suspect, b: Blocks) -> Fit:
    lost = ~np.isfinite(s.values)
    runs = [(a, e) for a, e in runs_of(lost) if e - a >= 3]
    # Samples at one and the same foreign value (a rail, zero) are no measurement either.
    finite = s.values[~lost]
    rail = np.zeros(s.values.size, dtype=bool)
    if finite.size:
        level, counts = np.unique(finite, return_counts=True)
        spread = 1.4826 * float(np.median(np.abs(finite - np.median(finite)))) + 1e-12
        far = np.abs(level - np.median(finite)) > 12.0 * spread
        for value in level[far & (counts >= 3)]:
            rail |= s.values == value
    mask = (lost | rail).astype(np.float64)
    around = np.convolve(mask, np.ones(3), "same") > 0
    squares, _ = _masked(s, b, (_over(b, s, around.astype(np.float64)) > 0.0).astype(np.float64))
    # Loss of single packets, three in a hundred, is ordinary; a run of them is not.
    bonus = sum(min(e - a, 20) for a, e in runs) * float(np.log(1.0 / 0.03)) + float(rail.sum()) * 4.0
    near = sum(any(abs(s.time[a] - r) < 600.0 or abs(s.time[e - 1] - r) < 600.0 for r in s.restarts) for a, e in runs)
    if not runs and not rail.any():
        return Fit(squares=np.inf, cost=0.0, numbers={"dropouts": 0.0})
    return Fit(
        squares=squares,
        cost=8.0 + 2.0 * len(runs),
        bonus=bonus + 6.0 * near,
        numbers={"dropouts": float(len(runs)), "restarts": float(near), "rail": float(rail.sum())},
    )


def _swapped(s: Suspect, b: Blocks, half_log: float) -> Fit:
    """The subject and one neighbour in each other's place for some stretch of the record."""
    k = s.neighbours.shape[0]
    heights = None if s.neighbour_heights is None else np.asarray(s.neighbour_heights, dtype=np.float64)
    best = Fit(squares=np.inf, cost=0.0)
    base, _ = fit_columns(b.difference, [np.ones(b.time.size)], [s.offset_sd], b.sigma)
    for partner in range(k):
        rest = [i for i in range(k) if i != partner]
        others = s.neighbours[rest]
        z = None if heights is None else heights[rest]
        own, _ = predict_from_neighbours(others, z, s.height)
        theirs, _ = predict_from_neighbours(others, z, None if heights is None else float(heights[partner]))
        a = make_blocks(s.time, s.values, own, 0 * own, s.noise_sd)
        c = make_blocks(s.time, s.neighbours[partner], theirs, 0 * theirs, s.noise_sd)
        sigma = max(a.sigma, c.sigma)
        straight = [a.values - a.predicted, c.values - c.predicted]
        crossed = [c.values - a.predicted, a.values - c.predicted]
        plain = _two_offsets(straight, s.offset_sd, sigma)
        n = a.time.size
        stride = max(1, n // 32)
        cuts = range(0, n + 1, stride)
        for first in cuts:
            for end in cuts:
                if end - first < 4 or (first > 0 and end < n):
                    continue
                inside = np.zeros(n, dtype=bool)
                inside[first:end] = True
                mixed = [np.where(inside, x, y) for x, y in zip(crossed, straight, strict=True)]
                gain = plain - _two_offsets(mixed, s.offset_sd, sigma, inside.astype(np.float64))
                # On the scale of the subject's own fit: what the crossing explains in both records.
                if base - gain < best.squares:
                    best = Fit(
                        squares=base - gain,
                        cost=2.0 * half_log + float(np.log(64.0 * k)),
                        numbers={
                            "partner": float(partner),
                            "from_days": float(first * b.length) / DAY_S,
                            "to_days": float(end * b.length) / DAY_S,
                        },
                    )
    return best


def _two_offsets(
    differences: list[FloatArray], offset_sd: float, sigma: float, inside: FloatArray | None = None
) -> float:
    """Squares left of two records with an offset each, and within a crossing one of equal size and opposite sign.

    The last is there because offsets known from side by side are taken off by name: crossed streams carry each
    other's.
    """
    n = differences[0].size
    zero, one = np.zeros(n), np.ones(n)
    columns = [np.concatenate([one, zero]), np.concatenate([zero, one])]
    priors = [offset_sd, offset_sd]
    if inside is not None:
        columns.append(np.concatenate([inside, -inside]))
        priors.append(_FREE)
    return fit_columns(np.concatenate(differences), columns, priors, sigma)[0]


def _salinity(s: Suspect, b: Blocks) -> Fit:
    best = Fit(squares=np.inf, cost=0.0)
    factor = float(salinity_factor(temperature=s.temperature, salinity=s.salinity, salinity_setting=0.0))
    for name, ratio in (("setting 0 taken for the water's", 1.0 / factor), ("corrected twice", factor)):
        rest = b.values - ratio * b.predicted
        squares, _ = fit_columns(rest, [np.ones(rest.size)], [s.offset_sd], b.sigma)
        if squares < best.squares:
            best = Fit(
                squares=squares, cost=float(np.log(2.0)), numbers={"ratio": ratio, "twice": float("twice" in name)}
            )
    return best


def _scale(s: Suspect, b: Blocks) -> Fit:
    best = Fit(squares=np.inf, cost=0.0)
    for number, shift in enumerate(ph_scale_shifts(temperature=s.temperature, salinity=s.salinity).values()):
        rest = b.difference - shift
        squares, _ = fit_columns(rest, [np.ones(rest.size)], [s.offset_sd], b.sigma)
        if abs(shift) > 0.03 and squares < best.squares:
            best = Fit(squares=squares, cost=float(np.log(4.0)), numbers={"shift": shift, "which": float(number)})
    return best


def _upside_down(s: Suspect, b: Blocks) -> Fit:
    rest = b.values + b.predicted
    squares, _ = fit_columns(rest, [np.ones(rest.size)], [s.offset_sd], b.sigma)
    z = s.vertical_z or 0.0
    return Fit(squares=squares, cost=1.0, bonus=0.5 * z * abs(z) * -1.0, numbers={"z": z})
