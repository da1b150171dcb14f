"""The table of quantities: name, CF standard name, symbol, unit and meaning.

Names here are used for channels in the store, columns of block series, axis labels and
estimates. The unit is the canonical one inside the package; whatever unit a file uses is
converted at intake. A quantity without a CF standard name has an empty one.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["QUANTITIES", "Quantity", "label", "unit_of"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the table."""

    name: str
    """Name used everywhere in the package."""
    standard_name: str
    """CF standard name, or empty."""
    symbol: str
    """Short symbol for axes."""
    unit: str
    """Canonical unit, in the spelling shown to people."""
    meaning: str
    """One line."""
    cf_unit: str = ""
    """Unit in udunits spelling where it differs from `unit`."""


_ROWS = (
    # water
    Quantity("temperature", "sea_water_temperature", "T", "°C", "water temperature, ITS-90", "degree_C"),
    Quantity("salinity", "sea_water_practical_salinity", "S", "", "practical salinity", "1"),
    Quantity("conductivity", "sea_water_electrical_conductivity", "C", "S m-1", "electrical conductivity"),
    Quantity("pressure", "sea_water_pressure_due_to_sea_water", "p", "dbar", "pressure of the water column alone"),
    Quantity("absolute_pressure", "sea_water_pressure", "p_abs", "dbar", "pressure with the atmosphere included"),
    Quantity(
        "oxygen",
        "moles_of_oxygen_per_unit_mass_in_sea_water",
        "O2",
        "µmol kg-1",
        "dissolved oxygen by mass",
        "umol kg-1",
    ),
    Quantity(
        "oxygen_molar",
        "mole_concentration_of_dissolved_molecular_oxygen_in_sea_water",
        "[O2]",
        "mmol m-3",
        "dissolved oxygen by volume, as the sensor's own salinity setting gives it",
    ),
    Quantity(
        "oxygen_saturation",
        "fractional_saturation_of_oxygen_in_sea_water",
        "O2 sat",
        "%",
        "oxygen against its solubility",
        "percent",
    ),
    Quantity("ph_total", "sea_water_ph_reported_on_total_scale", "pH_T", "", "pH, total scale, in situ", "1"),
    Quantity("ph_free", "", "pH_F", "", "pH, free scale", "1"),
    Quantity("ph_seawater", "", "pH_SWS", "", "pH, seawater scale", "1"),
    Quantity("ph_nbs", "", "pH_NBS", "", "pH, low-ionic-strength (NBS) scale", "1"),
    Quantity("ph_internal_voltage", "", "V_int", "V", "ISFET voltage against the internal reference"),
    Quantity("ph_external_voltage", "", "V_ext", "V", "ISFET voltage against the external reference"),
    Quantity(
        "ph_total_internal",
        "sea_water_ph_reported_on_total_scale",
        "pH_int",
        "",
        "pH, total scale, internal reference",
        "1",
    ),
    Quantity(
        "ph_total_external",
        "sea_water_ph_reported_on_total_scale",
        "pH_ext",
        "",
        "pH, total scale, external reference",
        "1",
    ),
    Quantity(
        "total_alkalinity",
        "sea_water_alkalinity_per_unit_mass_expressed_as_mole_equivalent",
        "TA",
        "µmol kg-1",
        "total alkalinity by mass",
        "umol kg-1",
    ),
    Quantity(
        "dic",
        "moles_of_dissolved_inorganic_carbon_per_unit_mass_in_sea_water",
        "DIC",
        "µmol kg-1",
        "dissolved inorganic carbon by mass",
        "umol kg-1",
    ),
    Quantity("fco2", "fugacity_of_carbon_dioxide_in_sea_water", "fCO2", "µatm", "fugacity of CO2 in the water", "uatm"),
    Quantity("pco2", "", "pCO2", "µatm", "partial pressure of CO2 in the water", "uatm"),
    Quantity(
        "xco2",
        "",
        "xCO2",
        "µmol mol-1",
        "dry mole fraction of CO2 in equilibrium with the water",
        "umol mol-1",
    ),
    Quantity("delta13c_dic", "", "δ13C", "‰", "carbon-13 of DIC against VPDB", "1e-3"),
    Quantity(
        "delta13c_co2",
        "",
        "δ13C(CO2)",
        "‰",
        "carbon-13 of the CO2 seen by a gas analyser, against VPDB",
        "1e-3",
    ),
    Quantity("aragonite_saturation", "", "Ω_ar", "", "saturation state of aragonite", "1"),
    Quantity("calcite_saturation", "", "Ω_ca", "", "saturation state of calcite", "1"),
    Quantity("phosphate", "", "PO4", "µmol kg-1", "phosphate by mass", "umol kg-1"),
    Quantity("silicate", "", "SiO4", "µmol kg-1", "silicate by mass", "umol kg-1"),
    # flow
    Quantity("velocity_x", "", "u_x", "m s-1", "velocity along the instrument's x axis"),
    Quantity("velocity_y", "", "u_y", "m s-1", "velocity along the instrument's y axis"),
    Quantity("velocity_z", "", "u_z", "m s-1", "velocity along the instrument's z axis"),
    Quantity("velocity_east", "eastward_sea_water_velocity", "u_E", "m s-1", "velocity to the east"),
    Quantity("velocity_north", "northward_sea_water_velocity", "u_N", "m s-1", "velocity to the north"),
    Quantity("velocity_up", "upward_sea_water_velocity", "u_U", "m s-1", "velocity upward"),
    Quantity("velocity_beam_1", "", "b_1", "m s-1", "velocity along beam 1"),
    Quantity("velocity_beam_2", "", "b_2", "m s-1", "velocity along beam 2"),
    Quantity("velocity_beam_3", "", "b_3", "m s-1", "velocity along beam 3"),
    Quantity("speed", "sea_water_speed", "U", "m s-1", "horizontal speed"),
    Quantity(
        "direction_to",
        "sea_water_velocity_to_direction",
        "dir",
        "°",
        "direction the water goes to, from true north",
        "degree",
    ),
    Quantity("correlation", "", "corr", "%", "lowest pulse correlation of the beams", "percent"),
    Quantity("signal_to_noise", "", "SNR", "dB", "lowest signal-to-noise ratio of the beams"),
    Quantity("heading", "platform_yaw", "hdg", "°", "instrument heading", "degree"),
    Quantity("pitch", "platform_pitch", "pitch", "°", "instrument pitch", "degree"),
    Quantity("roll", "platform_roll", "roll", "°", "instrument roll", "degree"),
    Quantity("friction_velocity", "", "u*", "m s-1", "friction velocity"),
    Quantity("roughness_length", "", "z0", "m", "apparent roughness length, waves included"),
    Quantity(
        "dissipation_rate",
        "specific_turbulent_kinetic_energy_dissipation_in_sea_water",
        "ε",
        "W kg-1",
        "turbulent dissipation",
    ),
    Quantity("significant_wave_height", "sea_surface_wave_significant_height", "Hs", "m", "significant wave height"),
    Quantity(
        "peak_wave_period",
        "sea_surface_wave_period_at_variance_spectral_density_maximum",
        "Tp",
        "s",
        "peak wave period",
    ),
    # light, air
    Quantity(
        "par",
        "downwelling_photosynthetic_photon_flux_in_sea_water",
        "PAR",
        "µmol m-2 s-1",
        "photosynthetic light at the sensor",
        "umol m-2 s-1",
    ),
    Quantity("wind_speed", "wind_speed", "U10", "m s-1", "wind speed"),
    Quantity("air_pressure", "air_pressure", "p_air", "hPa", "air pressure at the sea surface"),
    Quantity(
        "air_co2",
        "mole_fraction_of_carbon_dioxide_in_air",
        "xCO2 air",
        "µmol mol-1",
        "dry mole fraction of CO2 in the air",
        "umol mol-1",
    ),
    # fluxes (positive into the water)
    Quantity("oxygen_flux", "", "F_O2", "mmol m-2 h-1", "oxygen flux off the bed, into the water"),
    Quantity("dic_flux", "", "F_DIC", "mmol m-2 h-1", "DIC flux off the bed, into the water"),
    Quantity("alkalinity_flux", "", "F_TA", "mmol m-2 h-1", "alkalinity flux off the bed, into the water"),
    Quantity("hydrogen_ion_flux", "", "F_H", "mmol m-2 h-1", "hydrogen ion flux off the bed, into the water"),
)

QUANTITIES: dict[str, Quantity] = {row.name: row for row in _ROWS}


def unit_of(name: str) -> str:
    """Return the canonical unit of quantity `name` (empty for pure numbers)."""
    return QUANTITIES[name].unit


def label(name: str) -> str:
    """Return ``symbol (unit)`` of quantity `name` for an axis."""
    row = QUANTITIES[name]
    return f"{row.symbol} ({row.unit})" if row.unit else row.symbol
