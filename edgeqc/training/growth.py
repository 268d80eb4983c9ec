"""A network made wider and deeper, which gives what the narrower one gave and learns on from it.

A fit from the start needs many times what going on needs. So what a larger network adds is laid
beside what a smaller one knows: nothing that was there hears of it at first (Chen, Goodfellow,
Shlens, Net2Net, Int. Conf. Learn. Represent. 2016, arXiv:1511.05641).
"""

from __future__ import annotations

import torch
from torch import Tensor, nn

from edgeqc.errors import ModelError
from edgeqc.training.network import Block, PlaneNetwork

_Shape = tuple[int, ...]


def stored_widths(shapes: list[_Shape], strides: int) -> tuple[int, ...]:
    """Return the channels by level of a network whose convolutions have these shapes, in order.

    Parameters
    ----------
    shapes : list of (outputs, inputs, rows, cols)
        Of all convolutions, in the order of their work.
    strides : int
        Convolutions before the first level.
    """
    firsts = [shape[0] for shape in shapes[strides:] if shape[2:] == (3, 3)][::2]
    return tuple(firsts[: (len(firsts) + 1) // 2])


def widths_of(network: PlaneNetwork) -> tuple[int, ...]:
    """Return the channels by level of a network."""
    return tuple(block.first.out_channels for block in network.down)


def grow(small: PlaneNetwork, large: PlaneNetwork) -> None:
    """Set a larger network's weights so that it gives what a smaller one gives, in place.

    Parameters
    ----------
    small : PlaneNetwork
        Has learned.
    large : PlaneNetwork
        The same planes, classes and stem, as many channels at the output grid, no fewer channels
        at each coarser level, as many levels or more.

    Raises
    ------
    ModelError
        Where the larger network has less of something.
    """
    had, has = widths_of(small), widths_of(large)
    if had[0] != has[0] or len(had) > len(has) or any(
        mine > other for mine, other in zip(had, has, strict=False)
    ):  # fmt: skip
        raise ModelError(
            f"a network of the widths {has} is not one of {had} with more beside it",
            rule="A level may gain channels, except that of the output grid, which keeps its own.",
            remedy="Name widths no smaller than those of the file.",
        )
    large.stem.load_state_dict(small.stem.state_dict())
    large.head.load_state_dict(small.head.state_dict())
    with torch.no_grad():
        for level, block in enumerate(small.down):
            _grow_block(block, large.down[level], list(range(had[max(level - 1, 0)])))
        for level, block in enumerate(small.up):
            deeper = list(range(had[level + 1]))
            beside = [has[level + 1] + channel for channel in range(had[level])]
            _grow_block(block, large.up[level], deeper + beside)
        for level in range(len(small.up), len(large.up)):
            _pass_through(large.up[level], has[level + 1], has[level])


def _laid_in(large: nn.Conv2d, weight: Tensor, inputs: list[int]) -> None:
    """Lay a convolution into a larger one, which keeps its own for further outputs."""
    outputs = weight.shape[0]
    large.weight[:outputs] = 0
    large.weight[:outputs, inputs] = weight


def _laid_beside(small: nn.BatchNorm2d, large: nn.BatchNorm2d) -> None:
    for name, values in small.state_dict().items():
        if values.ndim:
            large.state_dict()[name][: len(values)] = values


def _grow_block(small: nn.Module, large: nn.Module, inputs: list[int]) -> None:
    """Lay a block into a larger one whose inputs of these numbers are those of the smaller."""
    assert isinstance(small, Block)
    assert isinstance(large, Block)
    outputs = small.first.out_channels
    _laid_in(large.first, small.first.weight, inputs)
    _laid_in(large.second, small.second.weight, list(range(outputs)))
    _laid_beside(small.first_norm, large.first_norm)
    _laid_beside(small.second_norm, large.second_norm)
    if not isinstance(large.shortcut, nn.Conv2d):
        if isinstance(small.shortcut, nn.Conv2d):
            raise ModelError(
                "a block whose channels now stay as many has none to lay its shortcut into",
                remedy="Name widths that differ from level to level where they did.",
            )
        return
    weight, bias = torch.eye(outputs)[:, :, None, None], torch.zeros(outputs)
    if isinstance(small.shortcut, nn.Conv2d):
        assert small.shortcut.bias is not None
        weight, bias = small.shortcut.weight, small.shortcut.bias
    assert large.shortcut.bias is not None
    _laid_in(large.shortcut, weight, inputs)
    large.shortcut.bias[:outputs] = bias


def _pass_through(block: nn.Module, deeper: int, channels: int) -> None:
    """Make a block hand on what comes to it from beside, until it learns of what lies deeper."""
    assert isinstance(block, Block)
    assert isinstance(block.shortcut, nn.Conv2d)
    assert block.shortcut.bias is not None
    beside = list(range(deeper, deeper + channels))
    _laid_in(block.shortcut, torch.eye(channels)[:, :, None, None], beside)
    block.shortcut.bias.zero_()
    block.second_norm.weight.zero_()
    block.second_norm.bias.zero_()
