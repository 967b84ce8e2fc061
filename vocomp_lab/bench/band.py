"""The band in the page: one sound, one balance and one place in time, for all benches of a voice.

A bench sends only its voice. The band goes to the page once, when somebody first asks for it; ``band.js`` has the page's side.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import math
import secrets
import weakref

import ipywidgets as widgets
import numpy as np

from vocomp_lab.bench.deferred import Deferred
from vocomp_lab.bench.player import as_file, hidden_line, page_rate
from vocomp_lab.lessons.band import HIGHEST_LU, LONGEST_SHIFT_S, LOWEST_LU, STEP_LU, Band, band_behind
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import db_to_amplitude

MIX_LUFS = -24.0
"""Where the louder of voice and band lies while both are heard: fixed, so that before and after lie in one place. It leaves
room for peaks, and beside a second sound the voice is then about as loud as alone. The project's own choice, no source."""
REST_S = 0.35

_pages: "weakref.WeakValueDictionary[int, PageBand]" = weakref.WeakValueDictionary()


def page_band(clip: Clip) -> tuple["PageBand", float] | None:
    """The band that a clip is heard against, as the page has it, and when in the voice's time the clip begins, in seconds."""
    found = band_behind(clip)
    if found is None:
        return None
    band, first_frame = found
    # It holds its band, so that no other band can have its number while it is known.
    page = _pages.get(id(band))
    if page is None:
        page = _pages[id(band)] = PageBand(band)
    return page, first_frame / clip.rate


class PageBand:
    """A band's hidden widgets, which all benches of a notebook share.

    Parameters
    ----------
    band : Band

    Attributes
    ----------
    id : str
        Part of the class names by which the page finds the widgets.
    widgets : list
        Every bench shows them with its own.
    """

    _ids = itertools.count(1)

    def __init__(self, band: Band):
        self.band = band
        self.id = f"b{next(self._ids)}-{secrets.token_hex(4)}"
        hidden = widgets.Layout(display="none")
        self._line, self._said = widgets.HTML(layout=hidden), widgets.Textarea(layout=hidden)
        self._sound = widgets.Audio(format="flac", autoplay=False, loop=False, controls=False, layout=hidden)
        for name, widget in {"line": self._line, "said": self._said, "sound": self._sound}.items():
            widget.add_class(f"vocomp-{self.id}-{name}")
        # An audio element without a file would be an error in the page.
        self._box = widgets.Box(layout=hidden)
        self.widgets = [self._line, self._said, self._box]
        self._said.observe(self._on_said, "value")
        self._heard = 0
        self._sound_sent: dict = {}
        self._measure_soon = Deferred(self._measure, REST_S)
        self._state: dict = {}
        band.watch(self.tell)
        self.tell()

    def tell(self) -> None:
        """Tell the page where the balance and the band's place stand now."""
        self._state |= {"heard": self._heard, "balance_lu": self.band.balance_lu, "shift_s": self.band.shift_s}
        self._state["trouble"] = self.band.trouble
        if self._sound_sent:
            if self._state["measured_at_s"] != self.band.shift_s:
                self._measure_soon.ask()  # which takes longer than a hand likes to wait
        self._send()

    def _measure(self):
        loudness_lufs = self.band.loudness_lufs
        self._state["lufs"] = loudness_lufs if math.isfinite(loudness_lufs) else None
        self._state["measured_at_s"] = self.band.shift_s
        self._send()

    def _send(self):
        self._line.value = hidden_line(json.dumps(self._state))

    def _on_said(self, change):
        try:
            said = json.loads(change["new"])
            number, wanted = float(said["number"]), bool(said["sound"])
            fields = [field for field in ("balance_lu", "shift_s") if field in said]
        except (ValueError, TypeError, LookupError):
            return
        self._heard = number if math.isfinite(number) else 0
        if wanted and not self._sound_sent:
            self._give_sound()
        for field in fields:
            with contextlib.suppress(ValueError):  # the sliders in the page have no such place
                setattr(self.band, field, said[field])
        self.tell()

    def _give_sound(self):
        clip = self.band.clip
        data, scale = as_file(clip, exact=True)
        self._sound.value = data
        self._box.children = (self._sound,)
        self._sound_sent = {
            "sound_bytes": len(data), "sound_scale": scale, "rate": page_rate(clip.rate), "channels": clip.channels,
            "peak": float(np.abs(clip.samples).max()), "whole_lufs": self.band.whole_lufs,
        }  # fmt: skip
        self._state |= self._sound_sent
        self._measure()


def band_state(page: tuple[PageBand, float], clip: Clip, align: bool) -> dict:
    """What a player must know of the band: how to find it, when in the voice's time the clip begins, and what may be set.

    With `align`, a student's own band can be moved, so far that it ends where the clip begins, or begins where it ends.
    """
    shared, from_s = page
    state = {
        "id": shared.id, "from_s": from_s, "mix_lufs": MIX_LUFS, "range_lu": [LOWEST_LU, HIGHEST_LU, STEP_LU],
    }  # fmt: skip
    if align and shared.band.is_own:
        state["align_s"] = [-min(shared.band.clip.duration_s, LONGEST_SHIFT_S), min(clip.duration_s, LONGEST_SHIFT_S)]
    return state


def mix_gains(balance_lu: float, voice_lufs: float, band_lufs: float, voice_peak: float, band_peak: float):
    """The gains of voice and band while both are heard, as ``band.js`` works them out.

    Parameters
    ----------
    balance_lu : float
        How much louder than the band the voice is to be.
    voice_lufs, band_lufs : float
        How loud the two are in the mix, where a mono voice sounds on both sides of a stereo band and so counts 3 dB more.
    voice_peak, band_peak : float
        Largest samples: of the voice before and after, and of the band.

    Returns
    -------
    voice, band : float
        The louder of the two comes to ``MIX_LUFS``. Both are lower still where peaks could add up to more than full scale.
    """
    voice = db_to_amplitude(MIX_LUFS + min(balance_lu, 0.0) - voice_lufs)
    band = db_to_amplitude(MIX_LUFS - max(balance_lu, 0.0) - band_lufs)
    room = min(1.0, 1.0 / (voice * voice_peak + band * band_peak))
    return voice * room, band * room
