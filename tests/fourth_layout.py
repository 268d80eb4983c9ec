"""Where everything lies on the fourth maker's faces: frame, edges, zones, and their figures.

A face has flat coordinates, ``s`` along it and ``t`` through its thickness, in px; the frame
turns and bends them into the picture. Chords are the straight lines of constant ``s``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from fourth_field import wander

LASER, SCISSOR, TORN, OBSCURED = 1, 2, 3, 4
FAMILIES = {
    "laser_over_torn": 0.30, "laser_over_scissor": 0.30, "scissor_stretch": 0.20,
    "through_cut": 0.12, "whole_scissor": 0.04, "whole_torn": 0.04,
}  # fmt: skip


@dataclass(frozen=True)
class Frame:
    """How flat coordinates lie in a level picture (anterior edge on top)."""

    rows: int
    cols: int
    row: float
    col: float
    tilt: float
    bend: float  # one over the radius that the face is bent to, signed

    def flat(self, rows, cols):
        """Return s and t of places in the picture."""
        y, x = rows - self.row, cols - self.col
        u = x * np.cos(self.tilt) + y * np.sin(self.tilt)
        v = y * np.cos(self.tilt) - x * np.sin(self.tilt)
        if abs(self.bend) < 1e-7:
            return u, v
        radius, sign = 1 / abs(self.bend), np.sign(self.bend)
        s = radius * np.arctan2(u, radius - sign * v)
        return s, sign * (radius - np.hypot(u, radius - sign * v))

    def picture(self, s, t):
        """Return rows and columns of flat places."""
        u, v = s, t
        if abs(self.bend) >= 1e-7:
            radius, sign = 1 / abs(self.bend), np.sign(self.bend)
            reach = radius - sign * t
            u, v = reach * np.sin(s / radius), sign * (radius - reach * np.cos(s / radius))
        x = u * np.cos(self.tilt) - v * np.sin(self.tilt)
        y = u * np.sin(self.tilt) + v * np.cos(self.tilt)
        return y + self.row, x + self.col

    def holds(self, s, t):
        """Return where flat places lie inside the picture."""
        rows, cols = self.picture(s, t)
        return (rows >= 0) & (rows <= self.rows - 1) & (cols >= 0) & (cols <= self.cols - 1)


@dataclass(frozen=True)
class Layout:
    """A face: its frame, its edges and border over ``s``, its ends, its stretches of scissors."""

    frame: Frame
    family: str
    start: float  # s of the first sample of the lines below, one a px
    anterior: np.ndarray
    posterior: np.ndarray
    border: np.ndarray  # share of the thickness that the laser cut
    residual: int
    ends: tuple[float, float]  # where the fragment ends, unbounded where the frame cuts it
    end_lines: tuple[np.ndarray, np.ndarray]  # how the ends run, over the share of the thickness
    stretches: tuple[float, float]  # scissors before the first and after the second
    stretch_line: np.ndarray

    def _line(self, values, s):
        return np.interp(s - self.start, np.arange(len(values)), values)

    def share(self, s, t):
        """Return the share of the thickness at flat places."""
        top = self._line(self.anterior, s)
        return (t - top) / (self._line(self.posterior, s) - top)

    def over(self, line, share):
        """Return a line over the thickness (200 samples) at shares."""
        return np.interp(np.clip(share, 0, 1) * (len(line) - 1), np.arange(len(line)), line)

    def zones(self, s, share):
        """Return the labels at flat places, given by s and share of the thickness."""
        codes = np.where(share < self._line(self.border, s), LASER, self.residual)
        wobble = self.over(self.stretch_line, share)
        codes[(s < self.stretches[0] + wobble) | (s > self.stretches[1] + wobble)] = SCISSOR
        codes[(share < 0) | (share > 1) | ~self.within(s, share)] = 0
        return codes.astype(np.uint8)

    def within(self, s, share):
        """Return where flat places lie between the fragment's ends."""
        first, last = (self.over(line, share) for line in self.end_lines)
        return (s >= self.ends[0] + first) & (s <= self.ends[1] + last)

    def whole(self):
        """Return s of the whole chords: between the ends, both edges inside the picture."""
        s = self.start + np.arange(len(self.anterior))
        keep = s > self.ends[0] + self.end_lines[0].max()
        keep &= s < self.ends[1] + self.end_lines[1].min()
        for edge in (self.anterior, self.posterior):
            keep &= self.frame.holds(s, edge)
        return s[keep]

    def figures(self):
        """Return the mean depth fraction and the mean thickness in px over the whole chords.

        Chords that touch a stretch of scissors bear no depth; what hides the face changes nothing.
        """
        s = self.whole()
        if not len(s):
            return float("nan"), float("nan")
        thickness = self._line(self.posterior - self.anterior, s).mean()
        margin = self.stretch_line
        cut = (s > self.stretches[0] + margin.max()) & (s < self.stretches[1] + margin.min())
        depth = self._line(self.border, s[cut])
        depth = depth[depth > 0]
        return (float(depth.mean()) if len(depth) else float("nan")), float(thickness)


def _frame(rng, thickness, rows, cols, outside):
    """Return a frame that holds a face of the thickness, with both long edges inside."""
    tilt = np.deg2rad(np.clip(rng.normal(0, 3), -8, 8))
    sagitta = rng.choice([0.0, rng.uniform(-1, 1)], p=[0.4, 0.6]) * 0.07 * cols
    room = 0.92 * rows - thickness
    need = cols * abs(np.sin(tilt)) + abs(sagitta) + 0.05 * thickness
    if need > room:
        tilt, sagitta = (value * max(0.0, room / need) * 0.95 for value in (tilt, sagitta))
        need = max(need * 0.95 * max(0.0, room / need), 1)
    spare = max(0.0, room - need) / 2
    row = rows / 2 + rng.uniform(-1, 1) * 0.9 * spare - sagitta / 2
    if outside:
        row = rows - thickness * rng.uniform(-0.1, 0.2) + need / 2
    return Frame(rows, cols, float(row), cols / 2, float(tilt), float(8 * sagitta / cols**2))


def edges(rng, count, thickness):
    """Return the anterior and posterior edge (t over s): even, wedge, lens or irregular."""
    x = np.linspace(-1, 1, count)
    kind = rng.choice(["even", "wedge", "lens", "irregular"], p=[0.35, 0.2, 0.3, 0.15])
    swell = {
        "even": 0 * x, "wedge": rng.uniform(-0.25, 0.25) * x,
        "lens": rng.uniform(-0.2, 0.5) * (0.15 - x**2),
        "irregular": rng.uniform(0.02, 0.06) * wander(rng, count, 0.25 * count),
    }[kind]  # fmt: skip
    local = thickness * (1 + swell)
    top = -thickness / 2 - (local - thickness) * rng.uniform(0.3, 0.7)
    rough = [rng.uniform(0.1, 0.7) * wander(rng, count, rng.uniform(5, 30))
             + rng.uniform(0, 1.5) * wander(rng, count, rng.uniform(60, 200))
             for _ in range(2)]  # fmt: skip
    return top + rough[0], top + local + rough[1]


def border_line(rng, count, thickness):
    """Return the laser's share of the thickness over s: straight, wavy, slanted or stepped."""
    low, high = max(0.13, 30 / thickness), min(0.92, 1 - 28 / thickness)
    mean = low + (high - low) * rng.beta(1.6, 1.25)
    x = np.linspace(-0.5, 0.5, count)
    kind = rng.choice(["straight", "wavy", "slanted", "stepped"])
    line = np.full(count, mean)
    if kind == "wavy":
        line += rng.uniform(0.015, 0.07) * wander(rng, count, count / rng.uniform(2, 9))
    elif kind == "slanted":
        line += rng.choice([-1, 1]) * rng.uniform(0.06, 0.3) * x
    elif kind == "stepped":
        at = np.sort(rng.uniform(-0.42, 0.42, int(rng.integers(1, 5))))
        sharp = rng.uniform(1.0, 6.0)
        for place in at:
            jump = rng.choice([-1, 1]) * rng.uniform(0.03, 0.12)
            line += jump / (1 + np.exp(-np.clip((x - place) * count / sharp, -40, 40)))
        line += mean - line.mean()
    ragged = rng.uniform(0.3, 2.2) * wander(rng, count, rng.uniform(4, 25))
    line += ragged / thickness
    slack = min(0.02, 0.2 * (high - low))
    return np.clip(line, low - slack, high + slack)


def _end(rng, thickness):
    """Return how an end of the fragment runs over its thickness: askew, bowed, rough."""
    x = np.linspace(-0.5, 0.5, 200)
    line = x * np.clip(rng.normal(0, 0.08), -0.15, 0.15)
    line += (x**2 - 0.08) * rng.choice([0.0, rng.uniform(-0.3, 0.3)])
    return line * thickness + wander(rng, 200, rng.uniform(10, 60)) * rng.uniform(0.5, 4)


def lay_out(rng, rows, cols, outside=False):
    """Return the layout of a random face in a level picture of the given size."""
    family = str(rng.choice(list(FAMILIES), p=list(FAMILIES.values())))
    fill = rng.uniform(0.18, 0.56)
    open_ends = rng.choice(3, p=[0.45, 0.3, 0.25])  # how many ends lie inside the picture
    length = (1.0, rng.uniform(0.65, 0.9), rng.uniform(0.6, 0.86))[open_ends]
    most = min(0.8 * rows, length * cols / 1.35)  # a face is longer than it is thick
    thickness = float(np.clip(fill / length * rows, 190, most))
    frame = _frame(rng, thickness, rows, cols, outside)
    reach = 0.75 * np.hypot(rows, cols)
    start, count = -reach, int(2 * reach) + 1
    anterior, posterior = edges(rng, count, thickness)
    limits = [-np.inf, np.inf]
    if open_ends == 2:
        middle = rng.uniform(-0.5, 0.5) * (0.94 - length) * cols
        limits = [middle - length * cols / 2, middle + length * cols / 2]
    elif open_ends == 1:
        side = int(rng.integers(2))
        limits[side] = (length - 0.5) * cols * (1 if side else -1)
    end_lines = (_end(rng, thickness), _end(rng, thickness))
    residual, border = SCISSOR, np.zeros(count)
    inner = family
    if family == "scissor_stretch":
        inner = str(rng.choice(["laser_over_torn", "laser_over_scissor", "through_cut"],
                               p=[0.5, 0.25, 0.25]))  # fmt: skip
    if inner in ("laser_over_torn", "whole_torn"):
        residual = TORN
    if inner.startswith("laser"):
        border = border_line(rng, count, thickness)
    elif inner == "through_cut":
        residual, border = LASER, np.ones(count)
    parts = {"frame": frame, "family": family, "start": start, "anterior": anterior,
             "posterior": posterior, "border": border, "residual": residual,
             "ends": tuple(limits), "end_lines": end_lines}  # fmt: skip
    slant = np.linspace(-0.5, 0.5, 200) * thickness * np.tan(np.deg2rad(rng.uniform(-1, 1)))
    wobble = slant + wander(rng, 200, rng.uniform(8, 50)) * rng.uniform(0.3, 1.5)
    layout = Layout(**parts, stretches=(-np.inf, np.inf), stretch_line=wobble)
    if family != "scissor_stretch":
        return layout
    return Layout(**parts, stretches=_stretches(rng, layout), stretch_line=wobble)


def _stretches(rng, layout):
    """Return where the scissors' stretches end: at the first, the last or both ends."""
    s = layout.whole()
    if not len(s):
        s = np.array([-0.4, 0.4]) * layout.frame.cols
    first, last = rng.choice([(1, 0), (0, 1), (1, 1)])
    span, most = s[-1] - s[0], 0.27 if first and last else 0.4
    return (s[0] + span * rng.uniform(0.12, most) if first else -np.inf,
            s[-1] - span * rng.uniform(0.12, most) if last else np.inf)  # fmt: skip
