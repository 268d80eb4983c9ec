"""From relief to grey: secondary-electron yield, edges, shadow, charging, scan and noise."""

from dataclasses import dataclass

import cv2
import numpy as np
from seventh_noise import curve, smooth


@dataclass(frozen=True)
class Column:
    """How a microscope and its detector weigh what the relief offers."""

    tilt: float  # yield gained by tilt
    shade: float  # light and dark by the side turned to the detector
    edge: float  # glow of thin edges
    shadow: float  # loss where relief hides the detector
    spread: float  # px over which the beam's volume smears the relief
    grain: float  # noise at mid grey, as a share of it


COLUMNS = {"lateral": Column(0.55, 0.30, 0.30, 0.45, 0.8, 0.05),
           "in-lens": Column(0.75, 0.06, 0.45, 0.22, 0.5, 0.04),
           "topographic": Column(0.15, 0.62, 0.08, 0.65, 0.9, 0.05),
           "low-voltage": Column(0.45, 0.20, 0.22, 0.30, 0.5, 0.065),
           "low-vacuum": Column(0.40, 0.28, 0.18, 0.40, 1.3, 0.085)}


def cast_shadow(relief, toward):
    """How far relief between a point and the detector rises over its line of sight, 0 to 1.

    The detector draws electrons in from a wide angle, so far walls weigh little and soft.
    """
    small = (relief.shape[1] // 3, relief.shape[0] // 3)
    low = cv2.resize(relief, small, interpolation=cv2.INTER_AREA)
    horizon, main = np.zeros_like(low), np.arctan2(toward[1], toward[0])
    for lean in (-0.5, 0.0, 0.5):
        x, y = np.cos(main + lean), np.sin(main + lean)
        rise = np.zeros_like(low)
        for far in (1.5, 2.5, 4, 6, 9, 13, 18, 25, 34, 46, 62):
            move = np.float32([[1, 0, -far * x], [0, 1, -far * y]])
            seen = cv2.warpAffine(low, move, small, borderMode=cv2.BORDER_REPLICATE)
            np.maximum(rise, (seen - low) / (3 * far) * np.exp(-far / 20), out=rise)
        horizon += rise / 3
    shade = 1 - 1 / (1 + np.maximum(horizon - 0.08, 0) * 1.1)
    shade = cv2.GaussianBlur(shade, (0, 0), 1.5)
    return cv2.resize(shade, (relief.shape[1], relief.shape[0]), interpolation=cv2.INTER_CUBIC)


def shine(relief, tone, column, toward):
    """Signal by yield, before anything goes wrong with it."""
    relief = cv2.GaussianBlur(relief.astype(np.float32), (0, 0), column.spread)
    across = cv2.Sobel(relief, cv2.CV_32F, 1, 0, ksize=3) / 8
    down = cv2.Sobel(relief, cv2.CV_32F, 0, 1, ksize=3) / 8
    secant = np.sqrt(1 + across ** 2 + down ** 2)
    gain = np.tanh((secant - 1) / 1.1) * 1.1
    turned = -(across * toward[0] + down * toward[1]) / secant
    crest = relief - cv2.GaussianBlur(relief, (0, 0), 3.0)
    crest = np.tanh(crest / 3.0)
    hollow = relief - cv2.GaussianBlur(relief, (0, 0), 14.0)
    sunk = np.clip(-hollow / 20.0, 0, 1)
    signal = 1 + column.tilt * gain + column.shade * turned
    signal += column.edge * np.maximum(crest, 0) - 0.25 * np.maximum(-crest, 0)
    signal *= (1 - column.shadow * cast_shadow(relief, toward)) * (1 - 0.3 * sunk)
    return np.maximum(signal, 0.03) * tone


def charge(rng, signal, amount):
    """Glow over what stands out, dark tails along the scan, and a drift down the frame."""
    bright = np.maximum(signal - np.percentile(signal, 88), 0)
    glow = cv2.GaussianBlur(bright, (0, 0), 14)
    tail = cv2.blur(bright, (121, 1))
    tail = np.roll(tail, 60, axis=1)
    tail[:, :60] = 0
    rows = curve(rng, signal.shape[0], 25)[:, None].astype(np.float32)
    patch = smooth(rng, signal.shape, 130)
    signal = signal * (1 + amount * 0.16 * patch) + amount * (1.6 * glow - 0.8 * tail)
    return np.maximum(signal + amount * 0.06 * rows, 0)


def scan(rng, signal, grain, lines):
    """Shot noise, a jump from line to line, and the amplifier's lag along the line."""
    mid = float(np.median(signal))
    noise = rng.standard_normal(signal.shape, dtype=np.float32)
    noise = 0.85 * noise + 0.4 * np.roll(noise, 1, axis=1)
    out = signal + grain * np.sqrt(np.maximum(signal, 0.02) * mid) * noise
    return out + lines * mid * rng.standard_normal((signal.shape[0], 1)).astype(np.float32)


def defocus(rng, signal, size):
    """Blur, drawn out one way by astigmatism."""
    stretch, angle = rng.uniform(1.0, 1.8), rng.uniform(0, 180)
    reach = int(3 * size * stretch) | 1
    y, x = np.mgrid[-reach:reach + 1, -reach:reach + 1]
    cos, sin = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    along, across = x * cos + y * sin, y * cos - x * sin
    kernel = np.exp(-0.5 * ((along / (size * stretch)) ** 2 + (across / size) ** 2))
    return cv2.filter2D(signal, cv2.CV_32F, kernel / kernel.sum(), borderType=cv2.BORDER_REFLECT)


def expose(rng, signal, weak):
    """Brightness and contrast as an operator would set them, in 8 bits."""
    low, high = np.percentile(signal, [0.7, 99.3])
    if weak:
        black = rng.uniform(60, 110)
        white = black + rng.uniform(40, 70)
    else:
        black, white = rng.uniform(4, 35), rng.uniform(195, 262)
    grey = np.clip((signal - low) / max(high - low, 1e-6), -0.2, 1.3)
    grey = np.sign(grey) * np.abs(grey) ** rng.uniform(0.8, 1.2)
    return np.clip(np.rint(black + grey * (white - black)), 0, 255).astype(np.uint8)


def photograph(rng, relief, tone, look, material, fault):
    """The picture of a relief; `tone` is the yield of a level piece of each pixel's stuff."""
    column = COLUMNS[look]
    angle = rng.uniform(0, 2 * np.pi)
    signal = shine(relief, tone, column, (np.cos(angle), np.sin(angle)))
    rows, cols = np.mgrid[-0.5:0.5:signal.shape[0] * 1j, -0.5:0.5:signal.shape[1] * 1j]
    way, fall = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.18)
    signal = signal * (1 + fall * (rows * np.sin(way) + cols * np.cos(way))).astype(np.float32)
    charging = {"hydrophobic": 0.12, "hydrophilic": 0.1, "silicone": 0.25}[material]
    amount = rng.uniform(1.2, 2.2) if fault == "charging" else charging * rng.uniform(0, 1.5)
    signal = charge(rng, signal.astype(np.float32), amount)
    size = rng.uniform(2.6, 4.5) if fault == "blur" else rng.uniform(0.35, 0.95)
    signal = defocus(rng, signal, size)
    grain = column.grain * rng.uniform(0.5, 1.3) * (rng.uniform(3.5, 6) if fault == "noise" else 1)
    signal = scan(rng, signal, grain, rng.uniform(0, 0.008) + 0.012 * (fault == "noise"))
    return expose(rng, signal, fault == "low-contrast")
