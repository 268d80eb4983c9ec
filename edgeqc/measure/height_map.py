"""The height map of a field: what it holds, and how a stereo pair of pictures becomes one."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from edgeqc.errors import HeightMapError
from edgeqc.flags import Raised, raised
from edgeqc.measure.stereo_checks import axis_error_deg, sign_evidence
from edgeqc.measure.stereo_frame import (
    StereoEvidence,
    StereoFrame,
    evidence_of,
    frame_of_pair,
    to_ground,
)
from edgeqc.measure.stereo_geometry import (
    axis_angle_deg,
    check_tilts,
    height_per_parallax,
    height_scale,
)
from edgeqc.measure.stereo_match import (
    match_halves,
    match_pair,
    matched_share,
    without_islands,
)
from edgeqc.measure.stereo_refine import Disparity, Plane, StereoSettings, even_out
from edgeqc.measure.stereo_twin import draw_twin, restorer
from edgeqc.quantity import FloatArray, Measured

DEFAULT_U_TILT_DEG = 0.1
"""Stage tilts are read to a tenth of a degree (common practice, no source)."""

MAX_AXIS_ERROR_DEG = 8.0
"""Parallax that runs further off the given axis than this contradicts it."""

_UNIT_SCALE = Measured(1.0, 0.0, "1")


@dataclass(frozen=True)
class HeightMap:
    """Heights of a field on a regular grid.

    Parameters
    ----------
    height_um : (rows, cols) float array
        Height in µm, upwards (out of the face) positive, about an arbitrary zero; ``nan`` in gaps.
    spacing_um : (row, col)
        Distance of grid points in µm.
    sigma_z_um : (rows, cols) float array
        Standard deviation of the height noise at each point, in µm; ``nan`` where not known.
    u_scale_rel : float
        Relative standard uncertainty common to all heights (tilts, pixel size).
    source : str
        ``"stereo pair"``, or the name of the file that the map came from.
    flags : tuple of Raised
        Doubts about the map.
    noise_um : (rows, cols) float array, optional
        A sample of the height noise, in µm, of the size and grain that the map's own noise has:
        what a parameter makes of it is what noise adds to that parameter.
    picture_px : (rows, cols, 2) float32 array, optional
        Position (row, col) of every grid point in the picture that the map belongs to.
    confidence : (rows, cols) float array, optional
        Local correlation of the two pictures at each point, 0 to 1.
    u_transfer_rel : float
        Relative standard uncertainty of the root mean square height from fine relief that the
        match passes on only in part.
    scale : Measured
        Factor 1 on heights, with the budget behind ``u_scale_rel``.
    u_spacing_rel : float
        Relative standard uncertainty of ``spacing_um``.
    parallax_um : float
        Height that one pixel of parallax stands for, in µm; 0 for maps that are not from stereo.
    resolution_um : float
        Lateral period below which the map resolves no relief, in µm; 0 where that is not known
        (the grid is then the limit).
    stereo : StereoEvidence, optional
        The matched pair behind the map, from which a zone's roughness is taken.
    """

    height_um: FloatArray
    spacing_um: tuple[float, float]
    sigma_z_um: FloatArray
    u_scale_rel: float
    source: str
    flags: tuple[Raised, ...] = ()
    noise_um: FloatArray | None = None
    picture_px: NDArray[np.float32] | None = None
    confidence: FloatArray | None = None
    u_transfer_rel: float = 0.0
    scale: Measured = field(default_factory=lambda: _UNIT_SCALE)
    u_spacing_rel: float = 0.0
    parallax_um: float = 0.0
    resolution_um: float = 0.0
    stereo: StereoEvidence | None = None

    @property
    def has_heights(self) -> bool:
        """Whether any point has a height."""
        return bool(np.isfinite(self.height_um).any())

    @property
    def sigma_z_rms_um(self) -> float:
        """Root mean square of ``sigma_z_um`` over points that have a height; ``nan`` if none."""
        known = self.sigma_z_um[np.isfinite(self.sigma_z_um) & np.isfinite(self.height_um)]
        return float(np.sqrt(np.mean(known**2))) if known.size else math.nan


def height_from_stereo(
    left: ArrayLike,
    right: ArrayLike,
    *,
    pixel_size_um: float | tuple[float, float],
    tilt_deg: tuple[float, float],
    tilt_axis: str | float = "vertical",
    u_tilt_deg: float = DEFAULT_U_TILT_DEG,
    u_rel_pixel_size: float = 0.0,
    settings: StereoSettings | None = None,
) -> HeightMap:
    """Return the height map of a field from two pictures taken at two tilts.

    Parameters
    ----------
    left, right : (rows, cols) array_like
        Grey levels of the two pictures; ``nan`` where there is none (data bar).
    pixel_size_um : float or (row, col)
        Pixel size of both pictures in µm.
    tilt_deg : (float, float)
        Signed tilt of the first and of the second picture, in degrees. A positive tilt moves high
        points towards smaller columns (vertical axis) or smaller rows (horizontal axis).
    tilt_axis : str or float
        ``"vertical"``, ``"horizontal"``, or degrees from the row axis (towards growing columns).
    u_tilt_deg : float
        Standard uncertainty of the difference of the tilts, in degrees.
    u_rel_pixel_size : float
        Relative standard uncertainty of the pixel size.
    settings : StereoSettings, optional
        Settings of the match.

    Returns
    -------
    HeightMap
        On the grid of the ground plane, in the orientation and with the pixel size of the
        pictures; ``picture_px`` says where each point lies in the first picture. Where no height
        can be trusted all heights are ``nan`` and a flag says why (`stereo_no_overlap`,
        `stereo_tilts_swapped`, `stereo_axis_contradicted`).

    Raises
    ------
    HeightMapError
        Where the pictures or the figures given cannot make a stereo pair at all.

    Notes
    -----
    Parallel projection and eucentric tilt: Z = (x_a·cos b - x_b·cos a)/sin(b - a), x across the
    tilt axis. Noise is measured by matching the even and the odd rows apart (`match_halves`), lost
    fine relief on a twin pair of known parallax (`stereo_twin`); neither is assumed. A shift of the
    whole picture has no meaning and is taken out.

    References
    ----------
    Photogrammetric Engineering and Remote Sensing 1975, p. 1367-1368, eq. 31-41.
    JCGM 100:2008, 5.1.2 (scale budget).
    """
    settings = StereoSettings() if settings is None else settings
    tilts = check_tilts(tilt_deg)
    spacing = _spacing(pixel_size_um)
    angle = axis_angle_deg(tilt_axis)
    pictures = (_picture(left, "first"), _picture(right, "second"))
    if pictures[0].shape != pictures[1].shape:
        raise HeightMapError(
            f"the pictures of the stereo pair have shapes {pictures[0].shape} and"
            f" {pictures[1].shape}",
            rule="both pictures of a pair have the same number of rows and columns",
            remedy="take both with the same scan, or cut them to the same size",
        )
    scale = height_scale(tilts, u_tilt_deg=u_tilt_deg, u_rel_pixel_size=u_rel_pixel_size)
    empty = np.full(pictures[0].shape, np.nan)
    blank = HeightMap(empty, spacing, empty.copy(), scale.u, "stereo pair", scale=scale,
                      u_spacing_rel=u_rel_pixel_size)
    frame = frame_of_pair(pictures, angle, spacing)
    if frame is None:
        return replace(blank, flags=(raised("stereo_no_overlap", "no common field was found"),))
    found = match_pair(*frame.grey, frame.usable, settings)
    doubt = _match_doubt(found, frame, settings)
    if doubt is not None:
        return replace(blank, flags=(doubt,))
    return _heights(found, frame, tilts, settings, blank)


def _heights(
    found: Disparity,
    frame: StereoFrame,
    tilts: tuple[float, float],
    settings: StereoSettings,
    blank: HeightMap,
) -> HeightMap:
    """Turn a match into heights, or into a blank map with a flag where their sign is wrong."""
    pair = _evened(frame, settings)
    found, noise_px, change, window_px = _measure_noise(pair, found, frame, settings)
    ground = to_ground(found, noise_px, frame, tilts)
    sign = sign_evidence(found, frame, tilts, (ground.height_um, ground.grey))
    if sign.swapped:
        return replace(blank, flags=(raised("stereo_tilts_swapped", sign.swapped),))
    flags = [] if sign.confirmed else [raised("stereo_sign_unproven")]
    height = ground.height_um
    sigma = ground.sigma_um
    known = np.isfinite(height)
    spread = float(np.nanstd(height)) if known.any() else 0.0
    noise = float(np.sqrt(np.nanmean(sigma**2))) if known.any() else math.nan
    if noise > 0.7 * spread:  # then noise is about half of all the power seen
        flags.append(raised("stereo_noisy", f"noise {noise:.3g} µm in {spread:.3g} µm"))
    return replace(
        blank, height_um=height, sigma_z_um=sigma, noise_um=ground.noise_um,
        picture_px=ground.picture_px, confidence=ground.confidence, u_transfer_rel=abs(change),
        parallax_um=height_per_parallax(tilts) * frame.across_um,
        resolution_um=RESOLUTION_WINDOWS * window_px * max(blank.spacing_um), flags=tuple(flags),
        stereo=evidence_of(found, frame, tilts),
    )


def _evened(frame: StereoFrame, settings: StereoSettings) -> tuple[Plane, Plane]:
    return even_out(frame.grey[0], settings), even_out(frame.grey[1], settings)


RESOLUTION_WINDOWS = 4.0
"""Period, over the matching window's standard deviation, of which two rounds pass on half:
1 - (1 - exp(-2 pi² s²/L²))² = 1/2 at L = 4 s."""

MAX_NOISE_SHARE = 0.5
"""Share of noise in the power seen from which a wider window is tried."""


def _measure_noise(
    pair: tuple[Plane, Plane], found: Disparity, frame: StereoFrame, settings: StereoSettings
) -> tuple[Disparity, Plane, float, float]:
    """Match in two halves; give the restored parallax, a noise sample, the change, the window."""
    # resampling to an oblique frame ties neighbouring rows together
    band_rows = 1 if np.isin(np.abs(frame.matrix), (0.0, 1.0)).all() else 3
    for factor in settings.wider:
        wide = replace(settings, window_px=settings.window_px * factor)
        even, odd = match_halves(frame.grey, found, wide, band_rows)
        half = np.float32(0.5)
        along_px, noise_px = (even + odd) * half, (even - odd) * half
        inner = found.matched & (np.abs(even - odd) <= 2 * settings.agreement_px)
        inner = without_islands(along_px, inner, frame.grey[0])
        power = float(np.var(_levelled(along_px)[inner])) if inner.any() else 0.0
        if not inner.any() or float(np.mean(noise_px[inner] ** 2)) < MAX_NOISE_SHARE * power:
            break
    finest = replace(found, along_px=along_px, matched=inner)
    twin = draw_twin(pair, finest, wide, np.random.default_rng(settings.seed))
    give_back = restorer(finest, twin)
    restored = give_back(along_px)
    if not inner.any():
        return finest, noise_px, 0.0, wide.window_px
    change = float(np.std(restored[inner])) / max(float(np.std(along_px[inner])), 1e-12) - 1
    return replace(finest, along_px=restored), give_back(noise_px), change, wide.window_px


def _levelled(plane: Plane) -> FloatArray:
    row: FloatArray = np.linspace(-1, 1, plane.shape[0])[:, None]
    col: FloatArray = np.linspace(-1, 1, plane.shape[1])[None, :]
    data = plane - plane.mean()
    slope_row = (data * row).mean() / (row**2).mean()
    slope_col = (data * col).mean() / (col**2).mean()
    return np.asarray(data - slope_row * row - slope_col * col, float)


def _match_doubt(
    found: Disparity, frame: StereoFrame, settings: StereoSettings
) -> Raised | None:
    share = matched_share(found, frame.grey[0], frame.usable[0] & frame.usable[1], settings)
    if share < settings.min_matched:
        return raised("stereo_no_overlap", f"{share:.0%} of the common texture could be matched")
    error = axis_error_deg(found)
    if error is not None and abs(error) > MAX_AXIS_ERROR_DEG:
        return raised("stereo_axis_contradicted", f"parallax runs {error:.0f} degrees off the axis")
    return None


def _spacing(pixel_size_um: float | tuple[float, float]) -> tuple[float, float]:
    try:
        values = np.broadcast_to(np.asarray(pixel_size_um, float), (2,))
    except (TypeError, ValueError):
        values = np.array([math.nan, math.nan])
    if not (np.isfinite(values).all() and (values > 0).all()):
        raise HeightMapError(
            f"the pixel size is {pixel_size_um!r} µm",
            rule="it is a positive number, or one for rows and one for columns",
            remedy="give the pixel size of the pictures in µm",
        )
    return float(values[0]), float(values[1])


MIN_SIDE_PX = 48
"""A picture smaller than this holds too few matching windows to be trusted."""


def _picture(data: Any, which: str) -> Plane:
    pixels = np.asarray(data)
    if pixels.ndim != 2 or min(pixels.shape) < MIN_SIDE_PX:
        raise HeightMapError(
            f"the {which} picture of the stereo pair has shape {pixels.shape}",
            rule=f"it is a grey picture of at least {MIN_SIDE_PX} rows and columns",
            remedy="give a larger, single-channel picture",
        )
    plane = np.asarray(pixels, np.float32)
    known = np.isfinite(plane)
    if not known.any() or float(np.ptp(plane[known])) == 0:
        raise HeightMapError(
            f"the {which} picture of the stereo pair is constant or empty",
            rule="matching needs texture",
            remedy="check the file",
        )
    return plane

