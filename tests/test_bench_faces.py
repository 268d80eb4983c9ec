"""The bench maker's pictures: same seed same picture, labels that fit the edges, every look."""

import numpy as np
import pytest

from edgeqc.training.bench_faces import BENCH_LOOKS, LASER, ZONE_NAMES, _residual, draw_bench_face
from edgeqc.training.bench_fields import Ground, read_profile, turned

PICTURES = 14
ALL_LOOKS = [(zone, look) for zone, looks in BENCH_LOOKS.items() for look in looks]


@pytest.fixture(scope="module")
def faces():
    return [draw_bench_face(np.random.default_rng([611, k])) for k in range(PICTURES)]


def _labels_along(face, fraction):
    """Labels at a fraction of the thickness, from the anterior (0) to the posterior edge (1)."""
    at = face.anterior_px + fraction * (face.posterior_px - face.anterior_px)
    row, col = np.round(at).astype(int).T
    return face.labels[row, col]


def test_the_same_seed_gives_the_same_picture():
    one, other = (draw_bench_face(np.random.default_rng(7)) for _ in range(2))
    assert np.array_equal(one.image, other.image)
    assert np.array_equal(one.labels, other.labels)
    assert np.array_equal(one.anterior_px, other.anterior_px)
    assert one.looks == other.looks
    assert not np.array_equal(one.image[:400, :400],
                              draw_bench_face(np.random.default_rng(8)).image[:400, :400])


def test_pictures_are_of_the_promised_form(faces):
    for face in faces:
        assert face.image.dtype == face.labels.dtype == np.uint8
        assert face.image.shape == face.labels.shape
        assert all(450 <= side <= 1100 for side in face.image.shape)
        assert face.image.std() > 5
        assert set(np.unique(face.labels)) <= {0, 1, 2, 3}
        assert 0.2 < face.pixel_size_um < 1.5


def test_edges_are_paired_square_to_the_middle_line(faces):
    for face in faces:
        assert face.anterior_px.shape == face.posterior_px.shape
        assert len(face.anterior_px) > 60
        chord = face.posterior_px - face.anterior_px
        # Both edges are rough: their mean wanders about the middle line on short lengths.
        middle = np.cumsum((face.posterior_px + face.anterior_px) / 2, axis=0)
        middle = (middle[40:] - middle[:-40]) / 40
        run = middle[15:] - middle[:-15]
        across = chord[28:28 + len(run)]
        cosine = (run * across).sum(1) / np.linalg.norm(run, axis=1)
        cosine /= np.linalg.norm(across, axis=1)
        # Waves of 2 % of the thickness on 80 px tilt their mean by up to a tenth, both ways.
        assert np.median(np.abs(cosine)) < 0.1
        assert abs(cosine.mean()) < 0.04
        assert 1.8 < np.median(np.linalg.norm(run, axis=1)) / 15 < 2.2


def test_labels_agree_with_the_edges(faces):
    for face in faces:
        assert (_labels_along(face, 0.5) > 0).mean() > 0.97
        for outside in (-0.06, 1.06):
            at = face.anterior_px + outside * (face.posterior_px - face.anterior_px)
            row, col = np.round(at).astype(int).T
            rows, cols = face.labels.shape
            seen = (row >= 0) & (col >= 0) & (row < rows) & (col < cols)
            assert (face.labels[row[seen], col[seen]] == 0).mean() > 0.95


def test_laser_lies_on_the_anterior_side(faces):
    for face in faces:
        near, far = (_labels_along(face, fraction) == LASER for fraction in (0.06, 0.94))
        assert not (far & ~near).mean() > 0.06
    with_laser = [face for face in faces if (face.labels == LASER).any()]
    assert len(with_laser) > 0.75 * PICTURES
    assert np.mean([(_labels_along(f, 0.06) == LASER).mean() for f in with_laser]) > 0.8


def test_looks_named_are_the_zones_that_are_there(faces):
    for face in faces:
        named = {name.split(":")[0] for name in face.looks}
        assert named >= {ZONE_NAMES[zone] for zone in np.unique(face.labels) if zone}


def test_both_residual_names_are_about_as_frequent():
    rng = np.random.default_rng(5)
    depth = np.zeros((30, 40), np.float32)
    shares = [(_residual(rng, depth, 40) == 2).mean() for _ in range(400)]
    assert 0.42 < np.mean(shares) < 0.58


@pytest.mark.parametrize(("zone", "look"), ALL_LOOKS, ids=lambda value: getattr(
    value, "__name__", str(value)))
def test_every_look_is_finite_and_not_flat(zone, look):
    grounds = Ground(90, 230, 0.3), Ground(260, 60, 1.2), Ground(24, 24, 0.7)
    for seed, ground in enumerate(grounds):
        relief = look(np.random.default_rng([zone, seed]), ground)
        assert relief.height.dtype == np.float32
        assert relief.height.shape == (ground.rows, ground.cols)
        assert np.isfinite(relief.height).all()
        assert relief.height.std() > 0
        assert 0 < relief.strength <= 1
        if relief.bright is not None:
            assert np.isfinite(relief.bright).all()


def test_there_are_looks_enough_and_all_have_names_of_their_own():
    assert [len(BENCH_LOOKS[zone]) >= least for zone, least in ((1, 8), (2, 10), (3, 12))]
    names = [look.__name__ for _, look in ALL_LOOKS]
    assert len(set(names)) == len(names)


def test_all_looks_are_met(monkeypatch):
    import edgeqc.training.bench_faces as bench

    # Which look a zone gets is what is asked here, not its drawing.
    met = set()

    class Flat:
        def __init__(self, zone, look):
            self.__name__ = look.__name__
            self.zone = zone

        def __call__(self, rng, ground):
            met.add(self.__name__)
            return bench.Relief(rng.random((ground.rows, ground.cols), dtype=np.float32))

    flat = {z: tuple(Flat(z, look) for look in looks) for z, looks in BENCH_LOOKS.items()}
    monkeypatch.setattr(bench, "BENCH_LOOKS", flat)
    strip = bench._strip(np.random.default_rng(0), 40, 60, 24.0)
    labels = strip.labels.copy()
    labels[:, :20], labels[:, 20:40], labels[:, 40:] = 1, 2, 3
    strip = strip._replace(labels=labels)
    rng = np.random.default_rng(3)
    for _ in range(150):
        bench._fill(rng, strip, 0.5)
    assert met == {look.__name__ for _, look in ALL_LOOKS}


def test_a_profile_is_read_at_its_middle_and_a_field_turned_about_it():
    profile = np.arange(-40, 40, dtype=np.float32) / 4
    place = np.array([[-3.0, 0.0, 2.5, 99.0]], np.float32)
    assert read_profile(profile, place).ravel().tolist() == [-3.0, 0.0, 2.5, 9.75]

    def stripes(rows, cols):
        return np.repeat(np.sin(np.arange(rows, dtype=np.float32) / 4)[:, None], cols, 1)

    field = turned(Ground(80, 80, 1.0), 90, stripes)
    assert field.std(axis=0).max() < 0.05 < field.std(axis=1).min()
