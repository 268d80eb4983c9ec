"""Looks of scissor-cut ground as height fields.

A blade is rigid: what its edge carries (nicks, burrs, polish) it draws through the material as
one profile, so all lines of a bite keep their spacing and their order, run along common paths,
gain and lose depth together with the force, and end together where the bite ends. Everything
here is therefore a fixed profile read at a common coordinate across the blade's path; what
breaks the lines up afterwards (pits, crumbs, smear) sits on top and does not bend them.
"""

from typing import NamedTuple

import numpy as np

from edgeqc.training.bench_fields import (
    OVERSAMPLING,
    Field,
    Ground,
    Look,
    Relief,
    Rng,
    blurred,
    domes,
    fractal,
    grid,
    ramp,
    read_profile,
    smooth_noise,
    turned,
)


class Path(NamedTuple):
    """Of every px: how far along the blade's way it lies, how far across; and the mean angle."""

    along: Field
    across: Field
    angle_deg: float


def _angle(rng: Rng) -> float:
    """Degrees from the face's length: across, slanted or along it, any way round."""
    return float(rng.choice([90 + rng.normal(0, 14), rng.uniform(0, 180), rng.normal(0, 12)]))


def _straight(rng: Rng, ground: Ground, angle_deg: float | None = None) -> Path:
    """Return a blade that moved straight, or nearly: one common bend for all lines."""
    angle_deg = _angle(rng) if angle_deg is None else angle_deg
    down, right = grid(ground.rows, ground.cols)
    angle = np.deg2rad(angle_deg)
    along = right * np.cos(angle) + down * np.sin(angle)
    across = down * np.cos(angle) - right * np.sin(angle)
    size = np.hypot(ground.rows, ground.cols)
    bend = rng.normal(0, 0.05) / size
    return Path(along, (across + bend * along * along).astype(np.float32), angle_deg)


def _arc(rng: Rng, ground: Ground) -> Path:
    """Return a blade that swung about its pivot: lines are arcs about one far or near centre."""
    down, right = grid(ground.rows, ground.cols)
    size = np.hypot(ground.rows, ground.cols)
    radius, angle = size * rng.uniform(0.55, 2.5), rng.uniform(0, 2 * np.pi)
    down, right = down - radius * np.sin(angle), right - radius * np.cos(angle)
    across = np.sqrt(down * down + right * right) - np.float32(radius)
    along = right * np.sin(angle) - down * np.cos(angle) + 0 * across
    return Path(along.astype(np.float32), across.astype(np.float32), np.rad2deg(angle) + 90)


def _fan(rng: Rng, ground: Ground) -> Path:
    """Lines that spread from a common point outside the zone, as where a blade rolls over."""
    down, right = grid(ground.rows, ground.cols)
    size = np.hypot(ground.rows, ground.cols)
    radius, angle = size * rng.uniform(0.6, 1.6), rng.uniform(0, 2 * np.pi)
    cos, sin = np.cos(angle), np.sin(angle)
    near = radius + right * cos + down * sin  # positive: the point lies outside
    side = down * cos - right * sin
    across = radius * side / np.maximum(near, 0.1 * size)
    return Path((near - radius).astype(np.float32), across.astype(np.float32), np.rad2deg(angle))


def _blade(rng: Rng, size: float, spacing: float, inequality: float) -> Field:
    """Return a blade's profile: nicks ``spacing`` px apart, depths spread by ``inequality``."""
    length = int(4 * size + 8 * spacing) * OVERSAMPLING
    profile = np.zeros(length)
    for share in (1.0, 2.5):  # broad lines, and finer ones between them
        count = max(int(length / OVERSAMPLING / spacing * share), 2)
        nicks = np.zeros(length)
        depths = rng.lognormal(0, inequality, count) * rng.choice([-1, 1], count, p=[0.7, 0.3])
        np.add.at(nicks, rng.integers(0, length, count), depths)
        sigma = max(rng.uniform(0.12, 0.35) * spacing / share, 0.6) * OVERSAMPLING
        reach = np.arange(-int(3 * sigma), int(3 * sigma) + 1)
        profile += np.convolve(nicks, np.exp(-0.5 * (reach / sigma) ** 2), "same") / share
    return np.asarray((profile - profile.mean()) / (profile.std() or 1.0), np.float32)


def _force(rng: Rng, path: Path) -> Field:
    """How hard the blade pressed along its way: one value for all lines at once."""
    reach = 4 * max(path.along.shape)
    knots = rng.normal(0, rng.uniform(0, 0.3), int(reach / rng.uniform(40, 300)) + 3)
    place = np.linspace(0, len(knots) - 1, reach * OVERSAMPLING)
    force = np.interp(place, np.arange(len(knots)), knots)
    return read_profile(np.exp(force).astype(np.float32), path.along)


def _lines(rng: Rng, path: Path, spacing: float, inequality: float) -> Field:
    """Return the blade's lines along a path, about unit height."""
    size = max(path.across.shape) + 2 * spacing
    return _force(rng, path) * read_profile(_blade(rng, size, spacing, inequality), path.across)


def _material(rng: Rng, ground: Ground, low: float, high: float) -> Field:
    """Return what the blade leaves of the material itself: grain and gentle waves."""
    rows, cols = ground.rows, ground.cols
    grain = rng.uniform(low, high) * fractal(rng, rows, cols, rng.uniform(2, 7), 0.7)
    return grain + rng.uniform(0, 1.5) * smooth_noise(rng, rows, cols, rng.uniform(60, 200))


def _any_path(rng: Rng, ground: Ground) -> Path:
    """Return a straight way, an arc or a fan."""
    return (_straight, _straight, _arc, _fan)[rng.integers(4)](rng, ground)


def drag_lines(rng: Rng, ground: Ground) -> Relief:
    """Straight lines from edge to edge."""
    lines = _lines(rng, _straight(rng, ground), rng.uniform(5, 22), rng.uniform(0.3, 0.9))
    return Relief(lines + _material(rng, ground, 0.02, 0.25))


def arcs(rng: Rng, ground: Ground) -> Relief:
    """Lines on common arcs."""
    lines = _lines(rng, _arc(rng, ground), rng.uniform(4, 22), rng.uniform(0.3, 1.0))
    return Relief(lines + _material(rng, ground, 0.02, 0.25))


def fan(rng: Rng, ground: Ground) -> Relief:
    """Lines that spread from one point."""
    lines = _lines(rng, _fan(rng, ground), rng.uniform(4, 16), rng.uniform(0.3, 1.0))
    return Relief(lines + _material(rng, ground, 0.02, 0.25))


def _chatter(rng: Rng, path: Path) -> Field:
    """Return marks of a blade that stuck and slipped: steps square to its way, at a steady beat."""
    beat = rng.uniform(9, 60)
    reach = 4 * max(path.along.shape)
    count = int(reach / beat) + 2
    gaps = beat * rng.normal(1, rng.uniform(0.02, 0.2), count).clip(0.3)
    place = np.arange(reach * OVERSAMPLING) / OVERSAMPLING
    phase = np.interp(place, np.cumsum(gaps), np.arange(count)) % 1.0
    steep = rng.uniform(0.55, 0.92)  # slow stick, quick slip
    wave = np.minimum(phase / steep, (1 - phase) / (1 - steep)).astype(np.float32)
    bow = rng.normal(0, 0.3) / max(path.along.shape)
    along = path.along + bow * path.across * path.across
    wave = np.convolve(wave, np.ones(12) / 12, "same").astype(np.float32)
    marks = read_profile(wave, (along + rng.normal(0, 0.08) * path.across).astype(np.float32))
    # The edge does not bear evenly along its length, nor does it chatter all the time.
    bearing = _blade(rng, max(path.across.shape), rng.uniform(30, 120), 0.3)
    strong = ramp(0.5 * bearing, -1.5, 0.5) if rng.random() < 0.7 else np.ones_like(bearing)
    return np.asarray(marks * _force(rng, path) * read_profile(strong, path.across), np.float32)


def chatter(rng: Rng, ground: Ground) -> Relief:
    """Chatter marks crossed by the blade's drag lines."""
    path = _any_path(rng, ground)
    lines = _lines(rng, path, rng.uniform(4, 18), rng.uniform(0.3, 0.9))
    marks = rng.uniform(1.5, 5) * _chatter(rng, path)
    return Relief(lines + marks + _material(rng, ground, 0.02, 0.25))


def burnished(rng: Rng, ground: Ground) -> Relief:
    """Ground pressed and smeared: tongues drawn out along the way, faint lines, much smooth."""
    path = _straight(rng, ground)
    scale = rng.uniform(8, 25)

    def tongues(rows: int, cols: int) -> Field:
        field = smooth_noise(rng, rows, cols, scale, scale * rng.uniform(4, 14))
        return np.asarray(ramp(field, -0.3, 1.5) + 0.4 * np.tanh(2 * field), np.float32)

    smear = blurred(turned(ground, path.angle_deg, tongues), rng.uniform(0.6, 2))
    lines = rng.uniform(0.1, 0.5) * _lines(rng, path, rng.uniform(4, 14), 0.6)
    height = rng.uniform(0.4, 2) * smear + lines + _material(rng, ground, 0.01, 0.08)
    return Relief(height, rng.uniform(0.25, 0.8))


def two_bites(rng: Rng, ground: Ground) -> Relief:
    """Two bites that meet in a step; each has lines of its own, which all end at the step."""
    first = _any_path(rng, ground)
    turn = rng.choice([-1, 1]) * rng.uniform(8, 50)
    second = _straight(rng, ground, first.angle_deg + turn)
    spacing = rng.uniform(4, 18)
    inequality = rng.uniform(0.3, 0.9)
    one = _lines(rng, first, spacing, inequality)
    two = _lines(rng, second, spacing * rng.uniform(0.7, 1.4), inequality)
    edge = _straight(rng, ground).across + rng.normal(0, 0.12) * ground.cols
    edge = edge + rng.uniform(0, 6) * smooth_noise(rng, ground.rows, ground.cols, 60)
    side = ramp(edge, -rng.uniform(0.5, 6), 1)
    lip = rng.uniform(0, 6) * np.exp(-np.abs(edge) / rng.uniform(2, 7))
    height = one * (1 - side) + two * side + rng.uniform(-8, 8) * side + lip
    return Relief(np.asarray(height + _material(rng, ground, 0.02, 0.2), np.float32))


def unequal_lines(rng: Rng, ground: Ground) -> Relief:
    """Return a sharp blade with a few nicks: smooth ground, few lines, some deep and some faint."""
    lines = _lines(rng, _any_path(rng, ground), rng.uniform(25, 90), rng.uniform(0.9, 1.6))
    return Relief(lines + _material(rng, ground, 0.02, 0.12), rng.uniform(0.2, 0.8))


def fine_lines(rng: Rng, ground: Ground) -> Relief:
    """Dense fine lines, hardly resolved."""
    lines = _lines(rng, _any_path(rng, ground), rng.uniform(2.2, 5), rng.uniform(0.1, 0.6))
    return Relief(lines + _material(rng, ground, 0.05, 0.5), rng.uniform(0.4, 1))


def pulled_out(rng: Rng, ground: Ground) -> Relief:
    """Lines broken up by pits where the blade pulled material out; beyond a pit they go on."""
    path = _any_path(rng, ground)
    lines = _lines(rng, path, rng.uniform(4, 16), rng.uniform(0.3, 0.9))
    scale = rng.uniform(3, 12)

    def holes(rows: int, cols: int) -> Field:
        where = smooth_noise(rng, rows, cols, scale, scale * rng.uniform(1, 3.5))
        return where + 0.4 * fractal(rng, rows, cols, scale, 0.6)

    level = rng.uniform(0.9, 1.7)
    pits = ramp(turned(ground, path.angle_deg, holes), level, level + rng.uniform(0.4, 1.2))
    floor = -rng.uniform(2, 4) + 0.5 * fractal(rng, ground.rows, ground.cols, 4, 0.8)
    return Relief(lines * (1 - pits) + floor * pits + _material(rng, ground, 0.02, 0.3))


def blade_turned(rng: Rng, ground: Ground) -> Relief:
    """Return a blade turned in mid-way: every line takes the same bend, and goes on."""
    angle, turn = _angle(rng), rng.choice([-1, 1]) * rng.uniform(12, 45)
    before = _straight(rng, ground, angle)
    soft = rng.uniform(4, 60)
    place = before.along - rng.normal(0, 0.12) * ground.cols
    # Past the bend the offset grows with the way gone: the same for all lines, so none cross.
    gone = soft * np.logaddexp(0, np.clip(place / soft, -30, 30)).astype(np.float32)
    path = before._replace(across=before.across + np.float32(np.tan(np.deg2rad(turn))) * gone)
    lines = _lines(rng, path, rng.uniform(4, 18), rng.uniform(0.3, 1.0))
    return Relief((lines + _material(rng, ground, 0.02, 0.25)).astype(np.float32))


def crumbed_lines(rng: Rng, ground: Ground) -> Relief:
    """Worn lines under crumbs of swarf that lie about without order."""
    lines = _lines(rng, _any_path(rng, ground), rng.uniform(4, 20), rng.uniform(0.3, 0.9))
    where = ramp(smooth_noise(rng, ground.rows, ground.cols, 40), 0, 1.5)
    crumbs = blurred(domes(rng, ground.rows, ground.cols, rng.uniform(7, 18), 0.6) * where, 0.8)
    return Relief(lines + rng.uniform(0.2, 0.8) * crumbs + _material(rng, ground, 0.1, 0.5))


def crossed_lines(rng: Rng, ground: Ground) -> Relief:
    """Ground gone over twice: a second, fainter set of lines at an angle to the first."""
    first = _any_path(rng, ground)
    turn = rng.choice([-1, 1]) * rng.uniform(4, 40)
    lines = _lines(rng, first, rng.uniform(4, 18), rng.uniform(0.3, 0.9))
    over = _lines(rng, _straight(rng, ground, first.angle_deg + turn), rng.uniform(5, 30), 0.9)
    return Relief(lines + rng.uniform(0.2, 0.7) * over + _material(rng, ground, 0.02, 0.25))


def skipping(rng: Rng, ground: Ground) -> Relief:
    """Return a blade's cut where it lost touch: patches of lines that begin and end together."""
    path = _any_path(rng, ground)
    lines = _lines(rng, path, rng.uniform(3, 16), rng.uniform(0.3, 0.9))
    size = max(path.along.shape)
    bow = rng.normal(0, 0.4) / size * path.across * path.across
    force = _blade(rng, 1.5 * size, rng.uniform(50, 220), 0.4)
    contact = read_profile(force, (path.along + bow).astype(np.float32))
    contact = contact + rng.uniform(0.1, 0.5) * smooth_noise(rng, ground.rows, ground.cols, 60)
    level = rng.uniform(-0.8, 0.4)
    touch = ramp(contact, level, level + rng.uniform(0.3, 1.5))
    # Smooth between: rough ground without a line would be nobody's, least of all a blade's.
    sheared = rng.uniform(0.01, 0.08) * fractal(rng, ground.rows, ground.cols, 6, 0.7)
    height = lines * touch + sheared * (1 - touch) - rng.uniform(0, 1.2) * touch
    return Relief(height + _material(rng, ground, 0.01, 0.12))


def ploughed(rng: Rng, ground: Ground) -> Relief:
    """Furrows whose burrs are rolled up unevenly: the furrow is rigid, its burr is not."""
    path = _any_path(rng, ground)
    lines = _lines(rng, path, rng.uniform(6, 24), rng.uniform(0.4, 1.0))
    burr = ramp(lines, 0.4, 1.4) * ramp(fractal(rng, ground.rows, ground.cols, 9, 0.7), -0.6, 1)
    return Relief(lines + rng.uniform(0.4, 1.6) * burr + _material(rng, ground, 0.05, 0.4))


def rough_cut(rng: Rng, ground: Ground) -> Relief:
    """Lines of a blunt blade in ground nearly as rough as a tear: still on common paths."""
    lines = _lines(rng, _any_path(rng, ground), rng.uniform(5, 24), rng.uniform(0.3, 0.9))
    rows, cols = ground.rows, ground.cols
    rough = rng.uniform(0.25, 0.6) * fractal(rng, rows, cols, rng.uniform(6, 25), 0.65)
    return Relief(lines + rough + _material(rng, ground, 0.0, 0.1))


SCISSOR_LOOKS: tuple[Look, ...] = (
    drag_lines,
    arcs,
    fan,
    chatter,
    burnished,
    two_bites,
    unequal_lines,
    fine_lines,
    pulled_out,
    blade_turned,
    crumbed_lines,
    crossed_lines,
    skipping,
    ploughed,
    rough_cut,
)
