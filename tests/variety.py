"""How different the tasks of different learners are. Run by hand::

    python tests/variety.py [--learners 120] [--pairs 30] [homework …]

For each task: how many different variants some learners get, and how often the right answer of another learner is right, too.
For each homework: how many of the points another learner's answer sheet earns, listening tasks aside.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np

from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of
from vocomp_lab.exercises.kinds import HearIt, WriteIt
from vocomp_lab.exercises.tasks import RIGHT

LEARNERS, PAIRS = 120, 30


@dataclass(frozen=True)
class Variety:
    """What was counted for one task.

    Attributes
    ----------
    variants : int
        Different ones among the learners: by text, start of the bench, hidden inputs and right answer.
    others_right : float
        How often another learner's right answer is right.
    """

    id: str
    label: str
    points: int
    variants: int
    others_right: float


def variant(posed) -> str:
    """A task's text, its start, its inputs and its answer, so that equal tasks have equal texts."""
    parts = [posed.prompt, posed.asks, posed.solution, *posed.hints]
    parts += [repr(getattr(posed, name, None)) for name in ("start", "then", "answer", "windows")]
    if isinstance(posed, WriteIt):
        parts.append(repr([[np.asarray(value).tolist() for value in call] for call in posed.calls]))
    return "\n".join(parts)


def is_right_for(posed, other) -> bool:
    """Whether the right answer to another learner's task is right here.

    A function is compared on the hidden inputs, without the box.
    """
    if isinstance(posed, WriteIt):
        return all(
            np.shape(posed.right(*call)) == np.shape(other.right(*call))
            and np.allclose(posed.right(*call), other.right(*call), rtol=0, atol=posed.tolerance)
            for call in posed.calls
        )
    return posed.judge_data(other.to_data(other.key())).status == RIGHT


def measure_task(homework: str, task, learners: int = LEARNERS, pairs: int = PAIRS) -> Variety:
    """Count one task's variants, and how often another's answer is right."""
    posed = [pose(homework, task, f"pupil.{number:03}") for number in range(learners)]
    right = [is_right_for(posed[place], posed[(place + 1) % learners]) for place in range(pairs)]
    return Variety(
        task.id, posed[0].label, task.points, len(set(map(variant, posed))), float(np.mean(right)) if right else 0.0
    )


def others_percent(measured: list[Variety]) -> float:
    """The points that another's sheet earns, in percent of all but those for listening."""
    counted = [one for one in measured if one.label != HearIt.label]
    return 100 * sum(one.points * one.others_right for one in counted) / sum(one.points for one in counted)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("homework", nargs="*", default=homework_names())
    options.add_argument("--learners", type=int, default=LEARNERS)
    options.add_argument("--pairs", type=int, default=PAIRS)
    given = options.parse_args()
    print(f"{'task':<28} {'kind':<12} points  variants of {given.learners:>3}  others' right of {given.pairs}")
    for homework in given.homework:
        measured = []
        for task in tasks_of(homework):
            hears = isinstance(pose(homework, task, "pupil.000"), HearIt)
            one = measure_task(homework, task, given.learners, 0 if hears else given.pairs)
            measured.append(one)
            share = "—" if hears else f"{100 * one.others_right:.0f} %"
            print(
                f"{homework + ' ' + one.id:<28} {one.label:<12} {one.points:>6} {one.variants:>16} {share:>20}",
                flush=True,
            )
        print(f"{homework}: another's sheet earns {others_percent(measured):.0f} %\n", flush=True)


if __name__ == "__main__":
    main()
