"""A small seeded run of the fuzzer over the readers; ``fuzz_readers.py`` runs thousands."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import tifffile

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
    images, errors = [], []
    for data in fuzz_readers.mutants(100, seed, tmp_path):
        path = tmp_path / "mutant.tif"
        path.write_bytes(data)
        try:
            images += read_images(path)
        except ImageError as error:
            errors.append(error)
    assert all(error.file == "mutant.tif" for error in errors)
    assert not any(str(tmp_path) in str(error) for error in errors)
    for image in images:
        assert image.pixels.size < 1_000_000
        assert np.isfinite(image.pixels).all()
        assert image.pixels.min() >= 0
        assert image.pixels.max() <= 1
    # both must happen, or the mutations are too weak or too strong to say anything
    assert len(images) > 10
    assert len(errors) > 10


def test_lengths_of_strips_must_match_the_strips(tmp_path: Path) -> None:
    """A find of the fuzzer: a list of absurd lengths made the decoder ask for gigabytes."""
    tifffile.imwrite(tmp_path / "a.tif", np.full((48, 64), 9, np.uint8), compression="zlib",
                     metadata=None)
    data = bytearray((tmp_path / "a.tif").read_bytes())
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        at = tiff.pages[0].tags[279].offset
    data[at + 4 : at + 12] = (3).to_bytes(4, "little") + (8).to_bytes(4, "little")
    (tmp_path / "a.tif").write_bytes(bytes(data))
    with pytest.raises(ImageError, match="lengths"):
        read_images(tmp_path / "a.tif")
