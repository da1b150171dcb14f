"""The numbers of the invented reef, and drawing them from the priors its mission book states.

Here:     `Reef` (place, bed, chemistry, organisms), `SensorTruth` (what each instrument really does),
          the priors and one draw from them.
Not here: series of time (`water`, `box`), the text of the mission book (`book`).
Rules:    everything is invented; the priors here are the ones that `book` writes, nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from zlib import crc32

import numpy as np

from reeftally.errors import InputError

__all__ = [
    "FORMS",
    "GAIN_PIVOT",
    "INSTRUMENTS",
    "PRIORS",
    "Form",
    "Reef",
    "SensorTruth",
    "generator",
    "reef_of",
    "sensors_of",
]

GAIN_PIVOT = 185.0
"""Oxygen at which a gain error makes no difference [µmol kg-1]."""


def generator(seed: int, name: str) -> np.random.Generator:
    """Return the stream of random numbers of one part of the reef: same seed and name, same numbers.

    Every instrument draws from its own stream, so leaving one out does not change another.
    """
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, crc32(name.encode())])))


@dataclass(frozen=True, slots=True)
class Form:
    """One invented growth form of sponge; the jet is the area mean while pumping."""

    name: str
    density: float
    """[m-2]"""
    diameter_cm: float
    """Arithmetic mean osculum diameter."""
    log_sd: float
    jet: float
    """Area-mean jet speed at the mean diameter [m s-1]."""
    oxygen_drop: float
    """Ambient minus excurrent oxygen [µmol kg-1]."""
    ratio: float
    """Area-mean over centreline jet speed."""
    duty: float
    """Share of time pumping."""
    exponent: float
    """Q goes with diameter to this power."""
    alkalinity_change: float = 0.0
    """Excurrent minus ambient alkalinity (nitrification) [µmol kg-1]."""
    source: float = -18.5
    """δ13C of the carbon it respires [‰]."""


FORMS = (
    Form("urn", 0.10, 11.0, 0.30, 0.075, 9.0, 0.82, 0.92, 2.0, 0.0, -19.5),
    Form("pipe", 1.6, 2.2, 0.25, 0.055, 7.0, 0.65, 0.85, 2.1),
    Form("cushion", 0.55, 3.5, 0.30, 0.035, 16.0, 0.65, 0.70, 2.2, -0.3, -19.5),
    Form("crust", 9.0, 0.6, 0.20, 0.02, 6.0, 0.50, 1.00, 2.0),
)

PRIORS: dict[str, tuple[float, float]] = {
    # mean, standard uncertainty: the numbers that `book` writes into the mission book
    "von_karman": (0.41, 0.01),
    "kolmogorov": (1.5, 0.075),
    "displacement": (0.10, 0.02),
    "residence_h": (34.0, 5.0),
    "pq": (1.05, 0.05),
    "height": (0.0, 0.01),
    "gas_relative": (1.0, 0.2),
    "reference_alkalinity": (0.0, 1.5),
    "reference_dic": (0.0, 1.5),
    "laboratory_alkalinity": (0.0, 1.5),
    # What the analysis allows a laboratory, and a bottle to differ from the water a sensor met in its block.
    "laboratory_oxygen": (0.0, 0.4),
    "laboratory_ph": (0.0, 0.002),
    "laboratory_salinity": (0.0, 0.003),
    "bottle_salinity": (0.0, 0.02),
    "duty": (0.0, 0.05),
    "jet_ratio": (0.0, 0.05),
}


@dataclass(frozen=True, slots=True)
class Reef:
    """True properties of the basin; fluxes in mmol m-2 h-1, positive into the water."""

    scenario: str = "A"
    depth: float = 6.4
    density: float = 1022.3
    von_karman: float = 0.41
    kolmogorov: float = 1.5
    """Constant C of the inertial subrange, three-dimensional; the along-flow one is 18 C / 55."""
    roughness: float = 0.02
    displacement: float = 0.10
    mixed_height: float = 2.0
    """Height above the bed where the profile joins the water of the basin [m]."""
    residence_h: float = 34.0
    gas_velocity: float = 0.075
    """Gas transfer at the mean wind [m h-1]."""
    respiration: float = 13.5
    respiration_exponent: float = 0.35
    gross_maximum: float = 23.0
    light_saturation: float = 330.0
    calcification_maximum: float = 2.6
    calcification_light: float = 300.0
    dissolution: float = 0.75
    pq: float = 1.05
    temperature: float = 28.4
    salinity: float = 35.10
    reference_alkalinity: float = 2312.0
    reference_dic: float = 1988.8
    reference_oxygen: float = 197.5
    reference_delta: float = 0.95
    air_co2: float = 429.0
    past_air_co2: float = 291.6
    air_pressure: float = 1011.0
    source_respired: float = -18.5
    discrimination: float = 17.5
    carbonate_discrimination: float = 1.0
    laboratory_alkalinity: float = 1.1
    """What the laboratory's alkalinities are too high, reference materials included [µmol kg-1]."""
    laboratory: dict[str, float] = field(default_factory=dict)
    """What the laboratory's other values are too high, by quantity, oxygen, ph, salinity."""
    bottle_salinity_sd: float = 0.005
    """Of a bottle against the sensor beside it."""
    patch_dic: float = 0.95
    patch_oxygen: float = 1.0
    patch_correlation: float = -0.95
    patch_minutes: float = 20.0
    surface_light: float = 2000.0
    attenuation: float = 0.13
    sponge_scale: float = 1.0
    forms: tuple[Form, ...] = FORMS
    heights: dict[str, float] = field(default_factory=dict)
    """True minus stated height of each place on the mast [m], by instrument kind and level."""

    @property
    def rq(self) -> float:
        """C : O2."""
        return 1.0 / self.pq

    def height_error(self, place: str) -> float:
        """Return true minus stated height of a place [m]."""
        return self.heights.get(place, 0.0)


@dataclass(frozen=True, slots=True)
class SensorTruth:
    """What one instrument really does: reading = true + offset + drift × days, in the unit named."""

    label: str
    kind: str
    quantity: str
    interval: float
    noise: float
    offset: float
    drift: float
    lag: float
    offset_sd: float
    """Prior the mission book states for the offset."""
    drift_sd: float
    lag_sd: float = 0.0
    clock_offset: float = 0.0
    clock_drift: float = 0.0
    """Clock runs ahead by this [s per day]."""
    gain: float = 0.0
    """Relative error of the slope, about `GAIN_PIVOT` (so that the offset holds there)."""
    gain_sd: float = 0.0
    others: dict[str, float] = field(default_factory=dict)
    """Offsets of further quantities it measures; zero unless drawn."""


def _rows() -> tuple[SensorTruth, ...]:
    s = SensorTruth
    return (
        s("VEL-A", "velocimeter", "velocity_z", 1.0 / 32.0, 0.0035, 0.0, 0.0, 0.0, 0.002, 0.0, clock_drift=2.1),
        s("VEL-B", "velocimeter", "velocity_z", 1.0 / 16.0, 0.0035, 0.0, 0.0, 0.0, 0.002, 0.0),
        s("PRO-N", "profiler", "velocity_x", 1.0, 0.006, 0.0, 0.0, 0.0, 0.003, 0.0),
        s("PRO-W", "profiler", "velocity_east", 60.0, 0.008, 0.0, 0.0, 0.0, 0.003, 0.0),
        s(
            "FAST-O",
            "fast_oxygen",
            "oxygen",
            0.125,
            0.25,
            1.9,
            -0.4,
            0.45,
            4.0,
            0.5,
            0.05,
            clock_drift=2.1,
            gain_sd=0.02,
        ),
        s("OXY-1", "optode", "oxygen", 5.0, 0.10, -3.1, 0.12, 28.0, 4.0, 0.10, 2.0, gain_sd=0.003),
        s("OXY-2", "optode", "oxygen", 5.0, 0.10, 0.6, 0.0, 28.0, 4.0, 0.10, 2.0, gain_sd=0.003),
        s("OXY-3", "optode", "oxygen", 5.0, 0.10, 4.4, -0.06, 28.0, 4.0, 0.10, 2.0, gain_sd=0.003),
        s("OXY-4", "optode", "oxygen", 5.0, 0.10, -0.2, 0.03, 28.0, 4.0, 0.10, 2.0, gain_sd=0.003),
        s("OXY-H", "optode", "oxygen", 1.0, 0.15, 1.1, 0.0, 6.0, 4.0, 0.10, 0.5, clock_offset=-41.2, gain_sd=0.003),
        s("PHI-1", "isfet_ph", "ph_total", 60.0, 0.0006, 0.014, -0.0011, 12.0, 0.015, 0.001, 2.0),
        s("PHI-2", "isfet_ph", "ph_total", 60.0, 0.0006, -0.011, 0.0003, 12.0, 0.015, 0.001, 2.0),
        s("PHI-H", "isfet_ph", "ph_total", 1.0, 0.0015, 0.006, 0.0, 10.0, 0.015, 0.001, 1.0),
        s("DYE-P", "dye_ph", "ph_total", 900.0, 0.0012, 0.002, 0.0, 300.0, 0.003, 0.0, 60.0),
        s("GAS-I", "gas_isotope", "fco2", 300.0, 2.0, 6.0, -0.8, 150.0, 6.0, 0.8, 20.0),
        s("CTD-1", "ctd", "salinity", 5.0, 0.003, -0.04, -0.004, 0.0, 0.03, 0.005),
        s("PAR-1", "light", "par", 60.0, 0.01, 0.0, -0.015, 0.0, 0.05, 0.015),
        s("FAR-1", "multi", "ph_total", 600.0, 0.002, 0.003, -0.0004, 0.0, 0.003, 0.0005),
        s("MET-1", "weather", "wind_speed", 600.0, 0.2, 0.0, 0.0, 0.0, 0.2, 0.0),
    )


OTHER_SD: dict[str, dict[str, float]] = {
    "FAR-1": {"oxygen": 1.0, "temperature": 0.005, "salinity": 0.01},
    "CTD-1": {"temperature": 0.003, "pressure": 0.02},
    "MET-1": {"wind_speed": 0.2, "air_pressure": 0.3, "air_co2": 0.5, "wind_gain": 0.03},
    "VEL-A": {"velocity_x": 0.003, "velocity_y": 0.003, "velocity_z": 0.002},
    "PRO-N": {"velocity_x": 0.003, "velocity_y": 0.003},
}
"""Priors of the offsets of further quantities, as the mission book states them."""


INSTRUMENTS = tuple(row.label for row in _rows())


def sensors_of(seed: int, *, draw: bool) -> dict[str, SensorTruth]:
    """Return what each instrument really does; with `draw`, from the priors of the mission book."""
    rows = {row.label: replace(row, others=dict.fromkeys(OTHER_SD.get(row.label, ()), 0.0)) for row in _rows()}
    if not draw:
        return rows
    drawn: dict[str, SensorTruth] = {}
    for label, row in rows.items():
        rng = generator(seed, f"truth of {label}")
        offset, drift, lag, gain = rng.standard_normal(4)
        others = {name: sd * float(rng.standard_normal()) for name, sd in OTHER_SD.get(label, {}).items()}
        drawn[label] = replace(
            row,
            others=others,
            offset=row.offset_sd * float(offset),
            drift=row.drift_sd * float(drift),
            lag=max(row.lag + row.lag_sd * float(lag), 0.2 * row.lag),
            gain=row.gain_sd * float(gain),
        )
    return drawn


HEIGHT_PLACES = ("low", "middle", "high", "VEL-A", "VEL-B")


def reef_of(seed: int, *, scenario: str = "A", draw: bool = False) -> Reef:
    """Return the reef of a scenario; with `draw`, its properties come from the priors.

    Scenario B has more calcifiers: 24 h net calcification near 26 instead of 9 mmol m-2 d-1.

    Raises
    ------
    InputError
        Scenario neither A nor B.
    """
    if scenario not in ("A", "B"):
        message = f"scenario is {scenario!r}; it needs A or B."
        raise InputError(message)
    reef = Reef(scenario=scenario)
    if scenario == "B":
        reef = replace(reef, calcification_maximum=4.45)
    if not draw:
        return reef
    rng = generator(seed, "truth of the reef")

    def prior(name: str) -> float:
        mean, sd = PRIORS[name]
        return mean + sd * float(rng.standard_normal())

    kappa, kolmogorov, displacement = prior("von_karman"), prior("kolmogorov"), prior("displacement")
    residence, pq = prior("residence_h"), prior("pq")
    scale = float(np.exp(0.2 * rng.standard_normal()))
    gas = prior("gas_relative")
    heights = {place: prior("height") for place in HEIGHT_PLACES}
    alkalinity, dic = prior("reference_alkalinity"), prior("reference_dic")
    laboratory = prior("laboratory_alkalinity")
    bottles = {name: prior(f"laboratory_{name}") for name in ("oxygen", "ph", "salinity")}
    # No analysis states a prior of these; they differ from mission to mission so that no study hangs on one reef.
    production, breathing, saturation, rough = np.exp([0.15, 0.1, 0.15, 0.25] * rng.standard_normal(4)).tolist()
    forms = tuple(
        replace(
            form,
            duty=float(np.clip(form.duty + prior("duty"), 0.05, 1.0)),
            ratio=float(np.clip(form.ratio + prior("jet_ratio"), 0.2, 1.0)),
        )
        for form in FORMS
    )
    return replace(
        reef,
        forms=forms,
        laboratory_alkalinity=laboratory,
        laboratory=bottles,
        bottle_salinity_sd=PRIORS["bottle_salinity"][1],
        light_saturation=reef.light_saturation * saturation,
        roughness=reef.roughness * rough,
        von_karman=kappa,
        kolmogorov=kolmogorov,
        displacement=float(np.clip(displacement, 0.04, 0.16)),
        residence_h=float(np.clip(residence, 18.0, 50.0)),
        pq=pq,
        respiration=reef.respiration * scale * breathing,
        gross_maximum=reef.gross_maximum * scale * production,
        calcification_maximum=reef.calcification_maximum * scale,
        dissolution=reef.dissolution * scale,
        gas_velocity=reef.gas_velocity * max(gas, 0.2),
        reference_alkalinity=reef.reference_alkalinity + alkalinity,
        reference_dic=reef.reference_dic + dic,
        sponge_scale=scale,
        heights=heights,
    )
