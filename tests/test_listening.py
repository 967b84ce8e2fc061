"""Loudness matching to 0.1 LU, also in the eyes of an outside meter."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pyloudnorm
import pytest
from conftest import sine

from vocomp_lab.analysis.listening import match_gain_db, match_loudness
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip


def outside_lufs(clip) -> float:
    """Integrated loudness by pyloudnorm (PyPI), which designs its K-weighting anew for each rate."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pyloudnorm.Meter(clip.rate).integrated_loudness(clip.samples)


def words(rng, rate, seconds=4.0) -> np.ndarray:
    """Something with the ups, downs and pauses of speech: bursts of noise and tone with gaps between them."""
    frames = int(seconds * rate)
    t = np.arange(frames) / rate
    loudness = np.repeat(rng.choice([0.0, 0.1, 0.4, 1.0], int(seconds * 4)), rate // 4)[:frames]
    loudness = np.pad(loudness, (0, frames - len(loudness)))
    return loudness * (0.3 * np.sin(2 * np.pi * 190 * t) + 0.1 * rng.standard_normal(frames))


@pytest.mark.parametrize("rate", (8_000, 44_100, 48_000, 96_000))
def test_signals_of_every_kind_are_matched(rng, rate):
    reference = Clip(words(rng, rate), rate)
    for samples in (
        sine(1000, 3, rate, -30),
        sine(100, 3, rate, -3),
        0.01 * rng.standard_normal((3 * rate, 2)),
        words(rng, rate) * 3,
        words(rng, rate)[:, None] * [1.0, 0.2],
    ):
        clip = Clip(samples, rate)
        matched, gain_db = match_loudness(clip, reference)
        assert integrated_lufs(matched) == pytest.approx(integrated_lufs(reference), abs=0.1)
        assert np.allclose(matched.samples, clip.samples * 10 ** (gain_db / 20), rtol=1e-12)
        assert matched.rate == rate and matched.samples.shape == clip.samples.shape


@pytest.mark.parametrize("rate", (44_100, 48_000, 96_000))
def test_an_outside_meter_finds_them_matched_too(rng, rate):
    reference = Clip(words(rng, rate), rate)
    for clip in (
        Clip(words(rng, rate) * 0.05, rate),
        Clip(sine(440, 3, rate, -20), rate),
        Clip(rng.standard_normal((3 * rate, 2)), rate),
    ):
        matched, _ = match_loudness(clip, reference)
        assert outside_lufs(matched) == pytest.approx(outside_lufs(reference), abs=0.1)


def test_a_compressed_clip_is_matched_to_its_source(rng):
    clip = Clip(words(rng, 48_000), 48_000)
    squeezed = Compressor(-40, 8, 1, 80, makeup_db=12).apply(clip).output
    assert abs(integrated_lufs(squeezed) - integrated_lufs(clip)) > 1
    matched, gain_db = match_loudness(squeezed, clip)
    assert integrated_lufs(matched) == pytest.approx(integrated_lufs(clip), abs=0.1) and abs(gain_db) > 1


def test_rates_and_lengths_may_differ(rng):
    clip, reference = Clip(words(rng, 48_000, 5.0), 48_000), Clip(words(rng, 44_100, 3.0) * 0.1, 44_100)
    matched, _ = match_loudness(clip, reference)
    assert integrated_lufs(matched) == pytest.approx(integrated_lufs(reference), abs=0.1)


def test_a_gain_that_lifts_quiet_parts_over_the_gate_is_corrected():
    """Blocks at −72 LUFS count for nothing until the gain brings them over −70: one measurement is not enough."""
    rate = 48_000
    quiet = np.concatenate([sine(1000, 2, rate, -66), sine(1000, 4, rate, -72)])
    reference = Clip(sine(1000, 3, rate, -23), rate)
    matched, gain_db = match_loudness(Clip(quiet, rate), reference)
    assert integrated_lufs(matched) == pytest.approx(integrated_lufs(reference), abs=0.1)
    assert outside_lufs(matched) == pytest.approx(outside_lufs(reference), abs=0.1)
    assert abs(gain_db - (integrated_lufs(reference) - integrated_lufs(Clip(quiet, rate)))) > 0.1


def test_silence_has_no_loudness_to_match_and_is_left_alone():
    sound = Clip(sine(1000, 1, 48_000, -20), 48_000)
    for dumb in (
        Clip(np.zeros(48_000), 48_000),
        Clip([0.0], 48_000),
        Clip(np.zeros((10, 6)), 8_000),
        Clip(sound.samples * 1e-5, 48_000),
    ):
        assert math.isinf(integrated_lufs(dumb))
        for clip, reference in ((dumb, sound), (sound, dumb), (dumb, dumb)):
            matched, gain_db = match_loudness(clip, reference)
            assert gain_db == 0.0 and matched is clip


def test_single_frames_of_every_shape_are_matched_or_left_alone():
    for samples in ([0.5], [[0.5]], [[0.5] * 6]):
        clip = Clip(samples, 192_000)
        matched, gain_db = match_loudness(clip, Clip(sine(1000, 1, 8_000, -20), 8_000))
        assert math.isfinite(gain_db) and matched.samples.shape == clip.samples.shape


def test_a_clip_matched_to_itself_is_itself():
    clip = Clip(sine(1000, 1, 48_000, -20), 48_000)
    matched, gain_db = match_loudness(clip, clip)
    assert gain_db == 0.0 and matched is clip


def test_gain_between_two_loudnesses():
    assert match_gain_db(-23.0, -14.0) == 9.0
    for silent in ((-math.inf, -20.0), (-20.0, -math.inf), (-math.inf, -math.inf)):
        assert match_gain_db(*silent) == 0.0
