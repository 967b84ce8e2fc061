"""Buttons that keep one of several chains for later lessons, where a lesson leaves the choice to the ear."""

from __future__ import annotations

import html

import ipywidgets as widgets
from IPython.display import display

from vocomp_lab.bench.style import STYLE
from vocomp_lab.lessons.course import A_LESSON
from vocomp_lab.sound.checks import By, Named, asks, check_choice


_CHOICES = Named(By(lambda kept: kept))


class KeepChoice:
    """Lets a student keep one of several chains; until a button is pressed, nothing is kept and nothing is changed.

    Parameters
    ----------
    lesson : Lesson
        Whose stages they are.
    choices : dict of str to Chain or Bench
        What each button keeps, by the words on it. A bench is kept as it is set when its button is pressed.
    whole : bool, optional
        Whether each is a whole chain, so that what it lacks is left out (``Lesson.keep_whole``).

    Raises
    ------
    ValueError
        If there is nothing to choose from.

    Notes
    -----
    Put it last in a cell to show it.
    """

    @asks(lesson=A_LESSON, choices=_CHOICES)
    def __init__(self, lesson, choices: dict, whole: bool = False):
        self._choices = dict(choices)
        self._keep = lesson.keep_whole if whole else lesson.keep
        buttons = [
            widgets.Button(description=name, layout=widgets.Layout(width="auto", min_height="32px"))
            for name in self._choices
        ]
        for button in buttons:
            button.on_click(lambda pressed: self.keep(pressed.description))
        self._told = widgets.HTML()
        row = widgets.HBox(buttons, layout=widgets.Layout(flex_flow="row wrap"))
        self.widget = widgets.VBox([widgets.HTML(STYLE), row, self._told])
        self.widget.add_class("vocomp-bench")
        self._tell("Nothing is kept until you press a button.")

    def keep(self, name: str) -> str:
        """Keep what a button stands for, as a click on it does; returns the sentence that it shows.

        Raises
        ------
        ValueError
            If there is no such button.
        """
        check_choice("name", name, tuple(self._choices))
        said = self._keep(self._choices[name])
        self._tell(said)
        return said

    def _tell(self, text):
        self._told.value = f'<div class="vocomp-step" role="status">{html.escape(text)}</div>'

    def _ipython_display_(self):
        display(self.widget)
