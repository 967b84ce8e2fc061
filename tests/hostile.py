"""Forty hostile answers: functions that break out, use up memory or never end, and files that are not sheets.

Used by the tests of the box and of the marker. `{folder}` stands for a folder that holds a file ``victim``.
"""

from __future__ import annotations

import json
import os
import signal

FUNCTIONS = {
    "endless loop": "def {name}(*a):\n    while True:\n        pass",
    "endless sleep": "import time\ndef {name}(*a):\n    time.sleep(10**6)",
    "fork": "import os\ndef {name}(*a):\n    os.fork()\n    return 0.0",
    "fork for ever": "import os\ndef {name}(*a):\n    while True:\n        try:\n            os.fork()\n        except "
    "OSError:\n            pass",
    "memory": "def {name}(*a):\n    kept = []\n    while True:\n        kept.append(bytearray(10**8))",
    "a huge number": "def {name}(*a):\n    return 10 ** 10 ** 9",
    "deletes a file": "import os\ndef {name}(*a):\n    os.remove('{folder}/victim')\n    return 0.0",
    "deletes a folder": "import shutil\ndef {name}(*a):\n    shutil.rmtree('{folder}')\n    return 0.0",
    "deletes beneath Python's guard": (
        "import numpy.ctypeslib as c\ndef {name}(*a):\n    ctypes = c.ctypes\n"
        "    return float(ctypes.pythonapi.unlink(b'{folder}/victim'))"
    ),
    "deletes through a module that holds os": (
        "import random\ndef {name}(*a):\n    random._os.unlink('{folder}/victim')\n    return 0.0"
    ),
    "overwrites a file": "def {name}(*a):\n    open('{folder}/victim', 'w').write('gone')\n    return 0.0",
    "truncates a file": "import os\ndef {name}(*a):\n    os.truncate('{folder}/victim', 0)\n    return 0.0",
    "renames a file": "import os\ndef {name}(*a):\n    os.rename('{folder}/victim', '{folder}/moved')\n    return 0.0",
    "writes a new file": "import os\ndef {name}(*a):\n    os.open('{folder}/new', os.O_CREAT | os.O_WRONLY)\n   "
    " return 0.0",
    "reads a file": "def {name}(*a):\n    return [float(b) for b in open('{folder}/victim', 'rb').read()]",
    "lists a folder": "import os\ndef {name}(*a):\n    return float(len(os.listdir('{folder}')))",
    "deep recursion": "def {name}(*a):\n    return {name}(*a)",
    "very deep recursion": "import sys\nsys.setrecursionlimit(10**9)\ndef {name}(*a):\n    return {name}(*a)",
    "deep nesting": "def {name}(*a):\n    x = []\n    for _ in range(10**5):\n        x = [x]\n    return x",
    "huge output": "def {name}(*a):\n    return [1.0] * 10**7",
    "patched json": "import json\njson.dumps = lambda *a, **k: '{{\"outputs\": []}}'\ndef {name}(*a):\n    return 0.0",
    "patched builtins": "import builtins\nbuiltins.abs = builtins.max = builtins.len = lambda *a: 0\ndef {name}(*a):\n "
    "   return -1e6",
    "equal to everything": (
        "class Yes(float):\n    __eq__ = __le__ = __ge__ = lambda *a: True\n    __abs__ = __sub__ = __rsub__ = lambda "
        "*a: Yes(0)\n"
        "def {name}(*a):\n    return Yes(-1e6)"
    ),
    "starts a program": "import subprocess\ndef {name}(*a):\n    subprocess.run(['touch', '{folder}/new'])\n   "
    " return 0.0",
    "starts a shell": "import os\ndef {name}(*a):\n    os.system('rm -rf {folder}')\n    return 0.0",
    "opens a socket": "import socket\ndef {name}(*a):\n    socket.socket()\n    return 0.0",
    "asks the workbook": "import vocomp_lab\ndef {name}(*a):\n    return 0.0",
    "ends its process": "import os\ndef {name}(*a):\n    os._exit(0)",
    "leaves": "import sys\ndef {name}(*a):\n    sys.exit(0)",
    "kills its parent": "import os\ndef {name}(*a):\n    os.kill(os.getppid(), 9)\n    return 0.0",
    "an error that never ends": (
        "class Slow(Exception):\n    def __str__(self):\n        while True:\n            pass\ndef {name}(*a):\n   "
        " raise Slow"
    ),
    "no Python": "def {name}(*a) return 0.0",
    "null bytes": "def {name}(*a):\n    return 0.0\n\0",
}
"""Sources; in braces the function's name."""


def source_of(name: str, function: str, folder) -> str:
    """The text of a hostile function."""
    return FUNCTIONS[name].format(name=function, folder=folder)


def sheet(answers, learner="someone", homework="04", **changes) -> dict:
    """A sheet as data, some of it changed."""
    return {
        "format": "vocomp-lab answers", "version": 1, "homework": homework, "learner": learner, "answers": answers,
        **changes,
    }  # fmt: skip


def entry(answer, tries=1, hints=0, **more) -> dict:
    """An entry as data; `more` as in given="2026-10-05T10:00:00+00:00"."""
    return {"answer": answer, "tries": tries, "hints": hints, **more}


SHEETS = {
    "empty": b"",
    "cut off": json.dumps(sheet({})).encode()[:-5],
    "no text": bytes(range(128, 256)),
    "huge": b"[" + b"1," * 400_000 + b"1]",
    "deeply nested": b"[" * 100_000,
    "a formula for a name": json.dumps(sheet({}, learner="=cmd|' /C calc'!A1")).encode(),
    "a path for a name": json.dumps(sheet({}, learner="../../escape")).encode(),
    "a tampered score": json.dumps(sheet({}, points=1000)).encode(),
    "another version": json.dumps(sheet({}, version=2)).encode(),
    "a version that is true": json.dumps(sheet({}, version=True)).encode(),
    "not a number": b'{"format": "vocomp-lab answers", "version": NaN}',
    "a field twice": b'{"format": "vocomp-lab answers", "format": "vocomp-lab answers"}',
    "negative tries": json.dumps(sheet({"computer": entry({"number": 1}, tries=-5)})).encode(),
}
"""Files that must not be marked."""

DATA = {
    "number is text": ("computer", {"number": "1e400"}),
    "number is infinite": ("computer", {"number": 10**400}),
    "number is a list": ("computer", {"number": [1]}),
    "answer is a list": ("computer", [1, 2]),
    "answer is text": ("rough_line", "4"),
    "many times": ("knocks", {"numbers": list(range(10_000))}),
    "times are an object": ("knocks", {"numbers": {"a": 1}}),
    "settings of another kind": ("peaks_so_much", {"settings": {"format": "x"}}),
    "a word that is a list": ("what_went_wrong", {"word": ["threshold"]}),
    "heard everything": ("blind", {"heard": [["A", "A", 1.0]] * 100_00}),
    "heard nonsense": ("blind", {"heard": [[{}, None, 1.0]] * 10}),
    "source is a number": ("gain_within_range", {"source": 5}),
}
"""Entries of a sheet that can be read, by task of homework 04, that no mark may come of."""


def mark_or_die(sheet):
    """Mark a sheet, but end the process at the one of the learner whom the variable DEADLY_FOR names. It stands here, since a
    worker loads the whole file that its work is in.
    """
    from vocomp_lab.exercises.marking import mark_sheet

    if sheet.learner == os.environ["DEADLY_FOR"]:
        os.kill(os.getpid(), signal.SIGKILL)
    return mark_sheet(sheet)
