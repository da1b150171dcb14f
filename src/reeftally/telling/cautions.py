"""Cautions, and where each belongs.

Here:     the words of every caution, by the place that shows it.
Not here: the pages that show them.
Rules:    the tool reminds, it never rules; it computes no dive limit, gas plan, ascent, electrical isolation or dose.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CAUTIONS", "STANDING_LINE", "Caution", "cautions_for"]

STANDING_LINE = (
    "This page does not replace your diving supervisor, your local code, the maker's instructions or a licensed person."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One hazard with the words to the point."""

    places: tuple[str, ...]
    """Where it is shown: ``dive sheet``, ``cable task``, ``bottle task``, ``dye task``, ``report``, ``brief`` …"""
    hazard: str
    text: str
    short: str = ""
    """The same on a page with little room, which says once for all cautions whom to follow."""


FOLLOW = "Follow your local code and licensed people."

CAUTIONS: tuple[Caution, ...] = (
    Caution(
        ("account", "report", "brief"),
        "Decisions on a reef",
        "Read the interval and the part left over with every number. What goes together need not be cause and "
        "effect. A limit from another reef may not hold here. Ask biologists and the people who use the reef, and "
        "follow the law. A small local part does not mean that nothing can be done; a large one does not blame one "
        "kind of animal: sponges also recycle food and give shelter.",
    ),
    Caution(
        ("account", "report", "brief"),
        "Ideas for intervention",
        "Adding alkalinity or removing animals is not proposed here. Both need permits and independent advice.",
    ),
    Caution(
        ("report", "package"),
        "Places in public",
        "Before this report is passed on: positions of rare animals, sacred sites and instruments may need to be "
        "blurred or held back; ask the holders of rights.",
    ),
    Caution(
        ("report", "package", "log"),
        "People",
        "Crew appear by role. No health data are kept.",
    ),
    Caution(
        ("dive sheet",),
        "Diving",
        "A task list only. Limits, buddies, gas, conditions and the emergency plan come from your dive control board "
        "or supervisor and from local law. More data are never a reason for one more dive. Any diver may call off a "
        "dive. " + FOLLOW,
        short="Task list only. Limits, buddies, gas, conditions and emergency plan: dive control board or supervisor, "
        "and local law. More data are never a reason for one more dive. Any diver may call off a dive.",
    ),
    Caution(
        ("dive sheet",),
        "Many tasks, lines, lifting",
        "Cables, lines and jets entangle. Lift bags and frames only by those trained. Going up and down again raises "
        "the "
        "risk: ask your supervisor. " + FOLLOW,
        short="Cables, lines and jets entangle. Lift bags and frames only by those trained. Up and down again raises "
        "the risk: ask your supervisor.",
    ),
    Caution(
        ("cable task", "dive sheet"),
        "Electricity under water",
        "Never mate or part a live connector unless it is rated and permitted. Isolation, lock-out and ground-fault "
        "protection are the responsible electrician's. A ground-fault alarm means people out first. " + FOLLOW,
        short="Never mate or part a live connector unless rated and permitted; isolation and ground-fault protection "
        "are the responsible electrician's; a ground-fault alarm means people out first.",
    ),
    Caution(
        ("instrument task", "dive sheet"),
        "Housings, cells, light, sound",
        "A flooded housing may burst when opened: point it away from faces. Lithium packs: maker's and transport "
        "rules. "
        "Keep eyes off lasers and ultraviolet. " + FOLLOW,
        short="Flooded housings may burst: point away from faces. Lithium packs by the rules. Eyes off laser and "
        "ultraviolet.",
    ),
    Caution(
        ("bottle task", "poison task"),
        "Mercuric chloride and other poisons, strong acid",
        "Very toxic to people and reef. On shore or at the bench, with gloves, air, spill kit and labelled waste to "
        "licensed disposal; never in the water. Consider a validated way without mercury. " + FOLLOW,
        short="Very toxic to people and reef: only on shore or at the bench, gloves, air, spill kit, licensed "
        "disposal; never in the water.",
    ),
    Caution(
        ("laboratory task",),
        "Dyes, acid, buffers, pressed gas",
        "Local safety sheets. Air small rooms: CO₂ is heavy. Training for pressed gas. " + FOLLOW,
    ),
    Caution(
        ("dye task",),
        "Tracer dyes",
        "Permit first, smallest amount, and do not take it for harmless: safety sheet and environmental authority. "
        "Keep "
        "off skin and eyes. Tell boats, hatcheries and other scientists. It blinds optical sensors. " + FOLLOW,
        short="Permit first, smallest amount, not taken for harmless; off skin and eyes; tell boats, hatcheries and "
        "other scientists; it blinds optical sensors, so write the time.",
    ),
    Caution(
        ("organism task", "dive sheet"),
        "Touching sponges and corals",
        "Do not touch. Gloves where the rules allow them, permits for samples, clean gear between reefs. " + FOLLOW,
        short="No touch. Gloves and samples only as rules and permits allow. Clean gear between reefs.",
    ),
    Caution(
        ("weather",),
        "Weather, current, boats",
        "A forecast here is not a go or no-go: skipper and supervisor decide.",
    ),
    Caution(
        ("alarms",),
        "Alarms",
        "Instrument alarms are not life-support alarms. Keep life support on its own screen and network.",
    ),
)


def cautions_for(place: str) -> tuple[Caution, ...]:
    """Return the cautions that belong to a place."""
    return tuple(row for row in CAUTIONS if place in row.places)
