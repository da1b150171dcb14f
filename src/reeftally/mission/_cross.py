"""Checks across the sections of the mission book, and between book and layouts.

Here:     what is wrong (`problems_of`, `problems_with_layouts`) and what is doubtful (`doubts_of`).
Not here: single keys (`_rows`), samples (`quality`).
Rules:    every problem is found in one pass; each names key path and label, found, wanted, mend.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from reeftally.errors import BookError, InputError
from reeftally.mission._problems import did_you_mean
from reeftally.mission.units import CHANNELS, check_quantity

if TYPE_CHECKING:
    from reeftally.mission._layout import Layout
    from reeftally.mission._model import Book

__all__ = ["ACCOUNT_REFERENCES", "doubts_of", "problems_of", "problems_with_layouts"]

NAMED_REFERENCES = ("source_delta13c_",)
"""Beginnings of references that the book names itself, such as a candidate source."""

CHOSEN_VALUES = ("ph_site_value",)
"""References that somebody chose and nobody measured: they are exact."""

ACCOUNT_REFERENCES = (
    "past_air_co2",
    "air_co2",
    "residence_time",
    "gas_transfer_velocity",
    "mixing_line_alkalinity_at_zero_salinity",
    "mixing_line_dic_at_zero_salinity",
    "mixing_line_salinity_slope",
    "source_delta13c",
)
"""Reference quantities of the account that are no channels."""

NETCDF = "netcdf"
"""Layout of instruments whose files are NetCDF; it needs no file in layouts/."""

_FAR_KM = 20.0  # common practice, no source: the stations of one reef lie nearer to each other than this
_BED_LIMIT_M = 10.0  # common practice, no source: nothing on a bed frame is higher


def _problem(key: str, found: object, wanted: str, mend: str = "", file: str = "") -> BookError:
    return BookError(key=key, found=found, wanted=wanted, mend=mend, file=file)


def _repeated(section: str, key: str, values: list[str], file: str) -> Iterator[BookError]:
    first: dict[str, int] = {}
    for number, value in enumerate(values):
        if value in first:
            yield _problem(
                f"{section}[{number}].{key}",
                value,
                f"a {key} that no other has; {section}[{first[value]}] has it, too",
                "Rename one of the two.",
                file,
            )
        first.setdefault(value, number)


def _coordinates(key: str, latitude: float | None, longitude: float | None, file: str) -> Iterator[BookError]:
    if latitude is not None and not -90.0 <= latitude <= 90.0:
        if abs(latitude) <= 180.0 and longitude is not None and abs(longitude) <= 90.0:
            mend = "Latitude and longitude exchanged?"
        else:
            mend = _degrees_minutes(latitude)
        yield _problem(f"{key}.latitude_deg", latitude, "decimal degrees from -90 to 90", mend, file)
    if longitude is not None and not -180.0 <= longitude <= 180.0:
        mend = _degrees_minutes(longitude)
        if 180.0 < longitude <= 360.0:
            mend = f"Counted eastward to 360? Write {longitude - 360.0:g}."
        yield _problem(f"{key}.longitude_deg", longitude, "decimal degrees from -180 to 180", mend, file)
    if latitude == 0.0 and longitude == 0.0:
        yield _problem(
            f"{key}.latitude_deg", "0, 0", "a real position", "0, 0 is what instruments write without a fix.", file
        )


def _degrees_minutes(value: float) -> str:
    degrees, minutes = divmod(abs(value), 100.0)
    if minutes < 60.0 and degrees <= 180.0:
        sign = "-" if value < 0 else ""
        return f"Degrees and minutes by mistake? {degrees:g}° {minutes:g}′ is {sign}{degrees + minutes / 60.0:.4f}."
    return ""


def _ordered(key: str, start: object, end: object, file: str) -> Iterator[BookError]:
    if not start < end:  # type: ignore[operator]
        yield _problem(f"{key}.end", str(end), f"a time after its start, {start}", "Exchanged?", file)


def _known(key: str, found: str, known: list[str], what: str, file: str) -> Iterator[BookError]:
    if found not in known:
        listing = ", ".join(known) if known else "there is none yet"
        guess = did_you_mean(found, known) or f"Add it to {what} or correct the name."
        yield _problem(key, found, f"one of {what} ({listing})", guess, file)


def _quantity(key: str, quantity: str, file: str) -> Iterator[BookError]:
    try:
        check_quantity(quantity)
    except InputError as error:
        mend = str(error).split(". ", 1)[-1]
        yield _problem(key, quantity, "a known quantity", mend, file)


def _heights(book: Book, file: str) -> Iterator[BookError]:
    stations = {row.name: row for row in book.stations}
    for number, row in enumerate(book.deployments):
        station = stations.get(row.station)
        if station is None:
            continue
        key = f"deployments[{number}].height_above_bed_m ({row.instrument})"
        height = row.height_above_bed_m
        depth = station.water_depth_m or book.site.water_depth_m
        if station.role == "air":
            continue
        limit = min(depth, _BED_LIMIT_M) if station.role == "bed" else depth
        if height > limit or height < 0.0:
            cm = f"{height:g} cm" if height > limit else ""
            mend = (
                f"Centimetres by mistake? Write {cm} as {height / 100.0:g}." if cm and height / 100.0 <= limit else ""
            )
            what = f"metres above the bed, from 0 to {limit:g}"
            if limit == depth:
                what += f", the water depth at {row.station}"
            yield _problem(key, height, what, mend, file)
        if row.height_sd_m > 0.5:
            yield _problem(
                f"deployments[{number}].height_sd_m ({row.instrument})",
                row.height_sd_m,
                "metres, at most 0.5",
                f"Centimetres by mistake? Write {row.height_sd_m:g} cm as {row.height_sd_m / 100.0:g}.",
                file,
            )


def _deployments(book: Book, file: str) -> Iterator[BookError]:
    labels = [row.label for row in book.instruments]
    kinds = {row.label: row.kind for row in book.instruments}
    stations = [row.name for row in book.stations]
    communities = [row.name for row in book.communities]
    by_label: dict[str, list[int]] = {}
    for number, row in enumerate(book.deployments):
        key = f"deployments[{number}]"
        yield from _known(f"{key}.instrument", row.instrument, labels, "instruments", file)
        yield from _known(f"{key}.station ({row.instrument})", row.station, stations, "stations", file)
        if row.community is not None:
            yield from _known(f"{key}.community", row.community, communities, "communities", file)
        yield from _ordered(f"{key} ({row.instrument})", row.start, row.end, file)
        if row.velocimeter is not None:
            yield from _known(f"{key}.velocimeter ({row.instrument})", row.velocimeter, labels, "instruments", file)
            if kinds.get(row.velocimeter, "velocimeter") != "velocimeter":
                yield _problem(
                    f"{key}.velocimeter ({row.instrument})",
                    row.velocimeter,
                    "the label of a velocimeter",
                    f"{row.velocimeter} is of kind {kinds[row.velocimeter]}.",
                    file,
                )
        if row.offset_downstream_m is not None and row.offset_direction_deg is None and row.offset_downstream_m != 0:
            yield _problem(
                f"{key}.offset_direction_deg ({row.instrument})",
                "missing",
                "the compass direction in which offset_downstream_m points",
                "Reversing tides carry water from the sensor to the velocimeter half of the time.",
                file,
            )
        by_label.setdefault(row.instrument, []).append(number)
    for label, numbers in by_label.items():
        numbers.sort(key=lambda number: book.deployments[number].start)
        for before, after in itertools.pairwise(numbers):
            if book.deployments[after].start < book.deployments[before].end:
                yield _problem(
                    f"deployments[{after}].start ({label})",
                    str(book.deployments[after].start),
                    f"a time not before the end of deployments[{before}], {book.deployments[before].end}",
                    "One instrument is at one place at a time: end the earlier deployment first.",
                    file,
                )


def _instruments(book: Book, file: str) -> Iterator[BookError]:
    labels = [row.label for row in book.instruments]
    for number, row in enumerate(book.instruments):
        key = f"instruments[{number}]"
        if row.kind in {"optode", "fast_oxygen"} and row.salinity_setting is None:
            yield _problem(
                f"{key}.salinity_setting ({row.label})",
                "missing",
                "the practical salinity set inside the sensor, which reports oxygen by volume",
                "Look it up in the sensor's own settings (often 0 or 35); a wrong one is a factor of 1.25.",
                file,
            )
        if row.kind == "profiler" and row.bins is None:
            yield _problem(
                f"{key}.bins ({row.label})",
                "missing",
                "the heights of the bins above the bed",
                "Write bins = { first_m = 0.05, size_m = 0.02, count = 46 }.",
                file,
            )
        if row.response_time_s is not None and row.response_time_sd_s is None and row.response_time_s > 0:
            yield _problem(
                f"{key}.response_time_sd_s ({row.label})",
                "missing",
                "the standard uncertainty of response_time_s",
                "A response time without one would be taken as exact.",
                file,
            )
        if row.clock is not None:
            yield from _known(f"{key}.clock ({row.label})", row.clock, labels, "instruments", file)
            if row.clock == row.label:
                yield _problem(
                    f"{key}.clock ({row.label})", row.clock, "the label of another instrument", "Leave it out.", file
                )
        for place, term in enumerate(row.terms):
            yield from _quantity(f"{key}.terms[{place}].quantity ({row.label})", term.quantity, file)
        seen = [term.quantity for term in row.terms]
        for place, quantity in enumerate(seen):
            if quantity in seen[:place]:
                yield _problem(
                    f"{key}.terms[{place}].quantity ({row.label})",
                    quantity,
                    "one row a quantity",
                    "Join the two.",
                    file,
                )


def _other_sections(book: Book, file: str) -> Iterator[BookError]:
    labels = [row.label for row in book.instruments]
    serials = {row.label: row.serial for row in book.instruments}
    for number, period in enumerate(book.intercalibrations):
        key = f"intercalibrations[{number}]"
        for place, label in enumerate(period.instruments):
            yield from _known(f"{key}.instruments[{place}] ({period.name})", label, labels, "instruments", file)
            if label in period.instruments[:place]:
                yield _problem(
                    f"{key}.instruments[{place}] ({period.name})", label, "each label once", "Remove one.", file
                )
        yield from _ordered(f"{key} ({period.name})", period.start, period.end, file)
    for number, certificate in enumerate(book.calibrations):
        key = f"calibrations[{number}]"
        yield from _known(f"{key}.instrument", certificate.instrument, labels, "instruments", file)
        yield from _quantity(f"{key}.quantity ({certificate.instrument})", certificate.quantity, file)
        serial = serials.get(certificate.instrument, certificate.serial)
        if certificate.serial != serial:
            yield _problem(
                f"{key}.serial ({certificate.instrument})",
                certificate.serial,
                f"the serial number of {certificate.instrument}, {serial!r}",
                "Coefficients of another instrument do not apply; a replacement needs its own label.",
                file,
            )
        if certificate.coefficients is not None and certificate.equation is None:
            yield _problem(
                f"{key}.equation ({certificate.instrument})",
                "missing",
                "the equation that the coefficients belong to",
                "",
                file,
            )
    for number, reference in enumerate(book.references):
        key = f"references[{number}]"
        known = [*CHANNELS, *ACCOUNT_REFERENCES, *CHOSEN_VALUES]
        named = reference.quantity.startswith(NAMED_REFERENCES)
        guess = "" if named else did_you_mean(reference.quantity, known)
        if reference.quantity in {"ph", "pH"} or (reference.quantity not in known and guess):
            mend = "Declare the scale: ph_total, ph_free, ph_seawater or ph_nbs."
            mend = mend if reference.quantity in {"ph", "pH"} else guess
            yield _problem(f"{key}.quantity", reference.quantity, "a known quantity", mend, file)
        if reference.start is not None and reference.end is not None:
            yield from _ordered(f"{key} ({reference.quantity})", reference.start, reference.end, file)
    for quantity in book.analysis.gross_range or {}:
        yield from _quantity(f"analysis.gross_range.{quantity}", quantity, file)


def problems_of(book: Book, file: str = "mission.toml") -> tuple[BookError, ...]:
    """Return everything in a book that cannot be, in the order of its sections."""

    def all_of() -> Iterator[BookError]:
        yield from _ordered("mission", book.mission.start, book.mission.end, file)
        yield from _coordinates("site", book.site.latitude_deg, book.site.longitude_deg, file)
        if book.site.displacement_height_m > book.site.water_depth_m:
            yield _problem(
                "site.displacement_height_m",
                book.site.displacement_height_m,
                f"metres, less than the water depth of {book.site.water_depth_m:g}",
                f"Centimetres by mistake? Write {book.site.displacement_height_m / 100.0:g}.",
                file,
            )
        if (book.site.residence_time_h is None) != (book.site.residence_time_sd_h is None):
            given = "residence_time_h" if book.site.residence_time_sd_h is None else "residence_time_sd_h"
            other = "residence_time_sd_h" if given == "residence_time_h" else "residence_time_h"
            yield _problem(f"site.{other}", "missing", f"a value, because {given} is given", "", file)
        yield from _repeated("communities", "name", [row.name for row in book.communities], file)
        yield from _repeated("stations", "name", [row.name for row in book.stations], file)
        for number, station in enumerate(book.stations):
            yield from _coordinates(f"stations[{number}]", station.latitude_deg, station.longitude_deg, file)
        yield from _repeated("instruments", "label", [row.label for row in book.instruments], file)
        yield from _instruments(book, file)
        yield from _deployments(book, file)
        yield from _heights(book, file)
        yield from _repeated("intercalibrations", "name", [row.name for row in book.intercalibrations], file)
        yield from _other_sections(book, file)

    return tuple(all_of())


def _certificate_doubts(book: Book, file: str) -> Iterator[BookError]:
    """Yield certificates that differ by more than 5 % from the one before (digits exchanged?)."""
    newest: dict[tuple[str, str], int] = {}
    order = sorted(range(len(book.calibrations)), key=lambda number: book.calibrations[number].date_ns)
    for number in order:
        row = book.calibrations[number]
        before = newest.get((row.instrument, row.quantity))
        newest[row.instrument, row.quantity] = number
        if before is None:
            continue
        old = book.calibrations[before]
        pairs = [("gain", old.gain, row.gain)]
        if old.equation == row.equation:
            pairs += [
                (f"coefficients.{name}", (old.coefficients or {}).get(name), value)
                for name, value in (row.coefficients or {}).items()
            ]
        for name, was, is_now in pairs:
            if was and is_now is not None and abs(is_now - was) > 0.05 * abs(was):
                yield _problem(
                    f"calibrations[{number}].{name} ({row.instrument})",
                    is_now,
                    f"a value within 5 % of {was:g}, that of calibrations[{before}]",
                    "Digits exchanged? If the sensor did change so much, its certificate should say why.",
                    file,
                )


def _far_stations(book: Book, file: str) -> Iterator[BookError]:
    """Ask about stations too far from the site to be its own, with the reading of the numbers that brings them near."""
    site = (book.site.latitude_deg, book.site.longitude_deg)

    def distance_km(latitude: float, longitude: float) -> float:
        east = ((longitude - site[1] + 180.0) % 360.0 - 180.0) * math.cos(math.radians(site[0]))
        return 111.2 * math.hypot(latitude - site[0], east)

    def decimal(value: float) -> float:
        # 14.12 written for 14 degrees 12 minutes.
        whole = math.trunc(value)
        return whole + (value - whole) / 0.6

    for number, row in enumerate(book.stations):
        if row.latitude_deg is None and row.longitude_deg is None:
            continue
        here = book.position_of(row.name)
        if distance_km(*here) <= _FAR_KM or not all(map(math.isfinite, here)):
            continue
        latitude, longitude = here
        meant = {
            "Is the sign of latitude_deg right?": (-latitude, longitude),
            "Is the sign of longitude_deg right?": (latitude, -longitude),
            "Are both signs right?": (-latitude, -longitude),
            "Latitude and longitude exchanged?": (longitude, latitude),
            "Degrees and minutes by mistake?": (decimal(latitude), decimal(longitude)),
        }
        mend = [f"{text} {a:.4f}, {b:.4f} is near." for text, (a, b) in meant.items() if distance_km(a, b) <= _FAR_KM]
        yield _problem(
            f"stations[{number}].latitude_deg ({row.name})",
            f"{latitude:g}, {longitude:g}: {distance_km(*here):.0f} km from the site",
            f"a place within {_FAR_KM:g} km of the site at {site[0]:g}, {site[1]:g}",
            mend[0] if mend else "Read the position again.",
            file,
        )


def doubts_of(book: Book, file: str = "mission.toml") -> tuple[BookError, ...]:
    """Return what is possible but doubtful, for `check` to ask about; nothing here stops the work."""
    doubts: list[BookError] = []
    apart = (book.site.utc_offset_h - book.site.longitude_deg / 15.0 + 12.0) % 24.0 - 12.0
    if abs(apart) > 3.5:
        doubts.append(
            _problem(
                "site.utc_offset_h",
                book.site.utc_offset_h,
                f"an offset near {book.site.longitude_deg / 15.0:.1f} h at this longitude",
                "Is the sign of longitude_deg right?",
                file,
            )
        )
    doubts += _far_stations(book, file)
    for number, row in enumerate(book.deployments):
        if row.end <= book.mission.start or row.start >= book.mission.end:
            covered = any(row.instrument in period.instruments for period in book.intercalibrations)
            if not covered:
                doubts.append(
                    _problem(
                        f"deployments[{number}].start ({row.instrument})",
                        str(row.start),
                        f"a period within the mission, {book.mission.start} to {book.mission.end}",
                        "Is the year right?",
                        file,
                    )
                )
    roles = {row.name: row.role for row in book.stations}
    for period in book.intercalibrations:
        for number, row in enumerate(book.deployments):
            overlap = row.start < period.end and period.start < row.end
            if overlap and row.instrument in period.instruments and roles.get(row.station) == "bed":
                doubts.append(
                    _problem(
                        f"deployments[{number}] ({row.instrument})",
                        f"at {row.station}",
                        f"a place side by side with the others during intercalibration {period.name!r}",
                        "End the deployment before the side-by-side period begins.",
                        file,
                    )
                )
    doubts += _certificate_doubts(book, file)
    doubts += [
        _problem(
            f"references[{number}].sd ({reference.quantity})",
            reference.sd,
            "a standard uncertainty above 0",
            "0 says that the value is exact.",
            file,
        )
        for number, reference in enumerate(book.references)
        if reference.sd == 0.0 and reference.quantity not in CHOSEN_VALUES
    ]
    known = [*CHANNELS, *ACCOUNT_REFERENCES, *CHOSEN_VALUES]
    doubts += [
        _problem(
            f"references[{number}].quantity",
            reference.quantity,
            "a quantity that some step uses",
            "No step is known to use it.",
            file,
        )
        for number, reference in enumerate(book.references)
        if reference.quantity not in known and not reference.quantity.startswith(NAMED_REFERENCES)
    ]
    return tuple(doubts)


def problems_with_layouts(
    book: Book, layouts: Mapping[str, Layout], file: str = "mission.toml"
) -> tuple[BookError, ...]:
    """Return what the book leaves undeclared although a layout's columns need it."""
    problems: list[BookError] = []
    for number, row in enumerate(book.instruments):
        key = f"instruments[{number}]"
        layout = layouts.get(row.layout)
        if layout is None and row.layout == NETCDF:
            continue  # NetCDF files name their own variables and units
        if layout is None:
            problems.extend(_known(f"{key}.layout ({row.label})", row.layout, list(layouts), "layouts/", file))
            continue
        quantities = {column.quantity for column in layout.columns}
        if "oxygen_molar" in quantities and row.salinity_setting is None:
            problems.append(
                _problem(
                    f"{key}.salinity_setting ({row.label})",
                    "missing",
                    f"the sensor's salinity setting, because layout {row.layout!r} has oxygen by volume",
                    "Look it up in the sensor's own settings (often 0 or 35).",
                    file,
                )
            )
        if "absolute_pressure" in quantities and row.pressure_includes_atmosphere is None:
            problems.append(
                _problem(
                    f"{key}.pressure_includes_atmosphere ({row.label})",
                    "missing",
                    f"true or false, because layout {row.layout!r} has absolute_pressure",
                    "In air it reads about 10.1 dbar if the atmosphere is included, about 0 if not.",
                    file,
                )
            )
        bins = {column.bin for column in layout.columns if column.bin is not None}
        if bins and row.bins is not None and max(bins) > row.bins.count:
            problems.append(
                _problem(
                    f"{key}.bins.count ({row.label})",
                    row.bins.count,
                    f"at least {max(bins)}, the highest bin of layout {row.layout!r}",
                    "",
                    file,
                )
            )
    return tuple(problems)
