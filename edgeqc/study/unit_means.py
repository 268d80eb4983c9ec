"""One value per unit, and arm means that weigh units as the mixed model does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray
from edgeqc.study.arm_tests import ArmMeans
from edgeqc.study.mixed import MixedFit
from edgeqc.study.responses import FaceValues


@dataclass(frozen=True)
class UnitMeans:
    """Means over the faces of each unit.

    Parameters
    ----------
    unit : (m,) str array
        Names.
    arm : (m,) int array
        Arm of each unit (index into the design's arms).
    mean : (m,) float array
        Mean over its faces.
    faces : (m,) float array
        Number of faces.
    u : (m,) float array
        Standard uncertainty of the mean from measurement alone, faces taken as independent;
        ``nan`` where no face states one.
    """

    unit: NDArray[np.str_]
    arm: NDArray[np.intp]
    mean: FloatArray
    faces: FloatArray
    u: FloatArray

    def groups(self, arms: list[int]) -> list[FloatArray]:
        """Values of the units of each arm."""
        return [self.mean[self.arm == arm] for arm in arms]


def unit_means(values: FaceValues) -> UnitMeans:
    """Return the mean of each unit over its faces.

    Parameters
    ----------
    values : FaceValues
        Faces of one response; those given are all used.
    """
    names, first, index = np.unique(values.unit, return_index=True, return_inverse=True)
    size = np.bincount(index).astype(np.float64)
    mean = np.bincount(index, weights=values.value) / size
    squares = np.bincount(index, weights=np.nan_to_num(values.u, nan=np.inf) ** 2)
    u = np.sqrt(squares) / size
    return UnitMeans(names, values.arm[first], mean, size, np.where(np.isfinite(u), u, np.nan))


def weighted_arm_means(
    units: UnitMeans, arms: list[int], fit: MixedFit | None
) -> ArmMeans:
    """Return arm means over units weighted as the mixed model weighs them, spread by arm.

    Parameters
    ----------
    units : UnitMeans
        A value per unit.
    arms : list of int
        Arms wanted, at least two units each.
    fit : MixedFit, optional
        Gives the weights 1/(between + within/faces); equal weights where there is none.

    Notes
    -----
    Variance of an arm's mean: Σw(y − ȳ)²/((n − 1)Σw), which needs the weights only up to a
    factor, so that every arm's spread is judged from its own units. With equal numbers of faces
    these are plain means and their usual standard errors.
    """
    if fit is None or not fit.separable:
        weight = np.ones_like(units.mean)
    else:
        weight = 1.0 / (max(fit.between, 0.0) + fit.within / units.faces)
    means, variances, sizes = [], [], []
    for arm in arms:
        chosen = units.arm == arm
        w, y = weight[chosen], units.mean[chosen]
        centre = float(w @ y / w.sum())
        spread = float(w @ (y - centre) ** 2)
        # the rounding residue of equal values is no spread
        if np.ptp(y) <= 1e-12 * max(abs(centre), 1e-300):
            spread = 0.0
        means.append(centre)
        variances.append(spread / ((y.size - 1) * float(w.sum())) if y.size > 1 else np.nan)
        sizes.append(y.size)
    size = np.array(sizes, dtype=np.float64)
    return ArmMeans(np.array(means), np.array(variances), size - 1, size)
