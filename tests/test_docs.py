"""Documentation that can be checked: every public name says what it is and which lesson explains it, and examples
run.
"""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re

import pytest
from conftest import PROJECT

import vocomp_lab

LESSONS = (
    "00_start_here",
    "01_levels_and_meters",
    "02_level_prep",
    "03_filtering",
    "04_peak_control",
    "05_steady_compression",
    "06_slow_attack",
    "07_detector_types",
    "08_the_vocal_in_the_mix",
    "09_your_own_vocal",
)
PUBLIC = {
    name: value
    for name, value in vars(vocomp_lab).items()
    if not name.startswith("_") and (inspect.isclass(value) or inspect.isfunction(value))
}
MODULES = sorted(
    found.name
    for found in pkgutil.walk_packages(vocomp_lab.__path__, "vocomp_lab.")
    if not found.name.endswith("__main__")
)


def test_the_public_names_of_the_contract_are_there():
    assert PUBLIC.keys() >= {
        "Clip", "load", "save", "sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "crest_factor_db", "loudness",
        "Loudness", "HighPass", "Peaking", "LowShelf", "HighShelf", "Compressor", "Chain", "reduction_stats",
        "match_loudness",
    }  # fmt: skip


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_name_says_which_lesson_explains_it(name):
    doc = inspect.getdoc(PUBLIC[name]) or ""
    assert len(doc) > 40, "the docstring is missing or says next to nothing"
    named = re.findall(r"\b\d\d_[a-z_]+\b", doc)
    assert named, "no lesson is named"
    assert set(named) <= set(LESSONS), f"{named} are not all lessons"


@pytest.mark.parametrize("name", [name for name, value in PUBLIC.items() if inspect.isclass(value)])
def test_every_public_method_says_what_it_does(name):
    for member, value in vars(PUBLIC[name]).items():
        if not member.startswith("_") and (
            inspect.isfunction(value) or isinstance(value, (property, classmethod, staticmethod))
        ):
            function = getattr(value, "fget", None) or getattr(value, "__func__", value)
            assert inspect.getdoc(function), f"{name}.{member} has no docstring"


def test_notebooks_carry_the_names_of_lessons():
    stems = {path.stem for path in (PROJECT / "notebooks").glob("[0-9]*.ipynb")}
    assert stems and stems <= set(LESSONS)


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_run(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_there_are_examples():
    attempted = sum(doctest.testmod(importlib.import_module(name)).attempted for name in MODULES)
    assert attempted >= 5
