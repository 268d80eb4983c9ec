"""The frequency of a wave from the whole zone, finer than a tile can tell."""

from __future__ import annotations

import math

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.measure.lattice_spectrum import Peak, levelled

Plane = NDArray[np.float32]


def refine_frequency(
    pixels: Plane, mask: NDArray[np.bool_], peak: Peak
) -> tuple[float, float]:
    """Return the frequency (row, col) of a wave in cycles per pixel, over the whole zone.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    mask : (rows, cols) bool array
        The zone.
    peak : Peak
        The wave, as the tiles show it.

    Notes
    -----
    The pixels are multiplied by the conjugate wave and averaged over blocks; what remains
    turns slowly, by the difference between the wave's frequency and the peak's. Its spectrum is
    read within the tile's resolution of the peak, by the mean weighted with the square of the
    power. Where the lattice keeps step over the zone that is the crest; where it does not, the
    mean over its pieces.
    """
    period = 1 / math.hypot(peak.row, peak.col)
    reduction = max(1, min(int(period / 5), 8))
    size = (pixels.shape[1] // reduction, pixels.shape[0] // reduction)
    crop = (slice(0, size[1] * reduction), slice(0, size[0] * reduction))
    zone = np.asarray(cv2.resize(mask[crop].astype(np.float32), size,
                                 interpolation=cv2.INTER_AREA), np.float32)
    small = np.asarray(cv2.resize(pixels[crop], size, interpolation=cv2.INTER_AREA), np.float32)
    window = (zone > 0.99).astype(np.float32)
    level = levelled(small, window, 2.5 * period / reduction)
    row = np.exp(-2j * np.pi * peak.row * reduction * np.arange(size[1])).astype(np.complex64)
    col = np.exp(-2j * np.pi * peak.col * reduction * np.arange(size[0])).astype(np.complex64)
    turned = level * window * row[:, None] * col[None, :]
    block = max(1, int(1 / (peak.bin * reduction) / 8))
    slow = _block_sums(turned, block)
    fine = 1 / (block * reduction)  # cycles per pixel of one whole turn per block
    length = [scipy.fft.next_fast_len(max(4 * n, math.ceil(16 * fine / peak.bin)))
              for n in slow.shape]
    power = np.abs(scipy.fft.fft2(slow, length)) ** 2
    d_row, d_col = (scipy.fft.fftfreq(n) * fine for n in length)
    near = np.hypot(d_row[:, None], d_col[None, :]) <= 0.9 * peak.bin
    weight = np.where(near, power, 0.0) ** 2
    total = float(weight.sum())
    if total <= 0:
        return peak.row, peak.col
    return (peak.row + float((weight * d_row[:, None]).sum() / total),
            peak.col + float((weight * d_col[None, :]).sum() / total))


def _block_sums(values: NDArray[np.complex64], block: int) -> NDArray[np.complex64]:
    rows, cols = (math.ceil(n / block) * block for n in values.shape)
    padded = np.zeros((rows, cols), np.complex64)
    padded[: values.shape[0], : values.shape[1]] = values
    blocks = padded.reshape(rows // block, block, cols // block, block)
    return np.asarray(blocks.sum(axis=(1, 3)), np.complex64)


def unroll_in_pixels(
    pixels: Plane, mask: NDArray[np.bool_], face: CutFace
) -> tuple[Plane, NDArray[np.bool_]]:
    """Return a bent face laid straight without a change of scale, and its mask.

    Columns are the length along the mid-line, rows the distance from the mid-line along the
    chord, both in pixels of the picture.
    """
    middle = (face.anterior_px + face.posterior_px) / 2
    across = face.posterior_px - face.anterior_px
    thick = np.hypot(*across.T)
    unit = across / np.maximum(thick, 1e-9)[:, None]
    half = math.ceil(float(thick.max()) / 2)
    length = max(2, int(face.s_px[-1]))
    at = np.interp(np.arange(length), face.s_px, np.arange(face.s_px.size))
    index = np.arange(face.s_px.size)
    base = [np.interp(at, index, middle[:, axis]) for axis in (0, 1)]
    lean = [np.interp(at, index, unit[:, axis]) for axis in (0, 1)]
    w = np.arange(-half, half + 1, dtype=float)[:, None]
    row, col = (np.asarray(b[None] + w * u[None], np.float32)
                for b, u in zip(base, lean, strict=True))
    laid = cv2.remap(pixels, col, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    zone = cv2.remap(mask.astype(np.uint8), col, row, cv2.INTER_NEAREST,
                     borderMode=cv2.BORDER_CONSTANT, borderValue=0.0)
    return np.asarray(laid, np.float32), np.asarray(zone, np.bool_)
