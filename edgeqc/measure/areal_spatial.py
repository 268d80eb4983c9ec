"""Spatial parameters of surfaces: autocorrelation length, aspect ratio and texture direction."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import map_coordinates

from edgeqc.measure.areal_parameters import ArealValues
from edgeqc.quantity import FloatArray

DECAY = 0.2
"""Value of the autocorrelation function at which Sal and Str are read (ISO 25178-2:2021, 4.3)."""

ANGLES = 360
"""Directions over half a turn in which the decay is sought."""

BAND_ROWS = 64
"""Rows worked on together, so that they stay in the processor's cache."""

RADIUS_STEP = 0.5
"""Step along a direction, in samples."""

MIN_OVERLAP = 0.1
"""Least share of the region that must overlap its shifted self for a lag to count."""

NO_DIRECTION_DEG = 15.0
"""Standard uncertainty of the direction above which the surface has no prevailing one."""

UNIFORM_DIRECTION_DEG = 180.0 / math.sqrt(12.0)
"""Standard deviation of a direction of which nothing is known."""

SIGNIFICANT_RESULTANT = 3.0
"""Mean resultant length, in units of that of as many random directions, from which a direction
prevails at all (chance: exp(-9), some 0.01 %)."""

CERTAIN_RESULTANT = 0.9
"""Mean resultant length from which a direction prevails however few waves there are."""

LEAST_DIRECTION_U_DEG = 0.1
"""Smallest standard uncertainty of a direction: a tenth of the width of a spectrum's bin."""

BARTLETT = 1.0 + 2.0 * DECAY**2
"""Variance of the estimated autocorrelation where it is 0.2, over that of independent areas
(Bartlett's formula, J. R. Stat. Soc. 1946;8:27, from memory). Its negative term is left out: the
shortest of many directions is biased downwards, and the larger figure makes up for it (on 96 x 96
maps of 24 correlation lengths the interval held the truth in 80 % of cases with that term)."""

DIRECTION_REACH_DEG = 12.0
"""Half width of the sector over which the strongest direction is averaged."""


def spatial_values(height_um: FloatArray, spacing_um: tuple[float, float]) -> ArealValues:
    """Return Sal, Str and Std of a surface.

    Parameters
    ----------
    height_um : (rows, cols) float array
        Heights in µm from the mean plane, NaN outside the region.
    spacing_um : (float, float)
        (row, col) sampling interval in µm.

    Returns
    -------
    ArealValues
        Sal in µm, Str without unit, Std in degrees.

    Notes
    -----
    The autocorrelation function is the mean product over the pairs of heights that a shift
    brings together, so that gaps and ragged borders do not lower it. Sal is its shortest
    distance from the middle to 0.2, Str that over the longest; both are sought along straight
    lines from the middle. Where the function stays above 0.2 as far as the region reaches, Str
    is an upper limit and its note says so.

    Std is the direction of the **lay** (along the ridges), from the direction of growing column
    towards that of growing row, 0 to 180 degrees: the strongest direction of the angular power
    spectrum plus 90 degrees. Other works give the direction across the ridges; the standard's
    convention could not be confirmed.

    References
    ----------
    ISO 25178-2:2021, 4.3.
    """
    correlation, reach, total = _autocorrelation(height_um)
    lengths, slopes, complete = _decay(correlation, reach, spacing_um)
    shortest, longest = float(lengths.min()), float(lengths.max())
    notes = {}
    limited = not bool(complete.all())
    if limited:
        notes["Str"] = "upper limit: the autocorrelation stays above 0.2 across the region"
    value = {"Sal": shortest, "Str": shortest / longest}
    if not complete.any():
        value = {"Sal": math.nan, "Str": math.nan}
        notes["Sal"] = "the autocorrelation stays above 0.2 in every direction"
    square = np.where(correlation > DECAY / 2, correlation, 0.0) ** 2
    # the half plane of lags stands for both halves; its first column lies on the border
    independent = total / (2.0 * float(square.sum()) - float(square[:, 0].sum()))
    u_correlation = math.sqrt(min(1.0, BARTLETT / independent))
    steepest = float(slopes[int(np.argmin(lengths))])
    u_sal = u_correlation / steepest if steepest > 0 else math.nan
    sampling = {"Sal": u_sal, "Str": value["Str"] * math.sqrt(2.0) * u_sal / shortest}
    direction, u_direction = _direction(height_um, spacing_um)
    value["Std"], sampling["Std"] = direction, u_direction
    if u_direction > NO_DIRECTION_DEG:
        notes["Std"] = "no prevailing direction"
    return ArealValues(value, sampling, {}, 0.0, notes)


def _autocorrelation(height_um: FloatArray) -> tuple[FloatArray, tuple[int, int], float]:
    """Correlation at row lags -R..R and column lags 0..C, (R, C), and the number of heights."""
    rows, cols = height_um.shape
    reach = rows // 2, cols // 2
    shape = tuple(
        fft.next_fast_len(n + lag, real=True) for n, lag in zip((rows, cols), reach, strict=True)
    )
    valid = np.isfinite(height_um)
    complete = bool(valid.all())
    heights = height_um if complete else np.where(valid, height_um, 0.0)
    # single precision is ample for a correlation and halves time and memory
    products = _lagged_products(heights.astype(np.float32), shape, reach)
    if complete:
        row_lag = rows - np.abs(np.arange(-reach[0], reach[0] + 1.0))
        pairs = row_lag[:, None] * (cols - np.arange(reach[1] + 1.0))[None, :]
    else:
        pairs = _lagged_products(valid.astype(np.float32), shape, reach)
    total = float(np.count_nonzero(valid))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(pairs > MIN_OVERLAP * total, products / pairs, np.nan)
    correlation: FloatArray = mean / mean[reach[0], 0]
    return correlation, reach, total


def _lagged_products(
    data: NDArray[np.float32],
    shape: tuple[int, ...],
    reach: tuple[int, int],
) -> FloatArray:
    """Return sums of products at row lags -R..R and column lags 0..C, from the squared spectrum."""
    rows = data.shape[0]
    # the rows of zeros below the data have no part in the first direction
    spectrum = np.zeros((shape[0], shape[1] // 2 + 1), dtype=np.complex64)
    for start in range(0, rows, BAND_ROWS):
        stop = min(start + BAND_ROWS, rows)
        spectrum[start:stop] = fft.rfft(data[start:stop], shape[1], axis=1)
    power = _squared(fft.fft(spectrum, axis=0, overwrite_x=True))
    by_row = fft.rfft(power, axis=0, norm="forward")  # lags 0, -1, ...; conjugate 0, 1, ...
    result = np.empty((2 * reach[0] + 1, reach[1] + 1))
    middle, end = reach[0], reach[0] + 1
    # only the lags within reach are carried through the second direction
    for start in range(0, end, BAND_ROWS):
        stop = min(start + BAND_ROWS, end)
        below = fft.irfft(by_row[start:stop].conj(), shape[1], axis=1)
        result[middle + start : middle + stop] = below[:, : reach[1] + 1]
        above = fft.irfft(by_row[max(start, 1) : stop][::-1], shape[1], axis=1)
        result[end - stop : end - max(start, 1)] = above[:, : reach[1] + 1]
    return result


def _squared(spectrum: NDArray[np.complex64]) -> NDArray[np.float32]:
    power: NDArray[np.float32] = spectrum.real**2
    power += spectrum.imag**2
    return power


def _decay(
    correlation: FloatArray, reach: tuple[int, int], spacing_um: tuple[float, float]
) -> tuple[FloatArray, FloatArray, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """Distance to DECAY, steepness there, and whether it was reached, in every direction."""
    angle = np.linspace(-math.pi / 2, math.pi / 2, ANGLES + 1)[1:]
    unit = min(spacing_um)
    limit = np.minimum(
        reach[0] * spacing_um[0] / np.maximum(np.abs(np.sin(angle)), 1e-12),
        reach[1] * spacing_um[1] / np.maximum(np.cos(angle), 1e-12),
    )
    step = RADIUS_STEP * unit
    # surfaces decay soon: look near by first, and farther only for directions left over
    length = np.full(ANGLES, np.nan)
    steep = np.zeros(ANGLES)
    steps = 64
    inside = np.arange(ANGLES)
    while inside.size:
        radius = np.arange(steps + 1) * step
        row = reach[0] + radius[None, :] * np.sin(angle[inside])[:, None] / spacing_um[0]
        col = radius[None, :] * np.cos(angle[inside])[:, None] / spacing_um[1]
        along = map_coordinates(correlation, [row, col], order=1, mode="constant", cval=np.nan)
        below = along < DECAY
        first = np.argmax(below, axis=1)
        found = below[np.arange(inside.size), first]
        at = first[found]
        rows = np.flatnonzero(found)
        before, after = along[rows, at - 1], along[rows, at]
        length[inside[found]] = radius[at - 1] + step * (before - DECAY) / (before - after)
        steep[inside[found]] = (before - after) / step
        inside = inside[~found & (radius[-1] < limit[inside])]
        steps *= 4
    complete = np.isfinite(length)
    return np.where(complete, length, limit), steep, complete


def _direction(height_um: FloatArray, spacing_um: tuple[float, float]) -> tuple[float, float]:
    """Direction of the lay in degrees, and its standard uncertainty."""
    rows, cols = height_um.shape
    power = _windowed_power(height_um)
    fr = fft.fftfreq(rows, spacing_um[0])[:, None]
    fc = fft.rfftfreq(cols, spacing_um[1])[None, :]
    lowest = 2.0 / min(rows * spacing_um[0], cols * spacing_um[1])
    near = np.flatnonzero(np.abs(fr[:, 0]) < lowest)[:, None], np.flatnonzero(fc[0] < lowest)
    power[near] = np.where(np.hypot(fr[near[0][:, 0]], fc[:, near[1]]) < lowest, 0.0, power[near])
    strong = np.flatnonzero(power > 1e-4 * power.max())
    weight = power.ravel().take(strong).astype(np.float64)
    row_at = strong // power.shape[1]
    col_at = strong - row_at * power.shape[1]
    angle = _half_turn(np.degrees(np.arctan2(fr[:, 0].take(row_at), fc[0].take(col_at))))
    bins = np.bincount(np.rint(angle).astype(np.int64) % 180, weight, minlength=180)
    smooth = sum(np.roll(bins, k) * math.exp(-(k**2) / 8.0) for k in range(-6, 7))
    peak = float(np.argmax(smooth))
    for _ in range(3):
        offset = _half_turn(angle - peak + 90.0) - 90.0
        beside = np.flatnonzero(np.abs(offset) <= DIRECTION_REACH_DEG)
        peak += float(np.average(offset.take(beside), weights=weight.take(beside)))
    doubled = 2.0 * np.radians(angle)
    both = float(weight @ np.cos(doubled)), float(weight @ np.sin(doubled))
    resultant = math.hypot(*both) / float(weight.sum())
    modes = max(float(weight.sum()) ** 2 / float(np.sum(weight**2)), 1.0)
    if resultant < min(SIGNIFICANT_RESULTANT / math.sqrt(modes), CERTAIN_RESULTANT):
        return (peak + 90.0) % 180.0, UNIFORM_DIRECTION_DEG
    u = math.degrees(0.5 * math.sqrt((1 - min(resultant, 1.0) ** 2) / (2 * modes))) / resultant
    return (peak + 90.0) % 180.0, min(max(u, LEAST_DIRECTION_U_DEG), UNIFORM_DIRECTION_DEG)


def _windowed_power(height_um: FloatArray) -> NDArray[np.float32]:
    """Power spectrum under a Hann window, (rows, cols // 2 + 1), of the half plane and its twin."""
    rows, cols = height_um.shape
    across, along = np.hanning(rows + 2)[1:-1, None], np.hanning(cols + 2)[None, 1:-1]
    data = np.empty((rows, cols), dtype=np.float32)  # single precision is ample for a direction
    for start in range(0, rows, BAND_ROWS):
        band = slice(start, start + BAND_ROWS)
        piece = height_um[band]
        data[band] = np.where(np.isfinite(piece), piece, 0.0)
        data[band] *= (across[band] * along).astype(np.float32)
    power = _squared(fft.rfft2(data))
    power[:, 1 : (cols + 1) // 2] *= np.float32(2.0)  # the half of the plane that rfft2 leaves out
    return power


def _half_turn(angle_deg: FloatArray) -> FloatArray:
    """Angles of -180 to 360 degrees modulo 180, in place and without a slow division."""
    angle_deg += 180.0 * (angle_deg < 0.0)
    angle_deg -= 180.0 * (angle_deg >= 180.0)
    return angle_deg
