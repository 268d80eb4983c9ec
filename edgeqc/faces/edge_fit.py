"""The position of an edge on every profile across it, from the edge's own mean profile."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.special import ndtr

from edgeqc.faces.best_path import Search
from edgeqc.quantity import BoolArray, FloatArray


@dataclass(frozen=True)
class EdgeSettings:
    """How an edge is sought across a coarse line.

    Parameters
    ----------
    window_px : tuple of int
        Lengths across the edge over which both sides are compared, in pixels.
    stiffness : float
        Cost of slope in the first searches.
    context_px : float
        Length along the edge over which the grey levels of both sides are pooled, in pixels.
    pools_px : tuple of float
        Lengths along the edge that are pooled in the first searches, in pixels: they find where
        the edge runs on the whole; the last search follows its roughness.
    last_reach_px : float
        How far the last search may leave the line found before, in pixels.
    trust_px : float
        Length of edge whose evidence outweighs the coarse line's, in pixels.
    slope_sd : float
        Expected slope of a rough edge against its run (standard deviation, pixel to pixel).
    fit_window_px : float
        Length of edge over which the mean profile is taken as one, in pixels.
    """

    window_px: tuple[int, ...] = (2, 4, 8)
    stiffness: float = 0.6
    context_px: float = 60.0
    pools_px: tuple[float, ...] = (24.0, 8.0)
    last_reach_px: float = 7.0
    trust_px: float = 4.0
    slope_sd: float = 0.5
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
    """

    points: FloatArray
    u_px: FloatArray


@dataclass(frozen=True)
class EdgeBand:
    """A picture and a line in it, near which an edge runs.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        The picture.
    line : (n, 2) float array
        Points (row, col) at one-pixel steps.
    normal : (n, 2) float array
        Unit normals that point outside.
    noise_sd : float
        Standard deviation of the pixel noise.
    """

    pixels: NDArray[np.float32]
    line: FloatArray
    normal: FloatArray
    noise_sd: float

    def profiles(self, offset: FloatArray, z: FloatArray) -> NDArray[np.float32]:
        """Return grey levels (n, z) at depth z inside an edge that lies ``offset`` outside."""
        across = offset[:, None] - z[None, :]
        row, col = (
            (self.line[:, None, axis] + self.normal[:, None, axis] * across).astype(np.float32)
            for axis in (0, 1))
        return np.asarray(cv2.remap(
            self.pixels, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


STEP_PX = 0.5
"""Spacing of samples across the edge."""

SIGMAS_PX = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6)
RIMS_PX = (1.5, 3.0, 6.0, 12.0, 24.0)
"""Blur and decay length of the bright rim that are tried when a mean edge profile is fitted."""

SHIFTS_PX = np.arange(-3.0, 3.01, 0.1)
"""Offsets of the true edge from the path that are tried."""

WIDE_PX = np.arange(-16.0, 16.01, STEP_PX)
"""Depths of the profile on which blur and rim are judged."""

PROFILE_NOISE, RIM_HEIGHT, HALO_HEIGHT = 0.05, 2.0, 0.4
"""Least error of a mean profile, and expected heights of rim and halo, in units of the profile's
own standard deviation (a step has about 2)."""

MODEL_U_PX = 0.15
"""Doubt of the edge model itself, in pixels, plus a tenth of the blur (ours: scatter of the mean
offset over edges drawn with rims, haloes and rounding)."""


POSTERIOR_WIDENING = 1.7
"""Real scatter over posterior scatter: the mean profile is itself estimated, and texture is not
normal (ours, from drawn edges of all kinds)."""


def fit_edge(band: EdgeBand, settings: EdgeSettings) -> Search[Edge]:
    """Return the edge from the mean profile and each profile's likelihood under it.

    Parameters
    ----------
    band : EdgeBand
        The picture and a line that runs along the edge on the whole.
    settings : EdgeSettings
        How the edge is sought.

    Notes
    -----
    Profiles are aligned on the present path; their local mean m(z) and scatter v(z) (noise and
    texture) are the edge's own model. A shift d of one profile has the log likelihood
    -½ Σ (I(z + d) - m(z))²/v(z), divided by the number of samples that texture makes dependent
    (the area of correlation of the residuals), and the best path under a normal prior on its slope
    is found by dynamic programming. Twice round; then the mean profile is fitted by a step and a
    rim that decays exponentially to the inside (and one to the outside: a halo), all blurred by
    one Gaussian. The true edge is where these begin: neither the crest of the rim nor the steepest
    slope. At last each position is refined below the sample spacing by the posterior mean, which
    also yields its standard deviation.
    """
    n = band.line.shape[0]
    offset = np.zeros(n)
    z = np.arange(-6.0, 6.01, STEP_PX)
    reach = settings.last_reach_px
    for _ in range(2):
        level, dependent = _likelihood(band, offset, z, reach, settings)
        prior = 0.5 * (STEP_PX / settings.slope_sd) ** 2
        index = yield level / np.float32(dependent), prior
        offset = offset + (index - (level.shape[1] - 1) / 2) * STEP_PX
        reach = settings.last_reach_px / 2
    for _ in range(2):
        shift, blur = _model_shift(band, offset, settings)
        offset = offset - shift  # z grows inward, the offset outward
    level, dependent = _likelihood(band, offset, z, 1.5, settings)
    correction, u = _posterior(np.asarray(level, float) / dependent, settings)
    # the local mean has the model's offset in it already: only the differences count
    offset = offset + correction - _local(correction, settings)
    u = np.minimum(POSTERIOR_WIDENING * u, settings.last_reach_px / 2)
    u = np.sqrt(u**2 + MODEL_U_PX**2 + (0.1 * blur) ** 2)
    return Edge(band.line + band.normal * offset[:, None], u)


def _mean_along(values: NDArray[np.float32], length: float) -> NDArray[np.float32]:
    """Return a running mean along the edge (first axis)."""
    size = max(1, min(round(length), 2 * values.shape[0] - 1)) | 1
    return np.asarray(
        cv2.blur(values, (1, size), borderType=cv2.BORDER_REFLECT_101), np.float32)


def _local(values: FloatArray, settings: EdgeSettings) -> FloatArray:
    """Return a running mean of one value per station."""
    column = np.ascontiguousarray(values[:, None], np.float32)
    return np.asarray(_mean_along(column, settings.fit_window_px)[:, 0], float)


def _likelihood(
    band: EdgeBand, offset: FloatArray, z: FloatArray, reach: float, settings: EdgeSettings
) -> tuple[NDArray[np.float32], float]:
    """Return log likelihoods (n, shifts) of outward shifts -reach .. reach, and the dependence.

    The dependence is the number of samples, across and along the edge, that count as one.
    """
    half = round(reach / STEP_PX)
    wide = np.concatenate([z[0] + STEP_PX * np.arange(-half, 0), z,
                           z[-1] + STEP_PX * np.arange(1, half + 1)])
    grey = band.profiles(offset, wide)
    aligned = grey[:, half : half + z.size]
    mean = _mean_along(aligned, settings.context_px)
    residual = aligned - mean
    variance = _mean_along(residual**2, settings.context_px)
    floor = np.float32(0.5 * band.noise_sd**2 + 1e-7)
    variance = np.maximum(variance, floor)
    weight = 1 / variance
    level = np.zeros((grey.shape[0], 2 * half + 1), np.float32)
    square, halved = np.empty_like(level), 0.5 * weight
    for k in range(z.size):
        # an outward shift by d puts what lay at depth z - d to depth z
        part = grey[:, k : k + 2 * half + 1][:, ::-1]
        np.subtract(part, mean[:, k : k + 1], out=square)
        square *= square
        square *= halved[:, k : k + 1]
        level -= square
    return level, _dependence(residual * np.sqrt(weight))


def _dependence(residual: NDArray[np.float32]) -> float:
    """Return the area of correlation of standardised residuals, in samples."""
    lengths = []
    for axis in (0, 1):
        line = np.moveaxis(residual, axis, -1)
        n = line.shape[-1]
        power = np.abs(np.fft.rfft(line, 2 * n, axis=-1)) ** 2
        acf = np.fft.irfft(power.mean(axis=0))[: n // 2]
        acf = acf / max(float(acf[0]), 1e-12) * (n / (n - np.arange(acf.size)))
        below = np.flatnonzero(acf < 0.1)
        last = int(below[0]) if below.size else acf.size
        lengths.append(1.0 + 2.0 * float(acf[1:last].sum()))
    return max(1.0, lengths[0]) * max(1.0, lengths[1])


def _posterior(
    level: FloatArray, settings: EdgeSettings
) -> tuple[FloatArray, FloatArray]:
    """Return the posterior mean shift at each station, and its standard deviation."""
    middle = level.shape[1] // 2
    span = 2
    shifts = np.arange(-span, span + 1) * STEP_PX
    near = np.asarray(level[:, middle - span : middle + span + 1], float)
    # least-squares parabola through five samples
    design = np.stack([np.ones_like(shifts), shifts, -0.5 * shifts**2], axis=1)
    _, slope, bend = np.linalg.pinv(design) @ near.T
    # single profiles are too ragged for a curvature of their own: it is pooled along the edge
    pooled = _mean_along(np.ascontiguousarray(bend[:, None], np.float32), 15)[:, 0]
    bend = np.maximum(np.asarray(pooled, float), 0.0)
    prior = 1.0 / settings.slope_sd**2
    diagonal = bend + 2 * prior
    diagonal[[0, -1]] -= prior
    banded = np.stack([np.full(bend.size, -prior), diagonal + 1e-3])
    mean = solveh_banded(banded, np.clip(slope, -bend - 1, bend + 1))
    sd = 1 / np.sqrt(np.sqrt(bend**2 + 4 * bend * prior) + 1e-3)
    return np.clip(mean, -1.0, 1.0), sd


def _model_terms(z: FloatArray, sigma: float, rim: float) -> FloatArray:
    """Return background, blurred step, inner rim and outer halo at depth z: (4, n)."""
    def tail(depth: FloatArray) -> FloatArray:
        lift = np.exp(np.minimum(sigma**2 / (2 * rim**2) - depth / rim, 50.0))
        return np.asarray(lift * ndtr(depth / sigma - sigma / rim))

    return np.stack([np.ones_like(z), ndtr(z / sigma), tail(z), tail(-z)])


@cache
def _shift_basis(sigma: float, rim: float) -> tuple[BoolArray, FloatArray]:
    """Return the depths in use, and bases (n, 4 · shifts) of the edge model for each trial shift.

    Two rows below each basis hold the rim and the halo to moderate heights (a ridge), else they
    could mimic a displaced step.
    """
    inside = np.abs(WIDE_PX) <= max(8.0, 3.0 * sigma)
    z = WIDE_PX[inside]
    ridge = np.zeros((2, 4))
    ridge[0, 2], ridge[1, 3] = (PROFILE_NOISE / height for height in (RIM_HEIGHT, HALO_HEIGHT))
    terms = [np.concatenate([_model_terms(z - shift, sigma, rim).T, ridge])
             for shift in SHIFTS_PX]
    bases = np.linalg.qr(np.stack(terms))[0][:, :-2]
    return inside, np.ascontiguousarray(bases.transpose(1, 0, 2).reshape(z.size, -1))


def _misfit(mean: FloatArray, noise: FloatArray, sigma: float, rim: float) -> FloatArray:
    """Return the squared misfit (windows, shifts) per sample of standardised mean profiles."""
    inside, basis = _shift_basis(sigma, rim)
    profile = mean[:, inside]
    parts = np.einsum("wn,nk->wk", profile, basis) ** 2
    explained = parts.reshape(profile.shape[0], -1, 4).sum(axis=2)
    left = (profile**2).sum(axis=1)[:, None] - explained
    prior = noise[:, None] ** 2 * (SHIFTS_PX / (1.0 + sigma))[None, :] ** 2
    return np.asarray((left + prior) / inside.sum())


def _model_shift(
    band: EdgeBand, offset: FloatArray, settings: EdgeSettings
) -> tuple[FloatArray, float]:
    """Return the depth of the true edge below the path at each station, and the blur."""
    n = band.line.shape[0]
    weight, centres = _windows(n, max(1, round(n / settings.fit_window_px)))
    weight /= weight.sum(axis=1, keepdims=True)
    grey = np.asarray(band.profiles(offset, WIDE_PX), float)
    # plain sums, not a linear-algebra library: its threads would wait for each other in a batch
    mean = np.einsum("wn,nz->wz", weight, grey)
    spread = np.einsum("wn,nz->wz", weight, grey**2) - mean**2
    height = np.maximum(mean.std(axis=1), 1e-6)
    noise = np.sqrt(np.maximum(spread, 0).mean(axis=1) * 8.0 * (weight**2).sum(axis=1)) / height
    noise = np.maximum(noise, PROFILE_NOISE)
    mean = (mean - mean.mean(axis=1, keepdims=True)) / height[:, None]
    best, blur, rim = np.inf, 1.0, 6.0
    for sigma in SIGMAS_PX:
        for decay in RIMS_PX:
            rest = float((_misfit(mean, noise, sigma, decay).min(axis=1) / noise**2).sum())
            if rest < best:
                best, blur, rim = rest, sigma, decay
    shift = np.array([_vertex(row) for row in _misfit(mean, noise, blur, rim)])
    return np.interp(np.arange(n), centres, shift), blur


def _windows(n: int, count: int) -> tuple[FloatArray, FloatArray]:
    """Return overlapping triangular weights (count, n) along the edge, and their centres."""
    centres = (np.arange(count) + 0.5) * n / count
    width = n / count
    weight = np.maximum(0.0, 1 - np.abs(np.arange(n)[None, :] - centres[:, None]) / width)
    return weight, centres


def _vertex(misfit: FloatArray) -> float:
    """Return the trial shift of least misfit, interpolated by a parabola."""
    i = int(np.argmin(misfit))
    if not 0 < i < misfit.size - 1:
        return float(SHIFTS_PX[i])
    a, b, c = misfit[i - 1 : i + 2]
    bend = a - 2 * b + c
    step = SHIFTS_PX[1] - SHIFTS_PX[0]
    return float(SHIFTS_PX[i] + (0.5 * (a - c) / bend if bend > 0 else 0.0) * step)
