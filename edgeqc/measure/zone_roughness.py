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
from edgeqc.measure.roughness import (
    ArealSettings,
    Band,
    HeightDoubt,
    ProfileSettings,
    Roughness,
    roughness_areal,
)
from edgeqc.measure.roughness_result import no_number, too_doubtful
from edgeqc.measure.roughness_row import RoughnessRow, Zone
from edgeqc.measure.roughness_symbols import AREAL_SYMBOLS
from edgeqc.measure.section_lengths import too_short
from edgeqc.measure.stereo_zone import StereoZoneSettings, ZoneHeights, zone_heights
from edgeqc.quantity import BoolArray, FloatArray, Measured, combine
from edgeqc.zoning.zones import LASER, SCISSOR, TORN, ZoneMap

SIGN_FREE = frozenset({"Sa", "Sq", "Sku", "Sz", "Sk", "Sal", "Str", "Std", "Sdq", "Sdr"})
"""Areal parameters that are the same for a relief turned inside out."""

MATCHING = "stereo matching"
"""Share of the budget for what a stereo pair leaves open: noise, and brightness that changes with
the tilt."""

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
    stereo : StereoZoneSettings
        When a stereo pair may tell a zone's roughness.
    profile : ProfileSettings
        Where the parameters of edge contours are read.
    areal : ArealSettings
        Where the parameters of height maps are read.
    """

    contour: EdgeContourSettings = field(default_factory=EdgeContourSettings)
    registration: RegistrationSettings = field(default_factory=RegistrationSettings)
    form: SurfaceForm = "polynomial 2"
    border_um: float = 2.0
    least_known: float = 0.5
    noise_u_rel: float = 0.1
    stereo: StereoZoneSettings = field(default_factory=StereoZoneSettings)
    profile: ProfileSettings = field(default_factory=ProfileSettings)
    areal: ArealSettings = field(default_factory=ArealSettings)


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
        rows.extend(edge_rows(contour, settings.profile))
    short = [f"{row.zone}" for row in rows if row.parameter == "Rq" and too_short(row.note)]
    if short:
        flags.append(raised("roughness_too_short", ", ".join(sorted(set(short)))))
    if height_map is not None:
        height_map = register_height_map(height_map, image, settings.registration)
        flags.extend(height_map.flags)
        found, untold = height_map_rows(height_map, face, zones, image.pixels.shape, settings)
        rows.extend(found)
        flags.extend(
            raised("stereo_zone_untold", f"{zone}: {why}") for zone, why in untold.items()
        )
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
) -> tuple[tuple[RoughnessRow, ...], dict[Zone, str]]:
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

    Returns
    -------
    rows : tuple of RoughnessRow
        The rows.
    untold : dict of zone to str
        Why a zone has none although its stereo pair has heights, in words.

    Notes
    -----
    Noise that the map knows of is taken out (`noise_taken_out`). The heights of a zone of a stereo
    pair are found on the pair itself (`stereo_zone`), in the band that it settles. Where the sign
    of the tilts is not proven, parameters that depend on it are left out.

    References
    ----------
    ISO 25178-2:2021.
    """
    settings = settings or ZoneRoughnessSettings()
    if not height_map.has_heights:
        return (), {}
    rows: list[RoughnessRow] = []
    untold: dict[Zone, str] = {}
    unproven = any(flag.name == "stereo_sign_unproven" for flag in height_map.flags)
    for zone, mask in zone_masks(height_map, face, zones, shape, settings.border_um).items():
        known = mask & np.isfinite(height_map.height_um)
        paired = height_map.stereo is not None
        least = settings.stereo.least_matched if paired else settings.least_known
        if known.sum() < least * mask.sum():
            if paired:
                untold[zone] = "the two pictures match on too little of it"
            continue
        if height_map.stereo is None:
            found = _zone_rows(height_map, zone, known, settings)
        else:
            heights = zone_heights(height_map.stereo, known, settings.form, settings.stereo)
            if heights.reason:
                untold[zone] = heights.reason
            found = _stereo_rows(height_map, zone, heights, settings)
        rows.extend(row for row in found if not unproven or row.parameter in SIGN_FREE)
    return tuple(rows), untold


def _zone_rows(
    height_map: HeightMap, zone: Zone, known: BoolArray, settings: ZoneRoughnessSettings
) -> tuple[RoughnessRow, ...]:
    noise = zone_noise_um(height_map, known, settings.form)
    doubt = HeightDoubt(
        noise_um=noise if math.isfinite(noise) else 0.0,
        noise_u_rel=settings.noise_u_rel, height_u_rel=height_map.u_scale_rel,
        spacing_u_rel=height_map.u_spacing_rel,
    )
    note = f"heights from {height_map.source}"
    if not math.isfinite(noise):
        note += "; height noise not known and not taken out"
    try:
        found = roughness_areal(
            height_map.height_um, height_map.spacing_um, mask=known, doubt=doubt,
            band=Band(form=settings.form), settings=settings.areal,
        )
    except MeasurementError:
        return ()  # too small a region, or constant: the face's other rows stand
    return _noted(found, zone, note, 0.0)


def _stereo_rows(
    height_map: HeightMap, zone: Zone, heights: ZoneHeights, settings: ZoneRoughnessSettings
) -> tuple[RoughnessRow, ...]:
    if heights.height_um is None:
        return ()
    doubt = HeightDoubt(
        height_u_rel=height_map.u_scale_rel, spacing_u_rel=height_map.u_spacing_rel
    )
    try:
        found = roughness_areal(
            heights.height_um, height_map.spacing_um, mask=np.isfinite(heights.height_um),
            doubt=doubt, band=Band(form=settings.form, short_nesting_index_um=heights.short_um),
            settings=settings.areal,
        )
    except MeasurementError:
        return ()
    note = f"heights from {height_map.source}, in the band that it settles"
    return _noted(found, zone, note, heights.u_rel)


def _noted(
    found: Roughness, zone: Zone, note: str, matching: float
) -> tuple[RoughnessRow, ...]:
    return tuple(
        replace(
            row, result=_with_matching(row.result, row.parameter, matching),
            note="; ".join(text for text in (note, row.note) if text),
        )
        for row in found.rows(zone, "height map")
    )


def zone_noise_um(height_map: HeightMap, known: BoolArray, form: SurfaceForm) -> float:
    """Return the root mean square height noise within a zone.

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
        return float(np.nanstd(sample - surface_form(sample, height_map.spacing_um, form)))
    sigma: FloatArray = height_map.sigma_z_um[known]
    return float(np.sqrt(np.mean(sigma**2))) if np.isfinite(sigma).all() else math.nan


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
