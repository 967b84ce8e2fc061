"""Compressed and untouched sound side by side: the curve is what a steady tone does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence, rms_db, sine
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab.analysis.parallel import blended_curve, quiet_lift_db
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000


@pytest.mark.parametrize("level_db", [-50, -30, -12, 0])
@pytest.mark.parametrize("mix", [0.0, 0.25, 0.6, 1.0])
def test_the_curve_is_what_a_settled_tone_does(level_db, mix):
    """A square wave's peak detector reads one level all the time, so that it settles exactly."""
    compressor = Compressor(-35, 5, 1, 50, knee_db=10, makeup_db=4, mix=mix)
    square = 10 ** (level_db / 20) * np.sign(sine(100, 1, RATE, 0, 1))
    out = compressor.apply(Clip(square, RATE)).output.samples[RATE // 2 :]
    assert rms_db(out) == pytest.approx(blended_curve(compressor, level_db), abs=1e-3)


@given(st.floats(-80, 0), st.floats(0.01, 0.99), st.floats(1, 40), st.floats(-60, -10))
def test_the_untouched_share_is_a_floor_under_the_gain(level_db, mix, ratio, threshold_db):
    compressor = Compressor(threshold_db, ratio, 1, 50, mix=mix)
    gain_db = blended_curve(compressor, level_db) - level_db
    assert 20 * math.log10(1 - mix) - 1e-9 <= gain_db <= 1e-9
    assert gain_db >= compressor.static_curve(level_db) - level_db - 1e-9


def test_the_curve_takes_arrays_and_silence():
    compressor = Compressor(-30, 4, 1, 50, makeup_db=6, mix=0.5)
    levels = np.array([[-math.inf, -40.0], [-20.0, 0.0]])
    out = blended_curve(compressor, levels)
    assert out.shape == levels.shape and out[0, 0] == -math.inf
    assert isinstance(blended_curve(compressor, -20), float)
    wet = Compressor(-30, 4, 1, 50, mix=1)
    assert blended_curve(wet, levels[1]) == pytest.approx(wet.static_curve(levels[1]))


def test_quiet_lift_is_what_the_soft_steps_gained_at_equal_loudness():
    t = np.arange(4 * RATE) / RATE
    soft = (t % 0.5) > 0.4  # a fifth of the time, 20 dB down
    clip = Clip(sine(700, 4, RATE, -14) * np.where(soft, 0.1, 1.0), RATE)
    lifted = clip.with_samples(clip.samples * np.where(soft, 2.0, 1.0))
    everywhere = np.ones(clip.frames, bool)
    # The soft steps hardly count for the loudness, so what they gain stays theirs.
    assert quiet_lift_db(clip, lifted, everywhere) == pytest.approx(6.02, abs=0.15)
    assert quiet_lift_db(clip, lifted.gained(-9), everywhere) == pytest.approx(6.02, abs=0.15)
    assert quiet_lift_db(clip, clip, everywhere) == pytest.approx(0, abs=1e-6)
    assert math.isnan(quiet_lift_db(clip, lifted, ~everywhere))


def test_a_share_that_cannot_be_is_refused():
    clip = Clip(np.ones(100), RATE)
    with pytest.raises(ValueError) as error:
        quiet_lift_db(clip, clip, np.ones(100, bool), 0)
    one_sentence(error, "softest_percent")
