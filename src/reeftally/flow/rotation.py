"""From beams to instrument axes to earth, and into the flow.

Here:     transform matrix, heading, pitch, roll, declination; double rotation; rotating a burst.
Not here: planes of a deployment and the choice of rotation (`planar`); finding an upside-down or
          swapped instrument (`orientation`).
Rules:    rotations are never applied on suspicion; velocities (3, n) or (3, ...), component first, time last.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, one_of, require_range
from reeftally.errors import InputError, ShapeError
from reeftally.flow._shapes import components
from reeftally.flow.planar import PlanarFit

__all__ = [
    "apply_rotation",
    "beam_matrix",
    "beam_to_instrument",
    "double_rotation",
    "instrument_to_earth",
    "noise_variance_ratio",
    "profiler_beams",
    "rotate",
    "tilt_stress_error",
]


def beam_matrix(*, beam_angle: float, beams: int = 3) -> FloatArray:
    """Matrix that turns beam velocities into instrument axes for ideal, evenly spread beams.

    Parameters
    ----------
    beam_angle : float
        Angle of each beam from the axis, above 0 and below 90. [degree]
    beams : int
        Number of beams; 3 gives the inverse, more the least-squares inverse. Beam 1 lies on x.

    Returns
    -------
    float64 array, shape (3, beams)
    """
    require_range("beam_angle", beam_angle, 0.5, 89.5, "degree")
    if beams < 3:
        message = f"beams is {beams}; three velocity components need at least 3."
        raise InputError(message)
    tilt = np.deg2rad(beam_angle)
    around = 2.0 * np.pi * np.arange(beams) / beams
    unit = np.stack(
        [np.sin(tilt) * np.cos(around), np.sin(tilt) * np.sin(around), np.full(beams, np.cos(tilt))], axis=1
    )
    return np.asarray(np.linalg.pinv(unit))


def noise_variance_ratio(*, beam_angle: npt.ArrayLike) -> FloatArray:
    """Ratio of horizontal to vertical noise variance for three equal beams: 2 / tan^2(angle).

    Geometry; compare Voulgaris and Trowbridge (1998), J. Atmos. Oceanic Technol. 15, 272-289.
    `beam_angle` in degrees from the axis.
    """
    require_range("beam_angle", beam_angle, 0.5, 89.5, "degree")
    return np.asarray(2.0 / np.tan(np.deg2rad(as_float("beam_angle", beam_angle))) ** 2)


def beam_to_instrument(
    *, beams: npt.ArrayLike, matrix: npt.ArrayLike, scale: float = 1.0, pointing_down: bool = False
) -> FloatArray:
    """Velocities along the instrument's axes from beam velocities.

    Parameters
    ----------
    beams : array-like, shape (beams, ...)
        Beam velocities. [m s-1]
    matrix : array-like, shape (3, beams)
        Transform matrix of this head.
    scale : float
        Number by which the printed matrix is divided (4096 where headers print integers).
    pointing_down : bool
        Rows two and three of the matrix change sign first.

    Returns
    -------
    float64 array, shape (3, ...)
    """
    head = as_float("matrix", matrix) / scale
    values = as_float("beams", beams)
    if head.ndim != 2 or head.shape[0] != 3 or values.ndim < 1 or values.shape[0] != head.shape[1]:
        message = f"matrix {head.shape} and beams {values.shape}; they need (3, beams) and (beams, ...)."
        raise ShapeError(message)
    if pointing_down:
        head = head * np.array([[1.0], [-1.0], [-1.0]])
    return np.asarray(np.tensordot(head, values, axes=(1, 0)))


def instrument_to_earth(
    *,
    velocity: npt.ArrayLike,
    heading: npt.ArrayLike,
    pitch: npt.ArrayLike,
    roll: npt.ArrayLike,
    declination: float = 0.0,
) -> FloatArray:
    """East, north and up from instrument axes.

    Parameters
    ----------
    velocity : array-like, shape (3, ...)
        Velocity along x, y, z. [m s-1]
    heading, pitch, roll : array-like, broadcastable with one component
        Attitude; heading from magnetic north. [degree]
    declination : float
        Magnetic declination, added once to the heading. [degree]

    Returns
    -------
    float64 array, shape (3, ...)

    Raises
    ------
    OutOfRangeError
        If pitch or roll exceeds 60 degrees: the order of the two then matters, and makers differ.

    Notes
    -----
    Heading-minus-90 convention: velocity_enu = H P velocity_xyz with hh = heading - 90,
    H = [cos hh, sin hh, 0; -sin hh, cos hh, 0; 0, 0, 1] and
    P = [cos p, -sin p sin r, -cos r sin p; 0, cos r, -sin r; sin p, sin r cos p, cos p cos r]
    (makers' note; third row of P from memory).
    """
    x, y, z = components("velocity", velocity)
    require_range("pitch", pitch, -60.0, 60.0, "degree")
    require_range("roll", roll, -60.0, 60.0, "degree")
    hh = np.deg2rad(as_float("heading", heading) + declination - 90.0)
    p, r = np.deg2rad(as_float("pitch", pitch)), np.deg2rad(as_float("roll", roll))
    along = np.cos(p) * x - np.sin(p) * np.sin(r) * y - np.cos(r) * np.sin(p) * z
    across = np.cos(r) * y - np.sin(r) * z
    up = np.sin(p) * x + np.sin(r) * np.cos(p) * y + np.cos(p) * np.cos(r) * z
    east = np.cos(hh) * along + np.sin(hh) * across
    north = -np.sin(hh) * along + np.cos(hh) * across
    return np.stack(np.broadcast_arrays(east, north, up))


def profiler_beams(*, beams: npt.ArrayLike, beam_angle: float) -> tuple[FloatArray, FloatArray]:
    """Velocities and error velocity of a four-beam profiler, pairs (1, 2) and (3, 4).

    Parameters
    ----------
    beams : array-like, shape (4, ...)
        Beam velocities, positive along the beam away from the head. [m s-1]
    beam_angle : float
        Angle from the axis. [degree]

    Returns
    -------
    tuple
        Velocity (3, ...) with u in the plane of beams 1 and 2, and the error velocity (difference
        of the two vertical estimates; var/2 is the noise of one). [m s-1]
    """
    b1, b2, b3, b4 = components("beams", beams, 4)
    require_range("beam_angle", beam_angle, 0.5, 89.5, "degree")
    sine, cosine = np.sin(np.deg2rad(beam_angle)), np.cos(np.deg2rad(beam_angle))
    first, second = (b1 + b2) / (2.0 * cosine), (b3 + b4) / (2.0 * cosine)
    velocity = np.stack([(b1 - b2) / (2.0 * sine), (b3 - b4) / (2.0 * sine), 0.5 * (first + second)])
    return velocity, np.asarray(first - second)


def apply_rotation(*, velocity: npt.ArrayLike, matrix: npt.ArrayLike) -> FloatArray:
    """Rotate velocities (3, ...) by a matrix (3, 3)."""
    turn = as_float("matrix", matrix)
    if turn.shape != (3, 3):
        message = f"matrix has shape {turn.shape}; it needs (3, 3)."
        raise ShapeError(message)
    return _turned(turn, components("velocity", velocity))


def _turned(turn: FloatArray, velocity: FloatArray) -> FloatArray:
    """Product written out: a threaded one would differ in its last bits with the number of threads."""
    u, v, w = velocity
    return np.stack([row[0] * u + row[1] * v + row[2] * w for row in turn])


def _yaw_pitch(yaw: float, pitch: float) -> FloatArray:
    a, b = np.cos(yaw), np.sin(yaw)
    c, d = np.cos(pitch), np.sin(pitch)
    return np.array([[a * c, b * c, d], [-b, a, 0.0], [-a * d, -b * d, c]])


def double_rotation(*, mean_velocity: npt.ArrayLike) -> tuple[FloatArray, float, float]:
    """Matrix that turns x into the mean flow and takes the mean of v and w away.

    Parameters
    ----------
    mean_velocity : array-like, shape (3,)
        Burst mean of u, v, w. [m s-1]

    Returns
    -------
    tuple
        Matrix (3, 3), yaw and pitch. [degree]

    Notes
    -----
    Wilczak, Oncley and Stage (2001), Boundary-Layer Meteorol. 99, 127-150: the first two rotations.
    The third (v'w' = 0) adds run-to-run error and is not offered.
    """
    u, v, w = (float(x) for x in components("mean_velocity", mean_velocity))
    yaw = float(np.arctan2(v, u))
    pitch = float(np.arctan2(w, np.hypot(u, v)))
    return _yaw_pitch(yaw, pitch), float(np.rad2deg(yaw)), float(np.rad2deg(pitch))


def rotate(
    *, velocity: npt.ArrayLike, method: str = "double", plane: PlanarFit | None = None
) -> tuple[FloatArray, FloatArray]:
    """Rotate the samples of one burst into its mean flow.

    Parameters
    ----------
    velocity : array-like, shape (3, n)
        Instrument axes; NaN are left out of the mean. [m s-1]
    method : {"double", "planar", "none"}
        Double rotation, planar fit (needs `plane`), or only a yaw is left undone (``none``).
    plane : PlanarFit, optional
        Planes of this deployment.

    Returns
    -------
    tuple
        Velocity along, across and up (3, n), and the rotation matrix (3, 3). [m s-1]
    """
    one_of("method", method, ("double", "planar", "none"))
    array = components("velocity", velocity)
    if method == "none":
        return array.copy(), np.eye(3)
    whole = np.isfinite(array).all(axis=0)
    if not whole.any():
        return np.full_like(array, np.nan), np.full((3, 3), np.nan)
    mean = array.mean(axis=1) if whole.all() else array[:, whole].mean(axis=1)
    if method == "double":
        turn, _, _ = double_rotation(mean_velocity=mean)
        return _turned(turn, array), turn
    if plane is None:
        message = "plane is missing; method 'planar' needs the PlanarFit of this deployment."
        raise InputError(message)
    turn, offset = plane.matrix(mean)
    return _turned(turn, array - np.array([[0.0], [0.0], [offset]])), turn


def tilt_stress_error(*, tilt: npt.ArrayLike, horizontal_sd: npt.ArrayLike, vertical_sd: npt.ArrayLike) -> FloatArray:
    """Spurious <u'w'> from a tilt: angle times (horizontal minus vertical variance).

    `tilt` in degrees, standard deviations in m s-1, result in m2 s-2. Trowbridge (1998),
    J. Atmos. Oceanic Technol. 15, 290-298, small angles.
    """
    angle = np.deg2rad(as_float("tilt", tilt))
    along, up = as_float("horizontal_sd", horizontal_sd), as_float("vertical_sd", vertical_sd)
    return np.asarray(angle * (along**2 - up**2))
