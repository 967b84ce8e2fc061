"""The row on top of a bench: which stage, what is compared, and the buttons; and the links at its foot."""

from __future__ import annotations

from pathlib import Path

import ipywidgets as widgets

_REFERENCE = {"quick_reference.ipynb": "quick reference", "glossary.ipynb": "glossary"}


def reference_links(folder=None) -> str:
    """Links to the pages to look things up in, as HTML that JupyterLab opens in a tab of its own; "" where there are none.

    Parameters
    ----------
    folder : path-like, optional
        That of the notebook; by default the working folder, which is the same in JupyterLab.
    """
    folder = Path.cwd() if folder is None else Path(folder)
    for way in ("reference", "../reference"):  # from a lesson; from an appendix or a homework
        if all((folder / way / name).is_file() for name in _REFERENCE):
            leads = ", ".join(f'<a href="{way}/{name}">{text}</a>' for name, text in _REFERENCE.items())
            return f'<div class="vocomp-reference">To look things up: {leads}</div>'
    return ""


class Toolbar:
    """The bench's menus and buttons.

    Parameters
    ----------
    stages : list of str
        The stages of the chain. A single one gets no menus.
    stage : str
        The one whose controls are shown.
    error : ipywidgets.Widget
        The line for errors, at the end of the row.

    Attributes
    ----------
    stage, compare : ipywidgets.Dropdown
    reset : ipywidgets.Button
    leave_out, more, present : ipywidgets.ToggleButton
    widget : ipywidgets.Widget
    """

    def __init__(self, stages: list[str], stage: str, error: widgets.Widget):
        self.stage = widgets.Dropdown(options=stages, value=stage, description="Stage")
        self.compare = widgets.Dropdown(
            options=[("before and after this stage", "stage"), ("before and after the whole chain", "chain")],
            value="stage",
            description="Compare",
            tooltip="What sound, picture and numbers are about: this stage, or the whole chain from the clip to its end",
            layout=widgets.Layout(width="330px"),
        )
        self.reset = widgets.Button(
            description="Reset", tooltip="Put this stage back to its first settings; other stages stay as they are"
        )
        self.leave_out = widgets.ToggleButton(
            value=False,
            description="Leave it out",
            tooltip="Go on without this stage, and keep the chain without it. Press again, or move a control, to put it back",
        )
        self.more = widgets.ToggleButton(value=False, description="More controls")
        self.present = widgets.ToggleButton(
            value=False,
            description="Present",
            tooltip=(
                "For a projector: large type, prepared steps, hidden numbers, a tally of guesses. "
                "Turning it off brings back your settings"
            ),
        )
        for button in (self.reset, self.leave_out, self.more, self.present):
            button.layout.width = "auto"  # so that the row fits on a laptop
        menus = [self.stage, self.compare] if len(stages) > 1 else []
        self.widget = widgets.HBox(
            [*menus, self.reset, self.leave_out, self.more, self.present, error],
            layout=widgets.Layout(flex_flow="row wrap"),
        )
