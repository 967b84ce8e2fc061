"""Gain that moves, rooms and hisses that come up: held against curves and sounds with known answers."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import one_sentence, sine

from vocomp_lab.analysis.pumping import gain_swing_db, hiss_lift_db, pause_lift, smoothed_db
from vocomp_lab.sound.audio import Clip

RATE = 48_000
T = np.arange(4 * RATE) / RATE
EVERYWHERE = np.ones(len(T), bool)


# Four words of 0.8 s, a second apart.
WORDS = [SimpleNamespace(start_s=at + 0.1, end_s=at + 0.9) for at in range(4)]


@pytest.mark.parametrize("rate", [8_000, 48_000, 96_000])
def test_a_gain_that_goes_down_and_back_within_each_word_swings_by_that(rate):
    t = np.arange(4 * rate) / rate
    reduction = 3 - 3 * np.cos(2 * np.pi * t)
    # A running mean of 50 ms takes sin(πfT)/(πfT) of a swing at 1 Hz; the words leave out its first and last 0.14 s.
    expected = 3 * np.sinc(0.05) * (1 + np.cos(2 * np.pi * 0.14))
    assert gain_swing_db(reduction, rate, WORDS) == pytest.approx(expected, rel=0.01)


def test_a_ride_of_the_fader_is_no_pumping_and_deep_pumping_is():
    """Both travel 8 dB in a second: once by another gain for each word, once down and up within each."""
    ride = np.where((T % 2 < 1), 0.0, 8.0)
    pumping = 2 - 2 * np.cos(2 * np.pi * T)
    for curve in (ride, pumping):
        assert np.abs(np.diff(smoothed_db(curve, RATE))).sum() / 4 == pytest.approx(8, rel=0.3)
    assert gain_swing_db(ride, RATE, WORDS) == pytest.approx(0, abs=1e-9)
    assert gain_swing_db(pumping, RATE, WORDS) > 3


def test_what_is_quicker_than_the_ear_follows_does_not_count():
    trembling = 5 + np.sin(2 * np.pi * 100 * T)  # whole cycles of 100 Hz in 50 ms
    assert gain_swing_db(trembling, RATE, WORDS) < 0.05
    assert gain_swing_db(np.full(len(T), 7.0), RATE, WORDS) == pytest.approx(0, abs=1e-9)
    assert gain_swing_db(trembling, RATE, []) == 0.0


def test_smoothing_keeps_the_mean_and_the_length():
    curve = np.random.default_rng(3).uniform(0, 6, RATE)
    smooth = smoothed_db(curve, RATE)
    assert smooth.shape == curve.shape
    assert smooth.mean() == pytest.approx(curve.mean(), abs=0.02)
    assert np.ptp(smooth[2400:-2400]) < 0.4


def test_the_floor_comes_up_by_what_the_voice_was_taken_down():
    rng = np.random.default_rng(5)
    sung = (T % 2) < 1
    clip = Clip(np.where(sung, sine(500, 4, RATE, -12), 1e-3 * rng.standard_normal(len(T))), RATE)
    turned_down = clip.with_samples(clip.samples * np.where(sung, 10 ** (-5 / 20), 1.0))
    assert pause_lift(clip, turned_down, sung).room_db == pytest.approx(5, abs=0.1)
    assert pause_lift(clip, turned_down.gained(9), sung).room_db == pytest.approx(5, abs=0.1), (
        "whatever the make-up gain"
    )
    assert pause_lift(clip, clip, sung).room_db == pytest.approx(0, abs=1e-6)
    assert math.isnan(pause_lift(clip, turned_down, sung).breaths_db), "nothing louder than the room"
    assert math.isnan(pause_lift(clip, turned_down, EVERYWHERE).room_db), "no pause"
    silent = clip.with_samples(np.where(sung, clip.samples, 0.0))
    assert math.isnan(pause_lift(silent, silent, sung).room_db), "digital silence in the pauses"


def test_a_breath_that_comes_up_further_than_the_room_is_told():
    """The quietest quarter of the pauses is the room alone; a breath in the loudest part of one is another matter."""
    rng = np.random.default_rng(6)
    sung = (T % 2) < 1
    breath = (T % 2) > 1.6
    noise = rng.standard_normal(len(T)) * np.where(breath, 2e-2, 1e-3)
    clip = Clip(np.where(sung, sine(500, 4, RATE, -12), noise), RATE)
    gain_db = np.where(sung, -4.0, np.where(breath, 8.0, 0.0))
    lift = pause_lift(clip, clip.with_samples(clip.samples * 10 ** (gain_db / 20)), sung)
    assert lift.room_db == pytest.approx(4, abs=0.7), "the breath has a little part in the loudness"
    assert lift.breaths_db - lift.room_db == pytest.approx(8, abs=0.15)


def test_hisses_come_up_by_what_the_tone_went_down():
    before = Clip(sine(500, 4, RATE, -12) + sine(9000, 4, RATE, -30), RATE)
    after = Clip(sine(500, 4, RATE, -16) + sine(9000, 4, RATE, -30), RATE)
    assert hiss_lift_db(before, after) == pytest.approx(4, abs=0.05)
    assert hiss_lift_db(before, after.gained(7)) == pytest.approx(4, abs=0.05)
    assert math.isnan(hiss_lift_db(before, after.gained(-math.inf)))


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: pause_lift(Clip(T, RATE), Clip(T, RATE), EVERYWHERE[1:]), "active"),
        (lambda: gain_swing_db(np.zeros((10, 2)), RATE, []), "reduction_db"),
        (lambda: smoothed_db(np.zeros(10), RATE, 0), "smooth_ms"),
        (lambda: hiss_lift_db(Clip(np.ones(100), 8_000), Clip(np.ones(100), 8_000)), "from_hz"),
    ],
)
def test_what_cannot_be_is_refused(call, name):
    with pytest.raises(ValueError) as error:
        call()
    one_sentence(error, name)
