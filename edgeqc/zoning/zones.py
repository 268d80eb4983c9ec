"""The zone map of a cut face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.flags import Raised
from edgeqc.quantity import FloatArray

OUTSIDE, LASER, SCISSOR, TORN, OBSCURED = 0, 1, 2, 3, 4
ZONE_NAMES = {LASER: "laser", SCISSOR: "scissor", TORN: "torn", OBSCURED: "obscured"}


@dataclass(frozen=True)
class ZoneMap:
    """Zones on the unrolled face.

    Cell (i, j) lies at t = (i + 0.5)/n_t and at (j + 0.5)/n_s of the face's length
    (``CutFace.s_px``).

    Parameters
    ----------
    labels : (n_t, n_s) uint8 array
        1 laser, 2 scissor, 3 torn, 4 obscured.
    probability : (4, n_t, n_s) float32 array
        Posterior probability of laser, scissor, torn, obscured; sums to 1 over the first axis.
    depth : (n_s,) float array
        Depth of the laser zone from the anterior edge as a fraction of the thickness; 0 where
        there is none.
    depth_draws : (n_draws, n_s) float32 array
        Draws of ``depth`` from its joint posterior (correlated along s).
    second_depth : (n_s,) float array
        The same depth by the second, independent estimator; ``nan`` where it abstains.
    model : str
        Identifier of the naming model.
    naming_confidence : float
        Posterior probability, 0..1, that the zones bear the right names.
    separability : float
        Bhattacharyya distance between the textures either side of the weakest border.
    depth_u_model : float
        Standard uncertainty of the mean depth fraction from the model (calibrated on phantoms).
    flags : tuple of Raised
        Doubts about the zones.
    """

    labels: NDArray[np.uint8]
    probability: NDArray[np.float32]
    depth: FloatArray
    depth_draws: NDArray[np.float32]
    second_depth: FloatArray
    model: str
    naming_confidence: float
    separability: float
    depth_u_model: float = 0.0
    flags: tuple[Raised, ...] = ()
