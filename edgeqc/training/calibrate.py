"""Fit the zone map's doubts to faces of known truth that no model was fitted on.

Run as ``python -m edgeqc.training.calibrate ROWS.json ... --out zone_calibration.json`` on what
``tests/benchmarks/zone_accuracy.py --out`` wrote; DEVELOPERS.md has the recipe.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from edgeqc.errors import UsageError
from edgeqc.quantity import FloatArray
from edgeqc.zoning.calibration import (
    DIAGNOSTIC_NAMES,
    SURE_DEPTH_RISK,
    VECTOR_NAMES,
    Diagnostics,
    diagnostic_vector,
)

DICE_WRONG, DEPTH_WRONG = 0.8, 0.05
"""A face is wrong below this Dice or beyond this error of the mean depth fraction."""
_OUTLINE_FLAGS = frozenset(
    {
        "face_cropped", "face_fills_frame", "outline_doubtful", "faces_differ", "no_face",
        "face_small", "not_a_lens_face",
    }
)  # fmt: skip
_PENALTY = 3.0  # of the squared coefficients of the logistic regression
_RIDGE = 30.0
_LEAST_SURE = 40  # faces, for a 95th percentile
_RISK_OF_SCALE = 0.4  # faces above this risk have no say in the scale of the depth's doubt
_LEAST_ERROR = 1e-3
_FOLDS = 10
_LEAST_SCALE = 1e-3  # a figure that never varies gets no weight, and must not divide by zero


@dataclass(frozen=True)
class _Faces:
    """Faces with a sound outline: diagnostics, what is wrong, depth error (nan without one).

    ``nameless`` says whose zones were filled with textures of no particular origin; the others
    show the usual looks, as they were drawn or filled anew.
    """

    vectors: FloatArray
    wrong: NDArray[np.bool_]
    depth_wrong: NDArray[np.bool_]
    error: FloatArray
    nameless: NDArray[np.bool_]


def read_faces(paths: list[Path]) -> _Faces:
    """Return the faces of known truth from the accuracy benchmark's rows."""
    rows: list[dict[str, Any]] = []
    for path in paths:
        rows += [row for row in json.loads(path.read_text("utf-8")) if "diagnostics" in row]
    sound = [row for row in rows if not _OUTLINE_FLAGS & set(row["flags"])]
    vectors = np.array(
        [
            diagnostic_vector(Diagnostics(**{n: row["diagnostics"][n] for n in DIAGNOSTIC_NAMES}))
            for row in sound
        ]
    )
    error = np.array([abs(float(row["depth"]) - float(row["truth"])) for row in sound])
    missed = [math.isnan(float(row["depth"])) != math.isnan(float(row["truth"])) for row in sound]
    dice = np.array([float(row["dice"]) for row in sound])
    depth_wrong = (error > DEPTH_WRONG) | np.array(missed)
    nameless = np.array([bool(row.get("nameless")) for row in sound])
    wrong = (dice < DICE_WRONG) | depth_wrong
    return _Faces(vectors, wrong, depth_wrong, error, nameless)


def _logistic(z: FloatArray, wrong: NDArray[np.bool_]) -> FloatArray:
    """Return intercept and coefficients of a ridge-penalised logistic regression."""
    sign = np.where(wrong, 1.0, -1.0)

    def loss(beta: FloatArray) -> tuple[float, FloatArray]:
        margin = sign * (beta[0] + z @ beta[1:])
        against = 1 / (1 + np.exp(np.clip(margin, -50, 50)))
        slope = -sign * against
        value = np.logaddexp(0, -margin).sum() + _PENALTY * (beta[1:] ** 2).sum()
        return float(value), np.concatenate([[slope.sum()], slope @ z + 2 * _PENALTY * beta[1:]])

    found = minimize(loss, np.zeros(z.shape[1] + 1), jac=True, method="L-BFGS-B")
    return np.asarray(found.x)


def _ridge(z: FloatArray, target: FloatArray) -> FloatArray:
    """Return intercept and coefficients of a ridge regression on standardised columns."""
    centred = z - z.mean(axis=0)
    beta = np.linalg.solve(
        centred.T @ centred + _RIDGE * np.eye(z.shape[1]), centred.T @ (target - target.mean())
    )
    return np.concatenate([[target.mean() - z.mean(axis=0) @ beta], beta])


def _crossed(z: FloatArray, fit: Any, target: Any) -> FloatArray:
    """Return every face's linear prediction by a fit on the other folds."""
    fold = np.random.default_rng(0).permutation(z.shape[0]) % _FOLDS
    found = np.empty(z.shape[0])
    for each in range(_FOLDS):
        beta = fit(z[fold != each], target[fold != each])
        found[fold == each] = beta[0] + z[fold == each] @ beta[1:]
    return found


def calibrate(faces: _Faces, source: str) -> dict[str, Any]:
    """Return the calibration record of ``edgeqc.zoning.calibration``.

    Raises
    ------
    UsageError
        Where no face was filled with textures of no origin: none shows looks that the models do
        not know. Where too few have a depth that is sure.
    """
    if np.unique(faces.nameless).size < 2:
        raise UsageError(
            "no faces with and without the usual looks", rule="both are needed",
            remedy="Add rows of `zone_accuracy.py --maker filled`.",
        )  # fmt: skip
    centre = faces.vectors.mean(axis=0)
    scale = np.maximum(faces.vectors.std(axis=0), _LEAST_SCALE)
    z = np.clip((faces.vectors - centre) / scale, -4, 4)
    risk, depth_risk = _logistic(z, faces.wrong), _logistic(z, faces.depth_wrong)
    unfamiliar = _logistic(z, faces.nameless)
    crossed_risk = 1 / (1 + np.exp(-_crossed(z, _logistic, faces.wrong)))
    deep = np.isfinite(faces.error) & (faces.error < 0.3)
    target = np.log(np.maximum(faces.error[deep], _LEAST_ERROR))
    log_u = _ridge(z[deep], target)
    crossed = np.exp(_crossed(z[deep], _ridge, target))
    near = crossed_risk[deep] < _RISK_OF_SCALE
    ratio = faces.error[deep][near] / crossed[near] / 2
    covering = _covering(ratio)
    log_u[0] += math.log(covering)
    _tell("zones or depth", faces.wrong, crossed_risk)
    crossed_depth = 1 / (1 + np.exp(-_crossed(z, _logistic, faces.depth_wrong)))
    sure = crossed_depth[deep] <= SURE_DEPTH_RISK
    if sure.sum() < _LEAST_SURE:
        raise UsageError(
            f"{sure.sum()} faces with a sure depth", rule=f"at least {_LEAST_SURE} are needed",
            remedy="Add rows of `zone_accuracy.py --maker phantoms`.",
        )  # fmt: skip
    sure_part = _covering(faces.error[deep][sure] / crossed[sure] / 2) / covering
    print(f"doubt of a depth at a risk up to {SURE_DEPTH_RISK}: "
          f"{sure_part:.3f} of the others', {sure.sum()} faces")  # fmt: skip
    _tell("depth", faces.depth_wrong, crossed_depth)
    return {
        "names": list(VECTOR_NAMES),
        "centre": centre.round(5).tolist(),
        "scale": scale.round(5).tolist(),
        "risk": risk.round(5).tolist(),
        "depth_risk": depth_risk.round(5).tolist(),
        "unfamiliar": unfamiliar.round(5).tolist(),
        "log_u": log_u.round(5).tolist(),
        "log_u_sure": round(math.log(sure_part), 5),
        "from": f"{faces.wrong.size} faces with a sound outline: {source}",
    }


def _covering(ratio: FloatArray) -> float:
    """Return what covers 95 % of further ones of its kind (split conformal)."""
    return float(np.quantile(ratio, min(1.0, 0.95 * (1 + 1 / ratio.size))))


def _tell(what: str, wrong: NDArray[np.bool_], risk: FloatArray) -> None:
    """Print what each limit of the risk would let pass, by cross-validation."""
    print(f"{what}: {wrong.size} faces, {wrong.mean():.3f} of them wrong")
    for limit in (0.02, 0.05, 0.1, 0.12, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5):
        passed = risk < limit
        missed = (passed & wrong).sum()
        print(f"  risk below {limit:.2f}: {passed.sum()} pass, {missed} of them wrong")


def main() -> None:
    """Fit and write the calibration."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rows", type=Path, nargs="+")
    parser.add_argument("--source", required=True, help="what the faces are, with their seeds")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    record = calibrate(read_faces(given.rows), given.source)
    given.out.write_text(json.dumps(record, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
