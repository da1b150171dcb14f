"""Titles of axes and short words for people: name and unit of every quantity, method and driver.

Here:     the spelling that readers see, made from the table of quantities.
Not here: the table itself (`reeftally._names`), number formats (`reeftally.telling.words`).
Rules:    every axis has name and unit; exponents are raised, never bare.
"""

from __future__ import annotations

from reeftally._names import QUANTITIES

__all__ = ["axis_title", "driver_name", "method_name", "pretty_unit", "quantity_name"]

_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")

# Short names where the table's meaning is too long for an axis.
_SHORT = {
    "temperature": "Temperature",
    "salinity": "Salinity",
    "pressure": "Water above the sensor",
    "oxygen": "Oxygen, O₂",
    "oxygen_molar": "Oxygen as sensed",
    "ph_total": "pH, total scale",
    "ph_total_internal": "pH, internal reference",
    "ph_total_external": "pH, external reference",
    "total_alkalinity": "Alkalinity, TA",
    "dic": "Inorganic carbon, DIC",
    "fco2": "Fugacity of CO₂",
    "aragonite_saturation": "Aragonite saturation, Ω",
    "delta13c_dic": "δ¹³C of DIC",
    "speed": "Current speed",
    "direction_to": "Direction of flow",
    "friction_velocity": "Friction velocity, u*",
    "roughness_length": "Roughness length, z₀",
    "dissipation_rate": "Dissipation, ε",
    "significant_wave_height": "Wave height, Hs",
    "peak_wave_period": "Wave period, Tp",
    "par": "Light, PAR",
    "oxygen_flux": "Oxygen flux",
    "dic_flux": "DIC flux",
    "alkalinity_flux": "Alkalinity flux",
    "hydrogen_ion_flux": "Hydrogen ion flux",
    "net_community_production": "Net community production, NCP",
    "net_community_calcification": "Net community calcification, NCC",
    "gross_primary_production": "Gross primary production, GPP",
    "community_respiration": "Community respiration, R",
    "maximum_production": "Highest production",
    "light_saturation": "Light of saturation",
    "excurrent_velocity": "Speed of the jet",
    "pumping_rate": "Pumping rate",
    "individual_oxygen_uptake": "Oxygen uptake of one organism",
    "individual_dic_release": "DIC release of one organism",
    "areal_oxygen_uptake": "Oxygen uptake of the counted organisms",
    "community_share": "Share of the community's respiration",
    "source_delta13C": "δ¹³C of the carbon added",
    "local_dic_excess": "DIC above open water",
    "dic_departure_from_equilibrium": "DIC above balance with the air",
    "ph_departure_from_equilibrium": "pH against balance with the air",
    "visit_ph_difference": "pH of the jet minus ambient",
    "visit_oxygen_difference": "Oxygen of the jet minus ambient",
    "ph_trend": "Trend of pH",
    "years_to_detect": "Years until a trend can be told",
    "sensor_offset": "Offset of the sensor",
    "sensor_drift": "Drift of the sensor",
    "clock_offset": "Offset of the clock",
    "storage": "Storage below the sensor",
}

_DRIVERS = {
    "global": "CO₂ from the air, worldwide",
    "organic": "life on the reef (breathing less growth)",
    "carbonate": "building and dissolving of skeletons",
    "gas_exchange": "exchange with the air here",
    "temperature": "warmer or cooler water than outside",
    "freshwater": "rain or evaporation",
    "residual": "left over",
    "local": "made on the reef",
    "total": "together",
}

_DERIVED_BEFORE = {
    "diel_amplitude_": "Range over the day",
    "diel_hour_of_maximum_": "Local hour of the highest",
    "diel_hour_of_minimum_": "Local hour of the lowest",
}
_DERIVED_AFTER = {"_night_minimum": "Night minimum", "_range": "Range"}

_METHODS = {
    "covariance": "covariance",
    "gradient": "gradient",
    "shapley_from_past": "exact split, from the past",
    "shapley_from_reference": "exact split, from today's open water",
    "taylor": "first-order split",
    "log_law": "log law",
    "best_of_three": "best of three routes",
    "dissipation": "dissipation",
    "swap": "swap of places",
    "carried_sensor": "carried sensor",
    "scaled_organisms": "organisms scaled up",
    "gradient_ph_alkalinity": "gradient of pH, with alkalinity",
    "gradient_ph_oxygen": "gradient of pH, with oxygen",
    "budget_of_bottles": "bottles inside and outside",
    "trials": "sensors and bottles, in trials",
    "reef_minus_reference": "reef minus open water",
    "excurrent": "jet minus ambient",
    "harmonics_24h_12h": "harmonics of 24 h and 12 h",
    "internal_minus_external": "internal minus external reference",
    "excurrent_oxygen_times_rq": "oxygen uptake times RQ",
    "shapley_equilibrium_at_own_alkalinity": "exact split, balance with the air",
}


def pretty_unit(unit: str) -> str:
    """Return a unit with raised exponents: ``mmol m-2 h-1`` becomes ``mmol m⁻² h⁻¹``."""
    words = []
    for word in unit.split():
        if word == "1":
            continue
        stem = word.rstrip("-0123456789")
        words.append(stem + word[len(stem) :].translate(_RAISED) if stem else word)
    return " ".join(words)


def quantity_name(name: str) -> str:
    """Return the words for a quantity, for people."""
    if name in _SHORT:
        return _SHORT[name]
    for prefix, words in (
        ("ph_change_", "Change of pH: "),
        ("aragonite_saturation_change_", "Change of aragonite saturation: "),
    ):
        if name.startswith(prefix):
            return words + driver_name(name.removeprefix(prefix))
    for prefix, words in _DERIVED_BEFORE.items():
        if name.startswith(prefix):
            return f"{words}: {quantity_name(name.removeprefix(prefix))}"
    for suffix, words in _DERIVED_AFTER.items():
        if name.endswith(suffix) and name.removesuffix(suffix) in QUANTITIES:
            return f"{words}: {quantity_name(name.removesuffix(suffix))}"
    row = QUANTITIES.get(name)
    text = row.meaning if row is not None else name.replace("_", " ")
    return text[:1].upper() + text[1:]


def driver_name(name: str) -> str:
    """Return the words for a driver of the account."""
    return _DRIVERS.get(name, name.replace("_", " "))


def method_name(name: str) -> str:
    """Return the words for a method."""
    return _METHODS.get(name, name.replace("_", " "))


def axis_title(name: str, unit: str | None = None) -> str:
    """Return name and unit of a quantity for an axis.

    Parameters
    ----------
    unit : str, optional
        Where the quantity is not in the table, or is shown in another unit than its own.
    """
    row = QUANTITIES.get(name)
    shown = pretty_unit(unit if unit is not None else (row.unit if row is not None else ""))
    return f"{quantity_name(name)} ({shown})" if shown else quantity_name(name)
