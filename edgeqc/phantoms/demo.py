"""The demo pictures: an invented bench experiment, the Saltmarsh Bench Series.

Unused lenses of three materials were cut in a water cell at four laser settings; some cuts were
finished with scissors, others pulled apart. Everything about the series is made up.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from uuid import UUID

import tifffile

from edgeqc.phantoms.drawing import Phantom, draw_phantom
from edgeqc.phantoms.face_recipe import (
    EdgeRecipe,
    FaceRecipe,
    Layer,
    LayoutRecipe,
    Stretch,
    ZoneRecipe,
)
from edgeqc.phantoms.recipe import (
    AcquisitionRecipe,
    BarRecipe,
    DebrisRecipe,
    Recipe,
    SignalRecipe,
    SurroundRecipe,
)
from edgeqc.phantoms.stereo import draw_stereo_pair
from edgeqc.phantoms.writing import sheet_row, write_picture, write_sheet

SERIES = "Saltmarsh Bench Series"


@dataclass(frozen=True)
class DemoPicture:
    """One picture of the series.

    Parameters
    ----------
    stem : str
        File name without its ending.
    recipe : Recipe
        What it is drawn from.
    sheet : dict
        Columns of the specimen sheet beside those that the phantom gives.
    """

    stem: str
    recipe: Recipe
    sheet: dict[str, object] = field(default_factory=dict)


def lattice(
    spot_um: float, line_um: float, *, jitter: float = 0.06, depth_um: float = 0.5
) -> Layer:
    """Return a clean lattice of cavities."""
    return Layer("lattice", depth_um, min(spot_um, line_um), 0.0, 1.0, {
        "spot_um": spot_um, "line_um": line_um, "jitter": jitter, "dropout": 0.01,
        "radius": 0.42, "spread": 0.15, "rim": 0.3,
    })


def laser(*layers: Layer, sd: float = 0.16, kind: str = "lattice") -> ZoneRecipe:
    """Return a laser zone with a little melt roughness."""
    grain = Layer("noise", 0.05, 4.0, 0.0, 1.0, {"exponent": 0.5})
    return ZoneRecipe(kind, (*layers, grain), 1.0, sd, patchiness=0.1, drift=0.02)


def scissor(lay_deg: float, scale_um: float = 4.0, *, sd: float = 0.15) -> ZoneRecipe:
    """Return a scissor zone: striations, and long waves across them."""
    return ZoneRecipe("striated", (
        Layer("striations", 0.5, scale_um, lay_deg, 1.0,
              {"bend": 1.5, "reach": 80.0, "parts": 2.0, "fade": 0.3, "exponent": 0.5}),
        Layer("bands", 1.2, 60.0, lay_deg + 80, 1.0, {"bend": 0.3, "skew": 0.4, "uneven": 0.3}),
        Layer("noise", 0.08, 2.0, 0.0, 1.0, {"exponent": 0.4}),
    ), 1.0, sd, patchiness=0.15, drift=0.03)


def torn(scale_um: float = 12.0, pull_deg: float = 80.0, *, sd: float = 0.24) -> ZoneRecipe:
    """Return a torn zone: ridges and river lines on a rough ground."""
    return ZoneRecipe("rivers", (
        Layer("ridged", 1.2, scale_um, pull_deg, 2.5, {"power": 1.4, "exponent": 0.9}),
        Layer("rivers", 0.7, 2.5 * scale_um, pull_deg, 3.0,
              {"wander": 0.8, "steep": 0.2, "bend": 0.3, "exponent": 1.0}),
        Layer("noise", 0.8, 0.7 * scale_um, 0.0, 1.3, {"exponent": 0.5}),
    ), 1.0, sd, patchiness=0.2, drift=0.03)


def edge(rq_um: float = 0.6, *, burrs: float = 0.0) -> EdgeRecipe:
    """Return a long edge with a moderate bright rim."""
    return EdgeRecipe(rq_um, 9.0, 0.7, 0.3, 3.0, 1.5, burrs, 6.0)


def face(thickness_um: float, layout: LayoutRecipe, **changes: object) -> FaceRecipe:
    """Return a face that runs through the picture; ``changes`` are fields of ``FaceRecipe``."""
    plain = FaceRecipe(
        centre=(0.5, 0.5), angle_deg=0.0, thickness_um=thickness_um, form="biconvex", sag=0.06,
        apex=0.45, taper=0.0, bend=0.02, start_um=-1500.0, end_um=1500.0, end_slant=(0.0, 0.0),
        end_rq_um=1.0, corner_um=4.0, anterior=edge(), posterior=edge(1.0, burrs=0.3),
        layout=layout, laser=laser(lattice(3, 6)), scissor=scissor(70), torn=torn(),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def picture(seed: int, pixel_um: float, *faces: FaceRecipe, **changes: object) -> Recipe:
    """Return a recipe of the series; ``changes`` are fields of ``Recipe``."""
    ground = Layer("noise", 0.6, 6.0, 0.0, 1.0, {"exponent": 0.6})
    plain = Recipe(
        "demo", seed, 900, 1120, pixel_um, 0.0, faces,
        signal=SignalRecipe(detector_deg=-70.0, detector_gain=0.5, shadow_gain=0.5),
        surround=SurroundRecipe(0.3, 0.02, (ground,), 0.05, halo=0.06, halo_px=14.0),
        acquisition=AcquisitionRecipe(blur_px=0.75, dose=260.0, brightness=0.5, contrast=0.5,
                                      line_noise=0.004),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def _layout(name: str, depth: float, **changes: object) -> LayoutRecipe:
    plain = LayoutRecipe(name, depth, wave=0.01, wave_length_um=90.0, fringe_um=0.8,
                         fringe_length_um=5.0, softness_um=1.0, ledge_um=1.0)
    return replace(plain, **changes)  # type: ignore[arg-type]


_A = {"lens": "L-03", "material": "hydrophilic acrylic", "pulse_energy_uj": 8,
      "spot_separation_um": 3, "line_separation_um": 6}
_B = {"lens": "L-07", "material": "hydrophobic acrylic", "pulse_energy_uj": 1,
      "spot_separation_um": 8, "line_separation_um": 2}
_C = {"lens": "L-11", "material": "silicone", "pulse_energy_uj": 12,
      "spot_separation_um": 4, "line_separation_um": 6}
_D = {"lens": "L-16", "material": "hydrophilic acrylic", "pulse_energy_uj": 5,
      "spot_separation_um": 6, "line_separation_um": 6}


def _torn_residual() -> DemoPicture:
    """Return a face with its posterior 15 % left uncut and torn."""
    recipe = picture(
        1401, 0.6, face(410.0, _layout("over_torn", 0.85, wave=0.006)),
        bar=BarRecipe(60, True, 100.0), debris=DebrisRecipe(particles=4, particle_um=5.0),
        surround=SurroundRecipe(0.28, 0.02, (), 0.1, "anterior", 0.2, 0.62, 0.015,
                                (Layer("noise", 0.1, 30.0),)),
    )
    return DemoPicture("sm-014b", recipe, {
        **_A, "specimen": "SM-014/b", "fragment": "b", "scale_bar_um": 100,
        "note": "pulled apart after the cut",
    })


def _scissor_residual() -> DemoPicture:
    """Return a face finished with scissors; only the drawn bar and the sheet tell the scale."""
    recipe = picture(
        1702, 0.7,
        face(450.0, _layout("over_scissor", 0.74, residual="scissor", slant=0.06, wave=0.012),
             angle_deg=182.0, laser=laser(lattice(8, 4.5, depth_um=0.6)),
             scissor=scissor(62, 5.0), form="plano-convex", sag=0.1, bend=0.03),
        bar=BarRecipe(56, False, 200.0), rows=860,
    )
    return DemoPicture("sm-017a", recipe, {
        **_B, "line_separation_um": 4.5, "specimen": "SM-017/a", "fragment": "a",
        "pixel_size_um": "", "scale_bar_um": 200,
        "note": "finished with scissors; scale from the bar",
    })


def _through_cut() -> DemoPicture:
    """Return a face cut through by the laser alone, with gas-bubble cavities."""
    bubbles = Layer("bubbles", 0.8, 26.0, 0.0, 1.0, {"gaps": 0.55, "jitter": 0.4, "rim": 0.2})
    recipe = picture(
        2103, 0.55,
        face(330.0, _layout("through", 1.0), form="plate", sag=0.0, taper=0.04, angle_deg=4.0,
             laser=laser(lattice(4, 6, jitter=0.1), bubbles), posterior=edge(0.9),
             start_um=-255.0, end_um=900.0, end_slant=(0.08, 0.0)),
        rows=760, cols=1040, debris=DebrisRecipe(crystals=2, crystal_um=14.0),
    )
    return DemoPicture("sm-021a", recipe, {**_C, "specimen": "SM-021/a", "fragment": "a"})


def _two_faces() -> DemoPicture:
    """Return two faces in one picture: one pulled apart, one with a scissor stretch."""
    upper = face(
        250.0, _layout("over_torn", 0.9, wave=0.015), centre=(0.27, 0.5), angle_deg=-1.5,
        form="meniscus", bend=0.12, laser=laser(lattice(6, 6, jitter=0.08)), torn=torn(9.0),
    )
    lower = face(
        260.0, _layout("scissor_ends", 0.8, stretches=(Stretch(-1.0, 0.4, 0.2, 3.0),)),
        centre=(0.74, 0.5), angle_deg=1.0, laser=laser(lattice(6, 6, jitter=0.08)),
        scissor=scissor(-55, 4.0), torn=torn(9.0), form="plate", sag=0.0,
    )
    recipe = picture(2304, 0.8, upper, lower, rows=940, cols=1100)
    return DemoPicture("sm-023a", recipe, {**_D, "specimen": "SM-023/a", "fragment": "a"})


def _noisy() -> DemoPicture:
    """Return a quick scan: few electrons a pixel."""
    recipe = picture(
        1805, 0.75,
        face(420.0, _layout("over_torn", 0.8, slant=-0.05, wave=0.02), angle_deg=176.0,
             laser=laser(lattice(8, 5, depth_um=0.7), sd=0.2), torn=torn(16.0, sd=0.3)),
        rows=720, cols=960,
        acquisition=AcquisitionRecipe(blur_px=0.8, dose=14.0, brightness=0.45, contrast=0.4,
                                      line_noise=0.01),
    )
    return DemoPicture("sm-018c", recipe, {
        **_B, "line_separation_um": 5, "specimen": "SM-018/c", "fragment": "c",
        "note": "quick scan, noisy",
    })


def _for_review() -> DemoPicture:
    """Return a picture taken too close: the posterior edge, and so any fraction, is not in it."""
    recipe = picture(
        2206, 0.3,
        face(330.0, _layout("over_torn", 0.5), centre=(0.86, 0.5), angle_deg=2.0,
             laser=laser(lattice(4, 6)), torn=torn(10.0)),
        rows=720, cols=960,
        acquisition=AcquisitionRecipe(blur_px=1.0, dose=200.0, brightness=0.5, contrast=0.5,
                                      charging=0.2, bloom=0.3),
    )
    return DemoPicture("sm-022b", recipe, {
        **_C, "specimen": "SM-022/b", "fragment": "b", "note": "posterior edge outside the picture",
    })


def _sixteen_bit() -> DemoPicture:
    """Return a 16-bit TIFF that carries its own scale, twice; the sheet gives none."""
    melted = Layer("noise", 0.15, 14.0, 0.0, 1.5, {"exponent": 1.0})
    recipe = picture(
        2507, 0.65,
        face(360.0, _layout("over_both", 0.82, residual="both", change=0.47, wave=0.015),
             angle_deg=-3.0, laser=laser(melted, sd=0.05, kind="smooth"), torn=torn(11.0),
             scissor=scissor(75, 3.5)),
        rows=720, cols=900,
        acquisition=AcquisitionRecipe(blur_px=0.7, dose=220.0, brightness=0.5, contrast=0.45,
                                      bits=16),
    )
    return DemoPicture("sm-025a", recipe, {
        **_D, "lens": "L-19", "specimen": "SM-025/a", "fragment": "a", "pixel_size_um": "",
        "note": "scale from the file",
    })


def _stereo() -> DemoPicture:
    """Return a field photographed at two tilts, for heights."""
    rough = replace(torn(9.0), layers=tuple(
        replace(item, amplitude_um=1.6 * item.amplitude_um) for item in torn(9.0).layers
    ))
    recipe = picture(
        1408, 0.4,
        face(180.0, _layout("over_torn", 0.7), form="plate", sag=0.0, bend=0.0,
             laser=laser(lattice(3, 6, depth_um=0.6)), torn=rough, posterior=edge(0.8)),
        rows=600, cols=760,
        acquisition=AcquisitionRecipe(blur_px=0.75, dose=1200.0, brightness=0.5, contrast=0.5),
    )
    return DemoPicture("sm-014c", recipe, {
        **_A, "specimen": "SM-014/c", "fragment": "c", "pair": "SM-014/c", "tilt_axis": "vertical",
        "note": "stereo pair",
    })


STEREO_TILTS_DEG = (-5.0, 5.0)
"""Tilts of the demo's stereo pair."""


def _write_scaled(path: Path, phantom: Phantom) -> None:
    """Write a 16-bit TIFF whose OME-XML and resolution tags both give the scale."""
    size = phantom.truth.pixel_size_um
    tifffile.imwrite(
        path, phantom.image, ome=True, photometric="minisblack", compression="zlib",
        metadata={"axes": "YX", "PhysicalSizeX": size, "PhysicalSizeXUnit": "µm",
                  "PhysicalSizeY": size, "PhysicalSizeYUnit": "µm",
                  # fixed, so that the same recipe gives the same file
                  "UUID": str(UUID(int=phantom.recipe.seed)), "Creator": "edgeqc"},
        software="edgeqc",
        resolution=(1e4 / size, 1e4 / size), resolutionunit="CENTIMETER",
    )


def demo_phantoms() -> dict[str, tuple[DemoPicture, Phantom]]:
    """Return the demo's pictures by file stem, with their truth, in the order of the sheet."""
    found = {}
    for make in (_torn_residual, _scissor_residual, _noisy, _through_cut, _for_review, _two_faces,
                 _sixteen_bit):
        item = make()
        found[item.stem] = (item, draw_phantom(item.recipe))
    item = _stereo()
    pair = draw_stereo_pair(item.recipe, STEREO_TILTS_DEG)
    for name, tilt, phantom in zip("12", STEREO_TILTS_DEG, pair, strict=True):
        sheet = item.sheet | {"pair_tilt_deg": f"{tilt:g}"}
        found[f"{item.stem}-{name}"] = (replace(item, sheet=sheet), phantom)
    return dict(sorted(found.items()))


def write_demo(out: str | Path, phantoms: dict[str, tuple[DemoPicture, Phantom]]) -> list[Path]:
    """Write the demo's pictures, sheet and recipes; return the paths of the pictures."""
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    rows, paths = [], []
    for stem, (item, phantom) in phantoms.items():
        path = folder / f"{stem}.tif"
        if item.recipe.acquisition.bits == 16:
            _write_scaled(path, phantom)
        else:
            write_picture(path, phantom.image)
        recipe = folder / f"{item.stem}.recipe.json"
        recipe.write_text(item.recipe.to_json() + "\n", encoding="utf-8")
        rows.append(_row(path, phantom, item))
        paths.append(path)
    write_sheet(folder, rows)
    return paths


def draw_demo(out: str | Path) -> list[Path]:
    """Draw the demo pictures with their sheet and recipes; return the paths of the pictures.

    Parameters
    ----------
    out : path
        Folder, made where it is not there.
    """
    return write_demo(out, demo_phantoms())


def _row(path: Path, phantom: Phantom, item: DemoPicture) -> dict[str, object]:
    common = {"accelerating_voltage_kv": 8, "coating": "gold-palladium", "drying": "air"}
    return sheet_row(path.name, phantom, **(common | item.sheet))
