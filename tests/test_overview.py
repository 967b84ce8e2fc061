"""The overview of a voice: what was begun, kept and met; starting again, and its undoing; choosing the voice in the page."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine

from vocomp_lab.bench.overview import Overview
from vocomp_lab.bench.voice_choice import VoiceChoice
from vocomp_lab.exercises import Homework
from vocomp_lab.lessons.chosen import choose_voice
from vocomp_lab.lessons.course import LESSON_STAGES, begin
from vocomp_lab.lessons.judgements import QUESTIONS, Judgement, add_judgement
from vocomp_lab.lessons.overview import next_lesson, standing, start_again, undo
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import load

LOW_CUT, PEAKS = Chain([("low cut", HighPass(70, 2))]), Chain([("peaks", Compressor(-20, 3, 1, 80))])


@pytest.fixture
def states(tmp_path, monkeypatch):
    """A folder of lessons with a hummed note of the student's own in it, chosen for all lessons; that of the sheets."""
    monkeypatch.chdir(tmp_path)
    rate = 16_000
    note = sine(180, 3, rate, -12) * (np.arange(3 * rate) / rate % 1.5 < 1.1)
    soundfile.write("hum.wav", note, rate)
    choose_voice("hum.wav")
    return tmp_path / ".state"


def shown(overview):
    return re.sub(r"<[^>]*>", " ", overview._tables.value)


def press(overview, name):
    overview._buttons[name].click()
    return re.sub(r"<[^>]*>", "", overview._said.value)


def test_what_was_kept_is_listed_with_its_goals_and_a_newer_keep_elsewhere_is_named(states):
    begin("03_filtering").keep(LOW_CUT)
    begin("04_peak_control").keep(PEAKS)
    begin("09_your_own_vocal").keep(Chain([("peaks", Compressor(-60, 20, 1, 80))]))
    rows = {row.lesson: row for row in standing(begin("04_peak_control"))}
    assert list(rows) == list(LESSON_STAGES)
    assert rows["03_filtering"].stages == "low cut; left out: boxiness, sibilance"
    assert rows["04_peak_control"].stages == "newer elsewhere: peaks" and rows["04_peak_control"].goals == ""
    assert rows["09_your_own_vocal"].goals.startswith("not met: peaks, ") and not rows["05_steady_compression"].kept
    (begin("09_your_own_vocal").folder / "06_slow_attack.begun").write_text("2026-01-31\n")
    text = shown(Overview())
    assert "2026-01-31" in text and "low cut; left out" in text and "none was answered" in text


def test_goals_that_are_met_by_what_counts_now_are_said_to_be(states):
    lesson = begin("09_your_own_vocal", "lesson_verse_faulty")
    lesson.keep_whole(lesson.chain)
    (row,) = [row for row in standing(lesson) if row.kept]
    assert row.goals == "met" and row.lesson == "09_your_own_vocal"


def test_a_lesson_still_counts_where_another_kept_the_same_later_and_the_next_one_is_named(states):
    begin("03_filtering").keep(LOW_CUT)
    lesson = begin("04_peak_control")
    assert lesson.kept == Chain([])
    lesson.keep(PEAKS)
    assert lesson.kept == PEAKS, "a bench whose cell is run again begins with it"
    rows = {row.lesson: row for row in standing(lesson)}
    last = begin("09_your_own_vocal")
    last.keep_whole(Chain([*LOW_CUT.stages, *PEAKS.stages]))
    again = {row.lesson: row for row in standing(last)}
    assert again["03_filtering"] == rows["03_filtering"] and rows["03_filtering"].stages.startswith("low cut; left out")
    assert again["04_peak_control"] == rows["04_peak_control"] and again["04_peak_control"].goals
    last.keep_whole(Chain([("low cut", HighPass(75, 2)), *PEAKS.stages]))
    assert "newer elsewhere: low cut" in {row.lesson: row for row in standing(last)}["03_filtering"].stages
    assert next_lesson(standing(last)) == "01_levels_and_meters"
    assert 'href="03_filtering.ipynb">03 filtering</a>' in Overview()._tables.value


def test_a_lesson_that_is_started_again_is_moved_aside_and_comes_back_with_what_was_newer_kept_as_well(states):
    lesson = begin("04_peak_control")
    lesson.keep(PEAKS)
    begin("03_filtering").keep(LOW_CUT)
    overview = Overview()
    assert "choose a lesson" in press(overview, "Start this lesson again")
    overview._which.value = "04_peak_control"
    assert "04_peak_control starts again" in press(overview, "Start this lesson again")
    assert begin("04_peak_control").kept == Chain([]) and begin("09_your_own_vocal").chain["low cut"] == HighPass(70, 2)
    begin("04_peak_control").keep(Chain([("peaks", Compressor(-30, 3, 1, 80))]))
    assert press(overview, "Undo").startswith("Back as it was: 04_peak_control.")
    assert begin("04_peak_control").kept == PEAKS
    (newer,) = lesson.folder.glob("aside/after_undo/*/04_peak_control.json")
    assert (
        Chain.from_dict({k: v for k, v in json.loads(newer.read_text()).items() if k != "kept_at_ns"})[
            "peaks"
        ].threshold_db
        == -30
    )
    assert "nothing to undo" in press(overview, "Undo")
    assert "All lessons start again" in press(overview, "Start all again")
    assert not list(lesson.folder.glob("*.json")) and begin("04_peak_control").kept == Chain([])
    assert "03_filtering, 04_peak_control" in press(overview, "Undo")
    assert begin("04_peak_control").kept == PEAKS and begin("03_filtering").kept == LOW_CUT
    one_sentence(pytest.raises(ValueError, start_again, lesson.folder, "05"), "lesson")


def test_another_lessons_keep_that_still_counts_is_named_and_undo_goes_back_step_by_step(states):
    lesson = begin("04_peak_control")
    lesson.keep(PEAKS)
    begin("09_your_own_vocal").keep(PEAKS)
    assert "in 09_your_own_vocal still counts" in start_again(lesson.folder, "04_peak_control")
    start_again(lesson.folder)
    assert "09_your_own_vocal" in undo(lesson.folder) and "04_peak_control" in undo(lesson.folder)
    assert "nothing to undo" in undo(lesson.folder)


def test_voices_are_listed_shown_and_chosen_and_points_are_worked_out_on_demand(states):
    begin("04_peak_control").keep(PEAKS)
    other = begin("04_peak_control", "second_verse_faulty")
    other.keep(Chain([]))
    question = next(iter(QUESTIONS))
    add_judgement(other.folder, Judgement(question, QUESTIONS[question].answers[0], "2026-02-01"))
    home = Homework("01", learner="ann", folder="homework/answers")
    home.give(1, 3)
    overview = Overview()
    assert [name for name, _ in overview._voice.options][0] == "hum.wav" and "1 tasks answered" in shown(overview)
    press(overview, "Work out homework points")
    assert re.search(r"\d+ of \d+ points", shown(overview))
    overview._voice.value = next(folder for name, folder in overview._voice.options if "second singer" in name)
    assert overview.lesson.clip == shipped("second_verse_faulty").clip and "2026-02-01" in shown(overview)
    assert "second singer" in press(overview, "All lessons about this voice")
    assert begin("01_levels_and_meters").truth is not None
    listen = overview.listen()
    assert '"before_id"' in listen._player.state_text and '"after_id"' in listen._player.state_text


def test_a_voice_is_chosen_in_the_page_and_what_cant_be_is_refused_in_a_sentence(states):
    box = VoiceChoice()
    said = lambda: re.sub(r"<[^>]*>", "", box._note.value)  # noqa: E731
    assert said() == "All lessons are about this voice: hum.wav."
    menu = next(part for part in box.widget.children if getattr(part, "description", "").startswith("Or a singer"))
    menu.value = "song_faulty"
    assert begin("04_peak_control").folder.name == "song_faulty" and menu.value == "" and "from now on" in said()
    soundfile.write("room.wav", np.zeros(16_000), 16_000)
    for wrong in ("nowhere.wav", "room.wav"):
        box._path.value = wrong
        assert wrong in said() and 'role="alert"' in box._note.value and "stays" in said()
    assert begin("04_peak_control").folder.name == "song_faulty"
    box._path.value = "hum.wav"
    assert begin("04_peak_control").clip == load("hum.wav") and VoiceChoice().choice.name == "hum.wav"
