"""Mutate small picture files by the thousand and read them: no crash, hang or memory run-away.

Run by hand: ``python tests/fuzz_readers.py --files 5000 --seed 1``. Every reading happens in a
child process with limits on memory and time; whatever is neither a picture nor an ``ImageError``
is written to the folder named by ``--keep`` and printed.
"""

from __future__ import annotations

import argparse
import random
import resource
import subprocess
import sys
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import tifffile

MEMORY_BYTES = 2_000_000_000
SECONDS = 5.0
BATCH = 50


def seeds(folder: Path) -> list[bytes]:
    """Return small valid files of every kind that the reader takes."""
    rng = np.random.default_rng(0)
    grey = cv2.GaussianBlur(rng.normal(120, 60, (48, 64)), (0, 0), 1.5).clip(0, 255).astype("u1")
    rgb = np.repeat(grey[..., None], 3, axis=2)
    ramp = np.repeat(np.arange(256, dtype=np.uint16)[None] * 257, 3, axis=0)
    private = [(34118, "s", 0, b"0\r\n0\r\n0\r\n2.5e-7\r\nAP_WIDTH\r\nWidth = 16.0 um\r\n", True),
               (34682, "s", 0, b"[Beam]\r\nBeam=EBeam\r\n[EBeam]\r\nHFW=1.6e-5\r\n", True),
               (33560, "I", 1, 60, True)]
    tiffs: list[tuple[np.ndarray, dict[str, object]]] = [
        (grey, {}), (grey, {"compression": "zlib"}), (grey, {"tile": (16, 16)}),
        (grey.astype("u2") * 257, {"byteorder": ">", "rowsperstrip": 5}),
        (grey.astype("f4") * 3 - 7, {"bigtiff": True}), (rgb, {}),
        (grey, {"photometric": "palette", "colormap": ramp}),
        (grey, {"extratags": private, "resolution": (40000, 40000), "resolutionunit": 3}),
        (np.stack([grey, grey]), {"photometric": "minisblack"}),
        (grey, {"description": '<OME><Image><Pixels PhysicalSizeX="0.25"/></Image></OME>'}),
    ]
    files = []
    path = folder / "seed"
    for array, options in tiffs:
        tifffile.imwrite(path, array, metadata=None, **options)
        files.append(path.read_bytes())
    for code in (5, 8, 32773):
        cv2.imwritemulti(str(folder / "lzw.tif"), [grey, grey],
                         [cv2.IMWRITE_TIFF_COMPRESSION, code])
        files.append((folder / "lzw.tif").read_bytes())
    for ending, options_list in ((".png", [16, 6]), (".jpg", []), (".jpg", [2, 1]), (".bmp", [])):
        for array in (grey, rgb):
            files.append(cv2.imencode(ending, array, options_list)[1].tobytes())
    return files


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Return the file with a few bytes changed, cut, repeated or swapped."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 10))):
        kind = rng.random()
        at = rng.randrange(len(out)) if rng.random() < 0.5 else rng.randrange(min(len(out), 400))
        if kind < 0.35:
            out[at] = rng.randrange(256)
        elif kind < 0.55:  # extreme numbers where lengths and offsets lie
            value = rng.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 0x80000000, 65535, 65536, len(out)))
            out[at : at + 4] = value.to_bytes(4, rng.choice(("little", "big")))
        elif kind < 0.7:
            out[at] ^= 1 << rng.randrange(8)
        elif kind < 0.8:
            del out[at : at + rng.randrange(1, 40)]
        elif kind < 0.9:
            out[at:at] = out[at : at + rng.randrange(1, 40)]
        else:
            del out[rng.randrange(len(out)) :]
        if len(out) < 4:
            break
    if out[:8] == b"\x89PNG\r\n\x1a\n" and rng.random() < 0.7:
        return _with_sums(bytes(out))  # else nearly every mutation dies at the check sums
    return bytes(out)


def _with_sums(data: bytes) -> bytes:
    out, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        body = data[at + 4 : at + 8 + length]
        if len(body) < 4 + length:
            break
        out += data[at : at + 4] + body + zlib.crc32(body).to_bytes(4, "big")
        at += 12 + length
    return bytes(out + data[at:])


def mutants(count: int, seed: int, folder: Path) -> Iterator[bytes]:
    """Yield mutated files."""
    rng = random.Random(seed)
    originals = seeds(folder)
    for _ in range(count):
        yield mutate(rng.choice(originals), rng)


def read_all(paths: list[str]) -> None:
    """Read files one by one in this process, printing an outcome for each (the child)."""
    from edgeqc.errors import ImageError
    from edgeqc.imaging.calibration import read_images

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    for path in paths:
        start = time.perf_counter()
        try:
            outcome = f"picture {len(read_images(path))}"
        except ImageError as error:
            outcome = "refused " + ("memory" if "enough memory" in str(error) else "")
        except BaseException as error:
            outcome = f"WRONG {type(error).__name__}: {error}"
        print(f"{path}\t{time.perf_counter() - start:.2f}\t{outcome}".replace("\n", " "),
              flush=True)


def run(count: int, seed: int, keep: Path | None) -> Counter[str]:
    """Read ``count`` mutants in child processes; return how they ended."""
    tally: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = []
        for number, data in enumerate(mutants(count, seed, folder)):
            paths.append(folder / f"{number:06d}.tif")
            paths[-1].write_bytes(data)
        while paths:
            batch, paths = paths[:BATCH], paths[BATCH:]
            done = _child(batch, tally, keep)
            paths = batch[done:] + paths
    return tally


def _child(batch: list[Path], tally: Counter[str], keep: Path | None) -> int:
    """Read a batch in a child; return how many files it got through, a fatal one included."""
    command = [sys.executable, __file__, "--read", *map(str, batch)]
    try:
        result = subprocess.run(command, capture_output=True, text=True, check=False,
                                timeout=SECONDS * len(batch))
        lines, died = result.stdout.splitlines(), result.returncode != 0
    except subprocess.TimeoutExpired as error:
        text = error.stdout or b""
        lines = (text.decode() if isinstance(text, bytes) else text).splitlines()
        died = True
    for path, line in zip(batch, lines, strict=False):
        _, seconds, outcome = line.split("\t", 2)
        slow = float(seconds) > SECONDS
        tally["slow" if slow else outcome.split()[0] + outcome.count("memory") * " memory"] += 1
        if slow or outcome.startswith("WRONG") or "memory" in outcome:
            _report(path, line, keep)
    if died and len(lines) < len(batch):
        tally["CRASH OR HANG"] += 1
        _report(batch[len(lines)], "the child died or hung", keep)
        return len(lines) + 1
    return len(batch)


def _report(path: Path, what: str, keep: Path | None) -> None:
    print(f"{path.name}: {what}", file=sys.stderr)
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        (keep / path.name).write_bytes(path.read_bytes())


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--read", nargs="*")
    options = parser.parse_args()
    if options.read is not None:
        read_all(options.read)
        return 0
    tally = run(options.files, options.seed, options.keep)
    print(dict(tally))
    return int(any(key not in ("picture", "refused") for key in tally))


if __name__ == "__main__":
    sys.exit(main())
