"""Blind comparison: fair pairs, sessions that give nothing away, and statistics against tables and closed forms."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from conftest import one_sentence, sine
from scipy.stats import binomtest

from vocomp_lab import Clip, Compressor, integrated_lufs, shipped
from vocomp_lab.lessons.blind import (
    AbxSession,
    PreferenceSession,
    detectable_share,
    false_alarm_when_peeking,
    match_pair,
    needed_right,
    p_value,
    power,
)  # fmt: skip

RATE = 16_000


def tail(right, trials, share=0.5):
    """P(at least `right`), summed term by term: the binomial formula of any textbook."""
    return sum(math.comb(trials, k) * share**k * (1 - share) ** (trials - k) for k in range(right, trials + 1))


def preferring(sounds, **settings):
    """A preference test in which these sounds were preferred."""
    return PreferenceSession(("A",) * len(sounds), tuple("12"["AB".index(one)] for one in sounds), **settings)


def simulated(answers_right, seed=1):
    session = AbxSession.draw(len(answers_right), seed)
    for good in answers_right:
        session = session.answer(session.hidden if good else "AB"[session.hidden == "A"])
    return session


# ------------------------------------------------------------------------------------------------------- statistics


@pytest.mark.parametrize("trials", [1, 5, 8, 12, 16, 25, 100])
def test_the_p_value_is_the_tail_of_the_binomial_formula(trials):
    for right in range(trials + 1):
        assert p_value(right, trials) == pytest.approx(tail(right, trials), abs=1e-12)


# Fewest right at 5 %: ISO 5495 (paired comparison, one-sided); Roessler et al., J. Food Sci. 43 (1978). From memory.
TABLE = {
    7: 7, 8: 7, 9: 8, 10: 9, 11: 9, 12: 10, 13: 10, 14: 11, 15: 12, 16: 12, 17: 13, 18: 13, 19: 14, 20: 15, 21: 15,
    22: 16, 23: 16, 24: 17, 25: 18, 30: 20, 40: 26, 50: 32, 60: 37, 80: 48, 100: 59,
}  # fmt: skip


@pytest.mark.parametrize(("trials", "right"), TABLE.items())
def test_the_number_needed_is_that_of_the_tables(trials, right):
    assert needed_right(trials) == right
    assert tail(right, trials) <= 0.05 < tail(right - 1, trials)


def test_fewer_than_five_trials_can_show_nothing():
    assert [needed_right(n) for n in (1, 2, 3, 4, 5)] == [None, None, None, None, 5]
    assert power(4, 1.0) == 0 and detectable_share(4) is None
    assert "can't show a difference" in str(simulated([True] * 4).result())


def test_values_from_a_printed_cumulative_table():
    """P(X ≤ 14) of n = 20, p = 0.5 is 0.9793; P(X ≤ 8) of n = 10 is 0.9893 (any binomial table; from memory)."""
    assert 1 - p_value(15, 20) == pytest.approx(0.9793, abs=5e-5)
    assert 1 - p_value(9, 10) == pytest.approx(0.9893, abs=5e-5)


def test_power_by_the_formula_and_by_simulation():
    random = np.random.default_rng(5)
    for trials, share in ((12, 0.5), (16, 0.7), (25, 0.3)):
        exact = power(trials, share)
        assert exact == pytest.approx(tail(needed_right(trials), trials, 0.5 + share / 2), abs=1e-12)
        heard = random.random((40_000, trials)) < share
        right = (heard | (random.random(heard.shape) < 0.5)).sum(axis=1)
        assert np.mean(right >= needed_right(trials)) == pytest.approx(exact, abs=0.01)
    assert power(12, 0.0) == pytest.approx(p_value(10, 12)) and power(12, 1.0) == 1


def test_what_is_detectable_is_what_has_that_power_and_longer_tests_find_less():
    for trials in (8, 12, 16, 30):
        assert power(trials, detectable_share(trials, 0.8)) == pytest.approx(0.8, abs=1e-9)
    assert detectable_share(40) < detectable_share(24) < detectable_share(12)


def test_peeking_by_the_formula_for_short_tests_and_by_simulation():
    # In 5 trials only five in a row count, 1/32; for 8 all 256 courses of a test are gone through.
    assert false_alarm_when_peeking(5) == 1 / 32 and false_alarm_when_peeking(4) == 0
    counted = sum(
        any(bin(throws & (2**n - 1)).count("1") >= needed_right(n) for n in range(5, 9)) for throws in range(2**8)
    )
    assert false_alarm_when_peeking(8) == counted / 2**8
    throws = np.random.default_rng(3).integers(0, 2, (40_000, 24)).cumsum(axis=1)
    needed = np.array([needed_right(n) or 99 for n in range(1, 25)])
    assert np.mean((throws >= needed).any(axis=1)) == pytest.approx(false_alarm_when_peeking(24), abs=0.01)
    alarms = [false_alarm_when_peeking(trials) for trials in (8, 24, 100, 200)]
    assert all(few < many for few, many in zip(alarms, alarms[1:])), (
        "there is no fixed factor: it grows with the trials"
    )


def test_the_bound_of_all_right_and_none_right_in_closed_form():
    """Clopper & Pearson, Biometrika 26 (1934): for n of n the lower end is α^(1/n) one-sided, and (α/2)^(1/n) two-sided."""
    for trials in (5, 12, 20):
        best, worst = simulated([True] * trials).result(), simulated([False] * trials).result()
        assert best.low_share == pytest.approx(0.05 ** (1 / trials)) and best.high_share == 1
        assert (worst.low_share, worst.high_share) == (0, 1)
        for answers, (low, high) in (
            ("B" * trials, (0.025 ** (1 / trials), 1)),
            ("A" * trials, (0, 1 - 0.025 ** (1 / trials))),
        ):
            result = preferring(answers).result()
            assert (result.low_share, result.high_share) == pytest.approx((low, high))


def test_the_bounds_by_their_definition():
    result = simulated([True] * 9 + [False] * 3).result()
    assert tail(9, 12, result.low_share) == pytest.approx(0.05, abs=1e-6) and result.high_share == 1
    result = preferring("B" * 9 + "A" * 3).result()
    assert tail(9, 12, result.low_share) == pytest.approx(0.025, abs=1e-6)
    assert 1 - tail(10, 12, result.high_share) == pytest.approx(0.025, abs=1e-6)


def test_the_range_never_contradicts_the_test():
    """7 of 8 is "shown", so the range may not reach down to chance; and so for every count, as printed, too."""
    assert "above 52.9 %" in str(simulated([True] * 7 + [False]).result())
    for trials in (*range(1, 15), 20, 40, 44, 190):
        needed = needed_right(trials) or trials
        for right in range(trials + 1) if trials <= 40 else range(needed - 2, needed + 3):
            result = simulated([n < right for n in range(trials)]).result()
            bound = binomtest(right, trials, 0.5, alternative="greater").proportion_ci(0.95, "exact").low
            assert result.low_share == pytest.approx(bound) and result.significant == (bound > 0.5), (right, trials)
        for right in {min(max(right, 0), trials) for right in range(needed - 3, needed + 4)}:
            said = str(simulated([n < right for n in range(trials)]).result())
            printed = float((re.search(r"is above ([\d.]+) %", said) or (0, 0))[1])
            assert ("So a difference is shown" in said) == (printed >= 50), said
            for answers in ("B" * right + "A" * (trials - right), "A" * right + "B" * (trials - right)):
                result = preferring(answers).result()
                assert result.significant == (not result.low_share <= 0.5 <= result.high_share), answers
                above, below = (re.search(rf"{word} ([\d.]+) %", str(result)) for word in ("above", "below"))
                outside = (above and float(above[1]) >= 50) or (below and float(below[1]) <= 50)
                assert result.significant == bool(outside), str(result)


# --------------------------------------------------------------------------------------------------------- sessions


def test_a_session_is_a_value_that_tells_nothing_before_its_end():
    start = AbxSession.draw(6, seed=4)
    assert AbxSession.draw(6, seed=4) == start and start.result() is None and start.trial == 1
    session = start
    for n in range(6):
        assert not session.finished and session.result() is None
        assert not {"order", "hidden"} & {word.strip("(),=") for word in repr(session).split()}
        session = session.answer("A")
    assert start.answers == () and session.finished and session.hidden is None and session.trial == 7
    assert session.result().right == session.order.count("A")
    one_sentence(pytest.raises(ValueError, session.answer, "A"), "choice", "6 trials")


@pytest.mark.parametrize("kind", [AbxSession, PreferenceSession])
def test_every_trial_is_drawn_on_its_own(kind):
    orders = np.array([[side == "A" for side in kind.draw(12, seed).order] for seed in range(3000)])
    assert np.abs(orders.mean(axis=0) - 0.5).max() < 0.04
    assert np.abs(np.corrcoef(orders.T) - np.eye(12)).max() < 0.08
    assert {kind.draw(40).order for _ in range(3)}.__len__() == 3, "without a seed each session is new"


def test_preference_counts_what_was_preferred_and_looks_at_both_sides():
    session = PreferenceSession(("A", "B", "A", "B", "A", "A"))
    for answer in "212122":  # B every time, wherever it is played
        session = session.answer(answer)
    result = session.result()
    assert result.right == 6 and result.p_value == pytest.approx(2 / 2**6) and result.significant
    for answer, expected in (("1", 2), ("2", 4)):
        other = PreferenceSession(("A", "B", "A", "B", "A", "A"), (answer,) * 6).result()
        assert other.right == expected and not other.significant
        assert "doesn't mean that they are equally good" in str(other)


def test_a_preference_report_says_of_whom_it_speaks():
    """One listener's eight equal answers are one opinion; eight listeners' are eight."""
    for answers in ("B" * 8, "ABABABAB"):
        alone, many = (str(preferring(answers, one_answer_each=each).result()) for each in (False, True))
        assert "how consistent you are on this one pair" in alone and "other listeners or songs" in alone
        assert "Each answer is another listener's" in many and "such listeners" in many and "consistent" not in many
    session = PreferenceSession(("A", "B"), one_answer_each=True).answer("1").answer("1")
    assert session.result().one_answer_each and session.result().right == 1


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: AbxSession.draw(0), ("trials", "0")),
        (lambda: AbxSession.draw(2.5), ("trials", "2.5")),
        (lambda: AbxSession.draw(12, -1), ("seed", "-1")),
        (lambda: AbxSession(("A", "C")), ("order", "C")),
        (lambda: AbxSession(()), ("order", "0")),
        (lambda: AbxSession(("A",), ("A", "B")), ("answers", "2")),
        (lambda: AbxSession(("A",)).answer("X"), ("choice", "X", "'A', 'B'")),
        (lambda: PreferenceSession(("A",)).answer("A"), ("choice", "'1', '2'")),
        (lambda: p_value(5, 4), ("right", "5")),
        (lambda: power(12, 1.2), ("hears_share", "1.2")),
        (lambda: needed_right(12, 0), ("significant", "0")),
    ],
)
def test_refusals(make, words):
    one_sentence(pytest.raises(ValueError, make), *words)


def test_what_the_result_says():
    heard = str(simulated([True] * 10 + [False] * 2).result())
    assert "10 of 12 right" in heard and "2 %" in heard and "p = 0.019" in heard and "a difference is shown" in heard
    unsure = str(simulated([True] * 8 + [False] * 4).result())
    assert all(
        part in unsure for part in ("no difference is shown", "doesn't mean that there is none", "taken 10", "74 %")
    )
    assert "mix up the answers?" in str(simulated([False] * 12).result()) and "mix up" not in unsure
    marks = simulated([True, False, True]).result().by_trial
    assert marks.count("✓") == 2 and marks.count("✗") == 1


# ------------------------------------------------------------------------------------------------------------- pair


def test_a_pair_is_equally_loud_and_never_over_full_scale():
    voice = shipped("lesson_verse_clean").clip
    loud = Compressor(-34, 6, 1, 80, makeup_db=24).apply(voice).output
    pair = match_pair(loud, voice)
    assert abs(integrated_lufs(pair.a) - integrated_lufs(pair.b)) <= 0.1 and abs(pair.difference_lu) <= 0.1
    assert max(np.abs(pair.a.samples).max(), np.abs(pair.b.samples).max()) < 1 and pair.turned_down_db > 0
    assert pair.gain_db == pytest.approx(integrated_lufs(loud) - integrated_lufs(voice), abs=0.02)


def test_a_pair_that_would_give_itself_away_is_refused():
    a = Clip(sine(300, 1, RATE, -20), RATE)
    for b, word in (
        (Clip(sine(300, 1.1, RATE, -20), RATE), "length"),
        (Clip(sine(300, 1, RATE, -20), 2 * RATE), "rate"),
        (Clip(np.column_stack([a.samples] * 2), RATE), "channels"),
        (Clip(np.zeros(RATE), RATE), "silent"),
        (a.samples, "ndarray"),
    ):
        one_sentence(pytest.raises(ValueError, match_pair, a, b), "b:", word)
