"""Straight rectangular faces with known texture, for tests of the measures."""

from __future__ import annotations

import numpy as np

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.zoning.zones import LASER, ZoneMap


def plain_face(
    rows: int, cols: int, *, margin: int = 20, length_to: str = "right"
) -> CutFace:
    """Return a rectangular face; its length runs to the right, or downwards ("down")."""
    if length_to == "right":  # anterior on top
        s = np.arange(margin, cols - margin, 2.0)
        anterior = np.stack([np.full_like(s, margin), s], axis=1)
        posterior = np.stack([np.full_like(s, rows - margin), s], axis=1)
    else:  # downwards: anterior at the right
        s = np.arange(margin, rows - margin, 2.0)
        anterior = np.stack([s, np.full_like(s, cols - margin)], axis=1)
        posterior = np.stack([s, np.full_like(s, margin)], axis=1)
    outline = np.concatenate([anterior, posterior[::-1]])
    return CutFace(1, outline, anterior, posterior, s - s[0], np.ones(s.size, bool),
                   "top" if length_to == "right" else "right", "sheet", 0.5)


def plain_image(pixels: np.ndarray, *, pixel_um: float | None = 0.5, tilt_deg: float = 0.0,
                noise_sd: float = 0.02, u_rel: float = 0.01) -> CalibratedImage:
    """Return a calibrated picture of an array."""
    size = None if pixel_um is None else (pixel_um, pixel_um)
    return CalibratedImage(np.asarray(pixels, np.float32), np.ones(pixels.shape, bool), size,
                           u_rel, "sheet", tilt_deg, 0.5, noise_sd, ImageSource("drawn.tif"))


def one_zone(label: int = LASER, n_t: int = 40, n_s: int = 60) -> ZoneMap:
    """Return a zone map of one zone."""
    probability = np.zeros((4, n_t, n_s), np.float32)
    probability[label - 1] = 1
    labels = np.full((n_t, n_s), label, np.uint8)
    return ZoneMap(labels, probability, np.ones(n_s), np.ones((4, n_s), np.float32), np.ones(n_s),
                   "test", 1.0, 9.0)


def lattice_picture(
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    spot_px: float,
    line_px: float,
    angle_deg: float = 0.0,
    jitter: float = 0.05,
    stagger: float = 0.0,
    squeeze: float = 1.0,
    noise: float = 0.05,
) -> np.ndarray:
    """Return a picture of dark cavities on a lattice, drawn one by one, over noise.

    ``angle_deg`` is the direction of the lines from the column axis towards growing rows;
    ``jitter`` the displacement of the cavities in units of the separations; ``squeeze`` the
    factor by which a tilted face is seen shorter along the rows.
    """
    rows, cols = shape
    reach = int(2 * max(rows / squeeze, cols) / min(spot_px, line_px))
    i, j = np.mgrid[-reach:reach, -reach:reach].astype(float)
    along = (j + stagger * (i % 2) + jitter * rng.standard_normal(j.shape)) * spot_px
    across = (i + jitter * rng.standard_normal(i.shape)) * line_px
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    col = cols / 2 + c * along - s * across
    row = (rows / 2 / squeeze + s * along + c * across) * squeeze
    keep = (row > -9) & (row < rows + 9) & (col > -9) & (col < cols + 9)
    row, col = row[keep], col[keep]
    picture = np.zeros((rows + 40, cols + 40))
    radius = 0.28 * min(spot_px, line_px)
    size = int(np.ceil(3 * radius)) + 1
    d_row, d_col = np.mgrid[-size : size + 1, -size : size + 1]
    for y, x in zip(row, col, strict=True):
        top, left = int(np.floor(y)), int(np.floor(x))
        bowl = np.exp(-(((d_row - (y - top)) / squeeze) ** 2 + (d_col - (x - left)) ** 2)
                      / (2 * radius**2))
        part = (slice(top + 20 - size, top + 21 + size), slice(left + 20 - size, left + 21 + size))
        if part[0].start >= 0 and part[1].start >= 0:
            target = picture[part]
            target -= bowl[: target.shape[0], : target.shape[1]]
    picture = 0.6 + 0.2 * picture[20:-20, 20:-20]
    return picture + noise * rng.standard_normal(shape)
