"""Mixed model with one random intercept: faces nested in units, fitted in closed form.

Every unit's covariance matrix is a diagonal plus a constant, so that its inverse, determinant
and derivatives are sums over faces: no matrix grows with the data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray
from edgeqc.study.small_sample import Contrast, Curvature, adjusted_covariance, contrast_of

Method = Literal["REML", "ML"]

_FLOOR = 1e-8
"""Least variance within units, as a share of the data's variance: below it V is singular in
double precision."""


_AGREE = 1e-6
"""Share of the sum of squares between units below which units count as agreeing exactly."""


@dataclass(frozen=True)
class MixedFit:
    """A fitted mixed model with one random intercept.

    Parameters
    ----------
    beta : (p,) float array
        Fixed effects.
    covariance : (p, p) float array
        Their covariance with the small-sample correction.
    between : float
        Variance between units, in squared units of the response.
    within : float
        Variance between faces of a unit, beyond their stated measurement variance.
    criterion : float
        Minus twice the restricted (or full) log likelihood.
    converged : bool
        Whether the iteration settled.
    boundary : bool
        Whether the variance between units came out at zero (or below, where allowed).
    separable : bool
        False where no unit has two faces: ``within`` then holds both variances.
    curvature : Curvature
        For tests of fixed effects.
    n, units : int
        Number of faces and of units.
    """

    beta: FloatArray
    covariance: FloatArray
    between: float
    within: float
    criterion: float
    converged: bool
    boundary: bool
    separable: bool
    curvature: Curvature
    n: int
    units: int

    def contrast(self, weights: FloatArray) -> Contrast:
        """Estimates and small-sample test of linear combinations of the fixed effects."""
        return contrast_of(self.beta, self.curvature, weights)

    @property
    def icc(self) -> float:
        """Intra-class correlation: share of the variance that lies between units, 0..1."""
        total = max(self.between, 0.0) + self.within
        return max(self.between, 0.0) / total if total > 0 else 0.0


@dataclass(frozen=True)
class _Data:
    """Response, design and unit index, sorted by unit."""

    y: FloatArray
    X: FloatArray
    unit: NDArray[np.intp]
    units: int
    known: FloatArray
    method: Method

    def sums(self, values: FloatArray) -> FloatArray:
        """Sum over the faces of each unit."""
        starts = np.searchsorted(self.unit, np.arange(self.units))
        return np.asarray(np.add.reduceat(values, starts, axis=0), dtype=np.float64)


@dataclass(frozen=True)
class _State:
    """Everything that one pair of variances gives."""

    between: float
    within: float
    criterion: float
    beta: FloatArray
    phi: FloatArray
    gradient: FloatArray
    information: FloatArray
    first: FloatArray
    second: FloatArray


def fit_mixed(
    y: FloatArray,
    X: FloatArray,
    unit: NDArray[np.integer],
    *,
    known_variance: FloatArray | None = None,
    bounded: bool = True,
    method: Method = "REML",
) -> MixedFit:
    """Return the mixed model y = Xβ + b[unit] + e, fitted by restricted maximum likelihood.

    Parameters
    ----------
    y : (n,) float array
        A value per face.
    X : (n, p) float array
        Design of the fixed effects, of full column rank.
    unit : (n,) int array
        Unit of each face, any labels.
    known_variance : (n,) float array, optional
        Squared standard uncertainty of each face; added to the variance within units.
    bounded : bool
        Whether the variance between units is held at zero or above. Without the bound the fit
        is the compound-symmetry model, whose tests keep the units as their basis also where
        units agree better than their faces lead one to expect.
    method : {"REML", "ML"}
        Restricted or full maximum likelihood.

    Returns
    -------
    MixedFit

    Notes
    -----
    Fisher scoring on (variance between, variance within) with step halving; start from the
    moment estimates of the one-way analysis of variance.

    References
    ----------
    Patterson HD, Thompson R (1971). Biometrika 58:545-554.
    Kenward MG, Roger JH (1997). Biometrics 53:983-997.
    """
    data, start, scale = _prepared(y, X, unit, known_variance, method)
    separable = int(data.sums(np.ones(data.y.size)).max()) > 1
    # units that agree exactly leave no variance of their means to test with
    free_between = not bounded and not _units_agree(data)
    state, converged = _scored(data, bounded=not free_between, both=separable)
    variance = np.zeros((2, 2))
    free = [0, 1] if separable else [1]
    variance[np.ix_(free, free)] = _inverse(state.information[np.ix_(free, free)])
    curvature = Curvature(
        state.phi * scale**2, state.first / scale**4, state.second / scale**6, variance * scale**4
    )
    degrees = data.y.size - (data.X.shape[1] if method == "REML" else 0)
    return MixedFit(
        beta=start + state.beta * scale,
        covariance=adjusted_covariance(curvature),
        between=state.between * scale**2,
        within=state.within * scale**2,
        criterion=state.criterion + degrees * math.log(scale**2),
        converged=converged,
        boundary=separable and state.between <= 0,
        separable=separable,
        curvature=curvature,
        n=data.y.size,
        units=data.units,
    )


def _prepared(
    y: FloatArray,
    X: FloatArray,
    unit: NDArray[np.integer],
    known_variance: FloatArray | None,
    method: Method,
) -> tuple[_Data, FloatArray, float]:
    """Sort by unit, take out the least-squares fit, scale; return data, that fit, the scale."""
    y = np.asarray(y, dtype=np.float64)
    X = np.asarray(X, dtype=np.float64)
    _, index = np.unique(np.asarray(unit), return_inverse=True)
    order = np.argsort(index, kind="stable")
    if y.size <= X.shape[1]:
        raise StudyError(
            f"{y.size} values cannot carry {X.shape[1]} fixed effects",
            rule="A mixed model needs more values than fixed effects.",
        )
    start, _, rank, _ = np.linalg.lstsq(X, y, rcond=None)
    if rank < X.shape[1]:
        raise StudyError(
            f"the design has {X.shape[1]} columns but rank {rank}",
            rule="Fixed effects must not be combinations of one another.",
            remedy="Leave out the confounded factor.",
        )
    residual = y - X @ start
    scale = float(residual.std())
    if scale <= 1e-12 * max(1.0, float(np.abs(y).max())):
        raise StudyError(
            "the values do not vary beyond the fixed effects",
            rule="A variance is needed to judge a difference.",
        )
    known = np.zeros_like(y) if known_variance is None else np.asarray(known_variance) / scale**2
    data = _Data(
        residual[order] / scale, X[order], index[order].astype(np.intp),
        int(index.max()) + 1, known[order], method,
    )
    return data, np.asarray(start, dtype=np.float64), scale


def _state(data: _Data, between: float, within: float) -> _State:
    """Likelihood, fixed effects and all derivatives at one pair of variances."""
    d = 1.0 / (within + data.known)
    s1, s2, s3 = (data.sums(d**power) for power in (1, 2, 3))
    h = 1.0 / (1.0 + between * s1)
    k = between * h
    dX = d[:, None] * data.X
    g1, g2, g3 = (data.sums(dX * (d ** (power - 1))[:, None]) for power in (1, 2, 3))
    cross = data.X.T @ dX - (g1 * k[:, None]).T @ g1
    dy = d * data.y
    y1 = data.sums(dy)
    phi = np.asarray(np.linalg.inv(cross), dtype=np.float64)
    beta = phi @ (data.X.T @ dy - g1.T @ (k * y1))
    residual = data.y - data.X @ beta
    weighted = d * residual
    r1 = data.sums(weighted)
    vr = weighted - d * (k * r1)[data.unit]  # V⁻¹r
    first = np.stack([
        (g1 * (h**2)[:, None]).T @ g1,
        data.X.T @ (dX * d[:, None]) - _both(g2 * k[:, None], g1)
        + (g1 * (k**2 * s2)[:, None]).T @ g1,
    ])
    second = _second_products(data, dX * (d**2)[:, None], (s1, s2, s3), (g1, g2, g3), (h, k))
    trace_v = np.array([np.sum(s1 * h), np.sum(s1 - k * s2)])
    cross_v = float(np.sum(h**2 * s2))
    trace_vv = np.array([
        [np.sum((s1 * h) ** 2), cross_v], [cross_v, np.sum(s2 - 2 * k * s3 + (k * s2) ** 2)],
    ])
    criterion = float(np.sum(np.log1p(between * s1)) - np.sum(np.log(d)) + residual @ vr)
    criterion += data.y.size * math.log(2 * math.pi)
    if data.method == "REML":
        p = data.X.shape[1]
        criterion += float(np.linalg.slogdet(cross)[1]) - p * math.log(2 * math.pi)
        lost = [phi @ one for one in first]
        trace_v = trace_v - np.array([np.trace(one) for one in lost])
        for i in range(2):
            for j in range(2):
                trace_vv[i, j] += np.trace(lost[i] @ lost[j]) - 2 * np.trace(phi @ second[i, j])
    quadratic = np.array([np.sum(data.sums(vr) ** 2), float(vr @ vr)])
    return _State(between, within, criterion, beta, phi, (quadratic - trace_v) / 2,
                  np.asarray(trace_vv / 2, dtype=np.float64), first, second)


def _both(a: FloatArray, b: FloatArray) -> FloatArray:
    """Sum of a product and its transpose."""
    product = a.T @ b
    return np.asarray(product + product.T)


def _second_products(
    data: _Data,
    d3X: FloatArray,
    s: tuple[FloatArray, FloatArray, FloatArray],
    g: tuple[FloatArray, FloatArray, FloatArray],
    hk: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """XᵀV⁻¹V_iV⁻¹V_jV⁻¹X for both variances, from sums per unit."""
    (s1, s2, s3), (g1, g2, g3), (h, k) = s, g, hk
    bb = (g1 * (s1 * h**3)[:, None]).T @ g1
    z = g2 - g1 * (k * s2)[:, None]
    bw = (g1 * (h**2)[:, None]).T @ z
    ww = (
        data.X.T @ d3X - _both(g3 * k[:, None], g1) + (g1 * (k**2 * s3)[:, None]).T @ g1
        - (z * k[:, None]).T @ z
    )
    return np.array([[bb, bw], [bw.T, ww]])


def _scored(data: _Data, *, bounded: bool, both: bool) -> tuple[_State, bool]:
    """Fisher scoring with step halving; the state reached and whether it settled."""
    state = _state(data, *_moments(data, bounded=bounded, both=both))
    for _ in range(200):
        free = [0, 1] if both else [1]
        if bounded and both and state.between <= 0 and state.gradient[0] <= 0:
            free = [1]
        step = np.zeros(2)
        step[free] = _inverse(state.information[np.ix_(free, free)]) @ state.gradient[free]
        new = _halved(data, state, step, bounded=bounded)
        if new is None:
            return state, bool(abs(step @ state.gradient) < 1e-5)
        gain = state.criterion - new.criterion
        moved = abs(new.between - state.between) + abs(new.within - state.within)
        state = new
        if gain < 1e-10 and moved < 1e-9 * (abs(state.between) + state.within):
            return state, True
    return state, False


def _inverse(information: FloatArray) -> FloatArray:
    """Return the inverse, where the data leave a variance open the pseudo-inverse.

    The diagonal is scaled to 1 first: the two variances may differ by many powers of ten.
    """
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    inner = np.linalg.pinv(information * np.outer(scale, scale))
    return np.asarray(inner * np.outer(scale, scale), dtype=np.float64)


def _halved(data: _Data, state: _State, step: FloatArray, *, bounded: bool) -> _State | None:
    """State after the longest halved step that does not raise the criterion."""
    largest = float(data.sums(np.ones(data.y.size)).max())
    for halving in range(40):
        between, within = np.array([state.between, state.within]) + step * 0.5**halving
        within = max(float(within), _FLOOR)
        between = max(float(between), 0.0) if bounded else float(between)
        if within + largest * between <= _FLOOR:
            continue
        new = _state(data, between, within)
        if new.criterion <= state.criterion + 1e-12 * abs(state.criterion):
            return new
    return None


def _units_agree(data: _Data) -> bool:
    """Return whether the units' mean residuals are all zero but for rounding."""
    sizes = data.sums(np.ones(data.y.size))
    means = data.sums(data.y) / sizes
    return bool(np.sum(sizes * means**2) < _AGREE * np.sum(data.y**2))


def _moments(data: _Data, *, bounded: bool, both: bool) -> tuple[float, float]:
    """Moment estimates of the variances from the one-way analysis of variance."""
    residual = data.y
    sizes = data.sums(np.ones(residual.size))
    means = data.sums(residual) / sizes
    if not both:
        return 0.0, max(float(residual @ residual) / (residual.size - data.X.shape[1]), _FLOOR)
    within = float(np.sum((residual - means[data.unit]) ** 2))
    within = max(within / (residual.size - data.units), _FLOOR)
    freedom = max(data.units - data.X.shape[1], 1)
    between = float(np.sum(sizes * means**2)) / freedom - within
    between /= float(sizes.mean())
    floor = 0.0 if bounded else -0.9 * within / float(sizes.max())
    return max(between, floor), within
