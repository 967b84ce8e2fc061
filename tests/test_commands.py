"""The command line, as a person types it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request

import pytest
from labdriver import ROOT, free_port

from vocomp_lab.__main__ import bar_on_stderr, main
from vocomp_lab.jupyter.start import FIRST_LESSON


def run(*arguments, timeout=60):
    return subprocess.run(
        [sys.executable, "-m", "vocomp_lab", *arguments], capture_output=True, text=True, timeout=timeout
    )


def test_help_names_the_commands():
    shown = run("--help")
    assert shown.returncode == 0
    assert all(command in shown.stdout for command in ("open", "make-data", "mark", "answer-key"))


@pytest.mark.parametrize("arguments", [(), ("sing",), ("open", "a.ipynb", "b.ipynb")])
def test_a_wrong_call_says_how_it_should_be(arguments):
    shown = run(*arguments)
    assert shown.returncode == 2 and "usage: python -m vocomp_lab" in shown.stderr and "Traceback" not in shown.stderr


def test_a_notebook_that_is_not_there_is_named(capsys):
    assert main(["open", "99_nothing.ipynb"]) == 2
    assert "notebook: there is no '99_nothing.ipynb'" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_told_in_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    shown = run("make-data", str(tmp_path / "file" / "data"))
    assert shown.returncode == 2 and "Traceback" not in shown.stderr
    assert len(shown.stderr.strip().splitlines()) == 1


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
            answer = urllib.request.urlopen(address, timeout=20)
            assert answer.status == 200
        finally:
            os.killpg(server.pid, signal.SIGTERM)
            server.wait(20)
    assert (ROOT / "notebooks" / FIRST_LESSON).is_file()


def test_mark_writes_the_table_and_shows_how_far_it_is(tmp_path):
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "homework_04_ann.json").write_text(
        '{"format": "vocomp-lab answers", "version": 1, "homework": "04", "learner": "ann", "answers": '
        '{"computer": {"answer": {"number": 1}, "tries": 1, "hints": 0}}}'
    )
    (tmp_path / "sheets" / "homework_04_ben.json").write_text("")
    shown = run("mark", str(tmp_path / "sheets"), "--out", str(tmp_path / "out" / "marks.csv"), timeout=300)
    assert shown.returncode == 0, shown.stderr
    assert "homework_04_ben.json: Not marked. The sheet is empty." in shown.stdout
    assert "sheets marked: 1, of learners: 1" in shown.stdout and "] 1 of 1" in shown.stderr
    lines = (tmp_path / "out" / "marks.csv").read_text().splitlines()
    assert lines[0].startswith("learner,homework,points,of") and lines[1].startswith("ann,04,0,")
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "marks.csv", "marks.html", "marks.journal", "marks.pages", "marks.png", "marks.report.txt",
    }  # fmt: skip


def test_mark_without_a_folder_says_so_in_one_line(tmp_path):
    shown = run("mark", str(tmp_path / "nowhere"), "--out", str(tmp_path / "marks.csv"))
    assert shown.returncode == 2 and shown.stderr.startswith("folder: ") and len(shown.stderr.strip().splitlines()) == 1


def test_the_answer_key_is_one_learners():
    ann, ben = (run("answer-key", "04", "--learner", learner) for learner in ("ann", "ben"))
    assert ann.returncode == ben.returncode == 0 and ann.stdout != ben.stdout
    assert "Answer key for ann." in ann.stdout and "Right, for example:" in ann.stdout
    wrong = run("answer-key", "77", "--learner", "ann")
    assert wrong.returncode == 2 and "homework: '77' is not allowed" in wrong.stderr


def test_the_bar_ends_its_line_when_all_is_done(capsys):
    report = bar_on_stderr(10)
    report(0, 4), report(2, 4), report(4, 4)
    shown = capsys.readouterr().err
    assert shown == "\r[..........] 0 of 4\r[#####.....] 2 of 4\r[##########] 4 of 4\n"
