"""Ear practice in a notebook: a drill, its sounds, the answers on buttons or keys, and what the ear can do at the end.

The drills and the rule are in :mod:`vocomp_lab.lessons.drills` and :mod:`vocomp_lab.lessons.staircase`, what is kept in
:mod:`vocomp_lab.lessons.rounds`.
"""

from __future__ import annotations

import datetime
import html
import time
from dataclasses import replace

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.bench.blind import TOO_SOON_S, disguised, status_html
from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.bench.style import STYLE, error_html
from vocomp_lab.lessons.course import Lesson
from vocomp_lab.lessons.drills import DRILLS, TRIALS, Stretches, check_drill, first_rung
from vocomp_lab.lessons.plays import unheard
from vocomp_lab.lessons.rounds import (
    Answer,
    Round,
    keep_round,
    next_drill,
    practice_folder,
    practice_table,
    read_rounds,
    threshold_from,
    thresholds_by_day,
)
from vocomp_lab.pictures.practice import Days, plot_round, plot_thresholds
from vocomp_lab.pictures.shown import picture_html
from vocomp_lab.sound.checks import check_whole

LABELS = {"before": "before", "after": "after", "a": "A", "b": "B", "c": "C"}
_KEYS = {"before": "b", "after": "a", "a": "a", "b": "b", "c": "c"}
_SLOTS = ("first", "second", "third")
"""The player's tracks, whatever they are called in a drill."""
_HEADPHONES = "Use headphones: a laptop's loudspeakers can't give what this drill asks for."
_ROOM = widgets.Layout(flex_flow="row wrap", align_items="center")


class PracticeBench:
    """A round of ear practice: a dozen questions, as hard as your answers make them.

    Parameters
    ----------
    lesson : Lesson
        Whose voice it is about. Its rounds are kept beside the sheets of the course.
    drill : str
        One of "different", "more", "attack", "release", "steady", "decibels", "ring", "word" and "type". By default the one that
        is to be done next, and a menu to choose another.
    trials : int
        Of a round, 4 to 60.
    seed : int, optional
        The same seed gives the same round; without one every round is new.

    Attributes
    ----------
    drill : Drill

    Raises
    ------
    ValueError
        If there is no such drill.

    Notes
    -----
    Put it last in a cell to show it. An answer counts when what is to be judged was played before. A wrong one waits, so that
    you can hear the same again.
    """

    def __init__(self, lesson: Lesson, drill: str = "", trials: int = TRIALS, seed: int | None = None):
        if not isinstance(lesson, Lesson):
            raise ValueError(
                f"lesson: {type(lesson).__name__} is not allowed; give the lesson, such as begin('10_ear_practice')."
            )
        self._lesson, self._folder = lesson, practice_folder(lesson)
        self._trials = check_whole("trials", trials, 4, 60)
        self._random = np.random.default_rng(None if seed is None else check_whole("seed", seed, 0, 2**63 - 1))
        self._last_click = -1.0
        self.drill = check_drill(drill) if drill else next_drill(read_rounds(self._folder))
        self._menu = widgets.Dropdown(
            options=[(one.title, one.name) for one in DRILLS.values()],
            value=self.drill.name,
            description="Drill",
            layout=widgets.Layout(width="320px", max_width="100%", display="none" if drill else None),
        )
        self._menu.observe(lambda change: self.begin(change["new"]), "value")
        self._asks, self._status, self._picture = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self._buttons: list[widgets.Button] = []
        self._row = widgets.HBox(layout=_ROOM)
        self._player = PagePlayer(
            {slot: slot for slot in _SLOTS}, "Player: the sounds of the trial", file_format="wav", plays=True
        )
        self._other = widgets.Button(layout=widgets.Layout(width="auto"))
        self._other.on_click(lambda _: self._clicked(None))
        self._player.part(self._other, "answer-n")
        top = [widgets.HTML(STYLE), self._menu, self._asks, self._player.transport, self._row, self._status]
        self.widget = widgets.VBox([*top, self._picture, *self._player.widgets])
        self.widget.add_class("vocomp-bench")
        self.widget.add_class("vocomp-practice")
        self.begin(self.drill.name)

    # ---- a round ---------------------------------------------------------------------------------------------------

    @property
    def trial(self) -> int:
        """Number of the trial that is waiting for its answer, from 1."""
        return len(self._given) + 1

    @property
    def finished(self) -> bool:
        """Whether every trial is answered."""
        return len(self._given) == self._trials

    @property
    def round(self) -> Round:
        """The round as it is: what homework asks for."""
        return Round(self.drill.name, self._lesson.clip_name, self._began, tuple(self._given), self._trials)

    @property
    def standing(self) -> str:
        """What you hear in this drill by now, in one sentence."""
        threshold = threshold_from(read_rounds(self._folder), self.drill)
        return "No finished round yet." if threshold is None else self.drill.sentence(threshold)

    @property
    def standings(self) -> str:
        """The same for every drill that has a finished round, a line each."""
        rounds = read_rounds(self._folder)
        tried = [drill for drill in DRILLS.values() if any(one.drill == drill.name for one in rounds)]
        lines = [f"{drill.title} {drill.sentence(threshold_from(rounds, drill))}" for drill in tried]
        return "\n".join(lines) or "No finished round yet."

    def begin(self, drill: str | None = None) -> "PracticeBench":
        """Begin a new round, of another drill if one is named."""
        self.drill = self.drill if drill is None else check_drill(drill)
        self._given, self._waits, self._now, self._told = [], False, None, ""
        self._began = datetime.datetime.now().isoformat(timespec="seconds")
        note = f" <i>{_HEADPHONES}</i>" if self.drill.headphones else ""
        self._asks.value = f'<div class="vocomp-step"><b>{html.escape(self.drill.asks)}</b> {html.escape(self.drill.listen)}{note}</div>'
        try:
            self._stretches = Stretches(self._lesson.clip, self.drill)
        except ValueError as error:  # a voice may be too short for one drill and long enough for the next
            self._row.children, self._buttons, self._picture.value = (), [], ""
            self._status.value = error_html(error)
            return self
        known = threshold_from(read_rounds(self._folder), self.drill)
        self._first = first_rung(self.drill, known)
        self._deal()
        return self

    def answer(self, choice: str) -> "PracticeBench":
        """Answer the waiting trial from code, as if by a button.

        Raises
        ------
        ValueError
            If the trial has no such answer, or all are answered.
        """
        if self.finished:
            raise ValueError(f"choice: all {self._trials} trials are answered; begin another round.")
        if self._now is None or choice not in self._now.answers:
            raise ValueError(
                f"choice: {choice!r} is not allowed; give one of {', '.join(self._now.answers if self._now else ())}."
            )
        right = choice == self._now.right
        self._given.append(Answer(self._rung, right, self._plays()))
        self._told = f"{'✓ Right' if right else '✗ No'}. {self._now.told}"
        if self.finished:
            self._end()
        elif right:
            self._deal()
        else:
            self._wait()
        return self

    def go_on(self) -> None:
        """The next trial, after a wrong answer; or another round."""
        if self.finished:
            self.begin()
        elif self._waits:
            self._deal()

    def _deal(self):
        self._waits = False
        self._rung = self.drill.rule.after([one.right for one in self._given], self._first)
        self._now = self._stretches.trial(self._rung, self._random)
        sounds = list(self._now.sounds.values())
        named = [(LABELS[track], _KEYS[track]) for track in self.drill.tracks]
        spare = len(_SLOTS) - len(sounds)
        self._player.send(
            {
                slot: disguised(clip, self._player.sounds[slot].value)
                for slot, clip in zip(_SLOTS, [*sounds, *sounds[:1] * spare])
            },
            rate=sounds[0].rate,
            duration_s=sounds[0].duration_s,
            names=dict(zip(_SLOTS, [*named, *[("", "")] * spare])),
        )
        self._player.begin_plays()
        self._show_buttons()
        size = self.drill.value(self.drill.ladder[self._rung])
        self._say(f"<b>Trial {self.trial} of {self._trials}</b>, {size}.")
        self._draw()

    def _wait(self):
        self._waits = True
        self._show_buttons("Next trial")
        self._say("Hear it again with that in mind, then go on.")
        self._draw()

    def _end(self):
        self._show_buttons("Another round")
        ours = self.round
        share = f"{ours.right} of {self._trials} right; guessing gets {100 * self.drill.chance:.0f} %."
        if not ours.finished:
            self._say(
                f"<b>{share}</b> Not kept: in {len(ours.unheard_trials)} trials nothing was played before the answer."
            )
            self._draw()
            return
        rounds, trouble = read_rounds(self._folder), ""
        try:
            keep_round(self._folder, ours)
            rounds = read_rounds(self._folder)
        except ValueError as error:  # the learner is told all the same, with this round
            rounds, trouble = (*rounds, ours), f" {html.escape(str(error))}"
        told, then = threshold_from(rounds, self.drill), next_drill(rounds)
        self._say(
            f"<b>{html.escape(self.drill.sentence(told))}</b> This round: {share} Next: {html.escape(then.title)}{trouble}"
        )
        self._draw()

    # ---- the page --------------------------------------------------------------------------------------------------

    def _show_buttons(self, other: str = ""):
        """The answers, and what else there is to press. Buttons stay, so that the focus and with it the keys stay, too."""
        answers = self._now.answers
        if len(self._buttons) != len(answers):
            self._buttons = [widgets.Button(layout=widgets.Layout(width="auto")) for _ in answers]
            for place, button in enumerate(self._buttons):
                button.on_click(lambda _, place=place: self._clicked(self._now.answers[place]))
                self._player.part(button, f"answer-{place + 1}")
            self._row.children = [*self._buttons, self._other]
        for key, button, answer in zip("123456789", self._buttons, answers):
            button.description, button.tooltip = f"{key} · {answer}", f"{answer} (key {key})"
        self._other.description, self._other.tooltip = f"n · {other}", f"{other} (key n)"
        self._other.layout.visibility = "visible" if other else "hidden"

    def _plays(self):
        """What was played of this trial, by the tracks' own names."""
        names = dict(zip(_SLOTS, self.drill.tracks))
        return tuple(replace(play, track=names[play.track]) for play in self._player.plays() if play.track in names)

    def _clicked(self, answer):
        now = time.monotonic()
        soon, self._last_click = now - self._last_click < TOO_SOON_S, now
        if soon:
            return
        if answer is None:
            self.go_on()
        elif self.finished or self._waits:
            self._say(f"Press {self._other.description} to go on.")
        elif missing := unheard(self._plays(), self.drill.must_hear):
            names = " and ".join(LABELS[track] for track in missing)
            self._say(f"<b>Listen first:</b> in trial {self.trial} you haven't played {names} yet.", keep=True)
        else:
            self.answer(answer)

    def _say(self, text, keep=False):
        told = "" if keep or not self._told else f"{html.escape(self._told)} "
        self._status.value = status_html(told + text)

    def _draw(self):
        ladder = self.drill.ladder
        figure = plot_round(
            [ladder[one.rung] for one in self._given],
            [one.right for one in self._given],
            ladder,
            self.drill.value,
            self._trials,
        )
        self._picture.value = picture_html(figure)

    def _ipython_display_(self):
        self._player.show()
        display(self.widget)


class PracticeOverview:
    """What your ear can do by now: every drill with its threshold, thresholds over days, and which drill is next.

    Parameters
    ----------
    lesson : Lesson
        Any of the course: all rounds are kept in one place, whatever voice they were about.

    Notes
    -----
    Put it last in a cell to show it; its button reads the rounds again.
    """

    def __init__(self, lesson: Lesson):
        if not isinstance(lesson, Lesson):
            raise ValueError(
                f"lesson: {type(lesson).__name__} is not allowed; give the lesson, such as begin('10_ear_practice')."
            )
        self._folder, self._told = practice_folder(lesson), widgets.HTML()
        self._told.add_class("vocomp-told")
        button = widgets.Button(
            description="Look again", tooltip="Look again: read the rounds that were kept meanwhile"
        )
        button.on_click(lambda _: self.look())
        self.widget = widgets.VBox([widgets.HTML(STYLE), button, self._told])
        self.widget.add_class("vocomp-bench")
        self.look()

    def look(self) -> None:
        """Read the rounds that are kept."""
        rounds = read_rounds(self._folder)
        days = [
            Days(
                drill.title,
                drill.ladder,
                drill.value,
                tuple((day, at.size, at.low, at.high, at.told) for day, at in thresholds_by_day(rounds, drill)),
            )
            for drill in DRILLS.values()
        ]
        figure = plot_thresholds(days)
        picture = "" if figure is None else picture_html(figure)
        then = html.escape(next_drill(rounds).title)
        self._told.value = f"<div><b>Next: {then}</b></div>{practice_table(rounds)._repr_html_()}{picture}"

    def _ipython_display_(self):
        display(self.widget)
