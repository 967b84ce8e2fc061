"""Loading a voice from code and as the page does it; what fails says so in a sentence and leaves what was there."""

from __future__ import annotations

import datetime
import re

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine

from vocomp_lab.bench.file_box import LONGEST_MIN, MOST_CHANNELS
from vocomp_lab.bench.own_vocal import OwnVocal
from vocomp_lab.lessons.course import begin
from vocomp_lab.sound.audio import load

RATE = 16_000
EPOCH = datetime.datetime(2020, 1, 1, tzinfo=datetime.timezone.utc)


@pytest.fixture
def own(tmp_path):
    """A place to load, begun with a short hummed note."""
    soundfile.write(tmp_path / "first.wav", sine(180, 1.5, RATE, -12), RATE)
    return OwnVocal(begin("01_levels_and_meters", tmp_path / "first.wav", tmp_path / "state"))


@pytest.fixture
def second(tmp_path):
    soundfile.write(tmp_path / "second.flac", np.column_stack([sine(240, 2, 44_100, -9)] * 2), 44_100)
    return tmp_path / "second.flac"


def sent(own, name, data):
    """What arrives from the page's button."""
    own._upload.value = (
        {"name": name, "type": "audio/wav", "size": len(data), "content": memoryview(data), "last_modified": EPOCH},
    )


def said(own):
    return re.sub(r"<[^>]*>", "", own._note.value)


def test_it_begins_with_the_lessons_clip(own):
    assert own.clip is own.lesson.clip and own.clip.rate == RATE
    assert "level" in own.report.topics and "Loaded" in own._measured.value


def test_a_file_that_breaks_off_is_loaded_and_told(own, second, tmp_path):
    soundfile.write(tmp_path / "whole.wav", sine(240, 2, RATE, -9), RATE)
    (tmp_path / "torn.wav").write_bytes((tmp_path / "whole.wav").read_bytes()[:40_000])
    own.load(tmp_path / "torn.wav")
    assert "torn.wav is loaded." in said(own) and "shorter than it says: 1.25 s of 2.00 s" in said(own)
    own.load(tmp_path / "whole.wav")
    assert "shorter" not in said(own)


def test_it_loads_from_code_and_the_lesson_begins_anew(own, second):
    first = own.lesson
    assert own.load(second) is own
    assert own.name == "second.flac" and own.clip == load(second) and own.report["channels"].fine
    assert own.lesson is not first and own.lesson is own.lesson
    assert (
        own.lesson.clip == own.clip
        and own.lesson.folder.parent == first.folder.parent
        and own.lesson.name == first.name
    )


def test_a_path_may_be_typed_with_quotes(own, second):
    own._path.value = f' "{second}" '
    assert own.name == "second.flac" and "second.flac is loaded." in said(own)
    assert 'role="status"' in own._note.value


def test_an_upload_is_loaded_whole_and_in_pieces(own, second, rng):
    data = second.read_bytes()
    sent(own, "my song.flac", data)
    assert own.name == "my song.flac" and own.clip == load(second) and own._upload.value == ()
    own.load(second.parent / "first.wav")
    for number in (1, 2, 3):
        part = data[(number - 1) * 3000 : number * 3000 if number < 3 else None]
        sent(own, f"piece-{number}-of-3-{own._id}-abc123-../my-song-of-2.flac", part)
        assert f"abc123:{number};" in own._received.value
        assert (own.name == "my-song-of-2.flac") == (number == 3)
    assert own.clip == load(second) and own._incoming is None


def broken(kind, folder):
    path = folder / f"{kind}.wav"
    if kind == "text":
        path.write_text("just words")
    elif kind == "empty":
        path.write_bytes(b"")
    elif kind == "no frames":
        soundfile.write(path, np.zeros(0), 48_000)
    elif kind == "too long":
        path = folder / "too long.flac"
        soundfile.write(path, np.zeros(8_000 * 60 * (LONGEST_MIN + 1)), 8_000)
    elif kind == "too many channels":
        soundfile.write(path, np.zeros((10, MOST_CHANNELS + 1)), 48_000)
    elif kind == "not a number":
        soundfile.write(path, np.array([0.0, np.nan]), 48_000, subtype="FLOAT")
    elif kind == "rate":
        soundfile.write(path, np.zeros(100), 4_000)
    elif kind == "folder":
        path.mkdir()
    return path


@pytest.mark.parametrize(
    "kind", ("text", "empty", "no frames", "too long", "too many channels", "not a number", "rate", "folder", "missing")
)
def test_what_cant_be_loaded_says_so_in_one_sentence_and_keeps_what_was_loaded(own, tmp_path, kind):
    clip, report, lesson = own.clip, own.report, own.lesson
    path = broken(kind, tmp_path)
    with pytest.raises((ValueError, FileNotFoundError)) as error:
        own.load(path)
    one_sentence(error)
    own._path.value = str(path)
    assert own.clip is clip and own.report is report and own.lesson is lesson
    assert 'role="alert"' in own._note.value and said(own).endswith(f"{own.name} stays loaded.")
    if path.is_file():
        sent(own, path.name, path.read_bytes())
        assert own.clip is clip and "stays loaded" in said(own)


def test_a_name_cant_write_markup_into_the_page(own, second):
    sent(own, "<img src=x onerror=alert(1)>.flac", second.read_bytes())
    assert "<img" not in own._measured.value + own._note.value
    sent(own, "<b>.wav", b"nothing")
    assert "<b>.wav" not in own._note.value


def test_what_is_no_lesson_is_refused():
    with pytest.raises(ValueError, match="^lesson:") as error:
        OwnVocal("09_your_own_vocal")
    one_sentence(error)
