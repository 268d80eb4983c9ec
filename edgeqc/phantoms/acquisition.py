"""From the signal to the picture: beam, dose, lines, charging, contrast, data bar."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.phantoms.fields import Plane
from edgeqc.phantoms.recipe import AcquisitionRecipe, BarRecipe
from edgeqc.quantity import FloatArray


def blur_beam(signal: Plane, recipe: AcquisitionRecipe) -> Plane:
    """Return the signal as a beam of finite width sees it."""
    if recipe.blur_px < 0.2:
        return signal
    if recipe.blur_ratio == 1.0:
        return np.asarray(cv2.GaussianBlur(signal, (0, 0), recipe.blur_px))
    size = 2 * int(3 * recipe.blur_px * recipe.blur_ratio + 1) + 1
    row, col = np.mgrid[:size, :size] - size // 2
    angle = np.deg2rad(recipe.blur_deg)
    a = np.cos(angle) * col + np.sin(angle) * row
    b = np.cos(angle) * row - np.sin(angle) * col
    kernel = np.exp(-0.5 * ((a / (recipe.blur_px * recipe.blur_ratio)) ** 2
                            + (b / recipe.blur_px) ** 2))
    return np.asarray(cv2.filter2D(signal, -1, (kernel / kernel.sum()).astype(np.float32)))


def detect_electrons(
    signal: Plane, dose: float, rng: np.random.Generator
) -> Plane:
    """Return the signal with its shot noise: Poisson counts over the dose.

    Parameters
    ----------
    signal : (rows, cols) float32 array
        Mean signal; negative values count as 0.
    dose : float
        Detected electrons per pixel at unit signal.
    """
    counts = rng.poisson(np.maximum(signal, 0) * np.float32(dose))
    return np.asarray(counts, np.float32) / np.float32(dose)


def charge(signal: Plane, recipe: AcquisitionRecipe, rng: np.random.Generator) -> Plane:
    """Return the signal with charging: streaks behind bright edges, drifting lines, glow."""
    if recipe.bloom > 0:
        excess = np.maximum(signal - np.float32(1.3), 0)
        signal = signal + np.float32(recipe.bloom) * cv2.GaussianBlur(excess, (0, 0), 12)
    if recipe.charging > 0:
        rows, cols = signal.shape
        gain = np.float32(recipe.charging)
        excess = np.maximum(signal - np.float32(1.2), 0)
        tail = cv2.blur(excess, (min(cols, 161), 1), anchor=(min(cols, 161) - 1, 0))
        signal = signal - gain * np.float32(3) * tail
        drift: FloatArray = np.cumsum(rng.standard_normal(rows)) * 0.02
        drift -= np.linspace(drift[0], drift[-1], rows)
        for _ in range(rng.integers(1, 6)):  # sudden discharges
            drift[rng.integers(rows):][: rng.integers(1, 12)] += rng.uniform(-0.5, 0.8)
        signal = signal + gain * np.asarray(drift, np.float32)[:, None]
    return signal


def displace_lines(signal: Plane, recipe: AcquisitionRecipe, rng: np.random.Generator) -> Plane:
    """Return the picture with its lines displaced and offset."""
    rows, cols = signal.shape
    if recipe.line_jitter_px > 0:
        shift = recipe.line_jitter_px * np.asarray(rng.standard_normal(rows), np.float32)
        map_col = np.arange(cols, dtype=np.float32)[None, :] + shift[:, None]
        map_row = np.repeat(np.arange(rows, dtype=np.float32)[:, None], cols, axis=1)
        moved = cv2.remap(
            signal, map_col, map_row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        signal = np.asarray(moved, np.float32)
    if recipe.line_noise > 0:
        offset = np.asarray(rng.standard_normal(rows), np.float32)[:, None]
        signal = signal + np.float32(recipe.line_noise) * offset
    return signal


def take_picture(
    signal: Plane, recipe: AcquisitionRecipe, rng: np.random.Generator
) -> NDArray[np.uint8 | np.uint16]:
    """Return the picture that the microscope takes of a signal.

    Parameters
    ----------
    signal : (rows, cols) float32 array
        Electrons that leave the specimen, 1 on average on a face.
    recipe : AcquisitionRecipe
        Beam, dose, lines, contrast, depth.
    rng : numpy.random.Generator
        Source of randomness.
    """
    noise, lines, charges = rng.spawn(3)
    rows, cols = signal.shape
    ramp = 1 + recipe.gradient[0] * np.linspace(-0.5, 0.5, rows, dtype=np.float32)[:, None]
    ramp = ramp + recipe.gradient[1] * np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None, :]
    signal = charge(blur_beam(signal, recipe) * ramp.astype(np.float32), recipe, charges)
    signal = displace_lines(signal, recipe, lines)
    signal = detect_electrons(signal, recipe.dose, noise)
    grey = recipe.brightness + recipe.contrast * (signal - 1)
    if recipe.sharpen > 0:
        grey = grey + recipe.sharpen * (grey - cv2.GaussianBlur(grey, (0, 0), 1.2))
    full = 255 if recipe.bits == 8 else 65535
    picture = np.clip(np.rint(grey * full), 0, full)
    if recipe.bits == 16:
        return np.asarray(picture, np.uint16)
    taken = np.asarray(picture, np.uint8)
    if recipe.jpeg_quality > 0:
        code = cv2.imencode(".jpg", taken, [cv2.IMWRITE_JPEG_QUALITY, recipe.jpeg_quality])[1]
        taken = np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.uint8)
    return taken


def draw_bar(
    picture: NDArray[np.uint8 | np.uint16], recipe: BarRecipe, pixel_um: float, *, stem: str = ""
) -> tuple[NDArray[np.uint8 | np.uint16], float]:
    """Return the picture with its data bar or inset scale bar, and the scale bar's length in px.

    Parameters
    ----------
    picture : (rows, cols) array
        The picture without a data bar.
    recipe : BarRecipe
        Height, colours, length of the scale bar.
    pixel_um : float
        Pixel size.
    stem : str
        What the bar names the picture.
    """
    if recipe.height_px == 0 and not recipe.inside:
        return picture, 0.0
    full = 255 if picture.dtype == np.uint8 else 65535
    ground, ink = (0, 255) if recipe.dark else (255, 0)
    rows, cols = picture.shape
    length = round(recipe.scale_bar_um / pixel_um)
    text = f"{recipe.scale_bar_um:g} um"
    if recipe.inside:
        over = np.zeros(picture.shape, np.uint8)
        top, left = rows - max(14, rows // 25), cols - length - max(10, cols // 40)
        cv2.rectangle(over, (left, top), (left + length - 1, top + max(2, rows // 200)), 255, -1)
        _write(over, text, (top - 5, left), 255, max(0.35, rows / 1600))
        return np.maximum(picture, over.astype(picture.dtype) * (full // 255)), float(length)
    bar = np.full((recipe.height_px, cols), ground, np.uint8)
    size = min(recipe.height_px / 62, cols / 1000)
    middle = recipe.height_px // 2
    left = cols - length - 16
    cv2.line(bar, (0, 1), (cols - 1, 1), ink, 1)
    cv2.rectangle(bar, (left, middle + 6), (left + length - 1, middle + 9), ink, -1)
    for end in (left, left + length - 1):
        cv2.line(bar, (end, middle + 2), (end, middle + 13), ink, 1)
    _write(bar, text, (middle - 2, left), ink, size)
    _write(bar, f"SE  8.00 kV  WD 9.8 mm  {stem}", (middle + 4, 10), ink, size)
    return np.concatenate([picture, bar.astype(picture.dtype) * (full // 255)]), float(length)


def _write(
    picture: NDArray[np.uint8], text: str, at: tuple[int, int], ink: int, size: float
) -> None:
    size = max(size, 0.3)
    width = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 1)[0][0]
    left = max(2, min(at[1], picture.shape[1] - width - 6))
    cv2.putText(
        picture, text, (left, at[0]), cv2.FONT_HERSHEY_SIMPLEX, size, ink, 1, cv2.LINE_AA
    )
