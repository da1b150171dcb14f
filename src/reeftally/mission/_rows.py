"""Typed rows of the mission book: everything but the book as a whole.

Here:     one frozen model a section of `mission.toml`, with meaning, unit and default of every key.
Not here: checks across sections (`_cross`), files (`_book`).
Rules:    unknown keys are refused; the unit stands in the key's name, or in [brackets] in its
          description, from which docs/mission-book.md is made; times carry their offset from UTC.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import numpy as np
from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

from reeftally.mission._problems import Refusal

__all__ = [
    "FIRST_YEAR",
    "LAST_YEAR",
    "Analysis",
    "Bins",
    "Calibration",
    "Community",
    "Constants",
    "Deployment",
    "Instrument",
    "InstrumentKind",
    "Intercalibration",
    "Mission",
    "Reference",
    "Row",
    "Site",
    "Station",
    "StoreSettings",
    "Target",
    "Term",
    "Tup",
    "at_least",
    "to_ns",
    "to_utc",
]

FIRST_YEAR, LAST_YEAR = 1900, 2200
"""Years of times lie between these, both left out; int64 nanoseconds reach further."""

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MICROSECOND = dt.timedelta(microseconds=1)


def to_ns(time: dt.datetime) -> int:
    """Return an aware time as nanoseconds since 1970-01-01 UTC, without rounding."""
    return ((time - _EPOCH) // _MICROSECOND) * 1000


def _list_to_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _midnight(value: Any) -> Any:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return dt.datetime(value.year, value.month, value.day, tzinfo=dt.UTC)
    return value


def to_utc(value: dt.datetime) -> dt.datetime:
    """Return an aware time in UTC; refuse years that no instrument of ours can have seen."""
    if not FIRST_YEAR < value.year < LAST_YEAR:
        raise Refusal(wanted=f"a year from {FIRST_YEAR + 1} to {LAST_YEAR - 1}", mend="Mistyped?", found=str(value))
    return value.astimezone(dt.UTC)


def _name(value: str) -> str:
    if not value.strip() or value != value.strip():
        raise Refusal(wanted="a name without blanks at its ends", found=value)
    return value


def _slug(value: str) -> str:
    if not value or any(mark in value for mark in ' /\\:*?"<>|\t\n,;') or value.startswith("."):
        raise Refusal(
            wanted="a label of letters, digits, - and _ only",
            mend="Labels name files and columns; write OXY-1, not OXY 1.",
            found=value,
        )
    return value


def at_least(count: int, what: str) -> Callable[[tuple[Any, ...]], tuple[Any, ...]]:
    """Return a check that a list holds at least `count` rows (run only if the rows are right)."""

    def check(value: tuple[Any, ...]) -> tuple[Any, ...]:
        if len(value) < count:
            raise Refusal(wanted=f"at least {count} of {what}", found=list(value))
        return value

    return check


_T = TypeVar("_T")
Tup = Annotated[tuple[_T, ...], BeforeValidator(_list_to_tuple)]
Time = Annotated[AwareDatetime, AfterValidator(to_utc)]
DayOrTime = Annotated[AwareDatetime, BeforeValidator(_midnight), AfterValidator(to_utc)]
Name = Annotated[str, AfterValidator(_name)]
Label = Annotated[str, AfterValidator(_slug)]
Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]

InstrumentKind = Literal[
    "velocimeter",
    "profiler",
    "optode",
    "fast_oxygen",
    "isfet_ph",
    "dye_ph",
    "ctd",
    "gas_isotope",
    "light",
    "weather",
    "multi",
    "logger",
]
StationRole = Literal["bed", "ambient", "reference", "carried", "air", "side by side"]
Axes = Literal["up", "down"]


class Row(BaseModel):
    """What all sections share: frozen, strict, no unknown keys, no infinities."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class _Spanned:
    """The two ends of a section that has `start` and `end`, in nanoseconds.

    The fields stay with the sections, since their order there is the order of docs/mission-book.md.
    """

    if TYPE_CHECKING:
        start: dt.datetime
        end: dt.datetime

    @property
    def start_ns(self) -> int:
        """Start. [ns since 1970-01-01 UTC]."""
        return to_ns(self.start)

    @property
    def end_ns(self) -> int:
        """End, not included. [ns since 1970-01-01 UTC]."""
        return to_ns(self.end)


class Mission(_Spanned, Row):
    """What the mission is called, when it is, and what it asks."""

    name: Name = Field(description="short name, used in titles and file names")
    title: str = Field(description="title in full")
    start: Time = Field(description="first instant of the mission, with offset from UTC")
    end: Time = Field(description="end of the mission, with offset from UTC")
    question: str | None = Field(default=None, description="the claim that can fail, in one sentence")
    licence: str | None = Field(default=None, description="licence of the data, for example CC-BY-4.0")
    summary: str | None = Field(default=None, description="abstract for the archive")
    investigators: str | None = Field(default=None, description="who answers for the data")
    institution: str | None = Field(default=None, description="where they work")
    funding: str | None = Field(default=None, description="who paid, with grant numbers")


class Site(Row):
    """The place: position, depth, bottom, and how long its water stays."""

    name: Name = Field(description="name of the site")
    latitude_deg: float = Field(description="latitude, decimal degrees, south negative")
    longitude_deg: float = Field(description="longitude, decimal degrees, west negative")
    utc_offset_h: float = Field(
        ge=-12.0, le=14.0, description="local time minus UTC, for pages and for the dates of nights"
    )
    water_depth_m: Positive = Field(description="mean water depth at the mast")
    bottom: str = Field(description="kind of bottom, for example rubble")
    canopy_height_m: NotNegative = Field(description="height of what grows or lies on the bed")
    displacement_height_m: NotNegative = Field(
        description="height above the bed of the plane from which the log law counts"
    )
    displacement_height_sd_m: NotNegative = Field(description="its standard uncertainty")
    roughness_length_m: Positive | None = Field(
        default=None, description="apparent roughness length z0, waves included, if known beforehand"
    )
    magnetic_declination_deg: float = Field(
        ge=-180.0, le=180.0, description="magnetic north from true north, east positive"
    )
    residence_time_h: Positive | None = Field(default=None, description="mean residence time of the water")
    residence_time_sd_h: Positive | None = Field(default=None, description="its standard uncertainty")


class Community(Row):
    """A community of the bed that estimates may be given for."""

    name: Name = Field(description="name of the community")
    description: str | None = Field(default=None, description="what grows there")
    cover_percent: float | None = Field(default=None, ge=0.0, le=100.0, description="share of the bed")


class Station(Row):
    """A place that deployments and bottles name."""

    name: Name = Field(description="name of the place")
    role: StationRole = Field(
        description="bed (mast), ambient (water column), reference (offshore or air-equilibrated water), "
        "carried (by hand), air, side by side (intercalibration frame)"
    )
    latitude_deg: float | None = Field(default=None, description="latitude if not the site's, south negative")
    longitude_deg: float | None = Field(default=None, description="longitude if not the site's, west negative")
    water_depth_m: Positive | None = Field(default=None, description="water depth if not the site's")


class Term(Row):
    """Uncertainty terms of one quantity of one instrument, as standard uncertainties."""

    quantity: str = Field(description="name of the quantity")
    noise_sd: NotNegative = Field(description="random part, each sample on its own [unit of the quantity]")
    offset_sd: NotNegative = Field(description="systematic offset before any intercalibration [unit of the quantity]")
    gain_sd: NotNegative | None = Field(default=None, description="systematic gain, relative [1]")
    drift_sd_per_day: NotNegative | None = Field(
        default=None, description="systematic drift [unit of the quantity d-1]"
    )


class Bins(Row):
    """Bins of a profiler: heights of their centres above the bed."""

    first_m: float = Field(description="height of the first bin's centre above the bed")
    size_m: Positive = Field(description="distance between bin centres")
    count: int = Field(ge=1, le=999, description="number of bins [1]")

    def heights(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Return the heights of the bin centres above the bed. [m]."""
        return self.first_m + self.size_m * np.arange(self.count, dtype=np.float64)


class Instrument(Row):
    """One instrument: what it is, how its files look, how sure its numbers are."""

    label: Label = Field(description="label used everywhere, for example OXY-1")
    kind: InstrumentKind = Field(description="kind of instrument")
    serial: str = Field(description="serial number; certificates are bound to it")
    layout: str = Field(description="name of the layout of its raw files; netcdf for NetCDF files")
    feed: str | None = Field(
        default=None, description="where its lines come from live: tcp://HOST:PORT, a device path, or - for stdin"
    )
    sample_interval_s: Positive = Field(description="nominal time between samples")
    response_time_s: NotNegative | None = Field(default=None, description="time to 63 % of a step")
    response_time_sd_s: NotNegative | None = Field(default=None, description="its standard uncertainty")
    salinity_setting: float | None = Field(
        default=None,
        ge=0.0,
        le=45.0,
        description="practical salinity set inside an oxygen sensor that reports by volume; "
        "required for oxygen by volume [1]",
    )
    pressure_includes_atmosphere: bool | None = Field(
        default=None, description="whether its pressure holds the air's; required for a channel absolute_pressure"
    )
    clock: str | None = Field(default=None, description="label of the instrument whose clock stamps this one")
    axes: Axes | None = Field(default=None, description="which way the z axis points")
    bins: Bins | None = Field(default=None, description="bins of a profiler")
    terms: Tup[Term] = Field(default=(), description="uncertainty terms, one a quantity")

    def term(self, quantity: str) -> Term | None:
        """Return the uncertainty terms of `quantity`, or None where the book gives none."""
        return next((term for term in self.terms if term.quantity == quantity), None)


class Deployment(_Spanned, Row):
    """One instrument at one place for one period; moving it ends one and begins another."""

    instrument: str = Field(description="label of the instrument")
    station: str = Field(description="name of the station")
    start: Time = Field(description="first instant in place, with offset from UTC")
    end: Time = Field(description="end of the period, with offset from UTC")
    height_above_bed_m: float = Field(description="height of the sensing point above the bed")
    height_sd_m: NotNegative = Field(description="standard uncertainty of the height")
    axes: Axes | None = Field(default=None, description="which way the z axis points; overrides the instrument's")
    heading_deg: float | None = Field(
        default=None, ge=-360.0, le=360.0, description="heading of the x axis from magnetic north"
    )
    pitch_deg: float | None = Field(default=None, ge=-180.0, le=180.0, description="pitch as mounted")
    roll_deg: float | None = Field(default=None, ge=-180.0, le=180.0, description="roll as mounted")
    community: str | None = Field(default=None, description="name of the community beneath")
    offset_downstream_m: float | None = Field(
        default=None, description="fast sensor downstream of the velocimeter's volume"
    )
    offset_cross_m: float | None = Field(
        default=None, description="fast sensor to the left of the velocimeter's volume, looking downstream"
    )
    offset_up_m: float | None = Field(default=None, description="fast sensor above the velocimeter's volume")
    offset_direction_deg: float | None = Field(
        default=None, ge=0.0, le=360.0, description="compass direction in which offset_downstream_m points"
    )
    velocimeter: str | None = Field(default=None, description="label of the velocimeter this fast sensor belongs to")


class Intercalibration(_Spanned, Row):
    """Sensors side by side in one water."""

    name: Name = Field(description="name of the period, for example before")
    start: Time = Field(description="first instant, with offset from UTC")
    end: Time = Field(description="end, with offset from UTC")
    instruments: Annotated[Tup[str], AfterValidator(at_least(2, "the labels side by side"))] = Field(
        description="labels of the instruments side by side"
    )
    height_above_bed_m: float | None = Field(default=None, description="height of the frame above the bed")
    state: Literal["clean", "uncleaned", "cleaned"] | None = Field(
        default=None, description="whether the sensors had grown over, and whether they were cleaned"
    )


class Calibration(Row):
    """A laboratory certificate: dated and bound to a serial number."""

    instrument: str = Field(description="label of the instrument")
    serial: str = Field(description="serial number on the certificate")
    quantity: str = Field(description="name of the calibrated quantity")
    date: DayOrTime = Field(description="day of the calibration; a day alone means its midnight in UTC")
    coefficients: dict[str, float] | None = Field(default=None, description="coefficients of `equation`")
    equation: str | None = Field(default=None, description="name of the sensor equation")
    offset: float | None = Field(default=None, description="added after the gain [unit of the quantity]")
    gain: Positive | None = Field(default=None, description="factor on the sensor's value [1]")
    offset_sd: NotNegative | None = Field(
        default=None, description="standard uncertainty of the offset [unit of the quantity]"
    )
    gain_sd: NotNegative | None = Field(default=None, description="standard uncertainty of the gain, relative [1]")
    standard: str | None = Field(default=None, description="standard and lot")
    person: str | None = Field(default=None, description="who did it")
    source: str | None = Field(default=None, description="where the certificate is")

    @property
    def date_ns(self) -> int:
        """Day of the calibration. [ns since 1970-01-01 UTC]."""
        return to_ns(self.date)


class Reference(Row):
    """A value taken from elsewhere, with its uncertainty and source."""

    quantity: str = Field(description="name of the quantity")
    value: float = Field(description="the value [unit of the quantity]")
    sd: NotNegative = Field(description="its standard uncertainty [unit of the quantity]")
    start: Time | None = Field(default=None, description="first instant for which it holds; open if left out")
    end: Time | None = Field(default=None, description="end of the period for which it holds; open if left out")
    source: str = Field(description="where the value comes from", min_length=1)

    def holds_at(self, time: dt.datetime) -> bool:
        """Return whether `time` lies in the reference's period."""
        return (self.start is None or self.start <= time) and (self.end is None or time < self.end)


class Constants(Row):
    """Choices of equilibrium constants for the carbonate system."""

    k1k2: str = Field(default="lueker2000", description="dissociation of carbonic acid")
    ks: str = Field(default="dickson1990", description="dissociation of bisulfate")
    kf: str = Field(default="perez1987", description="dissociation of hydrogen fluoride")
    boron: str = Field(default="uppstrom1974", description="ratio of total boron to salinity")


def _spans(value: dict[str, tuple[float, ...]]) -> dict[str, tuple[float, ...]]:
    for quantity, span in value.items():
        if len(span) != 4:
            raise Refusal(
                wanted="four numbers: sensor span low and high, then user span low and high",
                mend=f"Write {quantity} = [0, 500, 50, 400].",
                found=list(span),
            )
        low, high, user_low, user_high = span
        if not low <= user_low < user_high <= high:
            raise Refusal(
                wanted="the user span (last two) inside the sensor span (first two), each from low to high",
                mend=f"Check the four numbers of {quantity}.",
                found=list(span),
            )
    return value


class Analysis(Row):
    """Settings of the chain; all have defaults."""

    block_s: int = Field(default=900, ge=60, le=86400, description="length of a block, aligned to UTC")
    seed: int = Field(default=1, ge=0, description="seed of the Monte Carlo trials [1]")
    block_trials: int = Field(default=1000, ge=2, description="trials for block series [1]")
    period_trials: int = Field(default=10000, ge=2, description="trials for period estimates [1]")
    past_air_co2_umol_mol: Positive = Field(default=280.0, description="dry mole fraction of CO2 in the past's air")
    von_karman: Positive = Field(default=0.41, description="von Karman's constant [1]")
    von_karman_sd: NotNegative = Field(default=0.01, description="its standard uncertainty [1]")
    pq: Positive = Field(default=1.05, description="photosynthetic quotient, O2 : C [1]")
    pq_sd: NotNegative = Field(default=0.05, description="its standard uncertainty [1]")
    rq: Positive = Field(default=0.952, description="respiratory quotient, C : O2 [1]")
    rq_sd: NotNegative = Field(default=0.05, description="its standard uncertainty [1]")
    constants: Constants = Field(default=Constants(), description="equilibrium constants")
    friction_velocity_floor_m_s: NotNegative = Field(
        default=0.003, description="below this friction velocity no gradient flux is given"
    )
    gas_transfer_sd_relative: NotNegative = Field(
        default=0.2, description="relative standard uncertainty of the gas transfer velocity [1]"
    )
    gross_range: Annotated[dict[str, Tup[float]], AfterValidator(_spans)] | None = Field(
        default=None,
        description="a quantity's sensor span and user span: [low, high, user low, user high] [unit of the quantity]",
    )


class Target(Row):
    """The uncertainty that would answer the mission's question."""

    quantity: str = Field(description="name of the estimate")
    period: Literal["night", "day", "24h", "mission", "season", "instant"] = Field(description="period of the estimate")
    half_width_95: Positive = Field(description="half the width of the 95 % interval [as `unit`]")
    unit: str = Field(description="unit of half_width_95")


class StoreSettings(Row):
    """Where the observation store keeps its segments."""

    segments_url: str | None = Field(
        default=None, description="object-store address of the segments; default observations/segments"
    )
