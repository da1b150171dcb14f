"""Causes of faults in words: the evidence for each, and the one test that would separate two of them.

Here:     what each pattern says of its cause, what a cause predicts for a simple act, the best act for a pair.
Not here: ranking causes (`faults`).
Rules:    one act at a time; nothing that changes the sensor before the evidence is kept.
"""

from __future__ import annotations

import numpy as np

from reeftally.quality._patterns import Fit

__all__ = ["evidence_words", "separating_test"]

# What to do, and what is then seen if the cause is true. Common practice, no source.
_ACTS = {
    "fouling": ("clean the sensor, with ten minutes left alone before and after", "the difference vanishes at once"),
    "bubble": ("turn and tap the sensor head, then look at the next minutes", "noise and difference vanish at once"),
    "settling": ("wait one more day without touching it", "the difference shrinks by itself by the same share a day"),
    "stuck": ("breathe on, shade or lift the sensor for a minute", "the reading does not move"),
    "swapped streams": ("unplug one of the two sensors for a minute", "the other one's stream falls silent"),
    "salinity setting": ("read the salinity setting out of the instrument", "it is not the one in the book"),
    "ph scale": ("draw one bottle beside it for dye pH", "the bottle differs by the distance between two scales"),
    "height": ("measure its height above the bed again", "the tape differs from the book"),
    "upside down": ("photograph the probe and look which way it points", "the mark points the other way"),
    "clock": ("read its clock against the base clock", "it is off by the lag found"),
    "zone": ("read its clock against the base clock", "it is off by whole half hours"),
    "cable or power": ("log its supply voltage for an hour and reseat the plug", "dropouts stop or the voltage dips"),
    "drift": (
        "hold it beside a neighbour for 20 minutes now and again tomorrow",
        "the two differences are not the same",
    ),
    "moved": ("look at the frame and measure height and tilt", "it does not stand where the log says"),
    "calibration": ("hold it beside a neighbour for 20 minutes", "the constant difference stays in the same water"),
    "true signal": ("hold it beside a neighbour for 20 minutes", "the difference vanishes in the same water"),
}

_PAIRS = {
    frozenset(("fouling", "drift")): "Clean the sensor, with ten minutes left alone before and after: fouling ends "
    "in a step, drift goes on as before.",
    frozenset(("fouling", "settling")): "Clean the sensor: fouling ends in a step; settling shrinks by itself and does "
    "not care.",
    frozenset(("clock", "zone")): "Read its clock against the base clock to the second: a zone is off by whole half "
    "hours, a clock by anything.",
    frozenset(("ph scale", "calibration")): "Draw one bottle beside it and read which scale the instrument was set to: "
    "a wrong scale shows in the setting, a calibration error does not.",
    frozenset(("height", "true signal")): "Measure its height again; then hold it beside a neighbour for 20 minutes: "
    "in the same water a sensor at the wrong height is right.",
    frozenset(("moved", "swapped streams")): "Unplug one of the two sensors for a minute: if the other one's stream "
    "falls silent they are crossed, else look whether the frame moved.",
}  # fmt: skip


def separating_test(first: str, second: str) -> str:
    """Return the one test that separates two causes."""
    pair = _PAIRS.get(frozenset((first, second)))
    if pair is not None:
        return pair
    # The ground "true signal" has the gentlest test of all; otherwise the act of the first cause decides.
    act, seen = _ACTS[first]
    other_act, other_seen = _ACTS[second]
    if act == other_act:
        return f"{act[0].upper()}{act[1:]}: if {seen}, it is {first}; if {other_seen}, it is {second}."
    return f"{act[0].upper()}{act[1:]}: if {seen}, it is {first}; if not, {other_act} next ({second})."


def evidence_words(name: str, fit: Fit, *, cleaned: bool, names: tuple[str, ...]) -> str:
    """Return the evidence for one cause in words."""
    f = fit.numbers
    if not np.isfinite(fit.squares):
        return "no sign of it"
    texts = {
        "true signal": f"the neighbours show the same, to an offset of {f.get('offset', 0):+.3g}",
        "calibration": f"a constant difference of {f.get('offset', 0):+.3g} to the neighbours",
        "drift": f"the difference to the neighbours runs by {f.get('per_day', 0):+.3g} a day",
        "settling": f"the difference dies away: {f.get('amplitude', 0):+.3g} at the start, {f.get('days', 0):.2g} days",
        "fouling": f"the difference grows by {f.get('per_day', 0):+.3g} a day from day {f.get('onset_days', 0):.1f}"
        + (f", {f['by_light']:+.3g} more at full light" if "by_light" in f else "")
        + (" and ends at a cleaning" if cleaned else ""),
        "moved": f"a step of {f.get('step', 0):+.3g} on day {f.get('day', 0):.2f}, none at the neighbours",
        "clock": f"the record fits its neighbours when shifted by {-f.get('lag', 0):+.0f} s",
        "zone": f"the record fits its neighbours when shifted by {-f.get('hours', 0):+.1f} h, a zone",
        "stuck": f"{f.get('longest', 0):.0f} equal values in a row ({f.get('minutes', 0):.0f} min)",
        "bubble": f"{f.get('stretches', 0):.0f} stretches ({f.get('share', 0):.0%} of the record) of rough readings "
        "that stand off to one side",
        "cable or power": f"{f.get('dropouts', 0):.0f} dropouts, {f.get('restarts', 0):.0f} of them at restarts, "
        f"{f.get('rail', 0):.0f} samples at one foreign value",
        "height": f"the difference follows the gradient: the sensor stands at "
        f"{np.exp(f.get('log_ratio', 0)):.2f} times its stated height",
        "swapped streams": f"it and {_named(names, int(f.get('partner', 0)))} fit in each other's place from day "
        f"{f.get('from_days', 0):.1f} to {f.get('to_days', 0):.1f}",
        "salinity setting": f"readings are {f.get('ratio', 0):.3f} times the neighbours', the factor of a salinity "
        + ("setting applied twice" if f.get("twice") else "setting not applied"),
        "ph scale": f"a constant {f.get('shift', 0):+.3f}, the distance between two scales or temperatures",
        "upside down": f"readings are the neighbours' with the sign turned; vertical momentum z {f.get('z', 0):+.1f}",
    }
    return texts[name]


def _named(names: tuple[str, ...], index: int) -> str:
    return names[index] if index < len(names) else f"neighbour {index + 1}"
