"""Material ratio curve of profiles and surfaces, and the parameters read from it.

A curve is an array of heights in falling order: entry i of m stands for the material ratio
(i + 0.5)/m. Every function takes (batch, m) curves and returns (batch,) values, so that a
thousand profiles, or the tiles of a surface, cost one call.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeqc.quantity import FloatArray

MIN_RATIO = 1e-6
"""Material ratio below which a reduced peak or dale is taken as absent."""


@dataclass(frozen=True)
class MaterialSettings:
    """Where the material ratio curve is read.

    Parameters
    ----------
    core_fraction : float
        Length of the secant that finds the core.
    peak_ratio, dale_ratio : float
        p and q of the volume parameters.
    extreme_peak_ratio, extreme_core_ratio : float
        p and q of the extreme peak height.
    height_ratio : float
        p of the height at a material ratio.
    difference_ratios : (float, float)
        p and q of the height difference between two material ratios.
    section_height_um : float
        c, measured from the mean line or plane, of the material ratio at a height.

    References
    ----------
    ISO 25178-2:2021, 4.5 and ISO 21920-2:2021; the default ratios are from memory.
    """

    core_fraction: float = 0.40
    peak_ratio: float = 0.10
    dale_ratio: float = 0.80
    extreme_peak_ratio: float = 0.025
    extreme_core_ratio: float = 0.50
    height_ratio: float = 0.10
    difference_ratios: tuple[float, float] = (0.02, 0.98)
    section_height_um: float = 0.0


def material_readings(settings: MaterialSettings, prefix: str = "R") -> dict[str, str]:
    """Return, by symbol, where on the material ratio curve each parameter is read, in words.

    References
    ----------
    ISO 25178-2:2021, 4.5 and ISO 21920-2:2021 (a ratio or height has no meaning without it).
    """
    near, far = (100 * ratio for ratio in settings.difference_ratios)
    volume = f"p = {100 * settings.peak_ratio:g} %, q = {100 * settings.dale_ratio:g} %"
    stem = "V" if prefix == "S" else prefix + "v"
    words = {
        prefix + "mr": f"c = {settings.section_height_um:g} µm from the mean"
        f" {'plane' if prefix == 'S' else 'line'}",
        prefix + "mc": f"p = {100 * settings.height_ratio:g} %",
        prefix + "dc": f"p = {near:g} %, q = {far:g} %",
        **dict.fromkeys((stem + "mp", stem + "mc", stem + "vc", stem + "vv"), volume),
    }
    if prefix == "S":
        top, core = settings.extreme_peak_ratio, settings.extreme_core_ratio
        words["Sxp"] = f"p = {100 * top:g} %, q = {100 * core:g} %"
    return words


@dataclass(frozen=True)
class CoreValues:
    """Parameters of the core, the reduced peaks and the reduced dales of (batch,) curves."""

    core_height: FloatArray
    peak_height: FloatArray
    dale_height: FloatArray
    peak_ratio: FloatArray
    dale_ratio: FloatArray


def height_at(curve: FloatArray, ratio: float | FloatArray) -> FloatArray:
    """Return the height at a material ratio, by straight lines between the curve's points.

    Parameters
    ----------
    curve : (batch, m) float array
        Heights in falling order.
    ratio : float or (batch,) float array
        Material ratio, 0 to 1.

    References
    ----------
    ISO 25178-2:2021, 4.5 (inverse material ratio).
    """
    m = curve.shape[1]
    position = np.clip(np.broadcast_to(ratio, curve.shape[:1]) * m - 0.5, 0, m - 1)
    lower = np.minimum(position.astype(np.int64), max(m - 2, 0))
    share = position - lower
    rows = np.arange(curve.shape[0])
    above, below = curve[rows, lower], curve[rows, np.minimum(lower + 1, m - 1)]
    height: FloatArray = above * (1 - share) + below * share
    return height


def ratio_at(curve: FloatArray, height: FloatArray) -> FloatArray:
    """Return the material ratio (0 to 1) at a height.

    Parameters
    ----------
    curve : (batch, m) float array
        Heights in falling order.
    height : (batch,) float array
        Height at which the surface is cut.

    References
    ----------
    ISO 25178-2:2021, 4.5; ISO 21920-2:2021 (material ratio at a height).
    """
    m = curve.shape[1]
    if curve.shape[0] == 1:
        above = np.array([m - np.searchsorted(curve[0, ::-1], height[0], side="right")])
    else:
        above = np.count_nonzero(curve > height[:, None], axis=1)
    rows = np.arange(curve.shape[0])
    upper = curve[rows, np.clip(above - 1, 0, m - 1)]
    lower = curve[rows, np.clip(above, 0, m - 1)]
    gap = upper - lower
    share = np.where(gap > 0, (upper - height) / np.where(gap > 0, gap, 1.0), 0.0)
    ratio: FloatArray = (above - 0.5 + np.clip(share, 0, 1)) / m
    return np.where(above == 0, 0.0, np.where(above == m, 1.0, np.clip(ratio, 0.0, 1.0)))


def area_above(total: FloatArray, curve: FloatArray, ratio: FloatArray) -> FloatArray:
    """Return the integral of the curve from 0 to a material ratio.

    Parameters
    ----------
    total : (batch, m + 1) float array
        Running sum of the curve from 0 (``running_total``).
    curve : (batch, m) float array
        Heights in falling order.
    ratio : (batch,) float array
        Upper end of the integral.

    References
    ----------
    ISO 25178-2:2021, 4.5 (material volume).
    """
    m = curve.shape[1]
    position = np.clip(ratio, 0.0, 1.0) * m
    whole = np.minimum(position.astype(np.int64), m - 1)
    rows = np.arange(curve.shape[0])
    area: FloatArray = (total[rows, whole] + (position - whole) * curve[rows, whole]) / m
    return area


def running_total(curve: FloatArray) -> FloatArray:
    """Return the running sum of (batch, m) curves with a leading zero, (batch, m + 1).

    References
    ----------
    Common practice, no source.
    """
    total = np.zeros((curve.shape[0], curve.shape[1] + 1))
    np.cumsum(curve, axis=1, out=total[:, 1:])
    return total


def core_values(curve: FloatArray, total: FloatArray, core_fraction: float = 0.40) -> CoreValues:
    """Return the core height, reduced peak and dale heights and their material ratios.

    Parameters
    ----------
    curve : (batch, m) float array
        Heights in falling order, from the mean line or plane.
    total : (batch, m + 1) float array
        ``running_total`` of the curve.
    core_fraction : float
        Length of the secant, 0.40 in the standard.

    Returns
    -------
    CoreValues
        Heights in the curve's unit, ratios as fractions.

    Notes
    -----
    The 40 % window where the secant is flattest is found first (the first of equals). The
    equivalent line is the least-squares line through the curve in that window; its heights at
    0 % and 100 % bound the core. The reduced heights are those of right triangles on the base
    of the peak (dale) portion with the same area.

    References
    ----------
    ISO 13565-2:1996, 4.2 to 4.5 (construction, from memory); taken over by ISO 21920-2:2021
    and ISO 25178-2:2021, 4.5.
    """
    m = curve.shape[1]
    width = max(round(core_fraction * m), 2)
    drop = curve[:, : m - width + 1] - curve[:, width - 1 :]
    start = np.argmin(drop, axis=1)
    if curve.shape[0] == 1:  # a view spares a long curve the copy
        window = curve[:, start[0] : start[0] + width]
    else:
        window = np.take_along_axis(curve, start[:, None] + np.arange(width)[None, :], axis=1)
    lever = np.arange(width) - (width - 1) / 2.0
    slope = window @ lever / float(lever @ lever)  # per sample
    centre = window.mean(axis=1)
    middle = start + (width - 1) / 2.0
    top = centre - slope * (middle + 0.5)  # ratio 0 lies half a sample before the first
    bottom = top + slope * m
    first, last = ratio_at(curve, top), ratio_at(curve, bottom)
    peak_area = area_above(total, curve, first) - first * top
    whole = total[:, -1] / m
    dale_area = (1.0 - last) * bottom - (whole - area_above(total, curve, last))
    with np.errstate(divide="ignore", invalid="ignore"):
        peak = np.where(first > MIN_RATIO, 2.0 * peak_area / first, 0.0)
        dale = np.where(last < 1.0 - MIN_RATIO, 2.0 * dale_area / (1.0 - last), 0.0)
    return CoreValues(top - bottom, np.maximum(peak, 0.0), np.maximum(dale, 0.0), first, last)


def material_values(
    curve: FloatArray, settings: MaterialSettings, prefix: str = "R"
) -> dict[str, FloatArray]:
    """Return every parameter of the material ratio curve under the standards' symbols.

    Parameters
    ----------
    curve : (batch, m) float array
        Heights in µm in falling order, from the mean line or plane.
    settings : MaterialSettings
        Where the curve is read.
    prefix : str
        ``"R"``, ``"P"``, ``"W"`` for profiles, ``"S"`` for surfaces.

    Returns
    -------
    dict of str to (batch,) float array
        Heights in µm, volumes in µm³/µm² (equal to ml/m²), ratios in percent.

    Notes
    -----
    Vm(p) is the integral of c - c(p) from 0 to p, Vv(p) that of c(p) - c from p to 1.
    Vmp = Vm(p), Vmc = Vm(q) - Vm(p), Vvc = Vv(p) - Vv(q), Vvv = Vv(q).

    References
    ----------
    ISO 25178-2:2021, 4.5; ISO 21920-2:2021 (material ratio and volume parameters). Sxp as
    c(p) - c(q), from memory.
    """
    total = running_total(curve)
    core = core_values(curve, total, settings.core_fraction)
    volume = {}
    for name, ratio in (("p", settings.peak_ratio), ("q", settings.dale_ratio)):
        height = height_at(curve, ratio)
        above = area_above(total, curve, np.full(curve.shape[0], ratio))
        volume["m" + name] = above - ratio * height
        volume["v" + name] = (1 - ratio) * height - (total[:, -1] / curve.shape[1] - above)
    near, far = settings.difference_ratios
    section = np.full(curve.shape[0], settings.section_height_um)
    values = {
        "k": core.core_height,
        "pk": core.peak_height,
        "vk": core.dale_height,
        "mr1": 100.0 * core.peak_ratio,
        "mr2": 100.0 * core.dale_ratio,
        "mr": 100.0 * ratio_at(curve, section),
        "mc": height_at(curve, settings.height_ratio),
        "dc": height_at(curve, near) - height_at(curve, far),
    }
    volumes = {
        "mp": volume["mp"],
        "mc": volume["mq"] - volume["mp"],
        "vc": volume["vp"] - volume["vq"],
        "vv": volume["vq"],
    }
    named = {prefix + name: value for name, value in values.items()}
    stem = "V" if prefix == "S" else prefix + "v"
    named.update({stem + name: value for name, value in volumes.items()})
    if prefix == "S":
        top = height_at(curve, settings.extreme_peak_ratio)
        named["Sxp"] = top - height_at(curve, settings.extreme_core_ratio)
    return named
