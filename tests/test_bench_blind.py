"""The blind test without a browser: what is sent, what is told and when."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
import soundfile
from conftest import one_sentence, sine

from vocomp_lab import Clip
from vocomp_lab.bench import blind as module
from vocomp_lab.bench.blind import BlindBench, PreferenceBench

RATE = 16_000


@pytest.fixture(scope="module")
def a():
    return Clip(sine(300, 2, RATE, -20), RATE)


@pytest.fixture(scope="module")
def b():
    return Clip(sine(300, 2, RATE, -32) + sine(600, 2, RATE, -32), RATE)


def sent(test, track):
    return bytes(test._player.sounds[track].value)


def heard(test, track):
    return soundfile.read(io.BytesIO(sent(test, track)))[0]


def alike(samples, clip):
    return np.abs(samples - clip.samples).max() < 2.0**-14


def everything_in_the_page(test):
    """All text that the kernel sends for the page, apart from the sounds."""
    buttons = [button.description + button.tooltip for button in test._buttons.values()]
    return json.dumps([test._status.value, test._player.state_text, buttons])


def test_x_is_what_the_session_says_and_its_bytes_are_new_in_every_trial(a, b):
    test = BlindBench(a, b, trials=8, seed=1)
    order, seen = test._session.order, []
    assert alike(heard(test, "a"), test.pair.a) and alike(heard(test, "b"), test.pair.b)
    for x in order:
        assert alike(heard(test, "x"), test.pair.a if x == "A" else test.pair.b)
        assert not np.array_equal(heard(test, "x"), heard(test, x.lower())), "not the very samples of A or B either"
        seen.append(sent(test, "x"))
        test.answer("A")
    assert len(set(seen)) == 8 and len({len(data) for data in seen}) > 4 and {"A", "B"} == set(order)
    assert all(len(old) != len(new) for old, new in zip(seen, seen[1:])), "the page tells a new sound by its size"


def test_the_page_says_the_same_whatever_x_is(a, b):
    """Two tests with opposite orders differ only in the random names and sizes of their sounds."""
    pages = []
    for want in "AB":
        test = next(t for t in (BlindBench(a, b, 5, seed) for seed in range(40)) if t._session.order[0] == want)
        state = json.loads(test._player.state_text)
        for key in [key for key in state if key.endswith(("_id", "_bytes"))]:
            state.pop(key)
        pages.append((test._status.value, state, everything_in_the_page(test).count("order")))
    assert pages[0] == pages[1]


def test_the_file_size_depends_on_chance_only(a, b):
    sizes = {x: [] for x in "AB"}
    for seed in range(60):
        test = BlindBench(a, b, 1, seed)
        sizes[test._session.order[0]].append(len(sent(test, "x")))
    spread = np.std(sizes["A"] + sizes["B"])
    assert abs(np.mean(sizes["A"]) - np.mean(sizes["B"])) < spread, "no more than the padding's own spread"
    assert min(len(found) for found in sizes.values()) > 15


def test_the_result_comes_after_the_last_trial_and_not_before(a, b, capsys):
    test = BlindBench(a, b, trials=5, seed=2)
    for n, x in enumerate(test._session.order):
        assert test.result() is None and test.trial == n + 1 and f"Trial {n + 1} of 5" in test._status.value
        assert "right" not in test._status.value and 'role="status"' in test._status.value
        test.answer(x)
    assert test.finished and test.result().right == 5 and test.result().p_value == pytest.approx(1 / 32)
    assert "5 of 5 right" in test._status.value and all(button.disabled for button in test._buttons.values())
    test.report()
    assert "a difference is shown" in capsys.readouterr().out
    one_sentence(pytest.raises(ValueError, test.answer, "A"), "5 trials")
    BlindBench(a, b, 5).report()
    assert "0 of 5 trials answered" in capsys.readouterr().out


def test_buttons_answer_and_a_double_click_counts_once(a, b, monkeypatch):
    clock = [100.0]
    monkeypatch.setattr(module.time, "monotonic", lambda: clock[0])
    test = BlindBench(a, b, trials=3, seed=3)
    test._buttons["B"].click()
    assert test.trial == 1 and "haven't played X" in test._status.value, "a click without listening is no answer"
    test._player.begin_plays = lambda: None  # as if X were played in each trial
    test._player._plays.value = '[["x", 1.0, 2.0]]'
    for pause, expected in ((5.0, 2), (0.1, 2), (0.1, 2), (1.0, 3), (1.0, 4), (1.0, 4)):
        clock[0] += pause
        test._buttons["B"].click()
        assert test.trial == expected
    assert test._session.answers == ("B",) * 3 and test.session.unheard_trials == ()
    assert [button.description for button in test._buttons.values()] == ["X is A", "X is B"]


def test_what_was_played_is_counted_trial_by_trial(a, b):
    test = BlindBench(a, b, trials=4, seed=3)
    for line in ('[["x", 10.0, 2.0]]', '[["x", 10.0, 3.0], ["a", 20.0, 1.0]]', "broken", '[["x", 50.0, 1.0]]'):
        test._player._plays.value = line
        test.answer("A")
    assert test.session.heard_s == (2.0, 1.0, 0.0, 1.0), (
        "what goes on is counted on; a page that is opened anew begins anew"
    )
    assert test.session.unheard_trials == (3,) and test.finished


def test_preference_plays_both_orders_and_counts_the_sound_and_not_the_place(a, b):
    test = PreferenceBench(a, b, trials=10, seed=4)
    while not test.finished:
        first_is_b = alike(heard(test, "first"), test.pair.b)
        assert alike(heard(test, "second"), test.pair.a if first_is_b else test.pair.b)
        test.answer("1" if first_is_b else "2")
    assert test.result().right == 10 and "B preferred in 10 of 10" in test._status.value
    assert "how consistent you are" in test._status.value
    many = PreferenceBench(a, b, trials=6, seed=4, one_answer_each=True)
    for listener in range(6):
        assert f"Trial {listener + 1} of 6" in many._status.value and "then the next listener" in many._status.value
        assert "preferred" not in many._status.value, "nobody sees what others answered"
        many.answer("1")
    assert "Each answer is another listener" in many._status.value


def test_long_clips_are_cut_to_where_the_singing_starts_and_a_stretch_can_be_chosen(a):
    quiet = np.zeros(10 * RATE)
    tune = sine(220, 45, RATE, -20) * (np.arange(45 * RATE) % RATE < 0.8 * RATE)
    long = Clip(np.concatenate([quiet, tune]) + 1e-5 * np.random.default_rng(1).standard_normal(55 * RATE), RATE)
    test = BlindBench(long, long, 1)
    assert test.pair.a.duration_s == pytest.approx(module.LONGEST_S)
    assert np.abs(test.pair.a.samples[: RATE // 4]).max() > 0.05
    assert BlindBench(long, long, 1, stretch=(12, 16)).pair.a.duration_s == pytest.approx(4)
    for bad in ((5, 4), (0, 31), (54, 60), 3, (1, 1.2)):
        one_sentence(pytest.raises(ValueError, BlindBench, long, long, 1, stretch=bad), "stretch")


def test_stereo_works_and_unfair_pairs_are_refused(a, b):
    both = [Clip(np.column_stack([clip.samples, 0.5 * clip.samples]), RATE) for clip in (a, b)]
    assert heard(BlindBench(*both, trials=1), "x").shape == (2 * RATE, 2)
    one_sentence(pytest.raises(ValueError, BlindBench, a, b.cut(0, 1)), "length")
    one_sentence(pytest.raises(ValueError, BlindBench, a, "b.wav"), "b.wav", "Clip")
