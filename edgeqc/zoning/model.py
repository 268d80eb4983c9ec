"""The naming model: which zone each cell of the unrolled face looks like."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np

from edgeqc.errors import ModelError
from edgeqc.quantity import FloatArray
from edgeqc.zoning.texture import CELL, N_PLANES, ROWS, FacePlanes, FloatImage

MODEL_FILE = "zone_model.onnx"
WINDOW = 1024
"""Plane columns that the network sees at once; a longer face goes through in windows."""
_OVERLAP = 128  # columns seen twice at a joint, so that no cell is named without its surroundings
N_NAMES, N_BORDERS, N_ORIGINS = 4, 2, 1
"""The network's outputs: names of a cell, whether a border lies between it and the next, and
whether its look is of no particular origin."""
TAUGHT_FORMAT = "edgeqc-taught-zones-1"


@dataclass(frozen=True)
class TaughtHead:
    """A laboratory's own last step: a linear map from the network's features to its zones.

    Parameters
    ----------
    weight : (4, n_features) float array
    offset : (4,) float array
        Logits of laser, scissor, torn, obscured are ``weight @ features + offset``.
    name : str
        Identifier, with the hash of the file.
    """

    weight: FloatArray
    offset: FloatArray
    name: str

    def logits(self, features: FloatImage) -> FloatImage:
        """Return the logits (4, rows, cols) from the network's features (n, rows, cols)."""
        flat = self.weight @ features.reshape(features.shape[0], -1) + self.offset[:, None]
        return np.asarray(flat.reshape(4, *features.shape[1:]), np.float32)


@lru_cache(maxsize=1)
def _network() -> tuple[cv2.dnn.Net, str]:
    data = files("edgeqc").joinpath("zoning", MODEL_FILE).read_bytes()
    try:
        network = cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))
    except cv2.error as error:
        raise ModelError(
            "the zone model cannot be read", file=MODEL_FILE, remedy="Reinstall edgeqc."
        ) from error
    return network, f"shipped-{hashlib.sha256(data).hexdigest()[:12]}"


def model_identifier(taught: TaughtHead | None = None) -> str:
    """Return the identifier of the model in use, with the hash of its file."""
    return taught.name if taught is not None else _network()[1]


def read_taught_head(path: Path) -> TaughtHead:
    """Return a laboratory's taught model; reading it runs no code.

    Parameters
    ----------
    path : Path
        JSON file written by ``edgeqc teach``.

    Raises
    ------
    ModelError
        Where the file is not such a model.
    """
    try:
        data = path.read_bytes()
        stored = json.loads(data)
        if stored["format"] != TAUGHT_FORMAT:
            raise ValueError(f"format {stored['format']!r}")
        weight = np.asarray(stored["weight"], float)
        offset = np.asarray(stored["offset"], float)
        if weight.ndim != 2 or weight.shape[0] != 4 or offset.shape != (4,):
            raise ValueError(f"weight has shape {weight.shape}")
        if not (np.isfinite(weight).all() and np.isfinite(offset).all()):
            raise ValueError("a weight is not finite")
        if stored["network"] != _network()[1]:
            raise ValueError(f"it was taught for the network {stored['network']!r}")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(
            f"this is not a taught zone model for this version ({error})",
            file=path.name,
            rule=f"A JSON file of format {TAUGHT_FORMAT!r} taught with this version's network.",
            remedy="Teach it again with `edgeqc teach`.",
        ) from error
    return TaughtHead(weight, offset, f"taught-{hashlib.sha256(data).hexdigest()[:12]}")


def _window_output(planes: FloatImage, features: bool) -> tuple[FloatImage, FloatImage]:
    network = _network()[0]
    network.setInput(planes[None])
    if not features:  # they are ten times as many numbers to bring out
        logits = np.asarray(network.forward("logits"))[0]
        return logits, np.empty((0, *logits.shape[1:]), np.float32)
    both = network.forward(["logits", "features"])
    return np.asarray(both[0])[0], np.asarray(both[1])[0]


def _padded(planes: FloatImage) -> FloatImage:
    """Reflect a short stretch of face to the network's window."""
    width = planes.shape[2]
    if width == WINDOW:
        return planes
    # piece by piece: picking single columns takes a sixth of what the network itself does
    padded = np.empty((*planes.shape[:2], WINDOW), np.float32)
    ways = planes, planes[:, :, ::-1]
    for number, start in enumerate(range(0, WINDOW, width)):
        end = min(start + width, WINDOW)
        padded[:, :, start:end] = ways[number % 2][:, :, : end - start]
    return padded


@dataclass(frozen=True)
class NetworkOutput:
    """What the network says of a face, on the zone grid (ROWS / CELL, n_columns / CELL).

    Parameters
    ----------
    logits : (4, rows, cols) float32 array
        Laser, scissor, torn, obscured.
    borders : (2, rows, cols) float32 array
        Log-odds that a cell and the next one belong to different zones: the next one through the
        thickness, the next one along the face.
    nameless : (1, rows, cols) float32 array
        Log-odds that a cell's look is of no particular origin: that its name cannot be told from
        it, whatever name it resembles.
    features : (n_features, rows, cols) float32 array
        What the last step sees; empty where they were not wanted.
    """

    logits: FloatImage
    borders: FloatImage
    nameless: FloatImage
    features: FloatImage


def network_output(made: FacePlanes, *, features: bool = True) -> NetworkOutput:
    """Return the network's output over the whole face.

    Parameters
    ----------
    made : FacePlanes
        The face's planes.
    features : bool
        Whether the features are wanted; their array is empty where they are not.
    """
    assert made.planes.shape[:2] == (N_PLANES, ROWS)
    n_columns = made.n_columns
    pieces: list[tuple[FloatImage, FloatImage]] = []
    start = 0
    while True:
        end = min(start + WINDOW, n_columns)
        begin = max(0, end - WINDOW)  # the last window is moved back rather than padded
        logits, seen = _window_output(_padded(made.planes[:, :, begin:end]), features)
        first = 0 if start == 0 else (start - begin + _OVERLAP // 2) // CELL
        last = (end - begin) // CELL if end == n_columns else (WINDOW - _OVERLAP // 2) // CELL
        pieces.append((logits[:, :, first:last], seen[:, :, first:last]))
        if end == n_columns:
            break
        start += WINDOW - _OVERLAP
    outputs = np.concatenate([piece[0] for piece in pieces], axis=2)
    return NetworkOutput(
        outputs[:N_NAMES],
        outputs[N_NAMES : N_NAMES + N_BORDERS],
        outputs[N_NAMES + N_BORDERS :],
        np.concatenate([piece[1] for piece in pieces], axis=2),
    )
