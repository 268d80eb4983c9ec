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
from numpy.typing import NDArray
from scipy.special import stdtrit

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import FrameWindow, frame_coordinates, label_raster
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.grey_lags import lag_pairs, lag_products, power_spectrum
from edgeqc.measure.grey_spectrum import U_NOISE_REL, contrast_over_noise, spectral_slope
from edgeqc.measure.lattice_spectrum import levelled
from edgeqc.measure.roughness_row import RoughnessRow, Zone
from edgeqc.quantity import FloatArray, Measured, combine
from edgeqc.zoning.zones import LASER, SCISSOR, TORN, ZONE_NAMES, ZoneMap

Plane = NDArray[np.float32]

NOT_A_ROUGHNESS = ("of grey levels, not of heights: compare only within one imaging session")
"""The sentence that goes with every row."""

GRID_DEG = 0.4
"""Standard uncertainty of a lay's direction from gradients on a pixel grid: drawn lays of 0 to 80
degrees come out up to 0.7 degrees off on average."""

LEAST_CORRELATION = 0.1
"""Autocorrelation below which chance outweighs it."""

BARTLETT = 1.0 + 2.0 / math.e**2
"""Variance of the estimated autocorrelation where it is 1/e, over that of independent patches
(Bartlett's formula, J. R. Stat. Soc. 1946;8:27, from memory; its negative term left out)."""


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
    *,
    window: FrameWindow | None = None,
    labels: NDArray[np.uint8] | None = None,
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
    window : FrameWindow, optional
        Frame coordinates of the face, where they are known already.
    labels : (rows, cols) uint8 array, optional
        Its zones on the picture's pixels, where they are known already.
    """
    settings = settings or GreyTextureSettings()
    shape = image.pixels.shape[0], image.pixels.shape[1]
    window = window or frame_coordinates(face, shape)
    if labels is None:
        labels = label_raster(face, zones.labels, shape, window=window)
    rows: list[RoughnessRow] = []
    for code in (LASER, SCISSOR, TORN):
        texture = zone_texture(image, face, (labels == code) & image.valid, settings,
                               frame=window)
        if texture is not None:
            rows += _rows(ZONE_NAMES[code], texture)  # type: ignore[arg-type]
    return tuple(rows)


def _rows(zone: Zone, texture: GreyTexture) -> list[RoughnessRow]:
    doubt_deg = 2 * texture.lay_deg.u
    # a direction has period 180°: with this doubt, any is as likely as another
    lay = ("its direction cannot be told" if doubt_deg >= 90 else
           f"lay at {texture.lay_deg.value:.1f}° ± {doubt_deg:.1f}° from the length")
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
    *,
    frame: FrameWindow | None = None,
) -> GreyTexture | None:
    """Return the grey-level texture of the pixels of a mask, or None where they are too few.

    Parameters
    ----------
    mask : (rows, cols) bool array
        Pixels of the zone.
    settings : GreyTextureSettings, optional
        Settings.
    frame : FrameWindow, optional
        Frame coordinates of the face, where they are known already.

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
    frame = frame or frame_coordinates(face, (mask.shape[0], mask.shape[1]))
    at = np.zeros(zone.shape, np.float32)
    _overlay(at, window, frame)
    lay, strength = _lay(level, (zone, at), (image, face), settings)
    reach = min(int(3 * settings.level_px), min(zone.shape) - 1)
    power, columns = power_spectrum(level, reach)
    lagged = lag_products(power, columns, reach), lag_pairs(zone, reach)
    pixels = max(float(zone.sum()), 1.0)
    length, patches = _correlation_length(lagged, noise, image, settings)
    return GreyTexture(
        lay, strength, length,
        spectral_slope(
            power / pixels, (columns, pixels), noise, (settings.shortest_px, settings.longest_px)),
        contrast_over_noise(variance, noise, patches),
    )


def _overlay(out: Plane, window: tuple[slice, slice], frame: FrameWindow) -> None:
    """Write the stations into a raster of a window of the picture; 0 stays where there are none."""
    top, left = window[0].start, window[1].start
    r0, r1 = max(top, frame.rows.start), min(window[0].stop, frame.rows.stop)
    c0, c1 = max(left, frame.cols.start), min(window[1].stop, frame.cols.stop)
    if r0 < r1 and c0 < c1:
        out[r0 - top : r1 - top, c0 - left : c1 - left] = frame.station[
            r0 - frame.rows.start : r1 - frame.rows.start,
            c0 - frame.cols.start : c1 - frame.cols.start]


def _tensors(
    level: Plane,
    where: tuple[Plane, Plane],
    scene: tuple[CalibratedImage, CutFace],
    settings: GreyTextureSettings,
) -> tuple[FloatArray, FloatArray]:
    """Return sums of (ss, tt, st) of the gradients at every chord (3, n), and how many."""
    (image, face), (zone, at) = scene, where
    smooth = cv2.GaussianBlur(level, (0, 0), settings.gradient_px)
    g_row = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    g_col = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)
    inner = np.flatnonzero(cv2.erode(zone.astype(np.uint8), np.ones((7, 7), np.uint8)))
    across = face.posterior_px - face.anterior_px
    turn = np.unwrap(np.arctan2(-across[:, 1], across[:, 0]))
    chord = np.clip((at.ravel()[inner] + np.float32(0.5)).astype(np.intp), 0, turn.size - 1)
    a, b = np.ravel(g_row)[inner], np.ravel(g_col)[inner]
    count = np.bincount(chord, minlength=turn.size).astype(float)
    # the frame turns from chord to chord only: sums of products are turned, not single pixels
    size = image.pixel_size_um or (1.0, 1.0)
    products = (a * a, size[0] ** 2), (b * b, size[1] ** 2), (a * b, size[0] * size[1])
    aa, bb, ab = (np.bincount(chord, part, turn.size) / unit for part, unit in products)
    cos, sin = np.cos(turn), np.sin(turn)
    tilt = math.cos(math.radians(image.tilt_deg)) if math.isfinite(image.tilt_deg) else 1.0
    floor = _floor(image, settings)
    ss = bb * cos**2 + 2 * ab * cos * sin + aa * sin**2 - count * floor / size[1] ** 2
    tt = (aa * cos**2 - 2 * ab * cos * sin + bb * sin**2) * tilt**2 - count * floor / size[0] ** 2
    st = ((aa - bb) * cos * sin + ab * (cos**2 - sin**2)) * tilt
    return np.stack([ss, tt, st]), count


def _lay(
    level: Plane,
    where: tuple[Plane, Plane],
    scene: tuple[CalibratedImage, CutFace],
    settings: GreyTextureSettings,
) -> tuple[Measured, Measured]:
    """Direction and strength of the lay in the face's frame, from stretches along the face."""
    sums, number = _tensors(level, where, scene, settings)
    # stretches of about as many pixels each: a chord belongs where its middle pixel lies
    middle = (np.cumsum(number) - 0.5 * number) / max(float(number.sum()), 1.0)
    which = np.minimum((middle * settings.segments).astype(np.intp), settings.segments - 1)
    count = np.maximum(np.bincount(which, number, settings.segments), 1)
    means = np.stack([np.bincount(which, part, settings.segments) / count for part in sums])
    whole = _direction(means.mean(axis=1))
    # leaving one stretch out at a time (jackknife)
    left_out = np.array([_direction(np.delete(means, i, axis=1).mean(axis=1))
                         for i in range(settings.segments)])
    n = settings.segments
    swing = (left_out[:, 0] - whole[0] + 90) % 180 - 90
    u_angle = math.sqrt((n - 1) / n * float((swing**2).sum()))
    u_strength = math.sqrt((n - 1) / n * float(((left_out[:, 1] - whole[1]) ** 2).sum()))
    floor = _floor(scene[0], settings) / min(scene[0].pixel_size_um or (1.0, 1.0)) ** 2
    total = max(float(means[:2].mean(axis=1).sum()), 1e-300)
    shares = (
        {"sampling along s": u_angle, "pixel grid": GRID_DEG},
        # twice the relative doubt of the noise, on both axes
        {"sampling along s": u_strength,
         "noise estimate": min(whole[1] * 4 * U_NOISE_REL * floor / total, 1.0)},
    )
    return (
        _by_few(whole[0], shares[0], "deg", (52.0, math.inf), n),
        _by_few(whole[1], shares[1], "1", (1.0, 1.0), n),
    )


def _by_few(
    value: float, shares: dict[str, float], unit: str, most: tuple[float, float], n: int
) -> Measured:
    """Return a value whose doubt comes from n stretches; ``most``: largest u and value."""
    u = combine(shares)
    reach = float(stdtrit(n - 1, 0.975)) * u
    low = max(value - reach, 0.0) if unit == "1" else value - reach
    return Measured(value, min(u, most[0]), unit, shares, n, low=low,
                    high=min(value + reach, most[1]))


def _floor(image: CalibratedImage, settings: GreyTextureSettings) -> float:
    """Return the mean squared gradient of smoothed pixel noise on either axis, per pixel²."""
    return (image.noise_sd or 0.0) ** 2 / (8 * math.pi * settings.gradient_px**4)


def _direction(tensor: FloatArray) -> tuple[float, float]:
    """Return lay direction (degrees from s) and strength of a tensor (ss, tt, st)."""
    ss, tt, st = (float(v) for v in tensor)
    spread = math.hypot(ss - tt, 2 * st)
    steepest = 0.5 * math.degrees(math.atan2(2 * st, ss - tt))
    total = ss + tt
    strength = min(1.0, spread / total) if total > 0 else 0.0
    return (steepest + 90 + 90) % 180 - 90, strength


def _correlation_length(
    lagged: tuple[FloatArray, FloatArray],
    noise: float,
    image: CalibratedImage,
    settings: GreyTextureSettings,
) -> tuple[Measured, float]:
    """Return the lag at which the autocorrelation, averaged over directions, has fallen to 1/e.

    And how many independent patches of texture the zone holds: its area over the sum of the
    squared autocorrelation (Bartlett's formula, from memory), as far as that is above 0.1.
    """
    covariance, pairs = lagged
    reach = covariance.shape[0] // 2
    row, col = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    weight = np.maximum(pairs, 0)
    values = np.where(weight > 50, covariance / np.maximum(weight, 1), 0)
    size = image.pixel_size_um or (1.0, 1.0)
    lag = np.hypot(row * size[0], col * size[1]) / size[1]
    ring = np.rint(lag).astype(int)
    used = (ring <= reach) & (weight > 50)
    total = np.bincount(ring[used], weight[used], reach + 1)
    mean = np.bincount(ring[used], (values * weight)[used], reach + 1) / np.maximum(total, 1)
    mean[0] = max(mean[0] - noise**2, 1e-12)
    unit = "px" if image.pixel_size_um is None else "µm"
    relative = mean / mean[0]
    near = int(np.argmax(relative < LEAST_CORRELATION)) or reach
    square = float((np.bincount(ring[used], minlength=reach + 1) * relative**2)[:near].sum())
    patches = max(2.0, float(pairs[reach, reach]) / max(square, 1.0))
    below = np.nonzero(relative < 1 / math.e)[0]
    if not below.size or below[0] == 0:
        long = "longer than the shading that is taken off"
        return Measured(math.nan, math.nan, unit, note=long), patches
    i = int(below[0])
    at = i - 1 + (relative[i - 1] - 1 / math.e) / (relative[i - 1] - relative[i])
    length = float(at * (1.0 if image.pixel_size_um is None else size[1]))
    steep = float(relative[i - 1] - relative[i]) * at
    scale = 0.0 if image.pixel_size_um is None else length * image.u_rel_pixel_size
    # found on fields of known length: 6 % at a third of the levelling's own scale
    shading = 0.6 * length * (at / settings.level_px) ** 2
    budget = {"sampling": length * math.sqrt(BARTLETT / patches) / steep,
              "shading taken off": shading,
              # half a pixel for the rings
              "pixel grid": 0.5 / math.sqrt(12) * length / at, "pixel size": scale}
    return Measured(length, combine(budget), unit, budget, int(patches)), patches
