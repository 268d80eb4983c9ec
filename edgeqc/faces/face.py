"""The cut face and its frame: s along the face, t through its thickness."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.flags import Raised
from edgeqc.quantity import BoolArray, FloatArray

Side = Literal["top", "bottom", "left", "right", "unknown"]


@dataclass(frozen=True)
class CutFace:
    """One cut face.

    The frame is a row of transverse chords: chord ``i`` runs from ``anterior_px[i]`` (t = 0) to
    ``posterior_px[i]`` (t = 1), and the chords stand at even distances along the mid-line.

    Parameters
    ----------
    number : int
        1, 2, ... along the picture, top to bottom, then left to right.
    outline_px : (n, 2) float array
        Closed outline (row, col) in pixels, sub-pixel, first point not repeated.
    anterior_px, posterior_px : (n_s, 2) float arrays
        Ends (row, col) of the chords, in pixels.
    s_px : (n_s,) float array
        Arc length along the mid-line, in pixels, from 0.
    complete : (n_s,) bool array
        Where both ends of the chord lie on true edges of the face (not on the picture's frame).
    anterior : {"top", "bottom", "left", "right", "unknown"}
        Side of the picture towards which the anterior surface lies.
    anterior_source : {"sheet", "inferred", "none"}
        Where that is known from.
    u_edge_px : float
        Standard uncertainty of the position of one edge point across the edge, in pixels.
    flags : tuple of Raised
        Doubts about the face.
    """

    number: int
    outline_px: FloatArray
    anterior_px: FloatArray
    posterior_px: FloatArray
    s_px: FloatArray
    complete: BoolArray
    anterior: Side
    anterior_source: Literal["sheet", "inferred", "none"]
    u_edge_px: float
    flags: tuple[Raised, ...] = ()

    @property
    def thickness_px(self) -> FloatArray:
        """Length of each chord, in pixels, as seen in the picture (no tilt correction)."""
        return np.asarray(np.hypot(*(self.posterior_px - self.anterior_px).T))

    @property
    def centroid_px(self) -> tuple[float, float]:
        """Centroid (row, col) of the outline's area, in pixels."""
        row, col = self.outline_px.T
        row_next, col_next = np.roll(row, -1), np.roll(col, -1)
        cross = row * col_next - row_next * col
        area = cross.sum() / 2
        if area == 0:
            return float(row.mean()), float(col.mean())
        return (
            float(((row + row_next) * cross).sum() / (6 * area)),
            float(((col + col_next) * cross).sum() / (6 * area)),
        )

    def swapped(self) -> CutFace:
        """Return the same face with anterior and posterior exchanged (s runs backwards)."""
        opposite: dict[Side, Side] = {
            "top": "bottom", "bottom": "top", "left": "right", "right": "left",
            "unknown": "unknown",
        }
        return replace(
            self,
            anterior_px=self.posterior_px[::-1].copy(),
            posterior_px=self.anterior_px[::-1].copy(),
            s_px=(self.s_px[-1] - self.s_px)[::-1].copy(),
            complete=self.complete[::-1].copy(),
            anterior=opposite[self.anterior],
        )

    def column_chords(self, columns: int) -> NDArray[np.intp]:
        """Return the chord of each of so many columns at even places along the face, (columns,)."""
        return np.asarray(((np.arange(columns) + 0.5) / columns * self.s_px.size).astype(np.intp))

    def chord_points_px(self, station: FloatArray, t: FloatArray) -> FloatArray:
        """Return the picture positions of frame coordinates.

        Parameters
        ----------
        station : float array
            Position along the face in chords (0 .. n_s - 1; fractions interpolate).
        t : float array, broadcast against ``station``
            Fraction of the thickness from the anterior edge; may leave 0 .. 1.

        Returns
        -------
        (..., 2) float array
            Positions (row, col) in pixels.
        """
        # what depends on the chord alone is read once a chord, not once a point
        station, t = np.asarray(station, float), np.asarray(t, float)
        index = np.arange(self.s_px.size)
        ends = [
            np.interp(station, index, edge[:, axis])
            for edge in (self.anterior_px, self.posterior_px)
            for axis in (0, 1)
        ]
        row = ends[0] + t * (ends[2] - ends[0])
        col = ends[1] + t * (ends[3] - ends[1])
        return np.stack([row, col], axis=-1)


def unroll_face(
    pixels: NDArray[np.float32], face: CutFace, n_t: int, n_s: int, *, margin: float = 0.0
) -> NDArray[np.float32]:
    """Return the face resampled onto its frame: rows are t, columns are s.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        The picture.
    face : CutFace
        The face.
    n_t, n_s : int
        Size of the result; sample (i, j) lies at t = (i + 0.5)/n_t and at (j + 0.5)/n_s of the
        face's length.
    margin : float
        Fraction of the thickness added beyond either edge (then n_t rows cover
        ``-margin .. 1 + margin``).

    Returns
    -------
    (n_t, n_s) float32 array
        Bilinear samples; positions outside the picture repeat its border.
    """
    t = -margin + (np.arange(n_t) + 0.5) / n_t * (1 + 2 * margin)
    station = (np.arange(n_s) + 0.5) / n_s * (face.s_px.size - 1)
    points = face.chord_points_px(station[None, :], t[:, None]).astype(np.float32)
    return np.asarray(
        cv2.remap(
            np.asarray(pixels, np.float32),
            np.ascontiguousarray(points[..., 1]),
            np.ascontiguousarray(points[..., 0]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )
