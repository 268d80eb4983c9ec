"""The mean of the weights of several fits of one network, as exported files.

Run as ``python -m edgeqc.training.mean_weights A.onnx B.onnx --out C.onnx``. Fits that went on from
the same start lie in one basin: their mean gives more than each of them (Int. Conf. Mach. Learn.
2022, PMLR 162:23965), and the mean with the start itself keeps what the start knew of looks that
the fits saw little of (IEEE CVPR 2022:7959).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import onnx
from onnx import numpy_helper

from edgeqc.errors import ModelError


def _weights(model: onnx.ModelProto) -> list[onnx.TensorProto]:
    """Return the weights and offsets of the convolutions, in the order of the graph."""
    stored = {each.name: each for each in model.graph.initializer}
    return [
        stored[name]
        for node in model.graph.node
        if node.op_type == "Conv"
        for name in node.input[1:]
    ]


def mean_weights(paths: list[Path]) -> bytes:
    """Return an ONNX file whose convolutions have the mean weights of those of several files.

    Parameters
    ----------
    paths : list of Path
        Exported networks of the same shape, their normalisations part of the convolutions.

    Returns
    -------
    bytes
        The last file with the mean weights.

    Raises
    ------
    ModelError
        Where the files do not hold networks of one shape.
    """
    models = [onnx.load(str(path)) for path in paths]
    kept = [_weights(model) for model in models]
    shapes = [[tuple(each.dims) for each in weights] for weights in kept]
    for path, shape in zip(paths, shapes, strict=True):
        if shape != shapes[0]:
            raise ModelError(
                f"its convolutions are not those of {paths[0].name}",
                file=path.name,
                rule="A mean is of networks of one shape.",
                remedy="Name fits of the same network.",
            )
    for same in zip(*kept, strict=True):
        planes = [numpy_helper.to_array(each) for each in same]
        mean = np.mean(np.stack(planes), axis=0, dtype=np.float64).astype(planes[0].dtype)
        same[-1].CopyFrom(numpy_helper.from_array(mean, same[-1].name))
    return bytes(models[-1].SerializeToString())


def main() -> None:
    """Write the mean."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("networks", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    given.out.write_bytes(mean_weights(given.networks))


if __name__ == "__main__":
    main()
