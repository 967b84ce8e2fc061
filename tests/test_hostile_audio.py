"""Broken, mislabelled and malicious files: one clear sentence or a valid clip, quickly and in little memory.

The heavy part runs in a process of its own: a hang, a crash of the library or an allocation of gigabytes then fails the
test without ending the run.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile
from conftest import need_program, one_sentence
from hostile_audio import KINDS, RATE, harmed, misleading, sound, wav
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab.analysis.file_levels import measure_file
from vocomp_lab.analysis.file_render import render_file
from vocomp_lab.commands import FAILED
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound import audio
from vocomp_lab.sound.audio import Clip, load, save

pytestmark = pytest.mark.ci

CHAIN = Chain([("peaks", Compressor(-20, 3, 1, 60))])
# For one file of a few kilobytes on a busy machine; a few milliseconds are normal.
LIMIT_S = 60.0
HARMED = 100
"""Harmed files, over all kinds of file in turns."""

# What each of the three ways in says of the files it gets, as JSON: "fine", or the kind and text of the error.
JUDGE = """
import json, re, resource, sys, time
from pathlib import Path
from vocomp_lab.sound.audio import Clip, load
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.analysis.file_levels import measure_file
from vocomp_lab.analysis.file_render import render_file

resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
chain, answers = Chain([("peaks", Compressor(-20, 3, 1, 60))]), []
folder = Path(sys.argv[1])
ways = {
    "load": lambda path: isinstance(load(path), Clip),
    "measure": measure_file,
    "render": lambda path: render_file(path, chain, folder / "out" / "rendered.wav", overwrite=True),
}
for path in sorted((folder / "in").iterdir()):
    for way, do in ways.items():
        started = time.monotonic()
        try:
            do(path)
            said = "fine"
        except Exception as error:
            said = f"{type(error).__name__}: {error}"
        answers.append([path.name, way, said, time.monotonic() - started])
# getrusage would count the process that started this one, too.
status = Path("/proc/self/status")
peak = re.search(r"VmHWM:\\s+(\\d+) kB", status.read_text())[1] if status.exists() else 0
print(json.dumps({"answers": answers, "peak_kb": int(peak)}))
"""


def judged(folder, files: dict[str, bytes]) -> dict[str, dict[str, str]]:
    """What `load`, `measure` and `render` say of files, within their time and in bounded memory."""
    (folder / "in").mkdir()
    (folder / "out").mkdir()
    for name, content in files.items():
        (folder / "in" / name).write_bytes(content)
    # The library prints notes about MP3 on the error stream.
    ran = subprocess.run(
        [sys.executable, "-c", JUDGE, str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        timeout=300,
    )
    assert ran.returncode == 0, (ran.returncode, ran.stderr[-2_000:])
    found = json.loads(ran.stdout)
    answers: dict[str, dict[str, str]] = {}
    for name, way, said, took_s in found["answers"]:
        assert took_s < LIMIT_S, (name, way, took_s)
        if said != "fine":
            kind, text = said.split(": ", 1)
            assert kind == "ValueError", (name, way, said)
            one_sentence(text, "path: ")
        answers.setdefault(name, {})[way] = said
    assert set(answers) == set(files)
    assert found["peak_kb"] < 600_000
    # Nothing half-written is left, whatever happened.
    assert {path.name for path in (folder / "out").iterdir()} <= {"rendered.wav"}
    return answers


# ----------------------------------------------------------------------------------------------------- made to mislead


def test_headers_that_lie_and_files_that_are_something_else(tmp_path):
    fine, refused = misleading(tmp_path)
    answers = judged(tmp_path, fine | refused)
    for name in fine:
        assert set(answers[name].values()) == {"fine"}, (name, answers[name])
    for name in refused:
        assert "fine" not in answers[name].values(), (name, answers[name])
    assert "frame 123" in answers["not a number.wav"]["load"] and "384000" in answers["384 kHz.wav"]["measure"]


def test_harmed_files_of_each_kind(tmp_path):
    chance = random.Random("harm")
    good = {name: sound(tmp_path, name, kind, subtype) for name, kind, subtype in KINDS}
    names = [list(good)[number % len(good)] for number in range(HARMED)]
    answers = judged(tmp_path, {f"{number:03}-{name}": harmed(good[name], chance) for number, name in enumerate(names)})
    # The harm does harm, and not only that; OGG has a checksum over all bytes, so that hardly any harm passes there.
    for name in good:
        fine = [set(said.values()) == {"fine"} for harmed_name, said in answers.items() if harmed_name.endswith(name)]
        assert not all(fine) and (any(fine) or name.endswith(".ogg")), name


HEADS = {"WAV": wav(400, bytes(range(100)) * 4), "FLAC": None}


@given(data=st.data())
def test_any_bytes_in_a_header(data, tmp_path_factory):
    folder = tmp_path_factory.getbasetemp()
    kind = data.draw(st.sampled_from(sorted(HEADS)))
    if HEADS[kind] is None:
        HEADS[kind] = sound(folder, "head.flac", "FLAC", "PCM_16", 1)
    content = bytearray(HEADS[kind])
    for at, value in data.draw(
        st.dictionaries(st.integers(0, 60), st.integers(0, 255), min_size=1, max_size=6)
    ).items():
        content[at] = value
    path = folder / "any.wav"
    path.write_bytes(content)
    started = time.monotonic()
    for do in (load, measure_file):
        try:
            do(path)
        except ValueError as error:
            one_sentence(error, "path: 'any.wav'")
    assert time.monotonic() - started < LIMIT_S


def test_an_mp3_by_another_name_is_what_it_sounds_like(tmp_path):
    """Made by FFmpeg. The library goes by a file's content; where it can't read MP3 it says so."""
    ffmpeg = need_program("ffmpeg")
    tone = tmp_path / "tone.mp3"
    subprocess.run(
        [ffmpeg, "-v", "error", "-f", "lavfi", "-i", "sine=440:d=2", "-f", "mp3", str(tone)], check=True, timeout=60
    )
    said = judged(tmp_path, {"song.wav": tone.read_bytes()})["song.wav"]
    assert len({text == "fine" for text in said.values()}) == 1


@pytest.mark.parametrize("kind", ["flac", "wav"])
def test_what_a_program_wrote_into_a_pipe_is_read_in_full(kind, tmp_path):
    """Made by FFmpeg: a header written before the length was known."""
    ffmpeg = need_program("ffmpeg")
    made = subprocess.run(
        [ffmpeg, "-v", "error", "-f", "lavfi", "-i", "sine=440:d=3:r=48000", "-f", kind, "-"],
        capture_output=True,
        timeout=60,
    )
    path = tmp_path / f"piped.{kind}"
    path.write_bytes(made.stdout)
    assert load(path).frames == 3 * RATE and measure_file(path).duration_s == 3.0
    assert render_file(path, CHAIN, tmp_path / "out.wav").after.duration_s == 3.0
    assert soundfile.info(str(tmp_path / "out.wav")).format == "WAV"


# ------------------------------------------------------------------------------------------------ no files, or not ours


def test_what_is_no_ordinary_file_is_not_opened(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    started = time.monotonic()
    for path in (
        tmp_path,
        tmp_path / "pipe.wav",
        tmp_path / "missing.wav",
        tmp_path / "a\0b.wav",
        "/dev/zero",
        "/dev/null",
    ):
        for do in (load, measure_file, lambda path: render_file(path, CHAIN, tmp_path / "out.wav")):
            with pytest.raises((FileNotFoundError, ValueError)) as caught:
                do(path)
            one_sentence(caught)
    assert time.monotonic() - started < LIMIT_S
    assert [path.name for path in tmp_path.iterdir()] == ["pipe.wav"]


@pytest.mark.parametrize("path", [None, 3, 1.5, b"take.wav", ["take.wav"]])
def test_what_is_no_name_is_refused(path):
    with pytest.raises(ValueError) as caught:
        load(path)
    one_sentence(caught, "path: ", "name of a file")


def test_a_very_long_name_is_one_sentence():
    with pytest.raises(ValueError) as caught:
        load("la" * 1_000 + ".wav")
    one_sentence(caught, "path: ", "too long")


def test_a_file_that_may_not_be_read_is_one_sentence(tmp_path_factory):
    """Read by a child process without privileges, since an administrator may read everything."""
    folder = tmp_path_factory.getbasetemp() / "private"
    folder.mkdir()
    path = save(Clip(np.zeros(100), RATE), folder / "mine.wav")
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:  # no exception may leave this branch, or the child would go on with the tests
        said = b"nothing"
        try:
            path.chmod(0)
            if os.geteuid() == 0:
                # The user "nobody" must be able to get to the file; only the file itself is closed.
                os.chdir(folder)
                os.setgroups([])
                os.setgid(65_534)
                os.setuid(65_534)
            try:
                load("mine.wav" if os.getcwd() == str(folder) else path)
                said = b"read"
            except ValueError as error:
                said = f"ValueError {error}".encode()
            except BaseException as error:
                said = f"{type(error).__name__} {error}".encode()
        finally:
            os.write(writing, said)
            os._exit(0)
    os.close(writing)
    said = b"".join(iter(lambda: os.read(reading, 4_096), b"")).decode()
    os.close(reading)
    os.waitpid(child, 0)
    path.chmod(0o600)
    assert said.startswith("ValueError "), said
    one_sentence(said.removeprefix("ValueError "), "'mine.wav'", "you may not open or change it; choose")


# ------------------------------------------------------------------------------------------------------------- too long


def test_more_than_fits_in_memory_is_refused_by_load_and_measured_in_blocks(tmp_path, monkeypatch):
    """As FLAC, an hour of silence takes a few kilobytes; here the limit is small instead."""
    monkeypatch.setattr(audio, "MAX_LOADED_SAMPLES", 100_000)
    monkeypatch.setattr(audio, "BLOCK_SAMPLES", 16_384)
    path = save(Clip(np.zeros((50_001, 2)), RATE), tmp_path / "long.flac")
    with pytest.raises(ValueError) as caught:
        load(path)
    one_sentence(caught, "path: 'long.flac'", "python -m vocomp_lab render")
    assert measure_file(path).duration_s == 50_001 / RATE
    assert load(save(Clip(np.zeros((50_000, 2)), RATE), tmp_path / "fits.flac")).frames == 50_000


def test_an_error_in_the_middle_of_a_file_is_one_sentence_and_renders_nothing(tmp_path):
    noise = 0.1 * np.random.default_rng(6).standard_normal((RATE * 8, 2))
    good = save(Clip(noise, RATE), tmp_path / "good.flac").read_bytes()
    middle = len(good) // 2
    (tmp_path / "torn.flac").write_bytes(good[:middle])
    (tmp_path / "hole.flac").write_bytes(good[:middle] + bytes(20_000) + good[middle + 20_000 :])
    for name in ("torn.flac", "hole.flac"):
        try:
            written = render_file(tmp_path / name, CHAIN, tmp_path / "out.wav", overwrite=True).after.duration_s
            assert 0 < written <= 8.0 and load(tmp_path / "out.wav").duration_s == written
        except ValueError as error:
            one_sentence(error, f"path: '{name}'")
            assert not (tmp_path / "out.wav").exists()
        (tmp_path / "out.wav").unlink(missing_ok=True)
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_the_commands_say_it_in_one_line(tmp_path):
    (tmp_path / "text.wav").write_text("la la la")
    (tmp_path / "sheet.json").write_text(CHAIN.to_json())
    for arguments in (
        ["measure", tmp_path / "text.wav"],
        ["render", tmp_path / "text.wav", "--sheet", tmp_path / "sheet.json", "-o", tmp_path / "out.wav"],
    ):
        shown = subprocess.run(
            [sys.executable, "-m", "vocomp_lab", *map(str, arguments)], capture_output=True, text=True, timeout=60
        )
        assert shown.returncode == FAILED
        one_sentence(shown.stderr.strip(), "path: 'text.wav'")
