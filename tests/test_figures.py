"""The recorders of measured deviations and of counts themselves: what they accept, and what they print."""

from __future__ import annotations

import math

import pytest
from figures import COUNTED, PROPERTY, Counts, Deviations, counted_table, table


@pytest.fixture
def recorded():
    return []


@pytest.fixture
def hold(recorded):
    return Deviations(lambda name, value: recorded.append(value) if name == PROPERTY else None)


@pytest.fixture
def count(recorded):
    return Counts(lambda name, value: recorded.append(value) if name == COUNTED else None)


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


@pytest.mark.parametrize(("hits", "wanted"), [([], 0.0), ([True, False, True], 0.7), ([False], 0.01)])
def test_too_few_hits_fail(count, hits, wanted):
    with pytest.raises(AssertionError, match="^loud words: "):
        count("loud words", "speech", hits, wanted)


def test_a_failed_count_says_which_are_missed(count):
    with pytest.raises(AssertionError, match=r"2 of 4 on speech, wanted are 75%. Missed: \[1, 2\]"):
        count("loud words", "speech", [True, False, False, True], 0.75)


def test_the_table_of_counts_adds_up_what_has_the_same_words(count, recorded):
    count("loud words", "speech", [True, False], 0.5)
    count("loud words", "speech", [True, True, True], 0.5)
    count("loud words", "singing", [True], 0.8)
    assert counted_table(recorded)[2:] == [
        "| loud words | singing | 80 % or more | 1 of 1 |",
        "| loud words | speech | 50 % or more | 4 of 5 |",
    ]
