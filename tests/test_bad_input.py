"""Whatever is given to a public name, it answers with its result or with one ValueError sentence.

No warning, no other error, and no NaN where a number is promised: a function that may give NaN says so in its docstring.
The inputs are legal values by the name of each parameter, with some of them replaced by anything at all. CI draws 10,000
of them, and each that once went wrong is an example below. More by hand: ``FUZZ=300000 python -m pytest -n 0
tests/test_bad_input.py``.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import math
import os
import re
import warnings

import numpy as np
import pytest
from conftest import IN_CI
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import vocomp_lab
from vocomp_lab import analysis, exercises, lessons, pictures
from vocomp_lab import bench as benches

ROOMS = (vocomp_lab, analysis, lessons, exercises, pictures, benches)
INPUTS = int(os.environ.get("FUZZ", 10_000 if IN_CI else 2_000))

# ------------------------------------------------------------------------------------------------ what is legal
