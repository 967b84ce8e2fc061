"""Running a notebook without a page, on the workbook's voice or on another one."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import soundfile
from conftest import PROJECT

from vocomp_lab.lessons.chosen import APPENDICES

_kernels = []


def end_kernels():
    """Stop what :func:`run` started."""
    while _kernels:
        _kernels.pop().shutdown_kernel(now=True)


def run(notebook, folder):
    """Execute a notebook in a folder; a cell that fails is an error. One kernel does all, emptied of names in between."""
    from jupyter_client.manager import (
        start_new_kernel,
    )  # here: it takes seconds, which few test processes should wait for
    from nbclient import NotebookClient

    if not _kernels:
        kernel, unused = start_new_kernel(kernel_name="python3")
        unused.stop_channels()
        _kernels.append(kernel)
    _tell(_kernels[0], f"%reset -f\n__import__('os').chdir({str(folder)!r})")
    client = NotebookClient(notebook, km=_kernels[0], timeout=600)
    try:
        client.execute()
    finally:
        # A client of a kernel that is not its own leaves its sockets open, and some later test would be told of them.
        if client.kc is not None:
            client.kc.stop_channels()
        _tell(_kernels[0], f"__import__('os').chdir({str(PROJECT)!r})")  # the folder may be deleted now


def begins(path) -> str | None:
    """The lesson that a notebook begins: its own, or that which it is an appendix to; None where it begins none."""
    found = re.search(r'= begin\(\\*"(\w+)\\*"\)', Path(path).read_text("utf-8"))
    return found and found[1]


def run_on_voice(path, samples, rate):
    """A lesson or an appendix, executed on a voice: the notebook with its outputs, and the sheets that it kept. An appendix
    runs in a folder below that of the voice.
    """
    import nbformat

    notebook, begin = nbformat.read(path, 4), f'begin("{begins(path)}"'
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.source = cell.source.replace(f"{begin})", f'{begin}, "my_take.wav")')
    with tempfile.TemporaryDirectory() as folder:
        soundfile.write(Path(folder) / "my_take.wav", samples, rate)
        place = Path(folder) / APPENDICES if Path(path).parent.name == APPENDICES else Path(folder)
        place.mkdir(exist_ok=True)
        run(notebook, place)
        sheets = [sheet.read_text("utf-8") for sheet in Path(folder).glob(f".state/my_take_*/{path.stem}.json")]
    return notebook, sheets


def printed(notebook) -> str:
    """All that its cells printed, and their tables as text."""
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    texts = [output["text"] if output.get("name") == "stdout" else _told(output) for output in outputs]
    return "\n".join(text for text in texts if text)


def _told(output) -> str:
    """A result or a table as the kernel writes it where there is no page."""
    data = output.get("data", {})
    shown = output.get("output_type") == "execute_result" or "<table" in data.get("text/html", "")
    return data.get("text/plain", "") if shown else ""


def warned(notebook) -> list[str]:
    """What its cells wrote to the error stream."""
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    return [output["text"] for output in outputs if output.get("name") == "stderr"]


def check_pictures(notebook):
    """Every picture in the outputs has a text alternative with numbers."""
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            data = output.get("data", {})
            assert not [kind for kind in data if kind.startswith("image/")], f"a picture without words: {cell.source}"
            for picture in re.findall(r"<img\b[^>]*>", data.get("text/html", "")):
                alt = re.search(r'alt="([^"]*)"', picture)
                assert alt and len(alt[1]) > 60 and len(re.findall(r"\d", alt[1])) >= 4, (cell.source, alt)


def _tell(kernel, code):
    client = kernel.blocking_client()
    client.start_channels()
    client.wait_for_ready(60)
    reply = client.execute_interactive(code, silent=True, timeout=60)
    client.stop_channels()
    assert reply["content"]["status"] == "ok", reply["content"]
