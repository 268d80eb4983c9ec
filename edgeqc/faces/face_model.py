"""A learned map of where the cut face is: background, other lens body, face."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import ModelError
from edgeqc.faces.own_looks import made_up
from edgeqc.imaging.image import CalibratedImage
from edgeqc.order_statistics import median

FloatImage = NDArray[np.float32]

CANVAS = 512
"""Longer side of the picture as the network sees it, in samples."""
STRIDE = 2
"""Samples per cell of the resulting map."""
N_PLANES = 6
_N_CUES, _VALID = 4, 4  # planes of grey and texture first, then the valid mask
MODEL_FILE = "face_model.onnx"
_ENERGY_FLOOR = 1e-7  # (grey range)²; keeps the logarithm finite on a flat picture
_STRIP_PIXELS = 1 << 18
_HALO_ROWS = 8  # what a smoothing of two pixels sees on either side


def _shrunk(plane: FloatImage, rows: int, cols: int) -> FloatImage:
    how = cv2.INTER_AREA if plane.shape[0] > rows else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(plane, (cols, rows), interpolation=how))


def _blur(plane: FloatImage, sigma: float) -> FloatImage:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT))


def canvas_size(shape: tuple[int, ...]) -> tuple[int, int]:
    """Return rows and columns of the picture on the network's canvas."""
    scale = CANVAS / max(shape[0], shape[1])
    return (
        max(8, min(CANVAS, round(shape[0] * scale))),
        max(8, min(CANVAS, round(shape[1] * scale))),
    )


def picture_planes(image: CalibratedImage) -> FloatImage:
    """Return what the face model sees of a picture.

    Parameters
    ----------
    image : CalibratedImage
        The picture; the data bar is blanked.

    Returns
    -------
    (N_PLANES, CANVAS, CANVAS) float32 array
        Grey, high-pass grey, two bands of fine texture energy taken at full resolution, the
        valid mask, and a mask of the canvas; the picture stands in the upper left.
    """
    rows, cols = canvas_size(image.pixels.shape)
    grey, centre, spread = _blanked(image)
    planes = np.zeros((N_PLANES, CANVAS, CANVAS), np.float32)
    small = _shrunk(grey, rows, cols)
    planes[0, :rows, :cols] = np.clip((small - centre) / spread, -4, 4)
    detail = small - _blur(small, 12.0)
    planes[1, :rows, :cols] = np.clip(detail / (float(detail.std()) + 1e-6), -4, 4)
    for index, power in enumerate(_fine_power(grey)):
        energy = np.log(_blur(_shrunk(power, rows, cols), 2.0) + _ENERGY_FLOOR)
        planes[2 + index, :rows, :cols] = np.clip(energy - np.float32(median(energy)), -5, 5)
    planes[4, :rows, :cols] = _shrunk(image.valid.astype(np.float32), rows, cols)
    planes[5, :rows, :cols] = 1.0
    return planes


def _blanked(image: CalibratedImage) -> tuple[FloatImage, float, float]:
    """Return the grey levels with the data bar filled in, their centre and spread."""
    grey, valid = np.asarray(image.pixels, np.float32), image.valid
    whole = bool(valid.all())  # then no copy of a large picture is made
    if not whole:
        grey = np.nan_to_num(grey)
    inside = grey.ravel() if whole or not valid.any() else grey[valid]
    sample = inside[:: max(1, inside.size // 200_000)]
    centre, spread = median(sample), float(sample.std()) + 1e-6
    return grey if whole else np.where(valid, grey, np.float32(centre)), centre, spread


def _fine_power(grey: FloatImage) -> tuple[FloatImage, FloatImage]:
    """Return the squares of two bands of fine detail, by strips that stay in the cache."""
    finest, fine = np.empty_like(grey), np.empty_like(grey)
    rows = grey.shape[0]
    height = max(_STRIP_PIXELS // grey.shape[1], 4 * _HALO_ROWS)
    for top in range(0, rows, height):
        start, stop = max(0, top - _HALO_ROWS), min(rows, top + height + _HALO_ROWS)
        strip = grey[start:stop]
        first, second = _blur(strip, 1.0), _blur(strip, 2.0)
        inner = slice(top - start, min(top + height, rows) - start)
        into = slice(top, top + height)
        for band, upper, lower in ((finest, strip, first), (fine, first, second)):
            np.subtract(upper[inner], lower[inner], out=band[into])
            np.multiply(band[into], band[into], out=band[into])
    return finest, fine


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    data = files("edgeqc").joinpath("faces", MODEL_FILE).read_bytes()
    try:
        return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))
    except cv2.error as error:
        raise ModelError(
            "the face model cannot be read", file=MODEL_FILE, remedy="Reinstall edgeqc."
        ) from error


def face_probability(image: CalibratedImage) -> FloatImage:
    """Return the probability of background, other lens body and face over the picture.

    Parameters
    ----------
    image : CalibratedImage
        The picture.

    Returns
    -------
    (3, rows, cols) float32 array
        On a coarse grid of the whole picture, longer side CANVAS / STRIDE cells. The learned map
        joined with how the picture's own faces look (``edgeqc.faces.own_looks``).
    """
    network = _network()
    planes = picture_planes(image)
    network.setInput(planes[None])
    logits = np.asarray(network.forward())[0]
    rows, cols = canvas_size(image.pixels.shape)
    planes = planes[:, :rows, :cols]
    logits = logits[:, : -(-rows // STRIDE), : -(-cols // STRIDE)]
    logits = logits - logits.max(axis=0, keepdims=True)
    power = np.exp(logits)
    learned = np.asarray(power / power.sum(axis=0, keepdims=True), np.float32)
    return made_up(learned, planes[:_N_CUES], planes[_VALID])
