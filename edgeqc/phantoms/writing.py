"""Phantoms on disk: pictures, label rasters, truth, recipes, and their specimen sheet."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from edgeqc.errors import OutputError, UsageError
from edgeqc.phantoms.drawing import Phantom, draw_phantom
from edgeqc.phantoms.families import random_recipe
from edgeqc.phantoms.recipe import Recipe
from edgeqc.phantoms.truth import PhantomTruth

SHEET = "specimens.csv"
"""Name of the specimen sheet."""
SHEET_COLUMNS = (
    "image", "specimen", "lens", "fragment", "material", "pulse_energy_uj", "spot_separation_um",
    "line_separation_um", "pixel_size_um", "scale_bar_um", "tilt_deg", "anterior", "faces", "pair",
    "pair_tilt_deg", "tilt_axis", "height_map", "accelerating_voltage_kv", "coating", "drying",
    "operator", "received", "note",
)
"""Columns of the specimen sheet."""


def sheet_row(image: str, phantom: Phantom, **more: object) -> dict[str, object]:
    """Return a row of the specimen sheet for a phantom.

    Parameters
    ----------
    image : str
        File name of its picture.
    phantom : Phantom
        The phantom.
    **more
        Further columns; they win over what the phantom says.
    """
    truth = phantom.truth
    lattice = next((face.lattice for face in truth.faces if face.lattice), None)
    row: dict[str, object] = {
        "image": image,
        "specimen": Path(image).stem,
        "pixel_size_um": f"{truth.pixel_size_um:.6g}",
        "tilt_deg": f"{truth.tilt_deg:.3g}",
        "anterior": ";".join(face.anterior for face in truth.faces),
        "faces": len(truth.faces),
    }
    if lattice is not None:
        row["spot_separation_um"] = f"{lattice.spot_um:.4g}"
        row["line_separation_um"] = f"{lattice.line_um:.4g}"
    if truth.scale_bar_um:
        row["scale_bar_um"] = f"{truth.scale_bar_um:g}"
    return row | more


def write_sheet(out: Path, rows: Iterable[Mapping[str, object]]) -> Path:
    """Write the specimen sheet and return its path."""
    path = out / SHEET
    rows = list(rows)
    extra = sorted({name for row in rows for name in row} - set(SHEET_COLUMNS))
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, [*SHEET_COLUMNS, *extra], lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def plain(value: Any) -> Any:
    """Return records and arrays as plain JSON data; no number becomes null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            item.name: plain(getattr(value, item.name)) for item in dataclasses.fields(value)
        }
    if isinstance(value, np.ndarray):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 5) if math.isfinite(value) else None
    return value


def truth_json(truth: PhantomTruth) -> str:
    """Return a truth as JSON text, without its rasters (they are files of their own)."""
    rasters = ("labels", "scene", "height_um")
    data = {
        item.name: plain(getattr(truth, item.name))
        for item in dataclasses.fields(truth) if item.name not in rasters
    }
    return json.dumps(data | {"quality": truth.quality})


def write_picture(path: Path, image: NDArray[np.uint8 | np.uint16]) -> None:
    """Write a picture as PNG or TIFF, by the file's ending, without any scale in it."""
    if path.suffix == ".png":
        cv2.imwrite(str(path), image)
    else:
        tifffile.imwrite(path, image, compression="zlib", photometric="minisblack", metadata=None)


def write_phantom(out: Path, stem: str, phantom: Phantom, suffix: str = ".tif") -> str:
    """Write picture, label raster, truth and recipe of a phantom; return the picture's name."""
    name = stem + suffix
    write_picture(out / name, phantom.image)
    cv2.imwrite(str(out / f"{stem}.zones.png"), phantom.truth.labels)
    (out / f"{stem}.truth.json").write_text(truth_json(phantom.truth), encoding="utf-8")
    (out / f"{stem}.recipe.json").write_text(phantom.recipe.to_json(), encoding="utf-8")
    return name


def write_phantoms(
    out: str | Path,
    *,
    count: int = 1,
    seed: int = 0,
    family: str | None = None,
    recipe: str | Path | None = None,
    suffix: str = ".tif",
) -> list[Path]:
    """Draw phantoms into a folder and return the paths of their pictures.

    Parameters
    ----------
    out : path
        Folder, made where it is not there.
    count : int
        How many; with a recipe, how many seeds of it, from the recipe's own upwards.
    seed : int
        Seed of the random recipes.
    family : str, optional
        One of ``FAMILIES``; any where not given.
    recipe : path, optional
        File of a recipe to draw instead of random ones.
    suffix : {".tif", ".png"}
        Format of the pictures.

    Returns
    -------
    list of Path
        The pictures. Beside each lie ``<stem>.zones.png``, ``<stem>.truth.json`` and
        ``<stem>.recipe.json``; ``specimens.csv`` lists them all.
    """
    if count < 1:
        raise UsageError(
            f"{count} phantoms were asked for", rule="at least one is drawn",
            remedy="give a count of 1 or more",
        )
    folder = Path(out)
    recipes = _recipes(count, seed, family, recipe)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        rows, paths = [], []
        for index, item in enumerate(recipes, start=1):
            phantom = draw_phantom(item)
            name = write_phantom(folder, f"phantom-{index:04d}", phantom, suffix)
            rows.append(sheet_row(name, phantom, note=item.family))
            paths.append(folder / name)
        write_sheet(folder, rows)
    except OSError as error:
        raise OutputError(
            f"phantoms cannot be written ({error.strerror})", file=folder.name,
            remedy="choose a folder that can be written",
        ) from error
    return paths


def _recipes(
    count: int, seed: int, family: str | None, recipe: str | Path | None
) -> Iterable[Recipe]:
    if recipe is None:
        rng = np.random.default_rng(seed)
        return [random_recipe(rng, family) for _ in range(count)]
    path = Path(recipe)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            "the recipe cannot be read", file=path.name,
            remedy="give a recipe file that the phantom command wrote",
        ) from error
    base = Recipe.from_json(text)
    return [dataclasses.replace(base, seed=base.seed + index) for index in range(count)]
