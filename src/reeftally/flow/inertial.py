"""Dissipation from the inertial subrange, and the friction velocity it implies.

Here:     model spectra, advection by the measured velocity distribution, the fit with a noise term,
          quality tests of slope, range, isotropy and noise; structure functions are in `structure`.
Not here: the spectra themselves (`spectrum`).
Rules:    one-sided spectra per Hz; random and systematic parts apart; an estimate whose tests fail
          has a reason and no value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import ShapeError
from reeftally.flow import _kernels as kernels
from reeftally.flow.spectrum import band_average, band_edges, spectra

__all__ = [
    "ALONG",
    "CROSS",
    "KOLMOGOROV",
    "KOLMOGOROV_ONE_DIMENSIONAL",
    "Dissipation",
    "FrictionVelocity",
    "dissipation",
    "friction_velocity_from_dissipation",
    "inertial_spectrum",
    "log_layer_dissipation",
    "wave_advection_factor",
]

KOLMOGOROV = 1.5
"""Three-dimensional Kolmogorov constant C of the model a_j C eps^(2/3) k^(-5/3)."""
ALONG = 18.0 / 55.0
"""a_1, for the velocity along the advection."""
CROSS = 24.0 / 55.0
"""a_2 = a_3 = 4/3 a_1, for the velocities across it."""
KOLMOGOROV_ONE_DIMENSIONAL = (0.53, 0.03)
"""C1 = 18 C / 55 as compiled by Sreenivasan (1995), Phys. Fluids 7, 2778, and its 95 % half-width."""


_ISOTROPIC = 1.0
"""Reduced frequency f z / V from which the fit may start. At U / (pi z), a common choice, the neutral
form of Kaimal et al. (1972) has reached only 0.44 of its inertial level; at U / z it has 0.84."""


def inertial_spectrum(
    *,
    dissipation: npt.ArrayLike,
    advection: npt.ArrayLike,
    frequency: npt.ArrayLike,
    component: str = "w",
    constant: float = KOLMOGOROV,
    two_sided_radian: bool = False,
) -> FloatArray:
    """Model spectrum of the inertial subrange in frozen turbulence.

    Parameters
    ----------
    dissipation : array-like
        Dissipation rate. [W kg-1]
    advection : array-like
        Speed that carries the turbulence past the sensor. [m s-1]
    frequency : array-like
        Frequency, or angular frequency where `two_sided_radian`. [Hz or rad s-1]
    component : {"u", "v", "w"}
        Along, across, up.
    constant : float
        Kolmogorov constant C. [1]
    two_sided_radian : bool
        Two-sided density per rad/s (coefficients 12/55 and 9/55 of Trowbridge and Elgar 2001,
        J. Phys. Oceanogr. 31, 2403, eqs 6-7, from memory) instead of one-sided per Hz.

    Returns
    -------
    float64 array, broadcast shape
        Spectral density. [m2 s-2 Hz-1 or m2 s-2 (rad/s)-1]

    Notes
    -----
    Psi_j(k) = a_j C eps^(2/3) k^(-5/3) with k = 2 pi f / U (SCOR working group 160, best-practice pages).
    The two-sided radian form is smaller by 2 * 2 pi; 12/55 is not a misprint.
    """
    one_of("component", component, ("u", "v", "w"))
    eps, speed, f = (as_float("x", x) for x in (dissipation, advection, frequency))
    a = ALONG if component == "u" else CROSS
    if two_sided_radian:
        return np.asarray(0.5 * a * constant * eps ** (2 / 3) * speed ** (2 / 3) * f ** (-5 / 3))
    return np.asarray(a * constant * eps ** (2 / 3) * (speed / (2 * np.pi)) ** (2 / 3) * f ** (-5 / 3))


def wave_advection_factor(*, ratio: npt.ArrayLike, angle: npt.ArrayLike) -> FloatArray:
    """E|V|^(2/3) / U^(2/3) for a current with Gaussian orbital motion along one direction.

    Parameters
    ----------
    ratio : array-like
        Standard deviation of the orbital velocity over the current speed, 0 or more. [1]
    angle : array-like
        Between waves and current. [degree]

    Returns
    -------
    float64 array, broadcast shape
        The factor I by which waves raise the vertical spectrum above the wave band. [1]

    Notes
    -----
    Lumley and Terray (1983), J. Phys. Oceanogr. 13, 2000; Trowbridge and Elgar (2001) eq. A13 (from
    memory). |V|^2 along the waves is noncentral Gaussian; the integral is summed over 9 standard deviations;
    at angle 0 the closed form with a confluent hypergeometric function is used, because the
    integrand has a cusp there.
    """
    r, th = np.broadcast_arrays(as_float("ratio", ratio), np.deg2rad(as_float("angle", angle)))
    require_range("ratio", r, 0.0, 1e4)
    out = np.full(r.shape, np.nan)
    nodes = np.linspace(-9.0, 9.0, 18001)
    weights = np.exp(-0.5 * nodes**2) * (nodes[1] - nodes[0])
    for index in np.ndindex(r.shape):
        size, turn = float(r[index]), float(th[index])
        if not np.isfinite(size + turn):
            continue
        if size == 0.0:
            out[index] = 1.0
        elif abs(np.sin(turn)) < 1e-6:
            # E|N(mu, 1)|^p = 2^(p/2) Gamma((1+p)/2)/sqrt(pi) 1F1(-p/2; 1/2; -mu^2/2)
            mu = 1.0 / size
            moment = 2.0 ** (1 / 3) * special.gamma(5 / 6) / np.sqrt(np.pi)
            out[index] = size ** (2 / 3) * moment * float(special.hyp1f1(-1 / 3, 0.5, -0.5 * mu * mu))
        else:
            square = (size * nodes) ** 2 + 2.0 * size * nodes * np.cos(turn) + 1.0
            out[index] = float(weights @ np.cbrt(square)) / np.sqrt(2.0 * np.pi)
    return out


def log_layer_dissipation(
    *, friction_velocity: npt.ArrayLike, height: npt.ArrayLike, von_karman: float = 0.41
) -> FloatArray:
    """Dissipation that equals production in a neutral log layer: u*^3 / (kappa z). [W kg-1]

    `friction_velocity` in m s-1, `height` above the displacement plane in m.
    """
    z = as_float("height", height)
    require_range("height", z, 1e-6, 1e4, "m")
    return np.asarray(as_float("friction_velocity", friction_velocity) ** 3 / (von_karman * z))


@dataclass(frozen=True, slots=True, kw_only=True)
class FrictionVelocity:
    """Friction velocity with random and systematic standard uncertainty, apart."""

    value: FloatArray
    """Friction velocity. [m s-1]"""
    random_sd: FloatArray
    """Random part. [m s-1]"""
    systematic_sd: FloatArray
    """Part common to all bursts: constants and height. [m s-1]"""


def friction_velocity_from_dissipation(
    *,
    dissipation: npt.ArrayLike,
    height: npt.ArrayLike,
    random_sd: npt.ArrayLike = 0.0,
    systematic_sd: npt.ArrayLike = 0.0,
    height_sd: float = 0.0,
    von_karman: float = 0.41,
    von_karman_sd: float = 0.0,
    balance: str = "local",
    stability: npt.ArrayLike = 0.0,
) -> FrictionVelocity:
    """Friction velocity from dissipation: u* = (kappa z eps / phi)^(1/3).

    Parameters
    ----------
    dissipation : array-like
        Dissipation rate; NaN in NaN out. [W kg-1]
    height : array-like
        Height above the displacement plane, more than 0. [m]
    random_sd, systematic_sd : array-like
        Of the dissipation. [W kg-1]
    height_sd, von_karman, von_karman_sd : float
        Standard uncertainty of the height; the constant and its uncertainty. [m, 1, 1]
    balance : {"local", "hartogensis2005"}
        phi = 1 (production equals dissipation; found over reefs by Reidenbach et al. 2006) or
        0.8 + 2.5 z/L (Hartogensis and De Bruin 2005, Boundary-Layer Meteorol. 116, 253, in air).
    stability : array-like
        z / L, 0 or more, used by the second. [1]

    Returns
    -------
    FrictionVelocity
    """
    one_of("balance", balance, ("local", "hartogensis2005"))
    eps, z = as_float("dissipation", dissipation), as_float("height", height)
    require_range("height", z, 1e-6, 1e4, "m")
    phi = 1.0 if balance == "local" else 0.8 + 2.5 * as_float("stability", stability)
    positive = np.where(eps > 0.0, eps, np.nan)
    value = np.cbrt(von_karman * z * positive / phi)
    random = value * as_float("random_sd", random_sd) / positive / 3.0
    parts = (as_float("systematic_sd", systematic_sd) / positive) ** 2 + (height_sd / z) ** 2
    return FrictionVelocity(
        value=np.asarray(value),
        random_sd=np.asarray(random),
        systematic_sd=np.asarray(value / 3.0 * np.sqrt(parts + (von_karman_sd / von_karman) ** 2)),
    )


_PASSAGE_SD = 0.07
"""Relative standard uncertainty of dissipation where waves move the water as fast as the current: in planted fields
read off along the real path, E|V|^(2/3) gives 3 to 8 % too little at 0.5 to 1.4 times the current, and agrees without
waves."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dissipation:
    """Dissipation of one burst from the spectrum of vertical velocity."""

    dissipation: float
    """Dissipation rate; NaN if refused. [W kg-1]"""
    random_sd: float
    """From the sampling of the spectrum. [W kg-1]"""
    systematic_sd: float
    """From the Kolmogorov constant, and from the passage of turbulence by waves. [W kg-1]"""
    estimate: float
    """The fitted value even where a test fails, for inspection only. [W kg-1]"""
    noise_floor: float
    """White noise of w. [m2 s-2 Hz-1]"""
    advection: float
    """(E|V|^(2/3))^(3/2), the speed that carries turbulence. [m s-1]"""
    frozen_ratio: float
    """Standard deviation of the horizontal velocity over the mean speed. [1]"""
    low: float
    """Lower end of the fitted range. [Hz]"""
    high: float
    """Upper end of the range in which the subrange stands above the noise. [Hz]"""
    slope: float
    """Slope of the spectrum without noise in that range. [1]"""
    slope_sd: float
    """Its standard error. [1]"""
    isotropy: float
    """(12/21) (S_uu + S_vv without noise) / S_ww; NaN if the horizontal noise hides it. [1]"""
    isotropy_sd: float
    """Its standard error. [1]"""
    misfit: float
    """Mean |S/fit - 1| in units of the value expected from chi-square. [1]"""
    frequency: FloatArray
    """Centres of the bands fitted. [Hz]"""
    spectrum: FloatArray
    """Spectrum of w in these bands. [m2 s-2 Hz-1]"""
    model: FloatArray
    """Fitted level, noise included. [m2 s-2 Hz-1]"""
    reasons: tuple[str, ...]
    """Tests that failed; empty if accepted."""
    notes: tuple[str, ...]
    """Tests that could not be made."""


def _fit_level_and_noise(shape: FloatArray, observed: FloatArray, freedom: FloatArray) -> tuple[float, float, float]:
    """Maximum likelihood of A and N in S = A shape + N, for chi-square observations.

    Returns A, N (0 or more) and the standard error of ln A. Fisher scoring, weights freedom / (2 S^2).
    """
    first = max(observed.size // 3, 2)
    noise = float(observed[-max(observed.size // 8, 2) :].min())
    level = max(float(np.median((observed[:first] - 0.9 * noise) / shape[:first])), 1e-30)
    error = float("inf")
    for _ in range(60):
        model = level * shape + noise
        weight = 0.5 * freedom / model**2
        aa, an, nn = (weight * shape * shape).sum(), (weight * shape).sum(), weight.sum()
        ya, yn = (weight * shape * observed).sum(), (weight * observed).sum()
        det = aa * nn - an * an
        if det <= 1e-12 * aa * nn:
            new_level, new_noise = ya / aa, 0.0
        else:
            new_level, new_noise = (nn * ya - an * yn) / det, (aa * yn - an * ya) / det
        if new_noise < 0.0:
            new_noise, new_level = 0.0, ya / aa
        if new_level <= 0.0:
            new_level = 0.1 * level
        change = abs(new_level / level - 1.0)
        level, noise = float(new_level), float(new_noise)
        variance = nn / det if noise > 0.0 and det > 0.0 else 1.0 / aa
        error = float(np.sqrt(variance)) / level
        if change < 1e-7:
            break
    return level, noise, error


def _nothing(reasons: tuple[str, ...]) -> Dissipation:
    nan, none = float("nan"), np.empty(0)
    return Dissipation(
        dissipation=nan, random_sd=nan, systematic_sd=nan, estimate=nan, noise_floor=nan, advection=nan,
        frozen_ratio=nan, low=nan, high=nan, slope=nan, slope_sd=nan, isotropy=nan, isotropy_sd=nan,
        misfit=nan, frequency=none, spectrum=none, model=none, reasons=reasons, notes=(),
    )  # fmt: skip


def dissipation(
    *,
    u: npt.ArrayLike,
    v: npt.ArrayLike,
    w: npt.ArrayLike,
    sample_rate: float,
    height: float,
    wave_peak: float | None = None,
    spectrum: tuple[FloatArray, FloatArray, float] | None = None,
    advect_by_waves: bool = True,
    constant: float = KOLMOGOROV,
    constant_sd: float = 0.06,
    sample_volume: float = 0.015,
    viscosity: float = 9e-7,
    most_missing: float = 0.1,
    full: bool = True,
) -> Dissipation:
    """Dissipation from the inertial subrange of the vertical spectrum of one burst.

    Parameters
    ----------
    u, v, w : array-like, shape (n,)
        Velocity along, across and up, means included, short gaps filled; NaN where missing. [m s-1]
    sample_rate : float
        Samples a second. [Hz]
    height : float
        Height of the sample volume above the displacement plane, more than 0. [m]
    wave_peak : float, optional
        Highest wave frequency that carries energy; the fit starts above twice this. [Hz]
    spectrum : tuple, optional
        Frequency (f,), densities of u, v, w (3, f) and degrees of freedom for band averages, if they
        are at hand; otherwise Hann windows of 64 s with 50 % overlap are used.
    advect_by_waves : bool
        Advection by E|V|^(2/3) of the measured samples (default), or by the mean speed alone, which
        is refused where the horizontal standard deviation exceeds half the mean.
    constant, constant_sd : float
        Kolmogorov constant and its relative standard uncertainty (a systematic part). [1]
    sample_volume : float
        Size of the sample volume; the fit ends at U / (2 d). [m]
    viscosity : float
        Kinematic viscosity; the fit ends at 0.1 U / (2 pi eta). [m2 s-1]
    most_missing : float
        Largest share of missing samples. [1]
    full : bool
        Keep the band arrays in the result.

    Returns
    -------
    Dissipation
        With reasons and NaN (not an exception) if refused: ``too_few_samples``, ``too_many_missing``,
        ``constant``, ``height_impossible``, ``range_too_short`` (less than half a decade),
        ``noise_hides_subrange``, ``slope``, ``isotropy``, ``misfit``, ``not_frozen``.

    Notes
    -----
    S_ww = (24/55) C eps^(2/3) E|V|^(2/3) (2 pi)^(-2/3) f^(-5/3) + N, both levels by maximum likelihood
    for chi-square spectra. Tests after Feddersen (2010), J. Atmos. Oceanic Technol. 27, 1039 (limits
    from memory): slope within 0.2 of -5/3 or its 95 % interval covers that; isotropy ratio 0.5 to 2 (or its
    95 % interval reaches there); at least half a decade with S above twice the noise; mean absolute
    deviation at most twice that of chi-square (common practice after Bluteau et al. 2011).
    """
    require_range("sample_rate", sample_rate, 0.05, 1000.0, "Hz")
    require_range("constant_sd", constant_sd, 0.0, 1.0)
    velocity = [as_float(k, x) for k, x in (("u", u), ("v", v), ("w", w))]
    if any(x.ndim != 1 or x.shape != velocity[0].shape for x in velocity):
        message = f"u, v, w have shapes {[x.shape for x in velocity]}; they need one dimension and one length."
        raise ShapeError(message)
    n = velocity[0].size
    if not height > 0.0 or not height < 100.0:
        return _nothing(("height_impossible",))
    if n < 512 or n / sample_rate < 60.0:
        return _nothing(("too_few_samples",))
    total = velocity[0] + velocity[1] + velocity[2]
    good = np.isfinite(total)
    share = float(good.mean())
    if share < 1.0 - most_missing:
        return _nothing(("too_many_missing",))
    chosen = velocity if share == 1.0 else [x[good] for x in velocity]
    sds = [float(x.std()) for x in chosen]
    if min(sds) == 0.0:
        return _nothing(("constant",))
    if spectrum is None:
        try:
            own = spectra(series=np.stack(velocity), sample_rate=sample_rate, segment=64.0)
        except ValueError:
            return _nothing(("too_few_samples",))
        if own.segments < 4:
            return _nothing(("too_many_missing",))
        spectrum = (
            own.frequency,
            np.stack([own.power(k) for k in range(3)]),
            float(own.band_degrees_of_freedom),
        )
    frequency, densities, freedom = spectrum
    block = max(round(0.25 * sample_rate), 1)
    mean_root, mean_square_root, mean_travel, mean_square, blocks = kernels.speed_power_means(*velocity, block)
    if blocks < 64:
        return _nothing(("too_many_missing",))
    mean_speed = float(np.hypot(chosen[0].mean(), chosen[1].mean()))
    advection = float(mean_root) ** 1.5 if advect_by_waves else mean_speed
    frozen = float(np.hypot(sds[0], sds[1])) / mean_speed if mean_speed > 0.0 else float("inf")
    if not advection > 0.0:
        return _nothing(("not_frozen",))
    # Turbulence that comes in gusts of the wave speed has a less certain spectrum than chi-square, and
    # waves carry the same water past the sensor more than once (at most four times: eddies do not last).
    gusts = 1.0
    if advect_by_waves:
        again = float(np.clip(mean_travel / max(mean_speed, 1e-9), 1.0, 4.0))
        gusts = again * float(mean_square_root / mean_root**2)
    fastest = float(np.sqrt(mean_square)) if advect_by_waves else advection
    low = max(2.0 * (wave_peak or 0.0), _ISOTROPIC * fastest / height)
    top = min(0.5 * sample_rate * 0.95, advection / (2.0 * sample_volume))
    reasons: list[str] = []
    notes: list[str] = []
    fit_top = 0.5 * sample_rate * 0.95
    if not low * np.sqrt(10.0) < fit_top:
        return _nothing(("range_too_short",))
    edges = band_edges(low=low, high=fit_top)
    ideal = frequency ** (-5.0 / 3.0)
    f, averaged, count = band_average(frequency=frequency, values=np.concatenate([densities, ideal[None]]), edges=edges)
    if f.size < 8:
        return _nothing(("range_too_short",))
    bands, steep = averaged[:3], averaged[3]
    nu: FloatArray = np.asarray(freedom / gusts * count, dtype=np.float64)
    level, noise, error = _fit_level_and_noise(steep, bands[2], nu)
    coefficient = CROSS * constant * (advection / (2.0 * np.pi)) ** (2.0 / 3.0)
    kolmogorov = (viscosity**3 / (level / coefficient) ** 1.5) ** 0.25
    top = min(top, 0.1 * advection / (2.0 * np.pi * kolmogorov))
    # Beyond the sample volume or the viscous end the form fails; bands there only tell the noise.
    doubtful = (f > top) & (level * steep > 0.5 * noise)
    if doubtful.any() and (~doubtful).sum() >= 8:
        level, noise, error = _fit_level_and_noise(steep[~doubtful], bands[2][~doubtful], nu[~doubtful])
    else:
        doubtful[:] = False
    eps = (level / coefficient) ** 1.5
    model = level * steep + noise
    inside = (level * steep > noise) & (f <= top)
    high = float(f[inside][-1]) if inside.any() else low
    if inside.sum() < 4 or high < low * np.sqrt(10.0) * 0.9:
        reasons.append("noise_hides_subrange" if high < top * 0.9 else "range_too_short")
    slope, slope_sd, misfit = float("nan"), float("nan"), float("nan")
    if inside.sum() >= 4:
        slope, slope_sd = _slope(f[inside], bands[2][inside], noise, nu[inside])
        misfit = float(np.mean(np.abs(bands[2] / model - 1.0)[inside] / np.sqrt(4.0 / (np.pi * nu[inside]))))
        if not (abs(slope + 5 / 3) <= max(0.2, 1.96 * slope_sd)):
            reasons.append("slope")
        if not misfit <= 2.0:
            reasons.append("misfit")
    isotropy, isotropy_sd = float("nan"), float("nan")
    flat, _, flat_error = _fit_level_and_noise(steep[~doubtful], (bands[0] + bands[1])[~doubtful], nu[~doubtful])
    if flat_error < 0.5:
        isotropy = 12.0 / 21.0 * flat / level
        isotropy_sd = isotropy * float(np.hypot(flat_error, error))
        if isotropy + 1.96 * isotropy_sd < 0.5 or isotropy - 1.96 * isotropy_sd > 2.0:
            reasons.append("isotropy")
    else:
        notes.append("isotropy_hidden_by_noise")
    if not advect_by_waves and frozen > 0.5:
        reasons.append("not_frozen")
    if not np.isfinite(error) or error > 0.5:
        reasons.append("noise_hides_subrange")
    accepted = not reasons
    nan = float("nan")
    none = np.empty(0)
    return Dissipation(
        dissipation=eps if accepted else nan,
        random_sd=1.5 * error * eps if accepted else nan,
        systematic_sd=float(np.hypot(1.5 * constant_sd, _PASSAGE_SD * min(frozen, 1.0))) * eps if accepted else nan,
        estimate=eps, noise_floor=noise, advection=advection, frozen_ratio=frozen, low=low, high=high,
        slope=slope, slope_sd=slope_sd, isotropy=isotropy, isotropy_sd=isotropy_sd, misfit=misfit,
        frequency=f if full else none, spectrum=bands[2] if full else none, model=model if full else none,
        reasons=tuple(dict.fromkeys(reasons)), notes=tuple(notes),
    )  # fmt: skip


def _slope(f: FloatArray, density: FloatArray, noise: float, freedom: FloatArray) -> tuple[float, float]:
    """Slope of ln(S - N) on ln f and its standard error; weights from chi-square."""
    above = density - noise
    keep = above > 0.2 * density
    if keep.sum() < 4:
        return float("nan"), float("nan")
    x, y = np.log(f[keep]), np.log(above[keep])
    weight = 0.5 * freedom[keep] * (above[keep] / density[keep]) ** 2
    centre = (weight * x).sum() / weight.sum()
    spread = (weight * (x - centre) ** 2).sum()
    return float((weight * (x - centre) * y).sum() / spread), float(1.0 / np.sqrt(spread))
