"""Ear practice: the rule, the threshold it leads to, the drills, and what is kept of a round."""

from __future__ import annotations

import dataclasses
import datetime

import numpy as np
import pytest
from conftest import one_sentence

from vocomp_lab import integrated_lufs, shipped
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.lessons import trials
from vocomp_lab.lessons.drills import DRILLS, TRIALS, Stretches, first_rung
from vocomp_lab.lessons.plays import Play
from vocomp_lab.lessons.rounds import (
    Answer,
    Round,
    keep_round,
    next_drill,
    practice_table,
    read_rounds,
    threshold_from,
    thresholds_by_day,
)
from vocomp_lab.lessons.skill import SKILLS, keep_skill, make_skill_take, read_skill, skill_sentence, with_time
from vocomp_lab.lessons.staircase import (
    LAPSE,
    WIDEST_RATIO,
    Place,
    Threshold,
    UpDown,
    share_right,
    threshold_of,
    thresholds,
)
from vocomp_lab.processors.filters import HighPass

LISTENERS = 2_000

# ------------------------------------------------------------------------------------------------------------ the rule


def drift(rule: UpDown, p: float) -> float:
    """Rungs a trial that a listener who is always right with probability `p` moves on, exactly: by the chain of its runs."""
    middle, moves = rule.rungs // 2, {}
    for run in range(rule.down):
        for right in (True, False):
            after = rule.step(Place(middle, run, False), right)
            moves[run, right] = int(after.run), int(after.rung) - middle
    chain = np.zeros((rule.down, rule.down))
    for (run, right), (to, _) in moves.items():
        chain[run, to] += p if right else 1 - p
    rest = np.linalg.matrix_power(chain, 2_000)[0]
    return sum(rest[run] * (p if right else 1 - p) * moved for (run, right), (_, moved) in moves.items())


@pytest.mark.parametrize("down", [1, 2, 3, 4])
def test_the_rule_rests_where_levitt_says(down):
    rule = UpDown(21, down)
    assert rule.target**down == pytest.approx(0.5)
    assert abs(drift(rule, rule.target)) < 1e-12
    assert drift(rule, rule.target + 0.01) > 0 > drift(rule, rule.target - 0.01)


def test_the_rule_is_the_same_answer_by_answer_and_for_many_listeners_at_once():
    random = np.random.default_rng(5)
    rule, answers = UpDown(14, 2), random.random((50, 30)) < 0.75
    place = Place(np.zeros(50, int), np.zeros(50, int), np.ones(50, bool))
    for right in answers.T:
        place = rule.step(place, right)
    assert place.rung.tolist() == [rule.after(one) for one in answers]
    assert rule.after([True] * 3) == 6 and rule.after([True] * 3 + [False]) == 5, "quick until the first wrong one"
    assert rule.after([False] * 5) == 0 and rule.after([True] * 50) == 13
    one_sentence(pytest.raises(ValueError, UpDown, 14, 0), "down", "1")


# ------------------------------------------------------------------------------------------------------- the threshold


def simulated(drill, true, slope, rounds, seed=1):
    """Estimates of many listeners who all have one psychometric function, each after some rounds: shape (listeners, 3)."""
    random, ladder = np.random.default_rng(seed), np.array(drill.ladder)
    right, wrong = np.zeros((2, LISTENERS, len(ladder)))
    everyone, start = np.arange(LISTENERS), np.zeros(LISTENERS, int)
    for _ in range(rounds):
        place = Place(start, np.zeros(LISTENERS, int), np.ones(LISTENERS, bool))
        for _ in range(TRIALS):
            is_right = random.random(LISTENERS) < share_right(ladder[place.rung], true, drill.chance, slope, LAPSE)
            right[everyone, place.rung] += is_right
            wrong[everyone, place.rung] += ~is_right
            place = drill.rule.step(place, is_right)
        start = np.maximum(place.rung - 2, 0)
    return thresholds(drill.ladder, right, wrong, drill.chance)


@pytest.mark.parametrize("slope", [0.2, 0.33])
@pytest.mark.parametrize("name, true", [("more", 2.0), ("different", 1.2), ("ring", 5.0)])
def test_three_rounds_tell_a_threshold_without_bias(name, true, slope):
    """36 trials, for drills of two, three and four answers. The 90 % interval is to hold the truth in about 90 %."""
    found = simulated(DRILLS[name], true, slope, rounds=3)
    assert abs(found[:, 0].mean() / true - 1) < 0.05 and abs(np.median(found[:, 0]) / true - 1) < 0.05
    assert 0.87 < np.mean((found[:, 1] <= true) & (true <= found[:, 2])) < 0.99
    assert np.median(found[:, 2] / found[:, 1]) < 4, "narrow enough to be told"


def test_who_only_guesses_is_told_no_threshold():
    for name in ("more", "different", "ring"):
        size, low, high = simulated(DRILLS[name], 1e9, 0.33, rounds=3, seed=4).T
        told = np.mean((high / low <= WIDEST_RATIO) & (size <= max(DRILLS[name].ladder)))
        assert told < 0.1, f"{name}: {told:.1%} of those who guess are told that they hear something"


def test_a_threshold_is_said_with_its_uncertainty_or_not_at_all():
    drill = DRILLS["attack"]
    said = drill.sentence(Threshold(2.0, 1.2, 3.0, 36, True))
    assert "an attack of 3 ms against 12 ms" in said and "36 trials" in said and "6.9 ms" in said and "24 ms" in said
    for unsure in (Threshold(2.0, 0.5, 6.0, 12, False), Threshold(9.0, 5.0, 20.0, 36, False)):
        assert "Can't tell yet" in drill.sentence(unsure) and "50 %" in drill.sentence(unsure)
    few = threshold_of(drill.ladder, [0, 2, 4], [True] * 3, drill.chance)
    assert not few.told and few.low < few.size < few.high
    wide = Threshold(2.0, min(drill.ladder) / 3, max(drill.ladder) * 3, 12, False)
    assert f"less than {drill.value(min(drill.ladder))}" in drill.brief(wide), "beyond the ladder nothing was tried"
    assert f"more than {drill.value(max(drill.ladder))}" in drill.sentence(wide)
    one_sentence(pytest.raises(ValueError, threshold_of, drill.ladder, [0], [True, False], 0.5), "rungs")
    assert first_rung(drill, None) == 0 and drill.ladder[first_rung(drill, Threshold(2.0, 1, 3, 36, True))] > 2.0


# ----------------------------------------------------------------------------------------------------------- the drills


@pytest.fixture(scope="module")
def clip():
    return shipped("second_verse_faulty").clip


@pytest.mark.parametrize("drill", DRILLS.values(), ids=lambda drill: drill.name)
def test_a_trial_differs_in_what_is_asked_and_not_in_loudness(drill, clip):
    stretches, random, rights = Stretches(clip, drill), np.random.default_rng(2), set()
    for rung in (0, len(drill.ladder) - 1):
        trial = stretches.trial(rung, random)
        assert tuple(trial.sounds) == drill.tracks and len(trial.answers) == drill.choices
        assert trial.right in trial.answers and set(drill.must_hear) <= set(drill.tracks)
        loud = [integrated_lufs(sound) for sound in trial.sounds.values()]
        assert np.ptp(loud) < 0.1 and len({sound.frames for sound in trial.sounds.values()}) == 1
        assert all(np.abs(sound.samples).max() < 1 for sound in trial.sounds.values())
    if drill.make is not trials.kind:
        for _ in range(5):
            rights.add(stretches.trial(0, random).right)
        assert len(rights) > 1
    assert np.allclose(np.diff(np.log(drill.ladder)), np.diff(np.log(drill.ladder))[0], atol=0.01)


def test_reduction_is_exactly_what_a_trial_says(clip):
    stretch = clip.cut(3, 6.5)
    squeezed = trials.compressed_by(stretch, trials._EVERYDAY, "median_db", 3.7)
    loud = np.abs(stretch.samples) > 1e-4
    gain_db = 20 * np.log10(np.abs(squeezed.samples[loud]) / np.abs(stretch.samples[loud]))
    assert np.median(gain_db[active_mask(stretch)[loud]]) == pytest.approx(-3.7, abs=0.3)


def test_a_short_voice_gives_short_stretches_and_one_that_is_too_short_is_refused_in_one_sentence(clip):
    trial = Stretches(clip.cut(2, 5), DRILLS["more"]).trial(3, np.random.default_rng(1))
    assert trial.sounds["a"].duration_s == pytest.approx(2.5)
    for name in ("more", "word"):
        one_sentence(pytest.raises(ValueError, Stretches, clip.cut(0, 1), DRILLS[name]), "clip")


# ----------------------------------------------------------------------------------------------------------- the rounds


def listened(drill, right, day="2026-01-05", rung=5, trials=TRIALS, seconds=1.0):
    plays = tuple(Play(track, 1.7e9, seconds) for track in DRILLS[drill].must_hear)
    answers = tuple(Answer(rung, n < right, plays) for n in range(trials))
    return Round(drill, "a voice", f"{day}T18:00:00", answers, trials)


def test_rounds_are_kept_each_in_its_file_and_read_again(tmp_path):
    folder = tmp_path / "practice"
    assert read_rounds(folder) == ()
    one = listened("more", 9)
    assert keep_round(folder, one) != keep_round(folder, one), "never overwritten"
    keep_round(folder, listened("ring", 3, "2026-01-04"))
    (folder / "torn.json").write_text('{"drill": "more"')
    assert [kept.drill for kept in read_rounds(folder)] == ["ring", "more", "more"] and read_rounds(folder)[1] == one
    assert (folder / "torn.json").exists()
    for bad in (
        {},
        {**one.to_dict(), "drill": "taste"},
        {**one.to_dict(), "answers": [[1, 1, []]]},
        {**one.to_dict(), "began": "x"},
    ):
        one_sentence(pytest.raises(ValueError, Round.from_dict, bad))


def test_a_round_that_nobody_listened_to_is_not_finished(tmp_path):
    clicked = dataclasses.replace(listened("more", 12), answers=tuple(Answer(5, True) for _ in range(TRIALS)))
    short = listened("more", 12, seconds=0.1)
    assert not clicked.finished and clicked.unheard_trials == tuple(range(1, 13)) and not short.finished
    assert listened("more", 12).finished
    keep_round(tmp_path, clicked)
    assert read_rounds(tmp_path) == ()


def test_thresholds_over_days_and_the_drill_to_do_next():
    drill, first = DRILLS["more"], next(iter(DRILLS.values()))
    assert next_drill(()) is first and threshold_from((), drill) is None
    rounds = [listened("more", 9, day, rung) for day, rung in (("2026-01-05", 3), ("2026-01-06", 5), ("2026-01-09", 9))]
    by_day = thresholds_by_day(rounds, drill)
    assert [day for day, _ in by_day] == ["2026-01-05", "2026-01-06", "2026-01-09"]
    assert by_day[0][1].size > by_day[2][1].size and by_day[0][1].trials == 12 and by_day[2][1].trials == 36
    every = [listened(name, 10, "2026-01-09", 10) for name in DRILLS]
    weak = [listened("attack", 6, "2026-01-09", 1)]
    assert next_drill([*every, *weak], "2026-01-09").name == "attack"
    old = [one for one in every if one.drill != "word"] + [listened("word", 10, "2026-01-01", 10)]
    assert next_drill(old, "2026-01-09").name == "word"
    table = repr(practice_table(rounds))
    assert "3" in table and "not tried yet" in table and "2026-01-09" in table


# ------------------------------------------------------------------------------------------------------------ the hand


@pytest.mark.parametrize("stage", ["peaks", "low cut", "level prep"])
def test_a_take_to_set_can_be_done_and_is_not_done_to_begin_with(stage):
    take = make_skill_take(SKILLS[stage], 20_001)
    assert take.left(take.proposed) == ""
    said = take.left(take.task.start)
    assert said.endswith(".") and "None" not in said and "nan" not in said
    if stage == "low cut":
        assert "lowest notes" in take.left(HighPass(300, 4)), "too high"


def test_results_of_the_hand_are_kept_and_told(tmp_path):
    began = datetime.datetime(2026, 1, 5, 18)
    assert skill_sentence((), "peaks") == "No take yet."
    for number in range(12):
        keep_skill(tmp_path, with_time(began, "peaks", 60 - number, number % 2, number != 3))
    kept = read_skill(tmp_path)
    assert len(kept) == 12
    said = skill_sentence(sorted(kept, key=lambda one: -one.seconds), "peaks")
    assert "The last 10 takes: 9 met in a minute" in said and "Before: 2 takes" in said
    one_sentence(pytest.raises(ValueError, with_time, began, "colour", 1, 0, True), "stage")
