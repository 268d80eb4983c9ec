"""A zone of a stereo pair cut into blocks, each with its pictures and margin."""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np

from edgeqc.measure.stereo_frame import StereoEvidence
from edgeqc.measure.stereo_geometry import height_per_parallax
from edgeqc.measure.stereo_patch import ReliefPatch
from edgeqc.quantity import BoolArray

LEAST_POINTS = 1500
"""A block with fewer points says nothing of its own spectrum."""


def blocks(inside: BoolArray, longest: int) -> Iterator[tuple[slice, slice]]:
    """Yield the zone's bounding box, cut into even blocks.

    Parameters
    ----------
    inside : (rows, cols) bool array
        The zone, at least one point.
    longest : int
        Longest side of a block in points.
    """
    rows, cols = np.nonzero(inside)
    edges = []
    for index in (rows, cols):
        first, last = int(index.min()), int(index.max()) + 1
        count = math.ceil((last - first) / longest)
        edges.append(np.linspace(first, last, count + 1).astype(int))
    for top, bottom in zip(edges[0][:-1], edges[0][1:], strict=True):
        for left, right in zip(edges[1][:-1], edges[1][1:], strict=True):
            yield slice(int(top), int(bottom)), slice(int(left), int(right))


def patch_of(
    evidence: StereoEvidence, own: BoolArray, margin: int
) -> tuple[ReliefPatch, tuple[slice, slice]]:
    """Return the patch around a block, and its place on the ground plane.

    Parameters
    ----------
    evidence : StereoEvidence
        The pair.
    own : (rows, cols) bool array
        The block's points of the zone, on the ground plane of the pair's frame.
    margin : int
        Points of margin around it.
    """
    rows, cols = np.nonzero(own)
    place = (
        slice(max(0, int(rows.min()) - margin), min(own.shape[0], int(rows.max()) + margin + 1)),
        slice(max(0, int(cols.min()) - margin), min(own.shape[1], int(cols.max()) + margin + 1)),
    )
    size = own[place].shape
    grown = [cv2.getOptimalDFTSize(n) for n in size]
    pad = ((0, grown[0] - size[0]), (0, grown[1] - size[1]))
    a, b = np.deg2rad(evidence.tilt_deg)
    unit = height_per_parallax(evidence.tilt_deg)
    middle = (own.shape[1] - 1) / 2
    row, col = np.mgrid[0 : grown[0], 0 : grown[1]].astype(np.float32)
    row, ground = row + place[0].start, col + np.float32(place[1].start - middle)
    across = np.pad(evidence.across_px[place], pad, mode="edge")
    frame = evidence.frame
    patch = ReliefPatch(
        frame.grey, row, ground * np.float32(math.cos(a)) + np.float32(middle),
        ground * np.float32(math.cos(b)) + np.float32(middle - evidence.offset_px), row - across,
        (-math.sin(a) * unit, -math.sin(b) * unit), unit, math.tan((a + b) / 2),
        frame.across_um / evidence.along_um, np.pad(own[place], pad),
        np.pad(evidence.parallax_px[place], pad, mode="edge"),
    )
    return patch, place
