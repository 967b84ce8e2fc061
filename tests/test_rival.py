"""A rival does the same work: the same median reduction and the same loudness, by another compressor."""

from __future__ import annotations

import dataclasses

import pytest
from prepared import TAKES, prepared, steady
from takes import ci_only

from vocomp_lab import (
    Chain,
    Compressor,
    HighPass,
    active_mask,
    integrated_lufs,
    proposed_chain,
    reduction_stats,
    shipped,
)
from vocomp_lab.analysis.order import measure_order
from vocomp_lab.lessons.rival import same_work

QUICKER = Compressor(threshold_db=-20, ratio=4, attack_ms=2, release_ms=60, knee_db=6)
"""The lessons' rival."""


@pytest.mark.parametrize("name", [TAKES[0], *ci_only(TAKES[1:])])
def test_the_rival_does_as_much_in_another_way(name):
    take = prepared(name)
    result = Chain([("peaks", take.peaks), ("steady", steady(take.voice))]).apply(take.bare)
    chain = same_work(result, QUICKER)
    rival = chain.apply(take.bare, reuse=result)
    changed = [stage for stage, processor in chain.stages if processor != result.stages[stage].processor]
    assert changed == ["steady"] and chain["steady"].release_ms == 60
    mine, other = (
        reduction_stats(one.stages["steady"].reduction_db, active_mask(one.stages["steady"].source))
        for one in (result, rival)
    )
    assert 0 <= other.median_db - mine.median_db <= 0.5
    assert integrated_lufs(rival.output) == pytest.approx(integrated_lufs(result.output), abs=0.1)
    swings_db = [measure_order(one, take.sung).swing_db for one in (result, rival)]
    print(name, swings_db)
    assert swings_db[1] > 1.3 * swings_db[0], "the way is another: the gain moves much more within a word"


def test_a_chain_that_acts_seldom_or_never():
    clip = shipped("lesson_verse_clean").clip.cut(0, 8)
    peaks = Chain([("low cut", HighPass(80, 3)), ("peaks", Compressor(-15.5, 3, 1, 80))]).apply(clip)
    assert reduction_stats(peaks.reduction_db, active_mask(clip)).median_db < 0.2
    slower = same_work(peaks, dataclasses.replace(QUICKER, attack_ms=5))
    mine, other = (reduction_stats(one.reduction_db, active_mask(clip)) for one in (peaks, slower.apply(clip)))
    assert other.p95_db == pytest.approx(mine.p95_db, abs=0.5) and mine.p95_db > 0.5
    bare = Chain([("low cut", HighPass(80, 3))])
    assert same_work(bare.apply(clip), QUICKER) == bare
