"""The stretch of a clip that is in sight, and the slider that moves it."""

from __future__ import annotations

import math
from typing import Callable

import ipywidgets as widgets

from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.pictures.panels import Window
from vocomp_lab.sound.checks import shown

WHOLE_CLIP_S = 40.0
"""Longer clips are previewed in the stretch in sight while a control moves. The whole follows when the hand rests."""
LONG_VIEW_S = 20.0
LONGEST_VIEW_S = 60.0
"""How much of a long clip is in sight at first, and at most."""
SHORTEST_VIEW_S = 0.05


class View:
    """What is in sight of a clip.

    Parameters
    ----------
    duration_s : float
        Of the clip.
    view : (float, float), optional
        Start and end in seconds. Default: the whole of a short clip, 20 s of a long one.
    player : PagePlayer
        Finds the slider in the page.
    on_change : function without arguments
        Called when the slider has been moved.

    Attributes
    ----------
    long : bool
        Whether the clip is a long one.
    window : Window
        What is in sight now.
    widget : ipywidgets.Widget

    Raises
    ------
    ValueError
        If `view` is not a stretch of the clip.
    """

    def __init__(self, duration_s: float, view, player: PagePlayer, on_change: Callable[[], None]):
        self._duration_s, self._on_change = duration_s, on_change
        self.long = duration_s > WHOLE_CLIP_S
        self.window = self._checked(view)
        self.widget = widgets.FloatRangeSlider(
            # Whole steps: from an end between two of them the arrow key would not find its way back.
            value=(self.window.start_s, math.ceil(10 * self.window.end_s - 1e-6) / 10),
            min=0.0,
            max=math.ceil(10 * duration_s - 1e-6) / 10,
            step=0.1,
            description="In sight (s)",
            readout_format=".1f",
            continuous_update=False,
            layout=widgets.Layout(width="calc(100% - 4px)", max_width="1120px"),
        )
        player.part(self.widget, "view")
        self.widget.observe(lambda change: self._moved(*change["new"]), "value")

    def _moved(self, start_s: float, end_s: float) -> None:
        end_s = min(end_s, self._duration_s)
        if end_s - start_s < SHORTEST_VIEW_S:
            return
        self.window = self._in_reach(Window(start_s, end_s))
        if self.window.end_s != end_s:
            self.widget.value = (self.window.start_s, self.window.end_s)  # which brings us here again
            return
        self._on_change()

    def _checked(self, view) -> Window:
        length = self._duration_s
        if view is None:
            return Window(0.0, LONG_VIEW_S if self.long else length)
        try:
            start, end = (float(edge) for edge in view)
        except (TypeError, ValueError):
            start, end = 1.0, 0.0
        if not 0 <= start < end or start >= length:
            raise ValueError(
                f"view: {shown(view)} is not allowed; give (start, end) in seconds within 0 to {length:.2f}."
            )
        return self._in_reach(Window(start, min(end, length)))

    def _in_reach(self, window: Window) -> Window:
        return Window(window.start_s, min(window.end_s, window.start_s + LONGEST_VIEW_S)) if self.long else window
