"""Equal answers: what is found however it is disguised, what is not claimed, how often chance alone looks like it."""

from __future__ import annotations

import dataclasses
import re
from functools import cache

import numpy as np
import pytest
from hostile import DATA
from hostile import FUNCTIONS as HOSTILE

from vocomp_lab import Chain, Compressor
from vocomp_lab.exercises.answer_text import LONGEST_TEXT, answer_text
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.kinds import BuildIt, Diagnose, FindIt, HearIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.similarity import (
    CAN_SHOW,
    SHARED_BY_MANY,
    alike,
    as_the_key,
    pairs,
    similarity_body,
)
from vocomp_lab.exercises.traces import finer_than_a_hand, plain_function, traces_of
from vocomp_lab.lessons.controls import controls_for
from vocomp_lab.processors.clip_gain import ClipGain

LOOP = """def fet_reduction(level_db, rate, threshold_db, ratio, attack_ms, release_ms):
    a, r = [math.exp(-1000 / (ms * rate)) for ms in (attack_ms, release_ms)]
    y, out = 0, []
    for x in level_db:
        c = max(x - y - threshold_db, 0) * (ratio - 1)
        k = a if c > y else r
        y = k * y + (1 - k) * c
        out.append(y)
    return out
"""
DISGUISED = '''def fet_reduction(lv: list, sr, thr, slope, t_on=1, t_off=2) -> list:
    """All my own work."""
    on, off = [math.exp( -1000/(time*sr) ) for time in (t_on, t_off)]

    state, result = 0, []      # nothing yet
    for level in lv:
        wanted: float = max(level - state - thr, 0) * (slope - 1)
        keep = (on if wanted > state
                else off)
        state = keep * state + (1 - keep) * wanted
        result.append(state)
    return result
'''


@cache
def task_of(homework, kind, learner="ann"):
    """The first task of a kind in a homework: its id, and the task as a learner gets it."""
    all_posed = ((task.id, pose(homework, task, learner)) for task in tasks_of(homework))
    return next((name, own) for name, own in all_posed if isinstance(own, kind))


def posed(homework, kind, learner="ann"):
    return task_of(homework, kind, learner)[1]


def mark(learner, homework, answers: dict) -> dict:
    """A marked sheet with answers by kind of task, as far as equal answers need it; nothing is run or heard."""
    return mark_by_id(learner, homework, {task_of(homework, kind, learner)[0]: data for kind, data in answers.items()})


def mark_by_id(learner, homework, answers: dict) -> dict:
    tasks = []
    for task in tasks_of(homework):
        own, data = pose(homework, task, learner), answers.get(task.id)
        tasks.append({"title": task.title, "answer": answer_text(own, data), "traces": traces_of(own, data)})
    return {"learner": learner, "homework": homework, "tasks": tasks}


# ---------------------------------------------------------------------------------------------------------- functions


def test_names_layout_and_comments_make_no_difference():
    plain = DISGUISED.replace("t_on=1, t_off=2", "t_on, t_off")
    assert plain_function(plain) == plain_function(LOOP)


@pytest.mark.parametrize(
    ("old", "new"),
    [("1000", "999"), ("ratio - 1", "1 - 1 / ratio"), ("max(", "min("), ("math.exp", "np.exp"), ("k * y", "y * k")],
)
def test_what_it_works_out_makes_one(old, new):
    assert old in LOOP and plain_function(LOOP.replace(old, new)) != plain_function(LOOP)


def test_swapped_names_are_no_renaming():
    one = "def f(a, b):\n    return a - b\n"
    assert plain_function(one.replace("a - b", "b - a")) != plain_function(one)
    assert plain_function("def g(n, m):\n    return n - m\n") == plain_function(one)
    inner = "def f(x):\n    def {0}({1}):\n        return {1}\n    return {0}({1}=x)\n"
    assert plain_function(inner.format("a", "b")) == plain_function(inner.format("way", "level"))


def test_a_disguised_copy_is_found_and_shown_side_by_side():
    copy = DISGUISED.replace("t_on=1, t_off=2", "t_on, t_off")
    class_of_three = [
        mark(name, "07", {WriteIt: {"source": text}})
        for name, text in (("ann", LOOP), ("bo", copy), ("cy", LOOP.replace("k * y", "y * k")))
    ]
    (match,) = alike(class_of_three)
    assert match.learners == ("ann", "bo") and match.tells and match.task.startswith("07.")
    assert pairs([match]) == [("ann", "bo", 1)]
    page = similarity_body(class_of_three)
    assert "thr, slope" in page and "level_db, rate" in page and "cy" not in page


def test_short_functions_and_what_many_share_are_told_apart():
    short = {WriteIt: {"source": "def f(level, thr, ratio):\n    return max(level - thr, 0) * (1 - 1 / ratio)"}}
    (match,) = alike([mark(name, "04", short) for name in ("ann", "bo")])
    assert not match.tells and pairs([match]) == []
    many = [mark(f"learner.{n}", "07", {WriteIt: {"source": LOOP}}) for n in range(SHARED_BY_MANY + 1)]
    (match,) = alike(many)
    assert not match.tells and len(match.learners) == len(many)
    assert "likely by themselves" in similarity_body(many) and "Side by side" not in similarity_body(many)


def test_the_worked_solution_is_recognised():
    own = posed("07", WriteIt)
    assert {kind for kind, _, _ in traces_of(own, {"source": own.model})} == {"function", "model"}
    assert traces_of(own, {"source": own.start}) == []


# ------------------------------------------------------------------------------------------------ settings and others


def test_settings_count_only_with_more_digits_than_a_hand_sets():
    own = posed("04", SetIt)
    by_hand, finer = Compressor(-22.5, 3, 1, 80), Compressor(-22.4173, 3, 1, 80)
    assert traces_of(own, own.to_data(by_hand)) == []
    ((kind, digest, size),) = traces_of(own, own.to_data(finer))
    assert (kind, size) == ("settings", 1)
    other = posed("04", SetIt, "bo")
    assert traces_of(other, other.to_data(finer))[0][1] == digest
    assert traces_of(own, own.to_data(own.start)) == []
    assert [finer_than_a_hand(x) for x in (-22.5, 1234, 12340.0, 0.05, 30.004, True, float("inf"))] == [
        False, False, False, False, True, False, False,
    ]  # fmt: skip


def test_a_stage_of_a_chain_is_compared_by_itself():
    own = posed("project", BuildIt)
    shared = Compressor(-17.123456, 4, 1, 80)
    one = Chain([("peaks", shared), ("steady", Compressor(-28.5, 2.5, 10, 200))])
    other = Chain([("grab", shared)])
    first, second = (traces_of(own, own.to_data(chain)) for chain in (one, other))
    assert first == second and len(first) == 1


def test_the_keys_last_digit_is_recognised_and_near_it_is_not():
    found = posed("04", FindIt)
    finer = dataclasses.replace(posed("04", SetIt), candidates=lambda: [Compressor(-22.125393, 3, 1, 80)])
    worked_out = dataclasses.replace(posed("04", WorkOut), answer=7.916666666666667)
    for own, key in ((found, found.key()), (finer, Compressor(-22.125393, 3, 1, 80)), (worked_out, 7.916666666666667)):
        assert "key" in {kind for kind, _, _ in traces_of(own, own.to_data(key))}, own.label
    heard = posed("04", HearIt)
    assert "key" in {kind for kind, _, _ in traces_of(heard, heard.key())}
    assert traces_of(found, {"numbers": [round(value, 2) for value in found.key()]}) == []
    assert traces_of(worked_out, {"number": 7.92}) == []
    ((learner, keys, models, where),) = as_the_key([mark("ann", "04", {FindIt: found.to_data(found.key())})])
    assert (learner, keys, models) == ("ann", 1, 0) and where.startswith("04.")


def test_a_handed_on_listening_record_is_found():
    record = {"heard": [["A", "AB"[n % 2], 2.3 + n / 10] for n in range(10)]}
    (match,) = alike([mark(name, "04", {HearIt: record}) for name in ("ann", "bo")])
    assert match.kind == "listening" and match.tells
    other = {"heard": [*record["heard"][:-1], ["A", "B", 9.9]]}
    assert alike([mark("ann", "04", {HearIt: record}), mark("bo", "04", {HearIt: other})]) == []


# -------------------------------------------------------------------------------------------------------- false alarms


def given_by_hand(own, rng):
    """An answer as somebody gives it who works alone: numbers computed, sliders on their stops, places found by eye. How
    alike people write functions can't be simulated, so there are none.
    """
    if isinstance(own, WorkOut):
        return {"number": float(own.answer if rng.random() < 0.5 else round(own.answer, 1))}
    if isinstance(own, FindIt):
        return {"numbers": [round(float(rng.uniform(low, high)), 3) for low, high, _ in own.windows]}
    if isinstance(own, HearIt):
        return {
            "heard": [
                ["AB"[rng.integers(2)], "AB"[rng.integers(2)], round(float(rng.gamma(4, 1.5)) + 0.5, 1)]
                for _ in range(own.rounds)
            ]
        }
    if isinstance(own, SetIt):
        processor = next(iter(own.candidates()))
        if isinstance(processor, ClipGain):
            return {"settings": Chain([("yours", drawn_by_hand(processor, rng))]).to_dict()}
        changes = {}
        for control in controls_for(type(processor)):
            if hasattr(control, "stops") and getattr(processor, control.field) is not None:
                stops = control.stops()
                place = control.nearest(getattr(processor, control.field)) + int(rng.integers(-1, 2))
                changes[control.field] = stops[min(max(place, 0), len(stops) - 1)]
        return {"settings": Chain([("yours", type(processor)(**{**vars(processor), **changes}))]).to_dict()}
    return None


def drawn_by_hand(gains, rng):
    regions = [
        dataclasses.replace(
            one,
            start_s=max(one.start_s + round(float(rng.normal(0, 0.03)), 3), 0.0),
            end_s=one.end_s + 0.2 + round(float(rng.normal(0, 0.03)), 3),
            gain_db=round(2 * one.gain_db) / 2,
        )
        for one in gains.regions
    ]
    return dataclasses.replace(gains, regions=tuple(regions))


def a_class_by_hand(homework, count, seed=17):
    rng = np.random.default_rng(seed)
    names = [f"learner.{n:03}" for n in range(count)]
    tasks = tasks_of(homework)
    return [
        mark_by_id(name, homework, {task.id: given_by_hand(pose(homework, task, name), rng) for task in tasks})
        for name in names
    ]


@pytest.mark.parametrize("homework", ["02", "07"])
def test_learners_who_work_alone_are_not_paired(homework):
    """A class of 40 by hand. With 120 in each of homeworks 01 to 08, none of 57,120 pairs is worth a look either."""
    matches = alike(a_class_by_hand(homework, 40))
    telling = [match for match in matches if match.tells]
    print(f"\n{homework}: {len(matches)} equal, {len(telling)} worth a look")
    assert telling == []


def test_planted_copies_in_that_class_are_all_found():
    """The same class, with five who hand in another's sheet with the words and numbers changed where a hand can."""
    marks = a_class_by_hand("04", 16)
    heard = {"heard": [["A", "B", 1.7 + n / 10] for n in range(10)]}
    fine = {"settings": Chain([("yours", Compressor(-21.84213, 3, 1, 80))]).to_dict()}
    for first, second, answers in (
        (0, 1, {HearIt: heard}),
        (2, 3, {SetIt: fine}),
        (4, 5, {FindIt: {"numbers": [2.80917, 10.7281, 12.77103]}}),
    ):
        for place in (first, second):
            marks[place] = mark(f"learner.{place:03}", "04", answers)
    found = {(one, other) for one, other, _ in pairs(alike(marks))}
    assert found == {("learner.000", "learner.001"), ("learner.002", "learner.003"), ("learner.004", "learner.005")}


# ------------------------------------------------------------------------------------------------- what a page shows


def test_the_page_says_what_it_can_show_and_runs_nothing():
    evil = "def fet_reduction():\n    return '<script>alert(1)</script>'\n"
    evil += "".join(f"    x{n} = {n}\n" for n in range(40))
    page = similarity_body([mark(name, "07", {WriteIt: {"source": evil}}) for name in ("ann", "bo")])
    assert "Side by side" in page and "<script" not in page and "&lt;script&gt;" in page
    assert CAN_SHOW.split(".")[0] in page and "never for a mark" in page
    for word in ("copied from", "cheat", "suspect", "plagiar", "guilty"):
        assert word not in page.lower()
    assert "No two learners" in similarity_body([mark("ann", "04", {})])


def test_every_answer_can_be_shown_whatever_it_is():
    """Hostile ones too: as text that any file takes, in one length at most, with no character that acts."""
    tried = [data for _, data in DATA.values()]
    tried += [{"source": text} for text in (*HOSTILE.values(), "x\x1b[2J\u202e\ud800\0", "a" * 10**5, "")]
    tried += [{"settings": 5}, [1], "\ud800", {"numbers": []}, {"heard": [["A", "B", 1.0]] * 200}]
    for data in tried:
        for kind in (WorkOut, WriteIt, SetIt, FindIt, Diagnose, HearIt):
            text = answer_text(posed("04", kind), data)
            assert text and len(text) < 10 * LONGEST_TEXT, (kind, data)
            text.encode()
            assert all(letter.isprintable() or letter == "\n" for letter in text)
            traces_of(posed("04", kind), data)
    assert answer_text(posed("04", WorkOut), None) == ""


@pytest.mark.parametrize(
    ("kind", "shown"),
    [
        (WorkOut, r"−?\d+(\.\d+)? \w+"),
        (WriteIt, r"def \w+\("),
        (SetIt, r"(?s)Compressor\n.*Threshold −\d.*Ratio \d"),
        (FindIt, r"\d+\.\d+(, \d+\.\d+)* s"),
        (Diagnose, r"\w+"),
        (HearIt, r"A called A after 2 s\nA called B"),
    ],
)
def test_each_kind_of_answer_reads_well(kind, shown):
    own = posed("04", kind)
    assert re.match(shown, answer_text(own, own.to_data(own.key())))
