"""What `open` does before JupyterLab starts: the folder that a learner works in, and what is copied there."""

from __future__ import annotations

import errno

import pytest
from conftest import PROJECT, one_sentence

from vocomp_lab.__main__ import main
from vocomp_lab.exercises import catalogue
from vocomp_lab.jupyter import classroom, start
from vocomp_lab.sound import shipped_folders


@pytest.fixture
def started(monkeypatch):
    """The commands that would have started JupyterLab, each with the folder that it would have run in."""
    commands = []
    monkeypatch.setattr(start.subprocess, "call", lambda command, env, cwd: commands.append((command, cwd)) or 0)
    return commands


def files(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_folder_of_the_learners_choice_gets_what_is_missing_and_keeps_what_is_there(tmp_path, started, capsys):
    folder = tmp_path / "deep" / "my lessons"
    assert main(["open", "--folder", str(folder), "--no-browser"]) == 0
    command, cwd = started.pop()
    assert cwd == folder and f"--ServerApp.root_dir={folder}" in command and "--no-browser" in command
    found = files(folder)
    wanted = {path.name for path in (PROJECT / "data_synthetic").iterdir()}
    assert {name.removeprefix("data_synthetic/") for name in found if name.startswith("data_synthetic/")} == wanted
    assert {"00_start_here.ipynb", "homework/homework_01.ipynb", "reference/glossary.ipynb"} <= set(found)
    assert f"{folder}: {len(found)} files were copied there" in capsys.readouterr().out
    (folder / "00_start_here.ipynb").write_text("the learner's work")
    (folder / "data_synthetic" / "backing.flac").write_bytes(b"the learner's band")
    (folder / "01_levels_and_meters.ipynb").unlink()
    assert main(["open", "01_levels_and_meters.ipynb", "--folder", str(folder)]) == 0
    assert started.pop()[0][-1].endswith("/lab/tree/01_levels_and_meters.ipynb")
    assert "1 file was copied" in capsys.readouterr().out
    own = {"00_start_here.ipynb": b"the learner's work", "data_synthetic/backing.flac": b"the learner's band"}
    assert files(folder) == found | own


def test_a_checkout_is_opened_as_it_is(tmp_path, started, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    assert main(["open"]) == 0 and main(["open", "--folder", str(PROJECT / "notebooks")]) == 0
    assert [cwd for _, cwd in started] == [PROJECT / "notebooks"] * 2
    assert list(tmp_path.iterdir()) == [] and not (PROJECT / "notebooks" / "data_synthetic").exists()


def test_what_is_no_folder_is_refused_in_one_sentence(tmp_path, started, capsys):
    (tmp_path / "file").write_text("mine")
    for given in (tmp_path / "file", tmp_path / "file" / "below"):
        assert main(["open", "--folder", str(given)]) == 2
        one_sentence(capsys.readouterr().err.strip(), "folder: ", given)
    assert not started and (tmp_path / "file").read_text() == "mine"


def test_a_disk_without_links_is_filled_too_and_nothing_there_is_overwritten(tmp_path, started, monkeypatch):
    def no_links(source, target):
        if target.name == "01_levels_and_meters.ipynb":
            target.write_text("came meanwhile")
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(classroom.os, "link", no_links)
    assert main(["open", "--folder", str(tmp_path)]) == 0
    found = files(tmp_path)
    assert found.pop("01_levels_and_meters.ipynb") == b"came meanwhile"
    assert found["00_start_here.ipynb"] == (PROJECT / "notebooks" / "00_start_here.ipynb").read_bytes()
    assert not [name for name in found if "/." in f"/{name}"], "something was left behind"


def test_a_folder_that_cannot_be_written_is_opened_with_a_sentence(tmp_path, started, monkeypatch, capsys):
    assert main(["open", "--folder", str(tmp_path)]) == 0
    monkeypatch.setattr(start.os, "access", lambda path, mode: False)  # an administrator may write everywhere
    monkeypatch.setenv("HOME", "/elsewhere")
    assert main(["open", "--folder", str(tmp_path)]) == 0 and len(started) == 2
    one_sentence(capsys.readouterr().err.strip(), tmp_path, "copy that folder to /elsewhere/vocal_workbook")


def test_questions_of_a_teacher_are_found_in_a_copy_of_the_lessons(tmp_path, monkeypatch):
    (tmp_path / "homework").mkdir()
    (tmp_path / "homework" / "homework_04.toml").write_text("")
    for where in (tmp_path, tmp_path / "homework"):
        monkeypatch.chdir(where)
        assert catalogue.written_files()["04"] == (tmp_path / "homework" / "homework_04.toml").resolve()


def test_nothing_is_written_where_packages_are_installed(tmp_path, monkeypatch, capsys):
    place = tmp_path / "site-packages"
    (place / "vocomp_lab").mkdir(parents=True)
    monkeypatch.setattr(shipped_folders, "IS_INSTALLED", True)
    monkeypatch.setattr(shipped_folders, "PACKAGE", place / "vocomp_lab")
    for command in (["open", "--folder", str(place / "vocomp_lab" / "x")], ["make-data", str(place / "data")]):
        assert main(command) == 2
        one_sentence(capsys.readouterr().err.strip(), "folder: ", "give a folder of your own")
    assert list(place.iterdir()) == [place / "vocomp_lab"] and list((place / "vocomp_lab").iterdir()) == []
