"""What every test may use: programs from outside, signals, and the strict rule about skipping."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

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
