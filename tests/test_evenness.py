"""How even the words of a voice are: held against words whose loudness, length and number are known."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import one_sentence, sine
from prepared import TAKES, prepared, steady
from takes import ci_only

from vocomp_lab.analysis.evenness import even_threshold_db, word_levels
from vocomp_lab.analysis.loudness import integrated_lufs, stretch_loudness_lufs
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000


def spoken(levels_dbfs, lengths_s, gap_s=0.08):
    """Words of 220 Hz with gaps of silence between them, and where they lie."""
    parts, words, at_s = [np.zeros(RATE // 5)], [], 0.2
    for level, length_s in zip(levels_dbfs, lengths_s):
        word = sine(220, length_s, RATE, level)
        t = np.arange(len(word)) / RATE
        parts += [word * np.clip(np.minimum(t, length_s - t) / 0.015, 0, 1), np.zeros(round(gap_s * RATE))]
        words.append(SimpleNamespace(start_s=at_s, end_s=at_s + length_s + gap_s))
        at_s += length_s + gap_s
    return Clip(np.concatenate([*parts, np.zeros(RATE // 5)]), RATE), words


def found_levels(clip):
    return word_levels(clip, voiced_words(clip))


def test_one_loud_word_among_sixteen_is_seen():
    """A spread of percentiles over time is blind to any word that takes less than a tenth of it."""
    even, _ = spoken([-20] * 16, [0.3] * 16)
    shout, _ = spoken([-20] * 9 + [-8] + [-20] * 6, [0.3] * 16)
    assert len(found_levels(even).loudness_lufs) == 16
    assert found_levels(even).spread_lu < 0.05 and abs(found_levels(even).farthest_lu) < 0.1
    levels = found_levels(shout)
    assert levels.farthest_lu == pytest.approx(12, abs=0.1) and levels.farthest == 9
    assert levels.spread_lu == pytest.approx(12 / math.sqrt(16), abs=0.1)
    assert "loudest +12.0 LU at 0:03.6" in str(levels)


def test_rhythm_is_no_unevenness():
    """Words of one loudness and of 0.12 to 1 s, with gaps: in windows of 0.4 s they would seem 3 LU apart and more."""
    lengths_s = np.random.default_rng(3).permutation(np.linspace(0.12, 1, 16))
    clip, words = spoken([-20] * 16, lengths_s)
    for levels in (found_levels(clip), word_levels(clip, words)):
        assert levels.spread_lu < 0.3 and abs(levels.farthest_lu) < 0.8


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
def test_a_stretch_is_as_loud_as_the_standard_says_of_it_alone(rate):
    """A steady tone has one loudness, whichever way it is cut (ITU-R BS.1770-5); silence around it doesn't count."""
    tone = sine(1000, 2, rate, -23)
    clip = Clip(np.concatenate([np.zeros(rate), tone, np.zeros(rate)]), rate)
    expected = integrated_lufs(Clip(tone, rate))
    inside, with_gap, silence = stretch_loudness_lufs(clip, [(1.2, 1.5), (1.5, 4.0), (0.1, 0.6)])
    assert inside == pytest.approx(expected, abs=0.05) and with_gap == pytest.approx(expected, abs=0.1)
    assert silence == -math.inf
    assert stretch_loudness_lufs(clip, np.empty((0, 2))).shape == (0,)


@pytest.mark.parametrize("apart_db", [0.0, 3.0, 10.0])
def test_two_levels_lie_as_far_apart_as_they_were_made(apart_db):
    clip, words = spoken([-30, -30 + apart_db] * 4, [0.3] * 8)
    for sound in (clip, clip.gained(5)):
        assert word_levels(sound, words).spread_lu == pytest.approx(apart_db / 2, abs=0.05)


@pytest.mark.parametrize("name", [TAKES[0], *ci_only(TAKES[1:])])
def test_the_words_that_are_found_tell_what_the_sung_words_would(name):
    """Against the take's truth, on both singers, before and after a steady compressor."""
    take = prepared(name)
    sung = [SimpleNamespace(**{at: word[at] for at in ("start_s", "end_s")}) for word in take.truth["words"]]
    found = voiced_words(take.voice)
    for clip in (take.bare, take.voice, steady(take.voice).apply(take.voice).output):
        by_level, by_truth = word_levels(clip, found), word_levels(clip, sung)
        assert by_level.spread_lu == pytest.approx(by_truth.spread_lu, abs=0.4)


def test_nothing_sung_has_no_spread():
    clip = Clip(np.zeros(RATE), RATE)
    levels = found_levels(clip)
    assert math.isnan(levels.spread_lu) and math.isnan(levels.farthest_lu) and str(levels) == "no words"
    assert even_threshold_db(Compressor(-20, 3, 1, 80), clip, [], math.nan) == 0.0
    silenced = word_levels(clip, [SimpleNamespace(start_s=0.1, end_s=0.4)])
    assert math.isnan(silenced.spread_lu)


def test_the_threshold_for_a_spread_gives_that_spread():
    take = prepared("second_verse_faulty")
    words = voiced_words(take.bare)
    spread_lu = word_levels(take.bare, words).spread_lu
    for goal_lu in (0.75 * spread_lu, 0.9 * spread_lu):
        compressor = Compressor(-20, 3, 3, 120, knee_db=6)
        threshold = even_threshold_db(compressor, take.bare, words, goal_lu)
        made = dataclasses.replace(compressor, threshold_db=threshold).apply(take.bare).output
        assert word_levels(made, words).spread_lu == pytest.approx(goal_lu, abs=0.06)
        above = dataclasses.replace(compressor, threshold_db=threshold + 0.25).apply(take.bare).output
        assert word_levels(above, words).spread_lu > goal_lu - 0.01, "the highest that does"


def test_what_cannot_be_reached_ends_as_near_as_it_goes():
    clip, words = spoken([-30, -20], [1, 1])
    weak = Compressor(-20, 1.1, 1, 80)
    found = dataclasses.replace(weak, threshold_db=even_threshold_db(weak, clip, words, 0.0))
    least = dataclasses.replace(weak, threshold_db=-60)
    spreads = [word_levels(one.apply(clip).output, words).spread_lu for one in (found, least)]
    assert spreads[0] == pytest.approx(spreads[1], abs=0.06) and found.threshold_db > -60, "no more work for nothing"
    assert even_threshold_db(Compressor(-20, 4, 1, 80), clip, words, 30.0) >= -0.25


def test_what_does_not_fit_is_refused():
    clip, words = spoken([-30], [1])
    with pytest.raises(ValueError) as error:
        even_threshold_db(Compressor(-20, 3, 1, 80), clip, words, -1)
    one_sentence(error, "spread_lu")
    for not_words in ([True, False], clip.samples[:3]):
        with pytest.raises(ValueError) as error:
            word_levels(clip, not_words)
        one_sentence(error, "words", "voiced_words")
