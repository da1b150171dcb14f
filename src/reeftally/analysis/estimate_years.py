"""Estimates of a long record: trends, their local part, noise, years to detect, steps at sensor changes.

Here:     rows from the monthly record of every station and from the difference of two.
Not here: the months (`long_record`), the state of single years (`status`), the fits (`reeftally.ledger`).
Rules:    the ordinary fit stands beside the honest one and says why it is too narrow; only the difference to the open
          water, or to equilibrium with the air, tells of local change; a step is tested at logged changes only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from reeftally import ledger
from reeftally._checks import FloatArray
from reeftally.analysis.atmosphere import atmosphere_table
from reeftally.analysis.context import Context
from reeftally.analysis.estimates import Estimate, Estimates, iso
from reeftally.analysis.long_record import DAYS, YEAR_NS, Change, StationRecord, years_since
from reeftally.analysis.offsets import LABORATORY_SD
from reeftally.analysis.water import mission_constants
from reeftally.errors import InputError
from reeftally.ledger import Step, Trend
from reeftally.mission import Book, to_ns
from reeftally.seawater import carbonate

__all__ = ["Series", "air_co2", "estimate_series", "estimate_steps", "local_series", "station_series", "step_of"]

# The step for which the power of the series alone is told: about ten years of the ocean's fall.
POWER_FOR = 0.015
CLAIM = 0.01
SEASON = 2
"""Harmonics of the year."""
DRAWS = 20_000
FEWEST_MONTHS = 5
"""Of a year whose mean may stand in the robust slope."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """A monthly series whose trend is asked for."""

    quantity: str
    """Of its trend: `ph_trend`, or `ph_trend_local` for a difference."""
    suffix: str
    """Added to the names of what follows from the trend: years to detect, emergence."""
    method: str
    """What the fit is called."""
    subject: str
    month: FloatArray
    """[yr]"""
    value: FloatArray
    shapes: FloatArray
    """Calibration errors, (months, k)."""
    what: str
    """In words, for the reason."""


def station_series(record: StationRecord) -> Series:
    """Return the record of one station, referred to its bottles."""
    return Series(
        quantity="ph_trend", suffix="", method="gls_ar1", subject=record.name, month=record.month,
        value=record.monthly, shapes=record.shapes, what=f"pH at {record.name}, referred to service bottles",
    )  # fmt: skip


def local_series(record: StationRecord, reference: StationRecord) -> Series:
    """Return reef minus reference: the part that is made here."""
    return Series(
        quantity="ph_trend_local", suffix="_local", method="gls_ar1_minus_reference", subject=record.name,
        month=record.month, value=record.monthly - reference.monthly,
        shapes=np.hstack([record.shapes, -reference.shapes]), what=f"pH at {record.name} minus pH at {reference.name}",
    )  # fmt: skip


def air_co2(book: Book, time_ns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return CO2 of the air in time, from the book's yearly values or the shipped table; never extrapolated.

    Returns
    -------
    (value, shapes)
        Dry mole fraction at `time_ns`, on the straight lines through the means of the periods, NaN in years without
        one; and what one standard uncertainty of each period's mean adds, (times, periods). [µmol mol-1]
    """
    stated = [row for row in book.references_of("air_co2") if row.start is not None and row.end is not None]
    if stated:
        rows = sorted((to_ns(row.start), to_ns(row.end), row.value, row.sd) for row in stated if row.start and row.end)
        bounds = np.array([row[:2] for row in rows], dtype=np.float64)
        means, sd = np.array([row[2] for row in rows]), np.array([row[3] for row in rows])
    else:
        years, table = atmosphere_table()
        edges = np.array([f"{int(y)}-01" for y in [*years, years[-1] + 1]], dtype="datetime64[M]")
        ns = edges.astype("datetime64[ns]").astype(np.float64)
        bounds, means = np.column_stack([ns[:-1], ns[1:]]), table
        # Uncertainty of an annual mean of the marine surface as its laboratory states it: 0.05 to 0.10.
        sd = np.full(means.size, 0.1)
    at = np.asarray(time_ns, dtype=np.float64)
    period = np.maximum(np.searchsorted(bounds[:, 0], at, side="right") - 1, 0)
    inside = (at >= bounds[0, 0]) & (at < bounds[period, 1])
    middle = bounds.mean(axis=1)
    # Within the first and the last period the mean holds for the whole of it: its neighbours' slope goes on.
    left = np.clip(np.searchsorted(middle, at) - 1, 0, max(middle.size - 2, 0))
    right = np.minimum(left + 1, middle.size - 1)
    share = (at - middle[left]) / np.where(right > left, middle[right] - middle[left], np.inf)
    weights = np.zeros((at.size, middle.size))
    rows_of = np.arange(at.size)
    weights[rows_of, left] += 1.0 - share
    weights[rows_of, right] += share
    return np.where(inside, weights @ means, np.nan), weights * sd


def equilibrium_series(context: Context, record: StationRecord) -> tuple[FloatArray, FloatArray] | str:
    """Return pH in equilibrium with the air by month, and what the air's uncertainty adds; or what is missing."""
    stated = context.book.reference("total_alkalinity")
    alkalinity = record.alkalinity[0] if record.alkalinity is not None else (stated.value if stated else None)
    if alkalinity is None:
        return "total alkalinity of the station (bottles, or a reference of the book)"
    middle = record.month_edges_ns[:-1] + np.diff(record.month_edges_ns) // 2
    xco2, air_shapes = air_co2(context.book, middle.astype(np.float64))
    if not np.isfinite(xco2).all():
        return "CO2 of the air for every year of the record (references `air_co2` with start and end, or the table)"
    state: dict[str, Any] = {
        "total_alkalinity": alkalinity,
        "temperature": record.monthly_temperature,
        "salinity": record.monthly_salinity,
        "constants": mission_constants(context),
        "outputs": ("ph_total",),
    }
    ph = np.asarray(carbonate.solve(xco2=xco2, **state)["ph_total"])
    higher = np.asarray(carbonate.solve(xco2=xco2 + 1.0, **state)["ph_total"])
    slope = np.where(np.isfinite(higher - ph), higher - ph, 0.0)
    return ph, np.asarray(slope[:, None] * air_shapes)


def equilibrium_local(record: StationRecord, ph: FloatArray, shapes: FloatArray) -> Series:
    """Return reef minus equilibrium with the air at the reef's own temperature, salinity and alkalinity."""
    return Series(
        quantity="ph_trend_local", suffix="_local", method="gls_ar1_minus_equilibrium", subject=record.name,
        month=record.month, value=record.monthly - ph, shapes=np.hstack([record.shapes, -shapes]),
        what=f"pH at {record.name} minus pH in equilibrium with the air",
    )  # fmt: skip


def _span(context: Context) -> tuple[str, str]:
    mission = context.book.mission
    return iso(to_ns(mission.start)), iso(to_ns(mission.end))


def gaps_of(series: Series, context: Context) -> str:
    """Return the months without a value in words."""
    missing = ~np.isfinite(series.value)
    if not missing.any():
        return "no month is missing"
    edges = np.flatnonzero(np.diff(np.concatenate([[0], missing.astype(int), [0]])))
    pieces = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        first = to_ns(context.book.mission.start) + series.month[a] * YEAR_NS
        pieces.append(f"{b - a} from {np.datetime64(int(first), 'ns').astype('datetime64[M]')!s}")
    return f"months missing: {', '.join(pieces)}; nothing is filled in"


def estimate_series(
    context: Context, series: Series, estimates: Estimates, *, air_slope: float | None, noise: bool, doubt: str = ""
) -> Trend | None:
    """Write the trend of a series, the fits beside it, its noise, and the years until it is told from noise.

    Parameters
    ----------
    air_slope : float, optional
        Slope that the air alone would give, whose detection is asked for as well. [yr-1]
    noise : bool
        Whether noise and season are rows of their own.
    doubt : str
        Why the sensors' corrections are in doubt; the trend is then flagged and says so.
    """
    start, end = _span(context)
    common: dict[str, Any] = {"subject": series.subject, "period": "mission", "start": start, "end": end}
    try:
        fit = ledger.trend(time=series.month, value=series.value, harmonics=SEASON, calibration=series.shapes)
    except InputError as error:
        estimates.add(
            Estimate(
                quantity=series.quantity, method=series.method, **common, value=None, unit="year-1", lower=None,
                upper=None, flag=4, reason=str(error), n=int(np.isfinite(series.value).sum()), trail="long_record",
            )
        )  # fmt: skip
        return None
    wide = (fit.upper - fit.lower) / (2.0 * 1.96 * fit.ordinary_sd)
    told = fit.lower > 0.0 or fit.upper < 0.0
    words = "differs from zero" if told else "is not told from zero"
    estimates.add(
        Estimate(
            quantity=series.quantity, method=series.method, **common, value=fit.slope, unit="year-1", lower=fit.lower,
            upper=fit.upper, random_sd=fit.noise_sd, systematic_sd=fit.calibration_sd, n=fit.n,
            flag=3 if doubt else 1, trail="long_record",
            reason=f"{doubt}{series.what}: the trend {words}; {gaps_of(series, context)}",
            budget=_budget(fit),
        )
    )  # fmt: skip
    half = 1.959964 * fit.ordinary_sd
    estimates.add(
        Estimate(
            quantity=series.quantity, method=series.method.replace("gls_ar1", "ordinary_fit"), **common,
            value=fit.ordinary_slope, unit="year-1", lower=fit.ordinary_slope - half, upper=fit.ordinary_slope + half,
            random_sd=fit.ordinary_sd, systematic_sd=0.0, n=fit.n, flag=3, trail="long_record",
            reason=f"shown to compare, not to use: neighbouring months are alike (correlation {fit.phi:.2f}) and "
            f"sensors err together, so this interval is too narrow; the honest one is {wide:.1f} times as wide",
        )
    )  # fmt: skip
    _robust(series, fit, estimates, common)
    if noise:
        _noise(series, fit, estimates, common, context.book.analysis.seed)
    _detection(series, fit, estimates, common, context.book.analysis.seed, air_slope)
    return fit


def _budget(fit: Trend) -> str:
    total = fit.noise_sd**2 + fit.calibration_sd**2
    if total <= 0:
        return ""
    parts = {
        "autocorrelated noise": fit.noise_sd**2 / total,
        "calibration of deployments": fit.calibration_sd**2 / total,
    }
    return "; ".join(f"{name} {share:.2f}" for name, share in sorted(parts.items(), key=lambda item: -item[1]))


def _robust(series: Series, fit: Trend, estimates: Estimates, common: dict[str, Any]) -> None:
    """Theil-Sen through the yearly means of what is left without the season."""
    month, value = series.month[fit.used], series.value[fit.used]
    season = fit.fitted - fit.coefficients["mean"] - fit.coefficients["slope"] * (month - month[[0, -1]].mean())
    adjusted, year = value - season, np.floor(month)
    years = [y for y in np.unique(year) if (year == y).sum() >= FEWEST_MONTHS]
    if len(years) < 4:
        return
    at = np.array([month[year == y].mean() for y in years])
    found = ledger.theil_sen(time=at, value=np.array([adjusted[year == y].mean() for y in years]))
    systematic = fit.calibration_sd
    low = found.slope - float(np.hypot(found.slope - found.lower, 1.959964 * systematic))
    high = found.slope + float(np.hypot(found.upper - found.slope, 1.959964 * systematic))
    estimates.add(
        Estimate(
            quantity=series.quantity, method=series.method.replace("gls_ar1", "theil_sen"), **common, value=found.slope,
            unit="year-1", lower=low, upper=high, random_sd=(found.upper - found.lower) / (2 * 1.959964),
            systematic_sd=systematic, n=len(years), trail="long_record",
            reason="median of the slopes between yearly means without the season; takes years as independent",
        )
    )  # fmt: skip


def _row_of_draws(draws: FloatArray, **row: Any) -> Estimate:
    lower, upper = (float(v) for v in np.percentile(draws, [2.5, 97.5]))
    return Estimate(lower=lower, upper=upper, random_sd=float(np.std(draws, ddof=1)), systematic_sd=0.0, **row)


def _noise(series: Series, fit: Trend, estimates: Estimates, common: dict[str, Any], seed: int) -> None:
    _, sigma, phi = fit.posterior.draw(size=DRAWS, seed=seed)
    rows: dict[str, Any] = {"method": series.method, "n": fit.n, "trail": "long_record", **common}
    estimates.add(_row_of_draws(sigma, quantity="ph_noise_sd", value=fit.sigma, unit="", **rows))
    estimates.add(_row_of_draws(phi, quantity="ph_noise_correlation", value=fit.phi, unit="1", **rows))
    cosine, sine = fit.coefficients["cos1"], fit.coefficients["sin1"]
    amplitude = float(np.hypot(cosine, sine))
    sd = float(np.hypot(fit.coefficient_sd["cos1"] * cosine, fit.coefficient_sd["sin1"] * sine) / max(amplitude, 1e-12))
    estimates.add(
        Estimate(
            quantity="ph_season_amplitude", value=amplitude, unit="", lower=amplitude - 1.96 * sd,
            upper=amplitude + 1.96 * sd, random_sd=sd, systematic_sd=0.0, reason="of the yearly harmonic", **rows,
        )
    )  # fmt: skip


def _detection(
    series: Series, fit: Trend, estimates: Estimates, common: dict[str, Any], seed: int, air_slope: float | None
) -> None:
    """Write years to detect (Weatherhead) and time of emergence, each with its definition."""
    slope, sigma, phi = fit.posterior.draw(size=DRAWS, seed=seed)
    rows: dict[str, Any] = {"n": fit.n, "trail": "long_record", "unit": "year", **common}
    if air_slope is not None:
        years = ledger.detection_years(trend=air_slope, noise_sd=sigma, phi=phi)
        estimates.add(
            _row_of_draws(
                years, quantity=f"years_to_detect{series.suffix}", method="weatherhead_air_trend",
                value=float(np.median(years)),
                reason=f"of a trend as large as the air alone gives ({air_slope:+.5f} a year) in this record's noise, "
                "95 % level and 90 % power", **rows,
            )
        )  # fmt: skip
    open_sign = not (fit.lower > 0.0 or fit.upper < 0.0)
    needed = ledger.detection_years(trend=slope, noise_sd=sigma, phi=phi)
    emergence = 2.0 * sigma / np.abs(slope)
    for quantity, method, draws, what in (
        ("years_to_detect", "weatherhead_fitted_trend", needed, "95 % level and 90 % power"),
        ("time_of_emergence", "signal_above_2_sd", emergence, "trend times years above twice the noise of a month"),
    ):
        name = f"{quantity}{series.suffix}"
        if open_sign:
            least = float(np.percentile(draws, 2.5))
            estimates.add(
                Estimate(
                    quantity=name, method=method, value=None, lower=None, upper=None, flag=4,
                    reason="the sign of the trend is still open, so there is no upper limit; more than "
                    f"{least:.0f} years ({what})", **rows,
                )
            )  # fmt: skip
        else:
            estimates.add(
                _row_of_draws(draws, quantity=name, method=method, value=float(np.median(draws)), reason=what, **rows)
            )


def step_of(record: StationRecord, change: Change, context: Context) -> Step:
    """Test one logged change of sensor by service bottles, overlap and series."""
    when = float(years_since(context.book, change.time_ns))
    misfits = record.misfits
    without = ledger.refer_to_bottles(
        spans=record.spans,
        offset_prior_sd=record.offset_prior_sd,
        drift_prior_sd=record.drift_prior_sd,
        label=misfits.label,
        time=misfits.time,
        misfit=misfits.value,
        misfit_sd=misfits.sd,
    )
    both = all((misfits.label == label).any() for label in (change.older, change.newer))
    return ledger.step_test(
        time=record.month,
        value=record.monthly_reading,
        step_time=when,
        overlap_difference=None if change.overlap is None else change.overlap[0],
        overlap_sd=None if change.overlap is None else change.overlap[1],
        bottle_difference=without.step(older=change.older, newer=change.newer, time=when) if both else None,
        power_for=POWER_FOR,
        significance=CLAIM,
    )


def estimate_steps(context: Context, record: StationRecord, estimates: Estimates) -> list[tuple[Change, Step]]:
    """Write the step at every logged change of sensor, and offset and drift of every deployment."""
    found = []
    for change in record.changes:
        common: dict[str, Any] = {
            "quantity": "sensor_step", "method": "bottles_overlap_series", "subject": change.newer, "period": "instant",
            "start": iso(change.time_ns), "end": iso(change.time_ns), "unit": "", "trail": "sensor_change",
            "channel": "ph_total",
        }  # fmt: skip
        try:
            step = step_of(record, change, context)
        except InputError as error:
            estimates.add(Estimate(**common, value=None, lower=None, upper=None, flag=4, reason=str(error)))
            continue
        found.append((change, step))
        n = int((record.misfits.label == change.older).sum() + (record.misfits.label == change.newer).sum())
        reason = f"{change.older} to {change.newer}: {step.sentence}"
        if not step.consistent:
            # What contradicts itself is not averaged.
            estimates.add(Estimate(**common, value=None, lower=None, upper=None, flag=4, n=n, reason=reason))
            continue
        estimates.add(
            Estimate(
                **common, value=step.size, lower=step.lower, upper=step.upper, random_sd=step.sd, systematic_sd=0.0,
                n=n, flag=1, reason=reason,
            )
        )  # fmt: skip
    _offsets(context, record, estimates)
    return found


def _offsets(context: Context, record: StationRecord, estimates: Estimates) -> None:
    referred = record.referred
    count = len(referred.labels)
    sd = np.sqrt(np.maximum(np.diag(referred.covariance), 0.0))
    # What the bottles of a laboratory share is in every offset, and in no difference, drift or trend.
    shared = LABORATORY_SD["ph_total"]
    start = to_ns(context.book.mission.start)
    for index, label in enumerate(referred.labels):
        low, high = record.spans[label]
        middle = round(start + referred.middle[index] * YEAR_NS)
        estimates.from_parts(
            quantity="sensor_offset", method="service_bottles", subject=label, period="instant", start_ns=middle,
            end_ns=middle, unit="", value=float(referred.offset[index]), random_sd=0.0,
            systematic_sd=float(np.hypot(sd[index], shared)), n=int(referred.bottles[index]), trail="sensor_change",
            channel="ph_total",
        )  # fmt: skip
        if sd[count + index] > 0:
            estimates.from_parts(
                quantity="sensor_drift", method="service_bottles", subject=label, period="mission",
                start_ns=round(start + low * YEAR_NS), end_ns=round(start + high * YEAR_NS), unit="d-1",
                value=float(referred.drift[index]) / DAYS, random_sd=0.0, systematic_sd=float(sd[count + index]) / DAYS,
                n=int(referred.bottles[index]), trail="sensor_change", channel="ph_total",
            )  # fmt: skip
