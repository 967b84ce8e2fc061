"""What lesson 05 says about its voice holds for both singers, on takes that nothing was tuned on, and on speech."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from prepared import TAKES, prepared, speech, steady
from takes import ci_only

from vocomp_lab.analysis.evenness import even_threshold_db, loudness_spread_lu
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.meters import active_mask, peak_to_loudness_ratio_db, reduction_stats
from vocomp_lab.analysis.parallel import blended_curve, quiet_lift_db
from vocomp_lab.analysis.pumping import floor_lift_db
from vocomp_lab.analysis.tradeoff import measure_tradeoff
from vocomp_lab.bench.bench import Bench
from vocomp_lab.lessons.course import begin
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.levels import sample_peak_dbfs

GOALS = [
    Goal("share_percent", low=80),
    Goal("median_db", low=2, high=5),
    Goal("loudness_change_lu", low=-0.5, high=0.5),
]


@pytest.fixture(scope="module", params=[*TAKES[:2], *ci_only(TAKES[2:])])
def take(request):
    return prepared(request.param)


@functools.cache
def rivals(name):
    """Two in a row, and three single compressors that leave the words as even: their numbers."""
    take = prepared(name)
    both = Chain([("peaks", take.peaks), ("steady", steady(take.voice))])
    goal_lu = loudness_spread_lu(both.apply(take.bare).output, take.sung)
    found = {"two": measure_tradeoff(both, take.bare, take.sung)}
    for label, attack_ms, release_ms in (("fast", 1, 80), ("slow", 10, 200), ("between", 3, 120)):
        single = Compressor(-20, 3, attack_ms, release_ms, knee_db=6)
        single = dataclasses.replace(single, threshold_db=even_threshold_db(single, take.bare, take.sung, goal_lu))
        found[label] = measure_tradeoff(single, take.bare, take.sung)
    return found


def test_the_words_come_closer_and_the_peaks_and_the_room_come_up(take):
    compressor = steady(take.voice)
    output = compressor.apply(take.voice).output
    assert loudness_spread_lu(output, take.sung) < loudness_spread_lu(take.voice, take.sung) - 1
    assert peak_to_loudness_ratio_db(output) > peak_to_loudness_ratio_db(take.voice) + 0.5
    assert floor_lift_db(take.voice, output, take.sung) == pytest.approx(3, abs=1)


def test_peak_control_hardly_evens_out_words(take):
    spread = loudness_spread_lu(take.bare, take.sung), loudness_spread_lu(take.voice, take.sung)
    evened = spread[1] - loudness_spread_lu(steady(take.voice).apply(take.voice).output, take.sung)
    assert spread[0] - spread[1] < 0.8 * evened


def test_a_student_can_meet_all_three_goals_with_the_benchs_own_controls(take):
    start = Compressor(round(sample_peak_dbfs(take.voice)), 2.5, 10, 200, knee_db=6)
    bench = Bench(take.voice, start, stage="steady", goals=GOALS)
    assert [goal.met(bench.change) for goal in GOALS] == [False, False, True], "nothing happens at the start"
    bench.set(threshold_db=steady(take.voice).threshold_db)
    assert [goal.met(bench.change) for goal in GOALS] == [True, True, False]
    bench.set(makeup_db=round(-bench.change.after.loudness_lufs + bench.change.before.loudness_lufs, 1))
    assert all(goal.met(bench.change) for goal in GOALS)


def test_once_matched_make_up_gain_is_nothing(take):
    lost = dataclasses.replace(steady(take.voice), makeup_db=0)
    plain, loud = (dataclasses.replace(lost, makeup_db=gain).apply(take.voice).output for gain in (0, 12))
    assert integrated_lufs(loud) - integrated_lufs(plain) == pytest.approx(12, abs=0.1)
    same = loud.gained(integrated_lufs(plain) - integrated_lufs(loud))
    assert np.abs(same.samples - plain.samples).max() < 1e-3
    assert np.abs(loud.gained(-12).samples - plain.samples).max() < 1e-12
    assert abs(integrated_lufs(match_loudness(loud, take.voice)[0]) - integrated_lufs(take.voice)) < 0.02


def test_a_knee_counts_in_the_voice_and_not_under_it(take):
    compressor = steady(take.voice)

    def acting(offset_db, knee_db):
        trial = dataclasses.replace(compressor, threshold_db=compressor.threshold_db + offset_db, knee_db=knee_db)
        return reduction_stats(trial.apply(take.voice).reduction_db, take.sung)

    under = [acting(0, knee) for knee in (0, 6)]
    assert abs(under[0].share - under[1].share) < 0.01 and abs(under[0].max_db - under[1].max_db) < 0.1
    inside = [acting(8, knee) for knee in (0, 24)]
    assert inside[1].share > 1.7 * inside[0].share
    assert 0.3 < inside[1].max_db - inside[0].max_db < 1.5


def test_an_rms_detector_needs_a_lower_threshold_bends_less_and_lets_more_peaks_through(take):
    peak = steady(take.voice)
    goal_lu = loudness_spread_lu(peak.apply(take.voice).output, take.sung)
    rms = dataclasses.replace(peak, detector="rms", rms_ms=10)
    rms = dataclasses.replace(rms, threshold_db=even_threshold_db(rms, take.voice, take.sung, goal_lu))
    by_peak, by_rms = measure_tradeoff(peak, take.voice, take.sung), measure_tradeoff(rms, take.voice, take.sung)
    assert by_rms.spread_lu == pytest.approx(by_peak.spread_lu, abs=0.1)
    assert 1 <= peak.threshold_db - rms.threshold_db <= 5
    assert by_rms.distortion_percent < 0.2 * by_peak.distortion_percent
    assert by_peak.peaks_db < by_rms.peaks_db < by_peak.peaks_db + 1.5


@pytest.mark.parametrize("name", [*TAKES[:2], *ci_only(TAKES[2:])])
def test_one_or_two_each_wins_and_pays_what_the_lesson_says(name):
    found = rivals(name)
    two, fast, slow, between = (found[label] for label in ("two", "fast", "slow", "between"))
    assert all(single.spread_lu == pytest.approx(two.spread_lu, abs=0.15) for single in found.values()), "equal work"
    assert 0.5 < two.peaks_db - fast.peaks_db < 3.2
    assert 2 < fast.distortion_percent / two.distortion_percent < 3.2
    assert -0.02 < fast.travel_db_per_s / two.travel_db_per_s - 1 < 0.6
    assert -0.2 < slow.peaks_db - two.peaks_db < 3.2
    assert 0.75 < slow.distortion_percent / two.distortion_percent < 1.25
    assert -0.3 < slow.median_db - two.median_db < 2.3
    assert -0.3 < two.peaks_db - between.peaks_db < 1.6
    assert 1.3 < between.distortion_percent / two.distortion_percent < 2
    assert between.max_db < two.max_db, "the smallest largest reduction is the middle one's"


@pytest.mark.ci
def test_on_most_takes_a_slow_one_lets_through_peaks_that_the_pair_had_caught():
    apart = [rivals(name)["slow"].peaks_db - rivals(name)["two"].peaks_db for name in TAKES]
    assert np.median(apart) > 0.5, apart


def test_parallel_lifts_the_soft_leaves_the_peaks_and_does_not_even_out_words(take):
    compressor = steady(take.voice)
    level = compressor.apply(take.voice).output
    squash = Compressor(compressor.threshold_db - 8, 6, 1, 40)
    soft = []
    for mix in (0.2, 0.4, 0.6):
        output = dataclasses.replace(squash, mix=mix).apply(take.voice).output
        soft.append(quiet_lift_db(take.voice, output, take.sung))
        if mix == 0.4:
            assert abs(peak_to_loudness_ratio_db(output) - peak_to_loudness_ratio_db(take.voice)) < 0.8
            assert soft[-1] > quiet_lift_db(take.voice, level, take.sung) + 0.3
            rooms = [floor_lift_db(take.voice, sound, take.sung) for sound in (output, level)]
            assert rooms[0] == pytest.approx(rooms[1], abs=0.7)
            before, mixed, steadied = (loudness_spread_lu(sound, take.sung) for sound in (take.voice, output, level))
            assert before - mixed < 0.5 * (before - steadied)
    assert soft == sorted(soft) and soft[0] > 0.3


def test_the_mixed_curve_turns_back_to_one_to_one():
    squash = Compressor(-38, 6, 1, 40, mix=0.4)
    levels_db = np.array([-60.0, -30.0, -20.0, -10.0, 0.0])
    gain = blended_curve(squash, levels_db) - levels_db
    assert gain[0] == 0 and (np.diff(gain) < 0).all() and gain[-1] > 20 * np.log10(0.6)
    assert abs(gain[-1] - gain[-2]) < 0.4


def test_ever_more_reduction_evens_out_ever_less_and_lifts_the_room_all_the_same(take):
    compressor = steady(take.voice)
    spreads, rooms = [loudness_spread_lu(take.voice, take.sung)], [0.0]
    for offset_db in (0, -8, -20):
        lower = dataclasses.replace(compressor, threshold_db=compressor.threshold_db + offset_db)
        output = lower.apply(take.voice).output
        spreads.append(loudness_spread_lu(output, take.sung))
        rooms.append(floor_lift_db(take.voice, output, take.sung))
    gained = -np.diff(spreads)
    assert gained[0] > 2 * gained[1] > 0
    assert gained[0] > 4 * gained[2]
    assert (np.diff(rooms) > 2).all()


def test_speech_can_be_brought_to_the_goals_and_evened_out_too(tmp_path):
    voice = HighPass(80, 3).apply(speech(tmp_path))
    sung = active_mask(voice)
    result = steady(voice).apply(voice)
    stats = reduction_stats(result.reduction_db, sung)
    assert stats.share >= 0.8 and 2 <= stats.median_db <= 5
    assert loudness_spread_lu(result.output, sung) < loudness_spread_lu(voice, sung) - 0.3
    assert floor_lift_db(voice, result.output, sung) > 1


def test_the_lesson_keeps_what_the_next_one_begins_with(tmp_path):
    clip = shipped("second_verse_faulty").clip.cut(0.5, 7)
    lesson = begin("05_steady_compression", clip, tmp_path)
    found = dataclasses.replace(steady(lesson.voice), makeup_db=3.0)
    bench = Bench(lesson.voice, found, stage="steady", goals=GOALS)
    lesson.keep(bench)
    following = begin("06_slow_attack", clip, tmp_path)
    assert following.chain["steady"] == found
    assert dict(begin("05_steady_compression", clip, tmp_path).kept.stages)["steady"] == found
