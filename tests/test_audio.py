"""Clips and sound files: what goes in comes out, nothing clips silently, and no file is ever half-written."""

from __future__ import annotations

import math
import os
import re
from fractions import Fraction

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from vocomp_lab.sound.audio import MAX_RATE_HZ, MIN_RATE_HZ, Clip, check_rate, load, save
from vocomp_lab.sound.checks import shown

BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
WRITABLE = [
    *((".wav", subtype) for subtype in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")),
    *((".flac", subtype) for subtype in ("PCM_S8", "PCM_16", "PCM_24")),
]


# ---------------------------------------------------------------------------------------------------------- clips


def test_a_clip_copies_its_samples_and_guards_them():
    given_samples = np.array([0.1, -0.2, 0.3])
    clip = Clip(given_samples, 48_000)
    given_samples[0] = 9.0
    assert clip.samples.dtype == np.float64 and clip.samples[0] == 0.1
    for view in (clip.samples, clip.columns):
        with pytest.raises(ValueError, match="read-only"):
            view[0] = 1.0
    with pytest.raises(AttributeError):
        clip.rate = 44_100


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.longdouble, np.int16, np.uint8, ">f8", "<f4"])
def test_samples_of_every_number_type_are_taken(dtype):
    clip = Clip(np.array([0, 1, 1], dtype=dtype), 48_000)
    assert clip.samples.dtype == np.float64 and clip.samples.tolist() == [0, 1, 1]


def test_shapes_and_times():
    mono, one_column, six = (Clip(np.ones(shape), 8_000) for shape in ((12,), (12, 1), (12, 6)))
    assert [clip.channels for clip in (mono, one_column, six)] == [1, 1, 6]
    assert [clip.frames for clip in (mono, one_column, six)] == [12, 12, 12]
    assert [clip.columns.shape for clip in (mono, one_column, six)] == [(12, 1), (12, 1), (12, 6)]
    assert mono.duration_s == 12 / 8_000
    assert np.array_equal(mono.times_s(), np.arange(12) / 8_000)
    assert np.shares_memory(six.columns, six.samples)
    assert mono != one_column and mono == Clip(np.ones(12), 8_000) and mono != Clip(np.ones(12), 8_001)
    assert mono != "a clip"


def test_gain_and_cut():
    clip = Clip(np.arange(10.0), 10_000)
    assert np.allclose(clip.gained(20.0).samples, 10 * clip.samples, rtol=1e-14)
    assert not clip.gained(-math.inf).samples.any()
    assert clip.cut(0.0002, 0.0005).samples.tolist() == [2, 3, 4]
    assert clip.cut(-1, math.inf) == clip
    assert clip.cut(5, 6).samples.tolist() == [9] and clip.cut(-6, -5).samples.tolist() == [0]
    assert clip.cut(0.0005, 0.0002).frames == 1
    for bad in (math.nan, "3", None, True, math.inf, 1e9):
        with pytest.raises(ValueError) as caught:
            clip.gained(bad)
        one_sentence(caught, "gain_db: ", bad, "−∞ to 400 dB")
    for bad in (math.nan, "3", None, True):
        with pytest.raises(ValueError) as caught:
            clip.cut(bad, 1)
        one_sentence(caught, "start_s: ", bad)
        with pytest.raises(ValueError) as caught:
            clip.cut(0, bad)
        one_sentence(caught, "end_s: ", bad)


BAD_SAMPLES = {
    "empty": ([], "empty"),
    "no channels": (np.zeros((5, 0)), "(5, 0)"),
    "no frames": (np.zeros((0, 2)), "(0, 2)"),
    "NaN": ([0.0, 0.0, math.nan], "frame 2"),
    "infinity": ([[0.0, 0.0], [0.0, -math.inf]], "frame 1"),
    "too large for a float": (np.array([1.0, 10.0], dtype=np.longdouble) ** 400, "frame 1"),
    "a number": (1.0, "()"),
    "three dimensions": (np.zeros((2, 2, 2)), "(2, 2, 2)"),
    "complex": (np.zeros(3, dtype=complex), "complex"),
    "complex list": ([1j, 2.0], "complex"),
    "text": ("la la la", "'la la la'"),
    "numbers as text": (["0.1", "0.2"], "['0.1', '0.2']"),
    "nothing": (None, "None"),
    "yes and no": ([True, False], "[True, False]"),
    "uneven lists": ([[0.1, 0.2], [0.3]], "[[0.1, 0.2], [0.3]]"),
    "dates": (np.zeros(3, dtype="datetime64[s]"), "array"),
    "objects": ([Fraction(1, 2)], "Fraction"),
    "huge whole numbers": ([10**400], "1000"),
    "a dictionary": ({"a": 1}, "{'a': 1}"),
}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("samples, part", BAD_SAMPLES.values(), ids=BAD_SAMPLES)
def test_what_is_no_sound_is_refused(samples, part):
    with pytest.raises(ValueError) as caught:
        Clip(samples, 48_000)
    one_sentence(caught, "samples: ", part)


BAD_RATES = [
    7_999,
    192_001,
    0,
    -48_000,
    44_100.5,
    math.nan,
    math.inf,
    True,
    False,
    np.True_,
    "48000",
    None,
    [48_000],
    48_000j,
    10**400,
    10**6000,
]


@pytest.mark.parametrize("rate", BAD_RATES, ids=shown)
def test_rates_out_of_range_are_refused(rate):
    for attempt in (check_rate, lambda value: Clip([0.0], value)):
        with pytest.raises(ValueError) as caught:
            attempt(rate)
        one_sentence(caught, "rate: ", "whole number of Hz", MIN_RATE_HZ, MAX_RATE_HZ)


def test_rates_at_the_edge_are_taken_as_whole_numbers():
    for rate in (8_000, 192_000, 44_100.0, np.int32(48_000), np.float64(96_000)):
        assert Clip([0.0], rate).rate == rate and type(Clip([0.0], rate).rate) is int


# ----------------------------------------------------------------------------------------------------- round trips


@pytest.mark.parametrize("channels", [None, 1, 2, 6])
@pytest.mark.parametrize("suffix, subtype", WRITABLE)
def test_every_subtype_comes_back_within_half_a_step(tmp_path, rng, suffix, subtype, channels):
    frames = 3_001
    samples = rng.uniform(-0.99, 0.99, frames if channels is None else (frames, channels))
    clip = Clip(samples, 44_100)
    path = save(clip, tmp_path / f"take{suffix}", subtype.lower())
    assert soundfile.info(str(path)).subtype == subtype
    back = load(path)
    assert back.rate == 44_100
    assert back.samples.shape == ((frames,) if channels in (None, 1) else (frames, channels))
    error = np.abs(back.columns - clip.columns)
    if subtype in BITS:
        # Whole steps of 2/2^bits: rounding leaves half a step of error at most; cutting off would leave a whole one.
        assert error.max() <= 2.0 ** -BITS[subtype] * (1 + 1e-9)
        assert abs(np.mean(back.columns - clip.columns)) < 2.0 ** -BITS[subtype] / 10
    else:
        # A float's step is relative: 2^-24 of the value for 32 bits (IEEE 754); 64 bits are what a Clip holds.
        assert np.all(error <= np.abs(clip.columns) * (2.0**-24 if subtype == "FLOAT" else 0))


@pytest.mark.parametrize("suffix, subtype", [(s, t) for s, t in WRITABLE if t in BITS])
def test_every_code_survives_being_loaded_and_saved_again(tmp_path, rng, suffix, subtype):
    steps = 2 ** (BITS[subtype] - 1)
    codes = np.concatenate([[-steps, -steps + 1, -1, 0, 1, steps - 1], rng.integers(-steps, steps, 5_000)])
    clip = Clip(codes / steps, 48_000)
    for _ in range(2):
        clip = load(save(clip, tmp_path / f"codes{suffix}", subtype))
        assert np.array_equal(clip.samples * steps, codes)


def test_defaults_are_float_for_wav_and_24_bits_for_flac(tmp_path):
    clip = Clip([0.5, -0.25], 48_000)
    assert soundfile.info(str(save(clip, tmp_path / "a.wav"))).subtype == "FLOAT"
    assert soundfile.info(str(save(clip, str(tmp_path / "a.FLAC")))).subtype == "PCM_24"


def test_float_files_hold_peaks_over_full_scale(tmp_path):
    loud = Clip([4.0, -8.0], 48_000)
    assert load(save(loud, tmp_path / "loud.wav")) == loud


@pytest.mark.parametrize("rate", [8_000, 44_100, 192_000])
@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_one_frame_and_silence_at_every_rate(tmp_path, suffix, rate):
    for samples in ([0.5], np.zeros(100), np.zeros((1, 6))):
        clip = Clip(samples, rate)
        back = load(save(clip, tmp_path / f"a{suffix}"))
        assert back.rate == rate and np.array_equal(back.columns, clip.columns)


FOREIGN = [
    ("WAV", "PCM_16", 2**-15),
    ("WAV", "PCM_U8", 2**-7),
    ("WAV", "FLOAT", 1e-7),
    ("WAV", "ULAW", 0.04),
    ("FLAC", "PCM_16", 2**-15),
    ("FLAC", "PCM_24", 2**-23),
    ("AIFF", "PCM_16", 2**-15),
    ("AIFF", "PCM_24", 2**-23),
    ("AIFF", "FLOAT", 1e-7),
    ("OGG", "VORBIS", 0.1),
]


@pytest.mark.parametrize("channels", [1, 2, 5])
@pytest.mark.parametrize("kind, subtype, tolerance", FOREIGN)
def test_files_that_other_programs_wrote_are_read(tmp_path, kind, subtype, tolerance, channels):
    """Written by libsndfile directly; the lossy ones only have to sound alike."""
    tones = np.stack([sine(200 * (k + 1), 0.5, 44_100, -6) for k in range(channels)], axis=1)
    path = tmp_path / f"foreign.{kind.lower()}"
    soundfile.write(str(path), tones, 44_100, format=kind, subtype=subtype)
    clip = load(path)
    assert clip.rate == 44_100 and clip.samples.shape == ((22_050,) if channels == 1 else (22_050, channels))
    assert np.abs(clip.columns - tones).max() < tolerance


# --------------------------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize("suffix, subtype", [(s, t) for s, t in WRITABLE if t in BITS])
@pytest.mark.parametrize("peak", [1.001, 1.3, 17.0, -1.0001, -2.5])
def test_clipping_is_refused_and_the_gain_that_the_message_names_fits(tmp_path, suffix, subtype, peak):
    clip = Clip([0.1, peak, -0.1], 48_000)
    with pytest.raises(ValueError) as caught:
        save(clip, tmp_path / f"hot{suffix}", subtype)
    text = one_sentence(caught, "clip: ", f"{20 * math.log10(abs(peak)):+.2f} dBFS", subtype, "FLOAT")
    assert list(tmp_path.iterdir()) == []
    gain_db = float(re.search(r"clip\.gained\((-[0-9.]+)\)", text).group(1))
    turned_down = clip.gained(gain_db)
    back = load(save(turned_down, tmp_path / f"hot{suffix}", subtype))
    assert np.abs(back.samples - turned_down.samples).max() <= 2.0 ** -BITS[subtype] * (1 + 1e-9)
    # And it is the largest gain that fits: a quarter of a decibel more would not.
    with pytest.raises(ValueError):
        save(clip.gained(gain_db + 0.25), tmp_path / f"hot{suffix}", subtype)


def test_the_largest_code_is_not_called_clipping(tmp_path):
    for samples in ([32767 / 32768], [-1.0]):
        assert load(save(Clip(samples, 48_000), tmp_path / "edge.wav", "PCM_16")).samples.tolist() == samples
    with pytest.raises(ValueError):
        save(Clip([1.0], 48_000), tmp_path / "edge.wav", "PCM_16")


@pytest.mark.parametrize(
    "name, subtype, parts",
    [
        ("take.mp3", None, ("path: ", "'.mp3'", ".flac, .wav")),
        ("take", None, ("path: ", "''")),
        (".wav", None, ("path: ", "''")),
        ("take.wav", "PCM_12", ("subtype: ", "'PCM_12'", "PCM_16", "FLOAT")),
        ("take.flac", "FLOAT", ("subtype: ", "'FLOAT'", ".flac", "PCM_24")),
        ("take.flac", "PCM_32", ("subtype: ", "'PCM_32'", "PCM_16")),
        ("take.wav", 16, ("subtype: ", "16")),
    ],
)
def test_what_cannot_be_written_is_refused_before_anything_is_made(tmp_path, name, subtype, parts):
    with pytest.raises(ValueError) as caught:
        save(Clip([0.0], 48_000), tmp_path / name, subtype)
    one_sentence(caught, *parts)
    assert list(tmp_path.iterdir()) == []


def test_a_format_that_cannot_hold_the_channels_is_one_sentence(tmp_path):
    with pytest.raises(ValueError) as caught:
        save(Clip(np.zeros((4, 9)), 48_000), tmp_path / "nine.flac")
    one_sentence(caught, "path: ", "'nine.flac'")
    assert list(tmp_path.iterdir()) == []


def test_files_that_are_no_sound_are_one_sentence(tmp_path):
    good = save(Clip(np.zeros(1000), 48_000), tmp_path / "good.wav").read_bytes()
    broken = {
        "text.wav": b"this is a shopping list",
        "empty.flac": b"",
        "header.wav": good[:20],
        "noise.ogg": bytes(range(256)) * 9,
    }
    for name, content in broken.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(ValueError) as caught:
            load(tmp_path / name)
        one_sentence(caught, "path: ", repr(name))


def test_readable_files_that_hold_no_legal_clip_are_one_sentence(tmp_path):
    cases = {
        "nan.wav": (np.array([0.0, np.nan]), 48_000, "NaN"),
        "no_frames.wav": (np.zeros(0), 48_000, "empty"),
        "slow.wav": (np.zeros(10), 4_000, "4000"),
        "fast.wav": (np.zeros(10), 384_000, "384000"),
    }
    for name, (samples, rate, part) in cases.items():
        soundfile.write(str(tmp_path / name), samples, rate, subtype="FLOAT")
        with pytest.raises(ValueError) as caught:
            load(tmp_path / name)
        one_sentence(caught, "path: ", repr(name), part)


def test_missing_files_and_folders(tmp_path):
    for path in (tmp_path / "missing.wav", tmp_path):
        with pytest.raises(FileNotFoundError) as caught:
            load(path)
        one_sentence(caught, "path: ", path.name)


# ---------------------------------------------------------------------------------------------- whole or not at all


@pytest.mark.parametrize(
    "trouble", [OSError(28, "No space left on device"), KeyboardInterrupt(), MemoryError()], ids=repr
)
def test_a_write_that_fails_midway_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, trouble):
    path = tmp_path / "take.wav"
    save(Clip(np.full(5_000, 0.25), 48_000), path)
    before = path.read_bytes()
    real_write, seen = soundfile.write, []

    def write_half(file, samples, *args, **kwargs):
        real_write(file, samples[: len(samples) // 2], *args, **kwargs)
        seen.append(os.path.getsize(file))
        raise trouble

    monkeypatch.setattr(soundfile, "write", write_half)
    with pytest.raises(type(trouble)):
        save(Clip(np.full(9_000, -0.5), 48_000), path)
    assert seen and seen[0] > 1_000  # half of it had been written, somewhere else
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_library_error_midway_is_one_sentence(tmp_path, monkeypatch):
    def fail(*args, **kwargs):
        raise soundfile.LibsndfileError(2)

    monkeypatch.setattr(soundfile, "write", fail)
    with pytest.raises(ValueError) as caught:
        save(Clip([0.0], 48_000), tmp_path / "take.wav")
    one_sentence(caught, "path: 'take.wav'")
    assert list(tmp_path.iterdir()) == []


def test_a_failing_rename_leaves_nothing_behind(tmp_path, monkeypatch):
    def fail(*args):
        raise PermissionError("not here")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(PermissionError):
        save(Clip([0.0], 48_000), tmp_path / "take.wav")
    assert list(tmp_path.iterdir()) == []


def test_saved_files_replace_old_ones_and_have_the_usual_mode(tmp_path):
    path = tmp_path / "new folder" / ("long name " * 25 + ".wav")
    save(Clip([0.1], 48_000), path)
    assert save(Clip([0.2, 0.3], 48_000), path) == path
    assert load(path).frames == 2
    plain = path.parent / "plain"
    plain.touch()
    assert path.stat().st_mode == plain.stat().st_mode
    assert sorted(path.parent.iterdir()) == sorted([path, plain])


@given(hnp.arrays(np.float64, st.tuples(st.integers(1, 40), st.integers(1, 3)), elements=st.floats(-1e6, 1e6)))
def test_a_64_bit_file_is_the_clip(tmp_path_factory, samples):
    clip = Clip(samples, 96_000)
    back = load(save(clip, tmp_path_factory.getbasetemp() / "exact.wav", "DOUBLE"))
    assert np.array_equal(back.columns, clip.columns)
