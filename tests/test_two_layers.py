"""Each lesson is a path that is all doing, with no code in sight; side roads are in an appendix beside it."""

from __future__ import annotations

import re

import paths
import pytest
from paths import APPENDICES, LESSONS, Cell

from vocomp_lab.lessons.course import LESSON_STAGES

MOST_WORDS = 1_700
MOST_STATIONS = 8
SHORTEST_MIN, LONGEST_MIN = 15, 30
START, START_SHORTEST_MIN, START_LONGEST_MIN = "00_start_here", 10, 15
"""The page that explains the workbook comes before all else, so it is shorter."""
_MEMORY_MARK = re.compile(
    r"common practice, no source|no published source|(?:value|figure)s? from memory", re.IGNORECASE
)
_POWER_OF_TEN = re.compile(r"\d[eE][-+−]\d|\d\s?[×·]\s?10\^?[⁻−-]|:\.\d+e\}")
_MARK = "†"
_LINKED_MARK = "[†](#Notes)"

each_lesson = pytest.mark.parametrize("lesson", LESSONS, ids=lambda path: path.stem)
each_appendix = pytest.mark.parametrize("appendix", APPENDICES, ids=lambda path: path.stem)


def prose(cells: list[Cell]) -> list[str]:
    return [cell.source for cell in cells if cell.kind == "markdown"]


def notes_of(path: list[Cell]) -> tuple[str, str]:
    """What a path says before the heading of its notes, and from there to the next heading."""
    before, _, after = "\n\n".join(prose(path)).partition("\n## Notes\n")
    notes, *rest = re.split(r"(?m)^(?=#)", after)
    return before + "".join(rest), notes


def code_in_sight(path: list[Cell]) -> list[str]:
    """Code cells that are open, or folded to a line that is code: JupyterLab shows the first line of a folded cell."""
    cells = [(cell.source.partition("\n")[0], cell.folded) for cell in path if cell.kind == "code"]
    return [line for line, folded in cells if not (folded and re.fullmatch(r"# [A-Z].*[^#]", line))]


def unannounced(path: list[Cell]) -> list[str]:
    """Code cells that no prose stands right before."""
    kinds = ["code", *(cell.kind for cell in path)]
    return [
        cell.source.partition("\n")[0]
        for cell, before in zip(path, kinds)
        if cell.kind == "code" and before != "markdown"
    ]


def faults_of_marks(path: list[Cell]) -> list[str]:
    """What is wrong with the marks of figures that no source is named for."""
    text, notes = notes_of(path)
    faults = [f"in the prose: {found!r}" for found in _MEMORY_MARK.findall(text)]
    if _MARK in text:
        if text.find(_MARK) != text.find(_LINKED_MARK) + 1:
            faults.append("the first mark doesn't link to the notes")
        if not re.search(rf"(?m)^(?:\* )?{_MARK}.*\.$", notes) or not _MEMORY_MARK.search(notes):
            faults.append("the notes don't say what the mark means")
    return faults


@each_lesson
def test_no_code_is_in_sight_on_a_path_and_prose_says_what_each_cell_is_for(lesson):
    path = paths.path_of(lesson)
    assert sum(cell.kind == "code" for cell in path) >= 3
    assert not code_in_sight(path)
    assert not unannounced(path)


@each_lesson
def test_a_path_is_walked_in_half_an_hour(lesson):
    length = paths.length(paths.path_of(lesson))
    shortest, longest = (START_SHORTEST_MIN, START_LONGEST_MIN) if lesson.stem == START else (SHORTEST_MIN, LONGEST_MIN)
    assert length.words <= MOST_WORDS and 1 <= length.stations <= MOST_STATIONS, length
    assert shortest <= length.minutes <= longest, (length, length.minutes)


def test_a_threshold_is_moved_within_ten_minutes_of_lesson_01():
    lesson = next(path for path in LESSONS if path.stem.startswith("01_"))
    path = paths.path_of(lesson)
    threshold = next(n for n, cell in enumerate(path) if re.search(r"Bench\(clip, Compressor\(", cell.source))
    assert paths.length(path[: threshold + 1]).minutes <= 10


@each_lesson
def test_a_figure_without_a_source_has_a_mark_and_a_note(lesson):
    assert not faults_of_marks(paths.path_of(lesson))


@each_lesson
def test_figures_that_nobody_can_hear_are_not_on_a_path(lesson):
    for cell in paths.path_of(lesson):
        assert not _POWER_OF_TEN.search(cell.source), cell.source


@each_appendix
def test_an_appendix_says_where_it_belongs_and_the_lesson_leads_there(appendix):
    lesson = paths.lesson_of(appendix)
    cells, number = paths.cells_of(appendix), lesson.stem.split("_")[0]
    first = cells[0].source
    assert first.startswith(f"# Appendix to {number} · ") and f"](../{lesson.name})" in first
    if lesson.stem in LESSON_STAGES:
        assert f'begin("{lesson.stem}")' in next(cell.source for cell in cells if cell.kind == "code")
    assert not any("You will learn" in text or "Self-check" in text for text in prose(cells))
    assert not any(re.search(r"\.keep\(|\bHomework\(", cell.source) for cell in cells if cell.kind == "code")
    assert not any(cell.folded for cell in cells), "its code is there to be read"
    headings = {
        heading.replace(" ", "-") for text in prose(cells) for heading in re.findall(r"(?m)^#{1,3} (.+)$", text)
    }
    leads = re.findall(
        rf"\]\(appendices/{re.escape(appendix.name)}#?([^)]*)\)", "\n".join(prose(paths.path_of(lesson)))
    )
    assert leads and set(leads) <= headings | {""}, set(leads) - headings


@each_appendix
def test_what_is_in_an_appendix_is_not_in_its_lesson_as_well(appendix):
    def paragraphs(cells):
        parts = [part for cell in cells for part in re.split(r"\n\n+", cell.source) if "begin(" not in part]
        return {part.strip() for part in parts if len(part) > 120 and not part.startswith("from ")}

    assert not paragraphs(paths.cells_of(appendix)) & paragraphs(paths.cells_of(paths.lesson_of(appendix)))


def test_these_checks_find_what_they_should():
    code, folded, good = (
        Cell("code", source, fold)
        for source, fold in (("# One\nprint(1)", False), ("print(2)", True), ("# Three\nprint(3)", True))
    )
    assert code_in_sight([code, folded, good]) == ["# One", "print(2)"]
    assert unannounced([folded, Cell("markdown", "Now", False), folded, code]) == ["print(2)", "# One"]

    def marks(text, notes="† Common practice, no published source."):
        return faults_of_marks([Cell("markdown", text, False), Cell("markdown", f"\n## Notes\n\n{notes}\n", False)])

    assert not marks("nothing", "") and not marks("3 dB[†](#Notes), 4 dB†")
    assert len(marks("3 dB (common practice, no source)")) == len(marks("3 dB†")) == 1
    assert len(marks("3 dB[†](#Notes)", "")) == 1
    assert marks("3 dB†, 4 dB[†](#Notes)")
    assert not notes_of([Cell("markdown", "a\n## Notes\n\nb\n## After\nvalue from memory", False)])[1].count("memory")
    for text in ("under 1e-13", "0e+00 of full scale", "3 × 10⁻⁹", 'f"{x:.0e}"'):
        assert _POWER_OF_TEN.search(text), text
    assert not _POWER_OF_TEN.search("−12 dB, take 3, 1 to 2e, 20·log₁₀")
    assert paths.words("**Two** [words here](x.ipynb#A-b) | --- | <b>4</b>") == 4


def test_minutes_are_words_stations_and_cells():
    length = paths.Length(words=1_000, stations=3, other_cells=6)
    assert length.minutes == pytest.approx(5 + 6 + 2)
