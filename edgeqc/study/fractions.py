"""Fractions near 0 or 1: beta regression on unit means, and means on the logit scale."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray
from edgeqc.study.arm_tests import ArmMeans, TestResult


@dataclass(frozen=True)
class BetaFit:
    """A beta regression with logit link.

    Parameters
    ----------
    beta : (p,) float array
        Coefficients on the logit scale.
    phi : float
        Precision: variance = μ(1 − μ)/(1 + φ).
    covariance : (p + 1, p + 1) float array
        Of coefficients and precision, from the expected information.
    log_likelihood : float
        At the maximum.
    converged : bool
        Whether the iteration settled.
    n : int
        Number of values.
    """

    beta: FloatArray
    phi: float
    covariance: FloatArray
    log_likelihood: float
    converged: bool
    n: int


def beta_regression(y: FloatArray, X: FloatArray) -> BetaFit:
    """Return the beta regression of fractions strictly inside 0..1.

    Parameters
    ----------
    y : (n,) float array
        Fractions, 0 < y < 1.
    X : (n, p) float array
        Design with its constant, or a column per arm.

    Notes
    -----
    Maximum likelihood by Fisher scoring with step halving.

    References
    ----------
    Ferrari S, Cribari-Neto F (2004). Beta regression for modelling rates and proportions.
    J Appl Stat 31:799-815.
    """
    y = np.asarray(y, dtype=float)
    X = np.asarray(X, dtype=float)
    if np.any(y <= 0) or np.any(y >= 1):
        raise StudyError(
            "a fraction of exactly 0 or 1 stands among the values",
            rule="Beta regression needs fractions strictly inside 0..1.",
            remedy="Compare means on the logit scale instead.",
        )
    logit = np.log(y) - np.log1p(-y)
    beta = np.linalg.lstsq(X, logit, rcond=None)[0]
    mean = _expit(X @ beta)
    spread = float(np.sum((logit - X @ beta) ** 2)) / max(y.size - X.shape[1], 1)
    phi = max(float(np.mean(1.0 / (spread * mean * (1 - mean) + 1e-12))) - 1.0, 1.0)
    theta = np.append(beta, math.log(phi))
    value = _beta_log_likelihood(theta, y, X)
    converged = False
    for _ in range(200):
        score, information = _beta_score(theta, y, X)
        step = np.linalg.solve(information, score)
        new, reached = theta, value
        for halving in range(30):
            new = theta + step * 0.5**halving
            reached = _beta_log_likelihood(new, y, X)
            if reached >= value:
                break
        settled = abs(reached - value) < 1e-12 * (1 + abs(value))
        if reached >= value:
            theta, value = new, reached
        if settled:
            converged = float(np.max(np.abs(step))) < 1e-4
            break
    _, information = _beta_score(theta, y, X)
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    phi = math.exp(float(theta[-1]))
    covariance[-1] *= phi  # from log φ to φ
    covariance[:, -1] *= phi
    return BetaFit(theta[:-1], phi, covariance, value, converged, y.size)


def _expit(eta: FloatArray) -> FloatArray:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(eta, -700, 700))))


def _beta_log_likelihood(theta: FloatArray, y: FloatArray, X: FloatArray) -> float:
    from scipy.special import gammaln

    phi = math.exp(min(float(theta[-1]), 50.0))
    mean = np.clip(_expit(X @ theta[:-1]), 1e-12, 1 - 1e-12)
    return float(np.sum(
        gammaln(phi) - gammaln(mean * phi) - gammaln((1 - mean) * phi)
        + (mean * phi - 1) * np.log(y) + ((1 - mean) * phi - 1) * np.log1p(-y)
    ))


def _beta_score(
    theta: FloatArray, y: FloatArray, X: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Score and expected information for (β, log φ)."""
    from scipy.special import polygamma, psi

    phi = math.exp(min(float(theta[-1]), 50.0))
    mean = np.clip(_expit(X @ theta[:-1]), 1e-12, 1 - 1e-12)
    slope = mean * (1 - mean)
    star = np.log(y) - np.log1p(-y)
    star_mean = psi(mean * phi) - psi((1 - mean) * phi)
    score_phi = float(np.sum(
        mean * (star - star_mean) + np.log1p(-y) - psi((1 - mean) * phi) + psi(phi)
    ))
    score = np.append(phi * X.T @ (slope * (star - star_mean)), phi * score_phi)
    up, down = polygamma(1, mean * phi), polygamma(1, (1 - mean) * phi)
    weight = phi**2 * (up + down) * slope**2
    mixed = X.T @ (slope * phi * (up * mean - down * (1 - mean))) * phi
    last = float(np.sum(up * mean**2 + down * (1 - mean) ** 2 - polygamma(1, phi))) * phi**2
    top = X.T @ (X * weight[:, None])
    return score, np.block([[top, mixed[:, None]], [mixed[None], np.array([[last]])]])


def beta_arms_test(y: FloatArray, X: FloatArray) -> TestResult:
    """Return the beta-regression test that all arms have one mean.

    Parameters
    ----------
    y : (n,) float array
        One fraction per unit.
    X : (n, k) float array
        A column per arm (1 where the unit belongs to it).

    Notes
    -----
    Wald statistic over k − 1, referred to F(k − 1, n − k), with the covariance inflated by
    n/(n − k): the maximum-likelihood precision is too high in small samples by about that.
    """
    from scipy.stats import f

    k = X.shape[1]
    name = "beta regression on unit means"
    if np.any(y <= 0) or np.any(y >= 1):
        exact = int(np.sum((y <= 0) | (y >= 1)))
        return TestResult(name, math.nan, k - 1, y.size - k, math.nan,
                          f"{exact} of {y.size} units are exactly 0 or 1, where the beta"
                          " distribution has no density; the logit comparison of means stands"
                          " in.")
    fit = beta_regression(y, X)
    if not fit.converged:
        return TestResult(name, math.nan, k - 1, y.size - k, math.nan,
                          "The fit did not settle; no figure is taken from it.")
    contrast = np.eye(k)[1:] - np.eye(k)[:1]
    estimate = contrast @ fit.beta
    covariance = contrast @ fit.covariance[:k, :k] @ contrast.T * (y.size / (y.size - k))
    statistic = float(estimate @ np.linalg.solve(covariance, estimate)) / (k - 1)
    return TestResult(name, statistic, k - 1, y.size - k,
                      float(f.sf(statistic, k - 1, y.size - k)))


def logit_means(arms: ArmMeans) -> ArmMeans:
    """Return arm means of fractions on the logit scale, with delta-method variances.

    Parameters
    ----------
    arms : ArmMeans
        Means of unit fractions. Exact 0 and 1 among the units are allowed; a mean of exactly 0
        or 1 becomes infinite.

    Notes
    -----
    The quasi-likelihood treatment of fractional responses with a mean per arm: it models the
    mean of the fractions themselves, so that nothing is added to exact zeros and ones.

    References
    ----------
    Papke LE, Wooldridge JM (1996). Econometric methods for fractional response variables.
    J Appl Econom 11:619-632.
    """
    mean = np.asarray(arms.mean, dtype=float)
    inside = (mean > 0) & (mean < 1)
    safe = np.where(inside, mean, 0.5)
    logit = np.where(inside, np.log(safe) - np.log1p(-safe), np.where(mean >= 1, np.inf, -np.inf))
    variance = np.where(inside, arms.variance / (safe * (1 - safe)) ** 2, np.nan)
    return ArmMeans(logit, variance, arms.df, arms.n)


def fraction_interval(
    mean: float, se: float, df: float, *, confidence: float = 0.95
) -> tuple[float, float]:
    """Return the confidence interval of a mean fraction, which never leaves 0..1.

    Parameters
    ----------
    mean, se, df : float
        Mean of the units' fractions, its standard error and degrees of freedom.
    confidence : float
        Of the interval.

    Notes
    -----
    From t on the logit scale, transformed back. No interval (nan) where the mean is exactly 0
    or 1 or the units do not vary.
    """
    from scipy.stats import t

    if not (0 < mean < 1 and se > 0):
        return math.nan, math.nan
    logit = math.log(mean / (1 - mean))
    half = float(t.ppf(0.5 + confidence / 2, df)) * se / (mean * (1 - mean))
    low, high = _expit(np.array([logit - half, logit + half]))
    return float(low), float(high)
