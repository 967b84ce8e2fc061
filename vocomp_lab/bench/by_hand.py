"""A bench for what a hand does to a clip: a stage that holds a list, an editor for it, and every change can be undone."""

from __future__ import annotations

import ipywidgets as widgets
from IPython.display import HTML, display

from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.hand_editor import HandEditor
from vocomp_lab.bench.player import page_script
from vocomp_lab.pictures.panels import Window


class HandBench(Bench):
    """A bench whose stage is a list that is edited by hand: regions of gain, or the points of a ride.

    A kind of it says how its editor is made (``_make_editor``), what the bar above the bench offers (``_BAR``), and which
    script reads the mouse (``_SCRIPT``).
    """

    _BAR = ""
    _SCRIPT = ""

    def __init__(self, clip, processor, **options):
        self._past: list = []
        self._future: list = []
        self._travelling = False
        self._last_touched = None
        self._chosen_next = None
        self._list_due = False
        self._editor: HandEditor | None = None
        super().__init__(clip, processor, **options)

    def _make_editor(self) -> HandEditor:
        raise NotImplementedError

    # ---- what a notebook does -----------------------------------------------------------------------------------

    def undo(self) -> "HandBench":
        """Take back the last change, if there is one."""
        return self._travel(self._past, self._future)

    def redo(self) -> "HandBench":
        """Make the change again that was taken back last, if there is one."""
        return self._travel(self._future, self._past)

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to take back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether there is a change to make again."""
        return bool(self._future)

    @property
    def _revealing(self) -> list[widgets.Widget]:
        return [*super()._revealing, self._editor.widget]

    def make_room(self, on: bool = True) -> None:
        super().make_room(on)
        self._editor.widget.layout.display = "none" if self._crowded or self._held_back else None

    # ---- what the editor asks for -------------------------------------------------------------------------------

    @property
    def window(self) -> Window:
        """The stretch of time in sight."""
        return self._view.window

    def edit(self, change, chosen=None) -> None:
        """Make a change from the page. If it is not allowed the bench says why, and nothing changes.

        Parameters
        ----------
        change : function from processor to processor
        chosen : optional
            What the editor is to choose afterwards.
        """
        try:
            processor = change(self.processor)
        except ValueError as error:
            self.refuse(error)
            return
        self._chosen_next = chosen
        self._set(processor)

    def refuse(self, error: ValueError) -> None:
        """Say why a change is not allowed, and show the numbers that stay in force."""
        text = str(error)
        for control in self._editor.controls.values():
            text = text.replace(f"{control.field}:", f"{control.label}:", 1)
        self._say_error(text.replace(f"{self._editor.field}:", f"{self._editor.field.capitalize()}:", 1))
        self._editor.show_fields()

    def choose(self) -> None:
        """Show which entry of the list is chosen now."""
        self._error.value = ""
        self._refresh()

    # ---- changing -----------------------------------------------------------------------------------------------

    def _travel(self, source: list, target: list) -> "HandBench":
        if source:
            target.append(self._now)
            self._travelling = True
            try:
                self._go_back_to(source.pop())
            finally:
                self._travelling = False
            self._editor.show_fields()
        return self

    @property
    def _now(self):
        """All that can be undone, as it is."""
        return self.processor

    def _go_back_to(self, then) -> None:
        """Bring back what :attr:`_now` once was."""
        self._set(then)

    def _take(self, processor, touched=None, now=True):
        if processor != self.processor and not self._travelling:
            # All moves of one slider are one change.
            if touched is None or touched != self._last_touched:
                self._past.append(self._now)
            self._future.clear()
        self._last_touched = touched
        if self._chosen_next is None:
            self._chosen_next = self._editor.chosen_place()
        self._list_due = True
        super()._take(processor, touched, now)

    def _make_controls(self):
        super()._make_controls()
        if self._editor is None:
            self._editor = self._make_editor()
            self.widget.children = (*self.widget.children[:4], self._editor.widget, *self.widget.children[4:])
            # On a projector the picture needs the room of what is typed here.
            self.widget.add_class("vocomp-by-hand")
            self._editor.fill(None)

    # ---- the picture --------------------------------------------------------------------------------------------

    def _refresh(self):
        if self._list_due:
            self._list_due = False
            chosen, self._chosen_next = self._chosen_next, None
            self._editor.fill(chosen)
        # The list is in the clip's own time, and to turn a clip up and down is quick: always the whole of it.
        try:
            self._show(self._results.whole.stages[self._watched], self._view.window)
        except ValueError as error:
            self._say_error(str(error))

    def _show(self, stage, window, part=False):
        super()._show(stage, window, part)
        self._editor.send(window, self._screen.picture.time_box)

    def _ipython_display_(self):
        super()._ipython_display_()
        scripts = page_script(self._player.id, "lines.js", "playhead.js", "by_hand.js", self._SCRIPT)
        display(HTML(f'<div class="vocomp-by-hand-output">{self._BAR}{scripts}</div>'))


def bar_html(around: str, how: str) -> str:
    """The bar above a picture that is edited with the mouse: whether to play only around what is chosen, and how it works."""
    font = "font-family:var(--jp-ui-font-family,sans-serif);color:var(--jp-ui-font-color1,#111)"
    return (
        f'<div class="vocomp-hand-bar" hidden style="{font};font-size:14px;margin:4px 0">'
        '<label style="display:inline-flex;gap:5px;align-items:center">'
        f'<input type="checkbox" data-part="loop-chosen">{around}</label>'
        f'<span style="font-size:12px;margin-left:14px">{how}</span></div>'
    )
