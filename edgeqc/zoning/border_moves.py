"""How the border may move from chord to chord, and what the picture says of it.

The names of cells taken one by one are a poor witness of borders: where a texture tells no name,
its likeliest one changes somewhere with the anatomy's odds, and a border would be drawn across one
and the same texture. The network therefore also says where textures end, whatever their names.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from edgeqc.quantity import FloatArray

StepArray = NDArray[np.floating]
N_KINDS = 2  # residual torn, residual scissor
LEAST_ODDS, MOST_ODDS = -7.0, 4.0
"""One cell's log-odds of a border say no more than this."""
_ALONG_REACH = 3  # cells: where a border stands across the face it need not be straight
_BLOCK = 64
_LEAST_LOG = -60.0


@dataclass(frozen=True)
class BorderEvidence:
    """Log-odds, cell by cell, that zones change there.

    Parameters
    ----------
    through : (n_t + 1, n_s) float array
        That a border lies after so many cells of a chord; 0 at either edge.
    along : (n_t, n_s - 1) float array
        That a cell and the next one along the face belong to different zones.
    """

    through: FloatArray
    along: FloatArray

    @classmethod
    def of(cls, through: FloatArray, along: FloatArray) -> BorderEvidence:
        """Return the evidence of raw log-odds (n_t - 1, n_s) and (n_t, n_s - 1)."""
        held = np.clip(through, LEAST_ODDS, MOST_ODDS)
        reached = maximum_filter1d(along, _ALONG_REACH, axis=1)
        return cls(np.pad(held, ((1, 1), (0, 0))), np.clip(reached, LEAST_ODDS, MOST_ODDS))


@dataclass(frozen=True)
class Moves:
    """Where the border may lie and how (kind of residual, border) moves from chord to chord.

    Parameters
    ----------
    through : (n_s, n_t + 1) float array or None
        Log-weight of each border in each chord by what is seen of it; None without evidence.
    steps : (n, n_t + 1, n_t + 1) float array
        Weight of the border moving from row index to column index, for each chord but the first;
        one matrix (n = 1) where all chords share it.
    changes : (n, n_t + 1) float array
        Weight of a change of the residual's kind, by the border after the move.
    switch : float
        Probability of such a change before anything is seen.
    """

    through: FloatArray | None
    steps: StepArray
    changes: StepArray
    switch: float

    @classmethod
    def of(
        cls,
        step: FloatArray,
        switch: float,
        borders: BorderEvidence | None = None,
        weights: tuple[float, float] = (1.0, 1.0),
    ) -> Moves:
        """Return the moves of a prior, weighted by what is seen through and along the face."""
        n = step.shape[0]
        if borders is None:
            return cls(None, step[None], np.ones((1, n)), switch)
        sums = np.zeros((borders.along.shape[1], n), np.float32)
        np.cumsum(borders.along.T, axis=1, out=sums[:, 1:])
        sums *= weights[1]
        changes = np.exp(np.maximum(sums[:, -1:] - sums, _LEAST_LOG))
        down = np.where(np.arange(n)[:, None] <= np.arange(n), 1, -1).astype(np.float32)
        steps = np.empty((sums.shape[0], n, n), np.float32)
        for start in range(0, sums.shape[0], _BLOCK):
            part = sums[start : start + _BLOCK]
            crossed = (part[:, None, :] - part[:, :, None]) * down
            steps[start : start + _BLOCK] = np.exp(np.maximum(crossed, _LEAST_LOG))
        steps *= step
        return cls(weights[0] * borders.through.T, steps, changes, switch)

    def _at(self, chord: int) -> tuple[StepArray, StepArray]:
        number = chord - 1 if self.steps.shape[0] > 1 else 0
        return self.steps[number], self.changes[number]

    def on(self, message: FloatArray, chord: int) -> FloatArray:
        """Carry messages (count, 2, n_t + 1) from the chord before to this one."""
        step, change = self._at(chord)
        moved = message.reshape(-1, step.shape[0]) @ step
        moved = moved.reshape(message.shape)
        return np.asarray((1 - self.switch) * moved + (self.switch * change) * moved[:, ::-1])

    def back(self, message: FloatArray, chord: int) -> FloatArray:
        """Carry messages (count, 2, n_t + 1) from this chord to the one before."""
        step, change = self._at(chord)
        mixed = (1 - self.switch) * message + (self.switch * change) * message[:, ::-1]
        moved = mixed.reshape(-1, step.shape[0]) @ step.T
        return np.asarray(moved.reshape(message.shape))

    def into(self, kind: NDArray[np.intp], border: NDArray[np.intp], chord: int) -> FloatArray:
        """Return the weights (k, 2, n_t + 1) of coming to states of this chord, by origin."""
        step, change = self._at(chord)
        kinds = np.where(
            np.arange(N_KINDS)[None, :] == kind[:, None],
            1 - self.switch,
            self.switch * change[border][:, None],
        )
        return np.asarray(kinds[:, :, None] * step[:, border].T[:, None, :])
