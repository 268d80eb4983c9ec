"""A patch of a stereo pair on the ground plane, and the two pictures laid over each other there."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft

from edgeqc.measure.stereo_field import frequencies
from edgeqc.measure.stereo_refine import Plane, gradient, smooth
from edgeqc.measure.stereo_shading import shading_terms
from edgeqc.quantity import BoolArray

LOCAL_PX = 16.0
"""Standard deviation of the window in which the two pictures' mean brightness is levelled."""

NOISE_RING = 0.02
"""Width, in cycles per pixel, of the rings in which the texture is freed of noise."""

FAR_PX = 20.0
"""Standard deviation that smooths a first guess until little of the match is left in it."""

FIRST_NOISE = 0.7
"""Share of the first difference that is taken for noise, before anything is known of it."""


@dataclass(frozen=True)
class ReliefPatch:
    """A patch of a pair on the ground plane, rows along the tilt axis.

    Parameters
    ----------
    pictures : two (rows, cols) float32 arrays
        The two pictures in the tilt frame.
    row, first_col, second_col : (n, m) float32 arrays
        Where a flat surface of the patch is seen: row in both pictures, columns in either.
    second_row : (n, m) float32 array
        Row in the second picture.
    move : (float, float)
        Columns by which one pixel of parallax moves a point in either picture.
    lift : float
        Height in pixels (across the axis) that one pixel of parallax stands for.
    lean : float
        Slope of a flat surface half-way between the two tilts.
    row_stretch : float
        Pixel size across over that along the axis.
    inside : (n, m) bool array
        The zone.
    parallax_px : (n, m) float32 array
        A first guess, from matching.
    """

    pictures: tuple[Plane, Plane]
    row: Plane
    first_col: Plane
    second_col: Plane
    second_row: Plane
    move: tuple[float, float]
    lift: float
    lean: float
    row_stretch: float
    inside: BoolArray
    parallax_px: Plane


@dataclass(frozen=True)
class LaidPair:
    """The pair laid over each other.

    Parameters
    ----------
    base : (n, m) float32 array
        Parallax, less the form, that it is laid over each other by.
    difference, slope : (n, m) float32 arrays
        Difference of the pictures there, and its change by parallax.
    grey, clean : (n, m) float32 arrays
        Mean of both pictures, levelled; the same freed of noise.
    """

    base: Plane
    difference: Plane
    slope: Plane
    grey: Plane
    clean: Plane


def form_under(patch: ReliefPatch) -> Plane:
    """Return the parabolic surface under the first guess: what is no matter of a random field."""
    rows, cols = patch.inside.shape
    row, col = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    design = np.stack([np.ones_like(row), row, col, row * row, row * col, col * col], axis=-1)
    fit, *_ = np.linalg.lstsq(
        design[patch.inside], np.asarray(patch.parallax_px[patch.inside], float), rcond=None
    )
    return np.asarray(design @ fit, np.float32)


def smoothed_guess(patch: ReliefPatch) -> Plane:
    """Return the first guess with everything finer than `FAR_PX` smoothed away.

    Parameters
    ----------
    patch : ReliefPatch
        The patch.
    """
    form = form_under(patch)
    known = patch.inside.astype(np.float32)
    rest = np.where(patch.inside, patch.parallax_px - form, 0).astype(np.float32)
    share = np.maximum(smooth(known, FAR_PX), 1e-3)
    return np.asarray(form + smooth(rest, FAR_PX) / share, np.float32)


def lay_over(
    patch: ReliefPatch, form: Plane, mean: Plane, noise_var: float
) -> LaidPair:
    """Lay the pictures over each other by the present mean, mean brightness and contrast evened."""
    parallax = form + mean
    views = [
        cv2.remap(
            picture, col + np.float32(step) * parallax, row, cv2.INTER_LANCZOS4,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for picture, col, row, step in zip(
            patch.pictures, (patch.first_col, patch.second_col), (patch.row, patch.second_row),
            patch.move, strict=True,
        )
    ]
    first, second = (_levelled(np.asarray(view, np.float32), patch.inside) for view in views)
    spread = [float(np.mean(np.square(view[patch.inside]))) for view in (first, second)]
    gain = np.float32((max(spread[0], 1e-20) / max(spread[1], 1e-20)) ** 0.25)
    first, second = first / gain, second * gain
    difference = np.where(patch.inside, first - second, 0).astype(np.float32)
    if math.isnan(noise_var):
        noise_var = FIRST_NOISE * float(np.var(difference[patch.inside]))
    grey = (first + second) / np.float32(2)
    clean = _freed(grey, patch.inside, noise_var / 4)
    change = np.float32(patch.move[0] - patch.move[1])
    return LaidPair(mean, difference, change * gradient(clean, 1), grey, clean)


def _levelled(plane: Plane, inside: BoolArray) -> Plane:
    known = inside.astype(np.float32)
    share = np.maximum(smooth(known, LOCAL_PX), 1e-3)
    return np.asarray(plane - smooth(plane * known, LOCAL_PX) / share, np.float32)


def _freed(plane: Plane, inside: BoolArray, noise_var: float) -> Plane:
    """Return a levelled plane freed of white noise: power over power and noise, ring by ring."""
    seen = np.where(inside, plane, 0).astype(np.float32)
    spectrum = fft.rfft2(seen)
    ring = (np.hypot(*frequencies((seen.shape[0], seen.shape[1]))) / NOISE_RING).astype(np.intp)
    count = np.maximum(np.bincount(ring.ravel()), 1)
    power = np.bincount(ring.ravel(), np.square(np.abs(spectrum)).ravel()) / count
    power /= max(int(inside.sum()), 1)
    keep = np.clip(1 - noise_var / np.maximum(power, 1e-20), 0, 1)
    keep = np.minimum.accumulate(keep)  # beyond the texture's end what looks like it is chance
    return np.asarray(fft.irfft2(spectrum * keep[ring], seen.shape), np.float32)


def surface_slopes(patch: ReliefPatch, parallax: Plane) -> tuple[Plane, Plane]:
    """Return the slopes, across and along the axis, of a surface with this parallax."""
    lift = np.float32(patch.lift)
    across = gradient(parallax, 1) * lift + np.float32(patch.lean)
    return across, gradient(parallax, 0) * (lift * np.float32(patch.row_stretch))


def shading_of(patch: ReliefPatch, parallax: Plane) -> list[Plane]:
    """Return the shading terms of a surface with this parallax, levelled like the pictures."""
    terms = shading_terms(*surface_slopes(patch, parallax))
    return [_levelled(term, patch.inside) for term in terms]
