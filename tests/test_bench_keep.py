"""Buttons that keep one of several chains: nothing before a press, a bench as it is set then, and one sentence back."""

from __future__ import annotations

import html

import pytest
from conftest import one_sentence

from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.keep import KeepChoice
from vocomp_lab.lessons.course import begin
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor

pytestmark = pytest.mark.usefixtures("undrawn")
LESSON, LATER = "04_peak_control", "05_steady_compression"


@pytest.fixture
def lesson(tmp_path):
    return begin(LESSON, "lesson_verse_clean", tmp_path)


def press(choice, name):
    next(button for button in choice.widget.children[1].children if button.description == name).click()


def told(choice):
    return html.unescape(choice.widget.children[2].value)


def test_nothing_is_kept_before_a_press_and_the_last_press_counts(lesson, tmp_path):
    bench = Bench(lesson.voice.cut(0, 2), Compressor(-20, 3, 1, 80), stage="peaks")
    choice = KeepChoice(lesson, {"Keep it": bench, "Keep none": Chain([])})
    assert not list(tmp_path.rglob("*.json")) and "Nothing is kept" in told(choice)
    bench.set(threshold_db=-25)
    press(choice, "Keep it")
    assert "Kept peaks" in told(choice)
    kept = begin(LATER, "lesson_verse_clean", tmp_path)
    assert kept.chain["peaks"] == Compressor(-25, 3, 1, 80), "as it is set when the button is pressed"
    press(choice, "Keep none")
    assert "peaks" not in dict(begin(LATER, "lesson_verse_clean", tmp_path).chain.stages)


def test_what_cannot_be_kept_is_said_in_a_sentence(lesson, monkeypatch):
    with pytest.raises(ValueError, match="^choices: there are none") as error:
        KeepChoice(lesson, {})
    one_sentence(error)
    choice = KeepChoice(lesson, {"Keep <it>": Chain([])})
    with pytest.raises(ValueError, match="^name: 'that' is not allowed") as error:
        choice.keep("that")
    one_sentence(error, "Keep <it>")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("vocomp_lab.lessons.course.write_whole", full)
    said = choice.keep("Keep <it>")
    assert "No space left" in said and said in told(choice)
    one_sentence(said)
