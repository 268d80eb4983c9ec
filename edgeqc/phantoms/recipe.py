"""The recipe of a phantom: everything that decides how its picture looks, and nothing else.

A recipe is a tree of small frozen records, writable as JSON and readable back without loss. The
same recipe draws the same picture, bit for bit.
"""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from edgeqc.errors import UsageError

LASER_KINDS = ("lattice", "melt", "fine", "smooth", "bubbles", "layered")
"""Ways in which a laser zone can come out."""
SCISSOR_KINDS = ("striated", "waves", "smear", "chatter", "overlap")
"""Ways in which a scissor zone can come out."""
TORN_KINDS = ("fibrils", "rivers", "dimples", "facets", "hackle", "ligaments", "crazing")
"""Ways in which a torn zone can come out."""
FORMS = ("plate", "biconvex", "plano-convex", "meniscus")
"""Forms of a lens section."""

T = TypeVar("T")


@dataclass(frozen=True)
class Layer:
    """One sub-pattern of a zone's relief.

    Parameters
    ----------
    kind : str
        Name of the pattern (a key of ``relief.PATTERNS``).
    amplitude_um : float
        Root-mean-square height of the layer, in µm.
    scale_um : float
        Its length scale (wavelength, cell size or correlation length), in µm.
    angle_deg : float
        Direction of its lay, in degrees from the face's length.
    anisotropy : float
        How many times longer the pattern is along its lay than across it.
    params : mapping of str to float
        What else the pattern needs.
    """

    kind: str
    amplitude_um: float
    scale_um: float
    angle_deg: float = 0.0
    anisotropy: float = 1.0
    params: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class ZoneRecipe:
    """Relief and brightness of one zone of a face.

    Parameters
    ----------
    kind : str
        One of ``LASER_KINDS``, ``SCISSOR_KINDS`` or ``TORN_KINDS``.
    layers : tuple of Layer
        Sub-patterns; their heights add up.
    grey : float
        Mean signal of the zone, relative to the face's mean (material and charging offset).
    texture_sd : float
        Standard deviation of the zone's signal by its relief, relative to the face's mean.
    patchiness : float
        Standard deviation of the slow change of that texture within the zone.
    drift : float
        Standard deviation of the slow change of grey within the zone.
    """

    kind: str
    layers: tuple[Layer, ...]
    grey: float = 1.0
    texture_sd: float = 0.15
    patchiness: float = 0.0
    drift: float = 0.0


@dataclass(frozen=True)
class Stretch:
    """A stretch of the whole thickness that scissors took.

    Parameters
    ----------
    start, end : float
        Where it begins and ends, as fractions of the face's length (may leave 0..1).
    slant : float
        Shift of its border between the two edges, as a fraction of the thickness.
    wave_um : float
        Standard deviation of its border's waviness.
    """

    start: float
    end: float
    slant: float = 0.0
    wave_um: float = 0.0


@dataclass(frozen=True)
class LayoutRecipe:
    """Where the zones lie on the face.

    Parameters
    ----------
    name : str
        Name of the layout.
    depth : float
        Mean depth of the laser zone from the anterior edge, as a fraction of the thickness;
        0 for none, 1 or more for a through cut.
    slant : float
        Change of that depth from one end of the face to the other.
    wave : float
        Standard deviation of the depth's waviness, as a fraction of the thickness.
    wave_length_um : float
        Correlation length of that waviness.
    fringe_um, fringe_length_um : float
        Standard deviation and correlation length of the border's fine raggedness.
    steps : tuple of (float, float)
        Sudden changes of depth: position along the face (fraction), change (fraction).
    softness_um : float
        Width over which the two zones blend at their border; 0 for an abrupt one.
    ledge_um : float
        Height step at the border between the laser zone and the residual.
    residual : {"torn", "scissor", "both"}
        What lies below the laser zone.
    change : float
        Where torn turns to scissor (fraction of the length) for ``residual = "both"``.
    scissor_first : bool
        Whether the scissor part of such a residual comes first along s.
    stretches : tuple of Stretch
        Stretches of the whole thickness that scissors took.
    """

    name: str
    depth: float
    slant: float = 0.0
    wave: float = 0.0
    wave_length_um: float = 100.0
    fringe_um: float = 0.0
    fringe_length_um: float = 5.0
    steps: tuple[tuple[float, float], ...] = ()
    softness_um: float = 0.0
    ledge_um: float = 0.0
    residual: str = "torn"
    change: float = 0.5
    scissor_first: bool = False
    stretches: tuple[Stretch, ...] = ()


@dataclass(frozen=True)
class EdgeRecipe:
    """The look of one long edge of the face.

    Parameters
    ----------
    rq_um, correlation_um, exponent : float
        Standard deviation, correlation length and roughness exponent of the edge's line
        (a correlated process with the spectrum of Palasantzas).
    brightness, width_px : float
        Edge brightening (relative signal, negative for a dark rim) and its width.
    rounding_px : float
        Width of the band in which the relief fades towards the edge.
    burrs : float
        Mean number of burrs per 100 px of edge that reach outside the face.
    burr_px : float
        How far they reach.
    """

    rq_um: float = 0.5
    correlation_um: float = 8.0
    exponent: float = 0.8
    brightness: float = 0.3
    width_px: float = 3.0
    rounding_px: float = 0.0
    burrs: float = 0.0
    burr_px: float = 5.0


@dataclass(frozen=True)
class FaceRecipe:
    """One cut face.

    Parameters
    ----------
    centre : (float, float)
        Position (row, col) of the middle of the face's axis, as fractions of the picture.
    angle_deg : float
        Direction of the face's length in the picture; at 0 it runs to the right with the
        anterior edge on top, at 90 downwards with the anterior edge at the right.
    thickness_um : float
        Thickness at ``apex``.
    form : str
        One of ``FORMS``.
    sag : float
        Loss of thickness at the end farthest from the apex, as a fraction of the thickness.
    apex : float
        Where the face is thickest, as a fraction of its length (may leave 0..1).
    taper : float
        Linear change of thickness from end to end, as a fraction.
    bend : float
        Sagitta of the bent axis over the face's length, as a fraction of the thickness.
    start_um, end_um : float
        Ends of the face along its axis, from the centre.
    end_slant : (float, float)
        Slants of the two ends (shift across the thickness over thickness).
    anterior, posterior : EdgeRecipe
        The two long edges.
    layout : LayoutRecipe
        Where the zones lie.
    laser, scissor, torn : ZoneRecipe
        How the zones look.
    grey : float
        Mean signal of the face.
    """

    centre: tuple[float, float]
    angle_deg: float
    thickness_um: float
    form: str
    sag: float
    apex: float
    taper: float
    bend: float
    start_um: float
    end_um: float
    end_slant: tuple[float, float]
    anterior: EdgeRecipe
    posterior: EdgeRecipe
    layout: LayoutRecipe
    laser: ZoneRecipe
    scissor: ZoneRecipe
    torn: ZoneRecipe
    grey: float = 1.0


@dataclass(frozen=True)
class SignalRecipe:
    """How relief turns into secondary electrons.

    Parameters
    ----------
    exponent : float
        n of the tilt yield sec^n.
    saturation : float
        Yield at which it levels off, relative to that at normal incidence.
    detector_deg : float
        Direction of the detector in the picture, in degrees from the column axis.
    detector_gain : float
        Weight of the detector-side shading.
    convexity_gain, convexity_px : float
        Weight and scale of the edge brightening of convex relief.
    shadow_gain, shadow_px : float
        Weight and scale of the shadowing in cavities.
    inverted : bool
        Contrast turned over, as with another detector.
    """

    exponent: float = 1.0
    saturation: float = 5.0
    detector_deg: float = -90.0
    detector_gain: float = 0.4
    convexity_gain: float = 0.3
    convexity_px: float = 1.5
    shadow_gain: float = 0.4
    shadow_px: float = 8.0
    inverted: bool = False


@dataclass(frozen=True)
class SurroundRecipe:
    """What lies around the faces.

    Parameters
    ----------
    grey : float
        Mean signal of the background.
    texture_sd : float
        Standard deviation of its texture.
    layers : tuple of Layer
        Relief of the background.
    gradient : float
        Change of the background's signal across the picture.
    optic_side : {"none", "anterior", "posterior", "both"}
        Along which edge the lens's own surface is seen.
    optic_width : float
        Width of that band as a fraction of the thickness (large: up to the picture's border).
    optic_grey, optic_texture_sd : float
        Its mean signal and texture.
    optic_layers : tuple of Layer
        Its relief.
    halo, halo_px : float
        Glow (or shadow, if negative) of the background along the face, and its width.
    """

    grey: float = 0.3
    texture_sd: float = 0.03
    layers: tuple[Layer, ...] = ()
    gradient: float = 0.0
    optic_side: str = "none"
    optic_width: float = 0.0
    optic_grey: float = 0.6
    optic_texture_sd: float = 0.02
    optic_layers: tuple[Layer, ...] = ()
    halo: float = 0.0
    halo_px: float = 10.0


@dataclass(frozen=True)
class DebrisRecipe:
    """What lies on the faces.

    Parameters
    ----------
    particles : int
        Number of particles in the picture.
    particle_um : float
        Their median diameter.
    crystals : int
        Number of crystals.
    crystal_um : float
        Their median size.
    films : int
        Number of sheet-like remnants.
    film_um : float
        Their size.
    contrast : float
        Signal of debris relative to the face (1 equal).
    """

    particles: int = 0
    particle_um: float = 5.0
    crystals: int = 0
    crystal_um: float = 15.0
    films: int = 0
    film_um: float = 80.0
    contrast: float = 1.3


@dataclass(frozen=True)
class AcquisitionRecipe:
    """How the microscope took the picture.

    Parameters
    ----------
    blur_px : float
        Standard deviation of the beam (and of defocus), in pixels.
    blur_ratio, blur_deg : float
        Astigmatism: ratio of the two axes, direction.
    dose : float
        Detected electrons per pixel at unit signal.
    brightness, contrast : float
        Grey (fraction of full scale) of unit signal, and grey per signal.
    gradient : (float, float)
        Change of signal over the picture along rows and columns.
    line_jitter_px : float
        Standard deviation of the lines' displacement.
    line_noise : float
        Standard deviation of the lines' offset in signal.
    charging : float
        Strength of streaks behind bright edges and of drifting lines.
    bloom : float
        Strength of the glow around bright parts.
    sharpen : float
        Strength of a sharpening filter (0 for none).
    jpeg_quality : int
        Quality of a lossy compression (0 for none).
    bits : {8, 16}
        Depth of the picture.
    """

    blur_px: float = 0.7
    blur_ratio: float = 1.0
    blur_deg: float = 0.0
    dose: float = 300.0
    brightness: float = 0.45
    contrast: float = 0.4
    gradient: tuple[float, float] = (0.0, 0.0)
    line_jitter_px: float = 0.0
    line_noise: float = 0.0
    charging: float = 0.0
    bloom: float = 0.0
    sharpen: float = 0.0
    jpeg_quality: int = 0
    bits: int = 8


@dataclass(frozen=True)
class BarRecipe:
    """The data bar below the picture (``height_px`` 0: none).

    Parameters
    ----------
    height_px : int
        Rows that the bar takes at the bottom of the picture.
    dark : bool
        Light text on dark ground.
    scale_bar_um : float
        Length of the drawn scale bar.
    inside : bool
        The scale bar is drawn in the picture itself, without a data bar.
    """

    height_px: int = 0
    dark: bool = True
    scale_bar_um: float = 0.0
    inside: bool = False


@dataclass(frozen=True)
class Recipe:
    """Everything that decides how a phantom looks.

    Parameters
    ----------
    family : str
        Name of the family that it was drawn from.
    seed : int
        Seed of all random detail.
    rows, cols : int
        Size of the picture, data bar included.
    pixel_size_um : float
        Pixel size.
    tilt_deg : float
        Tilt of the faces about their length; foreshortens across the thickness by its cosine.
    faces : tuple of FaceRecipe
        The faces.
    signal, surround, debris, acquisition, bar
        The other parts.
    """

    family: str
    seed: int
    rows: int
    cols: int
    pixel_size_um: float
    tilt_deg: float
    faces: tuple[FaceRecipe, ...]
    signal: SignalRecipe = field(default_factory=SignalRecipe)
    surround: SurroundRecipe = field(default_factory=SurroundRecipe)
    debris: DebrisRecipe = field(default_factory=DebrisRecipe)
    acquisition: AcquisitionRecipe = field(default_factory=AcquisitionRecipe)
    bar: BarRecipe = field(default_factory=BarRecipe)

    def to_json(self) -> str:
        """Return the recipe as JSON text."""
        return json.dumps(dataclasses.asdict(self), indent=1)

    @classmethod
    def from_json(cls, text: str) -> Recipe:
        """Return the recipe that ``to_json`` wrote; ``UsageError`` where a field is wrong."""
        try:
            return _build(cls, json.loads(text))
        except (KeyError, TypeError, ValueError) as error:
            raise UsageError(
                f"this is not a phantom's recipe ({error})",
                rule="a recipe is the JSON text that the phantom command writes",
                remedy="start from a recipe that the phantom command wrote",
            ) from error


def _build(kind: type[T], data: Mapping[str, Any]) -> T:
    """Return a record of the given kind from plain JSON data."""
    hints = typing.get_type_hints(kind)
    known = {item.name for item in dataclasses.fields(kind)}  # type: ignore[arg-type]
    if unknown := set(data) - known:
        raise ValueError(f"unknown field {sorted(unknown)[0]!r} in {kind.__name__}")
    return kind(**{name: _value(hints[name], value) for name, value in data.items()})


def _value(hint: Any, value: Any) -> Any:
    if dataclasses.is_dataclass(hint):
        return _build(hint, value)  # type: ignore[arg-type]
    if typing.get_origin(hint) is tuple:
        parts = typing.get_args(hint)
        if len(parts) == 2 and parts[1] is Ellipsis:
            return tuple(_value(parts[0], item) for item in value)
        return tuple(_value(part, item) for part, item in zip(parts, value, strict=True))
    if typing.get_origin(hint) is Mapping or isinstance(hint, types.GenericAlias):
        return dict(value)
    return float(value) if hint is float else value
