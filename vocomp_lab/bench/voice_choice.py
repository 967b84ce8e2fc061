"""Choosing the voice that all lessons are about: one of the workbook's singers, a file, or a take recorded in the page."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import ipywidgets as widgets
from IPython.display import HTML, display

from vocomp_lab.bench.file_box import FileBox, load_within_limits
from vocomp_lab.bench.recorder import take_recorder
from vocomp_lab.bench.style import STYLE
from vocomp_lab.lessons.chosen import (
    SINGERS, STATE_FOLDER, Choice, WORKBOOKS_VOICE, choose_file, choose_voice, of_lessons, read_choice,
)  # fmt: skip
from vocomp_lab.lessons.recording import save_take
from vocomp_lab.lessons.report import in_short
from vocomp_lab.sound.audio import Clip, check_path

_NONE = ""  # a menu that is set to None shows nothing at all
BOX_STYLE = """<style>
.vocomp-drop{font-family:var(--jp-ui-font-family,sans-serif);font-size:14px;color:var(--jp-ui-font-color1,#111);
 max-width:1098px;
 border:2px dashed var(--jp-border-color0,#888);border-radius:4px;padding:12px;margin:4px 0;text-align:center}
.vocomp-drop[data-over]{border-color:#0072B2;border-style:solid}
.vocomp-own{color:var(--jp-ui-font-color1,#111);max-width:1120px;line-height:1.4;font-size:14px}
.vocomp-own table{border-collapse:collapse;font-size:13px}
.vocomp-own td,.vocomp-own th{text-align:left;vertical-align:top;padding:2px 10px 2px 0;
 border-bottom:1px solid var(--jp-border-color2,#ccc); white-space:normal;font-weight:normal}
.vocomp-own td:first-child{white-space:nowrap}
.vocomp-own tbody th{font-weight:600}
.vocomp-own .wrong{border-left:5px solid #D55E00;padding:2px 8px}
</style>"""
DROP_TEXT = "Or drop a sound file here (WAV, FLAC, AIFF or OGG), or use the button below."


def singers_menu(chosen: Callable[[str], None]) -> widgets.Dropdown:
    """A menu of the workbook's voices. It calls `chosen` with the name of a clip, and then says "choose" again."""
    menu = widgets.Dropdown(
        options=[("choose one", _NONE), *((spoken, name) for name, spoken in SINGERS.items())],
        value=_NONE,
        description="Or a singer of the workbook",
        style={"description_width": "initial"},
        layout=widgets.Layout(width="520px", max_width="100%"),
    )

    def answer(change):
        if change["new"] != _NONE:
            chosen(change["new"])
            menu.value = _NONE  # lets the same one be chosen again, after a file

    menu.observe(answer, "value")
    return menu


class VoiceChoice(FileBox):
    """A place on the page to choose the voice that all lessons are about.

    Parameters
    ----------
    folder : path, optional
        Where the sheets are kept, as for :func:`vocomp_lab.lessons.course.begin`.

    Attributes
    ----------
    choice : Choice
        The voice that is chosen now.

    Notes
    -----
    Put it last in a cell to show it. What it can't take it refuses in one sentence, and the choice stays. A file is copied
    beside its sheets; a take that is recorded here becomes a 24-bit FLAC file beside the notebook, too.
    """

    def __init__(self, folder=None):
        super().__init__("Choose a file", "or its path", "my_take.wav")
        self._parent = of_lessons() / STATE_FOLDER if folder is None else check_path(folder, "folder", "folder")
        self._recorder = take_recorder(self._keep)
        menu = singers_menu(lambda name: self._try(lambda: self._take(choose_voice(name, self._parent))))
        self.widget.children = (*self.widget.children, menu, *self._recorder.widgets)
        self.widget.add_class("vocomp-load")
        kept = read_choice(self._parent)
        self.choice = kept if isinstance(kept, Choice) else Choice(WORKBOOKS_VOICE)
        if isinstance(kept, str):
            self._refuse(f"{kept[0].upper()}{kept[1:]}.")
        else:
            self._say(f"All lessons are about this voice: {self.choice.spoken}.")

    def load(self, path) -> "VoiceChoice":
        """Choose a sound file by its path.

        Raises
        ------
        FileNotFoundError
            If there is no such file.
        ValueError
            If it is no sound file, is too long, has too many channels, or nobody sings in it. The choice stays.
        """
        clip, name, amiss = load_within_limits(path)
        self._take(choose_file(Path(path), clip, self._parent, name), f" ({in_short(clip)})", amiss)
        return self

    @property
    def stays(self) -> str:
        """One sentence: what is still there after a file that was refused."""
        return f"The voice stays {self.choice.spoken}."

    def _take(self, choice: Choice, what: str = "", also: str = ""):
        self.choice = choice
        self._say(
            f"All lessons are about {choice.spoken}{what} from now on. A lesson that is open: run its cells again.{also}"
        )

    def _keep(self, clip: Clip, started: datetime) -> str:
        path = save_take(clip, Path.cwd(), started)
        self._try(lambda: self.load(path))
        return f"Kept as {path.name}, beside this notebook."

    def _ipython_display_(self):
        display(HTML(f"{self._recorder.html()}{STYLE}{BOX_STYLE}{self.drop_html('Drop a sound file here', DROP_TEXT)}"))
        display(self.widget)
