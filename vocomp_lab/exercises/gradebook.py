"""The gradebook: one row a learner, one column a homework, total, percent and grade; as CSV and as a spreadsheet file.

In a CSV file nothing says whether ``0012`` or ``3-4`` is text, and a spreadsheet guesses. So ids that it would take for a
number, a date or a formula have an apostrophe in front there; in the .xlsx file every cell is what it is.
"""

from __future__ import annotations

import csv
import datetime
import io
import re
from itertools import groupby

from vocomp_lab.exercises.catalogue import tasks_of
from vocomp_lab.exercises.class_list import ClassList, Listed
from vocomp_lab.exercises.class_settings import DEFAULTS, ClassSettings
from vocomp_lab.exercises.reports import safe_cell
from vocomp_lab.sound.text import figure, half_up

EXCUSED = "excused"
TO_DECIDE = "to decide"
_MONTH = "(jan(uary)?|feb(ruary)?|mar(ch)?|apr(il)?|may|june?|july?|aug(ust)?|sept?(ember)?|oct(ober)?|nov(ember)?|dec(ember)?)"
# What a spreadsheet that is set to English takes for a number, a time, a date or a truth value.
_GUESSED = re.compile(
    r"[\s\d.,:/%$€£()+-]*\d[\s\d.,:/%()+-]*|\d+(\.\d*)?e[+-]?\d+|true|false"
    rf"|(\d+[\s./-]*)?{_MONTH}([\s./,-]*\d+)+|\d+[\s./-]*{_MONTH}",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"\d{1,3}(\.\d{1,3})?")


def gradebook_rows(
    marked,
    settings: ClassSettings = DEFAULTS,
    listed: ClassList | None = None,
    now: datetime.datetime | None = None,
    conflicts=(),
) -> list[list]:
    """The gradebook as a table.

    Parameters
    ----------
    marked : list of dict
        Marks after deductions (:func:`vocomp_lab.exercises.grading.grade_all`): one for each learner and homework, sorted
        by learner.
    settings : ClassSettings
        Weights and scale.
    listed : ClassList, optional
        Gives the order, names and groups, and learners who handed in nothing; others follow, under "not on the list".
    now : datetime, optional
        With an offset; by default, the time it is.
    conflicts : sequence of vocomp_lab.exercises.handed_in.Conflict
        Homeworks of which the teacher has to decide which sheet counts. They say so, count neither way until then, and
        leave the grade open.

    Returns
    -------
    list of list
        The head and a row for each learner. Text, numbers, "excused", and None for a homework that was not handed in.
        Columns: id, with a list also name and group, the homeworks that anybody handed in or that were due, total, of,
        percent (one decimal), and with a scale the grade. The heads say what can be reached: "homework 04 (of 11, × 2)" is worth up to
        11 points that count twice, and so 22 of the total.

    Notes
    -----
    percent = 100 · Σ weight · points / Σ weight · points that can be had; total and of are these two sums. A homework that
    a learner did not hand in counts, as no points, once it was due (with the grace); without a due date, once anybody has
    handed it in. One that a learner is excused from counts neither way. Who has withdrawn has no row.
    """
    points = {
        learner: {mark["homework"]: mark["points"] for mark in marks}
        for learner, marks in groupby(marked, key=lambda mark: mark["learner"])
    }
    of = {mark["homework"]: mark["of"] for mark in marked}
    undecided = {(conflict.learner, conflict.homework) for conflict in conflicts}
    points |= {learner: {} for learner, _ in undecided if learner not in points}
    now = now or datetime.datetime.now(datetime.timezone.utc)
    over = {homework for homework in settings.due if settings.closed_at(homework) < now}
    for homework in {*over, *(homework for _, homework in undecided)} - set(of):
        of[homework] = sum(task.points for task in tasks_of(homework))
    homeworks = sorted(of)
    about = [] if listed is None else ["name", "group"]
    rows, reached = [], set()
    for one in _learners(points, listed, settings.withdrawn):
        excused = {homework for homework in homeworks if settings.is_excused(homework, one.id)}
        got = {homework: value for homework, value in points.get(one.id, {}).items() if homework not in excused}
        waiting = {homework for homework in homeworks if (one.id, homework) in undecided} - excused
        asked = {homework for homework in homeworks if _is_asked(settings, homework, one.id, now)} - excused - waiting
        said = dict.fromkeys(waiting, TO_DECIDE) | dict.fromkeys(excused, EXCUSED)
        most = sum(settings.weight(homework) * of[homework] for homework in asked | set(got))
        total = sum(settings.weight(homework) * value for homework, value in got.items())
        percent = half_up(100 * total / most, 1) if most else 0.0
        reached.add(_plain(most))
        rows.append(
            [
                one.id,
                *([one.name, one.group] if about else []),
                *(said.get(homework, got.get(homework)) for homework in homeworks),
                _plain(total),
                _plain(most),
                _plain(percent),
                *([TO_DECIDE if waiting else _grade(settings, percent)] if settings.scale else []),
            ]
        )
    heads = [_head(name, of[name], settings.weight(name)) for name in homeworks]
    total = _total_head(sum(settings.weight(name) * of[name] for name in homeworks), reached)
    return [["id", *about, *heads, total, "of", "percent", *(["grade"] if settings.scale else [])], *rows]


def _is_asked(settings: ClassSettings, homework: str, learner: str, now: datetime.datetime) -> bool:
    closed = settings.closed_at(homework, learner)
    return closed is None or closed < now


def _head(homework: str, of: float, weight: float) -> str:
    """The head of a homework's column, with the points that can be had and what they count."""
    name = f"homework {homework}" if homework[0].isdigit() else homework
    return f"{name} (of {figure(of)}{f', × {figure(weight)}' if weight != 1 else ''})"


def _total_head(most: float, reached: set) -> str:
    """The head of the total; "up to" where not everybody is asked for all homeworks, as the column "of" says."""
    if not reached:
        return "total"
    return f"total (of {'' if reached == {_plain(most)} else 'up to '}{figure(_plain(most))})"


def _learners(points: dict, listed: ClassList | None, withdrawn) -> list[Listed]:
    if listed is None:
        return [Listed(learner) for learner in sorted(points)]
    known = listed.by_id
    others = [Listed(learner, "", "not on the list") for learner in sorted(points) if learner not in known]
    return [*(one for one in listed.learners if one.id not in withdrawn), *others]


def _grade(settings: ClassSettings, percent: float) -> str | float | int:
    """A grade; as a number where all of them are, so that a spreadsheet can work out a mean."""
    grade = settings.grade(percent)
    return _plain(float(grade)) if all(map(_NUMBER.fullmatch, settings.scale)) else grade


def _plain(value: float) -> float | int:
    rounded = round(value, 2)
    return int(rounded) if rounded == int(rounded) else rounded


def gradebook_csv(rows) -> str:
    """The gradebook as CSV, with a UTF-8 mark in front, by which spreadsheets know the letters."""
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    writer.writerows([[_csv_cell(cell) for cell in row] for row in rows])
    return f"\ufeff{lines.getvalue()}"


def _csv_cell(cell):
    if cell is None:
        return ""
    if not isinstance(cell, str):
        return cell
    return f"'{cell}" if _GUESSED.fullmatch(cell.strip()) else safe_cell(cell)
