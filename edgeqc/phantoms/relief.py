"""Height maps of the zones: laser lattices and cavities, scissor marks, torn surfaces.

Every pattern returns heights with standard deviation 1 on a patch of the picture; a zone's relief
is the sum of its layers, each times its amplitude.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from edgeqc.errors import UsageError
from edgeqc.phantoms.face_recipe import Layer
from edgeqc.phantoms.fields import (
    Patch,
    Plane,
    anisotropic_noise,
    cells,
    correlated_line,
    point_grid,
    slow_noise,
    standardised,
)

Pattern = Callable[[Patch, Layer, np.random.Generator], Plane]


def _noise(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Plain random relief."""
    return anisotropic_noise(
        patch, rng, length_um=layer.scale_um, exponent=layer.params.get("exponent", 0.8),
        angle_deg=layer.angle_deg, anisotropy=layer.anisotropy,
    )


def _warped(
    patch: Patch, layer: Layer, rng: np.random.Generator, reach: float
) -> tuple[Plane, Plane]:
    """Coordinates along and across the lay, in units of the scale, bent by a slow field."""
    along, across = patch.turned(layer.angle_deg)
    bend_um = layer.params.get("bend", 0.0) * layer.scale_um
    if bend_um > 0:
        length_px = reach * layer.scale_um / patch.pixel_um
        across = across + np.float32(bend_um) * slow_noise(patch.shape, rng, length_px)
    root = np.float32(layer.scale_um)
    return along / (root * np.float32(layer.anisotropy)), across / root


def _lattice(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """One cavity per laser pulse: spots along a line, lines side by side."""
    par = layer.params
    along, across = patch.turned(layer.angle_deg)
    spot, line = np.float32(par["spot_um"]), np.float32(par["line_um"])
    grid = point_grid(
        along / spot, across / line, rng, jitter=par.get("jitter", 0.1),
        dropout=par.get("dropout", 0.0), stagger=par.get("stagger", 0.0),
    )
    # distances in µm, so that cavities stay round (or as oval as the recipe says) on any lattice
    oval = np.float32(par.get("oval", 1.0))
    spread = np.float32(par.get("spread", 0.2))
    radius = par.get("radius", 0.6) * min(par["spot_um"], par["line_um"])
    inverse = 1 / (np.float32(radius) * (1 + spread * (2 * grid.value[0] - 1))) ** 2
    strength = 1 + spread * (2 * grid.value[1] - 1)
    strength[grid.value[2] < par.get("double", 0.0)] *= 2
    rim = np.float32(par.get("rim", 0.0))
    cusp = par.get("cusp", 0.0) > 0.5
    depth = np.full(patch.shape, 4.0 if cusp else 0.0, np.float32)
    for index, d_along, d_across in grid.neighbours():
        r2 = ((d_along * spot) ** 2 + (d_across * line * oval) ** 2) * inverse[index]
        if cusp:  # overlapping bowls that meet in sharp ridges
            np.minimum(depth, r2 - strength[index], out=depth)
        else:
            bowl = np.exp(-r2)
            if rim > 0:  # what was thrown out lies around the cavity
                bowl -= rim * r2 * np.exp(1 - r2)
            depth -= strength[index] * bowl
    ridge = np.float32(par.get("line_gain", 0.0))
    if ridge > 0:  # the lines themselves, as grooves
        depth -= ridge * np.cos(np.float32(2 * math.pi) * across / line)
    return _melted(depth, par.get("melt_um", 0.0) / patch.pixel_um)


def _melted(plane: Plane, sigma_px: float) -> Plane:
    if sigma_px > 0.3:
        plane = np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma_px), np.float32)
    return standardised(plane)


def _bubbles(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Gas-bubble cavities, some open and round, some shallow."""
    par = layer.params
    along, across = _warped(patch, layer, rng, 6)
    grid = point_grid(
        along, across, rng, jitter=par.get("jitter", 0.35), dropout=par.get("gaps", 0.3)
    )
    radius = np.float32(0.12) + np.float32(0.55) * grid.value[0] ** 2
    strength = radius * (np.float32(0.3) + grid.value[1])
    rim = np.float32(par.get("rim", 0.0))
    plane = np.zeros(patch.shape, np.float32)
    edge = np.zeros(patch.shape, np.float32)
    for index, d_along, d_across in grid.neighbours():
        r2 = (d_along * d_along + d_across * d_across) / radius[index] ** 2
        np.minimum(plane, -np.sqrt(np.maximum(1 - r2, 0)) * strength[index], out=plane)
        if rim > 0:
            wall = radius[index] * np.exp(-(((r2 - 1) / np.float32(0.3)) ** 2))
            np.maximum(edge, wall, out=edge)
    plane += rim * np.where(plane < np.float32(-0.02), 0, edge)
    return standardised(plane)


def _bands(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Undulating bands: laser passes one above the other, long waves, chatter."""
    par = layer.params
    _, across = _warped(patch, layer, rng, par.get("reach", 12.0))
    phase = np.float32(2 * math.pi) * across
    skew = np.float32(par.get("skew", 0.0))
    plane = np.sin(phase + skew * np.sin(phase))
    second = np.float32(par.get("second", 0.0))
    if second > 0:
        plane += second * np.sin(np.float32(par.get("ratio", 2.3)) * phase + np.float32(1.0))
    uneven = np.float32(par.get("uneven", 0.0))
    if uneven > 0:
        length_px = 8 * layer.scale_um / patch.pixel_um
        plane = plane * (1 + uneven * slow_noise(patch.shape, rng, length_px))
    return standardised(plane.astype(np.float32))


def _striations(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Scratches that a blade drew: one profile, extruded along the lay, here and there faint."""
    par = layer.params
    _, across = _warped(patch, layer, rng, par.get("reach", 40.0))
    step = np.float32(0.1)
    low = float(across.min())
    n = int((float(across.max()) - low) / step) + 4
    plane = np.zeros(patch.shape, np.float32)
    for part in range(int(par.get("parts", 2))):
        line = correlated_line(
            n, 0.1, rng, correlation_um=0.35 * (1 + 2 * part), exponent=par.get("exponent", 0.6)
        ).astype(np.float32)
        if par.get("sharp", 0.0) > 0.5:  # few, distinct scratches instead of a noise of lines
            line = -np.maximum(np.abs(line) - np.float32(0.9), 0) + np.float32(0.2) * line
        position = (across - np.float32(low)) / step
        index = position.astype(np.int32)
        value = line[index] + (position - index) * (line[index + 1] - line[index])
        fade = np.float32(par.get("fade", 0.3))
        if fade > 0:
            soft = slow_noise(patch.shape, rng, max(6.0, 10 * layer.scale_um / patch.pixel_um))
            value = value * np.clip(1 + fade * soft, 0, None)
        plane += value
    return standardised(plane)


def _overlap(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Return marks of two blades, one lay on either side of the line where they met."""
    par = layer.params
    other = replace(layer, angle_deg=par["second_deg"], params={**par})
    low, high = float(patch.w_um.min()), float(patch.w_um.max())
    wander = slow_noise((1, patch.shape[1]), rng, max(20.0, patch.shape[1] / 4))
    line = low + par.get("at", 0.5) * (high - low) + 0.02 * (high - low) * wander
    beyond = (patch.w_um - line) / np.float32(layer.scale_um)
    share = np.clip(beyond + np.float32(0.5), 0, 1)
    one, two = _striations(patch, layer, rng), _striations(patch, other, rng)
    step = np.float32(par.get("step", 0.0)) * np.tanh(beyond)
    ridge = np.float32(par.get("ridge", 0.0)) * np.exp(-(beyond**2))
    return standardised(np.asarray(one + share * (two - one) + step + ridge, np.float32))


def _smear(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Shear smears: drawn-out flakes with one sharp edge."""
    noise = _noise(patch, layer, rng)
    sharp = np.float32(layer.params.get("sharp", 3.0))
    plane = np.tanh(sharp * noise) + np.float32(0.35) * noise
    return standardised(plane)


def _ridged(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Fibrils and ligaments: ridges between two smooth sides."""
    noise = _noise(patch, layer, rng)
    power = np.float32(layer.params.get("power", 1.0))
    ridge = np.maximum(1 - np.abs(noise) * np.float32(0.8), 0) ** power
    if layer.params.get("sparse", 0.0) > 0:
        ridge = np.maximum(ridge - np.float32(layer.params["sparse"]), 0)
    return standardised(ridge)


def _rivers(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """River lines: terraces whose steps run together along the direction of tearing."""
    par = layer.params
    _, across = _warped(patch, layer, rng, 5)
    wander = _noise(patch, layer, rng) * np.float32(par.get("wander", 0.5))
    phase = across + wander
    part = phase - np.floor(phase)
    steep = np.float32(par.get("steep", 0.15))
    plane = np.where(part < steep, part / steep, (1 - part) / (1 - steep))
    return standardised(plane.astype(np.float32))


def _dimples(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Dimples that meet in sharp rims, of uneven size."""
    along, across = _warped(patch, layer, rng, 5)
    grid = cells(point_grid(along, across, rng, jitter=layer.params.get("jitter", 0.4)))
    plane = grid.nearest ** np.float32(layer.params.get("power", 1.6))
    plane *= np.float32(0.4) + grid.value[0]
    return standardised(plane)


def _facets(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Facets: flat pieces, each tilted its own way, with steps between them."""
    along, across = _warped(patch, layer, rng, 4)
    grid = cells(point_grid(along, across, rng, jitter=layer.params.get("jitter", 0.45)))
    tilt = (grid.value[:2] - np.float32(0.5)) * 3
    plane = tilt[0] * grid.offset[0] + tilt[1] * grid.offset[1]
    plane += np.float32(layer.params.get("step", 0.3)) * grid.value[2]
    return _melted(plane, 0.15 * layer.scale_um * layer.params.get("worn", 0.0) / patch.pixel_um)


def _hackle(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Mirror, mist and hackle: ridges that fan out from an origin and grow with distance."""
    par = layer.params
    along, across = patch.turned(layer.angle_deg)
    extent = float(np.ptp(patch.s_um))
    d_along = along - np.float32(par.get("from_along", 0.0) * extent)
    d_across = across - np.float32(par.get("from_across", -0.6) * extent)
    distance = np.hypot(d_along, d_across)
    fan = np.arctan2(d_across, d_along) * np.float32(extent * 0.5)
    noise = _noise(patch, layer, rng)
    ridges = np.sin(fan * np.float32(2 * math.pi / layer.scale_um) + 2 * noise)
    growth = np.clip(distance / np.float32(extent), np.float32(par.get("mirror", 0.1)), 1.0)
    return standardised(np.asarray((ridges + noise) * growth, np.float32))


def _crazing(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Crazing: a net of fine cracks on a smooth ground."""
    along, across = _warped(patch, layer, rng, 3)
    grid = cells(point_grid(along, across, rng, jitter=layer.params.get("jitter", 0.4)))
    width = np.float32(layer.params.get("width", 0.08))
    plane = -np.exp(-(((grid.second - grid.nearest) / width) ** 2))
    plane += np.float32(0.25) * (grid.value[0] - np.float32(0.5))
    return standardised(plane)


def _pits(patch: Patch, layer: Layer, rng: np.random.Generator) -> Plane:
    """Scattered small pits or grains (coating grain, stray pulses)."""
    along, across = _warped(patch, layer, rng, 5)
    grid = cells(point_grid(along, across, rng, jitter=0.5, dropout=layer.params.get("gaps", 0.5)))
    size = np.float32(0.15) + np.float32(0.3) * grid.value[0]
    plane = np.exp(-((grid.nearest / size) ** 2)) * np.float32(layer.params.get("sign", -1.0))
    return standardised(plane)


PATTERNS: dict[str, Pattern] = {
    "noise": _noise,
    "lattice": _lattice,
    "bubbles": _bubbles,
    "bands": _bands,
    "striations": _striations,
    "overlap": _overlap,
    "smear": _smear,
    "ridged": _ridged,
    "rivers": _rivers,
    "dimples": _dimples,
    "facets": _facets,
    "hackle": _hackle,
    "crazing": _crazing,
    "pits": _pits,
}
"""Every pattern by name."""


def draw_relief(patch: Patch, layers: tuple[Layer, ...], rng: np.random.Generator) -> Plane:
    """Return the height map of a zone.

    Parameters
    ----------
    patch : Patch
        Where it is wanted.
    layers : tuple of Layer
        Sub-patterns.
    rng : numpy.random.Generator
        Source of randomness; each layer draws from its own child, so that leaving one out does
        not change the others.

    Returns
    -------
    (rows, cols) float32 array
        Heights in µm.
    """
    height = np.zeros(patch.shape, np.float32)
    if unknown := sorted({layer.kind for layer in layers} - set(PATTERNS)):
        raise UsageError(
            f"there is no relief pattern called {unknown[0]!r}",
            rule=f"patterns are {', '.join(PATTERNS)}", remedy="mend the recipe",
        )
    for layer, child in zip(layers, rng.spawn(len(layers)), strict=True):
        height += np.float32(layer.amplitude_um) * PATTERNS[layer.kind](patch, layer, child)
    return height
