"""The twelve-year companion record: hourly pH offshore and in the basin, with known trend.

Here:     `year_record` (months, noise, errors of sensors), `hourly_record`, `rehearse_years`.
Not here: trends (`ledger`), the ten-day mission (`rehearse`), book, layouts and truth (`years_book`).
Rules:    same seed, same bytes; slopes, step and gap are planted, offsets and drifts are drawn from the
          priors that the mission book states; all of it stands in the truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray
from reeftally.errors import InputError
from reeftally.rehearsal.reef import generator
from reeftally.rehearsal.truth import Truth

__all__ = [
    "HourlyRecord",
    "SensorYears",
    "StationYears",
    "YearRecord",
    "hourly_record",
    "rehearse_years",
    "year_record",
]

FIRST_YEAR = 2019
SLOPE = {"offshore": -0.0018, "basin": -0.0024}
MEAN = {"offshore": 8.045, "basin": 8.020}
SD = {"offshore": 0.008, "basin": 0.012}
PHI = 0.5
SEASON = 0.022
STEP = 0.015
STEP_YEAR = 5
GAP = (7.4, 7.4 + 7.0 / 12.0)
SERVICE_DAYS = 56.0
OVERLAP_DAYS = 7
OFFSET_SD = 0.005
"""Prior of a sensor's offset, as the book states it."""
DRIFT_SD_PER_DAY = 5e-7
"""Prior of a sensor's drift, as the book states it: 0.00018 a year."""
NOISE_SD = 0.0006
"""Of one hourly value."""
BOTTLE_SD = 0.003
LABORATORY_SD = 0.002
"""What all bottles of the laboratory share; the analysis assumes as much."""
MISMATCH_SD = 0.0015
"""Of a bottle and the sensor beside it, in place and time; the analysis assumes as much."""
OVERLAP_SD = 0.0005
"""Of two sensors side by side for days; the analysis assumes as much."""
ALKALINITY = {"offshore": 2312.0, "basin": 2308.2}
ALKALINITY_SD = 1.8
SALINITY = 35.10
TEMPERATURE = 28.4
WARM = 1.2
"""Amplitude of the season of temperature. [K]"""
DIEL = {"offshore": 0.002, "basin": 0.0125}
"""Amplitude of the day's cycle of pH."""
PATCHES = {"offshore": 0.001, "basin": 0.003}
"""Standard deviation of hourly pH about the month and the day's cycle."""
LOCAL_OFFSET_H = 5.0
LOW_HOUR = 6.25
"""Local hour of the lowest pH."""

DAY_NS = 86_400_000_000_000
HOUR_NS = 3_600_000_000_000
YEAR_DAYS = 365.25


@dataclass(frozen=True, slots=True)
class SensorYears:
    """One sensor's stay: reading = true + offset + drift × (year − middle) + noise."""

    label: str
    station: str
    start: float
    """[yr]"""
    end: float
    offset: float
    """At the middle of its stay."""
    drift: float
    """[yr-1]"""

    @property
    def middle(self) -> float:
        """Middle of the stay. [yr]"""
        return 0.5 * (self.start + self.end)

    def error(self, year: FloatArray) -> FloatArray:
        """Return reading minus true without noise."""
        return np.asarray(self.offset + self.drift * (year - self.middle))


@dataclass(frozen=True, slots=True)
class StationYears:
    """Months of one station."""

    month: FloatArray
    """True monthly means of pH, (months,)."""
    bottle: FloatArray
    """Errors of the service bottles, what their laboratory shares included, (visits,)."""


@dataclass(frozen=True, slots=True)
class YearRecord:
    """Months, sensors and service visits of one record; times in years since its start."""

    seed: int
    years: int
    step: float
    start_ns: int
    edges_ns: npt.NDArray[np.int64]
    """Edges of the calendar months, (months + 1,)."""
    month: FloatArray
    """Middles of the months. [yr]"""
    missing: npt.NDArray[np.bool_]
    """Months without data at either station."""
    stations: dict[str, StationYears]
    sensors: tuple[SensorYears, ...]
    visit_ns: npt.NDArray[np.int64]
    """Service visits, in the middle of an hour."""
    overlap: float
    """What the second sensor reads higher, side by side with the first, than its error says."""

    def year(self, time_ns: npt.ArrayLike) -> FloatArray:
        """Return years since the start."""
        return (np.asarray(time_ns, dtype=np.int64) - self.start_ns) / (YEAR_DAYS * DAY_NS)

    def ns(self, year: float) -> int:
        """Return the instant of a year since the start."""
        return self.start_ns + round(year * YEAR_DAYS * DAY_NS)

    @property
    def change_ns(self) -> int | None:
        """When the basin's sensor is changed; None in a record that is too short."""
        if self.years <= STEP_YEAR:
            return None
        return int(self.edges_ns[12 * STEP_YEAR])


def _ar1(rng: np.random.Generator, n: int, sd: float, phi: float) -> FloatArray:
    """AR(1) noise of standard deviation `sd` and lag-one correlation `phi`, stationary from the start."""
    from scipy.signal import lfilter

    fresh = sd * np.sqrt(1.0 - phi**2) * rng.standard_normal(n)
    fresh[0] /= np.sqrt(1.0 - phi**2)
    return np.asarray(lfilter([1.0], [1.0, -phi], fresh))


def year_record(*, years: int = 12, seed: int = 1, step: float = STEP) -> YearRecord:
    """Draw months, sensors and service visits of one record.

    Parameters
    ----------
    years : int
        At least 3.
    seed : int
        Same seed, same numbers.
    step : float
        By how much the basin's second sensor reads higher than the first where they meet; 0 for a clean record.

    Raises
    ------
    InputError
        Fewer than three years.
    """
    if years < 3:
        message = f"years is {years}; it needs at least 3."
        raise InputError(message)
    first = np.datetime64(f"{FIRST_YEAR}-01", "M")
    edges = (first + np.arange(12 * years + 1)).astype("datetime64[ns]").astype(np.int64)
    start_ns = int(edges[0])
    scale = YEAR_DAYS * DAY_NS
    middle = np.asarray((0.5 * (edges[:-1] + edges[1:]) - start_ns) / scale)
    end = float((edges[-1] - start_ns) / scale)
    stations: dict[str, StationYears] = {}
    visits = start_ns + (29 * DAY_NS + 5 * HOUR_NS + HOUR_NS // 2)
    visit_ns = np.arange(visits, int(edges[-1]), int(SERVICE_DAYS) * DAY_NS, dtype=np.int64)
    shared = LABORATORY_SD * float(generator(seed, "years laboratory").standard_normal())
    for station in ("offshore", "basin"):
        rng = generator(seed, f"years {station}")
        # Southern hemisphere: coldest, and pH highest, in July.
        season = SEASON * np.cos(2.0 * np.pi * (middle - 0.55))
        month = MEAN[station] + SLOPE[station] * middle + season + _ar1(rng, middle.size, SD[station], PHI)
        stations[station] = StationYears(
            month, shared + float(np.hypot(BOTTLE_SD, MISMATCH_SD)) * rng.standard_normal(visit_ns.size)
        )
    rng = generator(seed, "years sensors")
    offset = OFFSET_SD * rng.standard_normal(2)
    drift = DRIFT_SD_PER_DAY * YEAR_DAYS * rng.standard_normal(3)
    sensors = [SensorYears("FAR-1", "offshore", 0.0, end, offset[0], drift[0])]
    if years > STEP_YEAR:
        change = float((edges[12 * STEP_YEAR] - start_ns) / scale)
        before = SensorYears("PHL-1", "basin", 0.0, change - OVERLAP_DAYS / YEAR_DAYS, offset[1], drift[1])
        meets = float(before.error(np.asarray(change))) + step
        after = 0.5 * (end - change)
        sensors += [before, SensorYears("PHL-2", "basin", change, end, meets + drift[2] * after, drift[2])]
    else:
        sensors.append(SensorYears("PHL-1", "basin", 0.0, end, offset[1], drift[1]))
    return YearRecord(
        seed=seed,
        years=years,
        step=step,
        start_ns=start_ns,
        edges_ns=edges,
        month=middle,
        missing=(middle >= GAP[0]) & (middle < GAP[1]),
        stations=stations,
        sensors=tuple(sensors),
        visit_ns=visit_ns,
        overlap=OVERLAP_SD * float(generator(seed, "years overlap").standard_normal()),
    )


@dataclass(frozen=True, slots=True)
class HourlyRecord:
    """True water of both stations, hour by hour."""

    time_ns: npt.NDArray[np.int64]
    """Middles of the hours, (hours,)."""
    present: npt.NDArray[np.bool_]
    """False in the months that are missing."""
    ph: dict[str, FloatArray]
    temperature: dict[str, FloatArray]


def hourly_record(record: YearRecord) -> HourlyRecord:
    """Return the hours of a record; the mean of the hours of a month is the month's value."""
    hours = (int(record.edges_ns[-1]) - record.start_ns) // HOUR_NS
    time_ns = record.start_ns + HOUR_NS // 2 + HOUR_NS * np.arange(hours, dtype=np.int64)
    year = record.year(time_ns)
    which = np.searchsorted(record.edges_ns, time_ns, side="right") - 1
    count = np.bincount(which)
    local = (time_ns / HOUR_NS + LOCAL_OFFSET_H) % 24.0
    cycle = -np.cos(2.0 * np.pi * (local - LOW_HOUR) / 24.0)
    ph: dict[str, FloatArray] = {}
    temperature: dict[str, FloatArray] = {}
    for station, months in record.stations.items():
        rng = generator(record.seed, f"years hours {station}")
        shape = np.interp(year, record.month, months.month) + DIEL[station] * cycle
        shape += _ar1(rng, time_ns.size, PATCHES[station], float(np.exp(-1.0 / 12.0)))
        mean = np.bincount(which, weights=shape) / count
        ph[station] = np.asarray(shape + (months.month - mean)[which])
        warm = WARM * np.cos(2.0 * np.pi * (year - 0.14)) + 0.15 * rng.standard_normal(record.month.size)[which]
        temperature[station] = np.asarray(TEMPERATURE + warm + (0.25 * cycle if station == "basin" else 0.0))
    return HourlyRecord(time_ns=time_ns, present=~record.missing[which], ph=ph, temperature=temperature)


def rehearse_years(folder: Path | str, *, years: int = 12, seed: int = 1, step: float = STEP) -> Truth:
    """Write a mission of many years: book, layouts, hourly raw files, tables and truth.

    Offshore falls by 0.0018 a year and the basin by 0.0024 (0.0006 of it local); season of amplitude 0.022,
    highest in winter (July); AR(1) noise with correlation 0.5 from month to month, standard deviation 0.008
    offshore and 0.012 in the basin; at year 5 the basin's sensor is changed, after a week side by side, for one
    that reads `step` higher; seven months are missing in year 8; service visits with bottles every eight weeks.

    Parameters
    ----------
    folder : path
        Made if it does not exist; it must hold no mission yet.
    years : int
        At least 3.
    seed : int
        Same seed, same bytes.
    step : float
        Offset of the second sensor against the first; 0 for a clean record.

    Raises
    ------
    InputError
        Fewer than three years, or the folder holds a mission.
    """
    from reeftally.rehearsal.years_book import write_years

    base = Path(folder)
    if (base / "mission.toml").exists():
        message = f"{base.name} already holds a mission; a rehearsal needs a new or empty folder."
        raise InputError(message)
    return write_years(base, year_record(years=years, seed=seed, step=step))
