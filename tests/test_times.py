"""Attack and release as sheets state them, and the distortion of a fast release."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence

from vocomp_lab.analysis.distortion import (
    NOTHING_DB,
    aliasing_db,
    harmonic_distortion_percent,
    harmonics_db,
    tone_spectrum_db,
)
from vocomp_lab.analysis.times import measure_burst, stated_times, time_until_within_ms
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

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
    assert crossing_ms(step_db - 4) == pytest.approx(stated.within_4_db_ms, abs=tolerance_ms)


@pytest.mark.parametrize("margins_db", [(3.0, 4.0), (2.0, 2.0)], ids=["ANSI S3.22", "IEC 60118-2"])
def test_the_hearing_aid_standards_times_are_those_of_a_sound_that_steps_by_35_db(margins_db):
    """55 to 90 dB and back (values from memory), all of it over the threshold: at 3:1, 23.3 dB of reduction, and the
    output is as far from its final level as the reduction is."""
    tau_ms, ratio = 10.0, 3.0
    level_db = np.repeat([-40.0, -5.0, -40.0], RATE // 2)
    output_db = level_db - Compressor(-60, ratio, tau_ms, tau_ms).reduction_db(level_db, RATE)
    stated = stated_times(tau_ms, 35 * (1 - 1 / ratio))
    by_margin = {2.0: stated.within_2_db_ms, 3.0: stated.within_3_db_ms, 4.0: stated.within_4_db_ms}
    for number, margin_db in enumerate(margins_db):
        part = output_db[(1 + number) * RATE // 2 : (2 + number) * RATE // 2]
        within_ms = 1000 * (np.flatnonzero(np.abs(part - part[-1]) > margin_db)[-1] + 2) / RATE
        assert within_ms == pytest.approx(by_margin[margin_db], abs=2000 / RATE)


def test_a_step_that_never_covers_ten_decibels_has_no_such_time():
    assert stated_times(1, 10).ten_db_ms == math.inf
    assert time_until_within_ms(5, 2, 3) == 0


def test_times_are_refused_in_one_sentence():
    for arguments, name in (((0, 10), "time_constant_ms"), ((1, -2), "step_db")):
        with pytest.raises(ValueError) as error:
            stated_times(*arguments)
        one_sentence(error, name)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(("attack_ms", "release_ms"), [(1, 60), (10, 200)])
def test_a_burst_comes_and_goes_as_the_closed_forms_say(rate, attack_ms, release_ms):
    """c·(1 − e^(−t/τ)) up, c·e^(−t/τ) down."""
    burst = measure_burst(Compressor(-26, 4, attack_ms, release_ms), 0.3, 2, level_dbfs=-6, rate=rate)
    tolerance_ms = 1000.5 / rate
    assert burst.reached_db == pytest.approx(15, abs=1e-6)
    assert burst.end == round(0.3 * rate) and len(burst.reduction_db) == round(0.3 * rate) + 2 * rate
    assert burst.attack_ms() == pytest.approx(attack_ms, abs=tolerance_ms)
    assert burst.attack_ms(0.9) == pytest.approx(attack_ms * math.log(10), abs=tolerance_ms)
    assert burst.release_ms() == pytest.approx(release_ms, abs=tolerance_ms)
    assert burst.release_ms(0.1) == pytest.approx(release_ms * math.log(10), abs=tolerance_ms)


def test_a_burst_that_is_too_soft_or_a_release_that_is_too_long_has_no_time():
    assert measure_burst(Compressor(0, 4, 1, 60), 0.1, 0.1).attack_ms() == math.inf
    assert measure_burst(Compressor(-26, 4, 1, 2000), 0.1, 0.1).release_ms() == math.inf


@pytest.mark.parametrize(
    ("settings", "name"),
    [
        ({"burst_s": 0}, "burst_s"),
        ({"after_s": 61}, "after_s"),
        ({"level_dbfs": 1}, "level_dbfs"),
        ({"rate": 1}, "rate"),
    ],
)
def test_a_burst_that_cannot_be_is_refused(settings, name):
    with pytest.raises(ValueError) as error:
        measure_burst(Compressor(-20, 4, 1, 60), **{"burst_s": 1, "after_s": 1, **settings})
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


class Cuber:
    """y = x + x³/2: a sine of peak p gets a third harmonic of p³/8 beside a fundamental of p + 3p³/8."""

    def apply(self, clip):
        return clip.with_samples(clip.samples + clip.samples**3 / 2)


@pytest.mark.parametrize("level_dbfs", [0, -12])
def test_single_harmonics_of_known_curves(level_dbfs):
    p = 10 ** (level_dbfs / 20)
    second = harmonics_db(Squarer(), 220, level_dbfs)
    assert second.shape == (6,) and second[0] == pytest.approx(20 * math.log10(p / 2), abs=1e-6)
    third = harmonics_db(Cuber(), 220, level_dbfs, highest=3)
    assert third[1] == pytest.approx(20 * math.log10(p**2 / 8 / (1 + 3 * p**2 / 8)), abs=1e-6)
    assert second[1:].max() < -250 and third[0] < -250


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_a_folded_harmonic_is_found_at_its_place_and_level(rate):
    """The square's second harmonic of 15,013 Hz lies beyond half the rate: it comes back at rate − 30,026 Hz."""
    spectrum_db = tone_spectrum_db(Squarer().apply, 15_013, -6, rate)
    assert spectrum_db.shape == (rate // 2 + 1,)
    level_db = 20 * math.log10(10 ** (-6 / 20) / 2)
    assert aliasing_db(Squarer().apply, 15_013, -6, rate) == pytest.approx(level_db, abs=1e-6)
    assert spectrum_db[rate - 30_026] == pytest.approx(level_db, abs=1e-6)
    assert spectrum_db[15_013] == 0 and aliasing_db(lambda clip: clip, 15_013, -6, rate) < -200


def test_without_oversampling_the_curve_is_all_there_is():
    clip = Clip(np.linspace(-1, 1, 50), 48_000)
    assert np.array_equal(Colour(6, 0.3).apply_bare(clip).samples, Colour(6, 0.3).curve(clip.samples))


def test_silence_has_no_lines():
    spectrum_db = tone_spectrum_db(lambda clip: clip.with_samples(np.zeros(clip.frames)), 1000, -6)
    assert np.all(spectrum_db == NOTHING_DB)


@pytest.mark.parametrize(
    ("settings", "name"), [({"highest": 1}, "highest"), ({"highest": 24}, "highest"), ({"freq_hz": 24_000}, "freq_hz")]
)
def test_harmonics_that_cannot_be_are_refused(settings, name):
    with pytest.raises(ValueError) as error:
        harmonics_db(Squarer(), **{"freq_hz": 1000, "level_dbfs": -6, **settings})
    one_sentence(error, name)


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
    ("settings", "name"),
    [({"freq_hz": 5}, "freq_hz"), ({"level_dbfs": 3}, "level_dbfs"), ({"freq_hz": 4000, "rate": 8000}, "freq_hz")],
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
