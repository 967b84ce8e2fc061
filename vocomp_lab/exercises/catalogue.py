"""The list of homeworks. Each is a module ``homework_NN`` in this folder with a ``TITLE`` and its ``TASKS``."""

from __future__ import annotations

import importlib
import re
from functools import cache
from pathlib import Path

from vocomp_lab.exercises.learners import Draw
from vocomp_lab.exercises.tasks import Posed, Task
from vocomp_lab.sound.checks import check_choice

_HERE = Path(__file__).parent
_MODULE = re.compile(r"homework_(\d\d|project)")


@cache
def homework_names() -> tuple[str, ...]:
    """Names of the homeworks, in order: "01", …, "project"."""
    found = (_MODULE.fullmatch(module.stem) for module in _HERE.glob("*.py"))
    return tuple(sorted(match[1] for match in found if match))


def title_of(homework: str) -> str:
    """The title of a homework."""
    return _module(homework).TITLE


def tasks_of(homework: str) -> tuple[Task, ...]:
    """The tasks of a homework, in order.

    Raises
    ------
    ValueError
        If there is no such homework.
    """
    return _module(homework).TASKS


def pose(homework: str, task: Task, learner: str) -> Posed:
    """A task as one learner gets it."""
    return task.pose(Draw(learner, f"{homework} {task.id}"))


@cache
def _module(homework: str):
    check_choice("homework", homework, homework_names())
    module = importlib.import_module(f"{__package__}.homework_{homework}")
    ids = [task.id for task in module.TASKS]
    if len(set(ids)) < len(ids):
        raise ValueError(f"TASKS: homework {homework} uses an id twice; every task needs its own.")
    return module
