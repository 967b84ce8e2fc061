"""The table of lesson 05: each number is the one that its own function gives, of a single processor and of a chain."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import sine

from vocomp_lab.analysis.distortion import harmonic_distortion_percent
from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.meters import peak_to_loudness_ratio_db
from vocomp_lab.analysis.pumping import gain_swing_db, pause_lift
from vocomp_lab.analysis.tradeoff import Tradeoff, measure_tradeoff
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000
SUNG = (np.arange(4 * RATE) % RATE) < 0.7 * RATE
HISS = 1e-4 * np.random.default_rng(1).standard_normal(4 * RATE)
VOICE = Clip(np.where(SUNG, sine(300, 4, RATE, -10) * np.linspace(0.2, 1, 4 * RATE), HISS), RATE)
TWO = Chain([("one", Compressor(-18, 3, 1, 80)), ("two", Compressor(-26, 2, 10, 200))])


@pytest.mark.parametrize("processor", [Compressor(-24, 3, 5, 100), TWO])
def test_each_number_is_measured_on_the_result(processor):
    found, result = measure_tradeoff(processor, VOICE, SUNG), processor.apply(VOICE)
    words = voiced_words(VOICE)
    levels, lift = word_levels(result.output, words), pause_lift(VOICE, result.output, SUNG)
    assert len(words) >= 4 and found.spread_lu == levels.spread_lu > 0 and found.farthest_lu == levels.farthest_lu
    assert found.peaks_db == pytest.approx(peak_to_loudness_ratio_db(result.output))
    assert found.max_db == pytest.approx(result.reduction_db[SUNG].max())
    assert found.median_db == pytest.approx(np.median(result.reduction_db[SUNG]))
    assert found.swing_db == pytest.approx(gain_swing_db(result.reduction_db, RATE, words))
    assert found.room_db == lift.room_db > 0
    loud = 20 * np.log10(np.percentile(np.abs(VOICE.samples[SUNG]), 99))
    assert found.distortion_percent == pytest.approx(harmonic_distortion_percent(processor, 110, loud))


def test_two_in_a_row_take_what_each_takes():
    first, second = Compressor(-18, 3, 1, 80), Compressor(-26, 2, 10, 200)
    both = Chain([("one", first), ("two", second)]).apply(VOICE)
    once = first.apply(VOICE)
    assert np.allclose(both.reduction_db, once.reduction_db + second.apply(once.output).reduction_db)


def test_there_is_a_cell_for_each_name_with_its_unit():
    cells = Tradeoff(3.25, -4.0, 15.0, 3.5, 8.25, 2.5, 0.5, math.nan, 2.0).cells
    assert len(cells) == len(Tradeoff.HEAD) and cells[1] == "−4.0 LU" and cells[-2:] == ("– dB", "+2.0 dB")


def test_a_voice_that_never_sings_does_no_work():
    silent = Clip(np.zeros(RATE), RATE)
    found = measure_tradeoff(Compressor(-24, 3, 5, 100), silent, np.zeros(RATE, bool))
    assert found.max_db == 0 and found.swing_db == 0 and np.isnan(found.spread_lu)
