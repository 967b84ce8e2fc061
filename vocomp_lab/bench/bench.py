"""The bench: sliders, a picture, a line of numbers and a player for a clip and a stage, in one notebook widget.

What a bench shows is computed elsewhere. Here it is decided *when*: at once for the stage whose control moves, a moment
later for the stages after it and for the sound, and for long clips first for the stretch in sight.
"""

from __future__ import annotations

import dataclasses
from functools import cached_property

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.analysis.measures import Change, Goal
from vocomp_lab.analysis.places import deepest_reductions, loudest_words
from vocomp_lab.bench.background import Background
from vocomp_lab.bench.band import band_state, page_band
from vocomp_lab.bench.controls import ControlGrid
from vocomp_lab.bench.deferred import Deferred, running_loop
from vocomp_lab.bench.live import needle_coefficients, page_chain, page_stage
from vocomp_lab.bench.offers import Offers
from vocomp_lab.bench.older import OlderLine
from vocomp_lab.bench.player import PagePlayer, page_rate
from vocomp_lab.bench.present import HELD_BACK, PresenterBar
from vocomp_lab.bench.results import PREROLL_S, Results
from vocomp_lab.bench.screen import Screen
from vocomp_lab.bench.settings_text import as_python
from vocomp_lab.bench.stages import Stages
from vocomp_lab.bench.style import STYLE, error_html
from vocomp_lab.bench.toolbar import Toolbar
from vocomp_lab.bench.view import View
from vocomp_lab.lessons.controls import controls_for
from vocomp_lab.lessons.scenarios import Scenario
from vocomp_lab.lessons.word_names import called, words_of
from vocomp_lab.pictures.panels import Window
from vocomp_lab.processors.chain import Chain, ChainResult, StageResult
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import Each, Flag, Of, OrNone, Span, check_choice
from vocomp_lab.sound.levels import db_to_amplitude
from vocomp_lab.sound.text import decibels

FINISH_DELAY_S = 0.35
"""Rest after the last slider move before the sound and the later stages are computed."""
HIDEABLE = ("controls", "picture", "numbers", "choice")
"""What a bench can do without: its controls and settings, its picture, its numbers, the choice of what is heard."""


_A_NAME = Of(str, "a name")
_NAMES = Each(_A_NAME, "a list of names")
_GOALS = Each(Of(Goal, "a Goal"), "a list of goals")
_OFFERS = Of(dict, "a dict with a processor for each name")


class Bench:
    """A clip, a chain of stages and the controls of one of them.

    Parameters
    ----------
    clip : Clip
        What goes into the chain.
    processor : processor or Chain
        One processor (such as a :class:`Compressor`), or a whole :class:`Chain`.
    stage : str, optional
        The stage whose controls are shown first; by default the last one. For a single processor: its name.
    shown : sequence of str, optional
        The settings whose controls are always there; the others are behind "More controls".
    goals : sequence of Goal, or dict of such sequences
        Windows that the stage's numbers should land in; the bench says which are met. A dict has them by the names of the
        stages, for a bench whose stages have goals of their own.
    match : bool
        Whether "after" starts as loud as "before". Only a lesson about loudness turns this off.
    view : (float, float), optional
        The stretch of time to show, in seconds. Default: the whole clip, or the first 20 s of a long one (over 40 s).
        At most 60 s of a long clip are in sight.
    watch : str, optional
        The stage that picture, numbers, goals and sound are about, if it is not the one whose controls are shown. So a
        trim can be moved while a compressor is watched.
    hide : sequence of str, optional
        Parts of ``HIDEABLE`` to leave out, for guessing by ear.
    scenarios : sequence of Scenario, optional
        The steps of the presenter's mode. By default it makes its own from the bench's first settings.
    left_out : sequence of str
        Stages to begin without. The button "Leave it out" does the same, and puts them back.
    offers : dict of str to processor, optional
        Settings for the first stage shown, each on a button with that name.
    moments : bool
        Whether the player offers places to repeat: the deepest reductions and the loudest words. Where the numbers are hidden
        it offers none, and shows no meters.
    align : bool
        Whether a backing track of the student's own can be moved against the voice.

    Raises
    ------
    ValueError
        If the clip is no Clip, the processor has no controls, there is no such stage (goals may name one, too), no such
        part to hide, or an offer is of another kind than the stage.

    Notes
    -----
    Put it last in a cell to show it. A clip that a lesson began with, and all that is made of it, can be heard with its band
    (:mod:`vocomp_lab.lessons.band`). ``bench.processor`` is the stage as set now, ``bench.result`` what the chain made
    of the clip, ``bench.change`` the numbers; all are up to date whenever they are read. A stage that is left out keeps its
    settings on the bench, and is in neither ``bench.chain`` nor ``bench.result``.
    """

    def __init__(
        self,
        clip,
        processor,
        *,
        stage=None,
        shown=None,
        goals=(),
        match=True,
        view=None,
        watch=None,
        hide=(),
        scenarios=None,
        left_out=(),
        offers=None,
        moments=True,
        align=False,
    ):
        if not isinstance(clip, Clip):
            raise ValueError(f"clip: {type(clip).__name__} is not allowed; give a Clip, such as load('take.wav').")
        match, moments, align = (
            Flag().check(name, value) for name, value in (("match", match), ("moments", moments), ("align", align))
        )
        stage, watch = (OrNone(_A_NAME).check(name, value) for name, value in (("stage", stage), ("watch", watch)))
        hide, left_out = (_NAMES.check(name, value) for name, value in (("hide", hide), ("left_out", left_out)))
        shown, view = OrNone(_NAMES).check("shown", shown), OrNone(Span()).check("view", view)
        offers = OrNone(_OFFERS).check("offers", offers)
        scenarios = OrNone(Each(Of(Scenario, "a Scenario"), "a list of scenarios")).check("scenarios", scenarios)
        if isinstance(goals, dict):
            goals = {name: _GOALS.check("goals", of) for name, of in goals.items()}
        else:
            goals = _GOALS.check("goals", goals)
        if not isinstance(processor, Chain):
            processor = Chain([(stage or type(processor).__name__, processor)])
        if not processor.stages:
            raise ValueError("processor: a chain without stages has no controls; give it at least one.")
        stages = Stages(processor, left_out)
        stage = stages.check(stages.names[-1] if stage is None else stage, "stage")
        if watch is not None:
            stages.check(watch, "watch")
        for kind in {type(p) for _, p in processor.stages}:
            controls_for(kind)
        self._with_moments = bool(moments)
        self._hide = {check_choice("hide", part, HIDEABLE) for part in hide}
        self._watch = watch
        self.clip = clip
        # Under None: those of whatever stage is watched.
        self._goals = {name: tuple(of) for name, of in (goals if isinstance(goals, dict) else {None: goals}).items()}
        for name in self._goals.keys() - {None}:
            stages.check(name, "goals")
        self.presents_goals = True
        self.match = bool(match)
        self._first = self._stages = stages
        self._results = Results(clip, stages.in_force)
        self._stage = stage
        self._shown = shown
        self._refresh_soon = Deferred(lambda: self._refresh())
        self._finish_soon = Deferred(lambda: self._finish(), FINISH_DELAY_S)
        self._presented = self._held_back = self._crowded = False
        self._older_lines = []
        self._player = PagePlayer(
            {"before": "before", "after": "after", "removed": "what was removed"},
            "Player: before and after",
            computed=("removed",),
            match=self.match,
            settings="controls" not in self._hide,
            choice="choice" not in self._hide,
            live=True,
        )
        self._band, self._align = page_band(clip), bool(align)
        self._page_asks = False
        self._player.on_wanted(self._on_wanted)
        self._controls = ControlGrid(self._player, self._on_value, self._refuse)
        self._view = View(clip.duration_s, view, self._player, self._on_view)
        self._screen = Screen(self._player, "picture" not in self._hide, "numbers" not in self._hide)
        self._background = Background("Whole clip")
        self._build(scenarios, dict(offers or {}))
        self._refresh()
        if self._view.long and running_loop() is not None and self._results.preview is not None:
            # The page makes its sound itself, so it can begin before the whole clip is computed here.
            self._send(self._results.preview, part=True)
        self._finish()

    # ---- what a notebook reads and sets -------------------------------------------------------------------------

    @property
    def chain(self) -> Chain:
        """The chain as set now, without the stages that are left out."""
        return self._stages.kept

    @property
    def left_out(self) -> tuple[str, ...]:
        """Names of the stages that are left out, in the order of the chain."""
        return tuple(name for name in self._stages.names if name in self._stages.left_out)

    @property
    def stage(self) -> str:
        """Name of the stage whose controls are shown."""
        return self._stage

    @property
    def processor(self):
        """The stage as set now."""
        return self._stages.chain[self._stage]

    @property
    def result(self) -> ChainResult:
        """What the chain as set now makes of the whole clip."""
        return self._stages.kept_of(self._results.whole)

    @property
    def stage_result(self) -> StageResult:
        """What the stage (or the one that is watched instead) did; one that is left out gives what it gets."""
        return self._results.whole.stages[self._watched]

    @property
    def change(self) -> Change:
        """That stage's numbers: before, after, reduction."""
        return self._results.change(self.stage_result)

    @property
    def goals(self) -> tuple[Goal, ...]:
        """The goals of that stage."""
        return self._goals.get(self._watched, self._goals.get(None, ()))

    @property
    def done(self) -> bool:
        """Whether the stage meets all its goals, or is left out."""
        return self._watched in self.left_out or all(goal.met(self.change) for goal in self.goals)

    @property
    def _watched(self) -> str:
        return self._watch or self._stage

    @property
    def whole_chain(self) -> bool:
        """Whether picture, numbers and sound are those of the whole chain."""
        return self._tools.compare.value == "chain"

    def _in_view(self, result: ChainResult) -> StageResult:
        """What picture and numbers are about: the stage that is watched, or the whole chain."""
        return self._results.as_one(result) if self.whole_chain else result.stages[self._watched]

    def set(self, **settings) -> "Bench":
        """Move controls from code, as if by hand.

        Raises
        ------
        ValueError
            If a setting is unknown or out of range; nothing is moved then.
        """
        fields = list(self._controls.inputs)
        unknown = [name for name in settings if name not in fields]
        if unknown:
            raise ValueError(
                f"{unknown[0]}: a {type(self.processor).__name__} has no such setting; it has {', '.join(fields)}."
            )
        return self._set(dataclasses.replace(self.processor, **settings))

    def check(self, *goals: Goal) -> None:
        """Print whether the stage as set now meets its goals (or those given), with the measured numbers."""
        if self._watched in self.left_out:
            print(f"{self._watched}: left out, so there are no goals to meet.")
            return
        change = self.change
        for goal in goals or self.goals:
            print(f"{goal}: {goal.verdict(change)}")

    def choose_stage(self, name: str) -> "Bench":
        """Show another stage's controls."""
        self._tools.stage.value = self._stages.check(name)
        return self

    def leave_out(self, name: str | None = None, on: bool = True) -> "Bench":
        """Go on without a stage, or put it back.

        Parameters
        ----------
        name : str, optional
            By default the stage whose controls are shown.
        on : bool
            False puts it back, with the settings that it had. So does moving one of its controls.

        Raises
        ------
        ValueError
            If there is no such stage.
        """
        self._leave_out(self._stages.leaving_out(self._stage if name is None else name, on))
        return self

    def reset(self) -> "Bench":
        """Put the stage whose controls are shown back to how the bench began with it. The other stages stay as they are."""
        self._screen.fit_anew()
        self._set(self._first.chain[self._stage])
        return self.leave_out() if self._stage in self._first.left_out else self

    @property
    def first_processor(self):
        """The stage whose controls are shown, as the bench started with it."""
        return self._first.chain[self._stage]

    def set_from_start(self, **settings) -> "Bench":
        """Put the stage back to its first settings, with some of them changed: a step of a demonstration.

        Raises
        ------
        ValueError
            If a setting is unknown or out of range; nothing is moved then.
        """
        return self._set(dataclasses.replace(self.first_processor, **settings))

    def say_when_older(self) -> None:
        """Show a line in a cell further down: once the bench is moved, it says that the cell is older than the bench.

        Its button runs that cell and all below it again.
        """
        line = OlderLine(lambda: self.chain)
        self._older_lines.append(line)
        display(line.widget)

    def put_back(self, stage: str, processor) -> "Bench":
        """Give a stage earlier settings: how the presenter's mode leaves the bench as it found it."""
        if stage == self._stage:
            return self._set(processor)
        self._stages = self._stages.with_stage(stage, processor)
        self._put_in_force()
        self._finish()
        return self

    def stage_in_sight(self) -> tuple[Clip, np.ndarray, float]:
        """What goes into the stage whose controls are shown, where the singer sings in it, and when in the clip it begins.

        For a long clip (over 40 s) that is the stretch in sight.
        """
        known, shift_s = self._results.partial, 0.0
        if self._view.long:
            known, shift_s = self._results.preview, max(self._view.window.start_s - PREROLL_S, 0.0)
        if known is None or self._stage not in known.stages:
            known, shift_s = self._results.whole, 0.0
        source = known.stages[self._stage].source
        return source, self._results.active(source), shift_s

    @property
    def then(self) -> tuple:
        """The processors after the stage whose controls are shown, as far as the one that is watched instead."""
        names = self._stages.names
        first, last = names.index(self._stage) + 1, names.index(self._watched) + 1
        return tuple(processor for _, processor in self._stages.in_force.stages[first:last])

    def compare_with_first(self, on: bool = True) -> "Bench":
        """In the presenter's mode, play the first step instead of the present one, or go back to that.

        Step, tally, play position and what was changed by hand are as before then.
        """
        self._presenter.compare_with_first(on)
        return self

    def present(self, on: bool = True) -> "Bench":
        """Turn the presenter's mode on or off: large type, and a bar with prepared steps.

        Turning it off brings back the settings from before it was turned on.
        """
        self._tools.present.value = bool(on)
        return self

    def hold_back_numbers(self, on: bool = True) -> "Bench":
        """Hide settings, picture and numbers until the class has guessed."""
        self._held_back = bool(on)
        for part in self._revealing:
            part.layout.display = "none" if on else None
        self.make_room(self._crowded)
        self._refresh()
        self._finish()
        return self

    def make_room(self, on: bool = True) -> None:
        """Put the controls away while something else needs their place, or bring them back."""
        self._crowded = bool(on)
        self._controls.widget.layout.display = "none" if self._crowded or self._held_back else None

    @property
    def _revealing(self) -> list[widgets.Widget]:
        """What would give away the answer to a guess."""
        return [self._controls.widget, self._screen.line, self._screen.image]

    # ---- building -----------------------------------------------------------------------------------------------

    def _build(self, scenarios, offers):
        self._error = widgets.HTML(layout=widgets.Layout(flex="1 1 300px"))
        self._tools = tools = Toolbar(self._stages.names, self._stage, self._error)
        tools.stage.observe(lambda change: self._on_stage(change["new"]), "value")
        tools.compare.observe(lambda _: self._on_compare(), "value")
        tools.leave_out.value = self._stage in self.left_out
        tools.leave_out.observe(lambda change: self.leave_out(on=change["new"]), "value")
        tools.reset.on_click(lambda _: self.reset())
        tools.more.observe(lambda _: self._lay_out_controls(), "value")
        tools.present.observe(lambda change: self._on_present(change["new"]), "value")
        self._presenter = PresenterBar(self, scenarios)
        for part in (self._presenter.bar, self._presenter.widget):
            part.layout.display = "none"
        self._offers = Offers(self._stage, self.processor, offers, self._set)
        bars = widgets.HBox([tools.widget, self._presenter.bar], layout=widgets.Layout(flex_flow="row wrap"))
        above, beside = [bars, self._presenter.widget, self._offers.widget], [self._controls.widget]
        if "controls" in self._hide:
            above, beside = [widgets.HBox([self._error])], []
        # Controls and picture stand side by side where there is room, so that both are in sight.
        self._body = widgets.HBox([widgets.VBox(beside), *self._screen.pictures] if beside else self._screen.pictures)
        self._body.add_class("vocomp-body")
        below = [self._view.widget] if beside else []
        self.widget = widgets.VBox(
            [
                *(widgets.HTML(STYLE), self._player.transport, *above, self._body, *below),
                *(self._background.bar, self._screen.line, *self._player.widgets),
                *(self._band[0].widgets if self._band else ()),
            ]
        )
        self.widget.add_class("vocomp-bench")
        self._make_controls()

    def _make_controls(self):
        self._controls.make(self.processor, fine=bool(self.goals))
        self._player.tell_stops(self._controls.stops)
        self._lay_out_controls()

    def _lay_out_controls(self):
        self._controls.lay_out(type(self.processor), self._shown, self._tools.more.value)
        # All of a short clip is in sight anyway.
        self._view.widget.layout.display = None if self._view.long or self._tools.more.value else "none"

    # ---- answering ----------------------------------------------------------------------------------------------

    def _on_value(self, field, value):
        try:
            processor = dataclasses.replace(self.processor, **{field: value})
        except ValueError as error:
            self._refuse(field, error)
            return
        self._take(processor, touched=field, now=False)

    def _refuse(self, field, error):
        """Say why a value is not allowed, by the control's own name, and show the one that stays in force."""
        label = self._controls.inputs[field].control.label
        self._say_error(str(error).replace(f"{field}:", f"{label}:", 1))
        self._controls.show(self.processor, [field])

    def _on_present(self, on):
        self._presented = on
        if on:
            self._before_presenting = self._stages.left_out
        (self.widget.add_class if on else self.widget.remove_class)("vocomp-present")
        for part in (self._presenter.bar, self._presenter.widget):
            part.layout.display = None if on else "none"
        for button in (self._tools.reset, self._tools.leave_out, self._tools.more):
            button.layout.display = "none" if on else None  # the steps do that, and the picture needs the room
        self._screen.present(on)
        self._presenter.begin() if on else self._presenter.end()
        if not on:
            self._leave_out(dataclasses.replace(self._stages, left_out=self._before_presenting))

    def _on_stage(self, name):
        self._presenter.end()
        self._stage = name
        self._error.value = ""
        self._make_controls()
        self._tools.leave_out.value = name in self.left_out
        self._offers.show(name)
        self._refresh()
        self._finish()
        if self._presented:
            self._presenter.begin()

    def _on_view(self):
        self._refresh()
        self._finish()

    def _on_compare(self):
        self._presenter.moved()
        self._refresh()
        self._finish()

    def _set(self, processor) -> "Bench":
        self._take(processor)
        self._finish()
        return self

    def _take(self, processor, touched=None, now=True):
        """Put a stage's new settings into force, and answer: now, or when the slider moves that wait have been read."""
        old = self.processor
        self._error.value = ""
        # A control that moves and changes nothing would puzzle, so it brings its stage back.
        self._stages = self._stages.with_stage(self._stage, processor).leaving_out(self._stage, False)
        self._tools.leave_out.value = False
        self._put_in_force()
        changed = (f for f in self._controls.inputs if f == touched or getattr(old, f) != getattr(processor, f))
        self._controls.show(processor, changed)
        if now:
            self._finish_soon.drop()
            self._refresh_soon.run_now()
        else:
            self._refresh_soon.ask()
            self._finish_soon.ask()
        self._presenter.moved()

    def _put_in_force(self):
        self._results.chain = self._stages.in_force
        for line in self._older_lines:
            line.look()

    def _leave_out(self, stages: Stages):
        if stages == self._stages:
            return
        self._stages = stages
        self._put_in_force()
        self._tools.leave_out.value = self._stage in stages.left_out
        self._refresh_soon.run_now()
        self._finish()

    def _say_error(self, sentence):
        self._error.value = error_html(sentence)

    def _refresh(self):
        """The picture and the numbers of this stage, from the settings as they are now."""
        needed = self._stages.names if self.whole_chain else (self._stage, self._watched)
        last = max(needed, key=self._stages.names.index)
        try:
            if self._view.long:
                known, window = self._results.in_sight(self._view.window, last)
                self._show(self._in_view(known), window, part=True)
            else:
                known = self._results.up_to(last)
                self._show(self._in_view(known), self._view.window)
            self._tell(known)
        except ValueError as error:
            self._say_error(str(error))
            self._player.tell(refused=True)  # or the page would go on with what a hand has set

    def _finish(self):
        """What can wait until the hand rests: the later stages, the whole of a long clip, the sound, the state."""
        if self._view.long and running_loop() is not None:
            self._background.start(self._finish_long, len(self._stages.names) + 1)
            return
        try:
            result = self._results.whole
            if self._view.long:
                self._show(self._in_view(result), self._view.window)
            self._send(result)
        except ValueError as error:
            self._say_error(str(error))

    async def _finish_long(self, report):
        """The same for a long clip in a thread, stage by stage, so that controls are answered meanwhile."""
        try:
            if await self._results.complete_in_thread(self._in_view, report):
                self._show(self._in_view(self._results.whole), self._view.window)
                self._send(self._results.whole)
        except ValueError as error:
            self._say_error(str(error))

    # ---- showing ------------------------------------------------------------------------------------------------

    def _show(self, stage: StageResult, window: Window, part: bool = False):
        change, active = self._results.change(stage), self._results.active(stage.source)
        whole = self.whole_chain
        left_out = not whole and self._watched in self.left_out
        # Goals are about the stage: the chain around it may do as much again.
        goals = () if left_out or whole else self.goals
        note = (
            f"The goals are for {self._watched} alone: choose “before and after this stage” to see them."
            if whole and self.goals
            else ""
        )
        name = stage.detail.in_words() if whole else self._watch or ""
        self._screen.show(
            stage, change, active, window, goals=goals, name=name, part=part, left_out=left_out, note=note
        )

    @property
    def _compared(self) -> tuple[str, str]:
        """Names of the first and the last stage of what is compared."""
        return (self._stages.names[0], self._stages.names[-1]) if self.whole_chain else (self._watched, self._watched)

    def _tell(self, known: ChainResult):
        """While a control moves: tell the page what the stage is set to, and what makes "after" as loud as "before"."""
        first, last = self._compared
        if last not in known.stages:
            return  # not computed yet
        places = {
            key: self._stages.names.index(name) for key, name in dict(first=first, last=last, moved=self._stage).items()
        }
        before, after = known.stages[first].source, known.stages[last].output
        self._player.tell(
            settings=page_stage(self._stages.in_force, known, self._stage),
            **places,
            at=self._controls.places(self.processor),
            match_gain_db=self._results.match_gain_db(before, after),
            measured=not self._view.long,  # of a long clip only a stretch is known yet
            # By a stretch the voice would jump over the band and back: a long clip keeps the place that the whole has.
            band=None if self._view.long else self._place_in_mix(before, after),
        )

    def _send(self, result: ChainResult, part: bool = False):
        """Give the page the clip and the chain that it compares, and all else that it should know.

        With `part`, the result is only that of the stretch in sight.
        """
        first, last = self._compared
        before, after = result.stages[first].source, result.stages[last].output
        # Until the whole clip is known, the voice has no place over the band, and is heard alone.
        place = {"lufs": None, "peak": None} if part else self._place_in_mix(before, after)
        sounds = {"clip": self.clip}
        if self._page_asks and not part:
            sounds |= {"before": before, "after": after}
        self._player.send(
            sounds,
            rate=self.clip.rate,
            duration_s=self.clip.duration_s,
            match_gain_db=self._results.match_gain_db(before, after),
            measured=not part,
            band=band_state(self._band, self.clip, self._align) | place if self._band and place else None,
            removed_shares=self._removed_shares(result),
            live=page_chain(self._stages.in_force, result, first, last, self._stage)
            | {"channels": self.clip.channels, "needle": needle_coefficients(page_rate(before.rate))},
            at=self._controls.places(self.processor),
            meters=not self._guessing,
            reduces=self._in_view(result).reduction_db is not None,
            moments=[] if part or self._guessing or not self._with_moments else self._moments(result),
            window=[self._view.window.start_s, self._view.window.end_s],
            time_box=self._screen.picture.time_box,
            labels=self._controls.labels,
            units=self._controls.units,
            alt=HELD_BACK if self._held_back else self._screen.alt,
            present=self._presented,
            python=HELD_BACK if self._held_back else as_python(self.chain),
            json=HELD_BACK if self._held_back else self.chain.to_json(),
        )

    def _place_in_mix(self, before: Clip, after: Clip) -> dict | None:
        """What puts the voice into its place over the band; None without a band, or where there is no voice.

        A clip that is only a stretch of the voice keeps the place that it has in the whole: its loudness counts as that of
        the whole recording and what the stages have changed.
        """
        if self._band is None:
            return None
        loudness_lufs, peak = self._results.place_in_mix(before, after)
        loudness_lufs += self._whole_over_clip_lu
        return {"lufs": loudness_lufs, "peak": peak} if np.isfinite(loudness_lufs) else None

    @cached_property
    def _whole_over_clip_lu(self) -> float:
        page, from_s = self._band
        return page.band.whole_over_stretch_lu(round(from_s * self.clip.rate), self.clip.frames)

    @property
    def _guessing(self) -> bool:
        """Whether the numbers are hidden, so that meters and moments must not tell them either."""
        return self._held_back or "numbers" in self._hide

    def _moments(self, result: ChainResult) -> list[dict]:
        """Places that the page offers to go round in."""
        reduction_db = self._in_view(result).reduction_db
        places = [] if reduction_db is None else deepest_reductions(reduction_db, self.clip.rate)
        if not self._view.long:
            places += loudest_words(self.clip)
        named = [(p, f": {called(self.clip, *p.sung_s)}" if words_of(self.clip) else "") for p in places]
        return [{"text": p.text + name, "from_s": round(p.start_s, 3), "to_s": round(p.end_s, 3)} for p, name in named]

    def _removed_shares(self, result: ChainResult) -> tuple[float, float]:
        """Two factors: what was removed is the first times what goes in, less the second times what comes out.

        For the tracks that Python makes; where the page makes them it goes by ``removedShares`` of its own stages.
        """
        if self.whole_chain:
            makeup_db = sum(getattr(processor, "makeup_db", 0.0) for _, processor in self.chain.stages)
            return 1.0, db_to_amplitude(-makeup_db)
        detail = result.stages[self._watched].detail
        return (1.0, 1.0) if detail is None else detail.removed_shares

    def _on_wanted(self):
        self._page_asks = True
        self._finish()

    def _ipython_display_(self):
        display(self.widget)
        self._player.show(self._screen.still())
