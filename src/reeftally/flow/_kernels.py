"""Compiled loops of the velocimeter path.

Here:     order statistics, running filters, phase-space passes, gap filling, cross-spectral sums.
Not here: choices (which method, which threshold) and messages: they live in the modules that call these.
Rules:    arrays in, arrays out or filled in place when the name says so; no allocation per sample.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from reeftally._checks import FloatArray

__all__ = [
    "absolute_median",
    "coherent_band",
    "cross_sums",
    "despike_component",
    "detrended",
    "fill_gaps",
    "gaps_of",
    "phase_space_pass",
    "robust_low_pass",
    "speed_power_means",
    "straight_fill",
    "tapered_segments",
]

BoolArray = npt.NDArray[np.bool_]
_jit = njit(cache=True, error_model="numpy", nogil=True)


@_jit
def absolute_median(values: FloatArray, low: Any, counts: Any, pool: Any) -> float:
    """Median of |values| to single precision, by one histogram pass over the float bit pattern.

    `low` (float32, n), `counts` (int64, 4096) and `pool` (float32, n) are scratch. The order of
    non-negative floats equals the order of their bits, so the top 12 bits find the bucket and
    only its few members are sorted: about five times quicker than a partition of the whole.
    """
    n = values.size
    for i in range(n):
        low[i] = abs(values[i])
    bits = low.view(np.uint32)
    counts[:] = 0
    for i in range(n):
        counts[bits[i] >> 19] += 1
    target = (n - 1) // 2
    seen = 0
    bucket = 0
    for k in range(counts.size):
        if seen + counts[k] > target:
            bucket = k
            break
        seen += counts[k]
    m = 0
    for i in range(n):
        if bits[i] >> 19 == bucket:
            pool[m] = low[i]
            m += 1
    members = np.sort(pool[:m])
    first = members[target - seen]
    if n % 2 == 1:
        return float(first)
    if target - seen + 1 < m:
        return 0.5 * (float(first) + float(members[target - seen + 1]))
    # The upper middle value is the smallest one above this bucket.
    upper = np.inf
    for i in range(n):
        if bits[i] >> 19 > bucket and low[i] < upper:
            upper = low[i]
    return 0.5 * (float(first) + upper)


@_jit
def _median_of_five(a: float, b: float, c: float, d: float, e: float) -> float:
    lo1, hi1 = min(a, b), max(a, b)
    lo2, hi2 = min(c, d), max(c, d)
    low = max(lo1, lo2)
    high = min(hi1, hi2)
    # The median of five is the median of e and the two middle candidates.
    return max(min(low, high), min(max(low, high), e))


@_jit
def robust_low_pass(values: FloatArray, half: int, middle: FloatArray, out: FloatArray) -> None:
    """Fill `out` with the running mean over 2*half+1 samples of the running median of five.

    The median keeps isolated spikes of one or two samples out of the mean. At the ends the
    window shrinks. `middle` is scratch.
    """
    n = values.size
    for i in range(2, n - 2):
        middle[i] = _median_of_five(values[i - 2], values[i - 1], values[i + 1], values[i + 2], values[i])
    for i in (0, 1, n - 2, n - 1):
        middle[i] = values[i]
    total = 0.0
    for i in range(min(half, n)):
        total += middle[i]
    left, right = 0, min(half, n)
    for i in range(n):
        if i + half < n:
            total += middle[i + half]
            right = i + half + 1
        if i - half > 0:
            total -= middle[i - half - 1]
            left = i - half
        out[i] = total / (right - left)


@_jit
def straight_fill(values: FloatArray, bad: BoolArray) -> None:
    """Replace bad samples in place by the straight line between good neighbours (held at the ends)."""
    n = values.size
    i = 0
    last = -1
    while i < n:
        if not bad[i]:
            last = i
            i += 1
            continue
        j = i
        while j < n and bad[j]:
            j += 1
        if last < 0 and j >= n:
            return
        for k in range(i, j):
            if last < 0:
                values[k] = values[j]
            elif j >= n:
                values[k] = values[last]
            else:
                values[k] = values[last] + (values[j] - values[last]) * (k - last) / (j - last)
        i = j


@_jit
def phase_space_pass(
    residual: FloatArray,
    check: BoolArray,
    scales: FloatArray,
    theta: float,
    threshold: float,
    protect: float,
    kind: int,
    near: int,
    found: BoolArray,
) -> int:
    """Mark in `found` the samples outside the phase-space ellipsoid; return how many.

    kind 0: three projections (Goring and Nikora 2002); 1: one ellipsoid with the axes of their
    equation pair (Wahl 2003); 2: one ellipsoid with principal axes lambda*s (Mori et al. 2007).
    A sample outside is taken only if it deviates by more than `protect` scales itself and by at
    least half of the largest deviation among its neighbours out to `near` samples: the differences
    of a good sample beside a spike, and its distance from the running mean, are large only because
    of the spike, and are judged again once it is gone.
    """
    n = residual.size
    s0, s1, s2 = scales[0], scales[1], scales[2]
    c, s = np.cos(theta), np.sin(theta)
    cc, ss = c * c, s * s
    det = cc * cc - ss * ss
    a2 = -1.0
    b2 = -1.0
    if abs(det) > 1e-6:
        a2 = (s0 * s0 * cc - s2 * s2 * ss) / det
        b2 = (s2 * s2 * cc - s0 * s0 * ss) / det
    # A real but very thin ellipse is as useless as an imaginary one.
    if kind == 2 or a2 <= 0.0 or b2 <= 0.1 * s2 * s2:
        a2 = s0 * s0
        b2 = s2 * s2
    lam2 = threshold * threshold
    count = 0
    for i in range(n):
        found[i] = False
        if not check[i]:
            continue
        m1 = residual[max(i - 1, 0)]
        p1 = residual[min(i + 1, n - 1)]
        m2 = residual[max(i - 2, 0)]
        p2 = residual[min(i + 2, n - 1)]
        x = residual[i]
        d1 = 0.5 * (p1 - m1)
        d2 = 0.25 * (p2 - 2.0 * x + m2)
        along = c * x + s * d2
        across = c * d2 - s * x
        tilted = along * along / a2 + across * across / b2
        if kind == 0:
            r1 = x * x / (s0 * s0) + d1 * d1 / (s1 * s1)
            r2 = d1 * d1 / (s1 * s1) + d2 * d2 / (s2 * s2)
            distance = max(tilted, r1, r2)
        else:
            distance = tilted + d1 * d1 / (s1 * s1)
        if distance <= lam2:
            continue
        size = abs(x)
        if size < protect * s0:
            continue
        largest = 0.0
        for k in range(max(i - near, 0), min(i + near + 1, n)):
            largest = max(largest, abs(residual[k]))
        if size < 0.5 * largest:
            continue
        found[i] = True
        count += 1
    return count


@_jit
def differences_scales(
    residual: FloatArray,
    d1: FloatArray,
    d2: FloatArray,
    low: Any,
    counts: Any,
    pool: Any,
    robust: bool,
    scales: FloatArray,
) -> float:
    """Fill `scales` with 1.4826 median|.| of the residual and its two differences; return theta.

    With `robust`, theta comes from samples within three scales: large spikes would turn the
    ellipse to their own slope, where it can become so thin that good samples fall outside.
    """
    n = residual.size
    for i in range(n):
        m1 = residual[max(i - 1, 0)]
        p1 = residual[min(i + 1, n - 1)]
        m2 = residual[max(i - 2, 0)]
        p2 = residual[min(i + 2, n - 1)]
        d1[i] = 0.5 * (p1 - m1)
        d2[i] = 0.25 * (p2 - 2.0 * residual[i] + m2)
    scales[0] = 1.4826 * absolute_median(residual, low, counts, pool)
    scales[1] = 1.4826 * absolute_median(d1, low, counts, pool)
    scales[2] = 1.4826 * absolute_median(d2, low, counts, pool)
    sum_xd = 0.0
    sum_xx = 0.0
    for i in range(n):
        x = residual[i]
        if robust and (abs(x) > 3.0 * scales[0] or abs(d2[i]) > 3.0 * scales[2]):
            continue
        sum_xd += x * d2[i]
        sum_xx += x * x
    if sum_xx <= 0.0:
        return 0.0
    return float(np.arctan(sum_xd / sum_xx))


@_jit
def plain_scales(residual: FloatArray, d1: FloatArray, d2: FloatArray, scales: FloatArray) -> None:
    """Fill `scales` with the standard deviations of the residual and its differences (method of 2002)."""
    n = residual.size
    for k in range(3):
        total = 0.0
        mean = 0.0
        for i in range(n):
            value = residual[i] if k == 0 else (d1[i] if k == 1 else d2[i])
            mean += value
        mean /= n
        for i in range(n):
            value = residual[i] if k == 0 else (d1[i] if k == 1 else d2[i])
            total += (value - mean) ** 2
        scales[k] = np.sqrt(total / max(n - 1, 1))


@_jit
def despike_component(
    work: FloatArray,
    bad: BoolArray,
    half: int,
    kind: int,
    robust: bool,
    threshold: float,
    protect: float,
    most: int,
) -> int:
    """Despike `work` in place (bad samples on a straight line), add to `bad`; return the passes made.

    Passes one and two look at every sample and set the scales; later ones look only where the
    series has changed, since elsewhere nothing can have. half < 0: no high-pass, median removed.
    """
    n = work.size
    low = np.empty(n)
    middle = np.empty(n)
    residual = np.empty(n)
    d1 = np.empty(n)
    d2 = np.empty(n)
    small = np.empty(n, np.float32)
    pool = np.empty(n, np.float32)
    counts = np.zeros(4096, np.int64)
    scales = np.zeros(3)
    check = np.ones(n, np.bool_)
    found = np.zeros(n, np.bool_)
    theta = 0.0
    reach = max(half, 0) + 4
    straight_fill(work, bad)
    for step in range(most):
        if half >= 0:
            robust_low_pass(work, half, middle, low)
            for i in range(n):
                residual[i] = work[i] - low[i]
        else:
            centre = np.median(work)
            for i in range(n):
                residual[i] = work[i] - centre
        if step < 2 or not robust:
            theta = differences_scales(residual, d1, d2, small, counts, pool, robust, scales)
            if not robust:
                plain_scales(residual, d1, d2, scales)
            if not (scales[0] > 0.0 and scales[1] > 0.0 and scales[2] > 0.0):
                return step
            check[:] = True
        taken = phase_space_pass(residual, check, scales, theta, threshold, protect, kind, max(half, 0) + 2, found)
        new = 0
        if taken > 0:
            for i in range(n):
                if found[i] and not bad[i]:
                    bad[i] = True
                    new += 1
        if new == 0:
            return step + 1
        straight_fill(work, bad)
        if robust and step >= 1:
            check[:] = False
            for i in range(n):
                if found[i]:
                    for k in range(max(i - reach, 0), min(i + reach + 1, n)):
                        check[k] = True
    return most


@_jit
def gaps_of(bad: BoolArray) -> npt.NDArray[np.int64]:
    """Return start and length of every run of bad samples, shape (runs, 2)."""
    n = bad.size
    runs = 0
    for i in range(n):
        if bad[i] and (i == 0 or not bad[i - 1]):
            runs += 1
    out = np.empty((runs, 2), np.int64)
    k = -1
    for i in range(n):
        if bad[i]:
            if i == 0 or not bad[i - 1]:
                k += 1
                out[k, 0] = i
                out[k, 1] = 0
            out[k, 1] += 1
    return out


@_jit
def _cubic_gap(values: FloatArray, bad: BoolArray, start: int, length: int, side: int) -> None:
    """Replace one gap in place by a least-squares cubic through `side` good samples on each side."""
    n = values.size
    centre = start + 0.5 * (length - 1)
    span = side + 0.5 * length
    normal = np.zeros((4, 4))
    right = np.zeros(4)
    power = np.empty(4)
    used = 0
    for i in range(max(start - side, 0), min(start + length + side, n)):
        if bad[i]:
            continue
        t = (i - centre) / span
        power[0] = 1.0
        for k in range(1, 4):
            power[k] = power[k - 1] * t
        for a in range(4):
            right[a] += power[a] * values[i]
            for b in range(4):
                normal[a, b] += power[a] * power[b]
        used += 1
    if used < 8:
        return
    answer = np.linalg.solve(normal, right)
    for i in range(start, start + length):
        t = (i - centre) / span
        values[i] = answer[0] + t * (answer[1] + t * (answer[2] + t * answer[3]))


@_jit
def fill_gaps(values: FloatArray, bad: BoolArray, longest: int, cubic_up_to: int) -> int:
    """Fill gaps in place: cubic up to `cubic_up_to` samples, straight up to `longest`, NaN beyond.

    Return the number of samples left missing. Gaps at the two ends are never filled.
    """
    n = values.size
    runs = gaps_of(bad)
    straight_fill(values, bad)
    left = 0
    for r in range(runs.shape[0]):
        start, length = runs[r, 0], runs[r, 1]
        if length > longest or start == 0 or start + length >= n:
            for i in range(start, start + length):
                values[i] = np.nan
            left += length
        elif length <= cubic_up_to:
            _cubic_gap(values, bad, start, length, 12)
    return left


@_jit
def cross_sums(transforms: Any, out: Any) -> None:
    """Sum over segments of X_a conj(X_b): transforms (channels, segments, f) into out (channels, channels, f)."""
    channels, segments, bins = transforms.shape
    for a in range(channels):
        for b in range(a, channels):
            for f in range(bins):
                out[a, b, f] = 0.0
            for s in range(segments):
                for f in range(bins):
                    out[a, b, f] += transforms[a, s, f] * np.conj(transforms[b, s, f])
            if a != b:
                for f in range(bins):
                    out[b, a, f] = np.conj(out[a, b, f])


@_jit
def detrended(series: FloatArray, good: BoolArray) -> FloatArray:
    """Return rows (c, n) less the straight line through their good samples; 0 at bad ones.

    Written out, not as matrix products: those would be split over threads, and their last bits
    would depend on how many there are.
    """
    rows, n = series.shape
    out = np.zeros((rows, n))
    number = 0
    centre = 0.0
    for i in range(n):
        if good[i]:
            number += 1
            centre += i
    centre /= number
    spread = 0.0
    for i in range(n):
        if good[i]:
            spread += (i - centre) ** 2
    for c in range(rows):
        total = 0.0
        lean = 0.0
        for i in range(n):
            if good[i]:
                total += series[c, i]
                lean += (i - centre) * series[c, i]
        mean = total / number
        slope = lean / spread
        for i in range(n):
            if good[i]:
                out[c, i] = series[c, i] - mean - slope * (i - centre)
    return out


@_jit
def tapered_segments(series: FloatArray, step: int, taper: FloatArray, linear: bool) -> FloatArray:
    """Return the complete segments of rows (c, n), less mean or line, times `taper`; shape (c, s, length)."""
    rows, n = series.shape
    length = taper.size
    count = (n - length) // step + 1
    out = np.empty((rows, count, length))
    middle = 0.5 * (length - 1)
    spread = 0.0
    for i in range(length):
        spread += (i - middle) ** 2
    used = 0
    for k in range(count):
        first = k * step
        whole = True
        for c in range(rows):
            total = 0.0
            lean = 0.0
            for i in range(length):
                value = series[c, first + i]
                total += value
                lean += (i - middle) * value
            if not np.isfinite(total):
                whole = False
                break
            mean = total / length
            slope = lean / spread if linear else 0.0
            for i in range(length):
                out[c, used, i] = (series[c, first + i] - mean - slope * (i - middle)) * taper[i]
        if whole:
            used += 1
    return out[:, :used]


@_jit
def coherent_band(signals: Any, references: Any, first: int, last: int, work: Any) -> int:
    """Take off in place, from `signals` (s, f), the part coherent with `references` in bins first to last.

    Least squares by orthogonal steps; a reference that the others already hold adds nothing. `work`
    is scratch of the shape of `references`. Returns the references used.
    """
    used = 0
    for r in range(references.shape[0]):
        before = 0.0
        for f in range(first, last):
            work[r, f] = references[r, f]
            before += abs(work[r, f]) ** 2
        for q in range(r):
            size = 0.0
            dot = 0.0 + 0.0j
            for f in range(first, last):
                size += abs(work[q, f]) ** 2
                dot += work[r, f] * np.conj(work[q, f])
            if size > 0.0:
                for f in range(first, last):
                    work[r, f] -= dot / size * work[q, f]
        left = 0.0
        for f in range(first, last):
            left += abs(work[r, f]) ** 2
        if left <= 1e-10 * before or left == 0.0:
            for f in range(first, last):
                work[r, f] = 0.0
            continue
        used += 1
        for s in range(signals.shape[0]):
            dot = 0.0 + 0.0j
            for f in range(first, last):
                dot += signals[s, f] * np.conj(work[r, f])
            for f in range(first, last):
                signals[s, f] -= dot / left * work[r, f]
    number = last - first
    if used > 0:
        scale = np.sqrt(number / (number - used))
        for s in range(signals.shape[0]):
            for f in range(first, last):
                signals[s, f] *= scale
    return used


@_jit
def speed_power_means(u: FloatArray, v: FloatArray, w: FloatArray, block: int) -> FloatArray:
    """Return mean of |V|^(2/3), |V|^(4/3), |V| and |V|^2 over block means of complete blocks, and their count.

    Block means leave out most of the sensor's noise, which would add to the speed.
    """
    totals = np.zeros(5)
    for start in range(0, u.size - block + 1, block):
        a = 0.0
        b = 0.0
        c = 0.0
        for i in range(start, start + block):
            a += u[i]
            b += v[i]
            c += w[i]
        square = (a * a + b * b + c * c) / (block * block)
        if np.isfinite(square):
            root = np.cbrt(square)
            totals[0] += root
            totals[1] += root * root
            totals[2] += np.sqrt(square)
            totals[3] += square
            totals[4] += 1.0
    for k in range(4):
        totals[k] /= totals[4]
    return totals
