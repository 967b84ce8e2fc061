"""A real installation: a wheel is built and installed apart from the checkout, without the network, and a student works with it.

Building takes setuptools as pyproject.toml asks for it (tests/requirements.txt).
"""

from __future__ import annotations

import email
import json
import os
import shutil
import subprocess
import sys
import tomllib
import zipfile

import pytest
from conftest import PROJECT

from vocomp_lab.exercises import journal
from vocomp_lab.jupyter.classroom import hand_out

pytestmark = pytest.mark.ci

QUESTION = """
title = "A teacher's own"
[[task]]
id = "room"
title = "Room"
text = "A take peaks at -6 dBFS. By how much can it go up?"
unit = "dB"
tolerance = 0.1
hints = ["Full scale is 0 dBFS."]
solution = "6 dB."
answer = 6.0
"""

# What a student does, in a process that finds the installed workbook and not the checkout. JupyterLab itself is not started.
STUDENT = """
import json, os, sys
from pathlib import Path

import vocomp_lab
from vocomp_lab.__main__ import main
from vocomp_lab.exercises import Homework
from vocomp_lab.exercises import journal
from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of
from vocomp_lab.jupyter import classroom, start
from vocomp_lab.singer import song

site, folder = map(Path, sys.argv[1:])
assert "of-my-own" in homework_names(), "a teacher's questions are found where the wheel has them"
journal.written_files = dict
started = []
start.subprocess.call = lambda command, env, cwd: started.append(str(cwd)) or 0
told = {"from": str(Path(vocomp_lab.__file__).parent), "notebooks": str(classroom.NOTEBOOKS), "digest": journal.workbook_digest().hex()}

assert main(["open"]) == 0
folder.mkdir()
(folder / "02_level_prep.ipynb").write_text("the student's")
assert main(["open", "01_levels_and_meters.ipynb", "--folder", str(folder)]) == 0
assert main(["open", "--folder", str(folder)]) == 0
assert main(["open", "--folder", str(site / "vocomp_lab" / "notebooks")]) == 2
told["started"] = started

# Singing all clips takes a minute; where they go to doesn't depend on them.
song.make_shipped = lambda name: song.Take(song.Clip([0.1] * 800, 8000), {})
assert main(["make-data"]) == 0 and len(list(Path("data_synthetic").iterdir())) == 2 * len(song.shipped_names())
assert main(["make-data", str(site / "vocomp_lab" / "data_synthetic")]) == 2

os.chdir(folder)
cells = json.loads(Path("01_levels_and_meters.ipynb").read_text("utf-8"))["cells"]
names = {}
for cell in cells:
    if cell["cell_type"] == "code":
        exec("".join(cell["source"]), names)
told["cells"] = sum(cell["cell_type"] == "code" for cell in cells)
told["kept"] = names["lesson"].keep(names["hot"])

os.chdir("homework")
home = Homework("04", "ann")
told["given"] = repr(home.give(1, pose("04", tasks_of("04")[0], "ann").answer))
told["tally"] = repr(home.tally())
print(json.dumps(told))
"""


def run(*arguments, cwd, **environment):
    done = subprocess.run(
        [sys.executable, *map(str, arguments)],
        cwd=cwd,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def files(folder):
    """Names and content of all files in a folder."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The wheel that is built of a copy of this checkout, in which somebody has worked."""
    copy, out = tmp_path_factory.mktemp("checkout"), tmp_path_factory.mktemp("wheel")
    for name in ("vocomp_lab", "notebooks", "data_synthetic"):
        leave = shutil.ignore_patterns("__pycache__", ".*", "answers", "my_*", "*.toml")
        shutil.copytree(PROJECT / name, copy / name, ignore=leave)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(PROJECT / name, copy)
    own = ("my_notes.ipynb", "homework/my_try.ipynb", ".ipynb_checkpoints/00_start_here-checkpoint.ipynb")
    for name in (*own, ".state/voice.json", "homework/answers/homework_04_ann.json", "take_2026.flac"):
        (copy / "notebooks" / name).parent.mkdir(parents=True, exist_ok=True)
        (copy / "notebooks" / name).write_text("somebody's own")
    (copy / "notebooks" / "homework" / "homework_of-my-own.toml").write_text(QUESTION)
    run("-m", "pip", "wheel", "-q", "--no-index", "--no-build-isolation", "--no-deps", "-w", out, ".", cwd=copy)
    (built,) = out.glob("*.whl")
    return built


def test_it_carries_the_code_the_lessons_and_the_clips_and_nothing_of_anybodys_own(wheel, tmp_path):
    hand_out(tmp_path / "lessons")
    wanted = {f"vocomp_lab/notebooks/{name}" for name in files(tmp_path / "lessons")}
    wanted |= {f"vocomp_lab/data_synthetic/{path.name}" for path in (PROJECT / "data_synthetic").iterdir()}
    wanted |= {
        path.relative_to(PROJECT).as_posix()
        for path in (PROJECT / "vocomp_lab").rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    wanted.add("vocomp_lab/notebooks/homework/homework_of-my-own.toml")  # a teacher's questions go with the lessons
    with zipfile.ZipFile(wheel) as packed:
        found = {name for name in packed.namelist() if ".dist-info/" not in name}
        told = email.message_from_bytes(packed.read(next(n for n in packed.namelist() if n.endswith("/METADATA"))))
    assert found == wanted
    with open(PROJECT / "pyproject.toml", "rb") as file:
        about = tomllib.load(file)["project"]
    assert told["Author"] == "the workbook's maintainers" and told["Requires-Python"] == about["requires-python"]
    assert not [field for field in told if field.startswith("License")]
    assert told.get_all("Classifier") == about["classifiers"] and told["Summary"] == about["description"]
    bounds = {line.partition(";")[0].strip() for line in told.get_all("Requires-Dist")}
    assert {"ipywidgets!=8.1.9,>=8.1", "jupyterlab_widgets!=3.0.17"} <= bounds and len(bounds) == 7


def test_a_student_needs_no_checkout(wheel, tmp_path, monkeypatch):
    """`open` copies and never overwrites, lesson 01 runs in the copy, a homework is answered there; nothing else is written."""
    site, home, folder = tmp_path / "site", tmp_path / "student", tmp_path / "my lessons"
    run("-m", "pip", "install", "-q", "--no-index", "--no-deps", "--no-compile", "--target", site, wheel, cwd=tmp_path)
    home.mkdir()
    before = files(site)
    told = run(
        *("-c", STUDENT, site, folder), cwd=home, HOME=str(home), PYTHONPATH=str(site), PYTHONDONTWRITEBYTECODE="1"
    )
    told = json.loads(told.splitlines()[-1])
    assert told["from"] == str(site / "vocomp_lab") and told["notebooks"] == str(site / "vocomp_lab" / "notebooks")
    assert files(site) == before, "something was written where packages are installed"
    monkeypatch.setattr(journal, "written_files", dict)
    assert told["digest"] == journal.workbook_digest.__wrapped__().hex(), (
        "marks that were given in a checkout would be given anew"
    )
    assert told["started"] == [str(home / "vocal_workbook"), str(folder), str(folder)]
    assert (folder / "02_level_prep.ipynb").read_text() == "the student's"
    assert files(home / "vocal_workbook").keys() == files(folder).keys() - _kept(folder)
    assert (folder / "data_synthetic" / "backing.flac").is_file() and told["cells"] >= 7
    assert "Kept trim" in told["kept"] and (folder / ".state").is_dir()
    assert "right" in told["given"] and "Hand in the file answers/homework_04_ann.json" in told["tally"]
    assert (folder / "homework" / "answers" / "homework_04_ann.json").is_file()


def _kept(folder):
    return {name for name in files(folder) if name.startswith(".state/") or "/answers/" in name}
