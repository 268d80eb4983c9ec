"""F-operator: the nominal form that is taken off a profile or surface before its roughness."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import numpy as np

from edgeqc.errors import MeasurementError
from edgeqc.quantity import FloatArray

ProfileForm = Literal["mean", "line", "polynomial 2", "polynomial 3", "circle"]
SurfaceForm = Literal["mean", "plane", "polynomial 2", "polynomial 3", "sphere", "cylinder"]

FIT_STEPS = 12
"""Largest number of Gauss-Newton steps of a circle, sphere or cylinder."""

FIT_TOLERANCE = 1e-12
"""Change of the form, relative to the spread of the heights, at which the steps end."""

FIT_POINTS = 250_000
"""Heights at most that a sphere or cylinder is fitted on: more change the form by less than the
heights' noise over 500."""

FREE_PARAMETERS: dict[str, int] = {
    "mean": 1, "line": 2, "plane": 3, "circle": 3, "sphere": 4, "cylinder": 5,
}
"""Parameters that a form fits; a polynomial's come from its degree."""


def free_parameters(form: str, axes: int) -> int:
    """Return how many parameters a form fits on 1 or 2 axes.

    References
    ----------
    Count of the terms of a polynomial; common practice, no source.
    """
    if form.startswith("polynomial"):
        degree = int(form.split()[1])
        return degree + 1 if axes == 1 else (degree + 1) * (degree + 2) // 2
    return FREE_PARAMETERS[form]


def profile_form(height_um: FloatArray, spacing_um: float, form: ProfileForm) -> FloatArray:
    """Return the least-squares form of profiles.

    Parameters
    ----------
    height_um : (batch, n) float array
        Heights in µm, NaN in gaps.
    spacing_um : float
        Sampling interval in µm.
    form : {"mean", "line", "polynomial 2", "polynomial 3", "circle"}
        Kind of form.

    Returns
    -------
    (batch, n) float array
        The form in µm, also in gaps.

    Notes
    -----
    Least squares of the heights (not of distances along the normal), which is what is taken
    off afterwards.

    References
    ----------
    ISO 21920-2:2021 (F-operator); ISO 25178-2:2021, 3.
    """
    n = height_um.shape[1]
    x = (np.arange(n) - (n - 1) / 2.0) * spacing_um
    reach = max(abs(x[-1]), spacing_um)
    degree = {"mean": 0, "line": 1, "circle": 2}.get(form)
    if degree is None:
        degree = int(form.split()[1])
    basis = np.polynomial.legendre.legvander(x / reach, degree)
    fitted = _linear_fit(basis, height_um)
    if form != "circle":
        return fitted
    return np.stack([_arc(row, x) for row in height_um])


def _linear_fit(basis: FloatArray, height_um: FloatArray) -> FloatArray:
    """Least-squares fit of each (n,) row of heights on the columns of an (n, terms) basis."""
    valid = np.isfinite(height_um)
    if valid.all():
        # the mean goes first: the rounding of a large offset stays out of the slopes
        offset = height_um.mean(axis=1, keepdims=True)
        factors, *_ = np.linalg.lstsq(basis, (height_um - offset).T, rcond=None)
        whole: FloatArray = (basis @ factors).T + offset
        return whole
    fitted = np.empty_like(height_um)
    for row in range(height_um.shape[0]):
        good = valid[row]
        _need_points(int(good.sum()), basis.shape[1])
        offset_row = height_um[row, good].mean()
        factors, *_ = np.linalg.lstsq(basis[good], height_um[row, good] - offset_row, rcond=None)
        fitted[row] = basis @ factors + offset_row
    return fitted


def _need_points(points: int, terms: int) -> None:
    if points < max(terms, 2):
        raise MeasurementError(
            f"{points} heights are left to fit a form of {terms} parameters",
            rule="A form needs at least as many heights as parameters.",
            remedy="Measure a larger region or take off a simpler form.",
        )


def surface_form(
    height_um: FloatArray, spacing_um: tuple[float, float], form: SurfaceForm
) -> FloatArray:
    """Return the least-squares form of a surface.

    Parameters
    ----------
    height_um : (rows, cols) float array
        Heights in µm, NaN outside the region.
    spacing_um : (float, float)
        (row, col) sampling interval in µm.
    form : {"mean", "plane", "polynomial 2", "polynomial 3", "sphere", "cylinder"}
        Kind of form; a polynomial of degree d holds every term with powers adding up to d or
        less.

    Returns
    -------
    (rows, cols) float array
        The form in µm, also outside the region.

    Notes
    -----
    Least squares of the heights. A sphere or cylinder is fitted on every k-th height where
    there are more than ``FIT_POINTS``. The cylinder's axis lies in any direction of the plane;
    a slope along it is taken as a shear.

    References
    ----------
    ISO 25178-2:2021, 3 (F-operator, nominal form).
    """
    row, col = (
        (np.arange(n) - (n - 1) / 2.0) * step
        for n, step in zip(height_um.shape, spacing_um, strict=True)
    )
    if form in ("mean", "plane"):
        return _polynomial_surface(height_um, row, col, 0 if form == "mean" else 1)
    if form.startswith("polynomial"):
        return _polynomial_surface(height_um, row, col, int(form.split()[1]))
    stride = max(1, math.isqrt(height_um.size // FIT_POINTS))
    part = height_um[::stride, ::stride]
    at = np.stack(np.meshgrid(row[::stride], col[::stride], indexing="ij"))
    good = np.isfinite(part)
    _need_points(int(good.sum()), FREE_PARAMETERS[form])
    start = _quadratic(part[good], at[:, good])
    law = _sphere if form == "sphere" else _cylinder
    begin = _sphere_start(start) if form == "sphere" else _cylinder_start(start)
    parameters = _gauss_newton(law, begin, part[good], at[:, good])
    whole = np.stack(np.meshgrid(row, col, indexing="ij"))
    return law(parameters, whole)


def _polynomial_surface(
    height_um: FloatArray, row: FloatArray, col: FloatArray, degree: int
) -> FloatArray:
    """Least-squares polynomial by moments: two thin matrix products, however many gaps."""
    good = np.isfinite(height_um)
    offset = float(height_um[good].mean())
    if degree == 0:
        return np.full(height_um.shape, offset)
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    _need_points(int(good.sum()), len(powers))
    reach = max(abs(row[-1]), abs(col[-1]))
    up = np.vander(row / reach, 2 * degree + 1, increasing=True)
    across = np.vander(col / reach, 2 * degree + 1, increasing=True)
    support = up.T @ good.astype(np.float64) @ across
    target = up.T @ np.where(good, height_um - offset, 0.0) @ across
    normal = np.array([[support[i + k, j + m] for k, m in powers] for i, j in powers])
    right = np.array([target[i, j] for i, j in powers])
    factors = np.linalg.lstsq(normal, right, rcond=1e-14)[0]
    grid = np.zeros((degree + 1, degree + 1))
    for (i, j), factor in zip(powers, factors, strict=True):
        grid[i, j] = factor
    fitted: FloatArray = up[:, : degree + 1] @ grid @ across[:, : degree + 1].T + offset
    return fitted


def _arc(height: FloatArray, x: FloatArray) -> FloatArray:
    """Least-squares circular arc through one profile."""
    good = np.isfinite(height)
    _need_points(int(good.sum()), FREE_PARAMETERS["circle"])
    design = np.stack([np.ones_like(x), x, x * x], axis=1)
    level, slope, half_bend = np.linalg.lstsq(design[good], height[good], rcond=None)[0]
    start = np.array([level, slope, 2.0 * half_bend / math.hypot(1.0, slope) ** 2])
    parameters = _gauss_newton(_sphere, start, height[good], x[None, good])
    return _sphere(parameters, x[None])


def _sphere(parameters: FloatArray, at: FloatArray) -> FloatArray:
    """Height of a circle or sphere by level, slope and 1/rise at the origin.

    With rise the height of the centre above the surface at the origin, this form has no
    cancellation when the radius is large, and is a plane for 1/rise = 0.
    """
    level, slope, inverse = parameters[0], parameters[1:-1], parameters[-1]
    along = np.tensordot(slope, at, axes=1)
    square = np.sum(at**2, axis=0)
    with np.errstate(invalid="ignore"):
        root = np.sqrt(1.0 - inverse * (inverse * square + 2.0 * along))
    height: FloatArray = level + (inverse * square + 2.0 * along) / (1.0 + root)
    return height


def _cylinder(parameters: FloatArray, at: FloatArray) -> FloatArray:
    """Height of a cylinder by level, slopes along and across its axis, 1/rise and axis angle."""
    level, along_slope, across_slope, inverse, angle = parameters
    along = at[0] * math.cos(angle) + at[1] * math.sin(angle)
    across = at[1] * math.cos(angle) - at[0] * math.sin(angle)
    arc = _sphere(np.array([level, across_slope, inverse]), across[None])
    height: FloatArray = arc + along_slope * along
    return height


def _quadratic(height: FloatArray, at: FloatArray) -> FloatArray:
    """Level, slopes (row, col) and second derivatives (rr, rc, cc) of a least-squares quadric."""
    reach = float(np.abs(at).max())
    r, c = at / reach
    design = np.stack([np.ones_like(r), r, c, r * r / 2, r * c, c * c / 2], axis=1)
    factors: FloatArray = np.linalg.lstsq(design, height, rcond=None)[0]
    return factors / reach ** np.array([0, 1, 1, 2, 2, 2])


def _sphere_start(quadric: FloatArray) -> FloatArray:
    bend = (quadric[3] + quadric[5]) / 2.0 / (1.0 + quadric[1] ** 2 + quadric[2] ** 2)
    return np.array([quadric[0], quadric[1], quadric[2], bend])


def _cylinder_start(quadric: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh([[quadric[3], quadric[4]], [quadric[4], quadric[5]]])
    axis = vectors[:, int(np.argmin(np.abs(values)))]
    bend = values[int(np.argmax(np.abs(values)))]
    angle = math.atan2(axis[1], axis[0])
    along = quadric[1] * math.cos(angle) + quadric[2] * math.sin(angle)
    across = quadric[2] * math.cos(angle) - quadric[1] * math.sin(angle)
    return np.array([quadric[0], along, across, bend / (1.0 + across**2), angle])


def _gauss_newton(
    law: Callable[[FloatArray, FloatArray], FloatArray],
    start: FloatArray,
    height: FloatArray,
    at: FloatArray,
) -> FloatArray:
    """Least-squares parameters of a form law(parameters, at), by damped steps."""
    parameters = start
    reach = float(np.abs(at).max())
    scale = float(np.ptp(height)) or 1.0
    # size of a parameter that moves the form by about its own spread
    size = scale / reach ** np.array([0.0, *(1.0,) * (start.size - 2), 2.0])
    if start.size == 5:
        size = np.array([scale, scale / reach, scale / reach, scale / reach**2, 1.0])
    residual = height - law(parameters, at)
    for _ in range(FIT_STEPS):
        steps = 1e-5 * np.diag(size)
        change = [law(parameters + step, at) - law(parameters - step, at) for step in steps]
        jacobian = np.stack(change, axis=1) / 2e-5  # per size
        if not (np.isfinite(jacobian).all() and np.isfinite(residual).all()):
            raise _too_round()
        move = np.linalg.lstsq(jacobian, residual, rcond=1e-10)[0]
        for damping in (1.0, 0.5, 0.25, 0.1):
            new = parameters + damping * move * size
            left = height - law(new, at)
            if np.isfinite(left).all() and left @ left <= residual @ residual:
                break
        else:
            break
        parameters, moved, residual = new, float(np.abs(left - residual).max()), left
        if moved <= FIT_TOLERANCE * scale:
            break
    if not np.isfinite(residual).all():
        raise _too_round()
    return parameters


def _too_round() -> MeasurementError:
    return MeasurementError(
        "no circle, sphere or cylinder fits these heights",
        rule="The form curves by less than a half circle over the region.",
        remedy="Take off a polynomial instead.",
    )
