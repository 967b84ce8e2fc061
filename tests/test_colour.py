"""The curves against their series, and what oversampling must keep out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import sine
from scipy.signal import firwin, lfilter, upfirdn

from vocomp_lab.processors.colour import _CUTOFF, _KAISER_BETA, _TAPS, OVERSAMPLING, Colour
from vocomp_lab.sound.audio import Clip


def lines_db(samples, freq_hz, rate, *orders):
    """Levels of harmonics relative to the fundamental, over one second in the middle: whole cycles."""
    lines = np.abs(np.fft.rfft(samples[rate : 2 * rate]))
    return [20 * math.log10(lines[order * freq_hz] / lines[freq_hz]) for order in orders]


@pytest.mark.parametrize("rate", (44_100, 48_000, 96_000))
@pytest.mark.parametrize("freq_hz", (997, 5_003, 7_001, 9_001, 9_973))
@pytest.mark.parametrize("drive_db, asymmetry", [(0.0, 0.0), (0.0, 0.577), (6.0, 0.03)])
def test_aliasing_stays_80_db_under_a_full_scale_tone(drive_db, asymmetry, freq_hz, rate):
    """All lines of the spectrum that are not harmonics, at drives that bend a full-scale tone strongly. The goal is the
    project's own.
    """
    tone = Clip(sine(freq_hz, 3, rate), rate)
    out = Colour(drive_db, asymmetry).apply(tone).samples
    lines = np.abs(np.fft.rfft(out[rate : 2 * rate]))
    fundamental = lines[freq_hz]
    lines[::freq_hz] = 0.0
    assert 20 * math.log10(lines.max() / fundamental) < -80
    # Without oversampling the same tone does alias, so this test can fail.
    bare = np.abs(np.fft.rfft(Colour(drive_db, asymmetry).curve(tone.samples)[rate : 2 * rate]))
    bare[::freq_hz] = 0.0
    if freq_hz > 7_000 and rate < 96_000:
        assert 20 * math.log10(bare.max() / fundamental) > -80


def test_harmonics_of_a_small_tone_are_those_of_the_series():
    """Second t·d·A/2, third |1 − 3t²|·d²·A²/12, relative to the fundamental."""
    for drive_db, t, level_db in [(0, 0.03, -20), (6, 0.3, -24), (-6, 0.8, -20)]:
        drive_a = 10 ** ((drive_db + level_db) / 20)
        out = Colour(drive_db, t).apply(Clip(sine(997, 3, 48_000, level_db), 48_000)).samples
        second, third = lines_db(out, 997, 48_000, 2, 3)
        assert second == pytest.approx(20 * math.log10(t * drive_a / 2), abs=0.1)
        assert third == pytest.approx(20 * math.log10(abs(1 - 3 * t * t) * drive_a**2 / 12), abs=0.25)


@pytest.mark.parametrize(("asymmetry", "order", "step_db"), [(1 / math.sqrt(3), 2, 6.0), (0.3, 2, 6.0), (0.0, 3, 12.0)])
def test_6_db_more_drive_raise_the_second_harmonic_by_6_db_and_the_third_by_12(asymmetry, order, step_db):
    tone = Clip(sine(997, 3, 48_000, -12), 48_000)
    levels_db = [
        lines_db(Colour(drive_db, asymmetry).apply(tone).samples, 997, 48_000, order)[0] for drive_db in (-18, -12, -6)
    ]
    assert np.diff(levels_db) == pytest.approx([step_db, step_db], abs=0.25)


def test_two_halves_that_mirror_each_other_cancel_the_even_harmonics():
    """Push–pull: each half bends one side of the wave more, and what is even in both falls out of their difference."""
    tone = Clip(sine(997, 3, 48_000, -6), 48_000)
    single = Colour(6.0, 0.5)
    push_pull = (single.apply(tone).samples - single.apply(tone.with_samples(-tone.samples)).samples) / 2
    alone_db, pair_db = (lines_db(out, 997, 48_000, 2, 3) for out in (single.apply(tone).samples, push_pull))
    assert alone_db[0] > -25 and alone_db[0] > alone_db[1]
    assert pair_db[0] < -120 and pair_db[1] == pytest.approx(alone_db[1], abs=0.1)


def test_the_curve_is_the_shifted_tangent_goes_through_zero_with_slope_one_and_rises():
    x = np.linspace(-3, 3, 2001)
    for drive_db in (-30.0, 0.0, 12.0):
        for t in (0.0, 0.03, 0.577, 0.9):
            d = 10 ** (drive_db / 20)
            shifted = (np.tanh(d * x + math.atanh(t)) - t) / (d * (1 - t * t))
            curve = Colour(drive_db, t).curve(x)
            assert np.abs(curve - shifted).max() < 1e-9
            assert np.all(np.diff(curve) >= 0)
            small = Colour(drive_db, t).curve(np.array([-1e-6, 0.0, 1e-6]))
            assert small[1] == 0 and (small[2] - small[0]) / 2e-6 == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("frames", (1, 100, 1_888, 1_889, 15_104, 15_105, 30_000))
def test_blocks_join_without_a_trace_and_nothing_is_delayed(frames, rng):
    """Against the plain way: zeros between the samples, filter, curve, filter, every fourth sample.

    A block yields 1,888 frames, and 8 blocks are transformed at once.
    """
    x = np.clip(0.4 * rng.standard_normal(frames), -1, 1)
    colour = Colour(6.0, 0.0)
    taps = firwin(_TAPS, _CUTOFF / OVERSAMPLING, window=("kaiser", _KAISER_BETA))
    up = upfirdn(taps * OVERSAMPLING, x, OVERSAMPLING, 1)
    plain = upfirdn(taps, colour.curve(up) - up)[_TAPS - 1 :: OVERSAMPLING][:frames]
    added = colour.apply(Clip(x, 48_000)).samples - x
    # The blocks leave out a stopband of −100 dB, and compute in single precision.
    assert np.abs(added - plain).max() < 3e-5


def test_the_zero_line_stays_and_soft_sounds_keep_their_level():
    tone = sine(997, 3, 48_000, -12)
    out = Colour(6.0, 0.577).apply(Clip(tone, 48_000)).samples
    assert abs(out[48_000:96_000].mean()) < 1e-6 and abs(Colour(6.0, 0.577).curve(tone).mean()) > 1e-3
    soft = sine(997, 1, 48_000, -100)
    assert np.abs(Colour(0.0, 0.0).apply(Clip(soft, 48_000)).samples - soft).max() < 1e-6 * np.abs(soft).max()


def test_a_tone_near_half_the_rate_passes_as_it_is():
    tone = sine(23_500, 1, 48_000, -30)
    assert np.abs(Colour(0.0, 0.0).apply(Clip(tone, 48_000)).samples - tone).max() < 1e-4 * np.abs(tone).max()


def test_channels_are_treated_alike_and_silence_stays_silent(rng):
    x = 0.3 * rng.standard_normal((5_000, 2))
    both = Colour(3.0, 0.2).apply(Clip(x, 44_100)).samples
    for n in range(2):
        assert np.array_equal(both[:, n], Colour(3.0, 0.2).apply(Clip(x[:, n], 44_100)).samples)
    assert not Colour(24, 0.9).apply(Clip(np.zeros(20), 8_000)).samples.any()


def test_the_dc_block_is_the_first_order_one():
    a = math.exp(-2 * math.pi * 5 / 48_000)
    x = sine(300, 0.2, 48_000, -6)
    colour = Colour(0.0, 0.5)
    straight = Colour(0.0, 0.0)
    assert not np.array_equal(colour.apply(Clip(x, 48_000)).samples, straight.apply(Clip(x, 48_000)).samples)
    # Far below half the rate the filters do nothing: only the curve and the high-pass are left.
    expected = x + lfilter([(1 + a) / 2, -(1 + a) / 2], [1, -a], colour.curve(x) - x)
    assert np.abs(colour.apply(Clip(x, 48_000)).samples - expected)[400:-400].max() < 2e-4
