"""Clipping is judged on the face."""

from __future__ import annotations

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import pytest

from edgeqc.flags import raised
from edgeqc.measure.face_clipping import (
    clipped_fraction,
    clipping_flags,
    judge_clipping,
)

_SPEC = importlib.util.spec_from_file_location(
    "face_scenes", Path(__file__).with_name("face_scenes.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)


@pytest.mark.parametrize(("share", "names"), [
    (0.0, []), (0.2, ["saturated"]), (0.7, ["saturated_heavily"]),
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
    image = scenes.plain_image(pixels)
    assert clipped_fraction(image, face) == pytest.approx(share, abs=0.02)
    assert [flag.name for flag in clipping_flags(image, face)] == names


def _picture(background: float, *, patch: float | None = None, face_level: float = 0.5):
    pixels = np.full((200, 300), background)
    pixels[18:183, 18:283] = face_level
    if patch is not None:
        pixels[170:200, 100:160] = patch  # swallows a piece of the face's posterior edge
    flag = raised("saturated_heavily", "62 % of the pixels")
    flags = (raised("tilt_unknown"), flag) if background == 1.0 else (raised("tilt_unknown"),)
    return dataclasses.replace(scenes.plain_image(pixels), flags=flags)


def test_a_white_background_is_a_note_and_the_face_is_free_of_it() -> None:
    image = _picture(1.0)
    judged, faces = judge_clipping(image, [scenes.plain_face(200, 300)])
    assert [flag.name for flag in judged.flags] == ["tilt_unknown", "background_clipped"]
    assert judged.flags[1].detail == "62 % of the pixels"
    assert [flag.name for flag in faces[0].flags] == []
    assert image.flags[1].name == "saturated_heavily"  # the input stays


def test_a_white_patch_beside_the_outline_is_for_review() -> None:
    face = scenes.plain_face(200, 300)
    bitten = dataclasses.replace(face, outline_px=np.array([
        [20, 20], [20, 280], [180, 280], [180, 160], [168, 160], [168, 100], [180, 100],
        [180, 20]], float))
    _, faces = judge_clipping(_picture(0.3, patch=1.0), [bitten])
    assert [flag.name for flag in faces[0].flags] == ["saturated"]
    assert "outline" in faces[0].flags[0].detail
    _, faces = judge_clipping(_picture(0.3), [face])
    assert faces[0].flags == ()


def test_where_every_face_is_clipped_away_the_picture_stays_rejected() -> None:
    face = scenes.plain_face(200, 300)
    image = _picture(1.0, face_level=1.0)
    judged, faces = judge_clipping(image, [face])
    assert (judged, faces) == (image, ())
    small = _picture(0.3, face_level=1.0)  # its picture's own share was not beyond the limit
    judged, faces = judge_clipping(small, [face])
    assert judged is small
    assert [flag.name for flag in faces[0].flags] == ["saturated_heavily"]
    assert judge_clipping(image, []) == (image, ())
