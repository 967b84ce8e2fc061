"""Equal answers: what is found however it is disguised, what is not claimed, how often chance alone looks like it."""

from __future__ import annotations

import dataclasses
import re
from functools import cache

import numpy as np
import pytest
from hostile import DATA
from hostile import FUNCTIONS as HOSTILE
from simulated_class import FUNCTIONS

from vocomp_lab import Chain, Compressor
from vocomp_lab.exercises.answer_text import LONGEST_TEXT, answer_text
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.kinds import FindIt, HearIt, SetIt, WorkOut, WriteIt
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
def posed(homework, name, learner="ann"):
    return pose(homework, next(task for task in tasks_of(homework) if task.id == name), learner)


def mark(learner, homework, answers: dict) -> dict:
    """A marked sheet, as far as equal answers need it; nothing is run or heard."""
    tasks = []
    for task in tasks_of(homework):
        own, data = posed(homework, task.id, learner), answers.get(task.id)
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
        mark(name, "07", {"fet_loop": {"source": text}})
        for name, text in (("ann", LOOP), ("bo", copy), ("cy", LOOP.replace("k * y", "y * k")))
    ]
    (match,) = alike(class_of_three)
    assert match.learners == ("ann", "bo") and match.tells and match.task.startswith("07.3 ")
    assert pairs([match]) == [("ann", "bo", 1)]
    page = similarity_body(class_of_three)
    assert "thr, slope" in page and "level_db, rate" in page and "cy" not in page


def test_short_functions_and_what_many_share_are_told_apart():
    short = {
        "target_reduction_db": {"source": "def f(level, thr, ratio):\n    return max(level - thr, 0) * (1 - 1 / ratio)"}
    }
    (match,) = alike([mark(name, "04", short) for name in ("ann", "bo")])
    assert not match.tells and pairs([match]) == []
    many = [mark(f"learner.{n}", "07", {"fet_loop": {"source": LOOP}}) for n in range(SHARED_BY_MANY + 1)]
    (match,) = alike(many)
    assert not match.tells and len(match.learners) == len(many)
    assert "likely by themselves" in similarity_body(many) and "Side by side" not in similarity_body(many)


def test_the_worked_solution_is_recognised():
    own = posed("07", "fet_loop")
    assert {kind for kind, _, _ in traces_of(own, {"source": own.model})} == {"function", "model"}
    assert traces_of(own, {"source": own.start}) == []


# ------------------------------------------------------------------------------------------------ settings and others


def test_settings_count_only_with_more_digits_than_a_hand_sets():
    own = posed("04", "peaks_only")
    by_hand, finer = Compressor(-22.5, 3, 1, 80), Compressor(-22.4173, 3, 1, 80)
    assert traces_of(own, own.to_data(by_hand)) == []
    ((kind, digest, size),) = traces_of(own, own.to_data(finer))
    assert (kind, size) == ("settings", 1)
    other = posed("04", "peaks_only", "bo")
    assert traces_of(other, other.to_data(finer))[0][1] == digest
    assert traces_of(own, own.to_data(own.start)) == []
    assert [finer_than_a_hand(x) for x in (-22.5, 1234, 12340.0, 0.05, 30.004, True, float("inf"))] == [
        False, False, False, False, True, False, False,
    ]  # fmt: skip


def test_a_stage_of_a_chain_is_compared_by_itself():
    own = posed("project", "compressors")
    shared = Compressor(-17.123456, 4, 1, 80)
    one = Chain([("peaks", shared), ("steady", Compressor(-28.5, 2.5, 10, 200))])
    other = Chain([("grab", shared)])
    first, second = (traces_of(own, own.to_data(chain)) for chain in (one, other))
    assert first == second and len(first) == 1


def test_the_keys_last_digit_is_recognised_and_near_it_is_not():
    for homework, name in (("04", "knocks"), ("04", "computer"), ("04", "peaks_only"), ("04", "blind")):
        own = posed(homework, name)
        data = own.to_data(own.key())
        assert "key" in {kind for kind, _, _ in traces_of(own, data)}, name
    near = [round(value, 2) for value in posed("04", "knocks").key()]
    assert traces_of(posed("04", "knocks"), {"numbers": near}) == []
    rows = as_the_key([mark("ann", "04", {"knocks": posed("04", "knocks").to_data(posed("04", "knocks").key())})])
    assert rows == [("ann", 1, 0, "04.5")]


def test_a_handed_on_listening_record_is_found():
    record = {"heard": [["A", "AB"[n % 2], 2.3 + n / 10] for n in range(10)]}
    (match,) = alike([mark(name, "04", {"blind": record}) for name in ("ann", "bo")])
    assert match.kind == "listening" and match.tells
    other = {"heard": [*record["heard"][:-1], ["A", "B", 9.9]]}
    assert alike([mark("ann", "04", {"blind": record}), mark("bo", "04", {"blind": other})]) == []


# -------------------------------------------------------------------------------------------------------- false alarms


def given_by_hand(own, rng):
    """An answer as somebody gives it who works alone: numbers computed, sliders on their stops, places found by eye."""
    if isinstance(own, WriteIt):
        texts = [text for _, text in FUNCTIONS.get(own.name, [])] + [own.model]
        return {"source": texts[rng.integers(len(texts))]}
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
    return [
        mark(
            name, homework, {task.id: given_by_hand(posed(homework, task.id, name), rng) for task in tasks_of(homework)}
        )
        for name in names
    ]


@pytest.mark.parametrize("homework", ["02", "07"])
def test_learners_who_work_alone_are_not_paired(homework):
    """A class of 60 by hand. With 120 in each of homeworks 01 to 08, none of 57,120 pairs is worth a look either."""
    matches = alike(a_class_by_hand(homework, 60))
    telling = [match for match in matches if match.tells]
    print(f"\n{homework}: {len(matches)} equal, {len(telling)} worth a look")
    assert telling == []


def test_planted_copies_in_that_class_are_all_found():
    """The same class, with five who hand in another's sheet with the words and numbers changed where a hand can."""
    marks = a_class_by_hand("04", 30)
    heard = {"heard": [["A", "B", 1.7 + n / 10] for n in range(10)]}
    fine = {"settings": Chain([("yours", Compressor(-21.84213, 3, 1, 80))]).to_dict()}
    for first, second, answers in (
        (0, 1, {"blind": heard}),
        (2, 3, {"peaks_only": fine}),
        (4, 5, {"knocks": {"numbers": [2.80917, 10.7281, 12.77103]}}),
    ):
        for place in (first, second):
            marks[place] = mark(f"learner.{place:03}", "04", answers)
    found = {(one, other) for one, other, _ in pairs(alike(marks))}
    assert found == {("learner.000", "learner.001"), ("learner.002", "learner.003"), ("learner.004", "learner.005")}


# ------------------------------------------------------------------------------------------------- what a page shows


def test_the_page_says_what_it_can_show_and_runs_nothing():
    evil = "def fet_reduction():\n    return '<script>alert(1)</script>'\n"
    evil += "".join(f"    x{n} = {n}\n" for n in range(40))
    page = similarity_body([mark(name, "07", {"fet_loop": {"source": evil}}) for name in ("ann", "bo")])
    assert "Side by side" in page and "<script" not in page and "&lt;script&gt;" in page
    assert CAN_SHOW.split(".")[0] in page and "never for a mark" in page
    for word in ("copied from", "cheat", "suspect", "plagiar", "guilty"):
        assert word not in page.lower()
    assert "No two learners" in similarity_body([mark("ann", "04", {})])


def test_every_answer_can_be_shown_whatever_it_is():
    """Hostile ones too: as text that any file takes, in one length at most, with no character that acts."""
    tried = [(task, data) for task, data in DATA.values()]
    tried += [
        ("target_reduction_db", {"source": text}) for text in (*HOSTILE.values(), "x\x1b[2J\u202e\ud800\0", "a" * 10**5)
    ]
    tried += [("peaks_only", {"settings": 5}), ("computer", [1]), ("computer", "\ud800"), ("computer", {"source": ""})]
    for name, data in tried:
        own = posed("04", name)
        text = answer_text(own, data)
        assert text and len(text) < 10 * LONGEST_TEXT, (name, data)
        text.encode()
        assert all(letter.isprintable() or letter == "\n" for letter in text)
        traces_of(own, data)
    assert answer_text(posed("04", "computer"), None) == ""


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("computer", r"\d+\.\d+ dB"),
        ("target_reduction_db", r"def target_reduction_db"),
        ("peaks_only", r"(?s)Compressor.*Threshold −\d.*Ratio 3:1"),
        ("knocks", r"\d+\.\d+, \d+\.\d+, \d+\.\d+ s"),
        ("what_is_wrong", r"attack|threshold|idle|nothing"),
        ("blind", r"A called A after 2 s"),
    ],
)
def test_each_kind_of_answer_reads_well(name, shown):
    own = posed("04", name)
    assert re.search(shown, answer_text(own, own.to_data(own.key())))
