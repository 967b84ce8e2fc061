"""Lesson 08: what its prose says holds on the workbook's takes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from matplotlib.figure import Figure

from vocomp_lab import Chain, Compressor, Gain, active_mask, shipped
from vocomp_lab.analysis.diagnosis import compressed_part, diagnose
from vocomp_lab.analysis.mix import balance, presence, vocal_over_backing
from vocomp_lab.lessons.blind import false_alarm_when_peeking, needed_right, p_value, power
from vocomp_lab.lessons.course import begin
from vocomp_lab.pictures.mix import mix_finding, mix_picture, plot_stage_reductions

LESSON = "08_the_vocal_in_the_mix"
TAKES = ["lesson_verse_faulty", "second_verse_faulty"]


@pytest.fixture(scope="module", params=TAKES)
def lesson(request, tmp_path_factory):
    return begin(LESSON, request.param, tmp_path_factory.mktemp("state"))


def places(lesson, kind):
    """How each stage's output holds its place, as the cell prints it."""
    backing, sung = shipped("backing").clip, active_mask(lesson.clip)
    outputs = {"as recorded": lesson.clip, **{name: stage.output for name, stage in lesson.result.stages.items()}}
    laid = {name: balance(output, backing, 2.0).vocal for name, output in outputs.items()}
    return {name: presence(vocal_over_backing(vocal, backing, sung, kind)[1], 2.0) for name, vocal in laid.items()}


def test_level_prep_is_the_largest_step_towards_a_vocal_that_holds_its_place(lesson):
    spreads = [place.spread_lu for place in places(lesson, "words").values()]
    steps = dict(zip(list(lesson.result.stages), -np.diff(spreads)))
    assert max(steps, key=steps.get) == "level prep" and steps["level prep"] > 2, steps
    for name in ("low cut", "boxiness", "sibilance"):
        assert abs(steps.get(name, 0)) < 1, steps


def test_the_fader_would_have_to_go_up_for_the_raw_vocal_only(lesson):
    told = places(lesson, "phrases")
    first, last = told["as recorded"], list(told.values())[-1]
    assert first.deepest_lu > 3 + 1 and last.deepest_lu < 3
    assert last.in_place_percent >= 95, "the self-check is met by the proposals"


def test_the_chain_of_the_lessons_before_has_no_fault_and_one_with_its_threshold_too_low_has(lesson):
    assert diagnose(*compressed_part(lesson.result)) == []
    steady = lesson.chain["steady"]
    lower = lesson.chain.with_stage("steady", dataclasses.replace(steady, threshold_db=steady.threshold_db - 10))
    found = diagnose(*compressed_part(lower.apply(lesson.clip)))
    assert [finding.name for finding in found] == ["make-up", "noise"]
    matched = Chain([*lower.stages, ("trim", Gain(-found[0].value))])
    assert [finding.name for finding in diagnose(*compressed_part(matched.apply(lesson.clip)))] == ["noise"]


def test_what_the_lesson_says_about_counting():
    assert p_value(5, 8) > 0.3, "guessing gets 5 of 8 right quite often"
    assert power(12, 0.5) < 0.5
    assert 2 < false_alarm_when_peeking(24) / 0.05 < 2.5
    assert needed_right(10) == 9 and round(1024 * p_value(8, 10)) == 56


def test_the_picture_of_the_stages_shows_every_stage_and_the_sum(lesson):
    figure = Figure(figsize=(9.5, 6))
    plot_stage_reductions(figure, lesson.result, lesson.truth["words"])
    labels = [text.get_text() for ax in figure.axes for text in ax.texts]
    for name, stage in lesson.result.stages.items():
        if stage.reduction_db is not None:
            assert any(label.startswith(f"{name}: {stage.reduction_db.max():.1f} dB") for label in labels), labels
    assert f"{lesson.result.reduction_db.max():.1f} dB together" in figure.get_suptitle()
    total = figure.axes[-1].lines[0].get_ydata()
    assert total.max() == pytest.approx(lesson.result.reduction_db.max())
    assert {word["text"] for word in lesson.truth["words"]} <= set(labels)


def test_pictures_of_a_chain_without_reduction_and_of_a_song_without_singing():
    clip = shipped("lesson_verse_clean").clip.cut(0, 1)
    figure = Figure(figsize=(9, 3))
    plot_stage_reductions(figure, Chain([("trim", Gain(-3))]).apply(clip))
    assert figure.get_suptitle() == "No stage turns the gain down"
    figure = Figure(figsize=(9, 3))
    plot_stage_reductions(figure, Chain([("peaks", Compressor(-30, 3, 1, 80))]).apply(clip))
    assert figure.get_suptitle().startswith("1 stage,")
    nothing = {"before": (np.arange(9.0), np.full(9, np.nan))}
    place = {"before": presence([np.nan], 0.0)}
    assert mix_picture({"phrases": nothing, "words": nothing}, place, 0.0, 9.0)[:4] == b"\x89PNG"
    assert mix_finding(place) == "Nobody sings here"
