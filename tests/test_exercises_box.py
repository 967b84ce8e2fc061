"""The box that runs students' functions: right numbers come back, and nothing gets out of it."""

from __future__ import annotations

import os
import time

import numpy as np
import pytest
from conftest import one_sentence
from hostile import FUNCTIONS, source_of
from takes import ci_only

from vocomp_lab.exercises.box import BoxNotReady, Limits, run_in_box

QUICK = Limits(cpu_s=1, wall_s=6.0)
BY_THE_CLOCK = Limits(cpu_s=1, wall_s=0.5)
NEVER_END = ("endless loop", "fork for ever", "a huge number", "an error that never ends")
"""What these do, they do at once. So the clock ends them sooner than their seconds of work would: `while True: pass` below, and
one of the marker's tests, use up those."""


def run(source, calls=((2.0,),), **options):
    return run_in_box(source, "f", calls, **options)


def test_numbers_lists_and_arrays_come_back():
    assert run("def f(x):\n    return x * 2").outputs == [4.0]
    assert run("def f(x):\n    return [x, x + 1]").outputs == [[2.0, 3.0]]
    assert run("def f(x):\n    return np.sqrt(x)", [(np.array([4.0, 9.0]),)]).outputs == [[2.0, 3.0]]
    assert run("def f(x):\n    return math.sqrt(x)", [(4,), (9,)]).outputs == [2.0, 3.0]
    assert np.isnan(run("def f(x):\n    return math.nan").outputs[0])
    assert run("def f(x):\n    return np.float32(x)").outputs == [2.0]
    assert run("from scipy.signal import lfilter\ndef f(x):\n    return lfilter([x], [1], [1, 2])").outputs == [
        [2.0, 4.0]
    ]


def test_what_is_printed_does_not_mix_with_the_answer():
    assert run("def f(x):\n    print('{\"outputs\": [1]}')\n    return x").outputs == [2.0]


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ("def f(x):\n    pass", "returns None"),
        ("def f(x):\n    return 'two'", "returns str"),
        ("def f(x):\n    return {}", "returns dict"),
        ("def f(x):\n    return len(x)", "stopped with an error (TypeError"),
        ("def f(x):\n    return 1 / 0", "ZeroDivisionError"),
        ("def f(x):\n    return y", "`y`, which isn't there"),
        ("def f(x):\n    return helper(x)", "put helpers, constants and imports inside the function"),
        ("@cache\ndef f(x):\n    return x", "`cache`, which isn't there"),
        ("import time\ndef f(x):\n    time.sleep(1)\n    return x", "waits (`time.sleep`)"),
        ("def f(x):\n    return [0.0] * 10**9", "more memory than there is"),
        ("def f(x):\n    return np.zeros(10**6)", "a list of 1,000,000 numbers"),
        ("def g(x):\n    return x", "no function `f`"),
        ("def f(x) return x", "SyntaxError"),
        ("f = 5", "no function `f`"),
        ("def f(x):\n    while True: pass", "has not finished after 1 s"),
        ("def f(x):\n    return [1.0] * 10**6", "a list of 1,000,000 numbers"),
        ("def f(x):\n    return [1 / 3] * 190_000", "returns more than 2 MB"),
        ("def f(x):\n    return 1j", "returns complex"),
        ("def f(x):\n    return '\ud800'", "UnicodeEncodeError"),
    ],
)
def test_a_failure_is_one_sentence(source, says):
    result = run(source, limits=QUICK)
    assert result.outputs is None
    one_sentence(result.trouble, says)


def test_a_machine_too_busy_to_start_is_no_verdict_on_the_answer():
    with pytest.raises(BoxNotReady) as caught:
        run("def f(x):\n    return x", limits=Limits(start_s=0.001))
    one_sentence(str(caught.value), "could not be run")


def test_a_text_of_a_book_is_not_run():
    one_sentence(run("#" * 30_000).trouble, "20,000")


def test_each_run_starts_anew():
    source = "import math\ncount = 0\ndef f(x):\n    global count\n    count += 1\n    return count"
    assert run(source, [(1,), (1,)]).outputs == [1.0, 2.0]
    assert run(source, [(1,)]).outputs == [1.0]


@pytest.mark.skipif(os.name != "posix", reason="bounds by the system are POSIX's")
def test_the_guards_of_this_system_hold():
    """POSIX always has limits and rights; the kernel itself is asked whether it shuts files."""
    guards = run("def f(x):\n    return x").guards
    assert guards["limits"] and guards["rights"]
    try:
        shuts = "landlock" in open("/sys/kernel/security/lsm").read().split(",")
    except OSError:
        shuts = None
    if shuts is not None:
        assert guards["files"] == shuts


def test_a_process_that_a_function_starts_does_not_outlive_it(tmp_path):
    """The limit on processes holds as well as Python's guard, and no child is left in the session afterwards."""
    before = _children()
    for name in ("fork", "fork for ever", "endless sleep"):
        run(source_of(name, "f", tmp_path), limits=BY_THE_CLOCK)
    assert _children() <= before


def _children() -> set:
    own = str(os.getpid())
    found = set()
    for number in filter(str.isdigit, os.listdir("/proc") if os.path.isdir("/proc") else []):
        try:
            with open(f"/proc/{number}/stat") as file:
                if file.read().rsplit(")", 1)[1].split()[1] == own:
                    found.add(number)
        except OSError:
            pass
    return found


@pytest.mark.parametrize("name", [*list(FUNCTIONS)[::3], *ci_only(sorted(set(FUNCTIONS) - set(list(FUNCTIONS)[::3])))])
def test_a_hostile_function_harms_nothing_and_is_worth_nothing(name, tmp_path):
    (tmp_path / "victim").write_text("still here")
    start = time.monotonic()
    limits = BY_THE_CLOCK if name in NEVER_END else QUICK
    result = run_in_box(source_of(name, "f", tmp_path), "f", [(1.0, 2.0, 3.0)], limits=limits)
    assert time.monotonic() - start < 30
    assert (tmp_path / "victim").read_text() == "still here"
    assert [path.name for path in tmp_path.iterdir()] == ["victim"]
    if result.outputs is None:
        one_sentence(result.trouble)
    else:
        assert result.outputs in ([0.0], [-1e6])
