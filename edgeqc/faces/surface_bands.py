"""A band along a face's long edge that looks like the lens's own surface and not like a cut.

Beside a cut the picture often shows the lens's anterior or posterior surface obliquely, as a smooth
band. Where the learned map takes it for part of the face, every fraction of the thickness is wrong.
On the unrolled face such a band stands out: along one long edge, over nearly the whole length, the
fine detail is less than beyond a line that runs with the edge, it does not go together along the
face as what a tool or a tear leaves does, and at full resolution the band looks like a lens
(``edgeqc.faces.surface_looks``). A laser zone without texture looks the same: this is a doubt, and
nothing is cut away.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace, unroll_face
from edgeqc.faces.outline import polygon_mask
from edgeqc.faces.surface_looks import belongs_to_cut, surface_features
from edgeqc.imaging.image import CalibratedImage
from edgeqc.order_statistics import row_medians
from edgeqc.quantity import BoolArray

FloatImage = NDArray[np.float32]

_ROWS_MAX, _COLUMNS_MAX = 700, 1400
_LEAST_ROWS = 40
_SIGMAS = (1.0, 2.0, 4.0)
"""Standard deviations, in samples, of the smoothings between which detail lies."""
_POOL = 3.0  # samples over which its energy is taken
_FLOOR = 1e-9  # of squared grey
_RIM, _NARROWEST, _WIDEST = 0.02, 0.04, 0.6
"""Fractions of the thickness: left out along the edge, and how far a band may reach."""
_TRIED = 40
_GAP = 3  # rows either side of a band's border that are left out
_BEYOND = 0.12
"""Fraction of the thickness, beyond a band, that it is compared with."""
_SCATTER = 0.15  # of log energies, added to what the rows themselves show
_STEP_MIN = 2.0
"""Least step of log energy, in scatters (median absolute deviations), summed over the scales."""
_NEARLY = 0.8
"""Share of the largest step from which an earlier row is taken for the band's border."""
_QUARTER = 0.25
_COLUMNS_MIN = 0.9
"""Share of the length over which there has to be less detail than beyond: by lower quartiles, for
edges are bright lines of a few rows."""
_TOGETHER_MAX = 0.3
"""Largest autocorrelation of the grey along the face at two and three samples."""
_SLOW = 6.0  # samples; slower changes of grey are taken out before, and every row's mean
_CUT_MAX = 0.5
_NARROW, _CUT_MAX_NARROW = 0.2, 0.8
"""Probability of a cut up to which a band is doubted, and that of a band narrower than a fraction
of the thickness: of few rows the look at full resolution tells less. Chosen on 538 faces of five
makers (seeds 116000000 to 116600109 and 122000000 to 122700069)."""


def lens_surface_within(face: CutFace, image: CalibratedImage) -> bool:
    """Return whether a band along a long edge looks like the lens's own surface.

    Parameters
    ----------
    face : CutFace
        The face, its chords from one long edge to the other.
    image : CalibratedImage
        The picture.
    """
    thickness = float(np.median(face.thickness_px))
    length = float(face.s_px[-1] - face.s_px[0])
    shrink = max(1.0, thickness / _ROWS_MAX, length / _COLUMNS_MAX)
    rows, cols = round(thickness / shrink), round(length / shrink)
    if min(rows, cols) < _LEAST_ROWS:
        return False
    pixels = np.nan_to_num(np.asarray(image.pixels, np.float32))
    grey = unroll_face(pixels, face, rows, cols)
    energy = _energies(grey)
    course = row_medians(energy.reshape(-1, cols)).reshape(-1, rows)
    for last in (False, True):
        order = slice(None, None, -1) if last else slice(None)
        border = _smooth_band(grey[order], energy[1, order], course[:, order])
        if border is not None and _looks_like_lens(
            pixels, image.valid, face, border / rows, last=last
        ):
            return True
    return False


def _energies(grey: FloatImage) -> FloatImage:
    """Return the logarithm of the detail's energy, (scales, rows, cols)."""
    found: list[FloatImage] = []
    upper = grey
    for sigma in _SIGMAS:
        lower = np.asarray(cv2.GaussianBlur(grey, (0, 0), sigma), np.float32)
        pooled = cv2.GaussianBlur((upper - lower) ** 2, (0, 0), _POOL)
        found.append(np.asarray(np.log(pooled + _FLOOR), np.float32))
        upper = lower
    return np.asarray(found, np.float32)


def _smooth_band(grey: FloatImage, energy: FloatImage, course: FloatImage) -> int | None:
    """Return the row up to which there is little detail, and all along; None where there is none.

    The first row lies at the edge in question; ``energy`` is that of the middle scale, ``course``
    the rows' medians of all scales.
    """
    rows = grey.shape[0]
    rim, reach = max(2, round(_RIM * rows)), max(6, round(_BEYOND * rows))
    steps = {
        row: _step(course[:, rim : row - _GAP], course[:, row + _GAP : row + _GAP + reach])
        for row in np.unique(np.rint(np.geomspace(_NARROWEST, _WIDEST, _TRIED) * rows)).astype(int)
        if row - rim > _GAP + 1
    }
    if not steps:
        return None
    largest = max(steps.values())
    if largest < _STEP_MIN:
        return None
    # medians bear some rows of the cut: the first row that does nearly as well has none
    border = min(row for row, step in steps.items() if step >= _NEARLY * largest)
    within = np.quantile(energy[rim : border - _GAP], _QUARTER, axis=0)
    beyond = np.quantile(energy[border + _GAP : border + _GAP + reach], _QUARTER, axis=0)
    if float((within < beyond).mean()) < _COLUMNS_MIN:
        return None
    band = grey[rim : border - _GAP]
    band = band - cv2.GaussianBlur(band, (0, 0), _SLOW)
    band = band - band.mean(axis=1, keepdims=True)
    variance = float((band**2).mean()) + _FLOOR**2
    along = max(float((band[:, lag:] * band[:, :-lag]).mean()) / variance for lag in (2, 3))
    return int(border) if along < _TOGETHER_MAX else None


def _step(within: FloatImage, beyond: FloatImage) -> float:
    """Return how much more detail there is beyond a border, in scatters from row to row."""
    levels, scatter = [], np.full(within.shape[0], _SCATTER)
    for part in (within, beyond):
        levels.append(row_medians(part))
        scatter += row_medians(np.abs(part - levels[-1][:, None]))
    return float(((levels[1] - levels[0]) / scatter).sum())


def _looks_like_lens(
    pixels: FloatImage, valid: BoolArray, face: CutFace, border: float, *, last: bool
) -> bool:
    """Return whether the band up to a fraction of the thickness looks like a lens's surface."""
    edge = face.posterior_px if last else face.anterior_px
    station = np.arange(face.s_px.size, dtype=float)
    inner = face.chord_points_px(station, np.full(station.size, 1 - border if last else border))
    shape = (pixels.shape[0], pixels.shape[1])
    whole = polygon_mask(face.outline_px, shape)
    band = polygon_mask(np.concatenate([edge, inner[::-1]]), shape) & whole
    features = surface_features(pixels, band, whole & ~band, ~whole & valid)
    limit = _CUT_MAX_NARROW if border < _NARROW else _CUT_MAX
    return features is not None and belongs_to_cut(features) < limit

