"""A relief as a Gaussian random field: its spectrum, and linear systems over it.

What a stereo pair says of a relief differs from point to point; what is known beforehand is only
that a zone looks alike all over. The field on a periodic rectangle with a spectrum of its own says
just that, and its spectrum is learned from the pair itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from edgeqc.measure.stereo_refine import Plane
from edgeqc.quantity import FloatArray

RINGS = 24
"""Rings, even in the logarithm of frequency, over which a spectrum is averaged first."""

SPREAD_BINS = 2.0
"""Standard deviation, in bins, of the smoothing that lays a lay or a lattice over the rings."""

LEAST_POWER = 1e-7
"""Floor of the spectrum in px²: a field without power could never learn any."""


@dataclass(frozen=True)
class FieldSpectrum:
    """Spectrum of a random field on a periodic rectangle.

    Parameters
    ----------
    root : (rows, cols // 2 + 1) float32 array
        Square root of the mean power of every coefficient of the real transform, per point.
    shape : (rows, cols)
        Shape of the rectangle.
    """

    root: NDArray[np.float32]
    shape: tuple[int, int]

    def field(self, white: Plane) -> Plane:
        """Return the field that white noise of variance 1 makes (its own transpose)."""
        made = fft.irfft2(fft.rfft2(white) * self.root, self.shape)
        return np.asarray(made, np.float32)

    def white(self, field: Plane) -> Plane:
        """Return the white noise that makes a field."""
        floor = np.float32(math.sqrt(LEAST_POWER))
        made = fft.irfft2(fft.rfft2(field) / np.maximum(self.root, floor), self.shape)
        return np.asarray(made, np.float32)


def shrunk(spectrum: FieldSpectrum, evidence: float) -> Callable[[Plane], Plane]:
    """Return the inverse of one plus the evidence times the field's covariance, as a filter.

    Parameters
    ----------
    spectrum : FieldSpectrum
        The field.
    evidence : float
        Mean precision, in 1/px², with which a point of the field is known.
    """
    gain = (1 / (1 + np.float32(evidence) * np.square(spectrum.root))).astype(np.float32)

    def apply(plane: Plane) -> Plane:
        return np.asarray(fft.irfft2(fft.rfft2(plane) * gain, spectrum.shape), np.float32)

    return apply


def frequencies(shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Return frequency down the rows and along the columns, in cycles per pixel, for rfft2."""
    return fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :]


def learned_spectrum(fields: Sequence[Plane]) -> FieldSpectrum:
    """Return the spectrum of which fields of one kind were drawn.

    Parameters
    ----------
    fields : sequence of (rows, cols) float32 arrays
        Draws of the field.

    Notes
    -----
    Mean over rings (logarithmic), times the ratio of the power to that mean, smoothed in two
    dimensions: a lay or a lattice keeps its direction, single coefficients lose their chance.
    """
    shape = (fields[0].shape[0], fields[0].shape[1])
    power = np.mean(
        [np.abs(fft.rfft2(field - field.mean())) ** 2 / field.size for field in fields], axis=0
    )
    lowest = 1 / min(shape)
    radius = np.maximum(np.hypot(*frequencies(shape)), lowest)
    ring = np.clip(np.log(radius / lowest) / math.log(0.75 / lowest) * RINGS, 0, RINGS - 1)
    index = ring.astype(np.intp)
    count = np.maximum(np.bincount(index.ravel(), minlength=RINGS), 1)
    mean = (np.bincount(index.ravel(), power.ravel(), minlength=RINGS) / count)[index]
    ratio = fft.fftshift(power / np.maximum(mean, 1e-12), axes=0).astype(np.float32)
    blurred = cv2.GaussianBlur(ratio, (0, 0), SPREAD_BINS, borderType=cv2.BORDER_REFLECT_101)
    power = mean * fft.ifftshift(np.asarray(blurred), axes=0)
    power[0, 0] = 10 * max(power[0, 1], power[1, 0])  # the mean height is free
    root = np.sqrt(np.maximum(power, LEAST_POWER))
    return FieldSpectrum(root.astype(np.float32), shape)


def conjugate_gradient(
    operator: Callable[[Plane], Plane], wanted: Plane, start: Plane, *, rounds: int,
    nearly_inverse: Callable[[Plane], Plane] = lambda plane: plane, tolerance: float = 1e-3,
) -> Plane:
    """Return an approximate solution of operator(x) = wanted for a symmetric positive operator.

    Parameters
    ----------
    operator : callable
        Takes and returns a plane.
    wanted, start : (rows, cols) float32 arrays
        Right-hand side and first guess.
    rounds : int
        Rounds at most.
    nearly_inverse : callable
        Symmetric positive approximation to the operator's inverse.
    tolerance : float
        Residual over right-hand side at which it ends.

    References
    ----------
    J. Res. Natl. Bur. Stand. 49 (1952), p. 409.
    """
    solution = start
    rest = wanted - operator(solution)
    nearer = nearly_inverse(rest)
    step = nearer
    power = float(np.vdot(rest, nearer))
    goal = tolerance**2 * float(np.vdot(wanted, nearly_inverse(wanted)))
    for _ in range(rounds):
        if power <= goal:
            break
        image = operator(step)
        length = np.float32(power / float(np.vdot(step, image)))
        solution = solution + length * step
        rest = rest - length * image
        nearer = nearly_inverse(rest)
        new = float(np.vdot(rest, nearer))
        step = nearer + np.float32(new / power) * step
        power = new
    return solution
