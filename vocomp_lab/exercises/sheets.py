"""The answer sheet: one JSON file for each learner and homework, with answers as data and no marks.

::

    {"format": "vocomp-lab answers", "version": 1, "homework": "04", "learner": "ann",
     "answers": {"computer": {"answer": {"number": 8.0}, "tries": 2, "hints": 0}, …}}

What an ``answer`` holds depends on the kind of task: ``number``, ``numbers``, ``settings`` or ``sheet`` (a settings
sheet), ``source`` (of a function), ``word``, ``heard`` or ``guesses``. It is ``null`` if only hints were taken.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

from vocomp_lab.exercises.catalogue import homework_names
from vocomp_lab.exercises.learners import check_learner
from vocomp_lab.sound.checks import check_choice, check_whole, shown
from vocomp_lab.sound.files import write_whole

SHEET_FORMAT = "vocomp-lab answers"
SHEET_VERSION = 1
LONGEST_SHEET = 512 * 1024
"""In bytes; a full sheet is about a tenth of that."""
_MOST_ANSWERS = 100


@dataclass
class Entry:
    """What is kept for one task: the answer as data (None if there is none yet), tries, and hints taken."""

    answer: object = None
    tries: int = 0
    hints: int = 0


@dataclass
class Sheet:
    """A learner's answers to one homework."""

    homework: str
    learner: str
    answers: dict[str, Entry] = field(default_factory=dict)

    def entry(self, task_id: str) -> Entry:
        """The entry of a task, made if missing."""
        return self.answers.setdefault(task_id, Entry())

    def to_json(self) -> str:
        """The sheet as text."""
        answers = {name: {"answer": e.answer, "tries": e.tries, "hints": e.hints} for name, e in self.answers.items()}
        sheet = {
            "format": SHEET_FORMAT, "version": SHEET_VERSION, "homework": self.homework, "learner": self.learner,
            "answers": answers,
        }  # fmt: skip
        return json.dumps(sheet, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def sheet_name(homework: str, learner: str) -> str:
    """The name of a sheet's file."""
    return f"homework_{homework}_{learner}.json"


def read_sheet(raw: bytes) -> Sheet:
    """A sheet from a file's bytes.

    Raises
    ------
    ValueError
        In one sentence, if it is empty, too long, not JSON, of another format or version, or holds something unknown.
    """
    if not raw.strip():
        raise ValueError("The sheet is empty.")
    if len(raw) > LONGEST_SHEET:
        raise ValueError(f"The sheet is longer than {LONGEST_SHEET // 1024} KiB.")
    try:
        data = json.loads(raw.decode("utf-8-sig"), parse_constant=_refuse, object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"This is not an answer sheet in JSON ({' '.join(str(error).split())[:120]}).") from None
    if not isinstance(data, dict) or data.get("format") != SHEET_FORMAT:
        raise ValueError("This is not an answer sheet of this workbook.")
    if data.get("version") != SHEET_VERSION or isinstance(data["version"], bool):
        raise ValueError(
            f"The sheet has version {shown(data.get('version'))}; only version {SHEET_VERSION} can be read."
        )
    if set(data) != {"format", "version", "homework", "learner", "answers"} or not isinstance(data["answers"], dict):
        raise ValueError("A part of the sheet is missing, or there is one too many.")
    if len(data["answers"]) > _MOST_ANSWERS:
        raise ValueError(f"The sheet has {len(data['answers'])} answers, more than any homework has tasks.")
    homework = check_choice("homework", data["homework"], homework_names())
    return Sheet(
        homework, check_learner(data["learner"]), {name: _entry(name, value) for name, value in data["answers"].items()}
    )


def load_sheet(path) -> Sheet:
    """A sheet from a file; a ValueError of one sentence if it can't be read."""
    return read_sheet(sheet_bytes(path))


def sheet_bytes(path) -> bytes:
    """The bytes of a sheet's file, and no more than show that it is too long; a ValueError as :func:`load_sheet`."""
    path = Path(path)
    if path.is_symlink() or not path.is_file():
        raise ValueError("This is not an ordinary file.")
    try:
        with open(path, "rb") as file:
            return file.read(LONGEST_SHEET + 1)
    except OSError as error:
        raise ValueError(f"The file can't be read ({error.strerror}).") from None


def shown_path(path) -> str:
    """A file's name as text that can be printed anywhere and takes one line.

    A byte that is not UTF-8, and a character that can't be printed, is written as an escape such as ``\\xfc``.
    """
    return "".join(letter if letter.isprintable() else _escaped(letter) for letter in Path(path).as_posix())


def _escaped(letter: str) -> str:
    if "\udc80" <= letter <= "\udcff":  # how Python writes a byte of a name that it can't decode
        return f"\\x{ord(letter) - 0xDC00:02x}"
    return letter.encode("unicode_escape").decode()


def save_sheet(sheet: Sheet, path) -> None:
    """Write a sheet; if the page is closed half-way, the old one stays whole."""
    write_whole(path, sheet.to_json())


def _entry(name, value) -> Entry:
    if not isinstance(value, dict) or set(value) != {"answer", "tries", "hints"}:
        raise ValueError(f"The entry {shown(name)} must hold answer, tries and hints and nothing else.")
    return Entry(
        value["answer"], check_whole("tries", value["tries"], 0, 10**6), check_whole("hints", value["hints"], 0, 100)
    )


def _refuse(name):
    raise ValueError(f"{name} is not a JSON number")


def _once(pairs):
    fields = dict(pairs)
    if len(fields) < len(pairs):
        raise ValueError("a field is there twice")
    return fields
