"""Points after what a teacher has set: deductions for hints and late answers, and which of several sheets counts.

Marks come as :func:`vocomp_lab.exercises.marking.mark_sheet` gives them and go as they came, but for their points; with
the default settings they are the very same.
"""

from __future__ import annotations

import datetime
from itertools import groupby

from vocomp_lab.exercises.class_settings import LAST, ClassSettings
from vocomp_lab.exercises.sheets import shown_path

CLOCK_SLACK = datetime.timedelta(hours=1)
"""An answer that is dated later than this from now on comes from a clock that is set wrong; its time counts as unknown."""
_OLDEST_YEAR = 2020


def read_time(text) -> datetime.datetime | None:
    """The time at which an answer was given; None if it is unknown, or has no offset.

    Parameters
    ----------
    text : str
        ISO date and time with offset, such as "2026-10-05T18:00:00+02:00".
    """
    try:
        found = datetime.datetime.fromisoformat(text)
        # Both ends of the calendar are left out, where an offset leads off it.
        return found if found.tzinfo is not None and 1900 < found.year < 9000 else None
    except (TypeError, ValueError):
        return None


def graded(mark: dict, settings: ClassSettings) -> dict:
    """A sheet's marks after deductions. Each task that loses points says why under ``deducted``, a list of sentences.

    Parameters
    ----------
    mark : dict
        As :func:`vocomp_lab.exercises.marking.mark_sheet` returns it; left as it is.
    settings : ClassSettings
    """
    tasks = [_graded_task(task, mark["homework"], mark["learner"], settings) for task in mark["tasks"]]
    if all(task is same for task, same in zip(tasks, mark["tasks"])):
        return mark
    return {**mark, "tasks": tasks, "points": _plain(sum(task["points"] for task in tasks))}


def _graded_task(task: dict, homework: str, learner: str, settings: ClassSettings) -> dict:
    if not task["points"]:
        return task
    percent, told = 0.0, []
    if settings.hint_percent and task["hints"]:
        percent = settings.hint_percent * task["hints"]
        hints = f"{task['hints']} hint{'s' if task['hints'] > 1 else ''}"
        told.append(f"{hints}: {min(percent, 100):g} % less.")
    if settings.late_percent_per_day and settings.due_at(homework, learner) is not None:
        given_at = read_time(task["given"])
        if given_at is None:
            told.append("When it was given is not known for sure, so nothing is taken off for lateness.")
        elif days := settings.days_late(homework, given_at, learner):
            late = min(settings.late_percent_per_day * days, settings.late_percent_most)
            percent += late
            told.append(f"{days} day{'s' if days > 1 else ''} late: {late:g} % less.")
    if not told:
        return task
    return {**task, "points": _plain(task["points"] * max(1 - percent / 100, 0.0)), "deducted": told}


def _plain(points: float) -> float | int:
    """Points to two decimals; whole ones as whole numbers, as they are without deductions."""
    rounded = round(points, 2)
    return int(rounded) if rounded == int(rounded) else rounded


def grade_all(marks, settings: ClassSettings, now: datetime.datetime | None = None) -> tuple[list, list]:
    """The marks of a class after a teacher's settings.

    Parameters
    ----------
    marks : list of dict
        With ``file``, sorted by learner and homework.
    settings : ClassSettings
    now : datetime, optional
        With an offset; by default, the time it is.

    Returns
    -------
    marks : list of dict
        One for each learner and homework.
    notes : list of (str, str)
        A file and one sentence: sheets that are there several times, late answers, times that say nothing.
    """
    now = now or datetime.datetime.now(datetime.timezone.utc)
    done, notes = [], []
    for _, together in groupby(marks, key=lambda mark: (mark["learner"], mark["homework"])):
        together = [_with_times_that_can_be(mark, settings, now) for mark in together]
        if len(together) > 1:
            mark, note = _of_several(together, settings)
            notes.append(note)
        else:
            mark = graded(together[0], settings)
        notes += [(mark["file"], says) for says in _about_times(mark, settings)]
        done.append(mark)
    return done, notes


def _with_times_that_can_be(mark: dict, settings: ClassSettings, now: datetime.datetime) -> dict:
    """A mark in which times that can't be right are unknown, where something may follow from them."""
    if settings.due_at(mark["homework"], mark["learner"]) is None and settings.several != LAST:
        return mark

    def wrong(task):
        time = read_time(task["given"])
        return time is not None and (time > now + CLOCK_SLACK or time.year < _OLDEST_YEAR)

    return {**mark, "tasks": [{**task, "given": None} if wrong(task) else task for task in mark["tasks"]]}


def _of_several(together: list, settings: ClassSettings) -> tuple[dict, tuple]:
    """One mark from several sheets of a learner: of each task the best or the last answer, with its own hints and time, so that
    one more sheet can't take points from the best.
    """
    first = together[0]
    unknown, tasks = 0, []
    marks = [graded(mark, settings) for mark in together]
    for versions in zip(*(mark["tasks"] for mark in marks)):
        answered = [task for task in versions if task["answer"]] or list(versions[:1])
        times = [read_time(task["given"]) for task in answered]
        if settings.several == LAST and len(answered) > 1 and None not in times:
            tasks.append(answered[times.index(max(times))])
            continue
        unknown += settings.several == LAST and len(answered) > 1
        tasks.append(max(answered, key=lambda task: task["points"]))
    rule = "the last" if settings.several == LAST else "the best"
    others = ", ".join(shown_path(mark["file"]) for mark in together[1:])
    says = (
        f"{first['learner']}'s homework {first['homework']} is there {len(together)} times (also {others}); of each task "
        f"{rule} answer counts."
    )
    if unknown:
        says += f" For {unknown} of the tasks a time is not known; there the best counts."
    mark = {
        **first,
        "tasks": tasks,
        "points": _plain(sum(task["points"] for task in tasks)),
        "unknown": sorted({name for mark in together for name in mark["unknown"]}),
    }
    return mark, (first["file"], says)


def _about_times(mark: dict, settings: ClassSettings):
    """Sentences on the times of a sheet's answers; none where the class has no due dates."""
    if settings.due_at(mark["homework"], mark["learner"]) is None:
        return
    times = [read_time(task["given"]) for task in mark["tasks"] if task["answer"]]
    if unknown := times.count(None):
        yield (
            f"The time of {unknown} of its {len(times)} answers is not known for sure; nothing is taken off those for lateness."
        )
    late = [days for time in times if time and (days := settings.days_late(mark["homework"], time, mark["learner"]))]
    if late:
        most = max(late)
        yield f"{len(late)} of its {len(times)} answers came late, the latest {most} day{'s' if most > 1 else ''}."
