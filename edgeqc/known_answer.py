"""The known-answer check: fresh phantoms near a laboratory's own settings, measured and compared.

A phantom's truth comes from its drawing, never from the formulas that measure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import ImageError, UsageError
from edgeqc.examined import ExaminedFace, ExaminedPicture
from edgeqc.flags import verdict_of, verdict_without_residual
from edgeqc.imaging.image import CalibratedImage
from edgeqc.phantoms import FAMILIES, Phantom, draw_phantom, random_recipe
from edgeqc.phantoms.recipe import AcquisitionRecipe
from edgeqc.phantoms.writing import write_picture
from edgeqc.protocol import Protocol
from edgeqc.quantity import Measured
from edgeqc.report.figures import draw_labels
from edgeqc.specimen import examine_picture, find_faces, open_pictures
from edgeqc.specimen_sheet import Sheet, SheetRow

LEFT_OUT_FAMILIES = ("hard", "cropped", "two_faces")
"""Pictures with planted defects, without both edges, or with two faces: not a lab's daily kind."""

LARGEST_SIDE_PX = 1400
"""Phantoms are drawn no larger: more pixels of the same size show nothing new."""

PICTURES_LOOKED_AT = 12
"""Pictures of the laboratory's folder from which its settings are read."""

FAR_OFF = 0.05
"""Depth error of a face called measured from which it counts as confidently wrong."""

_ENDINGS = (".tif", ".tiff", ".png", ".jpg", ".jpeg", ".bmp")
_CONTRAST = 0.4  # grey per signal of the phantoms; with it a dose gives the wanted noise


@dataclass(frozen=True)
class OwnSettings:
    """What a laboratory's pictures are like; None leaves a setting to chance.

    Parameters
    ----------
    pixel_size_um, thickness_um : float or None
        Medians over its pictures.
    tilt_deg : float or None
        Median tilt from the sheet.
    noise_sd : float or None
        Median noise, in grey levels from 0 to 1.
    rows, cols : int or None
        Size of its pictures, held to ``LARGEST_SIDE_PX``.
    """

    pixel_size_um: float | None = None
    thickness_um: float | None = None
    tilt_deg: float | None = None
    noise_sd: float | None = None
    rows: int | None = None
    cols: int | None = None


@dataclass(frozen=True)
class CheckedPhantom:
    """One phantom: what is true and what was measured.

    Parameters
    ----------
    number : int
        1, 2, ...
    family : str
        Kind of phantom.
    verdict : str
        ``measured``, ``review``, ``rejected``, or ``no face``.
    true_depth, true_thickness_um : float
        ``nan`` where there is no laser zone.
    depth, thickness_um : Measured or None
        What was measured.
    dice : float
        Mean overlap of the zones present, ``nan`` without zones.
    verdict_without_residual : str
        The verdict apart from whether the residual was torn or cut; empty where it is the same.
    """

    number: int
    family: str
    verdict: str
    true_depth: float
    true_thickness_um: float
    depth: Measured | None
    thickness_um: Measured | None
    dice: float
    verdict_without_residual: str = ""

    @property
    def depth_stands(self) -> bool:
        """Whether depth and thickness may be relied on, whatever the residual is called."""
        return (self.verdict_without_residual or self.verdict) == "measured"

    @property
    def depth_error(self) -> float:
        """Measured minus true depth; ``nan`` where either is missing."""
        return math.nan if self.depth is None else self.depth.value - self.true_depth

    @property
    def thickness_error(self) -> float:
        """Relative error of the thickness; ``nan`` where it is missing."""
        if self.thickness_um is None:
            return math.nan
        return self.thickness_um.value / self.true_thickness_um - 1


def settings_of(folder: Path, sheet: Sheet, protocol: Protocol) -> OwnSettings:
    """Return what a laboratory's pictures are like.

    Parameters
    ----------
    folder : Path
        Folder of pictures; up to ``PICTURES_LOOKED_AT`` of them, evenly chosen, are read.
    sheet : Sheet
        Its specimen sheet.
    protocol : Protocol
        Specimen protocol in force.

    Raises
    ------
    UsageError
        The folder holds no picture that can be read.
    """
    files = sorted(path for path in folder.iterdir() if path.suffix.lower() in _ENDINGS
                   and not path.name.endswith(".zones.png"))
    chosen = files[:: max(1, len(files) // PICTURES_LOOKED_AT)][:PICTURES_LOOKED_AT]
    images: list[CalibratedImage] = []
    for path in chosen:
        try:
            images += [item.image for item in open_pictures(path, path.name, sheet, protocol)]
        except ImageError:
            continue  # one bad picture says nothing about the others' settings
    if not images:
        raise UsageError("the folder holds no picture that can be read", file=folder.name,
                         remedy="Give a folder of the laboratory's own pictures.")
    thickness = [value for image in images for value in _thicknesses(image, protocol)]
    scale = max(1.0, max(max(image.pixels.shape) for image in images) / LARGEST_SIDE_PX)
    return OwnSettings(
        pixel_size_um=_median([image.pixel_size_um[1] for image in images if image.pixel_size_um]),
        thickness_um=_median(thickness),
        tilt_deg=_median([image.tilt_deg for image in images]),
        noise_sd=_median([image.noise_sd for image in images]),
        rows=round(float(np.median([image.pixels.shape[0] for image in images])) / scale),
        cols=round(float(np.median([image.pixels.shape[1] for image in images])) / scale),
    )


def _median(values: Sequence[float]) -> float | None:
    known = [value for value in values if math.isfinite(value)]
    return float(np.median(known)) if known else None


def _thicknesses(image: CalibratedImage, protocol: Protocol) -> list[float]:
    """Return the median thickness of each whole face of a picture, in µm."""
    if image.pixel_size_um is None or verdict_of(image.flags) == "rejected":
        return []
    faces, _ = find_faces(image, SheetRow("", ""), protocol)
    return [float(np.median(face.thickness_px[face.complete])) * image.pixel_size_um[0]
            for face in faces if face.complete.mean() > 0.5]


def check_phantoms(
    count: int,
    protocol: Protocol,
    *,
    seed: int = 0,
    like: OwnSettings | None = None,
    tell: Callable[[int], None] = lambda done: None,
) -> list[CheckedPhantom]:
    """Return fresh phantoms, measured and compared with their truth.

    Parameters
    ----------
    count : int
        How many.
    protocol : Protocol
        Specimen protocol in force.
    seed : int
        Seed of the recipes.
    like : OwnSettings, optional
        What the pictures are to be like.
    tell : callable
        Told how many are done.
    """
    rng = np.random.default_rng(seed)
    families = [name for name in FAMILIES if name not in LEFT_OUT_FAMILIES]
    checked = []
    for number in range(1, count + 1):
        family = families[(number - 1) % len(families)]
        recipe = random_recipe(rng, family, **_held(like or OwnSettings()))
        checked.append(_checked(number, draw_phantom(recipe), protocol))
        tell(number)
    return checked


def _held(like: OwnSettings) -> dict[str, object]:
    """Return the fields of a recipe that a laboratory's settings hold fixed."""
    held: dict[str, object] = {}
    for name in ("pixel_size_um", "tilt_deg", "rows", "cols", "thickness_um"):
        value = getattr(like, name)
        if value is not None:
            held[name] = abs(value) if name == "tilt_deg" else value
    if like.noise_sd is not None:
        # shot noise: grey sd = contrast / sqrt(dose) at unit signal
        dose = (_CONTRAST / max(like.noise_sd, 1e-3)) ** 2
        held["acquisition"] = AcquisitionRecipe(contrast=_CONTRAST, dose=float(dose))
    return held


def _checked(number: int, phantom: Phantom, protocol: Protocol) -> CheckedPhantom:
    truth = phantom.truth.faces[0]
    row = SheetRow("phantom.tif", "phantom", pixel_size_um=phantom.truth.pixel_size_um,
                   tilt_deg=phantom.truth.tilt_deg, anterior=(truth.anterior,), faces=1)
    with TemporaryDirectory(prefix="edgeqc-") as place:
        path = Path(place) / "phantom.tif"
        write_picture(path, phantom.image)
        opened = open_pictures(path, path.name, Sheet((row,), located=True), protocol)
        examined = examine_picture(opened[0], protocol)
    whole = truth.complete
    missed = CheckedPhantom(
        number=number, family=phantom.recipe.family,
        verdict="rejected" if verdict_of(examined.all_flags) == "rejected" else "no face",
        true_depth=float(truth.cut_depth_fraction),
        true_thickness_um=float(np.mean(truth.thickness_um[whole])) if whole.any()
                          else math.nan,
        depth=None, thickness_um=None, dice=math.nan)
    face = _nearest(examined, truth.outline_px.mean(axis=0))
    if face is None:
        return missed
    assert examined.image is not None
    labels = draw_labels(examined.image, [(face.face, face.zones)])
    flags = (*examined.all_flags, *face.face.flags,
             *(face.zones.flags if face.zones else ()), *face.measures.flags)
    return replace(
        missed, verdict=verdict_of(flags),
        verdict_without_residual=verdict_without_residual(flag.name for flag in flags),
        depth=face.measures.values.get("cut_depth_fraction"),
        thickness_um=face.measures.values.get("thickness_um"),
        dice=mean_dice(labels, phantom.truth.labels))


def _nearest(examined: ExaminedPicture, at: NDArray[np.float64]) -> ExaminedFace | None:
    if not examined.faces:
        return None
    return min(examined.faces,
               key=lambda item: float(np.hypot(*(np.array(item.face.centroid_px) - at))))


def mean_dice(found: NDArray[np.uint8], truth: NDArray[np.uint8]) -> float:
    """Return the mean overlap 2|A∩B|/(|A|+|B|) over the zones that the truth has.

    References
    ----------
    Ecology 1945, 26:297 (the coefficient).

    Examples
    --------
    >>> import numpy as np
    >>> mean_dice(np.array([[1, 1, 3]], np.uint8), np.array([[1, 3, 3]], np.uint8))
    0.6666666666666666
    """
    shares = []
    for code in (1, 2, 3):
        there, here = truth == code, found == code
        if there.any():
            both = np.count_nonzero(there & here)
            shares.append(2 * both / (np.count_nonzero(there) + np.count_nonzero(here)))
    return float(np.mean(shares)) if shares else math.nan
