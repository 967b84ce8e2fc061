"""Every notebook runs from top to bottom, and leaves something to look at where there is no kernel.

With the workbook's own voice each of them is run, and used, in a real browser by tests/test_browser*.py; here the
lessons run on other voices, and where there is no Chromium all the others run, too.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import nbformat
import numpy as np
import pytest
import soundfile
import test_browser
import test_browser_homework
import test_browser_lessons
import test_browser_own_vocal
import test_browser_regions
from nbclient import NotebookClient
from nbconvert import HTMLExporter

from vocomp_lab.processors.chain import Chain

FOLDER = Path(__file__).resolve().parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.rglob("*.ipynb"))


def run(path, folder, *, instead=("", "")):
    """Run a notebook in an empty folder, so that what it keeps is not found by another test, with one text replaced."""
    notebook = nbformat.read(path, 4)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.source = cell.source.replace(*instead)
    NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    return notebook


@pytest.fixture(scope="module")
def start_page(tmp_path_factory):
    return run(FOLDER / "00_start_here.ipynb", tmp_path_factory.mktemp("start"))


LESSONS = [path for path in NOTEBOOKS if re.search(rf'begin\(\\*"{path.stem}\\*"\)', path.read_text("utf-8"))]
IN_PAGES = {
    *(path.name for path in (*test_browser_lessons.LESSONS, *test_browser_homework.HOMEWORKS)),
    *(page.LESSON.name for page in (test_browser, test_browser_regions, test_browser_own_vocal)),
}


def test_every_notebook_runs_in_a_page():
    assert IN_PAGES == {path.name for path in NOTEBOOKS}


def test_where_there_is_no_browser_the_others_run_here(tmp_path):
    """The lessons that begin with a voice run below in any case, the start page for the tests of its outputs."""
    others = [path for path in NOTEBOOKS if path not in LESSONS and path.stem != "00_start_here"]
    assert len(others) == len(NOTEBOOKS) - len(LESSONS) - 1 >= 10
    for path in [] if shutil.which("chromium") else others:
        folder = tmp_path / path.stem
        folder.mkdir()
        run(path, folder)


def test_each_lesson_can_be_begun_with_an_own_voice():
    assert {path.stem for path in FOLDER.glob("*.ipynb")} - {path.stem for path in LESSONS} == {
        "00_start_here",
        "01_levels_and_meters",
    }


@pytest.mark.parametrize("path", LESSONS, ids=lambda path: path.stem)
def test_a_lesson_runs_on_an_own_voice(path, tmp_path):
    """Another length, rate and number of channels than the workbook's, in turns: a hummed scale with pauses."""
    seconds, channels, rate = ((3.2, 2, 44_100), (20.0, 1, 16_000))[LESSONS.index(path) % 2]
    t = np.arange(int(seconds * rate)) / rate
    humming = (
        0.3 * np.sin(2 * np.pi * 180 * t + 2 * np.sin(2 * np.pi * 5 * t)) * (t % 1 < 0.7) * (0.4 + 0.6 * (t % 2 < 1))
    )
    soundfile.write(tmp_path / "my_take.wav", np.column_stack([humming] * channels), rate)
    begin = f'begin("{path.stem}"'
    check_pictures(run(path, tmp_path, instead=(f"{begin})", f'{begin}, "my_take.wav")')))
    if path.stem == "07_detector_types":
        (sheet,) = (tmp_path / ".state").glob(f"my_take_*/{path.stem}.json")
        assert Chain.from_json(sheet.read_text("utf-8")).stages == (), "run as it stands, it chooses nothing for you"


def check_pictures(notebook):
    """Every picture among the outputs says in words what it shows, with numbers: its text alternative."""
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            data = output.get("data", {})
            assert not [kind for kind in data if kind.startswith("image/")], f"a picture without words: {cell.source}"
            for picture in re.findall(r"<img\b[^>]*>", data.get("text/html", "")):
                alt = re.search(r'alt="([^"]*)"', picture)
                assert alt and len(alt[1]) > 60 and len(re.findall(r"\d", alt[1])) >= 4, (cell.source, alt)


def test_without_a_kernel_each_bench_leaves_its_picture_and_its_numbers(start_page):
    benches = sum("Bench(" in cell.source for cell in start_page.cells if cell.cell_type == "code")
    html, _ = HTMLExporter().from_notebook_node(start_page)
    shown = benches - sum('hide=("controls", "picture"' in cell.source for cell in start_page.cells)
    check_pictures(start_page)
    assert benches >= 2 and shown >= 1
    assert html.count('<div class="vocomp-still"><img alt="') == shown
    assert html.count('src="data:image/png;base64,') >= shown
    assert "of the sung time</b>" in html and "LUFS</b>" in html


def test_the_start_page_cautions_before_the_first_sound(start_page):
    sources = [cell.source for cell in start_page.cells]
    caution = next(
        n for n, source in enumerate(sources) if "sound-level meter" in source and "hearing professional" in source
    )
    first_bench = next(n for n, source in enumerate(sources) if "Bench(" in source)
    assert caution < first_bench
