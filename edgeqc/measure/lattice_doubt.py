"""The lattice from the whole zone's frequencies, and what its doubt is made of."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.lattice_fit import Orders, Reciprocal, WaveField, solve_orders
from edgeqc.measure.lattice_refine import crests
from edgeqc.measure.lattice_sight import LatticeSettings, Sight

_REFINED_WAVES = 10
# a jackknife of nine parts has eight degrees of freedom: Student's 2.31 over the factor of 2
_STUDENT = 1.15
# interpolation between bins, relatively: what jackknives near nothing leave on painted faces
_LEAST_SHARE = 1e-4


def carriers(
    lattice: Reciprocal, field: WaveField
) -> list[tuple[int, tuple[float, float]]]:
    """Return the two most significant waves that together carry the lattice."""
    ordered = sorted(lattice.orders, key=lambda item: field.waves[item[0]].log_p)
    first = ordered[0]
    for other in ordered[1:]:
        if first[1][0] * other[1][1] != first[1][1] * other[1][0]:
            return [first, other]
    return [first]


def refined_lattice(
    lattice: Reciprocal, sight: Sight
) -> tuple[Reciprocal, tuple[float, float, float]]:
    """Return the lattice from whole-zone frequencies, and standard uncertainties.

    Those of spot, line and angle, from what leaving out parts of the zone changes.
    """
    field, frame = sight.field, sight.frame
    strongest = sorted(lattice.orders, key=lambda item: -field.waves[item[0]].ratio)
    taken = carriers(lattice, field)
    taken = (taken + [item for item in strongest if item not in taken])[:_REFINED_WAVES]
    orders: Orders = tuple((n, order) for n, (_, order) in enumerate(taken))
    waves = tuple(field.waves[i] for i, _ in taken)
    found = np.stack([crests(sight.spectrum, wave.row, wave.col, 0.6) for wave in waves])
    places = np.array([[frame.on_face(*at) for at in each] for each in found])
    solved = [solve_orders(replace(field, waves=waves, places=places[:, g]), orders)
              for g in range(places.shape[1])]
    cells = [replace(lattice, along=(float(one[0, 0]), float(one[0, 1])),
                     across=(float(one[1, 0]), float(one[1, 1])))
             for one in solved if one is not None]
    first, parts = cells[0], cells[1:]
    turned = [(cell.angle_deg - first.angle_deg + 90) % 180 - 90 for cell in parts]
    u = [_jackknife(values) for values in ([cell.spot for cell in parts],
                                           [cell.line for cell in parts], turned)]
    return first, (max(u[0], _LEAST_SHARE * first.spot), max(u[1], _LEAST_SHARE * first.line),
                   u[2])


def _jackknife(values: list[float]) -> float:
    """Return the standard uncertainty from values with one part left out each."""
    count = len(values)
    spread = float(np.sum((np.array(values) - np.mean(values)) ** 2))
    return _STUDENT * math.sqrt((count - 1) / count * spread)


def tilt_doubt(image: CalibratedImage, settings: LatticeSettings) -> float:
    """Relative standard uncertainty of lengths across the thickness by that of the tilt."""
    if math.isfinite(image.tilt_deg):
        tilt, u_tilt = math.radians(image.tilt_deg), math.radians(image.u_tilt_deg)
        # the second term keeps a doubt where the face lies flat
        return math.tan(abs(tilt)) * u_tilt + u_tilt**2 / 2
    # 1/cos over 0 .. the largest tilt, as a rectangle
    largest = math.radians(settings.u_tilt_unknown_deg)
    return (1 / math.cos(largest) - 1) / math.sqrt(3)


def stretched(lattice: Reciprocal, s: float, t: float) -> tuple[float, float, float]:
    """Change of spot, line and angle where frequencies are stretched along s and t."""
    other = replace(
        lattice, along=(lattice.along[0] * s, lattice.along[1] * t),
        across=(lattice.across[0] * s, lattice.across[1] * t),
    )
    turned = (other.angle_deg - lattice.angle_deg + 90) % 180 - 90
    return abs(other.spot - lattice.spot), abs(other.line - lattice.line), abs(turned)
