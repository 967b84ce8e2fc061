"""The class list: a CSV file with the id, name and group of each learner, as a school's system or a spreadsheet saves it.

Shown in README, "Homework, and marks for a class".
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from vocomp_lab.exercises.learners import GUEST, check_learner
from vocomp_lab.sound.checks import shown

COLUMNS = ("id", "name", "group")
_DELIMITERS = ",;\t|"
_LONGEST_LIST = 8 << 20
_LONGEST_FIELD = 200


@dataclass(frozen=True)
class Listed:
    """A learner on the class list.

    Parameters
    ----------
    id : str
        In its standard spelling (:func:`vocomp_lab.exercises.learners.check_learner`).
    name, group : str
        As the list has them, on one line; may be empty.
    """

    id: str
    name: str = ""
    group: str = ""

    def __str__(self):
        about = ", ".join(part for part in (self.name, f"group {self.group}" if self.group else "") if part)
        return f"{self.id} ({about})" if about else self.id


@dataclass(frozen=True)
class ClassList:
    """The learners of a class, in the order of the list.

    Attributes
    ----------
    learners : tuple of Listed
    passed_over : tuple of str
        Headings of columns that were not read.
    """

    learners: tuple[Listed, ...]
    passed_over: tuple[str, ...] = ()

    def __contains__(self, learner) -> bool:
        return learner in self.by_id

    def spelled_like(self, learner: str) -> str | None:
        """The id on the list that a spreadsheet may have made of this one, such as 12 of 0012; None if there is none."""
        bare = learner.lstrip("0")
        return bare if bare != learner and bare in self.by_id else None

    @cached_property
    def by_id(self) -> dict[str, Listed]:
        """The learners by their ids."""
        return {one.id: one for one in self.learners}

    @property
    def groups(self) -> tuple[str, ...]:
        """The groups' names, in the order of the list; without that of nobody's."""
        return tuple(dict.fromkeys(one.group for one in self.learners if one.group))


def read_class_list(path) -> ClassList:
    """The class list in a CSV file.

    Parameters
    ----------
    path : path-like
        UTF-8 with or without a mark, or UTF-16 with one; cells are separated by commas, semicolons, tabs or ``|``. The
        first row names the columns: ``id``, and if wanted ``name`` and ``group``, in any order; others are passed over.

    Returns
    -------
    ClassList

    Raises
    ------
    ValueError
        In one sentence with the line, if it can't be read, an id is not allowed or there twice, or nobody is on it.
    """
    path = Path(path)
    rows = _rows(_text(path), path.name)
    if not rows:
        raise ValueError(f"class list: {path.name!r} is empty; give a row for each learner: id, name, group.")
    first = [cell.casefold() for cell in rows[0][1]]
    if "id" not in first:
        raise ValueError(
            f"class list: the first row of {path.name!r} is {shown(', '.join(rows[0][1]))}; it must name the columns: id, and "
            "if wanted name and group."
        )
    twice = [name for name in COLUMNS if first.count(name) > 1]
    if twice:
        raise ValueError(f"class list: {path.name!r} has two columns called {twice[0]!r}; keep one of them.")
    places = [first.index(name) if name in first else None for name in COLUMNS]
    passed_over = tuple(heading for heading in rows[0][1] if heading and heading.casefold() not in COLUMNS)
    rows = rows[1:]
    learners, lines = [], {}
    for line, cells in rows:
        given, name, group = (cells[place] if place is not None and place < len(cells) else "" for place in places)
        try:
            learner = check_learner(given)
        except ValueError:
            raise ValueError(
                f"class list: line {line} of {path.name!r} has the id {shown(given)}, which is not allowed; give 1 to 64 "
                "letters, digits or _ - @ . without spaces (the columns are id, name, group)."
            ) from None
        if learner == GUEST:
            raise ValueError(f"class list: line {line} of {path.name!r} has the id 'guest'; guests hand in nothing.")
        if learner in lines:
            raise ValueError(
                f"class list: lines {lines[learner]} and {line} of {path.name!r} have the same id {learner!r}; keep one."
            )
        lines[learner] = line
        learners.append(Listed(learner, name, group))
    if not learners:
        raise ValueError(f"class list: nobody is on {path.name!r}; give a row for each learner: id, name, group.")
    return ClassList(tuple(learners), passed_over)


def small_file(path: Path, what: str, most_bytes: int) -> bytes:
    """What a file of the teacher's holds.

    Raises
    ------
    ValueError
        If it can't be read, or is longer than `most_bytes`. `what` names it in the sentence.
    """
    try:
        with open(path, "rb") as file:
            raw = file.read(most_bytes + 1)
    except OSError as error:
        raise ValueError(f"{what}: {str(path)!r} can't be read ({error.strerror}).") from None
    if len(raw) > most_bytes:
        raise ValueError(f"{what}: {path.name!r} is longer than {most_bytes >> 20} MiB.")
    return raw


def _text(path: Path) -> str:
    if path.exists() and not path.is_file():
        raise ValueError(f"class list: {str(path)!r} is not a file.")
    raw = small_file(path, "class list", _LONGEST_LIST)
    try:
        return raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError(f"class list: {path.name!r} is not UTF-8 text; save it as CSV in UTF-8.") from None


def _rows(text: str, name: str) -> list[tuple[int, list[str]]]:
    """Rows that are not empty, each with the number of its last line; cells on one line, without spaces around them."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    # The first line decides: whichever stands in it most often, outside quotes.
    outside = "".join(first.split('"')[::2])
    delimiter = max(_DELIMITERS, key=outside.count)
    rows = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            cells = [_on_one_line(cell) for cell in cells]
            if any(cells):
                rows.append((reader.line_num, cells))
    except csv.Error as error:
        raise ValueError(f"class list: line {reader.line_num} of {name!r} is not CSV ({error}).") from None
    return rows


def _on_one_line(cell: str) -> str:
    """A cell's text as it can be printed anywhere: letters that can't be are left out."""
    return "".join(letter for letter in " ".join(cell.split()) if letter.isprintable())[:_LONGEST_FIELD]
