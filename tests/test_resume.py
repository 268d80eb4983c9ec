"""A fit can go on from shipped weights, and photographs give textures that name no zone."""

from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from PIL import Image

from edgeqc.errors import ImageError
from edgeqc.training.photographs import photograph_texture, read_photographs
from edgeqc.training.textures import random_texture


@pytest.fixture
def folder(tmp_path):
    for name in ("camera", "moon"):
        Image.fromarray(getattr(skimage.data, name)()).save(tmp_path / f"{name}.png")
    (tmp_path / "notes.txt").write_text("no picture", "utf-8")
    return tmp_path


def test_photographs_are_standardised(folder):
    found = read_photographs(folder)
    assert len(found) == 2
    for plane in found:
        assert abs(float(plane.mean())) < 1e-4
        assert float(plane.std()) == pytest.approx(1.0, abs=1e-3)


def test_a_texture_fills_any_shape(folder):
    rng = np.random.default_rng(1)
    found = read_photographs(folder)
    planes = [photograph_texture(found, (90, 700), rng) for _ in range(8)]
    assert all(plane.shape == (90, 700) for plane in planes)
    assert all(plane.std() > 0.1 for plane in planes)
    # eight draws of two photographs are eight different textures
    assert all(np.abs(one - other).mean() > 0.05 for one, other in pairwise(planes))


def test_textures_with_and_without_photographs_differ(folder):
    shape, photographs = (64, 64), read_photographs(folder)
    pairs = [
        (random_texture(shape, np.random.default_rng(seed)),
         random_texture(shape, np.random.default_rng(seed), photographs))
        for seed in range(12)
    ]  # fmt: skip
    assert any(not np.array_equal(one, other) for one, other in pairs)
    assert all(abs(float(other.mean())) < 0.2 for _, other in pairs)


def test_a_folder_without_photographs_is_refused(tmp_path):
    (tmp_path / "broken.png").write_bytes(b"\x89PNG\r\n\x1a\nnothing")
    with pytest.raises(ImageError, match="no photograph"):
        read_photographs(tmp_path)


@pytest.mark.parametrize("zones", [True, False])
def test_a_network_resumed_from_its_onnx_gives_the_same(zones):
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    import cv2

    from edgeqc.training.fit import _new_network

    where = files("edgeqc").joinpath(
        *(("zoning", "zone_model.onnx") if zones else ("faces", "face_model.onnx"))
    )
    network, shape = _new_network(zones, Path(str(where)))
    network.eval()
    planes = torch.randn(1, *shape, generator=torch.Generator().manual_seed(3))
    shipped = cv2.dnn.readNetFromONNX(str(where))
    shipped.setInput(planes.numpy())
    with torch.no_grad():
        logits = network(planes).numpy()
    np.testing.assert_allclose(logits, shipped.forward("logits"), atol=2e-4)


def test_a_file_of_another_network_is_refused():
    pytest.importorskip("torch")
    pytest.importorskip("onnx")
    from edgeqc.errors import ModelError
    from edgeqc.training.fit import _new_network

    where = files("edgeqc").joinpath("faces", "face_model.onnx")
    with pytest.raises(ModelError, match="convolutions"):
        _new_network(True, Path(str(where)))


def _network_of(widths):
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    from edgeqc.training.network import PlaneNetwork

    torch.manual_seed(sum(widths))
    network = PlaneNetwork(3, 2, widths, 8, 1).eval()
    for module in network.modules():  # as after a fit, not as at its start
        if isinstance(module, torch.nn.BatchNorm2d):
            module.running_mean.normal_(0, 0.3)
            module.bias.data.normal_(0, 0.3)
            module.weight.data *= 0.7
    return network


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the exporter
@pytest.mark.parametrize("more", [(8, 12, 20), (8, 14, 24, 32), (8, 12, 16, 24, 28)])
def test_a_network_grown_gives_the_same_and_can_learn_from_what_is_new(more, tmp_path):
    torch = pytest.importorskip("torch")
    from edgeqc.training.network import export_onnx
    from edgeqc.training.resume import resumed

    small, large = _network_of((8, 12, 16)), _network_of(more)
    planes = torch.randn(4, 3, 64, 96, generator=torch.Generator().manual_seed(1))
    stored = tmp_path / "small.onnx"
    stored.write_bytes(export_onnx(small, (3, 64, 96)))
    resumed(large, stored, planes)
    with torch.no_grad():
        expected = small.eval()(planes)
        torch.testing.assert_close(large.eval()(planes), expected, atol=1e-4, rtol=1e-3)
    large.train()
    optimiser = torch.optim.AdamW(large.parameters(), lr=1e-3, weight_decay=0)
    before = [each.detach().clone() for each in large.parameters()]
    for _ in range(12):  # what nothing reads yet moves only after what will read it
        optimiser.zero_grad()
        large(planes).square().mean().backward()
        optimiser.step()
    pairs = zip(before, large.parameters(), strict=True)
    assert not [tuple(one.shape) for one, each in pairs if torch.equal(one, each)]


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the exporter
def test_a_network_does_not_shrink(tmp_path):
    torch = pytest.importorskip("torch")
    from edgeqc.errors import ModelError
    from edgeqc.training.network import export_onnx
    from edgeqc.training.resume import resumed

    stored = tmp_path / "large.onnx"
    stored.write_bytes(export_onnx(_network_of((8, 16, 24)), (3, 64, 96)))
    with pytest.raises(ModelError, match="more beside"):
        resumed(_network_of((8, 12, 24)), stored, torch.zeros(1, 3, 64, 96))
