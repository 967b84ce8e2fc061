"""The blind test in a notebook: A, B and X from one clock, one answer a trial, and no result before the last one.

The logic and the statistics are in :mod:`vocomp_lab.lessons.blind`.
"""

from __future__ import annotations

import dataclasses
import html
import secrets
import struct
import time

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.bench.style import STYLE
from vocomp_lab.lessons.blind import AbxSession, BlindResult, PreferenceSession, match_pair
from vocomp_lab.lessons.plays import unheard
from vocomp_lab.sound.audio import A_CLIP, Clip, encode
from vocomp_lab.sound.checks import asks, shown

LONGEST_S = 30.0
"""The most that is played. The stretch of a longer clip begins where the singing does."""
_STEP = 2.0**-15
_MOST_PADDING = 4000
TOO_SOON_S = 0.4
"""A click this soon after the last one is a double click, not a judgement."""


class _BlindTest:
    """What both kinds of test share: the matched pair, the trials, the page."""

    _SESSION: type
    _TRACKS: dict[str, str]
    _NAME = _TASK = ""
    _BUTTONS: dict[str, str]

    @asks(a=A_CLIP, b=A_CLIP)
    def __init__(self, a: Clip, b: Clip, trials: int = 12, seed: int | None = None, *, stretch=None, names=None):
        self._session = self._SESSION.draw(trials, seed)
        self._names = _checked_names(names)
        self.pair = match_pair(*_cut_alike(a, b, stretch))
        self._last_click = -1.0
        self._player = PagePlayer(self._TRACKS, self._NAME, file_format="wav", plays=True)
        self._buttons = {
            answer: widgets.Button(
                description=text, tooltip=f"{text}: answer this trial", layout=widgets.Layout(width="150px")
            )
            for answer, text in self._BUTTONS.items()
        }
        for answer, button in self._buttons.items():
            button.on_click(lambda _, answer=answer: self._clicked(answer))
        self._status = widgets.HTML()
        in_a_row = widgets.Layout(flex_flow="row wrap", align_items="center")
        row = widgets.HBox([*self._buttons.values(), self._status], layout=in_a_row)
        self.widget = widgets.VBox([widgets.HTML(STYLE), row, *self._player.widgets])
        self.widget.add_class("vocomp-bench")
        self._deal(first=True)

    @property
    def trial(self) -> int:
        """Number of the trial that is waiting for its answer, from 1."""
        return self._session.trial

    @property
    def finished(self) -> bool:
        """Whether every trial is answered."""
        return self._session.finished

    @property
    def session(self):
        """The session as it is: the answers, and what was played before each."""
        return self._session

    def answer(self, choice: str):
        """Answer the waiting trial from code. A button takes an answer only after what is judged was played.

        Raises
        ------
        ValueError
            If this test has no such answer, or all trials are answered.
        """
        self._session = self._session.answer(choice, self._player.plays())
        self._deal()
        return self

    def result(self) -> BlindResult | None:
        """The statistics once every trial is answered; None before."""
        result = self._session.result()
        return result and dataclasses.replace(result, names=self._names)

    def report(self) -> None:
        """Print what the test shows, or how many answers are still to come."""
        result = self.result()
        print(self._progress() + " The result comes after the last one." if result is None else result)

    def _progress(self):
        return f"{self._session.trial - 1} of {self._session.trials} trials answered."

    def _clicked(self, answer):
        now = time.monotonic()
        if not self.finished and now - self._last_click > TOO_SOON_S:
            if missing := unheard(self._player.plays(), self._session.MUST_HEAR):
                names = " and ".join(self._TRACKS[track] for track in missing)
                self._ask(f"Listen first: you haven't played {names} in this trial.")
            else:
                self.answer(answer)
        self._last_click = now

    def _ask(self, more=""):
        task = more or self._TASK
        self._status.value = status_html(f"<b>Trial {self._session.trial} of {self._session.trials}.</b> {task}")

    def _deal(self, first=False):
        if self.finished:
            for button in self._buttons.values():
                button.disabled = True
            result = self.result()
            lines = "<br>".join(html.escape(line) for line in (*str(result).splitlines(), result.by_trial))
            done = f"<b>All {self._session.trials} trials answered.</b> Run the cell again for another test."
            self._status.value = status_html(f"{done}<br>{lines}")
            return
        rate, duration_s = self.pair.a.rate, self.pair.a.duration_s
        now = self._player.sounds
        sounds = {track: disguised(clip, now[track].value) for track, clip in self._trial_sounds(first).items()}
        self._player.send(sounds, rate=rate, duration_s=duration_s)
        self._player.begin_plays()
        self._ask()

    def _trial_sounds(self, first) -> dict[str, Clip]:
        raise NotImplementedError

    def _ipython_display_(self):
        self._player.show()
        display(self.widget)


class BlindBench(_BlindTest):
    """A blind test of whether two sounds can be told apart (ABX).

    In each trial X is A or B, drawn by chance. Listen as long as you like, switch as often as you like, then say which. A click
    counts only after X was played.
    The result comes after the last trial, not before.

    Parameters
    ----------
    a, b : Clip
        With the same length, rate and number of channels. They are made equally loud within 0.1 LU.
    trials : int
        How many, fixed in advance.
    seed : int, optional
        The same seed draws the same order. Without one, every test is new.
    stretch : (float, float), optional
        The part to play, in seconds. Default: all of it, or 30 s of a longer clip from where the singing starts.
    names : (str, str), optional
        What the result calls A and B, such as ("raw", "finished"). Until then nothing in the page says so.

    Attributes
    ----------
    pair : BlindPair
        What is played.

    Raises
    ------
    ValueError
        If the two can't be compared fairly, or a setting is not allowed.

    Notes
    -----
    Put it last in a cell to show it. Nothing in the page says what X is, and its bytes differ in every trial.
    """

    _SESSION = AbxSession
    _TRACKS = {"a": "A", "b": "B", "x": "X"}
    _NAME = "Player: A, B and X"
    _TASK = "Which of the two is X?"
    _BUTTONS = {"A": "X is A", "B": "X is B"}

    def _trial_sounds(self, first):
        of = {"A": self.pair.a, "B": self.pair.b}
        known = {"a": self.pair.a, "b": self.pair.b} if first else {}
        return {**known, "x": of[self._session.hidden]}


class PreferenceBench(_BlindTest):
    """A blind test of which of two sounds people like better.

    In each trial the two are played as 1 and 2, in an order drawn by chance. It takes the same arguments as
    :class:`BlindBench`, and one more.

    Parameters
    ----------
    one_answer_each : bool
        Whether each trial is answered by another listener, who has not seen the answers before. `trials` is then the
        number of listeners, and the report says what such a test shows: see
        :class:`vocomp_lab.lessons.blind.PreferenceSession`.
    """

    _SESSION = PreferenceSession
    _TRACKS = {"first": "1", "second": "2"}
    _NAME = "Player: 1 and 2"
    _TASK = "Which do you like better?"
    _BUTTONS = {"1": "1 is better", "2": "2 is better"}

    def __init__(
        self,
        a: Clip,
        b: Clip,
        trials: int = 12,
        seed: int | None = None,
        *,
        stretch=None,
        names=None,
        one_answer_each: bool = False,
    ):
        if one_answer_each:
            self._TASK = f"{self._TASK} One answer, then the next listener."
        super().__init__(a, b, trials, seed, stretch=stretch, names=names)
        self._session = dataclasses.replace(self._session, one_answer_each=bool(one_answer_each))

    def _trial_sounds(self, first):
        pair = (self.pair.a, self.pair.b) if self._session.hidden == "A" else (self.pair.b, self.pair.a)
        return dict(zip(self._TRACKS, pair))


def _checked_names(names) -> tuple[str, str]:
    if names is None:
        return "A", "B"
    if (
        not isinstance(names, (tuple, list))
        or len(names) != 2
        or not all(isinstance(name, str) and name for name in names)
    ):
        raise ValueError(f"names: {shown(names)} is not allowed; give two, that of A and that of B.")
    return tuple(names)


def _cut_alike(a, b, stretch):
    """The part of both to play. :func:`match_pair` refuses what is no Clip."""
    if not isinstance(a, Clip) or not isinstance(b, Clip) or a.duration_s != b.duration_s:
        return a, b
    if stretch is None:
        if a.duration_s <= LONGEST_S:
            return a, b
        starts = np.flatnonzero(active_mask(a))
        start = min(float(starts[0]) / a.rate if len(starts) else 0.0, a.duration_s - LONGEST_S)
        stretch = (start, start + LONGEST_S)
    try:
        start, end = (float(edge) for edge in stretch)
    except (TypeError, ValueError):
        start, end = 1.0, 0.0
    if not (0 <= start < end <= a.duration_s + 1e-9 and 0.5 <= end - start <= LONGEST_S + 1e-9):
        raise ValueError(
            f"stretch: {shown(stretch)} is not allowed; give (start, end) in seconds within 0 to {a.duration_s:.2f}, "
            f"0.5 to {LONGEST_S:g} s apart."
        )
    return a.cut(start, end), b.cut(start, end)


def disguised(clip: Clip, now: bytes) -> bytes:
    """A sound file whose bytes and length give nothing away: fresh dither and fresh padding each time.

    `now` is the file that it replaces: its length must differ, so that the page notices.
    """
    return _padded(encode(_dithered(clip), "WAV"), other_than=len(now))


def _dithered(clip: Clip) -> Clip:
    """A clip with fresh noise on the last of 16 bits (triangular, two steps wide): no two copies are alike."""
    random = np.random.default_rng(secrets.randbits(63))
    noise = (random.random(clip.samples.shape) - random.random(clip.samples.shape)) * _STEP
    return clip.with_samples(np.clip(clip.samples + noise, -1.0, 1.0 - _STEP))


def _padded(wave: bytes, other_than: int) -> bytes:
    """A WAV file with a chunk that players skip, of a random length.

    The size tells the page that a sound is new, and tells nobody anything else.
    """
    while True:
        filling = secrets.token_bytes(2 * secrets.randbelow(_MOST_PADDING // 2))
        padded = wave + b"JUNK" + struct.pack("<I", len(filling)) + filling
        if len(padded) != other_than:
            return padded[:4] + struct.pack("<I", len(padded) - 8) + padded[8:]


def status_html(text: str) -> str:
    """A line that screen readers read out when it changes."""
    return f'<div class="vocomp-numbers" role="status" aria-live="polite" style="display:block">{text}</div>'
