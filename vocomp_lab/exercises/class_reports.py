"""What marking writes for a teacher besides the table: the gradebook, the page on equal answers, the pictures by group,
and who of the class list hasn't handed in.
"""

from __future__ import annotations

import datetime
import html
import os
from pathlib import Path

from vocomp_lab.exercises.class_list import Listed
from vocomp_lab.exercises.class_rules import ClassRules
from vocomp_lab.exercises.class_settings import ClassSettings
from vocomp_lab.exercises.class_spread import group_shares, on_the_list, spread_tables
from vocomp_lab.exercises.gradebook import gradebook_csv, gradebook_rows
from vocomp_lab.exercises.reports import date_and_time, due_and_closed, paper, picture_html, pictures_by_homework
from vocomp_lab.exercises.sheets import shown_path
from vocomp_lab.exercises.similarity import similarity_body
from vocomp_lab.exercises.spreadsheet import spreadsheet_bytes
from vocomp_lab.sound.files import whole_or_not_at_all, write_whole

GROUPS_PICTURE = ".groups.png"
"""How the names of a homework's picture by group go on, after that of the table and the homework."""


def write_class_reports(marked, rules: ClassRules, out: Path, conflicts=()) -> None:
    """Write the gradebook (CSV and .xlsx) and the page on equal answers beside a table of marks.

    Parameters
    ----------
    marked : list of dict
        Marks after deductions.
    rules : ClassRules
    out : Path
        The table, such as ``marks.csv``.
    conflicts : sequence of vocomp_lab.exercises.handed_in.Conflict
    """
    rows = gradebook_rows(marked, rules.settings, rules.listed, conflicts=conflicts)
    write_whole(out.with_suffix(".gradebook.csv"), gradebook_csv(rows))
    with whole_or_not_at_all(out.with_suffix(".gradebook.xlsx")) as beside, open(beside, "wb") as file:
        file.write(spreadsheet_bytes(rows, "gradebook"))
        file.flush()
        os.fsync(file.fileno())
    write_whole(out.with_suffix(".similar.html"), paper("Equal answers", similarity_body(marked)))


def class_details(marked, rules: ClassRules, out: Path) -> str:
    """More for the page on the class, as HTML: tries, hints and points by task, and the pictures and table by group. With a
    list, of those who are on it.
    """
    marked, _ = on_the_list(marked, rules.listed)
    grouped = rules.listed is not None and len(group_shares(marked, rules.listed)[0]) > 1

    def draw(marks, path):
        groups, shares = group_shares(marks, rules.listed) if grouped else ([], [])
        if len(groups) < 2:
            return None
        from vocomp_lab.pictures.groups import groups_in_words, save_group_picture

        save_group_picture(groups, shares, path)
        return groups_in_words(groups, shares)

    pictures = pictures_by_homework(marked, out, GROUPS_PICTURE, draw)
    by_group = "".join(
        f"<h2>By group: homework {html.escape(homework)}</h2>{picture_html(*picture)}"
        for homework, *picture in pictures
    )
    return spread_tables(marked, rules.listed if grouped else None, by_group)


def missing_lines(marked, rules: ClassRules, conflicts=(), now: datetime.datetime | None = None):
    """What the report says on who of the class list hasn't handed in: a line for each homework that anybody has handed in,
    or that was due (with the grace).

    Parameters
    ----------
    marked : list of dict
    rules : ClassRules
        Without a list there is nothing to say.
    conflicts : sequence of vocomp_lab.exercises.handed_in.Conflict
        Sheets that are there, but that the teacher has to decide on.
    now : datetime, optional
        With an offset; by default, the time it is.

    Yields
    ------
    (str, str)
        The list's name and a sentence; none for a homework that everybody has handed in.
    """
    if rules.listed is None:
        return
    now = now or datetime.datetime.now(datetime.timezone.utc)
    settings = rules.settings
    learners = [one for one in rules.listed.learners if one.id not in settings.withdrawn]
    there = {(mark["learner"], mark["homework"]) for mark in marked}
    undecided = {(conflict.learner, conflict.homework) for conflict in conflicts}
    asked = {homework for _, homework in there | undecided}
    asked |= {homework for homework in settings.due if settings.closed_at(homework) < now}
    for homework in sorted(asked):
        missing = [
            one for one in learners if (one.id, homework) not in there and not settings.is_excused(homework, one.id)
        ]
        if missing:
            told = (_missing(one, settings, homework, (one.id, homework) in undecided, now) for one in missing)
            yield (
                shown_path(rules.files[-1].name),
                f"Homework {homework}: nothing that could be marked from {len(missing)} of the {len(learners)} on the "
                f"list: {', '.join(told)}.",
            )


def _missing(one: Listed, settings: ClassSettings, homework: str, undecided: bool, now) -> str:
    parts = [one.name, "sheets for you to decide on" if undecided else ""]
    if homework in settings.due_for.get(one.id, ()):
        due, closed = due_and_closed(settings, homework, one.id)
        parts.append(f"has time until {date_and_time(due)}" if closed > now else "")
    about = "; ".join(part for part in parts if part)
    return f"{one.id} ({about})" if about else one.id
