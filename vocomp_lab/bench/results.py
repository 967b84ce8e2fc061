"""What a chain makes of a clip, computed no further than needed and measured once."""

from __future__ import annotations

from typing import Callable

import numpy as np

from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Change, ClipNumbers
from vocomp_lab.analysis.meters import active_mask, reduction_stats
from vocomp_lab.analysis.together import as_one_stage
from vocomp_lab.bench.deferred import running_loop
from vocomp_lab.pictures.panels import Window
from vocomp_lab.processors.chain import Chain, ChainResult, StageResult
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import crest_factor_db, db_to_amplitude, sample_peak_dbfs

PREROLL_S = 1.0
"""A preview starts this long before the window in sight, so that the reduction at its start is about right."""
_REMEMBERED = 8


class Results:
    """A clip, a chain, and their results.

    Parameters
    ----------
    clip : Clip
    chain : Chain

    Attributes
    ----------
    chain : Chain
        As set now; give it another one to have that computed.
    partial : ChainResult or None
        What was computed last over the whole clip: some of the stages or all of them.
    preview : ChainResult or None
        The same over the stretch in sight of a long clip.
    """

    def __init__(self, clip: Clip, chain: Chain):
        self.clip = clip
        self._chain = chain
        self._stale = True
        self.partial: ChainResult | None = None
        self.preview: ChainResult | None = None
        self._cut_for: tuple[float, float] | None = None
        self._cut: Clip | None = None
        self._as_one: tuple[ChainResult, StageResult] | None = None
        self._levels: dict[int, tuple[Clip, tuple[float, float]]] = {}
        self._crests: dict[int, tuple[Clip, float]] = {}
        self._masks: dict[int, tuple[Clip, np.ndarray]] = {}

    @property
    def chain(self) -> Chain:
        """The chain as set now."""
        return self._chain

    @chain.setter
    def chain(self, chain: Chain):
        self._chain, self._stale = chain, True

    @property
    def complete(self) -> bool:
        """Whether the whole chain, as set now, has been computed over the whole clip."""
        return not self._stale and self.partial is not None and len(self.partial.stages) == len(self._chain.stages)

    @property
    def whole(self) -> ChainResult:
        """The whole chain over the whole clip, computed if it is not known yet."""
        if not self.complete:
            self.partial = self._chain.apply(self.clip, reuse=self.partial)
            self._stale = False
        return self.partial

    def up_to(self, last: str) -> ChainResult:
        """The chain over the whole clip, at least as far as a stage."""
        # If everything is known, only another stage was chosen, and there is nothing to compute.
        if not self.complete:
            self.partial = self._first_stages(last).apply(self.clip, reuse=self.partial)
        return self.partial

    def in_sight(self, window: Window, last: str) -> tuple[ChainResult, Window]:
        """The chain over the stretch in sight and a little before it, as far as a stage; and the window in that stretch."""
        start_s = max(window.start_s - PREROLL_S, 0.0)
        # A stage whose settings are times in the clip (gain regions) needs to know that the stretch begins later.
        stages = [
            (name, p.cut_from(start_s) if hasattr(p, "cut_from") else p) for name, p in self._first_stages(last).stages
        ]
        self.preview = Chain(stages).apply(self._stretch(start_s, window.end_s), reuse=self.preview)
        return self.preview, Window(window.start_s - start_s, window.end_s - start_s, start_s)

    async def complete_in_thread(
        self, measured: Callable[[ChainResult], StageResult], report: Callable[[int], None]
    ) -> bool:
        """Compute the whole chain and measure a stage of it, step by step in a thread while controls are answered.

        Parameters
        ----------
        measured : function
            Picks what to measure from the result: one of its stages, or all as one.
        report : function
            Gets the number of stages that are done, after each.

        Returns
        -------
        bool
            False if the chain was set to something else meanwhile.
        """
        chain, in_thread = self._chain, running_loop().run_in_executor
        for count in range(1, len(chain.stages) + 1):
            result = await in_thread(None, Chain(chain.stages[:count]).apply, self.clip, self.partial)
            if chain is not self._chain:
                return False
            self.partial = result
            report(count)
        self._stale = False
        await in_thread(None, self.change, measured(result))
        return chain is self._chain

    def _first_stages(self, last: str) -> Chain:
        names = [name for name, _ in self._chain.stages]
        return Chain(self._chain.stages[: names.index(last) + 1])

    def _stretch(self, start_s: float, end_s: float) -> Clip:
        # The same clip as long as the window is the same, so that the chain can reuse its results.
        if self._cut_for != (start_s, end_s):
            self._cut_for, self._cut = (start_s, end_s), self.clip.cut(start_s, end_s)
        return self._cut

    def active(self, clip: Clip) -> np.ndarray:
        """Where in a clip the singer sings."""
        return self._once(self._masks, clip, active_mask)

    def numbers(self, clip: Clip, source: Clip) -> ClipNumbers:
        """Loudness, peak, and crest factor over the time in which `source` is sung."""
        # What one stage gives is what the next one gets, but the sung time is that of each stage's own source.
        loudness_lufs, peak_dbfs = self._loudness_and_peak(clip)
        if clip is source:
            crest_db = self._once(self._crests, clip, lambda clip: crest_factor_db(clip, self.active(clip)))
        else:
            crest_db = crest_factor_db(clip, self.active(source))
        return ClipNumbers(loudness_lufs, crest_db, peak_dbfs)

    def as_one(self, result: ChainResult) -> StageResult:
        """A result of the chain as if it were one stage, made once for each result."""
        if self._as_one is None or self._as_one[0] is not result:
            self._as_one = (result, as_one_stage(result))
        return self._as_one[1]

    def change(self, stage: StageResult) -> Change:
        """The numbers of a stage: before, after, reduction."""
        reduction_db = stage.reduction_db
        stats = None if reduction_db is None else reduction_stats(reduction_db, self.active(stage.source))
        return Change(self.numbers(stage.source, stage.source), self.numbers(stage.output, stage.source), stats, stage)

    def match_gain_db(self, before: Clip, after: Clip) -> float:
        """Gain that makes `after` as loud as `before`."""
        return match_gain_db(*(self._loudness_and_peak(clip)[0] for clip in (after, before)))

    def place_in_mix(self, before: Clip, after: Clip) -> tuple[float, float]:
        """How loud `before` is, in LUFS, and the largest sample of it and of `after`, also made as loud."""
        (loudness_lufs, peak_dbfs), (_, after_dbfs) = (self._loudness_and_peak(clip) for clip in (before, after))
        louder_db = max(self.match_gain_db(before, after), 0.0)
        return loudness_lufs, float(db_to_amplitude(max(peak_dbfs, after_dbfs + louder_db)))

    def _loudness_and_peak(self, clip: Clip) -> tuple[float, float]:
        return self._once(self._levels, clip, lambda clip: (integrated_lufs(clip), sample_peak_dbfs(clip)))

    @staticmethod
    def _once(store, clip, compute):
        """Compute once for each clip, and remember the clips that were asked for last."""
        known = store.pop(id(clip), None)
        if known is None or known[0] is not clip:
            known = (clip, compute(clip))
        store[id(clip)] = known  # at the end: the first is the one that was not asked for the longest
        while len(store) > _REMEMBERED:
            store.pop(next(iter(store)))
        return known[1]
