"""The frequency of a wave over the whole zone, finer than a bin, and how well it is known."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.measure.lattice_spectrum import ZoneSpectrum
from edgeqc.quantity import FloatArray

Plane = NDArray[np.float32]

_HALF = 8
"""Half side in bins of the part of the spectrum that is turned back into a map of the wave."""
_PARTS = 3
_STRIP_PIXELS = 1 << 15


def crests(
    spectrum: ZoneSpectrum, row: float, col: float, reach: float = 1.6, *, parts: bool = True
) -> FloatArray:
    """Return a wave's frequency over the whole zone, and with parts of the zone left out.

    Parameters
    ----------
    spectrum : ZoneSpectrum
        Spectrum of the zone.
    row, col : float
        Frequency in cycles per pixel, within a bin or two.
    reach : float
        How far off it is looked for, in bins.
    parts : bool
        Whether parts of the zone are left out too.

    Returns
    -------
    frequencies : (1 + g, 2) float array
        Frequency (row, col) in cycles per pixel at the crest of the power: of all, then with
        each of g parts (nine to a block) left out in turn; g is 0 where none is wanted.

    Notes
    -----
    17 x 17 bins about the peak, transformed back, are a map of the wave's amplitude and phase
    over the zone; the sum of the map times the conjugate of a slow wave is the spectrum between
    the bins. Leaving parts out shows what the frequency owes to them: noise, displaced spots
    and a frame that bends alike (the jackknife).

    References
    ----------
    B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans, SIAM (1982), ch. 3.
    """
    size = 2 * _HALF + 1
    i, j = spectrum.index(row, col)
    step = np.arange(-_HALF, _HALF + 1)
    maps = []
    for transform in spectrum.transforms:
        crop = _bins(transform, spectrum.shape, (i + step)[:, None], (j + step)[None, :])
        maps.append(np.fft.ifft2(np.fft.ifftshift(crop)))
    place = np.arange(size) / size
    part = np.minimum((np.arange(size) * _PARTS) // size, _PARTS - 1)
    masks = [np.ones((len(maps), size, size))]
    for n in range(len(maps) if parts else 0):
        for r in range(_PARTS):
            for c in range(_PARTS):
                left = np.ones((len(maps), size, size))
                left[n][np.ix_(part == r, part == c)] = 0
                masks.append(left)
    waves = np.stack(masks) * np.stack(maps)[None]
    start = np.array([[row * spectrum.shape[0] - i, col * spectrum.shape[1] - j]])
    whole = _highest(waves[:1], place, start, reach, 0.2)
    centre = _highest(waves, place, np.repeat(whole, len(masks), axis=0), 0.4, 0.05)
    return np.asarray((centre + np.array([i, j])) / np.array(spectrum.shape, float))


def _bins(
    transform: NDArray[np.complex64], shape: tuple[int, int],
    i: NDArray[np.intp], j: NDArray[np.intp],
) -> NDArray[np.complex64]:
    """Bins of either sign of a half-plane transform."""
    i, j = np.broadcast_arrays(i, j)
    j = (j + shape[1] // 2) % shape[1] - shape[1] // 2
    back = j < 0
    j = np.minimum(np.abs(j), transform.shape[1] - 1)
    values = transform[np.where(back, -i, i) % shape[0], j]
    return np.asarray(np.where(back, np.conj(values), values), np.complex64)


def _highest(
    waves: NDArray[np.complex128], place: FloatArray, start: FloatArray, reach: float, step: float
) -> FloatArray:
    """Offset (row, col) in bins, about each start, at which the power of a map is highest."""
    grid = np.arange(-round(reach / step), round(reach / step) + 1) * step
    found = np.empty((len(waves), 2))
    for n, wave in enumerate(waves):
        row = np.exp(-2j * np.pi * np.outer(start[n, 0] + grid, place))
        col = np.exp(-2j * np.pi * np.outer(place, start[n, 1] + grid))
        power = (np.abs(row @ wave @ col) ** 2).sum(axis=0)
        a, b = np.unravel_index(int(power.argmax()), power.shape)
        off_a = _vertex(power[:, b], int(a))
        off_b = _vertex(power[a], int(b))
        found[n] = start[n] + step * (np.array([a, b]) - (grid.size - 1) / 2 + [off_a, off_b])
    return found


def _vertex(values: FloatArray, at: int) -> float:
    """Offset of the top of the parabola through three values, in steps."""
    if not 0 < at < values.size - 1:
        return 0.0
    left, top, right = values[at - 1 : at + 2]
    curve = left - 2 * top + right
    return 0.0 if curve >= 0 else float(np.clip(0.5 * (left - right) / curve, -0.5, 0.5))


def unroll_in_pixels(
    pixels: Plane, mask: NDArray[np.bool_], face: CutFace, degree: int = 4
) -> tuple[Plane, NDArray[np.bool_]]:
    """Return a bent face laid straight without a change of scale, as far as its mask goes.

    Columns are the length along the mid-line, rows the distance from the mid-line at right
    angles to it, both in pixels of the picture. The mid-line is a polynomial of the degree given:
    a traced edge's own wavering would shake a lattice out of step. Picture and mask are cropped
    to the mask; they are empty where no pixel of it is met.
    """
    middle = (face.anterior_px + face.posterior_px) / 2
    toward = np.median(face.posterior_px - face.anterior_px, axis=0)
    half = math.ceil(float(face.thickness_px.max()) / 2) + 2
    length = max(2, int(face.s_px[-1]))
    degree = min(degree, max(1, middle.shape[0] // 8))
    place = 2 * face.s_px / max(float(face.s_px[-1]), 1e-9) - 1
    curve = [np.polynomial.Polynomial(np.polynomial.polynomial.polyfit(
        place, middle[:, axis], degree)) for axis in (0, 1)]
    dense = np.linspace(-1, 1, 4 * length + 1)
    line = np.stack([part(dense) for part in curve], axis=1)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.interp(np.arange(int(run[-1])), run, dense)
    base = np.stack([part(at) for part in curve])
    way = np.stack([part.deriv()(at) for part in curve])
    way /= np.maximum(np.hypot(*way), 1e-12)
    lean = np.stack([way[1], -way[0]])
    if float(lean.mean(axis=1) @ toward) < 0:
        lean = -lean
    w = np.arange(-half, half + 1, dtype=float)
    row, col = (_laid(b, w, u) for b, u in zip(base, lean, strict=True))
    zone = np.asarray(cv2.remap(mask.astype(np.uint8), col, row, cv2.INTER_NEAREST,
                                borderMode=cv2.BORDER_CONSTANT, borderValue=0.0), np.bool_)
    held = [np.nonzero(zone.any(axis=axis))[0] for axis in (1, 0)]
    if not held[0].size:
        return np.empty((0, 0), np.float32), np.empty((0, 0), np.bool_)
    # the picture is interpolated only where the zone lies, which takes longest
    window = tuple(slice(int(each[0]), int(each[-1]) + 1) for each in held)
    col, row = (np.ascontiguousarray(part[window]) for part in (col, row))
    laid = cv2.remap(pixels, col, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid, np.float32), zone[window]


def _laid(base: FloatArray, w: FloatArray, lean: FloatArray) -> Plane:
    """Return ``base + w lean`` by columns and rows, made in strips that stay in the cache."""
    out = np.empty((w.size, base.size), np.float32)
    step = max(1, _STRIP_PIXELS // base.size)
    for top in range(0, w.size, step):
        strip = slice(top, top + step)
        out[strip] = base[None] + w[strip, None] * lean[None]
    return out
