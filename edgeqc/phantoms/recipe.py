"""The recipe of a phantom: everything that decides how its picture looks, and nothing else.

A recipe is a tree of small frozen records, writable as JSON and readable back without loss. The
same recipe draws the same picture, bit for bit.
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from edgeqc.errors import UsageError
from edgeqc.phantoms.face_recipe import FaceRecipe, Layer

T = TypeVar("T")

MIN_SIDE_PX, MAX_SIDE_PX = 64, 8192
"""Pictures smaller or larger than this are not drawn."""


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

    def check(self) -> None:
        """Raise ``ValueError`` where no picture can be drawn from these values."""
        rows = self.rows - self.bar.height_px
        if not (MIN_SIDE_PX <= rows <= MAX_SIDE_PX and MIN_SIDE_PX <= self.cols <= MAX_SIDE_PX):
            raise ValueError(f"{rows} x {self.cols} pixels without the data bar is no size to draw")
        if not self.faces:
            raise ValueError("there is no face in it")
        positive = {
            "pixel_size_um": self.pixel_size_um, "dose": self.acquisition.dose,
            "thickness_um": min(face.thickness_um for face in self.faces),
            "length of a face": min(face.end_um - face.start_um for face in self.faces),
        }
        for name, value in positive.items():
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} is {value:g}")
        if not 0 <= self.tilt_deg < 80:
            raise ValueError(f"tilt_deg is {self.tilt_deg:g}, not 0 to 80")

    @classmethod
    def from_json(cls, text: str) -> Recipe:
        """Return the recipe that ``to_json`` wrote; ``UsageError`` where a field is wrong."""
        try:
            recipe = _build(cls, json.loads(text))
            recipe.check()
            return recipe
        except (KeyError, TypeError, ValueError) as error:
            raise UsageError(
                f"this is not a phantom's recipe ({error})",
                rule="a recipe is the JSON text that the phantom command writes",
                remedy="start from a recipe that the phantom command wrote",
            ) from error


def _build(kind: type[T], data: Mapping[str, Any]) -> T:
    """Return a record of the given kind from plain JSON data."""
    if not isinstance(data, Mapping):
        raise TypeError(f"{kind.__name__} is not written as fields")
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
    if hint is float:
        return float(value)
    if hint in (int, str, bool) and type(value) is not hint:
        raise TypeError(f"{value!r} is not of the type {hint.__name__}")
    return value
