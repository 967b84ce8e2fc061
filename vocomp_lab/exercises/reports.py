"""What marking writes (a table, a report, a page for each learner, a picture of the class), and the answer key."""

from __future__ import annotations

import base64
import csv
import html
import io
import json
from itertools import groupby
from pathlib import Path

from vocomp_lab.exercises.catalogue import pose, tasks_of, title_of
from vocomp_lab.exercises.grading import read_time
from vocomp_lab.exercises.homework import to_html
from vocomp_lab.exercises.learners import check_learner
from vocomp_lab.exercises.mistakes import MISTAKES
from vocomp_lab.exercises.sheets import Entry, Sheet
from vocomp_lab.exercises.tasks import RIGHT
from vocomp_lab.lessons.tables import table_html
from vocomp_lab.sound.files import write_whole

FORMATIVE = (
    "These marks are for learning, not for a certificate: whoever has the workbook can print the key to any homework, for "
    "any learner. They show you and your learners what is understood and what to go over again. If a grade depends on "
    "it, talk with the learner about the answer, or set a task under your eyes."
)
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_STYLE = (
    ":root{color-scheme:light dark;background:Canvas;color:CanvasText}"
    "body{font:16px/1.5 sans-serif;max-width:46em;margin:2em auto;padding:0 1em}"
    "section{border-left:4px solid currentColor;padding:0 1em;margin:1.5em 0}"
    "pre{white-space:pre-wrap;overflow-wrap:anywhere}"
    ":focus-visible{outline:2px solid currentColor;outline-offset:2px}"
    "th{text-align:left;font-weight:normal}thead th{font-weight:bold}"
    "th,td{padding:.1em 1em .1em 0;border-bottom:1px solid}"
    ".wide{overflow-x:auto}.beside{display:grid;grid-template-columns:repeat(auto-fit,minmax(18em,1fr));gap:0 1.5em}body:has(.beside){max-width:72em}"
)


def safe_cell(value) -> str:
    """Text that no spreadsheet will take for a formula."""
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def table_text(marked) -> str:
    """The marks as CSV: a row for each learner and homework, with the points for each task in order."""
    most = max((len(mark["tasks"]) for mark in marked), default=0)
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    writer.writerow(
        ["learner", "homework", "points", "of", "tries", "hints", *(f"task {n}" for n in range(1, most + 1)), "file"]
    )
    for mark in marked:
        tasks = mark["tasks"]
        tries, hints = (sum(task[name] for task in tasks) for name in ("tries", "hints"))
        points = [task["points"] for task in tasks] + [""] * (most - len(tasks))
        row = [mark["learner"], mark["homework"], mark["points"], mark["of"], tries, hints, *points, mark["file"]]
        writer.writerow([safe_cell(cell) for cell in row])
    return lines.getvalue()


def page_text(learner: str, marked) -> str:
    """One learner's page: each task, what was measured, and how it is done. It needs no other file."""
    parts = [f"<h1>{html.escape(learner)}</h1>"]
    for mark in marked:
        parts.append(f"<h2>Homework {html.escape(mark['homework'])}: {html.escape(title_of(mark['homework']))}</h2>")
        parts.append(f"<p><b>{mark['points']} of {mark['of']} points</b></p>")
        for number, task in enumerate(mark["tasks"], start=1):
            says = to_html(f"**About your answer.**\n\n{task['says']}") if task["says"] else ""
            less = to_html(f"**Points.** {' '.join(task['deducted'])}") if task.get("deducted") else ""
            parts.append(
                f"<section><h3>{number}. {html.escape(task['title'])}: {html.escape(task['status'])}, {task['points']} "
                f"of {task['of']}</h3>"
                f"{to_html(task['prompt'])}{_own_answer(task)}{says}{less}"
                f"<details><summary>How to do it</summary>{to_html(task['solution'])}</details></section>"
            )
    return paper(learner, "".join(parts))


def _own_answer(task: dict) -> str:
    """What the learner gave, as it stands in the sheet; every letter of it is escaped."""
    if not task["answer"]:
        return ""
    given = read_time(task["given"])
    when = f", given on {given:%Y-%m-%d at %H:%M}" if given else ""
    return f"<details open><summary>Your answer{when}</summary><pre>{html.escape(task['answer'])}</pre></details>"


def class_numbers(marked) -> tuple[list, list]:
    """What was hard, and which mistakes were common.

    Returns
    -------
    tasks : list of (str, float, int)
        Homework and title, share of the sheets with a right answer, number of sheets; in homework order.
    mistakes : list of (str, int)
        Its label and how many answers showed it; the most common first.
    """
    right, seen, labels, mistakes = {}, {}, {}, {}
    for mark in marked:
        for number, task in enumerate(mark["tasks"], start=1):
            place = mark["homework"], number
            labels[place] = f"{mark['homework']}.{number} {task['title']}"
            seen[place] = seen.get(place, 0) + 1
            right[place] = right.get(place, 0) + (task["status"] == RIGHT)
            if task["mistake"] in MISTAKES:
                label = MISTAKES[task["mistake"]].label
                mistakes[label] = mistakes.get(label, 0) + 1
    tasks = [(labels[place], right[place] / seen[place], seen[place]) for place in sorted(labels)]
    return tasks, sorted(mistakes.items(), key=lambda item: (-item[1], item[0]))


def class_page(tasks, mistakes, picture: bytes, alt: str, conflicts=(), more: str = "") -> str:
    """The picture of a class, with its numbers as tables, on a page that needs no other file.

    Parameters
    ----------
    tasks, mistakes : list
        From :func:`class_numbers`.
    picture : bytes
        As PNG.
    alt : str
        Its text alternative.
    conflicts : sequence of vocomp_lab.exercises.handed_in.Conflict
        What the teacher has to decide; it stands on top.
    more : str
        HTML for the end of the page.
    """
    shares = [(label, f"{100 * share:.0f} %", count) for label, share, count in tasks]
    tables = _table("How many got it right", ("task", "right", "sheets"), shares)
    if mistakes:
        tables += _table("Typical mistakes", ("mistake", "answers"), mistakes)
    undecided = "".join(f"<li>{html.escape(str(conflict))}</li>" for conflict in conflicts)
    if undecided:
        undecided = f"<section><h2>For you to decide</h2><ul>{undecided}</ul></section>"
    body = f"<h1>The class</h1>{undecided}<p>{FORMATIVE}</p>{picture_html(picture, alt)}{tables}{more}"
    return paper("The class", body)


def picture_html(picture: bytes, alt: str) -> str:
    """A PNG as part of a page."""
    source = f"data:image/png;base64,{base64.b64encode(picture).decode()}"
    return f"<img style='max-width:100%' alt='{html.escape(alt)}' src='{source}'>"


def _table(caption: str, head, rows) -> str:
    return f"<h2>{html.escape(caption)}</h2>{table_html(rows, head)}"


def paper(title: str, body: str) -> str:
    """A page that needs no other file."""
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{html.escape(title)}</title>"
        f"<style>{_STYLE}</style></head><body><main>{body}</main></body></html>\n"
    )


def write_reports(result, out: Path, more: str = "") -> None:
    """Write everything for a marked folder; see :func:`vocomp_lab.exercises.marking.mark_folder`.

    What an earlier run wrote for learners who have handed nothing in any more is removed. `more` is HTML for the end of the
    page on the class.
    """
    write_whole(out, table_text(result.marked))
    pages, written = out.with_suffix(".pages"), set()
    for learner, marked in groupby(result.marked, key=lambda mark: mark["learner"]):
        page = pages / f"page_{learner}.html"
        try:
            write_whole(page, page_text(learner, list(marked)))
            written.add(page.name)
        except OSError as error:  # such as a name that is too long for this disk
            result.notes.append((page.name, f"This page could not be written ({error.strerror})."))
    if not pages.is_symlink():
        for page in pages.glob("page_*.html"):
            if page.name not in written and not page.is_dir():
                page.unlink()
    write_whole(out.with_suffix(".report.txt"), "".join(f"{file}: {says}\n" for file, says in result.notes))
    if not result.marked:
        for old in (out.with_suffix(".png"), out.with_suffix(".html")):
            old.unlink(missing_ok=True)
    else:
        from vocomp_lab.pictures.marks import class_in_words, save_class_picture

        tasks, mistakes = class_numbers(result.marked)
        save_class_picture(tasks, mistakes, out.with_suffix(".png"))
        alt = class_in_words(tasks, mistakes)
        picture = out.with_suffix(".png").read_bytes()
        write_whole(out.with_suffix(".html"), class_page(tasks, mistakes, picture, alt, result.conflicts, more))


# ----------------------------------------------------------------------------------------------------------- the key


def key_sheet(homework: str, learner: str) -> Sheet:
    """A sheet for one learner with a right answer to every task of a homework."""
    learner = check_learner(learner)
    answers = {}
    for task in tasks_of(homework):
        posed = pose(homework, task, learner)
        answers[task.id] = Entry(posed.to_data(posed.key()), 1, 0)
    return Sheet(homework, learner, answers)


def answer_key(homework: str, learner: str) -> str:
    """The teacher's answer key for one learner, as plain text: each task with a right answer and its worked solution."""
    learner = check_learner(learner)
    parts = [f"Homework {homework}: {title_of(homework)}. Answer key for {learner}."]
    for number, task in enumerate(tasks_of(homework), start=1):
        posed = pose(homework, task, learner)
        ((_, value),) = posed.to_data(posed.key()).items()
        shown = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        parts.append(
            f"{number}. {task.title} ({posed.label}, {task.points})\n\n{posed.prompt}\n{posed.asks}\n\nA right "
            f"answer:\n{shown.strip()}\n\n{posed.solution}"
        )
    return "\n\n".join(parts) + "\n"
