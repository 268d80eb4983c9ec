"""The electron picture of the sixth maker: from heights and yields to grey values."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from sixth_field import F, curve, noise, pick, slopes, smooth

FAULTS = ("blur", "low dose", "charging", "clipping", "off frame")


@dataclass(frozen=True)
class Beam:
    """Settings of one picture."""

    towards: float  # direction of the detector in the picture
    side: float  # how much it favours slopes that face it
    power: float  # rise of the yield with the slope
    edge: float
    reach: float  # how far electrons come through an edge, in pixels
    shade: float
    low_sun: float  # height of the detector above the plane, as a slope
    spot: float
    dose: float
    focus: float
    charge: float
    streak: float
    line: float
    gamma: float


def settings(rng, fault=""):
    """Return random settings, spoilt in one way where a fault is named."""
    return Beam(
        towards=rng.uniform(0, 2 * np.pi),
        side=rng.uniform(0.15, 0.75),
        power=rng.uniform(0.5, 1.2),
        edge=rng.uniform(0.03, 0.28),
        reach=pick(rng, 1.2, 5),
        shade=rng.uniform(0.1, 0.6),
        low_sun=rng.uniform(0.35, 1.1),
        spot=pick(rng, 5.5, 9) if fault == "blur" else pick(rng, 0.35, 1.1),
        dose=pick(rng, 2.2, 5) if fault == "low dose" else pick(rng, 55, 900),
        focus=rng.choice([0.0, rng.uniform(0, 1.1)]),
        charge=rng.uniform(0.9, 1.6) if fault == "charging" else rng.choice([0, 0, 0.12]),
        streak=rng.uniform(0.6, 1.2) if fault == "charging" else rng.choice([0, 0, 0.08]),
        line=rng.uniform(0.03, 0.06) if fault == "charging" else pick(rng, 0.001, 0.012),
        gamma=pick(rng, 0.75, 1.25),
    )


def _moved(field, dx, dy):
    turn = F([[1, 0, dx], [0, 1, dy]])
    return cv2.warpAffine(
        field, turn, field.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip


def _shadow(height, beam):
    """March towards the detector; return how much of each place the relief hides from it."""
    cos, sin = np.cos(beam.towards), np.sin(beam.towards)
    horizon = np.full(height.shape, -1.0, F)
    for step in (2, 4, 7, 12, 20, 34, 58):
        horizon = np.maximum(horizon, (_moved(height, step * cos, step * sin) - height) / F(step))
    return np.clip((horizon - F(beam.low_sun) + F(0.35)) / F(0.7), 0, 1)


def emitted(height, tint, beam):
    """Return the signal that reaches the detector."""
    gx, gy = slopes(height)
    steepness = gx * gx + gy * gy
    lean = np.sqrt(1 + steepness)
    soft = np.minimum(lean, 3.5)
    facing = -(gx * F(np.cos(beam.towards)) + gy * F(np.sin(beam.towards))) / lean
    signal = soft ** F(beam.power) * (1 + F(beam.side) * facing)
    out = height - smooth(height, beam.reach)
    signal += F(beam.edge) * np.clip(out / F(0.25 * beam.reach), -1.2, 3)
    wide = height - smooth(height, 9)
    signal *= 1 - F(beam.shade) * 0.7 * np.clip(-wide / 9, -0.15, 0.7)
    return np.maximum(signal * (1 - F(beam.shade) * _shadow(height, beam)), 0.02) * tint


def _defocus(signal, rng, strength):
    """Blur more with the distance from a line across the picture that is in focus."""
    rows, cols = signal.shape
    turn = rng.uniform(0, 2 * np.pi)
    x = np.linspace(-1, 1, cols, dtype=F)[None, :] * F(np.cos(turn))
    y = np.linspace(-1, 1, rows, dtype=F)[:, None] * F(np.sin(turn))
    off = np.clip(np.abs(x + y - F(rng.uniform(-0.5, 0.5))) - 0.2, 0, 1) * F(strength)
    return signal + np.clip(off, 0, 1) * (smooth(signal, 1.2) - signal)


def _charging(signal, rng, beam):
    rows, cols = signal.shape
    glow = smooth(signal, 40) + F(0.25) * noise(rng, signal.shape, 220)
    bands = curve(rng, rows, 40)[:, None] * F(0.12)
    signal = signal + F(beam.charge) * (np.clip(glow - glow.mean(), -0.1, None) + bands)
    bright = np.clip(signal - np.quantile(signal[::5, ::5], 0.9), 0, 2)
    tail = np.zeros((rows, cols), F)
    decay = F(np.exp(-1 / rng.uniform(30, 120)))
    state = np.zeros(rows, F)
    for column in range(cols):
        tail[:, column] = state
        state = state * decay + bright[:, column] * F(0.06)
    return signal - F(beam.streak) * np.clip(tail, 0, 1)


def _scanned(signal, rng, beam):
    """Return the signal with what the scan and the electrons' number do to it."""
    rows, cols = signal.shape
    if beam.charge or beam.streak:
        signal = _charging(signal, rng, beam)
    if rng.uniform() < 0.3:  # lines that tremble sideways
        tremble = rng.normal(0, rng.uniform(0.05, 0.35), rows).astype(F)
        x, y = np.meshgrid(np.arange(cols, dtype=F), np.arange(rows, dtype=F))
        signal = cv2.remap(signal, x + tremble[:, None], y, cv2.INTER_LINEAR, None, 1)
    slow = curve(rng, rows, rows / 2)[:, None] * F(rng.uniform(0, 0.03))
    level = F(rng.uniform(0, 0.08)) * np.linspace(-1, 1, cols, dtype=F)[None, :]
    return signal * (1 + slow + level * rng.choice([-1, 1]))


def picture(rng, height, tint, beam, mask, fault=""):
    """Return the picture of 8 bits; ``mask`` is the face, on which the levels are set."""
    signal = emitted(height, tint, beam)
    if beam.focus:
        signal = _defocus(signal, rng, beam.focus)
    signal = _scanned(smooth(signal, beam.spot), rng, beam)
    face = signal[mask][::17]
    low, high = np.quantile(face, 0.01), np.quantile(face, rng.uniform(0.9, 0.97))
    floor = min(float(np.quantile(signal[::9, ::9], 0.02)), float(low))
    floor += (low - floor) * rng.uniform(-0.3, 0.6)
    top = rng.uniform(0.72, 1.0)
    grey = (signal - F(floor)) / F(high - floor) * F(top)
    if fault == "clipping":
        grey = (grey - F(0.5)) * F(rng.uniform(2.2, 3.5)) + F(rng.choice([0.05, 0.95]))
    else:  # a soft shoulder above the knee
        over = np.maximum(grey - F(0.75), 0)
        grey = np.minimum(grey, 0.75) + over / (1 + over / F(0.35))
    grey = np.clip(grey, 0, 1.3) ** F(beam.gamma)
    grain = rng.standard_normal(grey.shape, dtype=F)
    grey = grey + grain * np.sqrt((grey + F(0.05)) / F(beam.dose))
    grey += (rng.standard_normal(grey.shape[0]).astype(F) * F(beam.line))[:, None]
    return np.clip(grey * 245 + rng.uniform(3, 10), 0, 255).astype(np.uint8)
