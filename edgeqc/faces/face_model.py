"""A learned map of where the cut face is: background, other lens body, face."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import ModelError
from edgeqc.imaging.image import CalibratedImage

FloatImage = NDArray[np.float32]

CANVAS = 512
"""Longer side of the picture as the network sees it, in samples."""
STRIDE = 2
"""Samples per cell of the resulting map."""
N_PLANES = 6
MODEL_FILE = "face_model.onnx"
_ENERGY_FLOOR = 1e-7  # (grey range)²; keeps the logarithm finite on a flat picture


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
    grey = np.nan_to_num(np.asarray(image.pixels, np.float32))
    valid = image.valid.astype(np.float32)
    inside = grey[image.valid] if image.valid.any() else grey.ravel()
    step = max(1, inside.size // 200_000)
    centre = float(np.median(inside[::step]))
    spread = float(inside[::step].std()) + 1e-6
    grey = np.where(image.valid, grey, np.float32(centre))
    planes = np.zeros((N_PLANES, CANVAS, CANVAS), np.float32)
    small = _shrunk(grey, rows, cols)
    planes[0, :rows, :cols] = np.clip((small - centre) / spread, -4, 4)
    detail = small - _blur(small, 12.0)
    planes[1, :rows, :cols] = np.clip(detail / (float(detail.std()) + 1e-6), -4, 4)
    first, second = _blur(grey, 1.0), _blur(grey, 2.0)
    for index, band in enumerate((grey - first, first - second)):
        energy = np.log(_blur(_shrunk(band * band, rows, cols), 2.0) + _ENERGY_FLOOR)
        planes[2 + index, :rows, :cols] = np.clip(energy - np.median(energy), -5, 5)
    planes[4, :rows, :cols] = _shrunk(valid, rows, cols)
    planes[5, :rows, :cols] = 1.0
    return planes


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
        On a coarse grid of the whole picture, longer side CANVAS / STRIDE cells.
    """
    network = _network()
    network.setInput(picture_planes(image)[None])
    logits = np.asarray(network.forward())[0]
    rows, cols = canvas_size(image.pixels.shape)
    logits = logits[:, : -(-rows // STRIDE), : -(-cols // STRIDE)]
    logits = logits - logits.max(axis=0, keepdims=True)
    power = np.exp(logits)
    return np.asarray(power / power.sum(axis=0, keepdims=True), np.float32)
