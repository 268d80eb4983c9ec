"""Power spectral density of edges: the model, and what is expected of a finite, gappy edge."""

from __future__ import annotations

import math

import numpy as np
from scipy import fft
from scipy.special import gamma, kv, zeta

from edgeqc.errors import MeasurementError
from edgeqc.quantity import FloatArray

ALIASES = 2
"""Repeats of the model spectrum folded in one by one on either side of the sampled band; those
farther away are summed up as powers."""

MISFIT_BINS, MISFIT_BANDS = 6, 14
"""Fewest bins of a band, and bands at most, in which a spectrum is held against its model."""

FINE = 4
"""How many times finer than the edge's own frequencies the model spectrum is laid out, so that
its autocorrelation has died away before it wraps round."""


def edge_spectral_density(
    frequency_per_um: FloatArray, sigma_um: float, correlation_um: float, exponent: float
) -> FloatArray:
    """Return the model power spectral density of an edge.

    Parameters
    ----------
    frequency_per_um : array
        Frequency in 1/µm, either sign.
    sigma_um : float
        Root mean square deviation of an endless edge.
    correlation_um : float
        Correlation length in µm.
    exponent : float
        Roughness exponent, 0 to about 1.

    Returns
    -------
    array
        Two-sided density in µm³: its integral over all frequencies is ``sigma_um``².

    References
    ----------
    Phys. Rev. B 1993;48:14472 (form); normalisation to the two-sided integral, closed form.
    """
    shape = math.sqrt(math.pi) * gamma(exponent + 0.5) / gamma(exponent)
    peak = 2.0 * shape * sigma_um**2 * correlation_um
    turned = (2.0 * math.pi * np.asarray(frequency_per_um) * correlation_um) ** 2
    density: FloatArray = peak / (1.0 + turned) ** (exponent + 0.5)
    return density


def edge_correlation(
    lag_um: FloatArray, sigma_um: float, correlation_um: float, exponent: float
) -> FloatArray:
    """Return the autocovariance that belongs to ``edge_spectral_density``.

    Parameters
    ----------
    lag_um : array
        Distance along the edge in µm.
    sigma_um, correlation_um, exponent : float
        As in ``edge_spectral_density``.

    Returns
    -------
    array
        In µm²; ``sigma_um``² exp(-lag/correlation_um) for exponent 1/2.

    References
    ----------
    Fourier transform of the density; closed form with the modified Bessel function.
    """
    ratio = np.abs(np.asarray(lag_um, dtype=np.float64)) / correlation_um
    safe = np.maximum(ratio, 1e-12)
    shape = 2.0 ** (1.0 - exponent) / gamma(exponent) * safe**exponent * kv(exponent, safe)
    covariance: FloatArray = sigma_um**2 * np.where(ratio < 1e-10, 1.0, shape)
    return covariance


def variance_within(
    length_um: float, sigma_um: float, correlation_um: float, exponent: float = 0.5
) -> float:
    """Return the expected variance of an edge about its own mean over a finite length.

    Parameters
    ----------
    length_um : float
        Length of the edge in µm.
    sigma_um, correlation_um, exponent : float
        As in ``edge_spectral_density``.

    Returns
    -------
    float
        In µm²: always below ``sigma_um``²; the rest is the variance of the edges' means.

    Notes
    -----
    For exponent 1/2: s² - (2 s² ξ/L)(1 - (ξ/L)(1 - exp(-L/ξ))). Else
    s² - (2/L²) ∫ (L - t) C(t) dt, by 400-point Gauss-Legendre quadrature.

    References
    ----------
    arXiv 2001.00433 (levelling over a finite length biases roughness downwards).

    Examples
    --------
    >>> round(variance_within(100.0, 2.0, 20.0), 4)
    2.7178
    """
    if exponent == 0.5:
        ratio = correlation_um / length_um
        return sigma_um**2 * (1.0 - 2.0 * ratio * (1.0 - ratio * -math.expm1(-1.0 / ratio)))
    node, weight = np.polynomial.legendre.leggauss(400)
    # nodes crowded towards lag 0, where the correlation has its cusp
    share = (0.5 * (node + 1.0)) ** 2
    lag = share * length_um
    step = 0.5 * weight * (node + 1.0) * 0.5 * length_um * 2.0
    covariance = edge_correlation(lag, sigma_um, correlation_um, exponent)
    lost = 2.0 / length_um**2 * float(np.sum(step * (length_um - lag) * covariance))
    return sigma_um**2 - lost


def sampling_rel_u(length_um: float, correlation_um: float) -> float:
    """Return the relative standard uncertainty of Rq from one edge of finite length.

    Notes
    -----
    sqrt(ξ/(2L)) for an exponential autocorrelation, from ten correlation lengths up.

    References
    ----------
    Variance of a variance of a correlated Gaussian series, closed form.
    """
    return math.sqrt(correlation_um / (2.0 * length_um))


class ExpectedPeriodogram:
    """What the model leads one to expect of the periodogram of a windowed edge with gaps.

    Parameters
    ----------
    windows : (lines, n) float array
        Window of every edge, 0 in gaps; the sum of squares of each is n.
    spacing_um : float
        Sampling interval in µm.
    noise_correlation : tuple of float
        Correlation of the noise of points 1, 2, ... steps apart; empty for white noise.

    Attributes
    ----------
    noise_of_unit : (bins,) float array
        What is expected of noise of unit standard deviation, in µm.

    Notes
    -----
    The expected periodogram is the transform of the autocovariance times the window's own
    autocorrelation: leakage, aliasing and gaps are in it, and need no correction afterwards.

    References
    ----------
    Biometrika 2019;106(2):251 (debiased Whittle likelihood).
    """

    def __init__(
        self, windows: FloatArray, spacing_um: float, noise_correlation: tuple[float, ...] = ()
    ) -> None:
        n = windows.shape[1]
        self.n, self.spacing_um = n, spacing_um
        self.size = fft.next_fast_len(FINE * n, real=True)
        double = fft.next_fast_len(2 * n, real=True)
        power = np.abs(fft.rfft(windows, double, axis=1)) ** 2
        lagged = fft.irfft(power.mean(axis=0), double)[:n]
        self.overlap: FloatArray = lagged / n
        self.frequency: FloatArray = fft.rfftfreq(n, spacing_um)
        fine = fft.rfftfreq(self.size, spacing_um)
        repeats = np.arange(-ALIASES, ALIASES + 1) / spacing_um
        angle = 2.0 * np.pi * self.frequency * spacing_um
        floor = np.full(angle.shape, self.overlap[0])
        for lag, share in enumerate(noise_correlation, start=1):
            floor += 2.0 * share * self.overlap[lag] * np.cos(lag * angle)
        # a correlation known only in part must not leave a frequency without noise
        least = 1e-3 * self.overlap[0]
        self.noise_of_unit: FloatArray = spacing_um * np.maximum(floor, least)
        self.folded: FloatArray = fine[None, :] + repeats[:, None]

    def of(
        self, sigma_um: float, correlation_um: float, exponent: float, noise_um: float
    ) -> FloatArray:
        """Return the expected two-sided density at ``frequency``, in µm³."""
        density: FloatArray = (
            sigma_um**2 * self.of_unit(correlation_um, exponent) + noise_um**2 * self.noise_of_unit)
        return density

    def of_unit(self, correlation_um: float, exponent: float) -> FloatArray:
        """Return what is expected of an edge of unit root mean square without noise, in µm.

        The two scale what is expected and add to it, so that a fit needs this but once for a
        correlation length and exponent.
        """
        folded = edge_spectral_density(self.folded, 1.0, correlation_um, exponent)
        density = folded.sum(axis=0)
        # farther repeats: there the density is a power of frequency, level across the band
        far = (ALIASES + 1.0) / self.spacing_um
        last = float(edge_spectral_density(np.array(far), 1.0, correlation_um, exponent))
        power = 2.0 * exponent + 1.0
        density += 2.0 * last * float(zeta(power, ALIASES + 1.0)) * (ALIASES + 1.0) ** power
        covariance = fft.irfft(density, self.size)[: self.n] / self.spacing_um
        covariance *= self.overlap
        whole = fft.rfft(covariance, self.n)
        result: FloatArray = self.spacing_um * (2.0 * whole.real - covariance[0])
        return result


def misfit(seen: FloatArray, fitted: FloatArray, weight: float) -> float:
    """Return how much more a spectrum departs from its model than chance lets it, at least 1.

    Parameters
    ----------
    seen, fitted : (bins,) float arrays
        Periodogram, and what the fitted model leads one to expect of it.
    weight : float
        Independent amplitudes per bin.

    Returns
    -------
    float
        Chi-squared of the means over bands of equal ratio, over its degrees of freedom: the
        factor by which the spectrum says less of the model's values than chance alone would have.

    References
    ----------
    R. T. Birge, Phys. Rev. 40 (1932), p. 207 (scatter beyond the stated one).
    """
    borders = np.unique(np.rint(np.geomspace(MISFIT_BINS, seen.size, MISFIT_BANDS)).astype(int))
    count = np.diff(np.concatenate([[0], borders]))
    ratio = np.add.reduceat(seen / fitted, np.concatenate([[0], borders[:-1]])) / count
    square = float(np.sum(weight * count * (ratio - 1.0) ** 2))
    return max(square / max(count.size - 4.0, 1.0), 1.0)


def taper(valid: FloatArray) -> FloatArray:
    """Return Hann windows with the gaps cut out, scaled to a sum of squares of n.

    Parameters
    ----------
    valid : (lines, n) float array
        1 where the edge is known, 0 in gaps.

    References
    ----------
    Proc. IEEE 1978;66(1):51 (windows for spectra).
    """
    n = valid.shape[1]
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(n) + 0.5) / n)
    cut = window[None, :] * valid
    square = np.sum(cut**2, axis=1, keepdims=True)
    if not (square > 0).all():
        raise MeasurementError(
            "an edge has no known point",
            rule="At least some points of every edge are numbers.",
            remedy="Leave such edges out.",
        )
    scaled: FloatArray = cut * np.sqrt(n / square)
    return scaled
