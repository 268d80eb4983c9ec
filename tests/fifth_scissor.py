"""Marks of a tool that moves through the lens: eight looks of the fifth maker."""

from __future__ import annotations

import numpy as np
from fifth_grain import (
    Relief,
    grid_noise,
    octaves,
    oriented,
    plane,
    profile,
    read_profile,
    soft,
    uniform_log,
)


def _stroke(rng, shape, bent=None):
    """Return the coordinates along and across the stroke, straight or about one centre."""
    lean = rng.choice([90, 90, 60, -60, 35, -35, 8, -8, 0]) + rng.normal(0, 7)
    along, across = plane(shape, np.deg2rad(lean))
    if bent if bent is not None else rng.random() < 0.4:
        radius = rng.choice([-1, 1]) * rng.uniform(0.6, 3) * max(shape)
        shifted = across + radius
        far = np.hypot(shifted, along)
        along = radius * np.arctan2(along, shifted * np.sign(radius)) * np.sign(radius)
        across = (far - abs(radius)) * np.sign(radius)
    return along, across


def _long(shape):
    return 3 * int(np.hypot(*shape))


def _streaks(rng, shape, across, along, finest):
    """Return fine lines that run on, stronger and weaker along their way."""
    n = _long(shape)
    lines = read_profile(profile(rng, n, finest, rng.uniform(1, 1.8)), across)
    lines += 0.7 * read_profile(profile(rng, n, 3.1 * finest, 1.3), across)
    swell = read_profile(profile(rng, n, rng.uniform(120, 500)), along)
    return lines * (1 + 0.25 * np.clip(swell, -2, 2))


def drag_lines(rng, shape, room):
    """Fine and coarse lines of one direction."""
    along, across = _stroke(rng, shape, bent=False)
    fine = uniform_log(rng, 2.4, min(10, room / 6))
    z = fine * rng.uniform(0.18, 0.36) * _streaks(rng, shape, across, along, fine)
    coarse = read_profile(profile(rng, _long(shape), 7 * fine), across)
    return Relief(soft(z + fine * rng.uniform(0.3, 0.9) * coarse, 0.5), 0.04 * coarse)


def arc_sweep(rng, shape, room):
    """Lines about one centre, as of blades that turn on their pin."""
    along, across = _stroke(rng, shape, bent=True)
    fine = uniform_log(rng, 2.2, min(12, room / 6))
    z = fine * rng.uniform(0.18, 0.36) * _streaks(rng, shape, across, along, fine)
    band = read_profile(profile(rng, _long(shape), 9 * fine, 1.4), across)
    return Relief(soft(z + fine * rng.uniform(0, 0.7) * band, 0.5), 0.06 * band)


def chatter(rng, shape, room):
    """Waves across the stroke, where the tool stuck and slipped, on fine lines along it."""
    along, across = _stroke(rng, shape)
    wave = uniform_log(rng, 12, min(60, room / 2.5))
    n = _long(shape)
    slip = np.cumsum(np.exp(rng.normal(0, 0.16, int(3 * n / wave)))) * wave
    bow = read_profile(profile(rng, n, 9 * wave), across) * 0.25 * wave
    where = along + bow + n / 2
    k = np.clip(np.searchsorted(slip, where.ravel()).reshape(shape), 1, len(slip) - 1)
    part = (where - slip[k - 1]) / (slip[k] - slip[k - 1])
    knee = rng.uniform(0.12, 0.35)
    saw = np.where(part < knee, part / knee, (1 - part) / (1 - knee)).astype(np.float32)
    hard = np.exp(rng.normal(0, 0.2, len(slip))).astype(np.float32)[k]
    fine = uniform_log(rng, 2, 6)
    z = wave * rng.uniform(0.12, 0.28) * saw * hard
    z += fine * rng.uniform(0.1, 0.22) * _streaks(rng, shape, across, along, fine)
    return Relief(soft(z.astype(np.float32), 0.6))


def facets(rng, shape, room):
    """Bites of several strokes: flat facets, each with lines of its own lean."""
    along, across = plane(shape, np.deg2rad(rng.choice([0, 0, 90]) + rng.normal(0, 12)))
    n = _long(shape)
    width = rng.uniform(60, 230)
    ends = np.cumsum(width * np.exp(rng.normal(0, 0.35, int(3 * n / width)))) - n / 2
    k = np.searchsorted(ends, (along + rng.normal(0, 0.25) * across).ravel())
    k = np.minimum(k, len(ends) - 1).reshape(shape)
    tilt_a, tilt_c = rng.normal(0, 0.10, (2, len(ends))).astype(np.float32)
    lean = np.deg2rad(rng.normal(75, 7, len(ends))).astype(np.float32)
    start = ends.astype(np.float32)[k]
    local = (along - start) * np.sin(lean)[k] - across * np.cos(lean)[k]
    fine = uniform_log(rng, 2, 8)
    lines = _streaks(rng, shape, local, across, fine)
    z = (along - start) * tilt_a[k] + across * 0.35 * tilt_c[k]
    z += rng.normal(0, 5, len(ends)).astype(np.float32)[k]
    tone = rng.normal(0, 0.06, len(ends)).astype(np.float32)[k]
    return Relief(soft(z + fine * rng.uniform(0.12, 0.3) * lines, 0.6), tone)


def smear(rng, shape, room):
    """Tongues of smeared material drawn out the way the tool went."""
    along, across = _stroke(rng, shape)
    n = _long(shape)
    reach = uniform_log(rng, 28, min(120, room))
    tongue = np.zeros(shape, np.float32)
    for step in (reach * 0.8, reach * 0.25, reach * 0.08):
        tongue += step * read_profile(profile(rng, n, max(2, step / 2), 1.2), across)
    where = along / reach + 0.5 * tongue / reach
    k = np.floor(where).astype(np.int32)
    k -= k.min()
    part = where - np.floor(where)
    lift = np.exp(rng.normal(0, 0.35, k.max() + 1)).astype(np.float32)[k]
    fine = uniform_log(rng, 2.2, 7)
    z = reach * rng.uniform(0.08, 0.18) * part**2 * lift
    z += fine * rng.uniform(0.08, 0.22) * _streaks(rng, shape, across, along, fine)
    return Relief(soft(z, 0.8), 0.05 * part)


def nicks(rng, shape, room):
    """A near mirror with the tracks of a few nicks in the edge."""
    along, across = _stroke(rng, shape)
    n = _long(shape)
    line = np.zeros(n, np.float32)
    x = np.arange(n)
    gap = uniform_log(rng, 14, min(60, room / 1.6))
    for at in np.cumsum(rng.exponential(gap, int(2 * n / gap)) + 3):
        if at < n:
            w = uniform_log(rng, 1.3, 6)
            d = (x - at) / w
            line += w * rng.uniform(0.45, 1.0) * (d**2 - 0.6) * np.exp(-(d**2))
    z = read_profile(line, across)
    fine = uniform_log(rng, 2, 5)
    z += fine * rng.uniform(0.08, 0.16) * _streaks(rng, shape, across, along, fine)
    return Relief(soft(z + 2 * grid_noise(rng, shape, 140), 0.5))


def lands(rng, shape, room):
    """Broad flat lands and furrows side by side, with lines along them."""
    along, across = _stroke(rng, shape)
    n = _long(shape)
    width = uniform_log(rng, 12, min(55, room / 3))
    cuts = np.cumsum(width * rng.uniform(0.35, 1.9, int(3 * n / width))) - n / 2
    level = rng.choice([-1.0, 0.0, 1.0], len(cuts)) * rng.uniform(0.6, 1.3, len(cuts))
    table = level[np.minimum(np.searchsorted(cuts, np.arange(n) - n / 2), len(cuts) - 1)]
    table = soft(table.astype(np.float32)[None, :], 1 + 0.05 * width)[0]
    fine = uniform_log(rng, 2, 6)
    z = width * rng.uniform(0.1, 0.25) * read_profile(table, across)
    z += fine * rng.uniform(0.1, 0.25) * _streaks(rng, shape, across, along, fine)
    return Relief(soft(z, 0.5), 0.06 * read_profile(table, across))


def shear_ledges(rng, shape, room):
    """Long ledges sheared off in steps, thinning out along the stroke."""
    lean = np.deg2rad(rng.choice([0, 0, 90, 30, -30]) + rng.normal(0, 8))
    ledge = uniform_log(rng, 6, min(36, room / 4))

    def draw(size):
        slow = grid_noise(rng, size, 2.2 * ledge, rng.uniform(14, 30))
        slow += 0.35 * grid_noise(rng, size, 0.8 * ledge, 30)
        tall = 2.2 * slow
        part = tall - np.floor(tall)
        step = np.floor(tall) + np.clip((part - 0.85) / 0.15, 0, 1)
        return (step * ledge * 0.35).astype(np.float32)

    z = oriented(draw, shape, lean)
    along, across = plane(shape, lean)
    fine = uniform_log(rng, 2, 5)
    z = z + fine * rng.uniform(0.1, 0.25) * _streaks(rng, shape, across, along, fine)
    return Relief(soft(z, 0.7) + 0.4 * octaves(rng, shape, 60, 2))


SCISSOR = {
    "drag_lines": drag_lines,
    "arc_sweep": arc_sweep,
    "chatter": chatter,
    "facets": facets,
    "smear": smear,
    "nicks": nicks,
    "lands": lands,
    "shear_ledges": shear_ledges,
}
