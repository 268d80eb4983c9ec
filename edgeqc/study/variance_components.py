"""Nested variance components by dense restricted likelihood: lens, fragment, face.

Slower and more general than ``mixed``; it checks that module in the tests and splits the
variance where lenses gave several fragments.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray
from edgeqc.study.small_sample import Contrast, Curvature, contrast_of

MAX_VALUES = 1200
"""Largest table for the dense computation: its cost grows with the cube of the values."""


@dataclass(frozen=True)
class ComponentsFit:
    """Fixed effects and nested variances.

    Parameters
    ----------
    beta : (p,) float array
        Fixed effects.
    variances : mapping of str to float
        Variance of each grouping, and ``"residual"``.
    criterion : float
        Minus twice the restricted log likelihood.
    converged : bool
        Whether the iteration settled.
    curvature : Curvature
        For tests of fixed effects.
    """

    beta: FloatArray
    variances: Mapping[str, float]
    criterion: float
    converged: bool
    curvature: Curvature

    def contrast(self, weights: FloatArray) -> Contrast:
        """Estimates and small-sample test of linear combinations of the fixed effects."""
        return contrast_of(self.beta, self.curvature, weights)


@dataclass(frozen=True)
class _Point:
    criterion: float
    beta: FloatArray
    phi: FloatArray
    gradient: FloatArray
    information: FloatArray
    inverse: FloatArray


def fit_components(
    y: FloatArray, X: FloatArray, groupings: Mapping[str, NDArray[np.generic]]
) -> ComponentsFit:
    """Return the variance components of nested or crossed groupings.

    Parameters
    ----------
    y : (n,) float array
        Values.
    X : (n, p) float array
        Fixed effects.
    groupings : mapping of str to (n,) array
        Name -> label of each value. Labels of an inner grouping must be unique over the outer
        one (``lens/fragment``), or it would be crossed instead of nested.

    Notes
    -----
    Fisher scoring on the variances, each held at zero or above.

    References
    ----------
    Searle SR, Casella G, McCulloch CE (1992). Variance Components, chapters 6 and 8.
    """
    y = np.asarray(y, dtype=float)
    if y.size > MAX_VALUES:
        raise StudyError(
            f"{y.size} values are too many for the dense computation",
            rule=f"At most {MAX_VALUES} values.",
            remedy="Use the mixed model with one random intercept.",
        )
    scale = float((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]).std())
    if scale <= 0:
        raise StudyError("the values do not vary beyond the fixed effects")
    kernels = [np.equal.outer(labels, labels).astype(float) for labels in groupings.values()]
    kernels.append(np.eye(y.size))
    theta = np.full(len(kernels), 1.0 / len(kernels))
    point = _point(theta, y / scale, X, kernels)
    converged = False
    for _ in range(300):
        free = [i for i in range(theta.size) if theta[i] > 0 or point.gradient[i] > 0]
        step = np.zeros(theta.size)
        step[free] = np.linalg.lstsq(
            point.information[np.ix_(free, free)], point.gradient[free], rcond=None)[0]
        for halving in range(30):
            new = np.maximum(theta + step * 0.5**halving, 0.0)
            new[-1] = max(new[-1], 1e-8)
            reached = _point(new, y / scale, X, kernels)
            if reached.criterion <= point.criterion + 1e-12 * abs(point.criterion):
                break
        gain = point.criterion - reached.criterion
        theta, point = new, reached
        if gain < 1e-10:
            converged = True
            break
    return _finished(theta, point, (X, kernels), scale, converged, tuple(groupings))


def _finished(
    theta: FloatArray,
    point: _Point,
    model: tuple[FloatArray, list[FloatArray]],
    scale: float,
    converged: bool,
    names: tuple[str, ...],
) -> ComponentsFit:
    """Return the fit in the units of the data."""
    X, kernels = model
    W = point.inverse @ X
    half = [point.inverse @ (kernel @ W) for kernel in kernels]
    first = np.array([W.T @ kernel @ W for kernel in kernels])
    second = np.array([[(kernel_i @ W).T @ half_j for half_j in half] for kernel_i in kernels])
    curvature = Curvature(
        point.phi * scale**2, first / scale**4, second / scale**6,
        np.asarray(np.linalg.pinv(point.information) * scale**4, dtype=np.float64),
    )
    variances = {name: float(value) * scale**2
                 for name, value in zip((*names, "residual"), theta, strict=True)}
    degrees = X.shape[0] - X.shape[1]
    return ComponentsFit(point.beta * scale, variances,
                         point.criterion + degrees * math.log(scale**2), converged, curvature)


def _point(
    theta: FloatArray, y: FloatArray, X: FloatArray, kernels: list[FloatArray]
) -> _Point:
    """Criterion, gradient and expected information at given variances."""
    V = sum(value * kernel for value, kernel in zip(theta, kernels, strict=True))
    inverse = np.linalg.inv(V)
    cross = X.T @ inverse @ X
    phi = np.asarray(np.linalg.inv(cross), dtype=np.float64)
    P = inverse - inverse @ X @ phi @ X.T @ inverse
    Py = P @ y
    products = [P @ kernel for kernel in kernels]
    gradient = np.array([
        (float(Py @ kernel @ Py) - float(np.trace(product))) / 2
        for kernel, product in zip(kernels, products, strict=True)
    ])
    information = np.array([
        [float(np.sum(a * b.T)) / 2 for b in products] for a in products
    ])
    n, p = X.shape
    criterion = (n - p) * math.log(2 * math.pi) + float(y @ Py)
    criterion += float(np.linalg.slogdet(V)[1] + np.linalg.slogdet(cross)[1])
    return _Point(criterion, phi @ X.T @ inverse @ y, phi, gradient, information, inverse)
