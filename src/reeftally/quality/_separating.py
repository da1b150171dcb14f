"""The one test that would separate two causes of a fault, in words for the person who can do it.

Here:     what each cause predicts for a simple act, and the best act for a pair.
Not here: ranking causes (`faults`).
Rules:    one act at a time; nothing that changes the sensor before the evidence is kept.
"""

from __future__ import annotations

__all__ = ["separating_test"]

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
