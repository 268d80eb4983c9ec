"""Laser, scissor and torn zones on SEM pictures of cut lens faces, measured with their uncertainty.

The public names are loaded on first use, so that ``import edgeqc`` and
``edgeqc --help`` stay light.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_PUBLIC = {
    "Measured": "edgeqc.quantity",
    "Profile": "edgeqc.quantity",
    "EdgeqcError": "edgeqc.errors",
    "read_images": "edgeqc.imaging.image",
    "roughness_profile": "edgeqc.measure.roughness",
    "roughness_profiles": "edgeqc.measure.roughness",
    "roughness_areal": "edgeqc.measure.roughness",
    "gaussian_profile_filter": "edgeqc.measure.surface_filter",
    "gaussian_areal_filter": "edgeqc.measure.surface_filter",
    "height_from_stereo": "edgeqc.measure.height_map",
    "draw_phantom": "edgeqc.phantoms",
    "examine_specimen": "edgeqc.specimen",
    "examine_folder": "edgeqc.folder",
    "compare_settings": "edgeqc.settings",
}

__all__ = ["__version__", *sorted(_PUBLIC)]  # names resolve through __getattr__


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'edgeqc' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
