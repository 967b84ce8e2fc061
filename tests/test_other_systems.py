"""Windows and macOS, which no test machine has: the package without what only POSIX has, Windows' bounds for a function
of a learner's by a stand-in for its calls, and the commands that README gives.
"""

from __future__ import annotations

import ctypes
import ntpath
import os
import re
import struct
import subprocess
import sys
from types import SimpleNamespace

import pytest
from conftest import PROJECT

from vocomp_lab.exercises import box, box_inside
from vocomp_lab.exercises.box import BoxResult, about_memory

# ------------------------------------------------------------------------------------------------------ without POSIX


@pytest.mark.ci
@pytest.mark.skipif(os.name != "posix", reason="there is nothing to take away")
def test_a_lesson_homework_and_marks_need_nothing_that_only_posix_has(tmp_path):
    done = subprocess.run(
        [sys.executable, "-X", "warn_default_encoding", "-W", "ignore::EncodingWarning",
         str(PROJECT / "tests" / "without_posix.py"), str(tmp_path)],
        capture_output=True, encoding="utf-8", timeout=300,
        env={**os.environ, "PYTHONPATH": str(PROJECT), "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    modules = len(list((PROJECT / "vocomp_lab").rglob("*.py")))
    assert f"modules: {modules}" in lines and "lesson 04: 11 cells" in lines
    # The eighth task is a listening test, which has no key: nobody has listened.
    assert [f"ann: Task {number}: ✔ right" in lines for number in range(1, 9)] == [True] * 7 + [False]
    assert [f"zoë: Task {number}: ✔ right" in lines for number in (1, 2)] == [True] * 2
    assert "sheets marked: 2, learners: 2, table: marks.csv; notes in the report: 0" in lines
    table = (tmp_path / "marks.csv").read_text("utf-8").splitlines()
    assert [line.split(",")[:3] for line in table[1:]] == [["ann", "04", "10"], ["zoë", "04", "3"]]
    # Nothing bounds memory there, and the teacher is told.
    assert [line for line in lines if "no bound on the memory" in line]
    assert "marked: 0" in lines and "beside another: 2" in lines
    assert "another marker is at work" in done.stderr
    assert sorted(path.name for path in (tmp_path / "answers").iterdir()) == [
        "homework_04_ann.json", "homework_04_zoë.json",
    ]  # fmt: skip


# -------------------------------------------------------------------------------------- bounds for a learner's function

LIMITS = {"cpu_s": 2, "memory_bytes": 768 * 2**20}
OWN = 2**64 - 1  # how Windows calls the process that asks


def windows(calls, refuses=()):
    """A stand-in for the part of Windows that is asked, on 64 bits. It writes down what it is asked for."""

    def call(name, answer):
        def asked(*given):
            calls.append((name, *given))
            return 0 if name in refuses else answer

        return asked

    def bounds(job, kind, place, size):
        calls.append(
            ("SetInformationJobObject", job, kind, bytes(ctypes.string_at(ctypes.addressof(place._obj), size)))
        )
        return 0 if "SetInformationJobObject" in refuses else 1

    return SimpleNamespace(
        CreateJobObjectW=call("CreateJobObjectW", 0x1234), SetInformationJobObject=bounds,
        AssignProcessToJobObject=call("AssignProcessToJobObject", 1), GetCurrentProcess=call("GetCurrentProcess", OWN),
        CloseHandle=call("CloseHandle", 1),
    )  # fmt: skip


@pytest.mark.skipif(sys.maxsize < 2**32, reason="the layout is that of 64 bits")
def test_windows_is_asked_to_bound_memory_time_and_processes():
    """The bytes are unpacked here by the layout in Windows' documentation (from memory): 144 of them on 64 bits."""
    calls = []
    assert box_inside.limit_by_job(LIMITS, windows(calls))
    names = [name for name, *_ in calls]
    assert names == [
        "CreateJobObjectW", "SetInformationJobObject", "GetCurrentProcess", "AssignProcessToJobObject", "CloseHandle",
    ]  # fmt: skip
    assert calls[0][1:] == (None, None) and calls[3][1:] == (0x1234, OWN) and calls[4][1:] == (0x1234,)
    _, job, kind, raw = calls[1]
    assert (job, kind, len(raw)) == (0x1234, 9, 144)
    time, job_time, flags, low, high, processes, near, priority, schedule = struct.unpack_from("<qqI4xQQI4xQII", raw)
    assert flags == 0x2 | 0x8 | 0x100 | 0x400
    assert 2.0 <= time / 1e7 < 3600 and time % 10**7 == 0 and processes == 1
    assert (job_time, low, high, near, priority, schedule) == (0, 0, 0, 0, 0, 0)
    process_memory, job_memory = struct.unpack_from("<QQ", raw, 64 + 48)
    assert (process_memory, job_memory) == (768 * 2**20, 0)


def test_handles_of_windows_are_not_cut_to_half():
    """Without these declarations ctypes would pass a handle as 32 bits."""
    kernel32 = windows([])
    box_inside.limit_by_job(LIMITS, kernel32)
    handle = ctypes.c_void_p
    assert kernel32.CreateJobObjectW.restype is kernel32.GetCurrentProcess.restype is handle
    assert kernel32.AssignProcessToJobObject.argtypes == (handle, handle)
    assert kernel32.SetInformationJobObject.argtypes[0] is kernel32.CloseHandle.argtypes[0] is handle


@pytest.mark.parametrize("refused", ("CreateJobObjectW", "SetInformationJobObject", "AssignProcessToJobObject"))
def test_what_windows_refuses_does_not_count_as_a_bound(refused):
    calls = []
    assert not box_inside.limit_by_job(LIMITS, windows(calls, {refused}))
    assert ("CloseHandle", 0x1234) in calls or refused == "CreateJobObjectW"


@pytest.mark.skipif(sys.platform == "win32", reason="there it holds")
def test_without_windows_there_is_no_job():
    assert not box_inside.limit_by_job(LIMITS)


def test_the_box_reads_pythons_own_files_on_windows_too():
    """The folder itself, what lies in it, and nothing beside it."""
    paths = SimpleNamespace(realpath=ntpath.normpath, sep=ntpath.sep)
    under = box_inside.under_any_of([r"C:\Python\Lib"], paths)
    assert under(r"C:\Python\Lib") and under(r"C:\Python\Lib\json\decoder.py") and under("C:/Python/Lib/json")
    assert not under(r"C:\Python\Library") and not under(r"C:\Python\Lib\..\secret") and not under(3)


@pytest.mark.parametrize("bounded", (True, False))
def test_whoever_marks_is_told_where_nothing_bounds_memory(monkeypatch, bounded):
    monkeypatch.setitem(sys.modules, "resource", None)
    monkeypatch.setattr(box, "run_in_box", lambda *_: BoxResult([1.0], guards={"memory": bounded}))
    assert ("no bound on the memory" in about_memory()) is not bounded


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux holds to its bound on memory")
def test_linux_bounds_memory_and_says_so():
    assert box.run_in_box("def f():\n    return 1.0", "f", [()]).guards["memory"]
    assert about_memory() == ""


# ------------------------------------------------------------------------------------------------- README's commands


def commands(heading):
    """The blocks of code below a heading of README, in order."""
    text = (PROJECT / "README.md").read_text("utf-8")
    part = re.split(r"(?m)^#{2,3} ", text.split(f"### {heading}\n", 1)[1])[0]
    return [block.strip() for block in re.findall(r"(?ms)^```\n(.*?)^```", part)]


def test_each_system_has_two_commands_of_one_line_that_do_the_same():
    """One installs and opens the first lesson, one installs what the tests need and runs them; Windows' are those of
    the others with its own names, in the one form that its old and new shells and its command prompt all take.
    """
    unix, windows = commands("Linux and macOS"), commands("Windows")
    steps = [line.split(" && ") for line in unix]
    assert steps == [
        ["python3 -m venv .venv", f".venv/bin/python -m pip install -r {file}", f".venv/bin/python -m {last}"]
        for file, last in (("requirements.txt", "vocomp_lab open"), ("tests/requirements.txt", "pytest"))
    ]
    for line, same in zip(windows, unix, strict=True):
        whole = re.fullmatch(r'cmd /c "([^"\n]*)"', line)  # PowerShell 5 knows no "&&", and cmd does
        assert whole
        parts = [part.replace("tests/", "tests\\") for part in same.split(" && ")]
        assert whole[1].split(" && ") == [
            "py -m venv .venv", *(part.replace(".venv/bin/python", r".venv\Scripts\python") for part in parts[1:]),
        ]  # fmt: skip
        assert "/" not in whole[1] and "$" not in whole[1] and "%" not in whole[1]


def test_the_page_says_which_form_a_later_command_has_on_windows():
    text = (PROJECT / "README.md").read_text("utf-8")
    assert r"`.venv\Scripts\python` for `.venv/bin/python`" in text
