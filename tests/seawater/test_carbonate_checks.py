"""Every published or independently computed check value of the carbonate system.

The rows, with source, place, standing and tolerance, are in ``data/carbonate_checks.json``.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from reeftally.seawater.carbonate import (
    ORR2018,
    Constants,
    derivatives,
    equilibrium_constants,
    propagate,
    solve,
)

ROWS = json.loads((Path(__file__).parent / "data" / "carbonate_checks.json").read_text("utf-8"))["rows"]


def constants_at(row: dict, pressure: float | None = None) -> dict:
    state = row["state"]
    return equilibrium_constants(
        # The totals of the conservative ions do not depend on temperature; their rows give none.
        temperature=state.get("temperature", 25.0),
        salinity=state["salinity"],
        pressure=state.get("pressure", 0.0) if pressure is None else pressure,
        constants=Constants(**row["constants"]),
    )


def solved(row: dict, **changes: float):
    return solve(**(row["state"] | changes), constants=Constants(**row["constants"]))


def compute(row: dict) -> float:
    """Return what this package gives for the quantity of `row`."""
    recipe, state = row["recipe"], row["state"]
    if recipe.startswith("orr_"):
        return ORR2018[recipe.removeprefix("orr_")]
    if recipe.endswith("_seawater"):
        k = constants_at(row)
        return -math.log10(k[recipe[1:3]] / k["total_over_seawater"])
    if recipe == "ln_kf_total":
        k = constants_at(row)
        return math.log(k["kf"] * k["total_over_free"])
    if recipe.startswith("ln_"):
        return math.log(constants_at(row)[recipe.removeprefix("ln_")])
    if recipe.startswith("log10_"):
        return math.log10(constants_at(row)[recipe.removeprefix("log10_")])
    if recipe.startswith("ratio_"):
        name = recipe.removeprefix("ratio_")
        return constants_at(row)[name] / constants_at(row, pressure=0.0)[name]
    if recipe in ("pk1", "pk2", "pkb", "pkw"):
        return -math.log10(constants_at(row)[recipe[1:]])
    if recipe in ("k0", "total_boron", "total_sulfate", "calcium"):
        return constants_at(row)[recipe]
    if recipe.startswith("boron_mg"):
        at_one = equilibrium_constants(temperature=25.0, salinity=1.0, constants=Constants(**row["constants"]))
        per_salinity = at_one["total_boron"] * 10.811e3
        return per_salinity * (1.80655 if recipe.endswith("chlorinity") else 1.0)
    if recipe.startswith(("random_sd_", "total_sd_")):
        which, name = recipe.split("_sd_")
        result = propagate(**state, sd={"total_alkalinity": 2.0, "dic": 2.0})
        return {"random": result.random_sd, "total": result.sd}[which][name]
    if recipe == "derivative_ph_total_by_total_alkalinity":
        return derivatives(**state)["ph_total"]["total_alkalinity"]
    if recipe.startswith(("change_", "start_")):
        which, name = recipe.split("_", 1)
        start, end = solved(row, ph_total=8.1)[name], solved(row, ph_total=8.0)[name]
        return start if which == "start" else end - start
    if recipe == "egleston_revelle":
        state_here = solved(row)
        return state_here.dic / state_here.gamma_dic
    if recipe == "takahashi":
        # Middle of the stated range of temperature, alkalinity 2300 and DIC 2000, salinity 35.
        water = {"total_alkalinity": 2300.0, "dic": 2000.0, "temperature": 13.5, "salinity": 35.0}
        slope = derivatives(**water, outputs=("pco2",), wrt=("temperature",))["pco2"]["temperature"]
        return slope / solve(**water).pco2
    if recipe == "feely":
        k = equilibrium_constants(temperature=5.0, salinity=35.0)
        return 1e6 * k["ksp_aragonite"] / k["calcium"]
    return getattr(solved(row), recipe)


SPECIAL = {
    "lowest_ph",
    "bicarbonate_share",
    "revelle_low",
    "derivative_agreement",
}


@pytest.mark.parametrize("row", [r for r in ROWS if r["recipe"] not in SPECIAL], ids=lambda r: r["id"])
def test_the_check_value_is_met_within_its_tolerance(row: dict) -> None:
    ours = compute(row)

    assert abs(ours - row["value"]) <= row["tolerance"] * (1.0 + 1e-9), (ours, row["value"], row["source"])


def row_named(name: str) -> dict:
    return next(r for r in ROWS if r["id"] == name)


def test_ph_on_every_scale_lies_in_the_published_span_of_scales() -> None:
    # Marion et al. 2011, Marine Chemistry 126, 89, abstract: 8.08 to 8.33 over the scales at
    # fCO2 333 µatm, 25 °C, Absolute Salinity 35.165 (practical 35). Alkalinity 2300 is assumed.
    low = row_named("fs-marion-low")
    state = solve(total_alkalinity=2300.0, fco2=333.0, temperature=25.0, salinity=35.0)

    scales = (state.ph_total, state.ph_free, state.ph_seawater)

    assert min(scales) >= low["value"] - low["tolerance"]
    assert max(scales) <= 8.33 + low["tolerance"]


def test_bicarbonate_is_the_stated_share_of_dic_in_modern_surface_water() -> None:
    bound = row_named("fs-zeebe-hco3")
    state = solve(total_alkalinity=2300.0, fco2=380.0, temperature=15.0, salinity=35.0)

    assert 100.0 * state.bicarbonate / state.dic > bound["value"]


def test_revelle_factor_of_warm_surface_water_is_at_the_low_end_of_the_stated_range() -> None:
    low = row_named("fs-revelle-low")

    # Invented typical water of the tropics.
    warm = solve(total_alkalinity=2350.0, fco2=350.0, temperature=28.0, salinity=35.5)

    assert abs(warm.revelle_factor - low["value"]) <= low["tolerance"]


def test_numerical_sensitivities_agree_with_ours_to_the_published_hundredth_of_a_percent() -> None:
    bound = row_named("un-orr18-agree")
    water = {"total_alkalinity": 2300.0, "dic": 2000.0, "temperature": 25.0, "salinity": 35.0}
    exact = derivatives(**water)

    for name, value in water.items():
        step = 1e-3
        above = solve(**(water | {name: value + step}))
        below = solve(**(water | {name: value - step}))
        for output in ("ph_total", "carbonate", "fco2", "aragonite_saturation"):
            numerical = (above[output] - below[output]) / (2.0 * step)
            assert abs(numerical / exact[output][name] - 1.0) * 100.0 <= bound["value"]
