"""Checks of values against physics: units, scales, settings, resolution, and what sensors do to their own readings.

Here:     checks of one quantity, each giving flags, or a `Doubt` with a proposal, or None where nothing is wrong.
Not here: QARTOD tests (`qartod`), geometry and motion (`mounting`), conversions (intake and `reeftally.seawater`).
Rules:    a unit or scale is never guessed into use: the factor that would explain the readings is proposed.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_same_length
from reeftally.errors import InputError
from reeftally.quality._patterns import running_median
from reeftally.quality.doubts import Doubt
from reeftally.quality.faults import ph_scale_shifts
from reeftally.quality.qartod import FAIL, GOOD, MISSING, SUSPECT, FlagArray
from reeftally.seawater.oxygen import salinity_factor, solubility

__all__ = [
    "acoustic_range",
    "air_in_pressure",
    "attenuated_against",
    "bridge_salinity",
    "coefficient_against_history",
    "light_unit",
    "looks_like_voltage",
    "negative_values",
    "optode_temperature",
    "oxygen_unit",
    "periodic_outliers",
    "ph_scale",
    "resolution",
    "salinity_setting",
    "salinity_spikes",
    "shaded_hours",
    "velocity_unit",
]

# What one µmol/kg is in other units (molar mass 31.9988 g/mol; 22.3916 L/mol of oxygen gas; density 1.0225 kg/L).
_OXYGEN_UNITS = {
    "mmol m-3 (umol/L)": 1.0225,
    "mg/L": 1.0225 * 31.9988e-3,
    "mL/L": 1.0225 * 22.3916e-3,
    "mmol/L": 1.0225e-3,
}


def oxygen_unit(*, oxygen: npt.ArrayLike, temperature: npt.ArrayLike, salinity: npt.ArrayLike) -> Doubt | None:
    """Doubt the unit where the median saturation lies outside 40 to 180 %, and propose the unit whose factor fits.

    Parameters
    ----------
    oxygen : array-like, (n,)
        As declared. [µmol kg-1]
    temperature, salinity : array-like
        [degC], [1]

    Notes
    -----
    A factor as small as that from litres to kilograms (1.02) cannot be seen here: only the declared unit tells it.
    """
    full = solubility(temperature=temperature, salinity=salinity)
    share = float(np.nanmedian(as_float("oxygen", oxygen) / full)) * 100.0
    if not np.isfinite(share) or 40.0 <= share <= 180.0:
        return None
    # Percent of saturation stands for itself.
    factors = {**_OXYGEN_UNITS, "% of saturation": 100.0 / float(np.nanmedian(full))}
    likely = {name: share / factor for name, factor in factors.items() if 60.0 <= share / factor <= 140.0}
    best = min(likely, key=lambda name: abs(likely[name] - 100.0)) if likely else ""
    return Doubt(
        kind="oxygen unit",
        severity=3,
        found=f"a median saturation of {share:.3g} %",
        wanted="40 to 180 %",
        proposal=f"If the file is in {best}, saturation is {likely[best]:.0f} %: state the unit in the layout."
        if best
        else "No usual unit explains it: look at the salinity setting, the coefficients and the columns.",
        numbers={"saturation": share},
    )


def velocity_unit(
    *, speed: npt.ArrayLike, neighbour: npt.ArrayLike | None = None, tide: float | None = None
) -> Doubt | None:
    """Doubt the unit of speeds that differ from a neighbour's or the tide's by about 10, 100 or 1000 times.

    Parameters
    ----------
    speed : array-like, (n,)
        As declared. [m s-1]
    neighbour : array-like, optional
        Speeds of a neighbour. [m s-1]
    tide : float, optional
        Speed expected of the tide. [m s-1]
    """
    own = float(np.nanmedian(np.abs(as_float("speed", speed))))
    wanted = float(np.nanmedian(np.abs(as_float("neighbour", neighbour)))) if neighbour is not None else tide
    if wanted is None or not own > 0 or not wanted > 0:
        return None
    power = float(np.log10(own / wanted))
    nearest = round(power)
    if nearest == 0 or abs(power - nearest) > 0.35 or abs(nearest) > 3:
        return None
    units = {2: "cm/s", 3: "mm/s", 1: "dm/s"}
    unit = units.get(nearest, "")
    return Doubt(
        kind="velocity unit",
        severity=3,
        found=f"speeds about {10.0**power:.3g} times those expected",
        wanted=f"about {wanted:.2g} m/s",
        proposal=f"If the file is in {unit}, they agree: state the unit in the layout."
        if unit
        else "Speeds are too small by a power of ten: state the unit in the layout.",
        numbers={"ratio": own / wanted},
    )


def negative_values(*, values: npt.ArrayLike, noise_sd: float) -> FlagArray:
    """Flag negative readings of what cannot be negative: 3 within three times the noise of zero, 4 beyond; kept."""
    record = as_float("values", values)
    flags = np.full(record.shape, GOOD, dtype=np.uint8)
    flags[record < 0.0] = SUSPECT
    flags[record < -3.0 * noise_sd] = FAIL
    flags[np.isnan(record)] = MISSING
    return flags


def salinity_setting(
    *,
    reading: npt.ArrayLike,
    reference: npt.ArrayLike,
    temperature: float,
    salinity: float,
    declared: float | None,
    tolerance: float = 0.05,
) -> Doubt | None:
    """Hold an optode, corrected by its declared salinity setting, against bottles or air-equilibrated water.

    Parameters
    ----------
    reading, reference : array-like, (n,)
        Oxygen as the sensor gives it after correction, and the reference, in one unit.
    temperature, salinity : float
        Of the water. [degC], [1]
    declared : float or None
        Setting of the instrument as the book has it; required.
    tolerance : float
        Relative distance that calibration alone may make.

    Raises
    ------
    InputError
        If no setting is declared.
    """
    if declared is None:
        message = "no salinity setting is declared for this optode; read it out of the instrument (0 is usual)."
        raise InputError(message)
    ratio = float(np.nanmedian(as_float("reading", reading) / as_float("reference", reference)))
    factor = float(salinity_factor(temperature=temperature, salinity=salinity, salinity_setting=0.0))
    for name, expected in (("not applied though the setting is 0", 1 / factor), ("applied twice", factor)):
        if abs(ratio / expected - 1.0) < tolerance and abs(ratio - 1.0) > tolerance:
            other = salinity if declared == 0.0 else 0.0
            return Doubt(
                kind="salinity setting",
                severity=3,
                found=f"readings {ratio:.3f} times the reference",
                wanted=f"1.00; the salinity correction {name} makes {expected:.3f}",
                proposal=f"Read the setting out of the instrument: {declared:g} is declared, {other:g} would fit.",
                numbers={"ratio": ratio, "expected": expected},
            )
    return None


def salinity_spikes(*, salinity: npt.ArrayLike, noise_sd: float, width: int = 25) -> FlagArray:
    """Flag drops of salinity against the running median: air in the cell only ever lowers conductivity.

    Flags 3 from 6 and 4 from 15 standard deviations of the noise below the median of `width` samples.
    """
    record = as_float("salinity", salinity)
    flags = np.where(np.isnan(record), MISSING, GOOD).astype(np.uint8)
    if record.size < 3:
        return flags
    drop = running_median(record, width // 2) - record
    flags[drop > 6.0 * noise_sd] = SUSPECT
    flags[drop > 15.0 * noise_sd] = FAIL
    return flags


def bridge_salinity(
    *, time: npt.ArrayLike, salinity: npt.ArrayLike, flags: FlagArray, longest: float, walk_sd: float
) -> tuple[FloatArray, FloatArray]:
    """Bridge flagged salinity for chemistry, with a standard uncertainty; never for the density of a gradient.

    Parameters
    ----------
    time : array-like, (n,)
        [s]
    salinity : array-like, (n,)
    flags : uint8 array, (n,)
        Samples of 3, 4 and 9 are bridged.
    longest : float
        Longest silence bridged. [s]
    walk_sd : float
        How much salinity wanders in an hour (1 sd).

    Returns
    -------
    values, sd : float arrays, (n,)
        NaN where no bridge is allowed; sd is 0 at good samples and that of a Brownian bridge between.
    """
    require_same_length(time=time, salinity=salinity, flags=flags)
    t, s = as_float("time", time), as_float("salinity", salinity).copy()
    good = (flags == GOOD) & np.isfinite(s)
    sd = np.where(good, 0.0, np.nan)
    s[~good] = np.nan
    where = np.flatnonzero(good)
    for a, b in pairwise(where):
        if b == a + 1 or t[b] - t[a] > longest:
            continue
        inner = np.arange(a + 1, b)
        share = (t[inner] - t[a]) / (t[b] - t[a])
        s[inner] = s[a] + share * (s[b] - s[a])
        sd[inner] = walk_sd * np.sqrt((t[b] - t[a]) / 3600.0 * share * (1.0 - share))
    return s, sd


def ph_scale(
    *, difference: npt.ArrayLike, sd: float, temperature: float, salinity: float, declared: str | None
) -> Doubt | None:
    """Hold pH minus bottles against the distances between scales.

    Parameters
    ----------
    difference : array-like, (n,)
        Sensor minus bottle, both taken as total scale in place.
    sd : float
        Standard uncertainty of the mean difference.
    temperature, salinity : float
    declared : str or None
        Scale the layout declares; required.

    Raises
    ------
    InputError
        If no scale is declared.
    """
    if declared is None:
        message = (
            "no pH scale is declared for this column; state ph_total, ph_free, ph_seawater or ph_nbs in the layout."
        )
        raise InputError(message)
    mean = float(np.nanmean(as_float("difference", difference)))
    shifts = ph_scale_shifts(temperature=temperature, salinity=salinity)
    likely = min(shifts, key=lambda name: abs(mean - shifts[name]))
    width = max(3.0 * sd, 0.012)
    if abs(mean) <= width or abs(mean - shifts[likely]) > width:
        return None
    return Doubt(
        kind="ph scale",
        severity=3,
        found=f"pH {mean:+.3f} from bottles",
        wanted=f"0; the {likely} scale would differ by {shifts[likely]:+.3f}",
        proposal=f"Declared is {declared}; look whether the instrument gives pH {likely} and state it in the layout.",
        numbers={"difference": mean, "shift": shifts[likely]},
    )


def looks_like_voltage(*, values: npt.ArrayLike) -> Doubt | None:
    """Doubt a pH column that holds volts, millivolts or counts."""
    record = as_float("values", values)
    middle = float(np.nanmedian(record))
    if 6.0 <= middle <= 9.5 or not np.isfinite(middle):
        return None
    what = "volts" if abs(middle) < 2.0 else "millivolts" if abs(middle) < 2000.0 else "counts"
    sign = " with the sign reversed" if middle > 0 and what != "counts" else ""
    return Doubt(
        kind="ph voltage",
        severity=3,
        found=f"a median of {middle:.4g}",
        wanted="pH of 6 to 9.5",
        proposal=f"It looks like {what}{sign}: declare the voltage and bind the coefficients; no pH until then.",
        numbers={"median": middle},
    )


def coefficient_against_history(*, new: float, previous: float, tolerance: float = 0.05) -> Doubt | None:
    """Ask where a coefficient differs by more than `tolerance` from the last one; say if two digits changed places."""
    if previous == 0.0 or abs(new / previous - 1.0) <= tolerance:
        return None
    text = f"{new:.10g}"
    digits = [i for i, c in enumerate(text) if c.isdigit()]
    swapped = False
    for a, b in pairwise(digits):
        parts = list(text)
        parts[a], parts[b] = parts[b], parts[a]
        swapped = swapped or abs(float("".join(parts)) / previous - 1.0) <= tolerance
    return Doubt(
        kind="coefficient",
        severity=2,
        found=f"{new:.6g}, {100 * (new / previous - 1):+.1f} % from the last one",
        wanted=f"within {100 * tolerance:.0f} % of {previous:.6g}",
        proposal="Two neighbouring digits seem exchanged; " * swapped + "compare it with the certificate.",
        numbers={"swapped": float(swapped)},
    )


def attenuated_against(
    *, values: npt.ArrayLike, neighbour: npt.ArrayLike, window: int, warn: float = 0.3, fail: float = 0.1
) -> FlagArray:
    """Flag windows in which a sensor varies far less than its neighbour: 3 below `warn`, 4 below `fail` times it.

    The ratio is held against the record's own usual one, since sensors at two heights vary differently. Windows in
    which the neighbour itself rests say nothing.
    """
    require_same_length(values=values, neighbour=neighbour)
    own, other = as_float("values", values), as_float("neighbour", neighbour)
    n = own.size // window
    flags = np.where(np.isnan(own), MISSING, GOOD).astype(np.uint8)
    if n < 4:
        return flags

    def spread(a: FloatArray) -> FloatArray:
        cut = a[: n * window].reshape(n, window)
        good = np.isfinite(cut)
        count = np.maximum(good.sum(axis=1), 1)
        filled = np.where(good, cut, 0.0)
        away = np.where(good, cut - (filled.sum(axis=1) / count)[:, None], 0.0)
        return np.asarray(np.where(2 * good.sum(axis=1) > window, np.sqrt((away**2).sum(axis=1) / count), np.nan))

    a, b = spread(own), spread(other)
    lively = b > 0.3 * np.nanmedian(b)
    ratio = a / np.where(b > 0, b, np.nan)
    usual = float(np.nanmedian(ratio[lively]))
    for index in np.flatnonzero(lively & (ratio < warn * usual)):
        part = flags[index * window : (index + 1) * window]
        part[part == GOOD] = FAIL if ratio[index] < fail * usual else SUSPECT
    return flags


def resolution(*, values: npt.ArrayLike) -> tuple[float, float]:
    """Smallest step a record can make, and the standard uncertainty that rounding to it brings (step / sqrt 12)."""
    record = as_float("values", values)
    level = np.unique(record[np.isfinite(record)])
    if level.size < 2:
        return 0.0, 0.0
    steps = np.diff(level)
    # Distinct values of a rounded record are whole steps apart; float noise makes tiny false steps.
    steps = steps[steps > 1e-9 * max(abs(level[0]), abs(level[-1]), 1e-12)]
    step = float(steps.min())
    return step, step / float(np.sqrt(12.0))


def air_in_pressure(
    *, pressure: npt.ArrayLike, depth: float, depth_sd: float, air_pressure: npt.ArrayLike | None = None
) -> Doubt | None:
    """Doubt a pressure that holds the atmosphere, from the depth in the log and the wobble of the barometer.

    Parameters
    ----------
    pressure : array-like, (n,)
        Declared as that of the water alone. [dbar]
    depth, depth_sd : float
        Of the sensor by the log. [m]
    air_pressure : array-like, (n,), optional
        [hPa]

    Notes
    -----
    One standard atmosphere is 10.1325 dbar; 1 hPa is 0.01 dbar, 1 cm of water.
    """
    p = as_float("pressure", pressure)
    excess = float(np.nanmedian(p)) - depth * 1.0225 * 0.980665  # 1022.5 kg m-3 of reef water
    slope = float("nan")
    if air_pressure is not None:
        air = as_float("air_pressure", air_pressure) * 0.01
        good = np.isfinite(p) & np.isfinite(air)
        if good.sum() > 50 and np.ptp(air[good]) > 0:
            slope = float(np.polyfit(air[good], p[good], 1)[0])
    limit = 3.0 * max(depth_sd, 0.2)
    if abs(excess) <= limit:
        return None
    atmosphere = abs(excess - 10.1325) <= limit
    return Doubt(
        kind="air in pressure" if atmosphere else "pressure tare",
        severity=3 if atmosphere else 2,
        found=f"{excess:+.2f} dbar beyond the depth in the log",
        wanted=f"within {limit:.1f} dbar",
        proposal="It holds the atmosphere: declare absolute pressure; the air pressure series is then taken off."
        if atmosphere
        else "Its tare is off: compare with a reading in air before or after.",
        numbers={"excess": excess, "follows_air": slope},
    )


def optode_temperature(*, temperature: npt.ArrayLike, reference: npt.ArrayLike, tolerance: float = 0.1) -> Doubt | None:
    """Hold an optode's own temperature against the CTD; one degree is about 1.6 % of oxygen (common practice)."""
    off = float(np.nanmedian(as_float("temperature", temperature) - as_float("reference", reference)))
    if not abs(off) > tolerance:
        return None
    return Doubt(
        kind="optode temperature",
        severity=2,
        found=f"{off:+.2f} degC from the CTD",
        wanted=f"within {tolerance:g} degC",
        proposal=f"Oxygen is off by about {1.6 * off:+.1f} %: compute it with the CTD's temperature.",
        numbers={"offset": off},
    )


def light_unit(*, light: npt.ArrayLike, clear_sky: npt.ArrayLike) -> Doubt | None:
    """Doubt light that would fit the clear sky in W m-2 (1 W m-2 of sunlight is about 4.57 µmol m-2 s-1).

    Parameters
    ----------
    light, clear_sky : array-like, (n,)
        Light as declared and the most a clear sky gives at that depth. [µmol m-2 s-1]

    Notes
    -----
    The factor is that of McCree (1972), from memory. The upper envelope is compared, since clouds only take away.
    """
    y, sky = as_float("light", light), as_float("clear_sky", clear_sky)
    high = sky > 0.5 * np.nanmax(sky)
    ratio = float(np.nanpercentile(y[high] / sky[high], 95)) if high.any() else float("nan")
    if not np.isfinite(ratio) or 0.5 <= ratio <= 1.5:
        return None
    fits = 0.7 <= ratio * 4.57 <= 1.4
    over = 0.7 <= ratio / 4.57 <= 1.4
    text = (
        "It fits as W m-2: state the unit in the layout."
        if fits
        else "It was multiplied by 4.57 twice: state the unit in the layout."
        if over
        else "No unit explains it: look at depth, shade and calibration."
    )
    return Doubt(
        kind="light unit", severity=2, found=f"{ratio:.2f} times the clear sky at best", wanted="about 1",
        proposal=text, numbers={"ratio": ratio},
    )  # fmt: skip


def shaded_hours(
    *, hour: npt.ArrayLike, light: npt.ArrayLike, clear_sky: npt.ArrayLike, least: float = 0.6
) -> list[int]:
    """Hours of the day at which even the clearest of all days falls short: shadow of the frame or of the reef.

    Parameters
    ----------
    hour : array-like, (n,)
        Local solar hour, 0 to 24.
    light, clear_sky : array-like, (n,)
        Same unit.
    least : float
        Share of the day's usual clear-sky ratio below which an hour counts as shaded.
    """
    h, y, sky = as_float("hour", hour), as_float("light", light), as_float("clear_sky", clear_sky)
    lit = sky > 0.15 * np.nanmax(sky)
    best = {
        int(n): float(np.nanpercentile(y[lit & (np.floor(h) == n)] / sky[lit & (np.floor(h) == n)], 95))
        for n in np.unique(np.floor(h[lit]))
    }
    usual = float(np.median(list(best.values())))
    return sorted(n for n, ratio in best.items() if ratio < least * usual)


def periodic_outliers(
    *, time: npt.ArrayLike, values: npt.ArrayLike, limit: float
) -> tuple[float | None, npt.NDArray[np.bool_]]:
    """Learn the period of outliers that come like clockwork (a wiper), and mask them.

    Parameters
    ----------
    time, values : array-like, (n,)
    limit : float
        Distance from the running median from which a sample is an outlier.

    Returns
    -------
    period : float or None
        [s]; None where outliers have no period. If the last outlier is more than two periods before the end of the
        record the wiper has stopped or is parked.
    mask : bool array, (n,)
        Outliers on the period.
    """
    require_same_length(time=time, values=values)
    t, y = as_float("time", time), as_float("values", values)
    out = np.abs(y - running_median(y, 10)) > limit
    begins = np.flatnonzero(out & ~np.concatenate(([False], out[:-1])))
    mask = np.zeros(y.size, dtype=bool)
    if begins.size < 5:
        return None, mask
    gaps = np.diff(t[begins])
    step = float(np.median(np.diff(t)))
    # By night a light sensor shows no wiper: gaps of one and of several periods come in turn.
    for period in (float(np.median(gaps)), float(np.quantile(gaps, 0.25, method="lower"))):
        whole = np.abs(gaps / period - np.round(gaps / period)) * period
        if (whole <= 2.0 * step).mean() >= 0.7:
            break
    else:
        return None, mask
    phase = np.mod(t - float(np.median(np.mod(t[begins] - t[begins[0]], period))) - t[begins[0]], period)
    near = np.minimum(phase, period - phase) <= 2.5 * step
    return period, out & near


def acoustic_range(*, correlation: npt.ArrayLike, signal_to_noise: npt.ArrayLike, snr_floor: float = 3.0) -> FlagArray:
    """Flag 4 samples whose correlation is not a percentage or whose signal lies at the floor [dB]."""
    r, snr = np.broadcast_arrays(as_float("correlation", correlation), as_float("signal_to_noise", signal_to_noise))
    flags = np.full(r.shape, GOOD, dtype=np.uint8)
    flags[(r < 0.0) | (r > 100.0) | (snr <= snr_floor)] = FAIL
    flags[np.isnan(r) | np.isnan(snr)] = MISSING
    return flags
