"""What a stretch of a voice is called: known words, the learner's names, "word 3", else the time; and naming in the page."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine

from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.bench.word_names import WordNames
from vocomp_lab.lessons.course import begin
from vocomp_lab.lessons.word_names import called, words_of
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor

pytestmark = pytest.mark.usefixtures("undrawn")


@pytest.fixture
def hummed(tmp_path):
    """Six hummed words, the third the loudest, in the second half of each second."""
    rate = 16_000
    t = np.arange(6 * rate) / rate
    level = np.where((t >= 2) & (t < 3), 1.0, 0.5) * (t % 1 > 0.4) * (t % 1 < 0.9)
    soundfile.write(tmp_path / "hum.wav", sine(180, 6, rate, -9) * level + 1e-4 * np.sin(2000 * t), rate)
    return lambda: begin("02_level_prep", tmp_path / "hum.wav", tmp_path / ".state")


def repeats(bench):
    return [place["text"] for place in json.loads(bench._player.state_text)["moments"]]


def test_known_words_then_names_then_numbers_then_times(hummed, tmp_path):
    known = begin("04_peak_control", folder=tmp_path)
    first, second = known.truth["words"][:2]
    assert known.called(first["start_s"], second["end_s"]) == f"{first['text']} {second['text']}"
    assert known.called(0.0, 0.01) == "at 0:00.0" and known.named_words[0]["text"] == first["text"]
    lesson = hummed()
    assert [word.text for word in lesson.voice_words.all] == [f"word {n}" for n in range(1, 7)]
    assert (
        lesson.called(2.5, 3.6) == "word 3, word 4"
        and lesson.called(2.1, 2.2) == "at 0:02.1"
        and not lesson.named_words
    )
    assert lesson.voice_words.name(3, "silver ships") == 5
    again = hummed()
    assert again.called(2.5, 3.6) == "silver ships" and again.called(0.5, 5.6) == "word 1 … word 6"
    assert [word["text"] for word in again.named_words] == ["silver", "ships"]
    # What is made of the voice, and a stretch of it, know the words too; a clip of no lesson knows its times.
    louder = Compressor(-20, 3, 1, 80).apply(again.voice.cut(2.0, 4.0)).output
    assert called(louder, 0.5, 0.6) == "silver" and called(louder.coming_from(None), 0.5, 0.6) == "at 0:00.5"
    again.voice_words.name(3, "")
    assert hummed().called(2.5, 2.6) == "word 3" and len(words_of(hummed().clip)) == 6


def test_names_stand_in_the_repeat_menu_and_in_the_list_of_regions(hummed):
    hummed().voice_words.name(3, "silver")
    lesson = hummed()
    texts = repeats(Bench(lesson.voice, Compressor(-30, 3, 1, 80)))
    assert any(re.fullmatch(r"loud word, .* LUFS, at 0:02.\d: silver", text) for text in texts), texts
    assert any("of reduction at" in text and text.endswith(": silver") for text in texts)
    regions = RegionBench(lesson.voice, ClipGain((GainRegion(2.4, 2.9, -3),)))
    assert any(text.endswith(" dB: silver") for text, _ in regions._editor.list.options)
    assert not any(
        ": silver" in text for text in repeats(Bench(lesson.voice.coming_from(None), Compressor(-30, 3, 1, 80)))
    )


def test_words_are_named_in_the_page_one_after_the_other_or_several_at_once(hummed, tmp_path):
    box = WordNames(hummed())
    assert "0 of 6 words" in box._said.value and '"word_id"' in box._player.state_text
    box._list.value, before = 2, box._player.state_text
    assert box._player.state_text
    box._name.value = "tin boats"
    box._button.click()
    assert (
        box._list.value == 4 and "2 of 6 words" in box._said.value and box._list.options[1][0].startswith("2: tin, at")
    )
    assert hummed().called(1.5, 2.6) == "tin boats" and box._player.state_text != before
    box._name.value = "one two three four"
    box._button.click()
    assert 'role="alert"' in box._said.value and "too many" in box._said.value and len(hummed().named_words) == 2
    path = hummed().folder / "words.json"
    path.write_text("{")
    box = WordNames(hummed())
    assert "can&#x27;t be read" in box._said.value and path.read_text() == "{"
    box._name.value = "tin"
    box._button.click()
    assert path.with_name("words_unread.json").read_text() == "{" and hummed().called(0.5, 0.6) == "tin"
    known = WordNames(begin("02_level_prep", folder=tmp_path / ".state"))
    assert known._button.disabled and "nothing to name" in known._said.value
    one_sentence(pytest.raises(ValueError, known.words.name, 1, "x"), "name:")
    one_sentence(pytest.raises(ValueError, hummed().voice_words.name, 9, "x"), "number: 9")
