"""Relief that a stereo match loses, measured on a twin pair of known parallax.

A match blurs relief finer than its window. How much depends on this very picture's texture and
noise. So the pictures' common texture is warped
by a parallax that is known exactly (the one found, freed of its noise), noise of the size seen in
the residuals is added to both sides, and the same matching rounds are run on that twin pair: what
comes back of what went in is the transfer. (Noise itself is measured on the pair: `match_halves`.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from edgeqc.measure.stereo_match import finish
from edgeqc.measure.stereo_refine import (
    Disparity,
    Plane,
    StereoSettings,
    fill_gaps,
    grid_of,
    invert_shift,
    refine,
    sample,
    smooth,
)
from edgeqc.measure.stereo_steps import match_with_steps
from edgeqc.quantity import FloatArray

_RESIDUAL_WINDOW_PX = 8.0
_SPECTRUM_BIN = 0.01
"""Width of the rings in which spectra are averaged, in cycles per pixel."""

LEAST_TRANSFER = 0.6
"""Relief passed on by less than this is not restored any further."""


@dataclass(frozen=True)
class Twin:
    """A known parallax and what the matcher made of it.

    Parameters
    ----------
    true_px : (rows, cols) float32 array
        Parallax that the twin pair was drawn with.
    seen_px : (rows, cols) float32 array
        Parallax that the matcher found on it.
    noise_gain : float
        Noise put in over noise left in the residuals (variances): the matcher explains a part of
        the noise as relief, so that residuals alone understate it.
    """

    true_px: Plane
    seen_px: Plane
    noise_gain: float


def restorer(found: Disparity, twin: Twin) -> Callable[[Plane], Plane]:
    """Return what gives the fine relief back that the match has lost.

    Parameters
    ----------
    found : Disparity
        The match.
    twin : Twin
        Its twin.

    Returns
    -------
    callable
        Takes a plane (parallax, or a sample of its noise) and returns it with the rings of its
        cosine spectrum divided by the twin's transfer.

    Notes
    -----
    Transfer H of a ring: mean of true × seen over mean of true². It is trusted where relief stands
    above noise (weight: Wiener gain) and never taken below `LEAST_TRANSFER`, beyond which division
    would turn noise into relief.
    """
    true_spectrum, ring, true_power = _ring_power(twin.true_px)
    seen_spectrum, _, _ = _ring_power(twin.seen_px)
    count = np.maximum(np.bincount(ring.ravel()), 1)
    cross = np.bincount(ring.ravel(), (true_spectrum * seen_spectrum).ravel()) / count
    rest = np.square(seen_spectrum - true_spectrum).ravel()
    trust = true_power / np.maximum(true_power + np.bincount(ring.ravel(), rest) / count, 1e-30)
    transfer = np.clip(cross / np.maximum(true_power, 1e-30), LEAST_TRANSFER, 1.0)
    # no ring may pass more than a coarser one: the window is a low pass, the rest is chance
    transfer = np.minimum.accumulate(transfer)
    factor = 1 + (1 / transfer - 1) * trust

    def give_back(plane: Plane) -> Plane:
        return _by_rings(fill_gaps(plane, found.matched), ring, factor)

    return give_back


def draw_twin(
    pair: tuple[Plane, Plane],
    found: Disparity,
    settings: StereoSettings,
    rng: np.random.Generator,
) -> Twin:
    """Return the twin of a matched pair.

    Parameters
    ----------
    pair : two (rows, cols) float32 arrays
        The pictures, evened out.
    found : Disparity
        Their match.
    settings : StereoSettings
        Settings of the match.
    rng : numpy.random.Generator
        Source of the added noise.

    Notes
    -----
    Two rounds. The first, with the smoothed parallax, gives the noise spectrum and the share of
    noise that the residuals hide; the second uses the parallax freed of that noise by the
    Wiener filter (signal power over total power, in rings of the cosine spectrum), so that the
    gain belongs to relief and not to noise.

    References
    ----------
    Parametric bootstrap: Annals of Statistics 7 (1979), p. 1-26.
    """
    here, other = pair
    row, col = grid_of(here.shape)
    along_px = fill_gaps(found.along_px, found.matched)
    warped = sample(other, col - along_px, row - found.across_px)
    miss = np.where(found.matched, here - warped, 0).astype(np.float32)
    share = np.maximum(smooth(found.matched.astype(np.float32), _RESIDUAL_WINDOW_PX), 1e-3)
    variance = np.asarray(smooth(miss * miss, _RESIDUAL_WINDOW_PX) / share, np.float32)
    texture = (here + warped) / np.float32(2)
    even = miss / np.sqrt(np.maximum(variance, 1e-3 * float(variance.mean()) + 1e-12))
    _, _, grain_power = _ring_power(even.astype(np.float32))
    mould = (texture, grain_power)
    first = _round(mould, smooth(along_px, 2.0), variance, (found.steps, settings), rng)
    noise_px = first.seen_px - first.true_px
    truth = _wiener(along_px, noise_px)
    return _round(mould, truth, variance * np.float32(first.noise_gain),
                  (found.steps, settings), rng)


def _round(
    mould: tuple[Plane, FloatArray],
    truth: Plane,
    variance: Plane,
    how: tuple[bool, StereoSettings],
    rng: np.random.Generator,
) -> Twin:
    steps, settings = how
    texture, grain_power = mould
    row, col = grid_of(texture.shape)
    origin = invert_shift(truth)
    # the mean of both pictures still holds half the noise power of one: take it for texture no more
    clean = _wiener(texture, _grain(variance / np.float32(4), grain_power, rng))
    here = clean + _grain(variance / np.float32(2), grain_power, rng)
    other = sample(clean, origin, row) + _grain(variance / np.float32(2), grain_power, rng)
    seen = _match_again((here, other), truth, steps, settings)
    seen_back = _match_again((other, here), col - origin, steps, settings)
    back = -np.asarray(cv2.remap(seen_back, col - seen, row, cv2.INTER_LINEAR,
                                 borderMode=cv2.BORDER_REPLICATE))
    agreed = np.abs(back - seen) <= settings.agreement_px
    seen = np.where(agreed, (seen + back) / 2, seen).astype(np.float32)
    left = here - sample(other, col - seen, row)
    edge = max(1, int(4 * settings.window_px))
    core = (slice(edge, -edge), slice(edge, -edge))
    gain = float(variance[core].mean()) / max(float(np.square(left[core]).mean()), 1e-12)
    return Twin(truth, seen, float(np.clip(gain, 1.0, 3.0)))


def _match_again(
    pair: tuple[Plane, Plane], truth: Plane, steps: bool, settings: StereoSettings
) -> Plane:
    across_px = np.zeros_like(truth)
    if steps:
        return match_with_steps(pair, pair, across_px, settings)
    # start as blurred as a coarser level would leave it, so that the rounds have work to do
    start = (smooth(truth, 2.4 * settings.window_px), across_px)
    start = refine(pair, start, window_px=1.6 * settings.window_px, iterations=4, across=False,
                   robust=True)
    return finish(pair, start, settings)[0]


def _grain(variance: Plane, grain_power: FloatArray, rng: np.random.Generator) -> Plane:
    """Draw noise of a given local variance and ring spectrum.

    The spectrum is that of the residuals: beside white noise they hold what the tilt changes in
    the brightness of slopes, which is as coarse as the texture and moves the match far more.
    """
    grain = rng.standard_normal(variance.shape, np.float32)
    _, ring, _ = _ring_power(grain)
    grain = _by_rings(grain, ring, np.sqrt(grain_power))
    return np.asarray(grain / grain.std() * np.sqrt(variance), np.float32)


def _ring_power(plane: Plane) -> tuple[FloatArray, NDArray[np.intp], FloatArray]:
    """Cosine spectrum, ring number of every coefficient, mean power of every ring."""
    spectrum = fft.dctn(plane - plane.mean(), norm="ortho")
    rows, cols = plane.shape
    frequency = np.hypot(np.arange(rows)[:, None] / (2 * rows), np.arange(cols) / (2 * cols))
    ring = (frequency / _SPECTRUM_BIN).astype(np.intp)
    count = np.maximum(np.bincount(ring.ravel()), 1)
    power = np.bincount(ring.ravel(), np.square(spectrum).ravel()) / count
    return spectrum, ring, power


def _by_rings(plane: Plane, ring: NDArray[np.intp], factor: FloatArray) -> Plane:
    mean = float(plane.mean())
    spectrum = fft.dctn(plane - mean, norm="ortho")
    return np.asarray(fft.idctn(spectrum * factor[ring], norm="ortho") + mean, np.float32)


def _wiener(plane: Plane, noise: Plane) -> Plane:
    """Free a plane of a noise of which a sample is given."""
    _, ring, power = _ring_power(plane)
    _, _, noise_power = _ring_power(noise)
    keep = np.clip(1 - noise_power / np.maximum(power, 1e-30), 0, 1)
    return _by_rings(plane, ring, keep)
