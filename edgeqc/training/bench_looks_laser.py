"""Looks of laser-cut ground as height fields.

A focused pulse leaves a cavity; pulses lie on spots along lines. What a microscope later shows
depends on how far cavities merge, melt, and gather what was driven off.
"""

import numpy as np

from edgeqc.training.bench_fields import (
    Field,
    Ground,
    Look,
    Places,
    Relief,
    Rng,
    blurred,
    domes,
    fractal,
    grid,
    ramp,
    smooth_noise,
    splat,
    white_noise,
)


def _lattice(
    rng: Rng, ground: Ground, jitter: float, ratio: float = 0.0
) -> tuple[Places, float, float]:
    """Spots of a lattice of 2-12 µm, turned a little: places (n, 2), spot and line pitch in px."""
    spot, line = rng.uniform(2, 12, 2)
    if ratio:  # spots along a line this much closer than the lines
        line = rng.uniform(4, 12)
        spot = ratio * line
    spot, line = (max(pitch / ground.pixel_um, 2.2) for pitch in (spot, line))
    half = np.hypot(ground.rows, ground.cols) / 2
    steps = [np.arange(-half, half, pitch) for pitch in (line, spot)]
    down, right = np.meshgrid(*steps, indexing="ij")
    # Every line starts where the scanner happened to be: neighbours are not in step.
    right = right + rng.uniform(0, rng.choice([0.05, 1.0]), (len(steps[0]), 1)) * spot
    down = down + rng.normal(0, jitter * line, down.shape)
    down += rng.normal(0, 0.05, (len(steps[0]), 1)) * line
    right = right + rng.normal(0, jitter * spot, right.shape)
    angle = np.deg2rad(rng.choice([0, 90]) + rng.normal(0, 4))
    places = np.stack(
        [
            down * np.cos(angle) + right * np.sin(angle) + ground.rows / 2,
            right * np.cos(angle) - down * np.sin(angle) + ground.cols / 2,
        ],
        axis=-1,
    ).reshape(-1, 2)
    inside = (places > -3).all(axis=1) & (places < (ground.rows + 3, ground.cols + 3)).all(axis=1)
    return places[inside], spot, line


def _cavities(rng: Rng, ground: Ground, fill: float, ratio: float = 0.0) -> Field:
    """Cavities on a lattice, 0 the ground and -1 a floor; they merge where they meet."""
    places, spot, line = _lattice(rng, ground, rng.uniform(0.02, 0.2), ratio)
    amounts = rng.lognormal(0, rng.uniform(0.1, 0.5), len(places))
    failed = rng.choice([0, 0.03, 0.2])  # pulses that were too weak to break the material down
    amounts *= rng.random(len(places)) > failed
    sigma = max(fill * min(spot, line), 0.7)
    depth = blurred(splat(places, amounts, (ground.rows, ground.cols)), sigma)
    # One pulse alone reaches its amount; a row of overlapping ones no more than that, as what
    # the first pulse has driven off the next does not find.
    reach = np.sqrt(2 * np.pi) * sigma
    depth *= reach**2 / max(reach / spot, 1) / max(reach / line, 1)
    sharp = rng.uniform(0.3, 1.2)
    return np.asarray(-ramp(depth, 0.55 - sharp / 2, 0.55 + sharp / 2), np.float32)


def _grain(rng: Rng, ground: Ground, low: float = 0.02, high: float = 0.2) -> Field:
    """Fine roughness of the material, of a random height and scale."""
    scale = rng.uniform(1, 6)
    return rng.uniform(low, high) * smooth_noise(rng, ground.rows, ground.cols, scale)


def craters(rng: Rng, ground: Ground) -> Relief:
    """Cavities on the spots, often with a rim of what flowed out of them."""
    pits = _cavities(rng, ground, rng.uniform(0.22, 0.38))
    rim = rng.uniform(0, 0.9) * (blurred(-pits, rng.uniform(1, 2.5)) + pits)
    waves = 0.4 * fractal(rng, ground.rows, ground.cols, rng.uniform(30, 120))
    return Relief(pits + rim + _grain(rng, ground) + waves)


def merged_rows(rng: Rng, ground: Ground) -> Relief:
    """Spots so close that every line is a groove, broken where pulses failed."""
    pits = _cavities(rng, ground, rng.uniform(0.4, 0.75))
    level = smooth_noise(rng, ground.rows, ground.cols, rng.uniform(15, 60))
    pits *= 1 + 0.35 * level  # merging is uneven over the field
    return Relief(pits + _grain(rng, ground, 0.04, 0.3))


def grooves(rng: Rng, ground: Ground) -> Relief:
    """Spots much closer than lines: beaded grooves of one pitch, with gaps where pulses failed."""
    ratio = rng.uniform(0.2, 0.5)
    pits = _cavities(rng, ground, rng.uniform(0.14, 0.3) / ratio, ratio)
    waves = rng.uniform(0, 0.8) * fractal(rng, ground.rows, ground.cols, rng.uniform(30, 120))
    return Relief(pits + waves + _grain(rng, ground, 0.02, 0.2))


def bubbles(rng: Rng, ground: Ground) -> Relief:
    """Gas bubbles frozen in the cut: round hollows of all sizes over a faint lattice."""
    pitch = rng.uniform(4, 22)
    hollows = -domes(rng, ground.rows, ground.cols, pitch, rng.uniform(0.2, 0.7))
    hollows -= 0.4 * domes(rng, ground.rows, ground.cols, pitch / 2.5, 0.5)
    height = blurred(hollows, 0.6) / pitch + rng.uniform(0, 0.4) * _cavities(rng, ground, 0.3)
    return Relief(height + _grain(rng, ground, 0.01, 0.1))


def molten(rng: Rng, ground: Ground) -> Relief:
    """Melt that set while it flowed: soft swells, ripples that follow them, a few blisters."""
    rows, cols = ground.rows, ground.cols
    swell = smooth_noise(rng, rows, cols, rng.uniform(12, 60), rng.uniform(12, 90))
    swell += 0.4 * smooth_noise(rng, rows, cols, rng.uniform(6, 18))
    down, right = grid(rows, cols)
    angle, wave = rng.uniform(0, np.pi), rng.uniform(4, 14)
    phase = (down * np.cos(angle) + right * np.sin(angle)) * (2 * np.pi / wave)
    phase = phase + rng.uniform(0.8, 3) * swell
    where = ramp(smooth_noise(rng, rows, cols, rng.uniform(20, 70)), -0.8, 1)
    height = swell + np.float32(rng.uniform(0.05, 0.35)) * np.sin(phase) * where
    blisters = blurred(domes(rng, rows, cols, rng.uniform(10, 30), 0.7), 1) / 12
    return Relief((height + rng.choice([0, 0.5]) * blisters).astype(np.float32))


def passes(rng: Rng, ground: Ground) -> Relief:
    """Terraces along the face, of passes at stepped depths, each a little rough, edges uneven."""
    rows, cols = ground.rows, ground.cols
    pitch = rng.uniform(6, 40)
    down, right = grid(rows, cols)
    place = down + rng.normal(0, 0.06) * right
    place = place + rng.uniform(0.08, 0.25) * pitch * fractal(rng, rows, cols, rng.uniform(15, 90))
    count = int(2 * (rows + cols) / pitch) + 4
    step = place / pitch + count / 2
    number = np.clip(step.astype(np.int32), 0, count - 1)
    level = rng.normal(0, 1, count).astype(np.float32)[number]
    tilt = rng.uniform(0, 1.2) * (step - number)
    lattice = rng.uniform(0, 0.8) * _cavities(rng, ground, 0.35)
    return Relief(blurred(level + tilt, 0.8) + lattice + _grain(rng, ground, 0.05, 0.3))


def fine_grain(rng: Rng, ground: Ground) -> Relief:
    """Cavities finer than the picture resolves: grain, with a hint of the lines at most."""
    rows, cols = ground.rows, ground.cols
    height = smooth_noise(rng, rows, cols, rng.uniform(1, 2.6))
    height += rng.uniform(0.1, 0.8) * smooth_noise(rng, rows, cols, rng.uniform(3, 9))
    lines = smooth_noise(rng, rows, cols, rng.uniform(1.5, 5), rng.uniform(60, 300))
    return Relief(height + rng.uniform(0, 0.5) * lines, rng.uniform(0.4, 1))


def nearly_smooth(rng: Rng, ground: Ground) -> Relief:
    """Return a cut so clean that little shows: faint swells, faint lines, a few stray pits."""
    rows, cols = ground.rows, ground.cols
    height = smooth_noise(rng, rows, cols, rng.uniform(15, 80)) + _grain(rng, ground, 0.02, 0.1)
    height += rng.uniform(0, 0.3) * _cavities(rng, ground, 0.4)
    rare = domes(rng, rows, cols, rng.uniform(40, 90), 0.3) > 0
    pits = ramp(blurred(white_noise(rng, rows, cols), 1.5) * 5, 2.2, 3) * rare
    return Relief(height - 0.8 * pits, rng.uniform(0.12, 0.4))


def spalled(rng: Rng, ground: Ground) -> Relief:
    """Lattice ground of which flakes have sprung off and bared shallow, smoother floors."""
    rows, cols = ground.rows, ground.cols
    ground_part = _cavities(rng, ground, rng.uniform(0.25, 0.5)) + _grain(rng, ground)
    where = fractal(rng, rows, cols, rng.uniform(25, 90), 0.45)
    level = rng.uniform(0.2, 1)
    gone = ramp(where, level, level + rng.uniform(0.05, 0.25))
    floor = -rng.uniform(1, 3) - 0.8 * (where - level) + 0.1 * smooth_noise(rng, rows, cols, 4)
    return Relief((ground_part * (1 - gone) + floor * gone).astype(np.float32))


def droplets(rng: Rng, ground: Ground) -> Relief:
    """Matter driven off and set again as droplets, in drifts, over a worn lattice."""
    rows, cols = ground.rows, ground.cols
    drift = ramp(smooth_noise(rng, rows, cols, rng.uniform(30, 120)), -0.8, 1.2)
    pitch = rng.uniform(4, 14)
    drops = domes(rng, rows, cols, pitch, 0.6) + 0.5 * domes(rng, rows, cols, pitch / 2, 0.6)
    # Drops stand in a drift where enough fell; a drop is there or not, never half.
    thick = ramp(drops / pitch + 0.8 * drift, 0.9, 1.0)
    drops = blurred(drops * thick, 0.6) / pitch
    height = 2.5 * drops + rng.uniform(0.3, 1) * _cavities(rng, ground, rng.uniform(0.3, 0.6))
    return Relief(height + _grain(rng, ground), 1.0, rng.uniform(0, 0.6) * drops)


LASER_LOOKS: tuple[Look, ...] = (
    craters,
    merged_rows,
    grooves,
    bubbles,
    molten,
    passes,
    fine_grain,
    nearly_smooth,
    spalled,
    droplets,
)
