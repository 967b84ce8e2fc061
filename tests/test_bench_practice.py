"""The benches of practice without a browser: what they ask, what they take for an answer, and what they keep."""

from __future__ import annotations

import json

import pytest
from conftest import one_sentence

from vocomp_lab import begin, shipped
from vocomp_lab.bench import practice as module
from vocomp_lab.bench import skill
from vocomp_lab.bench.practice import PracticeBench, PracticeOverview
from vocomp_lab.bench.skill import SkillBench
from vocomp_lab.lessons.rounds import practice_folder, read_rounds
from vocomp_lab.lessons.skill import read_skill


@pytest.fixture
def lesson(tmp_path):
    return begin("10_ear_practice", shipped("lesson_verse_clean").clip.cut(2, 9), tmp_path)


@pytest.fixture
def clock(monkeypatch):
    """A second passes before each look at the clock, so that no click counts as a double one."""
    now = [0.0]

    def tick():
        now[0] += 1
        return now[0]

    monkeypatch.setattr(module.time, "monotonic", tick)


def play(bench, *slots):
    """As if the page had played some of the player's tracks, each for a second, after what it has played before."""
    line = json.loads(bench._player._plays.value or "[]")
    bench._player._plays.value = json.dumps(line + [[slot, 100.0 + len(line) + n, 1.0] for n, slot in enumerate(slots)])


def press(bench, text):
    next(button for button in (*bench._buttons, bench._other) if button.description.endswith(f"· {text}")).click()


def test_a_round_is_answered_by_buttons_and_kept_with_its_plays(lesson, clock):
    bench = PracticeBench(lesson, "more", trials=4, seed=3)
    assert bench.trial == 1 and "Trial 1 of 4" in bench._status.value and "<img" in bench._picture.value
    press(bench, "A")
    play(bench, "first")
    press(bench, "A")
    assert (
        bench.trial == 1 and "haven&#x27;t played B" in bench._status.value or "haven't played B" in bench._status.value
    )
    play(bench, "second")
    press(bench, bench._now.right)
    assert bench.trial == 2 and "Right" in bench._status.value and bench._other.layout.visibility == "hidden"
    play(bench, "first", "second")
    waiting = bench._now
    press(bench, "A" if waiting.right == "B" else "B")
    assert "No." in bench._status.value and bench._now is waiting, "a wrong answer waits"
    press(bench, "A")
    assert bench.trial == 3 and bench._now is waiting
    press(bench, "Next trial")
    for _ in range(2):
        play(bench, "first", "second")
        press(bench, bench._now.right)
    assert (
        bench.finished and "Can&#x27;t tell yet" in bench._status.value and "guessing gets 50 %" in bench._status.value
    )
    (kept,) = read_rounds(practice_folder(lesson))
    assert kept == bench.round and kept.right == 3 and kept.answers[0].plays[0].track == "a"
    assert "after 4 trials" in bench.standing and bench.standings == f"{bench.drill.title} {bench.standing}"
    press(bench, "Another round")
    assert bench.trial == 1 and not bench.finished


def test_what_the_page_is_told_does_not_give_the_answer_away(lesson):
    """Two trials with opposite answers differ in the page only in random names and sizes of their sounds."""
    pages = {}
    for seed in range(20):
        bench = PracticeBench(lesson, "more", seed=seed)
        state = json.loads(bench._player.state_text)
        told = [
            state["names"],
            bench._status.value,
            [button.description for button in bench._buttons],
            bench._picture.value,
        ]
        pages.setdefault(bench._now.right, told)
        assert pages[bench._now.right] == told
    assert len(pages) == 2 and pages["A"] == pages["B"]


def test_clicking_through_from_code_is_no_session(lesson):
    bench = PracticeBench(lesson, "decibels", trials=4, seed=1)
    while not bench.finished:
        bench.answer(bench._now.right)
    assert "Not kept" in bench._status.value and not bench.round.finished
    assert read_rounds(practice_folder(lesson)) == ()
    one_sentence(pytest.raises(ValueError, bench.answer, "1"), "4 trials")
    one_sentence(pytest.raises(ValueError, PracticeBench, lesson, "taste"), "drill")
    one_sentence(pytest.raises(ValueError, PracticeBench, 3), "lesson")


def test_a_menu_leads_to_the_other_drills_and_a_short_voice_says_so(tmp_path):
    lesson = begin("10_ear_practice", shipped("lesson_verse_clean").clip.cut(3, 4.2), tmp_path)
    bench = PracticeBench(lesson)
    assert bench.drill.name == "different" and 'role="alert"' in bench._status.value
    bench._menu.value = "word"
    assert bench.drill.name == "word" and 'role="alert"' in bench._status.value
    assert "Next: Is anything different?" in PracticeOverview(lesson)._told.value


def test_the_overview_shows_what_was_kept(lesson):
    overview = PracticeOverview(lesson)
    assert "<img" not in overview._told.value
    bench = PracticeBench(lesson, "ring", trials=4, seed=1)
    while not bench.finished:
        play(bench, "second")
        bench.answer(bench._now.right)
    overview.look()
    assert "<img" in overview._told.value and "not tried yet" in overview._told.value


def test_takes_are_set_against_the_clock(lesson, monkeypatch):
    now = [0.0]
    monkeypatch.setattr(skill.time, "monotonic", lambda: now[0])
    bench = SkillBench(lesson, "peaks", seed=2)
    for wait_s, met in ((20, True), (70, False)):
        bench.start()
        now[0] += 5
        bench.done()
        assert "Not yet, after 5 s" in bench._status.value and not bench._done.disabled
        if met:
            bench.bench.set(
                **{
                    name: getattr(bench._take.proposed, name)
                    for name in ("threshold_db", "ratio", "attack_ms", "release_ms")
                }
            )
        now[0] += wait_s - 5
        bench.done()
        assert bench._done.disabled and ("Met in 20 s" in bench._status.value) == met
    kept = read_skill(bench._folder)
    assert [(one.met, one.seconds) for one in sorted(kept, key=lambda one: one.seconds)] == [(True, 20), (False, 70)]
    assert [one.misses for one in sorted(kept, key=lambda one: one.seconds)] == [1, 2]
