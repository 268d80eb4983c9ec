"""Samples on the fitting device: a file's way into a batch, and samples drawn there."""

import time

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import drawn_store, sample_pool  # noqa: E402
from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.sample_pool import SamplePool, face_batch, picture_batch  # noqa: E402
from edgeqc.training.samples import PLANE_STEP  # noqa: E402
from edgeqc.training.variety import CROP_COLUMNS  # noqa: E402
from edgeqc.zoning.texture import CELL, MARGIN, ROWS  # noqa: E402

WIDTHS = (40, 300, 160)


def write(path, rng, widths=WIDTHS):
    arrays = {}
    for number, cells in enumerate(widths):
        arrays[f"f0_{number}"] = rng.integers(-127, 128, (7, ROWS, cells * CELL)).astype(np.int8)
        arrays[f"fc0_{number}"] = np.full((ROWS // CELL, cells), number, np.uint8)
        known = np.concatenate([[11, 25, 0], np.full(cells * CELL, 20 + number)])
        arrays[f"fk0_{number}"] = known.astype(np.int8)
    arrays["p0"] = rng.integers(-127, 128, (6, 64, 64)).astype(np.int8)
    arrays["pc0"] = rng.integers(0, 3, (32, 32)).astype(np.uint8)
    np.savez(path, **arrays)
    return arrays


def filled(folder, read, count):
    pool = SamplePool(folder, read, "cpu")
    end = time.monotonic() + 20
    while len(pool.fit) < count and time.monotonic() < end:
        time.sleep(0.05)
    assert len(pool.fit) == count
    return pool


def test_faces_reach_a_batch_as_they_were_stored(tmp_path):
    rng = np.random.default_rng(0)
    arrays = write(tmp_path / "s1w0c0.npz", rng)
    (tmp_path / "s1w0c1.part.npz").write_bytes(b"half written")
    pool = filled(tmp_path, sample_pool.read_faces, len(WIDTHS))
    planes, classes = face_batch(pool.fit, np.random.default_rng(1), 12)
    assert planes.dtype == torch.int8
    t = -MARGIN + (np.arange(ROWS) + 0.5) / ROWS * (1 + 2 * MARGIN)
    seen = set()
    for row in range(12):
        number = int(classes[row, 0, 0])
        seen.add(number)
        stored = arrays[f"f0_{number}"]
        end = min(WIDTHS[number] * CELL, CROP_COLUMNS)
        found = planes[row, :7, :, :end].numpy()
        starts = range(0, stored.shape[2] - end + 1, CELL)
        assert any((stored[:, :, at : at + end] == found).all() for at in starts)
        assert (planes[row, 7, :, 0].numpy() == np.rint(t * PLANE_STEP)).all()
        assert (planes[row, 8, :, :end] == 20 + number).all()
        assert planes[row, 9:12, 5, 0].tolist() == [11, 25, 0]
        assert (planes[row, :, :, end:] == 0).all()
        assert (classes[row, :, end // CELL :] == IGNORED).all()
    assert seen == {0, 1, 2}


def test_pictures_and_faces_of_one_file_go_to_their_own_pool(tmp_path):
    arrays = write(tmp_path / "s1w0c0.npz", np.random.default_rng(2))
    pool = filled(tmp_path, sample_pool.read_pictures, 1)
    planes, classes = picture_batch(pool.fit, np.random.default_rng(0), 3)
    assert (planes[1].numpy() == arrays["p0"]).all()
    assert (classes[2].numpy() == arrays["pc0"]).all()


def test_a_full_pool_takes_new_samples_in_place_of_old_ones(tmp_path, monkeypatch):
    one = 7 * ROWS * 40 * CELL + ROWS // CELL * 40
    monkeypatch.setattr(sample_pool, "POOL_BYTES", 3.5 * one)
    pool = SamplePool(tmp_path, sample_pool.read_faces, "cpu")
    for number in range(6):
        write(tmp_path / f"s1w0c{number}.npz", np.random.default_rng(number), (40,))
    end = time.monotonic() + 20
    while len(pool._seen) < 6 and time.monotonic() < end:
        time.sleep(0.05)
    assert len(pool._seen) == 6
    assert len(pool.fit) == 3


def test_scenes_drawn_by_the_fit_itself_are_as_many_as_wanted(monkeypatch):
    monkeypatch.setattr(drawn_store, "_FIRST", 2)
    torch.manual_seed(0)
    planes, classes = drawn_store.DrawnStore(drawn_store.Drawing(False, "cpu"), 2).take()
    assert planes.shape[0] == classes.shape[0] == 2
    assert torch.isfinite(planes).all()
    assert set(classes.unique().tolist()) <= {0, 1, 2, IGNORED}
