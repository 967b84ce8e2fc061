"""Lessons, appendices and homework run without a page, and leave something to look at where there is no kernel.

On the workbook's own voice each lesson is run, and used, in a real browser by tests/test_browser*.py, as are some of the
homeworks; the others, and the appendices, are run here.
"""

from __future__ import annotations

import functools
import json
import re
from pathlib import Path

import numpy as np
import pytest
import test_browser
import test_browser_homework
import test_browser_lessons
import test_browser_own_vocal
import test_browser_regions
import test_notebooks_recorded
from conftest import PROJECT
from notebook_runs import begins, check_pictures, end_kernels, run, run_on_voice, warned

from vocomp_lab.lessons.chosen import APPENDICES

FOLDER = PROJECT / "notebooks"
NOTEBOOKS = sorted(FOLDER.rglob("[0-9ho]*.ipynb"))
LESSONS = [path for path in NOTEBOOKS if begins(path)]
"""Lessons that can be begun with an own voice, and their appendices."""
HUMMED = [path for path in LESSONS if path.parent == FOLDER or begins(path) not in test_notebooks_recorded.CLAIMS]
"""Those of them that are run on a voice unlike any other; the other appendices are, on recorded people."""
WITHOUT_PAGE = [path for path in NOTEBOOKS if path.parent != FOLDER and path not in test_browser_homework.HOMEWORKS]
"""Homework and appendices, whose benches are of kinds that others show in a page: run here."""
WITHOUT_CI = "04_peak_control"
"""The lesson that is run in every run of the tests; the others only in CI."""


@pytest.fixture(scope="module", autouse=True)
def kernels_end():
    yield
    end_kernels()


@functools.cache
def run_on_humming(path):
    """A lesson, executed on a hummed scale with pauses: short, and nothing like the workbook's voice. In turns of another
    length, rate and number of channels.
    """
    seconds, channels, rate = ((3.2, 2, 44_100), (8.0, 1, 16_000))[HUMMED.index(path) % 2]
    t = np.arange(int(seconds * rate)) / rate
    humming = (
        0.3 * np.sin(2 * np.pi * 180 * t + 2 * np.sin(2 * np.pi * 5 * t)) * (t % 1 < 0.7) * (0.4 + 0.6 * (t % 2 < 1))
    )
    return run_on_voice(path, np.column_stack([humming] * channels), rate)


def test_every_notebook_is_run_and_every_lesson_in_a_page():
    in_pages = [*test_browser_lessons.LESSONS, *test_browser_homework.HOMEWORKS]
    in_pages += [page.LESSON for page in (test_browser, test_browser_regions, test_browser_own_vocal)]
    assert sorted([*in_pages, *WITHOUT_PAGE]) == NOTEBOOKS
    assert {path.parent.name for path in WITHOUT_PAGE} == {"homework", APPENDICES}


@pytest.mark.ci
@pytest.mark.parametrize("path", WITHOUT_PAGE, ids=lambda path: path.stem)
def test_a_homework_or_an_appendix_runs_without_a_page(path, tmp_path):
    import nbformat

    notebook = nbformat.read(path, 4)
    place = tmp_path / path.parent.name
    place.mkdir()
    run(notebook, place)
    check_pictures(notebook)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    assert not warned(notebook)
    if path.parent.name == APPENDICES:
        assert begins(path) in {path.stem for path in LESSONS} and not (place / ".state").exists()
        return
    asked = sum("home.ask(" in cell.source for cell in notebook.cells if cell.cell_type == "code")
    assert asked >= 7 and sum("Task " in str(output.get("data", "")) for output in outputs) >= asked


def test_each_lesson_can_be_begun_with_an_own_voice():
    assert {path.stem for path in FOLDER.glob("*.ipynb")} - {path.stem for path in LESSONS} == {
        "00_start_here",
        "overview",
    }
    assert all(begins(path) == path.stem for path in LESSONS if path.parent == FOLDER)


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, id=path.stem, marks=[pytest.mark.ci] * (path.stem != WITHOUT_CI)) for path in HUMMED],
)
def test_a_lesson_runs_on_a_hummed_scale(path):
    notebook, sheets = run_on_humming(path)
    check_pictures(notebook)
    if path.stem == "07_compressor_types":
        assert not sheets, "run as it stands, it chooses nothing for you"


def test_without_a_kernel_each_bench_leaves_its_picture_and_its_numbers():
    from nbconvert import HTMLExporter

    notebook, _ = run_on_humming(FOLDER / f"{WITHOUT_CI}.ipynb")
    sources = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
    shown = sum(re.search(r"\bBench\(", source) is not None for source in sources)
    assert shown >= 2 and not any("hide=" in source for source in sources)
    html, _ = HTMLExporter().from_notebook_node(notebook)
    assert html.count('<div class="vocomp-still"><img alt="') == shown
    assert html.count('src="data:image/png;base64,') >= shown
    assert "of the sung time</b>" in html and "LUFS</b>" in html


def test_the_start_page_cautions_before_the_first_sound():
    cells = json.loads((FOLDER / "00_start_here.ipynb").read_text("utf-8"))["cells"]
    sources = ["".join(cell["source"]) for cell in cells]
    warned = [n for n, text in enumerate(sources) if "sound-level meter" in text and "hearing professional" in text]
    first_bench = next(n for n, source in enumerate(sources) if "Bench(" in source)
    assert warned and warned[0] < first_bench
    # 85 dBA is a limit for work: a listener, and a child, needs the lower doses beside it.
    caution = sources[warned[0]]
    for text in (caution, (PROJECT / "README.md").read_text("utf-8")):
        assert (
            re.search(r"80 dBA for 40 hours.*children 75 dBA", text) and "limit for work" in text and "coupler" in text
        )
    assert "75 dBA for 40 hours" in sources[-1]
