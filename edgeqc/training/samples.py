"""Samples to fit the networks on: phantoms as the networks will see them, with their truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.face_model import STRIDE, canvas_size, picture_planes
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.phantoms import FaceTruth, Phantom, draw_phantom, random_recipe
from edgeqc.quantity import FloatArray
from edgeqc.training.bench_faces import draw_bench_face
from edgeqc.training.cell_classes import IGNORED, NAMELESS, UNTOLD
from edgeqc.training.textures import named_texture, random_texture
from edgeqc.zoning.texture import CELL, MARGIN, ROWS, face_planes

FloatImage = NDArray[np.float32]
PLANE_STEP = 25.0
"""Quantisation of stored planes: int8 steps per unit."""
_SCALE_KNOWN, _SIDE_KNOWN = 0.6, 0.7
"""Share of samples that know their pixel size, and their anterior side."""


@dataclass(frozen=True)
class FaceSample:
    """One face as the zone model sees it: planes (int8, ``PLANE_STEP`` a unit) and classes.

    ``classes`` is (ROWS / CELL, n_columns / CELL): 0 laser, 1 scissor, 2 torn, 3 obscured,
    255 not to be learned, with what is known of the look's origin added
    (``edgeqc.training.origins``).
    """

    planes: NDArray[np.int8]
    classes: NDArray[np.uint8]


@dataclass(frozen=True)
class PictureSample:
    """One picture as the face model sees it: planes (int8) and scene classes 0, 1, 2, 255."""

    planes: NDArray[np.int8]
    classes: NDArray[np.uint8]


def quantised(planes: FloatImage) -> NDArray[np.int8]:
    """Return planes as int8 with ``PLANE_STEP`` steps per unit."""
    return np.asarray(np.clip(np.rint(planes * PLANE_STEP), -127, 127), np.int8)


def _calibrated(
    pixels: FloatImage, valid: NDArray[np.bool_], size_um: float | None, name: str
) -> CalibratedImage:
    """Return a drawn picture as a calibrated image, its pixel size known or not, without tilt."""
    return CalibratedImage(
        pixels=pixels,
        valid=valid,
        pixel_size_um=(size_um, size_um) if size_um else None,
        u_rel_pixel_size=0.0,
        pixel_size_source="sheet" if size_um else "none",
        tilt_deg=0.0,
        u_tilt_deg=0.0,
        noise_sd=0.0,
        source=ImageSource(name),
    )


def calibrated_phantom(phantom: Phantom, *, scale_known: bool = True) -> CalibratedImage:
    """Return a phantom's picture as a calibrated image, with the data bar left out."""
    pixels = np.asarray(phantom.image, np.float32)
    pixels = pixels / np.float32(np.iinfo(phantom.image.dtype).max)
    truth = phantom.truth
    size = truth.pixel_size_um if scale_known else None
    image = _calibrated(pixels, truth.scene != 3, size, "phantom")
    return replace(image, tilt_deg=truth.tilt_deg)


def _true_face(anterior_px: FloatArray, posterior_px: FloatArray) -> CutFace:
    """Return a face record of two true edges, (n, 2) each, opposite points paired."""
    steps = np.hypot(*np.diff((anterior_px + posterior_px) / 2, axis=0).T)
    return CutFace(
        number=1,
        outline_px=np.concatenate([anterior_px, posterior_px[::-1]]),
        anterior_px=anterior_px,
        posterior_px=posterior_px,
        s_px=np.concatenate([[0.0], np.cumsum(steps)]),
        complete=np.ones(anterior_px.shape[0], bool),
        anterior="unknown",
        anterior_source="sheet",
        u_edge_px=0.5,
    )


def face_from_truth(truth: FaceTruth) -> CutFace:
    """Return a face record with the phantom's true outline and frame."""
    return replace(
        _true_face(truth.anterior_px, truth.posterior_px),
        number=truth.number,
        outline_px=truth.outline_px,
        complete=truth.complete,
        anterior=truth.anterior,
    )


def seen_part(face: CutFace, shape: tuple[int, ...]) -> CutFace | None:
    """Return the stretch of a face that the picture shows, or None where it shows next to none.

    A phantom's true frame runs on beyond the picture; a traced face does not.
    """
    t = np.linspace(0.02, 0.98, 25)
    station = np.arange(face.s_px.size, dtype=float)
    points = face.chord_points_px(station[None, :], t[:, None])
    inside = (points >= 0).all(axis=-1) & (points <= np.array(shape) - 1).all(axis=-1)
    shown = np.flatnonzero(inside.mean(axis=0) >= 0.6)
    if shown.size < 12:
        return None
    part = slice(int(shown[0]), int(shown[-1]) + 1)
    return replace(
        face,
        anterior_px=face.anterior_px[part],
        posterior_px=face.posterior_px[part],
        s_px=face.s_px[part] - face.s_px[part][0],
        complete=face.complete[part],
    )


def _smooth_noise(n: int, sd: float, length: float, rng: np.random.Generator) -> FloatImage:
    raw = rng.standard_normal((n, 1)).astype(np.float32)
    smooth = cv2.GaussianBlur(raw, (1, 0), sigmaX=0.1, sigmaY=max(length, 0.5))[:, 0]
    return np.asarray(sd * smooth / (smooth.std() + 1e-6), np.float32)


def misplaced(face: CutFace, rng: np.random.Generator) -> CutFace:
    """Return the face with its edges misplaced as a real outline's are (smooth, a few pixels)."""
    way = face.posterior_px - face.anterior_px
    unit = way / np.maximum(np.hypot(*way.T), 1e-6)[:, None]
    n = face.s_px.size
    thickness = float(np.median(face.thickness_px))
    edges = []
    for edge in (face.anterior_px, face.posterior_px):
        sd = np.exp(rng.normal(np.log(0.004), 0.9)) * thickness
        shift = _smooth_noise(n, min(sd, 0.03 * thickness), n * rng.uniform(0.01, 0.3), rng)
        shift = shift + rng.normal(0, 0.003 * thickness)
        edges.append(edge + shift[:, None] * unit)
    return replace(face, anterior_px=edges[0], posterior_px=edges[1])


def _zone_fill(
    pixels: FloatImage,
    phantom: Phantom,
    rng: np.random.Generator,
    *,
    named: bool,
    photographs: tuple[FloatImage, ...] = (),
) -> tuple[FloatImage, NDArray[np.uint8]]:
    """Replace every zone's look by painted texture, with its usual look or with none.

    Returns the picture, and by zone code what is known of the look's origin
    (``edgeqc.training.origins``).
    """
    labels = phantom.truth.labels
    rows, cols = np.nonzero(labels)
    window = np.s_[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    here = labels[window]
    result = pixels.copy()
    face = here > 0
    base, contrast = float(rng.uniform(0.3, 0.65)), float(np.exp(rng.uniform(-3.2, -1.8)))
    filled = result[window]
    origins = np.zeros(5, np.uint8)
    for code in np.unique(here[face]):
        tone = base + rng.normal(0, 0.05) * (rng.random() < 0.6)
        gain = contrast * np.exp(rng.normal(0, 0.3))
        look = (
            named_texture(int(code), here.shape, rng)
            if named
            else random_texture(here.shape, rng, photographs)
        )
        texture = tone + gain * look
        if not named:
            mixed = rng.random() < 0.25  # keep some of the phantom's own look
            texture = 0.5 * texture + 0.5 * filled if mixed else texture
            origins[code] = UNTOLD if mixed else NAMELESS
        filled[here == code] = texture[here == code]
    if rng.random() < 0.5:
        # edge brightening along the outline, as on any real edge
        depth = cv2.distanceTransform(face.astype(np.uint8), cv2.DIST_L2, 3)
        filled[face] += (rng.uniform(0, 0.3) * np.exp(-depth / rng.uniform(1, 6)))[face]
    result[window] = filled
    blur = rng.uniform(0.3, 1.5)
    result = np.asarray(cv2.GaussianBlur(result, (0, 0), blur), np.float32)
    noise = np.exp(rng.uniform(-5, -2.5))
    noisy = result + noise * rng.standard_normal(result.shape, dtype=np.float32)
    return np.asarray(np.clip(noisy, 0, 1), np.float32), origins


def _picture_sample(image: CalibratedImage, phantom: Phantom) -> PictureSample:
    planes = picture_planes(image)
    rows, cols = canvas_size(image.pixels.shape)
    size = planes.shape[1] // STRIDE
    classes = np.full((size, size), IGNORED, np.uint8)
    small = (-(-rows // STRIDE), -(-cols // STRIDE))
    scene = phantom.truth.scene
    r = np.minimum(((np.arange(small[0]) + 0.5) * scene.shape[0] / small[0]).astype(int),
                   scene.shape[0] - 1)  # fmt: skip
    c = np.minimum(((np.arange(small[1]) + 0.5) * scene.shape[1] / small[1]).astype(int),
                   scene.shape[1] - 1)  # fmt: skip
    here = scene[np.ix_(r, c)]
    classes[: small[0], : small[1]] = np.where(here == 3, IGNORED, here)
    return PictureSample(quantised(planes), classes)


def _face_sample(
    image: CalibratedImage,
    face: CutFace,
    labels: NDArray[np.uint8],
    anterior_known: bool,
    *,
    origins: NDArray[np.uint8],
) -> FaceSample:
    made = face_planes(image, face, anterior_known=anterior_known)
    n_t, n_s = ROWS // CELL, made.n_columns // CELL
    t = -MARGIN + (np.arange(n_t) + 0.5) / n_t * (1 + 2 * MARGIN)
    station = (np.arange(n_s) + 0.5) / n_s * (face.s_px.size - 1)
    where = np.rint(face.chord_points_px(station[None, :], t[:, None])).astype(int)
    rows, cols = where[..., 0], where[..., 1]
    inside = (rows >= 0) & (cols >= 0) & (rows < labels.shape[0]) & (cols < labels.shape[1])
    inside &= ((t >= 0) & (t <= 1))[:, None]
    code = labels[np.clip(rows, 0, labels.shape[0] - 1), np.clip(cols, 0, labels.shape[1] - 1)]
    classes = np.where(inside & (code > 0), code - 1 + origins[code], IGNORED).astype(np.uint8)
    return FaceSample(quantised(made.planes), classes)


def _turned_sample(
    image: CalibratedImage,
    seen: CutFace,
    labels: NDArray[np.uint8],
    rng: np.random.Generator,
    *,
    origins: NDArray[np.uint8] | None = None,
) -> FaceSample:
    """Return the sample of a face misplaced a little, its anterior side known or not."""
    face = misplaced(seen, rng)
    known = bool(rng.random() < _SIDE_KNOWN)
    if not known and rng.random() < 0.5:
        face = face.swapped()
    usual = np.zeros(5, np.uint8)
    return _face_sample(image, face, labels, known, origins=usual if origins is None else origins)


def _faces(
    image: CalibratedImage,
    phantom: Phantom,
    rng: np.random.Generator,
    origins: NDArray[np.uint8] | None = None,
) -> list[FaceSample]:
    samples = []
    for truth in phantom.truth.faces:
        if truth.anterior_px.shape[0] < 12:
            continue  # next to nothing of the face lies in the picture
        seen = seen_part(face_from_truth(truth), image.pixels.shape)
        if seen is None:
            continue
        samples.append(_turned_sample(image, seen, phantom.truth.labels, rng, origins=origins))
    return samples


def bench_face(rng: np.random.Generator) -> tuple[CalibratedImage, CutFace, NDArray[np.uint8]]:
    """Return a bench face's picture, its true face record and its labels.

    Notes
    -----
    A maker of its own, drawn from height fields, with many looks of blades and of tearing that
    are easily mistaken for each other: phantoms alone show too few.
    """
    made = draw_bench_face(rng)
    size = made.pixel_size_um if rng.random() < _SCALE_KNOWN else None
    pixels = np.asarray(made.image, np.float32) / np.float32(255)
    image = _calibrated(pixels, np.ones(pixels.shape, bool), size, "bench face")
    return image, _true_face(made.anterior_px, made.posterior_px), made.labels


def draw_bench_samples(rng: np.random.Generator) -> list[FaceSample]:
    """Return a bench face's samples for the zone model; none where the picture shows too little.

    Whether its looks are of no particular origin is not to be learned: many are drawn to be taken
    for another's, and called usual they made unknown looks pass for known ones.
    """
    image, face, labels = bench_face(rng)
    seen = seen_part(face, image.pixels.shape)
    untold = np.full(5, UNTOLD, np.uint8)
    return [] if seen is None else [_turned_sample(image, seen, labels, rng, origins=untold)]


def draw_samples(
    rng: np.random.Generator,
    *,
    filled_share: float = 0.5,
    side_px_max: int = 1300,
    photographs: tuple[FloatImage, ...] = (),
) -> tuple[PictureSample, list[FaceSample]]:
    """Return one phantom's samples for both networks.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of all randomness.
    filled_share : float
        Share of phantoms that give a second set of samples, their zones filled with painted
        textures: half with the usual look of their zone, half of no particular origin.
    side_px_max : int
        Larger pictures are drawn anew: they cost more time than they teach.
    photographs : tuple of float arrays
        As from ``read_photographs``: textures of no particular origin beside the drawn ones.
    """
    # the gap between two faces is what the face model finds hardest
    family = "two_faces" if rng.random() < 0.1 else None
    recipe = random_recipe(rng, family)
    while max(recipe.rows, recipe.cols) > side_px_max:
        recipe = random_recipe(rng, family)
    phantom = draw_phantom(recipe)
    image = calibrated_phantom(phantom, scale_known=bool(rng.random() < _SCALE_KNOWN))
    faces = _faces(image, phantom, rng)
    picture = _picture_sample(image, phantom)
    if rng.random() < filled_share and phantom.truth.labels.any():
        named = bool(rng.random() < 0.5)
        pixels, origins = _zone_fill(
            np.asarray(image.pixels), phantom, rng, named=named, photographs=photographs
        )
        filled = replace(image, pixels=pixels)
        faces += _faces(filled, phantom, rng, origins)
        if rng.random() < 0.3:
            picture = _picture_sample(filled, phantom)
    return picture, faces
