"""The best paths through evidence along several edges, sought side by side."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Path = NDArray[np.intp]
Question = tuple[NDArray[np.float32], float]
"""Evidence (n, width) for each position at each station, and the cost of a step of one position,
which grows with its square."""

T = TypeVar("T")
Search = Generator[Question, Path, T]
"""A search that asks for best paths on its way."""

SLOPE = 3
"""Samples by which a path may move between neighbouring stations."""


def together(searches: Sequence[Search[T]]) -> list[T]:
    """Return what each of several searches finds; paths asked for at once are found at once."""
    found: dict[int, T] = {}
    waiting: dict[int, Path | None] = dict.fromkeys(range(len(searches)))
    while waiting:
        asked: dict[int, Question] = {}
        for number, path in waiting.items():
            try:
                search = searches[number]
                asked[number] = next(search) if path is None else search.send(path)
            except StopIteration as ended:
                found[number] = ended.value
        waiting = dict(zip(asked, best_paths(list(asked.values())), strict=True))
    return [found[number] for number in range(len(searches))]


def best_paths(questions: Sequence[Question]) -> list[Path]:
    """Return the paths of greatest evidence less the cost of their steps (exact, Viterbi).

    Notes
    -----
    The steps from station to station are small and many: several paths of one width take hardly
    longer than one.
    """
    found: dict[int, Path] = {}
    for width in {evidence.shape[1] for evidence, _ in questions}:
        alike = [k for k, (evidence, _) in enumerate(questions) if evidence.shape[1] == width]
        alike.sort(key=lambda k: -questions[k][0].shape[0])
        found.update(zip(alike, _of_one_width([questions[k] for k in alike]), strict=True))
    return [found[k] for k in range(len(questions))]


def _of_one_width(questions: Sequence[Question]) -> list[Path]:
    """Return the best paths through evidence of one width, the longest first."""
    lengths = [evidence.shape[0] for evidence, _ in questions]
    width = questions[0][0].shape[1]
    square = np.arange(-SLOPE, SLOPE + 1) ** 2
    cost = np.stack([(stiffness * square).astype(np.float32) for _, stiffness in questions])
    # the best sum that ends at each position, with room for steps beyond either side
    reached = np.full((lengths[0], len(questions), width + 2 * SLOPE), -np.inf, np.float32)
    inner = reached[:, :, SLOPE : SLOPE + width]
    told = np.zeros((lengths[0], len(questions), width), np.float32)
    for k, (evidence, _) in enumerate(questions):
        told[: lengths[k], k] = evidence
    inner[0] = told[0]
    # (stations, paths, steps, positions)
    choices = np.lib.stride_tricks.sliding_window_view(reached, width, axis=2)
    subtract, add, greatest = np.subtract, np.add, np.maximum.reduce
    start = 1
    for stop, running in sorted((length, sum(n >= length for n in lengths))
                                for length in set(lengths)):
        option = np.empty(choices[0, :running].shape, np.float32)
        step_cost = cost[:running, :, None]
        part = slice(start, stop), slice(None, running)
        # in place: this loop runs thousands of times a face
        for before, here, new in zip(choices[start - 1 : stop - 1, :running], inner[part],
                                     told[part], strict=True):
            subtract(before, step_cost, option)
            greatest(option, 1, None, here)
            add(here, new, here)
        start = max(start, stop)
    return [_traced_back(reached[:length, k], cost[k]) for k, length in enumerate(lengths)]


def _traced_back(reached: NDArray[np.float32], cost: NDArray[np.float32]) -> Path:
    """Return the path that led to the best sum at the last station."""
    at, steps = int(reached[-1, SLOPE:-SLOPE].argmax()), cost.size
    backwards = [at]
    option = np.empty_like(cost)
    for before in reached[-2::-1]:
        at += int(np.subtract(before[at : at + steps], cost, option).argmax()) - SLOPE
        backwards.append(at)
    return np.array(backwards[::-1], np.intp)
