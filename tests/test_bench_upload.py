"""Whatever a student's page sends into lesson 09's place for a recording: loaded, or refused in one sentence, soon and
in bounded memory; what was loaded stays, nothing is left on the disk, and the next good file goes in.

The files that lie run in a process of its own, so that a hang, a crash of the library or gigabytes of memory fail the
test and do not end the run. What the page sends goes in as it does from a browser: as the button widget's state.
"""

from __future__ import annotations

import html
import io
import json
import random
import re
import subprocess
import sys
import tempfile
import time
import tracemalloc

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine
from hostile_audio import KINDS, RATE, harmed, misleading, sound, wav, with_flac_length
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab import Chain, Gain, shipped
from vocomp_lab.bench import file_box
from vocomp_lab.bench import own_vocal as bench_file
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.file_box import LONGEST_MIN
from vocomp_lab.bench.own_vocal import OwnVocal
from vocomp_lab.lessons.course import begin

# For one file of a few kilobytes, on a busy machine; they take some milliseconds.
LIMIT_S = 20.0
# The libraries take 130 MB, a minute of sound about 200 MB to measure.
LIMIT_MB = 500

CHILD = """
import json, re, resource, sys, tempfile, time
from pathlib import Path
from vocomp_lab.bench.own_vocal import OwnVocal
from vocomp_lab.lessons.course import begin

resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
folder = Path(sys.argv[1])
tempfile.tempdir = str(folder / "temporary")
own = OwnVocal(begin("01_levels_and_meters", folder / "first.wav", folder / "state"))

def send(name, data):
    own._upload.set_state({"value": [{"name": name, "type": "", "size": len(data), "last_modified": 0, "content": memoryview(data)}]})

def in_pieces(name, data):
    third = len(data) // 3 + 1
    for number in (1, 2, 3):
        send(f"piece-{number}-of-3-{own._id}-abc-{name}", data[(number - 1) * third : number * third])

def typed(name, data):
    own._path.value = ""
    own._path.value = str(folder / "in" / name)

answers = []
for path in sorted((folder / "in").iterdir()):
    for way in (send, in_pieces, typed)[: int(sys.argv[2])]:
        clip, own._note.value, started = own.clip, "", time.monotonic()
        way(path.name, path.read_bytes())
        left = [found.name for found in (folder / "temporary").iterdir()]
        answers.append([path.name, way.__name__, own._note.value, own.clip is clip, own.name, time.monotonic() - started, left])
status = Path("/proc/self/status")
peak = re.search(r"VmHWM:\\s+(\\d+) kB", status.read_text())[1] if status.exists() else 0
print(json.dumps({"answers": answers, "peak_kb": int(peak)}))
"""


def text_of(note: str) -> str:
    return html.unescape(re.sub(r"<[^>]*>", "", note))


def refused(note: str, loaded: str) -> str:
    """Assert that a note refuses in one sentence, and says what stays; give the sentence."""
    assert 'role="alert"' in note, note
    text, stays = text_of(note), f" {loaded} stays loaded."
    assert text.endswith(stays), text
    sentence = one_sentence(text.removesuffix(stays), "path: ")
    assert "Traceback" not in sentence and "Errno" not in sentence and tempfile.gettempdir() not in sentence
    return sentence


def uploaded(folder, files: dict[str, bytes], ways: int = 3) -> dict[str, bool]:
    """Which files were loaded, whole, in pieces and by their path alike; the rest were refused as they should be."""
    for name in ("in", "temporary"):
        (folder / name).mkdir()
    soundfile.write(folder / "first.wav", sine(180, 1.5, 16_000, -12), 16_000)
    for name, content in files.items():
        (folder / "in" / name).write_bytes(content)
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", CHILD, str(folder), str(ways)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, timeout=60 + 2 * len(files),
    )  # fmt: skip
    assert ran.returncode == 0, (ran.returncode, ran.stderr[-2_000:])
    found, loaded = json.loads(ran.stdout), {}
    for name, way, note, same, now, took_s, left in found["answers"]:
        assert took_s < LIMIT_S and left == [], (name, way, took_s, left)
        if same:
            refused(note, now)
        else:
            assert f"{name} is loaded." in text_of(note) and 'role="status"' in note and now == name, (name, way, note)
        assert loaded.setdefault(name, not same) is not same, (name, way, note)
    assert set(loaded) == set(files)
    assert found["peak_kb"] < 1_000 * LIMIT_MB
    return loaded


def as_bytes(samples, rate=RATE, kind="WAV", subtype="FLOAT") -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, rate, format=kind, subtype=subtype)
    return buffer.getvalue()


@pytest.mark.ci
def test_files_that_lie_are_broken_or_are_something_else(tmp_path):
    fine, broken = misleading(tmp_path)
    # A page takes at most 32 channels and 20 minutes, and believes a header that claims more.
    too_much = {"40 channels.wav", "claims 2 G frames.flac", "claims all it can.flac"}
    noise = 0.1 * np.random.default_rng(5).standard_normal(RATE // 2)
    more = {
        "mp3 as.wav": as_bytes(noise, kind="MP3", subtype="MPEG_LAYER_III"),
        "wav as.mp3": as_bytes(noise, subtype="PCM_16"),
        "3 seconds of silence.wav": as_bytes(np.zeros((3 * RATE, 2)), subtype="PCM_24"),
        "one frame.wav": as_bytes([0.5]),
        "only a step.wav": as_bytes(np.ones(RATE)),
        "3 seconds.wav": as_bytes(np.tile(noise, 6)),
        "far louder than all there is.wav": as_bytes(1e5 * noise / np.abs(noise).max()),
        "softer than all there is.wav": as_bytes(1e-30 * noise),
        "192 kHz.wav": as_bytes(noise, 192_000),
        "8 kHz.flac": as_bytes(noise, 8_000, "FLAC", "PCM_S8"),
    }
    long = as_bytes(np.zeros(40 * 60 * 8_000, np.int16), 8_000, "FLAC", "PCM_16")
    endless = {"40 minutes.flac": long, "40 minutes, unsaid.flac": with_flac_length(long, 0)}
    endless["louder than a clip may be.wav"] = as_bytes(1e30 * noise)
    loaded = uploaded(tmp_path, fine | broken | more | endless)
    assert {name for name, there in loaded.items() if there} == (fine.keys() - too_much) | more.keys()


@pytest.mark.ci
def test_ten_harmed_files_of_each_kind(tmp_path):
    files = {}
    for name, kind, subtype in KINDS:
        chance, good = random.Random(f"upload {kind} {subtype}"), sound(tmp_path, name, kind, subtype)
        files |= {f"{kind} {subtype} {number:02}.{name[2:]}": harmed(good, chance) for number in range(10)}
    loaded = uploaded(tmp_path, files, 1)
    # The harm does harm, and not only that.
    assert 0.1 < sum(loaded.values()) / len(loaded) < 0.9


# --------------------------------------------------------------------------------------------- in this process: small
# files


@pytest.fixture(scope="module")
def own(tmp_path_factory):
    folder = tmp_path_factory.mktemp("own")
    soundfile.write(folder / "first.wav", sine(180, 1.5, 16_000, -12), 16_000)
    return OwnVocal(begin("01_levels_and_meters", folder / "first.wav", folder / "state"))


GOOD = as_bytes(sine(200, 0.3, 16_000, -9), 16_000, subtype="PCM_16")


def send(own, name, data):
    """What arrives from the page, as it arrives."""
    own._upload.set_state(
        {
            "value": [
                {
                    "name": name,
                    "type": "audio/wav",
                    "size": len(data),
                    "last_modified": 1_600_000_000_000,
                    "content": memoryview(data),
                }
            ]
        }
    )


def piece(own, number, count, token, name, data):
    send(own, f"piece-{number}-of-{count}-{own._id}-{token}-{name}", data)


def takes_a_good_file(own):
    send(own, "good.wav", GOOD)
    assert own.name == "good.wav" and "good.wav is loaded." in text_of(own._note.value)
    return own.clip


@given(st.one_of(st.binary(max_size=300), st.binary(max_size=200).map(lambda tail: GOOD[:44] + tail)))
def test_any_bytes(own, data):
    clip, name, started = own.clip, own.name, time.monotonic()
    send(own, "any.wav", data)
    if own.clip is clip:
        refused(own._note.value, name)
    else:
        assert own.name == "any.wav" and len(data) > 44
    assert time.monotonic() - started < LIMIT_S


NAMES = {
    "": "upload", ".": "upload", "..": "upload", "/": "upload", "../../etc/passwd": "passwd", "C:\\takes\\mine.wav": "mine.wav",
    "<script>alert(1)</script>.wav": "script>.wav", "<img src=x onerror=alert(1)>.wav": "<img src=x onerror=alert(1)>.wav",
    "a\0b.wav": "a_b.wav", "two\nlines.wav": "two_lines.wav", "\u202egnp.wav": "_gnp.wav", "\ud800.wav": "_.wav",
    "голос и 声 🎤.wav": "голос и 声 🎤.wav", "piece-1-of-2-abc-mine.wav": "piece-1-of-2-abc-mine.wav", "no suffix": "no suffix",
    "CON.wav": "CON.wav", "&amp;.wav": "&amp;.wav",
}  # fmt: skip


@pytest.mark.parametrize("name", [*NAMES, "🎤" * 400 + ".wav", "a" * 5_000])
def test_any_name_is_shown_as_text_and_is_no_way_out_of_the_folder(own, name, tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    clip = takes_a_good_file(own)
    send(own, name, GOOD)
    assert own.clip is not clip and own.clip == clip
    assert len(own.name) <= 56 and (name not in NAMES or own.name == NAMES[name])
    for shown in (own._note.value, own._measured.value):
        assert html.escape(own.name) in shown and not re.search("<script|<img", shown)
        shown.encode()
    send(own, name, b"no sound")
    refused(own._note.value, own.name)
    assert not re.search("<script|<img", own._note.value)
    assert list(tmp_path.iterdir()) == []


PATHS = (
    "~nobody_of_this_name/take.wav", "~", "/", "/dev/zero", "/dev/stdin", "\0", "\ud800.wav", "la" * 3_000,
    "<script>x</script>.wav", "no/such/file.wav",
)  # fmt: skip


@pytest.mark.parametrize("path", PATHS)
def test_any_typed_path_is_answered(own, path):
    clip = takes_a_good_file(own)
    own._path.set_state({"value": ""})
    own._path.set_state({"value": path})
    assert own.clip is clip
    refused(own._note.value, "good.wav")
    assert "<script>" not in own._note.value
    own._note.value.encode()


def thirds(data):
    third = len(data) // 3 + 1
    return [data[:third], data[third : 2 * third], data[2 * third :]]


A, B, C = thirds(GOOD)
ORDERS = {
    "first left out": [(2, 3, "a", B), (3, 3, "a", C)],
    "one left out": [(1, 3, "a", A), (3, 3, "a", C)],
    "out of order": [(1, 3, "a", A), (3, 3, "a", C), (2, 3, "a", B)],
    "of another file": [(1, 3, "a", A), (2, 3, "b", B), (3, 3, "a", C)],
    "two pages at once": [(1, 3, "a", A), (1, 3, "b", A), (2, 3, "a", B), (2, 3, "b", B)],
    "another count": [(1, 3, "a", A), (2, 4, "a", B)],
    "again, and not the same": [(1, 3, "a", A), (1, 3, "a", C)],
    "number nought": [(0, 3, "a", A)],
    "more than there are": [(1, 3, "a", A), (4, 3, "a", B)],
    "a thousand million pieces": [(1, 10**9 - 1, "a", A)],
    "no piece at all": [(1, 0, "a", A)],
    "a huge first piece": [(1, 3, "a", bytes(5 << 20))],
}


@pytest.mark.parametrize("order", ORDERS)
def test_pieces_that_dont_fit_are_refused_at_once_and_forgotten(own, order):
    clip = takes_a_good_file(own)
    for number, count, token, data in ORDERS[order]:
        piece(own, number, count, token, "mine.wav", data)
        if 'role="alert"' in own._note.value:
            break
    assert own.clip is clip
    refused(own._note.value, "good.wav")
    assert own._incoming is None
    assert f"{token}:refused;" in own._received.value, "the page must not wait for an answer"
    takes_a_good_file(own)


def test_pieces_that_come_twice_or_after_a_page_that_left_are_put_together(own):
    takes_a_good_file(own)
    for number, data in ((1, A), (1, A), (2, B), (2, B), (3, C)):
        piece(own, number, 3, "a", "twice.wav", data)
    assert own.name == "twice.wav"
    piece(own, 1, 3, "c", "left.wav", A)
    for number, data in ((1, A), (2, B), (3, C)):
        piece(own, number, 3, "d", "after.wav", data)
    assert own.name == "after.wav" and own._incoming is None


def test_pieces_and_counts_beyond_numbers_are_no_pieces_but_a_name(own):
    takes_a_good_file(own)
    send(own, f"piece-1-of-{'9' * 5_000}-{own._id}-a-x.wav", b"no sound")
    refused(own._note.value, "good.wav")


def test_a_broken_file_in_pieces_is_refused_and_the_next_goes_in(own):
    clip = takes_a_good_file(own)
    for number, data in enumerate(thirds(b"la la la " * 100), 1):
        piece(own, number, 3, "a", "text.wav", data)
    assert own.clip is clip and own._incoming is None
    refused(own._note.value, "good.wav")
    takes_a_good_file(own)


def test_too_many_samples_are_refused_by_the_header_and_where_it_is_silent_about_them(own, monkeypatch):
    monkeypatch.setattr(file_box, "MOST_SAMPLES", 100_000)
    monkeypatch.setattr("vocomp_lab.sound.audio.BLOCK_SAMPLES", 16_384)
    clip = takes_a_good_file(own)
    wide = as_bytes(np.zeros((20_000, 8)), RATE, "FLAC", "PCM_16")
    for data in (wide, with_flac_length(wide, 0)):
        send(own, "wide.flac", data)
        assert "8 channels" in refused(own._note.value, "good.wav")
    assert own.clip is clip
    assert LONGEST_MIN * 60 * RATE <= 1 << 26, "a mono file at 48 kHz may have all the minutes that are promised"


def test_a_full_disk_and_too_little_memory_are_said(own, monkeypatch):
    clip = takes_a_good_file(own)

    def full(path, data):
        raise OSError(28, "No space left on device", str(path))

    def starved(clip):
        raise MemoryError

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    send(own, "mine.wav", GOOD)
    assert "No space left" in refused(own._note.value, "good.wav")
    monkeypatch.undo()
    monkeypatch.setattr(bench_file, "examine", starved)
    send(own, "mine.wav", GOOD)
    assert "memory" in refused(own._note.value, "good.wav")
    assert own.clip is clip and own.name == "good.wav"


VOICE = shipped("lesson_verse_faulty").clip.cut(0, 3)
ODD = {
    "silence": np.zeros((RATE, 2)), "one frame": np.array([0.5]), "a step": np.ones(RATE),
    "32 channels": np.column_stack([VOICE.samples[RATE:]] * 32)[:RATE], "whole numbers saved as floats": 32_768 * VOICE.samples,
    "far too soft": 1e-6 * VOICE.samples, "as loud as may be": 9e5 * VOICE.samples,
}  # fmt: skip


@pytest.mark.ci
@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("kind", ODD)
def test_what_is_odd_and_was_loaded_goes_through_the_cells_below(kind, tmp_path):
    soundfile.write(tmp_path / "first.wav", sine(180, 0.5, 16_000, -12), 16_000)
    own = OwnVocal(begin("09_your_own_vocal", tmp_path / "first.wav", tmp_path / "state"))
    send(own, "odd.wav", as_bytes(ODD[kind]))
    assert own.name == "odd.wav"
    lesson = own.lesson
    bench = Bench(
        lesson.clip,
        Chain([("trim", Gain(0)), *(stage for stage in lesson.chain.stages if stage[0] != "trim")]),
        stage="trim",
    )
    assert bench.result.output.frames == own.clip.frames and bench._error.value == ""
    heard, rate = soundfile.read(io.BytesIO(bytes(bench._player.sounds["clip"].value)), always_2d=True)
    assert heard.shape == own.clip.columns.shape and rate == RATE


def test_a_lying_header_takes_no_memory(own):
    """Counted by Python, which counts NumPy's arrays too: a file that claims 2 GB and holds 4 kB."""
    tracemalloc.start()
    try:
        for claimed in (2**31, 2**32 - 8):
            send(own, "claims.wav", wav(claimed))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert own.name == "claims.wav" and peak < 50e6
