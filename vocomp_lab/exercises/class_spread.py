"""How a class got on: tries, hints and points by task, points by homework, and the same by group, as plain tables."""

from __future__ import annotations

import html
from collections import defaultdict

import numpy as np

from vocomp_lab.exercises.class_list import ClassList
from vocomp_lab.exercises.kinds import HearIt
from vocomp_lab.exercises.tasks import RIGHT
from vocomp_lab.lessons.tables import table_html
from vocomp_lab.sound.text import figure, percent


def by_doing(task: dict) -> bool:
    """Whether a marked task has no right answer, but counts for being done."""
    return task.get("kind") == HearIt.label


def on_the_list(marked, listed: ClassList | None) -> tuple[list, int]:
    """The marks of those who are on the class list, which make the class's figures, and how many learners are left out.
    Without a list nobody is.
    """
    if listed is None:
        return list(marked), 0
    return [mark for mark in marked if mark["learner"] in listed], len(
        {mark["learner"] for mark in marked} - set(listed.by_id)
    )


def task_spread(marked) -> list[tuple]:
    """Tries, hints and points by task.

    Returns
    -------
    list of tuple
        Task, answers and sheets, tries of those who answered (median, most), hints a sheet (mean, most), and
        the points' mean, as text; in the order of the homeworks.
    """
    return [
        (
            label,
            f"{sum(bool(task['answer']) for task in tasks)} of {len(tasks)}",
            _median_and_most([task["tries"] for task in tasks if task["tries"]]),
            f"{np.mean([task['hints'] for task in tasks]):.1f}; {max(task['hints'] for task in tasks)}",
            f"{figure(float(np.mean([task['points'] for task in tasks])), digits=2)} of {tasks[0]['of']}",
        )
        for label, tasks in _by_task(marked).items()
    ]


def points_spread(marked) -> list[tuple]:
    """Points by homework.

    Returns
    -------
    list of tuple
        Homework, sheets, points that can be had, and the lowest, the quarter's, the median, the three quarters' and the
        highest points, as text.
    """
    points, of = defaultdict(list), {}
    for mark in marked:
        points[mark["homework"]].append(mark["points"])
        of[mark["homework"]] = mark["of"]
    return [
        (
            homework,
            len(got),
            of[homework],
            *(figure(float(x), digits=3) for x in np.percentile(got, (0, 25, 50, 75, 100))),
        )
        for homework, got in sorted(points.items())
    ]


def group_shares(marked, listed: ClassList) -> tuple[list[str], list[tuple[str, list]]]:
    """How many got each task right, by group.

    Parameters
    ----------
    marked : list of dict
    listed : ClassList

    Returns
    -------
    groups : list of str
        In the order of the list; those that handed in nothing are left out. Learners without a group come last, under "".
        Those who are not on the list are left out.
    shares : list of (str, list, bool)
        Task, for each group (share right 0 to 1, sheets), (NaN, 0) where nobody handed it in, and whether the task has no
        right answer, but counts for being done.
    """
    marked, _ = on_the_list(marked, listed)
    group_of = {mark["learner"]: listed.by_id[mark["learner"]].group for mark in marked}
    seen = set(group_of.values())
    groups = [group for group in (*listed.groups, "") if group in seen]
    shares = [(label, [], by_doing(tasks[0])) for label, tasks in _by_task(marked).items()]
    for group in groups:
        own = _by_task([mark for mark in marked if group_of[mark["learner"]] == group])
        for label, row, _ in shares:
            right = [task["status"] == RIGHT for task in own.get(label, ())]
            row.append((float(np.mean(right)) if right else float("nan"), len(right)))
    return groups, shares


def _by_task(marked) -> dict[str, list]:
    found, labels = defaultdict(list), {}
    for mark in marked:
        for number, task in enumerate(mark["tasks"], start=1):
            place = mark["homework"], number
            found[place].append(task)
            labels[place] = f"{mark['homework']}.{number} {task['title']}"
    return {labels[place]: found[place] for place in sorted(found)}


def _median_and_most(counts) -> str:
    return f"{figure(float(np.median(counts)))}; {max(counts)}" if counts else "–"


def spread_tables(marked, listed: ClassList | None = None, by_group: str = "") -> str:
    """The tables as HTML for the page on the class; `by_group` is HTML that goes before the one by group."""
    if not marked:
        return ""
    parts = [
        _table(
            "Tries, hints and points",
            ("task", "answered", "tries (median; most)", "hints (mean; most)", "points (mean)"),
            task_spread(marked),
        ),
        _table(
            "Points by homework",
            ("homework", "sheets", "of", "lowest", "a quarter below", "median", "a quarter above", "highest"),
            points_spread(marked),
        ),
    ]
    if listed is not None:
        groups, shares = group_shares(marked, listed)
        rows = [
            (f"{label}{' (done)' * done}", *(f"{percent(share)} of {count}" if count else "–" for share, count in row))
            for label, row, done in shares
        ]
        parts += [by_group, _table("Right, by group", ("task", *(group or "no group" for group in groups)), rows)]
    return "".join(parts)


def _table(caption: str, head, rows) -> str:
    return f"<h2>{html.escape(caption)}</h2><div class='wide' tabindex='0' role='region' aria-label='{html.escape(caption)}'>{table_html(rows, head)}</div>"
