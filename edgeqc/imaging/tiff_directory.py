"""The directories of a TIFF file, read with every promise checked against the file's length."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from edgeqc.errors import ImageError

# TIFF 6.0 (1992), section 2, and the BigTIFF extension: bytes and struct letter of a field type.
_TYPES = {1: (1, "B"), 2: (1, "s"), 3: (2, "H"), 4: (4, "I"), 6: (1, "b"), 7: (1, "s"),
          8: (2, "h"), 9: (4, "i"), 13: (4, "I"), 16: (8, "Q"), 17: (8, "q"), 18: (8, "Q")}
_WIDTH, _LENGTH, _BITS, _COMPRESSION, _PHOTOMETRIC = 256, 257, 258, 259, 262
_STRIP_OFFSETS, _SAMPLES, _STRIP_COUNTS = 273, 277, 279
_TILE_WIDTH, _TILE_LENGTH, _TILE_OFFSETS, _TILE_COUNTS, _FORMAT = 322, 323, 324, 325, 339
_ROWS_PER_STRIP, _PLANAR = 278, 284
_WANTED = frozenset({
    254, _WIDTH, _LENGTH, _BITS, _COMPRESSION, _PHOTOMETRIC, _STRIP_OFFSETS, _SAMPLES,
    _ROWS_PER_STRIP, _STRIP_COUNTS, _PLANAR, _TILE_WIDTH, _TILE_LENGTH, _TILE_OFFSETS,
    _TILE_COUNTS, _FORMAT,
})
_MAX_VALUES = 4_000_000  # segments of a page: a 300-megapixel page of 16 x 16 tiles has 1.2 million
_MAX_ENTRIES = 4096
_MAX_SAMPLES = 16
_TEXT_TAGS = frozenset({270, 33471, 34118, 34119, 34680, 34682, 50431, 51023})
_RESOLUTION_TAGS = (282, 283, 296)
_MAX_TEXT_BYTES = 4_000_000
_RATIO = {1: 1, 5: 2048, 7: 2560, 8: 1032, 32946: 1032, 32773: 64}


@dataclass(frozen=True)
class TiffPage:
    """One page's directory.

    Parameters
    ----------
    rows, cols : int
        Size of the picture in pixels.
    bits : int
        Bits per sample.
    samples : int
        Samples per pixel.
    compression : int
        Compression tag (1 none, 5 LZW, 8 deflate, ...).
    photometric : int
        Photometric interpretation (0 white is zero, 1 black is zero, 2 RGB, 3 palette, ...).
    reduced : bool
        True for a thumbnail of another page.
    segments : int
        Number of strips or tiles.
    resolution : (row, col, unit)
        Resolution tags: pixels per unit along rows and columns, unit 1 none, 2 inch, 3 cm;
        zeros where the tags are missing.
    texts : tuple of (tag, bytes)
        Contents of the description and of the private tags that may hold acquisition settings.
    """

    rows: int
    cols: int
    bits: int
    samples: int
    compression: int
    photometric: int
    reduced: bool
    segments: int
    resolution: tuple[float, float, int] = (0.0, 0.0, 1)
    texts: tuple[tuple[int, bytes], ...] = field(default=(), repr=False)


def tiff_pages(path: Path, *, name: str, max_pages: int) -> tuple[TiffPage, ...]:
    """Return the directories of a TIFF file's pages.

    Raises
    ------
    ImageError
        A directory lies outside the file, or promises more than the file can hold.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(16)
        order = "<" if head[:2] == b"II" else ">"
        big = head[2:4] in (b"+\0", b"\0+")
        if big and len(head) < 16:
            raise _damaged(name, "its header ends early")
        offset = struct.unpack(order + ("Q" if big else "I"), head[8:16] if big else head[4:8])[0]
        pages: list[TiffPage] = []
        seen: set[int] = set()
        while offset:
            if offset in seen:
                raise _damaged(name, "its pages form a loop")
            if len(pages) >= max_pages:
                raise ImageError(f"it has more than {max_pages} pages", file=name,
                                 rule=f"a picture file has at most {max_pages} pages",
                                 remedy="Split the file.")
            seen.add(offset)
            tags, entries, offset = _directory(stream, offset, order, big, size, name)
            extras = _extras(stream, entries, order, big)
            pages.append(_page(tags, extras, order, size, name))
    if not pages:
        raise _damaged(name, "it has no page")
    return tuple(pages)


def _damaged(name: str, what: str) -> ImageError:
    return ImageError(f"its TIFF structure is damaged or cut short: {what}", file=name,
                      rule="all that the header promises is in the file",
                      remedy="Copy the file again from the instrument.")


def _directory(
    stream: BinaryIO, offset: int, order: str, big: bool, size: int, name: str
) -> tuple[dict[int, tuple[int, ...]], dict[int, bytes], int]:
    count_letter, entry, link = ("Q", 20, "Q") if big else ("H", 12, "I")
    count_bytes, link_bytes = struct.calcsize(count_letter), struct.calcsize(link)
    if offset + count_bytes > size:
        raise _damaged(name, f"a directory at byte {offset} of {size}")
    stream.seek(offset)
    count = struct.unpack(order + count_letter, stream.read(count_bytes))[0]
    if not 0 < count <= _MAX_ENTRIES:
        raise _damaged(name, f"a directory of {count} entries")
    body = stream.read(count * entry)
    tail = stream.read(link_bytes)
    if len(body) < count * entry:
        raise _damaged(name, "a directory ends early")
    tags, entries = {}, {}
    for position in range(0, count * entry, entry):
        raw = body[position : position + entry]
        code = struct.unpack(order + "H", raw[:2])[0]
        if code in _TEXT_TAGS or code in _RESOLUTION_TAGS:
            entries[code] = raw
        if code in _WANTED:
            tags[code] = _values(stream, raw, order, big, size, name)
    following = struct.unpack(order + link, tail)[0] if len(tail) == link_bytes else 0
    return tags, entries, following


def _extras(
    stream: BinaryIO, entries: dict[int, bytes], order: str, big: bool
) -> dict[int, bytes]:
    """Contents of the text and resolution tags; what lies outside the file is left out."""
    extras = {}
    for code, raw in entries.items():
        kind = struct.unpack(order + "H", raw[2:4])[0]
        count = struct.unpack(order + ("Q" if big else "I"), raw[4:12] if big else raw[4:8])[0]
        cell = raw[12:20] if big else raw[8:12]
        # rationals are two 4-byte numbers; private tags come as bytes, text or undefined
        width = 8 if kind == 5 else _TYPES.get(kind, (1, "B"))[0]
        length = min(count * width, _MAX_TEXT_BYTES)
        if count * width <= len(cell):
            extras[code] = cell[:length]
        else:
            stream.seek(struct.unpack(order + ("Q" if big else "I"), cell)[0])
            extras[code] = stream.read(length)
    return extras


def _resolution(extras: dict[int, bytes], order: str) -> tuple[float, float, int]:
    values = []
    for code in (283, 282):
        raw = extras.get(code, b"")
        above, below = struct.unpack(order + "II", raw) if len(raw) == 8 else (0, 1)
        values.append(above / below if below else 0.0)
    raw = extras.get(296, b"")
    unit = struct.unpack(order + "H", raw)[0] if len(raw) == 2 else 2  # TIFF 6.0: inch by default
    return values[0], values[1], unit


def _values(
    stream: BinaryIO, raw: bytes, order: str, big: bool, size: int, name: str
) -> tuple[int, ...]:
    kind = struct.unpack(order + "H", raw[2:4])[0]
    count = struct.unpack(order + ("Q" if big else "I"), raw[4:12] if big else raw[4:8])[0]
    cell = raw[12:20] if big else raw[8:12]
    if kind not in _TYPES or count == 0:
        return ()
    width, letter = _TYPES[kind]
    if letter == "s":
        letter = "B"
    if count > _MAX_VALUES or count * width > size:
        raise _damaged(name, f"a list of {count} values in a file of {size} bytes")
    if count * width <= len(cell):
        data = cell[: count * width]
    else:
        stream.seek(struct.unpack(order + ("Q" if big else "I"), cell)[0])
        data = stream.read(count * width)
        if len(data) < count * width:
            raise _damaged(name, "a list of values lies outside the file")
    return tuple(int(value) for value in struct.unpack(f"{order}{count}{letter}", data))


def _one(tags: dict[int, tuple[int, ...]], code: int, default: int) -> int:
    values = tags.get(code, ())
    return values[0] if values else default


def _page(
    tags: dict[int, tuple[int, ...]], extras: dict[int, bytes], order: str, size: int, name: str
) -> TiffPage:
    if not tags.get(_WIDTH) or not tags.get(_LENGTH):
        raise _damaged(name, "a page without width or length")
    tiled = _TILE_OFFSETS in tags
    offsets = tags.get(_TILE_OFFSETS if tiled else _STRIP_OFFSETS, ())
    counts = tags.get(_TILE_COUNTS if tiled else _STRIP_COUNTS, ())
    page = TiffPage(
        rows=tags[_LENGTH][0], cols=tags[_WIDTH][0], bits=_one(tags, _BITS, 1),
        samples=_one(tags, _SAMPLES, 1), compression=_one(tags, _COMPRESSION, 1),
        photometric=_one(tags, _PHOTOMETRIC, 1), reduced=bool(_one(tags, 254, 0) & 1),
        segments=len(offsets),
        resolution=_resolution(extras, order),
        texts=tuple((code, raw) for code, raw in extras.items() if code in _TEXT_TAGS),
    )
    if not 1 <= page.samples <= _MAX_SAMPLES or page.bits not in (1, 2, 4, 8, 16, 32, 64):
        raise ImageError(f"it has {page.samples} samples of {page.bits} bits per pixel", file=name,
                         rule="a picture has 1 to 4 samples of 1 to 64 bits",
                         remedy="Export it as an 8-bit or 16-bit grey TIFF.")
    if not offsets:
        raise _damaged(name, "a page without pixel data")
    needed = page.rows * page.cols * page.samples * page.bits // 8
    if tiled:
        tile = _one(tags, _TILE_WIDTH, 0) * _one(tags, _TILE_LENGTH, 0)
        if tile <= 0 or tile > 64 * max(page.rows * page.cols, 1 << 20):
            raise _damaged(name, f"tiles of {tile} pixels")
    if counts and len(counts) != len(offsets):
        raise _damaged(name, f"{len(offsets)} strips or tiles with {len(counts)} lengths")
    if counts:
        if any(o + n > size for o, n in zip(offsets, counts, strict=True)):
            raise _damaged(name, "its pixel data end after the file does")
        held = sum(counts)
    else:
        held = size - min(offsets)
    if needed > held * _RATIO.get(page.compression, 4096):
        raise _damaged(name, f"{held} bytes of pixel data for {page.cols} x {page.rows} pixels")
    return page
