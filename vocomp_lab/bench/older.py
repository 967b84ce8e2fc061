"""A line in a cell that goes by a bench or a menu further up: once that is moved, it says so, and has a button."""

from __future__ import annotations

from collections.abc import Callable

import ipywidgets as widgets

from vocomp_lab.bench.style import STYLE

# The page's run_below.js, which comes with every bench, answers it.
_BUTTON = '<button type="button" data-vocomp-run-below>Bring this and all below up to date</button>'

OLDER_THAN_BENCH = "<b>Older than the bench:</b> something was moved there since."
OLDER_THAN_CARD = "<b>Older than the card:</b> another one was chosen since."


class OlderLine:
    """Nothing, until what it was shown for has changed.

    Parameters
    ----------
    now : callable
        Gives what the cell goes by, such as a bench's chain; compared with ``==``.
    told : str
        What it says then.

    Attributes
    ----------
    widget : ipywidgets.Widget
    """

    def __init__(self, now: Callable, told: str = OLDER_THAN_BENCH):
        self._now, self._then, self._told = now, now(), told
        self._said = widgets.HTML()
        self.widget = widgets.VBox([widgets.HTML(STYLE), self._said])
        self.widget.add_class("vocomp-bench")
        self.look()

    @property
    def older(self) -> bool:
        """Whether it has changed since."""
        return self._now() != self._then

    def look(self) -> None:
        """Look again, and say so if it has changed."""
        line = f'<div class="vocomp-player-notes" role="status">{self._told} {_BUTTON}</div>' if self.older else ""
        if line != self._said.value:
            self._said.value = line
