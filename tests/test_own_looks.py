"""The face map made up from the picture's own looks."""

import numpy as np

from edgeqc.faces.fragment import FaceSettings, _map_confidence
from edgeqc.faces.own_looks import MOST_LOGIT, log_odds, looks_log_odds, made_up

ROWS, COLS = 60, 80


def wavering_map(rng, *, decided):
    """A face in the middle third whose left part only is decided; grey tells it everywhere."""
    truth = np.zeros((ROWS, COLS), bool)
    truth[20:40] = True
    face = np.where(truth, 0.98, 0.02).astype(np.float32)
    face[:, decided:] = 0.5 + np.where(truth, -0.1, 0.1)[:, decided:]
    grey = np.where(truth, 1.0, -1.0) + 0.2 * rng.standard_normal(truth.shape)
    return truth, np.stack([0.6 * (1 - face), 0.4 * (1 - face), face]), grey.astype(np.float32)


def test_a_wavering_stretch_takes_the_name_of_what_looks_like_it():
    truth, learned, grey = wavering_map(np.random.default_rng(0), decided=40)
    out = made_up(learned, grey[None], np.ones(truth.shape, np.float32))
    assert out.shape == learned.shape
    assert out.dtype == np.float32
    assert np.allclose(out.sum(axis=0), 1, atol=1e-5)
    assert ((learned[2] > 0.5) == truth)[:, 40:].mean() < 0.01  # each guess was wrong
    assert ((out[2] > 0.5) == truth).mean() > 0.99
    # background and body share the rest as before
    rest = out[0] / (out[0] + out[1])
    assert np.allclose(rest, 0.6, atol=1e-3)


def test_cues_that_tell_nothing_change_no_decided_cell():
    rng = np.random.default_rng(1)
    truth, learned, _ = wavering_map(rng, decided=COLS)
    cues = rng.standard_normal((2, ROWS, COLS)).astype(np.float32)
    out = made_up(learned, cues, np.ones(truth.shape, np.float32))
    assert ((out[2] > 0.5) == truth).all()


def test_the_flat_data_bar_teaches_nothing():
    """A flat face above a flat data bar: with the bar as a lesson, flat would mean no face."""
    truth = np.zeros((ROWS, COLS), bool)
    truth[10:20] = True
    learned = np.where(truth, 0.6, 0.02).astype(np.float32)
    energy = np.where(truth, -3.0, 0.0)
    energy[40:] = -3.0  # the bar
    valid = np.ones((ROWS, COLS), bool)
    valid[40:] = False
    cues = energy[..., None].astype(np.float32)
    blind = looks_log_odds(learned, cues, np.ones_like(valid))[15].mean()
    seeing = looks_log_odds(learned, cues, valid)[15].mean()
    assert seeing > 0 > blind


def test_bounds_and_an_empty_picture():
    assert np.isfinite(log_odds(np.array([[0.0, 1.0]], np.float32))).all()
    face = np.array([[0.0, 1.0]] * 40, np.float32).repeat(20, axis=1)
    odds = looks_log_odds(face, face[..., None], np.ones(face.shape, bool))
    assert 3 < np.abs(odds).max() <= MOST_LOGIT  # the ridge holds even a perfect cue back
    assert (looks_log_odds(face, face[..., None], np.zeros(face.shape, bool)) == 0).all()


def test_a_region_is_doubted_for_what_wavers_far_from_it():
    """Two regions: what wavers lies nearest to the second, and still casts doubt on the first."""
    probability = np.full((100, 100), 0.01, np.float32)
    probability[10:30, 10:90] = 0.99
    probability[70:90, 10:90] = 0.99
    first = np.zeros(probability.shape, bool)
    first[10:30, 10:90] = True
    near = np.zeros_like(first)
    near[:50] = True
    sure = _map_confidence(probability, first, near)
    assert sure > 0.99
    probability[60:90, 10:90] = 0.6
    assert _map_confidence(probability, first, near) < FaceSettings().doubt_confidence < sure
