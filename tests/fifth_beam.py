"""The electron picture of the fifth maker: yield, shadow, edges, charging, focus and noise."""

from __future__ import annotations

import cv2
import numpy as np
from fifth_grain import grid_noise, soft, uniform_log

STYLES = {  # weights: side light, slope yield, edges, shadow, hollows, tone
    "side": (0.42, 0.30, 0.25, 0.50, 0.30, 0.8),
    "in_lens": (0.07, 0.50, 0.85, 0.00, 0.45, 0.9),
    "backscatter": (0.33, 0.04, 0.05, 0.22, 0.22, 1.7),
    "mixed": (0.32, 0.24, 0.35, 0.20, 0.32, 1.1),
    "low_vacuum": (0.22, 0.10, 0.04, 0.15, 0.42, 1.1),
}


def moved(z, dx, dy):
    return cv2.warpAffine(
        z, np.float32([[1, 0, -dx], [0, 1, -dy]]), z.shape[::-1], flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip


def _horizon(z, angle, steps):
    """Return the steepest rise met on the way towards a direction."""
    best = np.zeros_like(z)
    for far in steps:
        rise = (moved(z, far * np.cos(angle), far * np.sin(angle)) - z) / np.float32(far)
        np.maximum(best, rise, out=best)
    return best


def light(rng, z, tone, style):
    """Return the mean electron signal of a height field (heights in pixels)."""
    jitter = np.exp(rng.normal(0, 0.22, 6))
    weights = np.array(STYLES[style])
    if rng.random() < 0.35:  # two detectors mixed
        other = np.array(STYLES[str(rng.choice(list(STYLES)))])
        weights += rng.uniform(0.1, 0.4) * (other - weights)
    side, slope, edges, shade, hollow, matter = weights * jitter
    gain = uniform_log(rng, 0.7, 1.7)
    gx, gy = cv2.Scharr(z, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(z, cv2.CV_32F, 0, 1) / 32
    towards = rng.uniform(0, 2 * np.pi)
    lean = (-gx * np.cos(towards) - gy * np.sin(towards)) * gain
    steep = (gx**2 + gy**2) * gain**2
    signal = np.float32(0.5) + side * np.tanh(1.1 * lean) * 0.75
    signal += slope * 0.55 * (1 - 1 / np.sqrt(1 + steep))
    ridge = z - soft(z, rng.uniform(1.2, 3.0))
    signal += edges * 0.45 * np.tanh(np.clip(ridge * gain, 0, None))
    if shade > 0.02:
        dark = _horizon(z, towards, (2, 4, 7, 12, 20, 34, 56))
        signal *= 1 - np.clip(shade, 0, 0.75) * (1 - np.exp(-((dark * gain) ** 2) * 1.4))
    sky = sum(
        np.arctan(_horizon(z, a, (3, 9, 24))) for a in np.arange(4) * np.pi / 2 + towards + 0.4
    )
    signal *= 1 - np.clip(hollow, 0, 0.8) * np.tanh(sky / 4 * gain)
    return np.maximum(signal * (1 + matter * tone), 0.0).astype(np.float32)


def focus(rng, signal, strength):
    """Blur away from a line of best focus."""
    base = rng.uniform(0.35, 0.9)
    sharp = soft(signal, base)
    if strength <= 0:
        return sharp
    rows, cols = signal.shape
    a = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    off = ((x / cols - 0.5) * np.cos(a) + (y / rows - 0.5) * np.sin(a)) + rng.uniform(-0.3, 0.3)
    amount = np.clip(np.abs(off) * 2, 0, 1) * strength
    levels = [sharp, soft(signal, 1.3), soft(signal, 2.4)]
    pick = np.clip((amount - base) / 0.9, 0, 2)
    low = np.minimum(pick.astype(int), 1)
    part = pick - low
    first = np.where(low == 0, levels[0], levels[1])
    return first * (1 - part) + np.where(low == 0, levels[1], levels[2]) * part


def charge(rng, signal, strength):
    """Bright bloom and streaks along the scan behind bright places."""
    bright = np.clip(signal - np.quantile(signal[::8, ::8], 0.9), 0, None)
    n = int(rng.uniform(60, 300))
    tail = np.exp(-np.arange(n) / (n / 3)).astype(np.float32)
    kernel = np.concatenate([np.zeros(n, np.float32), tail])[None, ::-1] / tail.sum()
    streak = cv2.filter2D(bright, -1, np.ascontiguousarray(kernel))
    wander = grid_noise(rng, (signal.shape[0], 4), rng.uniform(2, 30))[:, 1:2]
    pool = np.clip(grid_noise(rng, signal.shape, rng.uniform(120, 400)), -1, 2)
    return signal + strength * (-1.4 * streak + 0.05 * wander + 0.10 * pool)


def detect(rng, signal, dose, *, clip=0.0):
    """Count electrons, add the scan's own noise and set brightness and contrast."""
    rows, cols = signal.shape
    if rng.random() < 0.5:
        a = rng.uniform(0, 2 * np.pi)
        y, x = np.mgrid[-0.5 : 0.5 : rows * 1j, -0.5 : 0.5 : cols * 1j].astype(np.float32)
        signal = signal * (1 + rng.uniform(0.05, 0.3) * (x * np.cos(a) + y * np.sin(a)))
    scale = max(float(signal[::6, ::6].mean()), 1e-3)
    counts = np.clip(signal / scale, 0, None) * dose
    counts = counts + np.sqrt(counts + 0.4) * rng.standard_normal(signal.shape, np.float32)
    out = counts / dose
    line = rng.choice([0.0, rng.uniform(0.002, 0.012)])
    out += line * rng.standard_normal((rows, 1), np.float32)
    if rng.random() < 0.3:
        out = cv2.GaussianBlur(out, (3, 1), rng.uniform(0.35, 0.7))
    low, high = np.quantile(soft(out, 0.8)[::4, ::4], [0.004, 0.996])
    black, white = rng.uniform(2, 38), rng.uniform(205, 252)
    if clip:
        middle, reach = (low + high) / 2 + rng.choice([-1, 1]) * 0.15 * (high - low), high - low
        low, high = middle - clip * reach, middle + clip * reach
        black, white = 0, 255
    part = (out - low) / max(high - low, 1e-4)
    part = np.clip(part, 0, 1.05) ** uniform_log(rng, 0.75, 1.35)
    return np.clip(np.rint(black + (white - black) * part), 0, 255).astype(np.uint8)
