"""Practice for the hand in a notebook: ten takes, a minute each, one stage to set. The tasks are in ``vocomp_lab.lessons.skill``."""

from __future__ import annotations

import datetime
import html
import time

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.blind import status_html
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.bench.style import STYLE, error_html
from vocomp_lab.lessons.course import Lesson
from vocomp_lab.lessons.skill import (
    FOLDER,
    LIMIT_S,
    SKILLS,
    TAKES,
    SkillTake,
    a_seed,
    keep_skill,
    make_skill_take,
    read_skill,
    skill_sentence,
    with_time,
)
from vocomp_lab.sound.checks import check_choice, check_whole

# A bar that runs out in a minute, drawn by the page alone.
_CLOCK = """<style>@keyframes vocomp-minute{{from{{width:100%}}to{{width:0}}}}</style>
<div aria-hidden="true" style="height:8px;border:1px solid var(--vocomp-edge);max-width:600px"><div
 style="height:100%;background:var(--vocomp-accent);animation:vocomp-minute {seconds:g}s linear forwards"></div></div>"""


class SkillBench:
    """Set one stage to its goals on a take that is new each time, within a minute.

    Parameters
    ----------
    lesson : Lesson
        Beside whose sheets the results are kept. The takes are the workbook's own.
    stage : str
        "peaks", "steady", "low cut" or "level prep": what the menu begins with.
    seed : int, optional
        The same seed gives the same takes; without one they are new.

    Attributes
    ----------
    bench : Bench or None
        The one for the take that is on.

    Notes
    -----
    Put it last in a cell to show it.
    """

    def __init__(self, lesson: Lesson, stage: str = "peaks", seed: int | None = None):
        if not isinstance(lesson, Lesson):
            raise ValueError(
                f"lesson: {type(lesson).__name__} is not allowed; give the lesson, such as begin('10_ear_practice')."
            )
        check_choice("stage", stage, tuple(SKILLS))
        self._random = np.random.default_rng(None if seed is None else check_whole("seed", seed, 0, 2**63 - 1))
        self._folder = lesson.folder.parent / FOLDER
        self.bench: Bench | None = None
        self._take: SkillTake | None = None
        self._menu = widgets.Dropdown(
            options=[(task.title, name) for name, task in SKILLS.items()],
            value=stage,
            description="Task",
            layout=widgets.Layout(width="260px", max_width="100%"),
        )
        self._menu.observe(lambda _: self._stop(), "value")
        self._start = self._button("Start", "Start: a new take, and a minute for it", self.start)
        self._done = self._button("Done", "Done: hand in the stage as it is set now", self.done)
        self._asks, self._clock, self._status = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self._place = widgets.Output()
        row = widgets.HBox(
            [self._menu, self._start, self._done], layout=widgets.Layout(flex_flow="row wrap", align_items="center")
        )
        self.widget = widgets.VBox([widgets.HTML(STYLE), row, self._asks, self._clock, self._status])
        self.widget.add_class("vocomp-bench")
        self._stop()

    def _button(self, text, tip, called):
        button = widgets.Button(description=text, tooltip=tip, layout=widgets.Layout(width="auto"))
        button.on_click(lambda _: called())
        return button

    def start(self) -> None:
        """A new take; its minute begins when its bench is there."""
        task = SKILLS[self._menu.value]
        self._start.disabled = True
        self._status.value = status_html("Making a take …")
        try:
            self._take = make_skill_take(task, a_seed(self._random))
        except ValueError as error:
            self._stop()
            self._status.value = error_html(error)
            return
        if task.stage == "level prep":
            self.bench = RegionBench(self._take.clip, proposing=False)
        else:
            self.bench = Bench(self._take.clip, task.start, stage=task.stage, goals=task.goals, moments=False)
            self.bench.presents_goals = False
        self._misses, self._began, self._since = 0, datetime.datetime.now(), time.monotonic()
        with self._place:
            self._place.clear_output(wait=True)
            display(self.bench)
        self._asks.value = f'<div class="vocomp-step">{html.escape(task.asks)}</div>'
        self._clock.value = _CLOCK.format(seconds=LIMIT_S)
        self._done.disabled = False
        self._status.value = status_html("Your minute runs. Press Done when it is set.")

    def done(self) -> None:
        """Hand in the take: it is kept when its goals are met, or its minute is over."""
        if self._take is None:
            return
        seconds = time.monotonic() - self._since
        processor = self.bench.gains if isinstance(self.bench, RegionBench) else self.bench.processor
        left = self._take.left(processor)
        if left:
            self._misses += 1
        if left and seconds < LIMIT_S:
            self._status.value = status_html(f"Not yet, after {seconds:.0f} s. {html.escape(left)}")
            return
        met = not left and seconds <= LIMIT_S
        result = with_time(self._began, self._take.task.stage, seconds, self._misses, met)
        told = (
            f"Met in {seconds:.0f} s."
            if met
            else f"Met, but it took {seconds:.0f} s."
            if not left
            else f"Time is up. {left}"
        )
        try:
            keep_skill(self._folder, result)
        except ValueError as error:
            told = f"{told} {error}"
        self._stop(told)

    def _stop(self, told: str = ""):
        """No take is on; say how the last ones went."""
        self._take = None
        self._clock.value = ""
        self._done.disabled, self._start.disabled = True, False
        results = read_skill(self._folder)
        number = sum(one.stage == self._menu.value for one in results) % TAKES + 1
        self._start.description = f"Start take {number} of {TAKES}"
        self._asks.value = f'<div class="vocomp-step">{html.escape(SKILLS[self._menu.value].asks)}</div>'
        self._status.value = status_html(html.escape(f"{told} {skill_sentence(results, self._menu.value)}".strip()))

    def _ipython_display_(self):
        display(self.widget, self._place)
