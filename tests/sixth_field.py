"""Tools of the sixth maker: noise from splines, swept frames, lattices, slopes."""

from __future__ import annotations

import cv2
import numpy as np

F = np.float32


def pick(rng, low, high):
    """Return a number between two bounds, even on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def smooth(field, sigma):
    """Return a field smoothed by a Gaussian; wide ones on a smaller grid."""
    if sigma < 0.3:
        return field
    if sigma <= 6:
        return cv2.GaussianBlur(field, (0, 0), sigma)
    rows, cols = field.shape
    step = min(int(sigma / 3) + 1, rows, cols)
    small = cv2.resize(
        field, (max(2, cols // step), max(2, rows // step)), interpolation=cv2.INTER_AREA
    )
    small = cv2.GaussianBlur(small, (0, 0), sigma / step)
    return cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR)


def noise(rng, shape, cell_rows, cell_cols=None):
    """Return spline noise of unit spread; a knot every so many rows and columns."""
    cell_cols = cell_cols or cell_rows
    rows, cols = shape
    knots = (int(rows / cell_rows) + 4, int(cols / cell_cols) + 4)
    grid = rng.standard_normal(knots).astype(F)
    turn = F([
        [1 / cell_cols, 0, 1 + rng.uniform()],
        [0, 1 / cell_rows, 1 + rng.uniform()],
    ])  # fmt: skip
    field = cv2.warpAffine(
        grid, turn, (cols, rows), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )  # fmt: skip
    return field * F(1.35)


def rough(rng, shape, cell, octaves=4, gain=0.55):
    """Return a sum of noises, each at half the cell of the one before."""
    total, weight = np.zeros(shape, F), 1.0
    for _ in range(octaves):
        if cell < 1.6:
            break
        total += F(weight) * noise(rng, shape, cell)
        cell, weight = cell / 2, weight * gain
    return total


def curve(rng, count, cell):
    """Return a smooth random curve of unit spread."""
    return noise(rng, (1, count), 1, max(2.0, cell))[0]


def sample(table, x, y):
    """Return a table read at places, mirrored beyond its rim."""
    return cv2.remap(table, x.astype(F), y.astype(F), cv2.INTER_LINEAR, None, cv2.BORDER_REFLECT)


def grid(shape):
    """Return the columns and rows of a grid as two planes."""
    return np.meshgrid(np.arange(shape[1], dtype=F), np.arange(shape[0], dtype=F))


def shifted(field, by_x, by_y):
    """Return a field bent by two planes of displacements."""
    x, y = grid(field.shape)
    return sample(field, x + by_x, y + by_y)


def slopes(height):
    """Return the slopes along columns and rows."""
    height = height.astype(F, copy=False)
    kernel = F([[-0.5, 0, 0.5]])
    gx = cv2.filter2D(height, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return gx, cv2.filter2D(height, -1, kernel.T, borderType=cv2.BORDER_REPLICATE)


def steep(height, slope):
    """Return a height field with its typical slope set to a wanted one."""
    gx, gy = slopes(height)
    size = np.minimum(np.hypot(gx, gy), np.quantile(np.hypot(gx, gy)[::7, ::7], 0.98))
    return height * F(slope / max(1e-6, float(np.sqrt((size**2).mean()))))


def heading(rng, shape, angle, bend=0.0):
    """Return the planes (along, across) of a path with a direction, in pixels from zero.

    ``bend`` is the reach of the grid over the radius of the path, 0 for a straight one.
    """
    x, y = grid(shape)
    cos, sin = F(np.cos(angle)), F(np.sin(angle))
    x -= F(shape[1] / 2)
    y -= F(shape[0] / 2)
    along, across = x * cos + y * sin, y * cos - x * sin
    if abs(bend) > 1e-3:
        radius = F(max(shape) / bend)
        from_centre = np.hypot(along, radius - across)
        turn = np.arctan2(along, (radius - across) * np.sign(radius))
        along, across = turn * abs(radius), radius - np.sign(radius) * from_centre
    return along - along.min(), across - across.min()


def lattice(rng, shape, step_x, step_y, *, jitter=0.1, stagger=0.5, lean=0.0, sway=0.0):
    """Yield for the nine nearest nodes of a lattice the offsets from it and its numbers.

    Each turn gives (dx, dy, draw): ``draw(function)`` calls a random function with the shape of
    the table of nodes and returns its value at the node of each pixel, the same in every turn
    for the same key.
    """
    x, y = grid(shape)
    x, y = x + F(lean) * y, y - F(lean) * x
    if sway:
        y = y + F(sway) * curve(rng, shape[1], 150)[None, :]
    x, y = x - x.min(), y - y.min()
    rows, cols = int(y.max() / step_y) + 5, int(x.max() / step_x) + 6
    row_shift = (np.arange(rows) % 2 * stagger + rng.normal(0, jitter, rows)).astype(F)
    move_x = (rng.normal(0, jitter, (rows, cols)) * step_x).astype(F)
    move_y = (rng.normal(0, jitter, (rows, cols)) * step_y).astype(F)
    tables = {}
    j0 = np.floor(y / F(step_y)).astype(np.int32)
    for dj in (-1, 0, 1):
        j = j0 + dj + 1
        start = row_shift[j]
        i0 = np.floor(x / F(step_x) - start).astype(np.int32)
        for di in (-1, 0, 1):
            i = np.clip(i0 + di + 3, 0, cols - 1)
            dx = x - ((i0 + di).astype(F) + F(0.5) + start) * F(step_x) - move_x[j, i]
            dy = y - ((j0 + dj).astype(F) + F(0.5)) * F(step_y) - move_y[j, i]

            def draw(key, function, j=j, i=i):
                if key not in tables:
                    tables[key] = function((rows, cols)).astype(F)
                return tables[key][j, i]

            yield dx, dy, draw


def cells(rng, shape, cell, stretch=1.0, unrest=0.4):
    """Return offsets to the nearest of scattered seeds, in cells, and the seed's number."""
    rows, cols = shape[0], max(8, int(shape[1] / stretch))
    mask = np.full((rows, cols), 255, np.uint8)
    count = max(6, int(rows * cols / cell**2))
    mask[rng.integers(0, rows, count), rng.integers(0, cols, count)] = 0
    _, number = cv2.distanceTransformWithLabels(
        mask, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    seed_y, seed_x = np.nonzero(mask == 0)
    place = np.zeros((number.max() + 1, 2), F)
    place[number[seed_y, seed_x]] = np.stack([seed_x, seed_y], 1)
    x, y = grid(shape)
    x = x / F(stretch) + F(unrest * cell * 0.5) * noise(rng, shape, cell)
    y = y + F(unrest * cell * 0.5) * noise(rng, shape, cell)
    at = number[
        np.clip(y, 0, rows - 1).astype(np.int32), np.clip(x, 0, cols - 1).astype(np.int32)
    ]
    return (x - place[at, 0]) / F(cell), (y - place[at, 1]) / F(cell), at
