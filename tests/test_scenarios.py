"""Prepared steps of a demonstration, and the tally of guesses."""

from __future__ import annotations

import dataclasses
import functools
import math
import re

import numpy as np
import pytest
from conftest import IN_CI, one_sentence
from recorded import HELD_OUT, recorded
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
    sample_peak_dbfs,
    shipped,
)  # fmt: skip
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.measures import MEASURES, stage_change
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.lessons.controls import CONTROLS, Choice, controls_for
from vocomp_lab.lessons.scenarios import HEARD_DB, TOO_FAR_DB, Scenario, prepared, scenarios_for
from vocomp_lab.lessons.tally import BAR_EM, Tally
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.rides import FaderRide, RidePoint
from vocomp_lab.sound.remembered import remembered

TAKES = ("lesson_verse_faulty", "second_verse_faulty")
TYPES = ("vca", "fet", "opto", "tube")
# On the second singer one stage of each kind: they all run through the same search.
ON_THE_SECOND = ("compressor", "low cut", "de-esser", "opto")
STARTS = {
    "compressor": Compressor(-20, 3, 1, 80), "parallel": Compressor(-40, 8, 1, 100, mix=0.4), "slow": Compressor(-32, 4, 30, 100),
    "low cut": HighPass(60, 2), "cut": Peaking(400, -5, 2), "boost": Peaking(200, 9, 4), "regions": ClipGain((GainRegion(1, 2, -3),)),
    "ride": FaderRide((RidePoint(1, 0), RidePoint(1.5, -3))),
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


@remembered(8)  # what the steps say is held against it, and then how they sound
def heard(processor, clip):
    return Chain([("stage", processor)]).apply(clip).stages["stage"]


def test_every_kind_of_stage_with_controls_is_tried_here():
    kinds = {type(start) for start in STARTS.values()} | {Gain}
    assert kinds | {kind for kind in CONTROLS if kind.__name__.endswith("Shelf")} == set(CONTROLS)


# As lessons 04, 05, 07 and 03 have them: what a bench starts with, and what it asks for.
ASKED = {
    "peaks": (Compressor(-32, 3, 1, 80), (Goal("share_percent", high=15), Goal("max_db", low=2, high=8))),
    "steady": (
        Compressor(-6, 2.5, 10, 200, knee_db=6),
        (Goal("share_percent", low=80), Goal("median_db", 2, 5), Goal("loudness_change_lu", -0.5, 0.5)),
    ),
    "FET": (character("fet", threshold_db=-24), (Goal("share_percent", high=15), Goal("max_db", low=2, high=8))),
    "sibilance": (DeEsser(), (Goal("share_percent", high=25), Goal("max_db", low=3, high=6))),
}  # fmt: skip
TRIMMED = Compressor(-18, 3, 3, 80)


def heard_there(first, second, where_s):
    """How much the level changes around a place: in a third of an octave, or of 25 ms of the whole. Measured by itself."""
    rate, changes_db = first.rate, []
    around = slice(max(round((where_s - 0.15) * rate), 0), round((where_s + 0.15) * rate))
    spectra = [
        np.abs(np.fft.rfft(clip.samples[around] * np.hanning(len(clip.samples[around])))) ** 2
        for clip in (first, second)
    ]
    freqs_hz = np.fft.rfftfreq(len(first.samples[around]), 1 / rate)
    bands = 50 * 2 ** (np.arange(25) / 3)
    powers = np.array([[p[(freqs_hz >= hz * 0.89) & (freqs_hz < hz * 1.12)].sum() for hz in bands] for p in spectra])
    loud = powers.max(axis=0) > 1e-3 * powers.max()
    changes_db += list(np.abs(10 * np.log10(powers[1][loud] / powers[0][loud])))
    for start in range(around.start, around.stop - round(0.025 * rate), round(0.005 * rate)):
        part = slice(start, start + round(0.025 * rate))
        energies = [np.sum(clip.samples[part] ** 2) for clip in (first, second)]
        changes_db.append(abs(10 * math.log10((energies[1] + 1e-12) / (energies[0] + 1e-12))))
    return max(changes_db)


def check_steps(processor, clip, sung, steps):
    """Each step changes one thing, on the sliders, that is heard where the class is sent to listen."""
    controls = {control.field: control for control in controls_for(type(processor))}
    assert len({step.name for step in steps}) == len(steps)
    basis, first = steps[0].settings, None
    for step in steps:
        changed = dataclasses.replace(processor, **step.settings)
        matched = match_loudness(heard(changed, clip).output, clip)[0]
        if first is None:
            first = matched
            continue
        ((field, value),) = [(f, v) for f, v in step.settings.items() if basis.get(f) != v]
        control = controls[field]
        assert isinstance(control, Choice) or control.low <= value <= control.high
        here_s = float(re.search(r"around ([\d.]+) s", step.listen_for)[1])
        assert sung[max(round((here_s - 0.2) * clip.rate), 0) : round((here_s + 0.2) * clip.rate)].any(), step
        assert heard_there(first, matched, here_s) >= HEARD_DB - 0.3, step


def check_words(step):
    """One question, and answers to just that."""
    assert step.listen_for.count("?") == 1 and step.listen_for.endswith("?") and len(step.listen_for) < 120, step
    question = step.listen_for.rpartition(": ")[2].replace("before and after", "")
    assert " and " not in question and 2 <= len(step.answers) <= 4, step
    if " or " in question:
        assert f"{step.answers[0]} or " in question and step.answers[1] in question.partition(" or ")[2], step
    elif question.split()[0].lower() in ("do", "does", "is", "are"):
        assert step.answers[:2] == ("yes", "no"), step
    else:
        assert question.split()[0].lower() in ("how", "what", "where", "which"), step
    assert step.answer.startswith("Measured: ") and step.answer.endswith("."), step
    for number in re.findall(r"\d[\d.]*\d|\d", step.answer):
        assert len(number.replace(".", "")) <= 3 and number == number.rstrip("."), f"{number} can't be read aloud"


@pytest.mark.parametrize(
    ("start", "name"),
    [
        *((start, TAKES[0]) for start in STARTS),
        *(pytest.param(start, TAKES[1], marks=pytest.mark.ci) for start in ON_THE_SECOND),
    ],
)
def test_steps_begin_as_prepared_and_then_change_one_thing_that_is_heard_and_within_the_sliders(start, name):
    steps = steps_of(start, name)
    # A ride has no control to change: it is presented as it is set.
    assert steps[0].settings == {} and len(steps) >= (2 if controls_for(type(STARTS[start])) else 1)
    check_steps(STARTS[start], *take(name), steps)
    for step in steps:
        check_words(step)


def check_goals(processor, clip, goals, steps):
    """The first step meets the goals, rounded or not; the others do, or say so with a number that is plainly outside."""
    for step in steps:
        change = stage_change(heard(dataclasses.replace(processor, **step.settings), clip))
        missed = [goal for goal in goals if not goal.met(change)]
        if step is steps[0] and step.settings and not missed:
            for goal in goals:
                assert goal.low <= math.floor(goal.value(change)) or goal.low <= round(goal.value(change), 1) - 0.1, (
                    goal
                )
                assert round(goal.value(change), 1) + 0.1 <= goal.high, goal
        assert ("on purpose" in step.answer) == bool(missed), step
        for goal in missed if "Like the first step" not in step.answer else ():
            label = MEASURES[goal.measure].label
            told = re.search(rf"{re.escape(label)} (−?[\d.]+) ", step.answer)[1].replace("−", "-")
            assert not goal.low <= float(told) <= goal.high, f"{told} reads as if the goal were met"


@pytest.mark.parametrize(
    ("bench", "name"),
    [("peaks", TAKES[0])]
    + [
        pytest.param(*pair, marks=pytest.mark.ci)
        for pair in (("steady", TAKES[1]), ("FET", TAKES[0]), ("sibilance", TAKES[1]))
    ],
)
def test_a_step_meets_the_goals_with_room_to_spare_or_says_that_it_misses_them(bench, name):
    clip, (processor, goals) = shipped(name).clip, ASKED[bench]
    sung = active_mask(clip)
    steps = scenarios_for(processor, clip, sung, goals)
    assert len(steps) >= 3
    check_goals(processor, clip, goals, steps)
    check_steps(processor, clip, sung, steps)
    assert bench == "sibilance" or steps[0].settings and "on purpose" not in steps[0].answer, (
        "as the lesson begins it is far off"
    )


@pytest.mark.ci
@pytest.mark.parametrize("kind", ["fr", "sung"])
@pytest.mark.parametrize("bench", ASKED)
def test_on_recorded_people_a_step_is_heard_and_within_the_goals_or_says_so(bench, kind):
    clip, (processor, goals) = recorded(kind, HELD_OUT + 71).clip.cut(0, 10), ASKED[bench]
    sung = active_mask(clip)
    steps = scenarios_for(processor, clip, sung, goals)
    for step in steps:
        check_words(step)
    check_goals(processor, clip, goals, steps)
    check_steps(processor, clip, sung, steps)
    assert bench == "sibilance" or len(steps) >= 3


# What the names of the steps promise, as each is measured apart from the code under test, from before to after.
PROMISES = {
    "threshold 10 dB lower": lambda stage, sung: stage.reduction_db[sung].mean(),
    "threshold 6 dB higher": lambda stage, sung: -stage.reduction_db[sung].mean(),
    "four times the ratio": lambda stage, sung: reduction_stats(stage.reduction_db, sung).max_db,
    "attack thirty times as slow": lambda stage, sung: crest_factor_db(stage.output, sung),
    "attack ten times faster": lambda stage, sung: -crest_factor_db(stage.output, sung),
    "release ten times faster": lambda stage, sung: -stage.reduction_db[sung].mean(),
    "release eight times as slow": lambda stage, sung: stage.reduction_db[sung].mean(),
    "at most 2 dB taken off": lambda stage, sung: -stage.reduction_db.max(),
}
TOLD = {
    "95 %": lambda stage, sung: reduction_stats(stage.reduction_db, sung).p95_db,
    "at most about": lambda stage, sung: stage.reduction_db[sung].max(),
    "peaks stand out": lambda stage, sung: crest_factor_db(stage.output, sung),
    "on average": lambda stage, sung: stage.reduction_db[sung].mean(),
    "of the sung time": lambda stage, sung: 100 * reduction_stats(stage.reduction_db, sung).share,
}


@pytest.mark.parametrize("start", [start for start, p in STARTS.items() if hasattr(p, "threshold_db")])
def test_what_a_step_promises_is_measured_and_its_answer_is_true(start):
    name = TAKES[start in ON_THE_SECOND and IN_CI]
    processor, (clip, sung) = STARTS[start], take(name)
    before, checked = heard(processor, clip), 0
    for step in steps_of(start, name)[1:]:
        promise = PROMISES.get(step.name)
        if promise is None:
            continue
        after = heard(dataclasses.replace(processor, **step.settings), clip)
        assert promise(after, sung) > promise(before, sung), step
        told = re.fullmatch(r"Measured: .* (\d+) (dB|%); (\d+) \2 at the first step\.", step.answer)
        of = next(number for word, number in TOLD.items() if word in step.answer)
        values = [of(stage, sung) for stage in (after, before)]
        assert [told[1], told[3]] == [f"{math.floor(value + 0.5)}" for value in values], step
        assert told[1] != told[3] and abs(values[0] - values[1]) >= 1, "the numbers tell the answers apart"
        checked += 1
    assert checked >= 1


def test_a_change_without_room_on_the_slider_or_for_the_ear_is_left_out():
    clip, sung = take(TAKES[0])
    assert not [
        step
        for step in scenarios_for(Compressor(-55, 3, 1, 80), clip, sung)
        if step.settings.get("threshold_db", 0) < -60
    ]
    # At equal loudness a region that is not there is nothing to hear.
    (only,) = scenarios_for(ClipGain(()), clip, sung)
    assert "measure nearly the same" in only.listen_for
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


def test_what_no_threshold_can_meet_stays_as_it_is_and_says_so():
    clip, sung = take(TAKES[0])
    deep, goals = Compressor(-38, 4, 1, 100), (Goal("median_db", 1, 3), Goal("crest_change_db", 9, 10))
    assert prepared(deep, clip, sung, goals) is deep, "it is meant so"
    first, *others = scenarios_for(deep, clip, sung, goals)
    assert all("Like the first step, it misses goals on purpose" in step.answer for step in others) and others
    assert first.settings == {} and "misses goals on purpose: median reduction" in first.answer


def test_a_gain_alone_is_about_loudness():
    clip, sung = take(TAKES[0])
    steps = scenarios_for(Gain(0), clip, sung)
    assert [step.settings for step in steps] == [{}, {"gain_db": -6}, {"gain_db": -12}], "never louder than the take"
    for step in steps:
        check_words(step)
    peak, loudness, apart = map(int, re.findall(r"-?\d+", steps[0].answer.replace("−", "-")))
    assert peak == math.floor(sample_peak_dbfs(clip) + 0.5) and abs(peak - loudness - apart) <= 1
    assert f"about {apart} dB" in steps[0].answers and len(set(steps[0].answers)) == 4
    unmatched = scenarios_for(Gain(3), clip, sung, match=False)
    assert [step.settings for step in unmatched] == [{}, {"gain_db": 1.5}, {"gain_db": 0}]
    assert "3 dB louder" in unmatched[0].answer and "the same loudness" in unmatched[-1].answer


@pytest.mark.parametrize(("by_db", "first"), [(4, "too much"), (-14, "too little")])
def test_a_trim_is_shown_too_hot_too_weak_and_right_for_the_compressor_behind_it(by_db, first):
    clip = shipped(TAKES[0]).clip.gained(by_db)
    sung, goal = active_mask(clip), Goal("share_percent", 5, 15)
    steps = scenarios_for(Gain(0), clip, sung, (goal,), then=(TRIMMED,))
    shares = []
    for step in steps:
        check_words(step)
        stats = reduction_stats(TRIMMED.apply(clip.gained(step.settings.get("gain_db", 0))).reduction_db, sung)
        shares.append(100 * stats.share)
        assert f"acts in {math.floor(100 * stats.share + 0.5)} %" in step.answer
        assert ("on purpose" in step.answer) == (not 5 <= 100 * stats.share <= 15)
    assert 6 <= shares[2] <= 14, "right, and so that rounding doesn't matter"
    assert (shares[0] > 15 > 5 > shares[1]) if first == "too much" else (shares[1] > 15 > 5 > shares[0])
    assert abs(steps[1].settings["gain_db"] - steps[2].settings["gain_db"]) == TOO_FAR_DB


def test_a_scenario_without_a_name_or_question_is_refused():
    wrongs = ({"name": ""}, {"listen_for": " "}, {"listen_for": "b? c?"}, {"settings": 3}, {"answer": None}, {"answers": "yes"},
              {"answers": ("yes",)}, {"answers": ("a, b", "c")}, {"answers": ("a", "a")}, {"answers": tuple("abcdefg")})  # fmt: skip
    for wrong in wrongs:
        with pytest.raises(ValueError) as refusal:
            Scenario(**{"name": "a", "listen_for": "b?", **wrong})
        one_sentence(refusal, next(iter(wrong)))
    assert Scenario("a", "b?", answers=["yes ", "no"]).answers == ("yes", "no")


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
