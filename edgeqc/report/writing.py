"""A specimen's files: findings, pages, tables, label rasters, overlays."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from edgeqc.examined import ExaminedFace, ExaminedPicture
from edgeqc.findings import Findings, write_findings
from edgeqc.imaging.block_means import blocks_to_pixels
from edgeqc.measure.height_map_files import write_height_map
from edgeqc.protocol import Protocol
from edgeqc.report.content import report_content
from edgeqc.report.figures import draw_labels, draw_overlay, draw_picture, write_png
from edgeqc.report.height_figure import draw_height_profile, draw_heights
from edgeqc.report.html import data_uri, write_html
from edgeqc.report.pdf import write_pdf
from edgeqc.report.profile_figure import draw_profile_figure
from edgeqc.report.tables import write_profiles, write_roughness

_PLAIN_PX = 900
_QUALITY = 82
_HEIGHTS_DATED = datetime(2000, 1, 1, tzinfo=UTC)


def write_report(
    findings: Findings,
    pictures: Sequence[ExaminedPicture],
    protocol: Protocol,
    folder: Path,
) -> tuple[str, ...]:
    """Write all files of a specimen into a folder and return notes on them.

    Parameters
    ----------
    findings : Findings
        The findings.
    pictures : sequence of ExaminedPicture
        What they were compiled from.
    protocol : Protocol
        The protocol in force.
    folder : Path
        The specimen's folder; made where it is missing.

    Returns
    -------
    tuple of str
        Plain sentences on files that are not as they should be; usually none.

    Notes
    -----
    ``findings.json``, ``report.html``, ``report.pdf``, ``profiles.csv``, ``roughness.csv``, and
    for each picture ``<stem>.zones.png`` and ``<stem>.overlay.png``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    write_findings(findings, folder / "findings.json")
    write_profiles(pictures, folder / "profiles.csv")
    write_roughness(findings, folder / "roughness.csv")
    content, files = _pages(findings, pictures, protocol)
    for picture, stem, entry in zip(pictures, _stems(pictures), content["pictures"], strict=True):
        if picture.image is not None:
            files |= _draw(picture, folder / stem, entry)
    write_html(_with_data(content, files), folder / "report.html")
    return write_pdf(
        content, files, folder / "report.pdf", issued=datetime.fromisoformat(findings.issued))


def _zoned(picture: ExaminedPicture) -> list[tuple[Any, Any]]:
    return [(item.face, item.zones) for item in picture.faces]


def _stems(pictures: Sequence[ExaminedPicture]) -> list[str]:
    """Return a file stem for each picture; where two share one, their full names."""
    counts = Counter(picture.stem.casefold() for picture in pictures)
    return [
        picture.stem if counts[picture.stem.casefold()] == 1
        else picture.name.replace("/", "_").replace("#", ".p")
        for picture in pictures
    ]


def _draw(picture: ExaminedPicture, target: Path, entry: dict[str, Any]) -> dict[str, bytes]:
    """Write label raster and overlay, and return the page's pictures by the names in ``entry``."""
    assert picture.image is not None
    labels = draw_labels(picture.image, _zoned(picture),
                         [item.measures.raster for item in picture.faces])
    image = picture.image
    at_file_size = blocks_to_pixels(labels, image.reduction, image.shape_in_file)
    write_png(target.with_name(f"{target.name}.zones.png"), at_file_size)
    overlay = draw_overlay(picture.image, _zoned(picture), labels)
    write_png(target.with_name(f"{target.name}.overlay.png"), overlay)
    drawn = _draw_heights(picture, target, entry)
    return {
        **drawn,
        entry["overlay"]: _jpeg(overlay),
        entry["plain"]: _jpeg(draw_picture(picture.image, _PLAIN_PX)[0]),
    }


def _draw_heights(
    picture: ExaminedPicture, target: Path, entry: dict[str, Any]
) -> dict[str, bytes]:
    """Write the height map in open formats, and return its figures, named in ``entry``."""
    height_map = picture.height_map
    if height_map is None or not height_map.has_heights or not picture.faces:
        return {}
    for ending in (".heights.tif", ".heights.x3p"):
        # a fixed date, so that the same heights give the same bytes
        write_height_map(
            height_map, target.with_name(f"{target.name}{ending}"), when=_HEIGHTS_DATED)
    drawn, caption = draw_heights(picture)
    name = entry["overlay"].removesuffix(".jpg").replace("overlay", "heights")
    entry["heights"], entry["heights_caption"] = f"{name}.jpg", f"{picture.name}. {caption}"
    files = {f"{name}.jpg": _jpeg(drawn)}
    profile = draw_height_profile(picture)
    if profile:
        entry["height_profile"] = f"{name}.svg"
        files[f"{name}.svg"] = profile.encode()
    return files


def _pages(
    findings: Findings, pictures: Sequence[ExaminedPicture], protocol: Protocol
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Return the report's words with the names of its picture files, and its figures."""
    content = report_content(findings, protocol["report"])
    files: dict[str, bytes] = {}
    limit = next((item.value for item in protocol.limits
                  if item.measurand == "cut_depth_fraction" and item.bound == "min"), None)
    for index, (picture, entry) in enumerate(zip(pictures, content["pictures"], strict=True)):
        if picture.image is None:
            continue
        entry["overlay"] = f"overlay-{index}.jpg"
        entry["overlay_alt"] = (
            f"Electron micrograph {picture.name} with {len(picture.faces)} cut face(s) and the"
            " zones marked.")
        entry["plain"] = f"plain-{index}.jpg"
        entry["plain_alt"] = f"Electron micrograph {picture.name} without marks."
        for face, words in zip(picture.faces, entry["faces"], strict=True):
            _add_profile(face, words, f"{index}-{face.face.number}", limit, files)
    return content, files


def _add_profile(
    face: ExaminedFace, words: dict[str, Any], name: str, limit: float | None,
    files: dict[str, bytes],
) -> None:
    profiles = face.measures.profiles
    if profiles is None:
        return
    words["profile"] = f"profile-{name}.svg"
    known = face.face.anterior_source != "none"
    rows, cols = (face.face.posterior_px - face.face.anterior_px).mean(axis=0)
    turned = rows <= abs(cols)  # the edge drawn on top is not the upper one in the picture
    top = ("its anterior edge" if known else "the edge that depth is measured from") + (
        " on top (turned against the picture)" if turned else " on top")
    line = (" the black line is the cut depth, the pale band its 95 % interval."
            if profiles.lasered.any() else "")
    below = "local thickness and ligament" if profiles.valid.any() else (
        "no thickness, as too little of the face has both edges in the picture")
    ends = ("" if profiles.valid.all() or not profiles.valid.any() else
            " Left white: where no chord runs from edge to edge.")
    words["profile_caption"] = (
        f"{words['title']}. Above: the face unrolled, {top}{';' if line else '.'}{line}"
        f"{ends} Below: {below}.")
    words["profile_alt"] = f"Cut depth, thickness and ligament along the face. {words['answer']}"
    svg = draw_profile_figure(profiles, face.zones, depth_limit=limit, name=f"f{name}",
                              side_known=known)
    files[words["profile"]] = svg.encode()


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, format="JPEG", quality=_QUALITY, subsampling=0)
    return buffer.getvalue()


def _with_data(content: dict[str, Any], files: dict[str, bytes]) -> dict[str, Any]:
    """Return the content with file names replaced by the files themselves."""
    def picture(entry: dict[str, Any]) -> dict[str, Any]:
        inlined: dict[str, Any] = {key: data_uri(files[entry[key]], "image/jpeg")
                   for key in ("overlay", "plain", "heights") if key in entry}
        if "height_profile" in entry:
            inlined["height_profile"] = files[entry["height_profile"]].decode()
        faces = [
            {**face, "profile": files[face["profile"]].decode()} if "profile" in face else face
            for face in entry["faces"]
        ]
        return {**entry, **inlined, "faces": faces}

    return {**content, "pictures": [picture(entry) for entry in content["pictures"]]}
