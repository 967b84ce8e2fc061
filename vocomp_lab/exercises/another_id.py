"""Whether the tasks in a sheet were posed to somebody else: a friend's whole sheet with the id changed.

Every learner gets numbers of their own, and a sheet says what was posed. If that fits another learner of the class, the
workbook has not changed; the id has.
"""

from __future__ import annotations

from functools import lru_cache

from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.kinds import WorkOut
from vocomp_lab.exercises.sheets import Sheet

NOT_YOURS = "Not judged: these are another learner's numbers."
"""What the learner reads, without a name."""


def posed_to(sheet: Sheet, tasks, learners) -> str | None:
    """To whom the tasks in a sheet were posed, if it was not the learner whose id it has.

    Parameters
    ----------
    sheet : Sheet
    tasks : iterable of str
        Ids of tasks that were posed otherwise than they are to this learner.
    learners : iterable of str
        Who it could be.

    Returns
    -------
    str or None
        None if nobody fits, or more than one does. Only tasks of the kind *work it out* are compared: their numbers are
        drawn in no time, and seldom alike.
    """
    given = {name: sheet.answers[name].posed for name in tasks if name in sheet.answers and sheet.answers[name].posed}
    given = {name: posed for name, posed in given.items() if _is_worked_out(sheet.homework, name)}
    if not given:
        return None
    fits = [
        learner
        for learner in learners
        if learner != sheet.learner
        and all(_digest(sheet.homework, name, learner) == posed for name, posed in given.items())
    ]
    return fits[0] if len(fits) == 1 else None


def _task(homework: str, name: str):
    return next((task for task in tasks_of(homework) if task.id == name), None)


def _is_worked_out(homework: str, name: str) -> bool:
    task = _task(homework, name)
    return task is not None and isinstance(pose(homework, task, "anybody"), WorkOut)


@lru_cache(maxsize=50_000)
def _digest(homework: str, name: str, learner: str) -> str:
    return pose(homework, _task(homework, name), learner).digest
