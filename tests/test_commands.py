"""The command line, as a person types it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request

import numpy as np
import pytest
from conftest import sine
from labdriver import ROOT, free_port

from vocomp_lab.__main__ import main
from vocomp_lab.jupyter.start import FIRST_LESSON
from vocomp_lab.sound.audio import Clip, save

RATE = 48_000


def called(capsys, *arguments):
    """The command in this process: how it ended, and what it wrote to its output and its errors."""
    try:
        code = main([str(argument) for argument in arguments])
    except SystemExit as end:
        code = end.code
    return code, *capsys.readouterr()


def test_help_names_the_commands(capsys):
    code, shown, _ = called(capsys, "--help")
    assert code == 0 and all(command in shown for command in ("open", "make-data", "mark", "answer-key", "exam"))


@pytest.mark.parametrize("arguments", [(), ("sing",), ("open", "a.ipynb", "b.ipynb")])
def test_a_wrong_call_says_how_it_should_be(capsys, arguments):
    code, _, says = called(capsys, *arguments)
    assert code == 2 and "usage: python -m vocomp_lab" in says


def test_a_notebook_that_is_not_there_is_named(capsys):
    assert main(["open", "99_nothing.ipynb"]) == 2
    assert "notebook: there is no '99_nothing.ipynb'" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_told_in_one_line(capsys, tmp_path):
    (tmp_path / "file").write_text("")
    code, _, says = called(capsys, "make-data", tmp_path / "file" / "data")
    assert code == 2 and len(says.strip().splitlines()) == 1
    assert says.startswith(f"path: '{tmp_path / 'file' / 'data'}' can't be used: ") and "Errno" not in says


@pytest.mark.ci
def test_open_serves_the_first_lesson(tmp_path):
    port = free_port()
    command = [sys.executable, "-m", "vocomp_lab", "open", "--no-browser"]
    with open(tmp_path / "log", "w") as log:
        environment = {"HOME": str(tmp_path), "JUPYTER_PORT": str(port), "PATH": "/usr/bin:/bin"}
        server = subprocess.Popen(
            command, stdout=log, stderr=subprocess.STDOUT, env=environment, cwd=tmp_path, start_new_session=True
        )
        try:
            found = None
            for _ in range(240):
                found = re.search(
                    r"http://(?:localhost|127\.0\.0\.1):(\d+)/lab/tree/(\S+)\?token=(\w+)",
                    (tmp_path / "log").read_text(),
                )
                if found or server.poll() is not None:
                    break
                time.sleep(0.25)
            assert found, (tmp_path / "log").read_text()[-2000:]
            assert found[2] == FIRST_LESSON
            address = f"http://127.0.0.1:{found[1]}/api/contents/{FIRST_LESSON}?content=0&token={found[3]}"
            # The server logs its address before it listens there.
            for _ in range(240):
                try:
                    answer = urllib.request.urlopen(address, timeout=20)
                    break
                except urllib.error.URLError as error:
                    answer = error
                    if not isinstance(error.reason, ConnectionRefusedError) or server.poll() is not None:
                        break
                    time.sleep(0.25)
            assert getattr(answer, "status", None) == 200, (answer, (tmp_path / "log").read_text()[-2000:])
        finally:
            os.killpg(server.pid, signal.SIGTERM)
            server.wait(20)
    assert (ROOT / "notebooks" / FIRST_LESSON).is_file()


def test_mark_writes_the_table(capsys, tmp_path):
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "homework_04_ann.json").write_text(
        '{"format": "vocomp-lab answers", "version": 1, "homework": "04", "learner": "ann", "answers": '
        '{"computer": {"answer": {"number": 1}, "tries": 1, "hints": 0}}}'
    )
    (tmp_path / "sheets" / "homework_04_ben.json").write_text("")
    code, shown, says = called(capsys, "mark", tmp_path / "sheets", "--out", tmp_path / "out" / "marks.csv")
    assert code == 0, says
    assert "homework_04_ben.json: Not marked. The sheet is empty." in shown
    assert "sheets marked: 1, learners: 1" in shown
    lines = (tmp_path / "out" / "marks.csv").read_text().splitlines()
    assert lines[0].startswith("learner,homework,points,of") and lines[1].startswith("ann,04,0,")
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "marks.csv", "marks.html", "marks.journal", "marks.pages", "marks.04.png", "marks.report.txt", "marks.gradebook.csv",
        "marks.gradebook.xlsx", "marks.similar.html",
    }  # fmt: skip


@pytest.mark.parametrize("name, text", [("homework_04_ben.json", ""), ("notes.txt", "la la la"), (None, None)])
def test_mark_fails_where_nothing_was_marked(capsys, tmp_path, name, text):
    (tmp_path / "sheets").mkdir()
    if name is not None:
        (tmp_path / "sheets" / name).write_text(text)
    code, shown, says = called(capsys, "mark", tmp_path / "sheets", "--out", tmp_path / "marks.csv")
    assert code == 1 and "sheets marked: 0" in shown and says == ""


def test_mark_without_a_folder_says_so_in_one_line(capsys, tmp_path):
    code, _, says = called(capsys, "mark", tmp_path / "nowhere", "--out", tmp_path / "marks.csv")
    assert code == 2 and says.startswith("folder: ") and len(says.strip().splitlines()) == 1


def test_the_answer_key_is_one_learners(capsys):
    (ann_code, ann, _), (ben_code, ben, _) = (
        called(capsys, "answer-key", "04", "--learner", learner) for learner in ("ann", "ben")
    )
    assert ann_code == ben_code == 0 and ann != ben
    assert "Answer key for ann." in ann and "A right answer:" in ann
    code, _, says = called(capsys, "answer-key", "77", "--learner", "ann")
    assert code == 2 and "homework: '77' is not allowed" in says


# ------------------------------------------------------------------------------------------------------ any console


@pytest.fixture
def silent_file(tmp_path):
    """A silent file whose name is not ASCII; its table holds −∞."""
    path = tmp_path / "müller–1.wav"
    save(Clip(np.zeros(RATE // 2), RATE), path)
    return path


def test_a_table_is_printed_on_an_ascii_console(silent_file):
    """In a process of its own; the other consoles: tests/test_consoles.py."""
    save(Clip(sine(200, 1, RATE, -18), RATE), silent_file.parent / "tone.wav")
    shown = subprocess.run(
        [sys.executable, "-m", "vocomp_lab", "measure", str(silent_file.parent)],
        capture_output=True, timeout=60, env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert (shown.returncode, shown.stderr) == (0, b"")
    silence, tone = shown.stdout.decode("ascii").splitlines()[2:]
    assert "-18.0" in tone and "-inf" in silence


@pytest.mark.ci
def test_a_name_that_is_not_utf8_is_told_and_stops_nobody(silent_file):
    os.rename(silent_file, os.fsencode(silent_file.parent) + b"/m\xfcller.wav")
    save(Clip(sine(200, 1, RATE, -18), RATE), silent_file.parent / "tone.wav")
    for options in ((), ("--json",)):
        shown = subprocess.run(
            [sys.executable, "-m", "vocomp_lab", "measure", str(silent_file.parent), *options],
            capture_output=True, timeout=60, env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        )  # fmt: skip
        assert shown.returncode == 1
        assert shown.stderr.decode() == "path: 'm\\udcfcller.wav' can't be opened (its name is not UTF-8).\n"
        assert "tone.wav" in shown.stdout.decode()
    assert os.fsencode(json.loads(shown.stdout)[0]["file"]).endswith(b"/m\xfcller.wav")
