"""A chain that does harm is told so, with the stage to blame; one that doesn't is left in peace."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from conftest import sine
from recorded import FAULTS, cases, recorded
from takes import ci_only

from vocomp_lab.analysis.harm import measure_harm
from vocomp_lab.lessons.goals import CHAIN_GOALS
from vocomp_lab.lessons.proposals import check_goals, propose_chain, proposed_chain
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip

GENTLE = [
    ("trim", Gain(2)),
    ("low cut", HighPass(80, 3)),
    ("peaks", Compressor(-10, 4, 0.3, 80)),
    ("steady", Compressor(-26, 2.5, 2, 200, 6, makeup_db=3)),
]


@functools.cache
def clean(name):
    return recorded(*name, ()).clip if isinstance(name, tuple) else shipped(name).clip


def with_stage(name, processor):
    """The gentle chain with another stage in the place of its own, or behind all."""
    stages = {**dict(GENTLE), name: processor}
    return Chain(list(stages.items()))


def spread_words(clip):
    """Gains that lift every other second and lower the rest."""
    seconds = np.arange(0.0, clip.duration_s - 1.2, 1.0)
    return ClipGain(tuple(GainRegion(s, s + 0.9, 8.0 if k % 2 else -8.0) for k, s in enumerate(seconds)))


VOICES = ["lesson_verse_clean", ("sung", 3), *ci_only(["second_verse_clean", ("en", 3), ("lt", 3), ("sung", 5)])]
HARMS = {
    "a bell where nothing rings": ("tone", "boxiness", lambda clip: Peaking(900, -8, 2)),
    "a crushing compressor with make-up": ("room", "steady", lambda clip: Compressor(-50, 10, 1, 60, makeup_db=20)),
    "a de-esser that eats": ("highs", "sibilance", lambda clip: DeEsser(threshold_db=-60, range_db=30)),
    "an attack that lets the peaks through": ("peaks", "excitement", lambda clip: Compressor(-40, 8, 40, 150)),
    "level prep that spreads the words": ("words", "level prep", spread_words),
    "level prep that lifts the room": ("room", "level prep", lambda clip: ClipGain((GainRegion(0, clip.duration_s, 6),))),
}  # fmt: skip


@pytest.mark.parametrize("name", VOICES, ids=str)
@pytest.mark.parametrize("harm", HARMS)
def test_the_stage_that_does_harm_is_blamed(harm, name):
    what, stage, processor = HARMS[harm]
    clip = clean(name).cut(0, 10)  # lines, words and pauses enough for what is so far off
    result = with_stage(stage, processor(clip)).apply(clip)
    check = measure_harm(result)[what]
    assert check.ok is False and check.blamed == stage, measure_harm(result)
    assert check.measured > check.limit
    if name != VOICES[0]:
        return  # the sentence is the same for every voice
    line = next(line for line in check_goals(result).splitlines() if line.startswith(f"whole chain, {what}"))
    assert "HARM" in line and f"“{stage}”" in line and line.endswith(".") and line.count(". ") == 1


@pytest.mark.parametrize("name", VOICES, ids=str)
def test_a_gentle_chain_does_no_harm(name):
    harm = measure_harm(Chain(GENTLE).apply(clean(name)))
    assert all(harm[what].ok for what in ("words", "room", "tone", "highs")), harm
    assert harm["peaks"].measured < 2, harm  # even a low cut may turn a wave so that its peaks rise


@pytest.mark.parametrize("name", ["lesson_verse_clean", ("sung", 3)], ids=str)
def test_gain_alone_changes_nothing(name):
    harm = measure_harm(Chain([("trim", Gain(-7.5))]).apply(clean(name)))
    assert harm.ok and all(check.ok is not None for check in harm.checks), harm
    for what in ("words", "peaks", "room"):
        assert harm[what].measured == pytest.approx(0, abs=0.1)
    assert harm["tone"].measured < 1e-6 and abs(harm["highs"].measured) < 1e-6
    assert measure_harm(Chain([]).apply(clean(name))).ok


def test_a_bell_on_a_ring_is_no_harm_and_one_beside_it_is():
    take = shipped("lesson_verse_faulty")
    box = take.truth["faults"]["boxiness"]
    on = Chain([("boxiness", Peaking(box["freq_hz"], -0.8 * box["gain_db"], box["q"]))]).apply(take.clip)
    beside = Chain([("boxiness", Peaking(1.7 * box["freq_hz"], -1.5 * box["gain_db"], box["q"]))]).apply(take.clip)
    assert measure_harm(on)["tone"].ok
    check = measure_harm(beside)["tone"]
    assert check.ok is False and check.blamed == "boxiness"


def test_the_tone_is_that_of_the_filter():
    """A bell as wide as several bands changes the one in its middle by its gain."""
    check = measure_harm(Chain([("bell", Peaking(1_000, 6, 1))]).apply(clean("lesson_verse_clean")))["tone"]
    assert check.measured == pytest.approx(6, abs=0.8) and "+" in check.sentence


@pytest.mark.parametrize(
    ("samples", "unknown"),
    [
        (np.zeros(48_000), {"words", "peaks", "room", "tone", "highs"}),
        (np.zeros(1), {"words", "peaks", "room", "tone", "highs"}),
        (sine(200, 3, 48_000, -20), {"words", "room"}),
        (0.01 * np.random.default_rng(3).standard_normal(96_000), {"room"}),
        (np.full(300, 0.1), {"words", "room", "tone", "highs"}),
    ],
    ids=("silence", "frame", "a note without pauses", "noise", "scrap"),
)
def test_what_a_clip_cannot_tell_is_said(samples, unknown):
    result = Chain([("peaks", Compressor(-20, 4, 1, 80, makeup_db=2))]).apply(Clip(samples, 48_000))
    harm = measure_harm(result)
    assert {check.name for check in harm.checks if check.ok is None} >= unknown - {"peaks"}, harm
    for check in harm.checks:
        if check.ok is None:
            assert "can't tell" in str(check) and math.isnan(check.measured) and check.blamed is None
    assert check_goals(result).count("whole chain, ") == len(harm.checks) + len(CHAIN_GOALS)


@pytest.mark.ci
def test_what_is_proposed_for_recorded_voices_does_no_harm(count):
    """For the synthetic singers: ``tests/test_proposals.py``."""
    harmless = []
    for key in cases(10, 5):  # a whole chain for each: seconds
        clip = recorded(*key, FAULTS).clip
        harm = measure_harm(proposed_chain(propose_chain(clip)).apply(clip))
        print(*key, *(check for check in harm.checks if check.ok is False))
        harmless.append(harm.ok)
    count("the proposed chain does no harm", "takes of recorded people, spoken and sung", harmless, 0.9)
