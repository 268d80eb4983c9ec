"""The recipe of one cut face: outline, layout, and the relief and brightness of its zones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

LASER_KINDS = ("lattice", "melt", "fine", "smooth", "bubbles", "layered")
"""Ways in which a laser zone can come out."""
SCISSOR_KINDS = ("striated", "waves", "smear", "chatter", "overlap", "drawn")
"""Ways in which a scissor zone can come out."""
TORN_KINDS = (
    "fibrils", "rivers", "dimples", "facets", "hackle", "ligaments", "crazing", "rough",
)
"""Ways in which a torn zone can come out."""
FORMS = ("plate", "biconvex", "plano-convex", "meniscus")
"""Forms of a lens section."""


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
    direct : float
        Share of the signal that follows the height itself instead of its slopes (-1 to 1), as
        with fillers, coatings and detectors that see depth.
    """

    kind: str
    layers: tuple[Layer, ...]
    grey: float = 1.0
    texture_sd: float = 0.15
    patchiness: float = 0.0
    drift: float = 0.0
    direct: float = 0.0


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
    end_rq_um : float
        Roughness of the two ends.
    corner_um : float
        Radius of the corners between ends and edges.
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
    end_rq_um: float
    corner_um: float
    anterior: EdgeRecipe
    posterior: EdgeRecipe
    layout: LayoutRecipe
    laser: ZoneRecipe
    scissor: ZoneRecipe
    torn: ZoneRecipe
    grey: float = 1.0
