"""What a zone's grey levels tell by their power: spectral slope, and contrast over noise."""

from __future__ import annotations

import math

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.special import polygamma

from edgeqc.quantity import Measured, combine

Plane = NDArray[np.float32]

BANDS = 14
"""Bands of frequency over which power is averaged before the slope is fitted."""

U_NOISE_REL = 0.1
"""Relative standard uncertainty of a noise that is known from one picture."""


def contrast_over_noise(variance: float, noise: float, patches: float) -> Measured:
    """Return the standard deviation of a texture over that of the noise.

    Parameters
    ----------
    variance : float
        Variance of the grey levels, noise included.
    noise : float
        Standard deviation of the noise.
    patches : float
        Independent patches of texture: the variance of so many has its own chance.

    References
    ----------
    Variance of a variance of Gaussian levels, closed form.
    """
    texture = max(variance - noise**2, 0.0)
    if not noise > 0:
        return Measured(math.inf, 0.0, "1", note="no noise was found in the picture")
    contrast = math.sqrt(texture) / noise
    budget = {
        # noise in the denominator, and taken out of the variance
        "noise estimate": U_NOISE_REL * (variance / texture if texture > 0 else 1.0) * contrast,
        "sampling": contrast / math.sqrt(2.0 * patches),
    }
    return Measured(contrast, combine(budget), "1", budget)


def spectral_slope(
    power: Plane, extent: tuple[int, float], noise: float, periods_px: tuple[float, float]
) -> Measured:
    """Return the slope of log power over log frequency between two periods.

    Parameters
    ----------
    power : (rows, half the columns) float32 array
        Power of the zone's grey levels over half the frequency plane, per pixel of the zone.
    extent : (int, float)
        Padded columns, and pixels of the zone.
    noise : float
        Standard deviation of the pixel noise.
    periods_px : (float, float)
        Shortest and longest period.

    Notes
    -----
    Least squares through the bands, the noise floor taken off. A band's mean power has the chance
    of as many independent amplitudes as the zone, and not its padding, has in it: the variance of
    its logarithm is ψ'(amplitudes). What the bands differ by beyond that chance is a departure
    from a straight line.

    References
    ----------
    A power's mean follows the gamma law, closed form. JCGM 100:2008, 5.1.2.
    """
    columns, pixels = extent
    low, high = 1 / periods_px[1], 1 / periods_px[0]
    f_row, f_col = scipy.fft.fftfreq(power.shape[0]), scipy.fft.rfftfreq(columns)
    # frequencies beyond the range are not looked at
    rows, cols = np.nonzero(np.abs(f_row) < high)[0], int(np.count_nonzero(f_col < high))
    f = np.hypot(f_row[rows, None], f_col[None, :cols]).astype(np.float32)
    edges = np.geomspace(low, high, BANDS + 1)
    at = np.log(np.maximum(f, low / 2) / low) * np.float32(BANDS / math.log(high / low))
    which = np.clip(np.floor(at).astype(np.intp), -1, BANDS).ravel() + 1
    count = np.bincount(which, minlength=BANDS + 2)[1:-1]
    inside = power[rows, :cols].ravel()
    mean = np.bincount(which, inside, BANDS + 2)[1:-1] / np.maximum(count, 1) - noise**2
    amplitudes = np.maximum(count * pixels / (power.shape[0] * columns), 0.5)
    used = (count >= 4) & (mean > 0.1 * noise**2) & (mean > 0)
    if np.count_nonzero(used) < 5:
        return Measured(math.nan, math.nan, "1", note="no texture above the noise")
    x = np.log(np.sqrt(edges[:-1] * edges[1:]))[used]
    y = np.log(mean[used])
    design = np.stack([x, np.ones_like(x)], axis=1)
    solved, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ solved
    n, lever = x.size, (x - x.mean()) / float(((x - x.mean()) ** 2).sum())
    # of the logarithm of a mean of so many amplitudes' powers, noise included
    chance = polygamma(1, amplitudes[used]) * (1.0 + noise**2 / mean[used]) ** 2
    apart = float((rest**2).sum()) / (n - 2) - float(chance.mean())
    budget = {
        "sampling": math.sqrt(float((lever**2 * chance).sum())),
        "departure from a line": math.sqrt(max(apart, 0.0) * float((lever**2).sum())),
        "noise estimate": abs(float((lever * 2 * U_NOISE_REL * noise**2 / mean[used]).sum())),
    }
    return Measured(float(solved[0]), combine(budget), "1", budget, n)
