"""Grey-level texture of a zone: lay, correlation length, slope, contrast; no heights.

One picture gives grey levels. They depend on tilt, detector, beam and contrast setting, so that
these figures compare zones of one imaging session and nothing else, and never bear a standard's
symbol for heights.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import frame_coordinates, label_raster
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.lattice_spectrum import levelled
from edgeqc.measure.roughness_row import RoughnessRow, Zone
from edgeqc.quantity import FloatArray, Measured, combine
from edgeqc.zoning.zones import LASER, SCISSOR, TORN, ZONE_NAMES, ZoneMap

Plane = NDArray[np.float32]

NOT_A_ROUGHNESS = ("of grey levels, not of heights: compare only within one imaging session")
"""The sentence that goes with every row."""


@dataclass(frozen=True)
class GreyTextureSettings:
    """Settings of the grey-level texture measures.

    Parameters
    ----------
    level_px : float
        Standard deviation of the running mean that is taken off first: slower changes are
        shading, not texture.
    gradient_px : float
        Standard deviation of the smoothing before gradients are taken.
    segments : int
        Number of stretches along the face whose scatter gives the sampling uncertainty.
    min_area_px : int
        Least area of a zone.
    shortest_px, longest_px : float
        Range of periods over which the spectral slope is fitted.
    """

    level_px: float = 24.0
    gradient_px: float = 1.2
    segments: int = 8
    min_area_px: int = 2000
    shortest_px: float = 4.0
    longest_px: float = 48.0


@dataclass(frozen=True)
class GreyTexture:
    """Grey-level texture of one zone.

    Parameters
    ----------
    lay_deg : Measured
        Direction in which grey levels change least, from the face's length, -90 to 90 degrees.
    lay_strength : Measured
        0 for a texture without direction, 1 for parallel lines.
    correlation_length : Measured
        Distance in the picture plane at which the autocorrelation, averaged over directions,
        has fallen to 1/e; µm, or px where no scale is known.
    spectral_slope : Measured
        Slope of log power over log frequency.
    contrast_over_noise : Measured
        Standard deviation of the texture over that of the pixel noise.
    """

    lay_deg: Measured
    lay_strength: Measured
    correlation_length: Measured
    spectral_slope: Measured
    contrast_over_noise: Measured


def grey_texture_rows(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    settings: GreyTextureSettings | None = None,
) -> tuple[RoughnessRow, ...]:
    """Return the grey-level rows of every zone of a face.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    zones : ZoneMap
        Its zones.
    settings : GreyTextureSettings, optional
        Settings.
    """
    settings = settings or GreyTextureSettings()
    labels = label_raster(face, zones.labels, (image.pixels.shape[0], image.pixels.shape[1]))
    rows: list[RoughnessRow] = []
    for code in (LASER, SCISSOR, TORN):
        texture = zone_texture(image, face, (labels == code) & image.valid, settings)
        if texture is not None:
            rows += _rows(ZONE_NAMES[code], texture)  # type: ignore[arg-type]
    return tuple(rows)


def _rows(zone: Zone, texture: GreyTexture) -> list[RoughnessRow]:
    lay = f"lay at {texture.lay_deg.value:.0f}° ± {2 * texture.lay_deg.u:.0f}° from the length"
    table = (
        ("lay_strength", "Strength of the lay", texture.lay_strength, f"{lay}; {NOT_A_ROUGHNESS}"),
        ("correlation_length", "Correlation length in the picture plane",
         texture.correlation_length, NOT_A_ROUGHNESS),
        ("spectral_slope", "Spectral slope", texture.spectral_slope, NOT_A_ROUGHNESS),
        ("contrast_over_noise", "Contrast over noise", texture.contrast_over_noise,
         NOT_A_ROUGHNESS),
    )
    return [RoughnessRow(zone, "grey level", name, title, value, note=note)
            for name, title, value, note in table]


def zone_texture(
    image: CalibratedImage,
    face: CutFace,
    mask: NDArray[np.bool_],
    settings: GreyTextureSettings | None = None,
) -> GreyTexture | None:
    """Return the grey-level texture of the pixels of a mask, or None where they are too few.

    Parameters
    ----------
    mask : (rows, cols) bool array
        Pixels of the zone.

    Notes
    -----
    Lay: the structure tensor, the mean of the gradient's outer product, less the share of the
    pixel noise; strength (l1 - l2)/(l1 + l2) of its eigenvalues. Tilt is undone across the
    thickness. Correlation length: from the spectrum of the levelled zone over that of its mask,
    the value at lag 0 without its noise. Slope: least squares over a fixed range of periods,
    noise floor taken off.

    References
    ----------
    J. Bigün, G. H. Granlund, Proc. 1st Int. Conf. Computer Vision (1987) 433 (structure tensor).
    """
    settings = settings or GreyTextureSettings()
    if int(np.count_nonzero(mask)) < settings.min_area_px:
        return None
    rows, cols = (np.nonzero(mask.any(axis=axis))[0] for axis in (1, 0))
    window = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1)
    zone = mask[window].astype(np.float32)
    level = levelled(image.pixels[window], zone, settings.level_px)
    noise = image.noise_sd if math.isfinite(image.noise_sd) else 0.0
    variance = float((level * level).sum() / zone.sum())
    lay, strength = _lay(level, mask, window, (image, face), settings)
    power, share = _spectrum(level), _spectrum(zone)
    texture = max(variance - noise**2, 0.0)
    contrast = math.sqrt(texture) / noise if noise > 0 else math.inf
    # an estimate of the noise from one picture is good to about a tenth
    budget = {"noise estimate": 0.1 * contrast if math.isfinite(contrast) else 0.0}
    note = "" if math.isfinite(contrast) else "no noise was found in the picture"
    return GreyTexture(
        lay, strength, _correlation_length(power, share, noise, image, settings),
        _slope(power / max(float(zone.sum()), 1.0), noise, settings),
        Measured(contrast, combine(budget), "1", budget, note=note),
    )


def _lay(
    level: Plane,
    mask: NDArray[np.bool_],
    window: tuple[slice, slice],
    scene: tuple[CalibratedImage, CutFace],
    settings: GreyTextureSettings,
) -> tuple[Measured, Measured]:
    """Direction and strength of the lay in the face's frame, from stretches along the face."""
    image, face = scene
    smooth = cv2.GaussianBlur(level, (0, 0), settings.gradient_px)
    g_row = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    g_col = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)
    inner = cv2.erode(mask[window].astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    frame = frame_coordinates(face, (mask.shape[0], mask.shape[1]))
    station = np.zeros(mask.shape, np.float32)
    station[frame.rows, frame.cols] = frame.station
    at = station[window][inner]
    across = face.posterior_px - face.anterior_px
    turn = np.unwrap(np.arctan2(-across[:, 1], across[:, 0]))
    local = np.interp(at, np.arange(turn.size), turn)
    size = image.pixel_size_um or (1.0, 1.0)
    a, b = g_row[inner] / size[0], g_col[inner] / size[1]
    tilt = math.radians(image.tilt_deg) if math.isfinite(image.tilt_deg) else 0.0
    g_s = b * np.cos(local) + a * np.sin(local)
    g_t = (a * np.cos(local) - b * np.sin(local)) * math.cos(tilt)
    # smoothed white noise has this mean squared gradient on either axis
    floor = (image.noise_sd or 0.0) ** 2 / (8 * math.pi * settings.gradient_px**4)
    floor_s, floor_t = floor / size[1] ** 2, floor / size[0] ** 2
    parts = np.stack([g_s * g_s - floor_s, g_t * g_t - floor_t, g_s * g_t])
    edges = np.quantile(at, np.linspace(0, 1, settings.segments + 1))
    which = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, settings.segments - 1)
    count = np.maximum(np.bincount(which, minlength=settings.segments), 1)
    means = np.stack([np.bincount(which, part, settings.segments) / count for part in parts])
    whole = _direction(means.mean(axis=1))
    # leaving one stretch out at a time (jackknife)
    left_out = np.array([_direction(np.delete(means, i, axis=1).mean(axis=1))
                         for i in range(settings.segments)])
    n = settings.segments
    swing = (left_out[:, 0] - whole[0] + 90) % 180 - 90
    u_angle = math.sqrt((n - 1) / n * float((swing**2).sum()))
    u_strength = math.sqrt((n - 1) / n * float(((left_out[:, 1] - whole[1]) ** 2).sum()))
    return (
        Measured(whole[0], min(u_angle, 52.0), "deg", {"sampling along s": u_angle}, n),
        Measured(whole[1], u_strength, "1", {"sampling along s": u_strength}, n),
    )


def _direction(tensor: FloatArray) -> tuple[float, float]:
    """Return lay direction (degrees from s) and strength of a tensor (ss, tt, st)."""
    ss, tt, st = (float(v) for v in tensor)
    spread = math.hypot(ss - tt, 2 * st)
    steepest = 0.5 * math.degrees(math.atan2(2 * st, ss - tt))
    total = ss + tt
    strength = min(1.0, spread / total) if total > 0 else 0.0
    return (steepest + 90 + 90) % 180 - 90, strength


def _spectrum(plane: Plane) -> FloatArray:
    shape = [scipy.fft.next_fast_len(2 * n, real=True) for n in plane.shape]
    return np.asarray(np.abs(scipy.fft.rfft2(plane, shape)) ** 2, float)


def _correlation_length(
    power: FloatArray,
    share: FloatArray,
    noise: float,
    image: CalibratedImage,
    settings: GreyTextureSettings,
) -> Measured:
    """Lag at which the autocorrelation has fallen to 1/e, averaged over directions."""
    covariance, pairs = scipy.fft.irfft2(power), scipy.fft.irfft2(share)
    reach = min(int(3 * settings.level_px), min(covariance.shape) // 2 - 1)
    row, col = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    weight = np.maximum(pairs[row, col], 0)
    values = np.where(weight > 50, covariance[row, col] / np.maximum(weight, 1), 0)
    size = image.pixel_size_um or (1.0, 1.0)
    lag = np.hypot(row * size[0], col * size[1]) / size[1]
    ring = np.rint(lag).astype(int)
    used = (ring <= reach) & (weight > 50)
    total = np.bincount(ring[used], weight[used], reach + 1)
    mean = np.bincount(ring[used], (values * weight)[used], reach + 1) / np.maximum(total, 1)
    mean[0] = max(mean[0] - noise**2, 1e-12)
    unit = "px" if image.pixel_size_um is None else "µm"
    relative = mean / mean[0]
    below = np.nonzero(relative < 1 / math.e)[0]
    if not below.size or below[0] == 0:
        return Measured(math.nan, math.nan, unit, note="longer than the shading that is taken off")
    i = int(below[0])
    at = i - 1 + (relative[i - 1] - 1 / math.e) / (relative[i - 1] - relative[i])
    length = float(at * (1.0 if image.pixel_size_um is None else size[1]))
    # a zone of n independent patches of that size; half a pixel for the rings
    patches = max(2.0, float(pairs[0, 0]) / max(math.pi * at * at, 1.0))
    scale = 0.0 if image.pixel_size_um is None else length * image.u_rel_pixel_size
    # found on fields of known length: 6 % at a third of the levelling's own scale
    shading = 0.6 * length * (at / settings.level_px) ** 2
    budget = {"sampling": length / math.sqrt(patches), "shading taken off": shading,
              "pixel grid": 0.5 / math.sqrt(12) * length / at, "pixel size": scale}
    return Measured(length, combine(budget), unit, budget, int(patches))


def _slope(power: FloatArray, noise: float, settings: GreyTextureSettings) -> Measured:
    """Slope of log power over log frequency between two periods."""
    rows = power.shape[0]
    cols = 2 * (power.shape[1] - 1)
    f = np.hypot(scipy.fft.fftfreq(rows)[:, None], scipy.fft.rfftfreq(cols)[None, :])
    edges = np.geomspace(1 / settings.longest_px, 1 / settings.shortest_px, 15)
    which = np.digitize(f.ravel(), edges)
    count = np.bincount(which, minlength=16)[1:15]
    mean = np.bincount(which, power.ravel(), 16)[1:15] / np.maximum(count, 1) - noise**2
    used = (count >= 4) & (mean > 0.1 * noise**2) & (mean > 0)
    if np.count_nonzero(used) < 5:
        return Measured(math.nan, math.nan, "1", note="no texture above the noise")
    x = np.log(np.sqrt(edges[:-1] * edges[1:]))[used]
    y = np.log(mean[used])
    design = np.stack([x, np.ones_like(x)], axis=1)
    solved, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ solved
    n = x.size
    u = math.sqrt(float((rest**2).sum()) / (n - 2) / float(((x - x.mean()) ** 2).sum()))
    return Measured(float(solved[0]), u, "1", {"scatter about the line": u}, n)
