"""Tasks that a teacher writes without programming: text, number, tolerance, hints and typical mistakes in a TOML file.

A file ``homework_NN.toml`` beside the homework notebooks adds its tasks to homework NN. If there is no such homework, the
file is one of its own, and then has a ``title``::

    [[task]]
    id = "headroom"                  # names the task in answer sheets; a new question gets a new one
    title = "How much is left?"
    text = "A take peaks at **{peak} dBFS**. By how much can you turn it up before it clips?"
    unit = "dB"
    tolerance = 0.1
    points = 1                       # optional
    hints = ["Full scale is 0 dBFS."]
    solution = "0 − ({peak}) = **{answer} dB**."
    rows = [                         # each learner gets one of them
        {peak = -7.5, answer = 7.5},
        {peak = -4.0, answer = 4.0},
    ]

    [[task.mistake]]
    answer = "peak"                  # a number, or a column of the rows
    says = "The size is right; but turning up is a positive gain."

Without ``rows``, ``answer = 7.5`` stands in the task itself. What is in braces is put in from the learner's row.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.exercises.kinds import WorkOut
from vocomp_lab.exercises.mistakes import MISTAKES, Mistake
from vocomp_lab.exercises.tasks import MOST_HINTS, Task, read_number
from vocomp_lab.sound.checks import shown

_PLACE = re.compile(r"\{(\w*)\}")
_MOST_TASKS, _MOST_ROWS, _LONGEST_TEXT = 20, 1000, 4000
_TASK_FIELDS = {
    "id", "title", "text", "unit", "tolerance", "points", "hints", "solution", "answer", "rows", "mistake",
}  # fmt: skip


@dataclass(frozen=True)
class Written:
    """What a file holds.

    Attributes
    ----------
    title : str
        Empty if the file adds to a homework that is there already.
    tasks : tuple of Task
    """

    title: str
    tasks: tuple[Task, ...]


def read_written(path, homework: str) -> Written:
    """The tasks of a teacher's file.

    Parameters
    ----------
    path : path-like
        A TOML file, as the module's docstring shows it.
    homework : str
        The name of the homework that they belong to.

    Raises
    ------
    ValueError
        In one sentence with file, task and field, for anything that is missing, unknown or makes no sense.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text("utf-8-sig"))
    except (OSError, ValueError) as error:  # ValueError: not UTF-8, or not TOML
        raise ValueError(f"{path.name}: it can't be read as TOML ({' '.join(str(error).split())[:150]}).") from None
    _known(data, {"title", "task"}, path.name)
    entries = data.get("task")
    if not isinstance(entries, list) or not 1 <= len(entries) <= _MOST_TASKS:
        raise ValueError(f"{path.name}: it has no tasks; give 1 to {_MOST_TASKS}, each under [[task]].")
    title = _text(data, "title", path.name) if "title" in data else ""
    tasks = tuple(_task(entry, f"{path.name}, task {number}", homework) for number, entry in enumerate(entries, 1))
    ids = [task.id for task in tasks]
    twice = next((one for one in ids if ids.count(one) > 1), None)
    if twice:
        raise ValueError(f"{path.name}: id {shown(twice)} is there twice; every task needs its own.")
    return Written(title, tasks)


def _task(entry, where: str, homework: str) -> Task:
    if not isinstance(entry, dict):
        raise ValueError(f"{where}: it is not a table; begin it with [[task]].")
    _known(entry, _TASK_FIELDS, where)
    name = _text(entry, "id", where)
    if not name.isidentifier():
        raise ValueError(
            f"{where}: id {shown(name)} is not allowed; give letters, digits and _, and no digit in front."
        )
    where = f"{where} ({name})"
    points = entry.get("points", 1)
    if isinstance(points, bool) or not isinstance(points, int) or not 1 <= points <= 10:
        raise ValueError(f"{where}: points {shown(points)} is not allowed; give a whole number from 1 to 10.")
    tolerance = _number(entry, "tolerance", where)
    if tolerance <= 0:
        raise ValueError(f"{where}: tolerance {tolerance:g} is not allowed; give a number above 0.")
    rows = _rows(entry, where)
    hints = entry.get("hints", [])
    if (
        not isinstance(hints, list)
        or len(hints) > MOST_HINTS
        or not all(isinstance(hint, str) and hint for hint in hints)
    ):
        raise ValueError(f"{where}: hints is not allowed like this; give a list of at most {MOST_HINTS} texts.")
    texts = {field: _text(entry, field, where) for field in ("text", "solution")}
    texts |= {f"hint {number}": hint for number, hint in enumerate(hints, 1)}
    for field, text in texts.items():
        unknown = next((place for place in _PLACE.findall(text) if place not in rows[0]), None)
        if unknown is not None:
            raise ValueError(f"{where}: {field} has {{{unknown}}} in it, but the rows have no column of that name.")
    unit = entry.get("unit", "")
    if not isinstance(unit, str):
        raise ValueError(f"{where}: unit {shown(unit)} is not a text.")
    mistakes = _mistakes(entry, where, f"{homework}_{name}", rows)

    def pose(draw) -> WorkOut:
        row = draw.choice(rows)
        filled = {field: _filled(text, row) for field, text in texts.items()}
        return WorkOut(
            prompt=filled.pop("text"),
            solution=filled.pop("solution"),
            hints=tuple(filled.values()),
            answer=row["answer"],
            unit=unit,
            tolerance=tolerance,
            mistakes={known: row[column] if isinstance(column, str) else column for known, column in mistakes.items()},
        )

    return Task(name, _text(entry, "title", where), pose, points)


def _rows(entry: dict, where: str) -> list[dict]:
    """The rows, each with an answer; one row if the answer stands in the task itself."""
    if ("rows" in entry) == ("answer" in entry):
        raise ValueError(f"{where}: give either an answer, or rows that each hold one.")
    if "answer" in entry:
        return [{"answer": _number(entry, "answer", where)}]
    rows = entry["rows"]
    if not isinstance(rows, list) or not 1 <= len(rows) <= _MOST_ROWS or not all(isinstance(row, dict) for row in rows):
        raise ValueError(f"{where}: rows is not allowed like this; give a list of 1 to {_MOST_ROWS} tables.")
    for number, row in enumerate(rows, 1):
        if "answer" not in row or set(row) != set(rows[0]):
            raise ValueError(
                f"{where}: row {number} is not like the others; each holds an answer and the same columns."
            )
        _number(row, "answer", f"{where}, row {number}")
        odd = next((column for column, value in row.items() if isinstance(value, (list, dict, bool))), None)
        if odd is not None:
            raise ValueError(f"{where}, row {number}: {odd} is not allowed like this; give a number or a text.")
    return rows


def _mistakes(entry: dict, where: str, prefix: str, rows: list[dict]) -> dict:
    """Names of mistakes, each with its number or its column; what they say is added to ``MISTAKES``."""
    listed = entry.get("mistake", [])
    if not isinstance(listed, list) or not all(isinstance(one, dict) for one in listed):
        raise ValueError(f"{where}: mistake is not allowed like this; begin each with [[task.mistake]].")
    named = {}
    for number, one in enumerate(listed, 1):
        here = f"{where}, mistake {number}"
        _known(one, {"answer", "says", "label"}, here)
        wrong = one.get("answer")
        if isinstance(wrong, str):
            if wrong not in rows[0] or wrong == "answer":
                raise ValueError(f"{here}: answer {shown(wrong)} is no column of the rows.")
            for place, row in enumerate(rows, 1):
                _number(row, wrong, f"{where}, row {place}")
        else:
            wrong = _number(one, "answer", here)
        says = _text(one, "says", here)
        name = f"own_{prefix}_{number}"
        MISTAKES[name] = Mistake(_text(one, "label", here) if "label" in one else says[:40], says)
        named[name] = wrong
    return named


def _filled(text: str, row: dict) -> str:
    return _PLACE.sub(lambda place: _told(row[place[1]]), text)


def _told(value) -> str:
    return value if isinstance(value, str) else f"{value:g}".replace("-", "−")


def _known(table: dict, fields: set, where: str) -> None:
    unknown = next((field for field in table if field not in fields), None)
    if unknown is not None:
        raise ValueError(f"{where}: {shown(unknown)} is unknown; there are {', '.join(sorted(fields))}.")


def _text(table: dict, field: str, where: str) -> str:
    text = table.get(field)
    if not isinstance(text, str) or not text.strip() or len(text) > _LONGEST_TEXT:
        raise ValueError(
            f"{where}: {field} is missing or not allowed; give a text of up to {_LONGEST_TEXT:,} characters."
        )
    return text.strip()


def _number(table: dict, field: str, where: str) -> float:
    try:
        return read_number(table.get(field))
    except ValueError:
        raise ValueError(f"{where}: {field} {shown(table.get(field))} is not allowed; give a number.") from None
