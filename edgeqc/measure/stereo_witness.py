"""What the brightness of a zone says for or against the relief that a stereo pair gives it.

Two pictures that differ by brightness alone can be laid over each other too, by a relief that does
not exist. Two things tell it from a real one. The texture must vary across the tilt axis, else the
parallax is read from next to nothing. And in an electron picture slopes, crests and hollows of a
real relief show in the brightness itself, whatever the detector; those of a feigned one do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from edgeqc.measure.stereo_patch import LaidPair, ReliefPatch
from edgeqc.measure.stereo_refine import Plane, gradient, smooth
from edgeqc.quantity import FloatArray

FINE_PX, COARSE_PX = 3.0, 12.0
"""Standard deviations between which relief and brightness are held against each other: coarse
enough for the relief to be known point by point, fine enough for a zone to hold many features."""

FEATURE_PX2 = 4 * math.pi * FINE_PX**2
"""Area in which a field smoothed by `FINE_PX` says one thing of its own."""

TERMS = 6
"""Number of terms that brightness is explained by."""


@dataclass(frozen=True)
class Witness:
    """Sums over a patch, so that those of several patches add up.

    Parameters
    ----------
    points : int
        Number of points.
    brightness, left : float
        Sum of squares of the brightness in the band, and of what the relief leaves of it.
    across, along : float
        Sums of squares of the texture's gradient across and along the tilt axis.
    aligned : float
        The same sum of both, of the part that the surroundings' one direction holds.
    """

    points: int
    brightness: float
    left: float
    across: float
    along: float
    aligned: float = 0.0

    @property
    def explained(self) -> float:
        """Share of the brightness that the relief explains, less what chance would (about 0)."""
        features = self.points / FEATURE_PX2
        if features <= TERMS + 1 or not self.brightness > 0:
            return 0.0
        return 1 - self.left / self.brightness * (features - 1) / (features - 1 - TERMS)

    @property
    def opening(self) -> float:
        """Gradient of the texture across the axis over that along it (1: no direction)."""
        return math.sqrt(self.across / self.along) if self.along > 0 else math.inf

    @property
    def coherence(self) -> float:
        """Share of the texture's gradient that runs one way, place by place (1: lines alone)."""
        whole = self.across + self.along
        return min(self.aligned / whole, 1.0) if whole > 0 else 0.0


def together(parts: Sequence[Witness]) -> Witness:
    """Return the witness of several patches as of one."""
    return Witness(
        sum(part.points for part in parts), sum(part.brightness for part in parts),
        sum(part.left for part in parts), sum(part.across for part in parts),
        sum(part.along for part in parts), sum(part.aligned for part in parts),
    )


def witness_of(patch: ReliefPatch, laid: LaidPair, parallax_px: Plane) -> Witness:
    """Return what the mean brightness of both pictures says of a relief.

    Parameters
    ----------
    patch : ReliefPatch
        The patch.
    laid : LaidPair
        Its pictures, laid over each other.
    parallax_px : (n, m) float32 array
        Parallax that is looked at.

    Notes
    -----
    Least squares of the brightness on height, curvature, both slopes and their squares, all
    between `FINE_PX` and `COARSE_PX`. No sign is asked for: a relief turned inside out explains as
    much.

    References
    ----------
    L. Reimer, Scanning Electron Microscopy, 2nd ed. (1998), chapter 4 (yield by slope; brighter
    edges).
    """
    inside = patch.inside
    known = inside.astype(np.float32)
    share = [np.maximum(smooth(known, width), 1e-3) for width in (FINE_PX, COARSE_PX)]

    def band(plane: Plane) -> Plane:
        kept = np.where(inside, plane, 0).astype(np.float32)
        return np.asarray(
            smooth(kept, FINE_PX) / share[0] - smooth(kept, COARSE_PX) / share[1], np.float32)

    height, grey = band(parallax_px * np.float32(patch.lift)), band(laid.grey)[inside]
    across, along = gradient(height, 1), gradient(height, 0) * np.float32(patch.row_stretch)
    bent = np.asarray(cv2.Laplacian(height, cv2.CV_32F))
    terms = (height, bent, across, along, across * across, along * along)
    design: FloatArray = np.stack([term[inside].astype(float) for term in terms], axis=1)
    design -= design.mean(axis=0)
    bright = np.asarray(grey - grey.mean(), float)
    fit, *_ = np.linalg.lstsq(design, bright, rcond=None)
    step, climb = (
        np.where(inside, gradient(laid.clean, axis), 0).astype(np.float32) for axis in (1, 0))
    return Witness(
        bright.size, float(bright @ bright), float(np.sum((bright - design @ fit) ** 2)),
        float(np.sum(np.square(step, dtype=float))), float(np.sum(np.square(climb, dtype=float))),
        _aligned(step, climb),
    )


def _aligned(across: Plane, along: Plane) -> float:
    """Return the sum of a gradient's squares times the coherence of its surroundings.

    Notes
    -----
    Eigenvalues of the structure tensor within `COARSE_PX`, difference over sum (IEEE Trans. Pattern
    Anal. Mach. Intell. 1991, 13:775).
    """
    squares, twice = across * across - along * along, 2 * across * along
    energy = across * across + along * along
    one, two, whole = (smooth(plane, COARSE_PX) for plane in (squares, twice, energy))
    return float(np.sum(energy * np.hypot(one, two) / np.maximum(whole, 1e-20), dtype=float))
