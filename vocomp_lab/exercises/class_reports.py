"""What marking writes for a teacher besides the table: the gradebook, the page on equal answers, the picture by group."""

from __future__ import annotations

import os
from pathlib import Path

from vocomp_lab.exercises.class_rules import ClassRules
from vocomp_lab.exercises.class_spread import group_shares, spread_tables
from vocomp_lab.exercises.gradebook import gradebook_csv, gradebook_rows
from vocomp_lab.exercises.reports import paper, picture_html
from vocomp_lab.exercises.similarity import similarity_body
from vocomp_lab.exercises.spreadsheet import spreadsheet_bytes
from vocomp_lab.sound.files import whole_or_not_at_all, write_whole


def write_class_reports(marked, rules: ClassRules, out: Path) -> None:
    """Write the gradebook (CSV and .xlsx) and the page on equal answers beside a table of marks.

    Parameters
    ----------
    marked : list of dict
        Marks after deductions.
    rules : ClassRules
    out : Path
        The table, such as ``marks.csv``.
    """
    rows = gradebook_rows(marked, rules.settings, rules.listed)
    write_whole(out.with_suffix(".gradebook.csv"), gradebook_csv(rows))
    with whole_or_not_at_all(out.with_suffix(".gradebook.xlsx")) as beside, open(beside, "wb") as file:
        file.write(spreadsheet_bytes(rows, "gradebook"))
        file.flush()
        os.fsync(file.fileno())
    write_whole(out.with_suffix(".similar.html"), paper("Equal answers", similarity_body(marked)))


def class_details(marked, rules: ClassRules, out: Path) -> str:
    """More for the page on the class, as HTML: tries, hints and points by task, and the picture and table by group."""
    picture = _group_picture(marked, rules, out)
    by_group = "" if picture is None else f"<h2>By group</h2>{picture_html(*picture)}"
    return spread_tables(marked, rules.listed if picture is not None else None, by_group)


def _group_picture(marked, rules: ClassRules, out: Path) -> tuple[bytes, str] | None:
    """Draw the class by group; gives the picture's bytes and text alternative. None without a list of two groups."""
    path = out.with_suffix(".groups.png")
    groups, shares = ([], []) if rules.listed is None else group_shares(marked, rules.listed)
    if len(groups) < 2:
        path.unlink(missing_ok=True)  # that of a run before, which had groups
        return None
    from vocomp_lab.pictures.groups import groups_in_words, save_group_picture

    save_group_picture(groups, shares, path)
    return path.read_bytes(), groups_in_words(groups, shares)
