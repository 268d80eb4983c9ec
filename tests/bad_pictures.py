"""Ten kinds of pictures that no laboratory wants, as they come."""

from __future__ import annotations

import struct
from pathlib import Path

import cv2
import numpy as np
import tifffile


def blank(path, sound, rng):
    tifffile.imwrite(path, np.full((480, 640), 117, np.uint8))


def noise(path, sound, rng):
    tifffile.imwrite(path, rng.integers(0, 256, (480, 640), dtype=np.uint8))


def out_of_focus(path, sound, rng):
    soft = cv2.GaussianBlur(sound.astype(np.float32), (0, 0), 25)
    grain = rng.standard_normal(soft.shape) * 2
    tifffile.imwrite(path, np.clip(soft + grain, 0, 255).astype(np.uint8))


def saturated(path, sound, rng):
    bright = np.clip(sound.astype(float) * 3 + 200, 0, 255)
    tifffile.imwrite(path, bright.astype(np.uint8))


def truncated(path, sound, rng):
    tifffile.imwrite(path, sound, compression="zlib", rowsperstrip=16)
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * rng.uniform(0.2, 0.8))])


def text(path, sound, rng):
    path.write_text("The picture is on the other drive.\n" * 20, encoding="utf-8")


def empty(path, sound, rng):
    path.touch()


def tiny(path, sound, rng):
    tifffile.imwrite(path, sound[:64, :64])


def no_numbers(path, sound, rng):
    tifffile.imwrite(path, np.full((200, 300), np.nan, np.float32))


def absurd(path, sound, rng):
    """A TIFF whose header promises 4 gigapixels and holds nothing."""
    entries = [(256, 4, 65_500), (257, 4, 65_500), (258, 3, 8), (259, 3, 1), (262, 3, 1),
               (273, 4, 200), (277, 3, 1), (278, 4, 65_500), (279, 4, 65_500 * 65_500 % 2**32)]
    raw = b"II*\0" + struct.pack("<IH", 8, len(entries))
    for tag, kind, value in entries:
        raw += struct.pack("<HHII", tag, kind, 1, value)
    path.write_bytes(raw + bytes(400))


KINDS = (blank, noise, out_of_focus, saturated, truncated, text, empty, tiny, no_numbers, absurd)


def write_bad(folder: Path, sound: np.ndarray, count: int = len(KINDS), seed: int = 0) -> list[str]:
    """Write bad pictures of every kind in turn into a folder and return their names."""
    rng = np.random.default_rng(seed)
    names = []
    for number in range(count):
        kind = KINDS[number % len(KINDS)]
        name = f"bad {number:02d} {kind.__name__}.tif"
        kind(folder / name, sound, rng)
        names.append(name)
    return names
