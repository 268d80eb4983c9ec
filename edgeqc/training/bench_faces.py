"""Pictures of cut faces drawn from physics, for fitting: layout of the zones, and the microscope.

A face is drawn straight (anterior edge above, rows are depth), every zone as a height field of
its own look, and then turned into the picture, lit, blurred and counted there, so that the
detector's side and the noise know nothing of the face. Grey and contrast are drawn for every
zone alike: only the relief tells what made it.
"""

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.training.bench_fields import (
    Field,
    Ground,
    Look,
    Relief,
    Rng,
    blurred,
    fractal,
    ramp,
    smooth_noise,
    white_noise,
)
from edgeqc.training.bench_looks_laser import LASER_LOOKS
from edgeqc.training.bench_looks_scissor import SCISSOR_LOOKS
from edgeqc.training.bench_looks_torn import TORN_LOOKS

LASER, SCISSOR, TORN = 1, 2, 3
BENCH_LOOKS: dict[int, tuple[Look, ...]] = {
    LASER: LASER_LOOKS,
    SCISSOR: SCISSOR_LOOKS,
    TORN: TORN_LOOKS,
}
ZONE_NAMES = {LASER: "laser", SCISSOR: "scissor", TORN: "torn"}
Places = NDArray[np.float64]
Labels = NDArray[np.uint8]


@dataclass(frozen=True)
class BenchFace:
    """Return a drawn picture of one cut face, and the truth about it.

    Attributes
    ----------
    image : ndarray of uint8, shape (rows, cols)
    labels : ndarray of uint8, shape (rows, cols)
        0 outside, 1 laser, 2 scissor, 3 torn.
    pixel_size_um : float
    anterior_px, posterior_px : ndarray, shape (n, 2)
        (row, col) of the face's two edges along its length, opposite points paired: the chord
        between them is square to the face's middle line. About two px from pair to pair.
    looks : tuple of str
        What was drawn, as ``zone:look``, by zone.
    """

    image: Labels
    labels: Labels
    pixel_size_um: float
    anterior_px: Places
    posterior_px: Places
    looks: tuple[str, ...]


class _Strip(NamedTuple):
    """Straight face: labels (rows, cols), and its edges (n, 2) as (row, col)."""

    labels: Labels
    anterior: Places
    posterior: Places


def _curve(rng: Rng, length: int, scale: float, persistence: float = 0.5) -> Places:
    """Return a wandering line of ``length`` values, spread about 1, waves from ``scale``."""
    total, height = np.zeros(length), 1.0
    while scale > 2:
        knots = rng.normal(0, height, int(length / scale) + 4)
        place = np.linspace(rng.uniform(0, 1), length / scale + 1, length)
        at = place.astype(int)
        part = (1 - np.cos(np.pi * (place - at))) / 2
        total += knots[at] * (1 - part) + knots[at + 1] * part
        scale, height = scale / 2.3, height * persistence
    return total


def _edges(rng: Rng, rows: int, cols: int, width: float) -> tuple[Places, Places]:
    """Return both edges (n, 2) of a face ``width`` px thick: ends of chords on a bent middle."""
    count = cols // 2
    along = np.linspace(0, cols - 1, count)
    bend = rng.normal(0, 0.04) * (along - cols / 2) ** 2 / cols
    waves = _curve(rng, count, count / rng.uniform(0.8, 2.5), 0.2)
    middle = bend + rng.uniform(0, 0.012) * cols * waves
    middle += rows / 2 - middle.mean()
    slope = np.gradient(middle, along)
    square = np.stack([np.ones(count), -slope], axis=-1) / np.hypot(1, slope)[:, None]
    taper = 1 + rng.normal(0, 0.1) * (along / cols - 0.5)
    ends = []
    for side in (-1, 1):
        rough = rng.uniform(0, 0.02) * width * _curve(rng, count, rng.uniform(40, 200), 0.3)
        rough += rng.uniform(0, 2.0) * _curve(rng, count, rng.uniform(4, 30), 0.6)
        half = np.maximum(width / 2 * taper + rough, 0.2 * width)
        centre = np.stack([middle, along], axis=-1)
        ends.append(centre + side * half[:, None] * square)
    return ends[0], ends[1]


def _depth(rng: Rng, cols: int) -> Places:
    """Depth of the laser zone over the local thickness along the face: 0 none, 1 through."""
    kind = rng.random()
    depth = rng.uniform(0.3, 0.95) + np.zeros(cols)
    along = np.linspace(-0.5, 0.5, cols)
    depth += rng.normal(0, 0.15) * along * (kind < 0.5)  # slanted
    depth += rng.uniform(0, 0.05) * _curve(rng, cols, cols / rng.uniform(1.5, 8), 0.5)
    if kind > 0.75:  # stepped: passes that stopped at different depths
        for place in rng.uniform(-0.4, 0.4, rng.integers(1, 4)):
            soft = rng.uniform(0.002, 0.03)
            depth += rng.normal(0, 0.1) * np.tanh((along - place) / soft)
    depth += rng.uniform(0, 0.012) * _curve(rng, cols, rng.uniform(5, 30), 0.7)
    depth = np.clip(depth, 0.12, 0.98)
    if rng.random() < 0.15:  # cut through over a stretch, with ends as steep as they come
        gone = _stretch(rng, cols)
        depth = np.maximum(depth, gone * 1.2)
    return depth


def _stretch(rng: Rng, cols: int) -> Places:
    """1 on one stretch along the face, 0 elsewhere, with slopes between."""
    half, place = rng.uniform(0.08, 0.3), rng.uniform(-0.5, 0.5)
    away = np.abs(np.linspace(-0.5, 0.5, cols) - place)
    return np.clip((half - away) / rng.uniform(0.005, 0.1) + 0.5, 0, 1)


def _residual(rng: Rng, depth: Field, cols: int) -> Labels:
    """Names of what lies below the laser cut, by depth over thickness (rows, cols)."""
    first = int(rng.choice([SCISSOR, TORN]))
    names = np.full(depth.shape, first, np.uint8)
    if rng.random() < 0.22:  # both, side by side: the border leans and wanders
        along = np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None, :]
        place = rng.uniform(-0.3, 0.3) + rng.normal(0, 0.15) * depth
        ragged = rng.uniform(0.002, 0.02) * fractal(rng, len(depth), cols, rng.uniform(20, 60))
        names[along > place + ragged] = SCISSOR + TORN - first
    return names


def _strip(rng: Rng, rows: int, cols: int, width: float) -> _Strip:
    """Lay out the zones of a straight face."""
    anterior, posterior = _edges(rng, rows, cols, width)
    run = np.arange(cols)
    top, low = (np.interp(run, edge[:, 1], edge[:, 0]) for edge in (anterior, posterior))
    down = np.arange(rows, dtype=np.float32)[:, None]
    depth = ((down - top) / (low - top)).astype(np.float32)
    names = _residual(rng, depth, cols)
    kind = rng.random()
    if kind < 0.06:  # the whole face by one means; one of the two only
        names[:] = names[0, 0]
        labels = names
    else:
        laser = _depth(rng, cols)
        ragged = rng.uniform(0, 2.5) / width * fractal(rng, rows, cols, rng.uniform(4, 20), 0.6)
        labels = np.where(depth + ragged < laser, np.uint8(LASER), names)
        labels[depth < min(0.1, 0.5 * laser.min())] = LASER  # the cut starts at the edge itself
        if rng.random() < 0.2:
            full = SCISSOR if rng.random() < 0.8 else TORN
            lean = rng.normal(0, 0.05) * (down - rows / 2)
            ragged = rng.uniform(0, 3) * fractal(rng, rows, cols, 25)
            place = np.clip(run + lean + ragged, 0, cols - 1).astype(np.int32)
            labels[_stretch(rng, cols)[place] > 0.5] = full
    # Where the face ends within the picture, it ends in a rough line.
    ends = 1.5 + rng.uniform(0, 2) * np.clip(fractal(rng, rows, 2, 20), -2, 2)
    seen = (depth >= 0) & (depth <= 1) & (run > ends[:, :1]) & (cols - run > ends[:, 1:])
    labels = np.where(seen, labels, np.uint8(0)).astype(np.uint8)
    return _Strip(labels, anterior, posterior)


def _steepness(relief: Relief, where: NDArray[np.bool_]) -> float:
    """Root mean square slope of a relief over its zone."""
    height = relief.height
    slopes = [cv2.Sobel(height, cv2.CV_32F, *axis, ksize=1, scale=0.5) for axis in ((1, 0), (0, 1))]
    square = (slopes[0] ** 2 + slopes[1] ** 2)[where]
    # Few steep steps would else flatten everything between them: the middle of the field counts.
    return float(np.sqrt(0.5 * square.mean() + 0.5 * np.percentile(square[::7], 80))) or 1.0


def _cut(relief: Relief, shape: tuple[int, ...]) -> Relief:
    """Cut a relief to a zone's box."""
    box = slice(shape[0]), slice(shape[1])
    bright = None if relief.bright is None else relief.bright[box]
    return relief._replace(height=relief.height[box], bright=bright)


def _crumbs(rng: Rng, height: Field) -> None:
    """Drop a few crumbs of debris on the face; they are no zone of their own."""
    rows, cols = height.shape
    for _ in range(rng.integers(1, 25)):
        radius = int(rng.uniform(2, 11))
        row, col = (int(rng.integers(radius, side - radius)) for side in (rows, cols))
        box = height[row - radius : row + radius, col - radius : col + radius]
        away = np.hypot(*np.mgrid[-radius:radius, -radius:radius])
        away = away + 0.2 * radius * smooth_noise(rng, 2 * radius, 2 * radius, max(radius / 2, 1))
        box += 1.2 * np.sqrt(np.maximum(radius * radius - away * away, 0)).astype(np.float32)


def _fill(rng: Rng, strip: _Strip, pixel_um: float) -> tuple[Field, Field, list[float], list[str]]:
    """Draw a look in every zone: height, brightness, strength by zone number, names of looks."""
    height = np.zeros(strip.labels.shape, np.float32)
    bright = np.zeros(strip.labels.shape, np.float32)
    strength, names = [0.0], []
    for zone in (LASER, SCISSOR, TORN):
        where = strip.labels == zone
        strength.append(0.0)
        if not where.any():
            continue
        rows, cols = np.flatnonzero(where.any(1)), np.flatnonzero(where.any(0))
        box = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
        inside = where[box]
        # A sliver is drawn as part of a larger field, so that every look has room.
        ground = Ground(max(inside.shape[0], 24), max(inside.shape[1], 24), pixel_um)
        level = rng.normal(0, 3) * (rng.random() < 0.6)  # a step where zones meet, or none
        part = np.ones(inside.shape, np.float32)
        for share in (1.0, 0.22):  # at times the look changes within a zone
            if rng.random() >= share:
                break
            look = BENCH_LOOKS[zone][rng.integers(len(BENCH_LOOKS[zone]))]
            relief = _cut(look(rng, ground), inside.shape)
            slope = rng.uniform(0.35, 1.1) * relief.strength / _steepness(relief, inside)
            own = (relief.height - relief.height[inside].mean()) * slope + level
            height[box][inside] += (part * (own - height[box]))[inside]
            glow = 0.0 if relief.bright is None else relief.bright * relief.strength
            bright[box][inside] += (part * (glow - bright[box]))[inside]
            strength[-1] = max(strength[-1], relief.strength)
            names.append(f"{ZONE_NAMES[zone]}:{look.__name__}")
            part = fractal(rng, len(part), part.shape[1], rng.uniform(100, 400), 0.4)
            part = ramp(part, 0, rng.uniform(0.05, 1.2))
    return height, bright, strength, names


def _signal(rng: Rng, height: Field, bright: Field) -> Field:
    """Secondary electrons from a relief: yield with tilt, the detector's side, ridges, hollows."""
    right = cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=1, scale=0.5)
    down = cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=1, scale=0.5)
    secant = np.sqrt(1 + right * right + down * down)
    angle = rng.uniform(0, 2 * np.pi)
    toward = (right * np.cos(angle) + down * np.sin(angle)) / secant
    # Yield grows with the secant, but escape saturates: a wall is bright, not blinding.
    signal = rng.uniform(0.3, 1.2) * (3 - 3 / (1 + (secant - 1) / 2)) + rng.uniform(0.1, 1) * toward
    reach = rng.uniform(1.2, 3)
    ridge = np.tanh((height - blurred(height, reach)) / reach * 2)
    hollow = np.tanh((height - blurred(height, rng.uniform(8, 20))) / 8)
    signal += rng.uniform(0.1, 1.2) * ridge + rng.uniform(0.1, 1.0) * hollow
    return np.asarray(signal + rng.uniform(0.3, 1) * bright, np.float32)


def _level_zones(rng: Rng, signal: Field, labels: Labels, strength: list[float]) -> Field:
    """Give every zone a mean and a contrast drawn alike for all, in grey 0..1."""
    gains, means = np.zeros(4, np.float32), np.zeros(4, np.float32)
    mean, contrast = rng.uniform(0.3, 0.62), rng.uniform(0.07, 0.2)
    for zone in (LASER, SCISSOR, TORN):
        values = signal[labels == zone][::5]
        if values.size:
            own = contrast * rng.lognormal(0, 0.3) * strength[zone]
            gains[zone] = own / max(float(values.std()), 1e-3)
            means[zone] = mean + rng.normal(0, 0.07) - gains[zone] * float(values.mean())
    return np.asarray(signal * gains[labels] + means[labels], np.float32)


def _ground(rng: Rng, rows: int, cols: int) -> Field:
    """Return the dark stub: grain, drifts of conductive paint, or the smooth skin of a tape."""
    drifts = fractal(rng, rows, cols, rng.uniform(30, 150))
    field = rng.uniform(0.05, 0.25) + rng.uniform(0, 0.04) * drifts
    field = field + rng.uniform(0, 0.03) * smooth_noise(rng, rows, cols, rng.uniform(1, 4))
    return np.asarray(field, np.float32)


def _lens_surface(rng: Rng, rows: int, cols: int) -> Field:
    """Return the lens's own polished surface, seen aslant: even, with faint swells."""
    field = rng.uniform(0.2, 0.6) + rng.uniform(0, 0.05) * smooth_noise(rng, rows, cols, 160)
    return np.asarray(field + rng.uniform(0, 0.012) * smooth_noise(rng, rows, cols, 3), np.float32)


def _behind(rng: Rng, sides: tuple[NDArray[np.bool_], NDArray[np.bool_]]) -> Field:
    """Return what lies around the face, per side: mostly the stub, at times the lens's surface."""
    rows, cols = sides[0].shape
    field = _ground(rng, rows, cols)
    for side in sides:
        if rng.random() < 0.3:
            np.copyto(field, _lens_surface(rng, rows, cols), where=side)
    return field


def _charging(rng: Rng, rows: int, cols: int) -> Field:
    """Faint charging: scan lines that lie off, and trails behind where the charge went."""
    lines = rng.normal(0, 0.006, rows) * (rng.random(rows) < 0.3) + 0.012 * _curve(rng, rows, 90)
    field = np.repeat(lines.astype(np.float32)[:, None], cols, 1)
    for row in rng.integers(0, rows, rng.integers(0, 12)):
        start = int(rng.integers(0, cols))
        trail = np.exp(-np.arange(cols - start) / rng.uniform(30, 300))
        field[row, start:] += (rng.normal(0, 0.08) * trail).astype(np.float32)
    return field


def _take(rng: Rng, scene: Field) -> Labels:
    """Return the picture that a microscope takes of a scene in grey 0..1: spot, counts, 8 bits."""
    rows, cols = scene.shape
    down, right = np.linspace(-1, 1, rows)[:, None], np.linspace(-1, 1, cols)[None, :]
    light = 1 + rng.normal(0, 0.1) * down + rng.normal(0, 0.1) * right
    light = light + rng.normal(0, 0.05) * (down * down + right * right)
    scene = blurred((scene * light).astype(np.float32), rng.uniform(0.4, 1.6))
    if rng.random() < 0.4:
        scene = scene + _charging(rng, rows, cols)
    dose = np.exp(rng.uniform(np.log(25), np.log(1500)))  # electrons counted in a white px
    count = np.sqrt(np.maximum(scene, 0.005) * dose)
    # A count's square root has a spread of one half whatever its mean: Poisson noise, cheaply.
    count = np.maximum(count + 0.5 * white_noise(rng, rows, cols), 0)
    grey = count * count / np.float32(dose)
    if rng.random() < 0.04:
        grey = 0.9 - grey
    gain, offset = rng.uniform(0.85, 1.2), rng.uniform(-0.04, 0.06)
    return np.asarray(np.clip(255 * (gain * grey + offset), 0, 255), np.uint8)


def _turn(rng: Rng, rows: int, cols: int) -> tuple[Places, int, int, float]:
    """Place a strip: matrix (2, 3) from its (col, row), its rows, its cols, the thickness."""
    angle = float(90 * rng.integers(4) + rng.normal(0, 6))
    if rng.random() < 0.12:
        angle = float(rng.uniform(0, 360))
    cos, sin = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    length = cols * abs(cos) + rows * abs(sin)
    across = min(rows / max(abs(cos), 1e-6), cols / max(abs(sin), 1e-6))
    width = across * rng.uniform(0.3, 0.78)
    if rng.random() < 0.3:  # both ends of the face lie in the picture
        length = min(length, max(rows, cols)) * rng.uniform(0.6, 0.92)
    high, long = int(width * 1.5) + 40, int(length)
    room = 0.5 * max(across - 1.1 * width, 0)
    shift = rng.uniform(-0.6, 0.6) * room
    matrix = np.array([[cos, -sin, 0.0], [sin, cos, 0.0]])
    centre = np.array([cols / 2 - sin * shift, rows / 2 + cos * shift])
    matrix[:, 2] = centre - matrix[:, :2] @ (long / 2, high / 2)
    return matrix, high, long, float(width)


def _placed(points: Places, matrix: Places) -> Places:
    """Points (row, col) of the strip in the picture."""
    turned = points[:, ::-1] @ matrix[:, :2].T + matrix[:, 2]
    return np.ascontiguousarray(turned[:, ::-1])


def draw_bench_face(rng: Rng) -> BenchFace:
    """Draw one picture of a cut face, with the truth about it.

    Parameters
    ----------
    rng : numpy.random.Generator
        The only source of chance: the same state gives the same picture.

    Returns
    -------
    BenchFace
        Picture of 450 to 1100 px a side, labels, scale, paired edges and names of the looks.
    """
    rows, cols = (int(side) for side in rng.integers(450, 1101, 2))
    pixel_um = float(np.exp(rng.uniform(np.log(0.25), np.log(1.4))))
    matrix, high, long, width = _turn(rng, rows, cols)
    strip = _strip(rng, high, long, width)
    height, bright, strength, looks = _fill(rng, strip, pixel_um)
    if rng.random() < 0.2:
        _crumbs(rng, height)

    size, near = (cols, rows), cv2.INTER_NEAREST
    labels = np.asarray(cv2.warpAffine(strip.labels, matrix, size, flags=near), np.uint8)
    relief, glow = (
        np.asarray(cv2.warpAffine(field, matrix, size, borderMode=cv2.BORDER_REPLICATE), np.float32)
        for field in (height, bright)
    )
    face = _level_zones(rng, _signal(rng, relief, glow), labels, strength)
    inside = labels > 0
    rim = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 3)
    face = face + rng.uniform(0, 0.3) * np.exp(-rim / rng.uniform(1, 5))
    # Where a px lies in the strip: along it, and on which side of the middle line.
    down, right = np.arange(rows)[:, None], np.arange(cols)[None, :]
    along, deep = (
        (right - matrix[0, 2]) * matrix[0, axis] + (down - matrix[1, 2]) * matrix[1, axis]
        for axis in (0, 1)
    )
    beside = (along > 0) & (along < long)
    sides = beside & (deep < high / 2), beside & (deep >= high / 2)
    scene = np.where(inside, np.maximum(face, 0.02), _behind(rng, sides)).astype(np.float32)
    ends = _placed(strip.anterior, matrix), _placed(strip.posterior, matrix)
    shown = np.all([(e >= 0) & (e <= (rows - 1, cols - 1)) for e in ends], axis=(0, 2))
    return BenchFace(
        image=_take(rng, scene),
        labels=labels,
        pixel_size_um=pixel_um,
        anterior_px=ends[0][shown],
        posterior_px=ends[1][shown],
        looks=tuple(looks),
    )
