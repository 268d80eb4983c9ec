"""Shared cases: a face drawn by hand, whose every number is known."""

from datetime import UTC, datetime

import numpy as np
import pytest

from edgeqc.examined import ExaminedFace, ExaminedPicture, compile_findings
from edgeqc.faces.face import CutFace
from edgeqc.flags import raised
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.measure.face_measures import FaceMeasures
from edgeqc.measure.face_profiles import FaceProfiles
from edgeqc.measure.roughness_row import RoughnessRow
from edgeqc.protocol import protocol_of
from edgeqc.quantity import Measured
from edgeqc.specimen_sheet import SheetRow
from edgeqc.zoning.zones import ZoneMap

ROWS, COLS = 120, 160
ISSUED = datetime(2026, 11, 20, 9, 30, tzinfo=UTC)


def draw_face(anterior_source="sheet"):
    """A straight face, 60 px thick from row 30 to row 90, 120 px long from column 20 to 140."""
    cols = np.linspace(20.0, 140.0, 121)
    top = np.column_stack([np.full(121, 30.0), cols])
    bottom = np.column_stack([np.full(121, 90.0), cols])
    return CutFace(
        number=1, outline_px=np.vstack([top, bottom[::-1]]), anterior_px=top,
        posterior_px=bottom, s_px=np.arange(121.0), complete=np.ones(121, bool),
        anterior="top", anterior_source=anterior_source, u_edge_px=0.3)


def draw_zones():
    """Laser down to 0.8 of the thickness, torn below; the last quarter cut by scissors."""
    labels = np.full((20, 120), 3, np.uint8)
    labels[:16] = 1
    labels[:, 90:] = 2
    depth = np.where(np.arange(120) < 90, 0.8, 0.0)
    probability = np.full((4, 20, 120), 0.02, np.float32)
    for code in (1, 2, 3):
        probability[code - 1][labels == code] = 0.94
    return ZoneMap(
        labels=labels, probability=probability, depth=depth,
        depth_draws=np.repeat(depth[None].astype(np.float32), 5, axis=0), second_depth=depth,
        model="drawn by hand", naming_confidence=0.97, separability=3.0, depth_u_model=0.01)


def draw_image(scale=(0.5, 0.5), name="SM-014b.tif"):
    rng = np.random.default_rng(7)
    pixels = (0.5 + 0.1 * rng.standard_normal((ROWS, COLS))).astype(np.float32)
    valid = np.ones((ROWS, COLS), bool)
    valid[110:] = False  # a data bar
    return CalibratedImage(
        pixels=np.clip(pixels, 0, 1), valid=valid, pixel_size_um=scale, u_rel_pixel_size=0.01,
        pixel_size_source="sheet" if scale else "none", tilt_deg=0.0, u_tilt_deg=1.0,
        noise_sd=0.1, source=ImageSource(name, sha256="ab" * 32,
                                         acquisition={"accelerating_voltage_kv": 5.0}))


def draw_measures(flags=()):
    depth = draw_zones().depth
    lasered = depth > 0
    profiles = FaceProfiles(
        s=(np.arange(120) + 0.5) * 0.5, thickness=np.full(120, 30.0),
        u_thickness=np.full(120, 0.2), depth=depth, depth_low=np.clip(depth - 0.02, 0, 1),
        depth_high=np.clip(depth + 0.02, 0, 1), ligament=30.0 * (1 - depth),
        valid=np.ones(120, bool), lasered=lasered, unit="µm")
    values = {
        "thickness_um": Measured(30.0, 0.3, "µm", {"pixel size": 0.3}),
        "cut_depth_fraction": Measured(0.8, 0.01, "1", {"model": 0.01}),
        "laser_length_fraction": Measured(0.75, 0.01, "1"),
        "through_cut_fraction": Measured(0.0, 0.0, "1"),
        "ligament_um": Measured(6.0, 0.3, "µm", {"model": 0.3}),
        "laser_area_fraction": Measured(0.6, 0.01, "1"),
        "scissor_area_fraction": Measured(0.25, 0.01, "1"),
        "torn_area_fraction": Measured(0.15, 0.01, "1"),
    }
    rows = (
        RoughnessRow("laser", "edge contour", "Rq", "root mean square height",
                     Measured(0.84, 0.07, "µm"), "Gaussian", 80.0, 60.0, "ISO 21920-2",
                     "non-default"),
        RoughnessRow("torn", "grey level", "relative contrast", "", Measured(3.2, 0.3, "1")),
    )
    return FaceMeasures(
        values=values, reasons={"lattice_angle_deg": "the lattice is not resolved"},
        profiles=profiles, roughness=rows, flags=tuple(flags))


@pytest.fixture
def case():
    """Build a specimen's pictures and findings from the drawn face.

    ``case(flags=("noisy",), limits={...}, scale=None, row={...}, failed="why")``
    """
    def build(*, flags=(), limits=None, scale=(0.5, 0.5), row=None, failed="", source="sheet"):
        sheet = SheetRow("SM-014b.tif", "SM-014/b", **{"lens": "007", **(row or {})})
        face = ExaminedFace(
            draw_face(source), draw_zones(), draw_measures([raised(name) for name in flags]))
        pictures = [ExaminedPicture("SM-014b.tif", sheet, draw_image(scale), (face,))]
        if failed:
            pictures.append(ExaminedPicture(
                "SM-014c.tif", SheetRow("SM-014c.tif", "SM-014/b"), None, failure=failed))
        protocol = protocol_of({"protocol": {"name": "bench", "version": "3"},
                                "limits": limits or {}})
        return compile_findings("SM-014/b", pictures, protocol, issued=ISSUED), pictures, protocol

    return build
