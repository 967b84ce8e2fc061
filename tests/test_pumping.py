"""Gain that travels, rooms and hisses that come up: held against curves and sounds with known answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence, sine

from vocomp_lab.analysis.pumping import floor_lift_db, gain_travel_db_per_s, hiss_lift_db, smoothed_db
from vocomp_lab.sound.audio import Clip

RATE = 48_000
T = np.arange(4 * RATE) / RATE
EVERYWHERE = np.ones(len(T), bool)


@pytest.mark.parametrize("rate", [8_000, 48_000, 96_000])
def test_a_gain_that_goes_down_by_3_db_and_back_once_a_second_travels_6(rate):
    t = np.arange(4 * rate) / rate
    reduction = 1.5 - 1.5 * np.cos(2 * np.pi * t)
    # A running mean of 50 ms takes sin(πfT)/(πfT) of a swing at 1 Hz.
    kept = np.sinc(0.05)
    assert gain_travel_db_per_s(reduction, rate, np.ones(len(t), bool)) == pytest.approx(6 * kept, rel=0.01)


def test_what_is_quicker_than_the_ear_follows_does_not_count_as_travel():
    trembling = 5 + np.sin(2 * np.pi * 100 * T)  # whole cycles of 100 Hz in 50 ms
    assert gain_travel_db_per_s(trembling, RATE, EVERYWHERE) < 0.3
    assert gain_travel_db_per_s(trembling, RATE, EVERYWHERE, smooth_ms=1) > 300
    assert gain_travel_db_per_s(np.full(len(T), 7.0), RATE, EVERYWHERE) == pytest.approx(0, abs=1e-6)


def test_only_the_sung_part_counts():
    reduction = np.where(T < 2, 0.0, 3 - 3 * np.cos(2 * np.pi * T))
    first = T < 1.9
    assert gain_travel_db_per_s(reduction, RATE, first) == pytest.approx(0, abs=1e-9)
    assert gain_travel_db_per_s(reduction, RATE, ~EVERYWHERE) == 0.0


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
    assert floor_lift_db(clip, turned_down, sung) == pytest.approx(5, abs=0.1)
    assert floor_lift_db(clip, turned_down.gained(9), sung) == pytest.approx(5, abs=0.1), "whatever the make-up gain"
    assert floor_lift_db(clip, clip, sung) == pytest.approx(0, abs=1e-6)
    assert math.isnan(floor_lift_db(clip, turned_down, EVERYWHERE)), "no pause"
    silent = clip.with_samples(np.where(sung, clip.samples, 0.0))
    assert math.isnan(floor_lift_db(silent, silent, sung)), "digital silence in the pauses"


def test_hisses_come_up_by_what_the_tone_went_down():
    before = Clip(sine(500, 4, RATE, -12) + sine(9000, 4, RATE, -30), RATE)
    after = Clip(sine(500, 4, RATE, -16) + sine(9000, 4, RATE, -30), RATE)
    assert hiss_lift_db(before, after) == pytest.approx(4, abs=0.05)
    assert hiss_lift_db(before, after.gained(7)) == pytest.approx(4, abs=0.05)
    assert math.isnan(hiss_lift_db(before, after.gained(-math.inf)))


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: gain_travel_db_per_s(np.zeros(10), RATE, np.ones(9, bool)), "active"),
        (lambda: gain_travel_db_per_s(np.zeros((10, 2)), RATE, np.ones(10, bool)), "reduction_db"),
        (lambda: smoothed_db(np.zeros(10), RATE, 0), "smooth_ms"),
        (lambda: hiss_lift_db(Clip(np.ones(100), 8_000), Clip(np.ones(100), 8_000)), "from_hz"),
    ],
)
def test_what_cannot_be_is_refused(call, name):
    with pytest.raises(ValueError) as error:
        call()
    one_sentence(error, name)
