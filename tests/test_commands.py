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

from vocomp_lab.__main__ import FIRST_LESSON, main


def run(*arguments, timeout=60):
    return subprocess.run([sys.executable, "-m", "vocomp_lab", *arguments], capture_output=True, text=True, timeout=timeout)


def test_help_names_the_commands():
    shown = run("--help")
    assert shown.returncode == 0
    assert all(command in shown.stdout for command in ("open", "make-data"))


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
        server = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT, env=environment, cwd=tmp_path, start_new_session=True)
        try:
            found = None
            for _ in range(240):
                found = re.search(r"http://(?:localhost|127\.0\.0\.1):(\d+)/lab/tree/(\S+)\?token=(\w+)", (tmp_path / "log").read_text())
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
