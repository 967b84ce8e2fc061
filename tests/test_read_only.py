"""A folder of lessons in which nothing can be written: everything answers, and then says where to copy the folder."""

from __future__ import annotations

import ctypes
import html
import json
import os
import re
import sys
from contextlib import contextmanager
from datetime import datetime

import pytest
import soundfile
from conftest import one_sentence

from vocomp_lab import Chain, Compressor, Gain, begin, shipped
from vocomp_lab.bench import Bench, ExportBox, JudgementBox, KeepChoice, OwnVocal, VoiceChoice, skill
from vocomp_lab.bench.practice import PracticeBench
from vocomp_lab.bench.skill import SkillBench
from vocomp_lab.exercises import Homework
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.jupyter.classroom import hand_out
from vocomp_lab.lessons.chosen import choose_voice
from vocomp_lab.lessons.recording import save_take
from vocomp_lab.lessons.skill import SkillTake
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.sound.files import write_whole

pytestmark = [
    pytest.mark.skipif(os.name == "nt", reason="Windows has no folders that their owner may not write to"),
    pytest.mark.usefixtures("undrawn"),
]
RIGHTS_THAT_PASS_OVER_MODES = 1 << 1  # CAP_DAC_OVERRIDE


@contextmanager
def as_anybody():
    """Without an administrator's right to write everywhere (Linux), in this thread: tests often run as one."""
    if os.geteuid() != 0:
        yield
        return
    assert sys.platform.startswith("linux"), "run this test as an ordinary user"
    libc = ctypes.CDLL(None, use_errno=True)
    head, before = (ctypes.c_uint32 * 2)(0x20080522, 0), (ctypes.c_uint32 * 6)()
    assert libc.capget(head, before) == 0
    fewer = (ctypes.c_uint32 * 6)(*before)
    fewer[0] &= ~RIGHTS_THAT_PASS_OVER_MODES
    assert libc.capset(head, fewer) == 0
    try:
        yield
    finally:
        assert libc.capset(head, before) == 0


@pytest.fixture
def locked(tmp_path, monkeypatch):
    """A copy of the lessons that can't be written to; one works in it, and the home folder is elsewhere."""
    book = tmp_path / "book"
    hand_out(book)
    soundfile.write(tmp_path / "mine.wav", shipped("lesson_verse_clean").clip.cut(2, 6).samples, 48_000)
    folders = [book, *(path for path in book.rglob("*") if path.is_dir())]
    monkeypatch.setenv("HOME", "/elsewhere")
    monkeypatch.chdir(book)
    for folder in folders:
        folder.chmod(0o555)
    try:
        with as_anybody():
            with pytest.raises(PermissionError):
                write_whole(book / "x", "")
            yield book
    finally:
        for folder in folders:
            folder.chmod(0o755)
    assert not [path for path in book.rglob("*") if path.is_file() and path.suffix != ".ipynb"]


def says_where(text, book):
    """Whether one sentence in a text says that nothing could be kept, why, and where to copy the folder."""
    text = html.unescape(re.sub("<[^>]*>", " ", text))
    told = re.findall(r"Nothing could be kept, because .*?\.(?=\s|$)", text)
    assert len(told) == 1, text
    one_sentence(
        told[0], f"{book} can't be written to (Permission denied)", "copy that folder to /elsewhere/vocal_workbook"
    )
    return text


def test_a_homework_is_judged_and_its_tally_names_no_file(locked, monkeypatch):
    monkeypatch.chdir(locked / "homework")
    home = Homework("04", "ann")
    assert "they are kept" not in repr(home)
    right = pose("04", tasks_of("04")[0], "ann").answer
    assert "nothing to hand in" in repr(home.tally()) and "answers/" not in repr(home.tally())
    assert "✘ not yet" in says_where(repr(home.give(1, 0.123)), locked)
    assert "✘ not yet (try 2)" in says_where(repr(home.give(1, 0.5)), locked), "the tries of this page count"
    assert "hint 1" in says_where(repr(home.hint(1)), locked)
    assert "✔ right (try 3)" in says_where(repr(home.give(1, right)), locked)
    assert "opens once" not in repr(home.solution(1))
    tally = says_where(repr(home.tally()), locked)
    assert "✔ right" in tally and "Hand in" not in tally and "homework_04_ann.json" not in tally


def test_what_a_page_could_not_keep_is_written_once_it_can_be(tmp_path, monkeypatch):
    """Beside what another page has kept meanwhile."""
    one, other = Homework("04", "ann", tmp_path), Homework("04", "ann", tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        assert "make room there" in repr(one.give(1, 0.123))
    assert "Nothing could be kept" not in repr(other.give(5, 1.0))
    assert "Nothing could be kept" not in repr(one.give(1, 0.123)), (
        "the same answer again is no try, but is written now"
    )
    kept = Homework("04", "ann", tmp_path)._sheet
    assert kept.entry(tasks_of("04")[0].id).tries == 1 and kept.entry(tasks_of("04")[4].id).tries == 1


def test_keep_says_it_in_a_sentence(locked):
    lesson = begin("04_peak_control", "../mine.wav")
    says_where(lesson.keep(Chain([("peaks", Compressor(-20, 3, 1, 80))])), locked)
    assert not lesson.kept.stages, "nothing is taken for kept"
    choice = KeepChoice(
        begin("09_your_own_vocal", "../mine.wav"), {"Keep this": Chain([("low cut", HighPass(70, 2))])}, whole=True
    )
    assert choice.keep("Keep this") in says_where(choice._told.value, locked)


def test_lesson_09_goes_on_with_what_was_loaded(locked):
    own = OwnVocal(begin("09_your_own_vocal", shipped("lesson_verse_clean").clip.cut(2, 9)))
    own._path.value = str(locked.parent / "mine.wav")
    assert "mine.wav is loaded. Now run the cells below." in says_where(own._note.value, locked)
    assert own.lesson.clip.duration_s == 4 and own.lesson.about == "mine.wav"
    own.backing._path.value = str(locked.parent / "mine.wav")
    says_where(own.backing._note.value, locked)
    own._choose(lambda: choose_voice("second_verse_faulty"))  # what a singer in the menu does
    says_where(own._note.value, locked)
    with pytest.raises(ValueError) as error:
        save_take(own.clip, locked, datetime.now())
    says_where(str(error.value), locked)
    box = ExportBox(Bench(own.clip.cut(0, 1), Gain(0)), own.name)
    assert box.write() is None
    says_where(box._told.value, locked)


def test_the_voice_of_all_lessons_stays(locked):
    choice = VoiceChoice()
    choice._path.value = str(locked.parent / "mine.wav")
    assert "The voice stays the workbook's first singer" in says_where(choice._note.value, locked)


def test_the_learners_record_answers(locked, monkeypatch):
    """Ear, hand and judgement."""
    lesson = begin("10_ear_practice", shipped("lesson_verse_clean").clip.cut(2, 9))
    practice = PracticeBench(lesson, "more", trials=4, seed=3)
    for trial in range(4):
        plays = [[slot, 100.0 + n, 1.0] for n, slot in enumerate(["first", "second"] * (trial + 1))]
        practice._player._plays.value = json.dumps(plays)
        practice.answer(practice._now.right)
    assert "tell yet" in says_where(practice._status.value, locked) and "4 of 4 right" in practice._status.value
    monkeypatch.setattr(
        skill, "make_skill_take", lambda task, seed: SkillTake(task, lesson.clip, Compressor(-20, 3, 1, 80))
    )
    hand = SkillBench(lesson, "peaks", seed=2)
    hand.start()
    monkeypatch.setattr(skill, "LIMIT_S", 0.0)
    hand.done()
    assert "Time is up" in says_where(hand._status.value, locked) and not hand._start.disabled
    box = JudgementBox(lesson)
    box._answer.value = box._answer.options[1][1]
    box.write_down()
    says_where(box._said.value, locked)
