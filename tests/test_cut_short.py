"""A file that breaks off is told from one that is whole, and from one whose header never knew its length."""

from __future__ import annotations

import json
import struct

import numpy as np
import pytest
import soundfile
from conftest import one_sentence
from hostile_audio import wav

from vocomp_lab.__main__ import main
from vocomp_lab.analysis.file_levels import measure_file
from vocomp_lab.analysis.file_render import render_file
from vocomp_lab.commands import FINE
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import SoundReader

RATE = 48_000
KINDS = {
    "a.wav": ("WAV", "PCM_16"),
    "x.wav": ("WAVEX", "PCM_24"),
    "m.wav": ("WAV", "MS_ADPCM"),
    "a.rf64": ("RF64", "FLOAT"),
    "a.w64": ("W64", "PCM_16"),
    "a.aiff": ("AIFF", "PCM_16"),
    "a.ogg": ("OGG", "VORBIS"),
    "o.ogg": ("OGG", "OPUS"),
    "a.mp3": ("MP3", "MPEG_LAYER_III"),
}


def written(folder, name):
    kind, subtype = KINDS[name]
    noise = 0.1 * np.random.default_rng(4).standard_normal((3 * RATE, 2))  # a tone would take one page of OGG
    soundfile.write(str(folder / name), noise, RATE, format=kind, subtype=subtype)
    return folder / name


def read(path):
    """What is said of a file that was read to its end, and its length in seconds."""
    with SoundReader(path) as reader:
        for _ in reader.blocks():
            pass
        return reader.cut_short(), reader.frames_read / reader.rate


@pytest.mark.parametrize("name", KINDS)
def test_a_torn_copy_is_told_and_a_whole_one_is_not(tmp_path, name):
    path = written(tmp_path, name)
    whole = path.read_bytes()
    for rubbish in (b"", bytes(range(1, 200))):
        path.write_bytes(whole + rubbish)
        assert read(path)[0] is None
    path.write_bytes(whole[: len(whole) * 6 // 10])
    says, seconds = read(path)
    assert 0.3 < seconds < 2.2
    stated = (
        "before its closing page"
        if name.endswith(".ogg")
        else f"{seconds:.2f} s of {'2.97' if name == 'm.wav' else '3.00'} s"
    )
    one_sentence(says, f"path: '{name}' is shorter than it says: ", stated, "copy or export it again")
    assert measure_file(path).cut_short == says


def test_an_ogg_file_cut_between_two_pages_is_told(tmp_path):
    path = written(tmp_path, "a.ogg")
    whole = path.read_bytes()
    path.write_bytes(whole[: whole.rindex(b"OggS")])
    assert "closing page" in read(path)[0]


def test_one_lost_frame_is_told_in_frames(tmp_path):
    (tmp_path / "a.wav").write_bytes(wav(4_004))
    assert "1000 of 1001 frames" in read(tmp_path / "a.wav")[0]


@pytest.mark.parametrize("claimed", [0x7FFFF000, 2**31 - 1, 2**31, 2**32 - 1, 2**32 - 8])
def test_a_length_that_nobody_knew_is_no_length(tmp_path, claimed):
    """As programs write it into a pipe."""
    (tmp_path / "a.wav").write_bytes(wav(claimed))
    assert read(tmp_path / "a.wav") == (None, 1_000 / RATE)


def test_chunks_before_the_data_are_passed(tmp_path):
    """Also one of an odd length, behind which there is one byte more."""
    content = wav(8_000)
    at = content.index(b"data")
    (tmp_path / "a.wav").write_bytes(content[:at] + b"note" + struct.pack("<I", 5) + b"data!\0" + content[at:])
    assert "0.02 s of 0.04 s" in read(tmp_path / "a.wav")[0]


def test_an_mp3_without_an_information_header_says_nothing(tmp_path):
    """The library then guesses a length from the size."""
    path = written(tmp_path, "a.mp3")
    content = path.read_bytes().replace(b"Xing", b"none").replace(b"Info", b"none")
    path.write_bytes(content[: len(content) // 2])
    assert read(path)[0] is None


def test_the_commands_say_it_and_go_on(tmp_path, capsys):
    path = written(tmp_path, "a.wav")
    path.write_bytes(path.read_bytes()[:192_044])
    (tmp_path / "sheet.json").write_text(Chain([("down", Gain(-3))]).to_json())
    says = "path: 'a.wav' is shorter than it says: 1.00 s of 3.00 s are there; copy or export it again."
    assert main(["measure", str(path)]) == FINE
    captured = capsys.readouterr()
    assert captured.err.strip() == says and "0:00:01.0" in captured.out
    assert main(["measure", "--json", str(path)]) == FINE
    assert json.loads(capsys.readouterr().out)[0]["cut_short"] == says
    out = str(tmp_path / "out.wav")
    assert main(["render", str(path), "--sheet", str(tmp_path / "sheet.json"), "-o", out, "--no-report"]) == FINE
    assert capsys.readouterr().err.strip() == says
    report = json.loads(render_file(path, Chain(), out, overwrite=True).to_json())
    assert report["input"]["cut_short"] == says and report["output"]["cut_short"] is None
