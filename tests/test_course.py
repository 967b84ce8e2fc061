"""A lesson begins where the ones before left off, with proposals where nothing was kept, and keeps only its own
stages."""

from __future__ import annotations

import os
import re
import time

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine

from vocomp_lab.bench.bench import Bench
from vocomp_lab.lessons.chosen import choose_voice
from vocomp_lab.lessons.course import LESSON_STAGES, ORDER, begin
from vocomp_lab.lessons.proposals import STAGES
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.character import character
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, load

pytestmark = pytest.mark.usefixtures("undrawn")
LESSONS = tuple(LESSON_STAGES)


@pytest.fixture
def take(tmp_path):
    """Two seconds of a hummed note and some rumble, as a file: quick to begin a lesson with."""
    rate = 16_000
    note = sine(180, 3, rate, -12) * (np.arange(3 * rate) / rate % 1.5 < 1.1) + sine(25, 3, rate, -30)
    soundfile.write(tmp_path / "my take.wav", note, rate, subtype="FLOAT")
    return tmp_path / "my take.wav"


def test_the_stages_of_the_course_are_those_that_are_proposed_in_the_same_order():
    assert tuple(STAGES) == ORDER
    assert {stage for stages in LESSON_STAGES.values() for stage in stages} == set(ORDER)


def test_the_first_lesson_takes_the_clip_as_recorded(tmp_path):
    lesson = begin("01_levels_and_meters", folder=tmp_path)
    assert lesson.chain == Chain([]) and lesson.voice == lesson.clip == shipped("lesson_verse_faulty").clip
    assert (
        str(lesson).splitlines()[-1].startswith("As recorded")
        and lesson.truth["words"]
        and list(tmp_path.iterdir()) == []
    )


def test_what_a_lesson_kept_is_where_the_next_begins(tmp_path):
    lesson = begin("03_filtering", folder=tmp_path)
    assert dict(lesson.chain.stages).keys() == {"level prep"} and lesson.origins["level prep"].startswith("proposed (")
    said = lesson.keep(Chain([("low cut", HighPass(70, 2))]))
    assert "Kept low cut" in said and "03_filtering.json" in said
    following = begin("04_peak_control", folder=tmp_path)
    assert following.chain["low cut"] == HighPass(70, 2) and following.origins["low cut"] == "kept in 03_filtering"
    assert "boxiness" not in dict(following.chain.stages), "kept without it: none is wanted"
    assert following.voice == following.chain.apply(following.clip).output == following.result.output
    assert begin("03_filtering", folder=tmp_path).kept == Chain([("low cut", HighPass(70, 2))])


def test_a_later_lesson_may_set_a_stage_anew_and_the_latest_counts(tmp_path, take):
    begin("04_peak_control", take, tmp_path).keep(Chain([("peaks", Compressor(-20, 3, 1, 80))]))
    begin("08_the_vocal_in_the_mix", take, tmp_path).keep(
        Chain([("peaks", Compressor(-18, 4, 1, 80)), ("trim", Gain(2))])
    )
    last = begin("09_your_own_vocal", take, tmp_path)
    assert (
        last.chain["peaks"] == Compressor(-18, 4, 1, 80) and last.origins["peaks"] == "kept in 08_the_vocal_in_the_mix"
    )
    for earlier in ("04_peak_control", "05_steady_compression"):
        again = begin(earlier, take, tmp_path)
        assert dict((again.kept if earlier.startswith("04") else again.chain).stages)["peaks"] == last.chain["peaks"]
    assert [name for name, _ in last.chain.stages][0] == "trim"
    begin("04_peak_control", take, tmp_path).keep(Chain([("peaks", Compressor(-24, 3, 1, 80))]))
    for later in ("05_steady_compression", "08_the_vocal_in_the_mix", "09_your_own_vocal"):
        assert begin(later, take, tmp_path).chain["peaks"] == Compressor(-24, 3, 1, 80), "the newest counts, both ways"


def test_a_bench_can_be_kept_and_only_the_lessons_own_stages_are(tmp_path, take):
    lesson = begin("04_peak_control", take, tmp_path)
    bench = Bench(lesson.voice, Chain([("low cut", HighPass(60)), ("peaks", Compressor(-20, 3, 1, 80))]), stage="peaks")
    assert "Kept peaks" in lesson.keep(bench)
    assert begin("04_peak_control", take, tmp_path).kept == Chain([("peaks", Compressor(-20, 3, 1, 80))])
    with pytest.raises(ValueError, match="can't be kept by 04_peak_control") as error:
        lesson.keep(Chain([("steady", Compressor(-20, 3, 1, 80))]))
    one_sentence(error, "'steady'")
    with pytest.raises(ValueError, match="^stages: float is not allowed") as error:
        lesson.keep(3.0)
    one_sentence(error)
    assert lesson.keep(Chain([])).startswith("Kept no stage")
    assert "peaks" not in dict(begin("05_steady_compression", take, tmp_path).chain.stages)


def test_a_stage_that_was_left_out_stays_out_until_it_is_kept_again(tmp_path, take):
    lesson = begin("03_filtering", take, tmp_path)
    stages = Chain([("low cut", HighPass(70, 2)), ("boxiness", Peaking(400, -3, 2))])
    said = lesson.keep(Bench(lesson.voice, stages, left_out=["boxiness"]))
    assert said.startswith("Kept low cut (left out: boxiness)"), said
    following = begin("04_peak_control", take, tmp_path)
    assert [name for name, _ in following.chain.stages if name in ("low cut", "boxiness")] == ["low cut"]
    assert following.origins["boxiness"] == "left out in 03_filtering"
    assert "boxiness: left out in 03_filtering" in str(following)
    # Lesson 08 keeps only what it changes, so it has to say what is to be left out.
    begin("08_the_vocal_in_the_mix", take, tmp_path).keep(Chain([]), left_out=["low cut"])
    assert "low cut" not in dict(begin("09_your_own_vocal", take, tmp_path).chain.stages)
    assert begin("05_steady_compression", take, tmp_path).origins["low cut"] == "left out in 08_the_vocal_in_the_mix"
    assert "low cut" not in dict(begin("03_filtering", take, tmp_path).kept.stages)
    # What 08 keeps is where 08b begins; 08b has the last word.
    begin("08_the_vocal_in_the_mix", take, tmp_path).keep(Chain([("boxiness", Peaking(300, -2, 2))]))
    assert begin("08b_judging_your_work", take, tmp_path).origins["boxiness"] == "kept in 08_the_vocal_in_the_mix"
    last = begin("09_your_own_vocal", take, tmp_path)
    assert last.chain["boxiness"] == Peaking(300, -2, 2) and last.chain["low cut"] == HighPass(70, 2)
    for damage in ('"low cut"', "[1]", '{"a": 1}'):
        sheet = lesson.folder / "03_filtering.json"
        sheet.write_text(re.sub(r'"left_out": \[[^]]*\]', f'"left_out": {damage}', sheet.read_text()))
        assert "can't be read" in begin("04_peak_control", take, tmp_path).origins["low cut"]
        lesson.keep(Bench(lesson.voice, stages, left_out=["boxiness"]))


def test_09_keeps_the_whole_chain_and_08_only_what_it_changes(tmp_path, take):
    begin("03_filtering", take, tmp_path).keep(Chain([("low cut", HighPass(70, 2)), ("boxiness", Peaking(400, -3, 2))]))
    last = begin("09_your_own_vocal", take, tmp_path)
    whole = Chain([("trim", Gain(1)), ("low cut", HighPass(90, 2)), ("peaks", Compressor(-20, 3, 1, 80))])
    assert "boxiness" in dict(last.chain.stages) and "(left out: boxiness, steady) in" in last.keep_whole(whole)
    assert begin("03_filtering", take, tmp_path).kept == Chain([("low cut", HighPass(90, 2))]), "03 heeds what 09 kept"
    mix = begin("08_the_vocal_in_the_mix", take, tmp_path)
    assert mix.chain == whole
    assert mix.keep_changes(mix.chain).startswith("Kept no stage in"), "it only looked, and claims nothing"
    changed = Chain([("low cut", HighPass(90, 2)), ("peaks", Compressor(-26, 3, 1, 80))])
    assert mix.keep_changes(changed).startswith("Kept peaks (left out: trim) in")
    for _ in range(2):  # opened once more and left as it is, it still says the same
        mix = begin("08_the_vocal_in_the_mix", take, tmp_path)
        assert mix.chain == changed == begin("09_your_own_vocal", take, tmp_path).chain
        assert mix.keep_changes(mix.chain).startswith("Kept peaks (left out: trim) in")


def test_types_go_wherever_they_were_kept_when_the_plain_compressors_are_wanted(tmp_path, take):
    plain, typed = Compressor(-20, 3, 1, 80), character("fet", threshold_db=-24)
    begin("04_peak_control", take, tmp_path).keep(Chain([("peaks", plain)]))
    begin("07_compressor_types", take, tmp_path).keep(Chain([("peaks", typed), ("excitement", typed)]))
    begin("09_your_own_vocal", take, tmp_path).keep_whole(Chain([("peaks", typed), ("excitement", typed)]))
    lesson = begin("07_compressor_types", take, tmp_path)
    assert lesson.chain["peaks"] == typed and lesson.plain_chain["peaks"] == plain
    lesson.keep(lesson.plain)
    after = dict(begin("09_your_own_vocal", take, tmp_path).chain.stages)
    assert after["peaks"] == plain and "excitement" not in after
    begin("04_peak_control", take, tmp_path).keep(Chain([("peaks", Compressor(-18, 3, 1, 80))]))
    assert begin("07_compressor_types", take, tmp_path).plain.chain.stages == (), "plain already: nothing to undo"


def test_a_clock_that_is_put_back_and_a_sheet_without_a_time_do_not_turn_the_order_round(tmp_path, take, monkeypatch):
    lesson, other = (begin(name, take, tmp_path) for name in ("04_peak_control", "09_your_own_vocal"))
    lesson.keep(Chain([("peaks", Compressor(-20, 3, 1, 80))]))
    monkeypatch.setattr("vocomp_lab.lessons.kept.time.time_ns", lambda: 1)
    other.keep(Chain([("peaks", Compressor(-25, 3, 1, 80))]))
    assert begin("05_steady_compression", take, tmp_path).chain["peaks"].threshold_db == -25
    sheet = lesson.folder / "04_peak_control.json"
    sheet.write_text(Chain([("peaks", Compressor(-30, 3, 1, 80))]).to_json())
    future = time.time() + 60
    os.utime(sheet, (future, future))
    assert begin("05_steady_compression", take, tmp_path).chain["peaks"].threshold_db == -30


def test_a_chosen_voice_is_that_of_every_lesson_and_an_explicit_one_only_of_its_own(tmp_path, take, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert begin("04_peak_control").clip == shipped("lesson_verse_faulty").clip
    choose_voice("my take.wav")
    take.rename(tmp_path / "elsewhere.wav")  # its copy stays
    lesson = begin("04_peak_control")
    assert lesson.clip == load("elsewhere.wav") and lesson.folder.name.startswith("my_take_")
    assert str(lesson).startswith("Voice: my take.wav, chosen for all lessons") and "00_start_here" in str(lesson)
    assert 'href="00_start_here.ipynb#Choose-your-voice"' in lesson._repr_html_()
    assert begin("05_steady_compression", "second_verse_faulty").truth and begin("05_steady_compression").truth is None
    assert lesson.in_a_song.truth, "the workbook's singer, whatever is chosen"
    (tmp_path / "appendices").mkdir()
    monkeypatch.chdir(tmp_path / "appendices")
    assert begin("04_peak_control").clip == lesson.clip and "../00_start_here.ipynb" in lesson._repr_html_()
    monkeypatch.chdir(tmp_path)
    choose_voice("second_verse_faulty")
    assert begin("01_levels_and_meters").folder.name == "second_verse_faulty"
    for wrong in (
        "{",
        '{"name": "no such clip", "file": ""}',
        '{"name": "a", "file": "../a.wav"}',
        '{"name": "a", "file": "b"}',
    ):
        (tmp_path / ".state" / "voice.json").write_text(wrong)
        lesson = begin("01_levels_and_meters")
        assert lesson.clip == shipped("lesson_verse_faulty").clip and "because" in lesson.about


def test_a_wrong_name_is_answered_in_a_sentence_without_a_traceback(tmp_path, take, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(FileNotFoundError) as error:
        begin("04_peak_control", "my_take.wav")
    assert error.value._render_traceback_() == ["path: there is no file 'my_take.wav'; did you mean 'my take.wav'?"]
    with pytest.raises(FileNotFoundError, match="there is no file"):
        choose_voice("my_take.wav")
    with pytest.raises(ValueError, match="^lesson: '05'") as error:
        begin("05")
    assert len(error.value._render_traceback_()) == 1
    assert not (tmp_path / ".state").exists()


def test_an_appendix_begins_with_the_sheets_and_the_files_of_the_lessons(tmp_path, take, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lesson = begin("03_filtering", "my take.wav")
    lesson.keep(Chain([("low cut", HighPass(70, 2))]))
    (tmp_path / "appendices").mkdir()
    monkeypatch.chdir(tmp_path / "appendices")
    beside = begin("03_filtering", "my take.wav")
    assert beside.kept == Chain([("low cut", HighPass(70, 2))]) and beside.voice == lesson.voice
    assert begin("03_filtering", take).kept == beside.kept, "a whole path stays as it is"
    assert beside.folder.resolve() == (tmp_path / lesson.folder).resolve()
    assert not list((tmp_path / "appendices").iterdir())


def test_a_broken_sheet_is_left_alone_and_a_proposal_stands_in(tmp_path, take):
    lesson = begin("03_filtering", take, tmp_path)
    lesson.keep(Chain([("low cut", HighPass(70, 2))]))
    sheet = lesson.folder / "03_filtering.json"
    sheet.write_text(sheet.read_text()[:-30])
    following = begin("04_peak_control", take, tmp_path)
    assert isinstance(following.chain["low cut"], HighPass) and following.chain["low cut"] != HighPass(70, 2)
    assert "can't be read" in following.origins["low cut"] and sheet.exists()
    assert begin("03_filtering", take, tmp_path).kept == Chain([])


def test_a_recording_is_known_by_its_sound_and_another_one_is_not_taken_for_it(tmp_path, take):
    lesson = begin("04_peak_control", take, tmp_path)
    lesson.keep(Chain([("peaks", Compressor(-20, 3, 1, 80))]))
    assert lesson.truth is None and lesson.folder.name.startswith("my_take_")
    assert (
        begin("04_peak_control", load(take), tmp_path).kept
        == begin("04_peak_control", take, tmp_path).kept
        != Chain([])
    )
    other = load(take).gained(-1)
    assert begin("04_peak_control", other, tmp_path).kept == Chain([])
    assert begin("04_peak_control", "second_verse_clean", tmp_path).kept == Chain([])


def test_a_take_by_the_workbooks_singers_brings_its_truth(tmp_path):
    take = shipped("song_clean")
    lesson = begin("02_level_prep", take, tmp_path)
    assert (
        lesson.clip.samples is take.clip.samples
        and lesson.truth is take.truth
        and lesson.folder.name.startswith("song_")
    )


def test_stages_of_a_bench_take_their_places_in_the_order_of_work(tmp_path, take):
    lesson = begin("05_steady_compression", take, tmp_path)
    names = [
        name
        for name, _ in lesson.with_stages(Chain([("steady", Compressor(-25, 2, 10, 200)), ("trim", Gain(1))])).stages
    ]
    assert names == sorted(names, key=ORDER.index) and {"steady", "trim"} <= set(names)


@pytest.mark.parametrize(
    "clip", [Clip(np.zeros(48_000), 48_000), Clip(np.zeros((8_000, 2)), 8_000)], ids=("mono", "stereo")
)
def test_silence_can_be_begun_with_in_every_lesson(tmp_path, clip):
    for name in LESSONS:
        lesson = begin(name, clip, tmp_path)
        assert lesson.chain == Chain([]) and lesson.voice == clip


def test_what_is_no_lesson_or_no_clip_is_refused(tmp_path):
    with pytest.raises(ValueError, match="^lesson: '05_something'") as error:
        begin("05_something", folder=tmp_path)
    assert len(str(error.value).splitlines()) == 1
    with pytest.raises(FileNotFoundError, match="there is no file"):
        begin("04_peak_control", "not_there.wav", tmp_path)


def test_a_file_in_which_nobody_sings_is_refused_by_its_name(tmp_path):
    soundfile.write(tmp_path / "room.wav", np.zeros(16_000), 16_000)
    with pytest.raises(ValueError) as refusal:
        begin("05_steady_compression", tmp_path / "room.wav", tmp_path)
    one_sentence(refusal, "clip:", "room.wav", "recording of a voice")
