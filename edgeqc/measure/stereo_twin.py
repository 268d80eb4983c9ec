"""Noise and lost relief of a stereo match, measured on a twin pair of known parallax.

A match blurs relief finer than its window and adds noise that looks like relief. How much of
either depends on this very picture's texture and noise. So the pictures' common texture is warped
by a parallax that is known exactly (the one found, freed of its noise), noise of the size seen in
the residuals is added to both sides, and the same matching rounds are run on that twin pair: what
comes back, less what went in, is the noise; the part of what went in that comes back is the gain.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft

from edgeqc.measure.stereo_match import finish
from edgeqc.measure.stereo_refine import (
    Disparity,
    Plane,
    StereoSettings,
    grid_of,
    refine,
    sample,
    smooth,
)
from edgeqc.measure.stereo_steps import match_with_steps

_RESIDUAL_WINDOW_PX = 8.0
_INVERSION_ROUNDS = 6
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


def restore(found: Disparity, twin: Twin) -> tuple[Plane, Plane, float]:
    """Return the parallax and the twin's noise with the lost fine relief given back.

    Parameters
    ----------
    found : Disparity
        The match.
    twin : Twin
        Its twin.

    Returns
    -------
    along_px : (rows, cols) float32 array
        Parallax, its rings of the cosine spectrum divided by the twin's transfer.
    noise_px : (rows, cols) float32 array
        A sample of the noise that is left in ``along_px``, in pixels.
    change : float
        Relative change of the root mean square relief by the restoration.

    Notes
    -----
    Transfer H of a ring: mean of true × seen over mean of true². It is trusted where relief stands
    above noise (weight: Wiener gain) and never taken below `LEAST_TRANSFER`, beyond which division
    would turn noise into relief.
    """
    along_px = fill_gaps(found.along_px, found.matched)
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
    before = float(np.std(along_px))
    sharper = _by_rings(along_px, ring, factor)
    noise_px = _by_rings(twin.seen_px, ring, factor) - twin.true_px
    return sharper, noise_px, float(np.std(sharper)) / max(before, 1e-12) - 1


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
    variance = smooth(miss * miss, _RESIDUAL_WINDOW_PX) / share
    texture = (here + warped) / 2
    first = _round(texture, smooth(along_px, 2.0), variance, (found.steps, settings), rng)
    noise_px = first.seen_px - first.true_px
    truth = _wiener(along_px, noise_px)
    return _round(texture, truth, variance * np.float32(first.noise_gain),
                  (found.steps, settings), rng)


def fill_gaps(plane: Plane, known: np.ndarray) -> Plane:
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


def _round(
    texture: Plane,
    truth: Plane,
    variance: Plane,
    how: tuple[bool, StereoSettings],
    rng: np.random.Generator,
) -> Twin:
    steps, settings = how
    row, col = grid_of(texture.shape)
    origin = col + truth
    for _ in range(_INVERSION_ROUNDS):  # right column -> left column: x = x' + truth(x)
        origin = col + np.asarray(
            cv2.remap(truth, origin, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )
    # the mean of both pictures still holds half the noise power of one: take it for texture no more
    clean = _wiener(texture, _grain(variance / 4, settings, rng))
    here = clean + _grain(variance / 2, settings, rng)
    other = sample(clean, origin, row) + _grain(variance / 2, settings, rng)
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


def _grain(variance: Plane, settings: StereoSettings, rng: np.random.Generator) -> Plane:
    """Noise of a given local variance, as coloured by the smoothing before the match."""
    grain = smooth(rng.standard_normal(variance.shape, np.float32), settings.presmooth_px)
    return np.asarray(grain / grain.std() * np.sqrt(variance), np.float32)


def _ring_power(plane: Plane) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cosine spectrum, ring number of every coefficient, mean power of every ring."""
    spectrum = fft.dctn(plane - plane.mean(), norm="ortho")
    rows, cols = plane.shape
    frequency = np.hypot(np.arange(rows)[:, None] / (2 * rows), np.arange(cols) / (2 * cols))
    ring = (frequency / _SPECTRUM_BIN).astype(np.intp)
    count = np.maximum(np.bincount(ring.ravel()), 1)
    power = np.bincount(ring.ravel(), np.square(spectrum).ravel()) / count
    return spectrum, ring, power


def _by_rings(plane: Plane, ring: np.ndarray, factor: np.ndarray) -> Plane:
    mean = float(plane.mean())
    spectrum = fft.dctn(plane - mean, norm="ortho")
    return np.asarray(fft.idctn(spectrum * factor[ring], norm="ortho") + mean, np.float32)


def _wiener(plane: Plane, noise: Plane) -> Plane:
    """Free a plane of a noise of which a sample is given."""
    _, ring, power = _ring_power(plane)
    _, _, noise_power = _ring_power(noise)
    keep = np.clip(1 - noise_power / np.maximum(power, 1e-30), 0, 1)
    return _by_rings(plane, ring, keep)
