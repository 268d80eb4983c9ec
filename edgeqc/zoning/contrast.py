"""The second estimator of the cut depth: texture contrast inside this one face, no model.

It knows no names and was fitted on nothing: the face's own textures are told apart by Gaussian
classes whose means and covariances are found together with the ordered partition. Its border
and that of the naming model come from different evidence, so that a disagreement means doubt.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from edgeqc.imaging.area_means import shrunk_together
from edgeqc.quantity import FloatArray
from edgeqc.zoning.partition import Partition, PartitionSettings, partition_faces
from edgeqc.zoning.texture import CELL, FacePlanes, FloatImage

_COLUMNS = 160  # columns of the coarse grid: the second estimator needs the mean depth only
_ROWS = 64
_ROUNDS = 6
_STARTS = (0.35, 0.6, 0.8, 0.92)
_EDGE_ROWS = 2  # rows next to either edge, where the rim's brightness hides the texture


@dataclass(frozen=True)
class ContrastPartition:
    """Result of the second estimator.

    Parameters
    ----------
    depth : (n,) float array
        Border of the anterior texture along the face, as a fraction of the thickness.
    separation : float
        Bhattacharyya distance of the textures either side of the border (per cell).
    gain : float
        Log-likelihood gained per cell over one texture for the whole face.
    """

    depth: FloatArray
    separation: float
    gain: float


def texture_planes(made: FacePlanes, rows: slice) -> list[FloatImage]:
    """Return the planes that tell textures apart, names aside, smoothed over a grid cell.

    Parameters
    ----------
    made : FacePlanes
        The face's planes.
    rows : slice
        The rows of the planes that lie on the face (t from 0 to 1).
    """
    planes: list[FloatImage] = [
        made.planes[1],
        np.log(np.asarray(cv2.GaussianBlur(np.abs(made.planes[0]), (0, 0), 5.0)) + 0.05),
        *made.planes[2:7],
    ]
    return [
        np.asarray(cv2.GaussianBlur(np.ascontiguousarray(plane[rows]), (0, 0), float(CELL)))
        for plane in planes
    ]


def standard_textures(planes: list[FloatImage], shape: tuple[int, int]) -> FloatArray:
    """Return texture planes on a grid of that shape, each in units of its own spread."""
    size = (shape[1], shape[0])
    features = np.asarray(np.stack(shrunk_together(planes, size)), np.float64)
    spread = features.std(axis=(1, 2), keepdims=True) + 1e-6
    return np.asarray((features - features.mean(axis=(1, 2), keepdims=True)) / spread)


def _gaussian(features: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    flat = features.reshape(features.shape[0], -1)
    share = weight.ravel() / max(weight.sum(), 1e-9)
    mean = flat @ share
    centred = flat - mean[:, None]
    covariance = (centred * share) @ centred.T
    # one pooled cell of evidence is never sharper than this share of the whole face's spread
    covariance += np.eye(flat.shape[0]) * 0.05
    return mean, covariance


def _log_density(features: FloatArray, mean: FloatArray, covariance: FloatArray) -> FloatArray:
    flat = features.reshape(features.shape[0], -1) - mean[:, None]
    chol = np.linalg.cholesky(covariance)
    # a handful of planes, thousands of cells: plain sums are six times as fast as a library's
    white = np.einsum("ij,jk->ik", np.linalg.inv(chol), flat)
    log_det = 2 * np.log(np.diag(chol)).sum()
    square = np.einsum("ik,ik->k", white, white)
    return np.asarray(-0.5 * (square + log_det)).reshape(features.shape[1:])


def class_density(features: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the log-density of features (n, rows, cols) under the Gaussian of weighted cells."""
    return _log_density(features, *_gaussian(features, weight))


def bhattacharyya(
    first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]
) -> float:
    """Return the Bhattacharyya distance of two Gaussians (mean, covariance).

    References
    ----------
    IEEE Trans. Commun. Technol. 1967, 15:52, eq. 9 (Gaussian case).
    """
    middle = (first[1] + second[1]) / 2
    gap = first[0] - second[0]
    distance = gap @ np.linalg.solve(middle, gap) / 8
    log_dets = [float(np.linalg.slogdet(matrix)[1]) for matrix in (middle, first[1], second[1])]
    return float(distance + 0.5 * (log_dets[0] - 0.5 * (log_dets[1] + log_dets[2])))


@dataclass
class _Trial:
    """Expectation-maximisation from one start: where it stands."""

    cell: FloatArray  # (3, n_t, n_s): probability of the upper texture, of none, of the lower
    classes: list[tuple[FloatArray, FloatArray]] = field(default_factory=list)
    density: list[FloatArray] = field(default_factory=list)
    border: FloatArray | None = None

    def log_probability(self, features: FloatArray, weight: FloatArray) -> FloatArray:
        """Learn the two textures from the cells; return how each cell speaks for them."""
        self.classes = [_gaussian(features, self.cell[k] * weight) for k in (0, 2)]
        self.density = [_log_density(features, *each) for each in self.classes]
        # only two textures are told apart; the third kind of the chain stays unused
        log_p = np.stack([self.density[0], np.full(weight.shape, -1e3), self.density[1]])
        return np.asarray(log_p - log_p.max(axis=0))

    def take(self, found: Partition) -> bool:
        """Take a partition over; return whether both textures still have cells."""
        self.cell = found.cell
        self.border = found.state.sum(axis=1) @ np.arange(_ROWS + 1) / _ROWS
        return bool(min(self.cell[0].mean(), self.cell[2].mean()) >= 0.02)

    def likelihood(self, weight: FloatArray) -> float:
        """Return the mean log-likelihood of a cell under the texture it was given to."""
        picked = self.cell[0] * self.density[0] + self.cell[2] * self.density[1]
        return float((picked * weight).sum() / weight.sum())


def _started(shape: tuple[int, int], depth: float) -> _Trial:
    """Return a trial that starts with a level border."""
    upper = (np.arange(shape[0]) + 0.5) / shape[0] < depth
    cell = np.zeros((3, *shape))
    cell[0, upper] = 1.0
    cell[2, ~upper] = 1.0
    return _Trial(cell)


def contrast_partition(planes: list[FloatImage]) -> ContrastPartition:
    """Return the border that texture contrast alone finds.

    Parameters
    ----------
    planes : list of (rows, columns) float32 arrays
        From ``texture_planes``.

    Returns
    -------
    ContrastPartition
        Border along the face, separation, gain.

    Notes
    -----
    Hard-started expectation-maximisation over Gaussian texture classes with the ordered
    partition as the hidden state (Baum-Welch: Ann. Math. Stat. 1970, 41:164), from several
    depths; the best likelihood wins.
    """
    features = standard_textures(planes, (_ROWS, min(_COLUMNS, planes[0].shape[1])))
    settings = PartitionSettings(
        step_cells=0.8, jump_probability=1e-3, evidence_weight=0.15, n_draws=0
    )
    shape = (features.shape[1], features.shape[2])
    one = _gaussian(features, np.ones(shape))
    alone = float(_log_density(features, *one).mean())
    weight = np.ones(shape)
    weight[:_EDGE_ROWS] = weight[-_EDGE_ROWS:] = 0.0
    trials = [_started(shape, depth) for depth in _STARTS]
    running = trials
    for _ in range(_ROUNDS):
        # the trials know nothing of each other; they only share the way along the face
        opinions = [trial.log_probability(features, weight) for trial in running]
        found = partition_faces(opinions, weight, settings) if running else []
        running = [t for t, part in zip(running, found, strict=True) if t.take(part)]
    best = max(trials, key=lambda trial: trial.likelihood(weight))
    assert best.border is not None
    gain = best.likelihood(weight) - alone
    return ContrastPartition(best.border, bhattacharyya(*best.classes), gain)
