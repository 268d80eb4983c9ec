"""One row of ``roughness.csv``: a parameter of a zone, with what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from edgeqc.quantity import Measured

Zone = Literal["laser", "scissor", "torn", "face"]
Basis = Literal["edge contour", "height map", "grey level"]


@dataclass(frozen=True)
class RoughnessRow:
    """A roughness or texture parameter of one zone.

    Parameters
    ----------
    zone : {"laser", "scissor", "torn", "face"}
        The zone; ``"face"`` for the whole face.
    basis : {"edge contour", "height map", "grey level"}
        What the value rests on; the three are never mixed.
    parameter : str
        Symbol of the standard (``Rq``, ``Sa``), or our own name on a grey-level basis.
    title : str
        Full name of the parameter.
    result : Measured
        The value; ``nan`` with its note where it could not be had.
    filter : str
        The filter's name, ``""`` without one.
    nesting_index_um, evaluation_length_um : float or None
        In µm; None where they do not apply.
    standard : str
        Standard and clause, ``""`` where none defines the parameter.
    note : str
        For instance ``"non-default"`` with its reason.
    """

    zone: Zone
    basis: Basis
    parameter: str
    title: str
    result: Measured
    filter: str = ""
    nesting_index_um: float | None = None
    evaluation_length_um: float | None = None
    standard: str = ""
    note: str = ""
