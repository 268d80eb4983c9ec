"""A band along a face's long edge that looks like the lens's own surface and not like a cut.

Beside a cut the picture often shows the lens's anterior or posterior surface obliquely, as a smooth
band. Where the learned map takes it for part of the face, every fraction of the thickness is wrong.
On the unrolled face such a band stands out: along one long edge, over nearly the whole length, the
fine detail is less than beyond a line that runs with the edge, it does not go together along the
face as what a tool or a tear leaves does, and at full resolution the band looks like a lens
(``edgeqc.faces.surface_looks``), or it is far quieter than what lies beyond, dust left aside. A
laser zone without texture looks the same: this is a doubt. Only where the learned map, too, sees
the lens's surface in a narrow band is it one, and left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.best_path import best_paths
from edgeqc.faces.face import CutFace, unroll_face
from edgeqc.faces.lens_within import mean_within
from edgeqc.faces.outline import polygon_mask
from edgeqc.faces.surface_looks import belongs_to_cut, surface_features
from edgeqc.imaging.image import CalibratedImage
from edgeqc.order_statistics import row_medians
from edgeqc.quantity import BoolArray, FloatArray

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
_SLIVER, _NARROW_REACH = 0.025, 0.16
"""Fractions of the thickness between which the border of a narrow band is sought by itself: where
a zone ends farther in, the largest step lies there."""
_STEP_NARROW = 3.0
_LOUDEST = 0.9  # quantile
_COLUMNS_QUIET, _QUIET_MAX = 0.7, 0.4
_QUIET_REACH, _QUIET_MAX_WIDE = 0.2, 0.3
"""Share of the columns with less detail, and detail as a share of that beyond, of a band up to
and beyond a fraction of the thickness. Of 251 faces of six makers (seeds 124200000 to 124900049)
bands of the lens had a fifth to two fifths of it, zones of the cut at least half (10th percentile),
the smoothest wide ones a third; chosen there and on 216 more (127700000 to 127800129)."""
_STEP_LENS, _COLUMNS_LENS, _LENS_MIN = 2.5, 0.6, 0.1
"""A narrow band is also doubted where the learned map gives it so much mean probability of the
lens's other surfaces. Quiet and given that, it is one: of those 251 faces none of 179 whose outline
held no more than the face, eleven of 45 whose outline did."""
_HIGH, _LEAST_HIGH = 0.03, 4
"""Rows, as a fraction of the thickness and at least, either side of a band's border that its step
is taken from in each column."""
_CLEAR = 2  # rows either side of it that are left out
_EVERY = 4  # columns of which one is asked for
_STIFFNESS = 0.15
_SEEN, _SEEN_MIN = 0.3, 0.9
"""Step of log energy that shows a border, and the share of the columns that show one."""
_CUT_MAX = 0.5
_NARROW, _CUT_MAX_NARROW = 0.2, 0.8
"""Probability of a cut up to which a band is doubted, and that of a band narrower than a fraction
of the thickness: of few rows the look at full resolution tells less. Chosen on 538 faces of five
makers (seeds 116000000 to 116600109 and 122000000 to 122700069)."""


@dataclass(frozen=True)
class LensBand:
    """A band along a long edge that is the lens's own surface.

    Parameters
    ----------
    last : bool
        Whether it lies along the last of the two edges (``posterior_px``), else the first.
    reach : (n_chords,) float array
        How far it reaches from that edge on every chord, as a fraction of the thickness.
    """

    last: bool
    reach: FloatArray


@dataclass(frozen=True)
class Bands:
    """What looks like the lens's own surface within an outline.

    Parameters
    ----------
    doubtful : bool
        Whether a band may be the lens's own surface.
    sure : tuple of LensBand
        Bands that are, by texture and by the learned map: at most one along each edge.
    """

    doubtful: bool
    sure: tuple[LensBand, ...]


@dataclass(frozen=True)
class _Unrolled:
    """The unrolled face, its first row at the edge in question."""

    grey: FloatImage
    energy: FloatImage
    course: FloatImage

    def turned_over(self) -> _Unrolled:
        """Return the same from the other edge."""
        return _Unrolled(self.grey[::-1], self.energy[:, ::-1], self.course[:, ::-1])


def bands_within(
    face: CutFace, image: CalibratedImage, own_surface: FloatImage | None = None
) -> Bands:
    """Return the bands along a face's long edges that look like the lens's own surface.

    Parameters
    ----------
    face : CutFace
        The face, its chords from one long edge to the other.
    image : CalibratedImage
        The picture.
    own_surface : (rows, cols) float32 array, optional
        The learned map of the lens's other surfaces, on a coarse grid over the picture. Without
        it no band is sure.
    """
    thickness = float(np.median(face.thickness_px))
    length = float(face.s_px[-1] - face.s_px[0])
    shrink = max(1.0, thickness / _ROWS_MAX, length / _COLUMNS_MAX)
    rows, cols = round(thickness / shrink), round(length / shrink)
    if min(rows, cols) < _LEAST_ROWS:
        return Bands(False, ())
    pixels = np.nan_to_num(np.asarray(image.pixels, np.float32))
    grey = unroll_face(pixels, face, rows, cols)
    energy = _energies(grey)
    course = row_medians(energy.reshape(-1, cols)).reshape(-1, rows)
    first = _Unrolled(grey, energy, course)
    sure, doubtful = [], False
    for last, side in ((False, first), (True, first.turned_over())):
        narrow = _narrow_band(side)
        lens = 0.0
        if narrow is not None and own_surface is not None and narrow.step > _STEP_LENS:
            across = narrow.border / rows
            lens = mean_within(
                face, image, own_surface, along=(0, 1),
                across=(1 - across, 1) if last else (0, across))
        quiet = narrow is not None and narrow.quiet
        if narrow is not None and quiet and lens > _LENS_MIN:
            reach = _reach(side, narrow)
            if reach is not None:
                at = (np.arange(face.s_px.size) + 0.5) / face.s_px.size * cols - 0.5
                sure.append(LensBand(last, np.interp(at, np.arange(cols), reach) / rows))
                continue
        wide = None if doubtful else _smooth_band(side)
        doubtful = doubtful or quiet or lens > _LENS_MIN or (
            wide is not None
            and (wide.quiet or _looks_like_lens(
                pixels, image.valid, face, wide.border / rows, last=last)))
    return Bands(doubtful, tuple(sure))


@dataclass(frozen=True)
class _NarrowBand:
    """A narrow band of little detail: its border, the likeliest one, and how sure that is."""

    border: int
    peak: int
    step: float
    quiet: bool


def _narrow_band(side: _Unrolled) -> _NarrowBand | None:
    """Return the narrow band along an edge in which there is less detail than beyond."""
    steps = _steps(side.course, _SLIVER, _NARROW_REACH)
    if not steps or max(steps.values()) <= 0:
        return None
    peak = max(steps, key=lambda row: steps[row])
    border = min(row for row, step in steps.items() if step >= _NEARLY * steps[peak])
    share = _share_with_less(side.energy[1], border)
    if share < _COLUMNS_LENS:
        return None
    quiet = (
        steps[peak] > _STEP_NARROW and share > _COLUMNS_QUIET
        and _loudness(side.grey, border) < _QUIET_MAX)
    return _NarrowBand(int(border), int(peak), steps[peak], quiet)


def _reach(side: _Unrolled, band: _NarrowBand) -> FloatArray | None:
    """Return the row up to which a band reaches in every column; None where none is seen.

    Along it the step of detail is largest (exact, by dynamic programming).
    """
    energy = side.energy[1]
    rows, cols = energy.shape
    high = max(_LEAST_HIGH, round(_HIGH * rows))
    row = np.arange(_rim(rows), min(rows - high - _CLEAR, round(1.8 * band.peak) + 6))
    total = np.vstack([np.zeros((1, cols), np.float32), np.cumsum(energy, axis=0)])
    start = np.maximum(row - _CLEAR - high, 0)
    stop = np.maximum(row - _CLEAR, start + 1)
    above = (total[stop] - total[start]) / (stop - start)[:, None]
    below = (total[row + _CLEAR + high] - total[row + _CLEAR]) / high
    step = cv2.GaussianBlur(below - above, (0, 0), sigmaX=6.0, sigmaY=0.8)[:, ::_EVERY]
    path = best_paths([(np.ascontiguousarray(step.T, np.float32), _STIFFNESS)])[0]
    seen = step[path, np.arange(path.size)] > _SEEN
    if float(seen.mean()) < _SEEN_MIN:
        return None
    return np.interp(np.arange(cols), _EVERY * np.arange(path.size), row[path])


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


def _rim(rows: int) -> int:
    """Return how many rows along the edge are left out: rims are bright and blurred."""
    return max(2, round(_RIM * rows))


def _beyond(rows: int) -> int:
    """Return how many rows beyond a band it is compared with."""
    return max(6, round(_BEYOND * rows))


def _steps(course: FloatImage, narrowest: float, widest: float) -> dict[int, float]:
    """Return how much more detail there is beyond each row, by rows tried as a band's border."""
    rows = course.shape[1]
    rim, reach = _rim(rows), _beyond(rows)
    tried = np.unique(np.rint(np.geomspace(narrowest, widest, _TRIED) * rows)).astype(int)
    return {
        int(row): _step(course[:, rim : row - _GAP], course[:, row + _GAP : row + _GAP + reach])
        for row in tried
        if row - rim > _GAP + 1
    }


def _share_with_less(energy: FloatImage, border: int) -> float:
    """Return the share of the columns in which a band has less detail than what lies beyond."""
    rows = energy.shape[0]
    within = np.quantile(energy[_rim(rows) : border - _GAP], _QUARTER, axis=0)
    beyond = np.quantile(
        energy[border + _GAP : border + _GAP + _beyond(rows)], _QUARTER, axis=0)
    return float((within < beyond).mean())


def _along(band: FloatImage) -> float:
    """Return how far the grey of a band goes together along the face."""
    band = band - cv2.GaussianBlur(band, (0, 0), _SLOW)
    band = band - band.mean(axis=1, keepdims=True)
    variance = float((band**2).mean()) + _FLOOR**2
    return max(float((band[:, lag:] * band[:, :-lag]).mean()) / variance for lag in (2, 3))


def _loudness(grey: FloatImage, border: int) -> float:
    """Return the detail's standard deviation within a band as a share of that beyond it.

    Detail beyond its 90th percentile counts as that: dust on a lens's surface is no texture.
    """
    rows = grey.shape[0]
    sizes = []
    for part in (grey[_rim(rows) : border - _GAP],
                 grey[border + _GAP : border + _GAP + _beyond(rows)]):
        detail = part - cv2.GaussianBlur(part, (0, 0), _SLOW)
        detail = detail - detail.mean(axis=1, keepdims=True)
        most = np.quantile(np.abs(detail), _LOUDEST)
        sizes.append(float(np.clip(detail, -most, most).std()))
    return sizes[0] / (sizes[1] + _FLOOR)


@dataclass(frozen=True)
class _WideBand:
    """A band of any width: its border, and whether it is so quiet that no cut is."""

    border: int
    quiet: bool


def _smooth_band(side: _Unrolled) -> _WideBand | None:
    """Return the band along an edge in which there is little detail; None where there is none."""
    rows = side.grey.shape[0]
    steps = _steps(side.course, _NARROWEST, _WIDEST)
    if not steps:
        return None
    largest = max(steps.values())
    if largest < _STEP_MIN:
        return None
    # medians bear some rows of the cut: the first row that does nearly as well has none
    border = min(row for row, step in steps.items() if step >= _NEARLY * largest)
    share = _share_with_less(side.energy[1], border)
    limit = _QUIET_MAX if border < _QUIET_REACH * rows else _QUIET_MAX_WIDE
    if (largest > _STEP_NARROW and share > _COLUMNS_QUIET
            and _loudness(side.grey, border) < limit):
        return _WideBand(border, quiet=True)
    if share < _COLUMNS_MIN:
        return None
    alike = _along(side.grey[_rim(rows) : border - _GAP]) < _TOGETHER_MAX
    return _WideBand(border, quiet=False) if alike else None


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

