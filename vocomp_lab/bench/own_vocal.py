"""Loading your own voice into a lesson, by recording it, dropping it on the page, choosing it, or typing its path; measuring it;
and the backing track that goes with it."""

from __future__ import annotations

import html
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import ipywidgets as widgets
from IPython.display import HTML, display

from vocomp_lab.bench.file_box import FileBox, load_within_limits
from vocomp_lab.bench.recorder import take_recorder
from vocomp_lab.bench.style import STYLE
from vocomp_lab.bench.voice_choice import BOX_STYLE, DROP_TEXT, singers_menu
from vocomp_lab.lessons.band import VERSE_BAND, WORKBOOKS, band_of, leave_backing, take_backing
from vocomp_lab.lessons.chosen import choose_file, choose_voice, folder_of_clip
from vocomp_lab.lessons.course import Lesson, begin
from vocomp_lab.lessons.recording import save_take
from vocomp_lab.lessons.report import examine
from vocomp_lab.lessons.unkept import NotKept
from vocomp_lab.singer.song import DATA_FOLDER
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import shown

_WORKBOOKS_BAND = DATA_FOLDER / f"{VERSE_BAND}.flac"


class OwnVocal(FileBox):
    """A place on the page to make or load a recording, and what it measures; and a second one for its backing track.

    Parameters
    ----------
    lesson : Lesson
        From :func:`vocomp_lab.lessons.course.begin`. Its clip stays loaded until another one is.

    Attributes
    ----------
    clip : Clip
        The recording that is loaded.
    name : str
        The file's name, or the name of the clip that the lesson began with.
    report : RecordingReport
        Its measurements.
    backing : BackingBox
        The place for the backing track; ``own.backing.load(path)`` loads one from code.

    Notes
    -----
    Put it last in a cell to show it. It loads up to 20 minutes, 32 channels and 67 million samples. If a file can't be
    loaded it says why in one sentence, and what was loaded before stays. A take that is recorded here and kept becomes a
    24-bit FLAC file in the folder in which Python runs. A backing track is kept with the voice, for every lesson.
    What is loaded is the voice that all lessons are about from then on.
    """

    def __init__(self, lesson: Lesson):
        if not isinstance(lesson, Lesson):
            raise ValueError(
                f"lesson: {shown(lesson)} is not allowed; give a lesson, such as begin('09_your_own_vocal')."
            )
        super().__init__("Choose a file", "or its path", "my_take.wav")
        self._first = self._lesson = lesson
        self._recorder = take_recorder(self._keep)
        self.backing = BackingBox(self)
        self._measured = widgets.HTML()
        self.widget.children = (
            *self.widget.children, singers_menu(self._sing), self.backing.widget, self._measured, *self._recorder.widgets,
        )  # fmt: skip
        self.widget.add_class("vocomp-load")
        self._take(lesson.clip, lesson.clip_name, lesson)

    @property
    def lesson(self) -> Lesson:
        """The lesson, begun with the recording that is loaded now."""
        if self._lesson is None:
            self._lesson = replace(begin(self._first.name, self.clip, self._states), about=self.name)
        return self._lesson

    def load(self, path) -> "OwnVocal":
        """Load a sound file by its path.

        Raises
        ------
        FileNotFoundError
            If there is no such file.
        ValueError
            If it is no sound file, is too long, or has too many channels. What was loaded before stays.
        """
        clip, name, amiss = load_within_limits(path)
        self._take(clip, name, None)
        try:
            self._choose(lambda: choose_file(Path(path), clip, self._states, name), amiss)
        except ValueError:  # nobody sings: the report says so, and the other lessons keep their voice
            return self
        self.backing.say_which()
        return self

    def _sing(self, name: str):
        def take():
            lesson = begin(self._first.name, name, self._states)
            self._take(lesson.clip, lesson.clip_name, lesson)
            self._choose(lambda: choose_voice(name, self._states))

        self._try(take)

    def _choose(self, keep, amiss: str = ""):
        """Have all other lessons be about what is loaded; where that can't be kept, this lesson goes on all the same."""
        try:
            keep()
            told = "All other lessons are about it, too."
        except NotKept as error:
            told = f"The other lessons keep their voice. {error}"
        self._say(f"{self.name} is loaded. Now run the cells below. {told}{amiss}")

    @property
    def _states(self) -> Path:
        """The folder of all sheets."""
        return self._first.folder.parent

    @property
    def stays(self) -> str:
        """One sentence: what is still there after a file that was refused."""
        return f"{self.name} stays loaded."

    def _keep(self, clip: Clip, started: datetime) -> str:
        """Keep a take that was recorded in the page: in a file, and loaded from it as any other."""
        path = save_take(clip, Path.cwd(), started)
        self._try(lambda: self.load(path))
        return f"Kept as {path.name}, beside this notebook."

    def _take(self, clip: Clip, name: str, lesson: Lesson | None):
        report = examine(clip)
        self.clip, self.name, self.report, self._lesson = clip, name, report, lesson
        self._measured.value = (
            f'<div class="vocomp-own"><p><b>Loaded: {html.escape(name)}</b></p>{report.to_html()}</div>'
        )
        self._say(f"{name} is loaded." + (" Now run the cells below." if lesson is None else ""))
        self.backing.say_which()

    @property
    def is_workbooks(self) -> bool:
        """Whether the voice that is loaded is one of the workbook's, which has its band."""
        return self.truth is not None

    @property
    def truth(self) -> dict | None:
        """What is known of the voice that is loaded, if it is one of the workbook's."""
        return self._lesson.truth if self._lesson else None

    @property
    def folder(self) -> Path:
        """Where what was kept for the voice that is loaded lies."""
        return self._lesson.folder if self._lesson else folder_of_clip(self.clip, self._states)

    def begin_anew(self) -> None:
        """Have the lesson begin again, with the band that its voice has now."""
        if self._lesson is not None:
            self._lesson = self._lesson.with_its_band()

    def _ipython_display_(self):
        voice = self.drop_html("Drop a sound file here", DROP_TEXT)
        band = self.backing.drop_html(
            "Drop its backing track here",
            "The band to this voice, if there is one: drop its file here (mono or stereo).",
        )
        display(HTML(f"{self._recorder.html()}{STYLE}{BOX_STYLE}{voice}{band}"))
        display(self.widget)


class BackingBox(FileBox):
    """The place for the backing track that goes with a voice.

    Parameters
    ----------
    own : OwnVocal
        Knows the voice.
    """

    def __init__(self, own: OwnVocal):
        super().__init__("Choose the band", "or its path", "my_band.wav")
        self._own = own
        workbooks = widgets.Button(
            description="The workbook's band", tooltip="For a voice that was sung to it, such as one recorded above"
        )
        workbooks.on_click(lambda _: self._try(lambda: self._load(_WORKBOOKS_BAND, WORKBOOKS)))
        none = widgets.Button(description="No band", tooltip="Go on without; the file and its place stay")
        none.on_click(lambda _: self._try(self.leave))
        for button in (workbooks, none):
            button.layout.width = "auto"
        self._row.children = (*self._row.children, workbooks, none)

    def load(self, path) -> "BackingBox":
        """Keep a sound file as the backing track of the voice that is loaded.

        Raises
        ------
        FileNotFoundError
            If there is no such file.
        ValueError
            If it is no sound file, too long, silent or of more than two channels, or the voice is one of the workbook's. The
            backing track that was there before stays.
        """
        return self._load(path)

    def _load(self, path, name: str | None = None) -> "BackingBox":
        if self._own.is_workbooks:
            raise ValueError(
                "backing: the workbook's voice has its own band; load or record your own voice first, then its backing track."
            )
        clip, file_name, amiss = load_within_limits(path)
        take_backing(self._own.clip, self._own.folder, clip, name or file_name)
        self._own.begin_anew()
        self.say_which(amiss)
        return self

    def leave(self) -> "BackingBox":
        """Go on without the backing track. Its file and its place stay, for when it is loaded again."""
        leave_backing(self._own.folder)
        self._own.begin_anew()
        self.say_which()
        return self

    def say_which(self, also: str = "") -> None:
        """Say in the page which band goes with the voice that is loaded, and something else behind it."""
        band = band_of(self._own.clip, self._own.folder, self._own.truth)
        if band is None:
            text = (
                "This voice has no band yet. Load its backing track here, and every lesson can play the voice with it."
            )
        else:
            name = band.name[0].upper() + band.name[1:] if band.name == WORKBOOKS else band.name
            text = f"{name} goes with this voice"
            text += ", in every lesson. Now run the cells below." if band.is_own else "."
        self._say(text + also)

    @property
    def stays(self) -> str:
        """One sentence: what is still there after a file that was refused."""
        return "What was loaded stays."
