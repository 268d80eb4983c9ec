"""Looks of torn ground as height fields.

A tear has no tool: its front splits into parts at unequal levels, which wander each for itself,
merge downstream where one overtakes the other, start anew, and stop wherever the stress let
go. Lines are therefore made here as walks and strands that are independent of their
neighbours, whose height changes on their way, and whose flanks are as rough as the ground.
"""

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
    cells,
    fractal,
    grid,
    ramp,
    smooth_noise,
    turned,
    unit,
)

Walk = NDArray[np.float64]


def _angle(rng: Rng) -> float:
    """Degrees from the face's length: mostly off the laser cut, else along the face or slanted."""
    return float(rng.choice([90 + rng.normal(0, 18), rng.uniform(0, 180), rng.normal(0, 15)]))


def _rough(rng: Rng, ground: Ground, low: float, high: float) -> Field:
    """Roughness of torn material down to the px."""
    scale, persistence = rng.uniform(3, 25), rng.uniform(0.5, 0.85)
    return rng.uniform(low, high) * fractal(rng, ground.rows, ground.cols, scale, persistence)


def _front(place: Walk, lanes: Walk, gap: float) -> tuple[Walk, Walk]:
    """Order the steps (place, speed); of two nearer than ``gap`` one is left, no lane between."""
    place = place[:, np.argsort(place[0], kind="stable")]
    stays = np.concatenate([[True], np.diff(place[0]) > gap])
    return place[:, stays], lanes[:, np.concatenate([stays, [True]])]


def _rivers(rng: Rng, rows: int, cols: int, spacing: float, births: float) -> Field:
    """Lanes of a crack front that runs across a row and along the columns, levels per lane.

    Steps between lanes walk at random, each for itself; where two meet they go on as one, higher
    step. New, low steps start at a rate of ``births`` for each lane and spacing run.
    """
    run = np.arange(rows, dtype=np.float64)
    count = max(int(rows / spacing), 2)
    front = np.stack([np.sort(rng.uniform(0, rows, count)), rng.normal(0, 0.15, count)])
    lanes = np.stack([rng.normal(0, 1, count + 1), rng.normal(0, 0.01, count + 1)])
    step, stir = 2, rng.uniform(0.03, 0.16)
    picture = np.empty((cols // step + 1, rows), np.float32)
    for line in picture:
        line[:] = lanes[0][np.searchsorted(front[0], run)]
        front[1] = 0.93 * front[1] + rng.normal(0, stir, front.shape[1])
        front[0] += step * front[1]
        lanes[0] += lanes[1] + rng.normal(0, 0.02, lanes.shape[1])  # steps grow, fade, turn over
        for new in rng.uniform(0, rows, rng.poisson(births * step * rows / spacing**2)):
            at = int(np.searchsorted(front[0], new))
            front = np.insert(front, at, (new, 0.0), axis=1)
            # A new lane starts level with its neighbour, and leaves it from there.
            lanes = np.insert(lanes, at, (lanes[0, at], rng.normal(0, 0.03)), axis=1)
        front, lanes = _front(front, lanes, 1.5)
    return np.asarray(cv2.resize(picture, (rows, cols)).T, np.float32)


def rivers(rng: Rng, ground: Ground) -> Relief:
    """River lines: fine where the tear began, merged into high steps downstream."""
    spacing, births = rng.uniform(4, 12), rng.choice([0, 0.05, 0.3])
    angle = _angle(rng) + rng.choice([0, 180], p=[0.8, 0.2])

    def make(rows: int, cols: int) -> Field:
        return _rivers(rng, rows, cols, spacing, births)

    height = turned(ground, angle, make)
    flank = np.abs(cv2.Laplacian(blurred(height, 1.5), cv2.CV_32F))
    rough = _rough(rng, ground, 0.05, 0.3) * (1 + 2 * np.minimum(blurred(flank, 2) * 4, 1))
    return Relief((blurred(height, rng.uniform(0.6, 1.6)) + rough).astype(np.float32))


def _streaks(rng: Rng, rows: int, cols: int, width: float, aspect: float) -> Field:
    """Ridges drawn out along the columns: they wander, fork and end, each for itself."""
    ridges = 1 - np.abs(smooth_noise(rng, rows, cols, 2.2 * width, 2.2 * width * aspect))
    finer = smooth_noise(rng, rows, cols, width, width * aspect * 0.5)
    sharp = np.sign(ridges) * np.abs(ridges) ** 1.3
    return np.asarray(sharp + 0.5 * finer, np.float32)


def _wandering(rng: Rng, field: Field, reach: float, amount: float) -> Field:
    """Return the field with its places moved by smooth noise of ``amount`` px."""
    rows, cols = field.shape
    down, right = grid(rows, cols)
    to_row = down + rows / 2 + amount * smooth_noise(rng, rows, cols, reach)
    to_col = right + cols / 2 + amount * smooth_noise(rng, rows, cols, reach)
    return np.asarray(
        cv2.remap(field, to_col, to_row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT),
        np.float32,
    )


def hackle(rng: Rng, ground: Ground) -> Relief:
    """Hackle: rough ridges along the crack's way, unequal, starting and ending anywhere."""
    width, aspect = rng.uniform(2.5, 10), rng.uniform(3, 9)

    def make(rows: int, cols: int) -> Field:
        return _streaks(rng, rows, cols, width, aspect)

    amount = rng.uniform(0, 2) * width
    height = _wandering(rng, turned(ground, _angle(rng), make), 8 * width, amount)
    uneven = 0.3 + ramp(smooth_noise(rng, ground.rows, ground.cols, 70), -1.2, 1.2)
    return Relief(height * uneven + _rough(rng, ground, 0.1, 0.5))


def _strand(rng: Rng, start: Walk, length: float, stir: float) -> Walk:
    """Return a strand's path (n, 2) from ``start``, along the columns, wandering across them."""
    count = max(int(length / 8), 3)
    turn = np.cumsum(rng.normal(0, stir, count))
    turn -= turn.mean() * 0.8  # drawn out by one pull: strands wander, but keep the direction
    path = np.stack([np.cumsum(turn) * 8, np.arange(count) * 8.0], axis=-1)
    return np.asarray(path - path[0] + start)


def _draw(canvas: NDArray[np.uint8], path: Walk, value: float, width: int) -> None:
    """Draw one strand on the canvas, to a sixteenth of a px."""
    points = np.round(path[:, ::-1] * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [points], False, (float(value),), width, cv2.LINE_AA, 4)


def _ligaments(rng: Rng, rows: int, cols: int, width: float, cover: float) -> Field:
    """Fibrils over voids, nearly parallel, forked, with free ends; height of their backs 0..1."""
    canvas = np.zeros((rows, cols), np.uint8)
    long = rng.uniform(12, 60) * width
    stir = rng.uniform(0.01, 0.06)
    count = min(int(cover * rows * cols / (long * width)), 900)
    for value in np.linspace(50, 250, max(count, 3)):
        start = np.array([rng.uniform(0, rows), rng.uniform(-long, cols)])
        path = _strand(rng, start, long * rng.lognormal(0, 0.5), stir)
        own = width * rng.lognormal(0, 0.45)
        for shade, share in ((0.72, 1.0), (0.9, 0.6), (1.0, 0.3)):
            # A strand snaps where it is thinnest: it draws out towards its ends.
            for end, thin in ((0, 0.5), (len(path) // 5, 1.0)):
                if own * share * thin >= 1 or (share, thin) == (1.0, 0.5):
                    body = path[end : len(path) - end]
                    _draw(canvas, body, value * shade, max(round(own * share * thin), 1))
        if rng.random() < 0.3:
            fork = _strand(rng, path[len(path) // 2], 0.4 * long, 2.5 * stir)
            _draw(canvas, fork, value * 0.85, max(round(own * 0.5), 1))
    return np.asarray(canvas.astype(np.float32) / 255, np.float32)


def ligaments(rng: Rng, ground: Ground) -> Relief:
    """Ligaments drawn out: uneven fibrils side by side, forked, some with free ends."""
    width, cover, angle = rng.uniform(2, 9), rng.uniform(0.7, 2.5), _angle(rng)

    def make(rows: int, cols: int) -> Field:
        return _ligaments(rng, rows, cols, width, cover)

    height = turned(ground, angle, make)
    rough = _rough(rng, ground, 0.02, 0.12)
    return Relief(blurred(height, rng.uniform(0.6, 1.2)) + rough, 1.0, 0.6 * height)


def combed(rng: Rng, ground: Ground) -> Relief:
    """Fine drawn-out ridges, almost parallel: the look nearest to a blade's lines."""
    width, aspect = rng.uniform(2, 7), rng.uniform(9, 35)

    def make(rows: int, cols: int) -> Field:
        return _streaks(rng, rows, cols, width, aspect) + 0.5 * _rivers(
            rng, rows, cols, 3 * width, 0.2
        )

    height = _wandering(rng, turned(ground, _angle(rng), make), 40, rng.uniform(0.3, 4))
    uneven = 0.4 + ramp(smooth_noise(rng, ground.rows, ground.cols, 45), -1, 1.5)
    return Relief(height * uneven + _rough(rng, ground, 0.1, 0.4))


def dimples(rng: Rng, ground: Ground) -> Relief:
    """Dimples: hollows of unequal size that meet in sharp rims, drawn out by shear at times."""
    pitch, aspect = rng.uniform(8, 30), rng.choice([1.0, rng.uniform(1.2, 2.5)])

    def make(rows: int, cols: int) -> Field:
        distance, number, count = cells(rng, rows, int(cols / aspect) + 1, pitch)
        depth = rng.lognormal(0, 0.3, count).astype(np.float32)[number]
        bowl = np.minimum(distance / pitch, 1.4) ** 1.6 * depth
        small = cells(rng, rows, int(cols / aspect) + 1, pitch / 3)[0] / pitch
        return np.asarray(cv2.resize(bowl + 0.8 * small, (cols, rows)), np.float32)

    height = _wandering(rng, turned(ground, _angle(rng), make), pitch, 0.15 * pitch)
    waves = 0.6 * fractal(rng, ground.rows, ground.cols, 5 * pitch)
    return Relief(blurred(height, 0.7) + waves + _rough(rng, ground, 0.01, 0.12))


def _origin(rng: Rng, ground: Ground) -> tuple[Field, Field]:
    """Distance (px) and direction (rad) from where a crack began, at or beyond the laser cut."""
    down, right = grid(ground.rows, ground.cols)
    down = down + ground.rows * rng.uniform(0.3, 1.2)
    right = right - ground.cols * rng.uniform(-0.6, 0.6)
    away = np.hypot(down, right).astype(np.float32)
    return away, np.arctan2(down, right + 0 * down).astype(np.float32)


def _radial(rng: Rng, away: Field, direction: Field, width: float, aspect: float) -> Field:
    """Streaks along the rays from an origin: a straight field bent about it."""
    scale = float(away.mean())
    rows, cols = int(2 * np.pi * scale) + 2, int(away.max()) + 2
    field = _streaks(rng, min(rows, 2500), cols, width, aspect)
    to_row = (direction + np.float32(np.pi)) * np.float32((min(rows, 2500) - 1) / (2 * np.pi))
    return np.asarray(cv2.remap(field, away, to_row, cv2.INTER_LINEAR), np.float32)


def conchoidal(rng: Rng, ground: Ground) -> Relief:
    """Ribs in shells about the origin, unequal and fading, crossed by rough rays."""
    away, direction = _origin(rng, ground)
    rows, cols = ground.rows, ground.cols
    bent = away + rng.uniform(4, 14) * fractal(rng, rows, cols, rng.uniform(60, 160), 0.45)
    pitch, growth = rng.uniform(12, 45), rng.uniform(0, 1.2)
    far = np.maximum(bent / float(away.max()), 0.01)
    phase = bent / pitch / (1 + growth * far) + 0.7 * np.sin(5 * far + rng.uniform(0, 6))
    part = phase - np.floor(phase)
    rib = np.where(part < 0.75, part / 0.75, (1 - part) / 0.25).astype(np.float32)
    fading = ramp(smooth_noise(rng, rows, cols, 90), -1.2, 1)
    rays = rng.uniform(0.1, 0.5) * _radial(rng, away, direction, rng.uniform(2.5, 6), 8)
    return Relief(2 * blurred(rib * fading, 1.2) + rays + _rough(rng, ground, 0.05, 0.3))


def facets(rng: Rng, ground: Ground) -> Relief:
    """Coarse facets: planes tilted each its own way, with steps between and rough faces."""
    rows, cols = ground.rows, ground.cols
    pitch = rng.uniform(18, 70)
    _, number, count = cells(rng, rows, cols, pitch)
    down, right = grid(rows, cols)
    tilts = rng.normal(0, 2.5 / pitch, (2, count)).astype(np.float32)
    level = rng.normal(0, 0.5, count).astype(np.float32)[number]
    # Tilt about the zone's middle would lift far facets out of sight: a wrap keeps them near.
    plane = tilts[0][number] * down + tilts[1][number] * right
    height = level + np.abs(np.mod(plane, 7.0) - 3.5)
    height = _wandering(rng, height.astype(np.float32), pitch / 2.5, 0.08 * pitch)
    return Relief(blurred(height, 0.8) + _rough(rng, ground, 0.03, 0.25))


def stepped(rng: Rng, ground: Ground) -> Relief:
    """Cleavage in steps, its flats crazed by a net of fine cracks."""
    rows, cols = ground.rows, ground.cols

    def make(high: int, wide: int) -> Field:
        scale = rng.uniform(40, 120)
        swell = smooth_noise(rng, high, wide, scale, scale * rng.uniform(1, 3))
        # Steps go down one way on the whole: a slope, which swells bend and interrupt.
        slope = grid(high, wide)[0] * (rng.uniform(0.5, 3) / scale)
        ragged = rng.uniform(0.03, 0.14) * fractal(rng, high, wide, scale / 2, 0.55)
        return np.asarray(rng.uniform(0.15, 0.7) * swell + slope + ragged, np.float32)

    swell = turned(ground, _angle(rng), make) * rng.uniform(1.2, 3)
    # Steps are of unequal width: a drawn scale, not a ruler, tells where they lie.
    scale = np.cumsum(rng.lognormal(0, 0.8, 80)) / 1.4
    swell = np.interp(swell, np.linspace(-20, 20, 80) / 2, scale).astype(np.float32)
    flats = np.floor(swell)
    height = flats + 0.4 * ramp(swell - flats, 0.6, 1.0)
    _, number, _ = cells(rng, rows, cols, rng.uniform(14, 50))
    edges = np.zeros((rows, cols), np.float32)
    edges[1:, 1:] = (number[1:, 1:] != number[:-1, 1:]) | (number[1:, 1:] != number[1:, :-1])
    cracks = _wandering(rng, edges, 9, 2.5)
    open_part = ramp(smooth_noise(rng, rows, cols, 40), -0.5, 1)
    height = height - rng.uniform(0, 0.8) * blurred(cracks * open_part, 0.8)
    return Relief((blurred(height, 0.7) + _rough(rng, ground, 0.03, 0.25)).astype(np.float32))


def cauliflower(rng: Rng, ground: Ground) -> Relief:
    """Rupture in lumps upon lumps, as of a swollen gel."""
    rows, cols = ground.rows, ground.cols
    pitch = rng.uniform(14, 50)
    height = np.zeros((rows, cols), np.float32)
    for share in (1.0, 0.42, 0.18):
        own = max(pitch * share, 2.5)
        distance = cells(rng, rows, cols, own)[0] / own
        height -= share**1.3 * np.minimum(distance, 1.2) ** 1.8
    height = _wandering(rng, height, pitch / 2, 0.07 * pitch)
    return Relief(unit(blurred(height, 0.6)) + _rough(rng, ground, 0.02, 0.2))


def mirror_to_hackle(rng: Rng, ground: Ground) -> Relief:
    """Smooth near the origin (mirror), then mist, then hackle along the rays."""
    away, direction = _origin(rng, ground)
    rows, cols = ground.rows, ground.cols
    low, high = (float(value) for value in np.percentile(away[::8, ::8], (5, 95)))
    far = (away - low) / (high - low) + 0.12 * smooth_noise(rng, rows, cols, 60)
    start = rng.uniform(0.0, 0.35)
    mist = ramp(far, start, start + 0.25) * smooth_noise(rng, rows, cols, rng.uniform(1, 3))
    width = rng.uniform(3, 9)
    rays = ramp(far, start + 0.15, 1.0) * _radial(rng, away, direction, width, rng.uniform(4, 9))
    height = 0.3 * mist + 1.5 * rays + 0.15 * smooth_noise(rng, rows, cols, 50)
    return Relief(height + _rough(rng, ground, 0.01, 0.06))


def lamellae(rng: Rng, ground: Ground) -> Relief:
    """Layers peeled one off the other, edges torn and a little curled up."""
    rows, cols = ground.rows, ground.cols
    height = _rough(rng, ground, 0.05, 0.2)
    bright = np.zeros((rows, cols), np.float32)
    for layer in range(rng.integers(3, 6)):
        scale = rng.uniform(40, 160)
        where = smooth_noise(rng, rows, cols, scale, scale * rng.uniform(1, 3))
        where += rng.uniform(0.04, 0.2) * fractal(rng, rows, cols, scale / 3, 0.55)
        edge = where - rng.normal(0, 0.6)
        lies = ramp(edge, 0, rng.uniform(0.03, 0.2))
        curl = lies * np.exp(-np.clip(edge, 0, 3) / rng.uniform(0.08, 0.3))
        # What lies on top hides the edges below, but for a hint of their relief.
        top = layer + 1 + 0.25 * height + 0.08 * rng.normal() * where
        height = height * (1 - lies) + top * lies + 0.6 * curl
        bright = bright * (1 - lies) + 0.3 * curl
    return Relief(blurred(height, 0.6) + _rough(rng, ground, 0.02, 0.2), 1.0, bright)


def granular(rng: Rng, ground: Ground) -> Relief:
    """Matte grain without direction."""
    rows, cols = ground.rows, ground.cols
    height = fractal(rng, rows, cols, rng.uniform(4, 16), rng.uniform(0.6, 0.95))
    distance, _, _ = cells(rng, rows, cols, rng.uniform(4, 10))
    height -= rng.uniform(0, 0.25) * distance
    waves = rng.uniform(0, 3) * fractal(rng, rows, cols, rng.uniform(60, 160))
    return Relief(height + waves, rng.uniform(0.5, 1))


def _ribbon(rng: Rng, canvas: NDArray[np.uint8], path: Walk, width: float, value: float) -> None:
    """Draw one ribbon: its edges swing about the path as it twists, its sides shade in turn."""
    taper = np.sin(np.linspace(0.1, 3.0, len(path))) ** 0.5
    twist = np.cumsum(rng.normal(0.12, 0.12, len(path))) + rng.uniform(0, 6)
    half = np.maximum(np.abs(np.cos(twist)) * taper * width, 1.5)[:, None] / 2
    run = np.gradient(path, axis=0)
    square = np.stack([run[:, 1], -run[:, 0]], axis=-1) / np.hypot(run[:, 0], run[:, 1])[:, None]
    one, other = path + half * square, path - half * square
    shades = value * (0.85 + 0.15 * np.sin(twist))
    for at in range(len(path) - 1):
        corners = np.stack([one[at], one[at + 1], other[at + 1], other[at]])
        points = np.round(corners[:, ::-1] * 16).astype(np.int32)
        cv2.fillConvexPoly(canvas, points, (float(shades[at]),), cv2.LINE_AA, 4)
    for edge in (one, other):
        _draw(canvas, edge, min(value * 1.15, 255.0), 1)


def ribbons(rng: Rng, ground: Ground) -> Relief:
    """Broad ribbons drawn out and twisted: they narrow where they stand on edge."""
    width, angle = rng.uniform(7, 20), _angle(rng)

    def make(rows: int, cols: int) -> Field:
        canvas = np.zeros((rows, cols), np.uint8)
        long = width * rng.uniform(8, 30)
        for value in np.linspace(60, 210, min(int(1.6 * rows * cols / (long * width)) + 3, 250)):
            start = np.array([rng.uniform(0, rows), rng.uniform(-long, cols)])
            path = _strand(rng, start, long * rng.lognormal(0, 0.4), 0.05)
            _ribbon(rng, canvas, path, width * rng.lognormal(0, 0.35), value)
        return np.asarray(canvas.astype(np.float32) / 255, np.float32)

    height = turned(ground, angle, make)
    rough = _rough(rng, ground, 0.01, 0.08)
    return Relief(blurred(height, 0.9) + rough, 1.0, 0.5 * height)


def smooth_tear(rng: Rng, ground: Ground) -> Relief:
    """Fast tear, almost smooth: swells, and a few low river lines that wander."""
    spacing, rows, cols = rng.uniform(20, 60), ground.rows, ground.cols

    def make(high: int, wide: int) -> Field:
        return _rivers(rng, high, wide, spacing, rng.uniform(0, 0.3))

    lines = blurred(turned(ground, _angle(rng), make), rng.uniform(0.8, 2.5))
    swell = rng.uniform(0.5, 2) * smooth_noise(rng, rows, cols, rng.uniform(30, 120))
    return Relief(0.5 * lines + swell + _rough(rng, ground, 0.02, 0.1), rng.uniform(0.15, 0.6))


def arrested(rng: Rng, ground: Ground) -> Relief:
    """Tear that went in jerks: uneven bands across its way, rough beyond each arrest."""
    pitch = rng.uniform(18, 80)
    width, angle = rng.uniform(2, 6), _angle(rng)

    def make(high: int, wide: int) -> Field:
        front = grid(high, wide)[1] + 0.5 * pitch * fractal(rng, high, wide, 4 * pitch, 0.5)
        part = np.mod(front / pitch + 0.4 * smooth_noise(rng, high, wide, 5 * pitch), 1.0)
        steps = np.minimum(part, 6 * (1 - part)) * rng.uniform(0.5, 2.5)
        return np.asarray(steps + (1.2 - part) * _streaks(rng, high, wide, width, 7), np.float32)

    return Relief(turned(ground, angle, make) + _rough(rng, ground, 0.05, 0.3))


TORN_LOOKS: tuple[Look, ...] = (
    rivers, hackle, ligaments, combed, dimples,
    conchoidal, facets, stepped, cauliflower, mirror_to_hackle,
    lamellae, granular, ribbons, smooth_tear, arrested,
)
