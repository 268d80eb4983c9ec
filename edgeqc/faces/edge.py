"""The true edge of a face along a coarse line, to a fraction of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.best_path import Search, together
from edgeqc.faces.edge_fit import Edge, EdgeBand, EdgeSettings, fit_edge
from edgeqc.faces.frame import arc_length, resample
from edgeqc.quantity import FloatArray

TEXTURE_CORRELATION = 0.35
"""Independent readings per sample of a band: texture and blur correlate neighbours (ours, from
the ratio of scatter to expectation on drawn edges)."""

OUTSIDE_WEIGHT = 0.6
"""Weight of the agreement with the far outside beside the change at the edge itself (ours: between
0.2 and 1 the result hardly moves)."""


def refine_edge(
    pixels: NDArray[np.float32], line: FloatArray, outside: int, *, noise_sd: float,
    reach_px: float, settings: EdgeSettings,
) -> Edge:
    """Return the true edge near a coarse line; see ``edge_search``."""
    search = edge_search(
        pixels, line, outside, noise_sd=noise_sd, reach_px=reach_px, settings=settings)
    return together([search])[0]


def edge_search(
    pixels: NDArray[np.float32], line: FloatArray, outside: int, *, noise_sd: float,
    reach_px: float, settings: EdgeSettings,
) -> Search[Edge]:
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
    base = _smooth(resample(line, max(8, round(arc_length(line)[-1] / 2) + 1)), reach_px / 4)
    for pool_px, reach in zip(settings.pools_px, (reach_px, 0.6 * reach_px), strict=False):
        step = max(0.75, reach / 24)
        path = yield from _best_path(
            pixels, base, outside, noise_sd, _Pass(step, reach, pool_px), settings)
        found = _moved(base, outside, path)
        base = _smooth(found, max(2.0, pool_px / 4))
    fine = _smooth(resample(found, max(16, round(arc_length(found)[-1]) + 1)), 4.0)
    edge = yield from fit_edge(
        EdgeBand(pixels, fine, normals(fine, outside), noise_sd), settings)
    return edge


@dataclass(frozen=True)
class _Pass:
    """One search: spacing and reach across the line, and pooling along it, in pixels."""

    step: float
    reach: float
    pool: float


def normals(line: FloatArray, outside: int) -> FloatArray:
    """Return unit normals of a polyline that point outside."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return outside * np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)


def _moved(line: FloatArray, outside: int, offset: FloatArray) -> FloatArray:
    """Return the line moved along its outward normals."""
    return np.asarray(line + normals(line, outside) * offset[:, None])


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
    normal = normals(line, outside)
    row, col = (
        (line[:, None, axis] + normal[:, None, axis] * offsets[None, :]).astype(np.float32)
        for axis in (0, 1))
    return np.asarray(cv2.remap(
        pixels, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _along(values: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """Return a running mean along the edge (first axis)."""
    if length <= 1:
        return values
    return np.asarray(cv2.blur(values, (1, length), borderType=cv2.BORDER_REFLECT_101))


def _best_path(
    pixels: NDArray[np.float32], line: FloatArray, outside: int, noise_sd: float,
    how: _Pass, settings: EdgeSettings,
) -> Search[FloatArray]:
    """Return the offset of the most likely edge from the line at each station, in pixels."""
    scale = max(1.0, how.step)
    source = pixels if scale < 1.5 else np.asarray(
        cv2.GaussianBlur(pixels, (0, 0), 0.4 * scale), np.float32)
    half = math.ceil(how.reach / how.step)
    pad = math.ceil(max(settings.window_px) * scale / how.step)
    offsets = np.asarray(np.arange(-half - pad, half + pad + 1) * how.step, float)
    band = _band(source, line, outside, offsets)
    variance = (noise_sd / scale) ** 2 + 1e-7
    spacing = arc_length(line)[-1] / (line.shape[0] - 1)
    windows = [round(w * scale / how.step) for w in settings.window_px]
    pool = max(1, round(how.pool / spacing))
    # single profiles show a change of texture, pooled ones a step far below the noise
    evidence = _along(_two_sides(band, windows, variance), pool) + _two_sides(
        _along(band, pool), windows, variance / pool) / pool
    region = _outside_fit(band, max(3, round(settings.context_px / spacing)), variance)
    total = (evidence + OUTSIDE_WEIGHT * region) * how.step / scale * TEXTURE_CORRELATION
    total = _along(np.asarray(total, np.float32), pool)
    total = total[:, pad : pad + 2 * half + 1] * spacing
    total -= np.float32(0.5 * spacing / settings.trust_px) * (
        offsets[pad : pad + 2 * half + 1] / how.reach * 2).astype(np.float32) ** 2
    # a step of the path is a slope: the same slope costs the same at any spacing
    stiffness = settings.stiffness * (how.step / spacing) ** 2 * spacing * max(1.0, how.pool / 6)
    index = yield np.ascontiguousarray(total), stiffness
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
        last = band.shape[1] - window
        if last - 1 <= window:
            continue
        out_mean, out_var = (part[:, window + 1 : last] for part in (mean, spread))
        in_mean, in_var = (part[:, : last - window - 1] for part in (mean, spread))
        pooled = (out_var + in_var) / 2 + (out_mean - in_mean) ** 2 / 4
        ratio = window * (np.log(pooled) - 0.5 * np.log(out_var) - 0.5 * np.log(in_var))
        level[:, window : last - 1] += ratio
    return np.asarray(level / len(windows), np.float32)


def _outside_fit(band: NDArray[np.float32], context: int, variance: float) -> NDArray[np.float32]:
    """Return how well all beyond a position fits the outside, and all within it the inside."""
    n = band.shape[1]
    third = n // 4
    stats = []
    for part in (band[:, -third:], band[:, :third]):
        mean = _along(part.mean(axis=1, keepdims=True), context)
        square = _along((part * part).mean(axis=1, keepdims=True), context)
        stats.append((mean, np.maximum(square - mean * mean, 0) + variance))
    (out_mean, out_var), (in_mean, in_var) = stats
    log_out = -0.5 * (np.log(out_var) + (band - out_mean) ** 2 / out_var)
    log_in = -0.5 * (np.log(in_var) + (band - in_mean) ** 2 / in_var)
    ratio = np.clip(log_out - log_in, -2.0, 2.0)
    return np.asarray(ratio.sum(axis=1, keepdims=True) - 2 * np.cumsum(ratio, axis=1), np.float32)
