"""A take just recorded: its samples, its file, and what is said about its level and the room."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, rms_db, sine

from vocomp_lab import Clip, load, shipped
from vocomp_lab.lessons.recording import (
    FAR_TOO_QUIET_DBFS,
    LOUDEST_PEAK_DBFS,
    join_pieces,
    judge_level,
    judge_room,
    level_word,
    save_take,
)
from vocomp_lab.lessons.report import QUIET_ROOM_DB

RATE = 16_000
NOON = datetime(2026, 11, 27, 14, 3, 22)


def peaking(db: float) -> Clip:
    return Clip(sine(220, 1.0, RATE, db), RATE)


def test_pieces_of_any_length_are_joined_sample_by_sample(rng):
    samples = rng.uniform(-0.9, 0.9, 5_001).astype("<f4")
    pieces = [part.tobytes() for part in np.split(samples, [1, 2_000, 2_000, 4_096])]
    clip = join_pieces(pieces, 44_100)
    assert clip.rate == 44_100 and np.array_equal(clip.samples, samples.astype(float))


def test_samples_beyond_full_scale_fit_the_file_and_count_as_clipped(tmp_path):
    clip = join_pieces([(1.5 * sine(100, 0.2, RATE)).astype("<f4").tobytes()], RATE)
    assert clip.samples.max() == 1 - 2**-23 and clip.samples.min() == -1
    assert not judge_level(clip).fine
    assert np.abs(load(save_take(clip, tmp_path, NOON)).samples - clip.samples).max() <= 2**-24


@pytest.mark.parametrize(
    ("pieces", "part"),
    [([], "nothing was recorded"), ([b""], "nothing was recorded"), ([b"abcde"], "5 bytes"), ([np.float32(np.nan).tobytes()], "not numbers")],
)  # fmt: skip
def test_pieces_that_are_no_sound_are_refused(pieces, part):
    with pytest.raises(ValueError) as error:
        join_pieces(pieces, RATE)
    one_sentence(error, "take: ", part)


def test_a_take_is_a_24_bit_flac_file_named_after_its_time_and_none_is_overwritten(tmp_path, rng):
    clips = [Clip(np.round(rng.uniform(-1, 1, 500) * 2**22) / 2**23, RATE) for _ in range(3)]
    paths = [save_take(clip, tmp_path, NOON) for clip in clips]
    stem = "take_2026-11-27_14-03-22"
    assert [path.name for path in paths] == [f"{stem}.flac", f"{stem}_2.flac", f"{stem}_3.flac"]
    for clip, path in zip(clips, paths):
        info = soundfile.info(path)
        assert (info.format, info.subtype, info.samplerate) == ("FLAC", "PCM_24", RATE) and load(path) == clip


def test_a_take_that_cant_be_written_leaves_nothing(tmp_path):
    with pytest.raises(ValueError, match="clip"):
        save_take(Clip([0.0, 2.0], RATE), tmp_path, NOON)
    (tmp_path / "a file").write_text("")
    with pytest.raises(ValueError) as error:
        save_take(peaking(-9), tmp_path / "a file", NOON)
    one_sentence(error, "Nothing could be kept", "Not a directory")
    assert [path.name for path in tmp_path.iterdir()] == ["a file"]


@pytest.mark.parametrize(
    ("db", "word", "fine", "part"),
    [
        (-9, "good", True, "−9.0 dBFS"), (-3, "too loud", False, "down by about 6 dB"), (-18, "a little quiet", True, "up by about 9 dB"),
        (-40, "too quiet", False, "up by about 31 dB"), (-90, "too quiet", False, "mute"),
    ],
)  # fmt: skip
def test_the_level_is_judged_by_its_peak_and_the_turn_is_named(db, word, fine, part):
    verdict = judge_level(peaking(db))
    assert (verdict.topic, verdict.word, verdict.fine) == ("Level", word, fine)
    one_sentence(verdict.sentence, part)
    assert str(verdict).startswith(f"Level: {word}. ")


def test_the_zone_is_lesson_01s_and_its_edges_belong_to_it():
    low, high = LOUDEST_PEAK_DBFS
    assert (low, high) == (-12, -6)
    assert [level_word(db) for db in (high + 0.1, high, low, low - 0.1, FAR_TOO_QUIET_DBFS, FAR_TOO_QUIET_DBFS - 0.1)] == [
        "too loud", "good", "good", "a little quiet", "a little quiet", "too quiet"
    ]  # fmt: skip


def test_a_clipped_take_says_where_and_that_it_must_be_sung_again():
    loud = sine(220, 2.0, RATE, -9)
    loud[RATE : RATE + 400] = np.clip(8 * loud[RATE : RATE + 400], -1, 1)
    verdict = judge_level(Clip(loud, RATE))
    assert verdict.word == "too loud" and not verdict.fine
    one_sentence(verdict.sentence, "first at 1.0 s", "down by about 10 dB", "again")


def test_silence_says_that_nothing_came_in():
    verdicts = judge_room(Clip(np.zeros(3 * RATE), RATE))
    assert [v.topic for v in verdicts] == ["Level"] and "mute" in verdicts[0].sentence


def check_of(noise_db: float, hum_db: float = -math.inf) -> Clip:
    """Three seconds of a room, then a line that peaks at −9 dBFS, with a room of this RMS level all through."""
    voice = shipped("lesson_verse_clean").clip.cut(0.8, 6.8)
    sung = voice.samples * 10 ** (-9 / 20) / np.abs(voice.samples).max()
    whole = np.concatenate([np.zeros(3 * voice.rate), sung])
    noise = np.random.default_rng(7).standard_normal(len(whole))
    t = np.arange(len(whole)) / voice.rate
    hum = sum(np.sin(2 * np.pi * 50 * k * t) for k in (1, 2, 3)) * 10 ** (hum_db / 20)
    return Clip(whole + noise * 10 ** ((noise_db - rms_db(noise)) / 20) + hum, voice.rate)


@pytest.mark.parametrize(("noise_db", "fine"), [(-75, True), (-45, False)])
def test_the_room_is_judged_by_how_far_it_is_below_the_voice(noise_db, fine):
    level, noise = judge_room(check_of(noise_db))
    assert level.fine and level.word == "good"
    assert noise.topic == "Noise" and noise.fine is fine and noise.word == ("quiet enough" if fine else "too much")
    assert f"{QUIET_ROOM_DB:.0f} dB or more" in noise.sentence


def test_hum_and_a_gate_are_named():
    *_, hum = judge_room(check_of(-75, -45))
    assert hum.topic == "Hum" and not hum.fine and "50 Hz" in one_sentence(hum.sentence)
    gated = check_of(-60).samples.copy()
    gated[: 2 * 48_000] = 0
    _, noise = judge_room(Clip(gated, 48_000))
    assert not noise.fine and "noise suppression" in one_sentence(noise.sentence)
