"""The encoder-decoder network behind the face map and the zone map."""

from __future__ import annotations

import io
from typing import Any

import torch
from torch import Tensor, nn


class Block(nn.Module):
    """Two 3 × 3 convolutions with a shortcut."""

    def __init__(self, channels_in: int, channels: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(channels_in, channels, 3, padding=1, bias=False)
        self.first_norm = nn.BatchNorm2d(channels)
        self.second = nn.Conv2d(channels, channels, 3, padding=1, bias=False)
        self.second_norm = nn.BatchNorm2d(channels)
        self.shortcut: nn.Module = (
            nn.Identity() if channels_in == channels else nn.Conv2d(channels_in, channels, 1)
        )

    def forward(self, plane: Tensor) -> Tensor:
        """Return the block's plane (batch, channels, rows, cols)."""
        inner = torch.relu(self.first_norm(self.first(plane)))
        inner = self.second_norm(self.second(inner))
        return torch.relu(inner + self.shortcut(plane))


class PlaneNetwork(nn.Module):
    """Logits of every class on a grid coarser than the input planes.

    Parameters
    ----------
    n_planes : int
        Input planes.
    n_classes : int
        Output classes.
    widths : tuple of int
        Channels from the output grid down to the coarsest grid.
    stem : int
        Channels after the first strided convolution.
    strides : int
        Halvings between the input and the output grid, 1 or 2.

    Notes
    -----
    Strided convolutions down to the output grid, then an encoder-decoder with shortcuts
    (Med. Image Comput. Comput.-Assist. Interv. 2015, LNCS 9351:234) and residual blocks
    (IEEE CVPR 2016:770). Only operations that plain inference engines know.
    """

    def __init__(
        self, n_planes: int, n_classes: int, widths: tuple[int, ...], stem: int, strides: int
    ) -> None:
        super().__init__()
        steps: list[nn.Module] = []
        channels = n_planes
        for level in range(strides):
            out = stem if level < strides - 1 else widths[0]
            size = 5 if level == 0 else 3
            steps += [
                nn.Conv2d(channels, out, size, stride=2, padding=size // 2, bias=False),
                nn.BatchNorm2d(out),
                nn.ReLU(),
            ]
            channels = out
        self.stem = nn.Sequential(*steps)
        self.down = nn.ModuleList(
            Block(widths[max(level - 1, 0)], width) for level, width in enumerate(widths)
        )
        self.pool = nn.MaxPool2d(2)
        self.up = nn.ModuleList(
            Block(widths[level + 1] + widths[level], widths[level])
            for level in range(len(widths) - 1)
        )
        self.enlarge = nn.Upsample(scale_factor=2, mode="nearest")
        self.head = nn.Conv2d(widths[0], n_classes, 1)

    def forward(self, planes: Tensor) -> Tensor:
        """Return logits (batch, n_classes, rows / 2**strides, cols / 2**strides)."""
        logits: Tensor = self.head(self.features(planes))
        return logits

    def features(self, planes: Tensor) -> Tensor:
        """Return the features (batch, widths[0], rows, cols of the output grid) before the head."""
        plane = self.stem(planes)
        kept: list[Tensor] = []
        for level, block in enumerate(self.down):
            if level:
                plane = self.pool(plane)
            plane = block(plane)
            kept.append(plane)
        for level in range(len(self.up) - 1, -1, -1):
            plane = self.up[level](torch.cat([self.enlarge(plane), kept[level]], dim=1))
        return plane


class _Exported(nn.Module):
    """The network with its features as a second output, for models that a laboratory teaches."""

    def __init__(self, network: PlaneNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, planes: Tensor) -> tuple[Tensor, Tensor]:
        features = self.network.features(planes)
        return self.network.head(features), features


def export_onnx(network: PlaneNetwork, shape: tuple[int, int, int]) -> bytes:
    """Return the network as an ONNX file for inputs of one fixed shape (planes, rows, cols)."""
    exported = _Exported(network).eval().cpu().float()
    stream: Any = io.BytesIO()
    torch.onnx.export(
        exported,
        (torch.zeros(1, *shape),),
        stream,
        input_names=["planes"],
        output_names=["logits", "features"],
        opset_version=17,
        dynamo=False,
    )
    return bytes(stream.getvalue())
