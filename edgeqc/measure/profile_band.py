"""The band of a profile: form taken off, S-filter, L-filter, and what they do to noise."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from edgeqc.errors import MeasurementError
from edgeqc.measure.form import ProfileForm, profile_form
from edgeqc.measure.robust_filter import robust_lines
from edgeqc.measure.roughness_result import HeightDoubt
from edgeqc.measure.surface_filter import (
    END_TREATMENTS,
    EndTreatment,
    gaussian_profile_filter,
    gaussian_weights,
)
from edgeqc.quantity import FloatArray

Kind = Literal["R", "P", "W"]
FilterName = Literal["Gaussian", "robust Gaussian"]

FILTER_TITLES: dict[str, str] = {
    "Gaussian": "Gaussian (ISO 16610-21)",
    "robust Gaussian": "robust Gaussian regression, order 2 (ISO 16610-31)",
}


@dataclass(frozen=True)
class Band:
    """How a profile or surface is limited to its scale before parameters are taken.

    Parameters
    ----------
    form : str
        Form taken off first: ``"mean"`` (nothing but the mean), ``"line"``, ``"polynomial 2"``,
        ``"polynomial 3"``, ``"circle"`` for a profile; ``"plane"``, ``"polynomial 2"``,
        ``"polynomial 3"``, ``"sphere"``, ``"cylinder"`` for a surface.
    short_nesting_index_um : float, optional
        Nesting index of the S-filter; None for no S-filter: the pixel is then the limit.
    filter : {"Gaussian", "robust Gaussian"}
        The L-filter.
    end_treatment : {"first moment", "renormalised"}
        What the Gaussian filters do at ends and gaps.

    References
    ----------
    ISO 21920-2:2021 and ISO 25178-2:2021 (S-filter, F-operator, L-filter).
    """

    form: str = "mean"
    short_nesting_index_um: float | None = None
    filter: FilterName = "Gaussian"
    end_treatment: EndTreatment = "first moment"

    def other_ends(self) -> Band:
        """Return the same band with the other end treatment, to see how much it matters."""
        other: EndTreatment = (
            "renormalised" if self.end_treatment == "first moment" else "first moment"
        )
        return replace(self, end_treatment=other)

    def linear(self) -> Band:
        """Return the same band with the Gaussian filter in place of a robust one."""
        return replace(self, filter="Gaussian")

    @property
    def ends_title(self) -> str:
        """What is done at ends and gaps, in words."""
        return END_TREATMENTS[self.end_treatment]


def limited_profile(
    height_um: FloatArray,
    spacing_um: float,
    kind: Kind,
    nesting_index_um: float | None,
    band: Band,
) -> tuple[FloatArray, FloatArray | None]:
    """Return primary, waviness or roughness profiles.

    Parameters
    ----------
    height_um : (batch, n) float array
        Heights in µm, NaN in gaps.
    spacing_um : float
        Sampling interval in µm.
    kind : {"R", "P", "W"}
        Roughness (short-wave part), primary (no L-filter), waviness (long-wave part).
    nesting_index_um : float or None
        Nesting index of the L-filter; None only for ``"P"``, or for ``"R"`` where the heights
        are a roughness profile already.
    band : Band
        Form, S-filter, filter name and end treatment.

    Returns
    -------
    profile : (batch, n) float array
        In µm.
    restless : (batch,) float array or None
        How far a robust filter's line still moved, in µm; None without such a filter.

    References
    ----------
    ISO 21920-2:2021 (primary, waviness and roughness profile).
    """
    z = height_um - profile_form(height_um, spacing_um, _form(band.form))
    short = band.short_nesting_index_um
    if short is not None:
        z = gaussian_profile_filter(z, spacing_um, short, end_treatment=band.end_treatment)
    if kind == "P" or nesting_index_um is None:
        if kind == "W":
            raise MeasurementError(
                "a waviness profile was asked for without a nesting index",
                rule="Waviness is the long-wave part of the L-filter.",
                remedy="Give nesting_index_um or a setting class.",
            )
        return z, None
    restless = None
    if band.filter == "robust Gaussian":
        robust = robust_lines(z, spacing_um, nesting_index_um)
        line, restless = robust.line_um, robust.move_um
    else:
        line = gaussian_profile_filter(
            z, spacing_um, nesting_index_um, end_treatment=band.end_treatment
        )
    return (line if kind == "W" else z - line), restless


def profile_noise(
    noise: HeightDoubt, spacing_um: float, kind: Kind, nesting_index_um: float | None, band: Band
) -> float:
    """Return the height noise that is left after the filters, as a standard deviation in µm.

    Notes
    -----
    The noise's own kernel and the weighting functions of the filters are convolved; the robust
    filter is taken as its linear counterpart.

    References
    ----------
    JCGM 100:2008, 5.1.2.
    """
    noise_um, weights = noise.noise_um, noise.weights(spacing_um)
    if band.short_nesting_index_um is not None:
        weights = np.convolve(
            weights, gaussian_weights(spacing_um, band.short_nesting_index_um)
        )
    if kind == "P" or nesting_index_um is None:
        return noise_um * float(np.sqrt(np.sum(weights**2)))
    long_wave = np.convolve(weights, gaussian_weights(spacing_um, nesting_index_um))
    if kind == "W":
        return noise_um * float(np.sqrt(np.sum(long_wave**2)))
    short_wave = -long_wave
    middle, half = long_wave.size // 2, weights.size // 2
    short_wave[middle - half : middle + half + 1] += weights
    return noise_um * float(np.sqrt(np.sum(short_wave**2)))


def surface_noise(
    noise: HeightDoubt, spacing: tuple[float, float], nesting: float | None, band: Band
) -> float:
    """Return the height noise that is left of a surface's after the filters, in µm.

    References
    ----------
    JCGM 100:2008, 5.1.2; as ``profile_noise``, in both directions.
    """
    kept, taken = 1.0, 0.0
    both = 1.0
    for step in spacing:
        weights = noise.weights(step)
        if band.short_nesting_index_um is not None:
            weights = np.convolve(weights, gaussian_weights(step, band.short_nesting_index_um))
        kept *= float(np.sum(weights**2))
        if nesting is not None:
            long_wave = np.convolve(weights, gaussian_weights(step, nesting))
            edge = (long_wave.size - weights.size) // 2
            taken = (taken or 1.0) * float(np.sum(long_wave**2))
            both *= float(np.sum(weights * long_wave[edge : edge + weights.size]))
    if nesting is None:
        return noise.noise_um * math.sqrt(kept)
    return noise.noise_um * math.sqrt(max(kept - 2.0 * both + taken, 0.0))


def _form(name: str) -> ProfileForm:
    if name not in ("mean", "line", "polynomial 2", "polynomial 3", "circle"):
        raise MeasurementError(
            f"the form to take off a profile is {name!r}",
            rule="It is mean, line, polynomial 2, polynomial 3 or circle.",
            remedy="Choose one of these.",
        )
    return name  # type: ignore[return-value]
