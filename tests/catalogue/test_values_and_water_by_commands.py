"""Rows 31 to 64 of the catalogue through `intake` and `check`: values, units, sensors in the water (all invented).

One array of eleven instruments; each row plants one fault in the files and holds what `check` says of it: the
instrument and channel, the time where it has one, what was found, what was expected and what to do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import array_kit as array
import catalogue_kit as kit
import numpy as np
import pytest

from reeftally.seawater.oxygen import salinity_factor
from reeftally.store import open_store

H = array.HOURS
FOR_EIGHT_HOURS = (H >= 30) & (H < 38)
BOTTLE_HOURS = np.array([10.0, 17.0, 29.0, 41.0, 53.0, 65.0])
SETTLING_BOTTLES = np.arange(9.0, 71.0, 4.0)
# µmol/L over µmol/kg of this water: 1022.5 kg m-3 at 28.4 degC and salinity 35.1.
DENSITY = 1.0225


def change(label: str, column: str, how: Callable[[np.ndarray], np.ndarray]) -> Callable[[array.Records], None]:
    """Return what plants a fault in one column."""

    def plant(data: array.Records) -> None:
        data[label][column] = how(data[label][column])

    return plant


def spiky(count: int, size: float) -> Callable[[np.ndarray], np.ndarray]:
    def how(values: np.ndarray) -> np.ndarray:
        places = np.random.default_rng(5).choice(np.arange(600, values.size - 30, 7), count, replace=False)
        values = values.copy()
        values[places] += size
        return values

    return how


def truth_at_bottles(label: str, column: str) -> np.ndarray:
    return np.interp(BOTTLE_HOURS, H, array.records()[label][column])


def centimetres(data: array.Records) -> None:
    for column in "uv":
        data["CUR-2"][column] = data["CUR-2"][column] * 100.0


# Readings of an optode whose setting is 0 while the book declares 35: too high by the salt's factor.
FRESH = 1.0 / float(salinity_factor(temperature=28.4, salinity=35.1, salinity_setting=0.0))
CERTIFICATES = "".join(
    f'[[calibrations]]\ninstrument = "OXY-1"\nserial = "OXY-1"\nquantity = "oxygen"\ndate = {date}\ngain = {gain}\n'
    for date, gain in (("2030-01-10", 1.0234), ("2031-03-10", 1.2034))
)


@dataclass(frozen=True)
class Planted:
    """One row of the catalogue."""

    row: int
    finding: str
    """How the id of the finding begins."""
    words: tuple[str, ...]
    """What must stand in it: instrument, channel, found, expected, what to do."""
    plant: Callable[[array.Records], None] | None = None
    begins: float | None = None
    """Hours after the start at which the finding must begin."""
    tables: dict[str, str] = field(default_factory=dict)
    certificates: str = ""
    keep: Callable[[str], np.ndarray] | None = None
    corrected: bool = False
    """Whether accepting it leaves something out."""


ROWS = [
    Planted(
        31,
        "oxygen-unit-OXY-1",
        ("OXY-1", "oxygen", "saturation of 3", "40 to 180 %", "mg/L", "unit in the layout"),
        change("OXY-1", "o2", lambda y: y * 31.9988e-3),
    ),
    Planted(
        31,
        "range-OXY-1-oxygen_molar",
        ("OXY-1", "oxygen_molar", "100.0%", "outside what water gives", "not used", "look at unit"),
        change("OXY-1", "o2", lambda y: y * 22.3916e-3),
        begins=0.0,
    ),
    Planted(
        32,
        "velocity-unit-CUR-2",
        ("CUR-2", "velocity", "times those expected", "m/s", "cm/s", "unit in the layout"),
        centimetres,
    ),
    Planted(
        34,
        "salinity-setting-OXY-1",
        ("OXY-1", "oxygen", "1.2", "expected 1.00", "Read the setting", "0 would fit"),
        change("OXY-1", "o2", lambda y: y * FRESH),
        tables={"bottles": array.bottles("oxygen", truth_at_bottles("OXY-1", "o2") / DENSITY, BOTTLE_HOURS)},
    ),
    Planted(
        35,
        "spikes-CTD-1-salinity",
        ("CTD-1", "salinity", "60 single readings", "scatter", "bubbles", "not used"),
        change("CTD-1", "s", spiky(60, -1.0)),
    ),
    Planted(
        36,
        "ph-scale-PHI-1",
        ("PHI-1", "ph_total", "from bottles", "expected 0", "free", "state it in the layout"),
        change("PHI-1", "ph", lambda y: y + 0.118),
        tables={"bottles": array.bottles("ph_total", truth_at_bottles("PHI-1", "ph"), BOTTLE_HOURS)},
    ),
    Planted(
        37,
        "range-PHI-1-ph_total",
        ("PHI-1", "ph_total", "100.0%", "outside what water gives", "not used", "coefficients"),
        change("PHI-1", "ph", lambda y: -0.87 + 0.05 * (y - 8.0)),
        begins=0.0,
    ),
    Planted(
        39,
        "book-",
        ("mission.toml", "calibrations[1].gain", "1.2034", "5 %", "1.0234", "Digits exchanged?"),
        certificates=CERTIFICATES,
    ),
    Planted(
        40,
        "stuck-PHI-1-ph_total",
        ("PHI-1", "ph_total", "stood still for 4", "equal values", "cable", "not used"),
        change("PHI-1", "ph", lambda y: np.where(FOR_EIGHT_HOURS, y[1800], y)),
        begins=30.0,
    ),
    Planted(
        41,
        "attenuated-OXY-1",
        ("OXY-1", "oxygen_molar", "hardly varying", "less than a third", "leave"),
        change("OXY-1", "o2", lambda y: np.where(FOR_EIGHT_HOURS, y[1800] + 0.01 * (y - y[1800]), y)),
        begins=30.0,
        corrected=True,
    ),
    Planted(
        42,
        "spikes-OXY-1",
        ("OXY-1", "oxygen_molar", "80 single readings", "scatter", "flagged and not used"),
        change("OXY-1", "o2", spiky(80, 6.0)),
    ),
    Planted(
        44,
        "air-in-pressure-CTD-1",
        ("CTD-1", "pressure", "+9.", "dbar", "within 0.9 dbar", "atmosphere", "declare"),
        change("CTD-1", "p", lambda y: y + 10.13),
    ),
    Planted(
        45,
        "optode-temperature-OXY-1",
        ("OXY-1", "temperature", "+1.00 degC", "within 0.1", "+1.6 %", "CTD"),
        change("OXY-1", "t", lambda y: y + 1.0),
    ),
    Planted(
        46,
        "light-unit-MET-1",
        ("MET-1", "par", "times the clear sky", "about 1", "W m-2", "unit in the layout"),
        change("MET-1", "par", lambda y: y / 4.57),
    ),
    Planted(
        47,
        "wiper-MET-1",
        ("MET-1", "par", "every 1.0 h", "on a clock", "flagged 3", "parks"),
        change("MET-1", "par", lambda y: np.where(np.arange(y.size) % 60 == 7, 0.3 * y, y)),
    ),
    Planted(
        49,
        "growth-OXY-1-oxygen",
        ("OXY-1", "oxygen", "+4", "95 % interval", "a day", "leave"),
        change("OXY-1", "o2", lambda y: y - np.where(H < 40, 4.1 * np.clip((H - 5) / 35, 0, 1), 0.0)),
        tables={"interventions": f"time,instrument,kind,note,who\n{array.at(40)},OXY-1,cleaned,,crew\n"},
        corrected=True,
    ),
    Planted(
        50,
        "settling-PHI-1-ph_total",
        ("PHI-1", "ph_total", "settled: it began +0.05", "standard uncertainty", "days", "takes it off"),
        change("PHI-1", "ph", lambda y: y + 0.05 * np.exp(-H / 24.0)),
        tables={
            "bottles": array.bottles(
                "ph_total", np.interp(SETTLING_BOTTLES, H, array.records()["PHI-1"]["ph"]), SETTLING_BOTTLES
            )
        },
    ),
    Planted(
        52,
        "frame-moved-CUR-1-pitch",
        ("CUR-1", "pitch", "step of +4 degrees", "stands still", "End the deployment"),
        change("CUR-1", "pitch", lambda y: y + np.where(H > 40, 4.0, 0.0)),
        begins=40.0,
    ),
    Planted(
        52,
        "frame-moved-CUR-2-roll",
        ("CUR-2", "roll", "step of -2 degrees", "stands still", "measured again"),
        change("CUR-2", "roll", lambda y: y - np.where(H > 25, 2.0, 0.0)),
        begins=25.0,
    ),
    Planted(
        59,
        "level-OXY-1-oxygen",
        ("OXY-1", "oxygen", "off its neighbours", "usual scatter", "leave"),
        change("OXY-1", "o2", lambda y: y + np.where(H > 60, 12.0, 0.0)),
        begins=60.0,
        corrected=True,
    ),
    Planted(
        59,
        "step-PHI-2-ph_total",
        ("PHI-2", "ph_total", "stepped by +0.01", "expected its neighbours' course", "Was it moved", "deployment"),
        change("PHI-2", "ph", lambda y: y + np.where(H > 40, 0.015, 0.0)),
        begins=40.0,
    ),
    Planted(
        61,
        "pump-GAS-1",
        ("GAS-1", "xco2", "goes flat", "while its neighbour varies", "its pump stopped", "leave"),
        change("GAS-1", "c", lambda y: np.where(FOR_EIGHT_HOURS, y[1800] + 0.01 * (y - y[1800]), y)),
        begins=30.0,
        corrected=True,
    ),
    Planted(
        64,
        "restarts-PHI-1",
        ("PHI-1", "10 restarts", "at most 3 a day", "Brown-outs?", "settings came back"),
        keep=lambda label: np.arange(H.size) % 400 > 12 if label == "PHI-1" else np.ones(H.size, dtype=bool),
    ),
]


def test_a_sound_array_gives_no_finding(tmp_path):
    report = array.build(tmp_path / "mission")

    assert kit.messages(report) == []
    assert kit.check(tmp_path / "mission") == {}


@pytest.mark.parametrize("planted", ROWS, ids=lambda p: f"row-{p.row}-{p.finding}")
def test_rows_planted_in_files_are_found_by_check_with_found_expected_and_mend(tmp_path, planted):
    folder = tmp_path / "mission"
    report = array.build(
        folder, planted.plant, tables=planted.tables, certificates=planted.certificates, keep=planted.keep
    )
    assert report["rows_new"] > 0

    found = kit.check(folder)

    (finding,) = [item for key, item in found.items() if key.startswith(planted.finding)]
    kit.full(finding, *planted.words)
    assert (finding["correction"] is not None) == planted.corrected
    assert not finding["accepted"]
    if planted.begins is not None:
        begin = (
            np.datetime64(finding["start"].rstrip("Z"), "s") - np.datetime64(array.START.replace(tzinfo=None), "s")
        ) / np.timedelta64(3600, "s")
        assert abs(begin - planted.begins) <= 0.6
    # Nothing else is accused, save bottles that contradict a pH sensor.
    others = {item["subject"] for item in found.values()} - {finding["subject"]}
    assert others <= {36: {"the reef's water"}}.get(planted.row, set())


def flags_of(folder, label: str, channel: str) -> dict[str, np.ndarray]:
    assert kit.run("check", folder)[0] == 0
    store = open_store(folder)
    times = store.read(label)["time"]
    return {test: flags.at(times) for test, flags in store.flags(label, channel).items()}


def test_row_33_negative_oxygen_is_flagged_and_kept_as_it_is(tmp_path):
    below = np.zeros(H.size, dtype=bool)
    below[2000:2010] = True
    small = -0.1 - 0.3 * np.random.default_rng(3).random(H.size)
    array.build(tmp_path / "mission", change("OXY-1", "o2", lambda y: np.where(below, small, y)))

    flags = flags_of(tmp_path / "mission", "OXY-1", "oxygen_molar")["review gross_range"]

    assert (flags[below] >= 3).all()
    assert (flags[~below] == 1).all()
    stored = open_store(tmp_path / "mission").read("OXY-1")["oxygen_molar"]
    assert np.allclose(stored[below], small[below], atol=6e-4)


def test_row_57_a_burst_at_one_sensor_is_flagged_as_a_visitor_and_one_of_all_sensors_is_not(tmp_path):
    alone, shared = np.zeros(H.size, dtype=bool), np.zeros(H.size, dtype=bool)
    alone[2000:2006] = True
    shared[2600:2606] = True

    def plant(data: array.Records) -> None:
        data["OXY-1"]["o2"] = data["OXY-1"]["o2"] - 8.0 * alone
        for label in ("OXY-1", "OXY-2", "OXY-3"):
            data[label]["o2"] = data[label]["o2"] + 8.0 * shared

    array.build(tmp_path / "mission", plant)

    flags = flags_of(tmp_path / "mission", "OXY-1", "oxygen_molar")["review visitor"]

    assert (flags[alone] == 3).all()
    assert (flags[~alone] == 1).all()
