"""The command `plan`: what the design of a mission book can see, before anything gets wet.

Here:     options, the table for people.
Not here: the prediction (`reeftally.planning`).
Rules:    as for all commands.
"""

from __future__ import annotations

import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from reeftally.cli._group import FOLDER, commands
from reeftally.cli._output import Outcome, command_result

if TYPE_CHECKING:
    from reeftally.planning import Plan

__all__ = ["plan"]


@commands.command()
@click.argument("folder", type=FOLDER)
@click.option("--night-uptake", type=float, help="Oxygen uptake of the bed at night you expect [mmol m-2 h-1].")
@click.option("--friction-velocity", type=float, help="Mean friction velocity you expect [m/s].")
@command_result
def plan(folder: Path, night_uptake: float | None, friction_velocity: float | None) -> Outcome:
    """Predict what the mission book's design can see: each target, its predicted interval, the cheapest improvement.

    Simulated missions are analysed with the same functions that analyse real ones. Exit status 1: a target would be
    missed or cannot be predicted.

    \b
    Example:
        reeftally plan lagoon-2031
        reeftally plan lagoon-2031 --night-uptake 8 --friction-velocity 0.006
    """
    from reeftally.errors import InputError
    from reeftally.planning import Expected, plan_mission

    expected = Expected()
    for name, value in (("night_uptake", night_uptake), ("friction_velocity", friction_velocity)):
        if value is None:
            continue
        if not value > 0.0:
            message = f"--{name.replace('_', '-')} is {value:g}; it must be above zero."
            raise InputError(message)
        # One field at a time, by name: the names of the options are those of the fields.
        expected = replace(expected, **{name: value})  # type: ignore[arg-type]
    found = plan_mission(folder, expected=expected)
    return Outcome(data=found.as_dict(), lines=_lines(found), attention=not found.met)


def _lines(found: Plan) -> list[str]:
    lines = []
    if found.signals:
        s = found.signals
        lines += [
            f"Between {s['lower_m_above_displacement']:.2f} and {s['upper_m_above_displacement']:.2f} m above the "
            f"displacement plane, oxygen flux {s['oxygen_flux_mmol_m2_h']:g} mmol m-2 h-1, friction velocity "
            f"{100 * s['friction_velocity_m_s']:g} cm/s, lower minus upper:",
            f"  oxygen {s['oxygen_lower_minus_upper_umol_kg']:+.2f} umol/kg, pH {s['ph_lower_minus_upper']:+.4f}",
            f"  an oxygen offset of 0.1 umol/kg is a false flux of {s['false_oxygen_flux_of_0.1_umol_kg']:.1f}, "
            f"a pH offset of 0.001 one of {s['false_dic_flux_of_0.001_ph']:.1f} mmol m-2 h-1",
            "",
        ]
    lines.append(f"{'target':<18} {'period':<8} {'method':<23} {'wanted':>8} {'predicted':>10}  met  dominant cause")
    for row in found.rows:
        head = f"{row.quantity:<18} {row.period:<8} {row.method:<23} {row.wanted:>8.3g}"
        if row.predicted is None:
            lines.append(f"{head} {'-':>10}  -    cannot be predicted: {row.reason}")
            continue
        lines.append(f"{head} {row.predicted:>10.3g}  {'yes' if row.met else 'NO ':<4} {row.dominant}")
        if not row.met:
            lines += textwrap.wrap(f"cheapest: {row.cheapest}", 96, initial_indent="    ", subsequent_indent="    ")
    lines.append("Half-widths of 95 % intervals, in the unit of the target.")
    if found.assumed:
        lines += ["", "Assumed:", *(f"  {text}" for text in found.assumed)]
    if found.missing:
        lines += ["", "Missing in the book or its tables:", *(f"  {text}" for text in found.missing)]
    return lines
