"""The presenter's mode of a bench: large type, prepared steps, numbers hidden until the class has guessed, a tally.

``00_start_here`` and the teaching notes of each lesson say how a teacher uses it.
"""

from __future__ import annotations

import dataclasses
import html

import ipywidgets as widgets

from vocomp_lab.bench.style import error_html
from vocomp_lab.lessons.scenarios import BEFORE_OR_AFTER, Scenario, scenarios_for
from vocomp_lab.lessons.tally import MOST_HANDS, Tally

HELD_BACK = "Settings, picture and numbers are held back until everybody has guessed."


class PresenterBar:
    """The bar above a bench's controls with which a teacher steps through a demonstration.

    Parameters
    ----------
    bench : Bench
        Has ``stage``, ``processor``, ``first_processor``, ``goals``, ``presents_goals``, ``match``, ``then``, ``left_out``,
        ``stage_in_sight()``, ``set_from_start(**settings)``, ``put_back(stage, processor)``, ``leave_out()`` and
        ``hold_back_numbers(flag)``.
    scenarios : sequence of Scenario, optional
        Steps for the stage that the bench starts with. By default, and for other stages, those of
        :func:`scenarios_for`.

    Attributes
    ----------
    widget : ipywidgets.Widget
    tally : Tally
    """

    def __init__(self, bench, scenarios=None):
        self._bench = bench
        self._given = None if scenarios is None else tuple(scenarios)
        if self._given is not None and not (self._given and all(isinstance(step, Scenario) for step in self._given)):
            raise ValueError("scenarios: give a list of Scenario objects.")
        self._given_stage = bench.stage
        self._place = 0
        self._going = False
        self._own = None  # the stage and its settings as they were before the first step
        self._made_for = self._made = None
        self._present: tuple | None = (
            None  # while the first step plays: the settings to go back to, and whether left out
        )
        self.tally = Tally(BEFORE_OR_AFTER)
        auto = widgets.Layout(width="auto")
        self._first = widgets.Button(description="First step", layout=auto)
        self._back = widgets.Button(description="Previous step", layout=auto)
        self._next = widgets.Button(description="Next step", layout=auto)
        self._compare = widgets.ToggleButton(
            value=False, description="Play the first step", layout=auto,
            tooltip="Compare this step with the first one; press again to be back at this step",
        )  # fmt: skip
        self._guess = widgets.ToggleButton(
            value=False, description="Hold the numbers back", layout=auto,
            tooltip="Hide settings, picture and numbers until everybody has guessed",
        )  # fmt: skip
        self._count = widgets.ToggleButton(
            value=False, description="Tally of guesses", layout=auto,
            tooltip="Count how many hands went up for each answer",
        )  # fmt: skip
        self._say = widgets.HTML()
        self._first.on_click(lambda _: self.go(0))
        self._back.on_click(lambda _: self.go(self._place - 1))
        self._next.on_click(lambda _: self.go(self._place + 1))
        self._compare.observe(lambda change: self._on_compare(change["new"]), "value")
        self._guess.observe(lambda change: self._hold_back(change["new"]), "value")
        self._count.observe(lambda change: self._open_tally(change["new"]), "value")
        self._answers = widgets.Text(
            value=", ".join(BEFORE_OR_AFTER), description="Answers", continuous_update=False,
            layout=widgets.Layout(width="98%"),
            tooltip="What the class can guess, with commas between the answers", style={"description_width": "initial"},
        )  # fmt: skip
        self._answers.observe(lambda change: self._on_answers(change["new"]), "value")
        self._hands = widgets.HBox(layout=widgets.Layout(flex_flow="row wrap"))
        self._counted = widgets.HTML()
        hidden = widgets.Layout(display="none")
        # Side by side, so that the picture stays in sight.
        typed = widgets.VBox([self._answers, self._hands], layout=widgets.Layout(flex="1 1 440px", overflow="visible"))
        self._counted.layout.flex, self._counted.layout.margin = "1 1 360px", "0 0 0 16px"
        hidden.flex_flow = "row wrap"
        self._tally_box = widgets.HBox([typed, self._counted], layout=hidden)
        buttons = [self._first, self._back, self._next, self._compare, self._guess, self._count]
        self.bar = widgets.HBox(buttons, layout=widgets.Layout(flex_flow="row wrap"))
        self.widget = widgets.VBox([self._say, self._tally_box], layout=widgets.Layout(max_width="1120px"))
        self._ask_hands()

    @property
    def steps(self) -> tuple[Scenario, ...]:
        """The steps of the stage whose controls are shown."""
        if self._given is not None and self._bench.stage == self._given_stage:
            return self._given
        try:
            start, (source, active, shift_s) = self._bench.first_processor, self._bench.stage_in_sight()
            # Measured again only for another stage, other regions, another clip or another stretch of it.
            then = self._bench.then
            if self._made_for is None or self._made_for[::2] != (start, then) or self._made_for[1] is not source:
                goals, match = self._bench.goals if self._bench.presents_goals else (), self._bench.match
                self._made = scenarios_for(start, source, active, goals, shift_s, match=match, then=then)
                self._made_for = (start, source, then)
        except ValueError:  # a stage refuses this clip, and the bench has said so
            question = "How clear is the difference between before and after?"
            return (Scenario("as prepared", question, answers=("clear", "slight", "none")),)
        return self._made

    @property
    def _alone(self) -> bool:
        """Whether there is nothing to step to."""
        return len(self.steps) == 1 and not self.steps[0].settings

    @property
    def step(self) -> Scenario:
        """The step that is on the bench now."""
        return self.steps[min(self._place, len(self.steps) - 1)]

    def go(self, place: int) -> None:
        """Put a step on the bench, by its place from 0. A place before the first or after the last does nothing."""
        if not 0 <= place < len(self.steps):
            return
        self._forget_comparison()
        self._place = place
        self._going = True
        try:
            self._bench.set_from_start(**self.step.settings)
        finally:
            self._going = False
        self._ask_step()
        self._tell()

    def compare_with_first(self, on: bool = True) -> None:
        """Set the bench as in the first step, or back as it was: at the same step, with what was changed by hand.

        At the first step, and while the mode is off, it does nothing. What is moved meanwhile is gone afterwards.
        """
        self._compare.value = bool(on) and not self._compare.disabled and self._own is not None

    def _on_compare(self, on):
        if on == (self._present is not None):
            return
        self._going = True
        try:
            if on:
                self._present = (self._bench.processor, self._bench.stage in self._bench.left_out)
                self._tell()  # before the sound is made
                self._bench.set_from_start(**self.steps[0].settings)
            else:
                (processor, left_out), self._present = self._present, None
                self._bench.put_back(self._bench.stage, processor)
                if left_out:
                    self._bench.leave_out()
        finally:
            self._going = False
        self._tell()

    def _forget_comparison(self):
        self._present = None
        self._compare.value = False

    def begin(self) -> None:
        """Remember how the stage is set, and put its first step on the bench if it has several."""
        self._say.value = '<div class="vocomp-step" role="status">Listening through the steps …</div>'
        self._own = (self._bench.stage, self._bench.processor)
        self._place = 0
        if not self._alone:
            self.go(0)
        else:  # a stage without a step that could be heard is presented as it is set
            self._bench.put_back(*self._own)
            self._ask_step()

    def end(self) -> None:
        """Bring back the settings from before the first step, and show everything again."""
        self._forget_comparison()
        own, self._own = self._own, None
        self._place, self._guess.value, self._count.value = 0, False, False
        if own is not None:
            self._bench.put_back(*own)

    def moved(self) -> None:
        """Say so if a control has been moved by hand since the step."""
        if self._own is not None and not self._going:
            self._tell()

    def _hold_back(self, on):
        self._bench.hold_back_numbers(on)
        self._tell()

    def _open_tally(self, on):
        self._tally_box.layout.display = None if on else "none"
        self._bench.make_room(on)

    def _tell(self):
        steps, step = self.steps, self.step
        now = self._bench.processor if self._present is None else self._present[0]
        as_step = now == dataclasses.replace(self._bench.first_processor, **step.settings)
        held, at_first = self._guess.value, self._place == 0 and as_step
        name = "guess first" if held else step.name if as_step else f"{step.name}, then changed by hand"
        if self._alone and not held:
            name = "as it is set"
        self._first.disabled = self._compare.disabled = at_first or self._alone
        self._back.disabled, self._next.disabled = self._place == 0, self._place >= len(steps) - 1
        # The picture may be about the whole chain then.
        measured = f"Measured of “{self._bench.stage}” alone:" if self._bench.whole_chain else "Measured:"
        answer = step.answer.replace("Measured:", measured, 1)
        more = [HELD_BACK] if held else [answer] if as_step and answer else []
        if self._present is not None:
            more = ["Now the first step is playing. Press “Play the first step” again to be back at this one."]
        if self._alone:
            more.append("No other step would be heard on this clip: move a control by hand.")
        lines = "".join(f'<span class="vocomp-answer">{html.escape(line)}</span>' for line in more)
        self._say.value = (
            f'<div class="vocomp-step" role="status"><b>{self._place + 1} of {len(steps)}: {html.escape(name)}.</b> '
            f"{html.escape(step.listen_for)}{lines}</div>"
        )

    def _on_answers(self, text):
        try:
            self.tally = Tally.reading(text)
        except ValueError as error:
            self._counted.value = error_html(error)
            return
        self._ask_hands()

    def _ask_step(self):
        """The answers of the step for the tally, or those that stand there, and no hands yet."""
        self.tally = Tally(self.step.answers or self.tally.answers)
        self._answers.value = ", ".join(self.tally.answers)
        self._ask_hands()

    def _ask_hands(self):
        def counting(answer):
            box = widgets.BoundedIntText(
                value=0, min=0, max=MOST_HANDS, description=answer, style={"description_width": "initial"}
            )
            box.layout.width = "auto"
            box.add_class("vocomp-hands")

            def counted(change):
                self.tally = self.tally.with_hands(answer, change["new"])
                self._show_tally()

            box.observe(counted, "value")
            return box

        self._hands.children = [counting(answer) for answer in self.tally.answers]
        self._show_tally()

    def _show_tally(self):
        self._counted.value = f'<div class="vocomp-step" role="status">{self.tally.to_html()}</div>'
