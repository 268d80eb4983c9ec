"""What a picture file's header promises, read before any pixel memory is asked for.

Every format is checked with a few bytes of its header, because a decoder that trusts a header
asks for whatever memory the header names.
"""

from __future__ import annotations

import os
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from edgeqc.errors import ImageError
from edgeqc.imaging.tiff_directory import TiffPage, tiff_pages

FileFormat = Literal["TIFF", "PNG", "JPEG", "BMP"]

_SMALLEST_FILE_BYTES = 26
# One deflated byte never stands for more than 1032 bytes (RFC 1951: 258 bytes per 2 bits).
_DEFLATE_RATIO = 1032
# A blank 8 x 8 block takes at least two bits in a sequential JPEG; end-of-band runs of a
# progressive one go further, so that the limit is taken ten times as high.
_JPEG_PIXELS_PER_BYTE = 2560
_JPEG_FRAMES = frozenset({0xC0, 0xC1, 0xC2})
_JPEG_OTHER_FRAMES = frozenset({0xC3, 0xC5, 0xC6, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF})
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True)
class FileHeader:
    """What the header says.

    Parameters
    ----------
    format : {"TIFF", "PNG", "JPEG", "BMP"}
        File format, by the file's first bytes (never by its name).
    shapes : tuple of (rows, cols)
        Size of each page.
    tiff : tuple of TiffPage
        The pages' directories where the file is a TIFF, else empty.
    """

    format: FileFormat
    shapes: tuple[tuple[int, int], ...]
    tiff: tuple[TiffPage, ...] = ()


def read_header(path: Path, *, name: str, max_pixels: int, max_pages: int = 1000) -> FileHeader:
    """Return what a picture file's header promises, after checking that it can be true.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        The file's name for messages.
    max_pixels : int
        Largest number of pixels of one page.
    max_pages : int
        Largest number of pages.

    Raises
    ------
    ImageError
        The file is missing, empty, no picture, cut short, or promises an absurd size.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            start = stream.read(16)
    except OSError as error:
        raise ImageError(
            f"the file cannot be read ({error.strerror or type(error).__name__})",
            file=name, remedy="Check that the file is there and may be read.",
        ) from None
    if size == 0:
        raise ImageError("the file is empty (0 bytes)", file=name,
                         rule="a picture file holds pixels", remedy="Copy it again.")
    kind = _format(start, name)
    if size < _SMALLEST_FILE_BYTES:
        raise _cut_short(name, f"it has only {size} bytes")
    if kind == "TIFF":
        pages = tiff_pages(path, name=name, max_pages=max_pages)
        header = FileHeader(kind, tuple((page.rows, page.cols) for page in pages), pages)
    else:
        shape = {"PNG": _png_shape, "JPEG": _jpeg_shape, "BMP": _bmp_shape}[kind](path, name)
        header = FileHeader(kind, (shape,))
    for rows, cols in header.shapes:
        check_size(rows, cols, name=name, max_pixels=max_pixels)
    _check_enough_data(header, size, name)
    return header


def check_size(rows: int, cols: int, *, name: str, max_pixels: int) -> None:
    """Raise ``ImageError`` where a promised picture size is zero or absurd."""
    if rows <= 0 or cols <= 0:
        raise ImageError(f"its header promises a picture of {cols} x {rows} pixels", file=name,
                         rule="a picture has at least one row and one column",
                         remedy="Export the picture again.")
    if rows * cols > max_pixels:
        raise ImageError(
            f"its header promises {cols} x {rows} pixels ({rows * cols / 1e6:,.0f} megapixels)",
            file=name, rule=f"a picture has at most {max_pixels / 1e6:,.0f} megapixels",
            remedy="Export the picture again, or raise the limit in the protocol.",
        )


def _format(start: bytes, name: str) -> FileFormat:
    if start[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if start[:8] == _PNG_SIGNATURE:
        return "PNG"
    if start[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if start[:2] == b"BM":
        return "BMP"
    text = all(byte in b"\t\r\n" or 32 <= byte < 127 for byte in start)
    raise ImageError(
        "it is a text file, not a picture" if text else "its first bytes are of no known format",
        file=name, rule="pictures are TIFF, PNG, JPEG or BMP files, whatever their name ends in",
        remedy="Export the picture again as one of these.",
    )


def _cut_short(name: str, what: str) -> ImageError:
    return ImageError(f"the file is cut short: {what}", file=name,
                      rule="all that the header promises is in the file",
                      remedy="Copy the file again from the instrument.")


def _check_enough_data(header: FileHeader, size: int, name: str) -> None:
    rows, cols = header.shapes[0]
    per_byte = {"PNG": 8 * _DEFLATE_RATIO, "JPEG": _JPEG_PIXELS_PER_BYTE}.get(header.format)
    if per_byte is not None and rows * cols > per_byte * size:
        raise _cut_short(name, f"{size} bytes cannot hold {cols} x {rows} pixels")


def _png_shape(path: Path, name: str) -> tuple[int, int]:
    """Size of a PNG; walks all chunks, because decoders fill a missing part with black."""
    shape = (0, 0)
    with path.open("rb") as stream:
        stream.seek(len(_PNG_SIGNATURE))
        first = True
        while True:
            head = stream.read(8)
            if len(head) < 8:
                raise _cut_short(name, "its last chunk is missing")
            length, kind = struct.unpack(">I4s", head)
            if kind == b"IHDR" or first:
                if kind != b"IHDR" or length != 13 or not first:
                    raise ImageError("its PNG header is damaged", file=name,
                                     remedy="Copy the file again.")
                body = stream.read(length)
            else:
                body = b""
            _check_chunk(stream, kind, length, body, name)
            if first:
                cols, rows = struct.unpack(">II", body[:8])
                shape = (rows, cols)
                first = False
            if kind == b"IEND":
                return shape


def _check_chunk(stream: object, kind: bytes, length: int, body: bytes, name: str) -> None:
    crc = zlib.crc32(body, zlib.crc32(kind))
    left = length - len(body)
    read = stream.read  # type: ignore[attr-defined]
    while left > 0:
        part = read(min(left, 1 << 20))
        if not part:
            raise _cut_short(name, "a chunk ends early")
        crc = zlib.crc32(part, crc)
        left -= len(part)
    stored = read(4)
    if len(stored) < 4:
        raise _cut_short(name, "a chunk ends early")
    if struct.unpack(">I", stored)[0] != crc:
        raise ImageError("a part of the file does not match its check sum", file=name,
                         rule="every chunk of a PNG agrees with its CRC",
                         remedy="Copy the file again.")


def _jpeg_shape(path: Path, name: str) -> tuple[int, int]:
    """Size of a JPEG; needs its end marker, because decoders fill a missing part with grey."""
    data = path.read_bytes()
    if data.rfind(b"\xff\xd9", max(0, len(data) - 65536)) < 0:
        raise _cut_short(name, "its end marker is missing")
    position = 2
    while position + 9 < len(data):
        if data[position] != 0xFF:
            break
        marker = data[position + 1]
        if marker == 0xFF:  # fill byte
            position += 1
            continue
        if marker in _JPEG_OTHER_FRAMES:
            raise ImageError(f"its JPEG coding (frame type {marker:#x}) is not supported",
                             file=name, rule="a JPEG is baseline, extended or progressive",
                             remedy="Export the picture as TIFF or PNG.")
        if marker in _JPEG_FRAMES:
            rows, cols = struct.unpack(">HH", data[position + 5 : position + 9])
            return rows, cols
        if marker == 0xDA:
            break
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            position += 2
            continue
        position += 2 + struct.unpack(">H", data[position + 2 : position + 4])[0]
    raise ImageError("its JPEG header is damaged", file=name, rule="a JPEG names its size",
                     remedy="Copy the file again.")


def _bmp_shape(path: Path, name: str) -> tuple[int, int]:
    size = os.stat(path).st_size
    with path.open("rb") as stream:
        head = stream.read(54).ljust(54, b"\0")
    offset, info = struct.unpack("<II", head[10:18])
    if info == 12:
        cols, rows, _, bits = struct.unpack("<HHHH", head[18:26])
        compression = 0
    elif info >= 40:
        cols, rows, _, bits, compression = struct.unpack("<iiHHI", head[18:34])
    else:
        raise ImageError(f"its BMP header has an impossible size ({info} bytes)", file=name,
                         remedy="Copy the file again.")
    rows = abs(rows)  # negative: stored from the top
    if bits not in (1, 4, 8, 16, 24, 32) or compression not in (0, 3):
        raise ImageError(f"its BMP coding ({bits} bits, compression {compression}) is not"
                         " supported", file=name, rule="a BMP is uncompressed",
                         remedy="Export the picture as TIFF or PNG.")
    if cols > 0 and size < offset + rows * ((cols * bits + 31) // 32 * 4):
        raise _cut_short(name, f"{size} bytes cannot hold {cols} x {rows} pixels")
    return rows, cols
