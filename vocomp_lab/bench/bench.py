"""The bench: sliders, a picture, a line of numbers and a player for a clip and a stage, in one notebook widget.

This is the only module that imports ipywidgets. What a bench shows is computed elsewhere; here it is decided *when*: at
once for the stage whose control moves, a moment later for everything after it and for the sound, and for long clips
first for the stretch in sight.
"""

from __future__ import annotations

import asyncio
import base64
import dataclasses
import html
import itertools
import json
import math
import secrets
from importlib import resources

import ipywidgets as widgets
import numpy as np
from IPython.display import HTML, display

from vocomp_lab.analysis.measures import Change, ClipNumbers, Goal, clip_numbers, decibels, measure_change
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.bench.numbers import numbers_html, numbers_text
from vocomp_lab.bench.present import HELD_BACK, PresenterBar
from vocomp_lab.bench.settings_text import as_python
from vocomp_lab.bench.style import NO_KERNEL, STYLE
from vocomp_lab.lessons.controls import FIRST_SHOWN, Choice, Control, controls_for
from vocomp_lab.pictures.panels import Window
from vocomp_lab.pictures.pictures import PICTURES, Picture, picture_class
from vocomp_lab.pictures.regions import RegionsPicture
from vocomp_lab.processors.chain import Chain, ChainResult, StageResult
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.sound.audio import Clip, encode
from vocomp_lab.sound.checks import check_choice
from vocomp_lab.sound.levels import db_to_amplitude

PICTURE_PX = (1120, 372)
PRESENTED_PX, PRESENTED_SCALE = (860, 400), 1.3
"""In the presenter's mode: fewer pixels, each of them drawn larger, so that what is written can be read from the last
row."""
FINISH_DELAY_S = 0.35
"""Rest after the last slider move before the sound and the later stages are computed."""
WHOLE_CLIP_S = 40.0
"""Longer clips are previewed in the stretch in sight while a control moves; the whole follows when the hand rests."""
LONG_VIEW_S = 20.0
LONGEST_VIEW_S = 60.0
"""What is in sight of a long clip at first, and at most."""
PREROLL_S = 1.0
"""Heard before the visible window in a preview, so that the reduction at its start is about right."""
HIDEABLE = ("controls", "picture", "numbers", "choice")
"""What a bench can do without: its controls and settings, its picture, its numbers, the choice of what is heard."""

PICTURES[ClipGain] = RegionsPicture

# Below data-lm-suppress-shortcuts JupyterLab leaves keys alone: its own 1, 2 and 3 would turn the cell into a heading.
_PLAYER = """<div class="vocomp-player" hidden role="group" aria-label="Player: before and after" tabindex="-1" data-lm-suppress-shortcuts="true">
<div class="row">
<button type="button" data-part="play">Play</button>
<fieldset __CHOICE__><legend>Hear</legend>
<label><input type="radio" name="vocomp-__ID__" value="before" checked>before</label>
<label><input type="radio" name="vocomp-__ID__" value="after">after</label>
<label><input type="radio" name="vocomp-__ID__" value="removed">what was removed</label></fieldset>
<label __CHOICE__><input type="checkbox" data-part="match" __MATCH__>after as loud as before</label>
<label><input type="checkbox" data-part="loop" checked>loop</label>
</div><div class="row">
<label style="flex:1 1 300px">Position<input type="range" data-part="seek" min="0" max="1" step="0.01" value="0"></label>
<span data-part="clock">0.0 s</span>
<label>Volume<input type="range" data-part="volume" min="-40" max="0" step="1" value="-24"></label>
<span data-part="volume-text">−24 dB</span>
<span data-part="note" role="status"></span>
<span class="keys">Keys, after a click in here or into the picture: <kbd>p</kbd> plays and pauses<span __CHOICE__>; <kbd>1</kbd> <kbd>2</kbd> <kbd>3</kbd> choose</span>.</span>
</div>
<details __SETTINGS__><summary>Settings to take along</summary>
<div class="row" style="margin:4px 0"><button type="button" data-part="copy-python">Copy as Python</button>
<button type="button" data-part="copy-json">Copy as settings sheet (JSON)</button>
</div>
<textarea data-part="python" readonly aria-label="Settings as Python"></textarea>
<textarea data-part="json" readonly aria-label="Settings sheet as JSON"></textarea></details>
</div>"""


class Bench:
    """A clip, a chain of stages and the controls of one of them.

    Parameters
    ----------
    clip : Clip
        What the chain is fed.
    processor : processor or Chain
        One processor (such as a :class:`Compressor`), or a whole :class:`Chain`.
    stage : str, optional
        The stage whose controls are shown first; the last one by default. For a single processor: what to call it.
    shown : sequence of str, optional
        The settings whose controls stand open; the others are behind "more controls".
    goals : sequence of Goal
        Windows that the stage's numbers should land in; the bench says which are met.
    match : bool
        Whether "after" plays as loud as "before" at the start. Only a lesson about loudness turns this off.
    view : (float, float), optional
        Stretch of time to show, in seconds. Default: the whole clip, or the first 20 s of a long one (over 40 s), of
        which at most 60 s are in sight.
    watch : str, optional
        The stage that picture, numbers, goals and sound are about, if it is another than the one whose controls are
        shown: so that a trim can be moved while a compressor is watched.
    hide : sequence of str, optional
        Parts to leave out, of ``HIDEABLE``: for guessing by ear.
    scenarios : sequence of Scenario, optional
        The steps of the presenter's mode; without them it makes its own from the settings that the bench starts with.

    Raises
    ------
    ValueError
        If the clip is no Clip, the processor has no controls, there is no such stage, or no such part to hide.

    Notes
    -----
    Put it last in a cell to show it. ``bench.processor`` is the stage as set now, ``bench.result`` what the chain made
    of the clip, ``bench.change`` the numbers; all are up to date whenever they are read. How to use it:
    ``00_start_here``.
    """

    _ids = itertools.count(1)

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
    ):
        if not isinstance(clip, Clip):
            raise ValueError(f"clip: {type(clip).__name__} is not allowed; give a Clip, such as load('take.wav').")
        if not isinstance(processor, Chain):
            processor = Chain([(stage or type(processor).__name__, processor)])
        if not processor.stages:
            raise ValueError("processor: a chain without stages has nothing to move; give it at least one.")
        names = [name for name, _ in processor.stages]
        stage = names[-1] if stage is None else stage
        if stage not in names:
            raise ValueError(f"stage: there is no {stage!r}; the stages are {', '.join(names)}.")
        if watch is not None and watch not in names:
            raise ValueError(f"watch: there is no stage {watch!r}; the stages are {', '.join(names)}.")
        for kind in {type(p) for _, p in processor.stages}:
            controls_for(kind)
        self._hide = {check_choice("hide", part, HIDEABLE) for part in hide}
        self._watch = watch
        self.clip = clip
        self.goals = tuple(goals)
        self._first = processor
        self._chain = processor
        self._stage = stage
        self._shown = shown
        self._match = match
        # Several students' pages, and several benches of one, may stand in one document.
        self._id = f"{next(self._ids)}-{secrets.token_hex(4)}"
        self._long = clip.duration_s > WHOLE_CLIP_S
        self._window = self._check_view(view)
        self._partial: ChainResult | None = None
        self._preview: ChainResult | None = None
        self._task: asyncio.Task | None = None
        self._numbers: dict[int, tuple[Clip, ClipNumbers]] = {}
        self._masks: dict[int, tuple[Clip, np.ndarray]] = {}
        self._pictures: dict[type[Picture], Picture] = {}
        self._pictured = None
        self._refresh_due = self._finish_due = None
        self._due_on: asyncio.AbstractEventLoop | None = None
        self._stale = True
        self._quiet = False
        self._presented = self._held_back = False
        self._cut_for = self._cut_clip = None
        self._state_text = self._alt = ""
        self._sent = {"before": None, "after": None}
        self._sent_sizes: dict[str, object] = {}
        self._build(scenarios)
        self._refresh()
        self._finish()

    # ---- what a notebook reads and sets -------------------------------------------------------------------------

    @property
    def chain(self) -> Chain:
        """The chain as set now."""
        return self._chain

    @property
    def stage(self) -> str:
        """Name of the stage whose controls are shown."""
        return self._stage

    @property
    def processor(self):
        """The stage as set now."""
        return self._chain[self._stage]

    @property
    def result(self) -> ChainResult:
        """What the chain as set now makes of the whole clip."""
        if not self._whole:
            self._partial = self._chain.apply(self.clip, reuse=self._partial)
            self._stale = False
        return self._partial

    @property
    def _whole(self) -> bool:
        """Whether what was computed last is all of the chain as it is set now."""
        return not self._stale and self._partial is not None and len(self._partial.stages) == len(self._chain.stages)

    @property
    def stage_result(self) -> StageResult:
        """What the stage (or the one that is watched instead) did."""
        return self.result.stages[self._watched]

    @property
    def change(self) -> Change:
        """That stage's numbers: before, after, reduction."""
        return self._measure(self.stage_result)

    @property
    def _watched(self) -> str:
        return self._watch or self._stage

    def set(self, **settings) -> "Bench":
        """Move controls from code, as if by hand.

        Raises
        ------
        ValueError
            If a setting is unknown or out of range; nothing is moved then.
        """
        unknown = [name for name in settings if name not in self._fields()]
        if unknown:
            raise ValueError(
                f"{unknown[0]}: a {type(self.processor).__name__} has no such setting; it has {', '.join(self._fields())}."
            )
        self._take(dataclasses.replace(self.processor, **settings))
        self._finish()
        return self

    def check(self, *goals: Goal) -> None:
        """Print whether the stage as set now meets its goals (or those given), with the measured numbers."""
        change = self.change
        for goal in goals or self.goals:
            verdict = "met" if goal.met(change) else "not met yet"
            print(f"{goal}: {verdict} (measured: {decibels(goal.value(change))})")

    def choose_stage(self, name: str) -> "Bench":
        """Show another stage's controls."""
        if name not in (n for n, _ in self._chain.stages):
            raise ValueError(
                f"name: there is no stage {name!r}; the stages are {', '.join(n for n, _ in self._chain.stages)}."
            )
        self._stage_menu.value = name
        return self

    def reset(self) -> "Bench":
        """Put the stage back to the settings that the bench was made with."""
        self._take(self._first[self._stage])
        self._finish()
        return self

    @property
    def first_processor(self):
        """The stage whose controls are shown, as the bench started with it."""
        return self._first[self._stage]

    def set_from_start(self, **settings) -> "Bench":
        """Put the stage back to how the bench started, with some settings changed: a step of a demonstration.

        Raises
        ------
        ValueError
            If a setting is unknown or out of range; nothing is moved then.
        """
        self._take(dataclasses.replace(self.first_processor, **settings))
        self._finish()
        return self

    def put_back(self, stage: str, processor) -> "Bench":
        """Give a stage settings that it had before: how the presenter's mode leaves the bench as it found it."""
        if stage == self._stage:
            self._take(processor)
        else:
            self._chain, self._stale = self._chain.with_stage(stage, processor), True
        self._finish()
        return self

    def stage_in_sight(self) -> tuple[Clip, np.ndarray, float]:
        """What goes into the stage whose controls are shown, where it is sung, and at what time of the clip it begins.

        Of a long clip (over 40 s) it is the stretch in sight.
        """
        known, shift_s = self._partial, 0.0
        if self._long:
            known, shift_s = self._preview, max(self._window.start_s - PREROLL_S, 0.0)
        if known is None or self._stage not in known.stages:
            known, shift_s = self.result, 0.0
        source = known.stages[self._stage].source
        return source, self._mask(source), shift_s

    def present(self, on: bool = True) -> "Bench":
        """Turn the presenter's mode on or off: large type, and a bar with prepared steps.

        Turned off, it brings back what was set before it was turned on.
        """
        self._present_button.value = bool(on)
        return self

    def hold_back_numbers(self, on: bool = True) -> "Bench":
        """Show settings, picture and numbers only after the class has guessed."""
        self._held_back = bool(on)
        for part in self._telling:
            part.layout.display = "none" if on else None
        self._refresh()
        self._finish()
        return self

    @property
    def _telling(self) -> list[widgets.Widget]:
        """What would give away the answer to a guess."""
        return [self._grid, self._line, self._image]

    # ---- building -----------------------------------------------------------------------------------------------

    def _part(self, widget, name):
        widget.add_class(f"vocomp-{self._id}-{name}")
        return widget

    def _build(self, scenarios):
        hidden = widgets.Layout(display="none")
        names = [name for name, _ in self._chain.stages]
        self._stage_menu = widgets.Dropdown(options=names, value=self._stage, description="Stage")
        self._compare = widgets.Dropdown(
            options=[("before and after this stage", "stage"), ("before and after the whole chain", "chain")],
            value="stage",
            description="Compare",
            layout=widgets.Layout(width="330px"),
        )
        self._stage_menu.observe(self._on_stage, "value")
        self._compare.observe(lambda _: self._finish(), "value")
        reset = widgets.Button(description="Reset", tooltip="Back to the settings that the bench started with")
        reset.on_click(lambda _: self.reset())
        self._more = widgets.ToggleButton(value=False, description="More controls")
        self._more.observe(lambda _: self._lay_out_controls(), "value")
        self._present_button = widgets.ToggleButton(
            value=False,
            description="Present",
            tooltip=(
                "For a projector: large type, prepared steps, numbers held back, a tally of guesses. "
                "Turned off, it brings back what was set before"
            ),
        )
        self._present_button.observe(lambda change: self._on_present(change["new"]), "value")
        self._presenter = PresenterBar(self, scenarios)
        self._presenter.widget.layout.display = "none"
        top = [reset, self._more, self._present_button]
        if len(names) > 1:
            top = [self._stage_menu, self._compare, *top]
        self._view = widgets.FloatRangeSlider(
            # To whole steps: from an end between two of them the arrow key would not find back to it.
            value=(self._window.start_s, math.ceil(10 * self._window.end_s - 1e-6) / 10),
            min=0.0,
            max=math.ceil(10 * self.clip.duration_s - 1e-6) / 10,
            step=0.1,
            description="In sight (s)",
            readout_format=".1f",
            continuous_update=False,
            layout=widgets.Layout(width="calc(100% - 4px)", max_width="1120px"),
        )
        self._part(self._view, "view")
        self._view.observe(self._on_view, "value")
        self._grid = widgets.GridBox(
            layout=widgets.Layout(grid_template_columns="repeat(auto-fill, minmax(460px, 1fr))", max_width="1120px")
        )
        self._error = widgets.HTML(layout=widgets.Layout(flex="1 1 300px"))
        self._progress = widgets.IntProgress(
            min=0, max=1, description="Whole clip", layout=widgets.Layout(display="none")
        )
        self._image = self._part(
            widgets.Image(format="png", layout=widgets.Layout(max_width="calc(100% - 4px)")), "picture"
        )
        self._line = widgets.HTML()
        self._state = self._part(widgets.HTML(layout=hidden), "state")
        self._sounds = {
            part: self._part(
                widgets.Audio(format="flac", autoplay=False, loop=False, controls=False, layout=hidden), part
            )
            for part in ("before", "after")
        }
        controls = [
            widgets.HBox([*top, self._error], layout=widgets.Layout(flex_flow="row wrap")), self._presenter.widget, self._grid, self._view,
        ]  # fmt: skip
        self.widget = widgets.VBox(
            [
                widgets.HTML(STYLE),
                *([widgets.HBox([self._error])] if "controls" in self._hide else controls),
                self._progress,
                # A box that could scroll is a stop for the tab key.
                *(
                    []
                    if "picture" in self._hide
                    else [widgets.Box([self._image], layout=widgets.Layout(overflow="visible"))]
                ),
                self._line,
                self._state,
                *self._sounds.values(),
            ]
        )
        self.widget.add_class("vocomp-bench")
        self._make_controls()

    def _make_controls(self):
        self._inputs = {}
        for control in controls_for(type(self.processor)):
            value = getattr(self.processor, control.field)
            make = self._make_choice if isinstance(control, Choice) else self._make_slider
            self._inputs[control.field] = make(control, value)
        self._lay_out_controls()

    def _make_choice(self, control: Choice, value):
        menu = widgets.Dropdown(
            options=control.options, value=value, description=control.label, tooltip=control.help,
            style={"description_width": "112px" if len(control.label) <= 16 else "initial"}, layout=widgets.Layout(width="96%"),
        )  # fmt: skip
        menu.observe(lambda change: self._on_value(control.field, change["new"]), "value")
        return control, menu, None, menu

    def _make_slider(self, control: Control, value):
        # A slider over a list of values: a float slider would round a typed value to its own steps and send that back.
        slider = widgets.SelectionSlider(
            options=[(control.text(stop), place) for place, stop in enumerate(control.stops())],
            description=control.label,
            tooltip=control.help,
            readout=False,
            style={"description_width": "112px"},
            layout=widgets.Layout(flex="1 1 auto", width="auto"),
        )
        typed = widgets.Text(continuous_update=False, layout=widgets.Layout(width="72px"))
        typed.add_class("vocomp-typed")
        unit = widgets.Label(control.unit, layout=widgets.Layout(width="40px"))
        self._show_value(control, slider, typed, value)
        stops = control.stops()
        slider.observe(lambda change: self._on_value(control.field, stops[change["new"]]), "value")
        typed.observe(lambda change: self._on_typed(control, change["new"]), "value")
        self._part(slider, f"slider-{control.field}")
        self._part(typed, f"typed-{control.field}")
        return control, slider, typed, widgets.HBox([slider, typed, unit], layout=widgets.Layout(width="98%"))

    def _show_value(self, control, slider, typed, value):
        """Make slider and box say a value without taking that for a move."""
        was, self._quiet = self._quiet, True
        try:
            if typed is None:
                slider.value = value
            else:
                typed.value = control.text(value)
                slider.value = control.nearest(value)
        finally:
            self._quiet = was

    def _lay_out_controls(self):
        kind = type(self.processor)
        first = self._shown or FIRST_SHOWN.get(kind) or self._fields()
        hidden = [field for field in self._fields() if field not in first]
        order = [*(f for f in first if f in self._inputs), *(hidden if self._more.value else ())]
        # On a short clip the whole is in sight anyway.
        self._view.layout.display = None if self._long or self._more.value else "none"
        self._grid.children = [self._inputs[field][3] for field in order]

    def _fields(self):
        return [control.field for control in controls_for(type(self.processor))]

    def _check_view(self, view) -> Window:
        length = self.clip.duration_s
        if view is None:
            return Window(0.0, LONG_VIEW_S if self._long else length)
        try:
            start, end = (float(edge) for edge in view)
        except (TypeError, ValueError):
            start, end = 1.0, 0.0
        if not 0 <= start < end or start >= length:
            raise ValueError(f"view: {view!r} is not allowed; give (start, end) in seconds within 0 to {length:.2f}.")
        return self._in_reach(Window(start, min(end, length)))

    def _in_reach(self, window: Window) -> Window:
        return Window(window.start_s, min(window.end_s, window.start_s + LONGEST_VIEW_S)) if self._long else window

    # ---- answering ----------------------------------------------------------------------------------------------

    def _on_typed(self, control, text):
        if self._quiet:
            return
        try:
            value = control.read(text)
        except ValueError as error:
            self._refuse(control.field, error)
            return
        self._on_value(control.field, value)

    def _on_value(self, field, value):
        if self._quiet:
            return
        try:
            processor = dataclasses.replace(self.processor, **{field: value})
        except ValueError as error:
            self._refuse(field, error)
            return
        self._take(processor, touched=field, now=False)

    def _refuse(self, field, error):
        """Say why a value can't be, under the control's own name, and show the one that is still in force."""
        control, slider, typed, _ = self._inputs[field]
        self._say_error(str(error).replace(f"{field}:", f"{control.label}:", 1))
        self._show_value(control, slider, typed, getattr(self.processor, field))

    def _on_present(self, on):
        self._presented = on
        (self.widget.add_class if on else self.widget.remove_class)("vocomp-present")
        self._presenter.widget.layout.display = None if on else "none"
        self._pictures.clear()
        self._pictured = None
        self._presenter.begin() if on else self._presenter.end()

    def _on_stage(self, change):
        self._presenter.end()
        self._stage = change["new"]
        self._error.value = ""
        self._make_controls()
        self._refresh()
        self._finish()
        if self._presented:
            self._presenter.begin()

    def _on_view(self, change):
        start, end = change["new"]
        end = min(end, self.clip.duration_s)
        if end - start < 0.05:
            return
        self._window = self._in_reach(Window(start, end))
        if self._window.end_s != end:
            self._view.value = (self._window.start_s, self._window.end_s)
            return
        self._pictured = None
        self._refresh()
        self._finish()

    def _take(self, processor, touched=None, now=True):
        """Put a stage's new settings into force, and answer: now, or when the slider moves that wait have been read."""
        old = self.processor
        self._error.value = ""
        self._chain = self._chain.with_stage(self._stage, processor)
        self._stale = True
        for field, (control, slider, typed, _) in self._inputs.items():
            if field == touched or getattr(old, field) != getattr(processor, field):
                self._show_value(control, slider, typed, getattr(processor, field))
        self._later("_refresh_due", 0.0, self._refresh, now)
        self._later("_finish_due", FINISH_DELAY_S, self._finish, now)
        self._presenter.moved()

    def _later(self, slot, delay_s, work, now):
        """Run work soon, once: a newer call replaces one that still waits. Without an event loop, at once.

        The kernel answers each page on a loop of its own, which ends with the page; what waits there never comes.
        """
        if self._due_on is not None and self._due_on.is_closed():
            self._refresh_due = self._finish_due = self._due_on = None
        waiting = getattr(self, slot)
        if slot == "_refresh_due" and waiting is not None and not now:
            return  # it will read the newest settings when it comes
        if waiting is not None:
            waiting.cancel()
            setattr(self, slot, None)
        try:
            loop = None if now else asyncio.get_running_loop()
        except RuntimeError:
            loop = None
        if loop is None:
            if slot == "_refresh_due" or not now:
                work()
            return

        def run():
            setattr(self, slot, None)
            work()

        self._due_on = loop
        setattr(self, slot, loop.call_later(delay_s, run))

    def _say_error(self, sentence):
        self._error.value = f'<div class="vocomp-error" role="alert">{html.escape(sentence)}</div>'

    def _refresh(self):
        """The picture and the numbers of this stage, from the settings as they are now."""
        names = [name for name, _ in self._chain.stages]
        prefix = Chain(self._chain.stages[: max(names.index(self._stage), names.index(self._watched)) + 1])
        try:
            if self._long:
                start = max(self._window.start_s - PREROLL_S, 0.0)
                # What is set at times of the clip (gain regions) has to be told that the stretch begins later.
                stages = [(name, p.cut_from(start) if hasattr(p, "cut_from") else p) for name, p in prefix.stages]
                self._preview = Chain(stages).apply(self._cut(start), reuse=self._preview)
                seen = Window(self._window.start_s - start, self._window.end_s - start, start)
                self._show(self._preview.stages[self._watched], seen, part=True)
            else:
                if not self._whole:  # where it is, only another stage was chosen, and nothing is computed anew
                    self._partial = prefix.apply(self.clip, reuse=self._partial)
                self._show(self._partial.stages[self._watched], self._window)
        except ValueError as error:
            self._say_error(str(error))

    def _cut(self, start_s: float) -> Clip:
        """The stretch in sight with its preroll: the same clip as long as the window is the same, so that results are
        kept."""
        key = (start_s, self._window.end_s)
        if self._cut_for != key:
            self._cut_for, self._cut_clip = key, self.clip.cut(*key)
        return self._cut_clip

    def _finish(self):
        """What can wait until the hand rests: the later stages, the whole of a long clip, the sound, the state."""
        try:
            loop = asyncio.get_running_loop() if self._long else None
        except RuntimeError:
            loop = None
        if loop is not None:
            if self._task is not None and not self._task.get_loop().is_closed():
                # The task may belong to the loop of another page, see _later.
                self._task.get_loop().call_soon_threadsafe(self._task.cancel)
            self._task = loop.create_task(self._finish_long(self._chain))
            return
        try:
            result = self.result
            if self._long:
                self._show(result.stages[self._watched], self._window)
            self._send_sound(*self._compared(result))
        except ValueError as error:
            self._say_error(str(error))

    async def _finish_long(self, chain: Chain):
        """The chain over all of a long clip, stage by stage in a thread, so that controls go on being answered."""
        work = asyncio.get_running_loop().run_in_executor
        self._progress.max, self._progress.value, self._progress.layout.display = len(chain.stages) + 1, 0, None
        try:
            for count in range(1, len(chain.stages) + 1):
                result = await work(None, Chain(chain.stages[:count]).apply, self.clip, self._partial)
                if chain is not self._chain:
                    return
                self._partial = result
                self._progress.value = count
            self._stale = False
            await work(None, self._measure, result.stages[self._watched])
            if chain is self._chain:
                self._show(result.stages[self._watched], self._window)
                self._send_sound(*self._compared(result))
        except ValueError as error:
            self._say_error(str(error))
        finally:
            if chain is self._chain:
                self._progress.layout.display = "none"

    def _compared(self, result: ChainResult) -> tuple[Clip, Clip, tuple[float, float]]:
        """What the player compares: before, after, and their shares in what was removed."""
        if self._compare.value == "chain":
            makeup_db = sum(getattr(processor, "makeup_db", 0.0) for _, processor in self._chain.stages)
            return self.clip, result.output, (1.0, db_to_amplitude(-makeup_db))
        stage = result.stages[self._watched]
        return stage.source, stage.output, (1.0, 1.0) if stage.detail is None else stage.detail.removed_shares

    def _show(self, stage: StageResult, window: Window, part: bool = False):
        change = self._measure(stage)
        kind = picture_class(stage)
        picture = self._pictures.get(kind)
        if picture is None:
            size = (*PRESENTED_PX, PRESENTED_SCALE) if self._presented else PICTURE_PX
            picture = self._pictures[kind] = kind(*size)
        self._picture = picture
        pictured = (kind, stage.source, window)
        if pictured != self._pictured:
            picture.set_source(stage.source, window)
            self._pictured = pictured
        picture.set_result(stage, window, self._mask(stage.source))
        picture.title.set_text(picture.finding(change) + (" (in the stretch in sight)" if part else ""))
        if "picture" not in self._hide:
            self._png = picture.render()
            self._image.value = self._png
            self._alt = f"{picture.description(change)}. {numbers_text(change)}"
            if self._held_back:
                self._alt = HELD_BACK
        if "numbers" not in self._hide:
            heading = [self._watch] if self._watch else []
            heading += ["in the stretch in sight"] if part else []
            self._line.value = numbers_html(change, self.goals, ", ".join(heading))

    def _mask(self, clip: Clip) -> np.ndarray:
        return self._kept(self._masks, clip, active_mask)

    def _measure(self, stage: StageResult) -> Change:
        before = self._kept(self._numbers, stage.source, clip_numbers)
        return measure_change(before, stage.output, stage.reduction_db, self._mask(stage.source))

    @staticmethod
    def _kept(store, clip, compute):
        """Compute once per clip, and remember the last few."""
        known = store.get(id(clip))
        if known is None or known[0] is not clip:
            while len(store) >= 8:
                store.pop(next(iter(store)))
            known = store[id(clip)] = (clip, compute(clip))
        return known[1]

    # ---- sound and state ----------------------------------------------------------------------------------------

    def _send_sound(self, before: Clip, after: Clip, removed_shares: tuple[float, float]):
        for part, clip in (("before", before), ("after", after)):
            if self._sent[part] is not clip:
                peak = float(np.abs(clip.samples).max())
                scale = max(1.0, peak * 1.0001)
                data = encode(clip.with_samples(clip.samples / scale) if scale > 1 else clip)
                self._sounds[part].value = data
                self._sent[part] = clip
                self._sent_sizes.update(
                    {f"{part}_id": secrets.token_hex(4), f"{part}_bytes": len(data), f"{part}_scale": scale}
                )
        loud = [self._kept(self._numbers, clip, clip_numbers).loudness_lufs for clip in (before, after)]
        match = 0.0 if not np.isfinite(loud).all() else loud[0] - loud[1]
        controls = [control for control, *_ in self._inputs.values()]
        state = {
            **self._sent_sizes,
            "rate": min(max(before.rate, 8000), 96000),
            "duration_s": before.duration_s,
            "match_gain_db": match,
            "removed_shares": removed_shares,
            "window": [self._window.start_s, self._window.end_s],
            "time_box": self._picture.time_box,
            "labels": {c.field: f"{c.label} ({unit})" if (unit := _spoken_unit(c)) else c.label for c in controls},
            "units": {c.field: _spoken_unit(c) for c in controls},
            "alt": self._alt,
            "present": self._presented,
            "python": HELD_BACK if self._held_back else as_python(self._chain),
            "json": HELD_BACK if self._held_back else self._chain.to_json(),
        }
        self._state_text = json.dumps(state, ensure_ascii=False)
        self._state.value = f"<span>{html.escape(self._state_text, quote=False)}</span>"

    # ---- showing ------------------------------------------------------------------------------------------------

    def _still_html(self) -> str:
        """The picture and its numbers for a page without a kernel."""
        if "picture" in self._hide:
            picture = ""
        else:
            source = base64.b64encode(self._png).decode()
            picture = f'<img alt="{html.escape(self._alt)}" src="data:image/png;base64,{source}">'
        return f'<div class="vocomp-still">{picture}{self._line.value}{NO_KERNEL}</div>'

    def _ipython_display_(self):
        script = (
            resources.files("vocomp_lab.bench").joinpath("player.js").read_text("utf-8").replace("__ID__", self._id)
        )
        player = _PLAYER.replace("__ID__", self._id).replace("__MATCH__", "checked" if self._match else "")
        for mark, part in (("__CHOICE__", "choice"), ("__SETTINGS__", "controls")):
            player = player.replace(mark, 'style="display:none"' if part in self._hide else "")
        display(self.widget)
        display(HTML(f'<div class="vocomp-output">{STYLE}{self._still_html()}{player}<script>{script}</script></div>'))


def _spoken_unit(control) -> str:
    """A control's unit as a screen reader should say it: "3 to 1" for a ratio; none for a menu."""
    return getattr(control, "unit", "").replace(": 1", "to 1")
