"""Attack and release as sheets state them, and the distortion of a fast release."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence

from vocomp_lab.audio import Clip
from vocomp_lab.compressor import Compressor
from vocomp_lab.distortion import harmonic_distortion_percent
from vocomp_lab.times import stated_times, time_until_within_ms

RATE = 192_000


@pytest.mark.parametrize("tau_ms", [0.5, 5, 40])
@pytest.mark.parametrize("step_db", [12.0, 30.0])
def test_stated_times_are_those_of_a_measured_step(tau_ms, step_db):
    compressor = Compressor(-60, math.inf, tau_ms, 100)
    reduction = compressor.reduction_db(np.full(RATE, -60.0 + step_db), RATE)
    stated = stated_times(tau_ms, step_db)

    def crossing_ms(level_db):
        return 1000 * (np.argmax(reduction >= level_db) + 1) / RATE

    tolerance_ms = 2000 / RATE
    assert crossing_ms((1 - math.exp(-1)) * step_db) == pytest.approx(stated.time_constant_ms, abs=tolerance_ms)
    assert crossing_ms(0.9 * step_db) == pytest.approx(stated.ninety_percent_ms, abs=tolerance_ms)
    assert crossing_ms(10) == pytest.approx(stated.ten_db_ms, abs=tolerance_ms)
    assert crossing_ms(step_db - 3) == pytest.approx(stated.within_3_db_ms, abs=tolerance_ms)
    assert crossing_ms(step_db - 2) == pytest.approx(stated.within_2_db_ms, abs=tolerance_ms)


def test_a_step_that_never_covers_ten_decibels_has_no_such_time():
    assert stated_times(1, 10).ten_db_ms == math.inf
    assert time_until_within_ms(5, 2, 3) == 0


def test_times_are_refused_in_one_sentence():
    for arguments, name in (((0, 10), "time_constant_ms"), ((1, -2), "step_db")):
        with pytest.raises(ValueError) as error:
            stated_times(*arguments)
        one_sentence(error, name)


class Squarer:
    """y = x + x²: a sine of peak p gets a second harmonic of p²/2 and no other (trigonometry, no source needed)."""

    def apply(self, clip):
        return clip.with_samples(clip.samples + clip.samples**2)


@pytest.mark.parametrize("level_dbfs", [0, -12, -40])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_distortion_of_a_known_curve(level_dbfs, rate):
    peak = 10 ** (level_dbfs / 20)
    assert harmonic_distortion_percent(Squarer(), 220, level_dbfs, rate) == pytest.approx(100 * peak / 2, rel=1e-6)


def test_a_clean_processor_adds_nothing():
    assert harmonic_distortion_percent(Compressor(0, 3, 1, 80), 110, -6) < 1e-9


def test_a_faster_release_distorts_low_notes_more():
    percent = [harmonic_distortion_percent(Compressor(-26, 3, 1, release), 110, -6) for release in (5, 20, 80, 200)]
    assert percent[0] > 2 * percent[1] > 4 * percent[2] > 4 * percent[3]
    assert percent[0] > 5 and percent[3] < 0.5


def test_a_low_note_suffers_more_than_a_high_one():
    low, high = (harmonic_distortion_percent(Compressor(-26, 3, 1, 20), f, -6) for f in (110, 440))
    assert low > 3 * high


@pytest.mark.parametrize(
    ("settings", "name"), [({"freq_hz": 5}, "freq_hz"), ({"level_dbfs": 3}, "level_dbfs"), ({"freq_hz": 4000, "rate": 8000}, "freq_hz")]
)
def test_a_tone_that_cannot_be_is_refused(settings, name):
    with pytest.raises(ValueError) as error:
        harmonic_distortion_percent(Compressor(0, 3, 1, 80), **{"freq_hz": 100, "level_dbfs": -6, **settings})
    one_sentence(error, name)


def test_the_settled_second_is_what_counts():
    class Late:
        def apply(self, clip):
            samples = clip.samples.copy()
            samples[: clip.rate] = np.sign(samples[: clip.rate])
            return Clip(samples, clip.rate)

    assert harmonic_distortion_percent(Late(), 100, -6) < 1e-9
