"""A button that writes the finished vocal and its settings to files; until it is pressed, nothing is written."""

from __future__ import annotations

import html

import ipywidgets as widgets
from IPython.display import display

from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.style import STYLE
from vocomp_lab.lessons.take_along import FOR_A_MIX_LUFS, LOUDER_LUFS, TakenAlong, take_along
from vocomp_lab.lessons.unkept import not_kept
from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.text import decibels


class ExportBox:
    """Writes what a bench made of its clip, as it is set when the button is pressed.

    Parameters
    ----------
    bench : Bench
    name : str
        The take's, for the settings sheet.
    folder : path-like
        Beside the notebook; if the name is taken, the next free number is added to it.

    Raises
    ------
    ValueError
        If `bench` is none.

    Notes
    -----
    Put it last in a cell to show it. What is written: :func:`vocomp_lab.lessons.take_along.take_along`.
    """

    def __init__(self, bench: Bench, name: str, folder="my_vocal"):
        if not isinstance(bench, Bench):
            raise ValueError(f"bench: {shown(bench)} is not allowed; give a bench, such as Bench(clip, chain).")
        self._bench, self._name, self._folder = bench, name, folder
        button = widgets.Button(
            description="Write the files",
            layout=widgets.Layout(width="auto", min_height="32px", align_self="flex-start"),
        )
        button.on_click(lambda _: self.write())
        self._told, self._page = widgets.HTML(), widgets.HTML()
        self.widget = widgets.VBox([widgets.HTML(STYLE), button, self._told, self._page])
        self.widget.add_class("vocomp-bench")
        self._tell(
            f"Nothing is written until you press the button. It makes a new folder beside this notebook, with vocal.wav "
            f"({decibels(FOR_A_MIX_LUFS, 0)} LUFS), vocal_louder.flac ({decibels(LOUDER_LUFS, 0)} LUFS, or what its peaks "
            "allow), settings.json and settings.html, as the bench is set then."
        )

    def write(self) -> TakenAlong | None:
        """Write the files, as a click on the button does; None, and a sentence in the page, where they can't be written."""
        try:
            taken = take_along(self._bench.result, self._name, self._folder)
        except OSError as error:
            self._tell(not_kept(error, self._folder))
            return None
        self._tell(f"Written to {taken.folder.name}:", *taken.lines)
        self._page.value = taken.page._repr_html_()
        return taken

    def _tell(self, *lines):
        told = "<br>".join(html.escape(line, quote=False) for line in lines)
        self._told.value = f'<div class="vocomp-step" role="status">{told}</div>'

    def _ipython_display_(self):
        display(self.widget)
