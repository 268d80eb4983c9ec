"""Speed and memory of roughness against one Fourier transform of the same array.

Run by hand on a quiet machine, for all or some of the parts::

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/roughness_speed.py [PART ...]

Parts: ``areal``, ``robust``, ``profiles``, ``linear``. Prints time over that of one complex 2-D
transform of the same array, measured in turns with it in the same run (best of three each), and
peak memory over the size of the array. ``linear`` fits the power of the number of points with
which time and memory grow; 1 is linear.
"""

from __future__ import annotations

import functools
import sys
import time
import tracemalloc
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from scipy import fft
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from edgeqc.measure.robust_areal import robust_areal_filter
from edgeqc.measure.roughness import roughness_areal, roughness_profiles
from edgeqc.measure.surface_filter import gaussian_areal_filter

LIMITS = {"areal": 40, "robust": 100, "profiles": 40}
NESTING_INDICES = (6, 8, 10, 14, 20, 30, 60, 100, 300, 1000)
SIDES = (256, 384, 512, 768, 1024, 1536, 2048, 3072)


def spent(call: Callable[[], Any]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def in_turns(call: Callable[[], Any], array: np.ndarray, times: int = 3) -> tuple[float, float]:
    """Best times of the call and of the transform, taken in turns."""
    filled = np.nan_to_num(array)
    pairs = [(spent(call), spent(lambda: fft.fft2(filled))) for _ in range(times)]
    return min(pair[0] for pair in pairs), min(pair[1] for pair in pairs)


def memory(call: Callable[[], Any], array: np.ndarray) -> float:
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / array.nbytes


def row(name: str, call: Callable[[], Any], array: np.ndarray, limit: int | None) -> None:
    own, transform = in_turns(call, array)
    size = "x".join(map(str, array.shape))
    against = f"(limit {limit})" if limit else ""
    print(
        f"{name:40s} {size:>10s} {own:8.3f} s  {own / transform:7.1f} transforms "
        f"{against:12s} {memory(call, array):6.1f} x the array",
        flush=True,
    )


def surface(side: int, noise: float = 0.3) -> np.ndarray:
    """Gaussian heights of 15 steps' wavelength, with white noise and 5 % of gaps."""
    rng = np.random.default_rng(0)
    z = gaussian_filter(rng.normal(size=(side, side)), 4.0)
    z = z / z.std() + noise * rng.normal(size=z.shape)
    z[rng.random(z.shape) < 0.05] = np.nan
    return z


def areal() -> None:
    z = surface(2048)
    row("all areal parameters", lambda: roughness_areal(z, 1.0), z, LIMITS["areal"])
    row("the same, Gaussian L-filter 100 steps",
        lambda: roughness_areal(z, 1.0, nesting_index_um=100.0), z, None)
    row("Gaussian areal filter, 100 steps", lambda: gaussian_areal_filter(z, 1.0, 100.0), z, None)


def robust() -> None:
    for noise in (0.3, 0.0):
        z = surface(2048, noise)
        for nesting in NESTING_INDICES:
            row(f"robust areal filter, {nesting} steps, noise {noise}",
                lambda z=z, n=nesting: robust_areal_filter(z, 1.0, float(n)), z, LIMITS["robust"])


def profiles() -> None:
    for count in (250, 1000):
        z = gaussian_filter1d(np.random.default_rng(0).normal(size=(count, 4000)), 5.0, axis=1)
        row("all profile parameters", lambda z=z: roughness_profiles(z, 1.0), z,
            LIMITS["profiles"] if count == 1000 else None)
        row("the same, L-filter 800 steps",
            lambda z=z: roughness_profiles(z, 1.0, nesting_index_um=800.0), z, None)


def linear() -> None:
    calls: dict[str, Callable[[np.ndarray], Any]] = {
        "all areal parameters": lambda z: roughness_areal(z, 1.0),
        "robust areal filter, 10 steps": lambda z: robust_areal_filter(z, 1.0, 10.0),
        "robust areal filter, 60 steps": lambda z: robust_areal_filter(z, 1.0, 60.0),
        "Gaussian areal filter, 60 steps": lambda z: gaussian_areal_filter(z, 1.0, 60.0),
    }
    for name, call in calls.items():
        points, times, peaks = [], [], []
        for side in SIDES:
            z = surface(side)
            points.append(z.size)
            once = functools.partial(call, z)
            times.append(min(spent(once) for _ in range(5 if side < 2000 else 3)))
            peaks.append(memory(once, z) * z.nbytes)
        power = np.polyfit(np.log(points), np.log(times), 1)[0]
        of_memory = np.polyfit(np.log(points), np.log(peaks), 1)[0]
        each = " ".join(f"{1e9 * t / n:.0f}" for t, n in zip(times, points, strict=True))
        print(f"{name:34s} time ~ points^{power:.2f}, memory ~ points^{of_memory:.2f}; "
              f"ns a point at {SIDES}: {each}", flush=True)


PARTS = {"areal": areal, "robust": robust, "profiles": profiles, "linear": linear}


def main(names: list[str]) -> None:
    cv2.setNumThreads(1)
    for name in names or list(PARTS):
        PARTS[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
