"""How long the path of each lesson is: words to read, stations to do something at, minutes.

The one place that says so. ``python tests/paths.py`` prints the table; tests/test_two_layers.py holds the lessons to it.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

from vocomp_lab import bench

FOLDER = Path(__file__).resolve().parents[1] / "notebooks"
LESSONS = sorted(FOLDER.glob("[0-9]*.ipynb"))
APPENDICES = sorted(FOLDER.glob("appendices/*.ipynb"))

WORDS_PER_MINUTE = 200
"""Silent reading of non-fiction: 238 words a minute (M. Brysbaert, J. Memory and Language 109, 104047, 2019; value from
memory), less for those who read a second language (common practice, no source)."""
STATION_MINUTES = 2.0
"""At a bench or a game. Common practice, no source."""
CELL_MINUTES = 1 / 3
"""To run a cell and look at what it shows. Common practice, no source."""

_STATION = re.compile(
    rf"\b(?:{'|'.join(sorted({*bench.__all__, 'GuessLevels'} - {'ExportBox', 'KeepChoice', 'VoiceChoice'}))})\("
)
"""A call that puts a bench or a game on the page. Buttons that keep or write something are nothing to dwell at."""
_NOTES_FOR_TEACHERS = re.compile(r"(?m)^## Teaching notes|<summary>(?:<b>)?Teaching notes")


@dataclass(frozen=True)
class Cell:
    """A cell of a notebook."""

    kind: str
    source: str
    folded: bool


def cells_of(path: Path) -> list[Cell]:
    """A notebook's cells, in order."""
    return [
        Cell(
            cell["cell_type"],
            "".join(cell["source"]),
            cell["metadata"].get("jupyter", {}).get("source_hidden", False) is True,
        )
        for cell in json.loads(path.read_text("utf-8"))["cells"]
    ]


def path_of(lesson: Path) -> list[Cell]:
    """The cells of a lesson before its notes for teachers."""
    cells = cells_of(lesson)
    ends = [n for n, cell in enumerate(cells) if cell.kind == "markdown" and _NOTES_FOR_TEACHERS.search(cell.source)]
    return cells[: ends[0]] if ends else cells


def appendix_to(lesson: Path) -> Path | None:
    """The appendix that has the lesson's number, if there is one."""
    return next((path for path in APPENDICES if path.name.split("_")[0] == lesson.name.split("_")[0]), None)


def lesson_of(appendix: Path) -> Path:
    """The lesson that has the appendix's number."""
    return next(path for path in LESSONS if appendix_to(path) == appendix)


def words(markdown: str) -> int:
    """How many words a reader meets: without markup, and without where links lead."""
    text = re.sub(r"<[^>]+>", " ", re.sub(r"\]\([^)]*\)", "]", markdown))
    return sum(any(letter.isalnum() for letter in word) for word in text.split())


@dataclass(frozen=True)
class Length:
    """How long a path is."""

    words: int
    stations: int
    other_cells: int

    @property
    def minutes(self) -> float:
        return self.words / WORDS_PER_MINUTE + STATION_MINUTES * self.stations + CELL_MINUTES * self.other_cells


def length(cells: list[Cell]) -> Length:
    """How long some cells take."""
    code = [cell.source for cell in cells if cell.kind == "code"]
    stations = sum(bool(_STATION.search(source)) for source in code)
    return Length(sum(words(cell.source) for cell in cells if cell.kind == "markdown"), stations, len(code) - stations)


if __name__ == "__main__":
    for lesson in LESSONS:
        found = length(path_of(lesson))
        print(
            f"{lesson.stem:<26} {found.words:5d} words, {found.stations} stations, {found.other_cells:2d} other cells: "
            f"{found.minutes:4.1f} min"
        )
