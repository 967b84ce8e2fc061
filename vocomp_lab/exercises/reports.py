"""What marking writes (a table, a report, a page for each learner, a picture of the class), and the answer key."""

from __future__ import annotations

import base64
import csv
import datetime
import html
import io
import json
from itertools import groupby
from pathlib import Path

from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of, title_of
from vocomp_lab.exercises.class_rules import NO_RULES, ClassRules
from vocomp_lab.exercises.class_settings import ClassSettings
from vocomp_lab.exercises.class_spread import by_doing, on_the_list
from vocomp_lab.exercises.grading import read_time
from vocomp_lab.exercises.homework import to_html
from vocomp_lab.exercises.kinds import FindIt
from vocomp_lab.exercises.learners import check_learner
from vocomp_lab.exercises.mistakes import MISTAKES
from vocomp_lab.exercises.sheets import Entry, Sheet
from vocomp_lab.exercises.tasks import RIGHT
from vocomp_lab.lessons.tables import table_html
from vocomp_lab.sound.files import write_whole
from vocomp_lab.sound.text import percent

FORMATIVE = (
    "These marks are for learning, not for a certificate: whoever has the workbook can print the key to any homework, for "
    "any learner. They show you and your learners what is understood and what to go over again. If a grade depends on "
    "it, talk with the learner about the answer, or set a task under your eyes."
)
CLASS_PICTURE = ".png"
"""How the names of a homework's picture go on, after that of the table and the homework."""
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_STYLE = (
    ":root{color-scheme:light dark;background:Canvas;color:CanvasText}"
    # Text is read in short lines; tables and code may be wider.
    "body{font:16px/1.5 sans-serif;max-width:64em;margin:2em auto;padding:0 1em}p,li{max-width:46em}"
    "section{border-left:4px solid currentColor;padding:0 1em;margin:1.5em 0}"
    "pre{white-space:pre;overflow-x:auto;font:14px/1.45 monospace}"
    ":focus-visible{outline:2px solid currentColor;outline-offset:2px}"
    "@media print{pre{white-space:pre-wrap;overflow-wrap:anywhere}}"
    "@media (max-width:40em){section{padding:0 0 0 .7em}}"
    "th{text-align:left;font-weight:normal}thead th{font-weight:bold}"
    "th,td{padding:.1em 1em .1em 0;border-bottom:1px solid}"
    ".wide{overflow-x:auto}.beside{display:grid;grid-template-columns:repeat(auto-fit,minmax(18em,1fr));gap:0 1.5em}"
    ".beside>div{min-width:0}body:has(.beside){max-width:72em}body:has(img){max-width:76em}img{max-width:100%;height:auto}"
    # A white picture glares on a dark page: dark and light change places, hues stay.
    "@media screen and (prefers-color-scheme:dark){img{filter:invert(.9) hue-rotate(180deg)}}"
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


def page_text(
    learner: str, marked, rules: ClassRules = NO_RULES, now: datetime.datetime | None = None, undecided=()
) -> str:  # fmt: skip
    """One learner's page: each task, what was measured, and how it is done. It needs no other file.

    Parameters
    ----------
    learner : str
    marked : list of dict
        The learner's marks after deductions.
    rules : ClassRules
        The name comes from the list. Before a homework's due date and grace are over, how it is done is not told.
    now : datetime, optional
        With an offset; by default, the time it is.
    undecided : sequence of str
        Homeworks of which the teacher has to decide which sheet counts.
    """
    now = now or datetime.datetime.now(datetime.timezone.utc)
    listed = rules.listed.by_id.get(learner) if rules.listed is not None else None
    title = f"{listed.name} ({learner})" if listed is not None and listed.name else learner
    parts = [f"<h1>{html.escape(title)}</h1>"]
    for homework in undecided:
        parts.append(
            f"<h2>{html.escape(f'Homework {homework}: {title_of(homework)}')}</h2><p>There are different sheets with your id. "
            "Your teacher decides which one counts; until then there are no marks for it.</p>"
        )
    for mark in marked:
        due, until = due_and_closed(rules.settings, mark["homework"], learner)
        parts.append(f"<h2>Homework {html.escape(mark['homework'])}: {html.escape(title_of(mark['homework']))}</h2>")
        parts.append(f"<p><b>{mark['points']} of {mark['of']} points</b>{_about_due(rules.settings, due, until)}</p>")
        for number, task in enumerate(mark["tasks"], start=1):
            says = to_html(f"**About your answer.**\n\n{task['says']}") if task["says"] else ""
            status = "done" if by_doing(task) and task["status"] == RIGHT else task["status"]
            status = html.escape(status[:1].upper() + status[1:])
            points = f"{task['points']} of {task['of']} point{'' if task['of'] == 1 else 's'}"
            parts.append(
                f"<section><h3>{number}. {html.escape(task['title'])}</h3><p><b>{status}: {points}</b></p>"
                f"{to_html(task['prompt'])}{_own_answer(task)}{says}{_deducted(task, due, until)}"
                f"{_how_to_do_it(task, until, now)}</section>"
            )
    return paper(title, "".join(parts))


def due_and_closed(
    settings: ClassSettings, homework: str, learner: str
) -> tuple[datetime.datetime | None, datetime.datetime | None]:
    """When a homework is due for a learner, and when the grace is over, by the class's clock; None, None without a date."""
    due = settings.due_at(homework, learner)
    return (None, None) if due is None else (due, settings.closed_at(homework, learner).astimezone(due.tzinfo))


def date_and_time(time: datetime.datetime) -> str:
    """A date and time; midnight as the end of a day."""
    if time.time() == datetime.time():
        return f"the end of {time - datetime.timedelta(days=1):%Y-%m-%d}"
    return f"{time:%Y-%m-%d, %H:%M}"


def _about_due(settings: ClassSettings, due, until) -> str:
    if due is None:
        return ""
    grace = (
        f"; nothing is taken off before {date_and_time(until)}" if until > due and settings.late_percent_per_day else ""
    )
    return f". Due: {date_and_time(due)}{grace}."


def _deducted(task: dict, due, until) -> str:
    """What was taken off and why; beside lateness stands the date."""
    if not task.get("deducted"):
        return ""
    given = read_time(task["given"])
    date = f" Due: {date_and_time(due)}." if until is not None and given is not None and given > until else ""
    return to_html(f"**Points.** {' '.join(task['deducted'])}{date}")


def _how_to_do_it(task: dict, until, now) -> str:
    if until is not None and until > now:
        return f"<p>How to do it: on this page from {date_and_time(until)} on, once the class is marked again.</p>"
    return f"<details><summary>How to do it</summary>{to_html(task['solution'])}</details>"


def _own_answer(task: dict) -> str:
    """What the learner gave, with digits that mean something; every letter of it is escaped."""
    answer = task.get("shown") or task["answer"]
    if not answer:
        return ""
    given = read_time(task["given"])
    when = f", given on {given:%Y-%m-%d at %H:%M}" if given else ""
    return f"<details open><summary>Your answer{when}</summary><pre>{html.escape(answer)}</pre></details>"


def class_numbers(marked) -> tuple[list, list]:
    """What was hard, and which mistakes were common.

    Returns
    -------
    tasks : list of (str, float, int, bool)
        Homework and title, share of the sheets with a right answer, number of sheets, and whether the task has no right
        answer, but counts for being done; in homework order.
    mistakes : list of (str, int)
        Its label and how many answers showed it; the most common first.
    """
    right, seen, labels, done, mistakes = {}, {}, {}, {}, {}
    for mark in marked:
        for number, task in enumerate(mark["tasks"], start=1):
            place = mark["homework"], number
            labels[place] = f"{mark['homework']}.{number} {task['title']}"
            done[place] = by_doing(task)
            seen[place] = seen.get(place, 0) + 1
            right[place] = right.get(place, 0) + (task["status"] == RIGHT)
            if task["mistake"] in MISTAKES:
                label = MISTAKES[task["mistake"]].label
                mistakes[label] = mistakes.get(label, 0) + 1
    tasks = [(labels[place], right[place] / seen[place], seen[place], done[place]) for place in sorted(labels)]
    return tasks, sorted(mistakes.items(), key=lambda item: (-item[1], item[0]))


def class_page(
    tasks, mistakes, pictures, *, waiting: int = 0, report: str = "", left_out: int = 0, more: str = ""
) -> str:
    """The pictures of a class, with its numbers as tables, on a page that needs no other file and names nobody: a class
    may see it on a projector.

    Parameters
    ----------
    tasks, mistakes : list
        From :func:`class_numbers`.
    pictures : sequence of (str, bytes, str)
        Of each homework: its name, the picture as PNG, and its text alternative.
    waiting : int
        How many homeworks the teacher has to decide on; `report` is the file that names them.
    left_out : int
        How many learners who handed in are not on the class list, and so not in these numbers.
    more : str
        HTML for the end of the page.
    """
    parts = ["<h1>The class</h1>"]
    if waiting:
        cases = "One homework waits" if waiting == 1 else f"{waiting} homeworks wait"
        parts.append(
            f"<section><h2>For you to decide</h2><p>{cases} for you and count for nobody yet. The first lines of "
            f"{html.escape(report)} say which.</p></section>"
        )
    parts.append(f"<p>{FORMATIVE}</p>")
    if left_out:
        who = (
            "One learner is not on the class list and is"
            if left_out == 1
            else f"{left_out} learners are not on the class list and are"
        )
        parts.append(f"<p>{who} left out here.</p>")
    for homework, picture, alt in pictures:
        parts.append(
            f"<h2>Homework {html.escape(homework)}: {html.escape(title_of(homework))}</h2>{picture_html(picture, alt)}"
        )
    if tasks:
        shares = [(label, f"{'done by ' * done}{percent(share)}", count) for label, share, count, done in tasks]
        parts.append(_table("How many got it right", ("task", "right", "sheets"), shares))
    if mistakes:
        parts.append(_table("Typical mistakes", ("mistake", "answers"), mistakes))
    return paper("The class", "".join(parts) + more)


def picture_html(picture: bytes, alt: str) -> str:
    """A PNG as part of a page, in the size that it was drawn for."""
    from vocomp_lab.pictures.marks import PX_PER_IN, WIDE_IN

    source = f"data:image/png;base64,{base64.b64encode(picture).decode()}"
    return f"<img width='{WIDE_IN * PX_PER_IN:.0f}' alt='{html.escape(alt)}' src='{source}'>"


def _table(caption: str, head, rows) -> str:
    return f"<h2>{html.escape(caption)}</h2>{table_html(rows, head)}"


def paper(title: str, body: str) -> str:
    """A page that needs no other file."""
    body = body.replace("<pre>", "<pre tabindex='0'>")  # by keyboard too, one can scroll sideways
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{html.escape(title)}</title>"
        f"<style>{_STYLE}</style></head><body><main>{body}</main></body></html>\n"
    )


def write_reports(result, out: Path, rules: ClassRules = NO_RULES, more: str = "") -> None:
    """Write everything for a marked folder; see :func:`vocomp_lab.exercises.marking.mark_folder`.

    What an earlier run wrote for learners who have handed nothing in any more is removed. `more` is HTML for the end of the
    page on the class.
    """
    write_whole(out, table_text(result.marked))
    pages, written = out.with_suffix(".pages"), set()
    marks = {learner: list(own) for learner, own in groupby(result.marked, key=lambda mark: mark["learner"])}
    undecided = {}
    for conflict in result.conflicts:
        undecided.setdefault(conflict.learner, []).append(conflict.homework)
    for learner in sorted({*marks, *undecided}):
        page = pages / f"page_{learner}.html"
        try:
            own = page_text(learner, marks.get(learner, []), rules, undecided=undecided.get(learner, []))
            write_whole(page, own)
            written.add(page.name)
        except OSError as error:  # such as a name that is too long for this disk
            result.notes.append((page.name, f"This page could not be written ({error.strerror})."))
    if not pages.is_symlink():
        for page in pages.glob("page_*.html"):
            if page.name not in written and not page.is_dir():
                page.unlink()
    report = out.with_suffix(".report.txt")
    write_whole(report, "".join(f"{file}: {says}\n" for file, says in result.notes))
    counted, left_out = on_the_list(result.marked, rules.listed)
    pictures = pictures_by_homework(counted, out, CLASS_PICTURE, _draw_class)
    if not result.marked:
        out.with_suffix(".html").unlink(missing_ok=True)
        return
    page = class_page(
        *class_numbers(counted),
        pictures,
        waiting=len(result.conflicts),
        report=report.name,
        left_out=left_out,
        more=more,
    )
    write_whole(out.with_suffix(".html"), page)


def pictures_by_homework(marked, out: Path, ending: str, draw) -> list[tuple[str, bytes, str]]:
    """Draw a picture of each homework beside the table of marks, such as ``marks.04.png``.

    Parameters
    ----------
    marked : list of dict
    out : Path
        The table.
    ending : str
        Of the files' names. What an earlier run left of homeworks that have no picture now is removed.
    draw : callable
        Takes a homework's marks and a path, writes the picture there and returns its text alternative; None if there is
        nothing to draw.

    Returns
    -------
    list of (str, bytes, str)
        Homework, picture, text alternative.
    """
    pictures = []
    for homework in homework_names():
        marks = [mark for mark in marked if mark["homework"] == homework]
        path = out.with_suffix(f".{homework}{ending}")
        alt = draw(marks, path) if marks else None
        if alt is None:
            path.unlink(missing_ok=True)
        else:
            pictures.append((homework, path.read_bytes(), alt))
    return pictures


def _draw_class(marked, path: Path) -> str:
    from vocomp_lab.pictures.marks import class_in_words, save_class_picture

    numbers = class_numbers(marked)
    save_class_picture(*numbers, path)
    return class_in_words(*numbers)


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
        if isinstance(value, list) and len(value) == 1 and isinstance(posed, FindIt):
            (value,) = value  # one number is asked for
        shown = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        parts.append(
            f"{number}. {task.title} ({posed.label}, {task.points})\n\n{posed.prompt}\n{posed.asks}\n\nA right "
            f"answer:\n{shown.strip()}\n\n{posed.solution}"
        )
    return "\n\n".join(parts) + "\n"
