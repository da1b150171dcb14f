"""The scripts of the invented missions: what happens when.

Here:     `Script` (periods, swaps, dives, events) for the ten days, the 36-hour demo and the short study; times.
Not here: the reef itself (`reef`), what an instrument does to the truth (`sensors`, `highrate`).
Rules:    times are seconds since the start of the mission; only `iso` and `Script.ns` know the date.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from reeftally.errors import InputError

__all__ = ["DAY", "HOUR", "SIZES", "Move", "Script", "iso", "script_of"]

HOUR = 3600.0
DAY = 86400.0
SIZES = ("demo36", "full", "short")

TIDE_ORIGIN = datetime(2031, 3, 25, 20, 0, tzinfo=UTC)
"""Start of OB-31: tide, swell events and sensors' ages are counted from here in both scripts."""


@dataclass(frozen=True, slots=True)
class Move:
    """One stay of one instrument at one place."""

    instrument: str
    station: str
    start: float
    end: float
    height_above_bed: float


@dataclass(frozen=True, slots=True)
class Script:
    """One mission's timetable; pairs are (start, end) in seconds since `start`."""

    size: str
    """``demo36``, ``full``, ``short``, or ``book`` for the plan of somebody's mission book."""
    name: str
    start: datetime
    length: float
    before: tuple[float, float]
    place: tuple[float, float]
    after: tuple[float, float]
    cleaned_at: float | None
    """Within `after`: when the sensors were cleaned (None: one run, uncleaned)."""
    swaps: tuple[float, ...]
    upside_down: tuple[str, float, float]
    stuck: tuple[str, float, float]
    zone_jump: tuple[tuple[str, ...], float]
    """Instruments stamped by the office computer, and when it changed its zone (+3600 s)."""
    dives: tuple[tuple[float, float], ...]
    visits: dict[str, int]
    """Organisms of each form that are visited."""
    repeats: int
    blanks: int
    bottle_pairs: int
    reference_bottles: int
    duplicates: int
    transects: int
    profiler_average_s: float
    """Averaging of the near-bed profiler; 0 means every ping is stored."""
    power_cut: tuple[float, float] | None = None
    crossed: tuple[str, str, float] | None = None
    """Two optodes whose cables are crossed until this time."""
    fouling: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """Instrument: start of fouling, error reached, cleaning."""
    sham_cleanings: tuple[tuple[str, float], ...] = ()
    fast_broken: tuple[float, float] | None = None
    pump_stop: tuple[float, float] | None = None
    link_gap: tuple[float, float] | None = None
    fin: tuple[float, float] | None = None
    bubbles: tuple[float, float] | None = None
    settling: bool = False
    wrong_scale: tuple[float, float] | None = None
    """When PHI-H wrote pH on the free scale under the heading of the total one."""
    hand_clock_s: float = 0.0
    """Clock of PHI-H ahead of true time."""
    instruments: tuple[str, ...] | None = None
    """Labels that this mission carries; all when None."""
    velocimeter_hz: int = 32
    """Rate of VEL-A."""
    trials: tuple[int, int] | None = None
    """Trials a block and for period means that the book asks for; the book's defaults when None."""
    latitude_deg: float = -14.20
    longitude_deg: float = 78.50
    utc_offset_h: float = 5.0

    @property
    def start_ns(self) -> int:
        """Start of the mission [ns since 1970]."""
        return int(self.start.timestamp()) * 1_000_000_000

    @property
    def since_origin(self) -> float:
        """Seconds from `TIDE_ORIGIN` to the start."""
        return (self.start - TIDE_ORIGIN).total_seconds()

    def when(self, seconds: float) -> datetime:
        """Return the date of a time of the script."""
        return self.start + timedelta(seconds=round(seconds * 1e6) / 1e6)

    def iso(self, seconds: float) -> str:
        """Return the ISO 8601 text of a time of the script."""
        return iso(self.when(seconds))


def iso(when: datetime) -> str:
    """Return ``2031-03-25T20:00:00Z``, with milliseconds only where there are any."""
    text = when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    millis = when.microsecond // 1000
    return f"{text}.{millis:03d}Z" if millis else f"{text}Z"


def _full() -> Script:
    start = TIDE_ORIGIN
    # The mast is in place for the ten days; side by side before and after lie outside them.
    lead = 21.0 * HOUR
    begin = lead
    end = begin + 10.0 * DAY

    def day(value: float) -> float:
        return begin + value * DAY

    def local(number: float, hour: float) -> float:
        """Seconds of the local hour on the calendar day `number` after the first local midnight in place."""
        first_midnight = begin - ((20.0 + 5.0) % 24.0) * HOUR
        return first_midnight + number * DAY + hour * HOUR

    swaps = tuple(local(n, 13.0) for n in (2.0, 5.0, 8.0))
    dives = [
        (local(number, hour), local(number, hour + 2.6))
        for number in range(10)
        for hour in ((8.5, 15.0) if number % 2 == 0 else (10.0, 19.0))
    ]
    change = (datetime(2031, 3, 30, 1, 0, tzinfo=UTC) - start).total_seconds() + lead
    return Script(
        size="full",
        name="OB-31",
        start=start - timedelta(seconds=lead),
        length=end + 17.0 * HOUR,
        before=(0.0, 20.0 * HOUR),
        place=(begin, end),
        after=(end + 1.0 * HOUR, end + 17.0 * HOUR),
        cleaned_at=end + 5.0 * HOUR,
        swaps=swaps,
        upside_down=("VEL-B", begin, day(1.6)),
        stuck=("OXY-2", day(2.1), day(2.1) + 5.0 * HOUR),
        zone_jump=(("CTD-1", "PAR-1"), change),
        dives=tuple(dives),
        visits={"urn": 8, "pipe": 8, "cushion": 6, "crust": 2},
        repeats=3,
        blanks=6,
        bottle_pairs=48,
        reference_bottles=16,
        duplicates=10,
        transects=24,
        profiler_average_s=0.0,
        power_cut=(day(6.9), day(6.9) + 95.0 * 60.0),
        crossed=("OXY-2", "OXY-4", day(0.4)),
        fouling={
            "OXY-3": (day(4.0), -2.5, day(8.0)),
            "PHI-2": (day(4.5), 0.012, day(7.0)),
        },
        sham_cleanings=tuple(
            (("OXY-1", "OXY-2", "OXY-4", "PHI-1", "DYE-P")[n % 5], day(0.9 + 0.83 * n)) for n in range(10)
        ),
        fast_broken=(day(7.3), day(7.3) + 3.0 * HOUR),
        pump_stop=(day(5.2), day(5.2) + 4.0 * HOUR),
        link_gap=(day(3.4), day(3.4) + 31.0 * HOUR),
        fin=(day(4.1), day(4.1) + 2.0 * HOUR),
        bubbles=(day(6.0), day(8.0)),
        settling=True,
        wrong_scale=dives[5],
        hand_clock_s=3607.4,
    )


def _demo() -> Script:
    # In place from 11:00 local: one whole night, one whole day of light, one noon-to-noon day.
    start = datetime(2031, 3, 29, 0, 0, tzinfo=UTC)
    place = (6.0 * HOUR, 42.0 * HOUR)
    return Script(
        size="demo36",
        name="OB-31 rehearsal, 36 hours",
        start=start,
        length=46.0 * HOUR,
        before=(0.0, 5.75 * HOUR),
        place=place,
        after=(42.25 * HOUR, 46.0 * HOUR),
        cleaned_at=None,
        swaps=(place[0] + 12.0 * HOUR, place[0] + 24.0 * HOUR),
        upside_down=("VEL-B", place[0] + 4.0 * HOUR, place[0] + 5.0 * HOUR),
        stuck=("OXY-2", place[0] + 9.0 * HOUR, place[0] + 10.0 * HOUR),
        zone_jump=(("CTD-1",), 25.0 * HOUR),
        dives=(
            (8.2 * HOUR, 10.3 * HOUR),
            (15.0 * HOUR, 16.3 * HOUR),
            (27.0 * HOUR, 29.1 * HOUR),
            (33.5 * HOUR, 35.6 * HOUR),
        ),
        visits={"urn": 3, "pipe": 3, "cushion": 2},
        repeats=2,
        blanks=2,
        bottle_pairs=14,
        reference_bottles=4,
        duplicates=4,
        transects=10,
        profiler_average_s=10.0,
    )


def _short() -> Script:
    """Return the reduced mission of studies over many seeds: fewer instruments, no planted trouble but clocks."""
    # In place from 11:00 local for one noon-to-noon day and one whole night; no second night, to save time.
    start = datetime(2031, 3, 29, 3, 15, tzinfo=UTC)
    place = (2.75 * HOUR, 2.75 * HOUR + 25.0 * HOUR + 40.0 * 60.0)
    return replace(
        _demo(),
        size="short",
        name="OB-31 rehearsal, short",
        start=start,
        length=place[1] + 2.25 * HOUR,
        before=(0.0, 2.5 * HOUR),
        place=place,
        after=(place[1] + 0.25 * HOUR, place[1] + 2.25 * HOUR),
        swaps=(place[0] + 8.5 * HOUR, place[0] + 17.0 * HOUR),
        upside_down=("", 0.0, 0.0),
        stuck=("", 0.0, 0.0),
        zone_jump=((), 0.0),
        dives=tuple((place[0] + at * HOUR, place[0] + (at + 2.1) * HOUR) for at in (2.2, 6.0, 21.0, 23.3)),
        visits={"urn": 3, "pipe": 3, "cushion": 2, "crust": 2},
        profiler_average_s=60.0,
        instruments=(
            "VEL-A", "PRO-N", "FAST-O", "OXY-1", "OXY-2", "OXY-3", "OXY-4", "OXY-H", "PHI-1", "PHI-2", "PHI-H",
            "DYE-P", "CTD-1", "PAR-1", "FAR-1", "MET-1",
        ),
        velocimeter_hz=16,
        trials=(100, 1000),
    )  # fmt: skip


def script_of(size: str) -> Script:
    """Return the script of a size.

    Raises
    ------
    InputError
        An unknown size.
    """
    if size not in SIZES:
        message = f"size is {size!r}; it needs one of: {', '.join(SIZES)}."
        raise InputError(message)
    made = {"demo36": _demo, "full": _full, "short": _short}
    return made[size]()
