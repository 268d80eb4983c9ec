"""One reading of a zone's relief from its stereo pair, and the band in which it is a roughness."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeqc.measure.form import SurfaceForm, surface_form
from edgeqc.measure.stereo_blocks import LEAST_POINTS, blocks, patch_of
from edgeqc.measure.stereo_frame import StereoEvidence, on_picture
from edgeqc.measure.stereo_geometry import height_per_parallax
from edgeqc.measure.stereo_relief import FoundRelief, ReliefSettings, find_relief
from edgeqc.measure.stereo_witness import Witness, together
from edgeqc.measure.surface_filter import gaussian_areal_filter
from edgeqc.quantity import BoolArray, FloatArray


@dataclass(frozen=True)
class ReliefBand:
    """What makes a zone's heights a roughness.

    Parameters
    ----------
    zone : (rows, cols) bool array
        The zone, on the grid of the height map.
    spacing_um : (row, col)
        Distance of grid points in µm.
    form : str
        Form taken off.
    short_um : float
        Nesting index of the S-filter in µm.
    """

    zone: BoolArray
    spacing_um: tuple[float, float]
    form: SurfaceForm
    short_um: float

    def rms(self, height_um: FloatArray) -> float:
        """Return the root mean square height within the band, 0 where there are no heights."""
        kept = np.where(self.zone, height_um, np.nan)
        if not np.isfinite(kept).any():
            return 0.0
        kept = kept - surface_form(kept, self.spacing_um, self.form)
        kept = gaussian_areal_filter(kept, self.spacing_um, self.short_um)
        return float(np.nanstd(kept[self.zone]))

    def whole(self, height_um: FloatArray) -> float:
        """Return the root mean square height with the form taken off alone."""
        kept = np.where(self.zone, height_um, np.nan)
        if not np.isfinite(kept).any():
            return 0.0
        return float(np.nanstd(kept - surface_form(kept, self.spacing_um, self.form)))


@dataclass(frozen=True)
class Reading:
    """Heights by one reading.

    Parameters
    ----------
    draw_um : (rows, cols) float array
        A draw of the heights on the grid of the height map, ``nan`` outside the zone.
    drawn : tuple of float
        Root mean square of every draw in the band, in µm.
    mean : float
        The same of the expected heights.
    whole : float
        Root mean square of the draw with its form taken off alone.
    excess : float
        What is left between the pictures over noise (`FoundRelief`).
    witness : Witness
        What the brightness says of it.
    """

    draw_um: FloatArray
    drawn: tuple[float, ...]
    mean: float
    whole: float
    excess: float
    witness: Witness

    @property
    def sq(self) -> float:
        """Root mean square of the draws."""
        return math.sqrt(float(np.mean(np.square(self.drawn))))

    @property
    def unseen(self) -> float:
        """Share of the power that the pair does not show."""
        return max(1 - self.mean**2 / self.sq**2, 0.0) if self.sq > 0 else 1.0

    @property
    def fine(self) -> float:
        """Root mean square of the whole relief over that in the band."""
        return max(self.whole / self.sq, 1.0) if self.sq > 0 else math.inf


def read_relief(
    evidence: StereoEvidence, inside: BoolArray, band: ReliefBand, *, settings: ReliefSettings,
    shading: bool = False, far: bool = False,
) -> Reading:
    """Return one reading of the relief of a zone.

    Parameters
    ----------
    evidence : StereoEvidence
        The pair.
    inside : (rows, cols) bool array
        The zone on the ground plane of the pair's frame, at least one point.
    band : ReliefBand
        The zone on the grid of the height map, and its band.
    settings : ReliefSettings
        Settings.
    shading, far : bool
        Whether brightness may change with the tilt, and whether the search starts far off
        (`find_relief`).
    """
    found: list[FoundRelief] = []
    planes = tuple(np.full(inside.shape, np.nan) for _ in range(1 + settings.draws))
    unit = height_per_parallax(evidence.tilt_deg) * evidence.frame.across_um
    for window in blocks(inside, settings.block_px):
        own = np.zeros_like(inside)
        own[window] = inside[window]
        if own.sum() < LEAST_POINTS:
            continue
        patch, place = patch_of(evidence, own, settings.margin_px)
        part = find_relief(patch, shading=shading, settings=settings, far=far)
        found.append(part)
        rows, cols = own[place].shape
        for plane, parallax in zip(planes, (part.mean_px, *part.draws_px), strict=True):
            plane[place] = np.where(own[place], unit * parallax[:rows, :cols], plane[place])
    mean, *draws = (on_picture(plane, evidence) for plane in planes)
    return Reading(
        draws[0], tuple(band.rms(draw) for draw in draws), band.rms(mean), band.whole(draws[0]),
        max((part.excess for part in found), default=1.0),
        together([part.witness for part in found]),
    )
