"""Chemistry of the basin: one box, its fluxes, its patches, and the profile above the bed.

Here:     `Chemistry` (series on the minute grid of `Water`), `make_chemistry`, concentrations at a height.
Not here: what sensors make of it (`sensors`), the account (`truth`).
Rules:    fluxes in mmol m-2 h-1, positive into the water; concentrations in µmol kg-1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba as nb
import numpy as np

from reeftally._checks import FloatArray
from reeftally.rehearsal.carbon import fco2_of, ph_of, solubility_of
from reeftally.rehearsal.reef import Reef, generator
from reeftally.rehearsal.script import HOUR
from reeftally.rehearsal.water import STEP, Water
from reeftally.seawater import oxygen as oxygen_of

__all__ = ["Chemistry", "make_chemistry", "oxygen_solubility", "transfer_velocity"]

FRICTION_FLOOR = 0.0025
"""Below this the log layer is not in balance; profile and fluctuation keep the scale of the floor."""


def oxygen_solubility(temperature: FloatArray, salinity: FloatArray) -> FloatArray:
    """Oxygen in equilibrium with moist air at one atmosphere [µmol kg-1] (Garcia and Gordon 1992)."""
    return np.asarray(oxygen_of.solubility(temperature=temperature, salinity=salinity))


def transfer_velocity(wind: FloatArray, temperature: FloatArray, gas: str) -> FloatArray:
    """Gas transfer velocity [m h-1]: ``0.251 U² (Sc/660)^−1/2`` cm/h (Wanninkhof 2014, Table 1)."""
    rows = {
        "co2": (2116.8, -136.25, 4.7353, -0.092307, 0.0007555),
        "oxygen": (1920.4, -135.6, 5.2122, -0.10939, 0.00093777),
    }
    schmidt = np.polynomial.polynomial.polyval(temperature, rows[gas])
    return np.asarray(0.00251 * wind**2 * (schmidt / 660.0) ** -0.5)


@nb.njit(cache=True, error_model="numpy", nogil=True)
def _run_box(
    step_h: float,
    sources: FloatArray,
    losses: FloatArray,
    outside: FloatArray,
    residence: FloatArray,
    start: FloatArray,
) -> FloatArray:
    """Integrate dX/dt = source + (outside − X)/residence − loss X exactly over each constant step."""
    count, n = sources.shape
    out = np.empty((count, n))
    for j in range(count):
        x = start[j]
        for i in range(n):
            rate = 1.0 / residence[i] + losses[j, i]
            level = (sources[j, i] + outside[j, i] / residence[i]) / rate
            x = level + (x - level) * np.exp(-rate * step_h)
            out[j, i] = x
    return out


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Series on the grid of `Water`; everything in µmol kg-1, ‰ or mmol m-2 h-1."""

    water: Water
    reef: Reef
    oxygen_flux: FloatArray
    dic_flux: FloatArray
    alkalinity_flux: FloatArray
    gross: FloatArray
    respiration: FloatArray
    calcification: FloatArray
    residence: FloatArray
    """[h]"""
    box_oxygen: FloatArray
    box_dic: FloatArray
    box_alkalinity: FloatArray
    box_delta: FloatArray
    patch_oxygen: FloatArray
    patch_dic: FloatArray
    organic: FloatArray
    """DIC that net respiration added since the water left the reference."""
    carbonate_alkalinity: FloatArray
    gas_dic: FloatArray
    gas_oxygen: FloatArray
    dilution: FloatArray
    """Factor of fresh water on alkalinity and DIC."""

    def _scale(self) -> FloatArray:
        return np.maximum(self.water.friction, FRICTION_FLOOR)

    def flux_at(self, name: str, height: float) -> FloatArray:
        """Flux at a height above the bed: bed flux less the storage below it [mmol m-2 h-1]."""
        flux, box = self._pair(name)
        return np.asarray(flux - self._storage(box) * height)

    def _pair(self, name: str) -> tuple[FloatArray, FloatArray]:
        pairs = {
            "oxygen": (self.oxygen_flux, self.box_oxygen),
            "dic": (self.dic_flux, self.box_dic),
            "total_alkalinity": (self.alkalinity_flux, self.box_alkalinity),
        }
        return pairs[name]

    def _storage(self, box: FloatArray) -> FloatArray:
        """Rate of change per volume [mmol m-3 h-1]."""
        return np.asarray(np.gradient(box, STEP / HOUR) * self.reef.density / 1000.0)

    def excess(self, name: str, height: float) -> FloatArray:
        """Concentration at a height above the bed minus that of the mixed water [µmol kg-1].

        ``dC/dz = −F(z) / (κ u* (z − d))`` with ``F(z) = F(0) − z dC/dt`` integrated from the height
        where the layer is mixed.
        """
        reef = self.reef
        flux, box = self._pair(name)
        storage = self._storage(box)
        above = min(max(height - reef.displacement, reef.roughness), reef.mixed_height - reef.displacement)
        top = reef.mixed_height - reef.displacement
        shaped = (flux - storage * reef.displacement) * np.log(above / top) - storage * (above - top)
        diffusive = reef.von_karman * self._scale() * HOUR
        return np.asarray(-shaped / diffusive / reef.density * 1000.0)

    def gradient(self, name: str, height: float) -> FloatArray:
        """dC/dz at a height above the bed [µmol kg-1 m-1]."""
        above = max(height - self.reef.displacement, self.reef.roughness)
        diffusive = self.reef.von_karman * self._scale() * above * HOUR
        return np.asarray(-self.flux_at(name, height) / diffusive / self.reef.density * 1000.0)

    def fluctuation(self, name: str, height: float) -> FloatArray:
        """F(z)/u* [µmol kg-1]: what one unit of the unit field means at a height above the bed."""
        scale = self._scale() * HOUR * self.reef.density / 1000.0
        return np.asarray(self.flux_at(name, height) / scale)

    def at_height(self, name: str, height: float) -> FloatArray:
        """Concentration at a height above the bed on the minute grid, turbulence left out [µmol kg-1]."""
        if name == "oxygen":
            return np.asarray(self.box_oxygen + self.patch_oxygen + self.excess(name, height))
        if name == "dic":
            return np.asarray((self.box_dic + self.patch_dic + self.excess(name, height)) * self.dilution)
        return np.asarray((self.box_alkalinity + self.excess(name, height)) * self.dilution)

    def ph(self, dic: FloatArray, alkalinity: FloatArray, t: FloatArray) -> FloatArray:
        """Return pH on the total scale, in situ, at the water's temperature and salinity at times t."""
        return ph_of(
            dic=dic,
            total_alkalinity=alkalinity,
            temperature=self.water.at("temperature", t),
            salinity=self.water.at("salinity", t),
        )


def make_chemistry(water: Water, reef: Reef, seed: int, place: tuple[float, float]) -> Chemistry:
    """Run the box.

    ``ρ h dC/dt = F_bed + F_gas + ρ h (C_reference − C) / τ``; CO2 exchange through fCO2 by repeated
    solution (three passes leave less than 0.001 µmol kg-1); δ13C by carrying DIC times δ13C.
    """
    light, friction = water.light_bed, water.friction
    respiration = reef.respiration * (friction / 0.01) ** reef.respiration_exponent
    gross = reef.gross_maximum * np.tanh(light / reef.light_saturation)
    calcification = reef.calcification_maximum * np.tanh(light / reef.calcification_light) - reef.dissolution
    net = (gross - respiration) / reef.pq
    oxygen_flux = gross - respiration
    dic_flux = -net - calcification
    alkalinity_flux = -2.0 * calcification
    # Shorter at spring, longer at neap (28 and 44 h about 34); the mean is over the time in place.
    beat = np.exp(-0.226 * water.spring)
    within = (water.t >= place[0]) & (water.t < place[1])
    residence = reef.residence_h * beat / np.mean(beat[within])

    per_box = 1000.0 / (reef.depth * reef.density)
    n = water.t.size
    ones = np.ones(n)
    zero = np.zeros(n)
    velocity = transfer_velocity(water.wind, water.temperature, "co2") * reef.gas_velocity / 0.075
    solubility = solubility_of(water.temperature, water.salinity)
    oxygen_rate = transfer_velocity(water.wind, water.temperature, "oxygen") * reef.gas_velocity / 0.075
    saturation = oxygen_solubility(water.temperature, water.salinity) * water.air_pressure / 1013.25
    oxygen_loss = oxygen_rate / reef.depth

    fco2_air = fco2_of(
        dic=None,
        xco2_air=water.air_co2,
        temperature=water.temperature,
        salinity=water.salinity,
        air_pressure=water.air_pressure,
    )
    dic, alkalinity = reef.reference_dic * ones, reef.reference_alkalinity * ones
    gas_flux = zero
    made = np.empty((0, n))
    for _ in range(3):
        fco2 = fco2_of(
            dic=dic,
            total_alkalinity=alkalinity,
            temperature=water.temperature,
            salinity=water.salinity,
            every=15,
        )
        gas_flux = velocity * reef.density * solubility * (fco2_air - fco2) * 1e-3
        sources = np.stack(
            [
                per_box * (dic_flux + gas_flux),
                per_box * alkalinity_flux,
                per_box * oxygen_flux + oxygen_loss * saturation,
                -per_box * net,
                per_box * alkalinity_flux,
                per_box * gas_flux,
                per_box * oxygen_flux,
            ]
        )
        outside = np.stack(
            [
                reef.reference_dic * ones,
                reef.reference_alkalinity * ones,
                reef.reference_oxygen * ones,
                zero,
                zero,
                zero,
                zero,
            ]
        )
        losses = np.stack([zero, zero, oxygen_loss, zero, zero, zero, zero])
        begin = np.array([2004.0, 2308.2, 183.7, 17.0, -3.8, -0.5, -17.9])
        made = _run_box(STEP / HOUR, sources, losses, outside, residence, begin)
        dic, alkalinity = made[0], made[1]

    # Carbon-13: photosynthesis and calcification take the water's own δ13C, shifted.
    uptake = gross / reef.pq
    release = respiration / reef.pq
    # CO2 entering has about −9 ‰ (air and kinetic step), CO2 leaving lies 9 ‰ below the DIC.
    air_delta = -9.0
    exchange = velocity * reef.density * solubility * 1e-3
    gain = per_box * (
        release * reef.source_respired
        + uptake * reef.discrimination
        - calcification * reef.carbonate_discrimination
        + exchange * (fco2_air * air_delta + fco2 * 9.0)
    )
    own = per_box * (uptake + calcification + exchange * fco2) / dic
    carried = _run_box(
        STEP / HOUR,
        gain[None],
        own[None],
        (reef.reference_dic * reef.reference_delta * ones)[None],
        residence,
        np.array([2004.0 * 0.74]),
    )[0]

    patch = _patches(reef, generator(seed, "patches"), n)
    return Chemistry(
        water=water,
        reef=reef,
        oxygen_flux=oxygen_flux,
        dic_flux=dic_flux,
        alkalinity_flux=alkalinity_flux,
        gross=gross,
        respiration=respiration,
        calcification=calcification,
        residence=residence,
        box_oxygen=made[2],
        box_dic=dic,
        box_alkalinity=alkalinity,
        box_delta=carried / dic,
        patch_oxygen=patch[1],
        patch_dic=patch[0],
        organic=made[3],
        carbonate_alkalinity=made[4],
        gas_dic=made[5],
        gas_oxygen=made[2] - reef.reference_oxygen - made[6],
        dilution=water.salinity / reef.salinity,
    )


@nb.njit(cache=True, error_model="numpy", nogil=True)
def _filter_twice(noise: FloatArray, keep: float) -> FloatArray:
    out = np.empty_like(noise)
    for j in range(noise.shape[0]):
        x = 0.0
        y = 0.0
        for i in range(noise.shape[1]):
            x = keep * x + (1.0 - keep) * noise[j, i]
            y = keep * y + (1.0 - keep) * x
            out[j, i] = y
    return out


def _patches(reef: Reef, rng: np.random.Generator, n: int) -> FloatArray:
    """Lateral patches of DIC and oxygen passing the mast, the same at all heights [µmol kg-1].

    Noise filtered twice with one time constant T has the correlation (1 + t/T) exp(−t/T): 1/e at 2.146 T, the
    stated time; and the series has a rate of change.
    """
    keep = float(np.exp(-STEP / (60.0 * reef.patch_minutes / 2.146)))
    lead = 600
    noise = rng.standard_normal((2, n + lead))
    other = reef.patch_correlation * noise[0] + np.sqrt(1.0 - reef.patch_correlation**2) * noise[1]
    series = _filter_twice(np.stack([noise[0], other]), keep)[:, lead:]
    # Variance of the twice filtered noise: (1−a)^4 (1+a²)/(1−a²)³.
    gain = np.sqrt((1.0 - keep) ** 4 * (1.0 + keep**2) / (1.0 - keep**2) ** 3)
    return np.asarray(series / gain * np.array([[reef.patch_dic], [reef.patch_oxygen]]))
