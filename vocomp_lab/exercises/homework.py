"""What a homework notebook calls: ask, give, hint, solution, tally. Each answer is written to the sheet at once."""

from __future__ import annotations

import ast
import hashlib
import html
import json
import re
from datetime import datetime
from pathlib import Path

from vocomp_lab.exercises.box import BoxNotReady
from vocomp_lab.exercises.catalogue import pose, tasks_of, title_of
from vocomp_lab.exercises.kinds import BuildIt
from vocomp_lab.exercises.learners import GUEST, or_who_is_logged_in
from vocomp_lab.exercises.sheets import MOST_TRIED, Sheet, latest_given, load_sheet, now, save_sheet, sheet_name
from vocomp_lab.exercises.tasks import NOT_YET, POSED_ANEW, RIGHT, UNREAD, Posed, Task, Verdict
from vocomp_lab.lessons.tables import table_html
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_whole

FOLDER = "answers"
_CARD_STYLE = "border-left:3px solid currentColor;padding:2px 12px;max-width:62em;font-size:14px"
_NOT_JUDGED = "not judged yet"
_HINTS_COUNT = "Your teacher may take something off for a hint. Reading it again costs nothing, nor does one after the right answer."
_STAYS = "Your right answer from before stays."
_SIGNS = {RIGHT: "✔", UNREAD: "?", NOT_YET: "✘", POSED_ANEW: "?"}


def to_html(text: str) -> str:
    """Text with `` `code` ``, ``**bold**``, indented blocks and empty lines between paragraphs, as HTML. The rest is
    escaped.
    """
    blocks = []
    for block in text.strip("\n").split("\n\n"):
        if block.startswith("    "):
            blocks.append(f"<pre>{html.escape(block)}</pre>")
        else:
            inner = re.sub(r"`([^`]+)`", r"<code>\1</code>", html.escape(block))
            inner = re.sub(r"[*][*]([^*]+)[*][*]", r"<b>\1</b>", inner)
            blocks.append(f"<p>{inner}</p>")
    return "".join(blocks)


class Card:
    """A few lines for the page that also read as plain text.

    Parameters
    ----------
    head : str
    text : str
        For :func:`to_html`.
    table : list of rows, optional
        The first row holds the headings.
    """

    def __init__(self, head: str, text: str = "", table=None):
        self.head, self.text, self.table = head, text, table

    def __repr__(self):
        rows = []
        if self.table:
            widths = [max(len(str(row[place])) for row in self.table) for place in range(len(self.table[0]))]
            rows = ["  ".join(f"{cell!s:<{width}}" for cell, width in zip(row, widths)).rstrip() for row in self.table]
        return "\n".join([self.head, *([self.text] if self.text else []), *rows])

    def _repr_html_(self):
        body = f"<b>{html.escape(self.head)}</b>{to_html(self.text) if self.text else ''}"
        if self.table:
            first, *rest = self.table
            body += table_html(rest, first, named_by=None, cell_style="text-align:left")
        return f"<div style='{_CARD_STYLE}'>{body}</div>"


class Homework:
    """One learner's homework, in a notebook.

    Parameters
    ----------
    homework : str
        Its number, such as "04".
    learner : str
        1 to 64 letters, digits or ``_ - @ .``: the name the teacher knows the learner by. The numbers in the tasks
        depend on it. As "guest" everything works and nothing is kept; on a class server (JupyterHub) the login name
        replaces "guest".
    folder : path-like
        Where the answer sheet is kept; made if missing.

    Raises
    ------
    ValueError
        If there is no such homework, the id is not allowed, or the folder already holds a sheet of that name which
        can't be read. That sheet is left as it is.

    Notes
    -----
    A right answer stays, whatever is tried after it. The same answer given again is no new try, and keeps its time, so a
    notebook can be run from top to bottom at no cost.

    Examples
    --------
    >>> from vocomp_lab.exercises import Homework
    >>> home = Homework("04", learner="guest")
    >>> home.give(1, "eight")
    Task 1: can't be read
    'eight' is text; give the number alone, without quotes or a unit.
    """

    def __init__(self, homework: str, learner: str = GUEST, folder=FOLDER):
        self._tasks = tasks_of(homework)
        self.homework, self.learner = homework, or_who_is_logged_in(learner)
        self.path = None if self.learner == GUEST else Path(folder) / sheet_name(homework, self.learner)
        self._posed: dict[str, Posed] = {}
        self._verdicts: dict[str, tuple[object, Verdict]] = {}
        self._hints_asked: dict[str, int] = {}
        self._sheet = self._reread(Sheet(homework, self.learner))

    def __repr__(self):
        return f"Homework {self.homework}: {title_of(self.homework)}\n{self._whose()}"

    def _repr_html_(self):
        return Card(f"Homework {self.homework}: {title_of(self.homework)}", self._whose())._repr_html_()

    def _whose(self) -> str:
        if self.path is None:
            return "You are a guest: try anything, but nothing is kept. To hand it in, put your id in the cell above."
        tried = sum(entry.answer is not None for entry in self._sheet.answers.values())
        answered = f"{tried} of {len(self._tasks)} tasks answered so far"
        return f"These are {self.learner}'s numbers. {answered}; they are kept in {self._where()}."

    def _where(self) -> str:
        return f"{self.path.parent.name}/{self.path.name}"

    def ask(self, number: int) -> Card:
        """The task: what is asked, and what form the answer takes."""
        task, posed = self._task(number)
        points = f"{task.points} point{'s' if task.points > 1 else ''}"
        return Card(f"Task {number}: {task.title} ({posed.label}, {points})", f"{posed.prompt}\n\n{posed.asks}")

    def give(self, number: int, answer=None) -> Card:
        """Give an answer. You see at once what was measured, and the sheet is saved.

        Parameters
        ----------
        number : int
            The task's number.
        answer : object
            As the task asks for it. None, or what the notebook held from the start, is not a try.
        """
        task, posed = self._task(number)
        try:
            received = posed.receive(answer)
        except ValueError as error:
            return Card(f"Task {number}: {UNREAD}", str(error))
        try:
            if received is None:
                known = self._kept_verdict(task, posed)
                if known is None:
                    return Card(f"Task {number}: no answer yet", posed.begin)
                return Card(
                    f"Task {number}: {_SIGNS[known.status]} {known.status}", f"Your answer from before: {known.text}"
                )
            verdict = posed.judge(received)
            remark = self._keep(task, posed, posed.to_data(received), verdict)
        except BoxNotReady as error:
            return Card(f"Task {number}: {_NOT_JUDGED}", str(error))
        tries = self._sheet.entry(task.id).tries
        return Card(
            f"Task {number}: {_SIGNS[verdict.status]} {verdict.status}"
            f"{f' (try {tries})' if tries > 1 and remark != _STAYS else ''}",
            f"{verdict.text}\n\n{remark}" if remark else verdict.text,
        )

    def hint(self, number: int) -> Card:
        """The next hint; after the last one, all of them again. One that was taken before costs nothing again: a notebook that
        is run from the top shows as many as before. Nor does one that is read after the right answer.
        """
        task, posed = self._task(number)
        if not posed.hints:
            return Card(f"Task {number}", "There is no hint for this task.")
        self._sheet = self._reread(self._sheet)
        entry = self._sheet.entry(task.id)
        asked = self._hints_asked[task.id] = min(self._hints_asked.get(task.id, 0) + 1, len(posed.hints))
        told = posed.hints[: max(entry.hints, asked)]
        if entry.hints < asked and not self._is_right(task, posed):
            entry.hints = asked
            self._write()
        return Card(f"Task {number}: hint {len(told)} of {len(posed.hints)}", "\n\n".join([*told, _HINTS_COUNT]))

    def _is_right(self, task: Task, posed: Posed) -> bool:
        try:
            known = self._kept_verdict(task, posed)
        except BoxNotReady:
            return False
        return known is not None and known.status == RIGHT

    def solution(self, number: int) -> Card:
        """The worked solution, once the task is right."""
        task, posed = self._task(number)
        try:
            known = self._kept_verdict(task, posed)
        except BoxNotReady as error:
            return Card(f"Task {number}: {_NOT_JUDGED}", str(error))
        if known is None or known.status != RIGHT:
            return Card(
                f"Task {number}: not yet",
                "The worked solution opens once your answer is right. Until then there are hints.",
            )
        return Card(f"Task {number}: worked solution", posed.solution)

    def tally(self) -> Card:
        """All tasks, with their state, tries and points."""
        rows, points = [("task", "about", "state", "tries", "hints", "points")], 0
        for number, task in enumerate(self._tasks, start=1):
            try:
                known = self._kept_verdict(task, self._task(number)[1])
                state = "no answer" if known is None else f"{_SIGNS[known.status]} {known.status}"
            except BoxNotReady:
                known, state = None, _NOT_JUDGED
            entry = self._sheet.answers.get(task.id)
            got = task.points if known is not None and known.status == RIGHT else 0
            points += got
            rows.append(
                (
                    number,
                    task.title,
                    state,
                    entry.tries if entry else 0,
                    entry.hints if entry else 0,
                    f"{got} of {task.points}",
                )
            )
        where = "Nothing is kept for a guest." if self.path is None else f"Hand in the file {self._where()}."
        return Card(f"{points} of {sum(task.points for task in self._tasks)} points", where, rows)

    def clip(self, number: int) -> Clip:
        """The sound of a task.

        Raises
        ------
        ValueError
            If the task has none.
        """
        return self._of(number, "clip", "sound")()

    def chain(self, number: int):
        """The chain that a task's bench begins with. The stage to set is called "yours"; stages to build have their own
        names."""
        posed = self._task(number)[1]
        return posed.start if isinstance(posed, BuildIt) else self._of(number, "chain", "setting")()

    def goals(self, number: int) -> tuple:
        """The goals of a *set it* task."""
        return self._of(number, "goals", "setting")

    def sounds(self, number: int) -> tuple[Clip, Clip]:
        """The two sounds of a blind comparison."""
        return self._of(number, "sounds", "pair of sounds")()

    def _of(self, number, name, what):
        part = getattr(self._task(number)[1], name, None)
        if part is None:
            raise ValueError(f"number: task {number} has no {what}.")
        return part

    def _task(self, number) -> tuple[Task, Posed]:
        task = self._tasks[check_whole("number", number, 1, len(self._tasks)) - 1]
        if task.id not in self._posed:
            self._posed[task.id] = pose(self.homework, task, self.learner)
        return task, self._posed[task.id]

    def _kept_verdict(self, task: Task, posed: Posed) -> Verdict | None:
        """The verdict on the kept answer; judged once. A BoxNotReady where this machine can't judge it now."""
        entry = self._sheet.answers.get(task.id)
        if entry is None or entry.answer is None:
            return None
        known = self._verdicts.get(task.id)
        if known is None or known[0] != (entry.answer, entry.posed):
            known = (entry.answer, entry.posed), posed.judge_entry(entry.answer, entry.posed)
            self._verdicts[task.id] = known
        return known[1]

    def _keep(self, task: Task, posed: Posed, data, verdict: Verdict) -> str:
        """Write an answer to the sheet, unless it is there; returns what else the learner should know."""
        # Read again, since the same homework may be open in a second window.
        self._sheet = self._reread(self._sheet)
        before = self._kept_verdict(task, posed)
        entry = self._sheet.entry(task.id)
        if before is not None and before.status == RIGHT:
            return "" if verdict.status == RIGHT else _STAYS
        mark = _mark_of(data)
        if before is not None and _mark_of(entry.answer) == mark:
            return ""
        remark = self._about_the_clock()
        if mark not in entry.tried:
            entry.tries += 1
            entry.tried = [*entry.tried, mark][-MOST_TRIED:]
        entry.answer, entry.given, entry.posed = data, now(), posed.digest
        self._verdicts[task.id] = (data, entry.posed), verdict
        self._write()
        return remark

    def _about_the_clock(self) -> str:
        latest, at = latest_given(self._sheet), datetime.fromisoformat(now())
        if latest is None or (latest - at).total_seconds() < 120:
            return ""
        return (
            f"Your computer's clock says {at:%Y-%m-%d %H:%M}, but an answer in your sheet is of {latest:%Y-%m-%d %H:%M}. Set "
            f"the clock right: your sheet says when each answer was given."
        )

    def _reread(self, otherwise: Sheet) -> Sheet:
        if self.path is None or not self.path.exists():
            return otherwise
        try:
            sheet = load_sheet(self.path)
        except ValueError as error:
            raise ValueError(f"folder: {self.path.name} is already there and was left as it is: {error}") from None
        if (sheet.homework, sheet.learner) != (self.homework, self.learner):
            raise ValueError(
                f"folder: {self.path.name} is already there and was left as it is: it is {sheet.learner}'s "
                f"homework {sheet.homework}."
            )
        return sheet

    def _write(self) -> None:
        if self.path is not None:
            save_sheet(self._sheet, self.path)


def _mark_of(data) -> str:
    """A short digest of an answer, by which it is known again; a function's layout and comments are left out."""
    if isinstance(data, dict) and isinstance(source := data.get("source"), str):
        try:
            data = {"source": ast.dump(ast.parse(source))}
        except (SyntaxError, ValueError, RecursionError, MemoryError):  # no Python, then by its text
            pass
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()[:8]
