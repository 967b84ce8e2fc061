"""A row of buttons on a bench that put prepared settings on a stage: candidates to try one after the other."""

from __future__ import annotations

from typing import Callable

import ipywidgets as widgets


class Offers:
    """Buttons for the settings that a lesson offers for one stage.

    Parameters
    ----------
    stage : str
        The stage that they are for; the row is hidden while another one is shown.
    processor : processor
        That stage as the bench begins with it.
    offers : dict of str to processor
        What each button says, and the settings that it sets: of the same kind as the stage's.
    choose : function
        Gets the settings of the button that was clicked.

    Attributes
    ----------
    buttons : dict of str to ipywidgets.Button
    widget : ipywidgets.Widget

    Raises
    ------
    ValueError
        If an offer is of another kind than the stage.
    """

    def __init__(self, stage: str, processor, offers: dict[str, object], choose: Callable[[object], None]):
        self._stage = stage
        for name, offer in offers.items():
            if type(offer) is not type(processor):
                raise ValueError(
                    f"offers: {name!r} is a {type(offer).__name__}; give settings of the stage {stage!r}, which is a "
                    f"{type(processor).__name__}."
                )
        self.buttons = {name: self._button(name, offer, choose) for name, offer in offers.items()}
        row = [widgets.Label("Set it to"), *self.buttons.values()]
        self.widget = widgets.HBox(row if offers else [], layout=widgets.Layout(flex_flow="row wrap"))
        self.show(stage)

    @staticmethod
    def _button(name: str, offer, choose) -> widgets.Button:
        button = widgets.Button(description=name, tooltip=f"Set the controls to {name}", layout={"width": "auto"})
        button.on_click(lambda _: choose(offer))
        return button

    def show(self, stage: str) -> None:
        """Show the row if it is for this stage."""
        self.widget.layout.display = None if self.buttons and stage == self._stage else "none"
