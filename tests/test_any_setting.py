"""Every processor at any setting, on whole takes and at three rates: finite output, and the reduction of the plain
loops.

Settings are drawn from the sliders' stops, and from all that may be typed; the draws are the same in every run, and
more of them where CI=true. The loops are compiled, so that whole takes are cheap.
"""

from __future__ import annotations

import math
import zlib
from functools import cache

import numba
import numpy as np
import pytest
from conftest import IN_CI
from scipy.signal import lfilter
from takes import ci_only

from vocomp_lab.lessons.controls import CONTROLS, Control, controls_for
from vocomp_lab.processors import recursion
from vocomp_lab.processors.chain import PROCESSORS
from vocomp_lab.processors.character import (
    OPTO_MEMORY_PER_DB,
    TUBE_PER_DB,
    FetCompressor,
    OptoCompressor,
    TubeCompressor,
    VcaCompressor,
)
from vocomp_lab.processors.character import RULES as MODEL_RULES
from vocomp_lab.processors.compressor import FLOOR_DB, Compressor
from vocomp_lab.processors.deesser import BAND_MS, SILENCE_DBFS, VOICE_FALL_MS, VOICE_FLOOR_DB, VOICE_RISE_MS, DeEsser
from vocomp_lab.processors.recursion import coefficient, smooth_branching, smooth_feedback, static_reduction
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import OrNone
from vocomp_lab.sound.levels import power_to_db, rms_dbfs

TAKES = ("lesson_verse_clean", "lesson_verse_faulty", "second_verse_clean", "second_verse_faulty")
RATES = (8_000, 44_100, 192_000)
TOLERANCE_DB = 1e-9

# Everything with a recursion, each way that it may be set up. A look-ahead only shifts the curves, and has tests of its
# own.
KINDS = {
    f"{topology}, {ballistics}, {detector}": (
        Compressor,
        dict(topology=topology, ballistics=ballistics, detector=detector, lookahead_ms=0.0),
    )
    for topology, ballistics in (("feedforward", "branching"), ("feedforward", "decoupled"), ("feedback", "branching"))
    for detector in ("peak", "rms")
} | {kind.__name__: (kind, {}) for kind in (VcaCompressor, FetCompressor, OptoCompressor, TubeCompressor, DeEsser)}
OTHERS = {name: kind for name, kind in PROCESSORS.items() if name not in {kind.__name__ for kind, _ in KINDS.values()}}


# ------------------------------------------------------------------------------------------------- the plain loops


@numba.njit
def branching_loop(target, attack, release, y):
    """Giannoulis, Massberg & Reiss (2012), eq. 16, with a coefficient of its own for every frame."""
    out = np.empty_like(target)
    for n in range(len(target)):
        a = attack[n] if target[n] > y else release[n]
        y = a * y + (1 - a) * target[n]
        out[n] = y
    return out


@numba.njit
def feedback_loop(level_db, attack, release, threshold_db, slope, knee_db, r):
    """r = a·r₋ + (1 − a)·C(v) with v − a·C(v) = x − a·r₋, solved for each piece of the curve on its own."""
    out = np.empty_like(level_db)
    for n in range(len(level_db)):
        over = level_db[n] - (threshold_db - knee_db / 2)
        if over <= 0:
            asked = 0.0
        elif over < knee_db:
            asked = slope * over**2 / (2 * knee_db)
        else:
            asked = slope * (over - knee_db / 2)
        a = attack if asked > r else release
        q = over - a * r
        top = knee_db - a * slope * knee_db / 2
        if q <= 0:
            asked = 0.0
        elif q < top:
            part = 2 * q / (1 + math.sqrt(1 - 2 * a * slope * q / knee_db))
            asked = slope * part**2 / (2 * knee_db)
        else:
            asked = slope * (knee_db / 2 + (q - top) / (1 - a * slope))
        r = a * r + (1 - a) * asked
        out[n] = r
    return out


def branching(target, attack, release, y=0.0):
    return branching_loop(target, *(np.broadcast_to(a, target.shape) for a in (attack, release)), y)


def one_pole(values, time_ms, rate):
    a = coefficient(time_ms, rate)
    return lfilter([1 - a], [1, -a], values)


def plain_reduction(processor, detector_db, rate):
    """The reduction by plain loops, from the level that the detector gives; the curve has tests of its own."""
    attack, release = coefficient(processor.attack_ms, rate), coefficient(processor.release_ms, rate)
    if isinstance(processor, FetCompressor) or getattr(processor, "topology", "") == "feedback":
        curve = processor.threshold_db, processor.slope, getattr(processor, "knee_db", 0.0)
        return feedback_loop(detector_db, attack, release, *curve, 0.0)
    asked = processor.target_reduction_db(detector_db)
    if isinstance(processor, TubeCompressor):
        attack = coefficient(processor.attack_ms / (1 + TUBE_PER_DB * asked), rate)
        past = one_pole(asked, processor.memory_ms, rate)
        release = coefficient(processor.release_ms * (1 + TUBE_PER_DB * past), rate)
    if getattr(processor, "ballistics", "") == "decoupled":
        return one_pole(branching(asked, 0.0, release), processor.attack_ms, rate)
    reduction = branching(asked, attack, release)
    if isinstance(processor, OptoCompressor):
        past = one_pole(reduction, processor.memory_ms, rate)
        tail = coefficient(processor.tail_ms * (1 + OPTO_MEMORY_PER_DB * past), rate)
        return np.maximum(reduction, branching(reduction / 2, coefficient(processor.memory_ms, rate), tail))
    return reduction


def plain_hiss_db(processor, clip):
    """A de-esser's level by plain loops."""
    _, high = processor.split(clip)
    band, whole = (np.mean(part.columns**2, axis=1) for part in (high, clip))
    level_db = power_to_db(one_pole(band, BAND_MS, clip.rate), FLOOR_DB)
    if processor.reference == "full scale":
        return level_db
    voice = branching(whole, coefficient(VOICE_RISE_MS, clip.rate), coefficient(VOICE_FALL_MS, clip.rate))
    lowest_db = max(rms_dbfs(clip) + VOICE_FLOOR_DB, SILENCE_DBFS)
    return level_db - np.maximum(power_to_db(voice, FLOOR_DB), lowest_db)


# ------------------------------------------------------------------------------------------------ settings and sounds


def rules_of(kind):
    return kind.RULES or MODEL_RULES


def typed(control, rule, rng):
    """A number that may be typed, from end to end of what is allowed, and often one of the ends."""
    if isinstance(rule, OrNone):
        return None if rng.random() < 0.5 else typed(control, rule.rule, rng)
    low = control.low / 1000 if rule.low_open else rule.low
    if rng.random() < 0.2:
        return float(rng.choice([low, rule.high]))
    high = 1000.0 if math.isinf(rule.high) else rule.high
    if control.log and low > 0:
        return float(low * (high / low) ** rng.random())
    return float(rng.uniform(low, high))


def drawn(kind, rng, rate, beyond=False, **fixed):
    """A processor with settings drawn at random: from its sliders' stops, or from all that its rules allow.

    Half of all knees are hard or nearly so, where a loop has its corners.
    """
    settings = dict(fixed)
    for control in controls_for(kind):
        name = control.field
        if name in fixed:
            continue
        if not isinstance(control, Control):
            settings[name] = control.options[rng.integers(len(control.options))][1]
        elif name == "knee_db" and rng.random() < 0.5:
            settings[name] = float(rng.choice([0.0, 0.0, 1e-12, 1e-11, 1e-6] if beyond else [0.0, 0.5]))
        else:
            rule = rules_of(kind).get(name) if beyond else None
            stops = control.stops()
            settings[name] = stops[rng.integers(len(stops))] if rule is None else typed(control, rule, rng)
        if control.field.endswith("freq_hz") or control.field.endswith("highpass_hz"):
            settings[name] = settings[name] and min(settings[name], 0.45 * rate)
    return kind(**settings)


@cache
def take(name) -> Clip:
    return shipped(name).clip


@cache
def sound(rate) -> Clip:
    """Speech, noise that swells over 60 dB, and silence, 3 s at a time (2 s at the highest rate): more than the solver takes
    at once, but at the lowest rate.
    """
    rng = np.random.default_rng(rate)
    speech = take("lesson_verse_faulty")
    part_s = 3 if rate < max(RATES) else 2
    t = np.arange(part_s * rate) / rate
    noise = rng.uniform(-1, 1, len(t)) * 10 ** ((-30 + 30 * np.sin(np.pi * t / part_s - np.pi / 2)) / 20)
    silence = np.zeros(part_s * rate)
    spoken = [np.interp(t + start_s, speech.times_s(), speech.columns[:, 0]) for start_s in (1.0, 7.0)]
    return Clip(np.concatenate([spoken[0], silence, noise, silence, spoken[1], noise]), rate)


def rates_of(case) -> tuple:
    """44.1 kHz for each, and the lowest or the highest in turns."""
    return 44_100, (min(RATES), max(RATES))[list(KINDS).index(case) % 2]


def draws(*of):
    """Random numbers that depend on what they are for, the same in every run."""
    return np.random.default_rng(zlib.crc32(" ".join(map(str, of)).encode()))


def hold(processor, detector_db, reduction_db, rate):
    """Assert that a reduction is finite, in range, and the plain loop's."""
    assert np.isfinite(reduction_db).all() and reduction_db.min() >= 0, processor
    off = np.abs(reduction_db - plain_reduction(processor, detector_db, rate)).max()
    assert off < TOLERANCE_DB, (processor, off)


def hold_applied(processor, clip):
    """Assert what :func:`hold` does of a processor that is applied to a clip, and that its output is finite."""
    try:
        result = processor.apply(clip)
    except ValueError as error:
        pytest.fail(f"{processor}: {error}")
    assert np.isfinite(result.output.samples).all(), processor
    hold(processor, result.detector_db[: clip.frames], result.reduction_db, clip.rate)
    if isinstance(processor, DeEsser):
        assert np.abs(result.detector_db - plain_hiss_db(processor, clip)).max() < 1e-6, processor


# -------------------------------------------------------------------------------------------------------- whole takes


def test_every_processor_is_drawn_from():
    assert set(PROCESSORS.values()) == {kind for kind, _ in KINDS.values()} | set(OTHERS.values())
    assert set(PROCESSORS.values()) <= set(CONTROLS)


@pytest.mark.parametrize("name", [TAKES[0], *ci_only(TAKES[1:])])
@pytest.mark.parametrize("case", KINDS)
def test_any_setting_on_a_whole_take(case, name):
    kind, fixed = KINDS[case]
    rng = draws(case, name)
    for beyond in (False, True) if IN_CI else (TAKES.index(name) % 2 == 1,):
        hold_applied(drawn(kind, rng, take(name).rate, beyond, **fixed), take(name))


@pytest.mark.parametrize("name", TAKES)
def test_a_hard_feedback_loop_with_a_slow_attack_and_a_quick_release(name):
    """A release quicker than the attack: a step may rise and be held at once."""
    clip, rng = take(name), draws("hard feedback", name)
    detector_db = Compressor(-20, 3, 5, 80).detect_db(clip.columns, clip.rate)
    for _ in range(8):
        threshold_db, ratio = rng.uniform(-60, -5), float(rng.choice([2, 4, 6, 10, 30]))
        attack_ms, release_ms = 10 ** rng.uniform(1, 2.3), 10 ** rng.uniform(0.7, 1.3)
        processor = FetCompressor(threshold_db, ratio, attack_ms, release_ms)
        hold(processor, detector_db, processor.reduction_db(detector_db, clip.rate), clip.rate)


@pytest.mark.parametrize(
    "processor",
    [
        FetCompressor(-18, 6, 30, 5),
        Compressor(-30, 4, 5, 1, topology="feedback"),
        Compressor(-32, math.inf, 1.8, 165, 1e-12, topology="feedback"),
        Compressor(-45, math.inf, 21.6, 99, 1e-12, topology="feedback"),
        Compressor(-30, math.inf, 31.6, 94, 1e-11, topology="feedback"),
        Compressor(-14.2, math.inf, 183.4, 64.3, topology="feedback"),
        Compressor(-11.7, 1.1, 0.45, 3_788, 1e-3, topology="feedback"),
    ],
    ids=lambda processor: f"{type(processor).__name__}, knee {getattr(processor, 'knee_db', 0.0):g}",
)
@pytest.mark.parametrize("name", ("lesson_verse_clean", "second_verse_clean"))
def test_settings_that_once_gave_nan_or_infinity_or_took_long(monkeypatch, name, processor):
    walks = []
    real = recursion._walk
    monkeypatch.setattr(recursion, "_walk", lambda *args: walks.append(1) or real(*args))
    hold_applied(processor, take(name))
    assert len(walks) <= 100


# -------------------------------------------------------------------------------------------------------- three rates


@pytest.mark.parametrize(
    "case, rate",
    # The detector is no recursion of the solver's: both kinds at the highest rate only in full.
    [pytest.param(case, rate, marks=[pytest.mark.ci] * (rate != 44_100)) for case in KINDS for rate in rates_of(case)],
)
def test_any_setting_on_speech_noise_and_silence(case, rate):
    kind, fixed = KINDS[case]
    clip, rng = sound(rate), draws(case, rate)
    for beyond in (False, True) if IN_CI or rate == min(RATES) else (bool(rng.random() < 0.5),):
        processor = drawn(kind, rng, rate, beyond, **fixed)
        if rate < max(RATES):
            hold_applied(processor, clip)
        else:
            # No sound made of it: oversampled, that would take longer than all the rest.
            if kind is DeEsser:
                detector_db = processor.detector_db(clip)
            else:
                detector_db = processor.detect_db(clip.columns, rate)
            hold(processor, detector_db, processor.reduction_db(detector_db, rate), rate)


@pytest.mark.parametrize("rate", [48_000, *ci_only(RATES)])
@pytest.mark.parametrize("name", OTHERS)
def test_what_has_no_recursion_of_its_own_gives_finite_output_too(name, rate):
    clip = take("second_verse_faulty") if rate == 48_000 else sound(rate).cut(1, 6)
    rng = draws(name, rate)
    for beyond in (False, True) if IN_CI or rate < 48_000 else (False,):
        processor = drawn(OTHERS[name], rng, rate, beyond)
        outcome = processor.apply(clip)
        samples = getattr(outcome, "output", outcome).samples
        assert np.isfinite(samples).all() and samples.shape == clip.samples.shape, processor


# ------------------------------------------------------------------------------------------- the solver's own promises


def speech_levels(frames=9_000):
    return Compressor(-20, 3, 5, 80).detect_db(take("lesson_verse_clean").columns[100_000 : 100_000 + frames], 48_000)


ATTACK, RELEASE = coefficient(30, 48_000), coefficient(5, 48_000)
WALKED = {
    "branching": lambda level: (
        smooth_branching(level + 60, ATTACK, RELEASE, 2.0),
        branching(level + 60, ATTACK, RELEASE, 2.0),
    ),
    "branching, varied": lambda level: (
        smooth_branching(level + 60, np.full(len(level), ATTACK), RELEASE, 2.0),
        branching(level + 60, ATTACK, RELEASE, 2.0),
    ),
    "feedback, hard": lambda level: (
        smooth_feedback(level, ATTACK, RELEASE, -40.0, 0.8, 0.0, 2.0),
        feedback_loop(level, ATTACK, RELEASE, -40.0, 0.8, 0.0, 2.0),
    ),
    "feedback, soft": lambda level: (
        smooth_feedback(level, ATTACK, RELEASE, -40.0, 0.8, 6.0, 2.0),
        feedback_loop(level, ATTACK, RELEASE, -40.0, 0.8, 6.0, 2.0),
    ),
}


@pytest.mark.parametrize("case", WALKED)
@pytest.mark.parametrize("told", [math.nan, math.inf, *ci_only([-1e300, 1e300, 1.0, 0.0])])
def test_wrong_slopes_cost_time_and_no_truth(monkeypatch, case, told):
    """Whatever a walker tells of its slope, the answer is the step's own."""
    real = recursion._walk

    def walk(walker, first, *rest):
        walker.slope = lambda: np.full(len(first), told)
        return real(walker, first, *rest)

    monkeypatch.setattr(recursion, "_walk", walk)
    fast, plain = WALKED[case](speech_levels())
    assert np.abs(fast - plain).max() < TOLERANCE_DB


@pytest.mark.parametrize("case", WALKED)
def test_too_many_walks_end_in_taking_the_frames_in_turn(monkeypatch, case):
    turns = []
    real = recursion._take_in_turn
    monkeypatch.setattr(recursion, "_take_in_turn", lambda *args: turns.append(1) or real(*args))
    monkeypatch.setattr(recursion, "MOST_WALKS", 0)
    fast, plain = WALKED[case](speech_levels())
    assert np.abs(fast - plain).max() < TOLERANCE_DB and turns


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e308, -1e308])
def test_a_guess_that_is_useless_is_no_answer(monkeypatch, bad):
    """The walkers of the first guess may be rough: as rough as this."""
    level = speech_levels(20_000)
    target = static_reduction(level, -40.0, 0.8, 0.0)

    def make_walker(stride, rows):
        walker = recursion._Branching(ATTACK, RELEASE, rows)
        if stride > 1:
            walker.step = lambda previous, out, target: out.fill(bad)
        return walker

    with np.errstate(all="ignore"):
        fast = recursion.solve(make_walker, (target,), 2.0)
    assert np.abs(fast - branching(target, ATTACK, RELEASE, 2.0)).max() < TOLERANCE_DB


@pytest.mark.parametrize("attack, release", [(ATTACK, RELEASE), (RELEASE, ATTACK), (0.999999, 0.0), (0.0, 0.999999)])
def test_every_step_counts_once_in_the_slope(rng, attack, release):
    """States that are a rounding off 0 or off the target, where a step can be taken for two kinds at once."""
    steps = 300
    previous = np.concatenate([[0.0, -1e-300, -1e-17, 1e-17, -1e-9, 1e-9, 3.0, np.nextafter(3.0, 0)], rng.random(200)])
    slope = 0.8
    closed = [a * (1 - slope) / (1 - a * slope) for a in (attack, release)]
    for target in (0.0, 1e-17, 3.0):
        walkers = {
            "branching": recursion._Branching(attack, release, len(previous)),
            "hard": recursion._FlooredBranching(*closed, release, len(previous)),
        }
        for name, walker in walkers.items():
            out = np.empty(len(previous))
            y = previous
            for _ in range(steps):
                walker.step(y, out, np.full(len(previous), target))
                y = out.copy()
            told = walker.slope()
            assert np.isfinite(told).all() and told.min() >= 0 and told.max() <= 1, (name, target)


@pytest.mark.parametrize("knee_db", (1e-12, 1e-11, 1e-6, 12.0))
@pytest.mark.parametrize("slope", (0.5, 1.0))
def test_a_soft_knees_slopes_stay_within_0_and_1(rng, slope, knee_db):
    """But for rounding, which the solver cuts off: they must not grow by steps."""
    level = rng.uniform(-60, 0, (300, 200))
    a = coefficient(np.array([5_000.0, 0.1]), 192_000)
    walker = recursion._SoftFeedback(*a, -30.0, slope, knee_db, 200)
    y = rng.uniform(0, 30, 200)
    for now in level:
        out = np.empty(200)
        walker.step(y, out, static_reduction(now, -30.0, slope, knee_db), now)
        y = out
        told = walker.slope()
        assert np.isfinite(told).all() and np.abs(told).max() <= 1


def test_a_bend_too_narrow_to_divide_by_is_a_corner():
    levels = np.array([-200.0, -28.0, -27.0, 0.0, 24.0])
    with np.errstate(all="raise"):
        asked = TubeCompressor(-28, ratio=4, bend_db=1e-310).target_reduction_db(levels)
    assert np.abs(asked - 0.75 * np.maximum(levels + 28, 0)).max() < 1e-12
