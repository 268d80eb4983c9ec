"""Where the specimens of a folder are examined: here, in worker processes, or on a cluster."""

from __future__ import annotations

import contextlib
import logging
import math
import os
from collections.abc import Generator, Sequence
from concurrent.futures import Executor, Future, as_completed
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

from edgeqc.errors import UsageError
from edgeqc.folder_work import Order, Outcome, failed_row, run_order
from edgeqc.guarded_call import GuardedProcess

CONNECT_LIMIT_S = 30
WORKER_MB = 2000
"""Memory counted for a worker: measuring the largest mosaic takes up to 1500."""
_CONTAINER_LIMIT = Path("/sys/fs/cgroup/memory.max")
_LOCAL_CONFIG = {
    "distributed.scheduler.allowed-failures": 1,
    # its watching of itself takes a tenth of a core, which on two cores is missed
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "500ms",
    "distributed.admin.system-monitor.interval": "5s",
}
_GUARD = "edgeqc_guard"  # the worker's attribute that keeps its measuring process


def outcomes_here(orders: Sequence[Order]) -> Generator[Outcome, None, None]:
    """Yield outcomes one after the other, each measured by the same guarded process."""
    if not orders:
        return
    with _guard_for(orders[0]) as guard:
        for order in orders:
            yield run_order(order, guard)


def outcomes_of_workers(
    orders: Sequence[Order], *, workers: int, cluster: str | None = None
) -> Generator[Outcome, None, None]:
    """Yield outcomes as they come from several workers, in any order.

    Parameters
    ----------
    orders : sequence of Order
        What to examine.
    workers : int
        Number of worker processes on this machine.
    cluster : str, optional
        Address of a running scheduler, whose workers see the same folders under the same paths.

    Notes
    -----
    A worker that dies is replaced and its specimen given to another; a specimen that ends two
    workers is given up.
    """
    with ExitStack() as stack:
        client = stack.enter_context(closing(_client(stack, workers, cluster)))
        # not pure: equal arguments would share one result
        executor: Executor = client.get_executor(pure=False)
        futures = {executor.submit(run_on_worker, order): order for order in orders}
        stack.callback(_cancel, futures)
        for future in as_completed(futures):
            yield _outcome(future, futures[future])


def run_on_worker(order: Order) -> Outcome:
    """Examine one specimen on a worker, which keeps its measuring process for the next."""
    from distributed import get_worker

    worker = get_worker()
    guard = getattr(worker, _GUARD, None)
    if guard is None:
        guard = _guard_for(order)
        setattr(worker, _GUARD, guard)
    return run_order(order, guard)


def fitting_workers() -> int:
    """Return how many workers this machine carries: one a core, as far as the memory allows."""
    if hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    return max(1, min(cores, int(_memory_mb() // WORKER_MB)))


def _memory_mb() -> float:
    """Return the memory that this process may share out, infinite where the system does not say."""
    found = [math.inf]
    with contextlib.suppress(AttributeError, ValueError, OSError):
        found.append(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**20)
    with contextlib.suppress(OSError, ValueError):  # a container's share; "max" where it has none
        found.append(int(_CONTAINER_LIMIT.read_text()) / 2**20)
    return min(found)


def _guard_for(order: Order) -> GuardedProcess:
    return GuardedProcess(order.examiner, memory_limit_mb=order.memory_limit_mb)


def _client(stack: ExitStack, workers: int, cluster: str | None) -> Any:
    import dask
    import distributed

    # the library has no types of its own
    client_of: Any = distributed.Client
    cluster_of: Any = distributed.LocalCluster

    for name in ("distributed", "distributed.worker", "distributed.nanny"):
        # its news of lost workers would appear amid the progress; the outcome tells of them
        logging.getLogger(name).setLevel(logging.CRITICAL)
    if cluster:
        try:
            return client_of(cluster, timeout=CONNECT_LIMIT_S, set_as_default=False)
        except (OSError, ValueError, TypeError, ImportError) as error:
            raise UsageError(
                f"no scheduler answers at {cluster!r} ({type(error).__name__})",
                remedy="give the address that the scheduler prints at its start, such as "
                       "tcp://10.0.0.5:8786",
            ) from error
    stack.enter_context(dask.config.set(_LOCAL_CONFIG))
    # any free port: with a fixed one a second folder run on the same machine could not start
    local = cluster_of(
        n_workers=workers, threads_per_worker=1, processes=True,
        dashboard_address="127.0.0.1:0",
        memory_limit=0,  # the measuring process has its own limit
        silence_logs=logging.CRITICAL,
    )
    stack.callback(local.close)
    return client_of(local, set_as_default=False)


def _cancel(futures: dict[Future[Outcome], Order]) -> None:
    for future in futures:
        future.cancel()


def _outcome(future: Future[Outcome], order: Order) -> Outcome:
    try:
        return future.result()
    except Exception as error:  # the last net: the worker itself was lost
        reason = f"its worker was lost twice ({type(error).__name__})"
        rows = tuple(failed_row(picture.name, order.job.specimen, reason)
                     for picture in order.job.pictures)
        return Outcome(order.job, order.aside, images=rows, again=True, log=reason)
