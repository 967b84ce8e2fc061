"""What lesson 01 says about its take holds on other performances of both singers, too."""

from __future__ import annotations

import json

import numpy as np
import pytest
from takes import ci_only, make_take

from vocomp_lab.analysis.equal_loudness import equal_loudness_db
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal, reduction_moments
from vocomp_lab.analysis.meters import (
    active_mask,
    noise_floor_dbfs,
    ppm_reading,
    reduction_needle,
    reduction_stats,
    vu_reading,
)
from vocomp_lab.bench.bench import Bench
from vocomp_lab.lessons.guessing import GuessLevels
from vocomp_lab.pictures.meters import Readings
from vocomp_lab.pictures.pictures import MetersPicture
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, load, save
from vocomp_lab.sound.levels import crest_factor_db, rms_dbfs, sample_peak_dbfs, true_peak_dbtp

pytestmark = pytest.mark.usefixtures("undrawn")
SETTINGS = dict(ratio=3, attack_ms=3, release_ms=80)


@pytest.fixture(scope="module", params=[("first", 21), *ci_only([("second", 34)])], ids=lambda p: f"{p[0]}-{p[1]}")
def take(request):
    return make_take(*request.param)


@pytest.fixture(scope="module")
def clip(take):
    return take.clip


def tone(freq_hz, amplitude, phase_deg=0.0, seconds=10, rate=48_000):
    t = np.arange(round(seconds * rate)) / rate
    fade = np.clip(np.minimum(t, t[::-1]) / 0.01, 0, 1)
    return Clip(amplitude * fade * np.sin(2 * np.pi * freq_hz * t + np.radians(phase_deg)), rate)


def shares(clip, compressor, trims_db):
    sung = active_mask(clip)
    return [reduction_stats(compressor.apply(clip.gained(trim)).reduction_db, sung).share for trim in trims_db]


def test_at_the_same_peak_a_tone_is_louder_than_the_take_and_the_take_than_clicks(clip):
    peak = 10 ** (sample_peak_dbfs(clip) / 20)
    clicks = np.zeros(10 * clip.rate)
    clicks[:: clip.rate // 4] = peak
    steady, clicked = tone(1000, peak), Clip(clicks, clip.rate)
    for measure in (rms_dbfs, integrated_lufs):
        assert measure(steady) > measure(clip) + 6 > measure(clicked) + 12
    assert crest_factor_db(steady) < crest_factor_db(clip) - 6 < crest_factor_db(clicked) - 12


def test_rms_counts_pauses_that_loudness_leaves_out(clip):
    longer = clip.with_samples(np.concatenate([clip.samples, np.zeros(clip.frames)]))
    assert rms_dbfs(longer) == pytest.approx(rms_dbfs(clip) - 3.01, abs=0.01)
    assert integrated_lufs(longer) == pytest.approx(integrated_lufs(clip), abs=0.2)


def test_loudness_counts_hum_nearly_in_full_where_the_ear_hardly_hears_it(clip):
    """The K-weighting is no ear: it takes 5 dB off 50 Hz, the ear 30 at the level of talk."""
    middle = tone(1000, 0.1)
    for freq_hz, taken_lu, ear_db in ((50, 4.6, 30), (100, 1.8, 19)):
        low = tone(freq_hz, 0.1)
        assert rms_dbfs(low) == pytest.approx(rms_dbfs(middle), abs=0.05)
        assert integrated_lufs(middle) - integrated_lufs(low) == pytest.approx(taken_lu, abs=0.1)
        assert equal_loudness_db(freq_hz, 60) - 60 == pytest.approx(ear_db, abs=0.5)
        # As much hum as voice, by RMS.
        hum = tone(freq_hz, 2**0.5 * 10 ** (rms_dbfs(clip) / 20), seconds=clip.duration_s).samples
        assert integrated_lufs(clip.with_samples(clip.samples + hum)) > integrated_lufs(clip) + 0.4


def test_turned_up_the_ear_hears_more_of_the_lows():
    assert equal_loudness_db(50, 63) - equal_loudness_db(50, 60) == pytest.approx(1.8, abs=0.05)


def test_the_needle_hides_consonants_more_than_a_held_vowel_and_a_ppm_less(take):
    clip = take.clip
    times_s, needle = vu_reading(clip, reference_dbfs=0)
    _, quick = ppm_reading(clip, "II", reference_dbfs=0)

    def readings(start_s, end_s):
        seen = (times_s > start_s) & (times_s <= end_s)
        return sample_peak_dbfs(clip.cut(start_s, end_s)), quick[seen].max(), needle[seen].max()

    vowels = [phone for word in take.truth["words"] for phone in word["phones"] if phone["kind"] == "vowel"]
    held = max(vowels, key=lambda phone: phone["end_s"] - phone["start_s"])
    peak, _, slow = readings(held["end_s"] - 0.3, held["end_s"])
    of_vowel = peak - slow
    onsets = [readings(w["start_s"], w["start_s"] + 0.12) for w in take.truth["words"] if w["hard_onset"]]
    assert len(onsets) >= 5
    hidden = [peak - slow for peak, _, slow in onsets]
    assert np.median(hidden) > of_vowel + 4
    peak, fast, slow = max(onsets)
    assert peak - slow > of_vowel + 3, "the loudest onset"
    assert all(fast > slow for _, fast, slow in onsets)


def test_a_reduction_needle_hides_short_reductions(clip):
    reduction = Compressor(-14, 3, 1, 80).apply(clip).reduction_db
    shown = []
    for moment in reduction_moments(reduction, clip.rate)[:4]:
        start, end = round(moment.start_s * clip.rate), round(moment.end_s * clip.rate)
        alone = np.append(reduction[start:end], np.zeros(clip.rate // 2))
        shown.append((moment.end_s - moment.start_s, reduction_needle(alone, clip.rate).max() / moment.max_db))
    assert all(share < 1 for _, share in shown)
    assert min(shown)[1] < 0.6, "the shortest"


def test_the_threshold_only_knows_full_scale(clip):
    rising = shares(clip, Compressor(-18, **SETTINGS), (-12, -6, 0, 6, 12))
    assert rising == sorted(rising) and rising[0] < 0.02 and rising[-1] > 0.9
    fixed = Compressor(-18, **SETTINGS).apply(clip).reduction_db
    for trim in (-12, 12):
        moved = Compressor(-18 + trim, **SETTINGS).apply(clip.gained(trim)).reduction_db
        assert np.abs(moved - fixed).max() < 1e-9


def test_both_takes_can_be_brought_to_the_goal_by_the_trim_alone_and_start_outside_it(clip):
    goal = Goal("share_percent", low=5, high=15)
    compressor = Compressor(-18, **SETTINGS)
    chain = Chain([("trim", Gain(0)), ("compressor", compressor)])
    trims = np.arange(-12.0, 0.1, 0.5)
    trim = trims[np.argmin(np.abs(np.array(shares(clip, compressor, trims)) - 0.10))]
    for apart_db in (4, -14):
        bench = Bench(clip.gained(apart_db), chain, stage="trim", watch="compressor", goals=[goal])
        assert not goal.met(bench.change)
        assert goal.met(bench.set(gain_db=trim - apart_db).change)
        assert -24 <= trim - apart_db <= 24 and bench.chain["compressor"] == compressor


def test_makeup_hides_behind_loudness_and_equal_peaks_favour_the_compressed(clip):
    squeezed = Compressor(-24, 4, 5, 120, makeup_db=8).apply(clip).output
    assert integrated_lufs(squeezed) > integrated_lufs(clip) + 1
    matched, gain_db = match_loudness(squeezed, clip)
    assert gain_db < -1 and integrated_lufs(matched) == pytest.approx(integrated_lufs(clip), abs=0.1)
    by_peak = squeezed.gained(sample_peak_dbfs(clip) - sample_peak_dbfs(squeezed))
    assert integrated_lufs(by_peak) > integrated_lufs(clip) + 0.3


@pytest.mark.parametrize("amplitude, phase_deg, expected", [(0.5, 0, -6.0), (0.5, 45, -6.0), (1.41, 45, 3.0)])
def test_the_lessons_true_peaks_are_those_of_the_standard(amplitude, phase_deg, expected):
    """EBU Tech 3341 (2023), table 1, cases 15, 16 and 19: tolerance +0.2/−0.4 dB."""
    sound = tone(12_000, amplitude, phase_deg, seconds=1)
    assert expected - 0.4 <= true_peak_dbtp(sound) <= expected + 0.2
    if phase_deg:
        assert sample_peak_dbfs(sound) == pytest.approx(expected - 3.01, abs=0.1)


def test_a_voices_two_peaks_are_close_and_16_bits_round_below_its_own_noise(clip, tmp_path):
    assert 0 <= true_peak_dbtp(clip) - sample_peak_dbfs(clip) < 0.5
    with pytest.raises(ValueError, match=r"would clip in PCM_16; turn it down by"):
        save(clip.gained(9), tmp_path / "hot.wav", subtype="PCM_16")
    softer = clip.gained(-24)
    rounding = load(save(softer, tmp_path / "softer.wav", subtype="PCM_16")).samples - softer.samples
    assert rms_dbfs(clip.with_samples(rounding)) < noise_floor_dbfs(softer, active_mask(clip)) - 20


def test_headroom_while_recording_costs_nothing_at_a_quiet_input_and_noise_at_a_noisy_one(clip):
    clean = shipped("lesson_verse_clean").clip  # without a room's noise it costs a decibel for each
    for sound, quiet_db, noisy_db in ((clip, (-0.1, 0.2), (4, 24)), (clean, (0.5, 2), (20, 24))):
        sung, hiss = active_mask(sound), np.random.default_rng(1).standard_normal(sound.samples.shape)
        for input_dbfs, (low, high) in ((-110, quiet_db), (-65, noisy_db)):
            floors = [
                noise_floor_dbfs(
                    sound.with_samples(sound.gained(gain_db).samples + 10 ** (input_dbfs / 20) * hiss).gained(-gain_db),
                    sung,
                )
                for gain_db in (0, -12, -24)
            ]
            assert low <= floors[-1] - floors[0] <= high, (input_dbfs, floors)


def test_the_game_can_be_played_with_the_take(clip):
    assert GuessLevels(clip, seed=1).deal().duration_s == pytest.approx(5.8)


def test_the_picture_says_what_the_meters_say(clip):
    bench = Bench(clip, Gain(3))
    louder = clip.gained(3)
    readings = Readings.of(louder)
    assert readings.peak_dbfs == pytest.approx(sample_peak_dbfs(louder))
    assert readings.loudness_lufs == pytest.approx(integrated_lufs(louder), abs=1e-6)
    assert readings.crest_db == pytest.approx(crest_factor_db(louder, active_mask(louder)))
    assert readings.needle_highest_dbfs == pytest.approx(vu_reading(clip, 0)[1].max() + 3, abs=1e-6)
    assert isinstance(bench._screen.picture, MetersPicture)
    measured = sample_peak_dbfs(louder), integrated_lufs(louder), true_peak_dbtp(louder), readings.needle_highest_dbfs
    for value in measured:
        assert f"{value:+.1f}".lstrip("+").replace("-", "−") in bench._screen.alt


def test_a_hidden_part_gives_nothing_away(clip):
    bench = Bench(clip, Gain(0), match=False, hide=("controls", "picture", "numbers", "choice"))
    page = bench._screen.still() + bench._player.state_text
    assert "dBFS" not in page and "LUFS" not in page
    state = json.loads(bench._player.state_text)
    assert not state["moments"] and not state["meters"]
    shown = json.loads(Bench(clip, Gain(0))._player.state_text)
    assert "LUFS" in str(shown["moments"]) and shown["meters"], "the voice has words that could be told"
    assert bench._screen.image.value == b"" and bench._screen.line.value == ""
    with pytest.raises(ValueError, match="hide: 'sound' is not allowed"):
        Bench(clip, Gain(0), hide=("sound",))
    with pytest.raises(ValueError, match="watch: there is no stage 'peaks'"):
        Bench(clip, Gain(0), watch="peaks")
