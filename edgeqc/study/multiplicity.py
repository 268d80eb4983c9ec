"""Allowance for several tests at once."""

from __future__ import annotations

import numpy as np

from edgeqc.quantity import FloatArray


def holm(p: FloatArray) -> FloatArray:
    """Return p-values adjusted for the number of tests, after Holm.

    Parameters
    ----------
    p : (m,) float array
        Raw p-values; ``nan`` entries stay and do not count.

    References
    ----------
    Holm S (1979). A simple sequentially rejective multiple test procedure. Scand J Stat 6:65-70.

    Examples
    --------
    >>> [round(float(value), 12) for value in holm(np.array([0.01, 0.04, 0.03, 0.005]))]
    [0.03, 0.06, 0.06, 0.02]
    """
    values = np.asarray(p, dtype=float)
    adjusted = np.full(values.shape, np.nan)
    known = np.nonzero(np.isfinite(values))[0]
    order = known[np.argsort(values[known], kind="stable")]
    factors = np.arange(order.size, 0, -1)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(values[order] * factors))
    return adjusted
