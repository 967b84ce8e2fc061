"""The answer sheet: one JSON file for each learner and homework, with answers as data and no marks.

::

    {"format": "vocomp-lab answers", "version": 1, "homework": "04", "learner": "ann",
     "answers": {"computer": {"answer": {"number": 8.0}, "tries": 2, "hints": 0,
                              "given": "2026-11-27T18:05:00+01:00", "posed": "0f3a…", "tried": ["91c2…", "5e07…"]}, …}}

What an ``answer`` holds depends on the kind of task: ``number``, ``numbers``, ``settings`` or ``sheet`` (a settings
sheet), ``source`` (of a function), ``word``, ``heard`` or ``guesses``. It is ``null`` if only hints were taken.
``given`` is when the answer was given, by the clock of the learner's computer; ``posed`` is a digest of the task that it
answers (``Posed.digest``), and ``tried`` holds one of each different answer, so that none counts twice. Sheets from
before there were these three can still be read.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from vocomp_lab.exercises.catalogue import homework_names
from vocomp_lab.exercises.learners import check_learner
from vocomp_lab.sound.checks import check_choice, check_whole, shown
from vocomp_lab.sound.files import write_whole
from vocomp_lab.sound.text import printable

SHEET_FORMAT = "vocomp-lab answers"
SHEET_VERSION = 1
LONGEST_SHEET = 512 * 1024
"""In bytes; a full sheet is about a tenth of that."""
_MOST_ANSWERS = 100
MOST_TRIED = 200
"""How many different answers to a task a sheet tells apart."""
_LONGEST_WORD = 64
_EARLIEST = datetime(2025, 1, 1, tzinfo=UTC)  # no answer is older than the workbook
_AHEAD = timedelta(minutes=10)
# An archive keeps a file's time without its time zone, so that may be out by up to 26 hours.
_ZONES = timedelta(hours=26)


@dataclass
class Entry:
    """What is kept for one task.

    Attributes
    ----------
    answer : object
        As data; None if there is none yet.
    tries : int
        How many different answers were given, until one was right.
    hints : int
        How many were taken.
    given : str or None
        When the kept answer was given, as ISO 8601 with the offset from UTC; see :func:`time_given`.
    posed : str or None
        The digest of the task that the answer is for.
    tried : list of str
        A digest of each different answer.
    """

    answer: object = None
    tries: int = 0
    hints: int = 0
    given: str | None = None
    posed: str | None = None
    tried: list[str] = field(default_factory=list)

    def to_data(self) -> dict:
        """The entry as JSON data; what is not known is left out."""
        extra = {"given": self.given, "posed": self.posed, "tried": self.tried}
        known = {name: value for name, value in extra.items() if value}
        return {"answer": self.answer, "tries": self.tries, "hints": self.hints, **known}


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
        answers = {name: entry.to_data() for name, entry in self.answers.items()}
        sheet = {
            "format": SHEET_FORMAT, "version": SHEET_VERSION, "homework": self.homework, "learner": self.learner,
            "answers": answers,
        }  # fmt: skip
        text = json.dumps(sheet, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        return text.encode("utf-8", "backslashreplace").decode()  # half a character stays the JSON escape that it was


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
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError("This is not text in UTF-8; hand in the file as the workbook wrote it.") from None
    try:
        data = json.loads(text, parse_constant=_refuse, object_pairs_hook=_once)
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
    try:
        if path.is_symlink() or not path.is_file():
            raise ValueError("This is not an ordinary file.")
        with open(path, "rb") as file:
            return file.read(LONGEST_SHEET + 1)
    except OSError as error:
        raise ValueError(f"The file can't be read ({error.strerror}).") from None


def shown_path(path) -> str:
    """A file's name as text that can be printed anywhere and takes one line.

    A byte that is not UTF-8, and a character that can't be printed, is written as an escape such as ``\\xfc``, and a
    backslash as two, so that no two names look alike.
    """
    return printable(Path(path).as_posix().replace("\\", "\\\\"))


def save_sheet(sheet: Sheet, path) -> None:
    """Write a sheet; if the page is closed half-way, the old one stays whole."""
    write_whole(path, sheet.to_json())


def _entry(name, value) -> Entry:
    needed = {"answer", "tries", "hints"}
    if not isinstance(value, dict) or not needed <= set(value) <= needed | {"given", "posed", "tried"}:
        raise ValueError(
            f"The entry {shown(name)} must hold answer, tries and hints, and nothing else but given, posed and tried."
        )
    tried = value.get("tried", [])
    if not isinstance(tried, list) or len(tried) > MOST_TRIED:
        raise ValueError(f"tried: {shown(tried)} is not allowed; a list of at most {MOST_TRIED} digests is.")
    return Entry(
        value["answer"],
        check_whole("tries", value["tries"], 0, 10**6),
        check_whole("hints", value["hints"], 0, 100),
        *(None if value.get(part) is None else _word(part, value[part]) for part in ("given", "posed")),
        [_word("tried", digest) for digest in tried],
    )


def _word(part: str, value) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= _LONGEST_WORD:
        raise ValueError(f"{part}: {shown(value)} is not allowed; text of 1 to {_LONGEST_WORD} characters is.")
    return value


# ------------------------------------------------------------------------------------------------------------- times


def now() -> str:
    """The time by this computer's clock, as a sheet keeps it: ISO 8601 in seconds, with the offset from UTC."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def time_given(entry: Entry) -> datetime | None:
    """When an answer was given, with its offset; None if the sheet doesn't say, or what it says is no such time."""
    try:
        time = datetime.fromisoformat(entry.given or "")
        time.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    return time if time.utcoffset() is not None else None


def latest_given(sheet: Sheet) -> datetime | None:
    """The time of a sheet's latest answer; None if no answer has one."""
    return max((time for entry in sheet.answers.values() if (time := time_given(entry))), default=None)


def odd_times(sheet: Sheet, modified_s: float | None = None, at: datetime | None = None) -> list[str]:
    """What can't be right about the times in a sheet: a sentence for each, none for a sheet in order.

    A computer's clock may be set wrong, and a sheet can be written by hand, so a mark must not follow from such a time.

    Parameters
    ----------
    sheet : Sheet
    modified_s : float, optional
        When its file was last changed, in seconds since 1970; an answer in it can't have been given long after that.
    at : datetime, optional
        Now, with its offset.
    """
    at, says = at or datetime.now(UTC), []
    try:
        changed = None if modified_s is None else datetime.fromtimestamp(modified_s, UTC)
    except (ValueError, OverflowError, OSError):
        changed = None
    for name, entry in sheet.answers.items():
        if entry.given is None:
            continue
        time, why = time_given(entry), ""
        if time is None:
            why = "is not a time with its offset from UTC"
        elif time > at + _AHEAD:
            why = "has not come yet"
        elif time < _EARLIEST:
            why = "was before there was this workbook"
        elif changed is not None and time > changed + _ZONES:
            why = "was after the file was last changed"
        if why:
            says.append(f"Answer {shown(name)} is said to be of {shown(entry.given)}, which {why}.")
    return says


def _refuse(name):
    raise ValueError(f"{name} is not a JSON number")


def _once(pairs):
    fields = dict(pairs)
    if len(fields) < len(pairs):
        raise ValueError("a field is there twice")
    return fields
