"""The recorder of measured deviations itself: what it accepts, and what it prints."""

from __future__ import annotations

import math

import pytest
from figures import PROPERTY, Deviations, table


@pytest.fixture
def recorded():
    return []


@pytest.fixture
def hold(recorded):
    return Deviations(lambda name, value: recorded.append(value) if name == PROPERTY else None)


@pytest.mark.parametrize(
    ("off", "within"),
    [([0.0, -0.2], 0.1), (math.nan, 0.1), ([0.0, math.nan], 1e9), (math.inf, 1.0), (0.3, (-0.4, 0.2)), ([], 1.0)],
)
def test_what_is_not_within_fails(hold, off, within):
    with pytest.raises(AssertionError, match="^loudness: "):
        hold("loudness", "a standard", off, within, "LU")


def test_the_table_has_a_row_for_each_pair_with_the_largest_deviation(hold, recorded):
    hold("true peak", "a standard", [-0.13, 0.1], (-0.4, 0.2), "dB")
    hold("loudness", "a standard", 0.01, 0.1, "LU")
    hold("loudness", "a standard", [[0.02], [-0.03]], 0.1, "LU")
    hold("loudness", "a program", 0.0, 0.1, "LU")
    hold("loops", "a program", 3e-14, 1e-9)
    assert table(recorded)[2:] == [
        "| loops | a program | ±1e-09 | 1e-13 or less |",
        "| loudness | a program | ±0.1 LU | 0 LU |",
        "| loudness | a standard | ±0.1 LU | −0.03 LU |",
        "| true peak | a standard | −0.4 to +0.2 dB | −0.13 dB |",
    ]
