"""Least-squares matching of two pictures: the sub-pixel engine under `stereo_match`.

The parallax runs along the columns. Everything here works on pictures that were evened out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import BoolArray

Plane = NDArray[np.float32]

_REMAP_STEPS = 32
"""OpenCV resamples at 1/32 of a pixel; positions are rounded to that before, not silently."""


@dataclass(frozen=True)
class StereoSettings:
    """Settings of stereo matching.

    Parameters
    ----------
    window_px : float
        Standard deviation of the matching window on the finest level, in pixels.
    iterations : int
        Rounds of least-squares matching on the finest level; more rounds follow finer relief
        and let more noise through.
    contrast_window_px : float
        Standard deviation of the window in which brightness and contrast are evened out.
    presmooth_px : float
        Standard deviation of the smoothing before matching.
    max_parallax_px : int
        Largest parallax of the relief, beside the shift common to the whole picture, in pixels.
    coarsest_px : int
        Size of the shorter side of the coarsest level, in pixels.
    proposal_pixels : int
        The semi-global matcher runs on the finest level with no more pixels than this.
    proposal_gain : float
        Gain in correlation from which its proposal replaces the coarse-to-fine parallax.
    agreement_px : float
        Largest disagreement of the matches from the two pictures, in pixels.
    min_correlation : float
        Least local correlation of a matched point.
    min_matched : float
        Share of the common field that must be matched for the pictures to be said to overlap.
    row_ratio : float
        Height of every window over its width: less than 1 where only some rows are there.
    wider : tuple of float
        Windows used where noise drowns the relief, as multiples of ``window_px``.
    seed : int
        Seed of the noise that is added to twin pairs: the same pair gives the same figures.
    """

    window_px: float = 2.5
    iterations: int = 2
    contrast_window_px: float = 8.0
    presmooth_px: float = 0.7
    max_parallax_px: int = 64
    coarsest_px: int = 96
    proposal_pixels: int = 800_000
    proposal_gain: float = 0.1
    agreement_px: float = 1.0
    min_correlation: float = 0.5
    min_matched: float = 0.5
    row_ratio: float = 1.0
    seed: int = 4401
    wider: tuple[float, ...] = (1.0, 1.6, 2.6, 4.2)


@dataclass(frozen=True)
class Disparity:
    """The match of one picture with another.

    Parameters
    ----------
    along_px : (rows, cols) float32 array
        Position in this picture minus position in the other one along the parallax, in pixels.
    across_px : (rows, cols) float32 array
        The same across the parallax.
    correlation : (rows, cols) float32 array
        Local correlation of the matched pictures, -1 to 1.
    matched : (rows, cols) bool array
        Where the match may be used.
    steps : bool
        Whether the field was matched as one with steps.
    """

    along_px: Plane
    across_px: Plane
    correlation: Plane
    matched: BoolArray
    steps: bool = False


def smooth(plane: Plane, sigma_px: float, row_ratio: float = 1.0) -> Plane:
    """Return the plane smoothed by a Gaussian, mirrored at its border.

    ``row_ratio`` is the width across the rows over the width along them.
    """
    return np.asarray(
        cv2.GaussianBlur(plane, (0, 0), sigma_px, sigmaY=sigma_px * row_ratio,
                         borderType=cv2.BORDER_REFLECT_101)
    )


def sample(plane: Plane, col: Plane, row: Plane) -> Plane:
    """Return the plane at fractional positions, mirrored at its border."""
    return np.asarray(
        cv2.remap(plane, col, row, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)
    )


def grid_of(shape: tuple[int, ...]) -> tuple[Plane, Plane]:
    """Return the (row, col) number of every pixel as float32 planes."""
    row, col = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    return row, col


def even_out(plane: Plane, settings: StereoSettings) -> Plane:
    """Return the plane with its local mean taken out and its local contrast set to 1.

    Brightness and contrast of an electron picture change with the tilt; the noise floor keeps flat
    stretches from being blown up to full contrast.
    """
    ratio = settings.row_ratio
    soft = smooth(plane, settings.presmooth_px, ratio)
    detail = soft - smooth(soft, settings.contrast_window_px, ratio)
    power = smooth(detail * detail, settings.contrast_window_px, ratio)
    floor = 0.05 * float(np.sqrt(power.mean()))
    return np.asarray(detail / np.sqrt(power + floor * floor + 1e-20), np.float32)


def gradient(plane: Plane, axis: int) -> Plane:
    """Return the change of a plane per pixel along an axis."""
    # five-point central difference: right to 0.5 % down to wavelengths of 8 pixels
    kernel = np.array([1, -8, 0, 8, -1], np.float32) / 12
    shaped = kernel.reshape(1, -1) if axis == 1 else kernel.reshape(-1, 1)
    return np.asarray(cv2.filter2D(plane, -1, shaped, borderType=cv2.BORDER_REFLECT_101))


def refine(
    pair: tuple[Plane, Plane],
    start: tuple[Plane, Plane],
    *,
    window_px: float,
    iterations: int,
    across: bool,
    robust: bool,
    row_ratio: float = 1.0,
) -> tuple[Plane, Plane]:
    """Return the parallax after some rounds of least-squares matching.

    Parameters
    ----------
    pair : two (rows, cols) float32 arrays
        This picture and the other one, evened out.
    start : two (rows, cols) float32 arrays
        Parallax along and across to start from, in pixels.
    window_px : float
        Standard deviation of the window in pixels.
    iterations : int
        Number of rounds.
    across : bool
        Whether the cross-parallax is fitted too (in a ten times wider window: it only holds
        misalignment and drift, no relief).
    robust : bool
        Whether each round ends with a 5 × 5 median (coarse levels: stray matches must not spread).
    row_ratio : float
        Height of the window over its width.

    Notes
    -----
    Each round warps the other picture by the parallax so far and solves
    delta = -<g·r>/<g²>, r the difference of the pictures, g the mean of both gradients, <> the
    Gaussian window W. Over k rounds a relief of spatial frequency f is followed by
    1 - (1 - W(f))^k: the iteration recovers what one window would smooth away.
    """
    here, other = pair
    along_px, across_px = start
    row, col = grid_of(here.shape)
    slope_col, slope_row = gradient(here, 1), gradient(here, 0)
    wide_px = 10 * window_px
    for _ in range(iterations):
        col_there, row_there = _on_steps(col - along_px), _on_steps(row - across_px)
        along_px, across_px = col - col_there, row - row_there
        warped = sample(other, col_there, row_there)
        inside = _inside(col_there, row_there, here.shape).astype(np.float32)
        miss = (here - warped) * inside
        slope = (slope_col + gradient(warped, 1)) / np.float32(2)
        along_px = along_px + _step(slope, miss, inside, (window_px, row_ratio), 1.0)
        if across:
            slope = (slope_row + gradient(warped, 0)) / np.float32(2)
            across_px = across_px + _step(slope, miss, inside, (wide_px, row_ratio), 0.5)
        if robust:
            along_px = np.asarray(cv2.medianBlur(along_px, 5))
    return along_px, across_px


def _on_steps(position: Plane) -> Plane:
    return np.asarray(np.round(position * _REMAP_STEPS) / _REMAP_STEPS, np.float32)


def _step(
    slope: Plane, miss: Plane, inside: Plane, window: tuple[float, float], limit: float
) -> Plane:
    power = smooth(slope * slope * inside, *window)
    # the small term keeps a textureless spot still instead of letting noise throw it about
    step = -smooth(slope * miss, *window) / (power + 1e-3)
    return np.asarray(np.clip(step, -limit, limit))


def _inside(col: Plane, row: Plane, shape: tuple[int, ...]) -> BoolArray:
    return np.asarray((col >= 0) & (col <= shape[1] - 1) & (row >= 0) & (row <= shape[0] - 1))


def local_correlation(
    pair: tuple[Plane, Plane],
    along_px: Plane,
    across_px: Plane,
    window_px: float = 3.0,
    row_ratio: float = 1.0,
) -> Plane:
    """Return the local correlation of a picture with the other one, warped by the parallax."""
    here, other = pair
    row, col = grid_of(here.shape)
    warped = sample(other, col - along_px, row - across_px)
    window = (window_px, row_ratio)
    mean_a, mean_b = smooth(here, *window), smooth(warped, *window)
    covariance = smooth(here * warped, *window) - mean_a * mean_b
    power_a = np.maximum(smooth(here * here, *window) - mean_a**2, 0)
    power_b = np.maximum(smooth(warped * warped, *window) - mean_b**2, 0)
    value = covariance / np.sqrt(power_a * power_b + 1e-10)
    outside = ~_inside(col - along_px, row - across_px, here.shape)
    return np.where(outside, np.float32(-1), value).astype(np.float32)


def fill_gaps(plane: Plane, known: BoolArray) -> Plane:
    """Return the plane with its unmatched points filled from their surroundings."""
    filled = np.where(known, plane, 0).astype(np.float32)
    weight = known.astype(np.float32)
    result = filled.copy()
    left = ~known
    sigma = 3.0
    while left.any() and sigma < 4 * max(plane.shape):
        near = smooth(weight, sigma)
        guess = smooth(filled, sigma) / np.maximum(near, 1e-9)
        can = left & (near > 1e-3)
        result[can] = guess[can]
        left = left & ~can
        sigma *= 2
    return result


_INVERSION_ROUNDS = 6


def invert_shift(along_px: Plane) -> Plane:
    """Return the column of this picture that each column of the other one belongs to.

    Fixed-point rounds of x = x' + along(x), x' the column in the other picture.
    """
    row, col = grid_of(along_px.shape)
    origin = col + along_px
    for _ in range(_INVERSION_ROUNDS):
        origin = col + np.asarray(
            cv2.remap(along_px, origin, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )
    return np.asarray(origin, np.float32)
