"""Takes by the synthetic singer, kept on disk: making one costs over a second, and many tests listen to the same seeds.

The cache lies in `.pytest_cache`, which git ignores, and is keyed by everything that a take depends on.
"""

from __future__ import annotations

import functools
import hashlib
import os
import pickle
import shutil
import sys

import numpy as np
import pytest
import scipy
from conftest import PROJECT

from vocomp_lab.singer import song

CACHE = PROJECT / ".pytest_cache" / "takes"
SOURCES = ("sound", "processors", "singer")
"""The rooms that `song` may import from (`test_project.py` holds that)."""


def ci_only(values) -> list:
    """Parameters for CI alone: a plain run listens to the shipped takes, CI to the held-out ones too."""
    return [pytest.param(value, marks=pytest.mark.ci) for value in values]


def make_take(verse: str, seed: int, faulty: bool = True, manner: str = "plain") -> song.Take:
    """:func:`vocomp_lab.singer.song.make_take`, from the cache where it was made before by the same code."""
    folder = CACHE / _key()
    path = folder / f"{verse}-{manner}-{seed}-{'faulty' if faulty else 'clean'}.pickle"
    if path.exists():
        take = pickle.loads(path.read_bytes())
        take.clip.samples.setflags(write=False)  # as every clip's are; a pickle forgets it
        return take
    take = song.make_take(verse, seed, faulty, manner=manner)
    folder.mkdir(parents=True, exist_ok=True)
    for other in CACHE.iterdir():
        if other != folder:
            shutil.rmtree(other, ignore_errors=True)
    half = path.with_name(f"{path.name}.{os.getpid()}")
    half.write_bytes(pickle.dumps(take))
    half.replace(path)  # whole or not at all, whoever else writes it
    return take


@functools.cache
def _key() -> str:
    """Of the sources and the libraries that a take depends on."""
    made_by = hashlib.sha256(f"{sys.version} {np.__version__} {scipy.__version__}".encode())
    for room in SOURCES:
        for path in sorted((PROJECT / "vocomp_lab" / room).glob("*.py")):
            made_by.update(path.name.encode() + path.read_bytes())
    return made_by.hexdigest()[:16]
