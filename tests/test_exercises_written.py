"""Tasks that a teacher writes in a TOML file: posed, judged, and every field checked with one clear sentence."""

from __future__ import annotations

import pytest
from conftest import one_sentence

from vocomp_lab.exercises import Homework, catalogue
from vocomp_lab.exercises.mistakes import MISTAKES
from vocomp_lab.exercises.tasks import RIGHT
from vocomp_lab.exercises.written import read_written

GOOD = """
title = "Our own"

[[task]]
id = "headroom"
title = "How much is left?"
text = "A take peaks at **{peak} dBFS**. By how much can you turn it up?"
unit = "dB"
tolerance = 0.1
points = 2
hints = ["Full scale is 0 dBFS, {peak} is below."]
solution = "0 − ({peak}) = **{answer} dB**."
rows = [{peak = -7.5, answer = 7.5}, {peak = -4, answer = 4}, {peak = -12.5, answer = 12.5}]

[[task.mistake]]
answer = "peak"
says = "Turning up is a positive gain."

[[task]]
id = "plain"
title = "A plain one"
text = "What is 20·log₁₀(10)?"
tolerance = 0.01
answer = 20
solution = "**20**."
mistake = [{answer = 10, says = "That is 10·log₁₀.", label = "10 for 20"}]
"""


@pytest.fixture
def beside(tmp_path, monkeypatch):
    """A folder that one works in, with a folder for homework; what the catalogue knows is forgotten before and after."""

    def forget():
        catalogue.homework_names.cache_clear()
        catalogue._homework_or_error.cache_clear()

    folder = tmp_path / "notebooks" / "homework"
    folder.mkdir(parents=True)
    monkeypatch.chdir(tmp_path)
    forget()
    yield folder
    monkeypatch.undo()
    forget()
    for name in [name for name in MISTAKES if name.startswith("own_")]:
        del MISTAKES[name]


def test_a_file_is_a_homework_of_its_own(beside, tmp_path):
    (beside / "homework_own.toml").write_text(GOOD, "utf-8")
    assert "own" in catalogue.homework_names() and catalogue.title_of("own") == "Our own"
    home = Homework("own", "ann", tmp_path / "answers")
    posed = catalogue.pose("own", catalogue.tasks_of("own")[0], "ann")
    assert f"−{posed.answer:g} dBFS" in posed.prompt and "{" not in posed.prompt + posed.solution + posed.hints[0]
    assert "2 points" in home.ask(1).head and "positive gain" in repr(home.give(1, -posed.answer))
    assert "✔ right" in repr(home.give(1, posed.answer)) and "10·log₁₀" in repr(home.give(2, 10))
    assert "20" in repr(home.give(2, 20)) and "3 of 3" in repr(home.tally())
    rows = {catalogue.pose("own", catalogue.tasks_of("own")[0], f"p{number}").answer for number in range(30)}
    assert rows == {7.5, 4.0, 12.5}


def test_a_file_adds_its_tasks_to_a_homework_that_is_there(beside):
    before = [task.id for task in catalogue.tasks_of("04")]
    catalogue.homework_names.cache_clear()
    catalogue._homework_or_error.cache_clear()
    (beside / "homework_04.toml").write_text(GOOD.replace('title = "Our own"', "", 1), "utf-8")
    assert [task.id for task in catalogue.tasks_of("04")] == [*before, "headroom", "plain"]
    assert catalogue.title_of("04") == "Peak control"
    assert catalogue.pose("04", catalogue.tasks_of("04")[-1], "ann").judge_data({"number": 20}).status == RIGHT


def test_a_bad_file_costs_nothing_but_its_own_homework(beside):
    (beside / "homework_own.toml").write_text("[[task", "utf-8")
    assert catalogue.tasks_of("04") and "own" in catalogue.homework_names()
    one_sentence(pytest.raises(ValueError, catalogue.tasks_of, "own"), "homework_own.toml", "TOML")
    (beside / "homework_05.toml").write_text(GOOD.replace('"headroom"', '"apart"'), "utf-8")
    catalogue.homework_names.cache_clear()
    catalogue._homework_or_error.cache_clear()
    one_sentence(pytest.raises(ValueError, catalogue.tasks_of, "05"), "'apart' twice")


BAD = {
    "not a number": ("tolerance = 0.1", 'tolerance = "small"', "tolerance 'small'"),
    "no tolerance": ("tolerance = 0.1", "", "tolerance None"),
    "below zero": ("tolerance = 0.1", "tolerance = -1", "above 0"),
    "infinite": ("tolerance = 0.1", "tolerance = inf", "tolerance inf"),
    "unknown field": ("points = 2", "point = 2", "'point' is unknown"),
    "points": ("points = 2", "points = 2.5", "whole number from 1 to 10"),
    "id": ('"headroom"', '"head room"', "id 'head room'"),
    "twice": ('"headroom"', '"plain"', "'plain' is there twice"),
    "no text": ('text = "A take', 'texts = "A take', "'texts' is unknown"),
    "empty title": ('title = "How much is left?"', 'title = " "', "title is missing"),
    "hints": ('hints = ["Full scale', 'hints = ["a", "b", "Full scale', "at most 2"),
    "no solution": ('solution = "**20**."', "", "solution is missing"),
    "column": ("peaks at **{peak}", "peaks at **{peek}", "{peek}"),
    "row": ("{peak = -4, answer = 4}", "{peak = -4}", "row 2"),
    "answer": ("answer = 4}", 'answer = "four"}', "row 2", "'four'"),
    "both": ("answer = 20", "answer = 20\nrows = [{answer = 20}]", "either an answer, or rows"),
    "mistake": ('answer = "peak"', 'answer = "pique"', "mistake 1", "no column"),
    "says": ('says = "Turning up is a positive gain."', "", "says is missing"),
    "unit": ('unit = "dB"', "unit = 5", "unit 5"),
    "deep": ("peak = -7.5", "peak = [1]", "row 1: peak"),
}


@pytest.mark.parametrize("name", BAD)
def test_every_field_is_checked_when_the_file_is_read(name, tmp_path):
    old, new, *says = BAD[name]
    assert old in GOOD
    path = tmp_path / "homework_own.toml"
    path.write_text(GOOD.replace(old, new, 1), "utf-8")
    one_sentence(pytest.raises(ValueError, read_written, path, "own"), "homework_own.toml", *says)


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"task = 5", b"title = 1\n[[task]]", b"x" * 10])
def test_what_is_no_such_file_gets_one_sentence(content, tmp_path):
    path = tmp_path / "homework_own.toml"
    path.write_bytes(content)
    one_sentence(pytest.raises(ValueError, read_written, path, "own"), "homework_own.toml")
