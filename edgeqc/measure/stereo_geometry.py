"""Parallel-projection stereo: from parallax and two tilts to height, and what that costs in doubt.

Convention. The tilt axis lies in the picture plane. The parallax axis x stands across it:
for a ``"vertical"`` axis x grows with the column, for a ``"horizontal"`` one with the row, and for
an axis at an angle of ``w`` degrees, counted from the row axis (the direction in which the row
number grows) towards growing columns, x = col·cos w - row·sin w. ``"vertical"`` is w = 0;
``"horizontal"`` is w = -90. A point at distance X across the axis and height Z is seen, at tilt a,
at x = X·cos a - Z·sin a: a positive tilt moves high points towards smaller x.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import HeightMapError
from edgeqc.quantity import FloatArray, Measured, combine

MIN_TILT_DIFFERENCE_DEG = 0.5
"""Below this the height per pixel of parallax exceeds 114 pixels: no roughness can be had."""

MAX_TILT_DEG = 60.0
"""Beyond this tilt the picture is foreshortened more than two-fold and matching fails."""


def axis_angle_deg(tilt_axis: str | float) -> float:
    """Return the tilt axis as degrees from the row axis towards growing columns.

    Parameters
    ----------
    tilt_axis : str or float
        ``"vertical"``, ``"horizontal"``, or degrees (as a number or as text).

    Returns
    -------
    float
        Angle w in degrees; 0 for a vertical axis, -90 for a horizontal one.

    Raises
    ------
    HeightMapError
        Where the entry is none of these.
    """
    if isinstance(tilt_axis, str):
        named = {"vertical": 0.0, "horizontal": -90.0}
        text = tilt_axis.strip().lower()
        if text in named:
            return named[text]
    try:
        angle = float(tilt_axis)
    except (TypeError, ValueError):
        angle = math.nan
    if not math.isfinite(angle):
        raise HeightMapError(
            f"the tilt axis is {tilt_axis!r}",
            rule="it is 'vertical', 'horizontal', or degrees from the row axis",
            remedy="mend the entry tilt_axis",
        )
    return angle


def check_tilts(tilt_deg: tuple[float, float]) -> tuple[float, float]:
    """Return the two tilts as numbers, or say why no height can come from them."""
    try:
        first, second = (float(tilt) for tilt in tilt_deg)
    except (TypeError, ValueError):
        first = second = math.nan
    if not (math.isfinite(first) and math.isfinite(second)):
        raise HeightMapError(
            f"the tilts of the pair are {tilt_deg!r}",
            rule="both pictures of a stereo pair need their signed tilt in degrees",
            remedy="fill in pair_tilt_deg for both pictures",
        )
    if abs(second - first) < MIN_TILT_DIFFERENCE_DEG:
        raise HeightMapError(
            f"the two tilts are {first:g} and {second:g} degrees",
            rule=f"they must differ by at least {MIN_TILT_DIFFERENCE_DEG:g} degrees",
            remedy="give the tilts as signed angles, such as -5 and 5",
        )
    if max(abs(first), abs(second)) > MAX_TILT_DEG:
        raise HeightMapError(
            f"the two tilts are {first:g} and {second:g} degrees",
            rule=f"none may exceed {MAX_TILT_DEG:g} degrees",
            remedy="check pair_tilt_deg",
        )
    return first, second


def height_from_positions(
    first: Any, second: Any, *, tilt_deg: tuple[float, float]
) -> FloatArray:
    """Return the height of points seen at two tilts, in the unit of the positions.

    Parameters
    ----------
    first, second : array_like
        Position x across the tilt axis in the picture at the first and the second tilt.
    tilt_deg : (float, float)
        Tilts a and b in degrees.

    Returns
    -------
    float array
        Height Z, in the unit of ``first``.

    Notes
    -----
    With x = X·cos a - Z·sin a in either picture,
    Z = (x_a·cos b - x_b·cos a) / sin(b - a). For a = 0 this is the first published form, for
    a = -D/2 and b = D/2 it is (x_a - x_b)/(2 sin(D/2)).

    References
    ----------
    Photogrammetric Engineering and Remote Sensing 1975, p. 1367-1368, eq. 31-41 (parallel
    projection, first picture untilted).

    Examples
    --------
    >>> round(float(height_from_positions(0.5, -0.5, tilt_deg=(-5, 5))), 4)
    5.7369
    """
    a, b = np.deg2rad(tilt_deg)
    seen_a, seen_b = np.asarray(first, float), np.asarray(second, float)
    return np.asarray((seen_a * np.cos(b) - seen_b * np.cos(a)) / np.sin(b - a))


def ground_from_positions(
    first: Any, second: Any, *, tilt_deg: tuple[float, float]
) -> FloatArray:
    """Return the distance X across the tilt axis of points seen at two tilts.

    Same parameters and source as `height_from_positions`;
    X = (x_a·sin b - x_b·sin a) / sin(b - a).
    """
    a, b = np.deg2rad(tilt_deg)
    seen_a, seen_b = np.asarray(first, float), np.asarray(second, float)
    return np.asarray((seen_a * np.sin(b) - seen_b * np.sin(a)) / np.sin(b - a))


def position_at_tilt(ground: Any, height: Any, *, tilt_deg: float) -> FloatArray:
    """Return where a point (X, Z) is seen across the axis at one tilt: X·cos a - Z·sin a."""
    a = math.radians(tilt_deg)
    return np.asarray(np.asarray(ground, float) * math.cos(a) - np.asarray(height, float)
                      * math.sin(a))


def height_per_parallax(tilt_deg: tuple[float, float]) -> float:
    """Return the height that one unit of parallax between the pictures stands for.

    Notes
    -----
    (cos a + cos b)/2 / sin(b - a): the change of Z for equal and opposite shifts of half a unit in
    the two pictures; 1/(2 sin(D/2)) for the symmetric pair.

    Examples
    --------
    >>> round(height_per_parallax((-1.5, 1.5)), 4)
    19.1008
    """
    a, b = np.deg2rad(tilt_deg)
    return float((np.cos(a) + np.cos(b)) / 2 / np.sin(b - a))


def height_scale(
    tilt_deg: tuple[float, float], *, u_tilt_deg: float, u_rel_pixel_size: float
) -> Measured:
    """Return the factor 1 on all heights with its relative doubt and budget.

    Parameters
    ----------
    tilt_deg : (float, float)
        Tilts in degrees.
    u_tilt_deg : float
        Standard uncertainty of the difference of the two tilts, in degrees.
    u_rel_pixel_size : float
        Relative standard uncertainty of the pixel size.

    Returns
    -------
    Measured
        Value 1, unit ``"1"``; budget ``"tilt difference"`` and ``"pixel size"``.

    Notes
    -----
    For the symmetric pair dz/z = -(1/2)·cot(D/2)·dD; the general form used here is the derivative
    of the logarithm of `height_per_parallax` for an error shared evenly by the two tilts. Heights
    scale with the pixel size. Both combine in quadrature.

    References
    ----------
    JCGM 100:2008, 5.1.2. Published practice: 10 degrees of tilt known to 0.05 degrees.
    """
    a, b = np.deg2rad(tilt_deg)
    step = math.radians(u_tilt_deg)
    slope = (np.sin(a) - np.sin(b)) / 2 / (np.cos(a) + np.cos(b)) - 1 / np.tan(b - a)
    budget = {"tilt difference": abs(float(slope)) * step, "pixel size": u_rel_pixel_size}
    return Measured(1.0, combine(budget), "1", budget)


def tilt_frame(
    angle_deg: float, spacing_um: tuple[float, float]
) -> tuple[NDArray[np.float64], float, float]:
    """Return the map from the tilt frame to the picture, and the tilt frame's spacings.

    Parameters
    ----------
    angle_deg : float
        Tilt axis as of `axis_angle_deg`.
    spacing_um : (row, col)
        Pixel size of the picture in µm.

    Returns
    -------
    matrix : (2, 2) float array
        Picture (row, col) offset in pixels = matrix @ tilt-frame (along axis, across axis) offset
        in tilt-frame pixels.
    along_um, across_um : float
        Spacing of the tilt frame along and across the axis in µm.
    """
    row_um, col_um = spacing_um
    w = math.radians(angle_deg)
    axis = np.array([math.cos(w), math.sin(w)])
    across = np.array([-math.sin(w), math.cos(w)])
    # the frame's pixel along either direction is the picture's pixel there
    along_um = 1 / math.hypot(axis[0] / row_um, axis[1] / col_um)
    across_um = 1 / math.hypot(across[0] / row_um, across[1] / col_um)
    scale = np.diag([1 / row_um, 1 / col_um])
    matrix = scale @ np.stack([axis * along_um, across * across_um], axis=1)
    matrix[np.abs(matrix) < 1e-12] = 0.0
    return matrix, along_um, across_um
