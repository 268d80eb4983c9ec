"""How often the stated intervals of roughness hold: every parameter, on its three bases.

Run by hand: python tests/benchmarks/roughness_coverage.py --seed 9101 --tries 60

Height maps and edges are drawn many times from one law (bell-shaped and exponential
autocorrelation; pits on a ground), with noise and with a scale that is off by what is stated. The
truth of a parameter is its mean over other surfaces of that law without noise or error, which
closed forms give for few of them: what is tested is the stated uncertainty, not the definition.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
from scipy import fft
from scipy.ndimage import gaussian_filter

from edgeqc.measure.edge_contour import EdgeContour
from edgeqc.measure.edge_roughness import edge_rows
from edgeqc.measure.roughness import ArealSettings, HeightDoubt, roughness_areal
from edgeqc.quantity import Measured

SIDE, POINTS, LENGTH = 112, 1200, 5.0
PIT, NOISE, U_SCALE, U_PIXEL = 3.0, 0.2, 0.03, 0.01
OF_THE_MODEL = frozenset({"Rq_endless", "correlation_length", "exponent"})


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
    seen = off * z + NOISE * rng.standard_normal(z.shape)
    return dict(roughness_areal(seen, 1 + U_PIXEL * rng.standard_normal(), mask=mask, doubt=doubt,
                                settings=ArealSettings()))


def edge(rng: np.random.Generator, law: str, clean: bool) -> dict[str, Measured]:
    """Return every row of an edge contour, with or without noise and error of scale."""
    z = field(rng, (POINTS,), law)
    off = 1.0 if clean else 1 + U_PIXEL * rng.standard_normal()
    noise = 1e-3 if clean else NOISE
    z = off * (z - z.mean()) + noise * rng.standard_normal(z.size)
    contour = EdgeContour(
        "laser", "anterior", z, off, np.arange(z.size, dtype=float), U_PIXEL, U_PIXEL, "none",
        noise, 0.05)
    return {row.parameter: row.result for row in edge_rows(contour)}


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
    share, line = {}, {}
    for name, values in truths.items():
        if name == "Std" or (law != "exponential" and name in OF_THE_MODEL):
            continue  # a field without a lay has none; a field of another law has no such values
        truth = NOISE if name == "noise" else float(np.nanmean(values))
        rows = [row[name] for row in seen if name in row and np.isfinite(row[name].u)]
        if len(rows) < told.tries / 2:
            line[name] = f"told {len(rows)} times"
            continue
        share[name] = float(np.mean([r.interval[0] <= truth <= r.interval[1] for r in rows]))
        scatter = max(float(np.std([r.value for r in rows])), 1e-12)
        off = (np.mean([r.value for r in rows]) - truth) / scatter
        stated = np.sqrt(np.mean([r.u**2 for r in rows])) / scatter
        line[name] = f"{share[name]:.1%}, off {off:+.1f} scatters, u {stated:.2f} scatters"
    return share, line


def main() -> None:
    """Draw, measure, print."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--seed", type=int, default=9101)
    ask.add_argument("--tries", type=int, default=60)
    ask.add_argument("--truths", type=int, default=60)
    told = ask.parse_args()
    for base, draw in (("height map", areal), ("edge contour", edge)):
        for law in ("bell", "exponential", "pits"):
            share, line = coverage(draw, law, told)
            low = {name: value for name, value in share.items() if value < 0.92}
            over = sum(value > 0.98 for value in share.values())
            mean = float(np.mean(list(share.values())))
            print(f"{base}, {law}: {len(share)} parameters, mean {mean:.1%}, {len(low)} below 92 %,"
                  f" {over} above 98 %", flush=True)
            for name in sorted(low, key=low.get):
                print(f"    {name}: {line[name]}", flush=True)


if __name__ == "__main__":
    main()
