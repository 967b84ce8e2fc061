"""Prepared steps of a demonstration, and the tally of guesses."""

from __future__ import annotations

import dataclasses

import pytest
from conftest import one_sentence

from vocomp_lab import ClipGain, Compressor, Gain, GainRegion, HighPass, Peaking, character
from vocomp_lab.controls import CONTROLS
from vocomp_lab.scenarios import Scenario, scenarios_for
from vocomp_lab.sibilance import DeEsser
from vocomp_lab.colour import Colour
from vocomp_lab.tally import Tally

STARTS = [
    Compressor(-20, 3, 1, 80), HighPass(90, 3), Peaking(400, -5, 2), ClipGain((GainRegion(1, 2, -3),)), Gain(3), DeEsser(), Colour(drive_db=0),
    *(character(kind, threshold_db=-24) for kind in ("vca", "fet", "opto", "tube")),
]  # fmt: skip


def test_every_kind_of_stage_with_controls_can_be_demonstrated():
    assert {type(start) for start in STARTS} | {kind for kind in CONTROLS if kind.__name__.endswith("Shelf")} == set(CONTROLS)


@pytest.mark.parametrize("start", STARTS, ids=lambda start: type(start).__name__)
def test_steps_begin_as_prepared_and_then_change_one_thing_within_the_sliders(start):
    steps = scenarios_for(start)
    assert steps[0].settings == {} and len(steps) >= 3
    assert len({step.name for step in steps}) == len(steps)
    for step in steps[1:]:
        assert len(step.settings) == 1
        changed = dataclasses.replace(start, **step.settings)
        assert changed != start
    assert all(step.listen_for.count("?") == 1 for step in steps)


def test_a_change_without_room_on_the_slider_is_left_out():
    assert not [step for step in scenarios_for(Compressor(-55, 3, 1, 80)) if step.settings.get("threshold_db", 0) < -60]
    assert len(scenarios_for(Compressor(-55, 3, 1, 80))) < len(scenarios_for(Compressor(-20, 3, 1, 80)))


def test_a_scenario_without_a_name_or_question_is_refused():
    for wrong in ({"name": ""}, {"listen_for": " "}, {"settings": 3}):
        with pytest.raises(ValueError) as refusal:
            Scenario(**{"name": "a", "listen_for": "b?", **wrong})
        one_sentence(refusal, next(iter(wrong)))


def test_a_tally_counts_and_refuses():
    tally = Tally.reading("before, after , no difference").with_hands("after", 9).with_hands("before", 3)
    assert tally.hands == (3, 9, 0) and tally.total == 12
    assert str(tally) == "before: 3 (25 %); after: 9 (75 %); no difference: 0 (0 %); 12 in all."
    assert str(Tally(("a",))) == "No hands counted yet."
    for make in (
        lambda: Tally.reading(" , "), lambda: Tally(("a", "a")), lambda: Tally(tuple("abcdefg")),
        lambda: tally.with_hands("x", 1), lambda: tally.with_hands("after", -1), lambda: tally.with_hands("after", 1.5),
        lambda: Tally(("a", "b"), (1,)),
    ):  # fmt: skip
        with pytest.raises(ValueError):
            make()
