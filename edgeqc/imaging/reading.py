"""Reading picture files: every page its own raw picture, every fault a clear error."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from edgeqc.errors import EdgeqcError, ImageError
from edgeqc.flags import Raised, raised
from edgeqc.imaging.block_means import array_parts, block_means, reduction_for, tiff_parts
from edgeqc.imaging.headers import FileHeader, read_header
from edgeqc.imaging.tiff_directory import TiffPage

# The TIFF library reports oddities through its logger; without any handler they would be printed.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

# Rec. ITU-R BT.601-7: luminance from red, green and blue.
_LUMINANCE = np.array([0.299, 0.587, 0.114], np.float32)
# Colours closer than this are grey: JPEG stores colour coarsely and gives greys a tint.
_GREY_TOLERANCE = 6 / 255
_TRAILER_BYTES = 32768
_TRAILER_LEAST = 40  # characters: shorter runs occur in pixel data by chance
_COMPRESSIONS = {1, 5, 7, 8, 32773, 32946}
_BY_PIECES = {1, 8, 32773, 32946}  # decoded a strip or tile at a time
_COMPRESSION_NAMES = {2: "fax", 3: "fax", 4: "fax", 6: "old JPEG", 34712: "JPEG 2000",
                      34887: "LERC", 34925: "LZMA", 50000: "Zstandard", 50001: "WebP",
                      50002: "JPEG XL", 52546: "JPEG XL"}


@dataclass(frozen=True)
class ReadingLimits:
    """Limits of reading.

    Parameters
    ----------
    max_pixels : int
        Largest picture, in pixels, that is read; larger promises are refused unread.
    max_pages : int
        Largest number of pages of one file.
    max_whole_pixels : int
        Largest picture, in pixels, that is measured as it is; a larger one is read strip by
        strip and measured on the means of blocks of pixels.
    reduced_pixels : int
        Most blocks that such a picture is read into: with more, measuring would take more than
        1.5 GB.
    """

    max_pixels: int = 400_000_000
    max_pages: int = 1000
    max_whole_pixels: int = 40_000_000
    reduced_pixels: int = 20_000_000


@dataclass(frozen=True)
class RawPage:
    """One page of a picture file, before calibration.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels, 0 to 1 of the file format's range.
    finite : (rows, cols) bool array
        False where the file holds no number.
    file, page, pages, sha256
        As in ``ImageSource``.
    texts : mapping of int to bytes
        Contents of the description and private tags (never passed on as they are).
    resolution : (row, col, unit)
        TIFF resolution tags: pixels per unit; unit 1 none, 2 inch, 3 cm.
    folder : Path or None
        Where side files are looked for.
    tag_pixel_size_um : (row, col) or None
        Pixel size from private tag 33560, which is read while the file is open.
    trailer : bytes
        The file's last bytes, where some instruments write their settings as text.
    flags : tuple of Raised
        Doubts that arose while reading.
    reduction : int
        Each pixel is the mean of a block of reduction x reduction pixels of the file.
    file_shape : (rows, cols)
        Size of the picture in the file; zeros where it is that of ``pixels``.
    """

    pixels: NDArray[np.float32]
    finite: NDArray[np.bool_]
    file: str
    page: int
    pages: int
    sha256: str
    texts: Mapping[int, bytes] = field(default_factory=dict, repr=False)
    resolution: tuple[float, float, int] = (0.0, 0.0, 1)
    folder: Path | None = field(default=None, repr=False)
    tag_pixel_size_um: tuple[float, float] | None = None
    trailer: bytes = field(default=b"", repr=False)
    flags: tuple[Raised, ...] = ()
    reduction: int = 1
    file_shape: tuple[int, int] = (0, 0)


def read_pages(
    path: str | Path, *, name: str | None = None, limits: ReadingLimits | None = None
) -> tuple[RawPage, ...]:
    """Return the pages of a picture file as raw grey pictures.

    Parameters
    ----------
    path : str or Path
        A TIFF, PNG, JPEG or BMP file; what it is is told by its first bytes.
    name : str, optional
        Name for records and messages; the file's own name by default.
    limits : ReadingLimits, optional
        Largest picture and number of pages.

    Returns
    -------
    tuple of RawPage
        In the file's order; thumbnails stored beside a picture are left out.

    Raises
    ------
    ImageError
        The file cannot be read, for whatever reason.
    """
    path = Path(path)
    name = path.name if name is None else name
    limits = limits or ReadingLimits()
    try:
        header = read_header(path, name=name, max_pixels=limits.max_pixels,
                             max_pages=limits.max_pages)
        digest = _sha256(path)
        if header.format == "TIFF":
            return _read_tiff(path, header, name, digest, limits)
        array = _decode(path, name)
        if array.shape[:2] != header.shapes[0]:
            raise _undecodable(name, "the decoder found another size than the header's")
        shape = (array.shape[0], array.shape[1])
        side = _side(*shape, limits)
        if side > 1:
            array = block_means(array_parts(array), array.shape, side)
        pixels, finite, flags = _to_grey(array, name=name)
        return (RawPage(pixels, finite, name, 1, 1, digest, folder=path.parent,
                        trailer=_trailer(path), flags=(*flags, *_reduced(side)),
                        reduction=side, file_shape=shape),)
    except EdgeqcError:
        raise
    except MemoryError:
        raise ImageError("there is not enough memory for it", file=name,
                         remedy="Use a machine with more memory or a smaller picture.") from None
    except Exception as error:  # decoders raise anything on damaged files
        raise _undecodable(name, f"{type(error).__name__}") from error


def _undecodable(name: str, what: str) -> ImageError:
    return ImageError(f"its pixels cannot be decoded ({what})", file=name,
                      rule="the pixel data agree with the header",
                      remedy="Copy the file again, or export it as an uncompressed TIFF.")


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while part := stream.read(1 << 20):
            digest.update(part)
    return digest.hexdigest()


def _trailer(path: Path) -> bytes:
    """Text at the very end of the file, empty where there is none."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - _TRAILER_BYTES))
        tail = stream.read().rstrip(b"\0\r\n\t ")
    start = len(tail)
    while start and (tail[start - 1] in b"\t\r\n" or 32 <= tail[start - 1] < 127):
        start -= 1
    return tail[start:] if len(tail) - start >= _TRAILER_LEAST else b""


def _decode(path: Path, name: str) -> NDArray[Any]:
    data = np.fromfile(path, np.uint8)
    # the picture stays as it lies in the file: an orientation note would swap rows and columns
    array = cv2.imdecode(data, cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    if array is None:
        raise _undecodable(name, "the decoder gave up")
    if array.ndim == 3 and array.shape[2] >= 3:
        array = np.concatenate([array[..., 2::-1], array[..., 3:]], axis=2)  # BGR(A) to RGB(A)
    return np.asarray(array)


def _read_tiff(
    path: Path, header: FileHeader, name: str, digest: str, limits: ReadingLimits
) -> tuple[RawPage, ...]:
    wanted = [index for index, page in enumerate(header.tiff) if not page.reduced]
    if not wanted:
        raise ImageError("it holds nothing but thumbnails", file=name,
                         remedy="Export the picture itself.")
    pages = []
    trailer = _trailer(path)
    with tifffile.TiffFile(path) as tiff:
        for number, index in enumerate(wanted, start=1):
            promised = header.tiff[index]
            side = _side(promised.rows, promised.cols, limits)
            array = (_tiff_array(path, tiff, index, promised, name) if side == 1 else
                     _reduced_tiff(path, tiff, index, promised, name, side))
            pixels, finite, flags = _to_grey(
                array, name=name, white_is_zero=promised.photometric == 0
            )
            pages.append(RawPage(
                pixels, finite, name, number, len(wanted), digest,
                texts=_page_texts(header, index), resolution=promised.resolution,
                folder=path.parent,
                tag_pixel_size_um=_tag_33560(tiff, index), trailer=trailer,
                flags=(*flags, *_reduced(side)), reduction=side,
                file_shape=(promised.rows, promised.cols),
            ))
    return tuple(pages)


def _side(rows: int, cols: int, limits: ReadingLimits) -> int:
    """Side of the blocks that a picture is measured on; 1 where it is measured as it is."""
    if reduction_for(rows, cols, limits.max_whole_pixels) == 1:
        return 1
    return reduction_for(rows, cols, min(limits.max_whole_pixels, limits.reduced_pixels))


def _reduced(side: int) -> tuple[Raised, ...]:
    return (raised("picture_reduced", f"blocks of {side} x {side} pixels"),) if side > 1 else ()


def _reduced_tiff(
    path: Path, tiff: tifffile.TiffFile, index: int, promised: TiffPage, name: str, side: int
) -> NDArray[Any]:
    """Return the means of a page's blocks, without holding the page where its coding allows."""
    page: Any = tiff.pages[index]
    if promised.compression in _BY_PIECES and not (page.planarconfig == 2 and promised.samples > 1):
        shape = (promised.rows, promised.cols)
        colours = 3 if promised.photometric == 3 and not _grey_palette(page) else (
            promised.samples)
        return block_means(tiff_parts(page), shape if colours == 1 else (*shape, colours), side)
    array = _tiff_array(path, tiff, index, promised, name)
    return block_means(array_parts(array), array.shape, side)


def _grey_palette(page: Any) -> bool:
    table = page.colormap
    return table is not None and bool((np.asarray(table) == np.asarray(table)[0]).all())


def _page_texts(header: FileHeader, index: int) -> dict[int, bytes]:
    """Texts of a page; an OME-XML description stands on the first page and holds for all."""
    texts, first = dict(header.tiff[index].texts), dict(header.tiff[0].texts).get(270, b"")
    if 270 not in texts and b"<OME" in first[:4000]:
        texts[270] = first
    return texts


def _tiff_array(
    path: Path, tiff: tifffile.TiffFile, index: int, promised: TiffPage, name: str
) -> NDArray[Any]:
    if promised.compression not in _COMPRESSIONS:
        kind = _COMPRESSION_NAMES.get(promised.compression, "unknown")
        raise ImageError(
            f"its compression ({kind}, tag value {promised.compression}) is not supported",
            file=name, rule="a TIFF is uncompressed or uses deflate, LZW, JPEG or PackBits",
            remedy="Export it as an uncompressed TIFF.",
        )
    if promised.compression in (5, 7):
        return _foreign_decoder(path, index, promised, name)
    page: Any = tiff.pages[index]
    array = np.asarray(page.asarray())
    if promised.photometric == 3 and page.colormap is not None:
        table = np.asarray(page.colormap)  # (3, 2**bits), 16 bits
        array = np.clip(array, 0, table.shape[1] - 1)
        if (table == table[0]).all():  # a grey palette
            array = table[0][array]
        else:
            array = table[:, array].transpose(1, 2, 0)
    elif array.ndim == 3 and page.planarconfig == 2:
        array = np.moveaxis(array, 0, -1)
    if array.shape[:2] != (promised.rows, promised.cols):
        raise _undecodable(name, "the decoder found another size than the header's")
    return array


def _foreign_decoder(
    path: Path, index: int, promised: TiffPage, name: str
) -> NDArray[Any]:
    """LZW and JPEG in TIFF, which the TIFF library leaves to an optional codec package."""
    done, arrays = cv2.imreadmulti(str(path), index, 1, flags=cv2.IMREAD_UNCHANGED)
    if not done or not arrays or arrays[0] is None:
        raise _undecodable(name, "the decoder gave up")
    array: NDArray[Any] = np.asarray(arrays[0])
    if array.shape[:2] != (promised.rows, promised.cols):
        raise _undecodable(name, "the decoder found another size than the header's")
    if array.ndim == 3 and array.shape[2] >= 3:
        array = np.concatenate([array[..., 2::-1], array[..., 3:]], axis=2)
    if promised.photometric == 0 and array.dtype.kind == "u" and promised.bits == 8:
        array = np.iinfo(array.dtype).max - array  # undo: it is turned round by the caller
    return array


def _tag_33560(tiff: tifffile.TiffFile, index: int) -> tuple[float, float] | None:
    try:
        page: Any = tiff.pages[index]
        tag = page.tags.get(33560)
        values = tag.value if tag is not None else None
        if not isinstance(values, Mapping):
            return None
        col = float(values["pixelsizex"]) * 1e6
        row = float(values.get("pixelsizey", values["pixelsizex"])) * 1e6
    except Exception:  # a damaged private tag is as good as none
        return None
    return (row, col) if row > 0 and col > 0 else None


def _to_grey(
    array: NDArray[Any], *, name: str, white_is_zero: bool = False
) -> tuple[NDArray[np.float32], NDArray[np.bool_], tuple[Raised, ...]]:
    """Bring any pixel type to grey levels from 0 to 1, with its doubts."""
    flags: list[Raised] = []
    array = np.asarray(array)
    if array.ndim == 3 and array.shape[2] in (1, 2):
        array = array[..., 0]  # grey, or grey with opacity
    if array.ndim not in (2, 3) or (array.ndim == 3 and array.shape[2] not in (3, 4)):
        raise ImageError(f"its pixels have an unexpected shape {array.shape}", file=name,
                         rule="a picture is grey, palette, RGB or RGBA",
                         remedy="Export it as a grey TIFF.")
    if array.dtype.kind == "c":
        raise ImageError("its pixels are complex numbers", file=name,
                         remedy="Export it as a grey TIFF.")
    scaled, finite = _to_unit_range(array)
    if scaled.ndim == 3:
        colours = scaled[..., :3]
        spread = np.abs(colours[..., :1] - colours[..., 1:]).max(axis=2)
        coloured = float(np.mean(spread > _GREY_TOLERANCE))
        # a logo or a coloured mark in the data bar does not make the picture a coloured one
        if coloured > 0.02:
            flags.append(raised("not_grey", f"{100 * coloured:.0f} % of the pixels"))
        scaled = colours[..., 0] if not spread.any() else colours @ _LUMINANCE
        finite = np.asarray(finite.all(axis=2), np.bool_)
    if white_is_zero:
        scaled = 1 - scaled
    lost = int(finite.size - np.count_nonzero(finite))
    if lost == finite.size:
        raise ImageError("none of its pixels holds a number", file=name,
                         rule="a picture has finite grey levels",
                         remedy="Export the picture again.")
    if lost:
        flags.append(raised("non_finite_pixels", f"{lost} pixels"))
        scaled = np.where(finite, scaled, np.float32(0))
    return np.ascontiguousarray(scaled, np.float32), finite, tuple(flags)


def _to_unit_range(array: NDArray[Any]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    finite: NDArray[np.bool_] = np.ones(array.shape, np.bool_)
    if array.dtype.kind in "bui":
        if array.dtype.kind == "b":
            return array.astype(np.float32), finite
        info = np.iinfo(array.dtype)
        if array.dtype.kind == "i" and array.size and array.min() >= 0:
            low, high = 0.0, float(info.max)
        else:
            low, high = float(info.min), float(info.max)
        scaled = array.astype(np.float32)
        if low:
            scaled -= np.float32(low)
        scaled *= np.float32(1 / (high - low))
        return scaled, finite
    np.isfinite(array, out=finite)
    values = np.asarray(array)[finite]
    if not values.size:
        return np.zeros(array.shape, np.float32), finite
    low, high = float(values.min()), float(values.max())
    # floats between 0 and 1 keep their levels; others have no format range but their own
    if low < 0 or high > 1:
        step = max(1, values.size // 1_000_000)
        inner = np.percentile(values[::step].astype(np.float64), (0.01, 99.99))
        if high - low > 4 * (inner[1] - inner[0]) > 0:  # a few wild pixels must not set the range
            low, high = float(inner[0]), float(inner[1])
        span = high - low if high > low else 1.0
        array = np.clip((array.astype(np.float64) - low) / span, 0, 1)
    clean = np.where(finite, array, 0)
    return clean.astype(np.float32), finite
