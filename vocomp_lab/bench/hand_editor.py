"""The list beside a picture that is edited by hand, with fields for the chosen entry and buttons: by keyboard, or by mouse.

What is dragged in the picture comes from ``by_hand.js`` as a line of JSON in a hidden text field.
"""

from __future__ import annotations

import html
import json

import ipywidgets as widgets

from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.lessons.controls import Control

NEW = ("new", 0)
"""The entry of the list for something that is typed in."""


class HandEditor:
    """Shows the list of a bench, and asks the bench to change it.

    Parameters
    ----------
    bench : HandBench
        Has ``clip``, ``processor``, ``window``, ``edit(change, chosen)``, ``undo()``, ``redo()``, ``refuse(error)`` and
        ``choose()``.
    player : PagePlayer
        Finds the parts in the page.
    controls : dict of str to Control
        The fields for the chosen entry.
    heading : str
        What the list holds.
    note : str
        Stands under the buttons.

    Attributes
    ----------
    widget : ipywidgets.Widget
    chosen : (str, int)
        The chosen entry of the list: its kind and number, or ``NEW``.
    """

    field = ""
    """The setting of the processor that is edited."""
    new_text = ""
    """How the list calls ``NEW``."""
    rows = 6
    """How many entries of the list are in sight."""

    def __init__(self, bench, player: PagePlayer, controls: dict[str, Control], heading: str, note: str = ""):
        self._bench = bench
        self._quiet = False
        self._answered, self._seen = None, None
        self.chosen = NEW
        self.controls = controls
        self.typed = {name: self._field(name, control) for name, control in controls.items()}
        self.list = player.part(
            widgets.Select(description="", rows=self.rows, layout=widgets.Layout(width="390px")), "list"
        )
        self.list.observe(lambda change: self._on_chosen(change["new"]), "value")
        work = self._work() | {
            "Undo": ("Take back the last change", bench.undo),
            "Redo": ("Make the change again that was taken back", bench.redo),
        }
        self.buttons = {name: self._button(player, name, *how) for name, how in work.items()}
        hidden = widgets.Layout(display="none")
        self.command = player.part(widgets.Textarea(layout=hidden), "command")
        self.command.observe(lambda change: self._on_command(change["new"]), "value")
        self.state = player.part(widgets.HTML(layout=hidden), "edited")
        wrap = widgets.Layout(flex_flow="row wrap")
        fields, buttons = (widgets.HBox(list(row.values()), layout=wrap) for row in (self.typed, self.buttons))
        self._asides = asides = (widgets.HTML(), widgets.HTML())
        self.entitle(heading, note)
        for aside in asides:
            aside.add_class("vocomp-aside")
        self.widget = widgets.HBox(
            [
                widgets.VBox([asides[0], self.list]),
                widgets.VBox([fields, buttons, asides[1]], layout=widgets.Layout(flex="1 1 420px")),
                self.command,
                self.state,
            ],
            layout=widgets.Layout(flex_flow="row wrap", max_width="1120px"),
        )
        self.widget.add_class("vocomp-editor")
        player.part(self.widget, "editor")

    def entitle(self, heading: str, note: str = "") -> None:
        """Say what the list holds, and what stands under the buttons."""
        self._heading = heading
        self._asides[0].value = f"<b>{heading}</b>"
        self._asides[1].value = f'<div class="vocomp-step">{note}</div>' if note else ""

    # ---- what each kind of list says ----------------------------------------------------------------------------

    def _work(self) -> dict:
        """What each button says when pointed at, and does."""
        raise NotImplementedError

    def _entries(self) -> list[tuple[tuple[str, int], object, str]]:
        """What the list holds, in order of time: key, thing and text."""
        raise NotImplementedError

    def _is_at(self, thing, place) -> bool:
        """Whether a thing of the list is the one at a place, as :meth:`chosen_place` gives it."""
        raise NotImplementedError

    def chosen_place(self):
        """Where the chosen thing is; None for a new one."""
        raise NotImplementedError

    def _after_new(self) -> list[tuple[tuple[str, int], object, str]]:
        """What the list holds behind ``NEW``, as :meth:`_entries` gives it. What is chosen of it stays chosen."""
        return []

    def _otherwise(self, entries) -> tuple[str, int]:
        """What to choose where nothing is at the place that was asked for."""
        return NEW

    def _values(self) -> dict[str, float]:
        """What the fields show for the chosen entry."""
        raise NotImplementedError

    def _is_shut(self, name: str) -> bool:
        """Whether nothing can be typed into a field."""
        return False

    def _shut_buttons(self) -> dict[str, bool]:
        """Which buttons can't do anything now."""
        raise NotImplementedError

    def _changed(self, name: str, value: float) -> None:
        """What a number typed for the chosen thing does."""
        raise NotImplementedError

    def _obey(self, command: dict) -> None:
        """What the mouse or a key did in the picture; the page sends what the script of this kind sends."""
        raise NotImplementedError

    def _state(self) -> dict:
        """What the page should know besides the times in sight."""
        raise NotImplementedError

    # ---- what is listed, and what is chosen ---------------------------------------------------------------------

    def fill(self, place) -> None:
        """List everything, and choose what is at a place."""
        entries = self._entries()
        at_place = (key for key, thing, _ in entries if place is not None and self._is_at(thing, place))
        after = self._after_new()
        if self.chosen not in [key for key, _, _ in after]:
            self.chosen = next(at_place, None) or self._otherwise(entries)
        was, self._quiet = self._quiet, True
        try:
            before, behind = ([(text, key) for key, _, text in part] for part in (entries, after))
            self.list.options = [*before, (self.new_text, NEW), *behind]
            self.list.value = self.chosen
        finally:
            self._quiet = was
        self.show_fields()

    def thing_of(self, key):
        """The thing of an entry; None for a new one."""
        listed = (*self._entries(), *self._after_new())
        return next((thing for entry, thing, _ in listed if entry == key), None)

    def show_fields(self) -> None:
        """Put the chosen entry's numbers into the fields, and turn off the buttons that can't do anything."""
        values = self._values()
        was, self._quiet = self._quiet, True
        try:
            for name, typed in self.typed.items():
                typed.value = self.controls[name].text(round(values[name], 3 if name.endswith("_s") else 1))
                typed.disabled = self._is_shut(name)
        finally:
            self._quiet = was
        shut = self._shut_buttons() | {"Undo": not self._bench.can_undo, "Redo": not self._bench.can_redo}
        for name, is_shut in shut.items():
            self.buttons[name].disabled = is_shut

    def send(self, window, time_box) -> None:
        """Tell the page where everything is, for the mouse, and which of its commands was answered last."""
        self._seen = window, time_box
        state = self._state() | {
            "label": self._heading,
            "window": [window.start_s, window.end_s],
            "time_box": time_box,
            "answered": self._answered,
        }
        self.state.value = f"<span>{html.escape(json.dumps(state), quote=False)}</span>"

    # ---- what is typed, chosen and dragged ----------------------------------------------------------------------

    def _field(self, name: str, control: Control) -> widgets.Text:
        typed = widgets.Text(
            description=f"{control.label} ({control.unit})", continuous_update=False,
            layout=widgets.Layout(width="172px"), style={"description_width": "80px"},
        )  # fmt: skip
        typed.observe(lambda change: self._on_field(name, change["new"]), "value")
        return typed

    def _button(self, player: PagePlayer, name: str, tooltip: str, work) -> widgets.Button:
        button = widgets.Button(description=name, tooltip=tooltip, layout=widgets.Layout(width="auto"))
        button.on_click(lambda _: self._pressed(work))
        return player.part(button, name.lower().replace(" ", "-"))

    def _pressed(self, work) -> None:
        try:
            work()
        except ValueError as error:
            self._bench.refuse(error)

    def _read(self, name: str) -> float:
        return self.controls[name].read(self.typed[name].value)

    def _on_chosen(self, key) -> None:
        if self._quiet or key is None:
            return
        self.chosen = tuple(key)
        self.show_fields()
        self._bench.choose()

    def _on_field(self, name: str, text: str) -> None:
        if self._quiet or self.chosen == NEW or self._is_shut(name):
            return
        try:
            value = self.controls[name].read(text)
        except ValueError as error:
            self._bench.refuse(error)
            return
        self._changed(name, value)

    def _on_command(self, text: str) -> None:
        try:
            command = json.loads(text)
            self._answered = dict(command).get("number")
            self._obey(command)
        except (ValueError, TypeError, KeyError, IndexError):
            pass  # the page sends no such thing, or means something that is gone
        # The page waits for an answer, also where nothing was done.
        if self._seen is not None:
            self.send(*self._seen)
