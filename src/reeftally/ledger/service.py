"""Sensors of a long record referred to service bottles: offset and drift of every deployment, with covariance.

Here:     `refer_to_bottles`.
Not here: the trend of the referred record (`trends`), the test for a step at one change (`detect`).
Rules:    what no bottle and no overlap bounds keeps its prior; a correction carries its uncertainty into the trend
          as a calibration part that no number of monthly values shrinks. Time is in decimal years.

Sources: least squares with prior knowledge, JCGM 102:2011, 6.2 (covariance of several estimates); service visits
and overlap of old and new sensor are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from reeftally._checks import FloatArray, as_float, require_range, require_same_length
from reeftally.errors import InputError

__all__ = ["Referred", "refer_to_bottles"]


@dataclass(frozen=True)
class Referred:
    """Offset and drift of every deployment (reading minus true)."""

    labels: tuple[str, ...]
    offset: FloatArray
    """At the middle of each deployment, (deployments,)."""
    drift: FloatArray
    """(deployments,) [per yr]"""
    middle: FloatArray
    """Middle of each deployment, (deployments,). [yr]"""
    covariance: FloatArray
    """Of (offsets, drifts), (2 deployments, 2 deployments)."""
    bottles: npt.NDArray[np.int64]
    """Bottles used, (deployments,)."""
    scatter: float
    """Standard deviation of one misfit about the fit, or the stated one when larger."""

    def correction(self, *, label: npt.ArrayLike, time: npt.ArrayLike) -> FloatArray:
        """Return what is taken off readings: (n,) at `time` [yr], from deployments `label`."""
        which, since = self._parts(label, time)
        return np.asarray(self.offset[which] + self.drift[which] * since)

    def shapes(self, *, label: npt.ArrayLike, time: npt.ArrayLike) -> FloatArray:
        """Return what independent calibration errors of one standard uncertainty add to readings, (n, k)."""
        which, since = self._parts(label, time)
        count = len(self.labels)
        design = np.zeros((since.size, 2 * count))
        rows = np.arange(since.size)
        design[rows, which] = 1.0
        design[rows, count + which] = since
        # The covariance may be singular (no drift known to exist), so its root is taken by eigenvectors.
        values, vectors = np.linalg.eigh(self.covariance)
        keep = values > 1e-12 * max(float(values.max()), 1e-300)
        return np.asarray(design @ (vectors[:, keep] * np.sqrt(values[keep])))

    def step(self, *, older: str, newer: str, time: float) -> tuple[float, float]:
        """Return what `newer` reads above `older` at `time` [yr], and its standard uncertainty."""
        one = self.correction(label=[newer], time=[time]) - self.correction(label=[older], time=[time])
        shape = self.shapes(label=[newer], time=[time]) - self.shapes(label=[older], time=[time])
        return float(one[0]), float(np.sqrt((shape**2).sum()))

    def _parts(self, label: npt.ArrayLike, time: npt.ArrayLike) -> tuple[npt.NDArray[np.int64], FloatArray]:
        names, times = np.asarray(label).astype(str), as_float("time", time)
        require_same_length(label=names, time=times)
        place = {name: index for index, name in enumerate(self.labels)}
        unknown = sorted({str(name) for name in names} - place.keys())
        if unknown:
            message = f"label holds {unknown}; the deployments are: {', '.join(self.labels)}."
            raise InputError(message)
        which = np.array([place[str(name)] for name in names], dtype=np.int64)
        return which, np.asarray(times - self.middle[which])


def refer_to_bottles(
    *,
    spans: Mapping[str, tuple[float, float]],
    offset_prior_sd: Mapping[str, float],
    drift_prior_sd: Mapping[str, float] | None = None,
    label: npt.ArrayLike = (),
    time: npt.ArrayLike = (),
    misfit: npt.ArrayLike = (),
    misfit_sd: float = 0.0,
    overlaps: Sequence[tuple[str, str, float, float, float]] = (),
) -> Referred:
    """Offset and drift of every deployment from service bottles, overlaps and priors, in one adjustment.

    Parameters
    ----------
    spans : mapping
        Deployment to (start, end) [yr].
    offset_prior_sd : mapping
        Deployment to the standard uncertainty of its offset before any bottle.
    drift_prior_sd : mapping, optional
        Deployment to the standard uncertainty of its drift [per yr]; none, or 0: the sensor does not drift.
    label, time, misfit : array_like, shape (n,)
        Sensor minus bottle at service visits: deployment, decimal year, difference. NaN is left out.
    misfit_sd : float
        Stated standard uncertainty of one misfit (bottle and sensor together); where the misfits scatter more
        about the fit, that is used.
    overlaps : sequence of (older, newer, time, newer minus older, standard uncertainty)
        Two sensors side by side in one water.

    Returns
    -------
    Referred

    Raises
    ------
    InputError
        A deployment without span or prior, or an overlap that names none.
    """
    labels = tuple(spans)
    for given in (offset_prior_sd, drift_prior_sd or dict.fromkeys(labels, 0.0)):
        missing = [name for name in labels if name not in given]
        if missing:
            message = f"No prior for the deployments {missing}."
            raise InputError(message)
    require_range("misfit_sd", misfit_sd, 0.0, np.inf)
    place = {name: index for index, name in enumerate(labels)}
    count = len(labels)
    middle = np.array([0.5 * (spans[name][0] + spans[name][1]) for name in labels])
    prior = np.array(
        [float(offset_prior_sd[name]) for name in labels] + [float((drift_prior_sd or {}).get(n, 0.0)) for n in labels]
    )
    names, times, values = np.asarray(label).astype(str), as_float("time", time), as_float("misfit", misfit)
    require_same_length(label=names, time=times, misfit=values)
    good = np.isfinite(values) & np.isfinite(times) & np.isin(names, labels)
    which = np.array([place[str(name)] for name in names[good]], dtype=np.int64)
    design = np.zeros((int(good.sum()), 2 * count))
    rows = np.arange(design.shape[0])
    design[rows, which] = 1.0
    design[rows, count + which] = times[good] - middle[which]
    extra, extra_value, extra_sd = np.zeros((len(overlaps), 2 * count)), np.zeros(len(overlaps)), np.ones(len(overlaps))
    for row, (older, newer, when, difference, sd) in enumerate(overlaps):
        if older not in place or newer not in place:
            message = f"An overlap names {older} and {newer}; the deployments are: {', '.join(labels)}."
            raise InputError(message)
        for name, sign in ((newer, 1.0), (older, -1.0)):
            extra[row, place[name]] = sign
            extra[row, count + place[name]] = sign * (when - middle[place[name]])
        extra_value[row], extra_sd[row] = difference, sd

    def solve(single: float) -> tuple[FloatArray, FloatArray]:
        # In units of the prior, so that a drift known to be zero (prior 0) stays zero.
        a = np.vstack([design / max(single, 1e-12), extra / extra_sd[:, None]]) * prior
        y = np.concatenate([values[good] / max(single, 1e-12), extra_value / extra_sd])
        inverse = np.linalg.inv(a.T @ a + np.eye(2 * count))
        return prior * (inverse @ (a.T @ y)), prior[:, None] * inverse * prior

    answer, covariance = solve(misfit_sd)
    free = design.shape[0] - len(set(which.tolist()))
    scatter = misfit_sd
    if free > 0:
        left = values[good] - design @ answer
        scatter = max(misfit_sd, float(np.sqrt((left @ left) / free)))
        answer, covariance = solve(scatter)
    return Referred(
        labels=labels,
        offset=answer[:count],
        drift=answer[count:],
        middle=middle,
        covariance=np.asarray(0.5 * (covariance + covariance.T)),
        bottles=np.bincount(which, minlength=count).astype(np.int64),
        scatter=scatter,
    )
