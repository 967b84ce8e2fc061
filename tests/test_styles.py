"""Cards for styles: the proposals start where the card says, and meet its goals."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from conftest import one_sentence
from takes import ci_only

from vocomp_lab import Chain, Clip, Compressor, HighPass, begin, check_goals, shipped
from vocomp_lab.analysis.measures import stage_change
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.style_menu import StyleMenu
from vocomp_lab.lessons.goals import GOALS
from vocomp_lab.lessons.proposals import propose_chain, propose_stage
from vocomp_lab.lessons.styles import STYLES, goals_for

VOICES = ("lesson_verse_clean", "second_verse_clean")
"""Level prep has nothing to do on these, so their cards can be tried without the stages before."""


@pytest.mark.parametrize("name", [VOICES[0], *ci_only(VOICES[1:])])
@pytest.mark.parametrize("style", STYLES)
def test_a_card_is_a_start_that_meets_its_own_goals(style, name):
    voice, card = shipped(name).clip, STYLES[style]
    for stage in ("peaks", "steady"):
        proposal = propose_stage(stage, voice, voice, style)
        start = getattr(card, stage)
        if start is None:
            assert proposal.processor is None and style in proposal.reason
            continue
        assert (proposal.processor.ratio, proposal.processor.attack_ms) == (
            start.compressor.ratio,
            start.compressor.attack_ms,
        )
        result = Chain([(stage, proposal.processor)]).apply(voice)
        change = stage_change(result.stages[stage])
        missed = [str(goal) for goal in card.goals(stage) if not goal.met(change)]
        assert missed == []
        voice = result.output


def test_a_style_changes_the_two_compressors_and_nothing_else():
    voice = shipped("lesson_verse_clean").clip.cut(0, 8)
    plain, rap = (propose_chain(voice, style) for style in (None, "rap"))
    differing = [one.stage for one, other in zip(plain, rap) if one.processor != other.processor]
    assert set(differing) <= {"peaks", "steady"} and "steady" in differing
    assert all("no source" in one.reason for one in rap if one.stage in ("peaks", "steady"))


def test_every_card_can_be_read_and_is_marked_as_practice():
    for style, card in STYLES.items():
        text = str(card)
        assert text.startswith(f"{style}. Listen for: ") and text.endswith("Common practice, no source.")
        assert all(stage in text for stage in ("peaks:", "steady:"))
        assert card.goals("excitement") == GOALS["excitement"]


def test_what_cannot_be_is_refused_or_says_why():
    voice = Clip(np.zeros(48_000), 48_000)
    assert propose_stage("steady", voice, style="rap").processor is None
    for call, name in (
        (lambda: propose_chain(voice, "polka"), "style"),
        (lambda: propose_stage("mud", voice), "stage"),
    ):
        with pytest.raises(ValueError) as error:
            call()
        one_sentence(error, name, "is not allowed") if name == "stage" else error.match("style: 'polka' is not allowed")


def test_the_menu_shows_the_card_and_says_which():
    menu = StyleMenu()
    assert menu.style is None and menu._card.value == ""
    menu.style = "rap"
    assert menu.style == "rap" and "3 to 6 dB at most" in menu._card.value and "no source" in menu._card.value
    assert StyleMenu("a bad room").style == "a bad room"
    with pytest.raises(ValueError, match="style: 'polka' is not allowed"):
        menu.style = "polka"
    assert menu.style == "rap"


def test_a_bench_answers_with_the_goals_of_the_card_for_each_stage():
    """80 % and the floor of 2 dB are the lessons' advice: where a card asks for less, they are no pass marks."""
    voice, card = shipped("lesson_verse_clean").clip.cut(0, 8), "quiet ballad, breathy voice"
    steady = propose_stage("steady", voice, voice, card).processor
    chain = Chain(
        [
            ("low cut", HighPass(80, 3)),
            ("steady", dataclasses.replace(steady, threshold_db=-24, ratio=1.5, knee_db=0, makeup_db=1.5)),
        ]
    )
    goals = {None: {stage: goals_for(stage) for stage in ("steady",)}, card: {"steady": goals_for("steady", card)}}
    plain, styled = (Bench(voice, chain, stage="low cut", goals=of) for of in goals.values())
    assert plain.goals == () and plain.done, "a filter has no goals"
    for bench, share in ((plain, True), (styled, False)):
        bench.choose_stage("steady")
        assert ("share_percent" in [goal.measure for goal in bench.goals]) == share
    change = styled.change
    assert 1 <= change.reduction.median_db < 2
    assert "median_db" in {goal.measure for goal in plain.goals if not goal.met(change)}
    assert styled.done, [str(goal) for goal in styled.goals if not goal.met(change)]
    lines = check_goals(styled.result, card), check_goals(plain.result)
    assert [line.count("steady, ") for line in lines] == [len(styled.goals), len(plain.goals)]
    told = check_goals(Chain([("peaks", Compressor(-20, 3, 1, 80))]).apply(voice), card)
    assert f"peaks: the card “{card}” does without this stage." in told
    one_sentence(pytest.raises(ValueError, check_goals, plain.result, "polka"), "style", "polka")
    one_sentence(pytest.raises(ValueError, Bench, voice, chain, goals={"mud": ()}), "goals", "mud")


def test_a_lesson_in_a_style_keeps_its_other_stages(tmp_path):
    lesson = begin("09_your_own_vocal", shipped("lesson_verse_clean").clip.cut(0, 8), tmp_path)
    own = Chain(
        [("low cut", HighPass(80, 3)), ("peaks", Compressor(-12, 3, 1, 80)), ("steady", Compressor(-20, 2, 10, 200))]
    )
    lesson.keep(own)
    lesson = begin("09_your_own_vocal", lesson.clip, tmp_path)
    chain = lesson.in_style("quiet ballad, breathy voice")
    assert [name for name, _ in chain.stages] == ["low cut", "steady"] and chain["low cut"] == own["low cut"]
    assert chain["steady"].ratio == 1.7 and lesson.kept == own
