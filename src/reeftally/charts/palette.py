"""Colours: one for each quantity, method and driver, in light and in dark.

Here:     the table of colours and the look shared by all charts.
Not here: what is drawn (`series`, `fluxes`, `account` and their neighbours).
Rules:    a quantity has the same colour in every figure; every role has a colour of its own, so that a drawing can
          be recoloured for the dark by replacing one text by another. No colour is the only sign of a difference:
          lines that share a panel differ in dash or shape too, and in lightness, so that grey print keeps them apart.

Notes
-----
Common practice, no source: hues avoid pairs that differ in red against green alone; every data colour stands at 3:1
or better against both papers (tested).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "COLOURS",
    "DRIVER_COLOURS",
    "METHOD_LOOKS",
    "Colour",
    "MethodLook",
    "colour_of",
    "method_look",
    "recoloured",
]


@dataclass(frozen=True, slots=True)
class Colour:
    """One role with its two colours."""

    role: str
    light: str
    """On paper. sRGB hex, lower case, found in no other role."""
    dark: str
    """In the dark."""


_ROWS = (
    # the sheet itself
    Colour("paper", "#fcfbf7", "#14191d"),
    Colour("ink", "#1e252b", "#ebe7dc"),
    Colour("muted", "#59636b", "#a9b0b4"),
    Colour("grid", "#e2ded3", "#2c343a"),
    Colour("night", "#e9e7e1", "#1e262d"),
    Colour("rule", "#8b9298", "#7c868d"),
    # quantities
    Colour("temperature", "#b8432a", "#f0876a"),
    Colour("salinity", "#66707a", "#a3aeb7"),
    Colour("pressure", "#45688f", "#8fb4dd"),
    Colour("par", "#a87200", "#f0bd4a"),
    Colour("speed", "#3b4f63", "#a2bbd1"),
    Colour("oxygen", "#1c69ad", "#70b5f0"),
    Colour("ph_total", "#75379b", "#c79bea"),
    Colour("dic", "#85551a", "#d9a766"),
    Colour("total_alkalinity", "#646f14", "#b9c75f"),
    Colour("aragonite_saturation", "#0a746f", "#55c6be"),
    Colour("fco2", "#a93169", "#f08db6"),
    Colour("delta13c_dic", "#6b5b4b", "#c5b3a0"),
    Colour("friction_velocity", "#2f4457", "#b5c9da"),
    Colour("dissipation_rate", "#4d5f86", "#9fb2dc"),
    # methods of one quantity in one panel
    Colour("method_first", "#20303d", "#dfe6ea"),
    Colour("method_second", "#c2660f", "#f2a154"),
    Colour("method_third", "#0e7f79", "#5cccc4"),
    Colour("method_fourth", "#8a4f9e", "#cda3de"),
    # drivers of the account
    Colour("global", "#37578b", "#8aabdf"),
    Colour("organic", "#ad3f2b", "#ee8a72"),
    Colour("carbonate", "#a67c1e", "#dcb454"),
    Colour("gas_exchange", "#3c8f88", "#7fcdc6"),
    Colour("temperature_part", "#7d6a80", "#bda9c0"),
    Colour("freshwater", "#5b7f9c", "#94bcd9"),
    Colour("residual", "#747b80", "#9aa2a8"),
    Colour("total", "#232b31", "#e4e0d6"),
)

COLOURS: dict[str, Colour] = {row.role: row for row in _ROWS}

DRIVER_COLOURS: dict[str, str] = {
    "global": "global",
    "organic": "organic",
    "carbonate": "carbonate",
    "gas_exchange": "gas_exchange",
    "temperature": "temperature_part",
    "freshwater": "freshwater",
    "residual": "residual",
    "total": "total",
    "local": "organic",
    "departure": "organic",
}
"""Role of each driver of the account."""

_SAME = {
    "oxygen_molar": "oxygen",
    "oxygen_saturation": "oxygen",
    "oxygen_flux": "oxygen",
    "dic_flux": "dic",
    "storage": "oxygen",
    "ph_total_internal": "ph_total",
    "ph_total_external": "ph_total",
    "pco2": "fco2",
    "xco2": "fco2",
    "absolute_pressure": "pressure",
    "alkalinity_flux": "total_alkalinity",
    "significant_wave_height": "pressure",
    "peak_wave_period": "pressure",
}


@dataclass(frozen=True, slots=True)
class MethodLook:
    """How one method is told from another where they share a panel."""

    role: str
    shape: str
    dash: tuple[int, ...]


METHOD_LOOKS: dict[str, MethodLook] = {
    "covariance": MethodLook("method_first", "circle", (1, 0)),
    "gradient": MethodLook("method_second", "diamond", (6, 3)),
    "budget": MethodLook("method_third", "triangle-up", (2, 2)),
    "log_law": MethodLook("method_second", "diamond", (6, 3)),
    "dissipation": MethodLook("method_third", "triangle-up", (2, 2)),
    "best_of_three": MethodLook("method_fourth", "square", (8, 2, 2, 2)),
}

_SPARE = tuple(
    MethodLook(role, shape, dash)
    for role, shape, dash in (
        ("method_first", "circle", (1, 0)),
        ("method_second", "diamond", (6, 3)),
        ("method_third", "triangle-up", (2, 2)),
        ("method_fourth", "square", (8, 2, 2, 2)),
    )
)


def method_look(method: str, position: int = 0) -> MethodLook:
    """Return the look of a method; one that is not in the table takes that of its position."""
    return METHOD_LOOKS.get(method, _SPARE[position % len(_SPARE)])


def colour_of(name: str) -> str:
    """Return the light colour of a quantity or role; quantities without one of their own are muted ink."""
    role = _SAME.get(name, name)
    return COLOURS[role].light if role in COLOURS else COLOURS["muted"].light


def recoloured(text: str, *, to: str) -> str:
    """Return a drawing or specification with every colour replaced.

    Parameters
    ----------
    text : str
        SVG or JSON made with the light colours.
    to : str
        ``dark`` for the dark colours, ``css`` for ``var(--c-ROLE)``.
    """
    for row in _ROWS:
        text = text.replace(row.light, row.dark if to == "dark" else f"var(--c-{row.role})")
    return text
