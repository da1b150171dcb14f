"""Findings about what results are anchored to: gaps in the reference water, sensors never side by side.

Here:     the share of hours that the reference water's record covers, its longest gap; gradient sensors whose offsets
          rest on their makers' words.
Not here: how gaps and priors widen results (`water`, `offsets`, `exchange`).
Rules:    said with the share and the cost; nothing is asked that a crew cannot still do.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from reeftally.analysis.context import Context
from reeftally.analysis.estimates import iso
from reeftally.analysis.finding import DOUBTFUL, NOTED, Finding
from reeftally.analysis.records import SlowBlocks
from reeftally.mission import to_ns

__all__ = ["anchor_findings"]

LONGEST_H = 6.0
GRADIENT = ("oxygen", "ph_total")


def anchor_findings(context: Context, slow: dict[str, SlowBlocks]) -> Iterator[Finding]:
    """Yield gaps of the reference water and sensors that were never compared."""
    yield from _reference(context, slow)
    yield from _never_beside(context, slow)


def _reference(context: Context, slow: dict[str, SlowBlocks]) -> Iterator[Finding]:
    stations = {row.name for row in context.book.stations if row.role == "reference"}
    grid = context.grid
    during = grid.mask(to_ns(context.book.mission.start), to_ns(context.book.mission.end))
    for label, blocks in sorted(slow.items()):
        there = np.zeros(grid.count, dtype=bool)
        for place in context.book.deployments_of(label):
            if place.station in stations:
                there |= grid.mask(place.start_ns, place.end_ns)
        there &= during
        if not there.any() or not blocks.channels:
            continue
        given = np.zeros(grid.count, dtype=bool)
        for channel in blocks.channels.values():
            given |= np.isfinite(channel.mean)
        share = float(given[there].mean())
        lost = np.flatnonzero(there & ~given)
        if not lost.size:
            continue
        runs = np.split(lost, np.flatnonzero(np.diff(lost) > 1) + 1)
        longest = max(runs, key=len)
        hours = len(longest) * grid.block_s / 3600.0
        if hours < LONGEST_H:
            continue
        yield Finding(
            id=f"reference-gap-{label}",
            severity=NOTED,
            subject=label,
            what=f"{label}: the reference water is missing for {hours:.0f} h from {iso(int(grid.edges[longest[0]]))}.",
            evidence=f"its record covers {100 * share:.0f} % of the hours of the mission; elsewhere the account has "
            "the mean of the record, widened by how the water departs from it",
            proposal="take bottles at the reference place while the link is down; look at buoy and modem",
            start_ns=int(grid.edges[longest[0]]),
            end_ns=int(grid.edges[longest[-1] + 1]),
        )


def _never_beside(context: Context, slow: dict[str, SlowBlocks]) -> Iterator[Finding]:
    book = context.book
    beside = {label for period in book.intercalibrations for label in period.instruments}
    beds = {row.name for row in book.stations if row.role == "bed"}
    swapped = {label for swap in book.swaps() for label in (swap.lower_before, swap.upper_before)}
    for quantity in GRADIENT:
        placed = {
            label: {place.height_above_bed_m for place in book.deployments_of(label) if place.station in beds}
            for label, blocks in slow.items()
            if quantity in blocks.channels and book.instrument(label).kind != "dye_ph"
        }
        placed = {label: heights for label, heights in placed.items() if heights}
        if len(set().union(*placed.values())) < 2 or len(placed) < 2:
            continue
        lost = sorted(label for label in placed if label not in beside)
        if not lost:
            continue
        priors = []
        for label in lost:
            term = book.instrument(label).term(quantity)
            priors.append(f"{label} {term.offset_sd:g}" if term is not None else f"{label} not stated")
        exchanged = sorted(set(lost) & swapped)
        yield Finding(
            id=f"never-side-by-side-{quantity}",
            severity=DOUBTFUL,
            subject=quantity,
            what=f"{', '.join(lost)}: never side by side with the others; the gradient of {quantity} rests on what the "
            "book states of their offsets.",
            evidence=f"standard uncertainties of the offsets in the book: {', '.join(priors)}; intervals of gradient "
            "fluxes are widened by them"
            + (f"; {', '.join(exchanged)} exchanged heights, which narrows that again" if exchanged else ""),
            proposal="hang them side by side in one water for some hours, now or after recovery, and write the period "
            "into the book under [[intercalibrations]]",
        )
