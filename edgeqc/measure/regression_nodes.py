"""Nodes of a local regression along one direction, and interpolation between them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

RealArray = NDArray[np.floating[Any]]
"""Heights in double or single precision."""

WINDOW_NODES = 32
"""Nodes whose sums come out of one matrix product."""

REACH_SIGMA = 5.335
"""Where the weights are cut off, in standard deviations; what is left out is below 1e-6."""

INTERPOLATION_POINTS = 8
"""Nodes of the polynomial that gives the surface between nodes. With three nodes a standard
deviation it changes the transmission at the nesting index by less than 2e-5 (midway between
nodes 1.07e-3 (2 pi step/wavelength)^8)."""

NODE_PER_HEIGHT_BELOW = 1.15
"""Node distance, in samples, below which every height has its own node: nearly as many nodes, and
no interpolation."""


@dataclass(frozen=True)
class Window:
    """A dense piece of a banded matrix: entries ``first:last`` from entries ``start:stop``."""

    first: int
    last: int
    start: int
    stop: int
    matrix: RealArray


@dataclass(frozen=True)
class NodeAxis:
    """Nodes along one direction.

    Parameters
    ----------
    samples, nodes : int
        Number of heights and of nodes.
    moments : tuple of windows
        Matrices (powers, nodes, samples) of weight times lever to every power.
    spread : tuple of windows
        Matrices (samples, nodes) of the interpolation; empty where every height has a node.
    """

    samples: int
    nodes: int
    moments: tuple[Window, ...]
    spread: tuple[Window, ...]


def node_axis(
    samples: int,
    sigma: float,
    order: int,
    nodes_per_sigma: float,
    *,
    single: bool = False,
    window_nodes: int = WINDOW_NODES,
) -> NodeAxis:
    """Return the nodes along one direction of a surface, or of profiles.

    Parameters
    ----------
    samples : int
        Number of heights.
    sigma : float
        Standard deviation of the weights in samples.
    order, nodes_per_sigma, single
        As in ``node_grid``.
    window_nodes : int
        Nodes of a window.

    References
    ----------
    ISO/TS 16610-31:2010 (regression form of a filter); the nodes are ours.
    """
    precision = np.float32 if single else np.float64
    step = sigma / nodes_per_sigma
    # spread evenly from end to end, so that a mirrored surface has mirrored nodes
    nodes = max(math.ceil((samples - 1) / step) + 1, INTERPOLATION_POINTS)
    if step < NODE_PER_HEIGHT_BELOW or nodes >= samples:
        nodes = samples
    place = np.linspace(0.0, samples - 1.0, nodes)
    windows = []
    for first in range(0, nodes, window_nodes):
        last = min(first + window_nodes, nodes)
        start = max(0, math.ceil(place[first] - REACH_SIGMA * sigma))
        stop = min(samples, math.floor(place[last - 1] + REACH_SIGMA * sigma) + 1)
        lever = (np.arange(start, stop)[None, :] - place[first:last, None]) / sigma
        weight = np.exp(-0.5 * lever**2) / (math.sqrt(2.0 * math.pi) * sigma)
        weight[np.abs(lever) > REACH_SIGMA] = 0.0  # however the nodes fall into windows
        matrix = np.stack([weight * lever**power for power in range(2 * order + 1)])
        windows.append(Window(first, last, start, stop, matrix.astype(precision)))
    spread = () if nodes == samples else interpolation(samples, nodes, precision)
    return NodeAxis(samples, nodes, tuple(windows), spread)


def interpolation(
    places: int, nodes: int, precision: type[np.floating[Any]] = np.float64
) -> tuple[Window, ...]:
    """Return polynomials through the nearest nodes, as windows of a banded matrix.

    Places and nodes both lie evenly from end to end.

    References
    ----------
    Polynomial interpolation on equidistant nodes; common practice, no source.
    """
    points = min(INTERPOLATION_POINTS, nodes)
    at = np.arange(places) * ((nodes - 1.0) / (places - 1.0))
    first = np.clip(np.floor(at).astype(np.int64) - (points // 2 - 1), 0, nodes - points)
    share = np.ones((places, points))
    for j in range(points):
        for k in range(points):
            if k != j:
                share[:, j] *= (at - first - k) / (j - k)
    windows = []
    length = max(WINDOW_NODES, WINDOW_NODES * places // nodes)
    for begin in range(0, places, length):
        end = min(begin + length, places)
        start, stop = int(first[begin]), int(first[end - 1]) + points
        matrix = np.zeros((end - begin, stop - start))
        for j in range(points):
            matrix[np.arange(end - begin), first[begin:end] - start + j] = share[begin:end, j]
        windows.append(Window(begin, end, start, stop, matrix.astype(precision)))
    return tuple(windows)


def interpolated(
    value: RealArray, by_row: tuple[Window, ...], by_column: tuple[Window, ...]
) -> RealArray:
    """Return node values interpolated along rows, columns or both.

    References
    ----------
    Polynomial interpolation on equidistant nodes; common practice, no source.
    """
    if by_row:
        rows = np.empty((by_row[-1].last, value.shape[1]), value.dtype)
        for window in by_row:
            piece = rows[window.first : window.last]
            np.matmul(window.matrix, value[window.start : window.stop], out=piece)
        value = rows
    if by_column:
        surface = np.empty((value.shape[0], by_column[-1].last), value.dtype)
        for window in by_column:
            piece = value[:, window.start : window.stop] @ window.matrix.T
            surface[:, window.first : window.last] = piece
        value = surface
    return value
