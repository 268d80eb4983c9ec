"""Clipping is judged on the face."""

from __future__ import annotations

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import pytest

from edgeqc.flags import raised
from edgeqc.measure.face_clipping import clipped_fraction, picture_flags_of_face

_SPEC = importlib.util.spec_from_file_location(
    "face_scenes", Path(__file__).with_name("face_scenes.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)


@pytest.mark.parametrize(("share", "names"), [
    (0.0, ["tilt_unknown"]), (0.2, ["tilt_unknown", "saturated"]),
    (0.7, ["tilt_unknown", "saturated_heavily"]),
])
@pytest.mark.parametrize("level", [0.0, 1.0])
def test_only_what_is_clipped_on_the_face_counts(
    share: float, names: list[str], level: float
) -> None:
    pixels = np.full((200, 300), level)  # all of the background is clipped
    pixels[19:182, 19:282] = 0.5
    rows = round(20 + share * 160)
    pixels[20:rows, 20:280] = level
    face = scenes.plain_face(200, 300)
    image = dataclasses.replace(
        scenes.plain_image(pixels), flags=(raised("tilt_unknown"), raised("saturated", "picture")))
    assert clipped_fraction(image, face) == pytest.approx(share, abs=0.02)
    assert [flag.name for flag in picture_flags_of_face(image, face)] == names
