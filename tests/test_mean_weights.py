"""The mean of the weights of several exported networks."""

import numpy as np
import pytest

onnx = pytest.importorskip("onnx", reason="fitting the models needs the extra `train`")

from onnx import TensorProto, helper, numpy_helper  # noqa: E402

from edgeqc.errors import ModelError  # noqa: E402
from edgeqc.training.mean_weights import mean_weights  # noqa: E402


def written(path, weight):
    """Write a network of one convolution."""
    shape = weight.shape
    graph = helper.make_graph(
        [helper.make_node("Conv", ["x", "w", "b"], ["y"], name="conv")],
        "one",
        [helper.make_tensor_value_info("x", TensorProto.FLOAT, [1, shape[1], 8, 8])],
        [helper.make_tensor_value_info("y", TensorProto.FLOAT, None)],
        [
            numpy_helper.from_array(weight, "w"),
            numpy_helper.from_array(weight.sum(axis=(1, 2, 3)), "b"),
        ],
    )
    onnx.save(helper.make_model(graph), str(path))
    return path


def weights_of(data):
    stored = onnx.load_from_string(data).graph.initializer
    return {each.name: numpy_helper.to_array(each) for each in stored}


def test_every_weight_and_offset_is_the_mean(tmp_path):
    rng = np.random.default_rng(1)
    planes = [rng.normal(size=(3, 2, 5, 5)).astype(np.float32) for _ in range(3)]
    paths = [written(tmp_path / f"{n}.onnx", plane) for n, plane in enumerate(planes)]
    found = weights_of(mean_weights(paths))
    np.testing.assert_allclose(found["w"], np.mean(planes, axis=0), rtol=1e-6)
    offsets = [plane.sum(axis=(1, 2, 3)) for plane in planes]
    np.testing.assert_allclose(found["b"], np.mean(offsets, axis=0), rtol=1e-5)


def test_networks_of_other_shapes_have_no_mean(tmp_path):
    one = written(tmp_path / "one.onnx", np.zeros((3, 2, 5, 5), np.float32))
    other = written(tmp_path / "other.onnx", np.zeros((3, 2, 3, 3), np.float32))
    with pytest.raises(ModelError, match=r"other\.onnx.*one\.onnx"):
        mean_weights([one, other])
