"""The gallery of faults in a page: the voice before, and every render by its number, in one player, and menus to guess.

The renders, the guesses and the numbers are in :mod:`vocomp_lab.lessons.gallery`.
"""

from __future__ import annotations

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.bench.style import STYLE, error_html
from vocomp_lab.lessons.gallery import FAULTS, FaultGallery
from vocomp_lab.sound.levels import db_to_amplitude

_PEAK = db_to_amplitude(-1.0)


class GalleryBench:
    """A player for a :class:`vocomp_lab.lessons.gallery.FaultGallery`, with a menu for the guess at each number.

    Nothing in the page says which render is which, before a guess is made and the names are asked for.

    Parameters
    ----------
    gallery : FaultGallery

    Notes
    -----
    All renders are played with the same gain, so one of them may be louder: that is its fault then. Put it last in a
    cell to show it.
    """

    def __init__(self, gallery: FaultGallery):
        if not isinstance(gallery, FaultGallery):
            raise ValueError(f"gallery: {type(gallery).__name__} is not allowed; give a FaultGallery.")
        renders = {f"render{number}": clip for number, clip in enumerate(gallery.clips, start=1)}
        clips = {"before": gallery.voice, **renders}
        labels = {track: track.removeprefix("render") for track in clips}
        keys = "".join(str(place) for place in range(len(clips)))
        self._player = PagePlayer(labels, "Player: before, and the renders by number", keys=keys)
        scale = min(1.0, _PEAK / max(float(np.abs(clip.samples).max()) for clip in clips.values()))
        voice = gallery.voice
        sounds = {track: clip.with_samples(scale * clip.samples) for track, clip in clips.items()}
        self._player.send(sounds, rate=voice.rate, duration_s=voice.duration_s)
        self._gallery, self._told = gallery, widgets.HTML()
        menus = [self._menu(number) for number in range(1, len(gallery.clips) + 1)]
        buttons = [
            self._button("Show the numbers", "what the meters say about each number; no fault is named", gallery.table),
            self._button("Show the names", "what was done to each number, once you have guessed", gallery.reveal),
        ]
        rows = [widgets.HBox(parts, layout=widgets.Layout(flex_flow="row wrap")) for parts in (menus, buttons)]
        self.widget = widgets.VBox([widgets.HTML(STYLE), *self._player.widgets, *rows, self._told])
        self.widget.add_class("vocomp-bench")

    def _menu(self, number) -> widgets.Dropdown:
        menu = widgets.Dropdown(
            options=[("?", None), *((fault, fault) for fault in sorted(FAULTS))],
            description=f"Number {number}",
            style={"description_width": "70px"},
            layout=widgets.Layout(width="190px"),
        )
        menu.observe(lambda change: self._gallery.guess({number: change["new"]}), "value")
        return menu

    def _button(self, text, tip, table) -> widgets.Button:
        button = widgets.Button(description=text, tooltip=f"{text}: {tip}", layout=widgets.Layout(width="170px"))
        button.on_click(lambda _: self._tell(table))
        return button

    def _tell(self, table):
        try:
            told = table()._repr_html_()
        except ValueError as error:
            told = error_html(error)
        self._told.value = f'<div class="vocomp-told" role="status">{told}</div>'

    def _ipython_display_(self):
        self._player.show()
        display(self.widget)
