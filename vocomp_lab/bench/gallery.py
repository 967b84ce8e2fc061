"""The gallery of faults in a page: the voice before, and every render by its number, in one player.

The renders, the guesses and the numbers are in :mod:`vocomp_lab.lessons.gallery`.
"""

from __future__ import annotations

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.bench.style import STYLE
from vocomp_lab.lessons.gallery import FaultGallery
from vocomp_lab.sound.levels import db_to_amplitude

_PEAK = db_to_amplitude(-1.0)


class GalleryBench:
    """A player for a :class:`vocomp_lab.lessons.gallery.FaultGallery`. Nothing in the page says which render is which.

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
        self.widget = widgets.VBox([widgets.HTML(STYLE), *self._player.widgets])
        self.widget.add_class("vocomp-bench")

    def _ipython_display_(self):
        self._player.show()
        display(self.widget)
