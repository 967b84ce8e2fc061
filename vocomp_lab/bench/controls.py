"""The controls of one stage: sliders with boxes to type in, and menus. They show settings, and report what is moved."""

from __future__ import annotations

import dataclasses
import math
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Callable

import ipywidgets as widgets

from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.lessons.controls import FIRST_SHOWN, Choice, Control, controls_for

FINE_STEP_DB = 0.2
"""Of a threshold that has goals to meet: with half a decibel, a narrow window may hold a single stop, or none."""


@dataclass(frozen=True)
class Shown:
    """One control in the page: its description, its slider or menu, the box to type in (None for a menu), and all of it."""

    control: Control | Choice
    slider: widgets.Widget
    typed: widgets.Text | None
    whole: widgets.Widget

    def show(self, value) -> None:
        """Make slider and box say a value."""
        if self.typed is None:
            self.slider.value = value
        else:
            self.typed.value = self.control.text(value)
            self.slider.value = self.control.nearest(value)

    @property
    def values(self) -> tuple:
        """What it can be moved to, in order."""
        if self.typed is None:
            return tuple(value for _, value in self.control.options)
        return self.control.stops()

    def place(self, value) -> int:
        """The place of the stop that is nearest to a value."""
        return self.values.index(value) if self.typed is None else self.control.nearest(value)

    @property
    def unit(self) -> str:
        """Its unit as a screen reader should say it: "3 to 1" for a ratio; none for a menu."""
        return getattr(self.control, "unit", "").replace(": 1", "to 1")


class ControlGrid:
    """The controls of the stage that is shown.

    Parameters
    ----------
    player : PagePlayer
        Finds the controls in the page, and names them for screen readers.
    on_value : function (field, value)
        Called when a control is moved by hand.
    on_error : function (field, error)
        Called when what was typed can't be read.

    Attributes
    ----------
    widget : ipywidgets.Widget
    inputs : dict of Shown
        By field, in the order of the processor's controls.
    """

    def __init__(self, player: PagePlayer, on_value: Callable, on_error: Callable):
        self._player, self._on_value, self._on_error = player, on_value, on_error
        self._quiet = False
        self.inputs: dict[str, Shown] = {}
        self.widget = widgets.GridBox()
        self.widget.add_class("vocomp-controls")

    def make(self, processor, fine: bool = False) -> None:
        """Make the controls of a processor, as it is set; with `fine`, a threshold moves in small steps, to fit a goal."""
        self.inputs = {}
        for control in controls_for(type(processor)):
            if fine and control.field == "threshold_db":
                control = dataclasses.replace(control, step=FINE_STEP_DB)
            make = self._menu if isinstance(control, Choice) else self._slider
            self.inputs[control.field] = make(control, getattr(processor, control.field))

    def lay_out(self, kind: type, first, more: bool) -> None:
        """Put the controls into the page: those shown first, and with `more` the others after them."""
        first = [field for field in first or FIRST_SHOWN.get(kind) or self.inputs if field in self.inputs]
        others = [field for field in self.inputs if field not in first] if more else []
        self.widget.children = [self.inputs[field].whole for field in (*first, *others)]

    def show(self, processor, fields) -> None:
        """Make some controls say how a processor is set."""
        with self.quiet():
            for field in fields:
                self.inputs[field].show(getattr(processor, field))

    @contextmanager
    def quiet(self):
        """Within it, no change of a control counts as moved by hand."""
        was, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = was

    @property
    def labels(self) -> dict[str, str]:
        """Each control's name for screen readers, by field."""
        return {
            field: f"{shown.control.label} ({shown.unit})" if shown.unit else shown.control.label
            for field, shown in self.inputs.items()
        }

    @property
    def stops(self) -> dict[str, list]:
        """The values that each control stops at, by field, in order; infinity is ``"inf"``."""
        return {
            field: ["inf" if value == math.inf else value for value in shown.values]
            for field, shown in self.inputs.items()
        }

    def places(self, processor) -> dict[str, int]:
        """Where each control stands for a processor: the place of its stop, by field."""
        return {field: shown.place(getattr(processor, field)) for field, shown in self.inputs.items()}

    @property
    def units(self) -> dict[str, str]:
        """Each control's unit as a screen reader should say it, by field."""
        return {field: shown.unit for field, shown in self.inputs.items()}

    def _menu(self, choice: Choice, value) -> Shown:
        menu = widgets.Dropdown(
            options=choice.options, value=value, description=choice.label, tooltip=choice.help,
            style={"description_width": "112px" if len(choice.label) <= 16 else "initial"}, layout=widgets.Layout(width="96%"),
        )  # fmt: skip
        menu.observe(lambda change: self._moved(choice.field, change["new"]), "value")
        self._player.part(menu, f"menu-{choice.field}")
        return Shown(choice, menu, None, menu)

    def _slider(self, control: Control, value) -> Shown:
        # A slider over a list of values: a float slider would round a typed value to its own steps and send that back.
        stops = control.stops()
        slider = widgets.SelectionSlider(
            options=[(control.text(stop), place) for place, stop in enumerate(stops)],
            description=control.label,
            tooltip=control.help,
            readout=False,
            style={"description_width": "112px"},
            layout=widgets.Layout(flex="1 1 auto", width="auto"),
        )
        typed = widgets.Text(continuous_update=False, layout=widgets.Layout(width="72px"))
        typed.add_class("vocomp-typed")
        unit = widgets.Label(control.unit, layout=widgets.Layout(width="40px"))
        shown = Shown(control, slider, typed, widgets.HBox([slider, typed, unit], layout=widgets.Layout(width="98%")))
        shown.show(value)
        slider.observe(lambda change: self._moved(control.field, stops[change["new"]]), "value")
        typed.observe(lambda change: self._typed(control, change["new"]), "value")
        self._player.part(slider, f"slider-{control.field}")
        self._player.part(typed, f"typed-{control.field}")
        return shown

    def _moved(self, field: str, value) -> None:
        if not self._quiet:
            self._on_value(field, value)

    def _typed(self, control: Control, text: str) -> None:
        if self._quiet:
            return
        try:
            value = control.read(text)
        except ValueError as error:
            self._on_error(control.field, error)
            return
        self._on_value(control.field, value)
