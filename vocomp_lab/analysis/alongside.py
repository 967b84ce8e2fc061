"""Work that goes on beside the caller's, in threads, with the same result as in one.

NumPy, SciPy and the sound library let go of Python's lock while they compute, so threads share the processor's cores.
Each receiver gets its values one after another and in order, from one thread only: what it makes of them doesn't depend
on how many threads there are.
"""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable

MOST_THREADS = 4
"""A render has no more to do at a time: the chain, the file it writes, and a meter at each end."""
_WAITING = 3
_NO_MORE = object()


def threads_for_this_machine() -> int:
    """One for each of this machine's processors: more would only take turns, and turns cost time."""
    try:
        processors = len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        processors = os.cpu_count() or 1
    return min(processors, MOST_THREADS)


class Alongside:
    """Threads that take over calls.

    Parameters
    ----------
    threads : int
        How many there are in all, with the caller's own, ≥ 1. With one, every call is done at once.

    Notes
    -----
    Use it in a ``with`` statement: at its end all calls have been done. What a call raises is raised by a later one, or
    at the end. Only a few values wait at a time, so a slow receiver holds up the caller and memory stays small.
    """

    def __init__(self, threads: int):
        self._helpers = [_Helper() for _ in range(threads - 1)]
        self._receivers = 0

    def receiver(self, do: Callable[[object], None]) -> Callable[[object], None]:
        """The same function, done alongside: one thread calls it with each value in order."""
        if not self._helpers:
            return do
        helper = self._helpers[self._receivers % len(self._helpers)]
        self._receivers += 1
        return lambda value: helper.put(do, value)

    def __enter__(self):
        for helper in self._helpers:
            helper.start()
        return self

    def __exit__(self, kind, error, trace):
        for helper in self._helpers:
            helper.end(drop=error is not None)
        if error is None:
            for helper in self._helpers:
                helper.complain()


class _Helper:
    """A thread that does calls in the order in which they come, until one fails."""

    def __init__(self):
        self._calls: queue.Queue = queue.Queue(_WAITING)
        self._error: BaseException | None = None
        self._dropping = False
        self._thread = threading.Thread(target=self._work, name="vocomp_lab alongside", daemon=True)

    def start(self):
        self._thread.start()

    def put(self, do, value):
        self.complain()
        self._calls.put((do, value))

    def end(self, drop: bool):
        """Wait until all is done; or, to drop it, until the call at hand is."""
        self._dropping = self._dropping or drop
        self._calls.put((_NO_MORE, None))
        self._thread.join()

    def complain(self):
        """Raise what a call has raised."""
        if self._error is not None:
            raise self._error

    def _work(self):
        while True:
            do, value = self._calls.get()
            if do is _NO_MORE:
                return
            if self._error is None and not self._dropping:
                try:
                    do(value)
                except BaseException as error:  # kept for the caller, whatever it is
                    self._error = error
