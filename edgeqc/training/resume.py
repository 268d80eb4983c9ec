"""Going on with a fit: from stored weights, or from a shipped ONNX file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from edgeqc.errors import ModelError
from edgeqc.training.growth import grow, stored_widths, widths_of
from edgeqc.training.network import PlaneNetwork


def resumed(network: PlaneNetwork, path: Path, planes: Tensor) -> None:
    """Set a network's weights to stored ones, in place.

    Parameters
    ----------
    network : PlaneNetwork
        Of the same shape as the stored one, or of one with more channels or levels
        (``edgeqc.training.growth``).
    path : Path
        Weights as ``torch.save`` wrote them, or an exported ``.onnx``, whose normalisations are
        part of its convolutions. Outputs that the file does not know start anew.
    planes : (b, n_planes, rows, cols) tensor
        A batch of samples. For an ``.onnx`` the normalisations are set to what the convolutions
        give on it, so that the network gives the same as the file and goes on learning from there.

    Raises
    ------
    ModelError
        Where the file does not hold a network of this shape or of a smaller one.
    """
    if path.suffix != ".onnx":
        network.load_state_dict(torch.load(path, map_location="cpu"))
        return
    model = onnx.load(str(path))
    stored = {each.name: numpy_helper.to_array(each) for each in model.graph.initializer}
    convolutions = [node for node in model.graph.node if node.op_type == "Conv"]
    order = _in_order(network, planes[:1])
    shapes = [tuple(stored[node.input[1]].shape) for node in convolutions]
    small = _smaller(network, shapes)
    if small is not None:
        resumed(small, path, planes)
        grow(small, network)
        return
    if not _goes_on([tuple(conv.weight.shape) for conv, _ in order], shapes):
        raise ModelError(
            "its convolutions are not those of this network", file=path.name,
            remedy="Go on from a file of the same model.",
        )  # fmt: skip
    for (conv, norm), node in zip(order, convolutions, strict=True):
        weight, bias = _tensor(stored[node.input[1]]), _tensor(stored[node.input[2]])
        if weight.shape[0] < conv.weight.shape[0]:
            weight, bias = _widened(weight, bias, conv.weight.shape[0])
        conv.weight.data = weight
        if norm is None:
            assert conv.bias is not None
            conv.bias.data = bias
        else:
            _as_shift(norm, bias)
    _standardise(network, planes)


def _smaller(network: PlaneNetwork, shapes: list[tuple[int, ...]]) -> PlaneNetwork | None:
    """Return a fresh network of the file's widths, where those are not the network's own."""
    first = network.stem[0]
    assert isinstance(first, nn.Conv2d)
    strides = sum(isinstance(step, nn.Conv2d) for step in network.stem)
    widths = stored_widths(shapes, strides)
    if widths == widths_of(network):
        return None
    if first.in_channels != shapes[0][1] or network.head.out_channels != shapes[-1][0]:
        return None  # another model
    return PlaneNetwork(first.in_channels, shapes[-1][0], widths, first.out_channels, strides)


def _goes_on(mine: list[tuple[int, ...]], stored: list[tuple[int, ...]]) -> bool:
    """Return whether stored shapes fit; the last step may have learned fewer things."""
    return (
        stored[:-1] == mine[:-1] and stored[-1][1:] == mine[-1][1:] and stored[-1][0] <= mine[-1][0]
    )


_RARE = -4.0  # logit that a new output starts with


def _widened(weight: Tensor, bias: Tensor, outputs: int) -> tuple[Tensor, Tensor]:
    """Return the last step with outputs that have learned nothing yet."""
    new = outputs - weight.shape[0]
    return (
        torch.cat([weight, torch.zeros(new, *weight.shape[1:])]),
        torch.cat([bias, torch.full((new,), _RARE)]),
    )


def _tensor(values: np.ndarray) -> Tensor:
    return torch.from_numpy(np.array(values, np.float32))


def _in_order(
    network: PlaneNetwork, planes: Tensor
) -> list[tuple[nn.Conv2d, nn.BatchNorm2d | None]]:
    """Return the convolutions in the order of their work, each with its normalisation."""
    found: list[tuple[nn.Conv2d, nn.BatchNorm2d | None]] = []

    def note(module: nn.Module, _inputs: object, _output: object) -> None:
        if isinstance(module, nn.Conv2d):
            found.append((module, None))
        elif isinstance(module, nn.BatchNorm2d):
            found[-1] = (found[-1][0], module)

    hooks = [module.register_forward_hook(note) for module in network.modules()]
    network.eval()
    with torch.no_grad():
        network(planes)
    for hook in hooks:
        hook.remove()
    return found


def _as_shift(norm: nn.BatchNorm2d, bias: Tensor) -> None:
    """Make a normalisation add a bias and do nothing else."""
    assert norm.running_mean is not None
    assert norm.running_var is not None
    norm.running_mean.zero_()
    norm.running_var.fill_(1 - norm.eps)
    norm.weight.data.fill_(1.0)
    norm.bias.data.copy_(bias)


def _standardise(network: PlaneNetwork, planes: Tensor) -> None:
    """Set each normalisation's mean and variance to its input's, the output left as it is."""

    def settle(module: nn.Module, inputs: tuple[Tensor, ...]) -> None:
        assert isinstance(module, nn.BatchNorm2d)
        mean = inputs[0].mean(dim=(0, 2, 3))
        variance = inputs[0].var(dim=(0, 2, 3), unbiased=False)
        scale = torch.sqrt(variance + module.eps)
        module.bias.data += mean
        module.weight.data = scale
        module.running_mean, module.running_var = mean, variance

    norms = [module for module in network.modules() if isinstance(module, nn.BatchNorm2d)]
    hooks = [norm.register_forward_pre_hook(settle) for norm in norms]
    network.eval()
    with torch.no_grad():
        network(planes)
    for hook in hooks:
        hook.remove()
