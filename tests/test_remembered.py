"""What is remembered of a clip, and for how long."""

from __future__ import annotations

import copy
import pickle

import numpy as np
import pytest

from vocomp_lab.analysis.level_prep import find_uneven
from vocomp_lab.analysis.loudness import integrated_lufs, loudness
from vocomp_lab.analysis.lowend import find_pops
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, Origin
from vocomp_lab.sound.remembered import kept_with_clip, remembered


@pytest.fixture
def asked():
    """A function that is remembered, and what it was called with."""
    calls = []

    @remembered(2)
    def peak(clip, share=1.0):
        calls.append((clip, share))
        if share < 0:
            raise ValueError("share")
        return share * float(np.abs(clip.samples).max())

    return peak, calls


def test_equal_clips_share_a_result_and_others_do_not(asked):
    peak, calls = asked
    samples = np.array([0.1, -0.5, 0.2])
    assert peak(Clip(samples, 8_000)) == peak(Clip(samples.copy(), 8_000)) == 0.5
    assert len(calls) == 1
    for other in (Clip(samples, 16_000), Clip(samples[:, None], 8_000), Clip(samples[::-1], 8_000)):
        assert peak(other) == 0.5
    assert len(calls) == 4, "another rate, shape or order is another clip"


def test_other_arguments_count_and_only_the_last_few_are_kept(asked):
    peak, calls = asked
    clip = Clip([0.5], 8_000)
    assert [peak(clip, share) for share in (1.0, 2.0, 1.0, 2.0)] == [0.5, 1.0, 0.5, 1.0] and len(calls) == 2
    assert peak(clip, 3.0) == 1.5 and peak(clip, 1.0) == 0.5 and len(calls) == 4, "the oldest is asked for anew"


def test_an_error_is_no_result(asked):
    peak, calls = asked
    for _ in range(2):
        with pytest.raises(ValueError):
            peak(Clip([0.5], 8_000), -1.0)
    assert len(calls) == 2


@pytest.mark.parametrize("find", [find_pops, find_uneven])
def test_a_list_that_is_changed_does_not_change_what_is_found(find):
    clip = shipped("lesson_verse_faulty").clip
    found = find(clip)
    kept = list(found)
    found.clear()
    assert kept and find(clip) == kept


def test_what_is_kept_with_a_clip_is_that_clips_own_and_stays_behind_when_it_travels():
    calls = []

    @kept_with_clip
    def peak(clip):
        calls.append(clip)
        return float(np.abs(clip.samples).max())

    clip = Clip([0.5, -0.25], 8_000)
    assert peak(clip) == peak(clip) == peak(clip.coming_from(Origin("a song"))) == 0.5 and len(calls) == 1
    for other in (Clip(clip.samples, 8_000), clip.gained(0), pickle.loads(pickle.dumps(clip)), copy.copy(clip)):
        assert other == clip and peak(other) == 0.5
    assert len(calls) == 5, "an equal clip is measured again"
    assert peak(clip.gained(6.0)) > 0.9


def test_what_two_measurements_of_a_clip_share_is_the_same_as_measured_apart():
    clip = shipped("lesson_verse_faulty").clip.cut(0, 3)
    for measure in (integrated_lufs, active_mask, lambda clip: loudness(clip).short_term_lufs):
        first, handed_out = np.array(measure(clip)), measure(clip)
        if np.ndim(handed_out):
            handed_out[:] = 0
        assert np.array_equal(measure(clip), first) and np.array_equal(measure(Clip(clip.samples, clip.rate)), first)
