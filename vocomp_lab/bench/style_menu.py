"""A menu of the cards for styles and situations, with the chosen card under it."""

from __future__ import annotations

import html

import ipywidgets as widgets
from IPython.display import display

from vocomp_lab.bench.older import OLDER_THAN_CARD, OlderLine
from vocomp_lab.bench.style import STYLE
from vocomp_lab.lessons.styles import STYLES, style_named

NO_CARD = "none: as the lessons propose"
_NONE = ""  # a menu that is set to None shows nothing at all


class StyleMenu:
    """Lets a student choose one of ``vocomp_lab.lessons.styles.STYLES``, and shows what it says.

    Parameters
    ----------
    style : str, optional
        The card that is chosen at first; by default none.

    Raises
    ------
    ValueError
        If there is no such card.

    Notes
    -----
    Put it last in a cell to show it. ``menu.style`` is the name of the chosen card, or None.
    """

    def __init__(self, style: str | None = None):
        card = style_named(style)
        self._older_lines: list[OlderLine] = []
        self._menu = widgets.Dropdown(
            options=[(NO_CARD, _NONE), *((name, name) for name in STYLES)],
            description="Style or situation",
            style={"description_width": "initial"},
            layout=widgets.Layout(width="480px", max_width="100%"),
        )
        self._card = widgets.HTML()
        self._menu.observe(lambda _: self._answer(), "value")
        self.widget = widgets.VBox([widgets.HTML(STYLE), self._menu, self._card])
        self.widget.add_class("vocomp-bench")
        self.style = card
        self._answer()

    @property
    def style(self) -> str | None:
        """Name of the chosen card; None for none."""
        return self._menu.value or None

    @style.setter
    def style(self, value: str | None):
        card = style_named(value)
        self._menu.value = _NONE if card is None else card.name

    def say_when_older(self) -> None:
        """Show a line in a cell further down: once another card is chosen, it says that the cell is older than the card.

        Its button runs that cell and all below it again.
        """
        line = OlderLine(lambda: self.style, OLDER_THAN_CARD)
        self._older_lines.append(line)
        display(line.widget)

    def _answer(self):
        for line in self._older_lines:
            line.look()
        lines = [] if self.style is None else str(STYLES[self.style]).splitlines()
        told = "".join(f"<div>{html.escape(line)}</div>" for line in lines)
        self._card.value = f'<div class="vocomp-step">{told}</div>' if told else ""

    def _ipython_display_(self):
        display(self.widget)
