"""Where the singer sings, how much a compressor works there, and the needles against the figures of IEC 60268."""

from __future__ import annotations

import math
import subprocess

import numpy as np
import pytest
from conftest import need_program, sine
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt
from takes import ci_only, make_take

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.meters import (
    ReductionStats,
    active_mask,
    noise_floor_dbfs,
    peak_to_loudness_ratio_db,
    ppm_reading,
    reduction_needle,
    reduction_stats,
    vu_reading,
)
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, load
from vocomp_lab.sound.levels import db_to_amplitude, power_to_db, true_peak_dbtp

RATES = [8000, 22050, 44100, 48000, 96000, 192000]

# --- where the singer sings ------------------------------------------------------------------------------------------

LINES = [
    "the river kept its slow time",
    "under the willow bridge",
    "nobody counted the hours",
    "we sang a little longer",
    "and the lamps went out",
]


@pytest.fixture(scope="module")
def lines(tmp_path_factory) -> list[Clip]:
    """Lines spoken by espeak-ng, cut off where they start and end."""
    folder = tmp_path_factory.mktemp("lines")
    spoken = []
    for number, line in enumerate(LINES):
        path = folder / f"{number}.wav"
        subprocess.run([need_program("espeak-ng"), "-s", "130", "-w", str(path), line], check=True, timeout=60)
        clip = load(path)
        heard = np.flatnonzero(np.abs(clip.samples) > 0.006 * np.abs(clip.samples).max())
        spoken.append(clip.with_samples(clip.samples[heard[0] : heard[-1] + 1]))
    return spoken


def recorded(lines, rng, *, quiet_db=6.0, breath_db=-28.0, hiss_dbfs=-65.0, hum_dbfs=-50.0, rumble_dbfs=-35.0):
    """The lines as a take with pauses and a recording's faults, and the truth: spoken frames, breathed frames."""
    rate = lines[0].rate
    parts, spoken, breathed = [], [], []
    for number, line in enumerate(lines):
        pause = np.zeros(int(rate * rng.uniform(0.5, 1.2)))
        frames = int(0.3 * rate)
        breath = sosfilt(butter(2, [500, 6000], "bandpass", fs=rate, output="sos"), rng.standard_normal(frames))
        breath *= np.hanning(frames)
        breath *= db_to_amplitude(breath_db) * np.sqrt(np.mean(line.samples**2) / np.mean(breath**2))
        start = len(pause) - frames - int(0.1 * rate)
        pause[start : start + frames] = breath
        parts += [pause, line.samples * db_to_amplitude(-quiet_db if number == 2 else 0)]
        spoken += [np.zeros(len(pause), bool), np.ones(line.frames, bool)]
        breathed += [pause != 0, np.zeros(line.frames, bool)]
    take = np.concatenate(parts)
    take *= 0.5 / np.abs(take).max()
    seconds = len(take) / rate
    take += db_to_amplitude(hiss_dbfs) * rng.standard_normal(len(take))
    take += sine(40, seconds, rate, rumble_dbfs + 3)
    for harmonic, below_db in ((1, 0), (2, 6), (3, 10), (5, 16)):
        take += sine(50 * harmonic, seconds, rate, hum_dbfs + 3 - below_db)
    return Clip(take, rate), np.concatenate(spoken), np.concatenate(breathed)


@pytest.mark.parametrize(
    "faults",
    [
        {},
        {"hiss_dbfs": -50},
        {"hiss_dbfs": -200, "hum_dbfs": -200, "rumble_dbfs": -200, "breath_db": -200},
        {"rumble_dbfs": -20},
        {"breath_db": -20},
        {"quiet_db": 10},
    ],
)
def test_the_mask_against_the_truth(lines, faults, rng):
    """The mask takes words, and leaves out pauses and breaths, whatever rumble, hum and hiss lie under them."""
    clip, spoken, breathed = recorded(lines, rng, **faults)
    active = active_mask(clip)
    assert active[spoken].mean() > 0.88  # the rest: soft consonants at the lines' ends
    assert active[~spoken & ~breathed].mean() < 0.03
    assert active[breathed].mean() < 0.05
    # Every line is found, the quiet one too.
    starts = np.flatnonzero(np.diff(spoken.astype(int), prepend=0) == 1)
    ends = np.flatnonzero(np.diff(spoken.astype(int), append=0) == -1) + 1
    assert all(active[start:end].mean() > 0.7 for start, end in zip(starts, ends, strict=True))


def during(clip: Clip, spans) -> np.ndarray:
    """True in the frames of (start, end) spans in seconds."""
    flags = np.zeros(clip.frames, bool)
    for start_s, end_s in spans:
        flags[round(start_s * clip.rate) : round(end_s * clip.rate)] = True
    return flags


SUNG_TAKES = [f"{verse}_{state}" for verse in ("lesson_verse", "second_verse") for state in ("clean", "faulty")]


@pytest.mark.parametrize(
    "take", [*SUNG_TAKES, *ci_only([("first", 101), ("first", 102), ("second", 103), ("second", 104)])]
)
def test_mask_and_noise_floor_of_sung_takes(take):
    """The takes that the workbook ships, and others that nothing was tuned on, against the truth of their synthesis."""
    sung = shipped(take) if isinstance(take, str) else make_take(*take)
    clip, truth = sung.clip, sung.truth
    active = active_mask(clip)
    words = during(clip, [(word["start_s"], word["end_s"]) for word in truth["words"]])
    phones = [phone for word in truth["words"] for phone in word["phones"]]
    tones = during(
        clip, [(phone["start_s"], phone["end_s"]) for phone in phones if phone["kind"] in ("vowel", "nasal")]
    )
    breaths = during(clip, truth["breaths"]) & ~words
    assert active[tones].mean() > 0.95
    assert active[words].mean() > 0.85  # the rest: hissing and stopped consonants at the ends
    assert active[breaths].mean() < 0.1
    assert active[~words & ~breaths].mean() < 0.08
    silence = during(clip, [(start_s + 0.02, end_s - 0.02) for start_s, end_s in truth["silences"]])
    assert noise_floor_dbfs(clip, active) == pytest.approx(power_to_db(np.mean(clip.samples[silence] ** 2)), abs=2.5)


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-20, 20))
def test_the_mask_does_not_depend_on_gain(gain_db):
    rng = np.random.default_rng(3)
    samples = 0.05 * rng.standard_normal(16000) * np.repeat([0.001, 1, 0.001, 0.5], 4000)
    clip = Clip(samples, 8000)
    assert np.array_equal(active_mask(clip), active_mask(clip.gained(gain_db)))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("channels", [1, 2])
def test_the_mask_of_a_tone_with_a_pause(rate, channels):
    samples = np.concatenate([sine(300, 1, rate, -20), np.zeros(rate // 2), sine(300, 1, rate, -20)])
    clip = Clip(np.column_stack([samples] * channels) if channels > 1 else samples, rate)
    active = active_mask(clip)
    assert active.shape == (clip.frames,) and active.dtype == bool
    edges_s = np.flatnonzero(np.diff(active.astype(int))) / rate
    assert edges_s == pytest.approx([1.0, 1.5], abs=0.03)


def test_gaps_are_bridged_and_clicks_dropped():
    rate = 48000
    tone, gap = sine(300, 1, rate, -20), np.zeros(int(0.12 * rate))
    click = np.concatenate([np.zeros(rate), sine(1000, 0.02, rate, -20), np.zeros(rate)])
    active = active_mask(Clip(np.concatenate([tone, gap, tone, click]), rate))
    assert active[: len(tone) * 2 + len(gap) - rate // 50].all()
    assert not active[int(2.2 * rate) :].any()
    longer = active_mask(Clip(np.concatenate([tone, np.zeros(rate // 5), tone]), rate))
    assert not longer[int(1.05 * rate) : int(1.15 * rate)].any()


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("frames", [1, 100, 48000])
def test_nobody_sings_in_silence_or_in_faint_hiss(frames, rng):
    assert not active_mask(Clip(np.zeros(frames), 48000)).any()
    assert not active_mask(Clip(np.zeros((frames, 2)), 48000)).any()
    assert not active_mask(Clip(1e-4 * rng.standard_normal(frames), 48000)).any()


def test_a_clip_without_a_pause_is_all_singing():
    wobble = db_to_amplitude(3 * np.sin(2 * np.pi * 5 * np.arange(96000) / 48000))
    assert active_mask(Clip(sine(220, 2, 48000, -20) * wobble, 48000)).mean() > 0.98


# --- statistics of the reduction -------------------------------------------------------------------------------------


def test_reduction_stats_count_the_sung_part_only():
    reduction_db = np.array([9, 9, 0, 0.5, 1, 2, 4, 9.0])
    active = np.array([False, False, True, True, True, True, True, False])
    stats = reduction_stats(reduction_db, active)
    assert stats == ReductionStats(share=0.6, median_db=1.0, p95_db=pytest.approx(3.6), max_db=4.0, floor_db=0.5)
    assert reduction_stats(reduction_db, active, floor_db=3).share == pytest.approx(0.2)
    assert np.array_equal(reduction_db, [9, 9, 0, 0.5, 1, 2, 4, 9])


def test_nothing_sung_gives_zeros():
    assert reduction_stats([5.0, 6.0], np.array([False, False])) == ReductionStats(0, 0, 0, 0, 0.5)


@given(st.lists(st.tuples(st.floats(0, 60), st.booleans()), min_size=1, max_size=200), st.floats(0, 20))
def test_reduction_stats_are_in_order(frames, floor_db):
    reduction_db, active = np.array([f[0] for f in frames]), np.array([f[1] for f in frames])
    stats = reduction_stats(reduction_db, active, floor_db)
    assert 0 <= stats.share <= 1
    assert 0 <= stats.median_db <= stats.p95_db + 1e-12 and stats.p95_db <= stats.max_db + 1e-12
    assert (stats.share > 0) == (stats.max_db > floor_db)
    if active.any():
        assert stats.share == pytest.approx(np.count_nonzero(reduction_db[active] > floor_db) / active.sum())
        assert stats.max_db == reduction_db[active].max()


NOT_FINITE = "reduction_db: {} is not allowed; give numbers from 0 to 1000 dB."


@pytest.mark.parametrize(
    ("reduction_db", "active", "sentence"),
    [
        ([1, -1], [True, True], NOT_FINITE.format("-1 dB")),
        ([1, math.nan], [True, True], NOT_FINITE.format("NaN")),
        ([1, math.inf], [True, True], NOT_FINITE.format("∞ dB")),
        ([[1, 2]], [[True, True]], "reduction_db: shape (1, 2) is not allowed; give numbers in one row, shape (n,)."),
        ([1, 2], [True], "active: shape (1,) is not allowed; one value for each frame is, (2,)."),
        ([1, 2], [1, 0], "active: int64 values are not allowed; give True or False for every frame."),
    ],
)
def test_bad_statistics_in_one_sentence(reduction_db, active, sentence):
    with pytest.raises(ValueError) as refusal:
        reduction_stats(reduction_db, active)
    assert str(refusal.value) == sentence


# --- VU: IEC 60268-17 (value from memory) ----------------------------------------------------------------------------


@pytest.mark.parametrize("rate", RATES)
def test_vu_ballistics(rate, deviation):
    """A 1 kHz sine at the reference: 99 % after 300 ms ± 10 %, 1 to 1.5 % overshoot, 0 VU in the end."""
    times_s, reading_vu = vu_reading(Clip(sine(1000, 3, rate, -18), rate))
    deflection = db_to_amplitude(reading_vu)
    rise_ms = 1000 * times_s[np.argmax(deflection >= 0.99)]
    deviation("VU, time to 99 % of a step (300 ms)", "IEC 60268-17 (memory)", rise_ms - 300, 30, "ms")
    overshoot = 100 * (deflection.max() / deflection[-1] - 1)
    deviation("VU, overshoot (1 to 1.5 %)", "IEC 60268-17 (memory)", overshoot - 1.25, 0.25, "%")
    assert reading_vu[-1] == pytest.approx(0, abs=0.02)


def test_vu_falls_as_it_rises():
    times_s, reading_vu = vu_reading(Clip(np.concatenate([sine(1000, 3, 48000, -18), np.zeros(48000)]), 48000))
    fallen = db_to_amplitude(np.interp(3.3, times_s, reading_vu))
    assert fallen == pytest.approx(0.01, abs=0.003)
    assert reading_vu[-1] < -30


def test_vu_reads_the_average_not_the_peak():
    """Closed form: short pulses of the same average read the same, though their peak is 20 dB up."""
    pulses = np.where(np.arange(48000 * 3) % 480 < 48, 1.0, 0.0) * 0.5
    assert vu_reading(Clip(pulses, 48000))[1][-1] == pytest.approx(20 * math.log10(0.05 * math.pi / 2) + 18, abs=0.1)


@given(reference_dbfs=st.floats(-40, 0), gain_db=st.floats(-20, 20))
@settings(max_examples=20, deadline=None)
def test_needles_follow_gain_and_reference(reference_dbfs, gain_db):
    clip = Clip(np.random.default_rng(0).standard_normal(4800) * 0.1, 48000)
    for reading in (vu_reading, ppm_reading):
        shifted = reading(clip.gained(gain_db), reference_dbfs=reference_dbfs)[1]
        assert shifted == pytest.approx(reading(clip)[1] + gain_db - 18 - reference_dbfs, abs=1e-6)


# --- PPM: IEC 60268-10 (value from memory) ---------------------------------------------------------------------------

# Type: (length of a 5 kHz burst in ms, reading in dB, tolerance). The tolerances of type I are ours: half a decibel
# at 10 ms, 1 dB below (common practice, no source).
PPM_BURSTS = {
    "I": [(10, -1, 0.5), (5, -2, 1.0), (3, -4, 1.0)],
    "II": [(100, 0, 0.5), (10, -2.5, 0.5), (5, -4, 0.75), (1.5, -9, 1.0)],
}


@pytest.mark.parametrize("rate", [rate for rate in RATES if rate >= 22050])
@pytest.mark.parametrize("kind", PPM_BURSTS)
def test_ppm_bursts(kind, rate, deviation):
    for burst_ms, expected_db, tolerance_db in PPM_BURSTS[kind]:
        burst = np.concatenate([sine(5000, burst_ms / 1000, rate, -18), np.zeros(rate // 2)])
        off = ppm_reading(Clip(burst, rate), kind)[1].max() - expected_db
        source = "IEC 60268-10 (memory)" if kind == "II" else "IEC 60268-10 (memory; tolerance ours)"
        deviation(f"PPM type {kind}, burst of {burst_ms:g} ms", source, off, tolerance_db, "dB")


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("kind", "fall_db", "fall_s"), [("I", 20, 1.7), ("II", 24, 2.8)])
def test_ppm_return(kind, fall_db, fall_s, rate):
    clip = Clip(np.concatenate([sine(1000, 1, rate, -18), np.zeros(3 * rate)]), rate)
    times_s, reading_db = ppm_reading(clip, kind)
    assert np.interp(1.0, times_s, reading_db) == pytest.approx(0, abs=0.05)
    assert np.interp(1.0 + fall_s, times_s, reading_db) == pytest.approx(-fall_db, abs=0.2)


@pytest.mark.parametrize("channels", [1, 2])
def test_needles_read_each_channel(channels):
    samples = sine(1000, 0.5, 44100)[:, None] * db_to_amplitude(-20.0 - 10 * np.arange(channels))
    both = Clip(samples, 44100)
    for reading in (vu_reading, ppm_reading):
        times_s, values = reading(both)
        assert values.shape == (len(times_s), channels) and len(times_s) == 100
        for channel in range(channels):
            assert np.array_equal(values[:, channel], reading(Clip(samples[:, channel], 44100))[1])


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("frames", [1, 48000])
def test_needles_rest_in_silence(frames):
    clip = Clip(np.zeros(frames), 48000)
    for _, reading in (vu_reading(clip), ppm_reading(clip, "I"), ppm_reading(clip, "II")):
        assert len(reading) >= 1 and (reading == -math.inf).all()


def test_bad_needles():
    clip = Clip(np.zeros(10), 8000)
    with pytest.raises(ValueError, match=r"^kind: 'III' is not allowed; give one of 'I', 'II'\.$"):
        ppm_reading(clip, "III")
    with pytest.raises(ValueError, match="^reference_dbfs: 5 is not allowed"):
        vu_reading(clip, reference_dbfs=5)


# --- the needle of the gain reduction --------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", RATES)
def test_reduction_needle_is_a_vu_needle_on_decibels(rate):
    """Step of 6 dB: 99 % after 300 ms, 1 to 1.5 % overshoot (IEC 60268-17, value from memory)."""
    reading = reduction_needle(np.concatenate([np.full(2 * rate, 6.0), np.zeros(2 * rate)]), rate)
    assert np.argmax(reading >= 0.99 * 6) / rate == pytest.approx(0.3, abs=0.005)
    assert 1.01 <= reading.max() / 6 <= 1.015
    assert reading.min() == 0.0 and reading[-1] < 0.01


def test_reduction_needle_hides_a_short_peak():
    reduction_db = np.zeros(48000)
    reduction_db[:480] = 10
    assert reduction_needle(reduction_db, 48000).max() < 1.0


def test_bad_needle_input():
    with pytest.raises(ValueError, match="^reduction_db: -1 dB is not allowed"):
        reduction_needle([-1.0], 48000)
    with pytest.raises(ValueError, match="^rate: "):
        reduction_needle([1.0], 10)


# --- ratios, histogram, noise floor ----------------------------------------------------------------------------------


def test_peak_to_loudness_ratio(rng):
    clip = Clip(rng.standard_normal(96000) * 0.1, 48000)
    assert peak_to_loudness_ratio_db(clip) == true_peak_dbtp(clip) - integrated_lufs(clip)
    # A sine at 1 kHz: 3.01 dB between peak and RMS; loudness of one channel is its RMS (BS.1770-5, annex 1).
    assert peak_to_loudness_ratio_db(Clip(sine(997, 5, 48000, -10), 48000)) == pytest.approx(3.01, abs=0.1)
    assert peak_to_loudness_ratio_db(Clip(sine(997, 5, 48000, -40), 48000)) == pytest.approx(3.01, abs=0.1)
    assert math.isnan(peak_to_loudness_ratio_db(Clip(np.zeros(10), 48000)))


def test_noise_floor_in_the_pauses(rng):
    rate = 48000
    noise = db_to_amplitude(-60) * rng.standard_normal(4 * rate)
    active = np.arange(4 * rate) < 2 * rate
    breath = np.where(np.abs(np.arange(4 * rate) - 3 * rate) < 0.2 * rate, 0.05, 0) * rng.standard_normal(4 * rate)
    clip = Clip(noise + breath + np.where(active, sine(440, 4, rate, -10), 0), rate)
    assert noise_floor_dbfs(clip, active) == pytest.approx(-60, abs=0.3)
    assert math.isnan(noise_floor_dbfs(clip, np.ones(4 * rate, bool)))
    assert noise_floor_dbfs(Clip(np.zeros(rate), rate), np.zeros(rate, bool)) == -math.inf


def test_a_mask_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match=r"^active: shape \(9,\) is not allowed"):
        noise_floor_dbfs(Clip(np.zeros(10), 8000), np.ones(9, bool))
