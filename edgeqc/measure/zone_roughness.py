"""Every roughness row of a face: edge contour, height map and grey level, never mixed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import MeasurementError
from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import label_raster
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.edge_contour import EdgeContourSettings, edge_contours
from edgeqc.measure.edge_roughness import edge_rows
from edgeqc.measure.form import SurfaceForm, surface_form
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.height_registration import RegistrationSettings, register_height_map
from edgeqc.measure.roughness import Band, HeightDoubt, roughness_areal
from edgeqc.measure.roughness_result import no_number, too_doubtful
from edgeqc.measure.roughness_row import RoughnessRow, Zone
from edgeqc.measure.roughness_symbols import AREAL_SYMBOLS
from edgeqc.measure.surface_filter import (
    gaussian_areal_filter,
    gaussian_weights,
    noise_passed,
)
from edgeqc.quantity import BoolArray, FloatArray, Measured, combine
from edgeqc.zoning.zones import LASER, SCISSOR, TORN, ZoneMap

SIGN_FREE = frozenset({"Sa", "Sq", "Sku", "Sz", "Sk", "Sal", "Str", "Std", "Sdq", "Sdr"})
"""Areal parameters that are the same for a relief turned inside out."""

MATCHING = "stereo matching"
"""Share of the budget for what a stereo match loses of fine relief and what it feigns."""

_ZONES: tuple[tuple[int, Zone], ...] = ((LASER, "laser"), (SCISSOR, "scissor"), (TORN, "torn"))


@dataclass(frozen=True)
class ZoneRoughnessSettings:
    """Settings of the roughness of zones.

    Parameters
    ----------
    contour : EdgeContourSettings
        Edge contours.
    registration : RegistrationSettings
        Laying imported height maps over the picture.
    form : str
        Form taken off the heights of a zone (F-operator), as of `surface_form`.
    border_um : float
        Strip along a zone's border that is left out of height maps: the border itself is
        uncertain, and a step there is not roughness.
    least_known : float
        Least share of a zone's area that must have heights.
    noise_u_rel : float
        Relative standard uncertainty of the height noise.
    matching_rel : float
        Relative standard uncertainty of heights from a stereo match beside noise and scale: root
        mean square error on 15 zones of phantoms whose texture is little but shaded relief, the
        worst there is; a surface with grain of its own comes out within 0.02.
    matching_px : float
        Root mean square parallax, in pixels, that the change of brightness with tilt may feign.
    least_parallax_px : float
        A zone whose relief makes less parallax (root mean square) gets no roughness from stereo.
    largest_noise_share : float
        Nor does one where noise makes up more than this share of the power seen by stereo.
    """

    contour: EdgeContourSettings = field(default_factory=EdgeContourSettings)
    registration: RegistrationSettings = field(default_factory=RegistrationSettings)
    form: SurfaceForm = "polynomial 2"
    border_um: float = 2.0
    least_known: float = 0.5
    noise_u_rel: float = 0.1
    matching_rel: float = 0.15
    matching_px: float = 0.5
    least_parallax_px: float = 0.8
    largest_noise_share: float = 0.15


@dataclass(frozen=True)
class ZoneRoughness:
    """Rows of a face's zones (edge contour, then height map), doubts, the map as laid over it."""

    rows: tuple[RoughnessRow, ...]
    flags: tuple[Raised, ...]
    height_map: HeightMap | None = None


def zone_roughness(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    *,
    height_map: HeightMap | None = None,
    settings: ZoneRoughnessSettings | None = None,
) -> ZoneRoughness:
    """Return every length-bearing roughness row of a face.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    zones : ZoneMap
        Its zones.
    height_map : HeightMap, optional
        Heights of the same field, from a stereo pair or a file.
    settings : ZoneRoughnessSettings, optional
        Settings.

    Notes
    -----
    A row's basis says where its lengths come from. Without a pixel size and without a height map
    there is no length and hence no row.

    References
    ----------
    ISO 21920-2:2021 (edge contours), ISO 25178-2:2021 (height maps).
    """
    settings = settings or ZoneRoughnessSettings()
    rows: list[RoughnessRow] = []
    flags: list[Raised] = []
    contours = edge_contours(image, face, zones, settings.contour)
    for contour in contours:
        rows.extend(edge_rows(contour))
    short = [f"{row.zone}" for row in rows if row.parameter == "Rq" and "non-default" in row.note]
    if short:
        flags.append(raised("roughness_too_short", ", ".join(sorted(set(short)))))
    if height_map is not None:
        height_map = register_height_map(height_map, image, settings.registration)
        flags.extend(height_map.flags)
        found = height_map_rows(height_map, face, zones, image.pixels.shape, settings)
        rows.extend(found)
        if height_map.parallax_um > 0:
            masks = zone_masks(height_map, face, zones, image.pixels.shape, settings.border_um)
            without = sorted(set(masks) - {row.zone for row in found})
            if without:
                flags.append(raised("stereo_noisy", f"no roughness for {', '.join(without)}"))
    return ZoneRoughness(tuple(rows), tuple(flags), height_map)


def zone_masks(
    height_map: HeightMap,
    face: CutFace,
    zones: ZoneMap,
    shape: tuple[int, ...],
    border_um: float,
) -> dict[Zone, BoolArray]:
    """Return which points of a registered height map lie in each zone, clear of its border.

    Parameters
    ----------
    height_map : HeightMap
        Registered: with ``picture_px``.
    face : CutFace
        The face.
    zones : ZoneMap
        Its zones.
    shape : (rows, cols)
        Shape of the picture.
    border_um : float
        Strip along the border that is left out.

    Returns
    -------
    dict of zone to (rows, cols) bool array
        On the grid of the height map; a zone without points is missing.
    """
    if height_map.picture_px is None:
        return {}
    labels = label_raster(face, zones.labels, (shape[0], shape[1]))
    on_map = cv2.remap(
        labels, np.ascontiguousarray(height_map.picture_px[..., 1]),
        np.ascontiguousarray(height_map.picture_px[..., 0]), cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT, borderValue=0.0,
    )
    reach = [max(0, round(border_um / step)) for step in height_map.spacing_um]
    kernel = np.ones((2 * reach[0] + 1, 2 * reach[1] + 1), np.uint8)
    masks = {}
    for code, name in _ZONES:
        inside = cv2.erode(
            (on_map == code).astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT,
            borderValue=0.0,
        )
        if inside.any():
            masks[name] = np.asarray(inside > 0, bool)
    return masks


def height_map_rows(
    height_map: HeightMap,
    face: CutFace,
    zones: ZoneMap,
    shape: tuple[int, ...],
    settings: ZoneRoughnessSettings | None = None,
) -> tuple[RoughnessRow, ...]:
    """Return the areal roughness rows of a face's zones from a registered height map.

    Parameters
    ----------
    height_map : HeightMap
        The map.
    face, zones : CutFace, ZoneMap
        The face and its zones.
    shape : (rows, cols)
        Shape of the picture.
    settings : ZoneRoughnessSettings, optional
        Settings.

    Notes
    -----
    The S-filter's nesting index is what the map resolves. The noise of a zone is what its form and
    that filter leave of the map's noise sample; it is taken out of Sq in quadrature. Where the sign
    of the tilts is not proven, parameters that depend on it are left out.

    References
    ----------
    ISO 25178-2:2021.
    """
    settings = settings or ZoneRoughnessSettings()
    if not height_map.has_heights:
        return ()
    rows: list[RoughnessRow] = []
    unproven = any(flag.name == "stereo_sign_unproven" for flag in height_map.flags)
    for zone, mask in zone_masks(height_map, face, zones, shape, settings.border_um).items():
        known = mask & np.isfinite(height_map.height_um)
        if known.sum() < settings.least_known * mask.sum():
            continue
        found = _zone_rows(height_map, zone, known, settings)
        rows.extend(row for row in found if not unproven or row.parameter in SIGN_FREE)
    return tuple(rows)


def _zone_rows(
    height_map: HeightMap, zone: Zone, known: BoolArray, settings: ZoneRoughnessSettings
) -> tuple[RoughnessRow, ...]:
    short = height_map.resolution_um or None
    noise = zone_noise_um(height_map, known, settings.form)
    doubt = HeightDoubt(
        noise_um=white_noise_um(noise, height_map) if math.isfinite(noise) else 0.0,
        noise_u_rel=settings.noise_u_rel, height_u_rel=height_map.u_scale_rel,
        spacing_u_rel=height_map.u_spacing_rel,
    )
    try:
        found = roughness_areal(
            height_map.height_um, height_map.spacing_um, mask=known, doubt=doubt,
            band=Band(form=settings.form, short_nesting_index_um=short),
        )
    except MeasurementError:
        return ()  # too small a region, or constant: the face's other rows stand
    sq = found["Sq"].value
    matching = matching_u_rel(height_map, sq, settings)
    drowned = height_map.parallax_um > 0 and noise**2 > settings.largest_noise_share * (
        sq**2 + noise**2
    )
    if drowned or not math.isfinite(matching):
        return ()
    note = f"heights from {height_map.source}"
    if not math.isfinite(noise):
        note += "; height noise not known and not taken out"
    return tuple(
        replace(
            row, result=_with_matching(row.result, row.parameter, matching),
            note="; ".join(text for text in (note, row.note) if text),
        )
        for row in found.rows(zone, "height map")
    )


def matching_u_rel(
    height_map: HeightMap, sq_um: float, settings: ZoneRoughnessSettings
) -> float:
    """Return the relative doubt that stereo matching leaves in a zone's heights.

    Parameters
    ----------
    height_map : HeightMap
        The map.
    sq_um : float
        Root mean square height of the zone, noise taken out, in µm.
    settings : ZoneRoughnessSettings
        Settings.

    Returns
    -------
    float
        0 for maps that are not from stereo; ``nan`` where the relief makes too little parallax
        for any number.

    Notes
    -----
    The brightness of a slope changes with the tilt, alike in both halves of the rows, and feigns
    parallax; in quadrature with the relief's own it changes Sq by c²/(2 P²), P the zone's parallax
    in pixels. Both constants are from phantoms with tilt-dependent yield.

    References
    ----------
    JCGM 100:2008, 5.1.2. The change of yield with tilt: secant law, common practice, no source.
    """
    if height_map.parallax_um <= 0:
        return 0.0
    parallax_px = sq_um / height_map.parallax_um
    if not parallax_px >= settings.least_parallax_px:
        return math.nan
    feigned = (settings.matching_px / parallax_px) ** 2 / 2
    return math.hypot(math.hypot(settings.matching_rel, feigned), height_map.u_transfer_rel)


def zone_noise_um(height_map: HeightMap, known: BoolArray, form: SurfaceForm) -> float:
    """Return the root mean square height noise within a zone, in the band of its roughness.

    Parameters
    ----------
    height_map : HeightMap
        The map.
    known : (rows, cols) bool array
        The zone.
    form : str
        Form taken off.

    Returns
    -------
    float
        In µm; from the noise sample where there is one, else from ``sigma_z_um``; ``nan`` where
        neither is known.
    """
    if height_map.noise_um is not None:
        sample = np.where(known, height_map.noise_um, np.nan)
        rest = sample - surface_form(sample, height_map.spacing_um, form)
        if height_map.resolution_um > 0:
            rest = gaussian_areal_filter(rest, height_map.spacing_um, height_map.resolution_um)
        return float(np.std(rest[known]))
    sigma: FloatArray = height_map.sigma_z_um[known]
    return float(np.sqrt(np.mean(sigma**2))) if np.isfinite(sigma).all() else math.nan


def white_noise_um(noise_um: float, height_map: HeightMap) -> float:
    """Return the white noise that the S-filter would leave as much of as there is.

    The noise of a match is not white; `roughness_areal` takes white noise and filters it.
    """
    if height_map.resolution_um <= 0 or height_map.noise_um is None:
        return noise_um
    step = math.sqrt(height_map.spacing_um[0] * height_map.spacing_um[1])
    passed = noise_passed(gaussian_weights(step, height_map.resolution_um), "long", 2)
    return noise_um / math.sqrt(passed)


def _with_matching(value: Measured, symbol: str, u_rel: float) -> Measured:
    """Add the doubt that matching leaves to a height parameter."""
    power = AREAL_SYMBOLS[symbol].height_power if symbol in AREAL_SYMBOLS else 0.0
    share = abs(value.value) * u_rel * power
    if not share > 0 or not math.isfinite(value.u):
        return value
    budget = {**value.budget, MATCHING: share}
    u = combine(budget)
    entry = AREAL_SYMBOLS[symbol]
    if too_doubtful(value.value, u, entry):
        return no_number(value.unit, value.note, value.n)
    growth = u / value.u if value.u > 0 else 1.0
    low, high = value.low, value.high
    if low is not None and high is not None and value.u > 0:
        low = max(value.value - (value.value - low) * growth, 0.0 if entry.positive else -math.inf)
        high = value.value + (high - value.value) * growth
    return replace(value, u=u, budget=budget, low=low, high=high)


def heights_on_picture(height_map: HeightMap, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return the heights at the pixels of the picture, ``nan`` where there are none.

    Parameters
    ----------
    height_map : HeightMap
        Registered: with ``picture_px``.
    shape : (rows, cols)
        Shape of the picture.

    Returns
    -------
    (rows, cols) float32 array
        In µm; each pixel has the height of the nearest grid point that lies in it.
    """
    out = np.full(shape, np.nan, np.float32)
    if height_map.picture_px is None:
        return out
    place = np.rint(height_map.picture_px).astype(int)
    inside = (
        np.isfinite(height_map.height_um)
        & (place[..., 0] >= 0) & (place[..., 0] < shape[0])
        & (place[..., 1] >= 0) & (place[..., 1] < shape[1])
    )
    out[place[inside][:, 0], place[inside][:, 1]] = height_map.height_um[inside]
    return out
