"""From relief to secondary electrons."""

from __future__ import annotations

import math

import cv2
import numpy as np

from edgeqc.phantoms.fields import Plane
from edgeqc.phantoms.recipe import SignalRecipe


def tilt_yield(slope2: Plane, exponent: float, saturation: float) -> Plane:
    """Return the secondary-electron yield of a tilted surface, relative to normal incidence.

    Parameters
    ----------
    slope2 : float array
        Squared slope (dz/dx)² + (dz/dy)²; the angle of incidence has 1/cos² = 1 + slope².
    exponent : float
        n of sec^n, about 1 (0.8 for heavy, 1.2 for light elements).
    saturation : float
        Where the yield levels off (``inf`` for the plain law, which holds to about 60-70°).

    Notes
    -----
    delta(theta)/delta(0) = sec^n(theta); levelled as 1 + (y - 1)/(1 + (y - 1)/(saturation - 1)).

    References
    ----------
    L. Reimer, Scanning Electron Microscopy, 2nd ed. (1998), chapter 4 (the sec^n law).
    """
    excess = np.power(1 + slope2, exponent / 2) - 1
    if math.isinf(saturation):
        return np.asarray(1 + excess)
    return np.asarray(1 + excess / (1 + excess / (saturation - 1)))


def electron_signal(
    height_um: Plane, pixel_um: float, recipe: SignalRecipe, tilt: tuple[float, float] = (0.0, 0.0)
) -> Plane:
    """Return the secondary-electron signal of a relief, relative to a flat one.

    Parameters
    ----------
    height_um : (rows, cols) float32 array
        Heights.
    pixel_um : float
        Pixel size.
    recipe : SignalRecipe
        Yield, detector, edge brightening, shadowing.
    tilt : (float, float)
        Slope of the whole surface along rows and columns (the stage's tilt).

    Notes
    -----
    The sum of the tilt yield, a shading term (the surface's normal towards the detector), the
    brightening of convex relief at the beam's scale (more electrons escape), and the loss in
    cavities by their depth below a blurred upper envelope (fewer escape).
    """
    scale = np.float32(1 / (2 * pixel_um))
    g_row = cv2.filter2D(height_um, -1, np.array([[-1.0], [0], [1]])) * scale + np.float32(tilt[0])
    g_col = cv2.filter2D(height_um, -1, np.array([[-1.0, 0, 1]])) * scale + np.float32(tilt[1])
    slope2 = g_row * g_row + g_col * g_col
    signal = tilt_yield(slope2, recipe.exponent, recipe.saturation).astype(np.float32)
    angle = math.radians(recipe.detector_deg)
    towards = np.float32(math.sin(angle)) * g_row + np.float32(math.cos(angle)) * g_col
    signal -= np.float32(recipe.detector_gain) * towards / np.sqrt(1 + slope2)
    blurred = cv2.GaussianBlur(height_um, (0, 0), max(0.6, recipe.convexity_px))
    convex = (height_um - blurred) * np.float32(1 / (pixel_um * max(0.6, recipe.convexity_px)))
    signal += np.float32(recipe.convexity_gain) * np.tanh(convex)
    if recipe.shadow_gain > 0:
        signal -= np.float32(recipe.shadow_gain) * _shadow(height_um, pixel_um, recipe.shadow_px)
    return -signal if recipe.inverted else signal


def _shadow(height_um: Plane, pixel_um: float, reach_px: float) -> Plane:
    """Share of electrons lost in cavities, 0 to 1."""
    size = max(3, int(reach_px) // 2 * 2 + 1)
    envelope = cv2.blur(cv2.dilate(height_um, np.ones((size, size), np.uint8)), (size, size))
    sink = np.maximum(envelope - height_um, 0) / np.float32(pixel_um * size)
    return np.asarray(sink / (sink + 1), np.float32)
