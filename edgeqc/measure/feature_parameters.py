"""Feature parameters of surfaces: peaks, pits, hills and dales after pruning."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.measure.areal_parameters import ArealValues, spread_of_sum, tile_borders
from edgeqc.measure.block_spread import freedom_of
from edgeqc.measure.tail_spread import tails_of
from edgeqc.measure.watershed import STRETCH, Hills, pruned_hills
from edgeqc.quantity import BoolArray, FloatArray

SingleArray = NDArray[np.float32]

PRUNING = 0.05
"""Pruning threshold as a share of Sz (ISO 25178-2:2021, 5; default from memory)."""

FEATURES = ("Spd", "Svd", "Spc", "Svc", "S5p", "S5v", "S10z", "Sha", "Sda", "Shv", "Sdv")
"""Parameters of the pruned hills and dales."""

CLOSE_REACH = 2
"""Gaps up to this many samples from the nearest heights are closed by the mean of those, so that
single missing heights do not make every hill an open one."""

EXTREME_COUNT = 5
"""Peaks and pits in the five-point heights."""

EXTREME_SPREAD = 0.617
"""Standard deviation of the mean of the five highest of many independent peaks, over the scale
of their exponential tail: sqrt(pi²/6 - 1 - 1/4 - 1/9 - 1/16 + 4/25) (spacings of extreme order
statistics, J. Am. Stat. Assoc. 1978;73:812, from memory)."""

_SECOND = np.array([2.0, -27.0, 270.0, -490.0, 270.0, -27.0, 2.0]) / 180.0
_SECOND_SHORT = np.array([1.0, -2.0, 1.0])


def feature_values(
    height_um: FloatArray,
    spacing_um: tuple[float, float],
    height_range_um: tuple[float, float],
    pruning: float = PRUNING,
) -> ArealValues:
    """Return Spd, Svd, Spc, Svc, S5p, S5v, S10z, Sha, Sda, Shv and Sdv.

    Parameters
    ----------
    height_um : (rows, cols) float array
        Heights in µm from the mean plane, NaN outside the region.
    spacing_um : (float, float)
        (row, col) sampling interval in µm.
    height_range_um : (float, float)
        Sz and its standard uncertainty from the finite area.
    pruning : float
        Pruning threshold as a share of Sz.

    Returns
    -------
    ArealValues

    Notes
    -----
    Peaks and pits are counted all; areas and volumes are means over closed hills and dales
    (those that do not reach the border of the region). A hill's volume is that above its
    highest saddle. Curvature is minus half the sum of the second derivatives at the peak, by
    seven points where they are there, else three; peaks beside a gap have no part in
    it. S10z = S5p + S5v.

    Their sampling has two parts: the features' own scatter, and that of the pruning threshold,
    which is a share of a largest height. What the latter does is read from the hills that a
    threshold higher by one standard uncertainty would take away.

    References
    ----------
    ISO 25178-2:2021, 5 (definitions; restriction to closed hills, volume limit and default
    threshold from memory).
    """
    # single precision is ample: heights are from the mean plane
    closed = _close_small_gaps(height_um.astype(np.float32))
    area = float(np.count_nonzero(np.isfinite(closed))) * spacing_um[0] * spacing_um[1]
    value: dict[str, float] = {}
    sampling: dict[str, float] = {}
    notes: dict[str, str] = {}
    freedom: dict[str, float] = {}
    names = (("Spd", "Spc", "S5p", "Sha", "Shv", 1.0), ("Svd", "Svc", "S5v", "Sda", "Sdv", -1.0))
    for density, curvature, five, hill_area, hill_volume, sign in names:
        z = np.float32(sign) * closed
        hills = pruned_hills(z, spacing_um, pruning * height_range_um[0])
        count = hills.peak.size
        peaks = z.ravel()[hills.peak].astype(np.float64)
        stay = peaks - hills.saddle >= pruning * sum(height_range_um)
        value[density] = count / area
        scatter = _count_spread(closed, hills.peak)
        sampling[density] = math.hypot(scatter, np.count_nonzero(~stay)) / area
        # heights that only closed a gap say nothing about curvature
        bends = _curvatures(height_um, hills, spacing_um)
        value[curvature], sampling[curvature], freedom[curvature] = _mean(sign * bends, stay)
        whole = ~hills.open_hill
        areas, volumes = _areas_and_volumes(z, hills, spacing_um)
        for name, sizes in ((hill_area, areas), (hill_volume, volumes)):
            value[name], sampling[name], freedom[name] = _mean(
                sizes[whole], stay[whole], joined=True)
        highest = np.sort(peaks)[::-1][:EXTREME_COUNT]
        if highest.size == EXTREME_COUNT:
            value[five] = float(highest.mean())
            tails = tails_of(peaks[None], blocks=False)
            sampling[five] = EXTREME_SPREAD * float(tails.scale[0])
            freedom[five] = float(tails.freedom[0])
        else:
            value[five], sampling[five] = math.nan, math.nan
            notes[five] = notes["S10z"] = f"only {count} peaks or pits are left after pruning"
        for name in (hill_area, hill_volume):
            if math.isnan(value[name]):
                notes[name] = "no closed hill or dale"
    value["S10z"] = value["S5p"] + value["S5v"]
    sampling["S10z"] = math.hypot(sampling["S5p"], sampling["S5v"])
    freedom["S10z"] = min(freedom.get("S5p", 1.0), freedom.get("S5v", 1.0))
    return ArealValues(value, sampling, freedom, 0.0, notes)


def _count_spread(z: SingleArray, peak: NDArray[np.int64]) -> float:
    """Return how the number of hills scatters, from their numbers in the tiles.

    Hills keep apart from each other: of as many independent events it would be larger.

    References: JCGM 100:2008, 4.2.3, 5.2.2.
    """
    rows, cols = (tile_borders(size) for size in z.shape)
    row, col = np.divmod(peak, z.shape[1])
    number, _, _ = np.histogram2d(row, col, bins=(rows, cols))
    here = np.isfinite(z).astype(np.float64)
    share = np.add.reduceat(np.add.reduceat(here, rows[:-1], axis=0), cols[:-1], axis=1)
    return spread_of_sum(number - peak.size * share / share.sum())


def _mean(
    values: FloatArray, stay: BoolArray, *, joined: bool = False
) -> tuple[float, float, float]:
    """Mean, its standard uncertainty from the scatter, and degrees of freedom.

    Part of the uncertainty is by how much the mean would move if only those that ``stay`` were
    left; ``joined`` where they take over what the others had.

    References: JCGM 100:2008, 4.2.3.
    """
    known = np.isfinite(values)
    good = values[known]
    if good.size == 0:
        return math.nan, math.nan, 1.0
    mean = float(good.mean())
    if good.size == 1:
        return mean, math.nan, 1.0
    left = good[stay[known]]
    kept = good if joined else left
    moved = float(kept.sum()) / left.size - mean if left.size else mean
    scatter = float(good.std(ddof=1) / math.sqrt(good.size))
    return mean, math.hypot(scatter, moved), float(freedom_of(good - mean))


def _close_small_gaps(height_um: SingleArray) -> SingleArray:
    valid = np.isfinite(height_um)
    if valid.all():
        return height_um
    filled = np.where(valid, height_um, np.float32(0.0))
    size = (2 * CLOSE_REACH + 1, 2 * CLOSE_REACH + 1)
    border = cv2.BORDER_CONSTANT
    near = cv2.boxFilter(valid.view(np.uint8), -1, size, normalize=False, borderType=border)
    total = cv2.boxFilter(filled, -1, size, normalize=False, borderType=border)
    # a gap inside the region is surrounded; a place beyond the border has heights on one side
    close = np.flatnonzero(~valid & (near > size[0] * size[1] // 2))
    closed: SingleArray = height_um.copy()
    closed.ravel()[close] = total.ravel().take(close) / near.ravel().take(close).astype(np.float32)
    return closed


def _curvatures(z: FloatArray, hills: Hills, spacing_um: tuple[float, float]) -> FloatArray:
    row, col = np.divmod(hills.peak, z.shape[1])
    bend = np.zeros(row.size)
    for axis, step in enumerate(spacing_um):
        long = _second_difference(z, row, col, axis, _SECOND)
        short = _second_difference(z, row, col, axis, _SECOND_SHORT)
        bend -= 0.5 * np.where(np.isfinite(long), long, short) / step**2
    return bend


def curvature_spread(height_um: FloatArray, spacing_um: tuple[float, float]) -> float:
    """Return the standard deviation of the curvature of a field of noise, in 1/µm.

    Parameters
    ----------
    height_um : (rows, cols) float array
        The noise in µm, NaN where there is none.
    spacing_um : (float, float)
        (row, col) sampling interval in µm.

    References
    ----------
    The curvature is that of `feature_values`.
    """
    half = _SECOND.size // 2
    bend = np.zeros((height_um.shape[0] - 2 * half, height_um.shape[1] - 2 * half))
    for axis, step in enumerate(spacing_um):
        across = [slice(half, n - half) for n in height_um.shape]
        for offset, weight in zip(range(-half, half + 1), _SECOND, strict=True):
            part = list(across)
            stop = height_um.shape[axis] - half + offset
            part[axis] = slice(half + offset, stop)
            bend -= 0.5 * weight / step**2 * height_um[tuple(part)]
    return float(np.nanstd(bend)) if np.isfinite(bend).any() else math.nan


def _second_difference(
    z: FloatArray,
    row: np.ndarray[tuple[int], np.dtype[np.int64]],
    col: np.ndarray[tuple[int], np.dtype[np.int64]],
    axis: int,
    weights: FloatArray,
) -> FloatArray:
    half = weights.size // 2
    total = np.zeros(row.size)
    for offset, weight in zip(range(-half, half + 1), weights, strict=True):
        r, c = (row + offset, col) if axis == 0 else (row, col + offset)
        inside = (r >= 0) & (r < z.shape[0]) & (c >= 0) & (c < z.shape[1])
        r, c = np.clip(r, 0, z.shape[0] - 1), np.clip(c, 0, z.shape[1] - 1)
        total += weight * np.where(inside, z[r, c], np.nan)
    return total


def _areas_and_volumes(
    z: SingleArray, hills: Hills, spacing_um: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Area of every hill, and its volume above its highest saddle."""
    label, height = hills.labels.ravel(), z.ravel()
    count = np.zeros(hills.peak.size + 1, dtype=np.int64)
    volume = np.zeros(hills.peak.size + 1)
    saddle = np.where(np.isfinite(hills.saddle), hills.saddle, np.nan).astype(np.float32)
    saddle = np.append(np.float32(np.nan), saddle)
    for start in range(0, label.size, max(STRETCH, count.size)):
        here = slice(start, start + max(STRETCH, count.size))
        hill = label[here].astype(np.int64)
        hill += 1  # gaps come first and are left out again
        above = height[here] - saddle.take(hill)
        np.maximum(above, np.float32(0.0), out=above)
        for total, part in ((count, np.bincount(hill)), (volume, np.bincount(hill, above))):
            total[: part.size] += part
    count, volume = count[1:], volume[1:]
    cell = spacing_um[0] * spacing_um[1]
    return np.asarray(count * cell, dtype=np.float64), np.asarray(volume * cell, dtype=np.float64)
