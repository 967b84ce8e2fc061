"""Every command on every console: one that lacks signs, one that nobody reads, one that is closed, one with Ctrl+C."""

from __future__ import annotations

import ast
import io
import json
import os
import signal
import subprocess
import sys
import time
import unicodedata

import numpy as np
import pytest
from conftest import PROJECT, one_sentence, sine
from takes import ci_only

from vocomp_lab import console
from vocomp_lab.__main__ import main
from vocomp_lab.exercises.homework import Homework
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip, save

RATE = 48_000


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A tone, silence, a settings sheet and a homework to mark, in the current folder."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "takes").mkdir()
    save(Clip(sine(200, 1, RATE, -18), RATE), tmp_path / "takes" / "a – ½ €.wav")
    save(Clip(np.zeros(RATE // 2), RATE), tmp_path / "takes" / "silence.wav")
    save(Clip(np.zeros(RATE // 2), RATE), tmp_path / "silence.wav")
    (tmp_path / "sheet.json").write_text(Chain([("peaks ≥ −3", Compressor(-30, 4, 1, 60))]).to_json(), "utf-8")
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "homework_04_zoë.json").write_text(
        '{"format": "vocomp-lab answers", "version": 1, "homework": "04", "learner": "zoë", "answers": '
        '{"computer": {"answer": {"number": 1}, "tries": 1, "hints": 0}, '
        '"–": {"answer": null, "tries": 0, "hints": 0}}}',
        "utf-8",
    )
    (tmp_path / "sheets" / "Zoë ≤ 3.json").write_text("", "utf-8")
    return tmp_path


@pytest.fixture
def on(monkeypatch):
    """A command on a console with an encoding: how it ended, and what the console showed of its output and errors."""

    def run(encoding, *arguments):
        streams = [io.TextIOWrapper(io.BytesIO(), encoding) for _ in range(2)]
        with monkeypatch.context() as patch:
            patch.setattr(sys, "stdout", streams[0])
            patch.setattr(sys, "stderr", streams[1])
            try:
                code = main(list(map(str, arguments)))
            except SystemExit as end:
                code = end.code
        return code, *(stream.buffer.getvalue().decode(encoding) for stream in streams)

    return run


# ------------------------------------------------------------------------------------------------------------- signs


@pytest.mark.parametrize("encoding", ("cp1252", "ascii", "latin-1", "cp437", "utf-8"))
def test_a_table_holds_its_columns_on_any_console(folder, on, encoding):
    code, shown, says = on(encoding, "measure", "takes", "nowhere.wav")
    assert code == 1 and says == "path: there is no file 'nowhere.wav'.\n"
    lines = shown.splitlines()
    assert len(lines) == 4 and len({len(line) for line in lines}) == 1, shown
    minus, infinite = "−" if encoding == "utf-8" else "-", "∞" if encoding in ("utf-8", "cp437") else "inf"
    assert f" {minus}18.0 " in lines[2] and f" {minus}{infinite} " in lines[3]
    name = "a – ½ €.wav" if encoding in ("utf-8", "cp1252") else "a - ½ EUR.wav"
    name = name.replace("½", "\\xbd") if encoding == "ascii" else name
    assert lines[2].startswith(os.path.join("takes", name) + " ")


def test_every_command_prints_where_there_is_nothing_but_ascii(folder, on, encoding="ascii"):
    for arguments in (
        ("--help",),
        ("answer-key", "04", "--learner", "zoë"),
        ("render", "takes/a – ½ €.wav", "--sheet", "sheet.json", "-o", "out–.wav"),
        ("exam", "02", "--learner", "zoë", "--out", "exam–.html"),
        ("mark", "sheets", "--out", "marks–.csv", "--workers", "1"),
    ):
        code, shown, says = on(encoding, *arguments)
        assert (code, says) == (0, ""), arguments
        # Only letters become escapes, so that a name stays exact; "½" is a letter's like in this.
        rest = shown.replace("\\xeb", "ë").replace("\\xbd", "½")
        assert "\\u" not in rest and "\\x" not in rest, rest
    assert on(encoding, "answer-key", "04", "--learner", "∞")[0] == 2
    assert on(encoding, "open", "–.ipynb")[::2] == (2, f"notebook: there is no {plain('–.ipynb', encoding)!r} in "
                                                     f"{plain(str(PROJECT / 'notebooks'), encoding)}.\n")  # fmt: skip
    assert on(encoding, "collect", "--group", "no such–group")[0] == 2


def plain(text, encoding):
    return console.plain_signs(text, encoding)


def test_every_sign_of_the_package_has_a_plain_form():
    """All that its texts hold, on a console that has none of it, without an escape."""
    texts = []
    for path in sorted((PROJECT / "vocomp_lab").rglob("*.py")):
        nodes = ast.walk(ast.parse(path.read_text("utf-8")))
        texts += [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    signs = sorted(
        {sign for text in texts for sign in text if unicodedata.category(sign)[0] in "SPNZ" and not sign.isascii()}
    )
    assert len(signs) > 20
    assert [sign for sign in signs if "\\" in plain(sign, "ascii")] == []


def test_a_letter_whose_accent_stands_apart_is_shown_as_one_where_it_can_be():
    assert plain("zoe\u0308 − ë", "cp1252") == "zoë - ë"
    assert plain("zoë −", "utf-8") == "zoë −"
    assert plain("m\udcfcller", "utf-8") == "m\\udcfcller"


# ------------------------------------------------------------------------------------------ nobody reads, or no room


@pytest.fixture
def to(monkeypatch):
    """A command with this as its standard output (None: closed): how it ended, and what it said of errors."""

    def run(stdout, *arguments):
        stderr = io.StringIO()
        with monkeypatch.context() as patch:
            patch.setattr(sys, "stdout", stdout)
            patch.setattr(sys, "stderr", stderr)
            code = main(list(map(str, arguments)))
        if stdout is not None:
            stdout.close()  # complains if anything is left that can't be written
        return code, stderr.getvalue()

    return run


def unread():
    """A pipe whose reader has gone."""
    read, write = os.pipe()
    os.close(read)
    return open(write, "w", encoding="utf-8")


@pytest.mark.parametrize("stdout", (unread, lambda: None), ids=("unread", "closed"))
def test_output_that_nobody_reads_is_no_failure(folder, to, stdout, monkeypatch):
    render = ("render", "silence.wav", "--sheet", "sheet.json", "-o", "out.wav", "--no-report")
    assert to(stdout(), *render) == (0, "") and (folder / "out.wav").is_file()
    assert to(stdout(), "measure", "silence.wav", "nowhere.wav")[0] == (0 if stdout is unread else 1)
    # Whoever has gone waits for no other file.
    measured = []
    monkeypatch.setattr("vocomp_lab.commands.measure_file", lambda path: measured.append(path) or 1 / 0)
    if stdout is unread:
        assert to(stdout(), "measure", "silence.wav") == (0, "") and measured == []


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no /dev/full")
def test_output_that_finds_no_room_is_a_failure_in_one_sentence(folder, to):
    code, says = to(open("/dev/full", "w", encoding="utf-8"), "measure", "silence.wav")
    assert code == 1
    one_sentence(says.strip(), "output", "space")


def test_errors_do_not_get_into_the_output_when_the_error_stream_is_closed(folder, monkeypatch, capsys):
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stderr", None)
        assert main(["measure", "--json", "nowhere.wav"]) == 1
    assert json.loads(capsys.readouterr().out)[0]["file"] == "nowhere.wav"


@pytest.mark.skipif(os.name != "posix", reason="numbers of open files are POSIX's")
def test_no_file_gets_the_number_of_a_closed_stream():
    code = "from vocomp_lab import console as c\nimport os\nos._exit(c.run(lambda: os.open(os.devnull, os.O_RDONLY)))"
    loads = f"import sys, types; p = types.ModuleType('vocomp_lab'); p.__path__ = [{str(PROJECT / 'vocomp_lab')!r}]\n"
    child = subprocess.run(
        [sys.executable, "-c", f"{loads}sys.modules['vocomp_lab'] = p\n{code}"],
        preexec_fn=lambda: os.closerange(0, 3), timeout=60,
    )  # fmt: skip
    assert child.returncode > 2


# ------------------------------------------------------------------------------------------------------------- Ctrl+C

STOP_AT = """
import importlib.abc, os, signal, sys
class Stop(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name == "{module}":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Stop())
"""


LOADED_BY = {
    "numpy._core.multiarray": (["measure", "."], ""),
    "vocomp_lab.exercises.reports": (["answer-key", "04", "--learner", "ann"], ""),
    "vocomp_lab.exercises.exam": (["exam", "04", "--learner", "ann"], "Stopped.\n"),
}
"""A module, a command that loads it, and what that says when it is stopped there."""


def stoppable():
    """For a child: a job in a shell's background ignores Ctrl+C, and what starts the tests may be one."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.mark.skipif(os.name != "posix", reason="a process can't press its own Ctrl+C elsewhere")
@pytest.mark.parametrize("module", ("numpy._core.multiarray", *ci_only(list(LOADED_BY)[1:])))
def test_ctrl_c_while_it_loads_ends_without_a_traceback(tmp_path, module):
    arguments, says = LOADED_BY[module]
    (tmp_path / "usercustomize.py").write_text(STOP_AT.format(module=module))
    (tmp_path / "sitecustomize.py").write_text(STOP_AT.format(module=module))
    child = subprocess.run(
        [sys.executable, "-m", "vocomp_lab", *arguments], capture_output=True, text=True, timeout=60, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(PROJECT)])}, preexec_fn=stoppable,
    )  # fmt: skip
    assert (child.returncode, child.stdout, child.stderr) == (console.STOPPED, "", says)


@pytest.mark.skipif(os.name != "posix", reason="Ctrl+C can't be sent to one process elsewhere")
def test_ctrl_c_in_the_middle_of_measuring_ends_without_a_traceback(tmp_path):
    save(Clip(np.random.default_rng(1).standard_normal((RATE * 40, 2)) * 0.05, RATE), tmp_path / "long.wav")
    for number in range(20):
        os.link(tmp_path / "long.wav", tmp_path / f"long {number}.wav")
    child = subprocess.Popen(
        [sys.executable, "-m", "vocomp_lab", "measure", str(tmp_path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, preexec_fn=stoppable,
    )  # fmt: skip
    try:
        assert child.stdout.readline().startswith("file")
        child.send_signal(signal.SIGINT)
        _, says = child.communicate(timeout=60)
    finally:
        child.kill()
    assert (child.returncode, says) == (console.STOPPED, "")


@pytest.mark.ci
@pytest.mark.skipif(os.name != "posix", reason="Ctrl+C can't be sent to a group of processes elsewhere")
def test_ctrl_c_stops_the_marker_and_its_workers_even_while_they_load(tmp_path):
    """A terminal sends it to all of them. The journal is there just before the workers start."""
    for learner in ("ann", "ben", "cat"):
        Homework("04", learner=learner, folder=tmp_path / "sheets").give(1, 1.0)
    child = subprocess.Popen(
        [sys.executable, "-m", "vocomp_lab", "mark", "sheets", "--workers", "2"], cwd=tmp_path, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True, preexec_fn=stoppable,
        env={**os.environ, "PYTHONPATH": str(PROJECT)},
    )  # fmt: skip
    try:
        until = time.monotonic() + 60
        while not (tmp_path / "marks.journal").exists():
            assert child.poll() is None and time.monotonic() < until, child.communicate()[1]
            time.sleep(0.05)
        time.sleep(0.4)
        os.killpg(child.pid, signal.SIGINT)
        shown, says = child.communicate(timeout=60)  # the workers hold these pipes too, so none of them is left
    finally:
        child.kill()
    assert (child.returncode, shown) == (console.STOPPED, "")
    assert says == "Stopped. Run the same command again to go on from here.\n"


def test_what_ctrl_c_breaks_half_way_is_no_error_of_its_own(monkeypatch, capsys):
    """NumPy, stopped while it loads, says that it is badly installed."""

    def half_loaded():
        console.let_it_clean_up()
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise ImportError("badly installed") from None

    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    monkeypatch.setattr(sys, "argv", ["-m", "measure"])
    try:
        console.quiet_while_loading()
        assert console.run(half_loaded) == console.STOPPED
        assert signal.getsignal(signal.SIGINT) not in (signal.default_int_handler, before)  # again quiet
        with pytest.raises(ImportError):
            console.run(lambda: __import__("no_such_module"))
    finally:
        signal.signal(signal.SIGINT, before)
    assert capsys.readouterr().err == "Stopped.\n"


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="this system has no such signal")
@pytest.mark.parametrize("ignored", (False, True), ids=("closed", "nohup"))
def test_a_closed_terminal_ends_a_render_cleanly_unless_it_is_to_go_on(folder, monkeypatch, capsys, ignored):
    def hung_up(*_):
        signal.raise_signal(signal.SIGHUP)
        raise ValueError("It went on.")

    before = signal.signal(signal.SIGHUP, signal.SIG_IGN if ignored else signal.SIG_DFL)
    monkeypatch.setattr("vocomp_lab.commands.render_file", hung_up)
    try:
        assert main(["render", "silence.wav", "--sheet", "sheet.json", "-o", "out.wav"]) == 1
    finally:
        assert signal.signal(signal.SIGHUP, before) == (signal.SIG_IGN if ignored else signal.SIG_DFL)
    one_sentence(capsys.readouterr().err.strip(), "It went on." if ignored else "stopped before 'out.wav'")
