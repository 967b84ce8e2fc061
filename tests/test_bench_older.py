"""Cells that go by a bench further up: they say when they are older than it; and files are written at a button only."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from vocomp_lab import Chain, Compressor, Gain, HighPass, integrated_lufs, load, shipped
from vocomp_lab.bench import bench as bench_module
from vocomp_lab.bench import style_menu
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.export_box import ExportBox
from vocomp_lab.bench.older import OlderLine
from vocomp_lab.bench.style_menu import StyleMenu
from vocomp_lab.lessons.blind import PreferenceSession
from vocomp_lab.lessons.report import examine
from vocomp_lab.lessons.take_along import take_along

pytestmark = pytest.mark.usefixtures("undrawn")
CHAIN = Chain([("trim", Gain(0)), ("low cut", HighPass(90, 3)), ("peaks", Compressor(-26, 3, 1, 80))])


@pytest.fixture(scope="module")
def clip():
    return shipped("lesson_verse_faulty").clip.cut(0, 4)


@pytest.fixture
def bench(clip):
    return Bench(clip, CHAIN, stage="peaks")


def test_a_line_further_down_says_when_the_bench_was_moved_and_a_button_runs_the_rest(bench, monkeypatch):
    shown = []
    monkeypatch.setattr(bench_module, "display", shown.append)
    bench.say_when_older()
    told = shown[0].children[1]
    assert told.value == ""
    bench.set(threshold_db=-30)
    assert "Older than the bench" in told.value and 'role="status"' in told.value
    assert "data-vocomp-run-below" in told.value
    bench.set(threshold_db=-26)
    assert told.value == "", "it is as it was"
    for way in (lambda: bench.leave_out("low cut"), lambda: bench.put_back("trim", Gain(2))):
        way()
        assert told.value
        bench.leave_out("low cut", on=False)
        bench.put_back("trim", Gain(0))
        bench.set(threshold_db=-26)
        assert told.value == ""


def test_a_cell_that_goes_by_a_card_says_when_another_is_chosen(monkeypatch):
    shown, menu = [], StyleMenu()
    monkeypatch.setattr(style_menu, "display", shown.append)
    menu.say_when_older()
    told = shown[0].children[1]
    assert told.value == ""
    menu.style = "rap"
    assert "Older than the card" in told.value and "data-vocomp-run-below" in told.value
    menu.style = None
    assert told.value == ""


def test_a_line_asks_only_whether_what_it_goes_by_is_the_same():
    what = [1]
    line = OlderLine(lambda: tuple(what))
    what.append(2)
    assert line.older and not line.widget.children[1].value
    line.look()
    assert line.widget.children[1].value


def test_nothing_is_written_before_the_button_and_then_by_the_bench_as_it_is_set(bench, tmp_path):
    box = ExportBox(bench, "verse", tmp_path / "my_vocal")
    assert not list(tmp_path.iterdir()) and "Nothing is written until" in box._told.value
    bench.set(ratio=4)
    taken = box.write()
    assert {path.name for path in taken.folder.iterdir()} == {
        *("vocal.wav", "vocal_louder.flac", "settings.json", "settings.html"),
    }
    assert Chain.from_json((taken.folder / "settings.json").read_text("utf-8")) == bench.chain
    assert "the same chain" in box._told.value and "4" in box._page.value
    assert box.write().folder.name == "my_vocal_2", "nothing is overwritten"
    with pytest.raises(ValueError, match="^bench: "):
        ExportBox(CHAIN, "verse")


def test_a_folder_that_cannot_be_made_is_told_in_a_sentence(bench, tmp_path):
    (tmp_path / "file").write_text("")
    box = ExportBox(bench, "verse", tmp_path / "file" / "my_vocal")
    assert box.write() is None and "Nothing could be kept" in box._told.value


def test_the_louder_file_is_left_out_where_it_would_be_the_same(clip, tmp_path):
    """Behind one sample at full scale, the peaks hold both files at the same gain."""
    samples = clip.gained(-30).columns.copy()
    samples[len(samples) // 2] = 0.999
    spiky = clip.with_samples(samples)
    taken = take_along(Chain([("trim", Gain(0))]).apply(spiky), "spiky", tmp_path / "out")
    assert not (taken.folder / "vocal_louder.flac").exists() and any("No louder file" in line for line in taken.lines)
    softer = take_along(Chain([("trim", Gain(0))]).apply(clip), "verse", tmp_path / "out")
    loud = [integrated_lufs(load(softer.folder / name)) for name in ("vocal.wav", "vocal_louder.flac")]
    assert loud[1] > loud[0] + 0.1 and Path(taken.folder) != Path(softer.folder)


def test_the_result_of_a_blind_test_names_what_was_compared():
    session = PreferenceSession(("A", "B", "A"))
    for answer in ("1", "1", "2"):
        session = session.answer(answer)
    named = dataclasses.replace(session.result(), names=("your chain", "the rival"))
    told = f"{named}\n{named.by_trial}"
    assert told.startswith("The rival preferred in 2 of 3 trials, your chain in 1.")
    assert "your chain, the rival, the rival." in told and not re.search(r"\bB\b|\bA preferred", told)


@pytest.mark.ci
def test_a_word_that_stands_out_has_its_row_in_the_diagnosis():
    faulty, clean = (examine(shipped(f"lesson_verse_{kind}").clip)["single words"] for kind in ("faulty", "clean"))
    truth = shipped("lesson_verse_faulty").truth
    (word,) = [word for word in truth["words"] if word["text"] == "silver"]
    at_s = float(re.search(r": ([\d.]+) s", faulty.measured)[1])
    assert faulty.fine is False and word["start_s"] - 0.2 < at_s < word["end_s"] and faulty.lesson == "02"
    assert clean.fine and np.isclose(clean.value, 0)
