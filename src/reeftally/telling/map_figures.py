"""The map of the site: where the stations of the book lie, and where the current goes at the mast.

Here:     places that share coordinates as one, distances from the site, petals of the rose.
Not here: drawing (`reeftally.charts.site_map`), counting the current (`flow_figures`).
Rules:    coordinates, bottom and depths are the book's; a station without coordinates of its own lies at the site.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

import pandas as pd

from reeftally import charts
from reeftally.mission import Book
from reeftally.telling._figure import Figure, no_figure
from reeftally.telling.facts import Facts
from reeftally.telling.flow_figures import SECTORS, RoseCounts, rose_counts

__all__ = ["Place", "places_of", "site_map", "site_map_of"]

EARTH_KM = 6371.0088
"""Mean radius of the Earth (Moritz 2000, Geodetic Reference System 1980, R1)."""
TITLE = "Where it stands"


@dataclass(frozen=True, slots=True)
class Place:
    """Stations at one point."""

    names: tuple[str, ...]
    roles: tuple[str, ...]
    latitude_deg: float
    longitude_deg: float
    depth_m: float | None
    """Water depth; None where the book does not state it for a place away from the site."""
    east_km: float
    north_km: float
    """From the site."""
    at_site: bool
    instruments: tuple[str, ...]
    """Labels of all that are deployed there at any time."""


def places_of(book: Book) -> list[Place]:
    """Return the places of the book, the site first."""
    site = book.site
    found: dict[tuple[float, float], list[int]] = {}
    for k, row in enumerate(book.stations):
        latitude = site.latitude_deg if row.latitude_deg is None else row.latitude_deg
        longitude = site.longitude_deg if row.longitude_deg is None else row.longitude_deg
        found.setdefault((round(latitude, 6), round(longitude, 6)), []).append(k)
    out = []
    for (latitude, longitude), members in found.items():
        rows = [book.stations[k] for k in members]
        names = tuple(row.name for row in rows)
        turn = (longitude - site.longitude_deg + 180.0) % 360.0 - 180.0
        middle = math.radians((latitude + site.latitude_deg) / 2.0)
        here = abs(latitude - site.latitude_deg) < 2e-6 and abs(turn) < 2e-6
        stated = [row.water_depth_m for row in rows if row.water_depth_m is not None]
        out.append(
            Place(
                names=names,
                roles=tuple(row.role for row in rows),
                latitude_deg=latitude,
                longitude_deg=longitude,
                depth_m=stated[0] if stated else site.water_depth_m if here else None,
                east_km=EARTH_KM * math.radians(turn) * math.cos(middle),
                north_km=EARTH_KM * math.radians(latitude - site.latitude_deg),
                at_site=here,
                instruments=tuple(dict.fromkeys(d.instrument for d in book.deployments if d.station in names)),
            )
        )
    return sorted(out, key=lambda p: not p.at_site)


def site_map_of(facts: Facts) -> Figure:
    """Return the map of a run."""
    return site_map(facts.book, rose_counts(facts))


def site_map(book: Book, rose: RoseCounts | None) -> Figure:
    """Return the map of a book, with the rose where a current is known."""
    places = places_of(book)
    if not places:
        return no_figure("site-map", "glance", TITLE, "the book names no station. Write [[stations]] in mission.toml.")
    size = max(
        max(p.east_km for p in places) - min(p.east_km for p in places),
        max(p.north_km for p in places) - min(p.north_km for p in places),
    )
    single = size < 1e-3
    size = 1.0 if single else size
    # The rose stands where the current was measured: at the bed, else at the site.
    mast = next((p for p in places if "bed" in p.roles), places[0])
    radius = 0.3 * size if rose is not None else 0.0
    petals = _petals(rose, mast, radius)
    lowest = float(petals["north"].min()) if not petals.empty else mast.north_km
    rows = [
        {
            "east": p.east_km,
            "north": p.north_km,
            "mark": "bed" if "bed" in p.roles else "reference" if "reference" in p.roles else "other",
            "label": _label(book, p),
            "below": lowest if p is mast else p.north_km,
        }
        for p in places
    ]
    edge = 0.12 * size
    span = (
        min(*(p.east_km for p in places), mast.east_km - radius) - edge,
        max(*(p.east_km for p in places), mast.east_km + radius) + edge,
        # Labels hang below their marks.
        min(float(row["below"]) for row in rows) - 2.2 * edge,
        max(*(p.north_km for p in places), mast.north_km + radius) + edge,
    )
    return Figure(
        "site-map",
        "glance",
        TITLE,
        _caption(book, rose, single=single),
        lambda w: charts.site_map(
            pd.DataFrame(rows), petals, classes=rose.classes if rose is not None else (), span=span, width=w
        ),
    )


def _label(book: Book, place: Place) -> str:
    # A name of several words is not torn.
    names = ", ".join(name.replace(" ", "\N{NO-BREAK SPACE}") for name in place.names)
    if len(place.names) == 1 and place.roles[0] not in {"carried", place.names[0]}:
        names += f" ({place.roles[0]})"
    lines = textwrap.wrap(names, 28)
    more = [f"{place.depth_m:g} m deep" if place.depth_m is not None else "depth not stated"]
    if place.at_site:
        more.insert(0, f"bottom: {book.site.bottom}")
    return "\n".join([*lines, *textwrap.wrap(", ".join(more), 30)])


def _caption(book: Book, rose: RoseCounts | None, *, single: bool) -> str:
    site = book.site
    words = [
        f"{site.name} at {_degrees(site.latitude_deg, 'NS')}, {_degrees(site.longitude_deg, 'EW')}, north up, places "
        "by the mission book; the square is where the bed is measured."
    ]
    cover = [
        row.name + (f" {row.cover_percent:g} %" if row.cover_percent is not None else "") for row in book.communities
    ]
    if cover:
        words.append(f"Cover of the bed: {'; '.join(cover)}.")
    if single:
        words.append("The book gives one pair of coordinates only, so that no distances are shown.")
    if rose is None:
        words.append("No current with its direction is known yet, so that the rose is missing.")
    else:
        most = float(rose.table.groupby("sector")["to"].max().max())
        words.append(
            f"Petals point to where the water went; their length is the share of the {rose.blocks} blocks, the longest "
            f"{most:.0f} %, shades are classes of speed. The size of the rose has nothing to do with kilometres."
        )
    return " ".join(words)


def _degrees(value: float, ends: str) -> str:
    return f"{abs(value):.3f}° {ends[0] if value >= 0 else ends[1]}"


def _petals(rose: RoseCounts | None, mast: Place, radius: float) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    if rose is None:
        return pd.DataFrame(rows)
    most = float(rose.table["to"].max())
    half = 0.92 * math.pi / SECTORS
    for number, one in enumerate(rose.table.to_dict("records")):
        ahead = 2.0 * math.pi * float(one["sector"]) / SECTORS
        angles = [ahead + half * k / 4.0 for k in range(-4, 5)]
        inner, outer = (radius * float(one[name]) / most for name in ("from", "to"))
        corners = [(outer, a) for a in angles] + [(inner, a) for a in reversed(angles)]
        rows += [
            {
                "east": mast.east_km + r * math.sin(a),
                "north": mast.north_km + r * math.cos(a),
                "petal": number,
                "order": k,
                "speed": rose.classes[int(one["kind"])],
            }
            for k, (r, a) in enumerate(corners)
        ]
    return pd.DataFrame(rows)
