"""Teaching the naming model a laboratory's own zones, from drawn rasters to a model in use."""

import json

import cv2
import numpy as np
import pytest
from other_maker import paint_face

from edgeqc.errors import ImageError, ModelError
from edgeqc.faces.fragment import FaceSettings
from edgeqc.faces.raster import label_raster
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.imaging.calibration import read_images
from edgeqc.teach import teach_zones
from edgeqc.zoning.model import read_taught_head
from edgeqc.zoning.zones import map_zones


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Three painted pictures, each with the raster that a laboratory would draw."""
    place = tmp_path_factory.mktemp("taught")
    sides = {}
    for seed in (60, 61, 62):
        made = paint_face(np.random.default_rng(seed))
        cv2.imwrite(str(place / f"p{seed}.png"), made.image)
        cv2.imwrite(str(place / f"p{seed}.zones.png"), made.labels)
        sides[f"p{seed}.png"] = made.anterior
    return place, sides


@pytest.fixture(scope="module")
def taught(folder, tmp_path_factory):
    place, sides = folder
    out = tmp_path_factory.mktemp("model") / "ours.json"
    return teach_zones(place, out, sides=sides), out


def test_agreement_is_reported_by_specimen_kept_out(taught):
    record, _ = taught
    assert record.specimens == 3
    assert record.faces >= 3
    assert set(record.by_specimen) == {"p60", "p61", "p62"}
    assert not record.left_out
    assert 0 <= record.agreement_shipped <= 1
    # what is learned on two specimens must not spoil the third
    assert record.agreement_taught > record.agreement_shipped - 0.1


def test_the_model_file_holds_numbers_and_its_training_record(taught):
    record, out = taught
    stored = json.loads(out.read_text("utf-8"))
    assert stored["training"]["specimens"] == record.specimens
    head = read_taught_head(out)
    assert head.weight.shape[0] == 4
    assert np.isfinite(head.weight).all()
    assert head.name.startswith("taught-")


def test_a_taught_model_names_the_zones_of_a_face(folder, taught):
    place, sides = folder
    image = read_images(place / "p60.png")[0]
    labels = cv2.imread(str(place / "p60.zones.png"), cv2.IMREAD_UNCHANGED)
    drawn = cv2.resize((labels > 0).astype(np.float32), (256, 192), interpolation=cv2.INTER_AREA)
    faces, _ = trace_cut_faces(
        image, FaceSettings(), anterior=sides["p60.png"], probability=drawn
    )
    head = read_taught_head(taught[1])
    turned, zones = map_zones(image, faces[0], taught=head)
    assert zones.model == head.name
    raster = label_raster(turned, zones.labels, labels.shape)
    both = (raster > 0) & (labels > 0)
    assert (raster[both] == labels[both]).mean() > 0.8


@pytest.mark.parametrize(
    "spoil",
    [
        lambda stored: stored | {"format": "another"},
        lambda stored: stored | {"weight": [[1.0, 2.0]]},
        lambda stored: stored | {"network": "another network"},
        lambda stored: stored | {"offset": ["a", "b", "c", "d"]},
        lambda stored: [],
    ],
)
def test_another_file_is_refused_by_name(taught, tmp_path, spoil):
    stored = json.loads(taught[1].read_text("utf-8"))
    bad = tmp_path / "bad.json"
    bad.write_text(json.dumps(spoil(stored)), "utf-8")
    with pytest.raises(ModelError, match=r"bad\.json"):
        read_taught_head(bad)


def test_a_folder_without_rasters_is_refused(tmp_path):
    with pytest.raises(ImageError, match="label raster"):
        teach_zones(tmp_path, tmp_path / "out.json")


def test_a_raster_of_another_size_is_left_out_and_named(folder, tmp_path):
    place, sides = folder
    for name in ("p60.png", "p60.zones.png", "p61.png"):
        (tmp_path / name).write_bytes((place / name).read_bytes())
    cv2.imwrite(str(tmp_path / "p61.zones.png"), np.ones((20, 20), np.uint8))
    record = teach_zones(tmp_path, tmp_path / "out.json", sides=sides)
    assert record.specimens == 1
    assert "20" in record.left_out["p61.png"]
