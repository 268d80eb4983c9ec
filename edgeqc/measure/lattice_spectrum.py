"""The averaged power spectrum of a zone, and the peaks in it that chance does not explain."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.special
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray

Plane = NDArray[np.float32]

# The running median follows part of the spread that it is to be compared with, which makes the
# shape read too large: by this share on white noise (80 pictures of 300 x 300 pixels, the rate
# of pictures with a peak beyond a chance of 10 % is then 6 %).
_SHAPE_SHARE = 0.8


@dataclass(frozen=True)
class ZoneSpectrum:
    """Averaged power spectrum of a zone.

    Parameters
    ----------
    power : (n, n) float array
        Averaged power over the smooth background, zero frequency in the middle; 1 on average
        where there is no peak.
    total : (n, n) float array
        Averaged power itself, of the levelled pixels over their variance.
    groups : (g, n, n) float array
        The same from g interleaved groups of tiles, for the scatter of a peak's place.
    tiles : float
        Number of independent tiles (the sum of their weights over the largest).
    shape, axis_shape : float
        Shape parameters of the gamma laws that the ratios follow away from peaks, in general
        and on the axis of zero frequency along the rows.
    reduction : int
        Side in pixels of the blocks that the picture was reduced to.
    """

    power: FloatArray
    total: FloatArray
    groups: FloatArray
    tiles: float
    shape: float
    axis_shape: float
    reduction: int

    @property
    def size(self) -> int:
        """Side of a tile, in reduced pixels."""
        return int(self.power.shape[0])


@dataclass(frozen=True)
class Peak:
    """A peak of the spectrum.

    Parameters
    ----------
    row, col : float
        Frequency in cycles per (unreduced) pixel.
    ratio : float
        Power over the background.
    log_p : float
        Natural logarithm of the probability that chance alone puts a peak as high anywhere in
        the band that was searched.
    width : float
        Mean excess power at 2.5 bins nearer to and farther from zero frequency over that of the
        peak: near 0 for a pitch that is the same everywhere, near 1 for a broad hump.
    bin : float
        Resolution of the spectrum, in cycles per pixel.
    """

    row: float
    col: float
    ratio: float
    log_p: float
    width: float
    bin: float


def zone_spectrum(
    pixels: Plane,
    mask: NDArray[np.bool_],
    *,
    tile_px: int,
    reduction: int = 1,
    background_bins: int = 13,
) -> ZoneSpectrum | None:
    """Return the averaged spectrum of the pixels of a zone, or None where the zone is too small.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    mask : (rows, cols) bool array
        The zone.
    tile_px : int
        Side of a tile, in reduced pixels.
    reduction : int
        Side of the blocks that are averaged first, for long periods.
    background_bins : int
        Side of the window of the running median that gives the background.

    Notes
    -----
    Tiles overlap by half and are weighted by a Hann window times the zone's (softened) mask, so
    that a zone of any outline can be used. The background is the running median of the averaged
    power: a narrow peak does not move it. Away from peaks the ratio of an averaged periodogram
    to its mean follows a gamma law; its shape is read off the spread of the ratios themselves,
    which allows for the overlap, the mask and a background that is not quite smooth.

    References
    ----------
    P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70 (averaging over short, modified
    periodograms).
    """
    if reduction > 1:
        size = (pixels.shape[1] // reduction, pixels.shape[0] // reduction)
        if min(size) < 8:
            return None
        crop = (slice(0, size[1] * reduction), slice(0, size[0] * reduction))
        pixels = np.asarray(cv2.resize(pixels[crop], size, interpolation=cv2.INTER_AREA),
                            np.float32)
        mask = cv2.resize(mask[crop].astype(np.float32), size,
                          interpolation=cv2.INTER_AREA) > 0.99
    tiles = _tiles(np.asarray(pixels, np.float32), mask, tile_px)
    if not tiles:
        return None
    heaviest = max(weight for weight, _ in tiles)
    groups = np.zeros((4, tile_px, tile_px // 2 + 1))
    sums = np.zeros(4)
    for number, (weight, power) in enumerate(tiles):
        groups[number % 4] += weight * power
        sums[number % 4] += weight
    total = _whole_plane(groups.sum(axis=0) / sums.sum())
    background = _background(total, background_bins)
    used = np.stack([_whole_plane(group / weight) / background
                     for group, weight in zip(groups, sums, strict=True) if weight > 0])
    ratio = total / background
    return ZoneSpectrum(ratio, total, used, sum(w for w, _ in tiles) / heaviest,
                        *_gamma_shapes(ratio), reduction)


def _tiles(pixels: Plane, mask: NDArray[np.bool_], size: int) -> list[tuple[float, FloatArray]]:
    """Weight and periodogram of every tile that lies well within the zone."""
    soft = np.asarray(
        cv2.erode(mask.astype(np.float32), np.ones((3, 3), np.uint8),
                  borderType=cv2.BORDER_CONSTANT, borderValue=0.0), np.float32
    )
    level = levelled(pixels, soft, size / 8)
    soft = cv2.GaussianBlur(soft, (0, 0), max(2.0, size / 48)) * soft
    hann = np.hanning(size + 2)[1:-1].astype(np.float32)
    window = np.asarray(np.outer(hann, hann), np.float32)
    full = float((window**2).sum())
    pad = tuple((0, max(0, size - length)) for length in pixels.shape)
    level, soft = np.pad(level, pad, mode="edge"), np.pad(soft, pad)
    tiles = []
    for top in _starts(level.shape[0], size):
        for left in _starts(level.shape[1], size):
            part = (slice(top, top + size), slice(left, left + size))
            weight = window * soft[part]
            square = float((weight * weight).sum())
            if square < 0.2 * full:
                continue
            windowed = level[part] * weight
            variance = float((windowed * windowed).sum()) / square
            if variance <= 1e-14:
                continue
            half = np.abs(scipy.fft.rfft2(windowed)) ** 2
            # tiles of strong contrast must not outvoice the others
            tiles.append((square / full, half / (square * variance)))
    return tiles


def _starts(length: int, size: int) -> list[int]:
    count = max(1, math.ceil((length - size) / (size / 2)) + 1)
    return [round(i * (length - size) / max(1, count - 1)) for i in range(count)]


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
    small = cv2.resize(pixels * mask, size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(mask, size, interpolation=cv2.INTER_AREA)
    small, share = (cv2.GaussianBlur(plane, (0, 0), sigma / factor) for plane in (small, share))
    slow = cv2.resize(small / np.maximum(share, 1e-4), pixels.shape[::-1],
                      interpolation=cv2.INTER_LINEAR)
    return np.asarray((pixels - slow) * mask, np.float32)


def _whole_plane(half: FloatArray) -> FloatArray:
    """Return a half-plane power spectrum as a whole one with zero frequency in the middle."""
    size = half.shape[0]
    full = np.empty((size, size))
    columns = half.shape[1]
    full[:, :columns] = half
    mirrored = np.roll(half[::-1], 1, axis=0)
    full[:, columns:] = mirrored[:, size - columns : 0 : -1]
    return np.asarray(np.fft.fftshift(full))


def _background(power: FloatArray, bins: int) -> FloatArray:
    """Return the running median of the power, and along the axis where row offsets lie.

    Lines of the scan that are brighter or darker as a whole have all their power at zero
    frequency along the rows; those columns have a background of their own.
    """
    log = np.log(np.maximum(power, power.max() * 1e-12))
    smooth = _running_median(log, bins)
    middle = power.shape[0] // 2
    axis = slice(middle - 1, middle + 2)
    along = scipy.ndimage.median_filter(log[:, axis], size=(2 * bins + 1, 1), mode="wrap")
    smooth[:, axis] = np.maximum(smooth[:, axis], along)
    return np.asarray(np.exp(smooth))


def _running_median(plane: FloatArray, bins: int) -> FloatArray:
    """Return the medians over windows of bins x bins that wrap round.

    The plane is a power spectrum's: its own mirror image through the middle, so that one half
    is enough. Selecting within each window is ten times as fast as the filter of ``ndimage``.
    """
    size, middle, reach = plane.shape[0], plane.shape[0] // 2, bins // 2
    padded = np.pad(plane, reach, mode="wrap")[: middle + 1 + 2 * reach]
    windows = np.lib.stride_tricks.sliding_window_view(padded, (bins, bins))
    flat = windows.reshape(middle + 1, size, bins * bins)
    upper = np.partition(flat, bins * bins // 2, axis=-1)[..., bins * bins // 2]
    below = 2 * middle - np.arange(middle + 1, size)
    return np.concatenate([upper, upper[below][:, (2 * middle - np.arange(size)) % size]])


def _gamma_shapes(ratio: FloatArray) -> tuple[float, float]:
    """Shapes k of the gamma laws of mean 1 whose logarithms have the spread seen.

    The spread is that between the 10 % and the 60 % quantile: peaks sit above. The second is
    that of the axis of row offsets.
    """
    middle = ratio.shape[0] // 2
    shapes = np.geomspace(0.3, 300, 120)
    spread = np.log(scipy.special.gammaincinv(shapes, 0.6)) - np.log(
        scipy.special.gammaincinv(shapes, 0.1)
    )
    found = []
    for values in (ratio[_band(ratio.shape[0])], ratio[middle + 4 :, middle - 1 : middle + 2]):
        low, high = np.quantile(np.log(np.maximum(values, 1e-12)), (0.1, 0.6))
        found.append(_SHAPE_SHARE * float(np.interp(-(high - low), -spread, shapes)))
    return found[0], found[1]


def _band(size: int, lowest: float = 4.0) -> NDArray[np.bool_]:
    """Half plane of frequencies between ``lowest`` cycles per tile and the Nyquist limit."""
    row, col = np.mgrid[:size, :size] - size // 2
    radius = np.hypot(row, col)
    half = (row > 0) | ((row == 0) & (col > 0))
    return np.asarray(half & (radius >= lowest) & (radius <= 0.5 * size))


def find_peaks(
    spectrum: ZoneSpectrum, *, shortest_px: float, lowest_cycles: float = 4.0, most: int = 24
) -> list[Peak]:
    """Return the peaks of a spectrum, the least probable by chance first.

    Parameters
    ----------
    spectrum : ZoneSpectrum
        Averaged spectrum.
    shortest_px : float
        Shortest period searched, in unreduced pixels.
    lowest_cycles : float
        Least number of periods in a tile.
    most : int
        Most peaks returned.

    Notes
    -----
    The exceedance probability of a ratio r is the upper tail of a gamma law of mean 1 and the
    spectrum's shape; it is multiplied by the number of frequencies searched (Bonferroni).
    """
    size = spectrum.size
    ratio = spectrum.power
    middle = size // 2
    row, col = np.mgrid[:size, :size] - middle
    band = _band(size, lowest_cycles)
    band &= np.hypot(row, col) <= size * min(0.5, spectrum.reduction / shortest_px)
    top = scipy.ndimage.maximum_filter(ratio, size=5, mode="wrap")
    at = np.nonzero(band & (ratio >= top) & (ratio > 1.5))
    if not at[0].size:
        return []
    shape = np.full(at[0].size, spectrum.shape)
    # offsets of scan lines are the same in all tiles side by side: few of them are independent
    shape[np.abs(at[1] - middle) <= 1] = min(spectrum.shape, spectrum.axis_shape)
    median = scipy.special.gammaincinv(shape, 0.5) / shape
    log_p = _log_tail(shape, shape * ratio[at] * median) + math.log(max(1, int(band.sum())))
    peaks = []
    for index in np.argsort(log_p)[:most]:
        i, j = int(at[0][index]), int(at[1][index])
        peaks.append(_peak(spectrum, i, j, float(log_p[index])))
    return peaks


def _peak(spectrum: ZoneSpectrum, i: int, j: int, log_p: float) -> Peak:
    power, middle = spectrum.power, spectrum.size // 2
    row, col = (place - middle + offset
                for place, offset in zip((i, j), _centroid(power, i, j), strict=True))
    unit = np.array([row, col]) / max(math.hypot(row, col), 1e-9)
    beside = [np.array([row, col]) + sign * 2.5 * unit + middle for sign in (-1, 1)]
    around = scipy.ndimage.map_coordinates(power, np.transpose(beside), order=1, mode="wrap")
    width = float(np.mean(np.maximum(around - 1, 0)) / max(power[i, j] - 1, 1e-9))
    scale = spectrum.size * spectrum.reduction
    return Peak(row / scale, col / scale, float(power[i, j]), min(0.0, log_p), width, 1 / scale)


def _log_tail(shape: FloatArray, value: FloatArray) -> FloatArray:
    """Logarithm of the upper tail of the gamma law, also where it underflows."""
    tail = scipy.special.gammaincc(shape, value)
    # leading term of the asymptotic series: Abramowitz and Stegun, 6.5.32
    far = (shape - 1) * np.log(value) - value - scipy.special.gammaln(shape)
    return np.where(tail > 1e-280, np.log(np.maximum(tail, 1e-300)), far)


def _centroid(power: FloatArray, i: int, j: int) -> tuple[float, float]:
    """Place of a peak within its bin: parabola through the logarithms of three bins.

    The transform of a Hann window has a nearly parabolic logarithm about its middle.
    """
    size = power.shape[0]
    offsets = []
    for step in ((1, 0), (0, 1)):
        left = power[(i - step[0]) % size, (j - step[1]) % size]
        right = power[(i + step[0]) % size, (j + step[1]) % size]
        a, b, c = (math.log(max(v, 1e-12)) for v in (left, power[i, j], right))
        curve = a - 2 * b + c
        offsets.append(0.0 if curve >= 0 else float(np.clip(0.5 * (a - c) / curve, -0.5, 0.5)))
    return offsets[0], offsets[1]


def peak_near(spectrum: ZoneSpectrum, row: float, col: float, reach: float = 2.0) -> Peak | None:
    """Return the highest point of the spectrum near a frequency (cycles per pixel), or None."""
    size, scale = spectrum.size, spectrum.size * spectrum.reduction
    middle = size // 2
    i, j = row * scale + middle, col * scale + middle
    r = math.ceil(reach)
    if not (r < i < size - r - 1 and r < j < size - r - 1):
        return None
    window = spectrum.power[round(i) - r : round(i) + r + 1, round(j) - r : round(j) + r + 1]
    k, m = divmod(int(np.argmax(window)), window.shape[1])
    k, m = round(i) - r + k, round(j) - r + m
    if math.hypot(k - i, m - j) > reach + 0.8:
        return None
    shape = np.asarray([spectrum.shape if abs(m - middle) > 1
                        else min(spectrum.shape, spectrum.axis_shape)])
    median = scipy.special.gammaincinv(shape, 0.5) / shape
    value = shape * spectrum.power[k, m] * median
    log_p = float(_log_tail(shape, value)[0]) + math.log(max(1.0, math.pi * reach**2))
    return _peak(spectrum, k, m, log_p)
