"""The sixth maker tells the truth about what it draws, and draws every layout and look."""

from collections import Counter
from functools import cache

import numpy as np
import pytest
import sixth_laser
import sixth_layout
import sixth_maker
import sixth_scissor
import sixth_torn


@cache
def drawn(seed):
    return sixth_maker.draw_face(np.random.default_rng(seed))


def along_chords(made):
    """Return the labels met on the way along every whole chord."""
    share = (np.arange(2000) + 0.5) / 2000
    x0, y0, x1, y1 = made.chords.T[:, :, None]
    rows = np.rint(y0 + share * (y1 - y0)).astype(int)
    cols = np.rint(x0 + share * (x1 - x0)).astype(int)
    met = made.labels[
        rows.clip(0, made.labels.shape[0] - 1), cols.clip(0, made.labels.shape[1] - 1)
    ]
    return np.ma.masked_array(met, met == 0)


def free(seeds):
    """Return the pictures with whole chords and nothing that hides the face."""
    return [made for made in map(drawn, seeds) if len(made.chords) and not (made.labels == 4).any()]


@pytest.mark.parametrize("first", [0, 5, 10])
def test_figures_follow_from_the_labels(first):
    made_faces = free(range(first, first + 5))
    assert made_faces
    for made in made_faces:
        laser = (along_chords(made) == 1).mean(axis=1)
        some = np.asarray(laser) > 0
        if some.any():
            assert abs(laser[some].mean() - made.depth_fraction) < 0.005
        else:
            assert np.isnan(made.depth_fraction)
        x0, y0, x1, y1 = made.chords.T
        thickness = np.hypot(x1 - x0, y1 - y0).mean() * made.pixel_size_um
        assert abs(thickness / made.thickness_um - 1) < 0.002


def test_anterior_side_is_where_the_chords_begin():
    for seed in range(12):
        made = drawn(seed)
        if not len(made.chords):
            continue
        x, y = (made.chords[:, 2:] - made.chords[:, :2]).mean(0)
        side = ("left" if x > 0 else "right") if abs(x) > abs(y) else "top" if y > 0 else "bottom"
        assert made.anterior == side


def test_zones_are_large_enough_to_be_named():
    for made in free(range(15)):
        met = along_chords(made)
        laser = np.asarray((met == 1).mean(axis=1))
        partly = laser[(laser > 0) & (laser < 0.999)]
        if made.family.startswith("laser"):
            assert partly.min() > 0.1
            assert partly.max() < 0.98
        if made.family == "scissor-ends":
            assert ((met == 2).mean(axis=1) > 0.98).sum() * 2 > 20  # pixels of the length


def test_pictures_use_their_grey_range_and_have_the_promised_size():
    for seed in range(15):
        made = drawn(seed)
        assert made.image.dtype == made.labels.dtype == np.uint8
        assert made.image.shape == made.labels.shape
        assert 0.9e6 < made.image.size < 1.65e6
        assert 0.12 < (made.labels > 0).mean() < 0.62
        if made.good:
            low, high = np.quantile(made.image, [0.01, 0.99])
            assert high - low > 90
            assert (made.image == 255).mean() < 0.05


def test_same_seed_same_picture():
    again = sixth_maker.draw_face(np.random.default_rng(3))
    assert np.array_equal(again.image, drawn(3).image)
    assert np.array_equal(again.labels, drawn(3).labels)
    assert again.looks == drawn(3).looks


def test_layouts_come_in_trade_proportion():
    rng = np.random.default_rng(5)
    seen = Counter(sixth_layout.lay_out(rng)[0].family for _ in range(400))
    for family, share in sixth_layout.FAMILIES.items():
        assert abs(seen[family] / 400 - share) < 0.08
        assert seen[family]


@pytest.mark.parametrize("module", [sixth_laser, sixth_scissor, sixth_torn])
def test_every_look_draws_itself(module):
    assert len(module.LOOKS) >= 6
    for name, look in module.LOOKS.items():
        height, _ = look(np.random.default_rng(1), (90, 300), 40)
        assert height.shape == (90, 300), name
        assert np.isfinite(height).all(), name
        assert height.std() > 0.1, name
