"""A rival for a chain: it does the same work in another way, so that a blind comparison asks about the way alone."""

from __future__ import annotations

import dataclasses

from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.meters import active_mask, reduction_stats
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.lessons.proposals import heard_part
from vocomp_lab.processors.chain import A_RESULT, Chain, ChainResult
from vocomp_lab.processors.compressor import A_COMPRESSOR
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.sound.checks import asks

# Below this a median says nothing about how much a compressor does: it acts in less than half of the sung time.
_LEAST_MEDIAN_DB = 0.5


@asks(result=A_RESULT, other=A_COMPRESSOR)
def same_work(result: ChainResult, other) -> Chain:
    """The chain of a result with another compressor in place of the one that does most, taking off as much.

    Parameters
    ----------
    result : ChainResult
    other : vocomp_lab.processors.compressor.Dynamics
        The rival, such as a Compressor with other times. Its threshold and make-up gain are set here.

    Returns
    -------
    Chain
        The stage with the largest median reduction (de-essers aside) is replaced. The rival has the same median
        reduction over the sung time, to half a decibel, and the same loudness behind it. Where the median is under
        0.5 dB, it is the reduction exceeded in 5 % of the time that is the same. Without a compressor the chain is as
        it was.

    Notes
    -----
    That equal medians are "the same work" is common practice, no source.
    """
    chain = Chain([(name, stage.processor) for name, stage in result.stages.items()])
    works = {
        name: reduction_stats(stage.reduction_db, active_mask(stage.source))
        for name, stage in result.stages.items()
        if stage.reduction_db is not None and not isinstance(stage.processor, DeEsser)
    }
    if not works:
        return chain
    name = max(works, key=lambda name: (works[name].median_db, works[name].p95_db))
    measure = "median_db" if works[name].median_db >= _LEAST_MEDIAN_DB else "p95_db"
    stage = result.stages[name]
    heard, _ = heard_part(stage.source)
    threshold_db = threshold_for(other, heard, measure, getattr(works[name], measure))
    other = dataclasses.replace(other, threshold_db=threshold_db, makeup_db=0.0)
    lost_db = match_gain_db(integrated_lufs(other.apply(stage.source).output), integrated_lufs(stage.output))
    return chain.with_stage(name, dataclasses.replace(other, makeup_db=round(lost_db, 1)))
