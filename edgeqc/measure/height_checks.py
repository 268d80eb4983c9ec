"""What heights, spacings and nesting indices must be before anything is measured on them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from edgeqc.errors import MeasurementError
from edgeqc.quantity import BoolArray, FloatArray

MIN_SAMPLES_PER_NESTING_INDEX = 3.0
"""Below this the sampled weighting function no longer has the transmission that it should."""


LARGEST_HEIGHT_UM = 1e9
"""A kilometre: heights beyond it are in another unit."""

SMALLEST_RANGE_UM = 1e-9
"""A femtometre: heights that differ by less are in another unit, or constant."""

FLAT = 1e-12
"""Height range over the largest absolute height below which heights are constant to within
floating-point rounding."""


def check_height_range(low_um: float, high_um: float, what: str) -> None:
    """Raise where heights are constant, or cannot be in micrometres.

    References
    ----------
    Common practice, no source.
    """
    largest = max(abs(low_um), abs(high_um))
    if largest > LARGEST_HEIGHT_UM:
        raise MeasurementError(
            f"the {what} reaches {largest:g} µm",
            rule=f"Heights stay below {LARGEST_HEIGHT_UM:g} µm.",
            remedy="Give heights in µm.",
        )
    if not high_um - low_um > max(FLAT * largest, SMALLEST_RANGE_UM):
        raise MeasurementError(
            f"the {what} is constant at {high_um:g} µm",
            rule=f"A {what} has heights that differ by more than {SMALLEST_RANGE_UM:g} µm.",
            remedy="Check where the heights come from, and their unit.",
        )


def check_spacing(spacing_um: float, name: str = "spacing") -> float:
    """Return the sampling interval in µm, or raise where it cannot be one.

    References
    ----------
    Common practice, no source.
    """
    try:
        value = float(spacing_um)
    except (TypeError, ValueError):
        value = math.nan
    if not (math.isfinite(value) and value > 0):
        raise MeasurementError(
            f"the {name} is {spacing_um!r} µm",
            rule="A sampling interval is a finite length above zero.",
            remedy="Give the distance between neighbouring heights in µm.",
        )
    return value


def check_nesting_index(nesting_um: float, spacing_um: float, length_um: float) -> float:
    """Return the nesting index in µm, or raise where the data cannot carry it.

    References
    ----------
    ISO 16610-21:2011, clause 4 (definition); the limits are ours.
    """
    value = float(nesting_um)
    if not math.isfinite(value) or value < MIN_SAMPLES_PER_NESTING_INDEX * spacing_um:
        raise MeasurementError(
            f"the nesting index is {nesting_um!r} µm at a spacing of {spacing_um:g} µm",
            rule=f"It holds at least {MIN_SAMPLES_PER_NESTING_INDEX:g} sampling intervals.",
            remedy="Choose a larger nesting index or a finer sampling.",
        )
    if value > length_um * (1 + 1e-9):
        raise MeasurementError(
            f"the nesting index is {value:g} µm and the data are {length_um:g} µm long",
            rule="A filter's nesting index is not longer than the data.",
            remedy="Choose a smaller nesting index or measure over a longer stretch.",
        )
    return value


def checked_surface(
    height_um: ArrayLike, spacing_um: float | tuple[float, float]
) -> tuple[FloatArray, BoolArray, tuple[float, float]]:
    """Return heights as floats, where they are finite, and the (row, col) spacing in µm.

    References
    ----------
    Common practice, no source.
    """
    height = np.asarray(height_um, dtype=np.float64)
    if height.ndim != 2 or min(height.shape) < 2:
        raise MeasurementError(
            f"the height map has the shape {height.shape}",
            rule="A surface has two axes with at least two heights each.",
            remedy="Give a (rows, cols) array; a single row is a profile.",
        )
    pair = spacing_um if isinstance(spacing_um, tuple | list) else (spacing_um, spacing_um)
    if len(pair) != 2:
        raise MeasurementError(
            f"the spacing has {len(pair)} numbers",
            rule="A surface's spacing is one number or (row, col).",
            remedy="Give (row, col) in µm.",
        )
    row = check_spacing(pair[0], "row spacing")
    col = check_spacing(pair[1], "column spacing")
    valid = np.isfinite(height)
    if not valid.any():
        raise all_gap()
    return height, valid, (row, col)


def all_gap() -> MeasurementError:
    """Return the error for heights that are all gap."""
    return MeasurementError(
        "the height data are all gap",
        rule="At least some heights are numbers.",
        remedy="Check the height map or the zone's mask.",
    )
