"""Looks of no particular origin: how samples carry them, and what a face makes of them."""

import numpy as np
import pytest

from edgeqc.phantoms import draw_phantom, random_recipe
from edgeqc.training.cell_classes import IGNORED, NAMELESS, UNTOLD
from edgeqc.training.samples import _zone_fill, calibrated_phantom, draw_samples
from edgeqc.zoning.calibration import _strangeness


def test_a_filled_face_says_which_looks_have_no_origin():
    rng = np.random.default_rng(5)
    phantom = draw_phantom(random_recipe(rng))
    pixels = np.asarray(calibrated_phantom(phantom).pixels)
    codes = [code for code in np.unique(phantom.truth.labels) if code]
    _, usual = _zone_fill(pixels, phantom, np.random.default_rng(1), named=True)
    assert not usual.any()
    seen = set()
    for seed in range(8):
        _, none = _zone_fill(pixels, phantom, np.random.default_rng(seed), named=False)
        assert all(none[code] in (NAMELESS, UNTOLD) for code in codes)
        seen |= {int(none[code]) for code in codes}
    assert seen == {NAMELESS, UNTOLD}  # some keep a part of the phantom's own look


def test_samples_carry_the_origin_beside_the_name():
    found = set()
    for seed in range(12):
        _, faces = draw_samples(np.random.default_rng(seed), side_px_max=700)
        for face in faces:
            found |= set(np.unique(face.classes).tolist())
    names = {code for code in found if code != IGNORED}
    assert {code & 15 for code in names} <= {0, 1, 2, 3}
    assert any(NAMELESS <= code < UNTOLD for code in names)
    assert any(code < NAMELESS for code in names)


def test_origins_are_learned_where_they_are_known():
    torch = pytest.importorskip("torch")
    from edgeqc.training.origins import names_of, origin_loss, origin_targets

    classes = torch.tensor([[[0, 1 + NAMELESS, 2 + UNTOLD], [3, 3 + NAMELESS, IGNORED]]])
    assert names_of(classes).tolist() == [[[0, 1, 2], [3, 3, IGNORED]]]
    nameless, known = origin_targets(classes)
    assert nameless.tolist() == [[[0, 1, 0], [0, 0, 0]]]
    assert known.tolist() == [[[1, 1, 0], [0, 0, 0]]]
    logits = torch.tensor([[[[-9.0, 9.0, 9.0], [9.0, -9.0, 9.0]]]])
    assert float(origin_loss(logits, classes)) < 1e-3
    logits[0, 0, 0, 2] = -9.0  # unknown there: nothing to learn
    assert float(origin_loss(logits, classes)) < 1e-3
    logits[0, 0, 0, 1] = -9.0
    assert float(origin_loss(logits, classes)) == pytest.approx(4.5, abs=0.01)


def test_drawn_strips_tell_the_origins_of_their_looks():
    torch = pytest.importorskip("torch")
    from edgeqc.training.strips import draw_strips

    torch.manual_seed(2)
    found = set()
    for _ in range(3):
        _, classes = draw_strips(16, 128, 0.55, "cpu")
        found |= set(classes.unique().tolist())
    assert {0, 1, 2} <= found
    assert any(NAMELESS <= code < UNTOLD for code in found)
    assert any(UNTOLD <= code < IGNORED for code in found)


def test_looks_without_an_origin_are_finite_and_alike_in_spread():
    torch = pytest.importorskip("torch")
    from edgeqc.training.strip_fields import Batch
    from edgeqc.training.strip_looks import draw_looks
    from edgeqc.training.strip_nameless import NAMELESS_LOOKS

    torch.manual_seed(4)
    for look in set(NAMELESS_LOOKS):
        plane = draw_looks(Batch(3, 96, 160, "cpu"), (look,))
        assert bool(torch.isfinite(plane).all()), look.__name__
        assert torch.allclose(plane.std(dim=(1, 2)), torch.ones(3), atol=1e-3), look.__name__


def strange_face(labels):
    """What is strange on a face whose torn cells all look so, and its laser cells by a fifth."""
    nameless = np.where(labels == 2, 0.9, np.where(labels == 0, 0.2, 0.05))
    return _strangeness(labels, nameless)


def test_strangeness_is_told_by_zone():
    labels = np.zeros((100, 40), int)
    labels[70:] = 2
    found = strange_face(labels)
    assert found == pytest.approx(
        {"strange_laser": 0.2, "strange_residual": 0.9, "torn_alone": 1.0}
    )
    labels[70:, :20] = 1
    both = strange_face(labels)
    assert both["strange_residual"] == pytest.approx(0.9)  # the stranger of the two
    assert both["torn_alone"] == 0.0
    labels[70:] = 1
    assert strange_face(labels)["strange_residual"] == pytest.approx(0.05)


def test_without_a_residual_the_whole_face_counts():
    found = strange_face(np.zeros((50, 30), int))
    assert found == pytest.approx(
        {"strange_laser": 0.2, "strange_residual": 0.2, "torn_alone": 0.0}
    )
