"""The bench of a homework's task: its sound, the stage to set, its goals. First used beside lesson
``01_levels_and_meters``.
"""

from __future__ import annotations

from vocomp_lab.bench import Bench
from vocomp_lab.exercises.homework import Homework
from vocomp_lab.gain import Gain


def task_bench(home: Homework, number: int, **options) -> Bench:
    """A bench for a task: for *set it* with the stage to set and its goals, else to listen to and look at its sound.

    Parameters
    ----------
    home : Homework
    number : int
        Of the task.
    **options
        What :class:`~vocomp_lab.bench.Bench` takes besides.

    Returns
    -------
    Bench
    """
    clip = home.clip(number)
    try:
        chain = home.chain(number)
    except ValueError:
        return Bench(clip, Gain(0), **{"match": False, "hide": ("controls", "choice"), **options})
    watch = "after it" if len(chain.stages) > 1 else None
    return Bench(clip, chain, stage="yours", watch=watch, goals=home.goals(number), **options)
