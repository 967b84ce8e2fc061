"""Long work on a clip, one piece at a time, with a bar that says how far it is."""

from __future__ import annotations

import asyncio
from typing import Awaitable, Callable

import ipywidgets as widgets

from vocomp_lab.bench.deferred import running_loop


class Background:
    """Work that runs while the kernel goes on answering. Newer work ends the work before it.

    Parameters
    ----------
    name : str
        Stands beside the bar.

    Attributes
    ----------
    bar : ipywidgets.IntProgress
        Visible while work is under way.
    task : asyncio.Task or None
        The newest work.
    """

    def __init__(self, name: str):
        self.bar = widgets.IntProgress(min=0, max=1, description=name, layout=widgets.Layout(display="none"))
        self.task: asyncio.Task | None = None

    def start(self, work: Callable[[Callable[[int], None]], Awaitable[None]], steps: int) -> None:
        """Begin some work in the running event loop.

        Parameters
        ----------
        work : coroutine function
            Gets a function to call with the number of steps that are done.
        steps : int
            How many there are.
        """
        if self.task is not None and not self.task.get_loop().is_closed():
            # The task may belong to another page's event loop (see Deferred).
            self.task.get_loop().call_soon_threadsafe(self.task.cancel)
        self.task = running_loop().create_task(self._run(work, steps))

    async def _run(self, work, steps):
        self.bar.max, self.bar.value, self.bar.layout.display = steps, 0, None
        try:
            await work(lambda done: setattr(self.bar, "value", done))
        finally:
            # Work that has been replaced leaves the bar to the newer one.
            if asyncio.current_task() is self.task:
                self.bar.layout.display = "none"
