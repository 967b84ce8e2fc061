"""Where two versions of a voice differ most to the ear."""

from __future__ import annotations

import numpy as np
import pytest

from vocomp_lab import Clip, HighShelf, Peaking, shipped
from vocomp_lab.analysis.audible import BANDS_HZ, Difference, heard_levels, largest_difference
from vocomp_lab.analysis.meters import active_mask

RATE = 48_000


@pytest.fixture(scope="module")
def noise():
    return Clip(0.1 * np.random.default_rng(4).standard_normal(3 * RATE), RATE)


def differing(first, second, active=None, **options):
    active = np.ones(first.frames, bool) if active is None else active
    return largest_difference(heard_levels(first, active), heard_levels(second, active), **options)


def test_a_bell_is_found_in_its_band_with_its_gain(noise):
    found = differing(noise, Peaking(1000, 6, 1.4).apply(noise), whole_too=False)
    assert found.band_hz == 1000 and found.change_db == pytest.approx(6, abs=0.7)
    found = differing(noise, Peaking(315, -8, 1.4).apply(noise), whole_too=False)
    assert found.band_hz == 315 and found.change_db == pytest.approx(-8, abs=0.9)


def test_a_moment_that_is_turned_down_is_found_where_it_is(noise):
    samples = noise.samples.copy()
    samples[int(1.70 * RATE) : int(1.73 * RATE)] *= 0.5
    found = differing(noise, noise.with_samples(samples))
    assert found.where_s == pytest.approx(1.715, abs=0.02)
    assert found.band_hz is None and found.change_db == pytest.approx(-6.02, abs=0.1)


def test_what_is_not_sung_or_far_below_the_rest_is_not_heard(noise):
    samples, sung = noise.samples.copy(), np.ones(noise.frames, bool)
    samples[RATE : 2 * RATE] *= 4
    sung[RATE - 24_000 : 2 * RATE + 24_000] = False
    assert differing(noise, noise.with_samples(samples), sung).change_db == pytest.approx(0, abs=1e-6)
    t = np.arange(noise.frames) / RATE
    tone = noise.with_samples(0.3 * np.sin(2 * np.pi * 300 * t) + 1e-4 * noise.samples)
    assert abs(differing(tone, HighShelf(8000, 12).apply(tone)).change_db) < 0.5, "hiss 60 dB below a tone"
    assert abs(differing(noise, HighShelf(8000, 12).apply(noise)).change_db) > 10


def test_the_same_silence_and_a_voice_of_a_few_frames_differ_by_nothing(noise):
    silence = noise.with_samples(np.zeros(noise.frames))
    assert differing(noise, noise).change_db == differing(silence, silence).change_db == 0
    assert differing(noise, noise.gained(-6), np.zeros(noise.frames, bool)) == Difference(0.0, 0.0)
    short = Clip([0.5, 0.1, -0.3], 8000)
    assert differing(short, short.gained(3)).change_db == pytest.approx(3, abs=0.1)
    stereo = Clip(np.column_stack([noise.samples, 0.5 * noise.samples]), RATE)
    assert differing(stereo, stereo.gained(-2)).change_db == pytest.approx(-2)


def test_levels_can_be_matched_and_summed_up():
    clip = shipped("lesson_verse_faulty").clip.cut(1, 5)
    levels = heard_levels(clip, active_mask(clip))
    louder = levels.gained(5)
    everywhere = (BANDS_HZ[0], BANDS_HZ[-1])
    assert louder.mean_db(*everywhere) == pytest.approx(levels.mean_db(*everywhere) + 5)
    assert levels.mean_db(200, 1000) < levels.mean_db(*everywhere)
    assert louder.spread_db == pytest.approx(levels.spread_db) and levels.spread_db > 3
    nobody = heard_levels(clip, np.zeros(clip.frames, bool))
    assert np.isnan(nobody.spread_db) and np.isnan(nobody.mean_db(*everywhere))
