"""The bench of a homework task: its sound, the stage or stages to set, its goals."""

from __future__ import annotations

from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.exercises.homework import Homework
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.checks import Of, OrNone, asks


@asks(home=Of(Homework, "a Homework, such as Homework('04')"), levels=OrNone(Of(Bench, "a bench")))
def task_bench(home: Homework, number: int, levels: Bench | None = None, **options) -> Bench:
    """A bench for a task: with what to set for *set it* and *build it*, otherwise for listening to its sound and looking at it.

    Parameters
    ----------
    home : Homework
    number : int
        The task's number.
    levels : RegionBench, optional
        Gains by hand that are already in the sound, where a whole chain is to be built.
    **options
        Other arguments of :class:`~vocomp_lab.bench.Bench`.

    Returns
    -------
    Bench
        For gains by hand a :class:`~vocomp_lab.bench.regions.RegionBench` without proposals.
    """
    options = {"moments": False, **options}  # a list of the loudest words would answer some questions
    clip = home.clip(number)
    if levels is not None:
        clip = levels.chain.apply(clip).output
    try:
        chain = home.chain(number)
    except ValueError:
        return Bench(clip, Gain(0), **{"match": False, "hide": ("controls", "choice"), **options})
    if "yours" not in dict(chain.stages):
        stages = [(name, processor) for name, processor in chain.stages if not isinstance(processor, ClipGain)]
        if not stages:
            return RegionBench(clip, proposing=False, stage=chain.stages[0][0], **options)
        return Bench(clip, Chain(stages), **{"stage": stages[0][0], **options})
    watch = "after it" if len(chain.stages) > 1 else None
    bench = Bench(clip, chain, stage="yours", watch=watch, goals=home.goals(number), **options)
    bench.presents_goals = False  # steps that are prepared for the goals would give the answer away
    return bench
