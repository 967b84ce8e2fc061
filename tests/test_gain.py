"""The trim: every level moves by the same amount, and nothing else changes."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import rms_db
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.lessons.controls import controls_for
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import crest_factor_db, true_peak_dbtp


@given(gain_db=st.floats(-60, 60), channels=st.integers(1, 3))
def test_levels_move_by_the_gain_and_the_crest_factor_stays(gain_db, channels):
    clip = Clip(np.random.default_rng(5).normal(0, 0.1, (4_000, channels)), 8_000)
    made = Gain(gain_db).apply(clip)
    assert rms_db(made.samples) - rms_db(clip.samples) == pytest.approx(gain_db, abs=1e-9)
    assert np.abs(made.samples).max() == pytest.approx(10 ** (gain_db / 20) * np.abs(clip.samples).max(), rel=1e-12)
    assert crest_factor_db(made) == pytest.approx(crest_factor_db(clip), abs=1e-9)
    assert made.samples.shape == clip.samples.shape and made.rate == clip.rate


def test_loudness_and_true_peak_move_by_the_gain_and_the_range_stays(rng):
    clip = Clip(rng.normal(0, 0.05, 5 * 48_000) * np.repeat([1, 0.3, 1, 0.5, 0.8], 48_000), 48_000)
    before, after = loudness(clip), loudness(Gain(-7.5).apply(clip))
    assert after.integrated_lufs - before.integrated_lufs == pytest.approx(-7.5, abs=1e-6)
    assert after.range_lu == pytest.approx(before.range_lu, abs=1e-6)
    assert true_peak_dbtp(Gain(-7.5).apply(clip)) - true_peak_dbtp(clip) == pytest.approx(-7.5, abs=1e-9)


def test_no_gain_is_the_clip_bit_for_bit_and_back_is_back(rng):
    clip = Clip(rng.normal(0, 0.1, 1_000), 48_000)
    assert Gain().apply(clip) == clip
    assert np.allclose(Gain(-31).apply(Gain(31).apply(clip)).samples, clip.samples, rtol=1e-12)


def test_silence_and_a_single_frame_work():
    assert not Gain(60).apply(Clip(np.zeros((5, 2)), 48_000)).samples.any()
    assert Gain(20).apply(Clip([0.1], 8_000)).samples == pytest.approx([1.0])


def test_it_goes_into_a_settings_sheet_and_has_a_slider():
    chain = Chain([("trim", Gain(-3.5))])
    assert Chain.from_json(chain.to_json()) == chain
    (control,) = controls_for(Gain)
    assert control.field == "gain_db" and control.unit == "dB" and 0.0 in control.stops() and -3.5 in control.stops()
