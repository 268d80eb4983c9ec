"""The electron picture of the fourth maker: from height and tone to grey levels.

Openness to the sky is marched along rays in eight directions; the detector sits on one side.
"""

from __future__ import annotations

import cv2
import numpy as np
from fourth_field import field, wander
from scipy.signal import lfilter

_STEPS = (1, 2, 4, 8, 16, 32)


def _horizons(height, azimuths):
    """Yield for every azimuth the sine of the height at which the sky begins."""
    pad = _STEPS[-1]
    rows, cols = height.shape
    wide = cv2.copyMakeBorder(height, pad, pad, pad, pad, cv2.BORDER_REPLICATE)
    for azimuth in azimuths:
        slope = np.zeros(height.shape, np.float32)
        for step in _STEPS:
            down, right = (round(step * part) for part in (np.sin(azimuth), np.cos(azimuth)))
            far = wide[pad + down : pad + down + rows, pad + right : pad + right + cols]
            run = np.hypot(down, right) or 1.0
            np.maximum(slope, (far - height) * np.float32(1 / run), out=slope)
        yield slope / np.sqrt(1 + slope * slope)


def emission(rng, height, tone):
    """Return the electrons that leave every place and reach the detector, about 1."""
    side = rng.uniform(0, 2 * np.pi)
    pull = rng.uniform(0.15, 0.75)
    azimuths = np.arange(8) * np.pi / 4 + side % (np.pi / 4)
    weights = 1 + pull * np.cos(azimuths - side)
    sky = np.zeros(height.shape, np.float32)
    for weight, hidden in zip(weights / weights.sum(), _horizons(height, azimuths), strict=True):
        sky += np.float32(weight) * (1 - hidden)
    calm = cv2.GaussianBlur(height, (0, 0), 0.7)
    dx = cv2.Sobel(calm, cv2.CV_32F, 1, 0, scale=0.125)
    dy = cv2.Sobel(calm, cv2.CV_32F, 0, 1, scale=0.125)
    secant = np.sqrt(1 + dx * dx + dy * dy)
    facing = -(dx * np.float32(np.cos(side)) + dy * np.float32(np.sin(side))) / secant
    tilt = 1.5 * np.tanh((secant - 1) / 1.5)
    grip = rng.uniform(0.3, 0.9)
    signal = tone * (0.75 + rng.uniform(0.3, 0.9) * tilt)
    signal *= (1 - grip + grip * sky) * (1 - 0.6 * pull * facing)
    reach = rng.uniform(1.2, 3.5)
    sharp = np.maximum(height - cv2.GaussianBlur(height, (0, 0), reach), 0) / reach
    return signal * (1 + rng.uniform(0.2, 0.9) * np.tanh(sharp))


def _charge(rng, signal, strength):
    """Return the signal with the trails and halos of charge that gathered where it is bright."""
    bright = np.maximum(signal - np.quantile(signal[::7, ::7], 0.9), 0)
    trail = lfilter([0.03], [1, -0.97], bright, axis=1).astype(np.float32)
    halo = cv2.GaussianBlur(bright, (0, 0), 25)
    signal = signal - strength * (0.8 * trail - 0.9 * halo)
    lines = wander(rng, signal.shape[0], 60) * 0.03 + wander(rng, signal.shape[0], 4) * 0.012
    return signal + (strength * lines[:, None]).astype(np.float32)


def _focus(rng, signal, height, worst):
    """Return the signal blurred more and more away from the plane that is in focus."""
    rows, cols = signal.shape
    way = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    plane = (y / rows - 0.5) * np.float32(np.sin(way)) + (x / cols - 0.5) * np.float32(np.cos(way))
    off = np.abs(plane - rng.uniform(-0.2, 0.2)) * 1.4 + np.maximum(-height - 60, 0) / 250
    off = np.clip(off, 0, 1) * worst
    soft = cv2.GaussianBlur(signal, (0, 0), max(0.3, worst))
    mid = cv2.GaussianBlur(signal, (0, 0), max(0.3, worst / 2))
    share = off / max(worst, 1e-6)
    low = np.clip(2 * share, 0, 1)
    high = np.clip(2 * share - 1, 0, 1)
    return signal * (1 - low) + mid * (low - high) + soft * high


def _shake(rng, signal, spread):
    """Return the picture with every scan line set off a little."""
    rows, cols = signal.shape
    off = wander(rng, rows, 40) * spread * 2 + rng.normal(0, 0.15 * spread, rows)
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    return cv2.remap(signal, x + off[:, None].astype(np.float32), y, cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip


def _dose(rng, signal, flaw):
    """Return the signal as so many electrons a pixel count it, line by line."""
    dose = rng.uniform(3, 6) if flaw == "dose" else np.exp(rng.uniform(np.log(40), np.log(400)))
    counts = np.maximum(signal, 0.02) * dose
    noisy = counts + np.sqrt(counts) * rng.standard_normal(signal.shape, np.float32)
    noisy = noisy / dose
    lines = rng.normal(0, rng.uniform(0.001, 0.012), (signal.shape[0], 1)).astype(np.float32)
    noisy = noisy * (1 + lines)
    slow = rng.uniform(0, 0.45)
    return lfilter([1 - slow], [1, -slow], noisy, axis=1).astype(np.float32)


def photograph(rng, height, tone, face, flaw=None):
    """Return the picture, uint8; ``flaw`` is None, "blur", "dose", "charging" or "clipping"."""
    signal = emission(rng, height, tone)
    big = np.maximum(signal, 0.02)
    signal = np.minimum(big, 1.7 + 0.3 * np.maximum(big - 1.7, 0))
    signal = signal * (1 + rng.uniform(0, 0.07) * field(rng, signal.shape, 600))
    charge = rng.uniform(1.6, 3.0) if flaw == "charging" else rng.choice([0, rng.uniform(0, 0.3)])
    signal = _charge(rng, signal, charge)
    signal = _focus(rng, signal, height, rng.uniform(0.2, 1.3))
    spot = rng.uniform(4, 8) if flaw == "blur" else rng.uniform(0.3, 0.8)
    signal = cv2.GaussianBlur(signal, (0, 0), spot)
    shake = rng.uniform(2, 4) if flaw == "charging" else rng.uniform(0, 0.25)
    signal = _shake(rng, signal, shake)
    signal = _dose(rng, signal, flaw)
    return _greys(rng, signal, face, flaw)


def _greys(rng, signal, face, flaw):
    """Return grey levels after the operator set brightness and contrast by the face."""
    calm = cv2.GaussianBlur(signal, (0, 0), 0.8)
    inner = cv2.erode(face.astype(np.uint8), np.ones((15, 15))) > 0
    on = calm[inner][::11] if inner.any() else calm.ravel()[::11]
    everywhere = calm[::5, ::5]
    low = min(np.quantile(on, 0.01), np.quantile(everywhere, 0.02))
    high = np.quantile(on, rng.uniform(0.97, 0.997))
    high = 0.88 * high + 0.12 * max(high, np.quantile(everywhere, 0.998))
    if flaw == "clipping":
        middle, half = np.quantile(on, rng.choice([0.25, 0.75])), (high - low) / 2
        low, high = middle - 0.3 * half, middle + 0.3 * half
    dark, light = rng.uniform(3, 28), rng.uniform(222, 253)
    share = np.maximum((signal - low) / max(high - low, 1e-6), -0.1)
    bend = rng.uniform(0.65, 1.05)
    share = np.sign(share) * np.abs(share) ** bend
    return np.clip(np.rint(dark + (light - dark) * share), 0, 255).astype(np.uint8)
