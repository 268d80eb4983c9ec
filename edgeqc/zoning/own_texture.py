"""The partition drawn once more with the face's own textures.

The naming model knows how cuts look in general; where its opinion wavers from cell to cell, the
face itself says more: what it named surely shows how this face's zones look, and the border runs
where one of these looks ends.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from edgeqc.quantity import FloatArray
from edgeqc.zoning.border_moves import Moves
from edgeqc.zoning.contrast import class_density, standard_textures
from edgeqc.zoning.partition import Partition, PartitionSettings, partition_face
from edgeqc.zoning.texture import FloatImage

_WEIGHT = 0.3
"""Weight of a cell's own-texture log-probability beside the model's (ours: of 0.2 to 2, the one
that moved borders nearest to the truth on refilled phantoms without spoiling others)."""
_ROUNDS = 2
_LEAST_SHARE = 0.02  # of the face; a smaller zone shows too little to learn its look from
_LEAST_LOG = -8.0  # no cell says more than this against a zone
_RIM_ROWS = 3  # next to either edge, where the rim's brightness hides the texture


def _own_opinion(features: FloatArray, cell: FloatArray, seen: FloatArray) -> FloatArray | None:
    """Log-probability of each zone in each cell by the face's own looks, None with one zone."""
    inner = np.ones(seen.shape)
    inner[:_RIM_ROWS] = inner[-_RIM_ROWS:] = 0.0
    found = [
        class_density(features, cell[zone] * seen * inner)
        if float((cell[zone] * seen).mean()) >= _LEAST_SHARE
        else None
        for zone in range(3)
    ]
    present = [density for density in found if density is not None]
    if len(present) < 2:
        return None
    # a zone that is not there gets no support, and loses none
    floor = np.min(present, axis=0)
    density = np.stack([each if each is not None else floor for each in found])
    density = density - np.logaddexp.reduce(np.stack(present), axis=0)
    return np.asarray(np.maximum(density, _LEAST_LOG) * inner)


def refine_partition(
    part: Partition,
    log_probability: FloatArray,
    seen: FloatArray,
    planes: list[FloatImage],
    *,
    settings: PartitionSettings,
    moves: Moves | None = None,
) -> Partition:
    """Return the partition drawn again with the looks that the face's own zones show.

    Parameters
    ----------
    part : Partition
        The partition by the naming model.
    log_probability : (3, n_t, n_s) float array
        Log-probability of laser, scissor, torn in each cell by the naming model.
    seen : (n_t, n_s) float array
        How much each cell may say.
    planes : list of (rows, columns) float32 arrays
        From ``edgeqc.zoning.contrast.texture_planes``.
    settings : PartitionSettings
        The prior.
    moves : Moves, optional
        As for the first partition.

    Returns
    -------
    Partition
        Its evidence is still the naming model's alone.

    Notes
    -----
    Each zone's look is a Gaussian over local texture, weighted by the cells' posterior
    (Baum-Welch: Ann. Math. Stat. 1970, 41:164); its log-probability joins the model's with a
    small weight, since neighbouring cells repeat each other.
    """
    features = standard_textures(planes, (seen.shape[0], seen.shape[1]))
    result = part
    for step in range(_ROUNDS):
        own = _own_opinion(features, result.cell, seen)
        if own is None:
            break
        last = step == _ROUNDS - 1
        result = partition_face(
            log_probability + _WEIGHT * own,
            seen,
            settings if last else replace(settings, n_draws=0),
            moves=moves,
        )
    if result.draws.shape[0] != settings.n_draws:  # stopped between two rounds
        result = partition_face(log_probability, seen, settings, moves=moves)
    return replace(result, evidence=part.evidence)
