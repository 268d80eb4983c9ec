"""Known-answer pictures: a recipe in, a picture and its truth out.

The pictures are drawn from a height map in micrometres and a model of the secondary-electron
signal. Nothing here uses the formulas that measure (``edgeqc.measure``, ``edgeqc.zoning``), so
that a picture's truth is an independent one.
"""

from edgeqc.phantoms.drawing import Phantom, draw_phantom
from edgeqc.phantoms.families import FAMILIES, random_recipe
from edgeqc.phantoms.recipe import Recipe
from edgeqc.phantoms.stereo import draw_stereo_pair
from edgeqc.phantoms.truth import FaceTruth, PhantomTruth

__all__ = [
    "FAMILIES", "FaceTruth", "Phantom", "PhantomTruth", "Recipe", "draw_phantom",
    "draw_stereo_pair", "random_recipe",
]
