"""Speed and memory against two yardsticks measured in the same run; by hand.

    python tests/benchmarks/folder_speed.py steps      seconds by step, one picture, one core
    python tests/benchmarks/folder_speed.py forest     against a script of a user's making
    python tests/benchmarks/folder_speed.py sizes      1 to 100 megapixels: cost and memory
    python tests/benchmarks/folder_speed.py curve      the same by step, seconds per megapixel
    python tests/benchmarks/folder_speed.py workers    60 pictures with one and two workers
    python tests/benchmarks/folder_speed.py mosaic     300 megapixels: time and memory

Yardstick (a) decodes the file and passes one Gaussian (standard deviation 4 px) over it; (b) is
the feature stack and random forest that one would write with scikit-image and scikit-learn.
Steps and yardsticks are given in processor time on one core, runs of many pictures in time by the
clock. The script starts itself again with the environment of a folder run's measuring processes:
one thread, and a C library that keeps freed memory.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import tifffile
from scipy import ndimage
from skimage.feature import multiscale_basic_features
from skimage.future import predict_segmenter
from sklearn.ensemble import RandomForestClassifier

from edgeqc.phantoms import draw_phantom, random_recipe

cv2.setNumThreads(1)
SIGMA_PX = 4.0
SEED = 7_000_000


def recipe_of(rows, cols, seed=SEED, family="lattice"):
    """A recipe of this size: the same scene at another pixel size, no data bar."""
    recipe = random_recipe(np.random.default_rng(seed), family)
    bar = dataclasses.replace(recipe.bar, height_px=0, inside=False)
    factor = min(rows / (recipe.rows - recipe.bar.height_px), cols / recipe.cols)
    return dataclasses.replace(
        recipe, rows=rows, cols=cols, bar=bar, pixel_size_um=recipe.pixel_size_um / factor)


def write(path, phantom, **options):
    tifffile.imwrite(path, phantom.image, **{"compression": "zlib", "metadata": None, **options})


def best(function, times=5):
    """Shortest processor time of several, in seconds: other processes only ever add."""
    taken = []
    for _ in range(times):
        started = time.process_time()
        function()
        taken.append(time.process_time() - started)
    return min(taken)


def yardstick(path):
    pixels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED).astype(np.float32)
    cv2.GaussianBlur(pixels, (0, 0), SIGMA_PX)


def yardstick_of_scipy(path):
    ndimage.gaussian_filter(tifffile.imread(path).astype(np.float32), SIGMA_PX)


# --- steps ----------------------------------------------------------------------------------------


def step_times(path, row, out):
    """Seconds of each step of one picture, by name."""
    from edgeqc.examined import ExaminedFace, ExaminedPicture, compile_findings
    from edgeqc.imaging.calibration import calibrate_with_quality
    from edgeqc.imaging.reading import read_pages
    from edgeqc.measure.face_clipping import judge_clipping
    from edgeqc.measure.face_measures import measure_face
    from edgeqc.protocol import read_protocol
    from edgeqc.report.writing import write_report
    from edgeqc.specimen import find_faces
    from edgeqc.zoning.zones import map_zones

    protocol = read_protocol(None, kind="specimen")
    times, now = {}, time.process_time  # one core; what others do on it is not counted

    def took(name, started):
        times[name] = times.get(name, 0.0) + now() - started

    start = now()
    page = read_pages(path)[0]
    took("read", start)
    start = now()
    image, _ = calibrate_with_quality(page, dataclasses.asdict(row), protocol["imaging"])
    took("calibrate", start)
    start = now()
    faces, flags = find_faces(image, row, protocol)
    image, faces = judge_clipping(image, faces, protocol["imaging"].quality)
    took("faces", start)
    examined = []
    for face in faces:
        start = now()
        oriented, zones = map_zones(image, face, protocol["zones"])
        took("zones", start)
        start = now()
        examined.append(ExaminedFace(oriented, zones, measure_face(
            image, oriented, zones, protocol["measures"])))
        took("measures", start)
    start = now()
    picture = ExaminedPicture(path.name, row, image, tuple(examined), flags=flags)
    findings = compile_findings("S", [picture], protocol, issued=_issued())
    took("findings", start)
    start = now()
    write_report(findings, [picture], protocol, out)
    took("report", start)
    return times, len(examined)


def _issued():
    from datetime import UTC, datetime

    return datetime(2026, 11, 20, tzinfo=UTC)


def sheet_row(path, phantom):
    from edgeqc.specimen_sheet import SheetRow

    truth = phantom.truth
    return SheetRow(path.name, "S", pixel_size_um=truth.pixel_size_um, tilt_deg=truth.tilt_deg,
                    anterior=tuple(face.anterior for face in truth.faces),
                    faces=len(truth.faces), row=2)


def steps(folder, repeats=2, pictures=5):
    rows, cols = 1536, 2048
    mpx = rows * cols / 1e6
    table = []
    for number in range(pictures):
        phantom = draw_phantom(recipe_of(rows, cols, SEED + number))
        path = folder / f"{number}.tif"
        write(path, phantom)
        row = sheet_row(path, phantom)
        runs = [step_times(path, row, folder / f"out{number}") for _ in range(repeats + 1)]
        # the first run imports and fills caches
        shortest = {name: min(run[name] for run, _ in runs[1:]) for name in runs[0][0]}
        a, b = best(lambda p=path: yardstick(p)), best(lambda p=path: yardstick_of_scipy(p))
        table.append((a, shortest))
        whole = sum(shortest.values())
        print(f"picture {number}, {runs[0][1]} face(s): yardstick (a) {a * 1e3:.1f} ms (with the "
              f"Gaussian of scipy {b * 1e3:.0f} ms), measurement "
              f"{(whole - shortest['report']) / a:.0f} x, start to report {whole / a:.0f} x")
    print(f"medians of {len(table)} pictures of {cols} x {rows}")
    names = dict.fromkeys(name for _, shortest in table for name in shortest)
    for name in names:
        seconds = [shortest.get(name, 0.0) for _, shortest in table]
        ratios = [shortest.get(name, 0.0) / a for a, shortest in table]
        print(f"  {name:10s} {statistics.median(seconds):7.3f} s  "
              f"{statistics.median(seconds) / mpx:6.3f} s/Mpx  {statistics.median(ratios):6.1f} x")
    measured = [(sum(t.values()) - t["report"]) / a for a, t in table]
    whole = [sum(t.values()) / a for a, t in table]
    print(f"  measurement {statistics.median(measured):.0f} x (goal 40), start to report "
          f"{statistics.median(whole):.0f} x (goal 75)")


# --- a user's script ------------------------------------------------------------------------------


def the_gallerys():
    """Features and forest of the example that scikit-image's gallery gives for this."""
    def features(grey):
        return multiscale_basic_features(
            grey, intensity=True, edges=False, texture=True, sigma_min=1, sigma_max=16, workers=1)

    return features, {"n_estimators": 50, "max_depth": 10, "max_samples": 0.05}


def the_segmenters():
    """What ``skimage.future.TrainableSegmenter`` takes where it is told nothing."""
    def features(grey):
        return multiscale_basic_features(grey, workers=1)

    return features, {"n_estimators": 100}


def forest(folder):
    """Accuracy and time against features and a forest taught by scribbles, per picture."""
    recipes = [recipe_of(1536, 2048, SEED + i) for i in range(3)]
    # taught on a sister picture: the same material and settings, other random detail
    taught = [draw_phantom(dataclasses.replace(recipe, seed=recipe.seed + 1))
              for recipe in recipes]
    tried = [draw_phantom(recipe) for recipe in recipes]
    ours, naming = [], []
    for number, phantom in enumerate(tried):
        path = folder / f"try{number}.tif"
        write(path, phantom)
        whole, named, share = _by_edgeqc(path, phantom, folder / f"try{number}")
        ours.append((whole, share))
        naming.append((named, share))
    scripts = {"the gallery's features and forest": the_gallerys(),
               "the segmenter's as they come": the_segmenters()}
    theirs = {name: [_by_forest(sister, phantom, *how)
                     for sister, phantom in zip(taught, tried, strict=True)]
              for name, how in scripts.items()}
    for name, rows in {**theirs, "edgeqc, all measurement": ours,
                       "edgeqc up to the zones": naming}.items():
        print(f"{name}: {statistics.median(r[0] for r in rows):.2f} s a picture, share of face "
              f"pixels named right {statistics.mean(r[1] for r in rows):.3f} "
              f"(least {min(r[1] for r in rows):.3f})")
    for name, rows in theirs.items():
        for what, own in (("all measurement", ours), ("up to the zones", naming)):
            ratios = [t[0] / r[0] for t, r in zip(rows, own, strict=True)]
            print(f"edgeqc, {what}: {statistics.median(ratios):.1f} x as fast as {name} (goal 10)")


def _by_forest(sister, phantom, features_of, settings):
    """Seconds to name the pixels of one picture, and the share of the face named right."""
    samples, classes = scribbles(features_of(sister.image), sister.truth.labels)
    # one process on one core, as edgeqc is timed
    model = RandomForestClassifier(n_jobs=1, random_state=0, **settings).fit(samples, classes)
    started = time.process_time()
    found = predict_segmenter(features_of(phantom.image), model)
    return time.process_time() - started, _agreement(found, phantom.truth.labels)


def scribbles(features, labels):
    """Short strokes from a few points of each zone, with the features under them."""
    rng = np.random.default_rng(1)
    samples, classes = [], []
    for code in np.unique(labels):
        at = np.argwhere(labels == code)
        for row, col in at[rng.integers(len(at), size=12)]:
            stroke = [(row, c) for c in range(max(0, col - 20), min(labels.shape[1], col + 21))
                      if labels[row, c] == code]
            samples += [features[p] for p in stroke]
            classes += [code] * len(stroke)
    return np.array(samples), classes


def _agreement(found, truth):
    keep = (truth > 0) & (truth != 4)
    return float((found == truth)[keep].mean())


def _by_edgeqc(path, phantom, out):
    row = sheet_row(path, phantom)
    times = [step_times(path, row, out)[0] for _ in range(2)][-1]
    raster = cv2.imread(str(out / f"{path.stem}.zones.png"), cv2.IMREAD_UNCHANGED)
    named = sum(times.get(name, 0.0) for name in ("read", "calibrate", "faces", "zones"))
    return (named + times.get("measures", 0.0), named,
            _agreement(raster, phantom.truth.labels))


# --- sizes ----------------------------------------------------------------------------------------


def one(path, out):
    """Examine one file in this process and print seconds and peak memory (a child's part)."""
    from edgeqc.specimen import examine_specimen

    sheet = path.with_suffix(".csv")
    examine_specimen([path], out, sheet=sheet)  # imports, and what is read once a process
    started = time.process_time()
    result = examine_specimen([path], out, sheet=sheet)
    seconds = time.process_time() - started
    status = Path("/proc/self/status").read_text()
    # not getrusage: its maximum is carried over from the process that started this one
    peak = int(status.split("VmHWM:")[1].split()[0]) / 1024
    image = result.findings.images[0]
    print(f"{seconds:.3f} {peak:.0f} {image.status} {image.faces}", flush=True)


def write_sheet(path, phantom, factor=1.0):
    """A sheet for one picture, drawn ``factor`` times as large as the phantom."""
    truth = phantom.truth
    sides = ";".join(face.anterior for face in truth.faces)
    path.with_suffix(".csv").write_text(
        "image,pixel_size_um,tilt_deg,anterior,faces\n"
        f"{path.name},{truth.pixel_size_um / factor:.6g},{truth.tilt_deg:.4g},{sides},"
        f"{len(truth.faces)}\n")


def in_child(path, out):
    done = subprocess.run([sys.executable, __file__, "one", str(path), str(out)],
                          capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    seconds, peak, status, faces = done.stdout.split()[-4:]
    return float(seconds), float(peak), status, int(faces)


def of_size(folder, mpx, seed=SEED):
    """A picture of so many megapixels: its file, and the phantom it shows, drawn smaller or not."""
    rows = round((mpx * 1e6 * 0.75) ** 0.5)
    cols = round(rows / 0.75)
    drawn = min(1.0, 8000 / cols)  # the largest that is drawn
    phantom = draw_phantom(recipe_of(round(rows * drawn), round(cols * drawn), seed))
    image = phantom.image
    if drawn < 1:
        image = cv2.resize(image, (cols, rows), interpolation=cv2.INTER_CUBIC)
    path = folder / f"{mpx}.tif"
    tifffile.imwrite(path, image, compression="zlib", rowsperstrip=64)
    return path, phantom, cols / phantom.image.shape[1]


def curve(folder, pictures=3):
    """Seconds per megapixel by step, medians of some pictures at each size but the largest."""
    names = ("read", "calibrate", "faces", "zones", "measures", "report")
    print("   Mpx  measurement " + " ".join(f"{name:>9s}" for name in names))
    for mpx in (1, 3, 10, 30, 100):
        found = []
        for number in range(pictures if mpx < 30 else 1):  # drawing a large one takes minutes
            path, phantom, factor = of_size(folder, mpx, SEED + number)
            row = dataclasses.replace(
                sheet_row(path, phantom), pixel_size_um=phantom.truth.pixel_size_um / factor)
            runs = [step_times(path, row, folder / "curve")[0] for _ in range(2)]
            found.append({name: min(run.get(name, 0.0) for run in runs) / mpx for name in names})
            path.unlink()
        whole = statistics.median(sum(each.values()) - each["report"] for each in found)
        print(f"{mpx:6d} {whole:12.3f} " + " ".join(
            f"{statistics.median(each[name] for each in found):9.4f}" for name in names),
            flush=True)


def sizes(folder):
    print("   Mpx  seconds  s/Mpx  peak MB  over the file  status, faces")
    for mpx in (1, 3, 10, 30, 60, 100):
        path, phantom, factor = of_size(folder, mpx)
        write_sheet(path, phantom, factor)
        seconds, peak, status, faces = in_child(path, folder / f"s{mpx}")
        a = best(lambda path=path: yardstick(path), 3)
        print(f"{mpx:6d} {seconds:8.2f} {seconds / mpx:6.3f} {peak:8.0f} {seconds / a:9.0f} x"
              f"       {status}, {faces}")
        path.unlink()


def mosaic(folder):
    """A stitched overview of 300 megapixels in tiles: one long face."""
    phantom = draw_phantom(recipe_of(3000, 4000))
    half = np.hstack([phantom.image, phantom.image[:, ::-1]])
    tall = cv2.resize(half, (10_000, 15_000), interpolation=cv2.INTER_CUBIC)
    path = folder / "mosaic.tif"
    tifffile.imwrite(path, np.hstack([tall, tall[:, ::-1]]), tile=(512, 512), bigtiff=True,
                     compression="zlib")
    print(f"file of {path.stat().st_size / 1e6:.0f} MB")
    side = phantom.truth.faces[0].anterior  # mirrored pictures side by side keep top and bottom
    path.with_suffix(".csv").write_text(
        f"image,anterior,faces\n{path.name},{side if side in ('top', 'bottom') else ''},\n")
    seconds, peak, status, faces = in_child(path, folder / "m")
    print(f"300 Mpx: {seconds:.1f} s, peak {peak:.0f} MB (goal 1500); {status}, {faces} face(s)")


# --- workers --------------------------------------------------------------------------------------


def workers(folder, count=60):
    from edgeqc.folder import examine_folder

    pictures = folder / "pictures"
    pictures.mkdir()
    for number in range(6):
        phantom = draw_phantom(recipe_of(1536, 2048, SEED + number))
        for copy in range(number, count, 6):
            write(pictures / f"p{copy:02d}.tif", phantom)
    taken = {}
    for amount in (1, 2):
        out = folder / f"w{amount}"
        started = time.perf_counter()
        run = examine_folder(pictures, out, workers=amount)
        taken[amount] = time.perf_counter() - started
        print(f"{amount} worker(s): {taken[amount]:.1f} s, {taken[amount] / count:.3f} s a picture;"
              f" {dict(run.counts)}")
    same = all((folder / "w1" / name).read_bytes() == (folder / "w2" / name).read_bytes()
               for name in ("images.csv", "faces.csv", "run.xlsx", "index.html"))
    print(f"two against one: {taken[1] / taken[2]:.2f} x (goal 1.8); tables the same: {same}")


def like_a_measuring_process():
    """Start this script again as a folder run starts its measuring processes."""
    from edgeqc.guarded_call import _KEPT_MEMORY, _ONE_THREAD

    wanted = {**_ONE_THREAD, **_KEPT_MEMORY}
    if any(os.environ.get(name) != value for name, value in wanted.items()):
        os.execve(sys.executable, [sys.executable, *sys.argv], {**os.environ, **wanted})


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parts = {"steps": steps, "forest": forest, "sizes": sizes, "curve": curve,
             "workers": workers, "mosaic": mosaic}
    parser.add_argument("part", choices=[*parts, "one"])
    parser.add_argument("paths", nargs="*", type=Path)
    given = parser.parse_args()
    like_a_measuring_process()
    if given.part == "one":
        one(*given.paths)
        return
    with tempfile.TemporaryDirectory() as folder:
        parts[given.part](Path(folder))


if __name__ == "__main__":
    main()
