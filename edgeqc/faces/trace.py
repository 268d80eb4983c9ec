"""The cut faces of a picture: regions to outlines to frames."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import cv2
import numpy as np
from numpy.polynomial import legendre

from edgeqc.errors import SheetError
from edgeqc.faces.completion import lens_beyond_ends, may_be_cut_beside, notches_filled
from edgeqc.faces.face import CutFace, Side
from edgeqc.faces.fragment import (
    FaceRegion,
    FaceSettings,
    FloatImage,
    field_of,
    filled,
    find_face_regions,
)
from edgeqc.faces.frame import Chords, Sides, chords_of
from edgeqc.faces.going_on import ends_gone_beyond
from edgeqc.faces.lens_within import lens_seen_within
from edgeqc.faces.outline import (
    Outline,
    clockwise,
    coarse_outline,
    polygon_area,
    refine_outline,
)
from edgeqc.faces.sides import Field
from edgeqc.faces.surface_bands import Bands, bands_within
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray, FloatArray

SIDES = ("top", "bottom", "left", "right")

_LEAST_CELL_PX, _CELL_OF_BAND = 1.5, 0.13
"""Cell by which an edge is sought again where a band was left out: at least, and as a fraction of
the band's width. The search reaches a few cells."""

NOWHERE = 0.02
"""Below this share of complete chords no thickness is to be had."""

_CUT_OFF = {"face_cropped", "face_fills_frame"}
"""Doubts under which no chord counts as complete. Of 40 faces of eight makers that the frame cuts
off for 40 to 92 % of their length, the mean over the rest was the face's own within 1 % in 14, and
off by more than 10 % in 17: what is left is a corner, or has an edge that is none."""

MIN_SIDE_COMPONENT = 0.17
"""A sheet's side is taken only where the chords point towards it by more than 10 degrees."""


def trace_cut_faces(
    image: CalibratedImage, settings: FaceSettings, *, anterior: str | None = None,
    expected: int | None = None, probability: FloatImage | None = None,
) -> tuple[tuple[CutFace, ...], tuple[Raised, ...]]:
    """Return the cut faces of a picture with their frames, and the doubts about the picture.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    settings : FaceSettings
        How faces are found and when they are doubted.
    anterior : str, optional
        Side of the picture towards which the anterior surface lies: ``top``, ``bottom``,
        ``left``, ``right``, or a semicolon list in face order.
    expected : int, optional
        Number of faces on the specimen sheet.
    probability : (rows, cols) or (3, rows, cols) float32 array, optional
        Probability of "cut face" on a coarse grid over the picture, from a learned map; or those
        of background, other lens body and cut face, and then parts that it left out are filled in.

    Returns
    -------
    faces : tuple of CutFace
        Numbered top to bottom, then left to right.
    flags : tuple of Raised
        Doubts about the picture as a whole (``no_face``, ``faces_differ``).

    Raises
    ------
    SheetError
        The anterior side is not one of the four.
    """
    wanted = _anterior_list(anterior, image.source.name)
    field = field_of(image)
    regions = find_face_regions(image, settings, probability=probability)
    # one side for all faces tells which of a stubby face's sides are the lens's surfaces
    towards = wanted[0] if len(set(wanted)) == 1 and wanted[0] in SIDES else ""
    traced = [face for region in regions
              if (face := _trace(image, region, field, settings, towards)) is not None]
    if not traced:
        return (), (raised("no_face"),)
    traced = _numbered(traced, image.pixels.shape[0])
    sided = [_with_anterior(face, wanted[min(i, len(wanted) - 1)] if wanted else "")
             for i, face in enumerate(traced)]
    flags: tuple[Raised, ...] = ()
    if expected is not None and expected != len(sided):
        flags = (raised("faces_differ", f"{len(sided)} found, {expected} on the sheet"),)
    return tuple(sided), flags


def _anterior_list(anterior: str | None, file: str) -> list[str]:
    """Return the sheet's anterior sides, in face order."""
    if anterior is None or not anterior.strip():
        return []
    sides = [part.strip().lower() for part in anterior.split(";")]
    for side in sides:
        if side not in ("", "unknown", *SIDES):
            raise SheetError(
                f"the anterior side {side!r} is not known", file=file,
                rule="anterior is one of top, bottom, left, right",
                remedy="Correct the sheet, or leave the cell empty.")
    return sides


def _trace(
    image: CalibratedImage, region: FaceRegion, field: Field, settings: FaceSettings, towards: str
) -> CutFace | None:
    """Return the face in one region, unnumbered, with its upper or left edge as anterior.

    What the learned map left out of it is filled in between its edges.
    """
    region = _with(region, notches_filled(region, image.pixels, field, towards))
    more = region.perhaps_more or may_be_cut_beside(region, image)
    region = replace(region, perhaps_more=more)
    found = _outlined(image, region, field, settings, towards)
    if found is None:
        return None
    face, outline = found
    beyond = ends_gone_beyond(face, image.pixels, probability=region.probability)
    if outline.side_margin >= settings.min_side_margin:
        longer = _with(region, lens_beyond_ends(region, face, beyond))
        if longer is not region:
            region = longer
            face, outline = _outlined(image, region, field, settings, towards) or found
            beyond = ends_gone_beyond(face, image.pixels, probability=region.probability)
    own = None if region.lens is None or region.probability is None else np.clip(
        region.lens - region.probability, 0, 1)
    bands = bands_within(face, image, own)
    left_out = bool(bands.sure)
    if left_out:
        face, outline = _without(face, bands, image, field, region, settings, towards)
        bands = bands_within(face, image, own)
    seen = {
        "its edges go on beyond an end": any(beyond),
        "a band along an edge may be the lens's own surface":
            bands.doubtful or bool(bands.sure),
        "a band of the lens's own surface along an edge was left out": left_out,
        "the learned map sees some of the lens's own surface within it":
            own is not None and lens_seen_within(face, image, own),
    }
    flags = _doubts(face, region, outline, field, settings=settings, seen=seen)
    if {flag.name for flag in flags} & _CUT_OFF:
        face = replace(face, complete=np.zeros_like(face.complete))
    return replace(face, flags=flags)


def _without(
    face: CutFace, bands: Bands, image: CalibratedImage, field: Field, region: FaceRegion,
    settings: FaceSettings, towards: str,
) -> tuple[CutFace, Outline]:
    """Return a face without bands of its lens's own surface, and its outline."""
    station = np.arange(face.s_px.size, dtype=float)
    edges = [face.anterior_px, face.posterior_px]
    cell = max(region.cell_px)
    for band in bands.sure:
        edges[band.last] = face.chord_points_px(
            station, 1 - band.reach if band.last else band.reach)
        # the band's outer border must stay out of reach
        width = float(np.median(band.reach * face.thickness_px))
        cell = min(cell, max(_LEAST_CELL_PX, _CELL_OF_BAND * width))
    polygon = clockwise(np.concatenate([edges[0], edges[1][::-1]]))
    outline = refine_outline(
        image, polygon, field, cell_px=cell, settings=settings.edge, towards=towards)
    return _face_in(outline), outline


def _with(region: FaceRegion, mask: BoolArray) -> FaceRegion:
    """Return a region with a part filled in, or as it is where there is none."""
    return region if mask is region.mask else replace(region, mask=filled(mask), completed=True)


def _outlined(
    image: CalibratedImage, region: FaceRegion, field: Field, settings: FaceSettings, towards: str
) -> tuple[CutFace, Outline] | None:
    """Return the face in one region, without flags, and its outline."""
    coarse = coarse_outline(_soft(region, image), region.cell_px)
    if coarse is None or polygon_area(coarse) < settings.min_area_fraction / 2 * image.pixels.size:
        return None
    outline = refine_outline(
        image, coarse, field, cell_px=max(region.cell_px), settings=settings.edge,
        towards=towards)
    return _face_in(outline), outline


def _face_in(outline: Outline) -> CutFace:
    """Return the face within an outline, unnumbered, with its upper or left edge as anterior."""
    chords = _upright(chords_of(outline.sides))
    return CutFace(
        number=0, outline_px=outline.sides.outline_px, anterior_px=chords.first_px,
        posterior_px=chords.second_px, s_px=chords.s_px, complete=chords.complete,
        anterior="unknown", anterior_source="none", u_edge_px=outline.u_edge_px)


def _soft(region: FaceRegion, image: CalibratedImage) -> FloatImage:
    """Return a region as a soft mask, 0 on the data bar."""
    rows, cols = region.mask.shape
    soft = cv2.GaussianBlur(
        region.mask.astype(np.float32), (0, 0), 0.8, borderType=cv2.BORDER_REPLICATE)
    valid = cv2.resize(
        image.valid.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(soft * (valid > 0.5), np.float32)


def _upright(chords: Chords) -> Chords:
    """Return the chords with the upper edge first, or the left one where they run across."""
    row, col = (chords.second_px - chords.first_px).mean(axis=0)
    downward = row > 0 if abs(row) >= abs(col) else col > 0
    return chords if downward else _reversed(chords)


def _reversed(chords: Chords) -> Chords:
    """Return the chords with first and second edge exchanged and s running backwards."""
    return Chords(
        chords.second_px[::-1].copy(), chords.first_px[::-1].copy(),
        (chords.s_px[-1] - chords.s_px)[::-1].copy(), chords.complete[::-1].copy())


def _numbered(faces: list[CutFace], rows: int) -> list[CutFace]:
    """Return the faces numbered top to bottom, then left to right.

    Faces whose heights overlap by more than half stand side by side and count left to right.
    """
    order = sorted(faces, key=lambda face: face.centroid_px)
    rank: list[CutFace] = []
    while order:
        head = order[0]
        low, high = _extent(head)
        row = [f for f in order if _overlap(_extent(f), (low, high)) > 0.5]
        row.sort(key=lambda f: f.centroid_px[1])
        rank.extend(row)
        order = [f for f in order if not any(f is g for g in row)]
    return [replace(face, number=i + 1) for i, face in enumerate(rank)]


def _extent(face: CutFace) -> tuple[float, float]:
    """Return the first and last row of a face."""
    return float(face.outline_px[:, 0].min()), float(face.outline_px[:, 0].max())


def _overlap(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Return the shared height of two row ranges as a fraction of the smaller."""
    shared = min(first[1], second[1]) - max(first[0], second[0])
    return shared / max(min(first[1] - first[0], second[1] - second[0]), 1e-9)


def _with_anterior(face: CutFace, side: str) -> CutFace:
    """Return the face with its anterior edge on the sheet's side, as far as that is possible."""
    if side in ("", "unknown"):
        return face
    towards = (face.anterior_px - face.posterior_px).mean(axis=0)
    towards = towards / max(float(np.hypot(*towards)), 1e-9)
    component = {"top": -towards[0], "bottom": towards[0],
                 "left": -towards[1], "right": towards[1]}[side]
    if abs(component) < MIN_SIDE_COMPONENT:
        detail = f"the sheet says {side}, but the face's edges do not lie that way"
        return replace(face, flags=(*face.flags, raised("anterior_unknown", detail)))
    if component < 0:
        face = face.swapped()
    return replace(face, anterior=cast(Side, side), anterior_source="sheet")


def _doubts(
    face: CutFace, region: FaceRegion, outline: Outline, field: Field, *,
    settings: FaceSettings, seen: dict[str, bool],
) -> tuple[Raised, ...]:
    """Return the doubts about one face's outline.

    ``seen``: what was found of the lens about it and within, by the words for it.
    """
    flags = list(_cropping(face, outline, field, settings))
    thickness = face.thickness_px[face.complete] if face.complete.any() else face.thickness_px
    if float(np.median(thickness)) < settings.min_thickness_px:
        flags.append(raised("face_small", f"{np.median(thickness):.0f} pixels thick"))
    ragged = _raggedness(face)
    covered = float(np.trapezoid(face.thickness_px, face.s_px)) / polygon_area(face.outline_px)
    reasons = {
        f"confidence {region.confidence:.2f}": region.confidence < settings.doubt_confidence,
        f"edge uncertain by {outline.u_edge_px:.1f} px":
            outline.u_edge_px > settings.max_u_edge_px,
        f"{outline.lost_fraction:.0%} of the edge shows no contrast":
            outline.lost_fraction > settings.max_lost_edge_fraction,
        f"thickness varies by {ragged:.1%} from place to place": ragged > settings.max_raggedness,
        f"its chords sweep {covered:.0%} of its area":
            abs(covered - 1) > settings.max_uncovered_fraction,
        "its shape does not tell the lens's surfaces from the cut's ends":
            outline.side_margin < settings.min_side_margin,
        "a part that the learned map left out was filled in": region.completed,
        "a part of the lens beside it may be cut as well": region.perhaps_more,
    } | seen
    doubts = "; ".join(reason for reason, holds in reasons.items() if holds)
    if doubts:
        flags.append(raised("outline_doubtful", doubts))
    if _implausible(face, thickness):
        flags.append(raised("not_a_lens_face", "its shape is not that of a lens section"))
    return tuple(flags)


def _cropping(
    face: CutFace, outline: Outline, field: Field, settings: FaceSettings
) -> tuple[Raised, ...]:
    """Return what the picture's frame cuts off."""
    share = float(face.complete.mean())
    filled = polygon_area(face.outline_px) / (
        (field.bottom - field.top + 1) * (field.right - field.left + 1))
    if filled > settings.max_area_fraction or (share < NOWHERE and filled > 0.5):
        return (raised("face_fills_frame", f"it covers {filled:.0%} of the picture"),)
    if share < NOWHERE:
        return (raised("face_cropped", "both edges are nowhere in the picture"),)
    if share < settings.min_complete_fraction and _cut_by_frame(outline.sides):
        return (raised("face_cropped", f"{1 - share:.0%} of its length"),)
    return ()


def _raggedness(face: CutFace) -> float:
    """Return the scatter of the thickness about a smooth course, as a fraction of it."""
    thickness = face.thickness_px[face.complete]
    if thickness.size < 30:
        return 0.0
    place = np.linspace(-1.0, 1.0, thickness.size)
    course = legendre.legval(place, legendre.legfit(place, thickness, 4))
    return float(np.std(thickness - course) / np.mean(thickness))


def _cut_by_frame(sides: Sides) -> bool:
    """Return whether the picture's frame takes the place of part of a long edge."""
    return any(not true.all() for true in sides.edges_true) or not all(sides.ends_true)


def _implausible(face: CutFace, thickness: FloatArray) -> bool:
    """Return whether a face's shape cannot be that of a cut lens."""
    if face.s_px[-1] < 0.5 * float(np.median(thickness)) and face.complete.any():
        return True
    middle = np.quantile(thickness, [0.1, 0.9])
    return bool(middle[0] < 0.08 * middle[1])
