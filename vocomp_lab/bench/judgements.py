"""A place to note what only ears can judge, with the day, and to see later whether one still thinks so."""

from __future__ import annotations

import datetime
import html

import ipywidgets as widgets
from IPython.display import display

from vocomp_lab.bench.style import STYLE
from vocomp_lab.lessons.course import A_LESSON, Lesson
from vocomp_lab.lessons.judgements import LONGEST_NOTE, QUESTIONS, Judgement, add_judgement, read_judgements, since
from vocomp_lab.lessons.tables import table_html
from vocomp_lab.sound.checks import asks

_CHOOSE = "choose one"
_HIDDEN = "answered; hidden until you have answered today"


class JudgementBox:
    """Asks the questions of ``vocomp_lab.lessons.judgements.QUESTIONS`` about a voice, and keeps the answers beside its sheets.

    Parameters
    ----------
    lesson : Lesson
        Whose voice it is about.

    Notes
    -----
    Put it last in a cell to show it. Nothing here passes or fails: there is no right answer, only yours on another day.
    """

    @asks(lesson=A_LESSON)
    def __init__(self, lesson: Lesson):
        self._folder = lesson.folder
        self._question = widgets.Dropdown(
            options=list(QUESTIONS), description="By ear", layout=widgets.Layout(width="300px", max_width="100%")
        )
        self._task = widgets.HTML()
        self._answer = widgets.Dropdown(description="Answer", layout=widgets.Layout(width="240px", max_width="100%"))
        self._note = widgets.Text(
            description="Note",
            placeholder="where, what, how many (if you like)",
            layout=widgets.Layout(width="420px", max_width="100%"),
        )
        button = widgets.Button(description="Write it down", tooltip="Keep this answer with today's date")
        button.on_click(lambda _: self.write_down())
        self._said = widgets.HTML()
        self._question.observe(lambda _: self._ask(), "value")
        row = widgets.HBox([self._answer, self._note, button], layout=widgets.Layout(flex_flow="row wrap"))
        self.widget = widgets.VBox([widgets.HTML(STYLE), self._question, self._task, row, self._said])
        self.widget.add_class("vocomp-bench")
        self._ask()
        self._tell()

    def write_down(self) -> None:
        """Keep the answer that stands in the box, with today's date."""
        if not self._answer.value:
            self._tell(f"Choose an answer to “{self._question.value}” first.")
            return
        note = self._note.value.strip()[:LONGEST_NOTE]
        try:
            add_judgement(self._folder, Judgement(self._question.value, self._answer.value, _today(), note))
        except ValueError as error:
            self._refuse(error)
            return
        self._note.value = self._answer.value = ""
        self._tell()

    def _ask(self):
        question = QUESTIONS[self._question.value]
        self._task.value = f'<div class="vocomp-step">{html.escape(question.task)}</div>'
        self._answer.options = [(_CHOOSE, ""), *((answer, answer) for answer in question.answers)]
        self._answer.value = ""  # set to None, a menu shows nothing at all

    def _tell(self, asked: str = ""):
        try:
            kept = read_judgements(self._folder)
        except ValueError as error:
            self._refuse(error)
            return
        today = _today()
        answered = {one.question for one in kept if one.day == today}
        rows = []
        for one in reversed(kept):
            hides = QUESTIONS[one.question].hidden_overnight and one.question not in answered
            told = (_HIDDEN, "") if hides else (one.answer, one.note)
            rows.append((one.day, one.question, *told))
        compared = sorted(f"{name}: {told}" for name in answered if (told := since(kept, name)))
        lines = [asked, *compared] if asked else compared
        table = table_html(rows, ("day", "question", "answer", "note"), cell_style="text-align:left") if rows else ""
        self._said.value = "".join(f"<div>{html.escape(line)}</div>" for line in lines) + table

    def _refuse(self, error: ValueError):
        self._said.value = f'<div class="vocomp-error" role="alert">{html.escape(str(error))}</div>'

    def _ipython_display_(self):
        display(self.widget)


def _today() -> str:
    return datetime.date.today().isoformat()
