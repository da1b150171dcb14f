"""What a perfect instrument of a mission book would see: any quantity, at any station, height and time.

Here:     `Observer`.
Not here: errors, text, files (`planned`, `render`).
Rules:    an instrument at a reference station sees the reference water, in the air the weather, elsewhere the
          reef's water at its height; a fast sensor sees the field of the velocimeter it belongs to.
"""

from __future__ import annotations

import numpy as np

from reeftally._checks import FloatArray
from reeftally.errors import BookError
from reeftally.mission import Book, Deployment, Instrument, Layout
from reeftally.rehearsal.carbon import PRESSURE, free_minus_total
from reeftally.rehearsal.highrate import World, scalar_at, velocity_chunk
from reeftally.rehearsal.isotopes import delta_at
from reeftally.rehearsal.turbulence import UnitField
from reeftally.rehearsal.velocimeters import molar_at_setting, rotation, to_axes
from reeftally.rehearsal.water import GRAVITY
from reeftally.seawater import carbonate, properties
from reeftally.seawater import oxygen as oxygen_of

__all__ = ["Observer"]

_CARRIED = ("oxygen", "dic", "total_alkalinity")
_SOLVED = ("ph_total", "fco2", "pco2", "xco2", "aragonite_saturation", "calcite_saturation")
_ISOTOPES = ("delta13c_dic", "delta13c_co2")
_AXES = ("velocity_x", "velocity_y", "velocity_z")
_EARTH = ("velocity_east", "velocity_north", "velocity_up")
_FLOW = (*_AXES, *_EARTH, "speed", "direction_to")
_AIR = ("wind_speed", "air_pressure", "air_co2", "air_temperature", "wind_direction_from", "rainfall")
_HOUSE = ("correlation", "signal_to_noise", "heading", "pitch", "roll", "inlet", "battery_voltage", "sample_number")
_WATER = ("temperature", "salinity", "conductivity", "pressure", "par")
_KNOWN = {*_CARRIED, *_SOLVED, *_ISOTOPES, *_FLOW, *_AIR, *_HOUSE, *_WATER}
_SHOWN_AS = {
    "oxygen_molar": "oxygen",
    "oxygen_saturation": "oxygen",
    "ph_free": "ph_total",
    "absolute_pressure": "pressure",
}


class Observer:
    """Sees for one instrument of a book."""

    def __init__(self, world: World, book: Book, instrument: Instrument) -> None:
        self._world, self._book, self._instrument = world, book, instrument
        self._fields: dict[str, UnitField] = {}
        self._flow: tuple[tuple[str, float, int], FloatArray] | None = None

    @staticmethod
    def source(quantity: str) -> str:
        """Return the quantity that a channel is made from; errors of the book act on that."""
        return _SHOWN_AS.get(quantity, quantity)

    @staticmethod
    def slow(quantity: str) -> bool:
        """Return whether the instrument's response time acts on a quantity."""
        return quantity in _CARRIED or quantity in _SOLVED or quantity in _ISOTOPES

    @staticmethod
    def check(instrument: Instrument, layout: Layout) -> None:
        """Raise `BookError` if a column of the layout holds what cannot be simulated."""
        for number, column in enumerate(layout.columns):
            if Observer.source(column.quantity) not in _KNOWN:
                raise BookError(
                    key=f"columns[{number}].quantity ({instrument.label})",
                    found=column.quantity,
                    wanted="a quantity that the rehearsal can simulate",
                    mend=f"It knows: {', '.join(sorted(_KNOWN | set(_SHOWN_AS)))}.",
                    file=f"layouts/{layout.name}.toml",
                )

    def _role(self, deployment: Deployment) -> str:
        return self._book.station(deployment.station).role

    def _place(self, deployment: Deployment, t: float) -> tuple[str, float, float]:
        """Place whose field is seen, and how far from it and in which direction the sensor lies."""
        if deployment.velocimeter is not None:
            at = self._world.script.start_ns + int(t * 1e9)
            other = self._book.deployment_at(deployment.velocimeter, at)
            if other is not None:
                name = f"{other.station} {other.height_above_bed_m:.2f}"
                return name, deployment.offset_downstream_m or 0.0, deployment.offset_direction_deg or 0.0
        return f"{deployment.station} {deployment.height_above_bed_m:.2f}", 0.0, 0.0

    def _field(self, place: str) -> UnitField:
        if place not in self._fields:
            self._fields[place] = self._world.field(place)
        return self._fields[place]

    def value(self, quantity: str, deployment: Deployment, t: FloatArray, number: int | None) -> FloatArray:
        """Return the true value of a quantity at true times, in its canonical unit.

        Parameters
        ----------
        number : int or None
            Bin of a profiler, counted from one.
        """
        world, role = self._world, self._role(deployment)
        if quantity in _HOUSE:
            constant = {"correlation": 96.0, "signal_to_noise": 24.0, "inlet": 1.0, "battery_voltage": 12.0}
            if quantity == "sample_number":
                return np.arange(t.size, dtype=np.float64)
            stated = {
                "heading": deployment.heading_deg or 0.0,
                "pitch": deployment.pitch_deg or 0.0,
                "roll": deployment.roll_deg or 0.0,
            }
            return np.full(t.size, constant.get(quantity, stated.get(quantity, 0.0)))
        if quantity in _AIR:
            if quantity in ("wind_speed", "air_pressure", "air_co2"):
                return world.water.at({"wind_speed": "wind"}.get(quantity, quantity), t)
            constant = {"air_temperature": 28.0, "wind_direction_from": 130.0, "rainfall": 0.0}
            return np.full(t.size, constant[quantity])
        if quantity == "par":
            light = world.water.at("light_surface", t)
            if role == "air":
                return light
            depth = world.reef.depth + world.water.at("tide", t) - deployment.height_above_bed_m
            return np.asarray(light * np.exp(-world.reef.attenuation * np.clip(depth, 0.0, None)))
        if quantity in _FLOW:
            return self._velocity(quantity, deployment, t, number)
        if role == "reference":
            return self._reference(quantity, deployment, t)
        return self._reef(quantity, deployment, t)

    def _velocity(self, quantity: str, deployment: Deployment, t: FloatArray, number: int | None) -> FloatArray:
        world = self._world
        place, _, _ = self._place(deployment, float(t[0]))
        height = world.true_height(place)
        if number is not None and self._instrument.bins is not None:
            height = float(self._instrument.bins.heights()[number - 1])
            place = f"{place} bin {number}"
        key = (place, float(t[0]), t.size)
        if self._flow is None or self._flow[0] != key:
            self._flow = (key, velocity_chunk(world, self._field(place), t, max(height, 0.01)))
        flow = self._flow[1]
        if quantity in _EARTH:
            return flow[:, _EARTH.index(quantity)]
        if quantity == "speed":
            return np.hypot(flow[:, 0], flow[:, 1])
        if quantity == "direction_to":
            return np.asarray(np.rad2deg(np.arctan2(flow[:, 0], flow[:, 1])) % 360.0)
        heading = (deployment.heading_deg or 0.0) + self._book.site.magnetic_declination_deg
        turned = to_axes(flow, heading) @ rotation(deployment.pitch_deg or 0.0, deployment.roll_deg or 0.0).T
        if self._book.axes_of(deployment) == "down":
            turned[:, 1:] *= -1.0
        return np.asarray(turned[:, _AXES.index(quantity)])

    def _solved(self, quantity: str, dic: FloatArray, alkalinity: FloatArray, warm: FloatArray, salt: FloatArray,
                pressure: float) -> FloatArray:  # fmt: skip
        deep = pressure if quantity in ("ph_total", "aragonite_saturation", "calcite_saturation") else 0.0
        state = carbonate.solve(dic=dic, total_alkalinity=alkalinity, temperature=warm, salinity=salt, pressure=deep)
        return np.asarray(state[quantity])

    def _reference(self, quantity: str, deployment: Deployment, t: FloatArray) -> FloatArray:
        world, reef = self._world, self._world.reef
        warm, salt = world.water.at("reference_temperature", t), world.water.at("reference_salinity", t)
        constant = {
            "oxygen": reef.reference_oxygen,
            "dic": reef.reference_dic,
            "total_alkalinity": reef.reference_alkalinity,
            "delta13c_dic": reef.reference_delta,
            "delta13c_co2": reef.reference_delta - 8.5,
        }
        if quantity in constant:
            return np.full(t.size, constant[quantity])
        depth = self._book.water_depth_of(deployment.station) - deployment.height_above_bed_m
        pressure = depth * reef.density * GRAVITY / 1e4
        plain = self._plain(quantity, warm, salt, np.full(t.size, pressure))
        if plain is not None:
            return plain
        dic, alkalinity = np.full(t.size, reef.reference_dic), np.full(t.size, reef.reference_alkalinity)
        return self._solved(quantity, dic, alkalinity, warm, salt, pressure)

    @staticmethod
    def _plain(quantity: str, warm: FloatArray, salt: FloatArray, pressure: FloatArray) -> FloatArray | None:
        if quantity == "temperature":
            return warm
        if quantity == "salinity":
            return salt
        if quantity == "pressure":
            return pressure
        if quantity == "conductivity":
            return np.asarray(
                properties.conductivity_from_practical_salinity(salinity=salt, temperature=warm, pressure=pressure)
            )
        return None

    def _reef(self, quantity: str, deployment: Deployment, t: FloatArray) -> FloatArray:
        world = self._world
        place, ahead, ahead_to = self._place(deployment, float(t[0]))
        height = min(world.true_height(place), world.reef.mixed_height)
        warm, salt = world.water.at("temperature", t), world.water.at("salinity", t)
        grid = world.waves.t0 + 0.25 * np.arange(world.waves.elevation.size)
        surface = world.water.at("tide", t) + 0.9 * np.interp(t, grid, world.waves.elevation)
        depth = world.reef.depth - world.true_height(place) + surface
        plain = self._plain(quantity, warm, salt, np.asarray(depth * world.reef.density * GRAVITY / 1e4))
        if plain is not None:
            return plain
        if quantity == "delta13c_dic":
            return np.asarray(np.interp(t, world.water.t, delta_at(world, height)))
        if quantity == "delta13c_co2":
            return np.asarray(np.interp(t, world.water.t, delta_at(world, height)) - 8.5)
        field = self._field(place)
        if quantity in _CARRIED:
            return scalar_at(world, field, quantity, t, height, ahead=ahead, ahead_to=ahead_to)
        dic, alkalinity = (
            scalar_at(world, field, name, t, height, ahead=ahead, ahead_to=ahead_to)
            for name in ("dic", "total_alkalinity")
        )
        return self._solved(quantity, dic, alkalinity, warm, salt, PRESSURE)

    def shown(self, value: FloatArray, quantity: str, t: FloatArray) -> FloatArray:
        """Return a reading in the channel's own quantity (oxygen by volume, pressure with the air's, ...)."""
        world = self._world
        if quantity == "oxygen_molar":
            return molar_at_setting(world, value, t, self._instrument.salinity_setting or 0.0)
        if quantity == "oxygen_saturation":
            warm, salt = world.water.at("temperature", t), world.water.at("salinity", t)
            return np.asarray(oxygen_of.saturation(oxygen=value, temperature=warm, salinity=salt))
        if quantity == "ph_free":
            return value + free_minus_total(world.reef.temperature, world.reef.salinity)
        if quantity == "absolute_pressure":
            return np.asarray(value + world.water.at("air_pressure", t) / 100.0)
        if quantity in ("correlation", "inlet", "sample_number"):
            return np.asarray(np.clip(value, 0.0, None))
        return value
