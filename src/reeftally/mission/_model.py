"""The mission book as a whole, and what follows from it without samples.

Here:     `Book` with look-ups, heights in time, swaps, references, nights and days.
Not here: its sections (`_rows`), checks across sections (`_cross`), files (`_book`).
Rules:    a book is frozen; look-ups of a name that is not there raise `BookError` with a guess.
"""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pydantic import Field

from reeftally._checks import FloatArray
from reeftally.errors import BookError
from reeftally.mission import solar
from reeftally.mission._problems import did_you_mean
from reeftally.mission._rows import (
    Analysis,
    Axes,
    Calibration,
    Community,
    Deployment,
    Instrument,
    InstrumentKind,
    Intercalibration,
    Mission,
    Reference,
    Row,
    Site,
    Station,
    StoreSettings,
    Target,
    Tup,
    to_ns,
)

__all__ = ["FORMAT", "Book", "Swap"]

FORMAT = 1
"""The newest format of mission books and layouts that this version reads."""

_SAME_HEIGHT_M = 0.02
_SWAP_GAP_NS = 6 * 3_600_000_000_000


@dataclass(frozen=True, slots=True)
class Swap:
    """Two instruments of one kind that exchanged heights between consecutive deployments."""

    lower_before: str
    """Label of the one that was lower before, and upper after."""
    upper_before: str
    """Label of the one that was upper before, and lower after."""
    kind: str
    """Their kind."""
    station: str
    """Where."""
    start_ns: int
    """End of the earlier deployments (the earlier of the two). [ns since 1970-01-01 UTC]"""
    end_ns: int
    """Begin of the later deployments (the later of the two). [ns since 1970-01-01 UTC]"""
    lower_height_m: float
    """Lower height above the bed, before. [m]"""
    upper_height_m: float
    """Upper height above the bed, before. [m]"""


class Book(Row):
    """The mission book: what was where, when, and how calibrated."""

    format: int = Field(ge=1, le=FORMAT, description="format of this file, 1 [1]")
    mission: Mission = Field(description="name, period and question")
    site: Site = Field(description="position, depth, bottom, residence time")
    communities: Tup[Community] = Field(default=(), description="communities of the bed")
    stations: Tup[Station] = Field(default=(), description="places that deployments and bottles name")
    instruments: Tup[Instrument] = Field(default=(), description="instruments")
    deployments: Tup[Deployment] = Field(default=(), description="where each instrument was, and when")
    intercalibrations: Tup[Intercalibration] = Field(default=(), description="sensors side by side")
    calibrations: Tup[Calibration] = Field(default=(), description="laboratory certificates")
    references: Tup[Reference] = Field(default=(), description="values taken from elsewhere")
    analysis: Analysis = Field(default=Analysis(), description="settings of the chain")
    targets: Tup[Target] = Field(default=(), description="the uncertainty wanted")
    store: StoreSettings = Field(default=StoreSettings(), description="where the store keeps its segments")

    def instrument(self, label: str) -> Instrument:
        """Return the instrument `label`; `BookError` with the nearest label if there is none."""
        for instrument in self.instruments:
            if instrument.label == label:
                return instrument
        labels = [instrument.label for instrument in self.instruments]
        raise BookError(
            key="instruments",
            found=label,
            wanted=f"a label of the book ({', '.join(labels)})",
            mend=did_you_mean(label, labels),
        )

    def station(self, name: str) -> Station:
        """Return the station `name`; `BookError` with the nearest name if there is none."""
        for station in self.stations:
            if station.name == name:
                return station
        names = [station.name for station in self.stations]
        raise BookError(
            key="stations",
            found=name,
            wanted=f"a station of the book ({', '.join(names)})",
            mend=did_you_mean(name, names),
        )

    def instruments_of_kind(self, kind: InstrumentKind) -> tuple[Instrument, ...]:
        """Return the instruments of `kind`, in the order of the book."""
        return tuple(instrument for instrument in self.instruments if instrument.kind == kind)

    def stations_of_role(self, role: str) -> tuple[Station, ...]:
        """Return the stations with `role`, in the order of the book."""
        return tuple(station for station in self.stations if station.role == role)

    def deployments_of(self, label: str) -> tuple[Deployment, ...]:
        """Return the deployments of instrument `label`, in order of time."""
        self.instrument(label)
        return tuple(sorted((row for row in self.deployments if row.instrument == label), key=lambda row: row.start_ns))

    def deployment_at(self, label: str, time_ns: int) -> Deployment | None:
        """Return the deployment of `label` at `time_ns`, or None while it was nowhere."""
        for row in self.deployments_of(label):
            if row.start_ns <= time_ns < row.end_ns:
                return row
        return None

    def deployment_index(self, label: str, time_ns: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Return for each time the position in `deployments_of(label)`, −1 while it was nowhere."""
        times = np.asarray(time_ns, dtype=np.int64)
        index = np.full(times.shape, -1, dtype=np.int64)
        for number, row in enumerate(self.deployments_of(label)):
            index[(times >= row.start_ns) & (times < row.end_ns)] = number
        return index

    def _in_time(self, label: str, time_ns: npt.ArrayLike, values: list[float]) -> FloatArray:
        table = np.array([*values, np.nan])
        return np.asarray(table[self.deployment_index(label, time_ns)])

    def height_at(self, label: str, time_ns: npt.ArrayLike) -> FloatArray:
        """Height of instrument `label` above the bed in time.

        Parameters
        ----------
        label : str
            Label of the instrument.
        time_ns : array-like of int64, any shape
            Instants. [ns since 1970-01-01 UTC]

        Returns
        -------
        float64 array, the shape of `time_ns`
            Height above the bed. [m] NaN while the instrument was deployed nowhere.
        """
        return self._in_time(label, time_ns, [row.height_above_bed_m for row in self.deployments_of(label)])

    def height_sd_at(self, label: str, time_ns: npt.ArrayLike) -> FloatArray:
        """Standard uncertainty of `height_at`. [m]."""
        return self._in_time(label, time_ns, [row.height_sd_m for row in self.deployments_of(label)])

    def axes_of(self, deployment: Deployment) -> Axes | None:
        """Return which way z points in a deployment: its own word, or the instrument's."""
        return deployment.axes or self.instrument(deployment.instrument).axes

    def water_depth_of(self, station: str) -> float:
        """Return the water depth at `station`: its own, or the site's. [m]."""
        own = self.station(station).water_depth_m
        return self.site.water_depth_m if own is None else own

    def position_of(self, station: str) -> tuple[float, float]:
        """Return latitude and longitude of `station`: its own, or the site's. [degree]."""
        row = self.station(station)
        latitude = self.site.latitude_deg if row.latitude_deg is None else row.latitude_deg
        longitude = self.site.longitude_deg if row.longitude_deg is None else row.longitude_deg
        return latitude, longitude

    def clock_of(self, label: str) -> str:
        """Return the label of the instrument whose clock stamps `label`, through chains of clocks."""
        seen = [label]
        while (clock := self.instrument(seen[-1]).clock) is not None and clock not in seen:
            seen.append(clock)
        return seen[-1]

    def calibrations_of(self, label: str, quantity: str) -> tuple[Calibration, ...]:
        """Return the certificates of an instrument's quantity that bear its serial number, by date."""
        serial = self.instrument(label).serial
        rows = (
            row
            for row in self.calibrations
            if row.instrument == label and row.quantity == quantity and row.serial == serial
        )
        return tuple(sorted(rows, key=lambda row: row.date_ns))

    def references_of(self, quantity: str) -> tuple[Reference, ...]:
        """Return all reference values of `quantity`, in the order of the book."""
        return tuple(row for row in self.references if row.quantity == quantity)

    def reference(self, quantity: str, time: dt.datetime | None = None) -> Reference | None:
        """Return the reference value of `quantity` that holds at `time` (mission's middle if not given).

        Among several the one with the shortest period wins, the first of the book among equals.
        None if the book gives none: the caller says what that means.
        """
        if time is None:
            time = self.mission.start + (self.mission.end - self.mission.start) / 2
        rows = [row for row in self.references_of(quantity) if row.holds_at(time)]

        def length(row: Reference) -> float:
            if row.start is None or row.end is None:
                return float("inf")
            return (row.end - row.start).total_seconds()

        return min(rows, key=length) if rows else None

    def swaps(self) -> tuple[Swap, ...]:
        """Pairs of instruments of one kind that exchanged heights between consecutive deployments.

        Returns
        -------
        tuple of Swap
            In order of time. Heights count as exchanged within 0.02 m, at one station, when both
            moves lie within 6 h of each other and the heights differ by more than 0.02 m.
        """
        moves: list[tuple[Instrument, Deployment, Deployment]] = []
        for instrument in self.instruments:
            rows = self.deployments_of(instrument.label)
            for before, after in itertools.pairwise(rows):
                apart = abs(after.height_above_bed_m - before.height_above_bed_m)
                if before.station == after.station and apart > _SAME_HEIGHT_M:
                    moves.append((instrument, before, after))
        found: list[Swap] = []
        for number, (one, one_before, one_after) in enumerate(moves):
            for two, two_before, two_after in moves[number + 1 :]:
                if one.kind != two.kind or one.label == two.label or one_before.station != two_before.station:
                    continue
                crossed = max(
                    abs(one_before.height_above_bed_m - two_after.height_above_bed_m),
                    abs(one_after.height_above_bed_m - two_before.height_above_bed_m),
                )
                together = (
                    abs(one_before.end_ns - two_before.end_ns) <= _SWAP_GAP_NS
                    and abs(one_after.start_ns - two_after.start_ns) <= _SWAP_GAP_NS
                )
                if crossed > _SAME_HEIGHT_M or not together:
                    continue
                one_lower = one_before.height_above_bed_m < two_before.height_above_bed_m
                lower, upper = (
                    ((one, one_before), (two, two_before)) if one_lower else ((two, two_before), (one, one_before))
                )
                found.append(
                    Swap(
                        lower_before=lower[0].label,
                        upper_before=upper[0].label,
                        kind=one.kind,
                        station=one_before.station,
                        start_ns=min(one_before.end_ns, two_before.end_ns),
                        end_ns=max(one_after.start_ns, two_after.start_ns),
                        lower_height_m=lower[1].height_above_bed_m,
                        upper_height_m=upper[1].height_above_bed_m,
                    )
                )
        return tuple(sorted(found, key=lambda swap: (swap.start_ns, swap.lower_before)))

    def intercalibration_at(self, label: str, time_ns: int) -> Intercalibration | None:
        """Return the intercalibration that `label` takes part in at `time_ns`, or None."""
        for row in self.intercalibrations:
            if label in row.instruments and row.start_ns <= time_ns < row.end_ns:
                return row
        return None

    def nights(self) -> tuple[solar.Period, ...]:
        """Nights of the mission at the site, named by the local date of their dusk."""
        return solar.nights(
            self.mission.start,
            self.mission.end,
            self.site.latitude_deg,
            self.site.longitude_deg,
            utc_offset_h=self.site.utc_offset_h,
        )

    def days(self) -> tuple[solar.Period, ...]:
        """Days (sun up) of the mission at the site, named by their local date."""
        return solar.days(
            self.mission.start,
            self.mission.end,
            self.site.latitude_deg,
            self.site.longitude_deg,
            utc_offset_h=self.site.utc_offset_h,
        )

    def days24(self) -> tuple[solar.Period, ...]:
        """Stretches from solar noon to noon of the mission, named by the local date of the first."""
        return solar.days24(
            self.mission.start, self.mission.end, self.site.longitude_deg, utc_offset_h=self.site.utc_offset_h
        )

    def span_ns(self) -> tuple[int, int]:
        """Return the first and last instant of anything in the book: mission, deployments, side by side."""
        starts = [to_ns(self.mission.start), *(row.start_ns for row in self.deployments)]
        ends = [to_ns(self.mission.end), *(row.end_ns for row in self.deployments)]
        starts += [row.start_ns for row in self.intercalibrations]
        ends += [row.end_ns for row in self.intercalibrations]
        return min(starts), max(ends)
