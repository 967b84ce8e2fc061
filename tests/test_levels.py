"""Levels against closed forms, and true peak against the cases of EBU Tech 3341."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from conftest import one_sentence, sine
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from vocomp_lab.sound import levels
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import (
    amplitude_to_db,
    crest_factor_db,
    db_to_amplitude,
    db_to_power,
    oversampling_factor,
    power_to_db,
    rms_dbfs,
    sample_peak_dbfs,
    step_powers,
    true_peak_dbtp,
)

RATES = [8000, 11025, 22050, 44100, 48000, 96000, 192000]


# --- decibels --------------------------------------------------------------------------------------------------------


def test_decibels_of_amplitudes_and_powers():
    assert amplitude_to_db(10.0) == 20.0 and power_to_db(10.0) == 10.0
    assert amplitude_to_db(-0.5) == amplitude_to_db(0.5) == pytest.approx(-6.0206, abs=1e-4)
    assert amplitude_to_db(3 + 4j) == pytest.approx(amplitude_to_db(5))
    assert db_to_amplitude(-6.0206) == pytest.approx(0.5, rel=1e-5)
    assert db_to_power(-3.0103) == pytest.approx(0.5, rel=1e-5)


@given(st.floats(-300, 300))
def test_decibels_there_and_back(db):
    assert amplitude_to_db(db_to_amplitude(db)) == pytest.approx(db, abs=1e-10)
    assert power_to_db(db_to_power(db)) == pytest.approx(db, abs=1e-10)


@pytest.mark.filterwarnings("error")
def test_zero_is_minus_infinity_without_a_warning():
    assert amplitude_to_db(0) == power_to_db(0) == -math.inf
    assert np.array_equal(amplitude_to_db([0.0, 1.0]), [-np.inf, 0.0])
    assert db_to_amplitude(-math.inf) == db_to_power(-math.inf) == 0.0


def test_a_floor_replaces_what_lies_under_it():
    assert amplitude_to_db(0, floor_db=-120) == -120
    assert np.array_equal(power_to_db([0.0, 1e-20, 1.0], floor_db=-100), [-100, -100, 0])


def test_scalars_give_floats_and_arrays_keep_their_shape_and_content():
    given_values = np.array([[1.0, 2.0], [3.0, 4.0]])
    kept = given_values.copy()
    for function in (amplitude_to_db, power_to_db, db_to_amplitude, db_to_power):
        assert all(type(function(one)) is float for one in (1, np.float64(1), np.array(1.0)))
        assert function(given_values).shape == (2, 2)
        assert function([]).shape == (0,)
    assert np.array_equal(given_values, kept)
    assert amplitude_to_db(np.int8(-128)) == pytest.approx(42.1442, abs=1e-4)


def test_a_negative_power_is_refused():
    with pytest.raises(ValueError, match=r"^power: -2 is not allowed; a power is 0 or more\.$"):
        power_to_db([1.0, -2.0])


# --- peak, RMS, crest factor -----------------------------------------------------------------------------------------


def test_a_full_scale_sine_has_an_rms_of_minus_3_not_0():
    clip = Clip(sine(1000, 1, 48000), 48000)
    # Plain RMS re full scale. AES17 (value from memory) adds 3.01 dB, and would read 0 here.
    assert rms_dbfs(clip) == pytest.approx(-3.0103, abs=1e-3)
    assert sample_peak_dbfs(clip) == pytest.approx(0, abs=1e-3)
    assert crest_factor_db(clip) == pytest.approx(3.0103, abs=2e-3)


def test_a_square_wave_has_no_crest():
    clip = Clip(np.tile([0.25, -0.25], 100), 8000)
    assert crest_factor_db(clip) == pytest.approx(0, abs=1e-12)
    assert rms_dbfs(clip) == pytest.approx(-12.0412, abs=1e-4)


def test_pauses_do_not_count_where_the_sung_time_is_given():
    """Three seconds of silence raise the crest factor of a whole clip, though no peak has changed (by 3 dB where they
    double its length)."""
    tone = sine(220, 3, 48000, -6)
    padded = Clip(np.concatenate([tone, np.zeros(len(tone))]), 48000)
    sung = np.arange(padded.frames) < len(tone)
    assert crest_factor_db(padded) == pytest.approx(3.0103 + 3.0103, abs=0.01)
    assert crest_factor_db(padded, sung) == pytest.approx(3.0103, abs=0.01)
    assert crest_factor_db(padded, sung) == pytest.approx(crest_factor_db(Clip(tone, 48000)), abs=1e-9)
    assert math.isnan(crest_factor_db(padded, ~sung)) and math.isnan(crest_factor_db(padded, np.zeros_like(sung)))
    with pytest.raises(ValueError) as error:
        crest_factor_db(padded, sung[1:])
    one_sentence(error, "active")


def test_channels_the_loudest_peak_and_the_mean_power():
    clip = Clip(np.array([[0.1, -0.8], [0.2, 0.4]]), 48000)
    assert sample_peak_dbfs(clip) == pytest.approx(20 * math.log10(0.8))
    assert rms_dbfs(clip) == pytest.approx(10 * math.log10((0.01 + 0.64 + 0.04 + 0.16) / 4))


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("shape", [(1,), (1, 2), (5000,), (5000, 3)])
def test_silence(shape):
    clip = Clip(np.zeros(shape), 44100)
    assert sample_peak_dbfs(clip) == rms_dbfs(clip) == true_peak_dbtp(clip) == -math.inf
    assert math.isnan(crest_factor_db(clip))


def test_step_powers_cover_the_clip():
    samples = np.random.default_rng(1).standard_normal((1003, 2))
    edges, powers = step_powers(Clip(samples, 8000), 10)
    assert edges[0] == 0 and edges[-1] == 1003 and set(np.diff(edges)[:-1]) == {80}
    assert np.sum(powers * np.diff(edges)) == pytest.approx(np.mean(samples**2, axis=1).sum())


# --- true peak -------------------------------------------------------------------------------------------------------

# EBU Tech 3341 (2023), table 1, cases 15 to 19: (part of the rate, amplitude, phase in degrees, expected dBTP).
TRUE_PEAK_CASES = {
    15: (4, 0.50, 0.0, -6.0),
    16: (4, 0.50, 45.0, -6.0),
    17: (6, 0.50, 60.0, -6.0),
    18: (8, 0.50, 67.5, -6.0),
    19: (4, 1.41, 45.0, 3.0),
}


def faded(samples: np.ndarray, rate: int, fade_s: float = 0.01) -> np.ndarray:
    edge = np.minimum(np.arange(len(samples)), np.arange(len(samples))[::-1]) / (fade_s * rate)
    return samples * np.minimum(edge, 1)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("case", TRUE_PEAK_CASES)
def test_true_peak_cases_of_tech_3341(case, rate, deviation):
    part, amplitude, phase_deg, expected = TRUE_PEAK_CASES[case]
    tone = faded(sine(rate / part, 1.0, rate, 20 * math.log10(amplitude), phase_deg), rate)
    off = true_peak_dbtp(Clip(tone, rate)) - expected
    deviation("true peak, cases 15 to 19", "EBU Tech 3341 (2023)", off, (-0.4, 0.2), "dB")


@settings(max_examples=120, deadline=None)
@given(
    rate=st.sampled_from(RATES),
    # Fractions with a small denominator: a tone then stays at a few phases, and its peak may fall between the points.
    part=st.fractions(Fraction(1, 24), Fraction(1, 3), max_denominator=24),
    phase_deg=st.floats(0, 360),
    channels=st.sampled_from([1, 2]),
)
def test_true_peak_is_within_the_tolerance_at_any_frequency_phase_and_rate(rate, part, phase_deg, channels):
    """Tolerance of EBU Tech 3341 (2023), +0.2/−0.4 dB, for content up to a third of the rate, as the docstring says."""
    # Fades long enough to have no overshoot of their own, and enough frames to meet every phase of the tone.
    tone = faded(sine(float(part) * rate, 4000 / rate, rate, phase_deg=phase_deg), rate, 1000 / rate)
    other = np.zeros((len(tone), channels - 1))
    assert -0.4 <= true_peak_dbtp(Clip(np.column_stack([other, tone]), rate)) <= 0.2


@pytest.mark.parametrize("phase_deg", np.linspace(0, 180, 13))
def test_true_peak_up_to_four_tenths_of_the_rate(phase_deg):
    tone = faded(sine(0.4 * 48000, 0.2, 48000, phase_deg=phase_deg), 48000, 0.05)
    assert -0.5 <= true_peak_dbtp(Clip(tone, 48000)) <= 0.2


@pytest.mark.parametrize("frames", [1, 2, 47, 511, 512, 513, 4000])
def test_skipping_soft_blocks_and_slicing_change_nothing(frames, rng, monkeypatch):
    """Against NumPy's convolution of everything with the same filter, with no block skipped."""
    monkeypatch.setattr(levels, "_SLICE_FRAMES", 2 * levels._BLOCK_FRAMES)
    factor = oversampling_factor(48000)
    between = levels._interpolator(factor)
    reach = len(between) // 2
    # The whole filter, phase by phase, with the samples themselves as phase 0.
    phases = np.column_stack([np.eye(1, 2 * reach, reach - 1).ravel(), between])
    filter_taps = np.concatenate([phases[::-1].ravel(), np.zeros(1)])
    for scale in (np.ones(frames), np.geomspace(1, 1e-3, frames)):
        samples = rng.standard_normal(frames) * scale
        padded = np.concatenate([np.zeros(100), samples, np.zeros(100)])
        everything = np.convolve(np.kron(padded, np.eye(1, factor).ravel()), filter_taps)
        expected = amplitude_to_db(np.abs(everything).max())
        assert true_peak_dbtp(Clip(samples, 48000)) == pytest.approx(expected, abs=1e-9)


def test_a_click_between_blocks_is_seen():
    """Against SciPy's 64-fold interpolation: a burst right across a block's edge."""
    samples = np.zeros(2048)
    samples[500:524] = np.hanning(24) * np.cos(np.pi * 0.5 * np.arange(24) + np.pi / 4)
    fine = np.abs(resample_poly(samples, 64, 1)).max()
    assert true_peak_dbtp(Clip(samples, 48000)) == pytest.approx(amplitude_to_db(fine), abs=0.2)


@given(st.lists(st.floats(-2, 2), min_size=1, max_size=60))
@settings(deadline=None)
def test_true_peak_is_never_under_the_sample_peak(values):
    clip = Clip(np.array(values), 48000)
    assert true_peak_dbtp(clip) >= sample_peak_dbfs(clip)


@pytest.mark.parametrize("rate", RATES)
def test_oversampled_at_least_fourfold_and_to_192_khz(rate):
    assert oversampling_factor(rate) >= 4 and oversampling_factor(rate) * rate >= 192_000
