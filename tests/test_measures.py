"""The numbers under a bench."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence, sine

from vocomp_lab.analysis.measures import MEASURES, Goal, clip_numbers, measure_change, reduction_moments
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000
EVERYWHERE = np.ones(4 * RATE, bool)


@pytest.fixture
def tone():
    return Clip(sine(997, 4, RATE, -6), RATE)


def change_of(clip, processor):
    result = processor.apply(clip)
    return measure_change(clip_numbers(clip, EVERYWHERE), result.output, result.reduction_db, EVERYWHERE)


def test_a_change_tells_before_after_and_the_gain_that_matches(tone):
    change = change_of(tone, Compressor(0, 3, 1, 80, makeup_db=4))
    assert change.after.peak_dbfs - change.before.peak_dbfs == pytest.approx(4, abs=1e-6)
    assert change.match_gain_db == pytest.approx(-4, abs=1e-6)
    assert change.before.crest_db == pytest.approx(3.01, abs=0.01)
    assert change.reduction.max_db == 0


def test_silence_is_matched_by_no_gain():
    change = change_of(Clip(np.zeros(4 * RATE), RATE), Compressor(-20, 3, 1, 80))
    assert change.match_gain_db == 0


def test_goals_name_a_window_and_say_whether_it_is_met(tone):
    change = change_of(tone, Compressor(-18, 3, 0.05, 5000))  # 12 dB over: settles at 8 dB
    assert Goal("max_db", 7.5, 8.01).met(change) and not Goal("max_db", high=7).met(change)
    assert Goal("share_percent", low=95).met(change)
    deepest_db = change.reduction.max_db
    assert Goal("max_db", high=deepest_db - 1e-9).met(change) and Goal("max_db", low=deepest_db + 1e-9).met(change)
    assert not Goal("max_db", high=deepest_db - 0.1).met(change)
    assert str(Goal("share_percent", high=15)) == "time acting at most 15 % of the sung time"
    assert str(Goal("max_db", 3, 8)) == "largest reduction 3 to 8 dB"
    assert str(Goal("peak_change_db", low=-6)) == "peak change at least −6 dB"


def test_every_measure_can_be_taken_with_and_without_a_reduction(tone):
    with_reduction = change_of(tone, Compressor(-18, 3, 1, 80))
    without = measure_change(clip_numbers(tone, EVERYWHERE), tone, None, EVERYWHERE)
    for name, measure in MEASURES.items():
        assert math.isfinite(Goal(name).value(with_reduction)) or measure.where_any
        assert measure.label and measure.unit
    assert not Goal("max_db", low=-math.inf).met(without), "no number meets no goal"


@pytest.mark.parametrize(("arguments", "name"), [(("loudest",), "measure"), (("max_db", 5, 3), "low")])
def test_a_goal_that_cannot_be_is_refused(arguments, name):
    with pytest.raises(ValueError) as error:
        Goal(*arguments)
    one_sentence(error, name)


def test_moments_are_the_stretches_above_the_floor_deepest_first():
    reduction = np.zeros(1000)
    reduction[100:200], reduction[150], reduction[500:510], reduction[990:] = 2, 3, 7, 1
    moments = reduction_moments(reduction, 100)
    assert [(m.start_s, m.end_s, m.max_db) for m in moments] == [(5.0, 5.1, 7.0), (1.0, 2.0, 3.0), (9.9, 10.0, 1.0)]
    assert reduction_moments(np.zeros(10), 100) == []
