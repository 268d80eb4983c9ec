"""How a value scatters between the blocks of a profile or the tiles of a surface.

Skewness and kurtosis rest on few, rare heights: to first order in the blocks' means their scatter
comes out too small, so that it is taken by leaving out one block at a time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray

LEAST_FREEDOM = 1.0
"""Fewest degrees of freedom that a scatter is given."""


BLOCKS = 10
"""Blocks into which the evaluation length is cut to see how parameters vary along it: enough
for a variance with 9 degrees of freedom, few enough for a block to be longer than the
correlation length of any profile that is long enough for its section length."""

MIN_BLOCK = 16
"""Fewest heights in a block of which parameters are taken."""


def freedom_of(contribution: FloatArray) -> FloatArray:
    """Return the degrees of freedom of a scatter that is told from single contributions.

    Parameters
    ----------
    contribution : (..., blocks) float array
        What each block adds to the value, from their mean; zero or NaN where a block has none.

    Returns
    -------
    (...) float array
        At least 1, and at most the number of blocks less one.

    Notes
    -----
    ν = 2/(relative variance of the variance) = 2 (Σc²)²/(Σc⁴ - (Σc²)²/n): n for contributions of
    normal law, few where few blocks make up most of the scatter.

    References
    ----------
    JCGM 100:2008, G.4.2 (degrees of freedom from how well an uncertainty is known); variance of a
    sample variance, closed form.

    Examples
    --------
    >>> float(freedom_of(np.array([1.0, -1.0, 1.0, -1.0])))
    3.0
    >>> float(freedom_of(np.array([10.0, 0.1, -0.1, 0.2, -0.2]))) < 3.0
    True
    """
    square = np.nan_to_num(contribution) ** 2
    count = np.count_nonzero(square, axis=-1)
    total = square.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        rest = (square**2).sum(axis=-1) - total**2 / count
        freedom = np.where(rest > 0, 2.0 * total**2 / rest, np.inf)
    limited: FloatArray = np.maximum(np.minimum(freedom, count - 1.0), LEAST_FREEDOM)
    return limited


def skewness_and_kurtosis(means: dict[str, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Return skewness and kurtosis from the means of the first to fourth powers.

    Parameters
    ----------
    means : dict of str to array
        ``"1"`` to ``"4"``: mean height, and means of its square, cube and fourth power.

    References
    ----------
    ISO 21920-2:2021 and ISO 25178-2:2021, 4.2 (heights from the mean).

    Examples
    --------
    >>> heights = np.array([-1.0, 0.0, 0.0, 4.0])
    >>> skew, kurtosis = skewness_and_kurtosis({str(k): np.mean(heights**k) for k in range(1, 5)})
    >>> round(float(skew), 4), round(float(kurtosis), 4)
    (0.9934, 2.1937)
    """
    mean, square, cube, fourth = (means[name] for name in ("1", "2", "3", "4"))
    spread = square - mean**2
    third = cube - 3.0 * mean * square + 2.0 * mean**3
    with np.errstate(invalid="ignore", divide="ignore"):
        skew = third / spread**1.5
        kurtosis = (
            fourth - 4.0 * mean * cube + 6.0 * mean**2 * square - 3.0 * mean**4) / spread**2
    return np.asarray(skew), np.asarray(kurtosis)


def moments_left_out(
    sums: dict[str, FloatArray], count: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return what each block adds to skewness and kurtosis, by leaving it out.

    Parameters
    ----------
    sums : dict of str to (..., blocks) float array
        ``"1"`` to ``"4"``: sums over each block of the powers of height.
    count : (..., blocks) float array
        Number of heights in each block.

    Returns
    -------
    skew, kurtosis : (..., blocks) float arrays
        Pseudo-values less their mean, over the number of blocks; zero for empty blocks. They
        add up to zero, and their scatter is that of the value.

    References
    ----------
    Jackknife with blocks: Ann. Statist. 1989;17(3):1217 (from memory).
    """
    here = count > 0
    blocks = here.sum(axis=-1, keepdims=True)
    left = count.sum(axis=-1, keepdims=True) - count
    with np.errstate(invalid="ignore", divide="ignore"):
        means = {
            name: (field.sum(axis=-1, keepdims=True) - field) / left for name, field in sums.items()
        }
        added = []
        for value in skewness_and_kurtosis(means):
            known = np.where(here, value, 0.0)
            middle = known.sum(axis=-1, keepdims=True) / blocks
            added.append(np.where(here, (1.0 - blocks) / blocks * (known - middle), 0.0))
    return added[0], added[1]


def block_borders(samples: int) -> NDArray[np.int64]:
    """Return the borders of the blocks of a profile.

    References
    ----------
    Batch means of a correlated series: Management Science 1983;29(9):1090 (from memory).
    """
    blocks = max(1, min(BLOCKS, samples // MIN_BLOCK))
    return np.rint(np.linspace(0, samples, blocks + 1)).astype(np.int64)


def spread_of_mean(blocks: FloatArray) -> FloatArray:
    """Return the standard uncertainty of the mean of (..., blocks) block values.

    Notes
    -----
    The scatter of the block means, with the correlation of neighbouring blocks added where it
    is positive; never less than without it.

    References
    ----------
    JCGM 100:2008, 4.2.3 and 4.2.7 note 1; batch means as in ``block_borders``.
    """
    known = np.isfinite(blocks)
    count = known.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, blocks, 0.0).sum(axis=-1) / count
        deviation = np.where(known, blocks - mean[..., None], 0.0)
        square = (deviation * deviation).sum(axis=-1) / (count - 1)
        pairs = (deviation[..., 1:] * deviation[..., :-1]).sum(axis=-1) / (count - 1)
        # deviations from the blocks' own mean pull neighbours apart by square/count
        together = np.maximum(pairs + square / count, 0.0)
        return np.where(count > 2, np.sqrt((square + 2.0 * together) / count), np.nan)


def spreads(of_blocks: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """Return the spread of the mean of each field's blocks, all fields in one go.

    References
    ----------
    As of `spread_of_mean`.
    """
    found = spread_of_mean(np.stack(list(of_blocks.values())))
    return dict(zip(of_blocks, found, strict=True))
