"""Speed and memory of roughness against one Fourier transform of the same array.

Run by hand on a quiet machine::

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/benchmarks/roughness_speed.py

Prints a table: time over that of one complex 2-D transform of the same array in the same run
(best of three each), and peak memory over the size of the array.
"""

from __future__ import annotations

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


def best(call: Callable[[], Any], times: int = 3) -> float:
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        spent.append(time.perf_counter() - start)
    return min(spent)


def memory(call: Callable[[], Any], array: np.ndarray) -> float:
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / array.nbytes


def row(name: str, call: Callable[[], Any], array: np.ndarray, limit: int | None) -> None:
    filled = np.nan_to_num(array)
    transform = best(lambda: fft.fft2(filled), 5)
    spent = best(call)
    size = "x".join(map(str, array.shape))
    against = f"(limit {limit})" if limit else ""
    print(
        f"{name:34s} {size:>10s} {spent:8.3f} s  {spent / transform:7.1f} transforms "
        f"{against:12s} {memory(call, array):6.1f} x the array",
        flush=True,
    )


def main() -> None:
    cv2.setNumThreads(1)
    rng = np.random.default_rng(0)
    for side in (512, 1024, 2048):
        z = gaussian_filter(rng.normal(size=(side, side)), 4.0)
        z[rng.random(z.shape) < 0.05] = np.nan
        limited = side == 2048
        row("all areal parameters, 5 % gaps", lambda z=z: roughness_areal(z, 1.0), z,
            LIMITS["areal"] if limited else None)
        row("robust areal filter, lc 100 px", lambda z=z: robust_areal_filter(z, 1.0, 100.0), z,
            LIMITS["robust"] if limited else None)
        row("Gaussian areal filter, lc 100 px", lambda z=z: gaussian_areal_filter(z, 1.0, 100.0),
            z, None)
    for count in (250, 1000):
        z = gaussian_filter1d(rng.normal(size=(count, 4000)), 5.0, axis=1)
        row("all profile parameters", lambda z=z: roughness_profiles(z, 1.0), z,
            LIMITS["profiles"] if count == 1000 else None)
        row("the same, filtered at 800 steps",
            lambda z=z: roughness_profiles(z, 1.0, nesting_index_um=800.0), z, None)


if __name__ == "__main__":
    main()
