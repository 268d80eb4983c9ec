"""Layout of the sixth maker: the outline of the face, its zones and where they lie.

A face lives in a strip: columns follow its length, rows run through its thickness from the
anterior edge on. A picture's pixel is taken to the strip by a turn and, for a bent face, a circle;
columns of the strip therefore are straight chords in the picture.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import expit
from sixth_field import F, curve, grid, pick

FAMILIES = {
    "laser-torn": 0.30,
    "laser-scissor": 0.30,
    "scissor-ends": 0.20,
    "through": 0.12,
    "all-scissor": 0.04,
    "all-torn": 0.04,
}
SHAPES = ((1024, 1280), (960, 1280), (1024, 1024), (1200, 1200), (900, 1400), (1000, 1500),
          (820, 1536), (1024, 1536), (1152, 1344))  # fmt: skip
SIDES = ("top", "left", "bottom", "right")  # after so many quarter turns
BORDERS = ("straight", "wavy", "slanted", "stepped", "toothed")


@dataclass(frozen=True)
class Strip:
    """Place of the strip in the picture before quarter turns, and its edges by column."""

    shape: tuple[int, int]
    centre: tuple[float, float]
    angle: float
    bow: float  # one over the radius in pixels, signed
    anterior: np.ndarray  # t of the edge by column
    posterior: np.ndarray
    border: np.ndarray  # t of the lower limit of the laser
    first: np.ndarray  # s of the left end by row of the strip
    last: np.ndarray
    turns: int
    family: str
    stretches: list = field(default_factory=list)  # (left or right, s of the limit by row)

    @property
    def depth(self):
        """Rows of the strip."""
        return len(self.first)

    def to_strip(self, shape=None):
        """Return the planes s and t of the picture's pixels."""
        x, y = grid(shape or self.shape)
        x, y = x - F(self.centre[0]), y - F(self.centre[1])
        cos, sin = F(np.cos(self.angle)), F(np.sin(self.angle))
        u, v = x * cos + y * sin, y * cos - x * sin
        if self.bow:
            radius = F(1 / self.bow)
            sign = np.sign(radius)
            s = np.arctan2(u, (radius - v) * sign) * abs(radius)
            u, v = s, radius - sign * np.hypot(u, radius - v)
        return u + F(len(self.anterior) / 2), v + F(self.depth / 2)

    def to_picture(self, s, t):
        """Return x and y in the picture of places in the strip."""
        u = np.asarray(s, float) - len(self.anterior) / 2
        v = np.asarray(t, float) - self.depth / 2
        if self.bow:
            radius = 1 / self.bow
            u, v = (radius - v) * np.sin(u / radius), radius - (radius - v) * np.cos(u / radius)
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        return self.centre[0] + u * cos - v * sin, self.centre[1] + u * sin + v * cos


def _profile(rng, count, thick):
    """Return the thickness along the face over its greatest one."""
    kind = rng.choice(["even", "lens", "wedge", "rim"], p=[0.35, 0.35, 0.15, 0.15])
    place = np.linspace(-1, 1, count)
    if kind == "lens":
        curve_ = 1 - rng.uniform(0.08, 0.4) * (place - rng.uniform(-0.4, 0.4)) ** 2
    elif kind == "wedge":
        curve_ = 1 + rng.uniform(-0.2, 0.2) * place
    elif kind == "rim":
        step = expit((place - rng.uniform(-0.5, 0.5)) * rng.uniform(6, 18))
        curve_ = 1 - rng.uniform(0.1, 0.3) * step
    else:
        curve_ = np.ones(count)
    return thick * curve_ / curve_.max()


def _edge(rng, count, rough):
    """Return how an edge strays from its curve, chips among it."""
    stray = rough * (curve(rng, count, 90) + 0.5 * curve(rng, count, 17))
    stray += 0.35 * rough * curve(rng, count, 4)
    place = np.arange(count)
    for _ in range(rng.poisson(1.5)):
        wide = rng.uniform(3, 14)
        stray += rng.uniform(1, 7) * np.exp(-(((place - rng.uniform(0, count)) / wide) ** 4))
    return stray


def _border(rng, thick, least):
    """Return the share of the thickness that the laser took, by column, and the kind of border."""
    count = len(thick)
    low = float(max(0.045, least / thick.min()))
    level = rng.uniform(0.62, 0.93) if rng.uniform() < 0.6 else rng.uniform(0.22, 0.8)
    if rng.uniform() < 0.1:
        level = 1 - low - 0.02
    kind = str(rng.choice(BORDERS))
    place = np.linspace(-1, 1, count)
    share = np.full(count, level)
    if kind == "wavy":
        share += rng.uniform(0.015, 0.06) * curve(rng, count, pick(rng, 50, 350))
    elif kind == "slanted":
        share += rng.choice([-1, 1]) * rng.uniform(0.05, 0.2) * place
    elif kind == "stepped":
        cuts = np.sort(rng.uniform(-0.9, 0.9, int(rng.integers(1, 5))))
        jumps = rng.choice([-1, 1], len(cuts)) * rng.uniform(0.03, 0.12, len(cuts))
        steps = sum(j * expit((place - c) * 400) for c, j in zip(cuts, jumps, strict=True))
        share += steps - steps.mean()
    elif kind == "toothed":
        step = pick(rng, 10, 60)
        phase = np.arange(count) / step + 0.4 * curve(rng, count, step * 4)
        tooth = np.abs(2 * (phase - np.floor(phase)) - 1)
        share += rng.uniform(4, 12) / thick * (tooth - 0.5) * (1 + 0.4 * curve(rng, count, step))
    stray = rng.uniform(0.3, 2.5) * (curve(rng, count, 40) + 0.5 * curve(rng, count, 6))
    return np.clip(share + stray / thick, 0.12, 1 - low), kind


def _stretches(rng, first, last, rows):
    """Return one or two stretches that scissors cut through the whole thickness."""
    length = last - first
    sides = [["left"], ["right"], ["left", "right"]][rng.choice(3, p=[0.36, 0.36, 0.28])]
    found = []
    place = np.linspace(0, 1, rows)
    for side in sides:
        share = rng.uniform(0.16, 0.38 if len(sides) == 1 else 0.26)
        lean = rng.uniform(0, 0.2) * rows * rng.choice([0, 1])
        stray = rng.uniform(0.3, 2.5) * curve(rng, rows, 50)
        if rng.uniform() < 0.3:  # a step half way down
            stray += rng.uniform(5, 25) * (place > rng.uniform(0.3, 0.7))
        inward = share * length - rows * 0.06 + lean * place + stray
        found.append((side, first + inward if side == "left" else last - inward))
    return found


def _lie(rng, rows, cols):
    """Return thickness, length, angle and bow that let both long edges lie in the picture."""
    while True:
        thick = rows * rng.uniform(0.2, 0.66)
        cut_off = rng.uniform() < 0.45
        length = cols * (1.35 if cut_off else rng.uniform(0.55, 0.88))
        seen = min(length, cols * 1.02)
        angle = np.deg2rad(rng.normal(0, 4.5))
        bow = 0.0 if rng.uniform() < 0.35 else rng.normal(0, 0.13) / seen
        high = thick * np.cos(angle) + seen * abs(np.sin(angle)) + seen**2 * abs(bow) / 8
        share = thick * seen / (rows * cols)
        if high < 0.9 * rows and 0.18 < share < 0.62 and seen > thick * 1.05:
            return thick, length, angle, bow, high


def lay_out(rng, off_frame=False):
    """Return a strip of a family in trade proportion, and the kind of its border."""
    rows, cols = SHAPES[rng.integers(len(SHAPES))]
    turns = int(rng.choice(4, p=[0.4, 0.2, 0.2, 0.2]))
    if turns % 2 and rng.uniform() < 0.6:
        rows, cols = cols, rows
    thick, length, angle, bow, high = _lie(rng, rows, cols)
    if turns % 2:
        angle = -angle
    family = str(rng.choice(list(FAMILIES), p=list(FAMILIES.values())))
    margin = int(min(220, thick * 0.3) + 30)
    count = int(max(length, cols * 1.3)) + 200
    depth = int(thick) + 2 * margin
    profile = _profile(rng, count, thick)
    lift = rng.uniform(0.3, 0.7)
    rough = rng.uniform(0.2, 1.6)
    anterior = margin + (thick - profile) * lift + _edge(rng, count, rough)
    posterior = depth - margin - (thick - profile) * (1 - lift) - _edge(rng, count, rough)
    if family == "through":
        border, kind = posterior + 5, "none"
    elif family.startswith("all"):
        border, kind = anterior - 5, "none"
    else:
        share, kind = _border(rng, posterior - anterior, rng.uniform(14, 22))
        border = anterior + share * (posterior - anterior)
    ends = []
    place = np.linspace(-0.5, 0.5, depth)
    for side in (-1, 1):
        lean = rng.normal(0, 0.12) * depth
        stray = rng.uniform(0.4, 3) * curve(rng, depth, 45) + 0.5 * curve(rng, depth, 6)
        ends.append(count / 2 + side * length / 2 + lean * place + stray)
    free = (rows - high) / 2 * 0.8
    centre = (
        cols / 2 + rng.uniform(-0.4, 0.4) * max(0, cols - length),
        rows / 2 + rng.uniform(-1, 1) * free + bow / abs(bow or 1) * (-min(length, cols) ** 2)
        * abs(bow) / 16,
    )  # fmt: skip
    if off_frame:
        centre = (centre[0], centre[1] + rng.choice([-1, 1]) * (rows * 0.5 + thick * 0.1))
    stretches = []
    if family == "scissor-ends":
        seen = cols / 2 - centre[0] + count / 2 + np.array([-0.5, 0.5]) * cols
        left = max(ends[0].mean(), seen[0])
        right = min(ends[1].mean(), seen[1])
        stretches = _stretches(rng, left, right, depth)
    strip = Strip(
        (rows, cols), centre, float(angle), float(bow), anterior, posterior, border, ends[0],
        ends[1], turns, family, stretches,
    )  # fmt: skip
    return strip, kind


def zone_labels(strip, beyond, s, t):
    """Return the labels of places (s, t): 0 outside, 1 laser, 2 scissor, 3 torn.

    ``beyond`` is the label of the face below the laser.
    """
    column = np.clip(s, 0, len(strip.anterior) - 1)
    row = np.clip(t, 0, strip.depth - 1)
    number = np.arange(len(strip.anterior))

    def by_column(values):
        return np.interp(column.ravel(), number, values).reshape(s.shape)

    def by_row(values):
        return np.interp(row.ravel(), np.arange(strip.depth), values).reshape(s.shape)

    inside = (t >= by_column(strip.anterior)) & (t <= by_column(strip.posterior))
    inside &= (s >= by_row(strip.first)) & (s <= by_row(strip.last))
    labels = np.where(t <= by_column(strip.border), 1, beyond)
    for side, limit in strip.stretches:
        limit = by_row(limit)
        labels[s < limit if side == "left" else s > limit] = 2
    return (labels * inside).astype(np.uint8)


def chords(strip, labels):
    """Return rows of (x0, y0, x1, y1) of the whole chords, in the picture before the turns."""
    rows, cols = strip.shape
    number = np.arange(2, len(strip.anterior) - 2, 2)
    top, bottom = strip.anterior[number] + 1, strip.posterior[number] - 1
    x0, y0 = strip.to_picture(number, top)
    x1, y1 = strip.to_picture(number, bottom)
    whole = np.ones(len(number), bool)
    for share in np.linspace(0, 1, 25):
        x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
        within = (x > 1) & (y > 1) & (x < cols - 2) & (y < rows - 2)
        row = np.clip(y.round(), 0, rows - 1).astype(int)
        column = np.clip(x.round(), 0, cols - 1).astype(int)
        whole &= within & (labels[row, column] > 0)
    x0, y0 = strip.to_picture(number, strip.anterior[number])
    x1, y1 = strip.to_picture(number, strip.posterior[number])
    return np.stack([x0, y0, x1, y1], 1)[whole], number[whole]


def figures(strip, beyond, number):
    """Return the mean laser share over the chords that have some, and the mean thickness."""
    if not len(number):
        return float("nan"), float("nan")
    top, bottom = strip.anterior[number], strip.posterior[number]
    steps = (np.arange(600) + 0.5) / 600
    t = top[:, None] + steps * (bottom - top)[:, None]
    s = np.broadcast_to(number[:, None].astype(float), t.shape)
    laser = (zone_labels(strip, beyond, s, t) == 1).mean(1)
    thickness = float((bottom - top).mean())
    return (float(laser[laser > 0].mean()) if (laser > 0).any() else float("nan")), thickness
