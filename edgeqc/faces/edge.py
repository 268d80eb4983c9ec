"""The true edge of a face along a coarse line, to a fraction of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from edgeqc.faces.frame import arc_length, resample
from edgeqc.quantity import FloatArray


@dataclass(frozen=True)
class EdgeSettings:
    """How an edge is sought across a coarse line.

    Parameters
    ----------
    window_px : tuple of int
        Lengths across the edge over which both sides are compared, in pixels.
    stiffness : float
        Cost of a step of one sample along the edge, in units of evidence.
    context_px : float
        Length along the edge over which the grey levels of both sides are pooled, in pixels.
    pool_px : int
        Readings pooled along the edge for one position, in pixels (odd).
    fit_reach_px : float
        Half-width of the profile that is fitted, in pixels.
    fit_window_px : float
        Length of edge over which the offset of the blurred edge is taken as constant, in pixels.
    """

    window_px: tuple[int, ...] = (2, 4, 8)
    stiffness: float = 0.6
    context_px: float = 40.0
    pool_px: int = 3
    fit_reach_px: float = 8.0
    fit_window_px: float = 200.0


@dataclass(frozen=True)
class Edge:
    """A refined edge.

    Parameters
    ----------
    points : (n, 2) float array
        Positions (row, col) at about one-pixel steps.
    u_px : (n,) float array
        Standard uncertainty of each position across the edge, in pixels.
    contrast : (n,) float array
        Evidence for the edge at each point, per sample: 0 where both sides are alike.
    """

    points: FloatArray
    u_px: FloatArray
    contrast: FloatArray


STEP_PX = 0.5
"""Spacing of samples across the edge in the fine pass."""

SLOPE = 3
"""Samples by which the path may move between neighbouring stations."""

SIGMAS_PX = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
RIMS_PX = (1.5, 3.0, 6.0, 12.0, 24.0)
"""Blur and decay length of the bright rim that are tried when a mean edge profile is fitted."""

SHIFTS_PX = np.arange(-2.5, 2.51, 0.1)
"""Offsets of the true edge from the path that are tried."""

TEXTURE_CORRELATION = 0.35
"""Independent readings per sample of a band: texture and blur correlate neighbours (ours, from
the ratio of scatter to expectation on drawn edges)."""


def refine_edge(
    pixels: NDArray[np.float32], line: FloatArray, outside: int, *, noise_sd: float,
    reach_px: float, settings: EdgeSettings,
) -> Edge:
    """Return the true edge near a coarse line.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        The picture.
    line : (n, 2) float array
        Coarse edge (row, col), an open polyline.
    outside : {-1, 1}
        On which side of the line, seen along it, the outside of the face lies: 1 where the normal
        (tangent col, -tangent row) points outside.
    noise_sd : float
        Standard deviation of the pixel noise.
    reach_px : float
        How far the line may be off, in pixels.
    settings : EdgeSettings
        How the edge is sought.

    Notes
    -----
    Two passes. Across the line, at each position, the grey levels on both sides are compared by
    the likelihood ratio of two normal distributions against one: it answers to a step, a rim or a
    change of texture alike, whatever the polarity, and noise counts in both. To this comes how
    well everything beyond the position agrees with the outside far from the face, so that the
    outer foot of a bright rim wins over its inner slope. The best path along the edge is found by
    dynamic programming with a cost on steps that is light enough to follow a real rough edge.
    Then the mean aligned profile is fitted by a step and an exponentially decaying rim, both
    blurred by one Gaussian: the true edge is where these begin, neither at the crest of the rim
    nor at the steepest slope. Each point is at last moved along its own profile by the matched
    filter of that model.
    """
    stiff = max(4.0, reach_px / 2)
    base = _smooth(resample(line, max(8, round(arc_length(line)[-1] / 2) + 1)), stiff / 2)
    coarse_step = max(1.0, reach_px / 24)
    path = _best_path(pixels, base, outside, noise_sd, coarse_step, reach_px, settings)
    found = _moved(base, outside, path)
    fine = _smooth(resample(found, max(16, round(arc_length(found)[-1]) + 1)), 4.0)
    reach = max(6.0, 2.5 * coarse_step + 3.0)
    path = _best_path(pixels, fine, outside, noise_sd, STEP_PX, reach, settings)
    return _fit_profiles(pixels, fine, outside, noise_sd, path, settings)


def _normals(line: FloatArray, outside: int) -> FloatArray:
    """Return unit normals of a polyline that point outside."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return outside * np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)


def _moved(line: FloatArray, outside: int, offset: FloatArray) -> FloatArray:
    """Return the line moved along its outward normals."""
    return np.asarray(line + _normals(line, outside) * offset[:, None])


def _smooth(line: FloatArray, sigma: float) -> FloatArray:
    """Return an open polyline smoothed along itself; its ends are continued by point reflection."""
    pad = min(line.shape[0] - 1, int(4 * sigma) + 1)
    before = 2 * line[0] - line[pad:0:-1]
    after = 2 * line[-1] - line[-2 : -pad - 2 : -1]
    padded = np.concatenate([before, line, after])
    smooth = cv2.GaussianBlur(padded, (1, 2 * pad + 1), sigmaX=0.1, sigmaY=sigma)
    return np.asarray(smooth[pad:-pad], float)


def _band(
    pixels: NDArray[np.float32], line: FloatArray, outside: int, offsets: FloatArray
) -> NDArray[np.float32]:
    """Return grey levels (stations, offsets) across a line; offsets grow outward."""
    normal = _normals(line, outside)
    at = (line[:, None, :] + normal[:, None, :] * offsets[None, :, None]).astype(np.float32)
    return np.asarray(cv2.remap(
        pixels, np.ascontiguousarray(at[..., 1]), np.ascontiguousarray(at[..., 0]),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _along(values: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """Return a running mean along the edge (first axis)."""
    if length <= 1:
        return values
    return np.asarray(cv2.blur(values, (1, length), borderType=cv2.BORDER_REFLECT_101))


def _best_path(
    pixels: NDArray[np.float32], line: FloatArray, outside: int, noise_sd: float,
    step: float, reach: float, settings: EdgeSettings,
) -> FloatArray:
    """Return the offset of the most likely edge from the line at each station, in pixels."""
    scale = max(1.0, step)
    source = pixels if scale < 1.5 else cv2.GaussianBlur(pixels, (0, 0), 0.4 * scale)
    window = max(settings.window_px)
    half = math.ceil(reach / step)
    pad = math.ceil(window * scale / step)
    offsets = np.arange(-half - pad, half + pad + 1) * step
    band = _band(source, line, outside, offsets)
    variance = (noise_sd / scale) ** 2 + 1e-7
    evidence = _two_sides(band, [round(w * scale / step) for w in settings.window_px], variance)
    pool = max(1, settings.pool_px)
    evidence = _along(evidence, pool)
    context = max(3, round(settings.context_px / max(1.0, arc_length(line)[-1] / line.shape[0])))
    region = _outside_fit(band, context, variance)
    total = (evidence + region) * step / scale * TEXTURE_CORRELATION
    total = total[:, pad : pad + 2 * half + 1]
    index = _trace(np.ascontiguousarray(total), settings.stiffness * min(1.0, step))
    return np.asarray(offsets[pad + index])


def _two_sides(
    band: NDArray[np.float32], windows: list[int], variance: float
) -> NDArray[np.float32]:
    """Return the log likelihood ratio of two normal sides against one, at each position."""
    level = np.zeros_like(band)
    for window in windows:
        mean, square = (
            cv2.blur(part, (window, 1), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)
            for part in (band, band * band))
        spread = np.maximum(square - mean * mean, 0) + variance
        # samples j+1 .. j+w lie outside position j, samples j-w .. j-1 inside
        out_mean, out_var = (np.roll(part, -1, axis=1) for part in (mean, spread))
        in_mean, in_var = (np.roll(part, window, axis=1) for part in (mean, spread))
        pooled = (out_var + in_var) / 2 + (out_mean - in_mean) ** 2 / 4
        ratio = window * (np.log(pooled) - 0.5 * np.log(out_var) - 0.5 * np.log(in_var))
        ratio[:, :window] = 0
        ratio[:, -window - 1 :] = 0
        level += ratio
    return np.asarray(level / len(windows), np.float32)


def _outside_fit(band: NDArray[np.float32], context: int, variance: float) -> NDArray[np.float32]:
    """Return how well all beyond a position fits the outside, and all within it the inside."""
    n = band.shape[1]
    third = n // 4
    stats = []
    for part in (band[:, -third:], band[:, :third]):
        mean = _along(cv2.reduce(part, 1, cv2.REDUCE_AVG), context)
        square = _along(cv2.reduce(part * part, 1, cv2.REDUCE_AVG), context)
        stats.append((mean, np.maximum(square - mean * mean, 0) + variance))
    (out_mean, out_var), (in_mean, in_var) = stats
    log_out = -0.5 * (np.log(out_var) + (band - out_mean) ** 2 / out_var)
    log_in = -0.5 * (np.log(in_var) + (band - in_mean) ** 2 / in_var)
    ratio = np.clip(log_out - log_in, -2.0, 2.0)
    return np.asarray(ratio.sum(axis=1, keepdims=True) - 2 * np.cumsum(ratio, axis=1), np.float32)


def _trace(evidence: NDArray[np.float32], stiffness: float) -> NDArray[np.intp]:
    """Return the path of greatest evidence less the cost of its steps (exact, Viterbi)."""
    n, width = evidence.shape
    cost = stiffness * np.arange(-SLOPE, SLOPE + 1, dtype=np.float32) ** 2
    best = evidence[0].copy()
    origin = np.empty((n, width), np.int8)
    padded = np.full((width + 2 * SLOPE,), -np.inf, np.float32)
    choices = np.lib.stride_tricks.sliding_window_view(padded, width)
    columns = np.arange(width)
    for i in range(1, n):
        padded[SLOPE : SLOPE + width] = best
        option = choices - cost[:, None]
        pick = option.argmax(axis=0)
        origin[i] = pick - SLOPE
        best = option[pick, columns] + evidence[i]
    path = np.empty(n, np.intp)
    path[-1] = int(best.argmax())
    for i in range(n - 1, 0, -1):
        path[i - 1] = path[i] + origin[i, path[i]]
    return path


def _model_terms(z: FloatArray, sigma: float, rim: float) -> FloatArray:
    """Return background, blurred step and blurred rim at depth z inside the edge: (3, n)."""
    step = ndtr(z / sigma)
    lift = np.exp(np.minimum(sigma**2 / (2 * rim**2) - z / rim, 50.0))
    return np.stack([np.ones_like(z), step, lift * ndtr(z / sigma - sigma / rim)])


def _shift_basis(z: FloatArray, sigma: float, rim: float) -> FloatArray:
    """Return orthonormal bases (shifts, n, 3) of the edge model for every trial shift."""
    terms = np.stack([_model_terms(z - shift, sigma, rim).T for shift in SHIFTS_PX])
    return np.asarray(np.linalg.qr(terms)[0])


def _fit_profiles(
    pixels: NDArray[np.float32], line: FloatArray, outside: int, noise_sd: float,
    path: FloatArray, settings: EdgeSettings,
) -> Edge:
    """Return the edge from the model fit of profiles aligned on the path."""
    z = np.arange(-settings.fit_reach_px, settings.fit_reach_px + 1e-9, STEP_PX)
    offset = path.astype(float)
    normal = _normals(line, outside)
    for _ in range(2):
        band = _aligned(pixels, line, normal, offset, z)
        count = max(1, round(line.shape[0] / settings.fit_window_px))
        weight, centres = _windows(line.shape[0], count)
        mean = weight @ band / weight.sum(axis=1, keepdims=True)
        sigma, rim = _blur_and_rim(mean, z)
        basis = _shift_basis(z, sigma, rim)
        left = (mean**2).sum(axis=1)[:, None] - (
            np.einsum("wn,snk->wsk", mean, basis) ** 2).sum(axis=2)
        shift = np.array([_vertex(row) for row in left])
        shift = np.interp(np.arange(line.shape[0]), centres, shift)
        # z grows inward and the offset outward
        offset = offset - shift
        offset, u, contrast = _matched(
            _aligned(pixels, line, normal, offset, z), z, offset, noise_sd, settings)
    points = line + normal * offset[:, None]
    return Edge(points, u, contrast)


def _aligned(
    pixels: NDArray[np.float32], line: FloatArray, normal: FloatArray, offset: FloatArray,
    z: FloatArray,
) -> NDArray[np.float64]:
    """Return profiles (stations, z) with z = 0 on the present edge, z growing inward."""
    across = offset[:, None] - z[None, :]
    at = (line[:, None, :] + normal[:, None, :] * across[..., None]).astype(np.float32)
    band = cv2.remap(
        pixels, np.ascontiguousarray(at[..., 1]), np.ascontiguousarray(at[..., 0]),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(band, np.float64)


def _windows(n: int, count: int) -> tuple[FloatArray, FloatArray]:
    """Return overlapping triangular weights (count, n) along the edge, and their centres."""
    centres = (np.arange(count) + 0.5) * n / count
    width = n / count
    weight = np.maximum(0.0, 1 - np.abs(np.arange(n)[None, :] - centres[:, None]) / width)
    return weight, centres


def _blur_and_rim(mean: FloatArray, z: FloatArray) -> tuple[float, float]:
    """Return the blur and rim decay that fit the mean profiles of an edge best."""
    best, found = np.inf, (1.0, 6.0)
    power = (mean**2).sum(axis=1)[:, None]
    for sigma in SIGMAS_PX:
        for rim in RIMS_PX:
            basis = _shift_basis(z, sigma, rim)
            left = power - (np.einsum("wn,snk->wsk", mean, basis) ** 2).sum(axis=2)
            rest = float(left.min(axis=1).sum())
            if rest < best:
                best, found = rest, (sigma, rim)
    return found


def _vertex(misfit: FloatArray) -> float:
    """Return the trial shift of least misfit, interpolated by a parabola."""
    i = int(np.argmin(misfit))
    if not 0 < i < misfit.size - 1:
        return 0.0  # no minimum inside the range: the profile shows no edge to shift to
    a, b, c = misfit[i - 1 : i + 2]
    bend = a - 2 * b + c
    step = SHIFTS_PX[1] - SHIFTS_PX[0]
    return float(SHIFTS_PX[i] + (0.5 * (a - c) / bend if bend > 0 else 0.0) * step)


def _matched(
    band: FloatArray, z: FloatArray, offset: FloatArray, noise_sd: float, settings: EdgeSettings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return offsets moved along their own profiles, their doubt and the contrast.

    Each profile is compared with the local mean profile, weighted by the scatter at each depth,
    and moved by the shift that its slope explains. A prior of one pixel about the path keeps
    points without contrast from wandering.
    """
    pool = settings.pool_px
    context = max(9, round(settings.fit_window_px / 2)) | 1
    local = np.asarray(_along(np.ascontiguousarray(band), context))
    pooled = np.asarray(_along(np.ascontiguousarray(band), pool))
    scatter = np.asarray(_along((pooled - local) ** 2, context)) + noise_sd**2 / pool / 2 + 1e-8
    slope = np.gradient(local, z, axis=1)
    near = np.exp(-0.5 * (z / 4.0) ** 2)
    information = (near * slope**2 / scatter).sum(axis=1) * TEXTURE_CORRELATION
    pull = (near * slope * (pooled - local) / scatter).sum(axis=1) * TEXTURE_CORRELATION
    # a profile that lies deeper (shifted by +d in z) differs from the mean by -d times its slope
    shift = np.clip(-pull / (information + 1.0), -1.5, 1.5)
    moved = offset - shift
    u = np.sqrt(1.0 / (information + 1.0))
    return moved, u, np.sqrt(information)
