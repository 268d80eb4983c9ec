"""Laying an imported height map over its picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from edgeqc.flags import raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.stereo_refine import fill_gaps, smooth
from edgeqc.quantity import FloatArray

Plane = NDArray[np.float32]


@dataclass(frozen=True)
class RegistrationSettings:
    """Settings of the registration.

    Parameters
    ----------
    same_spacing_rel : float
        Spacings that differ by less are the same.
    longest_px : int
        Longer side of the picture in which the place is sought.
    least_share : float
        Share of the picture's local variation that relief must explain at the place found.
    least_lead : float
        How many times more than anywhere else that must be.
    least_overlap : float
        Share of the map (or of the picture, if that is smaller) that must lie in common.
    """

    same_spacing_rel: float = 0.02
    longest_px: int = 400
    least_share: float = 0.06
    least_lead: float = 1.5
    least_overlap: float = 0.5


def register_height_map(
    height_map: HeightMap, image: CalibratedImage, settings: RegistrationSettings | None = None
) -> HeightMap:
    """Return the height map with the picture position of each of its points.

    Parameters
    ----------
    height_map : HeightMap
        The map; one that has ``picture_px`` already (stereo) comes back as it is.
    image : CalibratedImage
        The picture.
    settings : RegistrationSettings, optional
        Settings.

    Returns
    -------
    HeightMap
        With ``picture_px``; without it and with the flag ``height_map_unregistered`` where the
        place is not certain.

    Notes
    -----
    A map of the picture's shape and spacing lies on it point by point. Otherwise the map is
    resampled to the picture's pixel size, and the share of the picture's local variation that a
    linear mixture of relief, slope components and secant of the slope explains is computed for all
    shifts at once: whatever the detector's side and contrast, the right place explains most. The
    map may be turned over (its rows counted upwards); both ways are tried.

    References
    ----------
    Multiple correlation, closed form. That slope and relief make the contrast of an electron
    picture: common practice, no source.
    """
    settings = settings or RegistrationSettings()
    if height_map.picture_px is not None:
        return height_map
    same_shape = height_map.height_um.shape == image.pixels.shape
    if image.pixel_size_um is None:
        if same_shape:
            return replace(height_map, picture_px=_own_grid(height_map.height_um.shape))
        return _unplaced(height_map, "the picture has no pixel size")
    ratio = [m / p for m, p in zip(height_map.spacing_um, image.pixel_size_um, strict=True)]
    if same_shape:
        if max(abs(r - 1) for r in ratio) <= settings.same_spacing_rel:
            return replace(height_map, picture_px=_own_grid(height_map.height_um.shape))
        return _unplaced(
            height_map,
            f"same shape as the picture, but its spacing is {ratio[1]:.3g} times the pixel size",
        )
    return _placed(height_map, image, (ratio[0], ratio[1]), settings)


def _own_grid(shape: tuple[int, ...]) -> NDArray[np.float32]:
    row, col = np.mgrid[0 : shape[0], 0 : shape[1]]
    return np.asarray(np.stack([row, col], axis=-1), np.float32)


def _unplaced(height_map: HeightMap, why: str) -> HeightMap:
    return replace(
        height_map, flags=(*height_map.flags, raised("height_map_unregistered", why))
    )


def _placed(
    height_map: HeightMap,
    image: CalibratedImage,
    ratio: tuple[float, float],
    settings: RegistrationSettings,
) -> HeightMap:
    """Find the place of a map by its relief."""
    step = max(1.0, max(image.pixels.shape) / settings.longest_px)
    rows, cols = (round(n / step) for n in image.pixels.shape)
    size_map = [round(n * r / step) for n, r in zip(height_map.height_um.shape, ratio, strict=True)]
    if min(size_map) < 24 or min(rows, cols) < 24:
        return _unplaced(height_map, "it is too small to be found in the picture")
    if max(size_map) > 4 * settings.longest_px:
        return _unplaced(height_map, "it is far larger than the picture")
    grey, seen = _shrunk(image.pixels, image.valid, (rows, cols))
    best: tuple[float, tuple[float, float], bool, float] = (-1.0, (0, 0), False, 0.0)
    second = 0.0
    for turned in (False, True):
        height = height_map.height_um[::-1] if turned else height_map.height_um
        relief, known = _shrunk(height, np.isfinite(height), (size_map[0], size_map[1]))
        share = explained_share((grey, seen), (relief, known), settings.least_overlap)
        peak = np.unravel_index(int(np.argmax(share)), share.shape)
        value = float(share[peak])
        rest = share.copy()
        away = [
            np.minimum(np.abs(np.arange(n) - p), n - np.abs(np.arange(n) - p))
            for n, p in zip(share.shape, peak, strict=True)
        ]
        rest[(away[0][:, None] <= 6) & (away[1][None, :] <= 6)] = 0
        other = float(rest.max())
        shift = [float(p if p <= n // 2 else p - n)
                 for n, p in zip(share.shape, peak, strict=True)]
        if value > best[0]:
            second = max(other, best[0], second)
            best = (value, (shift[0], shift[1]), turned, other)
        else:
            second = max(second, value)
    value, shift_px, turned, _ = best
    if value < settings.least_share or value < settings.least_lead * second:
        return _unplaced(
            height_map,
            f"relief explains {value:.0%} of the picture at the best place, {second:.0%} elsewhere",
        )
    n_rows, n_cols = height_map.height_um.shape
    row = np.arange(n_rows)[::-1] if turned else np.arange(n_rows)
    # the same half-pixel convention as the shrinking: centres of areas map to centres
    at_row = (row + 0.5) * ratio[0] + shift_px[0] * step - 0.5
    at_col = (np.arange(n_cols) + 0.5) * ratio[1] + shift_px[1] * step - 0.5
    picture_px = np.stack(np.meshgrid(at_row, at_col, indexing="ij"), axis=-1)
    return replace(height_map, picture_px=picture_px.astype(np.float32))


def _shrunk(
    plane: NDArray[np.float32] | FloatArray, known: NDArray[np.bool_], size: tuple[int, int]
) -> tuple[Plane, NDArray[np.bool_]]:
    filled = fill_gaps(np.nan_to_num(np.asarray(plane, np.float32)), known)
    where = (size[1], size[0])
    how = cv2.INTER_AREA if size[0] < plane.shape[0] else cv2.INTER_LINEAR
    return (
        np.asarray(cv2.resize(filled, where, interpolation=how), np.float32),
        np.asarray(cv2.resize(known.astype(np.float32), where, interpolation=how)) > 0.5,
    )


def explained_share(
    picture: tuple[Plane, NDArray[np.bool_]],
    relief: tuple[Plane, NDArray[np.bool_]],
    least_overlap: float,
) -> FloatArray:
    """Return the share of local grey variation that relief explains, for every shift.

    Parameters
    ----------
    picture, relief : two (rows, cols) arrays each
        Grey levels or heights on one spacing, and where they are known.
    least_overlap : float
        Shifts with less in common get 0.

    Returns
    -------
    (rows, cols) float array
        Share by circular shift of the relief against the picture.
    """
    grey, seen = picture[0], picture[1].astype(np.float32)
    height, known = relief[0], relief[1].astype(np.float32)
    shape = [fft.next_fast_len(a + b) for a, b in zip(grey.shape, height.shape, strict=True)]
    slope_row, slope_col = np.gradient(smooth(height, 1.0))
    secant = np.sqrt(slope_row**2 + slope_col**2)
    wanted = _even(grey) * seen
    spectrum = fft.rfft2(wanted, shape)
    spectrum_power = fft.rfft2(wanted**2, shape)
    spectrum_seen = fft.rfft2(seen, shape)

    def cross(one: NDArray[np.complex64], two: Plane) -> FloatArray:
        return np.asarray(fft.irfft2(one * np.conj(fft.rfft2(two, shape)), shape), float)

    overlap = cross(spectrum_seen, known)
    smaller = min(float(seen.sum()), float(known.sum()))
    share = np.zeros(overlap.shape)
    power = np.maximum(cross(spectrum_power, known), 1e-9)
    for plane in (height, slope_row, slope_col, secant):
        feature = _even(np.asarray(plane, np.float32)) * known
        feature_power = np.maximum(cross(spectrum_seen, feature**2), 1e-9)
        share += cross(spectrum, feature) ** 2 / (power * feature_power)
    share[overlap < least_overlap * smaller] = 0
    return share


def _even(plane: Plane) -> Plane:
    """Local mean taken out and local contrast set to 1."""
    detail = plane - smooth(plane, 8.0)
    spread = np.sqrt(smooth(detail * detail, 8.0))
    return np.asarray(detail / (spread + 0.05 * float(spread.mean()) + 1e-12), np.float32)

