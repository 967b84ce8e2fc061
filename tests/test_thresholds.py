"""The threshold for a given reduction: found quickly, and the one that trying every step by `apply` finds."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab.analysis import thresholds
from vocomp_lab.analysis.measures import MEASURES, Change
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.thresholds import LOWEST_THRESHOLD_DB, THRESHOLD_STEP_DB, stats_with, threshold_for
from vocomp_lab.processors.character import character
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.singer.song import shipped

PROCESSORS = {
    "peaks": Compressor(-20, 3, 1, 80),
    "look-ahead and RMS": Compressor(-20, 4, 5, 100, lookahead_ms=5, detector="rms", rms_ms=10),
    "opto": character("opto"),
    "de-esser": DeEsser(-20),
}
TARGETS = [("share_percent", 10), ("median_db", 3), ("p95_db", 5), ("max_db", 6)]


@pytest.fixture(scope="module")
def clip():
    return shipped("lesson_verse_faulty").clip.cut(2, 9)


@pytest.mark.parametrize("name, target", list(zip(PROCESSORS, TARGETS)))
def test_it_reaches_the_target_and_half_a_decibel_more_does_not(clip, name, target):
    measure, least = target
    found = threshold_for(PROCESSORS[name], clip, measure, least)

    def reaches(threshold_db):
        trial = dataclasses.replace(PROCESSORS[name], threshold_db=threshold_db)
        return MEASURES[measure].of(Change(None, None, stats_with(trial, clip, active_mask(clip)))) >= least

    assert LOWEST_THRESHOLD_DB < found < 0
    assert reaches(found) and not reaches(found + THRESHOLD_STEP_DB)


def test_where_nothing_is_enough_it_is_the_lowest_and_where_anything_is_the_highest(clip):
    assert threshold_for(PROCESSORS["peaks"], clip, "median_db", 90) == LOWEST_THRESHOLD_DB
    assert threshold_for(PROCESSORS["peaks"], clip, "median_db", 0) == 0


@given(st.integers(0, 40), st.integers(0, 40), st.integers(0, 40), st.one_of(st.none(), st.integers(-5, 50)))
def test_the_first_number_is_found_from_wherever_the_search_begins(low, high, first, near):
    tried = []
    found = thresholds._first(lambda n: tried.append(n) or n >= first, low, high, near)
    assert found == min(max(first, low), max(high, low))
    assert len(tried) == len(set(tried)) and all(low <= n < high for n in tried)
    if near is not None and low < first < high and abs(near - first) <= 1:
        assert len(tried) <= 4
