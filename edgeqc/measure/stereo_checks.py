"""Checks of a pair against its sheet: parallax across the axis, tilts not swapped.

Swapping the tilts of a pair turns the relief inside out, and in parallel projection the geometry
alone cannot tell (for equal and opposite tilts it cannot at all). What can tell: with unequal
tilts, the more tilted picture of a face that lies level is the more foreshortened one; and in an
electron picture hollows are dark and crests bright, whatever the detector's side, beside what
slope does to brightness. Both are weighed as log-likelihood ratios; only a clear sum convicts.
"""

from __future__ import annotations

import math

import numpy as np

from edgeqc.measure.stereo_frame import StereoFrame
from edgeqc.measure.stereo_refine import Disparity, Plane, smooth
from edgeqc.quantity import FloatArray

SWAP_EVIDENCE = 4.0
"""Log-likelihood ratio from which the tilts count as swapped (odds of 55 to 1)."""

LEVEL_FACE_DEG = 3.0
"""Standard deviation of the slope of a face that is said to lie level across the axis."""

_BAND_PX = 12.0
_GRAIN_PX = 1.5
_LEAST_CORRELATION = 0.15
_LARGEST_GREY_EVIDENCE = 8.0
_LEAST_RELIEF_PX = 0.5


def _plane_slopes(plane: Plane, known: np.ndarray) -> tuple[float, float, FloatArray]:
    """Slope per row and per column of the best plane, and what is left of the known points."""
    row, col = np.nonzero(known)
    design = np.stack([np.ones(row.size), row - row.mean(), col - col.mean()], axis=1)
    value = np.asarray(plane[known], float)
    fit, *_ = np.linalg.lstsq(design, value, rcond=None)
    return float(fit[1]), float(fit[2]), value - design @ fit


def axis_error_deg(found: Disparity) -> float | None:
    """Return the angle between the parallax and the given parallax axis, in degrees.

    None where the relief is too low to tell.
    """
    # the cross-parallax is known on a wide window only: look at the parallax at the same scale
    wide = smooth(found.along_px, 25.0)
    _, _, along = _plane_slopes(wide, found.matched)
    _, _, across = _plane_slopes(found.across_px, found.matched)
    if along.std() < _LEAST_RELIEF_PX:
        return None
    return math.degrees(math.atan2(float((along * across).mean()), float((along**2).mean())))


def foreshortening_evidence(
    found: Disparity, tilt_deg: tuple[float, float]
) -> float:
    """Return the log-likelihood ratio for swapped tilts from the foreshortening of both pictures.

    Notes
    -----
    For a level face the second picture's length over the first one's is cos b / cos a, for
    swapped tilts its inverse; a slope of the face blurs either. A difference in magnification
    shows along the axis too and is taken off.
    """
    a, b = np.deg2rad(tilt_deg)
    ratio = math.cos(b) / math.cos(a)
    _, stretch, _ = _plane_slopes(found.along_px, found.matched)
    magnified, _, _ = _plane_slopes(found.across_px, found.matched)
    seen = (1 - stretch) / (1 - magnified)
    sigma = math.tan(math.radians(LEVEL_FACE_DEG)) * abs(math.sin(b - a))
    return ((seen - ratio) ** 2 - (seen - 1 / ratio) ** 2) / (2 * sigma**2)


def relief_evidence(
    height_um: FloatArray, grey: FloatArray, spacing_um: tuple[float, float]
) -> float:
    """Return the log-likelihood ratio for an inverted relief from its brightness.

    Parameters
    ----------
    height_um, grey : (rows, cols) float arrays
        Height and grey level on one grid; ``nan`` in gaps.
    spacing_um : (row, col)
        Grid spacing in µm.

    Notes
    -----
    Partial correlation r of band-passed grey with band-passed height, given the slope components
    (shading from a side) and the secant of the slope angle (yield), which would otherwise let the
    bright flanks of pits pass for low-lying bright ground. Over n_eff independent patches the
    ratio is -sign(r)·n_eff·r²/2, bounded; a weak correlation says nothing.

    References
    ----------
    Secant law of the electron yield and shadowing of hollows: common practice, no source.
    """
    known = np.isfinite(height_um) & np.isfinite(grey)
    if known.sum() < 1000:
        return 0.0
    height = np.where(known, height_um, np.nanmedian(height_um)).astype(np.float32)
    level = np.where(known, grey, np.nanmedian(grey)).astype(np.float32)
    height, level = smooth(height, _GRAIN_PX), smooth(level, _GRAIN_PX)
    slope_row, slope_col = np.gradient(height, *spacing_um)
    secant = np.sqrt(1 + slope_row**2 + slope_col**2)
    columns = [p - smooth(np.asarray(p, np.float32), _BAND_PX)
               for p in (slope_row, slope_col, secant, height, level)]
    data = np.stack([np.asarray(c[known], float) for c in columns], axis=1)
    data = data[:: max(1, data.shape[0] // 100_000)]
    data = data - data.mean(axis=0)
    controls, pair = data[:, :3], data[:, 3:]
    fit, *_ = np.linalg.lstsq(controls, pair, rcond=None)
    rest = pair - controls @ fit
    spread = rest.std(axis=0)
    if (spread <= 1e-12).any():
        return 0.0
    r = float((rest[:, 0] * rest[:, 1]).mean() / spread.prod())
    if abs(r) < _LEAST_CORRELATION:
        return 0.0
    patches = known.sum() / (2 * math.pi * (_BAND_PX / 2) ** 2)
    return -math.copysign(min(_LARGEST_GREY_EVIDENCE, patches * r * r / 2), r)


def swap_evidence(
    found: Disparity,
    frame: StereoFrame,
    tilt_deg: tuple[float, float],
    relief: tuple[FloatArray, FloatArray],
) -> str:
    """Return why the tilts must be swapped, in words; empty where nothing clear speaks for it.

    Parameters
    ----------
    found : Disparity
        The match.
    frame : StereoFrame
        Its frame.
    tilt_deg : (float, float)
        Tilts as given.
    relief : two (rows, cols) float arrays
        Height and grey level on the ground grid.
    """
    by_length = foreshortening_evidence(found, tilt_deg)
    by_grey = relief_evidence(*relief, frame.spacing_um)
    if by_length + by_grey < SWAP_EVIDENCE:
        return ""
    reasons = []
    if by_length > 1:
        reasons.append("the picture said to be less tilted is the more foreshortened")
    if by_grey > 1:
        reasons.append("hollows come out bright and crests dark")
    return " and ".join(reasons)
