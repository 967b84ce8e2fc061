"""Prepared steps of a demonstration, and the tally of guesses."""

from __future__ import annotations

import dataclasses
import functools
import re

import numpy as np
import pytest
from conftest import one_sentence
from takes import ci_only

from vocomp_lab import (
    Chain,
    ClipGain,
    Compressor,
    Gain,
    GainRegion,
    Goal,
    HighPass,
    Peaking,
    character,
    crest_factor_db,
    reduction_stats,
    shipped,
)  # fmt: skip
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.lessons.controls import CONTROLS, Choice, controls_for
from vocomp_lab.lessons.scenarios import HEARD_DB, Scenario, most_different, prepared, scenarios_for
from vocomp_lab.lessons.tally import BAR_EM, Tally
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.sound.text import decibels

TAKES = ("lesson_verse_faulty", "second_verse_faulty")
TYPES = ("vca", "fet", "opto", "tube")
STARTS = {
    "compressor": Compressor(-20, 3, 1, 80), "parallel": Compressor(-40, 8, 1, 100, mix=0.4), "slow": Compressor(-32, 4, 30, 100),
    "low cut": HighPass(60, 2), "cut": Peaking(400, -5, 2), "boost": Peaking(200, 9, 4), "regions": ClipGain((GainRegion(1, 2, -3),)),
    "de-esser": DeEsser(), "colour": Colour(drive_db=6, asymmetry=0.58), **{kind: character(kind, threshold_db=-30) for kind in TYPES},
}  # fmt: skip


@functools.cache
def take(name):
    """Five seconds of a shipped take, and where it is sung."""
    clip = shipped(name).clip.cut(1, 6)
    return clip, active_mask(clip)


@functools.cache
def steps_of(start, name):
    return scenarios_for(STARTS[start], *take(name))


def heard(processor, clip):
    return Chain([("stage", processor)]).apply(clip).stages["stage"]


def test_every_kind_of_stage_with_controls_is_tried_here():
    kinds = {type(start) for start in STARTS.values()} | {Gain}
    assert kinds | {kind for kind in CONTROLS if kind.__name__.endswith("Shelf")} == set(CONTROLS)


@pytest.mark.parametrize("name", [TAKES[0], *ci_only(TAKES[1:])])
@pytest.mark.parametrize("start", STARTS)
def test_steps_begin_as_prepared_and_then_change_one_thing_that_is_heard_and_within_the_sliders(start, name):
    processor, (clip, sung) = STARTS[start], take(name)
    steps, controls = steps_of(start, name), {control.field: control for control in controls_for(type(processor))}
    assert steps[0].settings == {} and len(steps) >= 3
    assert len({step.name for step in steps}) == len(steps)
    first = match_loudness(heard(processor, clip).output, clip)[0]
    for step in steps:
        assert step.listen_for.count("?") == 1 and step.listen_for.endswith("?") and len(step.listen_for) < 120
    for step in steps[1:]:
        ((field, value),) = step.settings.items()
        control = controls[field]
        assert isinstance(control, Choice) or control.low <= value <= control.high
        changed = dataclasses.replace(processor, **step.settings)
        # Where the class is sent to listen, the difference is there at equal loudness.
        here_s = float(re.search(r"around ([\d.]+) s", step.listen_for)[1])
        second = match_loudness(heard(changed, clip).output, clip)[0]
        here = slice(max(round((here_s - 0.1) * clip.rate), 0), round((here_s + 0.1) * clip.rate))
        a, b = (version.samples[here][sung[here]] for version in (first, second))
        assert len(a) > 0.05 * clip.rate and 10 * np.log10(np.sum((a - b) ** 2) / np.sum(a**2)) > HEARD_DB - 6


# What the names of the steps promise, as each is measured apart from the code under test, from before to after.
PROMISES = {
    "threshold 10 dB lower": lambda stage, sung: stage.reduction_db[sung].mean(),
    "threshold 6 dB higher": lambda stage, sung: -stage.reduction_db[sung].mean(),
    "four times the ratio": lambda stage, sung: reduction_stats(stage.reduction_db, sung).max_db,
    "attack thirty times as slow": lambda stage, sung: crest_factor_db(stage.output, sung),
    "attack ten times faster": lambda stage, sung: -crest_factor_db(stage.output, sung),
    "release ten times faster": lambda stage, sung: -stage.reduction_db[sung].mean(),
    "release eight times as slow": lambda stage, sung: stage.reduction_db[sung].mean(),
    "at most 3 dB taken off": lambda stage, sung: -stage.reduction_db.max(),
}


@pytest.mark.parametrize("name", [TAKES[0], *ci_only(TAKES[1:])])
@pytest.mark.parametrize("start", [start for start, p in STARTS.items() if hasattr(p, "threshold_db")])
def test_what_a_step_promises_is_measured_and_its_answer_is_true(start, name):
    processor, (clip, sung) = STARTS[start], take(name)
    before, checked = heard(processor, clip), 0
    for step in steps_of(start, name)[1:]:
        promise = PROMISES.get(step.name)
        if promise is None:
            assert step.answer == ""
            continue
        after = heard(dataclasses.replace(processor, **step.settings), clip)
        assert promise(after, sung) > promise(before, sung), step
        told = re.fullmatch(r"Measured: .* ([\d.]+) dB; ([\d.]+) dB at the first step\.", step.answer)
        numbers = {
            "95 %": lambda stage: reduction_stats(stage.reduction_db, sung).p95_db, "largest": lambda stage: stage.reduction_db[sung].max(),
            "crest": lambda stage: crest_factor_db(stage.output, sung), "average": lambda stage: stage.reduction_db[sung].mean(),
        }  # fmt: skip
        of = next(number for word, number in numbers.items() if word in step.answer)
        assert told.groups() == (decibels(of(after)), decibels(of(before))), step
        checked += 1
    assert checked >= 2


def test_a_change_without_room_on_the_slider_or_for_the_ear_is_left_out():
    clip, sung = take(TAKES[0])
    assert not [
        step
        for step in scenarios_for(Compressor(-55, 3, 1, 80), clip, sung)
        if step.settings.get("threshold_db", 0) < -60
    ]
    # At equal loudness a gain is nothing to hear, nor is a region that is not there, nor silence.
    for start in (Gain(3), ClipGain(())):
        (only,) = scenarios_for(start, clip, sung)
        assert "measure the same" in only.listen_for
    silence = clip.with_samples(np.zeros(clip.frames))
    assert len(scenarios_for(Compressor(-20, 3, 1, 80), silence, active_mask(silence))) == 1


@pytest.mark.parametrize("name", [TAKES[0], *ci_only(TAKES[1:])])
def test_a_start_that_does_nothing_or_acts_far_too_long_is_prepared(name):
    clip, sung = take(name)
    goals = (Goal("share_percent", high=15), Goal("max_db", 2, 8))
    stats = lambda processor: reduction_stats(heard(processor, clip).reduction_db, sung)  # noqa: E731
    idle, extreme = Compressor(0, 2.5, 10, 200), Compressor(-32, 3, 1, 80)
    assert stats(prepared(idle, clip, sung)).median_db == pytest.approx(3, abs=0.4)
    ready = prepared(extreme, clip, sung, goals)
    assert stats(extreme).share > 0.9 > 0.5 > stats(ready).share and stats(ready).max_db >= 2
    assert prepared(extreme, clip, sung) is extreme, "without a goal it may be meant so"
    assert prepared(ready, clip, sung, goals) == ready
    for step in scenarios_for(extreme, clip, sung, goals):
        assert step.settings["threshold_db"] == ready.threshold_db or "threshold" in step.name


def test_the_place_of_the_largest_difference_is_found_among_what_is_sung():
    clip, sung = take(TAKES[0])
    frames = np.flatnonzero(sung)
    middle = frames[len(frames) // 2]
    changed = clip.samples.copy()
    changed[middle - 2_000 : middle + 2_000] *= 2
    changed[~sung] = 0.7
    where_s, far_db = most_different(clip, clip.with_samples(changed), sung)
    assert where_s == pytest.approx(middle / clip.rate, abs=0.1) and far_db > -6
    assert most_different(clip, clip, sung)[1] == -np.inf


def test_a_scenario_without_a_name_or_question_is_refused():
    for wrong in ({"name": ""}, {"listen_for": " "}, {"settings": 3}, {"answer": None}):
        with pytest.raises(ValueError) as refusal:
            Scenario(**{"name": "a", "listen_for": "b?", **wrong})
        one_sentence(refusal, next(iter(wrong)))


def test_a_tally_counts_and_refuses():
    tally = Tally.reading("before, after , no difference").with_hands("after", 9).with_hands("before", 3)
    assert tally.hands == (3, 9, 0) and tally.total == 12
    assert str(tally) == "before: 3 (25 %); after: 9 (75 %); no difference: 0 (0 %); 12 in all."
    assert re.findall(r"<td>([^<]*)</td>", tally.to_html()) == ["3", "25 %", "9", "75 %", "0", "0 %"]
    lengths_em = [float(length) for length in re.findall(r"width:([\d.]+)em", tally.to_html())]
    assert lengths_em == [BAR_EM * share for share in (0.25, 0.75, 0)]
    assert str(Tally(("a",))) == Tally(("a",)).to_html() == "No hands counted yet."
    for make in (
        lambda: Tally.reading(" , "), lambda: Tally(("a", "a")), lambda: Tally(tuple("abcdefg")),
        lambda: tally.with_hands("x", 1), lambda: tally.with_hands("after", -1), lambda: tally.with_hands("after", 1.5),
        lambda: Tally(("a", "b"), (1,)),
    ):  # fmt: skip
        with pytest.raises(ValueError):
            make()
