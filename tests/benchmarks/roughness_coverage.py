"""How often the stated intervals of roughness hold: every parameter, on its three bases.

Run by hand: python tests/benchmarks/roughness_coverage.py --seed 9101 --tries 60 [--noise 0.07]

Height maps and edges are drawn many times from one law (bell-shaped and exponential
autocorrelation; pits on a ground), with noise and with a scale that is off by what is stated. The
truth of a parameter is its mean over other surfaces of that law without noise or error, which
closed forms give for few of them: what is tested is the stated uncertainty, not the definition.
Sal and Str have those of the law itself: the shortest of many directions comes out too small on
every finite region (Sal by 7 %, Str by 15 % here), and what their intervals allow for is that.
Noise and scales are off by what is stated of them.
Grey textures: power laws and bell-shaped autocorrelations, in broad and in narrow zones, with a
noise that is known to 10 %.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy import fft
from scipy.ndimage import gaussian_filter
from scipy.optimize import brentq

from edgeqc.measure.edge_contour import EdgeContour
from edgeqc.measure.edge_roughness import edge_rows
from edgeqc.measure.grey_texture import zone_texture
from edgeqc.measure.roughness import ArealSettings, HeightDoubt, roughness_areal
from edgeqc.quantity import Measured

SIDE, POINTS, LENGTH = 112, 1200, 5.0
PIT, NOISE, U_NOISE, U_SCALE, U_PIXEL = 3.0, 0.2, 0.05, 0.03, 0.01
GREY, GREY_CONTRAST, GREY_NOISE = (320, 420), 0.1, 0.03
GREY_LAWS = {"power 1": -1.0, "power 2": -2.0, "power 3": -3.0, "bell 4": 4.0, "bell 8": 8.0}
OF_THE_MODEL = frozenset({"Rq_endless", "correlation_length", "exponent"})


_SPEC = importlib.util.spec_from_file_location(
    "face_scenes", Path(__file__).parents[1] / "face_scenes.py")
assert _SPEC is not None
assert _SPEC.loader is not None
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)


def field(rng: np.random.Generator, shape: tuple[int, ...], law: str) -> np.ndarray:
    """Return heights of about unit root mean square, cut from a field four times as long."""
    size = tuple(2 * n for n in shape)
    radius = np.sqrt(sum(np.meshgrid(*(np.fft.fftfreq(n) ** 2 for n in size), indexing="ij")))
    if law == "bell":
        root = np.exp(-0.5 * (np.pi * LENGTH * radius) ** 2)
    else:
        root = (1 + (2 * np.pi * LENGTH * radius) ** 2) ** (-(len(shape) + 1) / 4)
    root = root / np.sqrt(np.mean(root**2))
    made = fft.ifftn(fft.fftn(rng.standard_normal(size)) * root).real
    made = made[tuple(slice(0, n) for n in shape)]
    if law == "pits":
        rate = 1.0 / 9 ** len(shape)
        pits = gaussian_filter((rng.random(shape) < rate).astype(float), PIT)
        # their law's own root mean square: taken from each draw it would not scatter at all
        made = 0.4 * made - 1.2 * pits / np.sqrt(rate / (2 * np.sqrt(np.pi) * PIT) ** len(shape))
    return np.asarray(made)


def ragged(rng: np.random.Generator) -> np.ndarray:
    """Return an irregular zone with gaps."""
    mask = gaussian_filter(rng.standard_normal((SIDE, SIDE)), 14.0) > -0.02
    mask[28:84, 28:84] = True
    mask[rng.random(mask.shape) < 0.03] = False
    return mask


def areal(rng: np.random.Generator, law: str, clean: bool) -> dict[str, Measured]:
    """Return the parameters of a height map, with or without noise and error of scale."""
    z, mask = field(rng, (SIDE, SIDE), law), ragged(rng)
    if clean:
        return dict(roughness_areal(z, 1.0, mask=mask))
    off = 1 + U_SCALE * rng.standard_normal()
    doubt = HeightDoubt(noise_um=NOISE, height_u_rel=U_SCALE, spacing_u_rel=U_PIXEL)
    noise = NOISE * np.exp(doubt.noise_u_rel * rng.standard_normal())
    seen = off * z + noise * rng.standard_normal(z.shape)
    return dict(roughness_areal(seen, 1 + U_PIXEL * rng.standard_normal(), mask=mask, doubt=doubt,
                                settings=ArealSettings()))


def edge(rng: np.random.Generator, law: str, clean: bool) -> dict[str, Measured]:
    """Return every row of an edge contour, with or without noise and error of scale."""
    z = field(rng, (POINTS,), law)
    off = 1.0 if clean else 1 + U_PIXEL * rng.standard_normal()
    told = 1e-3 if clean else NOISE
    noise = told if clean else NOISE * np.exp(U_NOISE * rng.standard_normal())
    z = off * (z - z.mean()) + noise * rng.standard_normal(z.size)
    contour = EdgeContour(
        "laser", "anterior", z, off, np.arange(z.size, dtype=float), U_PIXEL, U_PIXEL, "none",
        told, U_NOISE)
    found = {row.parameter: row.result for row in edge_rows(contour)}
    # what the noise is varies with the picture: told in units of it
    found["noise"] = found["noise"].scaled(NOISE / noise, "µm")
    return found


def grey_field(rng: np.random.Generator, law: float) -> np.ndarray:
    """Return grey levels of unit root mean square: a power law, or a bell of that length."""
    size = tuple(2 * n for n in GREY)
    radius = np.hypot(np.fft.fftfreq(size[0])[:, None], np.fft.fftfreq(size[1])[None])
    if law > 0:
        root = np.exp(-0.5 * (np.pi * law * radius) ** 2)
    else:
        root = np.where(radius > 1 / 600, radius, np.inf) ** (law / 2)
    root = root / np.sqrt(np.mean(root**2))
    made = fft.ifftn(fft.fftn(rng.standard_normal(size)) * root).real
    return np.asarray(made[: GREY[0], : GREY[1]])


def grey(rng: np.random.Generator, law: str, clean: bool) -> dict[str, Measured]:
    """Return the grey-level texture of a zone, half of them narrow bands."""
    mask = np.zeros(GREY, bool)
    mask[25:-25, 25:-25] = True
    if rng.random() < 0.5:
        row, col = np.mgrid[: GREY[0], : GREY[1]]
        border = 60 + 15 * np.sin(col / 17 + 6 * rng.random()) + 0.2 * col
        mask = (row > border) & (row < border + rng.integers(40, 120))
    noise = 1e-4 if clean else GREY_NOISE
    seen = 0.5 + GREY_CONTRAST * grey_field(rng, GREY_LAWS[law])
    seen = seen + noise * rng.standard_normal(GREY)
    known = noise if clean else noise * float(np.exp(0.1 * rng.standard_normal()))
    texture = zone_texture(scenes.plain_image(seen, noise_sd=known), scenes.plain_face(*GREY), mask)
    assert texture is not None
    names = ("lay_strength", "correlation_length", "spectral_slope", "contrast_over_noise")
    found = {name: getattr(texture, name) for name in names}
    if clean:  # the contrast is one over the noise of the noisy picture
        found["contrast_over_noise"] = found["contrast_over_noise"].scaled(noise / GREY_NOISE, "1")
    return found


def of_the_law(law: str) -> dict[str, float]:
    """Return what an endless surface of the law has, where regions of one size are all off it."""
    if law == "exponential":
        return {"Sal": LENGTH * math.log(5), "Str": 1.0}
    if law == "bell":
        return {"Sal": LENGTH * math.sqrt(math.log(5)), "Str": 1.0}

    def over(square: float) -> float:
        whole = 0.4**2 * math.exp(-square / LENGTH**2) + 1.2**2 * math.exp(-square / (2 * PIT) ** 2)
        return whole / (0.4**2 + 1.2**2) - 0.2

    return {"Sal": math.sqrt(brentq(over, 0.0, 1e3)), "Str": 1.0}


def coverage(
    draw: Callable[[np.random.Generator, str, bool], dict[str, Measured]], law: str,
    told: argparse.Namespace,
) -> tuple[dict[str, float], dict[str, str]]:
    """Return the share of intervals that hold and a line on each parameter."""
    rng = np.random.default_rng([told.seed, len(law), sum(map(ord, law))])
    truths: dict[str, list[float]] = {}
    for _ in range(told.truths):
        for name, value in draw(rng, law, True).items():
            truths.setdefault(name, []).append(value.value)
    seen = [draw(rng, law, False) for _ in range(told.tries)]
    share, line, wide = {}, {}, []
    for name, values in truths.items():
        if name == "Std" or (draw is edge and law != "exponential" and name in OF_THE_MODEL):
            continue  # a field without a lay has none; a field of another law has no such values
        truth = NOISE if name == "noise" else float(np.nanmean(values))
        if draw is areal:
            truth = of_the_law(law).get(name, truth)
        rows = [row[name] for row in seen if name in row and np.isfinite(row[name].u)]
        if len(rows) < told.tries / 2:
            line[name] = f"told {len(rows)} times"
            continue
        wide.append(float(np.median([
            (r.interval[1] - r.interval[0]) / 2 / abs(r.value) for r in rows if r.value])))
        share[name] = float(np.mean([r.interval[0] <= truth <= r.interval[1] for r in rows]))
        scatter = max(float(np.std([r.value for r in rows])), 1e-12)
        off = (np.mean([r.value for r in rows]) - truth) / scatter
        stated = np.sqrt(np.mean([r.u**2 for r in rows])) / scatter
        line[name] = (f"{share[name]:.1%}, off {off:+.1f} scatters, u {stated:.2f} scatters,"
                      f" U {wide[-1]:.0%} of the value")
    line["median"] = f"{float(np.median(wide)):.1%}"
    return share, line


def main() -> None:
    """Draw, measure, print."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--seed", type=int, default=9101)
    ask.add_argument("--tries", type=int, default=60)
    ask.add_argument("--truths", type=int, default=60)
    ask.add_argument("--noise", type=float, default=NOISE)
    ask.add_argument("--all", action="store_true", help="say every parameter")
    told = ask.parse_args()
    globals()["NOISE"] = told.noise
    laws = ("bell", "exponential", "pits")
    for base, draw, of in (("height map", areal, laws), ("edge contour", edge, laws),
                           ("grey level", grey, tuple(GREY_LAWS))):
        for law in of:
            share, line = coverage(draw, law, told)
            low = {name: value for name, value in share.items() if value < 0.92}
            over = sum(value > 0.98 for value in share.values())
            mean = float(np.mean(list(share.values())))
            print(f"{base}, {law}: {len(share)} parameters, mean {mean:.1%}, {len(low)} below 92 %,"
                  f" {over} above 98 %, median U {line.pop('median')} of the value", flush=True)
            untold = [name for name, text in line.items() if text.startswith("told")]
            if untold:
                print(f"    no number in most cases: {', '.join(sorted(untold))}", flush=True)
            for name in sorted(share if told.all else low, key=lambda name: share[name]):
                print(f"    {name}: {line[name]}", flush=True)


if __name__ == "__main__":
    main()
