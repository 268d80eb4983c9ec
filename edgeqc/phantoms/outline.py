"""The outline of a cut face: its bent axis, its two long edges, its ends, its chords."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import Side
from edgeqc.phantoms.face_recipe import FaceRecipe
from edgeqc.phantoms.fields import Plane, correlated_line
from edgeqc.phantoms.recipe import Recipe
from edgeqc.quantity import BoolArray, FloatArray

GRID_PER_PIXEL = 2
"""Points per pixel of the edges' lines."""


@dataclass(frozen=True)
class Axis:
    """The bent axis of a face: picture positions (row, col) <-> (s, w).

    s is the arc length along the axis and w the distance across it (positive towards the
    posterior), both in µm as seen in the picture. The axis is an arc of a circle, so both ways are
    closed formulas.

    Parameters
    ----------
    origin_px : (float, float)
        Where s = w = 0.
    angle_deg : float
        Direction of the axis there.
    curvature : float
        Curvature in 1/µm, positive towards the posterior; 0 for a straight axis.
    pixel_um : float
        Pixel size.
    """

    origin_px: tuple[float, float]
    angle_deg: float
    curvature: float
    pixel_um: float

    def _turn(self) -> tuple[float, float]:
        angle = math.radians(self.angle_deg)
        return math.cos(angle), math.sin(angle)

    def from_picture(self, row: Plane, col: Plane) -> tuple[Plane, Plane]:
        """Return (s, w) in µm of picture positions."""
        cos, sin = self._turn()
        d_row = (row - self.origin_px[0]) * self.pixel_um
        d_col = (col - self.origin_px[1]) * self.pixel_um
        a = sin * d_row + cos * d_col
        b = cos * d_row - sin * d_col
        if self.curvature == 0:
            return a, b
        # float64: the radius is large against the distances wanted
        radius = 1 / self.curvature
        sign = math.copysign(1.0, radius)
        a, b = a.astype(np.float64), b.astype(np.float64)
        s = radius * np.arctan2(sign * a, sign * (radius - b))
        w = radius - sign * np.hypot(a, radius - b)
        return np.asarray(s, np.float32), np.asarray(w, np.float32)

    def to_picture(self, s: FloatArray, w: FloatArray) -> FloatArray:
        """Return picture positions (..., 2) of (s, w) in µm."""
        if self.curvature == 0:
            a, b = s, w
        else:
            radius = 1 / self.curvature
            a = (radius - w) * np.sin(s / radius)
            b = radius - (radius - w) * np.cos(s / radius)
        cos, sin = self._turn()
        row = self.origin_px[0] + (sin * a + cos * b) / self.pixel_um
        col = self.origin_px[1] + (cos * a - sin * b) / self.pixel_um
        return np.stack([row, col], axis=-1)


@dataclass(frozen=True)
class FaceShape:
    """The realised outline of a face; lengths are as seen in the picture.

    Parameters
    ----------
    axis : Axis
        The face's axis.
    s_um : (n,) float array
        Even grid along the axis.
    anterior_um, posterior_um : (n,) float arrays
        w of the two edges at ``s_um``.
    roughness_um : (2, n) float array
        The rough part of the two edges, on the face itself (not foreshortened).
    ends_um : (float, float)
        s of the two ends at w = 0.
    end_slant : (float, float)
        ds/dw of the two ends.
    end_line_um : (2, m) float array
        Roughness of the two ends, on an even grid of w over ``end_reach_um``.
    end_reach_um : float
        Half-width of that grid.
    corner_um : float
        Radius of the corners.
    cos_tilt : float
        Foreshortening across the face.
    """

    axis: Axis
    s_um: FloatArray
    anterior_um: FloatArray
    posterior_um: FloatArray
    roughness_um: FloatArray
    ends_um: tuple[float, float]
    end_slant: tuple[float, float]
    end_line_um: FloatArray
    end_reach_um: float
    corner_um: float
    cos_tilt: float

    def along(
        self, s: NDArray[np.floating], *lines: FloatArray
    ) -> tuple[NDArray[np.floating], ...]:
        """Return lines given on the grid at other positions along the axis."""
        step = float(self.s_um[1] - self.s_um[0])
        position = np.clip((s - self.s_um[0]) / step, 0, self.s_um.size - 1.001)
        index = position.astype(np.int32)
        part = (position - index).astype(s.dtype)
        found = []
        for line in lines:
            values = np.asarray(line, s.dtype)
            found.append(values[index] + part * np.diff(values)[index])
        return tuple(found)

    def inside_um(self, s: NDArray[np.floating], w: NDArray[np.floating]) -> NDArray[np.floating]:
        """Return how far positions lie inside the face (negative outside), roughly in µm."""
        front, back = self.along(s, self.anterior_um, self.posterior_um)
        edge = np.minimum(w - front, back - w)
        end = self.past_ends_um(s, w)
        result: NDArray[np.floating] = np.minimum(edge, end)
        if self.corner_um > 0:
            radius = np.asarray(self.corner_um, s.dtype)
            round_off = radius - np.hypot(
                np.maximum(radius - edge, 0), np.maximum(radius - end, 0)
            )
            result = np.minimum(result, round_off)
        return result

    def past_ends_um(
        self, s: NDArray[np.floating], w: NDArray[np.floating]
    ) -> NDArray[np.floating]:
        """Return how far positions lie from the nearer end (negative beyond it), in µm."""
        result: NDArray[np.floating] = np.minimum(s - self.end_um(0, w), self.end_um(1, w) - s)
        return result

    def end_um(self, which: int, w: NDArray[np.floating]) -> NDArray[np.floating]:
        """Return s of the first (0) or last (1) end at positions across the face."""
        n = self.end_line_um.shape[1]
        position = np.clip((w / self.end_reach_um + 1) * (0.5 * (n - 1)), 0, n - 1)
        line = np.asarray(self.end_line_um[which], w.dtype)[position.astype(np.int32)]
        result: NDArray[np.floating] = self.ends_um[which] + self.end_slant[which] * w + line
        return result


def shape_face(recipe: Recipe, face: FaceRecipe, rng: np.random.Generator) -> FaceShape:
    """Return the realised outline of a face.

    Parameters
    ----------
    recipe : Recipe
        The phantom.
    face : FaceRecipe
        One of its faces.
    rng : numpy.random.Generator
        Source of randomness.
    """
    rows = recipe.rows - recipe.bar.height_px
    pixel = recipe.pixel_size_um
    cos_tilt = math.cos(math.radians(recipe.tilt_deg))
    origin = (face.centre[0] * (rows - 1), face.centre[1] * (recipe.cols - 1))
    length = face.end_um - face.start_um
    curvature = 8 * face.bend * face.thickness_um / length**2
    axis = Axis(origin, face.angle_deg, curvature, pixel)
    margin = 1.5 * face.thickness_um * max(0.02, *(abs(slant) for slant in face.end_slant))
    spacing = pixel / GRID_PER_PIXEL
    n = int((length + 2 * margin) / spacing) + 3
    s = face.start_um - margin + spacing * np.arange(n)
    place = (s - face.start_um) / length
    half = 0.5 * face.thickness_um * (1 + face.taper * (place - 0.5))
    reach = max(abs(face.apex), abs(1 - face.apex), 0.3)
    loss = face.sag * face.thickness_um * ((place - face.apex) / reach) ** 2
    share = {"plate": (0.0, 0.0), "biconvex": (0.5, 0.5), "plano-convex": (0.0, 1.0)}.get(
        face.form, (0.3, 0.3)
    )
    rough = np.asarray(np.stack([
        edge.rq_um * correlated_line(
            n, spacing, rng, correlation_um=edge.correlation_um, exponent=edge.exponent
        )
        for edge in (face.anterior, face.posterior)
    ]), np.float64)
    floor = 0.05 * face.thickness_um
    anterior = -np.maximum(half - share[0] * loss, floor) - rough[0]
    posterior = np.maximum(half - share[1] * loss, floor) + rough[1]
    reach_um = 0.8 * face.thickness_um
    end_line = np.asarray(np.stack([
        face.end_rq_um * correlated_line(
            int(2 * reach_um / spacing) + 2, spacing, rng, correlation_um=10 * pixel, exponent=0.7
        )
        for _ in range(2)
    ]), np.float64)
    return FaceShape(
        axis, np.asarray(s), np.asarray(anterior * cos_tilt), np.asarray(posterior * cos_tilt),
        rough,
        (face.start_um, face.end_um), face.end_slant, end_line, reach_um, face.corner_um, cos_tilt,
    )


@dataclass(frozen=True)
class Chords:
    """Transverse chords at even distances along the mid-line.

    Parameters
    ----------
    base, normal : (n, 2) float arrays
        Mid-points (s, w) in µm and unit directions towards the posterior.
    to_anterior, to_posterior : (n,) float arrays
        Signed distances from the mid-points to the two edges, in µm as seen.
    anterior_px, posterior_px : (n, 2) float arrays
        Ends (row, col).
    complete : (n,) bool array
        Both ends lie on true edges and inside the picture.
    """

    base: FloatArray
    normal: FloatArray
    to_anterior: FloatArray
    to_posterior: FloatArray
    anterior_px: FloatArray
    posterior_px: FloatArray
    complete: BoolArray

    def points(self, t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (s, w) at fractions ``t`` of every chord, as (n, len(t)) arrays."""
        distance = self.to_anterior[:, None] + t[None, :] * (
            self.to_posterior - self.to_anterior
        )[:, None]
        s = self.base[:, :1] + distance * self.normal[:, :1]
        w = self.base[:, 1:] + distance * self.normal[:, 1:]
        return s, w


def lay_chords(shape: FaceShape, picture: tuple[int, int], spacing_px: float = 2.0) -> Chords:
    """Return the chords of a face, perpendicular to its smooth mid-line as seen in the picture.

    Chords whose middle lies outside the picture are left out.

    Parameters
    ----------
    shape : FaceShape
        The face.
    picture : (rows, cols)
        Size of the picture without its data bar.
    spacing_px : float
        Distance between chords along the mid-line.
    """
    step = spacing_px * shape.axis.pixel_um
    s_all = shape.s_um
    rough = shape.roughness_um * shape.cos_tilt
    middle = 0.5 * (shape.anterior_um + rough[0] + shape.posterior_um - rough[1])
    slope = np.gradient(middle, s_all)
    # the axis is bent: a unit of s at distance w from it is (1 - curvature·w) long
    stretch = 1 - shape.axis.curvature * middle
    length = np.concatenate([
        [0], np.cumsum(np.hypot(np.diff(s_all) * stretch[1:], np.diff(middle)))
    ])
    inside = np.nonzero((s_all >= shape.ends_um[0]) & (s_all <= shape.ends_um[1]))[0]
    stations = np.arange(length[inside[0]] + step / 2, length[inside[-1]], step)
    s = np.interp(stations, length, s_all)
    m, k = np.interp(s, s_all, middle), np.interp(s, s_all, slope)
    k = k / (1 - shape.axis.curvature * m)
    norm = np.hypot(1, k)
    normal = np.stack([-k / norm / (1 - shape.axis.curvature * m), 1 / norm], axis=1)
    ends = []
    for edge in (shape.anterior_um, shape.posterior_um):
        distance = np.interp(s, s_all, edge) - m
        for _ in range(12):
            target = np.interp(s + distance * normal[:, 0], s_all, edge)
            distance = (target - m) / normal[:, 1]
        ends.append(distance)
    base = np.stack([s, m], axis=1)
    middle_px = shape.axis.to_picture(s, m)
    seen = ((middle_px >= 0) & (middle_px <= np.array(picture) - 1)).all(axis=1)
    s, base, normal = s[seen], base[seen], normal[seen]
    ends = [distance[seen] for distance in ends]
    pixels, complete = [], np.ones(s.size, bool)
    for distance in ends:
        point = base + distance[:, None] * normal
        px = shape.axis.to_picture(point[:, 0], point[:, 1])
        pixels.append(px)
        complete &= ((px >= 0) & (px <= np.array(picture) - 1)).all(axis=1)
        complete &= shape.past_ends_um(point[:, 0], point[:, 1]) >= shape.corner_um
    return Chords(base, normal, ends[0], ends[1], pixels[0], pixels[1], complete)


def outline_of(shape: FaceShape, step: int = 2) -> FloatArray:
    """Return the closed outline (n, 2) of a face in pixels; it may leave the picture."""
    edges = (shape.anterior_um, shape.posterior_um)
    long_sides = []
    for line in edges:
        keep = np.nonzero(shape.past_ends_um(shape.s_um, line) >= shape.corner_um)[0][::step]
        long_sides.append((shape.s_um[keep], line[keep]))
    front, back = long_sides
    parts = [
        front, _corner(shape, 0, 1), _end_side(shape, 1), _reversed(_corner(shape, 1, 1)),
        _reversed(back), _corner(shape, 1, 0), _reversed(_end_side(shape, 0)),
        _reversed(_corner(shape, 0, 0)),
    ]
    s = np.concatenate([part[0] for part in parts])
    w = np.concatenate([part[1] for part in parts])
    return shape.axis.to_picture(s, w)


def _reversed(line: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    return line[0][::-1], line[1][::-1]


def _end_side(shape: FaceShape, which: int) -> tuple[FloatArray, FloatArray]:
    """Return an end (s, w) from the anterior to the posterior corner."""
    s = shape.ends_um[which]
    front, back = (
        float(np.interp(s, shape.s_um, line)) for line in (shape.anterior_um, shape.posterior_um)
    )
    pixel = shape.axis.pixel_um
    n = max(2, int((back - front) / pixel))
    w = np.linspace(front + shape.corner_um, back - shape.corner_um, n)
    return np.asarray(shape.end_um(which, w)), w


def _corner(shape: FaceShape, side: int, which: int) -> tuple[FloatArray, FloatArray]:
    """Return a rounded corner (s, w) from the long edge to the end."""
    line = (shape.anterior_um, shape.posterior_um)[side]
    turn = np.linspace(0, np.pi / 2, 7)
    from_edge = shape.corner_um * (1 - np.cos(turn)) * (1 if side == 0 else -1)
    from_end = shape.corner_um * (1 - np.sin(turn)) * (1 if which == 0 else -1)
    s = shape.ends_um[which] + from_end
    for _ in range(6):  # edge and end lean on each other; both are nearly straight here
        w = np.interp(s, shape.s_um, line) + from_edge
        s = np.asarray(shape.end_um(which, w) + from_end)
    return s, w


def side_of(angle_deg: float) -> Side:
    """Return the side of the picture towards which the anterior edge lies."""
    angle = math.radians(angle_deg)
    row, col = math.cos(angle), -math.sin(angle)  # towards the posterior
    if abs(row) >= abs(col):
        return "top" if row > 0 else "bottom"
    return "left" if col > 0 else "right"
