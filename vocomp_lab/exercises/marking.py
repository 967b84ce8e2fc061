"""Marks for a class: a folder of answer sheets goes in, and every mark is worked out anew from the answers.

Nothing that one sheet holds can cost another a mark. The work runs on any ``concurrent.futures.Executor``; without one,
in processes on this machine. Each finished sheet is written to a journal at once, under a key made from its content, so
that a run that was stopped can carry on where it stopped.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import threading
from concurrent.futures import FIRST_COMPLETED, Executor, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from vocomp_lab.exercises.answer_text import answer_text
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.class_reports import SUFFIXES, class_details, write_class_reports
from vocomp_lab.exercises.class_rules import NO_RULES, ClassRules, read_class
from vocomp_lab.exercises.learners import GUEST
from vocomp_lab.exercises.reports import write_reports
from vocomp_lab.exercises.sheets import Sheet, read_sheet, sheet_bytes, sheet_name, shown_path
from vocomp_lab.exercises.tasks import RIGHT
from vocomp_lab.exercises.traces import traces_of
from vocomp_lab.singer.song import DATA_FOLDER

_IN_FLIGHT = 64
NO_ANSWER = "no answer"


@dataclass(frozen=True)
class ClassMarks:
    """The outcome for a folder.

    Attributes
    ----------
    marked : list of dict
        One for each sheet, as :func:`mark_sheet` returns it, with ``file`` added; sorted by learner and homework.
    notes : list of (str, str)
        A file and one sentence, for everything out of the ordinary; sorted by file.
    """

    marked: list
    notes: list


@dataclass(frozen=True)
class HandedIn:
    """A sheet that was handed in.

    Attributes
    ----------
    raw : bytes
        The file's content, which the journal knows the sheet by.
    sheet : Sheet
        The same, checked.
    """

    raw: bytes
    sheet: Sheet


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
        ``mistake``, ``prompt``, ``solution``, ``given`` (ISO date and time; "" if unknown), ``answer`` (as text) and
        ``traces`` (:mod:`vocomp_lab.exercises.traces`). Only the answers count, whatever else the sheet may claim.
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
        "unknown": sorted(set(sheet.answers) - {task.id for task in tasks}),
        "tasks": marks,
    }


def _mark_task(sheet: Sheet, task) -> dict:
    posed = pose(sheet.homework, task, sheet.learner)
    entry = sheet.answers.get(task.id)
    status, says, mistake = NO_ANSWER, "", None
    if entry is not None and entry.answer is not None:
        verdict = posed.judge_data(entry.answer)
        status, says, mistake = verdict.status, verdict.text, verdict.mistake
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
        "prompt": posed.prompt,
        "solution": posed.solution,
        "given": getattr(entry, "given_at", ""),
        "answer": answer_text(posed, getattr(entry, "answer", None)),
        "traces": traces_of(posed, getattr(entry, "answer", None)),
    }


def mark_folder(
    folder, out, executor: Executor | None = None, progress=None, class_file=None, list_file=None
) -> ClassMarks:
    """Mark all sheets in a folder and its subfolders, and write a table, a report, pages and a picture.

    Parameters
    ----------
    folder : path-like
    out : path-like
        The table, such as ``marks.csv``. Written beside it: ``marks.report.txt`` (a line for everything out of the
        ordinary), ``marks.pages`` (a page for each learner), ``marks.png`` and ``marks.html`` (the class) and
        ``marks.journal`` (the sheets that are done), ``marks.gradebook.csv`` and ``.xlsx`` (one row a learner) and
        ``marks.similar.html`` (equal answers).
    executor : concurrent.futures.Executor, optional
        Runs :func:`mark_sheet`; the workbook must be installed wherever it does so. By default, as many processes as
        this machine has processors. An executor that is passed in is not shut down.
    progress : callable, optional
        Called with (done, total).
    class_file, list_file : path-like, optional
        What a teacher sets, and the class list (:func:`vocomp_lab.exercises.class_rules.read_class`).

    Returns
    -------
    ClassMarks

    Raises
    ------
    ValueError
        If there is no such folder, or what a teacher gave for the class is not allowed.
    """
    folder, out = Path(folder), Path(out)
    if not folder.is_dir():
        raise ValueError(f"folder: {str(folder)!r} is not a folder; give the one with the answer sheets.")
    rules = read_class(folder, class_file, list_file)
    out.parent.mkdir(parents=True, exist_ok=True)
    sheets, notes = gather(folder, out, rules)
    marks = _mark_all(sheets, out.with_suffix(".journal"), notes, executor, progress or (lambda done, total: None))
    for file, mark in marks.items():
        if mark["unknown"]:
            says = f"The sheet has answers to tasks that homework {mark['homework']} does not have; they don't count."
            notes.append((file, says))
    ordered = sorted(
        ({"file": shown_path(file), **mark} for file, mark in marks.items()),
        key=lambda mark: (mark["learner"], mark["homework"]),
    )
    ordered, about_class = rules.applied(ordered)
    result = ClassMarks(ordered, sorted([*((shown_path(file), says) for file, says in notes), *about_class]))
    write_reports(result, out, class_details(ordered, rules, out))
    write_class_reports(ordered, rules, out)
    return result


def gather(folder: Path, out: Path | None = None, rules: ClassRules = NO_RULES) -> tuple[dict[str, HandedIn], list]:
    """The sheets to mark, one for each learner and homework, and notes on the other files.

    Parameters
    ----------
    folder : Path
    out : Path, optional
        The table that marking writes: it, and what is written beside it, is not a sheet.
    rules : ClassRules
        What a teacher gave: its files are no sheets, and it may let several sheets of one homework count.

    Returns
    -------
    sheets : dict of str to HandedIn
        By file name within the folder.
    notes : list of (str, str)
        A file name and one sentence.
    """
    found, notes = {}, []
    for file in sorted(_files(folder, out)):
        name = file.relative_to(folder).as_posix()
        if rules.owns(file):
            continue
        try:
            handed_in = _handed_in(file)
        except ValueError as error:
            notes.append((name, f"Not marked. {error}"))
            continue
        found.setdefault((handed_in.sheet.learner, handed_in.sheet.homework), []).append((name, handed_in))
    chosen = {}
    for (learner, homework), files in found.items():
        # The file with the name that the workbook gives goes first, so that nobody can push a sheet aside by handing in
        # another one with the same id in it.
        usual = sheet_name(homework, learner)
        files.sort(key=lambda item: (Path(item[0]).name != usual, item[0]))
        (name, chosen_one), *others = files
        chosen[name] = chosen_one
        if rules.settings.several:
            versions = {handed_in.raw: (other, handed_in) for other, handed_in in reversed(files)}
            chosen |= dict(versions.values())
            others = [(other, handed_in) for other, handed_in in others if other not in chosen]
        if Path(name).name != usual:
            notes.append((name, f"Marked, but wrongly named: it is {learner}'s homework {homework}, {usual}."))
        for other, handed_in in others:
            same = "the same" if handed_in.raw == chosen_one.raw else "other"
            notes.append(
                (
                    other,
                    f"Not marked. {learner}'s homework {homework} is there twice, with {same} content; "
                    f"{shown_path(name)} was marked.",
                )
            )
    return chosen, notes


def _files(folder: Path, out: Path | None):
    """All files but hidden ones and those that marking itself has written, now or with another table's name."""
    home = None if out is None else out.parent.resolve()
    for at, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        tables = {name.removesuffix(".journal") for name in names if name.endswith(".journal")}
        written = {table + suffix for table in tables for suffix in _WRITTEN}
        if home == Path(at).resolve():
            written |= {out.name, *(out.with_suffix(suffix).name for suffix in _WRITTEN)}
        for name in names:
            a_page = at.endswith(".pages") and name.startswith("page_") and name.endswith(".html")
            if not name.startswith(".") and name not in written and not a_page:
                yield Path(at) / name


_WRITTEN = (".csv", ".report.txt", ".png", ".html", ".journal", *SUFFIXES)


def _handed_in(file: Path) -> HandedIn:
    """A file as a sheet to mark; a ValueError of one sentence if it is none."""
    if file.suffix.lower() != ".json":
        raise ValueError("The name of an answer sheet ends in .json.")
    raw = sheet_bytes(file)
    sheet = read_sheet(raw)
    if sheet.learner == GUEST:
        raise ValueError("It is a guest's sheet, and guests get no marks.")
    return HandedIn(raw, sheet)


# ---------------------------------------------------------------------------------------------------------- the work


def _mark_all(sheets: dict[str, HandedIn], journal: Path, notes: list, executor, progress) -> dict:
    keys = {file: _key(handed_in.raw) for file, handed_in in sheets.items()}
    known = _read_journal(journal)
    marks = {file: known[key] for file, key in keys.items() if key in known}
    waiting = [file for file in sheets if file not in marks]
    progress(len(marks), len(sheets))
    with _Journal(journal) as book:

        def done(file, mark):
            book.add(keys[file], mark)
            marks[file] = mark
            progress(len(marks), len(sheets))

        def failed(file, error):
            notes.append(
                (file, f"Not marked. Marking it failed ({type(error).__name__}: {' '.join(str(error).split())[:120]}).")
            )

        if executor is not None:
            _run(executor, sheets, waiting, done, failed)
        elif waiting:
            _run_here(sheets, waiting, done, failed)
    return marks


def _run(executor, sheets, waiting, done, failed) -> list:
    """Mark the waiting sheets; returns those left undone when the pool of processes broke."""
    waiting, flying, broken = list(reversed(waiting)), {}, []
    try:
        while waiting or flying:
            while waiting and len(flying) < _IN_FLIGHT and not broken:
                file = waiting.pop()
                try:
                    flying[executor.submit(mark_sheet, sheets[file].sheet)] = file
                except BrokenProcessPool:
                    broken.append(file)
            if not flying:
                break
            for future in wait(flying, return_when=FIRST_COMPLETED).done:
                file = flying.pop(future)
                try:
                    done(file, future.result())
                except BrokenProcessPool:
                    broken.append(file)
                except (
                    Exception
                ) as error:  # whatever goes wrong in a worker, or on the way to it, costs this sheet only
                    failed(file, error)
    finally:
        for future in flying:
            future.cancel()
    return broken + waiting


def _run_here(sheets, waiting, done, failed) -> None:
    with _pool() as pool:
        left = _run(pool, sheets, waiting, done, failed)
    # When a process dies, every sheet being marked is lost. Marked one by one, they show which one was to blame.
    for file in left:
        with _pool(1) as pool:
            if _run(pool, sheets, [file], done, failed):
                failed(file, RuntimeError("the process that marked it broke down"))


def _pool(workers=None) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        workers or os.cpu_count(), mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_the_marker
    )


def _end_with_the_marker() -> None:
    """Runs in a worker: a marker that is killed can't say so, and its workers would wait for the next sheet for ever."""

    def watch():
        multiprocessing.parent_process().join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


# ------------------------------------------------------------------------------------------------------- the journal


@cache
def _workbook() -> bytes:
    """A digest of everything that marks depend on, so that another workbook marks anew: the code (without pictures and
    widgets) and the clips.
    """
    package = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for module in sorted(package.rglob("*.py")):
        if module.relative_to(package).parts[0] not in ("pictures", "bench", "jupyter"):
            digest.update(module.relative_to(package).as_posix().encode() + b"\0" + module.read_bytes())
    for clip in sorted(DATA_FOLDER.glob("*.*")):
        digest.update(clip.name.encode() + b"\0" + clip.read_bytes())
    return digest.digest()


def _key(raw: bytes) -> str:
    return hashlib.sha256(_workbook() + raw).hexdigest()


def _read_journal(path: Path) -> dict:
    """Marks by key. A last line that was cut off, and anything else that is not an entry, counts as not done."""
    try:
        lines = path.read_text("utf-8", errors="replace").splitlines()
    except OSError:
        return {}
    known = {}
    for line in lines:
        try:
            entry = json.loads(line)
            known[entry["key"]] = entry["mark"]
        except (ValueError, TypeError, KeyError, RecursionError):
            continue
    return known


class _Journal:
    """Finished sheets, one a line; each is on the disk before it counts."""

    def __init__(self, path: Path):
        self._path = path

    def __enter__(self):
        self._file = open(self._path, "a+b")
        # If the last run was stopped within a line, the next line must not run into it.
        self._file.seek(0, os.SEEK_END)
        if self._file.tell():
            self._file.seek(-1, os.SEEK_END)
            if self._file.read(1) != b"\n":
                self._file.write(b"\n")
        return self

    def __exit__(self, *_):
        self._file.close()

    def add(self, key: str, mark: dict) -> None:
        self._file.write(json.dumps({"key": key, "mark": mark}, ensure_ascii=False).encode() + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())
