"""Work that waits: for the event loop to be free, or for a hand to rest."""

from __future__ import annotations

import asyncio
from typing import Callable


class Deferred:
    """A piece of work that waits at most once at a time.

    Parameters
    ----------
    work : function without arguments
    rest_s : float
        0: run when the messages waiting in the event loop have been read; it reads the newest settings then, so
        asking again changes nothing. More: run after a rest of that length; asking again starts the rest over.

    Notes
    -----
    The kernel answers each page on an event loop of its own, which ends with the page. Work that waits there never
    runs, so it does not count as waiting once the loop is closed. Without an event loop the work runs at once.
    """

    def __init__(self, work: Callable[[], None], rest_s: float = 0.0):
        self._work, self._rest_s = work, rest_s
        self._loop: asyncio.AbstractEventLoop | None = None
        self._handle: asyncio.TimerHandle | None = None

    def ask(self) -> None:
        """Run the work soon."""
        waiting = self._handle is not None and not self._loop.is_closed()
        if waiting and self._rest_s == 0:
            return
        self.drop()
        loop = running_loop()
        if loop is None:
            self._work()
            return
        self._loop, self._handle = loop, loop.call_later(self._rest_s, self._run)

    def run_now(self) -> None:
        """Run the work now, and not a second time later."""
        self.drop()
        self._work()

    def drop(self) -> None:
        """Forget that the work was asked for."""
        if self._handle is not None and not self._loop.is_closed():
            self._handle.cancel()
        self._loop = self._handle = None

    def _run(self) -> None:
        self._loop = self._handle = None
        self._work()


def running_loop() -> asyncio.AbstractEventLoop | None:
    """The event loop that this code runs in; None outside of one."""
    try:
        return asyncio.get_running_loop()
    except RuntimeError:
        return None
