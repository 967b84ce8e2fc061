"""The player of a page for any few sounds of one length: what the blind test and the mix have in common.

The page's side of it is ``player.js``, as under a :class:`vocomp_lab.bench.Bench`.
"""

from __future__ import annotations

import html
import itertools
import json
import secrets
from importlib import resources

import ipywidgets as widgets
from IPython.display import HTML, display

from vocomp_lab.bench.style import NO_KERNEL, STYLE

_PLAYER = """<div class="vocomp-player" hidden role="group" aria-label="__NAME__" tabindex="-1" data-tracks="__TRACKS__"
 data-lm-suppress-shortcuts="true">
<div class="row">
<button type="button" data-part="play">Play</button>
<fieldset><legend>Hear</legend>__CHOICES__</fieldset>
<label><input type="checkbox" data-part="loop" checked>loop</label>
</div><div class="row">
<label style="flex:1 1 300px">Position
<input type="range" data-part="seek" min="0" max="1" step="0.01" value="0"></label>
<span data-part="clock">0.0 s</span>
<label>Volume<input type="range" data-part="volume" min="-40" max="0" step="1" value="-24"></label>
<span data-part="volume-text">−24 dB</span>
<span data-part="note" role="status"></span>
<span class="keys">Keys, after a click in here: <kbd>p</kbd> plays and pauses; __KEYS__ choose.</span>
</div></div>"""


class PagePlayer:
    """Hidden sounds in the page, and the player that switches between them without a jump.

    Parameters
    ----------
    tracks : dict of str
        What each track is called in the page, by its own name (letters only); the first one is heard first.
    name : str
        Of the player, for screen readers.
    file_format : {"flac", "wav"}
        Of the sounds that it will be sent.
    keys : str
        The key of each track, in their order.

    Attributes
    ----------
    widgets : list
        The hidden widgets; whoever shows the player shows these, too.
    """

    _ids = itertools.count(1)

    def __init__(self, tracks: dict[str, str], name: str, file_format: str = "flac", keys: str = "123456789"):
        self.id = f"p{next(self._ids)}-{secrets.token_hex(4)}"
        self._tracks, self._name, self._keys = dict(tracks), name, keys[: len(tracks)]
        hidden = widgets.Layout(display="none")
        self._state = self.part(widgets.HTML(layout=hidden), "state")
        self.sounds = {
            track: self.part(
                widgets.Audio(format=file_format, autoplay=False, loop=False, controls=False, layout=hidden), track
            )
            for track in tracks
        }
        self.widgets = [*self.sounds.values(), self._state]
        self._told: dict[str, object] = {}

    def part(self, widget, name: str):
        """Let the page's script find a widget: "picture" gets the play position, "slider-…" and "typed-…" labels."""
        widget.add_class(f"vocomp-{self.id}-{name}")
        return widget

    def send(self, sounds: dict[str, bytes], *, rate: int, duration_s: float, **state) -> None:
        """Give the page new sounds, and with them its state.

        Parameters
        ----------
        sounds : dict of bytes
            Sound files by track; the tracks left out stay as they are.
        rate : int
            Samples per second, for decoding.
        duration_s : float
        **state
            What else the page should know: `labels` of controls, `alt` of the picture, its `window` and `time_box`.
        """
        for track, data in sounds.items():
            self.sounds[track].value = data
            self._told.update({f"{track}_id": secrets.token_hex(4), f"{track}_bytes": len(data), f"{track}_scale": 1.0})
        told = {
            "labels": {}, "alt": "", "window": [0.0, duration_s], "time_box": [0.0, 0.0, 1.0, 1.0],
            **self._told, "rate": min(max(rate, 8000), 96000), "duration_s": duration_s, **state,
        }  # fmt: skip
        self.state_text = json.dumps(told, ensure_ascii=False)
        self._state.value = f"<span>{html.escape(self.state_text, quote=False)}</span>"

    def show(self, still: str = "") -> None:
        """Put the player into the cell's output; `still` stands there where no kernel runs."""
        script = resources.files("vocomp_lab.bench").joinpath("player.js").read_text("utf-8").replace("__ID__", self.id)
        choices = "".join(
            f'<label><input type="radio" name="vocomp-{self.id}" value="{track}" data-key="{key}" '
            f"{'checked' if place == 0 else ''}>{html.escape(label)}</label>"
            for place, (key, (track, label)) in enumerate(zip(self._keys, self._tracks.items()))
        )
        keys = " ".join(f"<kbd>{key}</kbd>" for key in self._keys)
        player = _PLAYER
        for mark, text in (
            ("__NAME__", html.escape(self._name)),
            ("__TRACKS__", ",".join(self._tracks)),
            ("__CHOICES__", choices),
            ("__KEYS__", keys),
        ):
            player = player.replace(mark, text)
        still = f'<div class="vocomp-still">{still}{NO_KERNEL}</div>'
        display(HTML(f'<div class="vocomp-output">{STYLE}{still}{player}<script>{script}</script></div>'))
