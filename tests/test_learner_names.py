"""Learners whose ids have accents: a Mac's file names have letter and accent apart, and everywhere it is the same
learner.
"""

from __future__ import annotations

import sys
import unicodedata

import pytest
from conftest import one_sentence

from vocomp_lab.exercises.class_list import read_class_list
from vocomp_lab.exercises.exam import exam_pages
from vocomp_lab.exercises.handed_in import gather
from vocomp_lab.exercises.homework import Homework
from vocomp_lab.exercises.learners import Draw, check_learner
from vocomp_lab.exercises.sheets import load_sheet, sheet_name
from vocomp_lab.jupyter.classroom import FOLDER
from vocomp_lab.jupyter.collecting import collect

HERE, MAC = "zoë", "zoe\u0308"
# A Mac's own file system takes both spellings of a name for one file, so there is nothing to find.
pytestmark = pytest.mark.skipif(sys.platform == "darwin", reason="macOS takes both spellings for one file")


def answered(folder, learner, number=1.0):
    """A sheet with one answer, as the notebook keeps it."""
    home = Homework("04", learner=learner, folder=folder)
    home.give(1, number)
    return home.path


def as_on_a_mac(path):
    """The same file with the name that a Mac gives it."""
    return path.rename(path.with_name(unicodedata.normalize("NFD", path.name)))


@pytest.mark.parametrize("name", ("zoë", "Zoë", "ångström", "jürgen", "ταΐς", "Ḗ", "한글", "ǰan"))
def test_an_id_is_the_same_however_it_is_typed(name):
    one = check_learner(name)
    spellings = {unicodedata.normalize(form, name) for form in ("NFC", "NFD")} | {one}
    assert {check_learner(way) for way in spellings} == {one} and unicodedata.is_normalized("NFC", one)
    assert len({Draw(way, "04 computer").seed() for way in spellings}) == 1
    assert sheet_name("04", one).isprintable()


def test_the_answers_in_a_file_from_a_mac_are_found_and_kept_there(tmp_path):
    there = as_on_a_mac(answered(tmp_path, HERE))
    assert there.name != sheet_name("04", HERE)
    for learner in (HERE, MAC):
        home = Homework("04", learner=learner, folder=tmp_path)
        assert "1 of 8 tasks answered" in repr(home)
        home.give(1, 2.0 if learner == HERE else 3.0)
    assert [path.name for path in tmp_path.iterdir()] == [there.name]
    assert load_sheet(there).answers["computer"].tries == 3


def test_a_file_from_a_mac_is_marked_like_any_other(tmp_path):
    as_on_a_mac(answered(tmp_path, MAC))
    gathered = gather(tmp_path)
    assert gathered.notes == [] and [handed_in.learner for handed_in in gathered.sheets.values()] == [HERE]


def test_the_right_sheet_can_be_named_in_either_spelling(tmp_path):
    folder = tmp_path / "sheets"
    (folder / "gru\u0308n").mkdir(parents=True)
    (folder / "rot").mkdir()
    mac, here = as_on_a_mac(answered(folder / "gru\u0308n", MAC, 1.0)), answered(folder / "rot", HERE, 2.0)
    assert len(gather(folder).conflicts) == 1
    for path, typed in ((mac, folder / "grün" / here.name), (mac, mac), (here, folder / "rot" / mac.name)):
        assert [handed_in.path for handed_in in gather(folder, accept=[typed]).sheets.values()] == [path]
    with pytest.raises(ValueError) as caught:
        gather(folder, accept=[folder / "blau" / here.name])
    one_sentence(caught, "is not an answer sheet")


def test_two_spellings_of_one_name_beside_each_other_are_told_apart(tmp_path):
    mac, here = as_on_a_mac(answered(tmp_path, MAC, 1.0)), answered(tmp_path / "in", HERE, 2.0)
    here = here.rename(tmp_path / here.name)
    assert Homework("04", learner=MAC, folder=tmp_path).path == here
    for path in (mac, here):
        assert [handed_in.path for handed_in in gather(tmp_path, accept=[path]).sheets.values()] == [path]


def test_a_class_list_from_a_mac_names_the_same_learners(tmp_path):
    (tmp_path / "class.csv").write_text(f"id,name\n{MAC},Zoe\u0308\n", "utf-8")
    learners = read_class_list(tmp_path / "class.csv")
    assert HERE in learners
    assert exam_pages(["02"], learners.learners, "word") == exam_pages(
        ["02"], [type(learners.learners[0])(HERE, "Zoe\u0308")], "word"
    )
    (tmp_path / "class.csv").write_text(f"id,name\n{MAC},Zoe\n{HERE},Zoe\n", "utf-8")
    with pytest.raises(ValueError) as caught:
        read_class_list(tmp_path / "class.csv")
    one_sentence(caught, "the same id")


def test_a_file_from_a_mac_is_collected_from_a_class_server(tmp_path):
    home = tmp_path / "home"
    at = home / FOLDER / "homework" / "answers"
    as_on_a_mac(answered(at, MAC, 1.0))
    result = collect({MAC: home}, tmp_path / "out")
    assert result.notes == [] and [path.name for path in result.taken] == [sheet_name("04", HERE)]
    # Both spellings in one home: one is taken, and the other is told.
    answered(at.parent / "other", HERE, 2.0).rename(at / sheet_name("04", HERE))
    result = collect({HERE: home}, tmp_path / "out")
    assert len(result.taken) == 1
    one_sentence(result.notes[0][1], "two files called")
