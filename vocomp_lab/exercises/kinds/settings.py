"""*Set it*: the answer is one processor, judged by what it does to the task's sound."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Callable

from vocomp_lab.analysis.measures import Change, clip_numbers, measure_change, stage_change
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.exercises.tasks import (
    NOT_YET,
    RIGHT,
    Posed,
    Verdict,
    chain_from,
    kind_of,
    same_settings,
    sheet_of,
)
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Dynamics
from vocomp_lab.sound.text import figure


@dataclass(frozen=True, kw_only=True)
class SetIt(Posed):
    """*Set it*: a processor whose measured effect lands in some windows. Any setting that does so is right.

    Parameters
    ----------
    start : processor
        Where the learner's bench begins; the answer must be of the same type.
    goals : tuple of Goal
        What is measured on the stage.
    then : processor, optional
        Comes after the learner's stage, and is measured instead of it (a compressor behind a trim).
    candidates : callable
        Returns settings to try for the key: the first that meets the goals is taken.
    keeps : dict of str to str
        Fields that have to stay as they are in `start`, each with what it is called.
    mistakes : dict of str to callable
        Each takes (processor, change) and says whether it looks like that mistake. Always watched for: a threshold
        above every peak, seconds for milliseconds, and loudness that was not kept while all else is met.
    """

    start: object
    goals: tuple
    then: object = None
    candidates: Callable
    keeps: dict = field(default_factory=dict)
    mistakes: dict = field(default_factory=dict)

    label = "set it"
    begin = "Move the controls of the bench, then run this cell."

    @property
    def asks(self) -> str:
        """The form of the answer."""
        wanted = "; ".join(str(goal) for goal in self.goals)
        stays = f" Leave alone: {', '.join(self.keeps.values())}." if self.keeps else ""
        return f"Answer: the bench, or a {type(self.start).__name__}. Wanted: {wanted}.{stays}"

    def chain(self, processor=None) -> Chain:
        """The stages that a bench for this task shows."""
        stages = [("yours", self.start if processor is None else processor)]
        return Chain(stages + ([("after it", self.then)] if self.then is not None else []))

    def untouched(self, given) -> bool:
        return given is None or same_settings(_stage_of(given), self.start)

    def read(self, given):
        processor = _stage_of(given)
        if type(processor) is not type(self.start):
            raise ValueError(
                f"{kind_of(processor)} is not what is asked for; give the bench, or a {type(self.start).__name__}."
            )
        sheet_of(Chain([("yours", processor)]))
        return processor

    def to_data(self, answer) -> dict:
        return {"settings": sheet_of(Chain([("yours", answer)]))}

    def from_data(self, data):
        chain = chain_from(data["settings"])
        if len(chain.stages) != 1 or type(chain.stages[0][1]) is not type(self.start):
            raise ValueError(f"The settings must be those of one {type(self.start).__name__}, and nothing else.")
        return chain.stages[0][1]

    def change(self, processor) -> Change:
        """Measure what a setting does."""
        clip, numbers, sung = self._source
        stage = self.chain(processor).apply(clip).stages["after it" if self.then is not None else "yours"]
        if self.then is not None:
            return stage_change(stage)
        return replace(measure_change(numbers, stage.output, stage.reduction_db, sung), stage=stage)

    @cached_property
    def _source(self):
        clip = self.clip()
        sung = active_mask(clip)
        return (clip, clip_numbers(clip, sung), sung) if self.then is None else (clip, None, None)

    def _judge(self, processor) -> Verdict:
        change = self.change(processor)
        met = [goal.met(change) for goal in self.goals]
        says = "; ".join(f"{goal}: {goal.verdict(change)}" for goal in self.goals)
        says = says[0].upper() + says[1:] + "."
        moved = [
            f"{called} is {figure(getattr(processor, name))} instead of {figure(getattr(self.start, name))}"
            for name, called in self.keeps.items()
            if getattr(processor, name) != getattr(self.start, name)
        ]
        if moved:
            return Verdict(NOT_YET, f"{says} What was to be left alone has moved: {', '.join(moved)}.")
        if all(met):
            return Verdict(RIGHT, says)
        return Verdict(NOT_YET, says, self._recognised(processor, change, met))

    def _recognised(self, processor, change, met) -> str | None:
        for name, looks_like in self.mistakes.items():
            if looks_like(processor, change):
                return name
        dynamics = self.then if self.then is not None else processor
        if isinstance(dynamics, Dynamics) and change.reduction is not None and change.reduction.max_db < 0.05:
            return "threshold_above_peaks"
        others = [fine for goal, fine in zip(self.goals, met) if goal.measure != "loudness_change_lu"]
        if others and len(others) < len(met) and all(others):
            return "forgot_to_match"
        return "seconds_for_ms" if self._fits_in_milliseconds(processor) else None

    def _fits_in_milliseconds(self, processor) -> bool:
        times = {name: getattr(processor, name, None) for name in ("attack_ms", "release_ms")}
        if None in times.values() or not all(value < 3 for value in times.values()):
            return False
        change = self.change(replace(processor, **{name: 1000 * value for name, value in times.items()}))
        return all(goal.met(change) for goal in self.goals)

    def key(self):
        return self._key

    @cached_property
    def _key(self):
        for processor in self.candidates():
            change = self.change(processor)
            if all(goal.met(change) for goal in self.goals):
                return processor
        raise ValueError("candidates: none of them meets the goals; this task has no key.")


def _stage_of(given):
    """The learner's stage in a processor, a chain or a bench; anything else as it is."""
    chain = given if isinstance(given, Chain) else getattr(given, "chain", None)
    if isinstance(chain, Chain) and chain.stages:
        stages = dict(chain.stages)
        return stages.get("yours", next(iter(stages.values())))
    return given
