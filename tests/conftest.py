"""What every test may use: programs from outside, signals, and the strict rule about skipping."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import figures
import numpy as np
import pytest
from hypothesis import settings

PROJECT = Path(__file__).resolve().parents[1]

# A test machine may be busy: the time of one example says nothing about the code. The examples are the same in every
# run.
settings.register_profile("workbook", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("workbook")


def need_program(name: str) -> str:
    """The path of an outside program; without it the test skips and names it, or fails where CI=true."""
    path = shutil.which(name)
    if path is None:
        message = f"the program {name!r} is not installed, and this test compares with it"
        if os.environ.get("CI", "").lower() == "true":
            pytest.fail(message)
        pytest.skip(message)
    return path


def sine(freq_hz: float, duration_s: float, rate: int, level_dbfs: float = 0.0, phase_deg: float = 0.0) -> np.ndarray:
    """A sine whose peak is at `level_dbfs`, shape (frames,)."""
    t = np.arange(int(round(duration_s * rate))) / rate
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * t + np.deg2rad(phase_deg))


def rms_db(samples) -> float:
    """Root mean square in dB re full scale, written out here so that tests don't lean on the code under test."""
    return 10 * np.log10(np.mean(np.square(samples)))


def one_sentence(error, *parts) -> str:
    """Assert that a caught error is one line, one sentence, short, and holds each of `parts`; give its text."""
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
    """Hold a measured difference against what is allowed, and leave it for ``--figures``: see ``tests/figures.py``."""
    return figures.Deviations(record_property)


def pytest_addoption(parser):
    parser.addoption(
        "--figures",
        action="store_true",
        help="run only the tests that measure deviations from published values and other programs, and print them",
    )


def pytest_collection_modifyitems(config, items):
    if config.getoption("--figures"):
        measuring = [item for item in items if "deviation" in getattr(item, "fixturenames", ())]
        config.hook.pytest_deselected(items=[item for item in items if item not in set(measuring)])
        items[:] = measuring


def pytest_terminal_summary(terminalreporter, config):
    if not config.getoption("--figures"):
        return
    reports = [report for report in terminalreporter.getreports("passed") if report.when == "call"]
    recorded = [value for report in reports for name, value in report.user_properties if name == figures.PROPERTY]
    terminalreporter.write_sep("=", "measured deviations")
    for line in figures.table(recorded):
        terminalreporter.write_line(line)
