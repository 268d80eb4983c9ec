"""The mean square of an edge without its noise: of what was seen, frequency by frequency.

Noise taken out as one square from another leaves all of its chance behind: that of every
frequency, also of those at which the edge itself has nothing. Where the model says that there is
noise alone, nothing of what was seen need be believed; where it says that there is edge alone, all.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import fft

from edgeqc.measure.block_spread import block_borders, spread_of_mean
from edgeqc.measure.edge_spectrum import ExpectedPeriodogram
from edgeqc.quantity import BoolArray, FloatArray

STEP = 1e-3
"""Step in the logarithms of the fitted values for derivatives."""

Fitted = tuple[float, float, float, float]
"""Root mean square deviation, correlation length, exponent, noise."""


class EdgeSignal:
    """The seen spectrum of edges without a taper, so that it sums up to their own mean square.

    Parameters
    ----------
    flat : (lines, n) float array
        Deviations in µm, their line taken off.
    valid : (lines, n) bool array
        Where they are known.
    spacing_um : float
        Sampling interval in µm.
    noise_correlation : tuple of float
        As of `ExpectedPeriodogram`.

    Notes
    -----
    With S and N what is expected of edge and noise at a frequency and P what was seen there, the
    square of the edge's amplitude is expected to be W²P + (1 - W)S, W = S/(S + N); its variance is
    v² + 2vW²P, v = (1 - W)S.

    References
    ----------
    N. Wiener, Extrapolation, Interpolation, and Smoothing of Stationary Time Series (1949) (gain);
    conditional moments of a complex Gaussian amplitude, closed form.
    """

    def __init__(
        self, flat: FloatArray, valid: BoolArray, spacing_um: float,
        noise_correlation: tuple[float, ...],
    ) -> None:
        n = flat.shape[1]
        count = valid.sum(axis=1, keepdims=True)
        windows = valid * np.sqrt(n / count)
        power = np.abs(fft.rfft(np.where(valid, flat, 0.0) * windows, axis=1)) ** 2
        self.seen: FloatArray = power.mean(axis=0) * spacing_um / n
        self.lines = flat.shape[0]
        self.expected = ExpectedPeriodogram(windows, spacing_um, noise_correlation)
        # every frequency but zero and the last of an even number stands for its negative too
        self.twice: FloatArray = np.full(self.seen.size, 2.0)
        self.twice[0] = 1.0
        if n % 2 == 0:
            self.twice[-1] = 1.0
        self.unit = 1.0 / (n * spacing_um)
        square = np.where(valid, flat, np.nan) ** 2
        starts = block_borders(n)[:-1]
        known = np.add.reduceat(valid, starts, axis=1, dtype=np.float64)
        with np.errstate(invalid="ignore"):
            of_blocks = np.add.reduceat(np.nan_to_num(square), starts, axis=1) / known
        self.blocks: FloatArray = spread_of_mean(of_blocks)

    def sampling_um2(self) -> float:
        """Return the standard uncertainty of the mean square from the finite length, in µm².

        Notes
        -----
        What was seen at a frequency has an exponential law, so that half its square is an
        unbiased estimate of its variance: no model of the spectrum has a part in it. Where single
        deep places decide, blocks of the edge differ by more than that, and the larger one counts.

        References
        ----------
        Variance of a periodogram, closed form; batch means, as in `block_spread`.
        """
        parts = self.twice * self.seen * self.unit
        even = math.sqrt(float(np.sum(parts**2)) / (self.lines + 1.0))
        apart: float = math.sqrt(float(np.nansum(self.blocks**2))) / self.lines
        return float(max(even, apart))

    def square_um2(self, fitted: Fitted) -> tuple[float, float]:
        """Return the edges' mean square without noise and its variance, in µm² and µm⁴."""
        sigma, correlation, exponent, noise = fitted
        edge = sigma**2 * np.maximum(self.expected.of_unit(correlation, exponent), 0.0)
        floor = noise**2 * self.expected.noise_of_unit
        share = edge / np.maximum(edge + floor, 1e-300)
        known = share**2 * self.seen
        open_ = (1.0 - share) * edge
        mean = float(np.sum(self.twice * (known + open_))) * self.unit
        spread = float(np.sum(self.twice**2 * (open_**2 + 2.0 * open_ * known)))
        return mean, spread * self.unit**2 / self.lines

    def rms_um(self, fitted: Fitted, covariance: FloatArray) -> tuple[float, float]:
        """Return the root mean square without noise, and the uncertainty that the noise leaves.

        Parameters
        ----------
        fitted : (float, float, float, float)
            Fitted values.
        covariance : (4, 4) float array
            Covariance of their logarithms.

        References
        ----------
        JCGM 100:2008, 5.2.2 (correlated input values).
        """
        mean, variance = self.square_um2(fitted)
        logs = np.log(fitted)
        slope = np.array([
            (self._shifted(logs, k, STEP) - self._shifted(logs, k, -STEP)) / (2.0 * STEP)
            for k in range(4)
        ])
        variance += float(slope @ covariance @ slope)
        rms = math.sqrt(mean)
        return rms, math.sqrt(variance) / (2.0 * rms)

    def _shifted(self, logs: FloatArray, index: int, step: float) -> float:
        moved = logs.copy()
        moved[index] += step
        sigma, correlation, exponent, noise = (float(value) for value in np.exp(moved))
        return self.square_um2((sigma, correlation, exponent, noise))[0]
