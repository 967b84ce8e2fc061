"""Answers by ear: kept with their day, never replaced, and hidden where they are asked for again."""

from __future__ import annotations

import json

import pytest
from conftest import one_sentence

from vocomp_lab.bench import judgements as box
from vocomp_lab.bench.judgements import JudgementBox
from vocomp_lab.lessons.course import begin
from vocomp_lab.lessons.judgements import FILE_NAME, QUESTIONS, Judgement, add_judgement, read_judgements, since


@pytest.fixture
def lesson(tmp_path):
    return begin("09_your_own_vocal", folder=tmp_path)


def test_answers_are_added_and_never_replaced(tmp_path):
    first = Judgement("two quiet passes", "some did", "2026-01-30", "“river” at 0:12")
    second = Judgement("two quiet passes", "none did", "2026-01-31")
    assert read_judgements(tmp_path) == ()
    assert add_judgement(tmp_path, first) == (first,)
    assert add_judgement(tmp_path, second) == read_judgements(tmp_path) == (first, second)
    assert since((first, second), "two quiet passes") == "none did: not the same as on 2026-01-30 (some did)"
    assert since((first,), "two quiet passes") == since((), "the next day") == ""
    assert since(
        (first, second, Judgement("two quiet passes", "none did", "2026-02-01")), "two quiet passes"
    ).startswith("none did: the same as on 2026-01-31")


@pytest.mark.parametrize(
    "given, name",
    [
        (("volume", "right", "2026-01-31"), "question"),
        (("the next day", "all of them", "2026-01-31"), "answer"),
        (("the next day", "right", "31.1.2026"), "day"),
        (("the next day", "right", None), "day"),
        (("the next day", "right", "2026-01-31", "x" * 401), "note"),
        (("the next day", "right", "2026-01-31", 5), "note"),
    ],
)
def test_what_is_no_answer_is_refused(given, name):
    with pytest.raises(ValueError) as error:
        Judgement(*given)
    one_sentence(error, f"{name}: ")


@pytest.mark.parametrize(
    "text",
    ["{", "[5]", '[{"question": "x"}]', "7", '[{"question": "the next day", "answer": "?", "day": "2026-01-31"}]'],
)
def test_a_file_that_cannot_be_read_stays_as_it_is(tmp_path, text):
    (tmp_path / FILE_NAME).write_text(text, "utf-8")
    for call in (
        lambda: read_judgements(tmp_path),
        lambda: add_judgement(tmp_path, Judgement("the next day", "right", "2026-01-31")),
    ):
        with pytest.raises(ValueError) as error:
            call()
        one_sentence(error, FILE_NAME, "can't be read")
    assert (tmp_path / FILE_NAME).read_text("utf-8") == text


def test_yesterdays_judgement_is_hidden_until_todays_is_given(lesson, monkeypatch):
    monkeypatch.setattr(box, "_today", lambda: "2026-01-30")
    yesterday = JudgementBox(lesson)
    yesterday._question.value = "the next day"
    yesterday._answer.value, yesterday._note.value = "too much", "<b>chorus</b>"
    yesterday.write_down()
    assert "too much" in yesterday._said.value and "&lt;b&gt;chorus" in yesterday._said.value

    monkeypatch.setattr(box, "_today", lambda: "2026-01-31")
    today = JudgementBox(lesson)
    assert "too much" not in today._said.value and "chorus" not in today._said.value and "hidden" in today._said.value
    today._question.value = "the next day"
    assert (
        QUESTIONS["the next day"].task[:20] in today._task.value
        and tuple(value for _, value in today._answer.options)[1:] == QUESTIONS["the next day"].answers
    )
    today._answer.value = "right"
    today.write_down()
    assert "right: not the same as on 2026-01-30 (too much)" in today._said.value
    assert [one.day for one in read_judgements(lesson.folder)] == ["2026-01-30", "2026-01-31"]


def test_what_cannot_be_written_is_said_and_the_note_stays(lesson):
    one = JudgementBox(lesson)
    one._note.value = "kept in the box"
    one.write_down()
    assert "Choose an answer to “two quiet passes” first." in one._said.value
    lesson.folder.write_text("a file where the folder should be")
    one._answer.value = "none did"
    one.write_down()
    assert FILE_NAME in one._said.value and "vocomp-error" in one._said.value
    assert one._note.value == "kept in the box"


def test_the_file_is_plain_json(tmp_path):
    add_judgement(tmp_path, Judgement("a stranger's words", "all of them", "2026-01-31", "16 of 16"))
    assert json.loads((tmp_path / FILE_NAME).read_text("utf-8"))[0]["note"] == "16 of 16"
