"""Whether a picture is good enough to be measured: sharpness, noise, clipping, charging."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.flags import Raised, raised
from edgeqc.imaging.edge_blur import blur_of_edges
from edgeqc.imaging.noise import estimate_noise
from edgeqc.imaging.row_drift import row_jump

Plane = NDArray[np.float32]


@dataclass(frozen=True)
class QualityLimits:
    """Limits of picture quality; a picture beyond one is flagged.

    Parameters
    ----------
    min_side_px : int
        Least side of the picture: with less there is no room for a face and its surroundings.
    min_contrast : float
        Least span of grey levels (0.1 % to 99.9 % of the pixels) of a picture that is not blank.
    max_blur_px, max_defocus_px : float
        Largest standard deviation of the blur of the sharpest edges, in pixels: beyond the
        first the picture is flagged as blurred, beyond the second as out of focus.
    max_noise_fraction : float
        Largest standard deviation of the noise, as a fraction of the span of the 8-pixel means.
    min_structure_ratio : float
        Least ratio of the variance of block means to what pure pixel noise would give.
    max_clipped_fraction, max_clipped_heavily_fraction : float
        Largest share of pixels clipped to white, or to black within a bright neighbourhood.
    max_row_jump : float
        Largest jump of whole rows, as a fraction of the picture's span of grey levels.
    max_gradient : float
        Largest change of brightness from side to side, as a fraction of that span.
    max_clipped_beside_fraction, min_clipped_background_fraction : float
        A face is in doubt where white patches lie beside more of its outline than the first; from
        the second on the whole background is white, which takes nothing from the face.

    Notes
    -----
    Blur, noise, clipping and row jumps were set on drawn pictures with known defects so that at
    most 2 % of those without the defect are flagged; see ``tests/test_imaging_quality.py``.
    """

    min_side_px: int = 128
    min_contrast: float = 0.02
    max_blur_px: float = 1.9
    max_defocus_px: float = 5.0
    max_noise_fraction: float = 0.3
    min_structure_ratio: float = 1.5
    max_clipped_fraction: float = 0.06
    max_clipped_heavily_fraction: float = 0.4
    max_row_jump: float = 0.14
    max_gradient: float = 0.5
    max_clipped_beside_fraction: float = 0.02
    min_clipped_background_fraction: float = 0.9


@dataclass(frozen=True)
class QualityRecord:
    """The figures behind the quality flags.

    Parameters
    ----------
    contrast : float
        Span of grey levels (0.1 % to 99.9 % of the pixels).
    blur_px : float
        Standard deviation of the blur of the sharpest edges, in pixels; ``inf`` where there is
        no edge above the noise.
    noise_sd, texture_sd : float
        Standard deviations of the pixel noise and of the texture, in grey levels from 0 to 1.
    texture_snr : float
        Their ratio.
    noise_fraction : float
        Noise over the span of the 8-pixel means (2 % to 98 %).
    structure_ratio : float
        Variance of block means over that of pure pixel noise, the larger of two block sizes.
    clipped_white_fraction, clipped_black_fraction : float
        Shares of pixels clipped to white, and to black within a bright neighbourhood.
    row_jump : float
        Largest jump of whole rows, as a fraction of the span.
    gradient : float
        Change of brightness from side to side, as a fraction of the span.
    """

    contrast: float
    blur_px: float
    noise_sd: float
    texture_sd: float
    texture_snr: float
    noise_fraction: float
    structure_ratio: float
    clipped_white_fraction: float
    clipped_black_fraction: float
    row_jump: float
    gradient: float


def measure_quality(pixels: Plane, valid: NDArray[np.bool_]) -> QualityRecord:
    """Return the quality figures of a picture.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels, 0 to 1.
    valid : (rows, cols) bool array
        Pixels that belong to the picture (not to the data bar).
    """
    rows = np.nonzero(valid.any(axis=1))[0]
    if rows.size:  # leave a data bar away by slicing, so that the rest needs no mask
        pixels, valid = pixels[rows[0] : rows[-1] + 1], valid[rows[0] : rows[-1] + 1]
    low, high = _span(pixels, valid)
    contrast = high - low
    noise = estimate_noise(pixels, valid)
    white, black = _clipped(pixels, valid)
    tiny = contrast <= 0 or min(pixels.shape) < 32
    return QualityRecord(
        contrast=contrast,
        blur_px=math.inf if tiny else blur_of_edges(pixels, valid, noise.sd),
        noise_sd=noise.sd,
        texture_sd=noise.texture_sd,
        texture_snr=noise.snr,
        noise_fraction=math.inf if tiny else noise.sd / max(_smooth_span(pixels), 1e-6),
        structure_ratio=math.inf if tiny else _structure_ratio(pixels, noise.sd),
        clipped_white_fraction=white,
        clipped_black_fraction=black,
        row_jump=0.0 if tiny else row_jump(pixels, noise.sd) / contrast,
        gradient=0.0 if tiny else _side_to_side(pixels) / contrast,
    )


def quality_flags(
    record: QualityRecord, shape: tuple[int, ...], limits: QualityLimits | None = None
) -> tuple[Raised, ...]:
    """Return the flags that quality figures amount to.

    Parameters
    ----------
    record : QualityRecord
        The figures.
    shape : (rows, cols)
        Size of the picture.
    limits : QualityLimits, optional
        The limits.
    """
    limits = limits or QualityLimits()
    flags = []
    if min(shape) < limits.min_side_px:
        flags.append(raised("too_small", f"{shape[1]} x {shape[0]} pixels"))
    if record.contrast < limits.min_contrast:
        return (*flags, raised("blank", f"grey levels span {100 * record.contrast:.1f} %"))
    if record.structure_ratio < limits.min_structure_ratio:
        return (*flags, raised("noise_only"))
    return (*flags, *_level_flags(record, limits), *_sharpness_flags(record, limits))


def _level_flags(record: QualityRecord, limits: QualityLimits) -> list[Raised]:
    flags = []
    clipped = record.clipped_white_fraction + record.clipped_black_fraction
    if clipped > limits.max_clipped_heavily_fraction:
        flags.append(raised("saturated_heavily", f"{100 * clipped:.0f} % of the pixels"))
    elif clipped > limits.max_clipped_fraction:
        flags.append(raised("saturated", f"{100 * clipped:.0f} % of the pixels"))
    if record.row_jump > limits.max_row_jump:
        flags.append(raised("charging", f"rows jump by {100 * record.row_jump:.0f} % of the span"))
    if record.gradient > limits.max_gradient:
        flags.append(raised("gradient", f"{100 * record.gradient:.0f} % of the span"))
    return flags


def _sharpness_flags(record: QualityRecord, limits: QualityLimits) -> list[Raised]:
    flags = []
    if record.blur_px > limits.max_defocus_px:
        flags.append(raised("out_of_focus", f"edges {record.blur_px:.1f} px"))
    elif record.blur_px > limits.max_blur_px:
        flags.append(raised("blurred", f"edges {record.blur_px:.1f} px"))
    if record.noise_fraction > limits.max_noise_fraction:
        flags.append(raised("noisy", f"noise {100 * record.noise_fraction:.0f} % of the span"))
    return flags


def _span(pixels: Plane, valid: NDArray[np.bool_]) -> tuple[float, float]:
    counts = cv2.calcHist([pixels], [0], valid.astype(np.uint8), [1024], [0.0, 1.0 + 1 / 1024])
    total = np.cumsum(np.ravel(counts))
    if total[-1] == 0:
        return 0.0, 0.0
    low, high = (int(np.searchsorted(total, share * total[-1])) for share in (0.001, 0.999))
    # bins of 1/1023: one level of an 8-bit picture is four of them
    return low / 1023, high / 1023


def _clipped(pixels: Plane, valid: NDArray[np.bool_]) -> tuple[float, float]:
    """Shares of clipped pixels; black that fills its neighbourhood is background, not loss."""
    white = (pixels >= 1 - 0.5 / 255) & valid
    black = ((pixels <= 0.5 / 255) & valid).astype(np.float32)
    size = (max(1, pixels.shape[1] // 16), max(1, pixels.shape[0] // 16))
    share = cv2.resize(black, size, interpolation=cv2.INTER_AREA)
    bright = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    # a block that is nearly black as a whole is background at the foot of the scale
    ground = (bright <= 0.04) | (share >= 0.9)
    per_block = pixels.size / share.size
    lost = float(share[~ground].sum()) * per_block
    # shares are of what is not such background, or a large one would hide a lost face
    count = max(per_block, float(np.count_nonzero(valid)) - float(ground.sum()) * per_block)
    return min(1.0, float(np.count_nonzero(white)) / count), min(1.0, lost / count)


def _block_means(pixels: Plane, size_px: int) -> Plane:
    size = (pixels.shape[1] // size_px, pixels.shape[0] // size_px)
    whole = pixels[: size_px * size[1], : size_px * size[0]]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.float32)


def _smooth_span(pixels: Plane) -> float:
    """Span of grey levels with the noise averaged away."""
    low, high = np.percentile(_block_means(pixels, 8), (2, 98))
    return float(high - low)


def _structure_ratio(pixels: Plane, noise_sd: float) -> float:
    """Variance between neighbouring block means over that of pure noise, at two block sizes.

    The larger of the two, less three standard errors of what pure noise gives.
    """
    if noise_sd <= 0:
        return math.inf
    found = 0.0
    for size_px in (8, 32):
        if min(pixels.shape) < 4 * size_px:
            continue
        mean = _block_means(pixels, size_px)
        # differences leave a slow change of brightness out; half their mean square is the variance
        for step in (np.diff(mean, axis=0), np.diff(mean, axis=1)):
            ratio = float(np.mean(step * step)) / 2 / (noise_sd / size_px) ** 2
            found = max(found, ratio / (1 + 3 * math.sqrt(3 / step.size)))
    return found


def _side_to_side(pixels: Plane) -> float:
    """Change of brightness from side to side: a plane common to dark and bright parts."""
    small = cv2.resize(pixels, (24, 16), interpolation=cv2.INTER_AREA).astype(float)
    row, col = (axis.ravel() / (size - 1) - 0.5
                for axis, size in zip(np.mgrid[0:16, 0:24], (16, 24), strict=True))
    level = small.ravel()
    bright = level > np.median(level)
    slope = np.zeros(3)
    for _ in range(8):  # classes and plane in turn, so that the scene itself is no gradient
        design = np.stack([row, col, np.ones_like(row), bright.astype(float)], axis=1)
        slope = np.linalg.lstsq(design, level, rcond=None)[0]
        flat = level - design[:, :2] @ slope[:2]
        middle = (flat[bright].mean() + flat[~bright].mean()) / 2 if 0 < bright.sum() < 384 else 0
        again = flat > middle
        if (again == bright).all() or not 0 < again.sum() < again.size:
            break
        bright = again
    return float(abs(slope[0]) + abs(slope[1]))
