"""Small perceptrons whose mean opinion names what a region shows."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np

from edgeqc.errors import ModelError
from edgeqc.quantity import FloatArray


@lru_cache(maxsize=4)
def _weights(folder: str, file: str) -> dict[str, FloatArray]:
    path = files("edgeqc").joinpath(folder, file)
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as stored:
            return {name: np.asarray(stored[name], float) for name in stored.files}
    except (OSError, ValueError) as error:
        raise ModelError(
            "the model cannot be read", file=file, remedy="Reinstall edgeqc."
        ) from error


def opinion(folder: str, file: str, features: FloatArray) -> FloatArray:
    """Return the probability of each name of one region.

    Parameters
    ----------
    folder, file : str
        The package's folder, and the file in it, that holds the weights.
    features : (n_features,) float array
        What the region shows.

    Returns
    -------
    (n_names,) float array
        Mean over an ensemble of small perceptrons, each with one hidden layer.

    Raises
    ------
    ModelError
        The weights cannot be read.
    """
    held = _weights(folder, file)
    x = np.clip((features - held["centre"]) / held["scale"], -4, 4)
    members = int(held["members"])
    total = np.zeros(held["c0"].size)
    for member in range(members):
        hidden = np.maximum(x @ held[f"w{member}"] + held[f"b{member}"], 0)
        logits = (hidden @ held[f"v{member}"] + held[f"c{member}"]) / float(held["temperature"])
        power = np.exp(logits - logits.max())
        total += power / power.sum()
    return np.asarray(total / members)
