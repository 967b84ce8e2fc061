"""Sentences that go by measured numbers: each way round, alike, and nothing to measure by."""

from __future__ import annotations

import dataclasses
import math

import pytest

from vocomp_lab.analysis.resonance import Resonance, RingSearch
from vocomp_lab.analysis.tradeoff import Tradeoff
from vocomp_lab.lessons import on_this_voice as say
from vocomp_lab.processors.filters import Peaking

TRADE = Tradeoff(
    spread_lu=2,
    farthest_lu=4,
    peaks_db=18,
    median_db=3,
    max_db=8,
    swing_db=2,
    distortion_percent=1,
    room_db=3,
    breaths_db=3,
)


@pytest.mark.parametrize(
    ("tell", "more", "less", "alike"),
    [
        (say.peaks_after, "more than before, by 1.5 dB", "less than before, by 1.5 dB", "as far as before"),
        (say.starts_so_far, "1.5 dB further out", "1.5 dB less far out", "as they were"),
        (say.deesser_place, "further down in front", "further down at the end", "no difference"),
        (say.fader_up, "would have to go up more", "saves the fader 1.5 dB", "no difference"),
        (say.breaths_closer, "1.5 dB closer", "1.5 dB further away", "no closer"),
    ],
)
def test_each_sentence_goes_by_the_numbers(tell, more, less, alike):
    for after_db, told in ((11.5, more), (8.5, less), (10.05, alike)):
        sentence = tell(10.0, after_db)
        assert told in sentence and sentence.startswith("On this voice") and sentence.endswith((".", "sinks."))
    assert "nan" not in tell(math.nan, 1.0) and "nan" not in tell(1.0, math.nan)


def test_the_ratio_that_acts_more_often_is_named_by_its_share():
    assert say.ratios(0.2, 0.12) == "On this voice 3:1 acts in 20 % of the sung time, and 8:1 in 12 %."
    assert "for once" in say.ratios(0.1, 0.1) and "neither" in say.ratios(0, 0) and "neither" in say.ratios(math.nan, 0)


def test_a_single_loud_word_sends_back_to_level_prep_and_others_don_t():
    assert "7.2 LU over" in say.loudest_word(7.2, 3.1) and "at 3.1 s" in say.loudest_word(7.2, 3.1)
    assert say.loudest_word(6.9, 3) == say.loudest_word(-12, 3) == say.loudest_word(math.nan, 3) == ""


def test_the_pair_is_best_only_where_all_the_others_are_worse():
    single = {"fast": TRADE, "slow": dataclasses.replace(TRADE, peaks_db=16)}
    assert "best at nothing" in say.pair_or_one(TRADE, single)
    better = dataclasses.replace(TRADE, peaks_db=15, distortion_percent=0.5, room_db=2.9)
    assert say.pair_or_one(better, single).endswith("best at 2 of 4 things: calm peaks and little distortion.")
    unheard = dataclasses.replace(better, room_db=math.nan)
    assert "2 of 3 things" in say.pair_or_one(unheard, single)


def test_pops_are_named_by_their_times():
    assert "no pops" in say.pops([], []) and "a pop at 1.5 s" in say.pops([1.5], [2.0])
    assert "3 pops, at 1.5, 2.0 and 4.2 s; the one at 2.0 s" in say.pops([1.5, 2.0, 4.2], [1.0, 3.0, 2.0])


def test_a_cut_stands_beside_what_the_finder_says():
    sure = RingSearch("found", "It is.", (Resonance(400.0, 6.0, 3.0, 0.98),))
    unsure = RingSearch("can't tell", "It isn't.", (Resonance(400.0, 6.0, 3.0, 0.4),))
    on, off = Peaking(410, -4, 3), Peaking(600, -4, 3)
    assert say.ring_cut(on, sure) == "boxiness: −4.0 dB at 410 Hz; the finder says 400 Hz (6.0 dB, 98 % sure)."
    assert say.ring_cut(off, sure).endswith("your ear alone decides.")
    assert "“can't tell”" in say.ring_cut(on, unsure) and say.ring_cut(on, unsure).endswith("alone decides.")
    assert say.ring_cut(None, sure).startswith("boxiness: left out; the finder says 400 Hz")
