"""Heights that nobody measured at recovery: which sensors, and the uncertainty that is taken for them.

Here:     `unmeasured_at_recovery` from the table of heights, `with_wide_heights` for the book as a run uses it.
Not here: the finding that says so (`bottle_findings`), what heights do to a flux.
Rules:    the book on the disk is never changed; a height with a wider uncertainty of its own keeps it. Before the
          record reaches the end of a deployment nothing is asked: the sensor still stands.
"""

from __future__ import annotations

from reeftally.mission import Book, Tables

__all__ = ["WIDENED_M", "unmeasured_at_recovery", "with_wide_heights"]

# A mast that sank, or was set on a slope of rubble, unseen (common practice, no source). [m]
WIDENED_M = 0.05


def unmeasured_at_recovery(book: Book, tables: Tables, *, newest_ns: int | None) -> tuple[str, ...]:
    """Return the sensors of the gradient whose height was measured early, but not in the last quarter of their stay.

    Parameters
    ----------
    newest_ns : int or None
        Newest stamp of the record; a deployment that lasts longer has not been recovered. [ns]
    """
    roles = {station.name: station.role for station in book.stations}
    on_bed = [row for row in book.deployments if roles.get(row.station) == "bed"]
    lost = set()
    for place in on_bed:
        if place.height_sd_m >= WIDENED_M:
            continue
        late = place.end_ns - (place.end_ns - place.start_ns) // 4
        if newest_ns is None or newest_ns < late:
            continue
        own = [row for row in tables.heights if row.instrument == place.instrument]
        # The rack of a side by side that follows is no place of the gradient.
        last = max(row.end_ns for row in on_bed if row.instrument == place.instrument)
        if own and place.end_ns == last and not any(row.time_ns >= late for row in own):
            lost.add(place.instrument)
    return tuple(sorted(lost))


def with_wide_heights(book: Book, labels: tuple[str, ...]) -> Book:
    """Return the book with the heights of sensors on the bed known to `WIDENED_M` only."""
    if not labels:
        return book
    beds = {station.name for station in book.stations if station.role == "bed"}
    rows = tuple(
        row.model_copy(update={"height_sd_m": max(row.height_sd_m, WIDENED_M)})
        if row.instrument in labels and row.station in beds
        else row
        for row in book.deployments
    )
    return book.model_copy(update={"deployments": rows})
