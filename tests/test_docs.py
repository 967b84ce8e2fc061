"""Documentation that can be checked: public names say what they are, one lesson explains each, and examples run."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil
import re

import pytest
from conftest import PROJECT

import vocomp_lab
from vocomp_lab.lessons import explained
from vocomp_lab.processors.chain import PROCESSORS

LESSONS = sorted(path.stem for path in (PROJECT / "notebooks").glob("[0-9]*.ipynb"))
# Names that checks outside the project call: they stay, whatever the notebooks use.
CONTRACT = {
    "AbxSession", "Chain", "ChainResult", "Clip", "ClipGain", "Compressed", "Compressor", "DeEsser", "GainRegion", "Goal",
    "HighPass", "HighShelf", "Lesson", "Loudness", "LowShelf", "Peaking", "PreferenceSession", "Proposal", "Take",
    "active_mask", "begin", "character", "check_goals", "crest_factor_db", "examine", "find_pops", "find_resonances",
    "integrated_lufs", "load", "loudness", "match_loudness", "noise_floor_dbfs", "pitch_range", "pitch_track",
    "propose_chain", "propose_regions", "proposed_chain", "reduction_stats", "rms_dbfs", "sample_peak_dbfs", "save",
    "shipped", "true_peak_dbtp",
}  # fmt: skip
PUBLIC = {
    name: getattr(module, name) for module in map(importlib.import_module, explained.FACES) for name in module.__all__
}
MODULES = sorted(
    found.name
    for found in pkgutil.walk_packages(vocomp_lab.__path__, "vocomp_lab.")
    if not found.name.endswith(("__main__", "hub_config"))
)


def test_the_public_names_of_the_contract_are_there():
    assert set(vocomp_lab.__all__) >= CONTRACT
    assert "Bench" in importlib.import_module("vocomp_lab.bench").__all__
    assert "Homework" in importlib.import_module("vocomp_lab.exercises").__all__


def test_other_public_names_are_used_in_a_notebook_or_the_readme():
    """Processors aside: a chain shown as Python can name any of them."""
    texts = [(PROJECT / "README.md").read_text("utf-8")]
    texts += [path.read_text("utf-8") for path in (PROJECT / "notebooks").rglob("*.ipynb")]
    processors = {kind.__name__ for kind in PROCESSORS.values()}
    for name in set(vocomp_lab.__all__) - CONTRACT - processors:
        assert any(re.search(rf"\b{name}\b", text) for text in texts), name


def test_every_public_name_is_explained_in_one_lesson_and_nothing_else_is():
    table = [name for names in explained.EXPLAINED_IN.values() for name in names]
    assert len(table) == len(set(table))
    assert set(table) == set(PUBLIC)
    assert list(explained.EXPLAINED_IN) == LESSONS


def test_a_lesson_lists_what_it_explains():
    said = explained.summary("04_peak_control")
    assert "Compressor: A dynamic-range compressor." in said.splitlines()
    assert len(said.splitlines()) == len(explained.EXPLAINED_IN["04_peak_control"])
    for refused in (explained.summary, explained.lesson_of):
        with pytest.raises(ValueError, match="nothing of the kind"):
            refused("nothing of the kind")


def test_every_public_name_says_what_it_is():
    short = [name for name, value in PUBLIC.items() if len(inspect.getdoc(value) or "") <= 40]
    assert not short, "their docstrings are missing or say next to nothing"


def test_every_public_method_says_what_it_does():
    silent = []
    for name, public in PUBLIC.items():
        for member, value in vars(public).items() if inspect.isclass(public) else ():
            if not member.startswith("_") and (
                inspect.isfunction(value) or isinstance(value, (property, classmethod, staticmethod))
            ):
                function = getattr(value, "fget", None) or getattr(value, "__func__", value)
                silent += [] if inspect.getdoc(function) else [f"{name}.{member}"]
    assert not silent, "they have no docstring"


def test_examples_in_docstrings_run():
    results = {name: doctest.testmod(importlib.import_module(name)) for name in MODULES}
    assert {name for name, result in results.items() if result.failed} == set()
    assert sum(result.attempted for result in results.values()) >= 5
