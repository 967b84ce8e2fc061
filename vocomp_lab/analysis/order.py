"""The order of a chain's stages, swapped and measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.meters import ReductionStats, active_mask, reduction_stats
from vocomp_lab.analysis.pumping import gain_swing_db
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.processors.chain import A_CHAIN, A_RESULT, Chain, ChainResult
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import asks, check_choice, checked_active
from vocomp_lab.sound.levels import sample_peak_dbfs


@asks(chain=A_CHAIN)
def move_stage(chain: Chain, name: str, behind: str | None) -> Chain:
    """The chain with one stage in another place.

    Parameters
    ----------
    chain : Chain
    name : str
        The stage to move; its settings stay.
    behind : str or None
        The stage that it comes right after; None puts it first.

    Raises
    ------
    ValueError
        If there is no such stage, or it would come after itself.

    Examples
    --------
    >>> from vocomp_lab import Chain, Compressor, HighPass
    >>> chain = Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-12, 3, 1, 60))])
    >>> [name for name, _ in move_stage(chain, "low cut", behind="peaks").stages]
    ['peaks', 'low cut']
    """
    stages = dict(chain.stages)
    if not stages:
        raise ValueError("chain: it has no stages; give one that has.")
    check_choice("name", name, list(stages))
    if behind is not None:
        check_choice("behind", behind, list(stages))
    if name == behind:
        raise ValueError(f"behind: {name!r} can't come after itself; name another stage, or None for the first place.")
    order = [stage for stage in stages if stage != name]
    order.insert(0 if behind is None else order.index(behind) + 1, name)
    return Chain([(stage, stages[stage]) for stage in order])


@dataclass(frozen=True)
class OrderNumbers:
    """What a chain does to a clip with its stages in a given order.

    Attributes
    ----------
    stages : dict of ReductionStats
        For each dynamics stage, while somebody sings.
    max_db : float
        Largest reduction of all stages together.
    in_pauses_db : float
        Mean reduction of all stages together in the pauses; NaN if there is none.
    swing_db : float
        How far the gain of all stages together moves within a word (:func:`vocomp_lab.analysis.pumping.gain_swing_db`).
    spread_lu : float
        How uneven the result's words are (:attr:`vocomp_lab.analysis.evenness.WordLevels.spread_lu`).
    farthest_lu : float
        How far its farthest word is from the middle one.
    peak_dbfs : float
        Sample peak at the loudness of the input: what a limiter after it would still have to do.
    """

    stages: dict[str, ReductionStats]
    max_db: float
    in_pauses_db: float
    swing_db: float
    spread_lu: float
    farthest_lu: float
    peak_dbfs: float


@asks(result=A_RESULT)
def measure_order(result: ChainResult, active=None) -> OrderNumbers:
    """Measure what a chain did, for comparison with the same stages in another order.

    Parameters
    ----------
    result : ChainResult
    active : ndarray of bool, shape (frames,), optional
        Where somebody sings; found in the source if left out.

    Returns
    -------
    OrderNumbers
    """
    source: Clip = result.source
    active = active_mask(source) if active is None else checked_active(active, (source.frames,))
    total = result.reduction_db
    stages = {
        name: reduction_stats(stage.reduction_db, active)
        for name, stage in result.stages.items()
        if stage.reduction_db is not None
    }
    matched, _ = match_loudness(result.output, source)
    words = voiced_words(source)
    levels = word_levels(matched, words)
    return OrderNumbers(
        stages,
        float(total.max()),
        float(total[~active].mean()) if not active.all() else math.nan,
        gain_swing_db(total, source.rate, words),
        levels.spread_lu,
        levels.farthest_lu,
        sample_peak_dbfs(matched),
    )
