"""Photographs as textures that name no zone: what the models must not be sure of.

The models learn doubt from textures of no particular origin. Drawn ones alone leave them sure of
photographs, whose statistics no drawing has; a folder of any photographs mends that. None is
shipped: whoever fits the models names a folder of their own.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import ImageError

if TYPE_CHECKING:
    from torch import Tensor

FloatImage = NDArray[np.float32]
_SUFFIXES = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp"})
_LEAST_SIDE_PX = 48
_EVEN_PX = 32.0
_SIDE_PX = 512  # of the squares on the fitting device
_SCALE = (0.35, 3.0)  # a photograph is shown at this range of magnifications


@lru_cache(maxsize=4)
def read_photographs(folder: Path) -> tuple[FloatImage, ...]:
    """Return the photographs of a folder as grey planes of mean 0 and standard deviation 1.

    Parameters
    ----------
    folder : Path
        Holds PNG, JPEG, TIFF or BMP files; others are passed over.

    Raises
    ------
    ImageError
        Where the folder holds no photograph that can be read.
    """
    found = []
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() not in _SUFFIXES:
            continue
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if grey is None or min(grey.shape) < _LEAST_SIDE_PX:
            continue
        found.append(_evened(np.asarray(grey, np.float32)))
    if not found:
        raise ImageError(
            "it holds no photograph that can be read", file=folder.name,
            rule=f"a photograph has at least {_LEAST_SIDE_PX} pixels a side",
            remedy="Name a folder of PNG, JPEG, TIFF or BMP files.",
        )  # fmt: skip
    return tuple(found)


def _evened(plane: FloatImage) -> FloatImage:
    """Return the plane with light and contrast made nearly even, as a texture has them."""
    plane = np.asarray((plane - plane.mean()) / (plane.std() + 1e-6), np.float32)
    detail = plane - np.asarray(cv2.GaussianBlur(plane, (0, 0), _EVEN_PX))
    power = np.asarray(cv2.GaussianBlur(detail * detail, (0, 0), _EVEN_PX))
    evened = detail / np.sqrt(power + 0.02) + 0.3 * plane
    return np.asarray((evened - evened.mean()) / (evened.std() + 1e-6), np.float32)


def photograph_squares(folder: Path) -> Tensor:
    """Return the photographs of a folder as (n, side, side) tensor, mirrored to fill squares.

    Raises
    ------
    ImageError
        Where the folder holds no photograph that can be read.
    """
    import torch  # the fitting device's library, not there where samples alone are drawn

    squares = []
    for plane in read_photographs(folder):
        missing = [(0, max(0, _SIDE_PX - extent)) for extent in plane.shape]
        squares.append(np.pad(plane, missing, mode="symmetric")[:_SIDE_PX, :_SIDE_PX])
    return torch.from_numpy(np.stack(squares))


def photograph_texture(
    photographs: tuple[FloatImage, ...], shape: tuple[int, int], rng: np.random.Generator
) -> FloatImage:
    """Return a plane of a photograph, turned, magnified and mirrored at its edges to fit.

    Parameters
    ----------
    photographs : tuple of float arrays
        As from ``read_photographs``.
    shape : (rows, cols)
        Size in pixels.
    rng : numpy.random.Generator
        Source of all randomness.
    """
    source = photographs[rng.integers(len(photographs))]
    if rng.random() < 0.3:
        other = photographs[rng.integers(len(photographs))]
        size = (source.shape[1], source.shape[0])
        source = source + rng.uniform(0.2, 0.8) * np.asarray(cv2.resize(other, size))
    scale = float(np.exp(rng.uniform(*np.log(_SCALE))))
    if scale < 0.8:
        source = np.asarray(cv2.GaussianBlur(source, (0, 0), 0.5 / scale), np.float32)
    angle = rng.uniform(-np.pi, np.pi) if rng.random() < 0.5 else rng.integers(4) * np.pi / 2
    cosine, sine = np.cos(angle) / scale, np.sin(angle) / scale
    start = rng.uniform(0, 1, 2) * (source.shape[1], source.shape[0])
    turn = np.array([[cosine, -sine, start[0]], [sine, cosine, start[1]]])
    return np.asarray(
        cv2.warpAffine(
            source, turn, (shape[1], shape[0]),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT_101,
        ),
        np.float32,
    )  # fmt: skip
