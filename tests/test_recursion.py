"""The fast solver against the plain loops, to 1e-10, and block by block against the whole, to 1e-9."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.signal import lfilter

from vocomp_lab.processors import recursion
from vocomp_lab.processors.recursion import (
    coefficient,
    smooth_branching,
    smooth_branching_loop,
    smooth_decoupled,
    smooth_feedback,
    smooth_feedback_loop,
    static_reduction,
)

RATES = (8_000, 44_100, 192_000)


def varying_loop(target, attack, release, state=0.0):
    """The branching smoother with its own coefficient for every frame, written out here."""
    y, out = state, []
    for x, up, down in zip(target, attack, release):
        a = up if x > y else down
        y = a * y + (1 - a) * x
        out.append(y)
    return np.array(out)


def decoupled_loop(target, attack, release, state=(0.0, 0.0)):
    """Giannoulis, Massberg & Reiss (2012), eq. 17, written out here."""
    held, y = state
    out = []
    for x in target:
        held = max(x, release * held + (1 - release) * x)
        y = attack * y + (1 - attack) * held
        out.append(y)
    return np.array(out)


def signals(rng, frames, height=40.0) -> dict[str, np.ndarray]:
    """Targets in dB of different kinds: what a smoother meets, and what it never should."""
    n = np.arange(frames)
    return {
        "noise": rng.uniform(0, height, frames),
        "rectified tone": height * np.abs(np.sin(2 * np.pi * 0.0131 * n)),
        "steps": height * rng.random(frames // 300 + 1).repeat(300)[:frames],
        "silence": np.zeros(frames),
        "constant": np.full(frames, height),
        "clicks": height * (rng.random(frames) < 0.01),
        "ramp": np.linspace(0, height, frames),
        "tiny and huge": 10.0 ** rng.uniform(-12, 2, frames),
        "alternating": height * (n % 2),
    }


SMOOTHER = "attack and release smoothers, any signal"


def levels(rng, frames) -> dict[str, np.ndarray]:
    """The same as detector levels: −200 to +20 dB."""
    return {name: np.clip(demand * 2 - 60, -200, 20) for name, demand in signals(rng, frames).items()} | {
        "silence": np.full(frames, -200.0)
    }


# ------------------------------------------------------------------------------------------------ solver against loop


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    "attack_ms, release_ms", [(0.01, 1), (0.01, 5000), (1, 60), (20, 250), (500, 5000), (500, 1), (30, 30)]
)
def test_branching_equals_the_loop(rng, attack_ms, release_ms, rate, deviation):
    attack, release = coefficient(attack_ms, rate), coefficient(release_ms, rate)
    for name, target in signals(rng, 6_000).items():
        for state in (0.0, 13.7):
            fast = smooth_branching(target, attack, release, state)
            plain = smooth_branching_loop(target, attack, release, state)
            deviation(SMOOTHER, "plain loop, sample by sample", fast - plain, 1e-10, "dB", name)


def tolerance(attack, slope) -> float:
    """1e-10, plus what bisection can't resolve: v may be up to 144 dB/(1 − a·slope), millions for an infinite ratio.

    The solver has no such loss, as the closed form for an infinite ratio shows below.
    """
    return 1e-10 + 4 * np.finfo(float).eps * 144 / (1 - attack * slope)


@pytest.mark.parametrize("rate", (8_000, 192_000))
@pytest.mark.parametrize("knee_db", (0.0, 12.0))
@pytest.mark.parametrize("ratio", (1.0, 1.5, 4.0, 20.0, math.inf))
def test_feedback_equals_the_loop(rng, ratio, knee_db, rate):
    slope = 1 - 1 / ratio
    times = rng.permutation([(0.01, 5000), (0.01, 1), (2, 80), (500, 5000), (500, 1)])[:2]
    for attack_ms, release_ms in times:
        attack, release = coefficient(attack_ms, rate), coefficient(release_ms, rate)
        for name, level in levels(rng, 400).items():
            fast = smooth_feedback(level, attack, release, -30.0, slope, knee_db, 2.5)
            plain = smooth_feedback_loop(level, attack, release, -30.0, slope, knee_db, 2.5)
            assert np.abs(fast - plain).max() < tolerance(attack, slope), (name, attack_ms, release_ms)


@pytest.mark.parametrize("rate", RATES)
def test_decoupled_equals_the_loop(rng, rate, deviation):
    for attack_ms, release_ms in [(0.01, 1), (5, 100), (500, 5000)]:
        attack, release = coefficient(attack_ms, rate), coefficient(release_ms, rate)
        for name, target in signals(rng, 4_000).items():
            fast, end = smooth_decoupled(target, attack, release, (4.0, 1.0))
            plain = decoupled_loop(target.tolist(), attack, release, (4.0, 1.0))
            deviation(SMOOTHER, "plain loop, sample by sample", fast - plain, 1e-10, "dB", name)
            assert end[1] == fast[-1]


def test_coefficients_may_differ_from_frame_to_frame(rng):
    frames = 5_000
    attack = coefficient(10 ** rng.uniform(-2, 2.7, frames), 48_000)
    release = coefficient(10 ** rng.uniform(0, 3.7, frames), 48_000)
    for name, target in signals(rng, frames).items():
        assert (
            np.abs(smooth_branching(target, attack, release, 3.0) - varying_loop(target, attack, release, 3.0)).max()
            < 1e-10
        ), name
        mixed = smooth_branching(target, 0.9, release)
        assert np.abs(mixed - varying_loop(target, np.full(frames, 0.9), release)).max() < 1e-10, name


@pytest.mark.parametrize(
    "frames",
    [1, 2, 15, 16, 17, 31, 32, 33, 255, 1_023, 1_024, 1_025, 9_215, 9_216, 9_217, 36_864, 36_865, 96_000, 96_001],
)
def test_lengths_around_the_edges_of_rows(rng, frames):
    """A row has half the root of the length in frames, but 16 to 48: at 9,216 frames the longest rows begin. From
    96,000 on, the first guess is made in rows, too."""
    target = rng.uniform(0, 30, frames)
    assert (
        np.abs(smooth_branching(target, 0.97, 0.9995, 5.0) - smooth_branching_loop(target, 0.97, 0.9995, 5.0)).max()
        < 1e-10
    )


@pytest.mark.parametrize("stretch", [1, 7, 100, 4_096])
def test_lengths_around_the_edges_of_stretches(rng, monkeypatch, stretch):
    """The same answer however the signal is cut up inside."""
    monkeypatch.setattr(recursion, "STRETCH_FRAMES", stretch)
    for frames in sorted({1, max(stretch - 1, 1), stretch, stretch + 1, 3 * stretch, 3 * stretch + 1}):
        target, level = rng.uniform(0, 30, frames), rng.uniform(-80, 0, frames)
        assert (
            np.abs(smooth_branching(target, 0.9, 0.999, 2.0) - smooth_branching_loop(target, 0.9, 0.999, 2.0)).max()
            < 1e-10
        )
        if frames <= 400:
            settings_ = (0.9, 0.999, -30.0, 0.75, 6.0, 2.0)
            assert np.abs(smooth_feedback(level, *settings_) - smooth_feedback_loop(level, *settings_)).max() < 1e-10


def test_no_frames_give_no_frames():
    assert smooth_branching(np.zeros(0), 0.5, 0.9).shape == (0,)


time_constants = st.tuples(
    st.floats(math.log10(0.01), math.log10(500)), st.floats(0, math.log10(5000)), st.integers(8_000, 192_000)
)


@given(hnp.arrays(np.float64, st.integers(1, 300), elements=st.floats(0, 120)), time_constants, st.floats(0, 60))
def test_branching_equals_the_loop_on_anything(target, times, state):
    attack, release = coefficient(10 ** times[0], times[2]), coefficient(10 ** times[1], times[2])
    assert (
        np.abs(
            smooth_branching(target, attack, release, state) - smooth_branching_loop(target, attack, release, state)
        ).max()
        < 1e-10
    )


@settings(max_examples=40)
@given(
    hnp.arrays(np.float64, st.integers(1, 60), elements=st.floats(-200, 24)),
    time_constants,
    st.floats(-120, 24),
    st.one_of(st.just(math.inf), st.floats(1, 1000)),
    st.one_of(st.just(0.0), st.floats(1e-3, 48)),
    st.floats(0, 60),
)
def test_feedback_equals_the_loop_on_anything(level, times, threshold_db, ratio, knee_db, state):
    attack, release = coefficient(10 ** times[0], times[2]), coefficient(10 ** times[1], times[2])
    settings_ = (attack, release, threshold_db, 1 - 1 / ratio, knee_db, state)
    error = np.abs(smooth_feedback(level, *settings_) - smooth_feedback_loop(level, *settings_)).max()
    assert error < tolerance(max(attack, release), 1 - 1 / ratio)


@pytest.mark.parametrize("rate", RATES)
def test_feedback_of_infinite_ratio_is_a_limiter(rng, rate):
    """With slope 1 and a hard knee the equations reduce to r = max(x − T, a_release·r₋), whatever the attack."""
    release = coefficient(60, rate)
    for name, level in levels(rng, 3_000).items():
        r, expected = 1.5, []
        for x in level.tolist():
            r = max(x + 30.0, release * r)
            expected.append(r)
        for attack_ms in (0.01, 5, 500):
            out = smooth_feedback(level, coefficient(attack_ms, rate), release, -30.0, 1.0, 0.0, 1.5)
            assert np.abs(out - expected).max() < 1e-10, name


def test_a_long_signal_of_the_slowest_times_settles_quickly(rng, monkeypatch):
    """Speed depends on the number of walks; 20 s at 192 kHz is the slowest smoother that a setting allows."""
    walks = []
    real = recursion._walk
    monkeypatch.setattr(recursion, "_walk", lambda *args: walks.append(1) or real(*args))
    target = rng.uniform(0, 60, 200_000)
    a = coefficient(20_000, 192_000)
    out = smooth_branching(target, 0.5, a)
    assert len(walks) <= 20
    assert np.abs(out - smooth_branching_loop(target, 0.5, a)).max() < 1e-9


def test_coefficients_that_differ_from_frame_to_frame_settle_quickly_too(rng, monkeypatch):
    """The compressor types' times that depend on the sound; the first guesses use a rough power of them."""
    walks = []
    real = recursion._walk
    monkeypatch.setattr(recursion, "_walk", lambda *args: walks.append(1) or real(*args))
    target = np.repeat(rng.uniform(0, 40, 200), 1_000) * rng.uniform(0.2, 1, 200_000)
    attack = coefficient(10 / (1 + target / 6), 48_000)
    release = coefficient(150 * (1 + target / 6), 48_000)
    out = smooth_branching(target, attack, release)
    assert len(walks) <= 25
    assert np.abs(out - varying_loop(target.tolist(), attack.tolist(), release.tolist())).max() < 1e-10


@pytest.mark.parametrize("ratio", (2.0, 10.0, math.inf))
@pytest.mark.parametrize("knee_db", (0.0, 6.0))
def test_steady_sounds_with_steps_settle_quickly(monkeypatch, knee_db, ratio):
    """Long releases into a plateau: a state that rests on its target must not slow the solver down row by row."""
    walks = []
    real = recursion._walk
    monkeypatch.setattr(recursion, "_walk", lambda *args: walks.append(1) or real(*args))
    level = np.repeat([-20.0, 0.0, -20.0], 100_000)
    slope = 1 - 1 / ratio
    attack, release = coefficient(40, 192_000), coefficient(100, 192_000)
    smooth_feedback(level, attack, release, -40.0, slope, knee_db)
    assert len(walks) <= 40, "feedback"
    walks.clear()
    demand = static_reduction(level, -40.0, slope, knee_db)
    out = smooth_branching(demand, attack, release)
    assert len(walks) <= 40, "branching"
    assert np.abs(out - smooth_branching_loop(demand, attack, release)).max() < 1e-10


# -------------------------------------------------------------------------------------------------------- in blocks


def test_blocks_with_carried_state_equal_the_whole(rng):
    frames = 30_000
    cuts = sorted({0, 7, 8, frames, *rng.choice(frames, 12, replace=False).tolist()})
    attack, release = coefficient(3, 48_000), coefficient(120, 48_000)
    target = signals(rng, frames)["steps"] + rng.uniform(0, 10, frames)
    level = target - 40

    def in_blocks(smooth, values, state):
        parts = []
        for start, stop in zip(cuts, cuts[1:]):
            part, state = smooth(values[start:stop], state)
            parts.append(part)
        return np.concatenate(parts)

    def branching(x, state):
        y = smooth_branching(x, attack, release, state)
        return y, y[-1]

    def feedback(x, state):
        y = smooth_feedback(x, attack, release, -30.0, 0.9, 6.0, state)
        return y, y[-1]

    def decoupled(x, state):
        return smooth_decoupled(x, attack, release, state)

    for smooth, values, state in ((branching, target, 1.0), (feedback, level, 1.0), (decoupled, target, (1.0, 1.0))):
        assert np.abs(in_blocks(smooth, values, state) - smooth(values, state)[0]).max() < 1e-9, smooth.__name__


# ------------------------------------------------------------------------------------------ against known solutions


def test_equal_times_are_a_linear_one_pole_filter(rng):
    """With attack = release nothing branches, and SciPy's linear filter must give the same."""
    target, a = rng.uniform(0, 20, 50_000), coefficient(40, 48_000)
    expected, _ = lfilter([1 - a], [1, -a], target, zi=[a * 6.0])
    assert np.abs(smooth_branching(target, a, a, 6.0) - expected).max() < 1e-10


@pytest.mark.parametrize("rate", RATES)
def test_the_coefficient_covers_63_percent_in_its_time(rate):
    """Closed form: c·(1 − e^(−t/τ)) on a step (Giannoulis, Massberg & Reiss 2012, eq. 7)."""
    for time_ms in (1.0, 25.0, 400.0):
        frames = int(round(time_ms / 1000 * rate))
        reached = smooth_branching(np.full(frames, 10.0), coefficient(time_ms, rate), 0.5)[-1]
        assert reached == pytest.approx(10 * (1 - math.exp(-frames / (time_ms / 1000 * rate))), abs=1e-9)
    assert coefficient(0, rate) == 0.0
    assert np.array_equal(coefficient(np.array([0.0, 5.0]), rate), [0.0, coefficient(5.0, rate)])


def test_feedback_settles_on_the_static_curve_of_its_input(rng):
    for ratio in (1.5, 4.0, math.inf):
        for knee_db in (0.0, 10.0):
            for level_db in (-50.0, -31.0, -28.0, -6.0):
                slope = 1 - 1 / ratio
                settled = smooth_feedback(np.full(4_000, level_db), 0.9, 0.99, -30.0, slope, knee_db)[-1]
                assert settled == pytest.approx(static_reduction(level_db, -30.0, slope, knee_db), abs=1e-9)


def test_feedback_at_ratio_one_does_nothing():
    assert not smooth_feedback(np.linspace(-100, 20, 1000), 0.5, 0.9, -60.0, 0.0, 6.0).any()
