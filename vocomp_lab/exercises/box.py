"""The box: a student's function runs in a process of its own, with limits, and only numbers come back.

The notebook and the marker use the same box, so a student sees the verdict that will count. DEVELOPERS.md says what the
box protects against and what it doesn't; :mod:`vocomp_lab.exercises.box_inside` is what runs inside.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import sysconfig
import tempfile
import threading
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from vocomp_lab.sound.text import printable

INSIDE = Path(__file__).with_name("box_inside.py")
LONGEST_SOURCE = 20_000
# Loaded before the files are shut; anything else that a function imports may be in a folder that it can't read.
_AT_HAND = ("cmath", "collections", "functools", "itertools", "operator", "random", "statistics")
# How a process ends that has used up its time. Windows' two numbers, for a job's, are from memory.
_TIME_IS_UP = {-getattr(signal, "SIGXCPU", signal.SIGTERM), -signal.SIGTERM, 1816, 0xC0000044}


@dataclass(frozen=True)
class Limits:
    """What a function may use: processor time and clock time in seconds, memory, and length of output.

    The box has `start_s` seconds to get ready, which is long enough for a busy machine; only then the clock starts.
    """

    cpu_s: int = 2
    wall_s: float = 12.0
    start_s: float = 60.0
    memory_bytes: int = 768 * 2**20
    output_bytes: int = 2 * 2**20


LIMITS = Limits()


class BoxNotReady(RuntimeError):
    """The box did not start. Whoever marks must not take that for a wrong answer."""


@dataclass(frozen=True)
class BoxResult:
    """What came out of the box.

    Attributes
    ----------
    outputs : list or None
        For each call a float, or a nested list of floats; None if the function did not get through all calls.
    trouble : str
        One sentence on why it did not; empty if it did.
    guards : dict of bool
        Which protections were in force: ``limits`` (the system's bounds), ``memory`` (a bound on memory is among them),
        ``files`` (the kernel shuts all files but Python's own), ``rights`` (no administrator's rights). Python's own
        guard, which refuses everything but calculations, always is.
    """

    outputs: list | None
    trouble: str = ""
    guards: dict = field(default_factory=dict)


def run_in_box(source: str, name: str, calls, limits: Limits = LIMITS) -> BoxResult:
    """Run a function, given as source text, on some inputs in a separate process.

    Parameters
    ----------
    source : str
        Python text that defines the function. ``math`` is available, and ``np`` if the text uses it or an input is an
        array. At most 20,000 characters.
    name : str
        The function's name.
    calls : sequence of sequences
        The positional arguments of each call: numbers, text, lists of numbers, or arrays.
    limits : Limits

    Returns
    -------
    BoxResult
        Nothing that the source does raises an error here.

    Raises
    ------
    BoxNotReady
        If the machine could not get the box ready, which says nothing about the answer.
    """
    if len(source) > LONGEST_SOURCE:
        return BoxResult(
            None, f"The function's text has {len(source):,} characters; at most {LONGEST_SOURCE:,} are allowed."
        )
    arrays = any(isinstance(value, np.ndarray) for inputs in calls for value in inputs)
    job = {
        "source": source,
        "name": name,
        "calls": [[_packed(value) for value in inputs] for inputs in calls],
        "numpy": arrays or bool(re.search(r"\b(np|numpy|scipy)\b", source)),
        "modules": _AT_HAND + (("scipy.signal",) if "scipy" in source else ()),
        "limits": {"cpu_s": limits.cpu_s, "memory_bytes": limits.memory_bytes},
        "folders": _library_folders(),
    }
    said, ended = _speak_with_child(json.dumps(job).encode(), limits)
    if said == b"":
        raise BoxNotReady(
            "The function could not be run: this machine is too busy or has too little memory; try again."
        )
    return _understood(said, ended, name, len(calls), limits)


def about_memory() -> str:
    """A sentence for whoever marks, if nothing bounds the memory of a learner's function here; else nothing."""
    try:
        import resource  # noqa: F401
    except ImportError:
        known = False
    else:
        known = sys.platform.startswith("linux")
    try:
        if known or run_in_box("def f():\n    return 1.0", "f", [()]).guards.get("memory"):
            return ""
    except BoxNotReady:
        return ""
    return (
        "This system puts no bound on the memory of a learner's function: one that asks for far too much can make the "
        "whole machine slow. If you don't trust every sheet, mark on Linux."
    )


def _speak_with_child(text: bytes, limits: Limits) -> tuple[bytes | None, int | None]:
    """What the child wrote (None if it was too much), and how it ended (None if it had to be killed)."""
    environment = {name: "1" for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")}
    environment |= {name: os.environ[name] for name in ("SYSTEMROOT",) if name in os.environ}
    said, too_much, ready = bytearray(), False, threading.Event()
    # On Windows a folder can't go before the last process in it has.
    with tempfile.TemporaryDirectory(prefix="box-", ignore_cleanup_errors=True) as empty:
        child = subprocess.Popen(
            [sys.executable, "-I", str(INSIDE)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd=empty,
            env=environment,
            start_new_session=True,
        )

        def converse():
            nonlocal too_much
            try:
                child.stdin.write(text)
                child.stdin.close()
            except OSError:
                pass
            while part := child.stdout.read1(65_536):
                said.extend(part)
                ready.set()  # an empty line: everything is loaded, and now comes the student's part
                if len(said) > limits.output_bytes:
                    too_much = True
                    return
            ready.set()

        talk = threading.Thread(target=converse, daemon=True)
        talk.start()
        ready.wait(limits.start_s)
        if ready.is_set():
            talk.join(limits.wall_s)
        ended = None
        if not talk.is_alive() and not too_much:
            try:
                ended = child.wait(1.0)
            except subprocess.TimeoutExpired:
                pass
        _end_all(child)
        talk.join(1.0)
        child.stdout.close()
    return (None if too_much else bytes(said)), ended


def _end_all(child) -> None:
    """Kill the child and everything it started: it leads a session of its own."""
    try:
        os.killpg(child.pid, signal.SIGKILL)
    except (AttributeError, ProcessLookupError, PermissionError):
        child.kill()
    child.wait()


def _understood(said: bytes | None, ended: int | None, name: str, calls: int, limits: Limits) -> BoxResult:
    if said is None:
        return BoxResult(None, f"`{name}` returns more than {limits.output_bytes / 2**20:.0f} MB.")
    try:
        answer = json.loads(said)
        guards = {str(key): value is True for key, value in answer.get("guards", {}).items()}
        if "outputs" in answer:
            outputs = [_number_or_list(output) for output in answer["outputs"]]
            if len(outputs) != calls:
                raise ValueError
            return BoxResult(outputs, "", guards)
        message = printable(str(answer.get("message", ""))[:300].replace("\n", " "))
        return BoxResult(None, _SENTENCES[answer["trouble"]].format(name=name, message=message), guards)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        pass
    if ended is None or ended in _TIME_IS_UP:
        return BoxResult(
            None,
            f"`{name}` has not finished after {limits.cpu_s} s of work, or {limits.wall_s:g} s in all; look for a loop that never "
            "stops, or for a list far longer than needed.",
        )
    if ended and ended < 0 and not said.strip():
        return BoxResult(None, f"`{name}` crashed: too much memory, recursion too deep, or it took too long.")
    return BoxResult(None, f"`{name}` quit Python instead of returning a number.")


_SENTENCES = {
    "source": "The function can't be run ({message}); its text must be complete, with any imports inside.",
    "missing": "There is no function `{name}` in your answer.",
    "raised": "`{name}` stopped with an error ({message}).",
    "kind": "`{name}` returns {message}; it must return numbers.",
    "long": "`{name}` returns a list of {message} numbers, far more than any task asks for.",
    "waits": "`{name}` waits (`time.sleep`); take that line out, since it only has to calculate.",
    "memory": "`{name}` needs more memory than there is; look for a list that is far too long.",
    "name": "`{name}` uses `{message}`, which isn't there when it runs alone; put helpers, constants and imports inside the "
    "function.",
}


def _number_or_list(value):
    """A float or nested list of floats from untrusted JSON; a ValueError for anything else."""
    if isinstance(value, list):
        return [_number_or_list(part) for part in value]
    if isinstance(value, str) and value in ("nan", "inf", "-inf"):
        return float(value)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    raise ValueError


def _packed(value):
    return {"array": value.tolist()} if isinstance(value, np.ndarray) else value


def _library_folders() -> list[str]:
    """The folders of Python and its packages: all that may be read inside."""
    paths = sysconfig.get_paths()
    return sorted({paths[name] for name in ("stdlib", "platstdlib", "purelib", "platlib")})
