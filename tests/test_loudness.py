"""The loudness meter against the standards' own cases, and against two programs that measure the same."""

from __future__ import annotations

import math
import subprocess
import tracemalloc
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from conftest import need_program, sine
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.signal import butter, freqz_sos, resample_poly, sosfiltfilt

from vocomp_lab.analysis.loudness import LoudnessMeter, channel_weights, integrated_lufs, k_weighting, loudness
from vocomp_lab.singer.song import shipped, shipped_names
from vocomp_lab.sound.audio import Clip, load, save
from vocomp_lab.sound.levels import amplitude_to_db, db_to_amplitude, true_peak_dbtp

RATES = [44100, 48000, 96000]
# The standard's twenty offsets of cases 10 and 13: all of them at its own rate, the ends and one between at the others.
OFFSETS = {44100: (0, 7, 19), 48000: range(20), 96000: (0, 12, 19)}


def stereo_tone(rate: int, *parts: tuple[float, float]) -> Clip:
    """1 kHz in both channels, in parts of (peak level in dBFS, seconds)."""
    ends = np.rint(np.cumsum([0.0] + [seconds for _, seconds in parts]) * rate).astype(int)
    envelope = np.repeat(db_to_amplitude([level for level, _ in parts]), np.diff(ends))
    tone = envelope * sine(1000, ends[-1] / rate, rate)
    return Clip(np.column_stack([tone, tone]), rate)


SILENCE = -math.inf

# --- EBU Tech 3341 (2023), table 1; tolerance ±0.1 LU ----------------------------------------------------------------

INTEGRATED = ("integrated loudness, cases 1 to 6", "EBU Tech 3341 (2023)")
SHORT_TERM = ("short-term loudness, cases 1, 2, 9 to 11", "EBU Tech 3341 (2023); timing of 10 and 11 from memory")
MOMENTARY = ("momentary loudness, cases 1, 2, 12 to 14", "EBU Tech 3341 (2023); timing of 13 and 14 from memory")

TECH_3341_INTEGRATED = {
    1: [(-23, 20)],
    2: [(-33, 20)],
    3: [(-36, 10), (-23, 60), (-36, 10)],
    4: [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
    5: [(-26, 20), (-20, 20.1), (-26, 20)],
}


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("case", TECH_3341_INTEGRATED)
def test_tech_3341_integrated(case, rate, deviation):
    clip = stereo_tone(rate, *TECH_3341_INTEGRATED[case])
    expected = -33.0 if case == 2 else -23.0
    measured = loudness(clip)
    deviation(*INTEGRATED, measured.integrated_lufs - expected, 0.1, "LU")
    if case in (1, 2):
        assert measured.max_momentary_lufs == pytest.approx(expected, abs=0.1)
        assert measured.max_short_term_lufs == pytest.approx(expected, abs=0.1)
        deviation(*MOMENTARY, measured.momentary_lufs[measured.times > 0.41] - expected, 0.1, "LU")
        deviation(*SHORT_TERM, measured.short_term_lufs[measured.times > 3.01] - expected, 0.1, "LU")


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_6_five_channels(rate, deviation):
    """L, R −28; C −24; Ls, Rs −30 (levels: value from memory)."""
    five = np.column_stack([sine(1000, 20, rate, level) for level in (-28, -28, -24, -30, -30)])
    deviation(*INTEGRATED, integrated_lufs(Clip(five, rate)) + 23.0, 0.1, "LU")
    # As 5.1 with a loud low-frequency channel, which doesn't count; and in another order.
    low = sine(60, 20, rate, -6)
    assert integrated_lufs(Clip(np.insert(five, 3, low, axis=1), rate)) == pytest.approx(-23.0, abs=0.1)
    shuffled = np.column_stack([five[:, [0, 2, 1, 3, 4]], low])
    assert integrated_lufs(Clip(shuffled, rate), "L C R Ls Rs LFE") == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_9_short_term_is_constant(rate, deviation):
    measured = loudness(stereo_tone(rate, *[(-20, 1.34), (-30, 1.66)] * 5))
    deviation(*SHORT_TERM, measured.short_term_lufs[measured.times >= 3.0] + 23.0, 0.1, "LU")


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_10_longest_short_term(rate, deviation):
    """Timing: value from memory."""
    for i in OFFSETS[rate]:
        clip = stereo_tone(rate, (SILENCE, 0.15 * i), (-23, 3), (SILENCE, 1))
        deviation(*SHORT_TERM, loudness(clip).max_short_term_lufs + 23.0, 0.1, "LU")


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_11_short_term_of_each_tone(rate, deviation):
    """Timing: value from memory."""
    parts = [part for i in range(20) for part in ((SILENCE, 0.15 * i), (-38 + i, 3), (SILENCE, 3 - 0.15 * i))]
    measured = loudness(stereo_tone(rate, *parts))
    for i in range(20):
        during = (measured.times > 6 * i + 0.001) & (measured.times < 6 * (i + 1) + 0.001)
        deviation(*SHORT_TERM, measured.short_term_lufs[during].max() + 38 - i, 0.1, "LU")


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_12_momentary_is_constant(rate, deviation):
    measured = loudness(stereo_tone(rate, *[(-20, 0.18), (-30, 0.22)] * 25))
    deviation(*MOMENTARY, measured.momentary_lufs[measured.times >= 1.0] + 23.0, 0.1, "LU")


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_13_longest_momentary(rate, deviation):
    """Timing: value from memory."""
    for i in OFFSETS[rate]:
        clip = stereo_tone(rate, (SILENCE, 0.02 * i), (-23, 0.4), (SILENCE, 1))
        deviation(*MOMENTARY, loudness(clip).max_momentary_lufs + 23.0, 0.1, "LU")


@pytest.mark.parametrize("rate", RATES)
def test_tech_3341_case_14_momentary_of_each_tone(rate, deviation):
    """Timing: value from memory."""
    parts = [part for i in range(20) for part in ((SILENCE, 0.02 * i), (-38 + i, 0.4), (SILENCE, 0.4 - 0.02 * i))]
    measured = loudness(stereo_tone(rate, *parts))
    for i in range(20):
        during = (measured.times > 0.8 * i + 0.001) & (measured.times < 0.8 * (i + 1) + 0.001)
        deviation(*MOMENTARY, measured.momentary_lufs[during].max() + 38 - i, 0.1, "LU")


# --- EBU Tech 3342 (2023), table 1; tolerance ±1 LU; levels from memory ----------------------------------------------


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    ("levels", "expected"),
    [((-20, -30), 10), ((-20, -15), 5), ((-40, -20), 20), ((-50, -35, -20, -35, -50), 15)],
)
def test_tech_3342_range(levels, expected, rate, deviation):
    measured = loudness(stereo_tone(rate, *[(level, 20) for level in levels])).range_lu
    deviation("loudness range, four cases", "EBU Tech 3342 (2023); levels from memory", measured - expected, 1.0, "LU")


# --- the filter ------------------------------------------------------------------------------------------------------

# ITU-R BS.1770-5, tables 1 and 2.
TABLES_48K = [
    [1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585],
    [1, -2, 1, 1, -1.99004745483398, 0.99007225036621],
]


def test_k_weighting_at_48_khz_is_the_standards(deviation):
    off = k_weighting(48000) - TABLES_48K
    deviation("coefficients of the K-weighting at 48 kHz", "ITU-R BS.1770-5, tables 1 and 2", off, 1e-13)


def response_db(rate: int, freqs_hz: np.ndarray) -> np.ndarray:
    return amplitude_to_db(freqz_sos(k_weighting(rate), freqs_hz, fs=rate)[1])


@pytest.mark.parametrize(
    ("rate", "within_db"),
    [(8000, 0.29), (11025, 0.15), (16000, 0.07), (22050, 0.035), (32000, 0.011), (96000, 0.007), (192000, 0.008)],
)
def test_k_weighting_has_one_response_at_every_rate(rate, within_db):
    """Against the response at 48 kHz, which is the standard's; the bounds are the ones that the docstring states."""
    freqs_hz = np.geomspace(10, min(0.49 * rate, 20000), 500)
    assert np.abs(response_db(rate, freqs_hz) - response_db(48000, freqs_hz)).max() < within_db


@pytest.mark.parametrize("rate", [7999, 192001, 44100.5, "48k", True])
def test_k_weighting_refuses_a_rate(rate):
    with pytest.raises(ValueError, match="^rate: .*8000 to 192000"):
        k_weighting(rate)


# --- blocks, gates, odd clips ----------------------------------------------------------------------------------------


def same(one, other) -> None:
    """Two results that may differ by rounding only."""
    for name in ("integrated_lufs", "range_lu", "momentary_lufs", "short_term_lufs", "times"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-9), name


@settings(max_examples=25, deadline=None)
@given(
    rate=st.sampled_from([8000, 11025, 22050, 44100, 48000]),
    channels=st.integers(1, 6),
    seconds=st.floats(0.001, 8),
    cuts=st.lists(st.floats(0, 1), max_size=8),
    seed=st.integers(0, 1000),
)
def test_cutting_into_blocks_changes_nothing(rate, channels, seconds, cuts, seed):
    rng = np.random.default_rng(seed)
    frames = max(int(seconds * rate), 1)
    samples = rng.standard_normal((frames, channels)) * np.geomspace(1e-4, 1, frames)[:, None]
    meter = LoudnessMeter(rate, channels)
    for block in np.split(samples, sorted(int(cut * frames) for cut in cuts)):
        meter.feed(block)
        if meter._frames:
            meter.result()  # reading the meter must not disturb it
    same(meter.result(), loudness(Clip(samples, rate)))
    assert meter.integrated_lufs() == meter.result().integrated_lufs


@pytest.mark.parametrize("block_frames", [1, 7, 64, 441])
def test_tiny_blocks(block_frames, rng):
    samples = rng.standard_normal(6000) * 0.1
    meter = LoudnessMeter(11025)
    for start in range(0, len(samples), block_frames):
        meter.feed(samples[start : start + block_frames])
    same(meter.result(), loudness(Clip(samples, 11025)))


def test_threads_change_nothing(rng):
    samples = rng.standard_normal((600_000, 2)) * 0.1
    whole = loudness(Clip(samples, 48000))
    meter = LoudnessMeter(48000, 2)
    for block in np.split(samples, 10):
        meter.feed(block)
    same(meter.result(), whole)


@settings(max_examples=30, deadline=None)
@given(gain_db=st.floats(-20, 30), rate=st.sampled_from([8000, 44100]), seed=st.integers(0, 1000))
def test_gain_shifts_loudness(gain_db, rate, seed):
    rng = np.random.default_rng(seed)
    # Two levels 6 dB apart: far above the absolute gate and within the relative ones, so that the same blocks count.
    samples = rng.standard_normal(5 * rate) * np.repeat([0.05, 0.1], [2 * rate, 3 * rate])
    clip = Clip(samples, rate)
    before, after = loudness(clip), loudness(clip.gained(gain_db))
    assert after.integrated_lufs == pytest.approx(before.integrated_lufs + gain_db, abs=1e-9)
    assert after.range_lu == pytest.approx(before.range_lu, abs=1e-9)
    assert after.momentary_lufs == pytest.approx(before.momentary_lufs + gain_db, abs=1e-9)
    assert after.short_term_lufs == pytest.approx(before.short_term_lufs + gain_db, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), level_db=st.floats(-60, 0))
def test_mono_on_both_channels_reads_3_lu_more(seed, level_db):
    samples = np.random.default_rng(seed).standard_normal(16000) * db_to_amplitude(level_db)
    assume(integrated_lufs(Clip(samples, 16000)) > -60)
    both = integrated_lufs(Clip(np.column_stack([samples, samples]), 16000))
    assert both - integrated_lufs(Clip(samples, 16000)) == pytest.approx(10 * math.log10(2), abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(pause_s=st.floats(1, 20), seed=st.integers(0, 100))
def test_a_pause_counts_for_little(pause_s, seed):
    """What the gates are for: without them 20 s of pause after 5 s of noise would cost 7 dB."""
    noise = np.random.default_rng(seed).standard_normal(5 * 8000) * 0.1
    with_pause = np.concatenate([noise, np.zeros(int(pause_s * 8000))])
    assert integrated_lufs(Clip(with_pause, 8000)) == pytest.approx(integrated_lufs(Clip(noise, 8000)), abs=0.3)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("frames", [1, 79, 80, 3199, 3200, 24000, 40000])
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_silence(frames, channels):
    measured = loudness(Clip(np.zeros((frames, channels)), 8000))
    assert measured.integrated_lufs == measured.max_momentary_lufs == measured.max_short_term_lufs == -math.inf
    assert measured.range_lu == 0
    for series in (measured.times, measured.momentary_lufs, measured.short_term_lufs):
        assert len(series) == math.ceil(frames / 80)


def test_silence_after_sound_is_silence():
    """No faint rest from rounding: the windows' sums are added up, never taken apart."""
    measured = loudness(Clip(np.concatenate([sine(1000, 5, 48000), np.zeros(48000 * 20)]), 48000))
    assert measured.momentary_lufs[-1] == measured.short_term_lufs[-1] == -math.inf


def test_a_short_clip_is_one_block():
    tone = sine(1000, 0.2, 48000, -20)
    # A sine's mean square is 3.01 dB under its peak; the filter's gain at 1 kHz makes up for the 0.691 (BS.1770-5).
    assert integrated_lufs(Clip(tone, 48000)) == pytest.approx(-23.01, abs=0.1)
    assert loudness(Clip(tone, 48000)).integrated_lufs == integrated_lufs(Clip(tone, 48000))
    assert integrated_lufs(Clip(tone * 1e-4, 48000)) == -math.inf  # the absolute gate holds here too


def test_weights():
    for channels in (1, 2, 3, 4, 7, 32):
        assert list(channel_weights(channels)) == [1] * channels
    assert list(channel_weights(5)) == [1, 1, 1, 1.41, 1.41]
    assert list(channel_weights(6)) == [1, 1, 1, 0, 1.41, 1.41]
    samples = np.column_stack([sine(1000, 1, 8000), sine(1000, 1, 8000)])
    alone = integrated_lufs(Clip(samples[:, 0], 8000))
    assert integrated_lufs(Clip(samples, 8000), weights=[0.5, 0]) == pytest.approx(alone - 3.0103, abs=1e-4)
    assert integrated_lufs(Clip(samples, 8000), weights=[0, 0]) == -math.inf


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"layout": "L X"}, "layout: 'X' is not allowed; give one of 'M', 'L', 'R', 'C', 'LFE', 'Ls', 'Rs'."),
        ({"layout": "L R C"}, "layout: 3 speakers are named, but the clip has 2 channels."),
        ({"weights": [1]}, "weights: shape (1,) is not allowed; give one number for each of 2 channels."),
        ({"weights": [1, -1]}, "weights: -1 is not allowed; give numbers from 0 to 1000."),
        ({"weights": [1, 1], "layout": "L R"}, "weights: both a layout and weights were given; give one of the two."),
    ],
)
def test_bad_arguments_in_one_sentence(arguments, sentence):
    with pytest.raises(ValueError) as refusal:
        loudness(Clip(np.zeros((100, 2)), 8000), **arguments)
    assert str(refusal.value) == sentence


def test_bad_blocks_in_one_sentence():
    for channels in (0, -1, 1.5, True):
        with pytest.raises(ValueError, match="^channels: .* is not allowed"):
            LoudnessMeter(48000, channels)
    meter = LoudnessMeter(48000, 2)
    with pytest.raises(ValueError, match="^meter: it was fed no sound yet"):
        meter.result()
    with pytest.raises(ValueError, match=r"^block: shape \(5,\) is not allowed; give \(frames, 2\)\.$"):
        meter.feed(np.zeros(5))
    with pytest.raises(ValueError, match="^block: frame . holds NaN or infinity"):
        meter.feed([[0, np.nan]])
    meter.feed(np.zeros((0, 2)))
    assert meter.integrated_lufs() == -math.inf


def test_an_hour_of_stereo_in_bounded_memory():
    """Fed in blocks of a second at 8 kHz: 461 MB as float64 if kept whole; the meter keeps 100 numbers a second."""
    rate = 8000
    block = np.random.default_rng(0).standard_normal((rate, 2)) * 0.1
    meter = LoudnessMeter(rate, 2)
    tracemalloc.start()
    try:
        for _ in range(3600):
            meter.feed(block)
        measured = meter.result()
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 40e6
    assert measured.times[-1] == pytest.approx(3600)
    minute = loudness(Clip(np.tile(block, (60, 1)), rate))
    assert measured.integrated_lufs == pytest.approx(minute.integrated_lufs, abs=0.01)


# --- against other programs ------------------------------------------------------------------------------------------

SPEECH = (
    "The river kept its own slow time. Under the willow bridge, nobody counted the hours! "
    "We sang a little, we laughed a lot; and then, quite suddenly, the lamps went out. Who would have thought so?"
)


@pytest.fixture(scope="module")
def material(tmp_path_factory) -> dict[str, Clip]:
    """Speech by espeak-ng, noise, and the clips that the workbook ships, at several rates."""
    path = tmp_path_factory.mktemp("speech") / "speech.wav"
    subprocess.run([need_program("espeak-ng"), "-s", "140", "-w", str(path), SPEECH], check=True, timeout=60)
    spoken = load(path)
    assert spoken.rate == 22050 and spoken.duration_s > 8
    clips = {"speech 22.05 kHz": spoken}
    for name, rate, up, down in (("44.1", 44100, 2, 1), ("48", 48000, 320, 147), ("96", 96000, 640, 147)):
        clips[f"speech {name} kHz"] = Clip(resample_poly(spoken.samples, up, down) * 0.9, rate)
    rng = np.random.default_rng(5)
    for rate in (16000, 44100, 48000, 96000):
        swell = db_to_amplitude(-25 + 12 * np.sin(2 * np.pi * np.arange(20 * rate) / (7 * rate)))
        clips[f"noise, stereo, {rate / 1000:g} kHz"] = Clip(rng.standard_normal((20 * rate, 2)) * swell[:, None], rate)
    uneven = rng.standard_normal((10 * 48000, 5)) * [0.01, 0.02, 0.05, 0.1, 0.04]
    clips["noise, 5 channels, 48 kHz"] = Clip(uneven, 48000)
    for name in shipped_names():
        clips[name] = shipped(name).clip
    return clips


def ffmpeg_figures(clip: Clip, path: Path) -> tuple[float, float, float]:
    """Integrated loudness, range and true peak by FFmpeg's ebur128 filter."""
    save(clip, path)
    command = [need_program("ffmpeg"), "-nostdin", "-hide_banner", "-i", str(path)]
    command += ["-af", "ebur128=peak=true:metadata=1:framelog=verbose,ametadata=print:file=-", "-f", "null", "-"]
    done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120)
    figures = dict(line.split("=") for line in done.stdout.splitlines() if line.startswith("lavfi.r128."))
    # The true peak is in the summary alone, which comes last.
    peak = [line.split()[1] for line in done.stderr.splitlines() if line.strip().startswith("Peak:")][-1]
    return float(figures["lavfi.r128.I"]), float(figures["lavfi.r128.LRA"]), float(peak)


def print_table(capsys, title: str, heads: list[str], rows: list[tuple]) -> None:
    with capsys.disabled():
        print(f"\n\n{title}\n" + f"{'':28}" + "".join(f"{head:>13}" for head in heads))
        for name, *figures in rows:
            print(f"{name:28}" + "".join(f"{figure:13.3f}" for figure in figures))


def highpass_gain_db(rate: int) -> float:
    """What the loudness filter's high-pass would add above its corner if its numerator were 1, −2, 1 at every rate."""
    denominator = k_weighting(rate)[1, 3:]
    return amplitude_to_db(4 / (denominator @ [1, -1, 1]))


def explained_lu(rate: int) -> float:
    """How far we must lie from a program that takes the high-pass's numerator over from the table at 48 kHz unchanged.

    There it adds 0.04 dB above the corner, which the standard's −0.691 makes up for. At another rate an unchanged
    numerator adds another amount, so the same sound would read differently; ours keeps the response of 48 kHz.
    """
    return highpass_gain_db(48000) - highpass_gain_db(rate)


@pytest.mark.parametrize("rate", [8000, 11025, 16000])
def test_low_rates_read_speech_as_high_ones_do(material, rate):
    """What the docstring of k_weighting says about low rates: within the meter's own tolerance (Tech 3341, 0.1 LU)."""
    spoken = material["speech 48 kHz"]
    # The same content at both rates: cut off well below half of the lower one.
    high = sosfiltfilt(butter(12, 0.38 * rate, fs=48000, output="sos"), spoken.samples)
    divisor = math.gcd(rate, 48000)
    low = resample_poly(high, rate // divisor, 48000 // divisor, window=("kaiser", 9.0))
    assert integrated_lufs(Clip(low, rate)) == pytest.approx(integrated_lufs(Clip(high, 48000)), abs=0.1)


def test_agrees_with_pyloudnorm(material, capsys, deviation):
    """pyloudnorm (PyPI), with the filter class whose K-weighting is redesigned from the analogue prototype."""
    rows = []
    for name, clip in material.items():
        theirs = pyloudnorm.Meter(clip.rate, filter_class="DeMan").integrated_loudness(clip.samples)
        ours = integrated_lufs(clip)
        rows.append((name, ours, ours - theirs, explained_lu(clip.rate)))
    print_table(capsys, "Loudness against pyloudnorm", ["I, LUFS", "difference", "explained"], rows)
    for name, _, difference, explained in rows:
        deviation("integrated loudness of speech, noise and the clips", "pyloudnorm", difference, 0.1, "LU", name)
        assert abs(difference - explained) < 0.01, name


def range_within_a_rank(clip: Clip) -> tuple[float, float]:
    """The loudness range if a percentile's rank were one lower or one higher than Tech 3342's rounding has it.

    FFmpeg takes the lower percentile a rank lower; in a clip of 15 s, neighbours can lie 0.4 LU apart.
    """
    short_term = loudness(clip).short_term_lufs[299::10]
    short_term = short_term[short_term > -70]
    gate = 10 * math.log10(np.mean(10 ** (short_term / 10))) - 20
    ranked = np.sort(short_term[short_term > gate])
    low, high = (math.floor((len(ranked) - 1) * part + 0.5) for part in (0.10, 0.95))
    below, above = max(low - 1, 0), min(high + 1, len(ranked) - 1)
    return ranked[max(high - 1, 0)] - ranked[low + 1], ranked[above] - ranked[below]


def test_agrees_with_ffmpeg(material, capsys, tmp_path, deviation):
    """FFmpeg's ebur128 filter (Debian), which sorts blocks into bins, and prints the true peak to 0.1 dB."""
    rows = []
    for name, clip in material.items():
        lufs, range_lu, peak = ffmpeg_figures(clip, tmp_path / "clip.wav")
        ours, our_peak = loudness(clip), true_peak_dbtp(clip)
        figures = (ours.integrated_lufs, ours.integrated_lufs - lufs, explained_lu(clip.rate))
        rows.append((name, *figures, ours.range_lu, ours.range_lu - range_lu, our_peak, our_peak - peak))
    heads = ["I, LUFS", "difference", "explained", "LRA, LU", "difference", "peak, dBTP", "difference"]
    print_table(capsys, "Loudness, range and true peak against FFmpeg's ebur128", heads, rows)
    for name, _, off_lufs, explained, range_lu, off_range, _, off_peak in rows:
        deviation("integrated loudness of speech, noise and the clips", "FFmpeg, ebur128", off_lufs, 0.1, "LU", name)
        assert abs(off_lufs - explained) < 0.015, name
        least, most = range_within_a_rank(material[name])
        assert least - 0.02 <= range_lu - off_range <= most + 0.02, name
        assert abs(off_range) < 1.0, name  # Tech 3342
        deviation("true peak of the same", "FFmpeg, ebur128", off_peak, 0.2, "dB", name)
