"""The truth that travels with a phantom, from the geometry that drew it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import Side
from edgeqc.phantoms.face_recipe import FaceRecipe
from edgeqc.phantoms.layout import (
    LASER,
    OBSCURED,
    SCISSOR,
    TORN,
    ZONE_NAMES,
    Layout,
    zone_weights,
)
from edgeqc.phantoms.outline import Chords, FaceShape, outline_of, side_of
from edgeqc.phantoms.recipe import Recipe
from edgeqc.quantity import BoolArray, FloatArray

BACKGROUND, OPTIC, FACE, BAR = 0, 1, 2, 3
"""Codes of ``PhantomTruth.scene``."""


@dataclass(frozen=True)
class LatticeTruth:
    """The laser lattice that was drawn.

    Parameters
    ----------
    spot_um, line_um : float
        Spot separation along a line and line separation.
    angle_deg : float
        Direction of the lines from the face's length.
    jitter : float
        Standard deviation of the spots' displacement, as a fraction of the separations.
    resolved : bool
        Whether both separations can be seen at this pixel size, blur and melt.
    """

    spot_um: float
    line_um: float
    angle_deg: float
    jitter: float
    resolved: bool


@dataclass(frozen=True)
class FaceTruth:
    """The truth of one face.

    Parameters
    ----------
    number : int
        1, 2, ... top to bottom, then left to right.
    outline_px : (n, 2) float array
        Closed outline (row, col); it may leave the picture.
    anterior_px, posterior_px : (n_s, 2) float arrays
        Ends of the chords, at even distances along the part of the mid-line that is seen.
    complete : (n_s,) bool array
        Both ends of the chord lie on true edges inside the picture.
    anterior : {"top", "bottom", "left", "right"}
        Side of the picture towards which the anterior edge lies.
    thickness_um : (n_s,) float array
        Thickness on the face itself (tilt undone).
    depth_fraction : (n_s,) float array
        Depth of the laser zone over thickness; 0 where there is none, ``nan`` where debris hides
        the border or the chord is not complete.
    cut_depth_fraction, cut_depth_min, cut_depth_area_fraction, cut_depth_nine_point : float
        Mean and least of depth over thickness, laser area over area, nine-point mean, all over
        the length where the laser zone is present; ``nan`` where it is nowhere.
    laser_length_fraction, through_cut_fraction : float
        Share of the measured length with a laser zone; share of that cut through (>= 0.99).
    ligament_um, ligament_max_um : float
        Mean and greatest of thickness minus depth over the lasered length.
    zone_fraction : mapping of str to float
        Share of the face's area in the picture: laser, scissor, torn, obscured.
    lattice : LatticeTruth or None
        The lattice, where one was drawn.
    relief_sq_um : mapping of str to float
        Root-mean-square height of each zone's relief about its mean plane.
    edge_rq_um : mapping of str to float
        Root-mean-square of the rough part of the anterior and posterior edge inside the picture.
    debris_count : int
        Pieces of debris that touch the face.
    debris_area_fraction : float
        Their share of the face's area in the picture.
    """

    number: int
    outline_px: FloatArray
    anterior_px: FloatArray
    posterior_px: FloatArray
    complete: BoolArray
    anterior: Side
    thickness_um: FloatArray
    depth_fraction: FloatArray
    cut_depth_fraction: float
    cut_depth_min: float
    cut_depth_area_fraction: float
    cut_depth_nine_point: float
    laser_length_fraction: float
    through_cut_fraction: float
    ligament_um: float
    ligament_max_um: float
    zone_fraction: Mapping[str, float]
    lattice: LatticeTruth | None
    relief_sq_um: Mapping[str, float]
    edge_rq_um: Mapping[str, float]
    debris_count: int
    debris_area_fraction: float


@dataclass(frozen=True)
class PhantomTruth:
    """The truth of one picture.

    Parameters
    ----------
    labels : (rows, cols) uint8 array
        Zone codes: 0 outside, 1 laser, 2 scissor, 3 torn, 4 obscured.
    scene : (rows, cols) uint8 array
        0 background, 1 the lens's own surface, 2 face, 3 data bar.
    faces : tuple of FaceTruth
        Top to bottom, then left to right.
    pixel_size_um, tilt_deg : float
        As drawn.
    height_um : (rows, cols) float32 array
        Heights on the faces, ``nan`` elsewhere.
    scale_bar_um, scale_bar_px : float
        Length of the drawn scale bar; 0 where there is none.
    defects : tuple of str
        Planted defects (empty for a good picture).
    """

    labels: NDArray[np.uint8]
    scene: NDArray[np.uint8]
    faces: tuple[FaceTruth, ...]
    pixel_size_um: float
    tilt_deg: float
    height_um: NDArray[np.float32]
    scale_bar_um: float = 0.0
    scale_bar_px: float = 0.0
    defects: tuple[str, ...] = field(default=())

    @property
    def quality(self) -> str:
        """``"good"``, or the planted defects, separated by semicolons."""
        return ";".join(self.defects) or "good"


N_T = 2000
"""Steps through the thickness when the depth along a chord is counted."""


def depth_along(
    shape: FaceShape, layout: Layout, chords: Chords, obscured: NDArray[np.bool_]
) -> FloatArray:
    """Return the laser zone's depth over thickness on every chord.

    Parameters
    ----------
    shape, layout, chords
        The face, its zones, its chords.
    obscured : (rows, cols) bool array
        Where debris lies in the picture.

    Notes
    -----
    Counted along each chord in steps of 1/2000 of its length, on the zones as laid out and not
    on pixels. Where debris covers the border of the laser zone the depth is ``nan``.
    """
    t = (np.arange(N_T) + 0.5) / N_T
    s, w = chords.points(t)
    laser = zone_weights(shape, layout, s, w, 0.0).labels() == LASER
    first_other = np.where(laser.all(axis=1), N_T, np.argmin(laser, axis=1))
    # raggedness may leave laser islands below the first gap: the zone reaches to the mean border
    depth = np.where(laser[:, 0] | (first_other > 0), laser.mean(axis=1), 0.0)
    index = np.arange(depth.size)
    at = np.clip(np.rint(depth * N_T).astype(int), 0, N_T - 1)
    px = np.rint(shape.axis.to_picture(s[index, at], w[index, at])).astype(int)
    rows, cols = obscured.shape
    seen = (px[:, 0] >= 0) & (px[:, 0] < rows) & (px[:, 1] >= 0) & (px[:, 1] < cols)
    hidden = np.zeros(depth.size, bool)
    hidden[seen] = obscured[px[seen, 0], px[seen, 1]]
    return np.where(hidden | ~chords.complete, np.nan, depth)


def _summary(depth: FloatArray, thickness: FloatArray) -> dict[str, float]:
    """Return the summary values of design.md's definitions from depth and thickness."""
    valid = np.isfinite(depth)
    lasered = valid & (depth > 0)
    names = ("cut_depth_fraction", "cut_depth_min", "cut_depth_area_fraction",
             "cut_depth_nine_point", "through_cut_fraction", "ligament_um", "ligament_max_um")
    result = dict.fromkeys(names, float("nan"))
    result["laser_length_fraction"] = float(lasered.sum() / valid.sum()) if valid.any() else np.nan
    if not lasered.any():
        return result
    d, t = depth[lasered], thickness[lasered]
    nine = np.interp(np.linspace(0, d.size - 1, 9), np.arange(d.size), d)
    result |= {
        "cut_depth_fraction": float(d.mean()),
        "cut_depth_min": float(d.min()),
        "cut_depth_area_fraction": float((d * t).sum() / t.sum()),
        "cut_depth_nine_point": float((nine[1:-1].sum() + 0.5 * (nine[0] + nine[-1])) / 8),
        "through_cut_fraction": float((d >= 0.99).mean()),
        "ligament_um": float(((1 - d) * t).mean()),
        "ligament_max_um": float(((1 - d) * t).max()),
    }
    return result


def lattice_truth(recipe: Recipe, face: FaceRecipe) -> LatticeTruth | None:
    """Return the lattice of a face's laser zone, or None where none was drawn."""
    for layer in face.laser.layers:
        if layer.kind != "lattice":
            continue
        spot, line = layer.params["spot_um"], layer.params["line_um"]
        pitch_px = min(spot, line) / recipe.pixel_size_um
        acquisition = recipe.acquisition
        sigma = np.hypot(
            acquisition.blur_px * acquisition.blur_ratio,
            layer.params.get("melt_um", 0.0) / recipe.pixel_size_um,
        )
        passed = np.exp(-2 * (np.pi * sigma / pitch_px) ** 2)
        resolved = bool(
            pitch_px >= 3 and passed >= 0.1 and layer.params.get("jitter", 0.0) <= 0.25
            and face.laser.kind == "lattice"
        )
        return LatticeTruth(
            spot, line, layer.angle_deg, layer.params.get("jitter", 0.0), resolved
        )
    return None


def relief_sq(height_um: NDArray[np.float32], labels: NDArray[np.uint8]) -> dict[str, float]:
    """Return the root-mean-square height of each zone about its least-squares plane."""
    result = {}
    for code in (LASER, SCISSOR, TORN):
        row, col = np.nonzero(labels == code)
        if row.size < 100:
            continue
        pick = slice(None, None, max(1, row.size // 40000))
        z = height_um[row[pick], col[pick]].astype(float)
        plane = np.stack([np.ones(z.size), row[pick], col[pick]], axis=1)
        rest = z - plane @ np.linalg.lstsq(plane, z, rcond=None)[0]
        result[ZONE_NAMES[code]] = float(np.sqrt(np.mean(rest**2)))
    return result


def face_truth(
    recipe: Recipe, face: FaceRecipe, shape: FaceShape, layout: Layout, drawn: DrawnFace
) -> FaceTruth:
    """Return the truth of one face; ``number`` is 0 until all faces are known."""
    area = int(np.isin(drawn.labels, (LASER, SCISSOR, TORN, OBSCURED)).sum())
    rows, cols = drawn.labels.shape
    chords = drawn.chords
    depth = depth_along(shape, layout, chords, drawn.labels == OBSCURED)
    thickness = (chords.to_posterior - chords.to_anterior) / shape.cos_tilt
    px = shape.axis.to_picture(shape.s_um, 0 * shape.s_um)
    seen = ((px >= 0) & (px <= np.array([rows, cols]) - 1)).all(axis=1)
    seen &= (shape.s_um > shape.ends_um[0]) & (shape.s_um < shape.ends_um[1])
    rough = shape.roughness_um[:, seen] if seen.sum() > 10 else shape.roughness_um
    return FaceTruth(
        number=0,
        outline_px=outline_of(shape),
        anterior_px=chords.anterior_px,
        posterior_px=chords.posterior_px,
        complete=chords.complete,
        anterior=side_of(face.angle_deg),
        thickness_um=thickness,
        depth_fraction=depth,
        **_summary(depth, thickness),
        zone_fraction={
            name: float((drawn.labels == code).sum() / max(area, 1))
            for code, name in ZONE_NAMES.items()
        },
        lattice=lattice_truth(recipe, face) if (drawn.labels == LASER).any() else None,
        relief_sq_um=relief_sq(drawn.height_um, drawn.labels),
        edge_rq_um=dict(zip(("anterior", "posterior"), map(float, rough.std(axis=1)), strict=True)),
        debris_count=drawn.debris_count,
        debris_area_fraction=float((drawn.labels == OBSCURED).sum() / max(area, 1)),
    )


@dataclass(frozen=True)
class DrawnFace:
    """What the drawing of a face leaves for its truth.

    Parameters
    ----------
    labels : (rows, cols) uint8 array
        Zones of this face alone, at picture size without the data bar.
    height_um : (rows, cols) float32 array
        Its relief.
    chords : Chords
        Its chords.
    debris_count : int
        Pieces of debris on it.
    """

    labels: NDArray[np.uint8]
    height_um: NDArray[np.float32]
    chords: Chords
    debris_count: int
