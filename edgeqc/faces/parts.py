"""A picture cut into parts of even grey and texture, on a coarse grid."""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import watershed

from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray, FloatArray

FloatImage = NDArray[np.float32]

GRID = 224
"""Cells along the picture's longer side."""

LAST_PARTS = 11
"""Parts that are kept; all connected unions of them are rated (2^11 at most)."""

NOISE_GAIN = (0.72, 0.13, 0.033)
"""Share of white noise variance that passes each texture band (difference of Gaussians of 0-1,
1-2, 2-4 px; computed from their transfer functions)."""


@dataclass(frozen=True)
class Parts:
    """Parts of a picture and what divides them.

    Parameters
    ----------
    labels : (rows, cols) int32 array
        Part of each cell, from 0.
    grey, texture : (rows, cols) float32 arrays
        Mean grey and logarithm of the texture energy above the noise, less their medians, in
        units of their spread.
    strength : (rows, cols) float32 array
        Strength of the change of all cues.
    border_sum, border_length : (n, n) float arrays
        Strength summed along the border between two parts, and its length in cells.
    area : (n,) float array
        Cells in each part.
    """

    labels: NDArray[np.int32]
    grey: FloatImage
    texture: FloatImage
    strength: FloatImage
    border_sum: FloatArray
    border_length: FloatArray
    area: FloatArray

    def mask(self, members: tuple[int, ...]) -> BoolArray:
        """Return the cells of a union of parts."""
        return np.asarray(np.isin(self.labels, members))

    def unions(self, low: float, high: float) -> list[tuple[int, ...]]:
        """Return every connected union of parts whose area lies between two limits."""
        n = self.area.size
        touch = [sum(1 << j for j in range(n) if self.border_length[i, j] > 3) for i in range(n)]
        found = []
        for code in range(1, 1 << n):
            members = tuple(i for i in range(n) if code >> i & 1)
            if not low <= self.area[list(members)].sum() <= high:
                continue
            reached, grown = 0, code & -code
            while grown != reached:
                reached = grown
                for i in members:
                    if reached >> i & 1:
                        grown |= touch[i] & code
            if reached == code:
                found.append(members)
        return found

    def inner_strength(self, members: tuple[int, ...]) -> float:
        """Return the mean strength of the borders between a union's own parts."""
        index = np.array(members)
        length = self.border_length[np.ix_(index, index)].sum()
        return float(self.border_sum[np.ix_(index, index)].sum() / max(length, 1.0))

    def border_contrast(self, members: tuple[int, ...]) -> float:
        """Return the mean strength of a union's border, less that of its inner borders."""
        inside = np.zeros(self.area.size, bool)
        inside[list(members)] = True
        outer_length = self.border_length[inside][:, ~inside].sum()
        if outer_length == 0:
            return -1.0
        outer = self.border_sum[inside][:, ~inside].sum() / outer_length
        return float(np.log(outer + 1e-3) - 0.3 * np.log(self.inner_strength(members) + 0.3))


def picture_parts(image: CalibratedImage) -> Parts:
    """Return the parts of a picture.

    Notes
    -----
    Cues on a coarse grid: mean grey, and the logarithm of the texture energy in three bands taken
    at full resolution with the noise's share subtracted, each divided by its own spread. A
    watershed on their gradient gives several hundred parts; the pair with the least difference
    (of means, weighted by size, and of strength along the shared border) is joined until few are
    left.
    """
    cues = _cues(image)
    strength = _strength(cues)
    fine = _watershed(strength)
    labels, border_sum, border_length = _merge(fine, cues, strength)
    area = np.bincount(labels.ravel(), minlength=border_sum.shape[0]).astype(float)
    grey, texture = (
        np.asarray(plane - np.median(plane), np.float32)
        for plane in (cues[..., 0], cues[..., 1:].mean(axis=2)))
    thick = cv2.dilate(strength, np.ones((3, 3), np.uint8))
    return Parts(labels, grey, texture, np.asarray(thick, np.float32), border_sum, border_length,
                 area)


def _cues(image: CalibratedImage) -> FloatImage:
    """Return the cue planes (rows, cols, 4), scaled to unit spread."""
    rows, cols = image.pixels.shape
    scale = min(1.0, GRID / max(rows, cols))
    size = (max(8, round(cols * scale)), max(8, round(rows * scale)))
    grey = np.where(image.valid, image.pixels, np.float32(np.median(image.pixels[image.valid]))
                    if image.valid.any() else 0).astype(np.float32)
    planes = [cv2.GaussianBlur(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), (0, 0), 0.8)]
    previous = grey
    for sigma, gain in zip((1.0, 2.0, 4.0), NOISE_GAIN, strict=True):
        smooth = cv2.GaussianBlur(grey, (0, 0), sigma)
        energy = cv2.resize((previous - smooth) ** 2, size, interpolation=cv2.INTER_AREA)
        energy = cv2.GaussianBlur(energy, (0, 0), 1.2)
        noise = gain * image.noise_sd**2 + 1e-8
        planes.append(np.log(np.maximum(energy - noise, 0) + noise))
        previous = np.asarray(smooth, np.float32)
    cues = np.stack(planes, axis=2)
    spread = cues.reshape(-1, cues.shape[2]).std(axis=0) + 1e-6
    floor = np.array([max(0.01, image.noise_sd / 4), 0.25, 0.25, 0.25])
    weight = np.array([1.5, 0.7, 0.7, 0.7]) / np.maximum(spread, floor)
    return np.asarray(cues * weight, np.float32)


def _strength(cues: FloatImage) -> FloatImage:
    """Return the strength of the change of all cues at each cell."""
    total = np.zeros(cues.shape[:2], np.float32)
    for plane in np.moveaxis(cues, 2, 0):
        smooth = cv2.GaussianBlur(plane, (0, 0), 1.0)
        total += cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125) ** 2
        total += cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125) ** 2
    return np.asarray(np.sqrt(total))


def _watershed(strength: FloatImage) -> NDArray[np.int32]:
    """Return the basins of the strength, from 0."""
    smooth = cv2.GaussianBlur(strength, (0, 0), 1.0)
    lowest = cv2.erode(smooth, np.ones((7, 7), np.uint8))
    _, markers = cv2.connectedComponents((smooth <= lowest + 1e-9).astype(np.uint8))
    basins = watershed(smooth, markers)  # type: ignore[no-untyped-call]
    return np.asarray(basins, np.int32) - 1


def _pairs(labels: NDArray[np.int32], strength: FloatImage) -> tuple[FloatArray, ...]:
    """Return pairs of neighbouring labels with summed strength and length of their border."""
    first, second, value = [], [], []
    for a, b, s in (
        (labels[1:], labels[:-1], np.maximum(strength[1:], strength[:-1])),
        (labels[:, 1:], labels[:, :-1], np.maximum(strength[:, 1:], strength[:, :-1])),
    ):
        differ = a != b
        first.append(np.minimum(a, b)[differ])
        second.append(np.maximum(a, b)[differ])
        value.append(s[differ])
    n = int(labels.max()) + 1
    code = np.concatenate(first).astype(np.int64) * n + np.concatenate(second)
    unique, inverse = np.unique(code, return_inverse=True)
    total = np.bincount(inverse, np.concatenate(value))
    length = np.bincount(inverse).astype(float)
    return (np.asarray(unique // n, float), np.asarray(unique % n, float),
            np.asarray(total, float), length)


def _merge(
    fine: NDArray[np.int32], cues: FloatImage, strength: FloatImage
) -> tuple[NDArray[np.int32], FloatArray, FloatArray]:
    """Return labels of the last parts, with strength and length of their borders."""
    n = int(fine.max()) + 1
    size = np.bincount(fine.ravel(), minlength=n).astype(float)
    mean = np.stack([
        np.bincount(fine.ravel(), cues[..., k].ravel(), n) / size for k in range(cues.shape[2])
    ], axis=1)
    border: list[dict[int, list[float]]] = [{} for _ in range(n)]
    for a, b, total, length in zip(*_pairs(fine, strength), strict=True):
        border[int(a)][int(b)] = [float(total), float(length)]
        border[int(b)][int(a)] = [float(total), float(length)]
    total_cells = float(fine.size)

    def cost(a: int, b: int) -> float:
        total, length = border[a][b]
        gap = float(((mean[a] - mean[b]) ** 2).sum())
        harmonic = size[a] * size[b] / (size[a] + size[b]) / total_cells
        return float((harmonic**0.6) * (gap + 20.0 * (total / length) ** 2))

    heap = [(cost(a, b), a, b, 0, 0) for a in range(n) for b in border[a] if a < b]
    heapq.heapify(heap)
    version, parent, left = [0] * n, list(range(n)), n
    while left > LAST_PARTS and heap:
        _, a, b, va, vb = heapq.heappop(heap)
        if parent[a] != a or parent[b] != b or version[a] != va or version[b] != vb:
            continue
        mean[a] = (mean[a] * size[a] + mean[b] * size[b]) / (size[a] + size[b])
        size[a] += size[b]
        parent[b], left = a, left - 1
        version[a] += 1
        for c, (total, length) in border[b].items():
            del border[c][b]
            if c != a:
                old = border[a].get(c, [0.0, 0.0])
                border[a][c] = border[c][a] = [old[0] + total, old[1] + length]
        border[b] = {}
        for c in border[a]:
            heapq.heappush(heap, (cost(a, c), a, c, version[a], version[c]))
    return _numbered(fine, parent, border)


def _numbered(
    fine: NDArray[np.int32], parent: list[int], border: list[dict[int, list[float]]]
) -> tuple[NDArray[np.int32], FloatArray, FloatArray]:
    """Return the merged labels numbered from 0 and the borders as matrices."""
    root = np.arange(len(parent))
    for i in range(len(parent)):
        j = i
        while parent[j] != j:
            j = parent[j]
        root[i] = j
    alive, number = np.unique(root, return_inverse=True)
    total = np.zeros((alive.size, alive.size))
    length = np.zeros_like(total)
    index = {int(a): k for k, a in enumerate(alive)}
    for a in alive:
        for b, (strength, cells) in border[int(a)].items():
            total[index[int(a)], index[b]] = strength
            length[index[int(a)], index[b]] = cells
    return np.asarray(number[fine], np.int32), total, length
