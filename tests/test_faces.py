"""Faces: outlines, frames and the pictures that they come from, against closed forms."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest

from edgeqc.errors import SheetError
from edgeqc.faces.burrs import without_burrs
from edgeqc.faces.edge import refine_edge
from edgeqc.faces.edge_fit import EdgeSettings
from edgeqc.faces.face import CutFace, unroll_face
from edgeqc.faces.fragment import FaceSettings, field_of, find_face_regions
from edgeqc.faces.frame import Sides, chords_of
from edgeqc.faces.outline import polygon_area, polygon_mask
from edgeqc.faces.raster import frame_coordinates, label_raster
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.imaging.image import CalibratedImage, ImageSource

SIZE = (480, 640)


# ------------------------------------------------------------------------------ drawing


def turned(points: np.ndarray, angle_deg: float, centre: tuple[float, float]) -> np.ndarray:
    """Return (across, along) positions as picture positions, along turned by an angle."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    across, along = points[:, 0], points[:, 1]
    return np.stack([
        centre[0] + cos * across + sin * along, centre[1] - sin * across + cos * along], axis=1)


def band(
    length: float, thick: tuple[float, float], angle_deg: float = 0.0,
    centre: tuple[float, float] = (240.0, 320.0),
) -> np.ndarray:
    """Return the corners of a straight band that tapers from one thickness to another."""
    a, b = thick
    corners = np.array([
        [-a / 2, -length / 2], [-b / 2, length / 2], [b / 2, length / 2], [a / 2, -length / 2]])
    return turned(corners, angle_deg, centre)


def coverage(polygon: np.ndarray, size: tuple[int, int] = SIZE, factor: int = 8) -> np.ndarray:
    """Return the share of every pixel inside a polygon, counted on a finer grid."""
    big = np.zeros((size[0] * factor, size[1] * factor), np.uint8)
    fine = (polygon + 0.5) * factor - 0.5
    cv2.fillPoly(big, [np.round(fine[:, ::-1] * 256).astype(np.int32)], 1, shift=8)
    return cv2.resize(big.astype(np.float32), size[::-1], interpolation=cv2.INTER_AREA)


def picture(
    share: np.ndarray, *, inside: float = 0.6, outside: float = 0.25, texture: float = 0.04,
    blur: float = 1.0, noise: float = 0.02, seed: int = 1,
) -> CalibratedImage:
    """Return a picture of faces with given coverage: textured face, plain background."""
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.standard_normal(share.shape).astype(np.float32), (0, 0), 2.0)
    face = inside + texture * grain / grain.std()
    pixels = cv2.GaussianBlur(outside + share * (face - outside), (0, 0), blur)
    pixels = pixels + noise * rng.standard_normal(share.shape)
    return calibrated(np.clip(pixels, 0, 1), noise)


def calibrated(pixels: np.ndarray, noise: float) -> CalibratedImage:
    return CalibratedImage(
        pixels=pixels.astype(np.float32), valid=np.ones(pixels.shape, bool),
        pixel_size_um=(0.5, 0.5), u_rel_pixel_size=0.01, pixel_size_source="sheet", tilt_deg=0.0,
        u_tilt_deg=1.0, noise_sd=noise, source=ImageSource("drawn.tif"))


def coarse_map(share: np.ndarray, cells: int = 128) -> np.ndarray:
    """Return a coarse probability map as a learned finder would give it, a little off."""
    factor = cells / max(share.shape)
    size = (round(share.shape[1] * factor), round(share.shape[0] * factor))
    grown = cv2.dilate(share, np.ones((5, 5), np.uint8))  # two pixels too large all round
    small = cv2.resize(grown, size, interpolation=cv2.INTER_AREA)
    return np.clip(cv2.GaussianBlur(small, (0, 0), 0.8), 0.02, 0.98)


def only_face(image: CalibratedImage, share: np.ndarray, **sheet: str) -> CutFace:
    faces, _ = trace_cut_faces(image, FaceSettings(), probability=coarse_map(share), **sheet)
    assert len(faces) == 1
    return faces[0]


def names(face: CutFace) -> set[str]:
    return {flag.name for flag in face.flags}


# ------------------------------------------------------------------------------ frame


def sides_from(first: np.ndarray, second: np.ndarray, n: int = 800) -> Sides:
    """Return sides between two edges with straight ends."""
    ends = tuple(np.linspace(first[i], second[i], n)[1:-1] for i in (0, -1))
    true = np.ones(first.shape[0], bool)
    return Sides((first, second), (true, true), (ends[0], ends[1]), (True, True))


def ring_sector(inner: float, outer: float, from_deg: float, to_deg: float) -> Sides:
    angle = np.radians(np.linspace(from_deg, to_deg, 1500))
    arcs = [np.stack([1500 - r * np.sin(angle), 1000 + r * np.cos(angle)], axis=1)
            for r in (inner, outer)]
    return sides_from(*arcs)


@pytest.mark.parametrize(("from_deg", "to_deg"), [(40, 150), (-20, 40), (200, 290)])
def test_chords_of_a_ring_sector_are_radii(from_deg: float, to_deg: float) -> None:
    chords = chords_of(ring_sector(700, 1000, from_deg, to_deg))
    length = np.hypot(*(chords.second_px - chords.first_px).T)
    assert length[chords.complete] == pytest.approx(300, abs=0.01)
    assert chords.complete.mean() > 0.99
    assert chords.s_px[-1] == pytest.approx(850 * math.radians(to_deg - from_deg), abs=3)
    for end in (chords.first_px, chords.second_px):
        radius = np.hypot(*(end[chords.complete] - [1500, 1000]).T)
        assert np.minimum(abs(radius - 700), abs(radius - 1000)).max() < 0.01


@pytest.mark.parametrize("angle", [0, 33, 90, 146, 200, 301])
def test_chords_of_a_tapering_band_stand_on_its_bisector(angle: float) -> None:
    corners = turned(
        np.array([[-200.0, -600], [-100, 600], [100, 600], [200, -600]]), angle, (1000, 1000))
    first = np.linspace(corners[0], corners[1], 900)
    second = np.linspace(corners[3], corners[2], 900)
    chords = chords_of(sides_from(first, second))
    length = np.hypot(*(chords.second_px - chords.first_px).T)
    assert length.mean() == pytest.approx(300, rel=1e-3)
    slope = np.polyfit(chords.s_px, length, 1)[0]
    assert abs(slope) == pytest.approx(200 / 1200, rel=1e-3)
    assert chords.s_px[-1] == pytest.approx(1200, abs=3)


def test_frame_keeps_its_hand_and_its_chords_do_not_cross() -> None:
    for sides in (ring_sector(500, 800, 30, 150), ring_sector(500, 800, 30, 150).exchanged()):
        chords = chords_of(sides)
        along = np.diff((chords.first_px + chords.second_px) / 2, axis=0)
        across = (chords.second_px - chords.first_px)[1:]
        # rows down, columns right: s to the right with t down is the unmirrored face
        hand = along[:, 1] * across[:, 0] - along[:, 0] * across[:, 1]
        assert (hand > 0).all()
        for end in (chords.first_px, chords.second_px):
            assert ((np.diff(end, axis=0) * along).sum(axis=1) > 0).all()


def test_slanted_ends_do_not_bend_the_mid_line() -> None:
    first = np.linspace([300.0, 250], [300, 900], 700)
    second = np.linspace([500.0, 100], [500, 700], 700)
    chords = chords_of(sides_from(first, second))
    length = np.hypot(*(chords.second_px - chords.first_px).T)
    assert length[chords.complete] == pytest.approx(200, abs=0.5)
    # both edges are there between columns 250 and 700 only
    assert chords.complete.sum() == pytest.approx(450, abs=8)
    assert not chords.complete[[0, -1]].any()


# ------------------------------------------------------------------------------ edges


def straight_edge(
    *, blur: float, noise: float, rim: float = 0.0, step: float = 0.3, slope: float = 0.13,
    seed: int = 0,
) -> tuple[np.ndarray, Callable[[np.ndarray], np.ndarray]]:
    """Return a picture with a slanted edge (face below), and the row of the edge at columns."""
    rows, cols = 160, 900
    factor = 6
    row, col = np.mgrid[: rows * factor, : cols * factor].astype(np.float32)
    row, col = (row + 0.5) / factor - 0.5, (col + 0.5) / factor - 0.5
    depth = (row - 50.37 - slope * col * 0.3) / math.hypot(1, 0.3 * slope)
    grey = 0.3 + (depth > 0) * (step + rim * np.exp(-np.maximum(depth, 0) / 5))
    pixels = cv2.resize(grey.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
    # the pixel's own width is part of the blur
    pixels = cv2.GaussianBlur(pixels, (0, 0), blur)
    rng = np.random.default_rng(seed)
    pixels = pixels + noise * rng.standard_normal(pixels.shape)
    return pixels.astype(np.float32), lambda at: 50.37 + slope * at * 0.3


@pytest.mark.parametrize("blur", [0.7, 1.5, 3.0])
@pytest.mark.parametrize("noise", [0.01, 0.06])
@pytest.mark.parametrize("rim", [0.0, 0.25])
def test_edge_is_found_to_a_fraction_of_a_pixel(blur: float, noise: float, rim: float) -> None:
    pixels, where = straight_edge(blur=blur, noise=noise, rim=rim)
    at = np.linspace(20, 880, 40)
    wobble = 3 * np.sin(at / 60)
    line = np.stack([where(at) + wobble, at], axis=1)
    edge = refine_edge(
        pixels, line, -1, noise_sd=noise, reach_px=14, settings=EdgeSettings())
    inner = edge.points[40:-40]
    error = inner[:, 0] - where(inner[:, 1])
    assert abs(error.mean()) < 0.25 * max(1.0, blur / 2)
    assert error.std() < 0.6
    # honest: the stated doubt is neither too small nor many times the real error
    rms = float(np.sqrt(np.mean(error**2)))
    u = float(np.sqrt(np.mean(edge.u_px**2)))
    assert rms < 2 * u < 30 * max(rms, 0.05)


def test_edge_does_not_care_for_polarity_or_direction() -> None:
    pixels, where = straight_edge(blur=1.0, noise=0.02, rim=0.1)
    at = np.linspace(20, 880, 40)
    line = np.stack([where(at) + 2, at], axis=1)
    found = [
        refine_edge(pixels, line, -1, noise_sd=0.02, reach_px=10, settings=EdgeSettings()),
        refine_edge(
            (1 - pixels).astype(np.float32), line, -1, noise_sd=0.02, reach_px=10,
            settings=EdgeSettings()),
        refine_edge(
            pixels, line[::-1].copy(), 1, noise_sd=0.02, reach_px=10, settings=EdgeSettings()),
    ]
    grid = np.arange(60, 840.0)
    rows = [np.interp(grid, *e.points[np.argsort(e.points[:, 1])].T[::-1]) for e in found]
    assert rows[1] == pytest.approx(rows[0], abs=0.02)
    assert np.abs(rows[2] - rows[0]).max() < 0.5
    assert np.abs((rows[2] - rows[0]).mean()) < 0.05


def test_edge_of_no_contrast_says_so() -> None:
    rng = np.random.default_rng(3)
    pixels = (0.4 + 0.05 * rng.standard_normal((160, 900))).astype(np.float32)
    line = np.stack([np.full(40, 80.0), np.linspace(20, 880, 40)], axis=1)
    edge = refine_edge(pixels, line, -1, noise_sd=0.05, reach_px=12, settings=EdgeSettings())
    assert np.median(edge.u_px) > 0.8


def test_rough_edge_keeps_its_roughness() -> None:
    rng = np.random.default_rng(8)
    rows, cols, factor = 160, 900, 6
    rough = cv2.GaussianBlur(rng.standard_normal((1, cols * factor)), (0, 0), 6.0 * factor)[0]
    rough = 1.5 * rough / rough.std()
    row = (np.arange(rows * factor) + 0.5) / factor - 0.5
    grey = np.where(row[:, None] > 70 + rough[None, :], 0.65, 0.25).astype(np.float32)
    pixels = cv2.GaussianBlur(
        cv2.resize(grey, (cols, rows), interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    pixels = (pixels + 0.02 * rng.standard_normal(pixels.shape)).astype(np.float32)
    line = np.stack([np.full(40, 71.0), np.linspace(10, 890, 40)], axis=1)
    edge = refine_edge(pixels, line, -1, noise_sd=0.02, reach_px=10, settings=EdgeSettings())
    true = np.interp(edge.points[:, 1], (np.arange(rough.size) + 0.5) / factor - 0.5, 70 + rough)
    inner = slice(20, -20)
    assert np.std(edge.points[inner, 0]) == pytest.approx(np.std(true[inner]), rel=0.06)
    assert np.sqrt(np.mean((edge.points - 0)[inner, 0] - true[inner]) ** 2) < 0.15


def test_edge_runs_beneath_a_burr_but_follows_a_notch() -> None:
    col = np.arange(600.0)
    rough = 0.8 * np.sin(col / 7) + 0.004 * (col - 300) ** 2 / 10
    burr = np.where(abs(col - 200) < 25, -14 * np.cos((col - 200) / 25 * np.pi / 2), 0)
    notch = np.where(abs(col - 420) < 25, 12 * np.cos((col - 420) / 25 * np.pi / 2), 0)
    line = np.stack([100 + rough + burr + notch, col], axis=1)  # outside is above
    points, u = without_burrs(line, np.full(600, 0.3))
    across = points[:, 0] - 100 - rough
    assert np.abs(across[170:230]).max() < 2.5
    assert across[395:445] == pytest.approx(notch[395:445], abs=0.3)
    assert across[300:380] == pytest.approx(0, abs=0.3)
    assert u[200] > u[300]


def test_corner_outside_the_picture_does_not_join_two_sides() -> None:
    # the upper right corner of the face lies above the picture
    share = coverage(band(420, (230, 230), 27, (215, 330)))
    face = only_face(picture(share), share)
    assert face.thickness_px[face.complete].mean() == pytest.approx(230, rel=0.01)


# ------------------------------------------------------------------------------ whole step


@pytest.mark.parametrize("angle", [0, 17, 45, 90, 123])
@pytest.mark.parametrize(("inside", "outside"), [(0.6, 0.25), (0.3, 0.7)])
def test_band_at_any_angle_darker_or_brighter(
    angle: float, inside: float, outside: float
) -> None:
    corners = band(330, (120, 120), angle)
    share = coverage(corners)
    face = only_face(picture(share, inside=inside, outside=outside), share)
    assert face.thickness_px[face.complete].mean() == pytest.approx(120, abs=0.6)
    assert polygon_area(face.outline_px) == pytest.approx(330 * 120, rel=0.01)
    assert face.s_px[-1] == pytest.approx(330, abs=5)
    assert not names(face)
    assert face.centroid_px == pytest.approx((240, 320), abs=0.6)


def test_tapering_band_and_its_area() -> None:
    share = coverage(band(400, (160, 90), 8))
    face = only_face(picture(share), share)
    assert face.thickness_px[face.complete].mean() == pytest.approx(125, abs=1)
    slope = np.polyfit(face.s_px[face.complete], face.thickness_px[face.complete], 1)[0]
    assert abs(slope) == pytest.approx(70 / 400, abs=0.006)
    assert polygon_area(face.outline_px) == pytest.approx(400 * 125, rel=0.01)


def transformed(
    image: CalibratedImage, change: Callable[[np.ndarray], np.ndarray]
) -> CalibratedImage:
    return replace(image, pixels=np.ascontiguousarray(change(image.pixels)),
                   valid=np.ascontiguousarray(change(image.valid)))


def test_invariances() -> None:
    share = coverage(band(380, (130, 110), 12))
    image = picture(share)
    plain = only_face(image, share)
    thickness = plain.thickness_px[plain.complete].mean()
    area = polygon_area(plain.outline_px)
    for change in (lambda a: np.rot90(a), lambda a: a[:, ::-1], lambda a: a[::-1]):
        moved_share = np.ascontiguousarray(change(share))
        face = only_face(transformed(image, change), moved_share)
        assert face.thickness_px[face.complete].mean() == pytest.approx(thickness, abs=0.25)
        assert polygon_area(face.outline_px) == pytest.approx(area, rel=0.004)
    for gain, offset in ((0.5, 0.2), (-1.0, 1.0)):
        graded = replace(
            image, pixels=(gain * image.pixels + offset).astype(np.float32),
            noise_sd=abs(gain) * image.noise_sd)
        face = only_face(graded, share)
        assert face.thickness_px[face.complete].mean() == pytest.approx(thickness, abs=0.1)


def test_face_through_the_picture_is_complete_where_both_edges_are() -> None:
    share = coverage(band(2000, (150, 150), 10))
    face = only_face(picture(share), share)
    assert face.thickness_px[face.complete].mean() == pytest.approx(150, abs=0.7)
    # each end loses about 150·tan(10°) to the frame
    lost = (~face.complete).sum()
    assert lost == pytest.approx(2 * 150 * math.tan(math.radians(10)), abs=16)
    assert "face_cropped" not in names(face)
    assert face.outline_px.min() > -0.51
    assert (face.outline_px.max(axis=0) < np.array(SIZE) - 0.49).all()


def test_face_whose_lower_edge_is_cut_off_is_flagged() -> None:
    share = coverage(band(2000, (300, 300), 0, (380, 320)))
    face = only_face(picture(share), share)
    assert not face.complete.any()
    assert names(face) & {"face_cropped", "face_fills_frame"}


def test_face_that_the_frame_cuts_off_for_half_its_length_gets_no_thickness() -> None:
    share = coverage(band(2000, (150, 150), 20, (430, 320)))
    face = only_face(picture(share), share)
    assert "face_cropped" in names(face)
    assert not face.complete.any()  # what is left of the lens's thickness there may be a corner


def test_face_that_fills_the_frame() -> None:
    share = np.ones(SIZE, np.float32)
    image = picture(share)
    faces, flags = trace_cut_faces(
        image, FaceSettings(), probability=np.full((96, 128), 0.98, np.float32))
    raised = {flag.name for face in faces for flag in face.flags} | {f.name for f in flags}
    assert raised & {"face_fills_frame", "no_face"}
    assert not any(face.complete.any() for face in faces)


def test_data_bar_is_no_part_of_a_face() -> None:
    share = coverage(band(2000, (200, 200), 78, (240, 320)))
    image = picture(share)
    valid = image.valid.copy()
    valid[420:] = False
    pixels = image.pixels.copy()
    pixels[420:] = 0
    image = replace(image, valid=valid, pixels=pixels)
    assert field_of(image).bottom == 419
    face = only_face(image, share)
    assert face.outline_px[:, 0].max() <= 419.01
    assert face.thickness_px[face.complete].mean() == pytest.approx(200, abs=1)


def two_faces() -> tuple[np.ndarray, CalibratedImage]:
    share = coverage(band(420, (90, 90), 3, (110, 300))) + coverage(
        band(420, (110, 110), -4, (340, 340)))
    return share, picture(share)


def test_two_faces_are_numbered_from_the_top() -> None:
    share, image = two_faces()
    faces, flags = trace_cut_faces(
        image, FaceSettings(), expected=2, probability=coarse_map(share))
    assert [face.number for face in faces] == [1, 2]
    assert faces[0].centroid_px[0] < faces[1].centroid_px[0]
    assert [f.thickness_px[f.complete].mean() for f in faces] == pytest.approx([90, 110], abs=0.7)
    assert not flags
    side_by_side = coverage(band(300, (90, 90), 84, (245, 150))) + coverage(
        band(300, (90, 90), 93, (235, 480)))
    faces, flags = trace_cut_faces(
        picture(side_by_side), FaceSettings(), expected=1, probability=coarse_map(side_by_side))
    assert [round(face.centroid_px[1]) for face in faces] == pytest.approx([150, 480], abs=2)
    assert {flag.name for flag in flags} == {"faces_differ"}


@pytest.mark.parametrize(("side", "angle"), [
    ("top", 5), ("bottom", 5), ("left", 95), ("right", 95), ("top", 60), ("left", 60)])
def test_the_sheet_names_the_anterior_side(side: str, angle: float) -> None:
    share = coverage(band(330, (120, 120), angle))
    face = only_face(picture(share), share, anterior=side)
    assert (face.anterior, face.anterior_source) == (side, "sheet")
    axis, sign = {"top": (0, -1), "bottom": (0, 1), "left": (1, -1), "right": (1, 1)}[side]
    assert sign * (face.anterior_px - face.posterior_px).mean(axis=0)[axis] > 0
    along = np.diff((face.anterior_px + face.posterior_px) / 2, axis=0).mean(axis=0)
    across = (face.posterior_px - face.anterior_px).mean(axis=0)
    assert along[1] * across[0] - along[0] * across[1] > 0


def test_without_a_sheet_the_upper_edge_comes_first_and_is_called_unknown() -> None:
    share = coverage(band(330, (120, 120), 5))
    face = only_face(picture(share), share)
    assert (face.anterior, face.anterior_source) == ("unknown", "none")
    assert face.anterior_px[:, 0].mean() < face.posterior_px[:, 0].mean()


def test_a_side_along_which_no_edge_lies_is_not_taken() -> None:
    share = coverage(band(330, (120, 120), 0))
    face = only_face(picture(share), share, anterior="left")
    assert face.anterior == "unknown"
    assert "anterior_unknown" in names(face)


def test_a_list_of_sides_goes_by_face_and_nonsense_is_refused() -> None:
    share, image = two_faces()
    faces, _ = trace_cut_faces(
        image, FaceSettings(), anterior="bottom;top", probability=coarse_map(share))
    assert [face.anterior for face in faces] == ["bottom", "top"]
    with pytest.raises(SheetError, match="upside"):
        trace_cut_faces(image, FaceSettings(), anterior="upside")


def test_unrolled_face_is_not_mirrored() -> None:
    share = coverage(band(400, (140, 140), 0))
    image = picture(share, texture=0.0, noise=0.005)
    pixels = image.pixels.copy()
    pixels[240:, 320:] += 0.2 * (share[240:, 320:] > 0.99)  # lower right quarter
    face = only_face(replace(image, pixels=pixels), share, anterior="top")
    flat = unroll_face(pixels, face, 60, 100)
    assert flat[45:, 70:].mean() > flat[45:, :30].mean() + 0.1
    assert flat[45:, 70:].mean() > flat[:15, 70:].mean() + 0.1


# ------------------------------------------------------------------------------ no lens face


def test_blank_noise_and_specks_give_no_sure_face() -> None:
    rng = np.random.default_rng(5)
    blank = np.full(SIZE, 0.4)
    noise = 0.4 + 0.1 * rng.standard_normal(SIZE)
    specks = noise.copy()
    for _ in range(30):
        row, col = rng.integers(20, 440), rng.integers(20, 600)
        specks[row : row + 12, col : col + 12] += 0.4
    for pixels in (blank, noise, np.clip(specks, 0, 1)):
        faces, flags = trace_cut_faces(calibrated(pixels, 0.1), FaceSettings())
        sure = [face for face in faces if not face.flags]
        assert not sure
        assert faces or {flag.name for flag in flags} == {"no_face"}


def test_wavering_map_makes_a_doubtful_outline() -> None:
    share = coverage(band(400, (140, 140), 0))
    unsure = coarse_map(share)
    unsure[:30] = 0.45
    faces, _ = trace_cut_faces(picture(share), FaceSettings(), probability=unsure)
    assert all("outline_doubtful" in names(face) for face in faces)


def test_small_face_is_flagged() -> None:
    share = coverage(band(420, (26, 26), 0))
    faces, _ = trace_cut_faces(
        picture(share), FaceSettings(), probability=coarse_map(share, 256))
    assert all("face_small" in names(face) for face in faces)


def test_map_of_nothing_finds_nothing() -> None:
    share = coverage(band(400, (140, 140), 0))
    faces, flags = trace_cut_faces(
        picture(share), FaceSettings(), probability=np.full((96, 128), 0.02, np.float32))
    assert faces == ()
    assert [flag.name for flag in flags] == ["no_face"]


def test_plain_picture_needs_no_learned_map() -> None:
    share = coverage(band(430, (150, 150), 20))
    image = picture(share)
    regions = find_face_regions(image, FaceSettings())
    assert regions
    assert regions[0].source == "texture"
    faces, _ = trace_cut_faces(image, FaceSettings())
    mask = polygon_mask(faces[0].outline_px, SIZE)
    true = share > 0.5
    assert (mask & true).sum() / (mask | true).sum() > 0.97


# ------------------------------------------------------------------------------ rasters


def ring_face() -> CutFace:
    sides = ring_sector(700, 1000, 40, 150)
    chords = chords_of(sides)
    return CutFace(1, sides.outline_px, chords.first_px, chords.second_px, chords.s_px,
                   chords.complete, "unknown", "none", 0.1)


def test_frame_coordinates_of_a_ring_sector() -> None:
    face = ring_face()
    window = frame_coordinates(face, (1536, 2048))
    row = np.arange(window.rows.start, window.rows.stop)[:, None] - 1500.0
    col = np.arange(window.cols.start, window.cols.stop)[None, :] - 1000.0
    t = (np.hypot(row, col) - 700) / 300
    if np.hypot(*(face.anterior_px[500] - [1500, 1000])) > 850:
        t = 1 - t
    # the last chords may run into the ends of the sector, where t is not a share of the thickness
    whole = window.inside & face.complete[np.rint(window.station).astype(int)]
    assert whole.sum() > 0.99 * window.inside.sum()
    assert np.abs(window.t - t)[whole].max() < 1e-3
    share = (np.degrees(np.arctan2(-row, col)) - 40) / 110
    station = window.station / (face.s_px.size - 1)
    off = min(np.abs(station - share)[window.inside].max(),
              np.abs(1 - station - share)[window.inside].max())
    assert off < 2e-3


def test_label_raster_gives_every_pixel_its_cell() -> None:
    face = ring_face()
    labels = np.repeat(np.array([[1], [2], [3]], np.uint8), 40, axis=1)
    raster = label_raster(face, labels, (1536, 2048))
    inside = polygon_mask(face.outline_px, (1536, 2048))
    assert ((raster > 0) == inside).all()
    radii = [700, 800, 900, 1000]
    rings = [r2**2 - r1**2 for r1, r2 in pairwise(radii)]
    if np.hypot(*(face.anterior_px[500] - [1500, 1000])) > 850:
        rings = rings[::-1]
    counts = np.bincount(raster.ravel(), minlength=4)[1:]
    assert counts / counts.sum() == pytest.approx(np.array(rings) / sum(rings), abs=2e-3)


def test_label_raster_of_chords_without_a_length() -> None:
    face = ring_face()
    flat = replace(face, posterior_px=np.where(
        np.arange(face.s_px.size)[:, None] < 500, face.anterior_px, face.posterior_px))
    labels = np.repeat(np.array([1, 2], np.uint8), 100)[:, None].repeat(40, axis=1)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        raster = label_raster(flat, labels, (1536, 2048))
    inside = polygon_mask(face.outline_px, (1536, 2048))
    assert set(np.unique(raster[inside])) == {1, 2}


# ------------------------------------------------------------------------------ phantoms


@pytest.mark.parametrize(("seed", "family"), [
    (901, "lattice"), (902, "scissor_residual"), (903, "torn_whole"), (904, "two_faces")])
def test_faces_of_phantoms(seed: int, family: str) -> None:
    from edgeqc.phantoms import draw_phantom, random_recipe

    phantom = draw_phantom(random_recipe(np.random.default_rng(seed), family))
    pixels = phantom.image / np.iinfo(phantom.image.dtype).max
    valid = phantom.truth.scene != 3
    image = replace(calibrated(pixels, 0.02), valid=valid)
    truth = [polygon_mask(face.outline_px, valid.shape) & valid for face in phantom.truth.faces]
    share = np.clip(np.sum(truth, axis=0), 0, 1).astype(np.float32)
    faces, _ = trace_cut_faces(image, FaceSettings(), probability=coarse_map(share, 256))
    assert len(faces) == len(truth)
    for face, true in zip(faces, truth, strict=True):
        mask = polygon_mask(face.outline_px, valid.shape) & valid
        assert (mask & true).sum() / (mask | true).sum() > 0.95
