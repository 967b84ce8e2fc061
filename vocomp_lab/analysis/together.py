"""A whole chain seen as if it were one stage."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.processors.chain import Chain, ChainResult, StageResult

WHOLE_CHAIN = "the whole chain"


@dataclass(frozen=True, eq=False)
class Together:
    """What the stages of a chain that reduce the gain did together.

    Attributes
    ----------
    names : tuple of str
        Those stages, in order.
    reduction_db : ndarray, shape (frames,), or None
        Their reductions added up; None if there is no such stage.
    """

    names: tuple[str, ...]
    reduction_db: np.ndarray | None = field(repr=False)

    def in_words(self) -> str:
        """What the numbers are about: the whole chain, and whose reductions are added up."""
        added = " added up" if len(self.names) > 1 else " alone"
        return WHOLE_CHAIN + (f" (reduction: {' + '.join(self.names)}{added})" if self.names else "")


def as_one_stage(result: ChainResult) -> StageResult:
    """A whole chain as if it were one stage: from the clip that goes in to what the last stage gives."""
    names = tuple(name for name, stage in result.stages.items() if stage.reduction_db is not None)
    together = Together(names, result.reduction_db if names else None)
    chain = Chain([(name, stage.processor) for name, stage in result.stages.items()])
    return StageResult(WHOLE_CHAIN, chain, result.source, result.output, together)
