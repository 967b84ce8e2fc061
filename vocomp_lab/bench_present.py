"""The presenter's mode of a bench: large type, prepared steps, numbers held back until the class has guessed, and a tally.

How a teacher uses it is said in ``00_start_here`` and in the teaching notes of each lesson.
"""

from __future__ import annotations

import html

import ipywidgets as widgets

from vocomp_lab.scenarios import Scenario, scenarios_for
from vocomp_lab.tally import MOST_HANDS, Tally

FIRST_ANSWERS = "before, after, no difference"


class PresenterBar:
    """The bar above a bench's controls that a teacher steps with.

    Parameters
    ----------
    bench : Bench
        Has ``first_processor``, ``set_from_start(**settings)`` and ``hold_back_numbers(flag)``.
    scenarios : sequence of Scenario, optional
        Steps for the stage that the bench starts with. Without them, and for other stages, those of :func:`scenarios_for`.

    Attributes
    ----------
    widget : ipywidgets.Widget
    tally : Tally
    """

    def __init__(self, bench, scenarios=None):
        self._bench = bench
        self._given = None if scenarios is None else tuple(scenarios)
        if self._given is not None and not all(isinstance(step, Scenario) for step in self._given):
            raise ValueError("scenarios: give a list of Scenario objects.")
        self._given_stage = bench.stage
        self._place = 0
        self.tally = Tally.reading(FIRST_ANSWERS)
        auto = widgets.Layout(width="auto")
        self._back = widgets.Button(description="Previous step", layout=auto)
        self._next = widgets.Button(description="Next step", layout=auto)
        self._guess = widgets.ToggleButton(value=False, description="Hold the numbers back", layout=auto)
        self._say = widgets.HTML()
        self._back.on_click(lambda _: self.go(self._place - 1))
        self._next.on_click(lambda _: self.go(self._place + 1))
        self._guess.observe(lambda change: self._hold_back(change["new"]), "value")
        self._answers = widgets.Text(
            value=FIRST_ANSWERS, description="Answers", continuous_update=False, layout=widgets.Layout(width="520px"),
            tooltip="What the class may guess, with commas between the answers",
        )  # fmt: skip
        self._answers.observe(lambda change: self._on_answers(change["new"]), "value")
        self._hands = widgets.HBox(layout=widgets.Layout(flex_flow="row wrap"))
        self._counted = widgets.HTML()
        tally = widgets.VBox([self._answers, self._hands, self._counted])
        self.widget = widgets.VBox(
            [
                widgets.HBox([self._back, self._next, self._guess], layout=widgets.Layout(flex_flow="row wrap")),
                self._say,
                widgets.Accordion([tally], titles=("Tally of guesses",), selected_index=None),
            ],
            layout=widgets.Layout(max_width="1120px"),
        )
        self._ask_hands()
        self._tell()

    @property
    def steps(self) -> tuple[Scenario, ...]:
        """The steps of the stage whose controls are shown."""
        if self._given is not None and self._bench.stage == self._given_stage:
            return self._given
        return scenarios_for(self._bench.first_processor)

    @property
    def step(self) -> Scenario:
        """The step that is on the bench now."""
        return self.steps[self._place]

    def go(self, place: int) -> None:
        """Put a step on the bench, by its place from 0; before the first and after the last there is none."""
        if not 0 <= place < len(self.steps):
            return
        self._place = place
        self._bench.set_from_start(**self.step.settings)
        self._count_anew()
        self._tell()

    def start_again(self) -> None:
        """Back to the first step, for another stage; nothing is held back."""
        self._place, self._guess.value = 0, False
        self._tell()

    def _hold_back(self, on):
        self._bench.hold_back_numbers(on)
        self._tell()

    def _tell(self):
        steps, step = self.steps, self.step
        name = "guess first" if self._guess.value else step.name
        self._back.disabled, self._next.disabled = self._place == 0, self._place == len(steps) - 1
        self._say.value = (
            f'<div class="vocomp-step" role="status"><b>{self._place + 1} of {len(steps)}: {html.escape(name)}.</b> '
            f"{html.escape(step.listen_for)}</div>"
        )

    def _on_answers(self, text):
        try:
            self.tally = Tally.reading(text)
        except ValueError as error:
            self._counted.value = f'<div class="vocomp-error" role="alert">{html.escape(str(error))}</div>'
            return
        self._ask_hands()

    def _count_anew(self):
        self.tally = Tally(self.tally.answers)
        self._ask_hands()

    def _ask_hands(self):
        def counting(answer):
            box = widgets.BoundedIntText(value=0, min=0, max=MOST_HANDS, description=answer, style={"description_width": "initial"})
            box.layout.width = "auto"

            def counted(change):
                self.tally = self.tally.with_hands(answer, change["new"])
                self._show_tally()

            box.observe(counted, "value")
            return box

        self._hands.children = [counting(answer) for answer in self.tally.answers]
        self._show_tally()

    def _show_tally(self):
        self._counted.value = f'<div class="vocomp-step" role="status">{html.escape(str(self.tally))}</div>'
