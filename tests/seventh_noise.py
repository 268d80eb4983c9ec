"""Random fields and curves from which the relief of a drawn face is built."""

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree


def unit(field):
    """Mean nought, standard deviation one."""
    field = np.asarray(field, np.float32)
    return (field - field.mean()) / max(float(field.std()), 1e-6)


def smooth(rng, shape, down, along=None):
    """Gaussian noise correlated over `down` rows and `along` columns, of unit deviation."""
    along = down if along is None else along
    step = [max(1, int(scale / 2.5)) for scale in (down, along)]
    coarse = [max(3, -(-size // by) + 4) for size, by in zip(shape, step, strict=True)]
    field = rng.standard_normal(coarse, dtype=np.float32)
    sigma = [max(scale / by, 0.05) for scale, by in zip((down, along), step, strict=True)]
    field = cv2.GaussianBlur(field, (0, 0), sigmaX=sigma[1], sigmaY=sigma[0])
    if step != [1, 1]:
        size = (coarse[1] * step[1], coarse[0] * step[0])
        field = cv2.resize(field, size, interpolation=cv2.INTER_CUBIC)
    row, col = ((have - size) // 2 for have, size in zip(field.shape, shape, strict=True))
    return unit(field[row:row + shape[0], col:col + shape[1]])


def fractal(rng, shape, scale, octaves=4, gain=0.55):
    """Sum of ever finer noise, each octave `gain` times as high as the one before."""
    field = np.zeros(shape, np.float32)
    for octave in range(octaves):
        field += gain ** octave * smooth(rng, shape, max(scale / 2.0 ** octave, 0.4))
    return unit(field)


def streaks(rng, shape, length, width, angle_deg):
    """Noise drawn out over `length` along a direction `angle_deg` from the columns' axis."""
    side = int(np.hypot(*shape)) + 4
    field = smooth(rng, (side, side), width, length)
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), angle_deg, 1.0)
    field = cv2.warpAffine(field, turn, (side, side), flags=cv2.INTER_LINEAR,
                           borderMode=cv2.BORDER_REFLECT)
    row, col = (side - shape[0]) // 2, (side - shape[1]) // 2
    return unit(field[row:row + shape[0], col:col + shape[1]])


def cells(rng, shape, spacing, stretch=1.0):
    """Distances to the nearest and second-nearest of scattered points, in spacings."""
    by = int(np.clip(spacing / 6, 1, 4))
    low = (shape[0] // by + 2, shape[1] // by + 2)
    count = max(6, int(shape[0] * shape[1] / (spacing ** 2 * stretch)))
    points = rng.uniform(-0.05, 1.05, (count, 2)) * np.array(low) * by
    rows, cols = np.mgrid[:low[0], :low[1]].astype(np.float32) * by
    scale = np.array([1.0, 1.0 / stretch])
    grid = np.column_stack([rows.ravel(), cols.ravel()]) * scale
    found, _ = cKDTree(points * scale).query(grid, k=2)
    near = (found / spacing).astype(np.float32).reshape(*low, 2)
    near = cv2.resize(near, (low[1] * by, low[0] * by), interpolation=cv2.INTER_LINEAR)
    return near[:shape[0], :shape[1], 0], near[:shape[0], :shape[1], 1]


def bend(rng, field, reach, scale):
    """Push a field about by a smooth displacement of `reach` px."""
    rows, cols = np.mgrid[:field.shape[0], :field.shape[1]].astype(np.float32)
    field, reach = field.astype(np.float32), float(reach)
    return cv2.remap(field, cols + reach * smooth(rng, field.shape, scale),
                     rows + reach * smooth(rng, field.shape, scale),
                     cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def curve(rng, count, scale):
    """One-dimensional smooth noise of unit deviation."""
    pad = int(3 * scale) + 2
    line = gaussian_filter1d(rng.standard_normal(count + 2 * pad), scale)
    return line[pad:pad + count] / (np.sqrt(1 / (2 * np.sqrt(np.pi) * scale)))


def rough_curve(rng, count, scale, octaves=4, gain=0.5):
    """Wandering line: smooth noise with finer noise upon it."""
    line = np.zeros(count)
    for octave in range(octaves):
        line += gain ** octave * curve(rng, count, max(scale / 3.0 ** octave, 0.8))
    return line


def bumps(rng, shape, count, radii, profile):
    """Stamp round features of random size; `profile` maps distance/radius to height."""
    field = np.zeros(shape, np.float32)
    for _ in range(count):
        radius = float(np.exp(rng.uniform(*np.log(radii))))
        squeeze = rng.uniform(0.75, 1.3)
        row, col = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        reach = 1.8 * radius * max(squeeze, 1 / squeeze)
        top, left = max(int(row - reach), 0), max(int(col - reach), 0)
        bottom, right = int(row + reach) + 1, int(col + reach) + 1
        patch = field[top:bottom, left:right]
        if patch.size:
            y = (np.arange(top, top + patch.shape[0]) - row)[:, None] * squeeze
            x = (np.arange(left, left + patch.shape[1]) - col)[None] / squeeze
            patch += radius * profile(np.sqrt(x * x + y * y) / radius).astype(np.float32)
    return field
