"""The fourth maker's truth, recomputed from its labels alone."""

import cv2
import numpy as np
import pytest
from fourth_layout import FAMILIES, lay_out
from fourth_maker import LOOKS, draw_face

SEEDS = range(7000, 7008)


@pytest.fixture(scope="module")
def made():
    return [draw_face(np.random.default_rng(seed)) for seed in SEEDS]


def levelled(face):
    """Return the labels with the anterior edge on top."""
    return np.rot90(face.labels, -("top", "left", "bottom", "right").index(face.anterior))


def cast(labels, line, thick):
    """Return the whole chords square to a mid line: their labels, lengths and middles."""
    rows, cols = labels.shape
    far = np.arange(-1.2 * thick, 1.2 * thick, 0.25)
    found, lengths, middles = [], [], []
    for c in np.arange(line.domain[0] - thick / 2, line.domain[1] + thick / 2, 3.0):
        slope = line.deriv()(c)
        down, right = np.array([1.0, -slope]) / np.hypot(1, slope)
        r, k = np.rint(line(c) + far * down).astype(int), np.rint(c + far * right).astype(int)
        inside = (r >= 0) & (r < rows) & (k >= 0) & (k < cols)
        values = np.where(inside, labels[np.clip(r, 0, rows - 1), np.clip(k, 0, cols - 1)], 255)
        out, middle = np.isin(values, (0, 255)), len(far) // 2
        if out[middle] or not (out[:middle].any() and out[middle:].any()):
            continue
        top, low = middle - np.argmax(out[middle::-1]) + 1, middle + np.argmax(out[middle:])
        if values[top - 1] == values[low] == 0:
            found.append(values[top:low])
            lengths.append((low - top) / 4)
            at = far[top:low].mean()
            middles.append((c + at * right, line(c) + at * down))
    return found, np.array(lengths), np.array(middles)


def chords(labels):
    """Return the labels along the whole chords and their lengths in px, from labels alone."""
    labels = cv2.medianBlur(np.ascontiguousarray(labels), 3)
    on = labels > 0
    rows = len(on)
    columns = np.nonzero(on.any(axis=0))[0]
    first, last = np.argmax(on[:, columns], axis=0), rows - 1 - np.argmax(on[::-1, columns], axis=0)
    thick = np.median(last - first)
    keep = (first > 0) & (last < rows - 1) & (last - first > 0.8 * thick)
    if keep.sum() < 50:
        return [], np.array([])
    line = np.polynomial.Polynomial.fit(columns[keep], (first + last)[keep] / 2, 1)
    for degree in (1, 2, 2):  # the mid line's own middles mend it
        found, lengths, middles = cast(labels, line, thick)
        calm = np.polynomial.Polynomial.fit(np.arange(len(lengths)), lengths, 1)
        for _ in range(3):  # ends that run askew cut chords short
            off = np.abs(lengths - calm(np.arange(len(lengths))))
            good = off < max(3.0, 2.5 * np.median(off))
            calm = np.polynomial.Polynomial.fit(np.nonzero(good)[0], lengths[good], 2)
        line = np.polynomial.Polynomial.fit(*middles[good].T, degree)
    found, lengths, _ = cast(labels, line, thick)
    trim = max(2, len(found) // 40)
    return [bridged(chord) for chord in found[trim:-trim]], lengths[trim:-trim]


def bridged(chord):
    """Return a chord with what hides it filled in where both sides are of one zone."""
    chord = chord.copy()
    while (chord == 4).any():
        start = np.argmax(chord == 4)
        stop = start + np.argmax(np.append(chord[start:] != 4, True))
        sides = {*chord[max(0, start - 1) : start], *chord[stop : stop + 1]}
        chord[start:stop] = sides.pop() if len(sides) == 1 else 9
    return chord


def depths(found):
    """Return the laser's share of every chord that is clear and not beside a stretch's border."""
    shares = np.array([np.nan if (c == 9).any() else (c == 1).mean() for c in found])
    bare = np.convolve(shares < 0.02, np.ones(3 + 2 * (len(found) // 40)), "same") > 0
    return shares[~bare & np.isfinite(shares)]


def test_the_same_seed_draws_the_same_picture(made):
    again = draw_face(np.random.default_rng(SEEDS[0]))
    assert np.array_equal(again.image, made[0].image)
    assert np.array_equal(again.labels, made[0].labels)
    assert again.depth_fraction == pytest.approx(made[0].depth_fraction, nan_ok=True)


def test_figures_follow_from_the_labels(made):
    for face in made:
        found, lengths = chords(levelled(face))
        if not found or np.isnan(face.thickness_um):
            continue
        assert lengths.mean() * face.pixel_size_um == pytest.approx(face.thickness_um, rel=0.02)
        shares = depths(found)
        if np.isnan(face.depth_fraction):
            assert not len(shares)
        else:
            assert shares.mean() == pytest.approx(face.depth_fraction, abs=0.005)


def test_zones_can_be_seen(made):
    for face in made:
        labels = face.labels
        total = (labels > 0).sum()
        for code in (1, 2, 3):
            zone = (labels == code).astype(np.uint8)
            if zone.any():
                assert zone.sum() > 0.015 * total
                assert cv2.distanceTransform(zone, cv2.DIST_L2, 3).max() > 7
        laser_over_all = face.family == "through_cut"
        assert laser_over_all <= (set(np.unique(labels)) <= {0, 1, 4})
        assert (labels == 4).sum() < 0.15 * total
        assert len(face.looks) == len(set(np.unique(labels)) & {1, 2, 3})


def test_pictures_are_of_the_kind_asked_for(made):
    for face in made:
        assert face.image.dtype == face.labels.dtype == np.uint8
        assert face.image.shape == face.labels.shape
        assert 1.0e6 <= face.image.size <= 1.6e6
        if not face.good:
            continue
        assert 0.13 < (face.labels > 0).mean() < 0.62
        low, high = np.quantile(face.image, [0.005, 0.995])
        assert high - low > 140
        assert ((face.image == 0) | (face.image == 255)).mean() < 0.12
        assert 120 < face.thickness_um < 1000


def test_layouts_come_in_their_shares_with_both_long_edges_inside():
    rng = np.random.default_rng(5)
    names = []
    for _ in range(250):
        layout = lay_out(rng, 1000, 1300)
        names.append(layout.family)
        depth, thickness = layout.figures()
        assert thickness > 150
        assert np.isnan(depth) == layout.family.startswith("whole")
        s = layout.whole()
        border = np.interp(s - layout.start, np.arange(len(layout.border)), layout.border)
        if layout.family.startswith("laser"):
            assert border.min() > 0.02
            assert border.max() < 0.98
            assert len(s) > 0.45 * layout.frame.cols
    for family, share in FAMILIES.items():
        assert abs(names.count(family) / len(names) - share) < 0.1
        assert names.count(family)


def test_looks_are_many_and_each_draws_at_any_size():
    least = {1: 5, 2: 6, 3: 6}
    assert all(len(LOOKS[code]) >= count for code, count in least.items())
    for looks in LOOKS.values():
        for look in looks.values():
            for grain in (4.5, 60):
                height, tone = look(np.random.default_rng(1), (90, 260), grain)
                assert height.shape == tone.shape == (90, 260)
                assert np.isfinite(height).all()
                assert 0.3 < tone.mean() < 1.7
