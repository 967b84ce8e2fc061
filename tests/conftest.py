"""What every test may use: outside programs, signals, one shared JupyterLab and browser; and what runs when and where.

A plain run leaves out the tests marked ``ci`` and says how many. With ``CI=true`` everything runs, and a missing program
is a failure instead of a skip.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import sys
from pathlib import Path

# For this process and the hundreds that tests start. Some machines forbid compiled files, and then each process compiles
# SciPy anew; and the linear algebra's threads would only wait for one another while several processes share two cores.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import figures  # noqa: E402
import numpy as np  # noqa: E402
import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402

PROJECT = Path(__file__).resolve().parents[1]
IN_CI = os.environ.get("CI", "").lower() == "true"
PAGE_CHAINS = {
    "notebooks": ("test_browser", "test_browser_lessons", "test_browser_regions", "test_browser_own_vocal", "test_browser_homework"),
    "parts": ("test_browser_record", "test_player_page", "test_hub", "test_accessibility", "test_live_page", "test_browser_upload"),
}  # fmt: skip
"""Files with page tests. One process runs all of a chain, in this order, with one browser and at most one JupyterLab: the one
chain whole notebooks, where what was tried on one is known on the next (`pagechecks`), the other their parts. Each takes
about as long as the other.
"""
LONG_FILES = ("test_lowend", "test_harm", "test_notebooks_recorded", "test_notebooks", "test_exercises_marking")
"""Files to begin with, so that none of them is left for the end, when the other processes have nothing to do."""
LEFT_OUT = pytest.StashKey[int]()

# A busy machine makes one example slow, which says nothing about the code. Every run draws the same examples, a plain one
# fewer of them.
settings.register_profile("workbook", deadline=None, derandomize=True, max_examples=60 if IN_CI else 25)
settings.load_profile("workbook")


def need_program(name: str) -> str:
    """The path of an outside program. Where it is missing the test skips and names it; with CI=true it fails."""
    path = shutil.which(name)
    if path is None:
        message = f"the program {name!r} is not installed, and this test needs it"
        if IN_CI:
            pytest.fail(message)
        pytest.skip(message)
    return path


def sine(freq_hz: float, duration_s: float, rate: int, level_dbfs: float = 0.0, phase_deg: float = 0.0) -> np.ndarray:
    """A sine whose peak is at `level_dbfs`, shape (frames,)."""
    t = np.arange(int(round(duration_s * rate))) / rate
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * t + np.deg2rad(phase_deg))


def code_cells(path) -> list[str]:
    """The sources of a notebook's code cells."""
    cells = json.loads(Path(path).read_text("utf-8"))["cells"]
    return ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]


def rms_db(samples) -> float:
    """Root mean square in dB re full scale, written out here so that tests don't depend on the code under test."""
    return 10 * np.log10(np.mean(np.square(samples)))


def one_sentence(error, *parts) -> str:
    """Assert that a caught error is one short sentence on one line and holds each of `parts`; returns its text."""
    text = str(getattr(error, "value", error))
    assert len(text.splitlines()) == 1, text
    assert text.endswith("."), text
    assert len(text) < 300, text
    for part in parts:
        assert str(part) in text, f"{part!r} is missing in {text!r}"
    return text


@pytest.fixture
def rng():
    return np.random.default_rng(2024)


@pytest.fixture
def deviation(record_property):
    """Check a measured difference against what is allowed, and record it for ``--figures``: see ``tests/figures.py``."""
    return figures.Deviations(record_property)


@pytest.fixture
def count(record_property):
    """Check the share of takes that come out right, and record it for ``--figures``: see ``tests/figures.py``."""
    return figures.Counts(record_property)


@pytest.fixture
def undrawn(request, monkeypatch):
    """Benches without the longest part of their work, which is turning a finished picture into pixels: for files that look at
    a bench's numbers, state and lines. Each PNG is then a few bytes, other than those before. Tests marked ``drawn`` get the
    real ones.
    """
    if not request.node.get_closest_marker("drawn"):
        turns = itertools.count()
        monkeypatch.setattr("vocomp_lab.pictures.pictures.Picture.render", lambda picture: b"picture %d" % next(turns))


@pytest.fixture
def undrawn_class(request, monkeypatch):
    """Marking without its pictures, half a second for each homework: for files that look at marks, reports and pages. Tests
    marked ``drawn`` get the real ones.
    """
    if not request.node.get_closest_marker("drawn"):
        for picture in ("marks.save_class_picture", "groups.save_group_picture"):
            monkeypatch.setattr(f"vocomp_lab.pictures.{picture}", lambda *numbers: numbers[-1].write_bytes(b"picture"))


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    """The JupyterLab that a chain of page tests shares: its address, its token and the folder it shows."""
    from labdriver import Lab, lab_server

    folder = tmp_path_factory.mktemp("notebooks")
    with lab_server(folder, tmp_path_factory.mktemp("home")) as (address, token):
        yield Lab(address, token, folder)


# ---- what runs, and where ---------------------------------------------------------------------------------------


def pytest_configure(config):
    config.addinivalue_line("markers", "ci: runs with CI=true only, since it takes long")
    config.addinivalue_line("markers", "drawn: real pictures, in a file whose benches are `undrawn`")
    if IN_CI and config.option.durations is None:
        config.option.durations = 10


def pytest_addoption(parser):
    parser.addoption(
        "--figures",
        action="store_true",
        help="run only the tests that measure deviations from published values and other programs, or count what comes out right, "
        "and print them",
    )


def pytest_collection_modifyitems(config, items):
    def wanted(item) -> bool:
        if config.getoption("--figures"):
            return not {"deviation", "count"}.isdisjoint(getattr(item, "fixturenames", ()))
        return IN_CI or not item.get_closest_marker("ci")

    left_out = [item for item in items if not wanted(item)]
    config.hook.pytest_deselected(items=left_out)
    config.stash[LEFT_OUT] = len(left_out)
    if hasattr(config, "workeroutput"):  # one of several processes: the first one, which gets this, writes the summary
        config.workeroutput["left_out"] = len(left_out)
    items[:] = sorted(filter(wanted, items), key=_turn)


def _turn(item) -> int:
    """Page tests first, since they are the longest chain; then the other long files; then the rest as it stands."""
    order = (*itertools.chain(*PAGE_CHAINS.values()), *LONG_FILES)
    return order.index(item.path.stem) if item.path.stem in order else len(order)


def _chain(nodeid) -> str:
    """Which chain of page tests a test belongs to; empty for any other test."""
    stem = Path(nodeid.split("::")[0]).stem
    return next((chain for chain, files in PAGE_CHAINS.items() if stem in files), "")


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node, error):
    node.config.stash[LEFT_OUT] = getattr(node, "workeroutput", {}).get("left_out", 0)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config):
    """One process more than there are processors: the page tests' process mostly waits for the browser and the kernel."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """A file at a time on each process, and each chain of page tests on one."""
    from xdist.scheduler import LoadFileScheduling

    class ChainsOfPages(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return _chain(nodeid) or super()._split_scope(nodeid)

    return ChainsOfPages(config, log)


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(item, nextitem):
    """Close the browser behind the last page test: while it is open, no other test may run an event loop of its own."""
    if _chain(item.nodeid) and not (nextitem and _chain(nextitem.nodeid)):
        import labdriver

        labdriver.close_browser()


def pytest_terminal_summary(terminalreporter, config):
    if config.getoption("--figures"):
        reports = [report for report in terminalreporter.getreports("passed") if report.when == "call"]
        measured = [measured for report in reports for measured in report.user_properties]
        for heading, kind, table in (
            ("measured deviations", figures.PROPERTY, figures.table),
            ("counted", figures.COUNTED, figures.counted_table),
        ):
            terminalreporter.write_sep("=", heading)
            for line in table([value for name, value in measured if name == kind]):
                terminalreporter.write_line(line)
    elif left_out := config.stash.get(LEFT_OUT, 0):
        terminalreporter.write_line(
            f"{left_out} tests run only in CI and were left out; all of them: CI=true python -m pytest"
        )
