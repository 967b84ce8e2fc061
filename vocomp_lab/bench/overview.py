"""One page about a voice: lessons begun and met, what is kept, homework, judgements; and starting again, which can be undone."""

from __future__ import annotations

import html
from pathlib import Path

import ipywidgets as widgets
import numpy as np
from IPython.display import display

from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.bench.style import STYLE
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.exercises.homework import Homework
from vocomp_lab.exercises.sheets import load_sheet
from vocomp_lab.lessons.chosen import STATE_FOLDER, choose_file, choose_voice, of_lessons
from vocomp_lab.lessons.course import LAST, LESSON_STAGES, Lesson, begin
from vocomp_lab.lessons.judgements import read_judgements
from vocomp_lab.lessons.overview import next_lesson, sound_of, standing, start_again, undo, voices
from vocomp_lab.lessons.rounds import next_drill, practice_folder, practice_table, read_rounds
from vocomp_lab.lessons.tables import Html, table_html
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import db_to_amplitude

LISTEN_S = 8.0
ANSWERS = Path("homework") / "answers"
_ALL = ""
_CELLS = "text-align:left;vertical-align:top;padding:2px 16px 2px 0"
_PEAK = db_to_amplitude(-1.0)


def _link(lesson: str) -> Html:
    page = (of_lessons() / f"{lesson}.ipynb").as_posix()
    return Html(f'<a href="{page}">{html.escape(lesson.replace("_", " "))}</a>')


class Overview:
    """Where a student stands with a voice.

    Parameters
    ----------
    lesson : Lesson, optional
        Whose voice it is about at first; by default the one that was chosen for all lessons.

    Attributes
    ----------
    lesson : Lesson
        Lesson 09, begun with the voice that is shown.

    Raises
    ------
    ValueError
        If it is no lesson.

    Notes
    -----
    Put it last in a cell to show it. :meth:`listen` plays what is kept. Goals are measured anew on what counts now, with the
    goals of lessons 04 to 06; whether a lesson taught anything is not for a page to say.
    """

    def __init__(self, lesson: Lesson | None = None):
        if lesson is not None and not isinstance(lesson, Lesson):
            raise ValueError(f"lesson: {type(lesson).__name__} is not allowed; give a lesson from begin, or nothing.")
        self._parent = of_lessons() / STATE_FOLDER if lesson is None else lesson.folder.parent
        self.lesson = begin(LAST, folder=self._parent) if lesson is None else lesson
        width = widgets.Layout(width="auto", min_height="32px")
        self._voice = widgets.Dropdown(
            description="Voice",
            layout=widgets.Layout(width="520px", max_width="100%"),
            style={"description_width": "initial"},
        )
        self._which = widgets.Dropdown(
            options=[("choose a lesson", ""), *((name, name) for name in LESSON_STAGES)],
            description="Lesson", value="", layout=widgets.Layout(width="320px", max_width="100%"),
        )  # fmt: skip
        self._buttons = {
            name: widgets.Button(description=name, tooltip=tip, layout=width)
            for name, tip in (
                ("All lessons about this voice", "Choose the voice that is shown for all lessons"),
                ("Work out homework points", "Judges every answer afresh; it can take some seconds"),
                ("Start this lesson again", "Moves aside what the chosen lesson kept for this voice"),
                ("Start all again", "Moves aside what all lessons kept for this voice"),
                ("Undo", "Brings back what was moved aside last"),
            )
        }
        about, points, one, every, back = self._buttons.values()
        about.on_click(lambda _: self._do(self.choose))
        points.on_click(lambda _: self._do(self.work_out_points))
        one.on_click(lambda _: self._do(lambda: self.start_again(self._which.value)))
        every.on_click(lambda _: self._do(lambda: self.start_again(_ALL, every=True)))
        back.on_click(lambda _: self._do(self.undo))
        self._said, self._tables = widgets.HTML(), widgets.HTML()
        self._points: dict[str, str] = {}
        wrap = widgets.Layout(flex_flow="row wrap")
        self.widget = widgets.VBox(
            [
                widgets.HTML(STYLE),
                widgets.HBox([self._voice, about], layout=wrap),
                self._tables,
                widgets.HBox([self._which, one, every, back, points], layout=wrap),
                self._said,
            ]
        )
        self.widget.add_class("vocomp-bench")
        self._fill_menu()
        self._voice.observe(self._on_voice, "value")
        self._show()

    def start_again(self, lesson: str = _ALL, every: bool = False) -> str:
        """Start a lesson again for this voice, or with `every` all of them; returns the sentence that it shows.

        Raises
        ------
        ValueError
            If there is no such lesson, or none is chosen.
        """
        if not lesson and not every:
            raise ValueError("lesson: none is chosen; choose a lesson in the menu first.")
        return self._changed(start_again(self.lesson.folder, lesson))

    def undo(self) -> str:
        """Bring back what was moved aside last; returns the sentence that it shows."""
        return self._changed(undo(self.lesson.folder))

    def choose(self) -> str:
        """Choose the voice that is shown for all lessons; returns the sentence that it shows."""
        sound = sound_of(self.lesson.folder)
        if sound is None:
            raise ValueError("voice: its sound is not kept here; choose its file in lesson 00.")
        if isinstance(sound, str):
            choice = choose_voice(sound, self._parent)
        else:
            choice = choose_file(sound, self.lesson.clip, self._parent, self._called)
        return f"All lessons are about {choice.spoken} from now on. A lesson that is open: run its cells again."

    def work_out_points(self) -> str:
        """Judge all homework that was answered; returns the sentence that it shows."""
        self._points = {}
        for path in self._answers():
            sheet = load_sheet(path)
            self._points[path.name] = Homework(sheet.homework, sheet.learner, path.parent).tally().head
        self._show()
        return "Worked out." if self._points else "No homework was answered yet."

    def listen(self) -> "ShortListen":
        """A short listen: some seconds of the voice, before and after what is kept, at the same loudness."""
        lesson = begin(LAST, self._sound(), self._parent)
        chain = lesson.with_stages(lesson.kept)
        start_s = max(lesson.clip.duration_s / 3 - LISTEN_S / 2, 0)
        end_s = min(start_s + LISTEN_S, lesson.clip.duration_s)
        after = chain.apply(lesson.clip).output
        return ShortListen(lesson.clip.cut(start_s, end_s), after.cut(start_s, end_s))

    # ---- what the page shows: one function for each part.

    def _lessons(self) -> str:
        found = standing(self.lesson)
        rows = [(_link(one.lesson), one.begun or "not begun", one.kept, one.stages, one.goals) for one in found]
        head = ("lesson", "begun", "kept", "what counts of it now", "goals, measured now")
        then = next_lesson(found)
        said = f"<p>Next: {_link(then)}</p>" if then else "<p>Every lesson has been kept, and the goals are met.</p>"
        return table_html(rows, head, cell_style=_CELLS) + said

    def _homework(self) -> str:
        rows = []
        for path in self._answers():
            try:
                sheet = load_sheet(path)
            except ValueError as error:
                rows.append((path.name, "", str(error)))
                continue
            tried = sum(entry.answer is not None for entry in sheet.answers.values())
            rows.append(
                (f"homework {sheet.homework}", sheet.learner, self._points.get(path.name, f"{tried} tasks answered"))
            )
        if not rows:
            return "<p>Homework: none was answered yet (what you answer as a guest isn't kept; lessons are).</p>"
        return table_html(rows, ("homework", "learner", "points"), cell_style=_CELLS)

    def _judgements(self) -> str:
        try:
            kept = read_judgements(self.lesson.folder)
        except ValueError as error:
            return f'<div class="vocomp-error">{html.escape(str(error))}</div>'
        if not kept:
            return "<p>Judgements by ear (lessons 08 and 09): none yet.</p>"
        days = {one.question: len({other.day for other in kept if other.question == one.question}) for one in kept}
        # The answers stay in their box, since some are hidden until they are given a second time.
        rows = [(name, max(one.day for one in kept if one.question == name), days[name]) for name in days]
        return table_html(rows, ("judged by ear", "last", "days"), cell_style=_CELLS)

    def _practice(self) -> str:
        rounds = read_rounds(practice_folder(self.lesson))
        if not rounds:
            return "<p>Ear practice (lesson 10): no round yet.</p>"
        next_one = html.escape(next_drill(rounds).title)
        return f"{practice_table(rounds)._repr_html_()}<p>To practise next (lesson 10): {next_one}.</p>"

    PARTS = (_lessons, _homework, _judgements, _practice)

    def _answers(self) -> list[Path]:
        return sorted((self._parent.parent / ANSWERS).glob("homework_*.json"))

    def _sound(self):
        sound = sound_of(self.lesson.folder)
        return self.lesson.clip if sound is None else sound

    @property
    def _called(self) -> str:
        return next(
            (name for name, folder in self._menu.items() if folder == self.lesson.folder), self.lesson.clip_name
        )

    def _fill_menu(self):
        self._menu = voices(self._parent)
        if self.lesson.folder not in self._menu.values():
            name = self.lesson.about.partition(",")[0] or self.lesson.clip_name
            self._menu = {name: self.lesson.folder, **self._menu}
        self._voice.options = [(name, str(folder)) for name, folder in self._menu.items()]
        self._voice.value = str(self.lesson.folder)

    def _on_voice(self, change):
        def take():
            folder = Path(change["new"])
            sound = sound_of(folder)
            if sound is not None:
                self.lesson = begin(LAST, sound, self._parent)
            self._show()
            return ""

        if change["new"] != str(self.lesson.folder):
            self._do(take)

    def _changed(self, said: str) -> str:
        self.lesson = begin(LAST, self._sound(), self._parent)
        self._show()
        return said

    def _show(self):
        self._tables.value = "".join(part(self) for part in self.PARTS)

    def _do(self, work):
        """Do what a button stands for, and say how it went: nobody would see a widget's exception."""
        try:
            self._said.value = f'<div class="vocomp-step" role="status">{html.escape(work())}</div>'
        except (ValueError, OSError) as error:
            self._said.value = f'<div class="vocomp-error" role="alert">{html.escape(str(error))}</div>'

    def _ipython_display_(self):
        display(self.widget)


class ShortListen:
    """A player for a few seconds before and after, the one as loud as the other.

    Parameters
    ----------
    before, after : Clip
        Of the same length.
    """

    def __init__(self, before: Clip, after: Clip):
        after, _ = match_loudness(after, before)
        self._player = PagePlayer(
            {"before": "before", "after": "after"}, "Player: before and after what is kept", keys="12"
        )
        most = max(float(np.abs(clip.samples).max(initial=0)) for clip in (before, after))
        scale = min(1.0, _PEAK / most) if most else 1.0
        sounds = {
            name: clip.with_samples(scale * clip.samples) for name, clip in (("before", before), ("after", after))
        }
        self._player.send(sounds, rate=before.rate, duration_s=before.duration_s)
        self.widget = widgets.VBox([widgets.HTML(STYLE), *self._player.widgets])
        self.widget.add_class("vocomp-bench")

    def _ipython_display_(self):
        display(self.widget)
        self._player.show()
