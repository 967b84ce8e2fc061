"""Marks for a class: a folder of answer sheets goes in, every mark is worked out anew from the answers, and nothing
that one
sheet holds costs another a mark.

The work runs through any ``concurrent.futures.Executor``; without one, through processes of this machine. A sheet that
is
done is written to a journal at once, keyed by what it holds, so that a run that was ended goes on where it stopped.
Sheets come from the homework of ``01_levels_and_meters`` and its fellows.
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

from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.learners import GUEST
from vocomp_lab.exercises.sheets import LONGEST_SHEET, Sheet, read_sheet, sheet_name
from vocomp_lab.exercises.tasks import RIGHT

_IN_FLIGHT = 64
NO_ANSWER = "no answer"


@dataclass(frozen=True)
class ClassMarks:
    """What came of a folder.

    Attributes
    ----------
    marked : list of dict
        One a sheet, as :func:`mark_sheet` gives it, with ``file`` added; by learner and homework.
    notes : list of (str, str)
        File and one sentence, for whatever is out of the ordinary; by file.
    """

    marked: list
    notes: list


def mark_sheet(raw: bytes) -> dict:
    """Mark one sheet, from its bytes.

    Parameters
    ----------
    raw : bytes
        A sheet that can be read (:func:`vocomp_lab.exercises.sheets.read_sheet`).

    Returns
    -------
    dict
        Plain JSON values: ``learner``, ``homework``, ``points``, ``of``, ``unknown`` (names of answers to no task) and
        ``tasks``: for each ``id``, ``title``, ``status``, ``points``, ``of``, ``tries``, ``hints``, ``says``,
        ``mistake``,
        ``prompt`` and ``solution``. Whatever the sheet says of marks is not looked at.
    """
    sheet = read_sheet(raw)
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
        verdict = posed.judged(entry.answer)
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
    }


def mark_folder(folder, out, executor: Executor | None = None, progress=None) -> ClassMarks:
    """Mark all sheets in a folder and the folders in it, and write table, report, pages and picture.

    Parameters
    ----------
    folder : path-like
    out : path-like
        The table, such as ``marks.csv``. Beside it: ``marks.report.txt`` (one line for whatever is out of the
        ordinary),
        ``marks.pages`` (a page a learner), ``marks.png`` (the class) and ``marks.journal`` (sheets that are done).
    executor : concurrent.futures.Executor, optional
        Runs :func:`mark_sheet`; where it does so, the workbook must be installed. By default as many processes as this
        machine
        has processors. One that is passed in is left open.
    progress : callable, optional
        Called with (done, total).

    Returns
    -------
    ClassMarks

    Raises
    ------
    ValueError
        If the folder is none.
    """
    folder, out = Path(folder), Path(out)
    if not folder.is_dir():
        raise ValueError(f"folder: {str(folder)!r} is no folder; give the one with the answer sheets.")
    out.parent.mkdir(parents=True, exist_ok=True)
    sheets, notes = gather(folder)
    marks = _mark_all(sheets, out.with_suffix(".journal"), notes, executor, progress or (lambda done, total: None))
    for file, mark in marks.items():
        if mark["unknown"]:
            notes.append(
                (file, f"The sheet answers tasks that homework {mark['homework']} does not have; they were left out.")
            )
    ordered = sorted(
        ({"file": file, **mark} for file, mark in marks.items()), key=lambda mark: (mark["learner"], mark["homework"])
    )
    result = ClassMarks(ordered, sorted(notes))

    from vocomp_lab.exercises.reports import write_reports

    write_reports(result, out)
    return result


def gather(folder: Path) -> tuple[dict[str, bytes], list]:
    """The sheets to mark, by file name, one a learner and homework; and what has to be said about the other files."""
    found, notes = {}, []
    for file in sorted(_files(folder)):
        name = file.relative_to(folder).as_posix()
        try:
            raw = _bytes_of(file)
            sheet = read_sheet(raw)
            if sheet.learner == GUEST:
                raise ValueError("It is a guest's sheet; nobody gets marks for it.")
        except ValueError as error:
            notes.append((name, f"Not marked. {error}"))
            continue
        found.setdefault((sheet.learner, sheet.homework), []).append((name, raw))
    chosen = {}
    for (learner, homework), files in found.items():
        # The name that the workbook itself gives goes first: who puts another's id into a sheet can't take that one's
        # place.
        files.sort(key=lambda item: (Path(item[0]).name != sheet_name(homework, learner), item[0]))
        (name, raw), *others = files
        chosen[name] = raw
        if Path(name).name != sheet_name(homework, learner):
            notes.append(
                (
                    name,
                    f"Marked, but wrongly named: it is {learner}'s homework {homework}, "
                    f"{sheet_name(homework, learner)}.",
                )
            )
        for other, content in others:
            same = "with the same content" if content == raw else "with other content"
            notes.append(
                (other, f"Not marked. {learner}'s homework {homework} is there twice, {same}; marked was {name}.")
            )
    return chosen, notes


def _files(folder: Path):
    for at, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in names:
            if not name.startswith("."):
                yield Path(at) / name


def _bytes_of(file: Path) -> bytes:
    if file.suffix.lower() != ".json":
        raise ValueError("It is no answer sheet by its name, which should end in .json.")
    if file.is_symlink() or not file.is_file():
        raise ValueError("It is no ordinary file.")
    try:
        with open(file, "rb") as opened:
            return opened.read(LONGEST_SHEET + 1)
    except OSError as error:
        raise ValueError(f"It can't be opened ({error.strerror}).") from None


# ---------------------------------------------------------------------------------------------------------- the work


def _mark_all(sheets: dict, journal: Path, notes: list, executor, progress) -> dict:
    keys = {file: _key(raw) for file, raw in sheets.items()}
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
    """Mark what waits; the files that were under way when the pool of processes broke."""
    waiting, flying, broken = list(reversed(waiting)), {}, []
    try:
        while waiting or flying:
            while waiting and len(flying) < _IN_FLIGHT and not broken:
                file = waiting.pop()
                try:
                    flying[executor.submit(mark_sheet, sheets[file])] = file
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
                except Exception as error:  # whatever a worker or the way to it comes up with concerns this sheet only
                    failed(file, error)
    finally:
        for future in flying:
            future.cancel()
    return broken + waiting


def _run_here(sheets, waiting, done, failed) -> None:
    with _pool() as pool:
        left = _run(pool, sheets, waiting, done, failed)
    # A process died, which takes all sheets under way along: one by one it shows whose fault it is.
    for file in left:
        with _pool(1) as pool:
            if _run(pool, sheets, [file], done, failed):
                failed(file, RuntimeError("the process that marked it broke down"))


def _pool(workers=None) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        workers or os.cpu_count(), mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_the_marker
    )


def _end_with_the_marker() -> None:
    """In a worker: a marker that is killed can tell nobody, and its workers would wait for the next sheet for ever."""

    def watch():
        multiprocessing.parent_process().join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


# ------------------------------------------------------------------------------------------------------- the journal


@cache
def _workbook() -> bytes:
    """Stands for this state of the workbook: another one marks anew. Pictures and widgets have no part in marks."""
    package = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for module in sorted(package.rglob("*.py")):
        if module.relative_to(package).parts[0] in ("pictures", "bench", "jupyter"):
            continue
        digest.update(module.relative_to(package).as_posix().encode() + b"\0" + module.read_bytes())
    return digest.digest()


def _key(raw: bytes) -> str:
    return hashlib.sha256(_workbook() + raw).hexdigest()


def _read_journal(path: Path) -> dict:
    """Marks by key; a last line that was cut off, and whatever else is no entry, counts as not done."""
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
    """Finished sheets, one line each, on the disk before the next one counts."""

    def __init__(self, path: Path):
        self._path = path

    def __enter__(self):
        self._file = open(self._path, "a+b")
        # A line that was cut off when the last run was ended must not swallow the next one.
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
