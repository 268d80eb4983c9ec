"""The registry of flags: every doubt that edgeqc can have about a picture or a face.

A flag never stops anything; it travels with the record that it concerns, and the worst of a
face's flags decides its verdict (``verdict_of``).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "review", "reject"]
Verdict = Literal["measured", "review", "rejected"]


@dataclass(frozen=True)
class Flag:
    """One kind of doubt.

    Parameters
    ----------
    name : str
        Short name, as it stands in tables.
    severity : {"note", "review", "reject"}
        What it does to the verdict: nothing, send to review, reject.
    sentence : str
        A plain sentence for the report.
    consequence : str
        What follows for the numbers.
    """

    name: str
    severity: Severity
    sentence: str
    consequence: str


@dataclass(frozen=True)
class Raised:
    """A flag raised for one picture or face, with the figure that raised it."""

    name: str
    detail: str = ""

    @property
    def flag(self) -> Flag:
        """The registry's entry."""
        return FLAGS[self.name]

    @property
    def severity(self) -> Severity:
        """Severity, from the registry."""
        return FLAGS[self.name].severity


def raised(name: str, detail: str = "") -> Raised:
    """Return a raised flag; ``KeyError`` where the registry does not know the name."""
    FLAGS[name]
    return Raised(name, detail)


def verdict_of(flags: Iterable[Raised]) -> Verdict:
    """Return the verdict that a face's flags amount to: the worst one decides."""
    severities = {flag.severity for flag in flags}
    if "reject" in severities:
        return "rejected"
    return "review" if "review" in severities else "measured"


RESIDUAL_FLAG = "residual_unnamed"
"""Doubts what the residual is called, and neither the laser zone nor any depth."""


def verdict_without_residual(names: Iterable[str]) -> Verdict:
    """Return the verdict of a face apart from whether its residual was torn or cut.

    Parameters
    ----------
    names : iterable of str
        Names of the face's flags.

    Raises
    ------
    KeyError
        Where the registry does not know a name.
    """
    return verdict_of(raised(name) for name in names if name != RESIDUAL_FLAG)


_N: Severity = "note"
_V: Severity = "review"
_X: Severity = "reject"

_ALL = (
    # --- scale and geometry -------------------------------------------------------------------
    Flag("scale_unknown", _N, "No pixel size is known for this picture.",
         "No length is given; fractions are."),
    Flag("scale_conflict", _V, "Two sources of the pixel size differ by more than 2 %.",
         "No length is given until the pixel size is settled; fractions are."),
    Flag("scale_implausible", _N, "A stored pixel size was ignored because it cannot be that of"
         " the object.", "The next source was used."),
    Flag("tilt_unknown", _N, "The tilt of the face away from the picture plane is not known.",
         "Thickness is taken as seen, with an allowance for tilt in its uncertainty."),
    Flag("tilt_large", _V, "The face is tilted by more than the protocol allows.",
         "Thickness and depth lean on the tilt value."),
    Flag("tilt_corrected_twice", _V, "The instrument had stretched the picture for tilt, and the"
         " sheet gives a tilt as well.", "Thickness may be corrected twice."),
    # --- picture quality ----------------------------------------------------------------------
    Flag("blank", _X, "The picture is blank.", "Nothing is measured."),
    Flag("too_small", _X, "The picture is too small.", "Nothing is measured."),
    Flag("blurred", _V, "The picture is not sharp enough.", "Zones may be misnamed."),
    Flag("out_of_focus", _X, "The picture is out of focus.", "Nothing is measured."),
    Flag("noisy", _V, "The picture is noisy.", "Zones may be misnamed."),
    Flag("noise_only", _X, "The picture holds no structure above its noise.",
         "Nothing is measured."),
    Flag("saturated", _V, "Part of the picture is clipped to black or white.",
         "Texture is lost there."),
    Flag("saturated_heavily", _X, "Most of the picture is clipped to black or white.",
         "Nothing is measured."),
    Flag("background_clipped", _N, "Part of the picture beside its faces is clipped to black or"
         " white.", "The faces themselves are judged one by one."),
    Flag("charging", _V, "The picture shows charging.",
         "Grey levels and positions are unsafe."),
    Flag("gradient", _N, "The picture's brightness drifts from side to side.",
         "Taken out before texture is measured."),
    Flag("non_finite_pixels", _N, "Some pixels hold no number.", "They are left out."),
    Flag("picture_reduced", _N, "The picture is too large to be measured pixel by pixel.",
         "It was measured on means of blocks of pixels; finer structure is not in the numbers."),
    Flag("not_grey", _N, "The picture has colours.", "Its luminance is used."),
    # --- faces --------------------------------------------------------------------------------
    Flag("no_face", _X, "No cut face was found.", "Nothing is measured."),
    Flag("faces_differ", _V, "The number of faces found is not the number on the sheet.",
         "Check the outline."),
    Flag("face_fills_frame", _V, "The face fills the picture: its edges are not in it.",
         "No thickness and no depth fraction can be given."),
    Flag("face_cropped", _V, "The picture's frame cuts off an edge of the face.",
         "No thickness and no depth fraction are given."),
    Flag("face_small", _V, "The face is only a few pixels thick.", "Depth is coarse."),
    Flag("outline_doubtful", _V, "The face's outline is uncertain.",
         "Thickness and depth lean on it."),
    Flag("not_a_lens_face", _V, "The outline or texture is not that of a cut lens face.",
         "Check that the picture shows a cut face."),
    Flag("anterior_inferred", _N, "The anterior side was inferred from the zones.",
         "Depth is measured from there; give the side on the sheet to be sure."),
    Flag("anterior_unknown", _V, "The anterior side is not known and could not be inferred.",
         "Depth is measured from the edge marked, which may be the wrong one."),
    Flag("anterior_contradicted", _V, "The zones suggest the other side as anterior.",
         "Check the sheet's entry."),
    # --- zones --------------------------------------------------------------------------------
    Flag("zones_unnamed", _V, "The texture cannot name the zones.",
         "The borders are shown; the names are a guess."),
    Flag(RESIDUAL_FLAG, _V,
         "What the laser did not cut: whether it was torn or cut by scissors is not sure.",
         "Confirm its name; the laser zone and the cut depth do not rest on it."),
    Flag("named_by_sheet", _N,
         "What freed the remainder rests on the sheet: its look is none that the models know.",
         "The name is as sure as the sheet; where the laser ended does not depend on it."),
    Flag("zones_inseparable", _V, "The zones' textures are too alike to be told apart.",
         "Their border is a guess."),
    Flag("depth_disputed", _V, "Two independent estimators of the cut depth disagree.",
         "Check the border."),
    Flag("depth_uncertain", _V, "The interval of the cut depth is wider than the protocol allows.",
         "The depth is not to be relied on."),
    Flag("texture_unfamiliar", _V, "The texture is unlike anything the zone model was fitted on.",
         "The zone names are a guess."),
    Flag("mostly_obscured", _V, "Much of the face is obscured.",
         "The obscured stretches are left out."),
    Flag("no_laser_zone", _N, "No laser zone was found.", "No depth is given."),
    Flag("texture_unresolved", _N, "The lattice is too fine for this pixel size.",
         "No spot or line separation is given."),
    # --- measures -----------------------------------------------------------------------------
    Flag("lattice_not_significant", _N, "No lattice stands out above chance.",
         "No spot or line separation is given."),
    Flag("lattice_differs_from_set", _N, "The measured lattice differs from the set one.",
         "Check the sheet or the laser."),
    Flag("roughness_too_short", _N, "The zone is shorter than the standard's evaluation length.",
         "Roughness values are marked non-default."),
    Flag("debris_present", _N, "Debris lies on the face.", "Counted and left out of texture."),
    # --- height maps --------------------------------------------------------------------------
    Flag("height_map_unregistered", _N, "The height map could not be laid over the face.",
         "No zone gets heights from it."),
    Flag("height_noise_unknown", _N, "The height map does not say how noisy its heights are.",
         "Roughness from it holds its noise, and its uncertainty leaves that out."),
    Flag("stereo_no_overlap", _N, "The pictures of the stereo pair do not match.",
         "No heights are given."),
    Flag("stereo_tilts_swapped", _N, "The tilts of the stereo pair appear to be swapped.",
         "Heights would be inverted; none are given."),
    Flag("stereo_tilt_missing", _N, "The sheet gives no tilt for a picture of the stereo pair.",
         "No heights are given."),
    Flag("stereo_axis_contradicted", _N, "The parallax of the stereo pair does not run across the"
         " tilt axis given.", "No heights are given; check tilt_axis."),
    Flag("stereo_sign_unproven", _N, "The pictures of the stereo pair do not show by themselves"
         " which of the tilts is which.",
         "Whether heights are upright or inverted rests on the sheet; parameters that depend on it"
         " are left out."),
    Flag("stereo_noisy", _N, "Height noise is large against the roughness.",
         "Roughness from heights is given with that doubt."),
    Flag("stereo_zone_untold", _N, "The stereo pair does not settle the roughness of a zone.",
         "No roughness from heights is given for that zone."),
    Flag("height_map_unusable", _N, "The height map or stereo pair could not be used.",
         "No heights are given."),
    # --- report -------------------------------------------------------------------------------
    Flag("measurement_failed", _X, "This face could not be measured.", "See the detail."),
)

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _ALL}
"""Every flag by name."""
