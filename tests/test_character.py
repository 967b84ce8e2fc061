"""The compressor types against plain loops of their equations, and what each type is known for, measured."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from conftest import one_sentence, sine
from hypothesis import given
from hypothesis import strategies as st
from takes import ci_only

from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.character import (
    CHARACTERS,
    FetCompressor,
    OptoCompressor,
    TubeCompressor,
    VcaCompressor,
    character,
)
from vocomp_lab.processors.colour import Colour
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip

RATE = 48_000
KINDS = tuple(CHARACTERS)


def swelling(seed=5, frames=30_000):
    """Noise whose level goes up and down by 40 dB."""
    rng = np.random.default_rng(seed)
    level_db = -25 + 20 * np.sin(np.arange(frames) / 2_000) + np.repeat(rng.uniform(-8, 8, frames // 500), 500)
    return rng.uniform(-1, 1, frames) * 10 ** (level_db / 20)


def one_pole(ms):
    return math.exp(-1 / (ms / 1000 * RATE))


def knee(x, threshold, ratio, width):
    """Giannoulis, Massberg & Reiss (2012), eq. 4, as reduction."""
    if 2 * (x - threshold) < -width:
        return 0.0
    if width > 0 and 2 * (x - threshold) <= width:
        return (1 - 1 / ratio) * (x - threshold + width / 2) ** 2 / (2 * width)
    return max((1 - 1 / ratio) * (x - threshold), 0.0)


def branching(x, y, attack, release):
    a = attack if x > y else release
    return a * y + (1 - a) * x


def vca_loop(c, samples):
    mean, r, out = 0.0, 0.0, []
    b = one_pole(c.rms_ms)
    for x in samples:
        mean = b * mean + (1 - b) * x * x
        asked = knee(max(10 * math.log10(max(mean, 1e-30)), -200), c.threshold_db, c.ratio, c.knee_db)
        r = branching(asked, r, one_pole(c.attack_ms), one_pole(c.release_ms))
        out.append(r)
    return out


def fet_loop(c, samples):
    """The feedback loop closed by bisection: r fits C(v) at the input v whose settled output is x − r."""
    r, out = 0.0, []
    for x in samples:
        level = max(20 * math.log10(max(abs(x), 1e-30)), -200)
        a = one_pole(c.attack_ms if knee(level, c.threshold_db, c.ratio, 0) > r else c.release_ms)
        # For a new r the output is x − r, and a settled loop with that output reduces by
        # (ratio − 1)·(output − threshold).
        low, high = 0.0, 400.0
        for _ in range(70):
            new = (low + high) / 2
            wanted = (c.ratio - 1) * max(level - new - c.threshold_db, 0.0)
            # What the loop gives for an output of level − new, where the target is C(v) = wanted.
            low, high = (new, high) if a * r + (1 - a) * wanted > new else (low, new)
        r = (low + high) / 2
        out.append(r)
    return out


def opto_loop(c, samples):
    fast = memory = tail = 0.0
    out = []
    b = one_pole(c.memory_ms)
    for x in samples:
        asked = knee(max(20 * math.log10(max(abs(x), 1e-30)), -200), c.threshold_db, c.ratio, c.knee_db)
        fast = branching(asked, fast, one_pole(c.attack_ms), one_pole(c.release_ms))
        memory = b * memory + (1 - b) * fast
        tail = branching(fast / 2, tail, b, one_pole(c.tail_ms * (1 + 0.1 * memory)))
        out.append(max(fast, tail))
    return out


def tube_loop(c, samples):
    r = memory = 0.0
    out = []
    b = one_pole(c.memory_ms)
    for x in samples:
        over = max(20 * math.log10(max(abs(x), 1e-30)) - c.threshold_db, 0.0)
        asked = (1 - 1 / c.ratio) * (over - c.bend_db * math.log(1 + over / c.bend_db))
        memory = b * memory + (1 - b) * asked
        r = branching(asked, r, one_pole(c.attack_ms / (1 + asked / 6)), one_pole(c.release_ms * (1 + memory / 6)))
        out.append(r)
    return out


LOOPS = {"vca": vca_loop, "fet": fet_loop, "opto": opto_loop, "tube": tube_loop}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("settings", [{}, {"attack_ms": 0.1, "release_ms": 400, "ratio": 8, "threshold_db": -40}])
def test_the_reduction_is_that_of_a_plain_loop_of_the_equations(kind, settings, deviation):
    model = character(kind, **settings)
    samples = swelling()
    reduction_db = model.apply(Clip(samples, RATE)).reduction_db
    off = reduction_db - LOOPS[kind](model, samples.tolist())
    deviation("reduction of the four compressor types", "plain loops of their equations", off, 1e-9, "dB")
    assert reduction_db.max() > 3


@pytest.mark.parametrize("kind", KINDS)
def test_the_output_is_gain_then_colour_then_make_up_then_mix(kind):
    model = character(kind, makeup_db=4, mix=0.7)
    clip = Clip(swelling(), RATE)
    result = model.apply(clip)
    wet = clip.samples * 10 ** (-result.reduction_db / 20)
    if kind in ("fet", "tube"):
        wet = Colour(model.drive_db, {"fet": 0.03, "tube": math.sqrt(1 / 3)}[kind]).apply(Clip(wet, RATE)).samples
    assert np.abs(result.output.samples - (0.7 * 10**0.2 * wet + 0.3 * clip.samples)).max() < 1e-7
    assert np.array_equal(replace(model, mix=0).apply(clip).output.samples, clip.samples)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("ratio", (1.0, 2.0, 8.0, math.inf))
def test_static_curves_rise_never_above_the_input_and_are_where_a_steady_sound_settles(kind, ratio):
    model = character(kind, ratio=ratio, threshold_db=-30, attack_ms=1, release_ms=20)
    levels = np.linspace(-90, 24, 1_141)
    curve = model.static_curve(levels)
    assert np.all(np.diff(curve) >= -1e-9) and np.all(curve <= levels)
    if ratio == 1:
        assert np.array_equal(curve, levels)
    assert model.static_curve(-math.inf) == -math.inf
    for level_db in (-35.0, -20.0, -6.0):
        square = 10 ** (level_db / 20) * np.where(np.arange(RATE) // 24 % 2, 1.0, -1.0)
        settled = level_db - model.apply(Clip(square, RATE)).reduction_db[-1]
        assert settled == pytest.approx(model.static_curve(level_db), abs=1e-6)


def test_the_tubes_ratio_grows_with_the_level_up_to_the_stated_one():
    model = TubeCompressor(threshold_db=-30, ratio=6, bend_db=12)
    levels = np.array([-29.0, -18.0, 0.0, 400.0])
    ratios = 0.01 / (model.static_curve(levels + 0.01) - model.static_curve(levels))
    assert np.all(np.diff(ratios) > 0)
    # Half of the full slope, 12 dB over the threshold: 1/(1 − (1 − 1/6)/2).
    assert ratios[1] == pytest.approx(1 / (1 - (5 / 6) / 2), rel=1e-3)
    assert 5.2 < ratios[3] < 6


@given(gain_db=st.floats(-20, 20), kind=st.sampled_from(KINDS))
def test_a_louder_take_with_the_threshold_moved_along_is_reduced_alike(gain_db, kind):
    model = character(kind, threshold_db=-40)
    clip = Clip(swelling(frames=4_000), RATE)
    moved = replace(model, threshold_db=-40 + gain_db).apply(clip.gained(gain_db))
    assert np.abs(moved.reduction_db - model.apply(clip).reduction_db).max() < 1e-6


@pytest.mark.parametrize("kind", KINDS)
def test_silence_a_single_sample_and_several_channels(kind):
    model = character(kind)
    silent = model.apply(Clip(np.zeros(500), RATE))
    assert not silent.output.samples.any() and not silent.reduction_db.any()
    assert model.apply(Clip([0.5], 8_000)).output.frames == 1
    loud, soft = swelling(1, 5_000), 0.01 * swelling(2, 5_000)
    both = model.apply(Clip(np.stack([loud, soft], axis=1), RATE))
    assert both.output.samples.shape == (5_000, 2) and both.reduction_db.shape == (5_000,)
    # Channels are linked by the loudest, or by the mean square: the soft one is turned down with the loud one.
    assert both.reduction_db.min() >= 0 and both.reduction_db.max() > 1
    if kind != "vca":
        assert np.abs(both.reduction_db - model.apply(Clip(loud, RATE)).reduction_db).max() < 1e-9


def burst(loud_s, after_s, level_db):
    """A square wave, loud for a while and then silent: after it, the reduction is the release and nothing else."""
    frames = int(loud_s * RATE)
    wave = 10 ** (level_db / 20) * np.where(np.arange(frames) // 24 % 2, 1.0, -1.0)
    return Clip(np.concatenate([wave, np.zeros(int(after_s * RATE))]), RATE), frames


def time_down_to(reduction_db, start, share):
    """Milliseconds from `start` until the reduction has fallen to this share."""
    return 1000 * np.argmax(reduction_db[start:] <= share * reduction_db[start - 1]) / RATE


def test_the_opto_lets_go_of_half_quickly_and_of_the_rest_slowly():
    clip, end = burst(5, 8, -6)
    reduction_db = OptoCompressor().apply(clip).reduction_db
    to_half, to_tenth = (time_down_to(reduction_db, end, share) for share in (0.501, 0.1))
    # e^(−t/60 ms) is one half after 41.6 ms; from there to a tenth, a single stage would take another 97 ms.
    assert 40 < to_half < 70
    assert to_tenth > 10 * to_half
    print(f"opto: to half {to_half:.0f} ms, to a tenth {to_tenth:.0f} ms")


def test_the_opto_remembers_how_long_and_how_deep():
    model = OptoCompressor()
    times = {}
    for name, loud_s, level_db in [("short", 0.08, -6), ("long", 5, -6), ("long and soft", 5, -18)]:
        clip, end = burst(loud_s, 8, level_db)
        times[name] = time_down_to(model.apply(clip).reduction_db, end, 0.1)
    print("opto, release to a tenth in ms:", {name: round(ms) for name, ms in times.items()})
    assert times["short"] < 0.4 * times["long and soft"] < 0.4 * times["long"]


def test_the_tube_lets_go_more_slowly_after_a_loud_stretch_and_grips_faster_when_louder():
    model = TubeCompressor()
    times = []
    for loud_s in (0.05, 5):
        clip, end = burst(loud_s, 4, -6)
        times.append(time_down_to(model.apply(clip).reduction_db, end, 0.37))
    assert times[1] > 1.5 * times[0]
    rises = []
    for level_db in (-20, 0):
        clip, end = burst(0.5, 0.01, level_db)
        reduction_db = model.apply(clip).reduction_db
        rises.append(np.argmax(reduction_db[:end] >= 0.632 * reduction_db[end - 1]) / RATE * 1000)
    assert rises[1] < 0.6 * rises[0]


def test_the_fet_is_faster_than_its_attack_says():
    clip, end = burst(0.2, 0.01, 0)
    reduction_db = FetCompressor(attack_ms=1, ratio=4).apply(clip).reduction_db
    reached_ms = np.argmax(reduction_db >= 0.632 * reduction_db[end - 1]) / RATE * 1000
    assert reached_ms < 0.4


def harmonics_db(model, level_db=-6):
    """Second and third harmonic of a settled 1 kHz tone relative to the fundamental."""
    out = replace(model, release_ms=3_000).apply(Clip(sine(1_000, 12, RATE, level_db), RATE)).output.samples
    lines = np.abs(np.fft.rfft(out[-RATE:]))
    return [20 * math.log10(max(lines[n * 1_000], 1e-30) / lines[1_000]) for n in (2, 3)]


def test_each_type_colours_in_its_own_way():
    second, third = harmonics_db(replace(VcaCompressor(), rms_ms=200, attack_ms=50))
    assert max(second, third) < -80
    fet = harmonics_db(FetCompressor())
    assert -60 < fet[1] < -25 and fet[1] > fet[0] > -70
    tube = harmonics_db(TubeCompressor())
    assert -60 < tube[0] < -25 and tube[0] > tube[1] + 10
    print(f"second and third harmonic: vca {second:.0f}, {third:.0f}; fet {fet}; tube {tube}")


@pytest.mark.parametrize("kind", ("fet", "tube"))
@pytest.mark.parametrize("freq_hz", [7_001, *ci_only((3_001, 9_973))])
def test_aliasing_of_the_coloured_types_stays_under_80_db(kind, freq_hz):
    model = character(kind, threshold_db=-12, release_ms=20_000, attack_ms=5, drive_db=6)
    out = model.apply(Clip(sine(freq_hz, 60, RATE, 0.0), RATE)).output.samples
    # The highest samples of such a tone beat with the rate (16 · 3,001 − 48,000 = 16 Hz), and the gain follows: what
    # lies within 60 Hz of a harmonic comes from the detector, not the curve.
    lines = np.abs(np.fft.rfft(out[-RATE:] * np.blackman(RATE)))
    fundamental = lines[freq_hz]
    away = np.ones(len(lines), bool)
    for n in range(0, len(lines), freq_hz):
        away[max(n - 60, 0) : n + 61] = False
    assert 20 * math.log10(lines[away].max() / fundamental) < -80


def test_the_types_work_on_a_voice_and_differ():
    clip = shipped("lesson_verse_faulty").clip.cut(1.0, 5.0)
    reductions = [character(kind, threshold_db=-24).apply(clip).reduction_db for kind in KINDS]
    for n, one in enumerate(reductions):
        assert 1 < one.max() < 40
        for other in reductions[n + 1 :]:
            assert np.sqrt(np.mean((one - other) ** 2)) > 0.3


def test_sheets_hold_every_type():
    chain = Chain([(kind, character(kind, ratio=math.inf)) for kind in KINDS])
    text = chain.to_json()
    assert Chain.from_json(text) == chain
    assert [stage["type"] for stage in json.loads(text)["stages"]] == [kind.__name__ for kind in CHARACTERS.values()]


def test_what_is_unknown_is_refused():
    with pytest.raises(ValueError) as caught:
        character("valve")
    one_sentence(caught, "kind: 'valve'", "'vca'", "'tube'")
    with pytest.raises(ValueError) as caught:
        character("vca", drive_db=3)
    one_sentence(caught, "drive_db: ", "VcaCompressor", "threshold_db")
