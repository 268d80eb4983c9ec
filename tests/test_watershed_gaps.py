"""Hills beside gaps at the border of the array: no way up leads out of it."""

import numpy as np

from edgeqc.measure.watershed import pruned_hills


def test_gaps_at_every_border_leave_the_hills_inside():
    row, col = np.mgrid[:40, :50].astype(float)
    heights = np.sin(2 * np.pi * row / 20) * np.sin(2 * np.pi * col / 25)
    whole = pruned_hills(heights, (1.0, 1.0), 0.5)
    gaps = heights.copy()
    gaps[:2], gaps[-2:], gaps[:, :2], gaps[:, -2:] = (np.nan,) * 4
    found = pruned_hills(gaps, (1.0, 1.0), 0.5)
    assert np.array_equal(found.peak, whole.peak)
    assert (found.labels[np.isnan(gaps)] == -1).all()
    assert (found.labels[np.isfinite(gaps)] >= 0).all()
