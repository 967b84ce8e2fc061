"""The proximity effect against the sound field of a point source itself, and what lesson 03 says of it."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import one_sentence
from prepared import speech
from takes import ci_only, make_take

from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowend import band_level_db
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.proximity import SPEED_OF_SOUND_M_PER_S, add_proximity, proximity_db
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, LowShelf
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip


def test_it_is_what_two_points_in_the_field_of_a_source_differ_by():
    """A gradient microphone as it is built: the difference of the pressures at two points a hair apart."""
    for freq_hz in (50.0, 100.0, 400.0, 2000.0):
        k = 2 * np.pi * freq_hz / SPEED_OF_SOUND_M_PER_S
        for distance_cm in (3, 5, 10, 30, 200):
            r, hair = distance_cm / 100, 1e-6
            field = lambda at, k=k: np.exp(-1j * k * at) / at
            gradient = (field(r + hair) - field(r - hair)) / (2 * hair) / (-1j * k)
            for share in (0.25, 0.5, 1.0):
                both = share * gradient + (1 - share) * field(r)
                lifted_db = 20 * np.log10(abs(both) / abs(field(r)))
                assert proximity_db(freq_hz, distance_cm, share) == pytest.approx(lifted_db, abs=1e-4)


def test_its_limits_and_its_known_values():
    at_kr_1_hz = SPEED_OF_SOUND_M_PER_S / (2 * np.pi * 0.1)  # 10 cm
    assert proximity_db(at_kr_1_hz, 10, gradient=1) == pytest.approx(10 * np.log10(2))
    assert proximity_db(at_kr_1_hz, 10) == pytest.approx(10 * np.log10(1.25))
    assert proximity_db([1_000, 20_000], 1_000) == pytest.approx([0, 0], abs=0.01)
    assert proximity_db([20, 100], 5, gradient=0) == pytest.approx([0, 0])
    assert proximity_db([20, 40], 2)[0] - proximity_db([20, 40], 2)[1] == pytest.approx(6.02, abs=0.01)
    assert [round(proximity_db(100, cm), 1) for cm in (5, 10, 30)] == [14.9, 9.3, 2.6]


@pytest.mark.parametrize("rate", [16_000, 48_000])
def test_the_filter_has_that_gain(rate):
    pulse = np.zeros((2 * rate, 2))
    pulse[0] = 1
    freqs_hz = np.array([40.0, 60, 100, 200, 500, 1_000])
    for distance_cm in (2, 5, 30):
        heard = add_proximity(Clip(pulse, rate), distance_cm).samples[:, 1]
        gain_db = 20 * np.log10(np.abs(np.fft.rfft(heard)))[(2 * freqs_hz).astype(int)]
        assert gain_db == pytest.approx(proximity_db(freqs_hz, distance_cm), abs=0.1)


def test_what_is_out_of_range_is_refused():
    for call, field in (
        (lambda: proximity_db(100, 0.5), "distance_cm:"),
        (lambda: proximity_db(100, 5, 1.1), "gradient:"),
        (lambda: proximity_db([100, 0], 5), "freq_hz:"),
        (lambda: add_proximity(Clip(np.zeros(100), 48_000), np.nan), "distance_cm:"),
    ):
        with pytest.raises(ValueError) as error:
            call()
        one_sentence(error, field)


@pytest.mark.parametrize(
    "name",
    ["lesson_verse_faulty", "second_verse_faulty", "second_verse_clean",
    *ci_only([("first", 303), ("second", 305), "speech"])],
    ids=str,
)  # fmt: skip
def test_nearness_works_the_compressor_harder_and_matching_the_level_leaves_the_tone(name, tmp_path):
    if isinstance(name, tuple):
        clip = make_take(*name).clip
    else:
        clip = speech(tmp_path) if name == "speech" else shipped(name).clip
    cleaned, sung = HighPass(90, 3).apply(clip), active_mask(clip)
    compressor = Compressor(integrated_lufs(clip) - 3, ratio=3, attack_ms=10, release_ms=150)
    lows_db, medians = {}, {}
    for distance_cm in (30, 5):
        near = add_proximity(cleaned, distance_cm)
        sounds = near, match_loudness(near, cleaned)[0]
        lows_db[distance_cm] = band_level_db(near, 100, 300) - band_level_db(near, 1_000, 4_000)
        medians[distance_cm] = [float(np.median(compressor.apply(sound).reduction_db[sung])) for sound in sounds]
    harder_db, matched_db = np.subtract(medians[5], medians[30])
    print(
        f"{name}: {harder_db:.1f} dB more reduction, {matched_db:.1f} matched, lows {lows_db[5] - lows_db[30]:.1f} dB"
    )
    assert 1.5 < harder_db < 4.5 and -0.3 < matched_db < 1.3 and matched_db < 0.5 * harder_db
    assert 5.5 < lows_db[5] - lows_db[30] < 9


def test_a_low_shelf_of_its_own_takes_a_near_phrase_back_to_another_distance():
    """Lesson 03 gives it; its gain is 20·log10(5/30), and its corner lies midway between those of the two distances."""
    freqs_hz = np.geomspace(40, 4_000, 50)
    wanted_db = proximity_db(freqs_hz, 30) - proximity_db(freqs_hz, 5)
    assert LowShelf(223, -15.6, 0.45).response_db(freqs_hz, 48_000) == pytest.approx(wanted_db, abs=0.1)
