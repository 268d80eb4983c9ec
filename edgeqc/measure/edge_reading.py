"""The edge read anew from the picture, profile by profile, with the noise that each reading has.

The tracer ties neighbouring profiles together, as an outline must be whole: its line is smoother
than the edge, and its own noise cannot be told from the edge's roughness any more. A roughness
needs readings that know nothing of each other: then their noise is white but for what readings
between the pixels share, and its size and grain follow from the picture.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from edgeqc.quantity import FloatArray

DEPTHS_PX = np.arange(-6.0, 6.01, 0.5)
"""Depths across the edge at which it is looked at, in pixels."""

NOISE_LAGS = 3
"""Steps along the edge over which readings share pixels: what interpolation takes in."""

GRAINS = 4
"""Draws of noise on the pixels from which the readings' noise is told."""

BEND = 0.2
"""Growth of a reading's noise variance with itself, per square pixel: a noisy reading leaves the
straight part of its profile. Readings of drawn edges (blur 1 px) that were repeated with new noise
scatter by 0 % more than their straight prediction at 0.3 px, 4 % at 0.57 px, 5 % at 0.78 px."""

_KEPT_NUMBERS = 1 << 22  # 16 MB

PLATEAU_PX = 3.5
"""Depth from which the profile's noise is that of the picture alone: nearer to the edge readings
have taken some of it out."""


@dataclass(frozen=True)
class EdgeReadingSettings:
    """Settings of reading an edge anew.

    Parameters
    ----------
    pool_px : int
        Length of edge over which the mean profile is taken as one, in pixels.
    rounds : int
        Rounds of aligning the profiles on their mean.
    smooth_px : float
        Standard deviation of the smoothing of the traced line from which reading starts.
    reach_px : float
        How far a reading may leave that line, in pixels.
    largest_noise_px : float
        Noisier readings are not used.
    largest_stray : float
        Nor are they where more than this share of them end at ``reach_px``.
    noise_u_rel : float
        Relative standard uncertainty of the noise as predicted from the picture.
    """

    pool_px: int = 400
    rounds: int = 3
    smooth_px: float = 2.0
    reach_px: float = 3.0
    largest_noise_px: float = 0.8
    largest_stray: float = 0.02
    noise_u_rel: float = 0.05


@dataclass(frozen=True)
class EdgeReading:
    """Readings of an edge across a form.

    Parameters
    ----------
    offset_px : (n,) float array
        Distance of the edge from the form along its normal, in pixels.
    noise_px : float
        Standard deviation of a reading's noise.
    noise_correlation : tuple of float
        Correlation of the noise of readings 1, 2, ... steps apart.
    """

    offset_px: FloatArray
    noise_px: float
    noise_correlation: tuple[float, ...] = ()


def read_edge(
    pixels: NDArray[np.float32], form_px: FloatArray, normal: FloatArray, traced_px: FloatArray,
    *, settings: EdgeReadingSettings,
) -> EdgeReading | None:
    """Return independent readings of an edge, or None where the picture allows none.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        The picture.
    form_px : (n, 2) float array
        Points (row, col) of the form, about a pixel apart.
    normal : (n, 2) float array
        Its normals in pixels, of about length 1.
    traced_px : (n,) float array
        Distance of the traced edge from the form, in normals.
    settings : EdgeReadingSettings
        Settings.

    Notes
    -----
    Running mean m(z) of the profiles and their scatter v(z) on either side, aligned on the traced
    line smoothed, are the edge's model: aligned on readings of their own, profiles would line up
    their noise and look sharper than the edge is. A reading moves by -Σ(m'/v)(I - m)/Σ(m'²/v), the
    weighted least-squares shift of its own profile alone, until it stays. Its noise is what the
    same sum makes of white noise on the pixels, of the size that neighbouring profiles differ by;
    readings between the pixels share some of it, and how much is found in the same way.

    References
    ----------
    Matched filter for a shift, closed form; the bound it meets: J. Opt. Soc. Am. A 3 (1986), p. 651
    (from memory).
    """
    start = gaussian_filter1d(traced_px, settings.smooth_px, mode="nearest")
    mean, filters = _model(_profiles(pixels, form_px, normal, start), settings.pool_px)
    offset = start.copy()
    for _ in range(settings.rounds):
        rest = _profiles(pixels, form_px, normal, offset) - mean
        offset = offset + np.clip(np.sum(filters * rest, axis=1), -1.0, 1.0)
        offset = np.clip(offset, start - settings.reach_px, start + settings.reach_px)
    stray = float(np.mean(np.abs(offset - start) >= settings.reach_px))
    noise, correlation = _noise(
        filters, _noise_by_depth(_profiles(pixels, form_px, normal, offset), mean),
        _grains(form_px, normal, offset))
    seen = bool(np.any(filters))  # a picture without an edge has none
    if not seen or not noise <= settings.largest_noise_px or stray > settings.largest_stray:
        return None
    return EdgeReading(offset, noise, correlation)


def _profiles(
    pixels: NDArray[np.float32], form_px: FloatArray, normal: FloatArray, offset: FloatArray
) -> FloatArray:
    """Return grey levels (n, depths) across the edge, outwards."""
    across = offset[:, None] + DEPTHS_PX[None, :]
    row, col = (
        (form_px[:, None, axis] + normal[:, None, axis] * across).astype(np.float32)
        for axis in (0, 1))
    grey = cv2.remap(pixels, col, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(grey, float)


def _noise(
    filters: FloatArray, size: FloatArray, grains: FloatArray
) -> tuple[float, tuple[float, ...]]:
    """Return the noise of a reading, and how it goes on from one reading to the next.

    ``size`` is the noise by depth as neighbouring profiles differ by it, and so it is of the
    grains: between the pixels neighbours share noise, which their difference does not show.
    """
    shared = np.sqrt(np.mean(np.diff(grains, axis=1) ** 2, axis=(0, 1)) / 2)
    made = np.sum(filters * grains * (size / np.maximum(shared, 1e-9)), axis=2)
    made = made - made.mean()
    square = float(np.mean(made**2))
    if not square > 0:
        return 0.0, ()
    products = [float(np.mean(made[:, lag:] * made[:, :-lag])) for lag in range(1, 1 + NOISE_LAGS)]
    noise = float(np.sqrt(square * (1 + BEND * square)))
    return noise, tuple(product / square for product in products)


def _grains(form_px: FloatArray, normal: FloatArray, offset: FloatArray) -> FloatArray:
    """Return (draws, n, depths): what white noise of unit size on the pixels gives there."""
    line = form_px + normal * offset[:, None]
    reach = DEPTHS_PX[-1] + 3  # and what the interpolation takes in
    # noise is drawn around the edge only: a picture may be a thousand times larger
    low = np.floor(line.min(axis=0) - reach)
    rows, cols = (int(size) for size in np.ceil(line.max(axis=0) + reach) - low + 1)
    return np.stack([_profiles(field, form_px - low, normal, offset)
                     for field in _white_noise(rows, cols)])


def _white_noise(rows: int, cols: int) -> Iterator[NDArray[np.float32]]:
    """Yield the draws of noise, the same numbers for every edge."""
    size = rows * cols
    if GRAINS * size <= _KEPT_NUMBERS:
        yield from _kept_noise()[: GRAINS * size].reshape(GRAINS, rows, cols)
        return
    rng = np.random.default_rng(0)
    for _ in range(GRAINS):
        yield rng.standard_normal((rows, cols), np.float32)


@cache
def _kept_noise() -> NDArray[np.float32]:
    """Return the first numbers of the noise: drawing them takes longer than all the rest."""
    return np.random.default_rng(0).standard_normal(_KEPT_NUMBERS, np.float32)


def _model(profile: FloatArray, pool: int) -> tuple[FloatArray, FloatArray]:
    """Return the running mean profile, and the filters that turn a profile's rest into a shift."""
    mean = _running(profile, pool)
    square = _running((profile - mean) ** 2, pool)
    # at the edge itself profiles scatter because it is rough: that is no noise
    inner, outer = (
        square[:, side].mean(axis=1, keepdims=True)
        for side in (DEPTHS_PX <= -PLATEAU_PX, DEPTHS_PX >= PLATEAU_PX)
    )
    share = np.clip(DEPTHS_PX / (2 * PLATEAU_PX) + 0.5, 0, 1)
    scatter = inner + share * (outer - inner) + 1e-12
    slope = np.gradient(mean, DEPTHS_PX, axis=1)
    weight = slope / scatter
    power = np.sum(weight * slope, axis=1, keepdims=True)
    return mean, np.asarray(-weight / np.maximum(power, 1e-12))


def _running(values: FloatArray, pool: int) -> FloatArray:
    size = min(pool, values.shape[0])
    return np.asarray(uniform_filter1d(values, size, axis=0, mode="reflect"), float)


def _noise_by_depth(profile: FloatArray, mean: FloatArray) -> FloatArray:
    """Return the noise at every depth.

    On either side of the edge it is what neighbouring profiles differ by; its square is carried on
    to the edge in proportion to the grey level, as shot noise has it.
    """
    square = np.mean(np.diff(profile - mean, axis=0) ** 2, axis=0) / 2
    grey = mean.mean(axis=0)
    level, power = (
        [float(values[side].mean()) for side in (DEPTHS_PX <= -PLATEAU_PX, DEPTHS_PX >= PLATEAU_PX)]
        for values in (grey, square)
    )
    span = level[1] - level[0]
    rise = (power[1] - power[0]) / span if abs(span) > 1e-9 else 0.0
    carried = power[0] + max(rise, 0.0) * (grey - level[0])
    return np.asarray(np.sqrt(np.maximum(carried, min(power))))
