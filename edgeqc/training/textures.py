"""Textures of no particular origin, to teach the zone model what it cannot name.

A model fitted on modelled cuts alone would name any texture with confidence. Faces filled with
these textures carry the anatomy of a cut but not its look: there the model learns to find the
border by contrast, to name by anatomy what anatomy settles, and to doubt the rest.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.training.photographs import photograph_texture

FloatImage = NDArray[np.float32]
_Maker = Callable[[tuple[int, int], float, np.random.Generator], FloatImage]


def _standard(plane: FloatImage) -> FloatImage:
    plane = plane - plane.mean()
    return np.asarray(plane / (plane.std() + 1e-6), np.float32)


def _noise(shape: tuple[int, int], rng: np.random.Generator) -> FloatImage:
    return rng.standard_normal(shape, dtype=np.float32)


def _spectrum(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Gaussian noise of a random power-law spectrum, band-limited, anisotropic."""
    size = (cv2.getOptimalDFTSize(shape[0]), cv2.getOptimalDFTSize(shape[1]))
    row = np.fft.fftfreq(size[0])[:, None]
    col = np.fft.rfftfreq(size[1])[None, :]
    angle, stretch = rng.uniform(0, np.pi), np.exp(rng.uniform(0, 1.8) * (rng.random() < 0.6))
    along = (row * np.cos(angle) + col * np.sin(angle)) * stretch
    across = -row * np.sin(angle) + col * np.cos(angle)
    frequency = np.sqrt(along**2 + across**2) + 1e-9
    centre = 1.0 / scale
    if rng.random() < 0.5:
        gain = 1.0 / (1.0 + (frequency / centre) ** rng.uniform(2, 4))
    else:
        gain = np.exp(-0.5 * (np.log(frequency / centre) / rng.uniform(0.1, 0.7)) ** 2)
    spectrum = np.fft.rfft2(_noise(size, rng)) * gain
    return np.asarray(np.fft.irfft2(spectrum, s=size)[: shape[0], : shape[1]], np.float32)


def _cells(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Distances to scattered points: grains, facets, close-packed spheres."""
    count = max(4, int(shape[0] * shape[1] / (scale * scale * 2)))
    seeds = np.ones(shape, np.uint8)
    if rng.random() < 0.5:
        seeds[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 0
    else:
        step = max(3.0, scale * 1.4)
        rows, cols = np.meshgrid(
            np.arange(0, shape[0], step), np.arange(0, shape[1], step), indexing="ij"
        )
        jitter = rng.uniform(0, 0.5) * step
        rows = np.clip(rows + rng.normal(0, jitter + 1e-3, rows.shape), 0, shape[0] - 1)
        cols = np.clip(cols + rng.normal(0, jitter + 1e-3, cols.shape), 0, shape[1] - 1)
        seeds[rows.astype(int), cols.astype(int)] = 0
    nearest_px, labels = cv2.distanceTransformWithLabels(
        seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    distance = np.asarray(nearest_px, np.float32) / np.float32(scale)
    kind = rng.integers(4)
    if kind == 0:
        return np.asarray(np.sqrt(np.maximum(1.2 - distance**2, 0)), np.float32)
    if kind == 1:
        return distance
    tone = rng.standard_normal(int(labels.max()) + 1).astype(np.float32)
    flat = np.asarray(tone[labels], np.float32)
    return flat if kind == 2 else flat + 2 * distance


def _strokes(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Line segments of one preferred direction: fibres, grass, scratches."""
    plane = np.zeros(shape, np.float32)
    count = int(np.clip(shape[0] * shape[1] / (scale * scale * 6), 30, 2500))
    main, spread = rng.uniform(0, np.pi), rng.uniform(0.02, 1.2)
    rows, cols = rng.uniform(0, shape[0], count), rng.uniform(0, shape[1], count)
    angles = rng.normal(main, spread, count)
    lengths = scale * rng.exponential(rng.uniform(2, 12), count)
    tones = rng.normal(0, 1, count)
    width = max(1, int(scale * rng.uniform(0.1, 0.5)))
    for row, col, angle, length, tone in zip(rows, cols, angles, lengths, tones, strict=True):
        end = (int(col + length * np.cos(angle)), int(row + length * np.sin(angle)))
        cv2.line(plane, (int(col), int(row)), end, float(tone), width, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), rng.uniform(0.5, 1.5)))


def _waves(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """One or two warped gratings of sinusoidal, triangular or square profile."""
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    warp = _standard(_spectrum(shape, scale * rng.uniform(3, 12), rng))
    plane = np.zeros(shape, np.float32)
    for _ in range(rng.integers(1, 3)):
        angle = rng.uniform(0, np.pi)
        phase = (row * np.cos(angle) + col * np.sin(angle)) * (2 * np.pi / scale)
        wave = np.sin(phase + warp * rng.uniform(0, 2.5))
        profile = rng.integers(3)
        plane += wave if profile == 0 else np.sign(wave) if profile == 1 else np.arcsin(wave)
    return plane


def _patches(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Thresholded noise: labyrinths, islands, crazing."""
    plane = _standard(_spectrum(shape, scale * 2, rng))
    kind = rng.integers(3)
    if kind == 0:
        plane = np.tanh(plane * rng.uniform(2, 12))
    elif kind == 1:
        plane = np.abs(plane)
    else:
        plane = np.exp(-np.abs(plane) * rng.uniform(3, 12))
    return np.asarray(plane, np.float32)


def _filtered(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Noise through a few random filters and folds: textures with no name."""
    shrink = max(1.0, scale / 4)
    small = (max(16, int(shape[0] / shrink)), max(16, int(shape[1] / shrink)))
    plane = _noise(small, rng)
    for _ in range(rng.integers(2, 5)):
        kernel = rng.standard_normal((7, 7)).astype(np.float32)
        kernel = np.asarray(cv2.GaussianBlur(kernel, (0, 0), rng.uniform(0.5, 1.5)))
        plane = _standard(np.asarray(cv2.filter2D(plane, cv2.CV_32F, kernel - kernel.mean())))
        plane = [np.abs, np.tanh, np.sin][rng.integers(3)](plane * rng.uniform(0.7, 2.5))
    return np.asarray(
        cv2.resize(plane, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), np.float32
    )


_MAKERS: tuple[_Maker, ...] = (_spectrum, _cells, _strokes, _waves, _patches, _filtered)


_PHOTOGRAPH_SHARE = 0.5


def random_texture(
    shape: tuple[int, int],
    rng: np.random.Generator,
    photographs: tuple[FloatImage, ...] = (),
) -> FloatImage:
    """Return a texture of random kind and scale, mean 0, standard deviation 1.

    Parameters
    ----------
    shape : (rows, cols)
        Size in pixels.
    rng : numpy.random.Generator
        Source of all randomness.
    photographs : tuple of float arrays
        As from ``read_photographs``; where there are some, they give half of the textures.
    """
    if photographs and rng.random() < _PHOTOGRAPH_SHARE:
        return np.clip(_standard(photograph_texture(photographs, shape, rng)), -4, 4)
    scale = float(np.exp(rng.uniform(np.log(2.5), np.log(30.0))))
    plane = _standard(_MAKERS[rng.integers(len(_MAKERS))](shape, scale, rng))
    if rng.random() < 0.4:
        other = float(np.exp(rng.uniform(np.log(2.0), np.log(30.0))))
        second = _standard(_MAKERS[rng.integers(len(_MAKERS))](shape, other, rng))
        share = rng.uniform(0.2, 0.8)
        mixed = plane * second if rng.random() < 0.25 else share * plane + (1 - share) * second
        plane = np.asarray(mixed, np.float32)
    if rng.random() < 0.3:
        plane = _standard(plane)
        shaped = np.sign(plane) * np.abs(plane) ** rng.uniform(0.5, 2.0)
        plane = np.asarray(shaped, np.float32)
    return np.clip(_standard(np.asarray(plane, np.float32)), -4, 4)


def _streaks(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Straight striations that run on for long: what a sliding blade leaves."""
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    angle = rng.uniform(0, np.pi)
    across = row * np.cos(angle) + col * np.sin(angle)
    along = -row * np.sin(angle) + col * np.cos(angle)
    if rng.random() < 0.4:
        across = across + rng.uniform(-0.15, 0.15) * along**2 / max(shape)
    size = int(sum(shape)) + 8
    total = np.zeros(shape, np.float32)
    for octave in range(rng.integers(1, 4)):
        line = rng.standard_normal(size * 2).astype(np.float32)
        sigma = max(0.5, scale * 0.25 * 2.5**octave)
        blurred = cv2.GaussianBlur(line[:, None], (1, 0), sigmaX=0.1, sigmaY=sigma)
        line = np.asarray(blurred, np.float32)[:, 0]
        at = np.clip(across + size, 0, 2 * size - 1).astype(np.float32)
        sampled = cv2.remap(line[:, None], np.zeros_like(at), at, cv2.INTER_LINEAR)
        total += np.asarray(sampled) / (line.std() + 1e-6) * rng.uniform(0.3, 1.0)
    fade = _standard(_spectrum(shape, scale * rng.uniform(4, 20), rng))
    return np.asarray(total * (1 + rng.uniform(0, 0.5) * fade), np.float32)


def _lattice(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Pits, rings or bumps on a jittered lattice, with drop-outs: what a laser leaves."""
    row, col = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    pitch = np.array([scale * rng.uniform(0.7, 2.0), scale], np.float32).clip(3.0)
    angle = rng.normal(0, 0.3) + (np.pi / 2) * (rng.random() < 0.3)
    first = (row * np.cos(angle) + col * np.sin(angle)) / pitch[0]
    second = (-row * np.sin(angle) + col * np.cos(angle)) / pitch[1]
    second = second + (np.floor(first) % 2) * rng.choice([0.0, 0.0, 0.5])
    cell_a, cell_b = np.floor(first).astype(np.int64), np.floor(second).astype(np.int64)
    cell_a, cell_b = cell_a - cell_a.min(), cell_b - cell_b.min()
    count = (int(cell_a.max()) + 1, int(cell_b.max()) + 1)
    jitter = rng.uniform(0, 0.25)
    shift_a, shift_b = rng.normal(0, jitter, count), rng.normal(0, jitter, count)
    depth = np.exp(rng.normal(0, 0.3, count)) * (rng.random(count) > rng.uniform(0, 0.15))
    u = (first - np.floor(first) - 0.5 + shift_a[cell_a, cell_b] * 0.4) * pitch[0]
    v = (second - np.floor(second) - 0.5 + shift_b[cell_a, cell_b] * 0.4) * pitch[1]
    radius = np.sqrt(u * u + v * v) / (pitch.min() * rng.uniform(0.2, 0.45))
    pit = np.exp(-0.5 * radius**2)
    rim = np.exp(-8 * (radius - rng.uniform(1.0, 1.6)) ** 2)
    return np.asarray(depth[cell_a, cell_b] * (rng.uniform(0, 1.0) * rim - pit), np.float32)


def _smooth(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Next to nothing, with cavities or faint bands: a molten cut."""
    plane = 0.3 * _standard(_spectrum(shape, max(2.0, scale * rng.uniform(0.2, 3)), rng))
    if rng.random() < 0.5:
        count = int(shape[0] * shape[1] / (scale * scale * rng.uniform(20, 200))) + 1
        rows, cols = rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)
        for row, col, size in zip(rows, cols, rng.exponential(scale * 0.5, count), strict=True):
            cv2.circle(plane, (int(col), int(row)), int(1 + size), float(rng.normal(0, 3)), -1)
    return np.asarray(plane, np.float32)


def _ridges(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> FloatImage:
    """Folded noise over several octaves: a face that was pulled apart."""
    total = np.zeros(shape, np.float32)
    for octave in range(rng.integers(2, 6)):
        noise = _standard(_spectrum(shape, max(2.0, 3 * scale / 2**octave), rng))
        total += (1 - 2 * np.abs(noise)) * rng.uniform(0.4, 0.8) ** octave
    return total


_LOOKS: dict[int, tuple[_Maker, ...]] = {
    1: (_lattice, _lattice, _smooth),
    2: (_streaks, _streaks, _streaks),
    3: (_ridges,),
}


def named_texture(code: int, shape: tuple[int, int], rng: np.random.Generator) -> FloatImage:
    """Return a painted texture with the usual look of laser (1), scissor (2) or torn (3).

    Parameters
    ----------
    code : int
        Zone code.
    shape : (rows, cols)
        Size in pixels.
    rng : numpy.random.Generator
        Source of all randomness.
    """
    if code not in _LOOKS:
        return random_texture(shape, rng)
    makers = _LOOKS[code]
    scale = float(np.exp(rng.uniform(np.log(3.0), np.log(20.0))))
    plane = _standard(makers[rng.integers(len(makers))](shape, scale, rng))
    grain = _standard(_spectrum(shape, rng.uniform(2, 4), rng))
    return np.clip(_standard(plane + rng.uniform(0, 0.6) * grain), -4, 4)
