"""Pruning where noise makes a hill of every ten heights: against pruning one hill at a time."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from edgeqc.measure.watershed import MANY_HILLS, pruned_hills

STEPS = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]


def hills_and_saddles(z):
    """Peak of every height by steepest ascent, and the highest saddle of every two hills."""
    rows, cols = z.shape
    wide = np.full((rows + 2, cols + 2), -np.inf)
    wide[1:-1, 1:-1] = z
    slope = np.stack([
        (wide[1 + i : 1 + rows + i, 1 + j : 1 + cols + j] - z) / np.hypot(i, j) for i, j in STEPS
    ])
    way = slope.argmax(axis=0)
    hill, saddles = {}, {}
    for flat in np.argsort(-z, axis=None):
        r, c = divmod(int(flat), cols)
        i, j = STEPS[way[r, c]]
        hill[r, c] = hill[r + i, c + j] if slope[way[r, c], r, c] > 0 else (r, c)
    for (r, c), top in hill.items():
        for i, j in STEPS:
            other = hill.get((r + i, c + j), top)
            if other != top:
                key = frozenset((top, other))
                saddles[key] = max(saddles.get(key, -np.inf), min(z[r, c], z[r + i, c + j]))
    return saddles


def one_by_one(z, least):
    """Join the hill of least rise to the hill over its highest saddle, again and again."""
    saddles = hills_and_saddles(z)
    while True:
        best = {}
        for key, height in saddles.items():
            for top in key:
                best[top] = max(best.get(top, (-np.inf, None)), (height, key), key=lambda b: b[0])
        rises = []
        for top, (height, key) in best.items():
            other = next(iter(key - {top}))
            if z[other] > z[top]:
                rises.append((z[top] - height, top, other))
        if not rises or min(rises)[0] >= least:
            return {z[top] for top in best}
        _, gone, into = min(rises)
        merged = {}
        for key, height in saddles.items():
            new = frozenset(into if top == gone else top for top in key)
            if len(new) == 2:
                merged[new] = max(merged.get(new, -np.inf), height)
        saddles = merged


@pytest.mark.parametrize("least", [0.3, 0.8, 1.5])
def test_rounds_on_the_map_prune_what_one_by_one_does(least):
    rng = np.random.default_rng(8)
    z = gaussian_filter(rng.normal(size=(44, 50)), 4.0) * 14 + 0.5 * rng.normal(size=(44, 50))
    z = z.astype(np.float32).astype(np.float64)
    bare = pruned_hills(z, (1.0, 1.0), 0.0)
    assert bare.peak.size * MANY_HILLS > z.size  # so the rounds on the map run
    ours = pruned_hills(z, (1.0, 1.0), least)
    assert set(z.ravel()[ours.peak]) == one_by_one(z, least)
    # every height belongs to the hill of a peak that is no lower
    assert (z.ravel()[ours.peak][ours.labels] >= z).all()


def test_spread_of_labels_and_saddles_on_noise():
    rng = np.random.default_rng(9)
    z = gaussian_filter(rng.normal(size=(300, 310)), 5.0) * 18 + 0.4 * rng.normal(size=(300, 310))
    z[rng.random(z.shape) < 0.05] = np.nan
    hills = pruned_hills(z, (1.0, 1.0), 0.9)
    assert (hills.labels >= 0).sum() == np.isfinite(z).sum()
    heights = z.ravel()[hills.peak]
    # the highest saddle leads lower than the peak, by the threshold at least unless to a lower hill
    assert (heights > hills.saddle).all()
    for k in np.random.default_rng(0).choice(hills.peak.size, 40, replace=False):
        assert np.nanmax(np.where(hills.labels == k, z, np.nan)) == pytest.approx(heights[k])
