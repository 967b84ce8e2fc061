"""Lessons 08 and 08b, and their appendices: what their prose says holds on the workbook's takes."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from takes import ci_only
from conftest import PROJECT
from matplotlib.figure import Figure
from scipy.stats import binomtest

from vocomp_lab import Chain, ClipGain, Compressor, Gain, GainRegion, active_mask, sample_peak_dbfs, shipped
from vocomp_lab.analysis.diagnosis import SIGNS, compressed_part, diagnose
from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.analysis.mix import RANGES, balance, limited_to, presence, vocal_over_backing
from vocomp_lab.analysis.order import move_stage
from vocomp_lab.analysis.rides import propose_ride
from vocomp_lab.analysis.sections import sections_at
from vocomp_lab.analysis.sibilants import find_sibilants, sibilance_balance_db
from vocomp_lab.lessons.blind import false_alarm_when_peeking, needed_right, p_value, power
from vocomp_lab.lessons.course import begin
from vocomp_lab.lessons.export import as_played
from vocomp_lab.lessons.judging import check_compression, compression_table
from vocomp_lab.pictures.mix import mix_finding, mix_picture, plot_stage_reductions
from vocomp_lab.pictures.reduction_axis import depth_for

LESSON = "08_the_vocal_in_the_mix"
TAKES = ["lesson_verse_faulty", "second_verse_faulty"]


@pytest.fixture(scope="module", params=[TAKES[0], *ci_only(TAKES[1:])])
def lesson(request, tmp_path_factory):
    return begin(LESSON, request.param, tmp_path_factory.mktemp("state"))


@pytest.fixture(scope="module")
def laid(lesson):
    """Each stage's output over the band, at one balance."""
    outputs = {"as recorded": lesson.clip, **{name: stage.output for name, stage in lesson.result.stages.items()}}
    return {name: balance(output, shipped("backing").clip, 2.0) for name, output in outputs.items()}


def places(lesson, laid, kind, band_hz=None):
    """How each stage's output holds its place, as the cell prints it."""
    backing, sung = shipped("backing").clip, active_mask(lesson.clip)
    return {
        name: presence(vocal_over_backing(mix.vocal, backing, sung, kind, band_hz)[1], mix.balance_in(band_hz))
        for name, mix in laid.items()
    }


def test_level_prep_is_the_largest_step_towards_a_vocal_that_holds_its_place(lesson, laid):
    spreads = {
        band_hz: [place.spread_lu for place in places(lesson, laid, "words", band_hz).values()]
        for band_hz in (None, RANGES["middle"])
    }
    for found in spreads.values():
        steps = dict(zip(list(lesson.result.stages), -np.diff(found)))
        assert sorted(steps, key=steps.get)[-2:] == ["steady", "level prep"] and steps["level prep"] > 2, steps
        for name in ("low cut", "boxiness", "sibilance"):
            assert abs(steps.get(name, 0)) < 1, steps
    assert all(middle > 1.2 * full for full, middle in zip(*spreads.values())), "in the middle words lie further apart"


def test_in_the_middle_a_word_also_sinks_by_its_vowel(lesson):
    """The oo of "to" has little above 500 Hz: there it is further down than the words are as a rule."""
    levels = [loudness(limited_to(lesson.voice, band_hz)) for band_hz in (None, RANGES["middle"])]
    times_s, lost_lu = levels[0].times - 0.2, levels[1].momentary_lufs - levels[0].momentary_lufs
    by_word = [
        (word["text"], np.median(lost_lu[(times_s > word["start_s"]) & (times_s < word["end_s"])]))
        for word in lesson.truth["words"]
    ]
    usual = np.median([lost for _, lost in by_word])
    found = [lost for text, lost in by_word if text in ("to", "too")]
    assert found and max(found) < usual - 3, (found, usual)


def test_a_louder_file_gains_nothing_where_all_are_played_equally_loud(lesson):
    mix, played, files = balance(lesson.voice, shipped("backing").clip, 2.0).output, [], []
    for by_db in (0, 6, 15):
        limiter = Compressor(sample_peak_dbfs(mix) - by_db, math.inf, attack_ms=0.1, release_ms=80, lookahead_ms=2)
        files.append(as_played(limiter.apply(mix).output, 0))
        played.append(as_played(files[-1].clip, -14))
    print([f"{file.loudness_lufs:.1f} → {one}" for file, one in zip(files, played)])
    assert files[0].loudness_lufs < files[1].loudness_lufs - 2 < files[2].loudness_lufs - 4
    for one in played[1:]:
        assert one.loudness_lufs == pytest.approx(-14, abs=0.01) and one.peak_to_loudness_ratio_db < 13
    assert played[2].true_peak_dbtp < played[1].true_peak_dbtp - 2 and played[2].gain_db < played[1].gain_db - 2
    as_mixed = played[0]
    assert as_mixed.short_by_lu > 1 and as_mixed.true_peak_dbtp == pytest.approx(-1, abs=0.02)
    assert as_mixed.peak_to_loudness_ratio_db > 13


def test_the_fader_would_have_to_go_up_for_the_raw_vocal_only(lesson, laid):
    told = places(lesson, laid, "phrases")
    first, last = told["as recorded"], list(told.values())[-1]
    assert first.deepest_lu > 3 + 1 and last.deepest_lu < 3
    assert last.in_place_percent >= 95, "the self-check is met by the proposals"


@pytest.fixture(scope="module")
def lower(lesson):
    """The result with the steady compressor's threshold too low."""
    steady = lesson.chain["steady"]
    steady = dataclasses.replace(steady, threshold_db=steady.threshold_db - 10)
    return lesson.chain.with_stage("steady", steady).apply(lesson.clip)


def test_the_chain_of_the_lessons_before_has_no_fault_and_one_with_its_threshold_too_low_has(lesson, lower):
    assert diagnose(*compressed_part(lesson.result)) == []
    found = diagnose(*compressed_part(lower))
    assert [finding.name for finding in found] == ["make-up", "noise"]
    steady = lower.stages["steady"].processor
    matched = Chain([*lesson.chain.with_stage("steady", steady).stages, ("trim", Gain(-found[0].value))])
    assert [finding.name for finding in diagnose(*compressed_part(matched.apply(lesson.clip)))] == ["noise"]


def test_what_the_lesson_says_about_counting():
    assert p_value(5, 8) > 0.3, "guessing gets 5 of 8 right quite often"
    assert power(12, 0.5) < 0.5
    assert needed_right(5) == 5 and round(100 * p_value(5, 5)) == 3, "the warm-up"
    assert [round(100 * false_alarm_when_peeking(trials)) for trials in (24, 100)] == [11, 20]
    assert (
        round(100 * 7 / 8) == 88 and round(100 * binomtest(7, 8, alternative="greater").proportion_ci(0.95).low) == 53
    )
    # Lesson 07 says how many right show a difference there.
    text = (PROJECT / "notebooks" / "07_compressor_types.ipynb").read_text("utf-8")
    assert needed_right(12) == 10 and "Ten of twelve is the number to reach" in text and "ten right show" in text
    assert needed_right(10) == 9 and round(1024 * p_value(8, 10)) == 56


def test_the_numbers_of_a_chain_stand_beside_their_limits(lesson, lower):
    assert check_compression(lesson.result) == "no number over its limit: met"
    table = compression_table(lesson.result)
    assert [row[0] for row in table.rows] == [sign.label for sign in SIGNS.values()]
    assert {row[3] for row in table.rows} == {"fine"} and "not above 9.0" in repr(table)
    assert check_compression(lower) == "no number over its limit: not met yet (make-up)"
    told = {row[0]: row[3] for row in compression_table(lower).rows}
    assert (
        "Match it with make-up gain" in told["loudness change"]
        and "Use less" in told["lift of the noise in the pauses"]
    )
    silence = Chain([("trim", Gain(0))]).apply(lesson.clip.with_samples(np.zeros_like(lesson.clip.samples)))
    assert {row[1] for row in compression_table(silence).rows} >= {"nothing to measure it by"}


def test_at_the_end_the_de_esser_takes_the_hiss_further_down(lesson):
    """Lesson 03 promises that lesson 08 comes back to its place."""
    last = [name for name, _ in lesson.chain.stages][-1]
    at_the_end = move_stage(lesson.chain, "sibilance", behind=last).apply(lesson.clip).output
    spans = find_sibilants(lesson.clip)
    down_db = sibilance_balance_db(lesson.voice, spans) - sibilance_balance_db(at_the_end, spans)
    assert 0.5 < down_db < 1.7, "about 1 dB"


def test_a_soft_verse_is_lifted_only_if_it_is_compared_with_the_rest(lesson):
    half = lesson.clip.duration_s / 2
    recorded, voice = (ClipGain([GainRegion(0, half, -4)]).apply(clip) for clip in (lesson.clip, lesson.voice))
    gains_db = [
        [
            point.gain_db
            for point in propose_ride(voice, recorded=recorded, sections=sections_at(recorded, edges_s)).ride.points
        ]
        for edges_s in ([], [half])
    ]
    assert max(gains_db[0]) > 1.5 and max(gains_db[1], default=0) < 1


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
    assert {ax.get_ylim() for ax in figure.axes} == {(depth_for(total.max(), room=0.24), 0)}, "one scale for all rows"
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
