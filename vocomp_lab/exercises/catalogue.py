"""The list of homeworks: modules ``homework_NN`` in this folder, each with a ``TITLE`` and its ``TASKS``, and teachers'
files ``homework_NN.toml`` beside the homework notebooks (:mod:`vocomp_lab.exercises.written`).
"""

from __future__ import annotations

import importlib
import re
from functools import cache
from pathlib import Path

from vocomp_lab.exercises.learners import Draw
from vocomp_lab.exercises.tasks import Posed, Task
from vocomp_lab.exercises.written import Written, read_written
from vocomp_lab.sound.checks import check_choice
from vocomp_lab.sound.shipped_folders import HOMEWORK, NOTEBOOKS

_HERE = Path(__file__).parent
_MODULE = re.compile(r"homework_(\d\d|project)")
_WRITTEN = re.compile(r"homework_([a-z0-9][a-z0-9-]{0,30})")


def written_files() -> dict[str, Path]:
    """Teachers' files by the homework that they belong to.

    They lie in ``notebooks/homework``: of this workbook, of the folder that one works in (which may be a copy of the
    notebooks), or in that folder itself.
    """
    found = {}
    for folder in (NOTEBOOKS / HOMEWORK, Path(NOTEBOOKS.name, HOMEWORK), Path(HOMEWORK), Path()):
        for path in sorted(folder.glob("homework_*.toml")):
            match = _WRITTEN.fullmatch(path.stem)
            if match and path.is_file():
                found[match[1]] = path.resolve()
    return found


@cache
def homework_names() -> tuple[str, ...]:
    """Names of the homeworks, in order: "01", …, "project"."""
    for homework in written_files():
        _homework_or_error(homework)  # what is said about their mistakes is known from here on
    return tuple(sorted({*_modules(), *written_files()}))


def title_of(homework: str) -> str:
    """The title of a homework."""
    return _homework(homework).title


def tasks_of(homework: str) -> tuple[Task, ...]:
    """The tasks of a homework, in order: those of the workbook, then those of a teacher's file.

    Raises
    ------
    ValueError
        If there is no such homework, or if a teacher's file for it can't be read.
    """
    return _homework(homework).tasks


def pose(homework: str, task: Task, learner: str) -> Posed:
    """A task as one learner gets it."""
    return task.pose(Draw(learner, f"{homework} {task.id}"))


def _modules() -> set[str]:
    found = (_MODULE.fullmatch(module.stem) for module in _HERE.glob("*.py"))
    return {match[1] for match in found if match}


def _homework(homework: str) -> Written:
    check_choice("homework", homework, homework_names())
    found = _homework_or_error(homework)
    if isinstance(found, ValueError):
        raise found
    return found


@cache
def _homework_or_error(homework: str) -> Written | ValueError:
    """A file that can't be read costs nothing but its own homework."""
    title, tasks = "", ()
    if homework in _modules():
        module = importlib.import_module(f"{__package__}.homework_{homework}")
        title, tasks = module.TITLE, module.TASKS
    path = written_files().get(homework)
    if path is not None:
        try:
            written = read_written(path, homework)
        except ValueError as error:
            return error
        if not title and not written.title:
            return ValueError(f"{path.name}: title is missing; a homework of its own needs one.")
        title, tasks = title or written.title, tasks + written.tasks
    ids = [task.id for task in tasks]
    twice = next((name for name in ids if ids.count(name) > 1), None)
    if twice:
        return ValueError(f"homework {homework} uses the id {twice!r} twice; every task needs its own.")
    return Written(title, tasks)
