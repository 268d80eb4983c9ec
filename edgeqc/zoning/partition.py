"""The ordered partition of a face: the anatomy of a cut as an exact prior.

In every chord the laser zone, if there is one, starts at the anterior edge; below it lies a
residual that was torn or cut by scissors; a chord without laser is torn or cut by scissors
through its whole thickness. Along the face the border moves little, with rare jumps. That is a
hidden Markov chain along s whose state is (kind of residual, border), so that posterior
probabilities, the border's distribution and joint draws of it come out exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray
from edgeqc.zoning.border_moves import N_KINDS, BorderEvidence, Moves


@dataclass(frozen=True)
class PartitionSettings:
    """How the border may run, and how much one cell of evidence counts.

    Parameters
    ----------
    step_cells : float
        Scale of the border's ordinary step from chord to chord, in cells of the thickness.
    jump_probability : float
        Probability, per chord, that the border jumps anywhere.
    switch_probability : float
        Probability, per chord, that the residual's kind changes.
    evidence_weight : float
        Weight of one cell's log-probability: neighbouring cells say nearly the same thing, so
        one counts for less than one independent reading.
    through_weight, along_weight : float
        Weight of one cell's log-odds of a border to the next cell, through the thickness and
        along the face.
    n_draws : int
        Draws of the border from its posterior; 0 for none.
    """

    step_cells: float = 0.7
    jump_probability: float = 2e-3
    switch_probability: float = 1e-3
    evidence_weight: float = 0.05
    through_weight: float = 0.2
    along_weight: float = 0.1
    n_draws: int = 100


@dataclass(frozen=True)
class Partition:
    """Posterior of the ordered partition.

    Parameters
    ----------
    state : (n_s, 2, n_t + 1) float array
        Probability of (kind of residual, border after that many cells) in each chord.
    cell : (3, n_t, n_s) float array
        Probability of laser, scissor, torn in each cell.
    evidence : float
        Log-evidence per chord.
    draws : (n_draws, n_s) int array
        Joint draws of the border, in cells.
    draw_kinds : (n_draws, n_s) int array
        The residual's kind in each draw (0 torn, 1 scissor).
    """

    state: FloatArray
    cell: FloatArray
    evidence: float
    draws: NDArray[np.int16]
    draw_kinds: NDArray[np.int8]


def _emissions(log_probability: FloatArray, weight: FloatArray) -> FloatArray:
    """Log-emission of every state: (n_s, 2, n_t + 1) from (3, n_t, n_s) log-probabilities."""
    n_t, n_s = weight.shape
    laser, scissor, torn = log_probability * weight
    above = np.zeros((n_t + 1, n_s))
    np.cumsum(laser, axis=0, out=above[1:])
    result = np.empty((n_s, N_KINDS, n_t + 1))
    for kind, rest in enumerate((torn, scissor)):
        below = np.zeros((n_t + 1, n_s))
        below[:-1] = np.cumsum(rest[::-1], axis=0)[::-1]
        result[:, kind] = (above + below).T
    return result


def _step_matrix(n_t: int, settings: PartitionSettings) -> FloatArray:
    """Probability of the border moving from row index to column index, rows summing to 1."""
    cells = np.arange(n_t + 1)
    near = np.exp(-np.abs(cells[:, None] - cells[None, :]) / settings.step_cells)
    near /= near.sum(axis=1, keepdims=True)
    jump = settings.jump_probability
    anywhere = np.full((n_t + 1, n_t + 1), 0.5 / (n_t + 1))
    # half of all jumps go to a chord without laser or laser-cut through: the anatomy's two ends
    anywhere[:, 0] += 0.25
    anywhere[:, -1] += 0.25
    return np.asarray((1 - jump) * near + jump * anywhere)


def partition_face(
    log_probability: FloatArray,
    weight: FloatArray,
    settings: PartitionSettings,
    *,
    moves: Moves | None = None,
    seed: int = 0,
) -> Partition:
    """Return the posterior of the ordered partition.

    Parameters
    ----------
    log_probability : (3, n_t, n_s) float array
        Log-probability of laser, scissor, torn in each cell, each cell taken by itself.
    weight : (n_t, n_s) float array
        How much each cell may say, 0 .. 1 (0 where it is obscured or missing).
    settings : PartitionSettings
        The prior.
    moves : Moves, optional
        From ``face_moves``, with the face's borders; the prior's alone where not given.
    seed : int
        Seed of the draws.

    Returns
    -------
    Partition
        State and cell posteriors, evidence, draws.

    Notes
    -----
    Forward-backward recursion and backward sampling, scaled (Proc. IEEE 1989, 77:257, section
    III and V.A for the scaling). Cost is linear in the length of the face.
    """
    return partition_faces([log_probability], weight, settings, moves=moves, seed=seed)[0]


def face_moves(
    n_t: int, settings: PartitionSettings, borders: BorderEvidence | None = None
) -> Moves:
    """Return where the border of a face of ``n_t`` cells may run, by the prior and what is seen."""
    weights = settings.through_weight, settings.along_weight
    return Moves.of(_step_matrix(n_t, settings), settings.switch_probability, borders, weights)


def partition_faces(
    log_probabilities: Sequence[FloatArray],
    weight: FloatArray,
    settings: PartitionSettings,
    *,
    moves: Moves | None = None,
    seed: int = 0,
) -> list[Partition]:
    """Return the posteriors of one face under several opinions, in one run along the face.

    Parameters
    ----------
    log_probabilities : sequence of (3, n_t, n_s) float arrays
        The opinions; see ``partition_face`` for these and for the other parameters.
    """
    weighted = weight * settings.evidence_weight
    log_emission = np.stack([_emissions(each, weighted) for each in log_probabilities], axis=1)
    moves = moves or face_moves(weight.shape[0], settings)
    if moves.through is not None:
        log_emission += moves.through[:, None, None, :]
    top = log_emission.max(axis=(2, 3), keepdims=True)
    emission = np.exp(log_emission - top)
    forward, scale = _forward(emission, moves)
    state = forward * _backward(emission, moves)
    state /= state.sum(axis=(2, 3), keepdims=True)
    evidence = (np.log(scale) + top[:, :, 0, 0]).mean(axis=0)
    found = []
    for k in range(len(log_probabilities)):
        rng = np.random.default_rng(seed)
        draws, kinds = _draw(forward[:, k], moves, settings.n_draws, rng)
        found.append(
            Partition(state[:, k], _cell_posterior(state[:, k]), float(evidence[k]), draws, kinds)
        )
    return found


def _forward(emission: FloatArray, moves: Moves) -> tuple[FloatArray, FloatArray]:
    """Return the scaled forward messages and their scales (n_s, count), of (n_s, count, ...)."""
    n_s, count, _, n_states = emission.shape
    forward = np.empty_like(emission)
    scale = np.empty((n_s, count))
    message = np.full(emission.shape[1:], 1.0 / (N_KINDS * n_states))
    for chord in range(n_s):  # this loop and the next run thousands of times a face
        if chord:
            message = moves.on(forward[chord - 1], chord)
        joint = message * emission[chord]
        np.add.reduce(joint.reshape(count, -1), axis=1, out=scale[chord])
        np.divide(joint, scale[chord, :, None, None], out=forward[chord])
    return forward, scale


def _backward(emission: FloatArray, moves: Moves) -> FloatArray:
    n_s, count, _, n_states = emission.shape
    backward = np.ones_like(emission)
    for chord in range(n_s - 2, -1, -1):
        message = moves.back(backward[chord + 1] * emission[chord + 1], chord + 1)
        flat = message.reshape(count, -1)
        flat /= np.maximum.reduce(flat, axis=1, keepdims=True)
        backward[chord] = flat.reshape(count, N_KINDS, n_states)
    return backward


def _draw(
    forward: FloatArray, moves: Moves, n_draws: int, rng: np.random.Generator
) -> tuple[NDArray[np.int16], NDArray[np.int8]]:
    """Backward sampling: joint draws of border and residual kind along s."""
    n_s, _, n_states = forward.shape
    borders = np.empty((n_draws, n_s), np.int16)
    kinds = np.empty((n_draws, n_s), np.int8)
    if n_draws == 0:
        return borders, kinds
    uniform = rng.random((n_s, n_draws))
    weights = forward[-1].reshape(1, -1)
    chosen = which = np.zeros(n_draws, np.intp)
    for chord in range(n_s - 1, -1, -1):
        if chord < n_s - 1:
            # many draws have the same state in the chord before: each state is looked at once
            reached, which = np.unique(chosen, return_inverse=True)
            kind, border = np.divmod(reached, n_states)
            into = moves.into(kind, border, chord + 1)
            weights = (forward[chord] * into).reshape(reached.size, -1)
        cumulative = np.cumsum(weights, axis=1)
        total = cumulative[which, -1]
        chosen = (cumulative[which] < (uniform[chord] * total)[:, None]).sum(axis=1)
        chosen = np.minimum(chosen, N_KINDS * n_states - 1)
        kinds[:, chord], borders[:, chord] = np.divmod(chosen, n_states)
    return borders, kinds


def _cell_posterior(state: FloatArray) -> FloatArray:
    """Probability of laser, scissor, torn in every cell: (3, n_t, n_s)."""
    border = state.sum(axis=1)
    laser = border[:, ::-1].cumsum(axis=1)[:, ::-1][:, 1:]  # P(border > cell)
    below = state[:, :, :-1].cumsum(axis=2)  # P(kind, border <= cell)
    return np.asarray(np.stack([laser.T, below[:, 1].T, below[:, 0].T]))
