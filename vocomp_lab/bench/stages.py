"""The stages of a bench as they are set: their settings, and which of them are left out."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.checks import shown


@dataclass(frozen=True)
class Stages:
    """A chain, and the names of those of its stages that are left out. They keep their settings.

    Attributes
    ----------
    chain : Chain
        All stages.
    left_out : frozenset of str
    """

    chain: Chain
    left_out: frozenset[str] = frozenset()

    def __post_init__(self):
        object.__setattr__(self, "left_out", frozenset(self.left_out))
        for name in sorted(self.left_out):
            self.check(name, "left_out")

    @property
    def names(self) -> list[str]:
        """Names of all stages, in order."""
        return [name for name, _ in self.chain.stages]

    def check(self, name: str, field: str = "name") -> str:
        """The name of a stage as given; a ValueError in one sentence if there is no such stage."""
        if name not in self.names:
            raise ValueError(f"{field}: there is no stage {shown(name)}; the stages are {', '.join(self.names)}.")
        return name

    @property
    def kept(self) -> Chain:
        """The chain without the stages that are left out."""
        return Chain([stage for stage in self.chain.stages if stage[0] not in self.left_out])

    @property
    def in_force(self) -> Chain:
        """What is computed: a stage that is left out keeps its place in the row, and does nothing there."""
        return Chain([(n, _idle(p) if n in self.left_out else p) for n, p in self.chain.stages])

    def kept_of(self, result: ChainResult) -> ChainResult:
        """What ``in_force`` made of a clip, without the stages that are left out."""
        if not self.left_out:
            return result
        return ChainResult(result.source, {n: stage for n, stage in result.stages.items() if n not in self.left_out})

    def with_stage(self, name: str, processor) -> "Stages":
        """With another processor in a stage."""
        return dataclasses.replace(self, chain=self.chain.with_stage(name, processor))

    def leaving_out(self, name: str, on: bool = True) -> "Stages":
        """Without a stage, or with it again."""
        self.check(name)
        return dataclasses.replace(self, left_out=self.left_out | {name} if on else self.left_out - {name})


def _idle(processor):
    """A processor that does nothing; where the picture shows what a hand does, one with a picture of that kind."""
    return type(processor)() if isinstance(processor, (ClipGain, FaderRide)) else Gain(0.0)
