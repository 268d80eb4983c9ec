"""Least squares on unit means: straight lines, factorial effects, response surfaces."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray


@dataclass(frozen=True)
class LeastSquares:
    """A least-squares fit.

    Parameters
    ----------
    names : tuple of str
        Terms.
    beta : (p,) float array
        Coefficients.
    covariance : (p, p) float array
        Their covariance.
    residual_sd : float
        Standard deviation of the residuals.
    df : int
        Residual degrees of freedom.
    r_squared : float
        Share of the variance explained.
    """

    names: tuple[str, ...]
    beta: FloatArray
    covariance: FloatArray
    residual_sd: float
    df: int
    r_squared: float

    @property
    def se(self) -> FloatArray:
        """Standard errors of the coefficients."""
        return np.sqrt(np.diag(self.covariance))

    def predict(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Fitted means and their standard errors for rows of the design."""
        spread = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        return rows @ self.beta, np.sqrt(np.maximum(spread, 0.0))


def least_squares(
    y: FloatArray, X: FloatArray, names: Sequence[str] = ()
) -> LeastSquares:
    """Return the ordinary least-squares fit of y on the columns of X.

    Parameters
    ----------
    y : (n,) float array
        Response.
    X : (n, p) float array
        Design with its constant column.
    names : sequence of str
        Terms, for the tables.

    Notes
    -----
    Columns are centred (where X holds a constant) and scaled, then orthogonalised: the normal
    equations would lose half the digits on nearly collinear columns.

    References
    ----------
    Björck Å (1996). Numerical Methods for Least Squares Problems, section 2.4.
    """
    y = np.asarray(y, dtype=float)
    X = np.asarray(X, dtype=float)
    n, p = X.shape
    constant = np.nonzero((np.ptp(X, axis=0) == 0) & (X[0] != 0))[0]
    base = int(constant[0]) if constant.size else None
    centre = X.mean(axis=0)
    if base is None:
        centre = np.zeros(p)
    else:
        centre[base] = 0.0
    moved = X - centre
    scale = np.linalg.norm(moved, axis=0)
    if np.any(scale <= 0) or np.linalg.matrix_rank(moved / scale) < p:
        raise StudyError(
            "the terms cannot be told apart in these data",
            rule="The design must have full column rank.",
            remedy="Leave out a term.",
        )
    q, r = np.linalg.qr(moved / scale)
    back = np.linalg.inv(r) / scale[:, None]
    coefficients = back @ (q.T @ y)
    residual = y - moved @ coefficients
    coefficients = coefficients + back @ (q.T @ residual)  # one step of refinement
    residual = y - moved @ coefficients
    if base is not None:
        shift = np.eye(p)
        shift[base] -= centre / X[0, base]
        coefficients, back = shift @ coefficients, shift @ back
    df = n - p
    rss = float(residual @ residual)
    variance = rss / df if df > 0 else math.nan
    about = float(np.sum((y - y.mean()) ** 2)) if base is not None else float(y @ y)
    return LeastSquares(
        tuple(names) or tuple(f"b{i}" for i in range(p)),
        coefficients, back @ back.T * variance, math.sqrt(variance) if df > 0 else math.nan, df,
        1.0 - rss / about if about > 0 else math.nan,
    )


def coded(values: FloatArray) -> FloatArray:
    """Return a factor coded by its full range: lowest −1, highest +1."""
    values = np.asarray(values, dtype=float)
    low, high = float(values.min()), float(values.max())
    if high <= low:
        raise StudyError("a factor with a single level has no effect to estimate")
    return (2.0 * values - low - high) / (high - low)


def factorial_design(
    factors: Sequence[FloatArray], names: Sequence[str], *, order: int = 2
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the design of main effects and interactions of coded factors.

    Parameters
    ----------
    factors : sequence of (n,) float arrays
        Coded −1..+1.
    names : sequence of str
        Names of the factors.
    order : int
        Highest order of interaction.

    Notes
    -----
    An effect (change of the mean from the low to the high level) is twice its coefficient.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 5.4.7.1.
    """
    columns, terms = [np.ones(len(factors[0]))], ["constant"]
    for size in range(1, order + 1):
        for group in combinations(range(len(factors)), size):
            columns.append(np.prod([factors[i] for i in group], axis=0))
            terms.append(" × ".join(names[i] for i in group))
    return np.stack(columns, axis=1), tuple(terms)


def surface_design(
    factors: Sequence[FloatArray], names: Sequence[str]
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return the second-order design: main effects, interactions, squares.

    Parameters
    ----------
    factors : sequence of (n,) float arrays
        Coded −1..+1.
    names : sequence of str
        Names of the factors.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 5.4.7.2.
    """
    X, terms = factorial_design(factors, names, order=2)
    squares = [factor**2 for factor in factors]
    return np.column_stack([X, *squares]), (*terms, *(f"{name}²" for name in names))
