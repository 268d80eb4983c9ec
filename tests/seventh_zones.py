"""Who cut what: the zones of a face and the truth that follows from them."""

from dataclasses import dataclass

import numpy as np
from seventh_noise import curve, rough_curve

LASER, SCISSOR, TORN, OBSCURED = 1, 2, 3, 4
FAMILIES = {"laser-torn": 0.28, "laser-scissor": 0.2, "through-cut": 0.12,
            "scissor-ends": 0.2, "all-scissor": 0.1, "all-torn": 0.1}


@dataclass(frozen=True)
class Cut:
    """Borders of the zones in the band's coordinates."""

    whole: int  # the code of a face of one kind, else 0
    below: int  # the code of what lies under the laser
    depth: np.ndarray  # fraction of the thickness, by whole px of s
    stretch: tuple[float, float]  # s between which the scissors took nothing
    slants: tuple[float, float]
    wander: np.ndarray  # px by which the ends of that stretch wander, by whole px of offset


def depth_line(rng, band):
    """Laser depth along the face: a level, a slope, some wander, now and then a jump."""
    count = band.s.size
    level = rng.uniform(0.3, 0.93)
    room = min(level - 0.12, 0.97 - level)
    line = level + rng.normal(0, 0.12) * (band.s - count / 2) / count
    line = line + min(rng.uniform(0.003, 0.03), room / 2) * curve(rng, count, rng.uniform(50, 250))
    if rng.random() < 0.2:
        at = count / 2 + rng.uniform(-0.15, 0.15) * count
        line = line + rng.choice([-1, 1]) * rng.uniform(0.03, 0.09) / (
            1 + np.exp(-np.clip((band.s - at) / rng.uniform(1, 12), -40, 40)))
    return line + rng.uniform(0.3, 2.5) * rough_curve(rng, count, 9, 3) / band.thickness.mean()


def draw_cut(rng, family, band, seen):
    """Zones for a family; `seen` is the (first, last) s of the face within the picture."""
    whole = {"through-cut": LASER, "all-scissor": SCISSOR, "all-torn": TORN}.get(family, 0)
    below = {"laser-torn": TORN, "laser-scissor": SCISSOR}.get(family)
    if below is None:
        below = int(rng.choice([SCISSOR, TORN, TORN]))
    depth = depth_line(rng, band).clip(0.08, 0.975)
    if family == "scissor-ends" and rng.random() < 0.2:
        depth = np.full_like(depth, 2.0)  # the laser went through, the scissors did the ends
    first, last = -1e6, 1e6
    if family == "scissor-ends":
        length = seen[1] - seen[0]
        which = rng.choice(["first", "last", "both"])
        if which != "last":
            first = seen[0] + rng.uniform(0.12, 0.34) * length
        if which != "first":
            last = seen[1] - rng.uniform(0.12, 0.34) * length
    slants = tuple(np.tan(np.deg2rad(rng.normal(0, 8, 2).clip(-20, 20))))
    wander = rng.uniform(1.5, 6) * rough_curve(rng, 2400, rng.uniform(15, 60), 3)
    return Cut(whole, below, depth, (first, last), slants, wander)


def name_zones(cut, s, n, upper, lower):
    """Codes at points of the band, as though it were endless in all directions."""
    if cut.whole:
        return np.full(s.shape, cut.whole, np.uint8)
    at = np.clip(np.rint(s).astype(np.int32), 0, cut.depth.size - 1)
    deep = (n - upper) / np.maximum(lower - upper, 1)
    codes = np.where(deep <= cut.depth.astype(np.float32)[at], LASER, cut.below).astype(np.uint8)
    offset = np.clip(np.rint(n).astype(np.int32) + 1200, 0, 2399)
    wander = cut.wander.astype(np.float32)[offset]
    outside = s < cut.stretch[0] + cut.slants[0] * n + wander
    outside |= s > cut.stretch[1] + cut.slants[1] * n - wander
    codes[outside] = SCISSOR
    return codes


def read_chords(band, labels, step=2):
    """Labels along chords square to the axis: one row a chord, -1 beyond the picture."""
    pick = slice(0, None, step)
    share = (np.arange(700) + 0.5) / 700
    upper, lower = band.upper[pick, None], band.lower[pick, None]
    n = upper + 0.75 + share[None] * (lower - upper - 1.5)
    cols = band.axis_x[pick, None] - np.sin(band.turn[pick, None]) * n
    rows = band.axis_y[pick, None] + np.cos(band.turn[pick, None]) * n
    rows, cols = np.rint(rows).astype(np.int32), np.rint(cols).astype(np.int32)
    height, width = labels.shape
    inside = (rows >= 0) & (rows < height) & (cols >= 0) & (cols < width)
    read = labels[rows.clip(0, height - 1), cols.clip(0, width - 1)].astype(np.int8)
    return np.where(inside, read, -1)


def measure(band, labels):
    """Depth fraction and thickness in px, both over the chords that are whole.

    Depth leaves out chords of which more than a fiftieth is obscured: nobody sees their truth.
    """
    read = read_chords(band, labels)
    whole = (read > 0).mean(axis=1) > 0.99
    whole &= (read >= 0).all(axis=1)
    if whole.sum() < 20:
        return None
    thickness = float(band.thickness[::2][whole].mean())
    clear = read[whole]
    clear = clear[(clear == OBSCURED).mean(axis=1) <= 0.02]
    if (clear == LASER).any(axis=1).sum() < 20:  # a fibre lies along the whole face
        clear = read[whole]
    laser = (clear == LASER).sum(axis=1)
    has = laser > 0
    if not has.any():
        return np.nan, thickness
    seen = (clear[has] != OBSCURED).sum(axis=1)
    return float((laser[has] / seen).mean()), thickness
