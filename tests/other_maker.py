"""Pictures of cut faces from a second, unrelated maker, for judging what the models never saw.

Nothing here is shared with ``edgeqc.phantoms`` or ``edgeqc.training``: no height map, no electron
signal. Brightness is painted directly: pits on a grid, streaks, ridged noise. The zones may also
be filled with photographs of natural textures that a library carries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.ndimage as ndi
import skimage.data
from skimage.transform import resize, rotate


@dataclass(frozen=True)
class PaintedFace:
    image: np.ndarray  # (rows, cols) uint8
    labels: np.ndarray  # (rows, cols) uint8 zone codes
    pixel_size_um: float
    anterior: str
    depth_fraction: float  # mean of d/t over the lasered length; nan where no laser
    thickness_um: float
    residual: str
    natural: bool
    spot_um: float = float("nan")  # separations of the pits, where the laser left a grid of them
    line_um: float = float("nan")


def _pits(shape, pixel, rng):
    spot = rng.uniform(2.5, 9)
    line = spot * rng.uniform(0.8, 2.2)
    spot, line = max(spot, 4 * pixel), max(line, 4 * pixel)
    turn = rng.uniform(-0.3, 0.3)
    r, c = np.mgrid[: shape[0], : shape[1]] * pixel
    a = r * np.cos(turn) + c * np.sin(turn)
    b = -r * np.sin(turn) + c * np.cos(turn)
    wobble = ndi.gaussian_filter(rng.normal(size=shape), 6)
    wobble *= rng.uniform(0, 0.12) * spot / wobble.std()
    u = np.mod((a + wobble) / line, 1) - 0.5
    v = np.mod((b + wobble) / spot, 1) - 0.5
    depth = np.exp(-((u * line) ** 2 + (v * spot) ** 2) / (2 * (0.27 * spot) ** 2))
    rim = np.exp(-((np.hypot(u * line, v * spot) - 0.4 * spot) ** 2) / (0.02 * spot**2))
    drop = ndi.zoom(rng.random((shape[0] // 12 + 2, shape[1] // 12 + 2)), 12, order=0)
    plane = (rim * 0.5 - depth) * (drop[: shape[0], : shape[1]] > rng.uniform(0, 0.15))
    return plane, (spot, line)


def _melt(shape, pixel, rng):
    fine = ndi.gaussian_filter(rng.normal(size=shape), 0.8)
    bands = np.sin(np.mgrid[: shape[0], : shape[1]][0] * pixel * 2 * np.pi / rng.uniform(10, 40))
    bubbles = np.zeros(shape)
    n = int(shape[0] * shape[1] * pixel**2 / 900)
    at = rng.integers(0, shape[0], n), rng.integers(0, shape[1], n)
    bubbles[at] = -1
    bubbles = ndi.gaussian_filter(bubbles, 1.5 / pixel)
    return fine / fine.std() * 0.25 + 0.25 * bands + bubbles / (np.abs(bubbles).max() + 1e-9)


def _streaks(shape, pixel, rng):
    size = int(np.hypot(*shape)) + 8
    scale = rng.uniform(0.6, 2.5) / pixel
    lines = ndi.gaussian_filter1d(rng.normal(size=size), max(0.6, scale))
    wide = ndi.gaussian_filter1d(rng.normal(size=size), 6 * scale)
    field = np.repeat((lines / lines.std() + wide / wide.std())[:, None], size, 1)
    own = ndi.gaussian_filter(rng.normal(size=(size, size)), (max(0.6, scale), 25 * scale))
    field = field + own / own.std()
    turned = rotate(field, rng.uniform(-80, 80), mode="reflect", preserve_range=True)
    top, left = (size - shape[0]) // 2, (size - shape[1]) // 2
    return turned[top : top + shape[0], left : left + shape[1]]


def _ridges(shape, pixel, rng):
    total = np.zeros(shape)
    scale = rng.uniform(8, 25) / pixel
    for octave in range(5):
        sigma = max(scale / 2**octave, 0.7)
        noise = ndi.gaussian_filter(rng.normal(size=shape), (sigma, sigma * rng.uniform(1, 3)))
        total += (1 - 2 * np.abs(noise / noise.std())) * 0.6**octave
    return total


def _natural(shape, rng, names):
    picture = getattr(skimage.data, names)().astype(float)
    factor = rng.uniform(0.5, 1.3)
    picture = resize(picture, (int(512 * factor), int(512 * factor)), anti_aliasing=True)
    picture = np.pad(
        picture,
        [(0, max(0, shape[0] - picture.shape[0])), (0, max(0, shape[1] - picture.shape[1]))],
        mode="reflect",
    )
    return picture[: shape[0], : shape[1]]


def _unit(plane):
    return (plane - plane.mean()) / plane.std()


def paint_face(rng: np.random.Generator, *, natural: bool = False) -> PaintedFace:
    """Paint one picture with one face and its truth."""
    rows, cols = int(rng.integers(450, 900)), int(rng.integers(600, 1200))
    thickness_px = rng.uniform(0.35, 0.75) * rows
    thickness_um = rng.uniform(250, 900)
    pixel = thickness_um / thickness_px
    c = np.arange(cols)
    bow = rng.uniform(-0.08, 0.08) * thickness_px * ((2 * c / cols - 1) ** 2)
    taper = 1 + rng.uniform(-0.12, 0.12) * (c / cols - 0.5)
    top = rows * rng.uniform(0.1, 0.25) + bow + rng.normal(0, 0.4, cols)
    bottom = top + thickness_px * taper + rng.normal(0, 0.4, cols)
    layout = rng.choice(["torn", "scissor", "through", "stretch"], p=[0.4, 0.25, 0.15, 0.2])
    base = rng.uniform(0.55, 0.95) if layout != "through" else 1.0
    wave = ndi.gaussian_filter1d(rng.normal(size=cols), cols * rng.uniform(0.02, 0.15))
    fraction = np.clip(base + rng.uniform(0, 0.05) * wave / wave.std(), 0.02, 1.0)
    if layout == "through":
        fraction[:] = 1.0
    depth_row = top + fraction * (bottom - top)
    r = np.arange(rows)[:, None]
    labels = np.zeros((rows, cols), np.uint8)
    face = (r >= top) & (r <= bottom)
    residual = 2 if layout == "scissor" else 3
    labels[face] = residual
    labels[face & (r < depth_row)] = 1
    if layout == "stretch":
        width = int(cols * rng.uniform(0.15, 0.4))
        where = slice(0, width) if rng.random() < 0.5 else slice(cols - width, cols)
        labels[:, where][face[:, where]] = 2
        fraction[where] = 0
    lasered = fraction > 0
    depth = float(fraction[lasered].mean())
    makers = {1: _pits if rng.random() < 0.7 else _melt, 2: _streaks, 3: _ridges}
    choice = list(rng.permutation(["brick", "grass", "gravel"]))
    mean = rng.uniform(0.35, 0.6)
    pitch = (float("nan"), float("nan"))
    picture = np.full((rows, cols), rng.uniform(0.05, 0.25) if rng.random() < 0.6 else 0.75)
    picture += 0.02 * _unit(ndi.gaussian_filter(rng.normal(size=(rows, cols)), 4))
    for code in np.unique(labels[face]):
        plane = (
            _natural((rows, cols), rng, choice[code - 1])
            if natural
            else makers[code]((rows, cols), pixel, rng)
        )
        if isinstance(plane, tuple):
            plane, pitch = plane
        tone = mean + rng.normal(0, 0.03) + rng.uniform(0.06, 0.14) * np.clip(_unit(plane), -3, 3)
        picture[labels == code] = tone[labels == code]
    if rng.random() < 0.6:
        inside = ndi.distance_transform_edt(face)
        picture += np.where(face, rng.uniform(0.05, 0.25) * np.exp(-inside / 2.5), 0)
    picture += rng.uniform(-0.08, 0.08) * (c / cols - 0.5)
    picture = ndi.gaussian_filter(picture, rng.uniform(0.5, 1.1))
    picture += rng.normal(0, rng.uniform(0.01, 0.05), picture.shape)
    anterior = "top"
    if rng.random() < 0.4:
        picture, labels, anterior = picture[::-1], labels[::-1], "bottom"
    image = (np.clip(picture, 0, 1) * 255).astype(np.uint8)
    return PaintedFace(
        image, labels.copy(), pixel, anterior, depth, float((bottom - top).mean() * pixel),
        {"torn": "torn", "scissor": "scissor"}.get(layout, layout), natural, *pitch,
    )  # fmt: skip
