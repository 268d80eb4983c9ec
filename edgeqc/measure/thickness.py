"""Thickness of the face along its length."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from edgeqc.faces.face import CutFace
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray, FloatArray, Measured, Profile, combine


@dataclass(frozen=True)
class ThicknessSettings:
    """Choices behind the thickness.

    Parameters
    ----------
    common_edge_share : float
        Share of the edge's standard uncertainty that is common to all its points (which point
        of the edge's blurred profile is the edge); the rest averages out along s.
    unknown_tilt_deg : float
        Half-width of the tilt allowed for where the tilt is not known.
    large_tilt_deg : float
        Tilt beyond which the face goes to review.
    """

    common_edge_share: float = 0.5
    unknown_tilt_deg: float = 10.0
    large_tilt_deg: float = 30.0


@dataclass(frozen=True)
class ThicknessMeasures:
    """Thickness of one face.

    Parameters
    ----------
    profile : Profile
        Local thickness along s, µm (pixels where no scale is known).
    mean, minimum, maximum : Measured or None
        Over the measured length, in µm; None where no scale is known or no chord is complete.
    flags : tuple of Raised
        Doubts.
    """

    profile: Profile
    mean: Measured | None
    minimum: Measured | None
    maximum: Measured | None
    flags: tuple[Raised, ...] = ()


def _sample_size(image: CalibratedImage) -> tuple[float, float]:
    """Size of a pixel in µm where the scale is known, else in pixels of the file."""
    return image.pixel_size_um or (float(image.reduction), float(image.reduction))


def _spans(image: CalibratedImage, face: CutFace) -> tuple[FloatArray, FloatArray, str]:
    """Chord lengths and positions along s, in µm where the scale is known, else in file pixels."""
    row_size, col_size = _sample_size(image)
    way = (face.posterior_px - face.anterior_px) * np.array([row_size, col_size])
    middle = (face.posterior_px + face.anterior_px) / 2 * np.array([row_size, col_size])
    steps = np.hypot(*np.diff(middle, axis=0).T)
    s = np.concatenate([[0.0], np.cumsum(steps)])
    return np.hypot(*way.T), s, "µm" if image.pixel_size_um else "px"


def _tilt(image: CalibratedImage, settings: ThicknessSettings) -> tuple[float, float]:
    """Factor 1/cos(tilt) and its relative standard uncertainty."""
    if math.isfinite(image.tilt_deg):
        tilt = math.radians(image.tilt_deg)
        u = math.radians(image.u_tilt_deg) if math.isfinite(image.u_tilt_deg) else 0.0
        # second term: near zero tilt the first-order sensitivity vanishes (JCGM 100, 5.1.2 note)
        return 1 / math.cos(tilt), math.hypot(math.tan(tilt) * u, u * u / math.sqrt(2))
    half = 1 / math.cos(math.radians(settings.unknown_tilt_deg)) - 1
    return 1.0, half / math.sqrt(3)


def local_thickness(
    image: CalibratedImage, face: CutFace, settings: ThicknessSettings | None = None
) -> Profile:
    """Return the local thickness along the face.

    Parameters
    ----------
    image : CalibratedImage
        Gives pixel size and tilt.
    face : CutFace
        Its chords run along the transverse direction.
    settings : ThicknessSettings, optional
        Choices.

    Returns
    -------
    Profile
        (n_s,) thickness in µm, or in pixels of the file where no scale is known; ``valid`` where
        both ends of the chord are true edges.

    Notes
    -----
    t(s) is the chord's length in the picture divided by cos(tilt): a face tilted about its
    length is foreshortened across its thickness (orthographic projection).
    """
    settings = settings or ThicknessSettings()
    span, s, unit = _spans(image, face)
    factor, _ = _tilt(image, settings)
    u_point = math.sqrt(2) * face.u_edge_px * math.sqrt(math.prod(_sample_size(image))) * factor
    return Profile(
        s, span * factor, np.full(s.size, u_point), unit, face.complete.copy(), s_unit=unit
    )


def _summary(
    profile: Profile, which: str, u_rel: dict[str, float], settings: ThicknessSettings
) -> Measured:
    data, u_point = profile.value[profile.valid], float(profile.u[0])
    ways: dict[str, Callable[[FloatArray], Any]] = {
        "mean": np.mean, "minimum": np.min, "maximum": np.max,
    }  # fmt: skip
    value = float(ways[which](data))
    share = settings.common_edge_share
    own = math.sqrt(max(0.0, 1 - share * share)) * u_point
    budget = {
        "edge, common": share * u_point,
        "edge, point by point": own / math.sqrt(data.size) if which == "mean" else own,
    }
    budget |= {source: value * u for source, u in u_rel.items() if u > 0}
    return Measured(value, combine(budget), profile.unit, budget, int(data.size))


def measure_thickness(
    image: CalibratedImage, face: CutFace, settings: ThicknessSettings | None = None
) -> ThicknessMeasures:
    """Return the thickness profile of a face and its mean, minimum and maximum.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    settings : ThicknessSettings, optional
        Choices.

    Returns
    -------
    ThicknessMeasures
        Values in µm with budget: edges (common and point by point), pixel size, tilt.

    References
    ----------
    JCGM 100:2008, 5.1.2 (combination) and 4.3.7 (rectangular bounds for an unknown tilt).
    """
    settings = settings or ThicknessSettings()
    profile = local_thickness(image, face, settings)
    flags: list[Raised] = []
    if not math.isfinite(image.tilt_deg):
        flags.append(raised("tilt_unknown", f"±{settings.unknown_tilt_deg:g}° allowed for"))
    elif abs(image.tilt_deg) > settings.large_tilt_deg:
        flags.append(raised("tilt_large", f"{image.tilt_deg:g}°"))
    if image.pixel_size_um is None or not profile.valid.any():
        return ThicknessMeasures(profile, None, None, None, tuple(flags))
    u_rel = {"pixel size": image.u_rel_pixel_size, "tilt": _tilt(image, settings)[1]}
    mean, low, high = (
        _summary(profile, which, u_rel, settings) for which in ("mean", "minimum", "maximum")
    )
    return ThicknessMeasures(profile, mean, low, high, tuple(flags))


def station_values(profile: Profile, columns: int) -> tuple[FloatArray, BoolArray]:
    """Return a profile's values and validity at the columns of a zone map.

    Parameters
    ----------
    profile : Profile
        Values at the face's chords.
    columns : int
        Columns of the zone map; column j lies at (j + 0.5)/columns of the chords.

    Returns
    -------
    value : (columns,) float array
    valid : (columns,) bool array
    """
    station = (np.arange(columns) + 0.5) / columns * (profile.s_um.size - 1)
    value = np.interp(station, np.arange(profile.s_um.size), profile.value)
    nearest = np.clip(np.rint(station).astype(int), 0, profile.s_um.size - 1)
    return np.asarray(value), profile.valid[nearest]
