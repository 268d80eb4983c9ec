"""The calibrated picture: pixels with their scale, noise and source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeqc.flags import Raised


@dataclass(frozen=True)
class ImageSource:
    """Where a picture came from.

    Parameters
    ----------
    file : str
        File name, relative to the folder that was given.
    page : int
        Page within the file, from 1.
    pages : int
        Number of pages of the file.
    sha256 : str
        Hash of the file's bytes, in hexadecimal.
    acquisition : mapping
        The acquisition settings that may be passed on (a fixed list of keys; no user names).
    """

    file: str
    page: int = 1
    pages: int = 1
    sha256: str = ""
    acquisition: Mapping[str, str | float] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def name(self) -> str:
        """File name, with ``#page`` from the second page on."""
        return self.file if self.page == 1 else f"{self.file}#{self.page}"


@dataclass(frozen=True)
class CalibratedImage:
    """A picture with its scale.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels, 0 to 1 of the file format's range. The data bar is still in it.
    valid : (rows, cols) bool array
        False on the data bar and where the file holds no number.
    pixel_size_um : (row, col) or None
        Pixel size in µm; None where no trustworthy source gave one.
    u_rel_pixel_size : float
        Relative standard uncertainty of the pixel size.
    pixel_size_source : str
        ``"sheet"``, ``"instrument tag"``, ``"side file"``, ``"OME-XML"``, ``"resolution tag"``,
        ``"scale bar"`` or ``"none"``.
    tilt_deg, u_tilt_deg : float
        Tilt of the face away from the picture plane about its length, in degrees, and its
        standard uncertainty; ``nan`` where the tilt is not known.
    noise_sd : float
        Standard deviation of the pixel noise, in units of ``pixels``.
    source : ImageSource
        File, page, hash, acquisition settings.
    flags : tuple of Raised
        Doubts about the picture.
    reduction : int
        Each pixel is the mean of a block of reduction x reduction pixels of the file, and all
        pixel coordinates and ``pixel_size_um`` are those of the blocks; 1 for all but mosaics.
    file_shape : (rows, cols)
        Size of the picture in the file; zeros where it is that of ``pixels``.
    """

    pixels: NDArray[np.float32]
    valid: NDArray[np.bool_]
    pixel_size_um: tuple[float, float] | None
    u_rel_pixel_size: float
    pixel_size_source: str
    tilt_deg: float
    u_tilt_deg: float
    noise_sd: float
    source: ImageSource
    flags: tuple[Raised, ...] = ()
    reduction: int = 1
    file_shape: tuple[int, int] = (0, 0)

    @property
    def shape_in_file(self) -> tuple[int, int]:
        """Rows and columns of the picture in the file."""
        rows, cols = self.pixels.shape
        return self.file_shape if all(self.file_shape) else (rows, cols)

    def in_file_px(self, position: float) -> float:
        """Return a row or column coordinate in pixels of the file."""
        return position * self.reduction + (self.reduction - 1) / 2


def read_images(path: str | Path, *args: Any, **options: Any) -> tuple[CalibratedImage, ...]:
    """Return every page of a picture file as a calibrated picture.

    The same as ``edgeqc.imaging.calibration.read_images``, which see for the parameters; loaded
    on the first call, because that module builds on this one.
    """
    from edgeqc.imaging import calibration

    return calibration.read_images(path, *args, **options)
