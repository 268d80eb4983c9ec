"""Acquisition settings that instruments write into their files, from a fixed list of keys.

Files also hold names of users, folders and samples; nothing but the keys of
``ACQUISITION_KEYS`` ever leaves this module.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

ACQUISITION_KEYS = (
    "accelerating_voltage_kv", "working_distance_mm", "detector", "dwell_time_us", "date",
    "magnification", "stage_tilt_deg", "tilt_correction", "pixel_size_um", "field_width_um",
)
"""The only keys that are passed on."""

_UNIT_UM = {"m": 1e6, "mm": 1e3, "um": 1.0, "µm": 1.0, "μm": 1.0, "micron": 1.0, "microns": 1.0,
            "nm": 1e-3, "pm": 1e-6, "fm": 1e-9}
_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([A-Za-zµμ°]*)")
_KEY_LINE = re.compile(r"^\s*[$;#]*\s*([A-Za-z][\w .()/\[\]-]{0,63}?)\s*[=:]\s*(.*)$")
_DOLLAR_LINE = re.compile(r"^\$+\s*(\w+)\s+(.*)$")
_PAIR_KEY = re.compile(r"^[A-Z]{2}_[A-Z0-9_]+$")
_DETECTOR = re.compile(r"^[A-Za-z0-9][A-Za-z0-9 +/-]{0,23}$")
# Object pixel sizes of an electron microscope at which a face of a lens can be examined.
PLAUSIBLE_UM = (0.0005, 20.0)

Pairs = Mapping[str, str]


@dataclass(frozen=True)
class TagScale:
    """A pixel size that one text gave.

    Parameters
    ----------
    row_um, col_um : float
        Pixel size in µm along rows' and columns' direction.
    how : str
        How it was had, in words.
    """

    row_um: float
    col_um: float
    how: str


def decode_text(raw: bytes) -> str:
    """Return the text of a tag or side file, whatever of the usual codings it is in."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", "replace")
    head = raw[:400]
    if head.count(0) > len(head) // 3:  # two bytes a letter, without a mark
        return raw.decode("utf-16-le" if head[1:2] == b"\0" else "utf-16-be", "replace")
    try:
        return raw.rstrip(b"\0").decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def key_values(text: str) -> dict[str, str]:
    """Return the key-value pairs of a text, keys in lower case as ``section.key``.

    Understood: ``key = value`` and ``key: value`` lines with ``[section]`` headings,
    ``$KEY value`` lines, and pairs of lines where ``AP_KEY`` is followed by ``Name = value``.
    """
    pairs: dict[str, str] = {}
    section = ""
    pending = ""
    for line in text.splitlines()[:20000]:
        stripped = line.strip().strip("\0")
        if _PAIR_KEY.match(stripped):
            pending = stripped.lower()
            continue
        heading = re.match(r"^\[([^\]]{1,64})\]$", stripped)
        if heading:
            section, pending = heading.group(1).strip().lower(), ""
            continue
        dollar = _DOLLAR_LINE.match(stripped)
        match = dollar or _KEY_LINE.match(stripped)
        if match:
            key = match.group(1).strip().lower().replace(" ", "_")
            pairs.setdefault(f"{section}.{key}" if section else key, match.group(2).strip())
            if pending:
                pairs.setdefault(pending, match.group(2).strip())
        pending = ""
    return pairs


def number(text: str | None) -> tuple[float, str]:
    """Return the leading number of a text and the unit behind it; ``nan`` where there is none."""
    match = _NUMBER.match(text or "")
    if not match:
        return math.nan, ""
    return float(match.group(1)), match.group(2)


def length_um(text: str | None, unit: str = "") -> float:
    """Return a length in µm; a bare number is taken in ``unit``, or in the one plausible unit.

    ``nan`` where there is no number, where the unit is no length, or where a bare number could
    be a pixel size in more than one unit.
    """
    value, given = number(text)
    given = given.lower() or unit
    if not math.isfinite(value) or value <= 0:
        return math.nan
    if given:
        return value * _UNIT_UM.get(given, math.nan)
    fits = [value * factor for factor in (1e6, 1.0, 1e-3)
            if PLAUSIBLE_UM[0] <= value * factor <= PLAUSIBLE_UM[1]]
    return fits[0] if len(fits) == 1 else math.nan


def _first(pairs: Pairs, keys: Iterable[str]) -> str | None:
    for key in keys:
        if pairs.get(key, "").strip():
            return pairs[key]
    return None


def _width_px(stored: tuple[float, float], shape: tuple[int, int]) -> float:
    """Return the number of picture pixels that the whole field was stored on, in this picture's.

    A picture of the stored proportions (a data bar may be added below) was resampled, and its
    width is the field's; one of other proportions was cropped, and keeps the stored pixel size.
    """
    rows, cols = shape
    stored_cols, stored_rows = stored
    if not (math.isfinite(stored_cols) and math.isfinite(stored_rows) and stored_cols > 0):
        return float(cols)
    factor = cols / stored_cols
    resampled = 0.98 * factor <= rows / max(stored_rows, 1.0) <= 1.2 * factor
    return float(cols) if resampled else stored_cols


def scale_of_paired_lines(text: str, pairs: Pairs, shape: tuple[int, int]) -> TagScale | None:
    """Pixel size from the text of private tag 34118 (or a side file in its form).

    The field width over the stored picture's width goes first, because a stored pixel size may
    belong to a screen of another width. The unnamed number at the head of the text has more
    digits and is taken where it agrees. Keys of other beams (``AP_FIB_...``) are never read.
    """
    sizes = [length_um(pairs.get(key)) for key in ("ap_image_pixel_size", "ap_pixel_size")]
    head = [number(line)[0] * 1e6 for line in text.splitlines()[3:4]]
    width = length_um(pairs.get("ap_width"))
    named = [size for size in sizes if math.isfinite(size)]
    if math.isfinite(width):
        stored = [number(part)[0] for part in pairs.get("dp_image_store", "").split("*")]
        pair = (stored[0], stored[1]) if len(stored) == 2 else (math.nan, math.nan)
        value, how = width / _width_px(pair, shape), "field width / picture width"
    elif named:
        value, how = named[0], "named pixel size"
    elif head and math.isfinite(head[0]) and head[0] > 0:
        value, how = head[0], "unnamed pixel size"
    else:
        return None
    # the named values are rounded to four digits
    for precise in head:
        if math.isfinite(precise) and abs(precise / value - 1) < 2e-3:
            value = precise
    return TagScale(value, value, how)


def scale_of_ini(pairs: Pairs, shape: tuple[int, int]) -> TagScale | None:
    """Pixel size from the sectioned text of private tags 34680 and 34682, in metres.

    The section is that of the beam which wrote the picture (``Beam=`` in ``[Beam]``).
    """
    beam = pairs.get("beam.beam", "EBeam").strip().lower()
    scan = pairs.get("beam.scan", "EScan").strip().lower()
    sections = (beam, scan, "scan", "image")
    width = _first(pairs, [f"{s}.{k}" for s in sections for k in ("hfw", "horfieldsize")])
    pixel = [_first(pairs, [f"{s}.{k}" for s in (scan, "scan", beam)])
             for k in ("pixelheight", "pixelwidth")]
    row_um, col_um = (length_um(value, "m") for value in pixel)
    width_um = length_um(width, "m")
    aspect = row_um / col_um if math.isfinite(row_um) and math.isfinite(col_um) else 1.0
    if not 0.2 <= aspect <= 5:
        aspect = 1.0
    if math.isfinite(width_um):
        stored = (number(pairs.get("image.resolutionx"))[0],
                  number(pairs.get("image.resolutiony"))[0])
        value, how = width_um / _width_px(stored, shape), "field width / picture width"
        if math.isfinite(col_um) and abs(col_um / value - 1) < 2e-3:
            value = col_um
    elif math.isfinite(col_um):
        value, how = col_um, "named pixel size"
    else:
        return None
    return TagScale(value * aspect, value, how)


def scale_of_pairs(pairs: Pairs, cols: int) -> TagScale | None:
    """Pixel size from plain key-value text: field width, pixel size, or micron bar and length."""
    bare = {key.rsplit(".", 1)[-1]: value for key, value in reversed(list(pairs.items()))}
    unit = (bare.get("pixelsizeunit") or bare.get("scaleunit") or "").strip().lower()
    width_key = _first(bare, ("hfw", "field_width", "fieldwidth", "horfieldsize", "field_of_view",
                              "hor_field_size"))
    width = length_um(width_key, "m") if number(width_key)[1] else math.nan
    if math.isfinite(width):
        return TagScale(width / cols, width / cols, "field width / picture width")
    # in the one header that stands alone under this section a bare number is in nanometres
    if not unit and "semimagefile.pixelsize" in pairs:
        unit = "nm"
    col_um = length_um(_first(bare, ("pixelsizex", "pixel_size_x", "pixelsize", "pixel_size",
                                     "image_pixel_size", "pixelwidth", "pixel_width")), unit)
    row_um = length_um(_first(bare, ("pixelsizey", "pixel_size_y", "pixelheight",
                                     "pixel_height")), unit)
    stored = number(bare.get("datasize") or bare.get("imagewidth"))[0]
    if math.isfinite(col_um):
        # a resampled copy: the size given belongs to the stored width
        factor = stored / cols if math.isfinite(stored) and stored >= 64 else 1.0
        row_um = row_um if math.isfinite(row_um) else col_um
        return TagScale(row_um * factor, col_um * factor, "named pixel size")
    bar_px = number(_first(bare, ("sm_micron_bar",)))[0]
    bar_um = length_um(_first(bare, ("sm_micron_marker",)))
    if math.isfinite(bar_um) and math.isfinite(bar_px) and bar_px > 0:
        return TagScale(bar_um / bar_px, bar_um / bar_px, "micron bar and its length")
    return None


def acquisition_settings(pairs: Pairs) -> dict[str, str | float]:
    """Return the settings of the fixed list that a text gives; nothing else passes."""
    beam = pairs.get("beam.beam", "EBeam").strip().lower()
    found: dict[str, str | float] = {}

    def put(key: str, value: float) -> None:
        if math.isfinite(value):
            found[key] = float(f"{value:.6g}")

    volts, unit = number(_first(pairs, ("ap_actualkv", "ap_manualkv", f"{beam}.hv", "beam.hv",
                                        "cm_accel_volt", "acceleratingvoltage")))
    put("accelerating_voltage_kv", volts / 1e3 if unit.lower() == "v" or volts > 100 else volts)
    distance = _first(pairs, ("ap_wd", f"{beam}.wd", "stage.workingdistance"))
    put("working_distance_mm", length_um(distance, "m") / 1e3)
    put("magnification", _magnification(_first(pairs, ("ap_mag", "cm_mag"))))
    put("dwell_time_us", _seconds(_first(pairs, ("dp_dwell_time", "scan.dwelltime",
                                                 "escan.dwell"))) * 1e6)
    radians = number(_first(pairs, ("stage.staget", f"{beam}.stageta")))[0]
    degrees = number(pairs.get("ap_stage_at_t"))[0]
    put("stage_tilt_deg", degrees if math.isfinite(degrees) else math.degrees(radians))
    correction = _first(pairs, ("dp_tilt_correction", f"{beam}.tiltcorrectionison"))
    if correction is not None and correction.strip().lower() in ("on", "yes", "off", "no"):
        found["tilt_correction"] = "on" if correction.lower().strip() in ("on", "yes") else "off"
    detector = _first(pairs, ("dp_detector_type", "dp_detector_channel", "detectors.name",
                              "cm_signal"))
    if detector and _DETECTOR.match(detector.strip()):
        found["detector"] = detector.strip()
    day = _first(pairs, ("ap_date", "user.date", "cm_date"))
    if day and re.fullmatch(r"[0-9]{1,4}[ ./-]([0-9]{1,2}|[A-Z][a-z]{2})[ ./-][0-9]{2,4}",
                            day.strip()):
        found["date"] = day.strip()
    return found


def _magnification(text: str | None) -> float:
    value, unit = number(text)
    return value * 1e3 if unit.lower() == "k" else value


def _seconds(text: str | None) -> float:
    value, unit = number(text)
    return value * {"ns": 1e-9, "us": 1e-6, "µs": 1e-6, "ms": 1e-3}.get(unit.lower(), 1.0)
