"""Every notebook runs from top to bottom, and leaves something to look at where there is no kernel."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbconvert import HTMLExporter

FOLDER = Path(__file__).resolve().parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.rglob("*.ipynb"))


def run(path):
    notebook = nbformat.read(path, 4)
    NotebookClient(notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}).execute()
    return notebook


@pytest.fixture(scope="module")
def start_page():
    return run(FOLDER / "00_start_here.ipynb")


@pytest.mark.parametrize("path", [p for p in NOTEBOOKS if p.stem != "00_start_here"], ids=lambda path: path.stem)
def test_a_notebook_runs_from_top_to_bottom(path):
    run(path)


def test_without_a_kernel_each_bench_leaves_its_picture_and_its_numbers(start_page):
    benches = sum("Bench(" in cell.source for cell in start_page.cells if cell.cell_type == "code")
    html, _ = HTMLExporter().from_notebook_node(start_page)
    assert benches >= 2
    assert html.count('<div class="vocomp-still"><img alt="') == benches
    assert html.count("src=\"data:image/png;base64,") >= benches
    assert "of the sung time</b>" in html and "LUFS</b>" in html


def test_the_start_page_cautions_before_the_first_sound(start_page):
    sources = [cell.source for cell in start_page.cells]
    caution = next(n for n, source in enumerate(sources) if "sound-level meter" in source and "hearing professional" in source)
    first_bench = next(n for n, source in enumerate(sources) if "Bench(" in source)
    assert caution < first_bench
