"""The edge of a face against the background as a length profile, zone by zone.

The anterior and the posterior edge of a cut face are seen against what lies behind them, so that
their deviation from the lens's form is a true length, unlike any grey level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.edge_reading import EdgeReadingSettings, read_edge
from edgeqc.measure.roughness_row import Zone
from edgeqc.quantity import BoolArray, FloatArray
from edgeqc.zoning.zones import LASER, SCISSOR, TORN, ZONE_NAMES, ZoneMap

EdgeName = Literal["anterior", "posterior"]


@dataclass(frozen=True)
class EdgeContourSettings:
    """Settings of the edge contours.

    Parameters
    ----------
    form_degree : int
        Degree of the polynomials in arc length that stand for the lens's form.
    short_form_degree : int
        Degree for stretches shorter than ``short_form_um``.
    short_form_um : float
        A shorter stretch of a lens's edge is straight but for its slope and sag.
    bridge_points : int
        Gaps of up to this many points do not end a stretch.
    least_points : int
        Fewest points of a stretch.
    unknown_tilt_deg : float
        Half-width of the tilt allowed for where the tilt is not known.
    reading : EdgeReadingSettings
        How the edge is read anew from the picture.
    """

    form_degree: int = 3
    short_form_degree: int = 2
    short_form_um: float = 300.0
    bridge_points: int = 10
    least_points: int = 128
    unknown_tilt_deg: float = 10.0
    reading: EdgeReadingSettings = field(default_factory=EdgeReadingSettings)


@dataclass(frozen=True)
class EdgeContour:
    """One stretch of one edge, its form taken off.

    Parameters
    ----------
    zone : {"laser", "scissor", "torn"}
        The zone that ends in this edge.
    edge : {"anterior", "posterior"}
        Which edge.
    deviation_um : (n,) float array
        Deviation from the form across the edge, outwards positive, in µm; ``nan`` in gaps.
    spacing_um : float
        Step along the edge in µm.
    station : (n,) float array
        Position along the face in chords.
    u_height_rel, u_spacing_rel : float
        Relative standard uncertainty of deviations (pixel size, tilt) and of ``spacing_um``.
    form : str
        The form that was taken off, in words.
    noise_um : float, optional
        Standard deviation of the noise of a deviation as predicted from the picture; None where
        the edge could not be read anew and is the tracer's line, whose noise is not known.
    noise_u_rel : float
        Relative standard uncertainty of ``noise_um``.
    noise_correlation : tuple of float
        Correlation of that noise at points 1, 2, ... steps apart; empty for white noise.
    """

    zone: Zone
    edge: EdgeName
    deviation_um: FloatArray
    spacing_um: float
    station: FloatArray
    u_height_rel: float
    u_spacing_rel: float
    form: str
    noise_um: float | None = None
    noise_u_rel: float = 0.0
    noise_correlation: tuple[float, ...] = ()

    @property
    def length_um(self) -> float:
        """Length of the stretch in µm."""
        return self.deviation_um.size * self.spacing_um


def edge_contours(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    settings: EdgeContourSettings | None = None,
) -> tuple[EdgeContour, ...]:
    """Return the edge contours of a face: per zone and edge, the longest stretch.

    Parameters
    ----------
    image : CalibratedImage
        Gives pixel size and tilt. Without a pixel size there is no contour.
    face : CutFace
        The face, its anterior side settled.
    zones : ZoneMap
        Its zones: the zone of an edge point is that of the cell next to it.
    settings : EdgeContourSettings, optional
        Settings.

    Notes
    -----
    The form is a pair of polynomials (row and column over arc length) of low degree, so that an
    edge may bend by any angle; the deviation is taken along the form's normal and set on an even
    grid of the form's arc length (F-operator). A face tilted about its length shows deviations
    shortened by cos(tilt), which is undone. Along that normal the edge is read anew, each profile
    by itself (`edge_reading`): the tracer's line is smoothed.

    References
    ----------
    ISO 21920-2:2021 (F-operator). JCGM 100:2008, 4.3.7 (bounds of an unknown tilt).
    """
    settings = settings or EdgeContourSettings()
    if image.pixel_size_um is None:
        return ()
    scale = np.array(image.pixel_size_um)
    lengthening, u_tilt_rel = _tilt_factor(image, settings)
    columns = np.minimum(
        (np.arange(face.s_px.size) + 0.5) / face.s_px.size * zones.labels.shape[1],
        zones.labels.shape[1] - 1,
    ).astype(int)
    found = []
    edges: tuple[tuple[EdgeName, FloatArray, FloatArray, int], ...] = (
        ("anterior", face.anterior_px, face.posterior_px, 0),
        ("posterior", face.posterior_px, face.anterior_px, -1),
    )
    for edge, points_px, other_px, cell_row in edges:
        label = zones.labels[cell_row][columns]
        for code in (LASER, SCISSOR, TORN):
            stretch = longest_stretch(
                face.complete & (label == code), settings.bridge_points, settings.least_points
            )
            if stretch is None:
                continue
            part, known = stretch
            traced = _deviation(
                points_px[part] * scale, (other_px[part] - points_px[part]) * scale, known, settings
            )
            deviation, noise, correlation = _read_anew(image, traced, settings.reading)
            found.append(EdgeContour(
                _zone(code), edge, deviation * lengthening, traced.spacing,
                traced.station + part.start,
                math.hypot(image.u_rel_pixel_size, u_tilt_rel), image.u_rel_pixel_size,
                f"form: polynomials of degree {_degree(points_px[part] * scale, settings)}"
                " in arc length",
                None if noise is None else noise * lengthening, settings.reading.noise_u_rel,
                correlation,
            ))
    return tuple(found)


def _zone(code: int) -> Zone:
    names: dict[str, Zone] = {"laser": "laser", "scissor": "scissor", "torn": "torn"}
    return names[ZONE_NAMES[code]]


def _tilt_factor(image: CalibratedImage, settings: EdgeContourSettings) -> tuple[float, float]:
    if math.isfinite(image.tilt_deg):
        tilt = math.radians(image.tilt_deg)
        u = math.radians(image.u_tilt_deg) if math.isfinite(image.u_tilt_deg) else 0.0
        return 1 / math.cos(tilt), math.hypot(math.tan(tilt) * u, u * u / math.sqrt(2))
    return 1.0, (1 / math.cos(math.radians(settings.unknown_tilt_deg)) - 1) / math.sqrt(3)


def longest_stretch(
    wanted: BoolArray, bridge: int, least: int
) -> tuple[slice, BoolArray] | None:
    """Return the longest run of wanted points, short gaps bridged, and which of it is wanted.

    None where no run has ``least`` wanted points, or less than three quarters of it are wanted.
    """
    index = np.flatnonzero(wanted)
    if index.size < least:
        return None
    breaks = np.flatnonzero(np.diff(index) > bridge + 1)
    first = np.concatenate([[0], breaks + 1])
    last = np.concatenate([breaks, [index.size - 1]])
    best = int(np.argmax(last - first))
    part = slice(int(index[first[best]]), int(index[last[best]]) + 1)
    known = wanted[part]
    if known.sum() < least or known.mean() < 0.75:
        return None
    return part, known


def _degree(points_um: FloatArray, settings: EdgeContourSettings) -> int:
    length = float(np.hypot(*(points_um[-1] - points_um[0])))
    return settings.short_form_degree if length < settings.short_form_um else settings.form_degree


@dataclass(frozen=True)
class _Traced:
    """The traced line on an even grid of its form: deviation, step, station, place and normal."""

    deviation: FloatArray
    spacing: float
    station: FloatArray
    place_um: FloatArray
    normal: FloatArray


def _read_anew(
    image: CalibratedImage, traced: _Traced, settings: EdgeReadingSettings
) -> tuple[FloatArray, float | None, tuple[float, ...]]:
    """Return deviations read anew from the picture, in µm, their noise, how it goes on.

    Where the picture allows no reading, the traced ones.
    """
    if image.pixel_size_um is None:  # pragma: no cover - contours need a pixel size
        return traced.deviation, None, ()
    scale = np.array(image.pixel_size_um)
    unit = float(np.sqrt(scale[0] * scale[1]))
    known = np.isfinite(traced.deviation)
    filled = np.interp(traced.station, traced.station[known], traced.deviation[known])
    reading = read_edge(
        image.pixels, traced.place_um / scale, traced.normal * unit / scale, filled / unit,
        settings=settings,
    )
    if reading is None:
        return traced.deviation, None, ()
    deviation = np.where(known, reading.offset_px * unit, np.nan)
    return deviation, reading.noise_px * unit, reading.noise_correlation


def _deviation(
    points_um: FloatArray, inwards_um: FloatArray, known: BoolArray, settings: EdgeContourSettings
) -> _Traced:
    """Return the traced line's deviation from its form on an even grid of arc length."""
    n = points_um.shape[0]
    t = np.linspace(-1, 1, n)
    basis = np.polynomial.legendre.Legendre
    degree = _degree(points_um, settings)
    form = [basis.fit(t[known], points_um[known, k], degree, domain=[-1, 1]) for k in (0, 1)]
    place = np.stack([f(t) for f in form], axis=1)
    tangent = np.stack([f.deriv()(t) for f in form], axis=1)
    speed = np.hypot(*tangent.T)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) / speed[:, None]
    if float((normal * inwards_um).sum()) > 0:
        normal = -normal  # outwards, away from the other edge
    away = points_um - place
    deviation = np.where(known, (away * normal).sum(axis=1), np.nan)
    # a point's foot on the form: where it is, plus how far along the tangent it has slid
    along = np.concatenate([[0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(t))])
    foot = along + (away * tangent).sum(axis=1) / speed
    spacing = float(along[-1] / (n - 1))
    grid = np.arange(n) * spacing
    order = np.argsort(foot[known], kind="stable")
    value = np.interp(grid, foot[known][order], deviation[known][order])
    nearest = np.interp(grid, along, np.arange(n, dtype=float))
    gap = ~known[np.clip(np.rint(nearest).astype(int), 0, n - 1)]
    t_grid = np.interp(grid, along, t)
    tangent = np.stack([f.deriv()(t_grid) for f in form], axis=1)
    turned = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    side = math.copysign(1.0, float((normal[n // 2] * turned[n // 2]).sum()))
    turned *= side / np.hypot(*tangent.T)[:, None]
    return _Traced(
        np.where(gap, np.nan, value), spacing, nearest,
        np.stack([f(t_grid) for f in form], axis=1), turned,
    )
