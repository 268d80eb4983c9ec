"""Checks of a pair against its sheet: parallax across the axis, tilts not swapped.

Swapping the tilts of a pair turns the relief inside out, and in parallel projection the geometry
alone cannot tell (for equal and opposite tilts it cannot at all). What can tell: with unequal
tilts, the more tilted picture of a face that lies level is the more foreshortened one; and in an
electron picture hollows are dark and crests bright, whatever the detector's side, beside what
slope does to brightness. Only what is clear convicts; the rest is left to the sheet, with a flag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from edgeqc.measure.stereo_frame import StereoFrame
from edgeqc.measure.stereo_refine import Disparity, Plane, smooth
from edgeqc.quantity import FloatArray

SWAP_EVIDENCE = 3.0
"""Log-likelihood ratio from which the tilts count as swapped (odds of 20 to 1)."""

LEVEL_FACE_DEG = 3.0
"""Standard deviation of the slope of a face that is said to lie level across the axis."""

STEEPEST = 0.6
"""Root mean square slope beyond which brightness says nothing about the sign."""

_BAND_PX = 12.0
_GRAIN_PX = 1.5
_LEAST_CORRELATION = 0.3
_LEAST_SECANT = 0.1
_LEAST_POINTS = 1000
_LEAST_RELIEF_PX = 0.5
_AXIS_CORRELATION = 0.8


def _plane_slopes(plane: Plane, known: np.ndarray) -> tuple[float, float, FloatArray]:
    """Slope per row and per column of the best plane, and what is left of the known points."""
    row, col = np.nonzero(known)
    design = np.stack([np.ones(row.size), row - row.mean(), col - col.mean()], axis=1)
    value = np.asarray(plane[known], float)
    fit, *_ = np.linalg.lstsq(design, value, rcond=None)
    return float(fit[1]), float(fit[2]), value - design @ fit


def axis_error_deg(found: Disparity) -> float | None:
    """Return the angle between the parallax and the given parallax axis, in degrees.

    None where the relief is too low, or the cross-parallax too little tied to it, to tell.
    """
    # the cross-parallax is known on a wide window only: look at the parallax at the same scale
    wide = smooth(found.along_px, 25.0)
    _, _, along = _plane_slopes(wide, found.matched)
    _, _, across = _plane_slopes(found.across_px, found.matched)
    if along.std() < _LEAST_RELIEF_PX or abs(_correlation(along, across)) < _AXIS_CORRELATION:
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
    """Return how clearly brightness says that a relief is upright (> 0) or inverted (< 0).

    Parameters
    ----------
    height_um, grey : (rows, cols) float arrays
        Height and grey level on one grid; ``nan`` in gaps.
    spacing_um : (row, col)
        Grid spacing in µm.

    Returns
    -------
    float
        -1 to 1, 0 where nothing is clear.

    Notes
    -----
    Correlation of band-passed grey with band-passed height, and with convexity, each over all
    points and over the less steep half, given the slope components (shading from a side) and the
    secant of the slope angle (yield), which would otherwise let the bright flanks of pits pass for
    bright low ground. It counts only if all four agree, the relief is not steep (beyond
    `STEEPEST` the flanks decide everything), and steep ground is the brighter (else the contrast is
    that of another detector). Returned is the weakest of the four. Thresholds: on 45 random
    phantoms, 6 of the 22 of moderate slope passed, all with the right sign.

    References
    ----------
    Secant law of the electron yield, dark hollows: common practice, no source.
    """
    known = np.isfinite(height_um) & np.isfinite(grey)
    if known.sum() < _LEAST_POINTS:
        return 0.0
    planes = [
        smooth(np.where(known, plane, np.median(plane[known])).astype(np.float32), _GRAIN_PX)
        for plane in (height_um, grey)
    ]
    slope_row = np.gradient(planes[0], spacing_um[0], axis=0)
    slope_col = np.gradient(planes[0], spacing_um[1], axis=1)
    steep = np.sqrt(1 + slope_row**2 + slope_col**2) - 1
    if float(np.mean((slope_row**2 + slope_col**2)[known])) > STEEPEST**2:
        return 0.0
    around = smooth(steep.astype(np.float32), 3.0)
    convex = -np.asarray(cv2.Laplacian(smooth(planes[0], 2.0), cv2.CV_32F))
    columns = (slope_row, slope_col, steep, around, planes[0], convex, planes[1])
    banded = [np.asarray(c - smooth(np.asarray(c, np.float32), _BAND_PX), float) for c in columns]
    if _correlation(banded[2][known], banded[6][known]) < _LEAST_SECANT:
        return 0.0
    flat = known & (around < np.median(around[known]))
    found = []
    for where in (known, flat):
        step = max(1, int(where.sum()) // 100_000)
        data = np.stack([c[where][::step] for c in banded], axis=1)
        data = data - data.mean(axis=0)
        fit, *_ = np.linalg.lstsq(data[:, :4], data[:, 4:], rcond=None)
        rest = data[:, 4:] - data[:, :4] @ fit
        found += [_correlation(rest[:, k], rest[:, 2]) for k in (0, 1)]
    weakest = min(found, key=abs)
    agree = len({math.copysign(1, r) for r in found}) == 1
    return weakest if agree and abs(weakest) >= _LEAST_CORRELATION else 0.0


def _correlation(one: FloatArray, two: FloatArray) -> float:
    spread = float(one.std() * two.std())
    return float(np.mean((one - one.mean()) * (two - two.mean()))) / spread if spread > 0 else 0.0


@dataclass(frozen=True)
class SignEvidence:
    """What speaks for or against the sign of the tilts.

    Parameters
    ----------
    swapped : str
        Why the tilts must be swapped, in words; empty where nothing clear says so.
    confirmed : bool
        Whether something clear says that they are right.
    """

    swapped: str
    confirmed: bool


def sign_evidence(
    found: Disparity,
    frame: StereoFrame,
    tilt_deg: tuple[float, float],
    relief: tuple[FloatArray, FloatArray],
) -> SignEvidence:
    """Return what the pair itself says about the sign of its tilts.

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
    reasons = []
    if by_length > SWAP_EVIDENCE:
        reasons.append("the picture said to be less tilted is the more foreshortened")
    if by_grey < 0 and by_length > -SWAP_EVIDENCE:
        reasons.append("hollows come out bright and crests dark")
    right = by_length < -SWAP_EVIDENCE or (by_grey > 0 and by_length < SWAP_EVIDENCE)
    return SignEvidence(" and ".join(reasons), right and not reasons)
