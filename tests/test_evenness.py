"""How even a voice is: held against levels that are known."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from conftest import one_sentence, sine
from prepared import prepared

from vocomp_lab.analysis.evenness import active_loudness, even_threshold_db, loudness_spread_lu
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000


def steps(levels_db, seconds=2.0):
    """A tone of 1 kHz at one level after the other."""
    return Clip(np.concatenate([sine(1000, seconds, RATE, level) for level in levels_db]), RATE)


@pytest.mark.parametrize("apart_db", [0.0, 3.0, 10.0])
def test_two_levels_lie_as_far_apart_as_they_were_made(apart_db):
    clip = steps([-30, -30 + apart_db])
    everywhere = np.ones(clip.frames, bool)
    assert loudness_spread_lu(clip, everywhere) == pytest.approx(apart_db, abs=0.05)
    assert loudness_spread_lu(clip.gained(5), everywhere) == pytest.approx(apart_db, abs=0.05)


def test_the_loudness_is_that_of_the_standard_and_sits_in_the_middle_of_its_window():
    """EBU Tech 3341: a 1 kHz sine of −23 dBFS in stereo reads −23 LUFS; mono −26.0."""
    clip = steps([-60, -23], 2.0)
    times_s, momentary = active_loudness(clip, np.ones(clip.frames, bool))
    assert momentary[-1] == pytest.approx(-26.0, abs=0.1)
    # Where the level jumps, half the power is there in the middle of the window: 3 dB under the top.
    assert times_s[np.argmin(np.abs(momentary - (momentary[-1] - 3.01)))] == pytest.approx(2.0, abs=0.02)
    assert times_s[0] >= 0.199


def test_pauses_do_not_count():
    clip = steps([-30, -60, -30])
    active = np.ones(clip.frames, bool)
    assert loudness_spread_lu(clip, active) > 20
    active[round(1.75 * RATE) : round(4.25 * RATE)] = False
    assert loudness_spread_lu(clip, active) < 0.1


def test_nothing_sung_has_no_spread():
    clip = steps([-30])
    assert math.isnan(loudness_spread_lu(clip, np.zeros(clip.frames, bool)))
    assert even_threshold_db(Compressor(-20, 3, 1, 80), clip, np.zeros(clip.frames, bool), math.nan) == 0.0


def test_the_threshold_for_a_spread_gives_that_spread():
    take = prepared("second_verse_faulty")
    for goal_lu in (5.0, 6.0):
        compressor = Compressor(-20, 3, 3, 120, knee_db=6)
        threshold = even_threshold_db(compressor, take.bare, take.sung, goal_lu)
        made = dataclasses.replace(compressor, threshold_db=threshold).apply(take.bare).output
        assert loudness_spread_lu(made, take.sung) == pytest.approx(goal_lu, abs=0.12)
        above = dataclasses.replace(compressor, threshold_db=threshold + 0.25).apply(take.bare).output
        assert loudness_spread_lu(above, take.sung) > goal_lu - 0.01, "the highest that does"


def test_what_cannot_be_reached_ends_at_the_end():
    clip = steps([-30, -20])
    everywhere = np.ones(clip.frames, bool)
    assert even_threshold_db(Compressor(-20, 1.1, 1, 80), clip, everywhere, 0.0) == -60.0
    assert even_threshold_db(Compressor(-20, 4, 1, 80), clip, everywhere, 30.0) >= -0.25


def test_what_does_not_fit_is_refused():
    clip = steps([-30])
    with pytest.raises(ValueError) as error:
        active_loudness(clip, np.ones(3, bool))
    one_sentence(error, "active")
    with pytest.raises(ValueError) as error:
        even_threshold_db(Compressor(-20, 3, 1, 80), clip, np.ones(clip.frames, bool), -1)
    one_sentence(error, "spread_lu")
