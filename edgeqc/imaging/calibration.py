"""From a raw page to the calibrated picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from edgeqc.imaging.data_bar import DataBarSettings, find_data_bar
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.imaging.quality import QualityLimits, QualityRecord, measure_quality, quality_flags
from edgeqc.imaging.reading import RawPage, ReadingLimits, read_pages
from edgeqc.imaging.scale import ScaleSettings, find_scale
from edgeqc.imaging.scale_bar import ScaleBarSettings


@dataclass(frozen=True)
class ImagingSettings:
    """Settings of the imaging step.

    Parameters
    ----------
    reading : ReadingLimits
        Largest picture and number of pages.
    scale : ScaleSettings
        Doubt and plausibility of pixel sizes.
    data_bar : DataBarSettings
        How a data bar is told from a picture.
    scale_bar : ScaleBarSettings
        How a scale bar is found.
    quality : QualityLimits
        Limits of picture quality.
    """

    reading: ReadingLimits = field(default_factory=ReadingLimits)
    scale: ScaleSettings = field(default_factory=ScaleSettings)
    data_bar: DataBarSettings = field(default_factory=DataBarSettings)
    scale_bar: ScaleBarSettings = field(default_factory=ScaleBarSettings)
    quality: QualityLimits = field(default_factory=QualityLimits)


def calibrate(
    raw: RawPage,
    sheet_row: Mapping[str, object] | None = None,
    settings: ImagingSettings | None = None,
) -> CalibratedImage:
    """Return the picture with its scale, valid area, noise and doubts.

    Parameters
    ----------
    raw : RawPage
        A page of a picture file.
    sheet_row : mapping, optional
        Its row of the specimen sheet: ``pixel_size_um``, ``scale_bar_um``, ``tilt_deg``.
    settings : ImagingSettings, optional
        Settings of this step.

    Raises
    ------
    ScaleError
        The sheet gives an impossible pixel size, scale bar or tilt.
    """
    return calibrate_with_quality(raw, sheet_row, settings)[0]


def calibrate_with_quality(
    raw: RawPage,
    sheet_row: Mapping[str, object] | None = None,
    settings: ImagingSettings | None = None,
) -> tuple[CalibratedImage, QualityRecord]:
    """Return the calibrated picture and the figures behind its quality flags.

    The parameters are those of ``calibrate``.
    """
    settings = settings or ImagingSettings()
    bar = find_data_bar(raw.pixels, settings.data_bar)
    valid = raw.finite.copy()
    if bar is not None:
        valid[bar.top : bar.bottom] = False
    scale = find_scale(raw, sheet_row, bar, settings.scale, settings.scale_bar)
    quality = measure_quality(raw.pixels, valid)
    shape = int(np.count_nonzero(valid.any(axis=1))), raw.pixels.shape[1]
    image = CalibratedImage(
        pixels=raw.pixels,
        valid=valid,
        pixel_size_um=scale.pixel_size_um,
        u_rel_pixel_size=scale.u_rel,
        pixel_size_source=scale.source,
        tilt_deg=scale.tilt_deg,
        u_tilt_deg=scale.u_tilt_deg,
        noise_sd=quality.noise_sd,
        source=ImageSource(raw.file, raw.page, raw.pages, raw.sha256, scale.acquisition),
        flags=(*raw.flags, *scale.flags, *quality_flags(quality, shape, settings.quality)),
        reduction=raw.reduction,
        file_shape=raw.file_shape,
    )
    return image, quality


def picture_quality(image: CalibratedImage) -> QualityRecord:
    """Return the figures behind a picture's quality flags."""
    return measure_quality(image.pixels, image.valid)


def read_images(
    path: str | Path,
    sheet_row: Mapping[str, object] | None = None,
    settings: ImagingSettings | None = None,
    *,
    name: str | None = None,
) -> tuple[CalibratedImage, ...]:
    """Return every page of a picture file as a calibrated picture.

    Parameters
    ----------
    path : str or Path
        A TIFF, PNG, JPEG or BMP file.
    sheet_row : mapping, optional
        Its row of the specimen sheet; it holds for all pages.
    settings : ImagingSettings, optional
        Settings of this step.
    name : str, optional
        Name for records and messages; the file's own name by default.

    Raises
    ------
    ImageError
        The file cannot be read, or its sheet row is impossible.
    """
    settings = settings or ImagingSettings()
    pages = read_pages(path, name=name, limits=settings.reading)
    return tuple(calibrate(page, sheet_row, settings) for page in pages)
