"""Small-sample tests of fixed effects in a mixed model, after Kenward and Roger.

With few units the usual standard errors of a mixed model are too small and the normal or
chi-squared reference rejects too often; both are mended here from the curvature of the
restricted likelihood.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeqc.quantity import FloatArray


@dataclass(frozen=True)
class Curvature:
    """What a fit must know of its covariance model for the small-sample correction.

    Parameters
    ----------
    phi : (p, p) float array
        Covariance of the fixed effects at the estimated variances, (XᵀV⁻¹X)⁻¹.
    first : (r, p, p) float array
        XᵀV⁻¹V_iV⁻¹X for each variance parameter i, with V_i = ∂V/∂θ_i.
    second : (r, r, p, p) float array
        XᵀV⁻¹V_iV⁻¹V_jV⁻¹X.
    variance : (r, r) float array
        Covariance of the variance estimates: inverse of the expected restricted information.
    """

    phi: FloatArray
    first: FloatArray
    second: FloatArray
    variance: FloatArray


@dataclass(frozen=True)
class Contrast:
    """Estimates and joint test of one or more linear combinations of fixed effects.

    Parameters
    ----------
    estimate, se : (l,) float array
        Combinations and their corrected standard errors.
    statistic : float
        Scaled F.
    df_num, df_den : float
        Degrees of freedom of the F reference.
    p : float
        Upper tail probability.
    """

    estimate: FloatArray
    se: FloatArray
    statistic: float
    df_num: int
    df_den: float
    p: float

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Confidence interval of a single combination, from t with ``df_den``."""
        from scipy.stats import t

        half = float(t.ppf(0.5 + confidence / 2, self.df_den)) * float(self.se[0])
        return float(self.estimate[0]) - half, float(self.estimate[0]) + half


def adjusted_covariance(curvature: Curvature) -> FloatArray:
    """Return the fixed effects' covariance with its small-sample bias taken out.

    Notes
    -----
    Φ_A = Φ + 2Φ{Σ_ij W_ij (Q_ij − B_iΦB_j)}Φ; the term with second derivatives of V vanishes
    because V is linear in its parameters.

    References
    ----------
    Kenward MG, Roger JH (1997). Small sample inference for fixed effects from restricted
    maximum likelihood. Biometrics 53:983-997, equation 5.
    """
    phi = curvature.phi
    middle = np.zeros_like(phi)
    for i, first_i in enumerate(curvature.first):
        for j, first_j in enumerate(curvature.first):
            q = curvature.second[i, j]
            middle += curvature.variance[i, j] * ((q + q.T) / 2 - first_i @ phi @ first_j)
    corrected = phi + 2 * phi @ middle @ phi
    return (corrected + corrected.T) / 2


def contrast_of(beta: FloatArray, curvature: Curvature, weights: FloatArray) -> Contrast:
    """Return estimates and the scaled F test of ``weights @ beta = 0``.

    Parameters
    ----------
    beta : (p,) float array
        Fixed effects.
    curvature : Curvature
        From the fit.
    weights : (l, p) or (p,) float array
        Combinations; rows must be linearly independent.

    Notes
    -----
    For a single combination the reference is t with Satterthwaite's degrees of freedom and the
    scale is 1; for balanced data the test is the exact one of the analysis of variance.

    References
    ----------
    Kenward MG, Roger JH (1997). Biometrics 53:983-997, section 3.
    """
    from scipy.stats import f

    rows = np.atleast_2d(np.asarray(weights, dtype=float))
    count = rows.shape[0]
    plain = rows @ curvature.phi @ rows.T
    adjusted = rows @ adjusted_covariance(curvature) @ rows.T
    # where the variances are hardly known the correction overshoots; it must not cut a variance
    if np.linalg.eigvalsh(adjusted)[0] <= 0 or np.any(np.diag(adjusted) < np.diag(plain) / 2):
        adjusted = plain
    estimate = rows @ beta
    scale, df_den = _scale_and_df(curvature, rows)
    form = float(estimate @ np.linalg.solve(adjusted, estimate)) / count
    statistic = scale * form
    return Contrast(
        estimate=estimate,
        se=np.sqrt(np.diag(adjusted)),
        statistic=statistic,
        df_num=count,
        df_den=df_den,
        p=float(f.sf(statistic, count, df_den)),
    )




def _scale_and_df(curvature: Curvature, rows: FloatArray) -> tuple[float, float]:
    """Scale of the F statistic and its denominator degrees of freedom."""
    count = rows.shape[0]
    phi = curvature.phi
    theta = rows.T @ np.linalg.solve(rows @ phi @ rows.T, rows)
    parts = [theta @ phi @ first @ phi for first in curvature.first]
    traces = np.array([np.trace(part) for part in parts])
    a1 = float(traces @ curvature.variance @ traces)
    a2 = float(
        sum(
            curvature.variance[i, j] * np.trace(part_i @ part_j)
            for i, part_i in enumerate(parts)
            for j, part_j in enumerate(parts)
        )
    )
    if count == 1:
        return 1.0, max(1.0, 2.0 / a2) if a2 > 0 else math.inf
    if a2 <= 0:
        return 1.0, math.inf
    if a2 >= count:  # the mean of F does not exist: the variances are hardly known
        return 1.0, 1.0
    b = (a1 + 6 * a2) / (2 * count)
    g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
    base = 3 * count + 2 * (1 - g)
    c1, c2, c3 = g / base, (count - g) / base, (count + 2 - g) / base
    mean = 1.0 / (1.0 - a2 / count)
    below = (1 - c2 * b) ** 2 * (1 - c3 * b)
    variance = (2.0 / count) * (1 + c1 * b) / below if below > 0 else 0.0
    ratio = variance / (2 * mean**2)
    if count * ratio <= 1 or mean <= 0 or variance <= 0:
        # the moment match has no solution where variances are hardly known: the cautious end
        return 1.0, 1.0
    df_den = 4 + (count + 2) / (count * ratio - 1)
    return df_den / (mean * (df_den - 2)), df_den
