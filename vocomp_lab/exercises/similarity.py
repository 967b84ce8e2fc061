"""Which answers of a class have more in common than chance explains: for a teacher to look at, never a verdict.

From the traces of the marked answers (:mod:`vocomp_lab.exercises.traces`). What equal answers can come from by
themselves is said beside them, in ``ABOUT``.
"""

from __future__ import annotations

import html
from collections import Counter, defaultdict
from dataclasses import dataclass
from itertools import combinations

from vocomp_lab.exercises.traces import FUNCTION, KEY, LISTENING, MODEL, NUMBERS, SETTINGS
from vocomp_lab.lessons.tables import table_html

SHARED_BY_MANY = 4
"""More learners than these with one and the same answer: it more likely comes from the task, or from the lesson."""
LONG_FUNCTION = 60
"""Functions with fewer parts are often equal by chance. The worked solutions of 01 to 05 have 19 to 29 parts, that of 07
has 86. Common practice, no source."""
LEAST_ROUNDS = 5
"""Listening records with fewer rounds can be equal by chance."""
_MOST_SHOWN = 100
_MOST_PAIRS = 40
ABOUT = {
    FUNCTION: (
        "the same function, names, layout and comments aside",
        "Short functions are often equal by themselves: there are few ways to write one line. So are those that follow the "
        "lesson's own formula. Learners who worked together, or asked the same helper, write the same, too.",
    ),
    SETTINGS: (
        "the same settings, to more digits than a hand sets",
        "A proposal of the workbook gives the same digits to learners whose takes are alike, and a class may have been given a "
        "settings sheet to begin with. Settings that lie on a slider's stops are not compared.",
    ),
    NUMBERS: (
        "the same number, to more digits than anybody types",
        "Numbers that are computed have all their digits. Two learners with the same variant of a task get the same one, and "
        "with the same mistake the same wrong one.",
    ),
    LISTENING: (
        "the same listening record, with every time in it",
        "Times are kept to a tenth of a second. Two sittings don't come out alike in all of them, but two people at one "
        "computer may hand in one sitting.",
    ),
}


@dataclass(frozen=True)
class Alike:
    """Answers to one task that are equal.

    Attributes
    ----------
    kind : str
        What is equal: ``FUNCTION``, ``SETTINGS``, ``NUMBERS`` or ``LISTENING``.
    homework, task : str
        The task's id and title, as "04.2 Write the gain computer".
    size : int
        How much there is to be equal (:class:`vocomp_lab.exercises.traces.Trace`).
    learners : tuple of str
        Two or more, sorted.
    answers : tuple of str
        The answer of each, as text.
    """

    kind: str
    task: str
    size: int
    learners: tuple[str, ...]
    answers: tuple[str, ...]

    @property
    def tells(self) -> bool:
        """Whether it is worth a look: not shared by many, and not so short that chance explains it."""
        least = {FUNCTION: LONG_FUNCTION, LISTENING: LEAST_ROUNDS}.get(self.kind, 1)
        return len(self.learners) <= SHARED_BY_MANY and self.size >= least


def alike(marked) -> list[Alike]:
    """All equal answers in a class, those that are worth a look first.

    Parameters
    ----------
    marked : list of dict
        As :func:`vocomp_lab.exercises.marking.mark_folder` gives them.
    """
    found = defaultdict(dict)
    for mark, number, task in _tasks(marked):
        kinds = {kind for kind, _, _ in task["traces"]}
        for kind, digest, size in task["traces"]:
            if kind in (KEY, MODEL):
                continue
            place = (mark["homework"], number, kind, digest)
            found[place][mark["learner"]] = (task["title"], size, task["answer"], KEY in kinds)
    matches = []
    for (homework, number, kind, _), by_learner in found.items():
        # A number that is each learner's own key to the last digit needs nobody else's: it is listed as such.
        if kind == NUMBERS and all(size == 1 and is_key for _, size, _, is_key in by_learner.values()):
            continue
        if len(by_learner) > 1:
            learners = tuple(sorted(by_learner))
            title, size, _, _ = by_learner[learners[0]]
            answers = tuple(by_learner[learner][2] for learner in learners)
            matches.append(Alike(kind, f"{homework}.{number} {title}", size, learners, answers))
    return sorted(matches, key=lambda one: (not one.tells, len(one.learners), -one.size, one.task, one.learners))


def pairs(matches) -> list[tuple[str, str, int]]:
    """Pairs of learners and how many answers worth a look they share; the most first."""
    counts = Counter(
        pair for match in matches if match.tells for pair in combinations(match.learners, 2)
    )  # fmt: skip
    return sorted(((one, other, count) for (one, other), count in counts.items()), key=lambda row: (-row[2], row[:2]))


def as_the_key(marked) -> list[tuple[str, int, int, str]]:
    """Learners with answers equal to their own key's last digit, or to the worked solution's function.

    Returns
    -------
    list of (str, int, int, str)
        Learner, answers equal to the key, functions equal to the worked solution, and which tasks; the most first.
    """
    keys, models, where = Counter(), Counter(), defaultdict(list)
    for mark, number, task in _tasks(marked):
        kinds = {kind for kind, _, _ in task["traces"]}
        if kinds & {KEY, MODEL}:
            keys[mark["learner"]] += KEY in kinds
            models[mark["learner"]] += MODEL in kinds
            where[mark["learner"]].append(f"{mark['homework']}.{number}")
    rows = [(learner, keys[learner], models[learner], ", ".join(places)) for learner, places in where.items()]
    return sorted(rows, key=lambda row: (-row[1], -row[2], row[0]))


def _tasks(marked):
    for mark in marked:
        for number, task in enumerate(mark["tasks"], start=1):
            yield mark, number, task


# ---------------------------------------------------------------------------------------------------------- the page

CAN_SHOW = (
    "It shows answers that are equal where answers that were found apart seldom are. It can't show who was first, whether "
    "anybody copied, or that nobody did: an answer that was changed a little, or worked out with another's help, is not "
    "found. Whoever has the workbook can print any key. So equal answers are a reason for a talk, never for a mark."
)


def similarity_body(marked) -> str:
    """The page's content as HTML that needs no other file. Everything that comes from a sheet is escaped."""
    matches = alike(marked)
    telling = [match for match in matches if match.tells]
    parts = ["<h1>Equal answers</h1>", f"<p><b>What this page can and can't show.</b> {html.escape(CAN_SHOW)}</p>"]
    for what, why in ABOUT.values():
        parts.append(f"<p><b>{html.escape(what[:1].upper() + what[1:])}.</b> {html.escape(why)}</p>")
    if not matches:
        parts.append("<p>No two learners have equal answers of the kinds that are compared.</p>")
    rows = pairs(matches)
    if rows:
        parts.append(
            _table("Pairs with most in common", ("learner", "and", "equal answers"), rows[:_MOST_PAIRS], len(rows))
        )
    if telling:
        parts.append("<h2>Side by side</h2>")
        parts += [_side_by_side(match) for match in telling[:_MOST_SHOWN]]
        if len(telling) > _MOST_SHOWN:
            parts.append(f"<p>And {len(telling) - _MOST_SHOWN} more, of which the table above counts the pairs.</p>")
    others = [match for match in matches if not match.tells]
    if others:
        parts.append(
            "<h2>Equal, but likely by themselves</h2><p>Short functions, short listening records, and answers that more than "
            f"{SHARED_BY_MANY} learners share: they more likely come from the task or the lesson.</p>"
        )
        parts += [_folded(match) for match in others[:_MOST_SHOWN]]
        if len(others) > _MOST_SHOWN:
            parts.append(f"<p>And {len(others) - _MOST_SHOWN} more.</p>")
    key = as_the_key(marked)
    if key:
        parts.append(
            _table(
                "Equal to the key's last digit",
                ("learner", "as the key", "function as the worked solution", "tasks"),
                key[:_MOST_SHOWN],
                len(key),
            )
        )
        parts.append(
            "<p>A number that a learner computes has the key's digits by itself. A place in a recording that was found by "
            "ear or eye does not: several of those are worth a question. Short functions, of one or two lines, often come "
            "out as the worked solution does.</p>"
        )
    return "".join(parts)


def _table(caption: str, head, rows, count: int) -> str:
    more = f"<p>And {count - len(rows)} more.</p>" if count > len(rows) else ""
    return f"<h2>{html.escape(caption)}</h2>{table_html(rows, head)}{more}"


def _named(learners) -> str:
    shown = ", ".join(learners[:_MOST_PAIRS])
    return f"{shown} and {len(learners) - _MOST_PAIRS} more" if len(learners) > _MOST_PAIRS else shown


def _side_by_side(match: Alike) -> str:
    what, _ = ABOUT[match.kind]
    columns = "".join(
        f"<div><b>{html.escape(learner)}</b><pre>{html.escape(answer)}</pre></div>"
        for learner, answer in zip(match.learners, match.answers)
    )
    return f"<section><h3>{html.escape(match.task)}: {html.escape(_named(match.learners))}</h3><p>Equal: {html.escape(what)}.</p><div class='beside'>{columns}</div></section>"


def _folded(match: Alike) -> str:
    what, _ = ABOUT[match.kind]
    return (
        f"<details><summary>{html.escape(match.task)}: {len(match.learners)} learners, {html.escape(what)}</summary>"
        f"<p>{html.escape(_named(match.learners))}</p><pre>{html.escape(match.answers[0])}</pre></details>"
    )
