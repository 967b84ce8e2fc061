"""*Build it*: the answer is a whole chain, judged by what it and its stages do to the task's sound."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Callable

import numpy as np

from vocomp_lab.analysis.diagnosis import compressed_part
from vocomp_lab.analysis.measures import MEASURES, Change, Goal, clip_numbers, stage_change, window_text
from vocomp_lab.analysis.meters import ReductionStats, active_mask, reduction_stats
from vocomp_lab.analysis.pumping import gain_swing_db
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
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels

_MOST_STAGES = 16


class Built:
    """What a learner's chain made of the task's sound. Each number is measured once, when it is first asked for.

    Attributes
    ----------
    chain : Chain
    result : ChainResult
    """

    def __init__(self, chain: Chain, clip: Clip):
        self.chain = chain
        self.result: ChainResult = chain.apply(clip)
        self.source = clip
        self._changes: dict[str, Change | None] = {}

    @property
    def output(self) -> Clip:
        """What comes out of the last stage."""
        return self.result.output

    @cached_property
    def numbers(self):
        """Loudness, crest factor and peak of the output."""
        return clip_numbers(self.output, active_mask(self.output))

    @cached_property
    def reduction(self) -> ReductionStats:
        """What all compressors together take off, de-essers left out, over the sung time of the source."""
        return reduction_stats(self._reduction_db, active_mask(self.source))

    def swing_db(self, words) -> float:
        """How far all compressors together move the gain within a word."""
        return gain_swing_db(self._reduction_db, self.source.rate, words)

    @property
    def _reduction_db(self) -> np.ndarray:
        return self._compressed[2]

    @property
    def into_compressors(self) -> Clip:
        """What goes into the first compressor; the output of the whole chain if there is none."""
        return self._compressed[0]

    @cached_property
    def _compressed(self) -> tuple[Clip, Clip, np.ndarray]:
        return compressed_part(self.result)

    def change(self, name: str) -> Change | None:
        """What a stage changed; None if there is no such stage."""
        if name not in self._changes:
            stage = self.result.stages.get(name)
            self._changes[name] = None if stage is None else stage_change(stage)
        return self._changes[name]

    def idle(self, names) -> bool:
        """Whether one of these stages could turn the sound down and never does."""
        stages = [self.result.stages[name] for name in names if name in self.result.stages]
        return any(stage.reduction_db is not None and stage.reduction_db.max(initial=0.0) < 0.05 for stage in stages)


@dataclass(frozen=True)
class Aim:
    """A window for one number of a chain, taken at its end or anywhere in it.

    Parameters
    ----------
    label : str
    unit : str
    of : callable
        Takes the number from a :class:`Built`; NaN if there is none.
    low, high : float
        Both ends included; infinite where the window is open.
    """

    label: str
    unit: str
    of: Callable[[Built], float]
    low: float = -math.inf
    high: float = math.inf

    def met(self, value: float) -> bool:
        """Whether the number lies in the window; NaN never does."""
        return self.low <= value <= self.high

    def __str__(self):
        return f"{self.label} {window_text(self.low, self.high, self.unit)}"


def stage_aim(stage: str, measure: str, low: float = -math.inf, high: float = math.inf) -> Aim:
    """A window for what one stage does, by the stage's name and one of ``measures.MEASURES``."""
    goal = Goal(measure, low, high)

    def of(built: Built) -> float:
        change = built.change(stage)
        return math.nan if change is None else goal.value(change)

    return Aim(f"{stage}: {MEASURES[measure].label}", MEASURES[measure].unit, of, low, high)


@dataclass(frozen=True, kw_only=True)
class BuildIt(Posed):
    """*Build it*: a chain whose measured effect lands in some windows. Any chain that does so is right.

    Parameters
    ----------
    start : Chain
        Where the learner's bench begins: every stage to be set, under the name that the aims use, doing nothing yet.
    aims : tuple of Aim
        Shown line by line, with what was measured.
    candidates : callable
        Returns chains to try for the key: the first that meets the aims is taken.
    mistakes : dict of str to callable
        Each takes (built, unmet) and says whether it looks like that mistake; `unmet` is the set of labels of the aims
        that are not met. Always watched for: a stage that never turns down.
    by_name : bool
        Whether the aims look at stages by their names. If not, the learner may call, combine and order them at will.
    """

    start: Chain
    aims: tuple
    candidates: Callable
    mistakes: dict = field(default_factory=dict)
    by_name: bool = True

    label = "build it"
    begin = "Set every stage, then run this cell."

    @property
    def asks(self) -> str:
        """The form of the answer."""
        names = ", ".join(f"`{name}`" for name, _ in self.start.stages)
        called = f"The stages are called {names}." if len(self.start.stages) > 1 else f"Its stage is called {names}."
        if not self.by_name:
            called = f"The bench begins with {names}; which stages you use, and what you call them, is up to you."
        wanted = "\n".join(f"    {aim}" for aim in self.aims)
        return f"Answer: the bench, a Chain, or the text of its settings sheet. {called} Wanted:\n\n{wanted}"

    def untouched(self, given) -> bool:
        return given is None or same_settings(self._chain_of(given), self.start)

    def _chain_of(self, given):
        """The learner's chain in what was given; anything else as it is."""
        chain = given if isinstance(given, Chain) else getattr(given, "chain", None)
        if isinstance(chain, Chain):
            return chain
        if len(self.start.stages) == 1 and type(given) is type(self.start.stages[0][1]):
            return Chain([(self.start.stages[0][0], given)])
        return given

    def read(self, given) -> Chain:
        chain = self._chain_of(given)
        if isinstance(chain, str):
            chain = Chain.from_json(chain)
        if not isinstance(chain, Chain):
            raise ValueError(
                f"{kind_of(given)} is not what is asked for; give the bench, a Chain, or the text of a settings sheet."
            )
        sheet_of(chain)
        return _of_some_stages(chain)

    def to_data(self, answer: Chain) -> dict:
        return {"sheet": sheet_of(answer)}

    def from_data(self, data) -> Chain:
        return _of_some_stages(chain_from(data["sheet"]))

    def built(self, chain: Chain) -> Built:
        """Run a chain on the task's sound."""
        return Built(chain, self.clip())

    def _judge(self, chain: Chain) -> Verdict:
        built = self.built(chain)
        values = [float(aim.of(built)) for aim in self.aims]
        met = [aim.met(value) for aim, value in zip(self.aims, values)]
        lines = "\n".join(
            f"    {'✔' if fine else '✘'} {aim}; measured {decibels(value)}"
            for aim, value, fine in zip(self.aims, values, met)
        )
        says = f"{lines}\n\n{sum(met)} of {len(met)} met."
        if all(met):
            return Verdict(RIGHT, says)
        missing = [name for name, _ in self.start.stages if name not in built.result.stages]
        if missing and self.by_name:
            says += f" There is no stage called {' or '.join(missing)}."
        return Verdict(NOT_YET, says, self._recognised(built, {a.label for a, fine in zip(self.aims, met) if not fine}))

    def _recognised(self, built: Built, unmet: set) -> str | None:
        for name, looks_like in self.mistakes.items():
            if looks_like(built, unmet):
                return name
        watched = self.start if self.by_name else built.chain
        return "threshold_above_peaks" if built.idle(name for name, _ in watched.stages) else None

    def key(self) -> Chain:
        return self._key

    @cached_property
    def _key(self) -> Chain:
        for chain in self.candidates():
            built = self.built(chain)
            if all(aim.met(aim.of(built)) for aim in self.aims):
                return chain
        raise ValueError("candidates: none of them meets the aims; this task has no key.")


def _of_some_stages(chain: Chain) -> Chain:
    if not chain.stages:
        raise ValueError("The chain has no stages; it needs at least one.")
    if len(chain.stages) > _MOST_STAGES:
        raise ValueError(f"The chain has {len(chain.stages)} stages; give at most {_MOST_STAGES}.")
    return chain
