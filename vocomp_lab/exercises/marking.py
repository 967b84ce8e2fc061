"""Marks for a class: a folder of answer sheets goes in, and every mark is worked out anew from the answers.

Nothing that one sheet holds can cost another a mark. The work runs on any ``concurrent.futures.Executor``; without one,
in processes on this machine. Each finished sheet is written to a journal at once, under a key made from its content, so
that a run that was stopped can carry on where it stopped.
"""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

from vocomp_lab.exercises.another_id import NOT_YOURS, posed_to
from vocomp_lab.exercises.answer_text import answer_text
from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of
from vocomp_lab.exercises.class_reports import GROUPS_PICTURE, class_details, missing_lines, write_class_reports
from vocomp_lab.exercises.class_rules import read_class
from vocomp_lab.exercises.handed_in import gather, is_table
from vocomp_lab.exercises.journal import Journal, is_journal, key_of
from vocomp_lab.exercises.reports import CLASS_PICTURE, write_reports
from vocomp_lab.exercises.sheets import Sheet, read_sheet, shown_path, time_given
from vocomp_lab.exercises.tasks import POSED_ANEW, RIGHT
from vocomp_lab.exercises.traces import traces_of
from vocomp_lab.exercises.workers import checked_workers, run_here, run_on
from vocomp_lab.sound.text import printable

NO_ANSWER = "no answer"
WRITTEN_BESIDE = (
    ".gradebook.csv",
    ".gradebook.xlsx",
    ".html",
    ".report.txt",
    ".similar.html",
    ".pages",
)
"""How the names of the files go on that are written beside a table, all of them without its .csv; besides pictures and
journal."""


@dataclass(frozen=True)
class ClassMarks:
    """The outcome for a folder.

    Attributes
    ----------
    marked : list of dict
        One for each sheet, as :func:`mark_sheet` returns it, with ``file`` added; sorted by learner and homework.
    notes : list of (str, str)
        A file and what is told about it, for everything out of the ordinary: conflicts first, then by file. Both are
        printable and take one line.
    conflicts : list of vocomp_lab.exercises.handed_in.Conflict
        Sheets that count for nobody until the teacher has decided.
    """

    marked: list
    notes: list
    conflicts: list = field(default_factory=list)


def mark_sheet(sheet: Sheet | bytes) -> dict:
    """Mark one sheet.

    Parameters
    ----------
    sheet : Sheet or bytes
        Checked already, or the bytes of its file (:func:`vocomp_lab.exercises.sheets.read_sheet`).

    Returns
    -------
    dict
        Plain JSON values: ``learner``, ``homework``, ``points``, ``of``, ``unknown`` (names of answers to no task) and
        ``tasks``: for each ``id``, ``title``, ``status``, ``points``, ``of``, ``tries``, ``hints``, ``says``,
        ``mistake``, ``given`` (when, as ISO 8601 with an offset, or None), ``prompt``, ``solution``, ``kind``,
        ``answer`` (as text, with all digits), ``shown`` (as a learner reads it, where that differs) and ``traces``
        (:mod:`vocomp_lab.exercises.traces`). Only the answers count, whatever else the sheet may claim.
    """
    if isinstance(sheet, bytes):
        sheet = read_sheet(sheet)
    tasks = tasks_of(sheet.homework)
    marks = [_mark_task(sheet, task) for task in tasks]
    return {
        "learner": sheet.learner,
        "homework": sheet.homework,
        "points": sum(mark["points"] for mark in marks),
        "of": sum(task.points for task in tasks),
        "unknown": sorted(printable(name) for name in set(sheet.answers) - {task.id for task in tasks}),
        "tasks": marks,
    }


def _mark_task(sheet: Sheet, task) -> dict:
    posed = pose(sheet.homework, task, sheet.learner)
    entry = sheet.answers.get(task.id)
    status, says, mistake = NO_ANSWER, "", None
    if entry is not None and entry.answer is not None:
        verdict = posed.judge_entry(entry.answer, entry.posed)
        status, says, mistake = verdict.status, printable(verdict.text, keep="\n"), verdict.mistake
    given = getattr(entry, "answer", None)
    answer, shown = answer_text(posed, given, exact=True), answer_text(posed, given)
    time = time_given(entry) if entry is not None and entry.answer is not None else None
    return {
        "id": task.id,
        "title": task.title,
        "status": status,
        "points": task.points if status == RIGHT else 0,
        "of": task.points,
        "tries": entry.tries if entry else 0,
        "hints": entry.hints if entry else 0,
        "says": says,
        "mistake": mistake,
        "given": time.isoformat() if time else None,
        "prompt": posed.prompt,
        "solution": posed.solution,
        "kind": posed.label,
        "answer": answer,
        "shown": "" if shown == answer else shown,
        "traces": traces_of(posed, given),
    }


def mark_folder(
    folder, out, executor: Executor | None = None, progress=None, *, workers: int | None = None, accept=(),
    class_file=None, list_file=None,
) -> ClassMarks:  # fmt: skip
    """Mark all sheets in a folder and its subfolders, and write a table, a report, pages and pictures.

    Parameters
    ----------
    folder : path-like
    out : path-like
        The table, such as ``marks.csv``. Written beside it: ``marks.report.txt`` (a line for everything out of the
        ordinary), ``marks.pages`` (a page for each learner), ``marks.html`` (the class), ``marks.04.png`` and
        ``marks.04.groups.png`` (its pictures, of each homework), ``marks.journal`` (the sheets that are done),
        ``marks.gradebook.csv`` and ``.xlsx`` (one row a learner) and ``marks.similar.html`` (equal answers).
    executor : concurrent.futures.Executor, optional
        Runs :func:`mark_sheet`; the workbook must be installed wherever it does so
        (:func:`vocomp_lab.exercises.workers.cluster`). By default, processes on this machine. An executor that is passed
        in is not shut down.
    progress : callable, optional
        Called with (done, total).
    workers : int, optional
        How many processes on this machine; by default as many as it has processors.
    accept : sequence of path-likes
        Where there are different sheets of one learner for one homework: the ones to mark.
    class_file, list_file : path-like, optional
        What a teacher sets, and the class list (:func:`vocomp_lab.exercises.class_rules.read_class`).

    Returns
    -------
    ClassMarks
        The same ones whoever does the work.

    Raises
    ------
    ValueError
        If there is no such folder, `out` can't be a table or would take another file's place, another marker is at work on
        it, `workers` or `accept` can't be, or what a teacher gave for the class is not allowed.
    """
    folder, out = Path(folder), Path(out)
    if not folder.is_dir():
        raise ValueError(f"folder: {str(folder)!r} is not a folder; give the one with the answer sheets.")
    if out.is_dir():
        raise ValueError(f"out: {str(out)!r} is a folder; give the name of the table, such as marks.csv.")
    if workers is not None:
        checked_workers(workers)
    rules = read_class(folder, class_file, list_file)
    check_table(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    with Journal(out.with_suffix(".journal")) as journal:
        gathered = gather(folder, out, accept, rules)
        notes = gathered.notes
        if journal.strange:
            says = "It was not written by marking on this disk, so nothing in it counts; every sheet was marked anew."
            notes.append((out.with_suffix(".journal").name, says))
        marks = _mark_all(gathered.sheets, journal, notes, executor, workers, progress or (lambda done, total: None))
        anew = _posed_anew(marks, gathered.sheets, rules)
        for file, mark in marks.items():
            notes += [(file, says) for says in _out_of_the_ordinary(mark, anew.get(file))]
        ordered = sorted(
            ({"file": shown_path(file), **mark} for file, mark in marks.items()),
            key=lambda mark: (mark["learner"], mark["homework"]),
        )
        ordered, about_class = rules.applied(ordered)
        notes += [*about_class, *missing_lines(ordered, rules, gathered.conflicts)]
        first = [(conflict.files[0], f"Not marked. {conflict}") for conflict in gathered.conflicts]
        rest = sorted((shown_path(file), printable(says)) for file, says in notes)
        result = ClassMarks(ordered, first + rest, gathered.conflicts)
        write_reports(result, out, rules, class_details(ordered, rules, out))
        write_class_reports(ordered, rules, out, gathered.conflicts)
    return result


def check_table(out: Path) -> None:
    """Refuse a table of marks that would take another file's place.

    Raises
    ------
    ValueError
        If its name doesn't end in .csv, there is something else under that name, or under one that goes beside it.
    """
    if out.suffix.lower() != ".csv":
        raise ValueError(f"out: {str(out)!r} is not allowed; give a name that ends in .csv, such as marks.csv.")
    if out.exists() or out.is_symlink():
        if not is_table(out):
            raise ValueError(f"out: {str(out)!r} is there already and is no table of marks; give another name.")
    elif not is_journal(out.with_suffix(".journal")):
        pictures = (f".{name}{ending}" for name in homework_names() for ending in (CLASS_PICTURE, GROUPS_PICTURE))
        for ending in (*WRITTEN_BESIDE, *pictures):
            beside = out.with_suffix(ending)
            if beside.exists() or beside.is_symlink():
                raise ValueError(
                    f"out: {str(beside)!r} would be written beside the table, and is there already; give another name."
                )


def _posed_anew(marks: dict, sheets: dict, rules) -> dict[str, str]:
    """By file: whose numbers its tasks have, where they are not those of the learner whose id it has."""
    listed = rules.listed.by_id if rules.listed is not None else ()
    found, learners = {}, sorted({*listed, *(mark["learner"] for mark in marks.values())})
    for file, mark in marks.items():
        anew = [task["id"] for task in mark["tasks"] if task["status"] == POSED_ANEW]
        if anew and (whose := posed_to(sheets[file].sheet(), anew, learners)):
            found[file] = whose
            tasks = [{**task, "says": NOT_YOURS} if task["id"] in anew else task for task in mark["tasks"]]
            marks[file] = {**mark, "tasks": tasks}
    return found


def _out_of_the_ordinary(mark, whose: str | None):
    if mark["unknown"]:
        yield f"The sheet has answers to tasks that homework {mark['homework']} does not have; they don't count."
    anew = [str(number) for number, task in enumerate(mark["tasks"], start=1) if task["status"] == POSED_ANEW]
    if anew and whose:
        yield (
            f"{mark['learner']}'s id is on it, but the numbers are those of {whose} (task {', '.join(anew)}); not judged. The "
            "id was changed, or a sheet was begun under another's."
        )
    elif anew:
        yield (
            f"This version of the workbook poses task {', '.join(anew)} with other words or numbers than when it was answered, "
            f"so it was not marked; mark with the version of that time, or ask for a new answer."
        )


def _mark_all(sheets, journal: Journal, notes: list, executor, workers, progress) -> dict:
    keys = {file: key_of(handed_in.content) for file, handed_in in sheets.items()}
    known = journal.known(keys.values())
    marks = {file: known[key] for file, key in keys.items() if key in known}
    waiting = [file for file in sheets if file not in marks]
    progress(len(marks), len(sheets))

    def done(file, mark):
        journal.add(keys[file], mark)
        marks[file] = mark
        progress(len(marks), len(sheets))

    def failed(file, error):
        notes.append(
            (file, f"Not marked. Marking it failed ({type(error).__name__}: {' '.join(str(error).split())[:120]}).")
        )

    def load(file):
        return sheets[file].sheet()

    if executor is not None:
        run_on(executor, mark_sheet, load, waiting, done, failed)
    else:
        run_here(mark_sheet, load, waiting, done, failed, workers)
    return marks
