"""The player under every bench: a few sounds of one length, heard one at a time and switched without a jump.

Python's side is here, the page's side in ``player.js`` and ``speaker.js``. Sound goes to the page as the bytes of hidden ``Audio`` widgets,
everything else as one hidden line of JSON, the state.
"""

from __future__ import annotations

import base64
import hashlib
import html
import itertools
import json
import secrets
from importlib import resources

import ipywidgets as widgets
import numpy as np
from IPython.display import HTML, display

from vocomp_lab.bench.live import code_widget
from vocomp_lab.bench.style import NO_KERNEL, STYLE
from vocomp_lab.bench.toolbar import reference_links
from vocomp_lab.lessons.plays import MOST_PLAYS, Play
from vocomp_lab.sound.audio import Clip, encode

_SCRIPTS = (
    "anchors",
    "speaker",
    "live",
    "lines",
    "tracks",
    "band",
    "hand",
    "livevoice",
    "margin",
    "run_below",
    "naming",
    "needle",
    "playhead",
    "plays",
    "player",
)
_HIDE = 'style="display:none"'

# Below data-lm-suppress-shortcuts JupyterLab leaves keys alone: its own 1, 2 and 3 would turn the cell into a heading.
_PLAYER = """<div class="vocomp-player" hidden role="group" aria-label="__NAME__" tabindex="-1" data-tracks="__TRACKS__"
 data-lm-suppress-shortcuts="true">
<div class="row">
<button type="button" data-part="play">Play</button>
__NEEDLE__<fieldset __CHOICE__><legend>Hear</legend>__CHOICES__</fieldset>
__WAY____MATCH__<span data-part="note" role="status"></span>
</div><div class="rows"><div class="row">
<label class="wide">Position
<input type="range" data-part="seek" min="0" max="1" step="0.01" value="0"></label>
<span data-part="clock">0.0 s</span>
<label><input type="checkbox" data-part="loop" checked>loop</label>
<label hidden>Repeat<select data-part="moments"></select></label>
<span class="vocomp-volume"><label>Volume<input type="range" data-part="volume" min="-40" max="0" step="1" value="-24"></label>
<span data-part="volume-text">−24 dB</span></span>
</div>__BAND__</div></div>
<div class="vocomp-player-notes vocomp-__ID__-notes"><div class="keys">Keys, after a click here: <kbd>p</kbd> plays and pauses<span __CHOICE__>;
 <span data-part="keys">__KEYS__</span> choose</span>. <span data-part="how"></span></div>
__SETTINGS__</div>"""

_NEEDLE = """<div class="vocomp-needle" data-part="needle" hidden>
<span title="in, out: peak levels of what goes into the device and of what comes out, before “after as loud as before” changes it.
reduction: what is taken off now; the mark is the most of the last two seconds" role="img" aria-label="Meters: at rest"><canvas></canvas><span data-show="text"></span></span>
<label title="fast: shows every peak; slow: a needle that takes 300 ms to follow">Meter<select><option value="fast">fast</option>
<option value="slow">slow</option></select></label></div>
"""

_MATCH = """<label __CHOICE__><input type="checkbox" data-part="match" __ON__>after as loud as before</label>
"""

_WAY = """<label class="vocomp-way" title="small loudspeaker: mono, 250 Hz to 6 kHz, 10 dB softer (common practice, no source); very quiet: 20 dB softer">
Listen<select data-part="way"><option value="as it is">as it is</option><option value="small">small loudspeaker</option>
<option value="quiet">very quiet</option></select></label>
"""

_BAND = f"""<div class="row">
<span data-part="band-box" class="vocomp-band" hidden><label><input type="checkbox" data-part="band">with the band</label>
<label>Voice over band<input type="range" data-part="balance"></label><span data-part="balance-text"></span></span>
{_WAY}</div>
<div class="row" data-part="align-box" hidden><label class="wide">Band begins at
<input type="range" data-part="coarse" min="-1" max="1" step="0.1" value="0"></label>
<label>fine (ms)<input type="range" data-part="fine" min="-250" max="250" step="1" value="0"></label>
<span data-part="align-text"></span></div>
"""

_SETTINGS = """
<details __HIDDEN__><summary>Settings to take along</summary>
<div class="row" style="margin:4px 0"><button type="button" data-part="copy-python">Copy as Python</button>
<button type="button" data-part="copy-json">Copy as settings sheet (JSON)</button>
<span data-part="copied" role="status"></span>
</div>
<textarea data-part="python" readonly aria-label="Settings as Python"></textarea>
<textarea data-part="json" readonly aria-label="Settings sheet as JSON"></textarea></details>
"""


class PagePlayer:
    """Hidden sounds in the page, and the player that switches between them.

    Parameters
    ----------
    tracks : dict of str
        The label of each track, by its name (letters and digits). The first track is heard first.
    name : str
        The player's name for screen readers.
    computed : sequence of str
        Tracks that the page computes from the others, so that they are not sent: "removed", from "before" and "after".
    file_format : {"flac", "wav"}
        The format of the sounds.
    keys : str
        The key of each track, in order.
    match : bool, optional
        Whether "after" starts as loud as "before". None leaves that box out.
    settings : bool, optional
        Whether the settings can be copied from the player. None leaves that part out; False hides it.
    choice : bool
        Whether the listener may choose what is heard.
    live : bool
        Whether the page makes the tracks itself where it can, from a clip that is sent as the sound "clip" (see
        :mod:`vocomp_lab.bench.live`), and shows meters. Python then sends the tracks only to a page that asks.
    plays : bool
        Whether the page writes down what is played: see :meth:`plays`.

    Attributes
    ----------
    id : str
        Part of the class names by which the page finds the widgets.
    sounds : dict of ipywidgets.Audio
        The hidden sounds, by track.
    transport : ipywidgets.Box
        Where the player goes in the page, if a bench shows this box.
    widgets : list
        All hidden widgets. A bench shows them with its own.
    state_text : str
        The state sent last, as JSON.
    """

    _ids = itertools.count(1)

    def __init__(
        self,
        tracks: dict[str, str],
        name: str,
        *,
        computed=(),
        file_format: str = "flac",
        keys: str = "123456789",
        match: bool | None = None,
        settings: bool | None = None,
        choice: bool = True,
        live: bool = False,
        plays: bool = False,
    ):
        # One document may hold several students' pages, and several benches of each.
        self.id = f"p{next(self._ids)}-{secrets.token_hex(4)}"
        self._tracks, self._name, self._keys = dict(tracks), name, keys[: len(tracks)]
        self._match, self._settings, self._choice, self._live = match, settings, choice, live
        self._parts: set[str] = set()
        hidden = widgets.Layout(display="none")
        self._state = self.part(widgets.HTML(layout=hidden), "state")
        self.sounds = {
            track: self.part(
                widgets.Audio(format=file_format, autoplay=False, loop=False, controls=False, layout=hidden), track
            )
            for track in (*tracks, *(["clip"] if live else []))
            if track not in computed
        }
        self._news, self._stops = (self.part(widgets.HTML(layout=hidden), name) for name in ("news", "stops"))
        self._wanted = self.part(widgets.Textarea(layout=hidden), "wanted")
        self._plays = self.part(widgets.Textarea(layout=hidden), "plays") if plays else None
        self._plays_before: tuple[Play, ...] = ()
        self.transport = self.part(widgets.Box(), "transport")
        # A sound is in the page from when it is first sent: an element without a file would be an error there.
        self._box = widgets.Box(layout=hidden)
        self.widgets = [self._box, self._state]
        if live:
            self.widgets += [self._news, self._wanted, code_widget()]
        self.widgets += [self._stops, *([self._plays] if plays else [])]
        self._serial = 0
        self._sent: dict[str, Clip | bytes] = {}
        self._files: dict[str, object] = {}
        self.state_text = ""

    def part(self, widget, name: str):
        """Let the page's script find a widget: "picture" gets the play position, "slider-…" and "typed-…" get labels."""
        widget.add_class(f"vocomp-{self.id}-{name}")
        self._parts.add(name)
        return widget

    def send(self, sounds: dict[str, Clip | bytes], *, rate: int, duration_s: float, **state) -> None:
        """Give the page sounds, and with them its state.

        Parameters
        ----------
        sounds : dict of Clip or bytes
            By track, as clips or as sound files that are ready. Tracks left out stay as they are, and so does a track
            that gets the same clip again.
        rate : int
            Samples per second, for decoding.
        duration_s : float
        **state
            What else the page should know: `names` of the tracks, each with its key, where they change; `labels` and `units` of controls, `alt` of the picture, its `window` and
            `time_box`, `match_gain_db`, `removed_shares`, the `band` that is heard with it, whether it is on a projector (`present`), and the settings
            as `python` and `json`.
        """
        for track, sound in sounds.items():
            if isinstance(sound, Clip) and self._sent.get(track) is sound:
                continue
            data, scale = as_file(sound, exact=track == "clip") if isinstance(sound, Clip) else (sound, 1.0)
            self.sounds[track].value = data
            if self.sounds[track] not in self._box.children:
                self._box.children = (*self._box.children, self.sounds[track])
            self._sent[track] = sound
            # Benches of the same clip share it in the page. What is compared blind must not tell by its name what it is.
            digest = hashlib.blake2b(data + str(scale).encode(), digest_size=8).hexdigest()
            name = digest if track == "clip" else secrets.token_hex(4)
            file = {"id": name, "bytes": len(data), "scale": scale}
            self._files.update({f"{track}_{key}": value for key, value in file.items()})
        sent = {"labels": {}, "alt": "", "window": [0.0, duration_s], "time_box": [0.0, 0.0, 1.0, 1.0]}
        sent |= {**self._files, "rate": page_rate(rate), "duration_s": duration_s, **state}
        self._serial += 1
        self.state_text = json.dumps(sent | {"serial": self._serial}, ensure_ascii=False)
        self._state.value = hidden_line(self.state_text)

    def tell(self, **news) -> None:
        """Give the page a little of what has changed since the state was sent: much less than a state, while a control moves."""
        self._serial += 1
        self._news.value = hidden_line(json.dumps({"serial": self._serial, **news}, ensure_ascii=False))

    def tell_stops(self, stops: dict[str, list]) -> None:
        """Tell the page the values of each control's stops, by field, in order."""
        self._stops.value = hidden_line(json.dumps(stops))

    def plays(self) -> tuple[Play, ...]:
        """What was played in the page since :meth:`begin_plays`."""
        now, before = self._all_plays(), self._plays_before
        if before and (len(now) < len(before) or now[0].at_s != before[0].at_s):  # another page, which has begun anew
            before = ()
        if not before:
            return now[-MOST_PLAYS:]
        # The one that was on may have gone on.
        last, same = before[-1], now[len(before) - 1]
        went_on = Play(same.track, last.at_s + last.heard_s, max(same.heard_s - last.heard_s, 0.0))
        return (*((went_on,) if went_on.heard_s > 0 else ()), *now[len(before) :])[-MOST_PLAYS:]

    def begin_plays(self) -> None:
        """From now on :meth:`plays` counts anew."""
        self._plays_before = self._all_plays()

    def _all_plays(self) -> tuple[Play, ...]:
        try:
            return tuple(Play(*one) for one in json.loads(self._plays.value or "[]"))
        except (AttributeError, TypeError, ValueError):  # a player that writes nothing down, or a line that isn't ours
            return ()

    def on_wanted(self, answer) -> None:
        """Call a function when a page asks for the tracks, since it can't make them itself."""
        self._wanted.observe(lambda change: answer() if change["new"] else None, "value")

    def show(self, still: str = "") -> None:
        """Put the player into the cell's output. `still` is the HTML that stands there without a kernel."""
        script = page_script(self.id, *(f"{name}.js" for name in _SCRIPTS))
        display(
            HTML(
                f'<div class="vocomp-output">{STYLE}{still_html(still)}{self._html()}{reference_links()}{script}</div>'
            )
        )

    def _html(self) -> str:
        choices = "".join(
            f'<label><input type="radio" name="vocomp-{self.id}" value="{track}" data-key="{key}" '
            f"{'checked' if place == 0 else ''}>{html.escape(label)}</label>"
            for place, (key, (track, label)) in enumerate(zip(self._keys, self._tracks.items()))
        )
        parts = {
            "MATCH": "" if self._match is None else _MATCH.replace("__ON__", "checked" if self._match else ""),
            "SETTINGS": "" if self._settings is None else _SETTINGS,
            "HIDDEN": "" if self._settings else _HIDE,
            "NEEDLE": _NEEDLE if self._live else "",
            "BAND": _BAND if self._live else "",
            "WAY": "" if self._live else _WAY,
            "NAME": html.escape(self._name),
            "TRACKS": ",".join(self._tracks),
            "CHOICES": choices,
            "CHOICE": "" if self._choice else _HIDE,
            "ID": self.id,
            "KEYS": " ".join(f"<kbd>{key}</kbd>" for key in self._keys),
        }
        player = _PLAYER
        for mark, text in parts.items():
            player = player.replace(f"__{mark}__", text)
        return player


def as_file(clip: Clip, exact: bool = False) -> tuple[bytes, float]:
    """A clip as FLAC, and the scale that the page puts it back to: a file holds nothing over full scale.

    With `exact`, samples that 16 bits don't hold get 24.
    """
    peak = float(np.abs(clip.samples).max())
    scale = max(1.0, peak * 1.0001)
    scaled = clip.with_samples(clip.samples / scale) if scale > 1 else clip
    steps = scaled.samples * 2.0**15
    return encode(scaled, subtype="PCM_24" if exact and (steps != np.rint(steps)).any() else "PCM_16"), scale


def page_rate(rate: int) -> int:
    """The rate at which a page plays a clip. Browsers decode at no others, so a clip at 192 kHz is heard at half its rate."""
    return min(max(rate, 8000), 96000)


def hidden_line(text: str) -> str:
    """A hidden line of text, as the value of a widget."""
    return f"<span>{html.escape(text, quote=False)}</span>"


def page_script(bench_id: str, *names: str) -> str:
    """The page's scripts of these names, ready for a cell's output, for the bench or box of this id."""
    folder = resources.files("vocomp_lab.bench")
    scripts = "".join(folder.joinpath(name).read_text("utf-8") for name in names)
    return f"<script>{scripts.replace('__ID__', bench_id)}</script>"


def still_html(still: str) -> str:
    """What a page without a kernel shows instead of a bench."""
    return f'<div class="vocomp-still">{still}{NO_KERNEL}</div>'


def image_html(png: bytes, alt: str) -> str:
    """A picture with its text alternative, to stand in a page by itself."""
    return f'<img alt="{html.escape(alt)}" src="data:image/png;base64,{base64.b64encode(png).decode()}">'
