"""Agreement of outlines and of zone maps: overlap, distance, chance-corrected agreement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray


@dataclass(frozen=True)
class Kappa:
    """Agreement of raters beyond chance.

    Parameters
    ----------
    observed, expected : float
        Share of agreements seen and to be expected by chance.
    kappa : float
        (observed − expected) / (1 − expected).
    low, high : float
        95 % confidence interval; ``nan`` where none is given.
    """

    observed: float
    expected: float
    kappa: float
    low: float = math.nan
    high: float = math.nan


def dice(a: ArrayLike, b: ArrayLike) -> float:
    """Return the overlap of two masks, 2·|A∩B|/(|A| + |B|), 0..1.

    Parameters
    ----------
    a, b : bool arrays of the same shape
        Two raters' masks of one zone; two empty masks agree fully.

    References
    ----------
    Dice LR (1945). Measures of the amount of ecologic association between species. Ecology
    26:297-302.
    """
    first, second = _masks(a, b)
    total = int(first.sum()) + int(second.sum())
    return 1.0 if total == 0 else 2.0 * int((first & second).sum()) / total


def jaccard(a: ArrayLike, b: ArrayLike) -> float:
    """Return the overlap of two masks, |A∩B|/|A∪B|, 0..1.

    Parameters
    ----------
    a, b : bool arrays of the same shape
        Two raters' masks of one zone.

    References
    ----------
    Jaccard P (1912). The distribution of the flora in the alpine zone. New Phytol 11:37-50.
    """
    overlap = dice(a, b)
    return overlap / (2.0 - overlap)


def _masks(a: ArrayLike, b: ArrayLike) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    first, second = np.asarray(a, dtype=bool), np.asarray(b, dtype=bool)
    if first.shape != second.shape:
        raise StudyError(
            f"masks of shapes {first.shape} and {second.shape} cannot be laid over each other",
            rule="Two raters' masks must belong to the same picture.",
        )
    return first, second


def directed_hausdorff(a: FloatArray, b: FloatArray) -> float:
    """Return the greatest distance from a point of a to its nearest point of b.

    Parameters
    ----------
    a, b : (n, 2), (m, 2) float arrays
        Points (row, col), in one length unit.

    References
    ----------
    Huttenlocher DP, Klanderman GA, Rucklidge WJ (1993). IEEE Trans Pattern Anal Mach Intell
    15:850-863.
    """
    from scipy.spatial import cKDTree

    if len(a) == 0 or len(b) == 0:
        raise StudyError("an empty outline has no distance to another")
    return float(np.max(cKDTree(np.asarray(b)).query(np.asarray(a))[0]))


def hausdorff(a: FloatArray, b: FloatArray) -> float:
    """Return the larger of the two directed distances between outlines.

    Parameters
    ----------
    a, b : (n, 2), (m, 2) float arrays
        Points (row, col), in one length unit.
    """
    return max(directed_hausdorff(a, b), directed_hausdorff(b, a))


def cohen_kappa(table: ArrayLike) -> Kappa:
    """Return the agreement of two raters beyond chance from their cross table.

    Parameters
    ----------
    table : (c, c) array
        Counts: rows are the first rater's classes, columns the second's.

    Notes
    -----
    Standard error from the large-sample variance at the estimate.

    References
    ----------
    Cohen J (1960). Educ Psychol Meas 20:37-46. Fleiss JL, Cohen J, Everitt BS (1969). Psychol
    Bull 72:323-327.
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.sum() <= 0:
        raise StudyError("a cross table of two raters must be square and hold counts")
    n = counts.sum()
    p = counts / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(rows @ columns)
    if expected >= 1:
        return Kappa(observed, expected, math.nan)
    kappa = (observed - expected) / (1 - expected)
    diagonal = float(np.sum(np.diag(p) * (1 - (rows + columns) * (1 - kappa)) ** 2))
    off = p * (columns[:, None] + rows[None, :]) ** 2
    away = (1 - kappa) ** 2 * float(off.sum() - np.trace(off))
    rest = (kappa - expected * (1 - kappa)) ** 2
    se = math.sqrt(max(diagonal + away - rest, 0.0) / n) / (1 - expected)
    return Kappa(observed, expected, kappa, kappa - 1.959964 * se, kappa + 1.959964 * se)


def fleiss_kappa(table: ArrayLike) -> Kappa:
    """Return the agreement of many raters beyond chance.

    Parameters
    ----------
    table : (n, c) array
        Subjects × classes: how many raters chose each class; equal row sums.

    References
    ----------
    Fleiss JL (1971). Measuring nominal scale agreement among many raters. Psychol Bull
    76:378-382.
    """
    counts = np.asarray(table, dtype=float)
    raters = counts.sum(axis=1)
    if counts.ndim != 2 or np.ptp(raters) != 0 or raters[0] < 2:
        raise StudyError("every subject needs the same number of raters, at least two")
    m = raters[0]
    observed = float(np.mean((np.sum(counts**2, axis=1) - m) / (m * (m - 1))))
    expected = float(np.sum((counts.sum(axis=0) / counts.sum()) ** 2))
    if expected >= 1:
        return Kappa(observed, expected, math.nan)
    return Kappa(observed, expected, (observed - expected) / (1 - expected))
