"""The pixel size of a picture, from every source there is, and the tilt from the sheet."""

from __future__ import annotations

import dataclasses
import math
import xml.etree.ElementTree as ElementTree
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from edgeqc.errors import ScaleError
from edgeqc.flags import Raised, raised
from edgeqc.imaging.data_bar import DataBar
from edgeqc.imaging.instrument_tags import (
    PLAUSIBLE_UM,
    TagScale,
    acquisition_settings,
    decode_text,
    key_values,
    length_um,
    scale_of_ini,
    scale_of_paired_lines,
    scale_of_pairs,
)
from edgeqc.imaging.reading import RawPage
from edgeqc.imaging.scale_bar import ScaleBarSettings, find_scale_bar

Sheet = Mapping[str, object]

_SIDE_FILES = (".txt", ".hdr", ".inf", ".ini", ".xml", ".meta")
_MAX_SIDE_BYTES = 1_000_000
_INSTRUMENT, _SIDE, _OME, _RESOLUTION = "instrument tag", "side file", "OME-XML", "resolution tag"


@dataclass(frozen=True)
class ScaleSettings:
    """Doubt and plausibility of pixel sizes.

    Parameters
    ----------
    u_rel_sheet : float
        Relative standard uncertainty of a pixel size from the sheet. The laboratory had it
        from a certified pitch: 2 % expanded (k = 2), which is also the conflict limit below.
    u_rel_instrument : float
        That of an instrument's own scale: about 5 % expanded unless calibrated the same day
        (scope of ASTM E766).
    max_difference : float
        Two sources that differ by more than this, relatively, stop all lengths.
    max_resolution_tag_um : float
        TIFF resolution tags above this pixel size are a screen's or printer's figure
        (2540 dots per inch are 10 µm).
    u_tilt_deg : float
        Standard uncertainty of a tilt on the sheet: a stage reads to 0.1°, but a fragment is
        laid on its stub by hand (common practice, no source).
    max_tilt_deg : float
        A tilt beyond this leans too heavily on its own value (at 30° one degree is 1 % of a
        length).
    """

    u_rel_sheet: float = 0.01
    u_rel_instrument: float = 0.025
    max_difference: float = 0.02
    max_resolution_tag_um: float = 5.0
    u_tilt_deg: float = 1.0
    max_tilt_deg: float = 30.0


@dataclass(frozen=True)
class Candidate:
    """A pixel size by one source.

    Parameters
    ----------
    source : str
        As in ``CalibratedImage.pixel_size_source``.
    row_um, col_um : float
        Pixel size in µm.
    u_rel : float
        Relative standard uncertainty.
    u_rel_reading : float
        The part of it that comes from reading the source (the ends of a drawn bar).
    """

    source: str
    row_um: float
    col_um: float
    u_rel: float
    u_rel_reading: float = 0.0


@dataclass(frozen=True)
class Scale:
    """The pixel size chosen, and the tilt.

    Parameters
    ----------
    pixel_size_um : (row, col) or None
        Pixel size in µm.
    u_rel : float
        Its relative standard uncertainty; ``nan`` where there is none.
    source : str
        Its source, ``"none"`` where there is none.
    tilt_deg, u_tilt_deg : float
        Tilt from the sheet, in degrees; ``nan`` where it is not given.
    acquisition : mapping
        Acquisition settings of the fixed list.
    flags : tuple of Raised
        Doubts.
    """

    pixel_size_um: tuple[float, float] | None
    u_rel: float
    source: str
    tilt_deg: float
    u_tilt_deg: float
    acquisition: Mapping[str, str | float]
    flags: tuple[Raised, ...]


def find_scale(
    raw: RawPage,
    sheet: Sheet | None,
    bar: DataBar | None,
    settings: ScaleSettings | None = None,
    bar_settings: ScaleBarSettings | None = None,
) -> Scale:
    """Return the pixel size, its source and doubt, and the tilt of a picture.

    Parameters
    ----------
    raw : RawPage
        The picture with its tags.
    sheet : mapping or None
        The picture's row of the specimen sheet.
    bar : DataBar or None
        Its data bar, where the scale bar is looked for first.
    settings, bar_settings : optional
        Doubt and plausibility of the sources.

    Notes
    -----
    The tilt is taken from the sheet only. A stage's tilt is that of the stub; the face leans on
    the stub by an angle of its own, so that the stage's reading cannot stand for the face's. It
    is kept among the acquisition settings.
    """
    settings = settings or ScaleSettings()
    sheet = sheet or {}
    flags: list[Raised] = []
    texts = _texts(raw)
    acquisition: dict[str, str | float] = {}
    for _, text in texts:
        for key, value in acquisition_settings(key_values(text)).items():
            acquisition.setdefault(key, value)
    candidates = _candidates(raw, sheet, texts, settings, flags)
    for candidate in candidates:
        if candidate.source == _INSTRUMENT:
            acquisition["pixel_size_um"] = float(f"{candidate.col_um:.6g}")
            acquisition["field_width_um"] = float(f"{candidate.col_um * _shape(raw)[1]:.6g}")
    # what is stated is of the file's pixels, what is drawn is measured in the picture's own
    candidates = [
        dataclasses.replace(candidate, row_um=candidate.row_um * raw.reduction,
                            col_um=candidate.col_um * raw.reduction)
        for candidate in candidates
    ]
    candidates += _drawn_bar(raw, sheet, bar, settings, bar_settings)
    tilt, u_tilt = _tilt(sheet, raw.file, settings, acquisition, flags)
    chosen = _choose(candidates, settings, flags)
    size = None if chosen is None else (chosen.row_um, chosen.col_um)
    return Scale(
        size, math.nan if chosen is None else chosen.u_rel,
        "none" if chosen is None else chosen.source, tilt, u_tilt,
        MappingProxyType(acquisition), tuple(flags),
    )


def _choose(
    candidates: list[Candidate], settings: ScaleSettings, flags: list[Raised]
) -> Candidate | None:
    """Return the first of the sources, unless another one contradicts it."""
    if not candidates:
        flags.append(raised("scale_unknown"))
        return None
    first = candidates[0]
    for other in candidates[1:]:
        difference = max(abs(other.col_um / first.col_um - 1), abs(other.row_um / first.row_um - 1))
        if difference > max(settings.max_difference, 2 * other.u_rel_reading):
            flags.append(raised(
                "scale_conflict",
                f"{first.source} {first.col_um:.5g} µm, {other.source} {other.col_um:.5g} µm",
            ))
            return None
    return first


def sheet_number(sheet: Sheet, key: str, file: str) -> float:
    """Return a number of the sheet's row, ``nan`` where the cell is empty.

    Raises
    ------
    ScaleError
        The cell holds something else.
    """
    value = sheet.get(key)
    if value is None or (isinstance(value, str) and not value.strip()):
        return math.nan
    try:
        return float(str(value).strip())
    except ValueError:
        raise ScaleError(f"{key} is {str(value)[:40]!r}", file=file, rule=f"{key} is a number",
                         remedy="Correct the specimen sheet.") from None


def _candidates(
    raw: RawPage,
    sheet: Sheet,
    texts: list[tuple[str, str]],
    settings: ScaleSettings,
    flags: list[Raised],
) -> list[Candidate]:
    found: list[Candidate] = []
    stated = sheet_number(sheet, "pixel_size_um", raw.file)
    if math.isfinite(stated):
        if not PLAUSIBLE_UM[0] <= stated <= PLAUSIBLE_UM[1]:
            raise ScaleError(
                f"pixel_size_um is {stated:g}", file=raw.file,
                rule=f"a pixel of a picture of a lens face is {PLAUSIBLE_UM[0]} to"
                     f" {PLAUSIBLE_UM[1]:g} µm wide",
                remedy="Write the pixel size in µm into the specimen sheet.",
            )
        found.append(Candidate("sheet", stated, stated, settings.u_rel_sheet))
    readings = [(_INSTRUMENT, TagScale(*raw.tag_pixel_size_um, "private tag 33560"))
                ] if raw.tag_pixel_size_um else []
    readings += _text_scales(texts, _shape(raw))
    resolution = _resolution_scale(raw, settings)
    if resolution is not None:
        readings.append((_RESOLUTION, resolution))
    order = (_INSTRUMENT, _SIDE, _OME, _RESOLUTION)
    for source, scale in sorted(readings, key=lambda item: order.index(item[0])):
        if all(PLAUSIBLE_UM[0] <= size <= PLAUSIBLE_UM[1] for size in (scale.row_um, scale.col_um)):
            found.append(Candidate(source, scale.row_um, scale.col_um, settings.u_rel_instrument))
        else:
            flags.append(raised("scale_implausible", f"{source}: {scale.col_um:.4g} µm"))
    return found


def _shape(raw: RawPage) -> tuple[int, int]:
    """Rows and columns of the picture in the file."""
    rows, cols = raw.pixels.shape
    return raw.file_shape if all(raw.file_shape) else (rows, cols)


def _texts(raw: RawPage) -> list[tuple[str, str]]:
    """Texts that may hold acquisition settings, with their source: tags first, then side files."""
    tagged = sorted(raw.texts.items(), key=lambda item: item[0] == 270)
    texts = [(_INSTRUMENT, decode_text(content)) for _, content in tagged]
    if raw.folder is not None:
        path = raw.folder / Path(raw.file).name
        for ending in _SIDE_FILES:
            for side in (path.with_suffix(ending), path.with_name(path.name + ending)):
                try:
                    if side.is_file() and side.stat().st_size <= _MAX_SIDE_BYTES:
                        texts.append((_SIDE, decode_text(side.read_bytes())))
                except OSError:
                    continue
    if raw.trailer:
        texts.append((_INSTRUMENT, decode_text(raw.trailer)))
    return texts


def _text_scales(
    texts: list[tuple[str, str]], shape: tuple[int, ...]
) -> list[tuple[str, TagScale]]:
    readings = []
    size = (shape[0], shape[1])
    for source, text in texts:
        if "<OME" in text[:4000]:
            scale, source = _ome_scale(text), _OME
        else:
            pairs = key_values(text)
            if any(key.startswith("ap_") for key in pairs):
                scale = scale_of_paired_lines(text, pairs, size)
            else:
                scale = scale_of_ini(pairs, size) or scale_of_pairs(pairs, size[1])
        if scale is not None:
            readings.append((source, scale))
    return readings


def _ome_scale(text: str) -> TagScale | None:
    """Physical pixel size of an OME-XML description (µm where no unit is given)."""
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        return None  # entities could blow up the text; the schema has none
    try:
        root = ElementTree.fromstring(text.strip())
    except ElementTree.ParseError:
        return None
    for element in root.iter():
        if element.tag.rsplit("}", 1)[-1] != "Pixels":
            continue
        col, row = (length_um(element.get(f"PhysicalSize{axis}"),
                              element.get(f"PhysicalSize{axis}Unit", "µm").lower())
                    for axis in "XY")
        if math.isfinite(col):
            return TagScale(row if math.isfinite(row) else col, col, "OME-XML")
    return None


def _resolution_scale(raw: RawPage, settings: ScaleSettings) -> TagScale | None:
    """Pixel size from the TIFF resolution tags, only where it can be that of an object."""
    row, col, unit = raw.resolution
    if not (row > 1 and col > 1) or abs(row / col - 1) > 0.2:
        return None
    if unit in (2, 3):
        per_um = {2: 25400.0, 3: 10000.0}[unit]
    else:
        # without a unit the description may name one (a line "unit=um")
        pairs = key_values(decode_text(raw.texts.get(270, b"")))
        per_um = length_um("1 " + pairs.get("unit", "").replace("\\u00b5", "µ"), "none")
        if not math.isfinite(per_um):
            return None
    sizes = per_um / row, per_um / col
    if not all(PLAUSIBLE_UM[0] <= size <= settings.max_resolution_tag_um for size in sizes):
        return None  # a screen's or printer's figure: not worth a flag, nearly every file has one
    return TagScale(sizes[0], sizes[1], "resolution tags")


def _drawn_bar(
    raw: RawPage,
    sheet: Sheet,
    bar: DataBar | None,
    settings: ScaleSettings,
    bar_settings: ScaleBarSettings | None,
) -> list[Candidate]:
    stated = sheet_number(sheet, "scale_bar_um", raw.file)
    if not math.isfinite(stated):
        return []
    if stated <= 0:
        raise ScaleError(f"scale_bar_um is {stated:g}", file=raw.file,
                         rule="a scale bar has a length above 0 µm",
                         remedy="Correct the specimen sheet.")
    found = find_scale_bar(raw.pixels, bar, bar_settings)
    if found is None:
        return []
    size = stated / found.length_px
    reading = found.u_length_px / found.length_px
    # the bar was drawn with the instrument's own scale, and shares its doubt
    return [Candidate("scale bar", size, size, math.hypot(settings.u_rel_instrument, reading),
                      reading)]


def _tilt(
    sheet: Sheet,
    file: str,
    settings: ScaleSettings,
    acquisition: Mapping[str, str | float],
    flags: list[Raised],
) -> tuple[float, float]:
    tilt = sheet_number(sheet, "tilt_deg", file)
    if not math.isfinite(tilt):
        flags.append(raised("tilt_unknown"))
        return math.nan, math.nan
    if not -80 <= tilt <= 80:
        raise ScaleError(f"tilt_deg is {tilt:g}", file=file,
                         rule="a face is tilted by less than 80° from the picture plane",
                         remedy="Correct the specimen sheet.")
    if abs(tilt) > settings.max_tilt_deg:
        flags.append(raised("tilt_large", f"{tilt:g}°"))
    if tilt and acquisition.get("tilt_correction") == "on":
        flags.append(raised("tilt_corrected_twice"))
    return tilt, settings.u_tilt_deg
