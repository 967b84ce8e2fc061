"""Who marks: processes on this machine, any executor, or the workers of a cluster.

Whatever goes wrong with one sheet, in a worker or on the way to it, costs that sheet only.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import sys
import threading
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

from vocomp_lab.exercises.journal import workbook_digest
from vocomp_lab.sound.checks import check_whole

MOST_WORKERS = 61 if sys.platform == "win32" else 1024
_IN_FLIGHT = 256
"""Sheets that an executor is given at a time: enough for a hundred workers, and few enough to keep in memory."""


def run_on(executor, work, load, waiting, done, failed, in_flight: int = _IN_FLIGHT) -> list:
    """Run a piece of work for each name on an executor.

    Parameters
    ----------
    executor : concurrent.futures.Executor
    work : callable
        Runs in the executor, on what `load` gives.
    load : callable
        Takes a name; runs here, just before.
    waiting : sequence of str
    done, failed : callable
        Take (name, result) and (name, error).
    in_flight : int

    Returns
    -------
    list of str
        The names left undone when a pool of processes broke.
    """
    waiting, flying, broken = list(reversed(waiting)), {}, []
    try:
        while waiting or flying:
            while waiting and len(flying) < in_flight and not broken:
                name = waiting.pop()
                try:
                    flying[executor.submit(work, load(name))] = name
                except BrokenProcessPool:
                    broken.append(name)
                except Exception as error:
                    failed(name, error)
            if not flying:
                break
            for future in wait(flying, return_when=FIRST_COMPLETED).done:
                name = flying.pop(future)
                try:
                    done(name, future.result())
                except BrokenProcessPool:
                    broken.append(name)
                except Exception as error:
                    failed(name, error)
    finally:
        for future in flying:
            future.cancel()
    return broken + list(reversed(waiting)) if broken else []


def run_here(work, load, waiting, done, failed, workers: int | None = None) -> None:
    """:func:`run_on` in processes on this machine.

    Parameters
    ----------
    workers : int, optional
        How many; by default one for each processor.

    Raises
    ------
    ValueError
        If it is not a whole number from 1 to 1024 (61 on Windows).
    """
    workers = min(os.cpu_count() or 1, MOST_WORKERS) if workers is None else checked_workers(workers)
    if not waiting:
        return
    with _pool(workers) as pool:
        left = run_on(pool, work, load, waiting, done, failed, 2 * workers + 2)
    # When a process dies, every sheet being marked is lost. Marked one by one, they show which one was to blame.
    while left:
        with _pool(1) as pool:
            while left:
                name = left.pop(0)
                if run_on(pool, work, load, [name], done, failed):
                    failed(name, RuntimeError("the process that marked it broke down"))
                    break


def checked_workers(workers) -> int:
    """A number of workers; a ValueError in one sentence if there can't be so many."""
    return check_whole("workers", workers, 1, MOST_WORKERS)


def _pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        workers, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_the_marker
    )


def _end_with_the_marker() -> None:
    """Runs in a worker: a marker that is killed can't say so, and its workers would wait for the next sheet for ever."""

    # Ctrl+C goes to every process of a terminal. The marker says what there is to say, and its workers end with it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def watch():
        multiprocessing.parent_process().join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextmanager
def cluster(address: str, wait_s: float = 60.0):
    """The workers of a Dask cluster, as an executor.

    The package ``distributed`` is needed only here. The same workbook must be installed wherever a worker runs, down to
    the last byte, so that the marks are the same.

    Parameters
    ----------
    address : str
        The scheduler's, such as ``tcp://192.0.2.7:8786``.
    wait_s : float
        How long the scheduler may take to answer, and its first worker to join, in seconds.

    Yields
    ------
    concurrent.futures.Executor

    Raises
    ------
    ValueError
        If the package is missing, nobody answers, or a worker has another workbook.
    """
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise ValueError(
            "scheduler: for this the package distributed has to be installed, here and on each worker."
        ) from None
    try:
        client = distributed.Client(address, timeout=wait_s, set_as_default=False)
    except (OSError, ValueError, TimeoutError):
        raise ValueError(f"scheduler: no scheduler answers at {address!r}.") from None
    with client:
        try:
            client.wait_for_workers(1, timeout=wait_s)
        except TimeoutError:
            raise ValueError(f"scheduler: {address!r} has no workers; start some.") from None
        for worker, digest in client.run(workbook_digest, on_error="return").items():
            if digest != workbook_digest():
                raise ValueError(
                    f"scheduler: the worker {worker} has another version of the workbook, or none; install this one "
                    f"there and start it again."
                )
        yield client.get_executor(retries=2)
