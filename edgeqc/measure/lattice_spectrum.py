"""The power spectrum of a whole zone, and the waves in it that chance does not explain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import scipy.fft
import scipy.special
from numpy.typing import NDArray

from edgeqc.imaging.area_means import shrunk_together
from edgeqc.measure.lattice_background import spectrum_background
from edgeqc.measure.lattice_window import second_moments, softened
from edgeqc.quantity import FloatArray

Plane = NDArray[np.float32]
Complex = NDArray[np.complex64]

_REACH = (3, 14)
"""Distances in bins at which the power beside a peak is read, towards zero and round it."""
_CLIP = 4.0
"""Grey levels are cut off at so many standard deviations: a grain of dust is not a wave."""
_MOST_BLOCKS = 12
_FADED = 0.3
"""A peak this share of which a stronger one's side lobes make is no wave of its own."""


@dataclass(frozen=True)
class ZoneSpectrum:
    """Spectrum of a zone, or the mean of those of its blocks.

    Parameters
    ----------
    transforms : tuple of (n_row, n_col // 2 + 1) complex64 arrays
        Transforms of the blocks, scaled so that white noise has power 1 on average.
    n_col : int
        Columns of a block.
    power, background : (n_row, n_col // 2 + 1) float32 arrays
        Mean power, and its smooth part.
    windows : tuple of (rows, cols) float32 arrays
        The blocks' windows.
    to_bins : (2, 2) float array
        Turns a difference of frequencies (row, col; cycles per pixel) into resolutions of the
        zone: a rectangle of n pixels tells 1/n apart.
    """

    transforms: tuple[Complex, ...]
    n_col: int
    power: Plane
    background: Plane
    windows: tuple[Plane, ...]
    to_bins: FloatArray

    @cached_property
    def lobe(self) -> Plane:
        """Power of the zone's own window over that at its middle: what a single wave looks like.

        (n_row, n_col // 2 + 1) float32 array; only waves that stand beside others ask for it.
        """
        lobe = np.zeros(self.power.shape, np.float32)
        for soft in self.windows:
            window = _power(np.asarray(scipy.fft.rfft2(soft, self.shape), np.complex64))
            lobe += window / window[0, 0]
        return np.asarray(lobe / np.float32(len(self.windows)), np.float32)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of a block."""
        return int(self.power.shape[0]), self.n_col

    def index(self, row: float, col: float) -> tuple[int, int]:
        """Nearest bin (row, col) of a frequency in cycles per pixel; col may be negative."""
        return round(row * self.shape[0]), round(col * self.shape[1])

    def at(self, plane: NDArray[np.float32], i: NDArray[np.intp], j: NDArray[np.intp]) -> Plane:
        """Values of a plane of powers at bins of either sign."""
        back = j < 0
        return np.asarray(
            plane[np.where(back, -i, i) % self.shape[0],
                  np.minimum(np.abs(j), plane.shape[1] - 1)], np.float32)


@dataclass(frozen=True)
class Wave:
    """A wave of the zone's texture.

    Parameters
    ----------
    row, col : float
        Frequency in cycles per pixel.
    ratio : float
        Power over what surrounds it.
    log_p : float
        Natural logarithm of the probability that chance alone puts a peak as high anywhere in
        the band that was searched.
    power : float
        Power itself, 1 on average for white noise of the zone's variance.
    """

    row: float
    col: float
    ratio: float
    log_p: float
    power: float

    @property
    def period_px(self) -> float:
        """Period in pixels."""
        return 1 / math.hypot(self.row, self.col)


def zone_spectrum(
    pixels: Plane, mask: NDArray[np.bool_], *, side_px: int, longest_px: float
) -> ZoneSpectrum | None:
    """Return the spectrum of the pixels of a zone, or None where the zone is too small.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    mask : (rows, cols) bool array
        The zone.
    side_px : int
        Longest side of a block: a zone that is larger is cut, and the powers of its blocks are
        averaged.
    longest_px : float
        Longest period of interest; slower changes are taken off.

    Notes
    -----
    A lattice keeps step over the whole zone, and the power of its waves grows with the area,
    that of everything else does not. So the zone is not averaged over small tiles, unless it is
    distorted so much that only they keep step. The window is the zone itself, its rim softened.
    The background is the median of the power over cells of 9 x 9 bins: a narrow peak does not
    move it.
    """
    blocks = _blocks(mask, side_px)
    if not blocks:
        return None
    n_row = scipy.fft.next_fast_len(blocks[0][0].stop - blocks[0][0].start, real=True)
    n_col = scipy.fft.next_fast_len(blocks[0][1].stop - blocks[0][1].start, real=True)
    transforms: list[Complex] = []
    windows: list[Plane] = []
    spread = np.zeros((2, 2))
    for part in blocks:
        soft = softened(mask[part])
        if float(soft.sum()) < 400:
            continue
        textured = _texture(pixels[part], mask[part], soft, longest_px)
        if textured is None:
            continue
        transforms.append(np.asarray(
            scipy.fft.rfft2(textured, (n_row, n_col)), np.complex64))
        windows.append(soft)
        spread += second_moments(soft)
    if not transforms:
        return None
    count = len(transforms)
    power = np.zeros(transforms[0].shape, np.float32)
    for transform in transforms:
        power += _power(transform) / np.float32(count)
    # a rectangle of n pixels has a variance of n²/12
    to_bins = np.asarray(math.sqrt(12) * np.linalg.cholesky(spread / count).T, float)
    return ZoneSpectrum(tuple(transforms), n_col, power, spectrum_background(power, count),
                        tuple(windows), to_bins)


def _power(transform: Complex) -> Plane:
    return np.asarray(transform.real**2 + transform.imag**2, np.float32)


def _blocks(mask: NDArray[np.bool_], side_px: int) -> list[tuple[slice, slice]]:
    """Equal blocks that hold enough of the zone, the fullest ones of them."""
    cuts = []
    for length in mask.shape:
        count = math.ceil(length / side_px)
        size = math.ceil(length / count)
        starts = [min(i * size, length - size) for i in range(count)]
        cuts.append([slice(start, start + size) for start in starts])
    held = [(int(np.count_nonzero(mask[r, c])), i, (r, c))
            for i, (r, c) in enumerate((r, c) for r in cuts[0] for c in cuts[1])]
    most = max(area for area, _, _ in held)
    full = sorted((item for item in held if item[0] > 0.3 * most and item[0] >= 400),
                  key=lambda item: (-item[0], item[1]))
    return [part for _, _, part in full[:_MOST_BLOCKS]]


def _texture(
    pixels: Plane, mask: NDArray[np.bool_], soft: Plane, longest_px: float
) -> Plane | None:
    """Pixels less their slow change, of unit power, under the window."""
    level = levelled(np.asarray(pixels, np.float32), mask.astype(np.float32), 0.5 * longest_px)
    inside = np.flatnonzero(soft > 0)  # reading by indices is faster than by a mask
    if not inside.size:
        return None
    sd = float(level.ravel()[inside].std())
    if sd <= 1e-7:
        return None
    np.clip(level, -_CLIP * sd, _CLIP * sd, out=level)
    level *= soft
    level /= np.float32(math.sqrt(float((level * level).sum())))
    return level


def levelled(pixels: Plane, mask: Plane, sigma: float) -> Plane:
    """Return the pixels less their slow change within the zone, which would leak.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    mask : (rows, cols) float32 array
        1 in the zone, 0 outside.
    sigma : float
        Standard deviation, in pixels, of the running mean that is taken off.
    """
    factor = max(1, int(sigma / 3))
    size = (max(1, pixels.shape[1] // factor), max(1, pixels.shape[0] // factor))
    small, share = (cv2.GaussianBlur(plane, (0, 0), sigma / factor)
                    for plane in shrunk_together((pixels * mask, mask), size))
    large = cv2.resize(small / np.maximum(share, 1e-4), pixels.shape[::-1],
                       interpolation=cv2.INTER_LINEAR)
    slow: Plane = np.asarray(large, np.float32)
    np.subtract(pixels, slow, out=slow)
    np.multiply(slow, mask, out=slow)
    return slow


def find_waves(spectrum: ZoneSpectrum, *, shortest_px: float, longest_px: float,
               max_chance: float, most: int = 24) -> list[Wave]:
    """Return the waves of a spectrum, the least probable by chance first.

    Parameters
    ----------
    spectrum : ZoneSpectrum
        The spectrum.
    shortest_px, longest_px : float
        Periods searched, in pixels.
    max_chance : float
        Largest probability that chance alone makes such a peak anywhere in the band.
    most : int
        Most waves returned.

    Notes
    -----
    Away from waves the power of a stationary texture over its mean follows an exponential law
    (a gamma law where blocks are averaged); the exceedance probability is multiplied by the
    number of independent frequencies searched (Bonferroni). The mean is that of the
    surroundings, or of the bins towards zero or round it where these are stronger: scratches
    and lines of the scan have their power on a ray.

    References
    ----------
    A. Schuster, Terr. Magn. 3 (1898) 13 (the law of a periodogram's ordinates).
    """
    rows, cols = spectrum.shape
    i, j, density = _peaks(spectrum, shortest_px, longest_px)
    if not i.size:
        return []
    ratio = spectrum.power[i % rows, j] / spectrum.background[i % rows, j]
    count = len(spectrum.transforms)
    least = float(scipy.special.gammainccinv(count, min(1.0, max_chance / density))) / count
    order = np.argsort(-ratio)
    order = order[ratio[order] > least][: 4 * most]
    i, j = i[order], j[order]
    power = spectrum.power[i % rows, j]
    ratio = power / np.maximum(spectrum.background[i % rows, j], _beside(spectrum, i, j))
    waves: list[Wave] = []
    kept: list[int] = []
    for n in np.argsort(-power):  # strong ones throw the shadows
        if ratio[n] <= least or _shadowed(spectrum, int(n), kept, (i, j, power)):
            continue
        kept.append(int(n))
        log_p = float(_log_tail(np.array([float(count)]), np.array([count * ratio[n]]))[0])
        waves.append(Wave(i[n] / rows, j[n] / cols, float(ratio[n]),
                          min(0.0, log_p + math.log(density)), float(power[n])))
    return sorted(waves, key=lambda wave: wave.log_p)[:most]


def _peaks(
    spectrum: ZoneSpectrum, shortest_px: float, longest_px: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], float]:
    """Local maxima in the band (row bins of either sign), and the independent bins in it."""
    rows, cols = spectrum.shape
    power = spectrum.power
    row = np.fft.fftfreq(rows)[:, None]
    col = np.arange(power.shape[1])[None, :] / cols
    square = row * row + col * col
    band = (square <= min(0.5, 1 / shortest_px) ** 2) & (square >= (1 / longest_px) ** 2)
    band[:, 0] &= row[:, 0] > 0  # the other half of this column is its mirror image
    top = cv2.dilate(np.concatenate([power[-2:], power, power[:2]]), np.ones((5, 5)))[2:-2]
    i, j = np.nonzero(band & (power >= top))
    i = np.where(i > rows // 2, i - rows, i)
    # bins of the transform are finer than the zone resolves where the zone fills little of it
    finer = rows * cols / abs(float(np.linalg.det(spectrum.to_bins)))
    return i, j, max(1.0, float(np.count_nonzero(band)) / max(1.0, finer))


def _beside(spectrum: ZoneSpectrum, i: NDArray[np.intp], j: NDArray[np.intp]) -> Plane:
    """Mean power on the ray through zero and on the circle about it, the larger of the two."""
    rows, cols = spectrum.shape
    place = np.stack([i / rows, j / cols])
    unit = place / np.maximum(np.hypot(*place), 1e-12)
    steps = np.concatenate([np.arange(-_REACH[1], -_REACH[0] + 1),
                            np.arange(_REACH[0], _REACH[1] + 1)])
    median = float(scipy.special.gammaincinv(len(spectrum.transforms), 0.5)) / len(
        spectrum.transforms)
    found = []
    for way in (unit, np.stack([-unit[1], unit[0]])):
        # one step is a bin of the coarser axis along that way
        scale = 1 / np.maximum(np.abs(way[0]) * rows, np.abs(way[1]) * cols)
        at = place[:, :, None] + way[:, :, None] * (scale[:, None] * steps)[None]
        values = spectrum.at(spectrum.power, np.rint(at[0] * rows).astype(np.intp),
                             np.rint(at[1] * cols).astype(np.intp))
        found.append(np.median(values, axis=-1) / median)
    return np.asarray(np.maximum(*found), np.float32)


def _shadowed(
    spectrum: ZoneSpectrum, n: int, kept: list[int],
    peaks: tuple[NDArray[np.intp], NDArray[np.intp], Plane],
) -> bool:
    """Whether a peak may be a side lobe of one found before it, or lies within its breadth."""
    if not kept:
        return False
    i, j, power = peaks
    rows, cols = spectrum.shape
    d_i = np.concatenate([i[n] - i[kept], i[n] + i[kept]])
    d_j = np.concatenate([j[n] - j[kept], j[n] + j[kept]])
    other = np.tile(power[kept], 2)
    apart = np.hypot(*(spectrum.to_bins @ np.stack([d_i / rows, d_j / cols])))
    if bool(np.any((apart < 1.5) | ((apart < 5) & (power[n] < 0.2 * other)))):
        return True
    near = np.array([-1, 0, 1])
    lobe = spectrum.at(spectrum.lobe, d_i[:, None, None] + near[:, None] + 0 * near,
                       d_j[:, None, None] + near + 0 * near[:, None])
    return bool(np.any(lobe.max(axis=(1, 2)) * other > _FADED * power[n]))


def _log_tail(shape: FloatArray, value: FloatArray) -> FloatArray:
    """Logarithm of the upper tail of the gamma law, also where it underflows."""
    tail = scipy.special.gammaincc(shape, value)
    # leading term of the asymptotic series: Abramowitz and Stegun, 6.5.32
    far = (shape - 1) * np.log(value) - value - scipy.special.gammaln(shape)
    return np.where(tail > 1e-280, np.log(np.maximum(tail, 1e-300)), far)


def wave_chance(spectrum: ZoneSpectrum, ratio: float) -> float:
    """Return the probability that chance puts a bin as high over its surroundings.

    Parameters
    ----------
    ratio : float
        Power over that of the surroundings.
    """
    count = len(spectrum.transforms)
    return float(scipy.special.gammaincc(count, count * ratio))


def node_power(
    spectrum: ZoneSpectrum, row: FloatArray, col: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return power over background at frequencies, and the power itself over the background.

    Parameters
    ----------
    row, col : (n,) float arrays
        Frequencies in cycles per pixel.

    Returns
    -------
    ratio, excess : (n,) float arrays
        Highest power over background among the nine nearest bins; sum over the 5 x 5 nearest
        bins of the power beyond the background.
    """
    rows, cols = spectrum.shape
    i, j = np.rint(row * rows).astype(np.intp), np.rint(col * cols).astype(np.intp)
    step = np.arange(-2, 3)
    at = (i[:, None, None] + step[None, :, None] + 0 * step[None, None, :],
          j[:, None, None] + step[None, None, :] + 0 * step[None, :, None])
    power, ground = (spectrum.at(p, *at) for p in (spectrum.power, spectrum.background))
    near = (slice(None), slice(1, 4), slice(1, 4))
    ratio = (power[near] / ground[near]).max(axis=(1, 2))
    excess = np.maximum((power - ground).sum(axis=(1, 2)), 0)
    return np.asarray(ratio, float), np.asarray(excess, float)
