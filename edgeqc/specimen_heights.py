"""Height maps of a specimen's pictures: from stereo pairs, or from the files on the sheet."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.imaging.quality import QualityRecord
from edgeqc.measure.height_map import HeightMap, height_from_stereo
from edgeqc.measure.height_map_files import read_height_map
from edgeqc.quantity import FloatArray
from edgeqc.specimen_sheet import SheetRow


@dataclass(frozen=True)
class OpenPicture:
    """A calibrated picture with its row of the sheet.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    row : SheetRow
        What the sheet says of it.
    path : Path
        Its file; a height map is named relative to where that lies.
    quality : QualityRecord, optional
        The figures behind the picture's quality flags.
    """

    image: CalibratedImage
    row: SheetRow
    path: Path
    quality: QualityRecord | None = None


@dataclass(frozen=True)
class Heights:
    """The height map that belongs to a picture, or the doubt that there is none.

    Parameters
    ----------
    height_map : HeightMap or None
        In the picture's own field.
    flags : tuple of Raised
        Why there is none; the map's own doubts ride on the map.
    """

    height_map: HeightMap | None
    flags: tuple[Raised, ...] = ()


def heights_of(pictures: Sequence[OpenPicture]) -> dict[str, Heights]:
    """Return the height maps of pictures, by picture name.

    Parameters
    ----------
    pictures : sequence of OpenPicture
        All pictures of a specimen.

    Returns
    -------
    dict
        Only pictures for which the sheet names a pair or a height map. Of a stereo pair the
        first picture gets the heights: they lie in its field.

    Raises
    ------
    HeightMapError
        A height map or a pair is of no use at all.
    """
    found = {}
    pairs: defaultdict[str, list[OpenPicture]] = defaultdict(list)
    for picture in pictures:
        if picture.row.height_map:
            found[picture.image.source.name] = _from_file(picture)
        elif picture.row.pair and picture.image.source.page == 1:
            pairs[picture.row.pair].append(picture)
    for members in pairs.values():
        # a pair that lost a picture (unreadable, not in this folder) gives no heights
        if len(members) == 2:
            found[members[0].image.source.name] = _from_pair(members[0], members[1])
    return found


def _from_file(picture: OpenPicture) -> Heights:
    """Return the heights of the file on the sheet, named from the picture's own place."""
    below = picture.row.image.count("/")
    folder = picture.path.parents[below] if below else picture.path.parent
    file = folder / picture.row.height_map
    if not file.is_file():
        file = picture.path.parent / picture.row.height_map
    return Heights(read_height_map(file))


def _from_pair(first: OpenPicture, second: OpenPicture) -> Heights:
    """Return the heights of a stereo pair, or the flag that says what they lack."""
    tilts = first.row.pair_tilt_deg, second.row.pair_tilt_deg
    if tilts[0] is None or tilts[1] is None:
        return Heights(None, (raised("stereo_tilt_missing"),))
    sizes = first.image.pixel_size_um, second.image.pixel_size_um
    if sizes[0] is None or sizes[1] is None:
        return Heights(None, (raised("scale_unknown", "no heights from the stereo pair"),))
    if not np.allclose(sizes[0], sizes[1], rtol=0.02):
        detail = f"{sizes[0][1]:.4g} and {sizes[1][1]:.4g} µm in the stereo pair"
        return Heights(None, (raised("scale_conflict", detail),))
    axis = first.row.tilt_axis_deg
    made = height_from_stereo(
        _masked(first.image), _masked(second.image), pixel_size_um=sizes[0],
        tilt_deg=(tilts[0], tilts[1]), tilt_axis="vertical" if axis is None else axis,
        u_rel_pixel_size=first.image.u_rel_pixel_size)
    return Heights(made)


def _masked(image: CalibratedImage) -> FloatArray:
    """Return a picture's grey levels with gaps where it holds no picture."""
    return np.where(image.valid, image.pixels.astype(float), math.nan)


def flags_of(heights: Mapping[str, Heights], name: str) -> tuple[Raised, ...]:
    """Return the doubts about a picture's heights."""
    found = heights.get(name)
    if found is None:
        return ()
    return (*found.flags, *(found.height_map.flags if found.height_map is not None else ()))
