"""Scenes of the face model's samples: outlines, materials and things around cut faces."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="fitting the models needs the extra `train`")

from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.scene_materials import (  # noqa: E402
    GROUNDS,
    OPTICS,
    SURFACES,
    photographed,
)
from edgeqc.training.scene_surrounds import (  # noqa: E402
    BACKGROUND,
    BODY,
    FACE,
    covered,
    outlines,
    surround,
)
from edgeqc.training.strip_fields import Batch  # noqa: E402

MATERIALS = tuple(dict.fromkeys(GROUNDS + OPTICS + SURFACES))


def _batch(size=4, photographs=None):
    return Batch(size, 160, 224, "cpu", photographs)


@pytest.mark.parametrize("material", MATERIALS, ids=lambda material: material.__name__)
def test_materials_differ_and_repeat_with_the_seed(material):
    torch.manual_seed(5)
    plane = material(_batch())
    assert plane.shape == (4, 160, 224)
    assert bool(torch.isfinite(plane).all())
    assert bool((plane.std(dim=(1, 2)) > 1e-3).all())
    assert plane.flatten(1).mean(dim=1).unique().numel() == 4
    torch.manual_seed(5)
    assert torch.equal(plane, material(_batch()))


def test_photographs_are_shown_where_there_are_any():
    stripes = torch.arange(64.0).remainder(2).expand(3, 64, 64) * 2 - 1
    torch.manual_seed(1)
    plane = photographed(_batch(2, stripes))
    assert bool(torch.isfinite(plane).all())
    assert bool((plane.std(dim=(1, 2)) > 1e-3).all())


def test_outlines_have_a_face_of_many_sizes_wholly_seen_or_not():
    torch.manual_seed(2)
    at = outlines(_batch(32))
    face = at.edge > 0
    share = face.float().mean(dim=(1, 2))
    assert bool((share > 0.005).all())
    assert share.min() < 0.15
    assert share.max() > 0.5
    # fractions of the thickness lie between the borders where the face is
    assert bool((at.t[face] > -0.3).all() & (at.t[face] < 1.3).all())
    frame = torch.ones(160, 224, dtype=torch.bool)
    frame[2:-2, 2:-2] = False
    touching = (face & frame).any(dim=2).any(dim=1)
    assert 2 < int(touching.sum()) < 32


def test_distances_are_those_to_the_border():
    torch.manual_seed(3)
    edge = outlines(_batch(8)).edge
    near = edge.abs() < 6
    slope = torch.hypot(edge[:, 1:, 1:] - edge[:, :-1, 1:], edge[:, 1:, 1:] - edge[:, 1:, :-1])
    assert 0.6 < float(slope[near[:, 1:, 1:]].median()) < 1.5


def test_surroundings_name_everything_but_what_looks_like_a_face():
    torch.manual_seed(4)
    b = _batch(16)
    at = outlines(b)
    signal, codes = surround(b, at, torch.ones_like(at.edge))
    assert bool(torch.isfinite(signal).all())
    assert {BACKGROUND, BODY} <= set(codes.unique().tolist()) <= {BACKGROUND, BODY, IGNORED}
    assert float((codes == IGNORED).float().mean()) < 0.1


def test_only_big_things_over_the_border_take_the_truth_away():
    torch.manual_seed(6)
    b = _batch(24)
    at = outlines(b)
    before = torch.where(at.edge > 0, FACE, BACKGROUND)
    plain = 1.0 + torch.zeros_like(at.edge)
    signal, codes = covered(b, at, plain, before)
    assert bool(torch.isfinite(signal).all())
    changed = codes != before
    assert bool((codes[changed] == IGNORED).all())
    assert 0 < float(changed.float().mean()) < 0.08
    # what lies there can be seen, and thin litter leaves the face a face
    assert float((signal[changed] - 1).abs().mean()) > 0.05
    assert int(((signal - 1).abs() > 0.1).sum()) > int(changed.sum())


def test_lens_surfaces_by_further_hands_lie_beside_the_face_and_nowhere_else():
    torch.manual_seed(4)
    b = Batch(24, 96, 128, "cpu")
    at = outlines(b)

    def marked(part, beside, side):
        return torch.full_like(beside.edge, 9.0), beside.beyond[side]

    signal, codes = surround(b, at, torch.ones_like(at.edge), (marked,))
    seen = signal > 8.9
    assert seen.any()
    assert (codes[seen] == BODY).all()
    assert (at.edge[seen] < 1).all()
    plain, _ = surround(b, at, torch.ones_like(at.edge))
    assert not (plain > 8.9).any()
