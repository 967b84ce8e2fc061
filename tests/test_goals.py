"""Goals that a bad setting must not meet: the settings that lessons 04 to 06 and 08 teach, and those that once slipped through."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from recorded import cases, recorded
from takes import ci_only, make_take

from vocomp_lab import Chain, Clip, Compressor, integrated_lufs, shipped
from vocomp_lab.analysis.diagnosis import compressed_part, diagnose
from vocomp_lab.analysis.measures import Goal, stage_change
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.analysis.together import as_one_stage
from vocomp_lab.bench.mix import MixBench
from vocomp_lab.bench.numbers import numbers_html
from vocomp_lab.lessons.goals import CHAIN_GOALS, GOALS
from vocomp_lab.lessons.proposals import propose_chain, propose_stage, proposed_chain

TAUGHT = {"peaks": Compressor(-20, 4, 1, 80), "steady": Compressor(-26, 2.5, 10, 200, knee_db=6)}
FLATTENING = {"peaks": Compressor(-20, 20, 0.05, 80), "steady": Compressor(-26, 10, 0.05, 1_000)}
BITE, FADER = Compressor(-26, 4, 30, 120), Compressor(-26, 10, 10, 1_000)
VOICES = ("lesson_verse_faulty", "second_verse_faulty", ("first", 601), *cases(3, 2, 1_700))
"""Nothing was tuned on these but the first two: other seeds than those that the limits were chosen on."""
SYNTHETIC = VOICES[:3]
PREPARED_BY = ("level prep", "low cut", "boxiness")


@functools.lru_cache
def prepared(name) -> Clip:
    """A voice as it reaches the compressors: the singers' whole, ten seconds of recorded people's."""
    if isinstance(name, str):
        clip = shipped(name).clip
    else:
        clip = make_take(*name).clip if name[0] in ("first", "second") else recorded(*name).clip
    for stage in PREPARED_BY:
        processor = propose_stage(stage, clip).processor
        clip = clip if processor is None else processor.apply(clip)
    return clip if name in SYNTHETIC else clip.cut(0, 10)


@functools.lru_cache
def compressed(name, peaks: Compressor, steady: Compressor):
    """A chain of two, thresholds as by hand: the first acts in 12 % of the sung time, the second takes 3 dB (the median)."""
    clip = prepared(name)
    peaks = dataclasses.replace(
        peaks, threshold_db=threshold_for(peaks, clip, "share_percent", 12) + 0.5
    )  # 12 % at most
    tamed = peaks.apply(clip).output
    return Chain([("peaks", peaks), ("steady", at_same_loudness(steady, tamed, 3))]).apply(clip)


def at_same_loudness(compressor: Compressor, clip: Clip, median_db: float) -> Compressor:
    found = dataclasses.replace(compressor, threshold_db=threshold_for(compressor, clip, "median_db", median_db))
    return dataclasses.replace(found, makeup_db=integrated_lufs(clip) - integrated_lufs(found.apply(clip).output))


def missed(goals, stage) -> list[str]:
    change = stage_change(stage)
    return [goal.measure for goal in goals if not goal.met(change)]


@pytest.mark.parametrize("name", [VOICES[0], *ci_only(VOICES[1:])], ids=str)
def test_what_the_lessons_teach_meets_every_goal(name):
    result = compressed(name, *TAUGHT.values())
    for stage in TAUGHT:
        assert missed(GOALS[stage], result.stages[stage]) in ([], ["max_db"]), "in some voices few peaks are 2 dB over"
    assert "beginnings_db" not in missed(CHAIN_GOALS, as_one_stage(result))
    assert not {"peaks", "reduction", "make-up", "release"} & {
        found.name for found in diagnose(*compressed_part(result))
    }
    held = result.output
    bite = at_same_loudness(BITE, held, 2)
    assert missed(GOALS["excitement"], Chain([("excitement", bite)]).apply(held).stages["excitement"]) == []


@pytest.mark.parametrize("name", [VOICES[0], *ci_only(VOICES[1:])], ids=str)
def test_two_limiters_are_no_peak_control_and_no_steady_compression(name):
    """Quick ones at 20:1 and 10:1, set to the same share and the same median: once, they met the goals of 04, 05 and 08."""
    result = compressed(name, *FLATTENING.values())
    peaks, steady = (missed(GOALS[stage], result.stages[stage]) for stage in FLATTENING)
    assert not {"share_percent", "median_db", "loudness_change_lu"} & {*peaks, *steady}, "the numbers that they meet"
    found = {finding.name for finding in diagnose(*compressed_part(result))}
    assert {"peaks", "onsets"} & found, "lesson 08 names it"
    if name in SYNTHETIC:
        assert "crest_change_db" in peaks and "beginnings_db" in steady


@pytest.mark.parametrize("name", [VOICES[0], *ci_only(VOICES[1:2])])
def test_the_goals_of_the_whole_chain_are_met_by_what_is_proposed(name):
    """From the raw take to the end. What only flattens misses the beginnings; it brings the words together, too, with the level
    prep before it, if less close, so the two goals are needed."""
    clip = shipped(name).clip
    proposed = proposed_chain(propose_chain(clip))
    prepared_by = [stage for stage in proposed.stages if stage[0] in PREPARED_BY]
    compressors = [(stage, made.processor) for stage, made in compressed(name, *FLATTENING.values()).stages.items()]
    good, flat = (
        stage_change(as_one_stage(chain.apply(clip))) for chain in (proposed, Chain([*prepared_by, *compressors]))
    )
    beginnings, spread = CHAIN_GOALS
    assert beginnings.met(good) and spread.met(good) and spread.applies(good)
    assert not beginnings.met(flat) and flat.spread_change_lu > good.spread_change_lu + 0.3


@pytest.mark.parametrize("name", [VOICES[0], *ci_only(VOICES[1:])], ids=str)
def test_a_fader_that_is_pulled_back_is_no_excitement(name):
    """On recorded people its beginnings come near to the goal, and in one take of five they meet it by a hair."""
    held = compressed(name, *TAUGHT.values()).output
    fader, bite = (
        Chain([("excitement", at_same_loudness(one, held, 2))]).apply(held).stages["excitement"]
        for one in (FADER, BITE)
    )
    if name in SYNTHETIC:
        assert missed(GOALS["excitement"], fader) == ["beginnings_db"]
    assert stage_change(fader).beginnings_db < 0.6 * stage_change(bite).beginnings_db


def test_a_soft_half_does_not_hide_what_happens_to_the_loud_one():
    verse = shipped("lesson_verse_clean").clip
    song = verse.with_samples(np.concatenate([0.5 * verse.samples, verse.samples]))
    steady = at_same_loudness(Compressor(-26, 4, 10, 200, knee_db=6), song, 3)
    assert missed(GOALS["steady"], Chain([("steady", steady)]).apply(song).stages["steady"]) == ["over_median_db"]
    steady = at_same_loudness(dataclasses.replace(steady, makeup_db=0), verse, 3)
    assert missed(GOALS["steady"], Chain([("steady", steady)]).apply(verse).stages["steady"]) == []


def test_a_goal_asks_for_nothing_where_there_is_nothing_to_judge_by():
    noise = Clip(np.random.default_rng(3).standard_normal(48_000) * np.linspace(0.01, 0.1, 48_000), 48_000)
    change = stage_change(Chain([("steady", TAUGHT["steady"])]).apply(noise).stages["steady"])
    for goal in (Goal("beginnings_db", low=0), Goal("spread_change_lu", high=-0.3)):
        assert goal.met(change) and not goal.applies(change)
        assert goal.verdict(change).startswith("nothing needed (")
    line = numbers_html(change, [Goal("beginnings_db", low=0)])
    assert "✓ nothing needed (it acts on no note that lasts)" in line, "a goal that asks for nothing says so"
    assert str(Goal("crest_change_db", low=-3.5)) == "crest factor falls by at most 3.5 dB"
    assert not Goal("share_percent", low=101).met(change)
    assert Goal("max_db", low=0).verdict(change).startswith("met (measured: ")


def test_a_vocal_under_the_band_holds_a_place_where_nobody_hears_it(capsys):
    verse, band = shipped("lesson_verse_clean").clip.cut(0, 8), shipped("backing").clip.cut(0, 8)
    mix = MixBench(verse, verse, band, balance_lu=2)
    mix.check()
    assert capsys.readouterr().out.startswith("balance −4 to 8 LU: met (measured: +2.0 LU)")
    mix.balance_lu = -12
    mix.check()
    assert capsys.readouterr().out.startswith("balance −4 to 8 LU: not met yet")
