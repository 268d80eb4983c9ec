"""Random surroundings, detectors, microscopes and debris."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from edgeqc.phantoms.face_recipe import EdgeRecipe
from edgeqc.phantoms.recipe import (
    AcquisitionRecipe,
    BarRecipe,
    DebrisRecipe,
    SignalRecipe,
    SurroundRecipe,
)
from edgeqc.phantoms.textures import layer, log_uniform

Rng = np.random.Generator

DEFECTS = ("blurred", "noisy", "saturated", "charging", "faint", "gradient", "jitter")
"""Defects of the acquisition that can be planted."""


def random_edge(rng: Rng, pixel_um: float) -> EdgeRecipe:
    """Return the random look of one long edge."""
    return EdgeRecipe(
        rq_um=pixel_um * log_uniform(rng, 0.15, 2.5),
        correlation_um=pixel_um * log_uniform(rng, 3, 60),
        exponent=float(rng.uniform(0.4, 1.0)),
        brightness=float(rng.choice([0, 0.15, 0.4, 0.8, -0.15])) * rng.uniform(0.4, 1),
        width_px=log_uniform(rng, 1, 7),
        rounding_px=float(rng.choice([0, 0, 2, 5, 10])) * rng.random(),
        burrs=float(rng.choice([0, 0, 0, 0.5, 2])) * rng.random(),
        burr_px=log_uniform(rng, 3, 14),
    )


_LATHE_LINES = 0.015
"""Most contrast of lines on a lens's own surface (common practice, no source)."""


def random_signal(rng: Rng) -> SignalRecipe:
    """Return a random way in which relief turns into signal."""
    return SignalRecipe(
        exponent=float(rng.uniform(0.8, 1.2)), saturation=float(rng.uniform(2.5, 8)),
        detector_deg=float(rng.uniform(-180, 180)), detector_gain=float(rng.uniform(0, 1.2)),
        convexity_gain=float(rng.uniform(0, 0.8)), convexity_px=float(rng.uniform(0.8, 3)),
        shadow_gain=float(rng.choice([0, 0.4, 1.2])) * rng.random(),
        shadow_px=float(rng.uniform(4, 24)), inverted=bool(rng.random() < 0.12),
    )


def random_surround(rng: Rng, pixel_um: float) -> SurroundRecipe:
    """Return random surroundings."""
    mode = str(rng.choice(["dark", "bright", "near", "any"], p=[0.55, 0.15, 0.1, 0.2]))
    grey = {
        "dark": rng.uniform(0.05, 0.5), "bright": rng.uniform(1.3, 1.9),
        "near": rng.choice([0.7, 1.3]) + rng.normal(0, 0.05), "any": rng.uniform(0.1, 1.8),
    }[mode]
    textured = rng.random() < 0.5
    ground = tuple(
        layer(
            rng, str(rng.choice(["noise", "noise", "striations", "pits", "dimples", "smear"])),
            pixel_um * log_uniform(rng, 2, 60), log_uniform(rng, 0.1, 1),
            angle_deg=rng.uniform(-90, 90), anisotropy=log_uniform(rng, 1, 5),
            exponent=rng.uniform(0.3, 1.2),
        )
        for _ in range(int(rng.integers(1, 3)))
    )
    side = str(rng.choice(["none", "anterior", "posterior", "both"], p=[0.55, 0.2, 0.15, 0.1]))
    optic_grey = float(rng.choice([rng.uniform(0.35, 0.8), rng.uniform(1.15, 1.6),
                                   rng.uniform(0.85, 1.1)], p=[0.55, 0.2, 0.25]))
    smooth = layer(
        rng, str(rng.choice(["noise", "pits", "striations"])), pixel_um * log_uniform(rng, 3, 80),
        0.1, angle_deg=rng.uniform(-90, 90), anisotropy=log_uniform(rng, 1, 4),
    )
    recipe = SurroundRecipe(
        grey=float(grey), texture_sd=log_uniform(rng, 0.005, 0.2 if textured else 0.02) * grey,
        layers=ground, gradient=float(rng.choice([0, 0, 0.2, 0.6])) * rng.random() * float(grey),
        optic_side=side, optic_width=log_uniform(rng, 0.12, 3.0), optic_grey=optic_grey,
        optic_texture_sd=log_uniform(rng, 0.004, 0.08) * optic_grey, optic_layers=(smooth,),
        halo=float(rng.choice([0, 0, 0.15, -0.1])) * rng.random(),
        halo_px=log_uniform(rng, 4, 30),
    )
    if smooth.kind != "striations":
        return recipe
    # lathe lines that polishing left, not a blade's marks
    return replace(
        recipe, optic_texture_sd=min(recipe.optic_texture_sd, _LATHE_LINES * optic_grey)
    )


def random_acquisition(rng: Rng, defect: str) -> AcquisitionRecipe:
    """Return a random acquisition; ``defect`` names one to plant, or none."""
    recipe = AcquisitionRecipe(
        blur_px=log_uniform(rng, 0.4, 1.5),
        blur_ratio=1.0 if rng.random() < 0.8 else float(rng.uniform(1.1, 1.8)),
        blur_deg=float(rng.uniform(0, 180)), dose=log_uniform(rng, 40, 3000),
        brightness=float(rng.uniform(0.3, 0.65)), contrast=log_uniform(rng, 0.22, 0.8),
        gradient=tuple(rng.normal(0, float(rng.choice([0, 0.05, 0.2])), 2).tolist()),
        line_jitter_px=float(rng.choice([0, 0, 0.1, 0.35])) * rng.random(),
        line_noise=float(rng.choice([0, 0, 0.01, 0.03])) * rng.random(),
        charging=float(rng.choice([0, 0, 0, 0.15])) * rng.random(),
        bloom=float(rng.choice([0, 0, 0.3])) * rng.random(),
        sharpen=float(rng.choice([0, 0, 0, 0.8])) * rng.random(),
        jpeg_quality=int(rng.choice([0, 0, 0, 0, 90, 75])),
        bits=int(rng.choice([8, 8, 8, 16])),
    )
    changes: dict[str, dict[str, Any]] = {
        "blurred": {"blur_px": float(rng.uniform(2.5, 6))},
        "noisy": {"dose": log_uniform(rng, 3, 24)},
        "saturated": {"contrast": float(rng.uniform(0.9, 2)),
                      "brightness": float(rng.choice([0.15, 0.85]))},
        "charging": {"charging": float(rng.uniform(0.4, 1)), "bloom": float(rng.uniform(0.3, 1))},
        "faint": {"contrast": float(rng.uniform(0.04, 0.11))},
        "gradient": {"gradient": tuple(rng.choice([-1, 1], 2) * rng.uniform(0.6, 1.2, 2))},
        "jitter": {"line_jitter_px": float(rng.uniform(0.8, 2.5))},
    }
    if defect:
        recipe = replace(recipe, **changes[defect])
    return replace(recipe, bits=8) if recipe.jpeg_quality else recipe


def random_bar(rng: Rng, rows: int, cols: int, pixel_um: float) -> BarRecipe:
    """Return a random data bar, inset scale bar, or none."""
    nice = np.array([1, 2, 5, 10, 20, 50, 100, 200, 500.0])
    fitting = nice[(nice / pixel_um > 0.06 * cols) & (nice / pixel_um < 0.3 * cols)]
    length = float(rng.choice(fitting)) if fitting.size else 0.2 * cols * pixel_um
    height = int(rows * rng.uniform(0.05, 0.1)) if rng.random() < 0.4 else 0
    inside = bool(height == 0 and rng.random() < 0.15)
    return BarRecipe(height, bool(rng.random() < 0.7), length, inside)


def random_debris(rng: Rng, pixel_um: float) -> DebrisRecipe:
    """Return random debris."""
    return DebrisRecipe(
        particles=int(rng.choice([0, 3, 12, 30])), particle_um=pixel_um * log_uniform(rng, 3, 20),
        crystals=int(rng.choice([0, 0, 2, 6])), crystal_um=pixel_um * log_uniform(rng, 8, 50),
        films=int(rng.choice([0, 0, 0, 1])), film_um=pixel_um * log_uniform(rng, 40, 200),
        contrast=float(rng.uniform(0.7, 1.7)),
    )
