"""A small seeded run of the fuzzer over the readers; ``fuzz_readers.py`` runs thousands."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from edgeqc.errors import ImageError
from edgeqc.imaging.calibration import read_images

_SPEC = importlib.util.spec_from_file_location(
    "fuzz_readers", Path(__file__).with_name("fuzz_readers.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
fuzz_readers = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(fuzz_readers)


def test_the_fuzzers_own_files_are_good(tmp_path: Path) -> None:
    for number, data in enumerate(fuzz_readers.seeds(tmp_path)):
        path = tmp_path / f"{number}.tif"
        path.write_bytes(data)
        for image in read_images(path):
            assert image.pixels.shape == (48, 64)


@pytest.mark.parametrize("seed", range(4))
def test_a_damaged_file_is_a_picture_or_an_error(tmp_path: Path, seed: int) -> None:
    read, refused = 0, 0
    for data in fuzz_readers.mutants(100, seed, tmp_path):
        path = tmp_path / "mutant.tif"
        path.write_bytes(data)
        try:
            images = read_images(path)
        except ImageError as error:
            refused += 1
            assert error.file == "mutant.tif"
            assert str(tmp_path) not in str(error)
            continue
        read += 1
        for image in images:
            assert image.pixels.size < 1_000_000
            assert np.isfinite(image.pixels).all()
            assert image.pixels.min() >= 0
            assert image.pixels.max() <= 1
    # both must happen, or the mutations are too weak or too strong to say anything
    assert read > 10
    assert refused > 10
