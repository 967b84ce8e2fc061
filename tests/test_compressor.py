"""The compressor against the paper's equations, closed forms, and properties that hold for any setting and sound."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from conftest import one_sentence, rms_db, sine
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.signal import butter, sosfilt

from vocomp_lab.processors.compressor import FLOOR_DB, Compressor
from vocomp_lab.sound.audio import Clip

RATIOS = (1.0, 1.5, 2.0, 3.0, 4.0, 8.0, 20.0, math.inf)
KNEES = (0.0, 0.5, 6.0, 24.0, 48.0)


def paper_curve(x, threshold, ratio, width):
    """Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60(6), 2012, eq. 4, for one level, as it is printed."""
    if 2 * (x - threshold) < -width:
        return x
    if width > 0 and 2 * abs(x - threshold) <= width:
        return x + (1 / ratio - 1) * (x - threshold + width / 2) ** 2 / (2 * width)
    return threshold + (x - threshold) / ratio


def square(level_db, frames) -> np.ndarray:
    """A square wave of that peak level: its magnitude is constant, so a peak detector sees an exact step or plateau."""
    return 10 ** (level_db / 20) * np.where(np.arange(frames) // 24 % 2, 1.0, -1.0)


# ----------------------------------------------------------------------------------------------------- static curve


@pytest.mark.parametrize("knee_db", KNEES)
def test_static_curve_is_the_papers(knee_db, deviation):
    for threshold_db, ratio in itertools.product((-60.0, -18.0, 0.0), RATIOS):
        compressor = Compressor(threshold_db, ratio, 5, 80, knee_db)
        levels = np.concatenate(
            [
                np.linspace(-120, 24, 577),
                threshold_db + np.array([-1, 0, 1]) * knee_db / 2,
                [threshold_db - knee_db / 2 - 1e-9],
            ]
        )
        expected = np.array([paper_curve(level, threshold_db, ratio, knee_db) for level in levels.tolist()])
        off = compressor.static_curve(levels) - expected
        deviation("static curve, hard and soft knee", "Giannoulis, Massberg & Reiss (2012), eq. 4", off, 1e-10, "dB")
        assert np.abs(compressor.static_curve(levels.reshape(-1, 1)) - expected[:, None]).max() < 1e-10
        one = compressor.static_curve(-7)
        assert type(one) is float and one == pytest.approx(paper_curve(-7.0, threshold_db, ratio, knee_db), abs=1e-10)


def test_static_curve_of_silence_is_silence_and_make_up_is_left_out():
    assert Compressor(-20, 4, 5, 80, 6).static_curve(-math.inf) == -math.inf
    assert Compressor(-20, 4, 5, 80, makeup_db=12).static_curve(0.0) == -15.0
    assert Compressor(-20, math.inf, 5, 80).static_curve([0.0, -10.0]).tolist() == [-20.0, -20.0]


@pytest.mark.parametrize("topology", ["feedforward", "feedback"])
@pytest.mark.parametrize("detector", ["peak", "rms"])
@pytest.mark.parametrize("ratio", (1.5, 4.0, math.inf))
@pytest.mark.parametrize("knee_db", (0.0, 12.0))
def test_a_steady_sound_settles_on_the_static_curve(knee_db, ratio, detector, topology):
    """On either side of the gain element. A square wave has only one level: its peak and RMS are equal."""
    for level_db in (-30.0, -21.0, -17.0, -3.0):
        compressor = Compressor(-20, ratio, 1, 20, knee_db, detector=detector, rms_ms=5, topology=topology)
        result = compressor.apply(Clip(square(level_db, 48_000), 48_000))
        settled_db = 20 * math.log10(abs(result.output.samples[-1]))
        assert settled_db == pytest.approx(paper_curve(level_db, -20, ratio, knee_db), abs=1e-6)
        assert result.detector_db[-1] == pytest.approx(level_db, abs=1e-6)


# ---------------------------------------------------------------------------------------------- attack and release


@pytest.mark.parametrize("rate", (8_000, 48_000, 192_000))
@pytest.mark.parametrize("time_ms", (0.5, 10.0, 100.0))
def test_attack_and_release_follow_the_closed_form(time_ms, rate):
    """A step of c dB in the target reaches c·(1 − e^(−t/τ)); afterwards it decays as c·e^(−t/τ)."""
    frames = int(6 * time_ms / 1000 * rate)
    clip = Clip(np.concatenate([np.full(frames, 1.0), np.zeros(frames)]), rate)
    reduction_db = Compressor(-20, 4, time_ms, time_ms * 3).apply(clip).reduction_db
    t_ms = (np.arange(frames) + 1) / rate * 1000
    rise = 15 * (1 - np.exp(-t_ms / time_ms))
    assert np.abs(reduction_db[:frames] - rise).max() < 1e-9
    assert np.abs(reduction_db[frames:] - rise[-1] * np.exp(-t_ms / (3 * time_ms))).max() < 1e-9


def test_63_and_90_percent_of_a_step():
    """63.2 % after τ and 90 % after 2.303 τ: the trade's two definitions of an attack time."""
    rate, attack_ms = 48_000, 20.0
    reduction_db = Compressor(-40, 2, attack_ms, 500).apply(Clip(np.ones(rate), rate)).reduction_db
    frame_ms = 1000 / rate
    assert (np.argmax(reduction_db >= 20 * (1 - 1 / math.e)) + 1) * frame_ms == pytest.approx(
        attack_ms, abs=1.01 * frame_ms
    )
    assert (np.argmax(reduction_db >= 20 * 0.9) + 1) * frame_ms == pytest.approx(
        attack_ms * math.log(10), abs=1.01 * frame_ms
    )


@pytest.mark.parametrize("ratio", (2.0, 4.0, 10.0))
def test_feedback_corrects_its_own_error_and_is_faster_by_the_ratio(ratio):
    """r' = (C(v) − r)/τ with C(v) = (R − 1)·(x − T − r) gives a time constant τ/R: hard knee, output always over the
    threshold.

    (After a long step down the output lies below the threshold, and the release runs at its own τ until it is back.)
    """
    rate, attack_ms, release_ms = 192_000, 40.0, 100.0
    clip = Clip(np.concatenate([square(-20, rate), square(-18, rate), square(-20, rate)]), rate)
    r = Compressor(-40, ratio, attack_ms, release_ms, topology="feedback").apply(clip).reduction_db
    low, high = r[rate - 1], r[2 * rate - 1]
    assert (low, high) == pytest.approx((20 * (1 - 1 / ratio), 22 * (1 - 1 / ratio)), abs=1e-6)
    rise_ms = np.argmax(r[rate:] >= high - (high - low) / math.e) / rate * 1000
    fall_ms = np.argmax(r[2 * rate :] <= low + (high - low) / math.e) / rate * 1000
    assert rise_ms == pytest.approx(attack_ms / ratio, rel=0.01)
    assert fall_ms == pytest.approx(release_ms / ratio, rel=0.01)


def test_decoupled_ballistics_equal_a_loop(rng):
    """Giannoulis, Massberg & Reiss (2012), eq. 17: the release stage first, then the attack stage on what it holds."""
    rate = 48_000
    clip = Clip(rng.standard_normal(12_000) * np.repeat([0.05, 0.8, 0.1], 4_000), rate)
    result = Compressor(-24, 3, 8, 60, ballistics="decoupled").apply(clip)
    up, down = math.exp(-1 / (0.008 * rate)), math.exp(-1 / (0.060 * rate))
    held = y = 0.0
    expected = []
    for x in np.abs(clip.samples).tolist():
        level = 20 * math.log10(max(x, 1e-10))
        demand = level - paper_curve(level, -24, 3, 0)
        held = max(demand, down * held + (1 - down) * demand)
        y = up * y + (1 - up) * held
        expected.append(y)
    assert np.abs(result.reduction_db - expected).max() < 1e-10
    branching = Compressor(-24, 3, 8, 60).apply(clip).reduction_db
    assert np.abs(result.reduction_db - branching).max() > 0.5  # or the test couldn't tell the two apart


# -------------------------------------------------------------------------------------------------------- detectors


@pytest.mark.parametrize("rate", (8_000, 48_000, 192_000))
def test_rms_of_a_sine_reads_3_db_under_its_peak(rate):
    clip = Clip(sine(1000, 1.0, rate, -10), rate)
    detector_db = Compressor(-60, 2, 5, 50, detector="rms", rms_ms=50).apply(clip).detector_db
    # A running mean leaves a ripple of 2 × 1 kHz: 1/(2π·2000 Hz·50 ms) of the mean, 0.007 dB.
    assert np.abs(detector_db[-rate // 10 :] - (-10 - 20 * math.log10(math.sqrt(2)))).max() < 0.01
    peak_db = Compressor(-60, 2, 5, 50).apply(clip).detector_db
    assert peak_db.max() == pytest.approx(-10, abs=0.01 if rate > 8_000 else 0.7)


def test_rms_time_constant():
    """The mean square of a step is A²·(1 − e^(−t/τ)): 63.2 % of the power, −1.99 dB, after one time constant."""
    rate, rms_ms = 48_000, 30.0
    frames = rate // 2
    detector_db = (
        Compressor(-60, 2, 5, 50, detector="rms", rms_ms=rms_ms).apply(Clip(np.full(frames, 0.5), rate)).detector_db
    )
    t_ms = (np.arange(frames) + 1) / rate * 1000
    expected = 20 * math.log10(0.5) + 10 * np.log10(1 - np.exp(-t_ms / rms_ms))
    assert np.abs(detector_db - expected).max() < 1e-9
    assert np.interp(rms_ms, t_ms, detector_db) - 20 * math.log10(0.5) == pytest.approx(-1.99, abs=0.01)


def test_levels_of_silence_stop_at_a_floor_under_every_threshold():
    for detector in ("peak", "rms"):
        result = Compressor(-120, 20, 1, 10, 48, detector=detector).apply(Clip(np.zeros(100), 48_000))
        assert np.all(result.detector_db == FLOOR_DB) and not result.reduction_db.any()


def test_side_chain_high_pass_is_heard_by_the_detector_alone():
    rate = 48_000
    rumble, voice = sine(50, 1.0, rate, -6), sine(1000, 1.0, rate, -30)
    settings = dict(threshold_db=-24, ratio=4, attack_ms=1, release_ms=100)
    plain, filtered = (Compressor(**settings, sidechain_highpass_hz=corner) for corner in (None, 400))
    assert plain.apply(Clip(rumble + voice, rate)).reduction_db[rate // 2 :].min() > 5
    result = filtered.apply(Clip(rumble + voice, rate))
    # 36 dB of attenuation (12 dB per octave over three octaves) leave the rumble at −42 dB, under the threshold.
    assert result.reduction_db[rate // 100 :].max() < 1e-3
    assert np.allclose(
        result.output.samples[rate // 2 :], (rumble + voice)[rate // 2 :], rtol=2e-4
    )  # rumble still there
    heard = sosfilt(butter(2, 400, "highpass", fs=rate, output="sos"), rumble + voice)
    assert np.abs(result.detector_db - 20 * np.log10(np.maximum(np.abs(heard), 1e-10))).max() < 1e-6
    assert filtered.apply(Clip(10 * voice, rate)).reduction_db[rate // 2 :].min() > 7  # the voice is still compressed


def test_a_side_chain_corner_over_half_the_rate_is_refused_when_applied():
    with pytest.raises(ValueError) as caught:
        Compressor(-20, 3, 5, 80, sidechain_highpass_hz=4_000).apply(Clip(np.zeros(10), 8_000))
    one_sentence(caught, "sidechain_highpass_hz: 4000 Hz", "8000 Hz")


# ------------------------------------------------------------------------------------------- look-ahead, mix, channels


@pytest.mark.parametrize("rate", (8_000, 44_100, 192_000))
@pytest.mark.parametrize("topology, detector", [("feedforward", "peak"), ("feedforward", "rms"), ("feedback", "peak")])
def test_look_ahead_moves_the_reduction_and_not_the_sound(topology, detector, rate):
    lookahead_ms = 10.0
    ahead = round(lookahead_ms * rate / 1000)
    step = rate // 4
    clip = Clip(np.concatenate([square(-40, step), square(-6, step)]), rate)
    settings = dict(threshold_db=-20, ratio=4, attack_ms=3, release_ms=80, topology=topology, detector=detector)
    now, early = (Compressor(**settings, lookahead_ms=ms).apply(clip) for ms in (0, lookahead_ms))
    first = [int(np.argmax(result.reduction_db > 1e-6)) for result in (now, early)]
    assert first[0] - first[1] == ahead
    # Only shifted; at the very end the detector hears the silence after the clip.
    assert np.abs(early.reduction_db[: -ahead or None] - now.reduction_db[ahead:]).max() < 1e-9
    for result in (now, early):
        gain = 10 ** (-result.reduction_db / 20)
        assert np.abs(result.output.samples - clip.samples * gain).max() < 1e-12
        assert result.output.frames == len(result.reduction_db) == len(result.detector_db) == clip.frames


def test_look_ahead_longer_than_the_clip():
    result = Compressor(-20, 4, 1, 80, lookahead_ms=100).apply(Clip([0.5, 0.5], 48_000))
    assert result.output.frames == 2 and result.reduction_db.max() >= 0


@pytest.mark.parametrize("lookahead_ms", (0.0, 7.3))
@pytest.mark.parametrize("mix", (0.5, 0.3, 1.0))
def test_the_two_paths_of_a_mix_are_aligned(rng, mix, lookahead_ms):
    """The null test: where nothing is reduced, wet and dry add up to the input. A path late by one frame would not."""
    clip = Clip(rng.uniform(-1, 1, (4_000, 2)), 48_000)
    for idle in (
        Compressor(-40, 1, 1, 50, lookahead_ms=lookahead_ms, mix=mix),
        Compressor(24, 9, 1, 50, lookahead_ms=lookahead_ms, mix=mix),
    ):
        assert np.abs(idle.apply(clip).output.samples - clip.samples).max() < 1e-15
    wet = Compressor(-40, 4, 1, 50, makeup_db=9, lookahead_ms=lookahead_ms).apply(clip).output.samples
    both = Compressor(-40, 4, 1, 50, makeup_db=9, lookahead_ms=lookahead_ms, mix=mix).apply(clip).output.samples
    assert np.abs(both - (mix * wet + (1 - mix) * clip.samples)).max() < 1e-14


def test_channels_are_linked(rng):
    rate = 48_000
    left, right = rng.standard_normal(6_000) * 0.3, sine(300, 0.125, rate, -30)
    for detector in ("peak", "rms"):
        compressor = Compressor(-20, 4, 2, 60, 6, detector=detector)
        both = compressor.apply(Clip(np.stack([left, right], axis=1), rate))
        swapped = compressor.apply(Clip(np.stack([right, left], axis=1), rate))
        assert np.array_equal(both.reduction_db, swapped.reduction_db)
        assert np.array_equal(both.output.samples, swapped.output.samples[:, ::-1])
        gain = 10 ** (-both.reduction_db / 20)
        assert np.abs(both.output.samples - both.source.samples * gain[:, None]).max() < 1e-12
        assert both.reduction_db[3_000:].max() > 1
    # Peak: the loudest channel decides. Two equal channels are reduced like one.
    alone = Compressor(-20, 4, 2, 60).apply(Clip(left, rate)).reduction_db
    loudest = Compressor(-20, 4, 2, 60).apply(Clip(np.stack([left, left / 2], axis=1), rate)).reduction_db
    assert np.abs(alone - loudest).max() < 1e-12
    for detector in ("peak", "rms"):
        compressor = Compressor(-20, 4, 2, 60, detector=detector)
        one, twin = compressor.apply(Clip(left, rate)), compressor.apply(Clip(np.stack([left, left], axis=1), rate))
        assert np.abs(one.reduction_db - twin.reduction_db).max() < 1e-10


def test_what_was_removed_and_what_was_kept_add_up(rng):
    clip = Clip(rng.standard_normal(5_000) * 0.5, 48_000)
    result = Compressor(-30, 4, 1, 40, makeup_db=8).apply(clip)
    assert np.abs(result.removed.samples + result.output.samples * 10 ** (-8 / 20) - clip.samples).max() < 1e-12
    assert result.source is clip and result.makeup_db == 8
    with pytest.raises(ValueError, match="read-only"):
        result.reduction_db[0] = 1.0


def test_make_up_gain_is_added_after_the_reduction():
    clip = Clip(sine(1000, 0.5, 48_000, -6), 48_000)
    plain, louder = (Compressor(-20, 4, 1, 50, makeup_db=gain).apply(clip) for gain in (0, 7.5))
    assert np.array_equal(plain.reduction_db, louder.reduction_db)
    assert rms_db(louder.output.samples) - rms_db(plain.output.samples) == pytest.approx(7.5, abs=1e-9)


def test_blocks_with_carried_state_equal_the_whole(rng):
    detector_db = 20 * np.log10(np.abs(rng.standard_normal(20_000)) + 1e-9) - 10
    for topology in ("feedforward", "feedback"):
        compressor = Compressor(-20, 5, 3, 90, 6, topology=topology)
        whole, state, parts = compressor.reduction_db(detector_db, 48_000), 0.0, []
        for block in np.split(detector_db, [1, 700, 701, 13_000]):
            parts.append(compressor.reduction_db(block, 48_000, state))
            state = parts[-1][-1]
        assert np.abs(np.concatenate(parts) - whole).max() < 1e-9


# -------------------------------------------------------------------------------------------- every setting, any sound

EDGES = [
    dict(),
    dict(ratio=math.inf, knee_db=48),
    dict(ratio=math.inf, attack_ms=0.01, topology="feedback"),
    dict(detector="rms", rms_ms=0.01, lookahead_ms=100),
    dict(detector="rms", rms_ms=1000, mix=0.5, sidechain_highpass_hz=100),
    dict(ballistics="decoupled", attack_ms=5000, release_ms=20_000),
    dict(threshold_db=-120, knee_db=48, makeup_db=48, topology="feedback"),
]


@pytest.mark.parametrize("rate", (8_000, 192_000))
@pytest.mark.parametrize("edge", EDGES, ids=lambda edge: ",".join(edge) or "plain")
def test_silence_single_frames_and_every_shape(rng, edge, rate):
    settings = dict(threshold_db=-30, ratio=4, attack_ms=5, release_ms=100) | edge
    compressor = Compressor(**settings)
    for shape in ((1,), (1, 1), (1, 6), (500,), (500, 1), (500, 6)):
        for samples in (np.zeros(shape), np.ones(shape), rng.uniform(-1, 1, shape)):
            result = compressor.apply(Clip(samples, rate))
            assert result.output.samples.shape == shape and result.output.rate == rate
            assert result.reduction_db.shape == result.detector_db.shape == shape[:1]
            assert np.isfinite(result.reduction_db).all() and result.reduction_db.min() >= 0
            if not samples.any():
                assert not result.output.samples.any() and not result.reduction_db.any()


compressors = st.builds(
    Compressor,
    threshold_db=st.floats(-120, 24),
    ratio=st.one_of(st.just(math.inf), st.floats(1, 100)),
    attack_ms=st.floats(0.001, 5_000),
    release_ms=st.floats(0.001, 20_000),
    knee_db=st.one_of(st.just(0.0), st.floats(1e-6, 48)),
    makeup_db=st.floats(-48, 48),
    detector=st.sampled_from(["peak", "rms"]),
    rms_ms=st.floats(0.001, 1_000),
    topology=st.sampled_from(["feedforward", "feedback"]),
    lookahead_ms=st.floats(0, 100),
    mix=st.floats(0, 1),
    sidechain_highpass_hz=st.one_of(st.none(), st.floats(10, 3_999)),
)
sounds = st.builds(
    Clip,
    hnp.arrays(
        np.float64,
        st.one_of(st.tuples(st.integers(1, 200)), st.tuples(st.integers(1, 60), st.integers(1, 6))),
        elements=st.floats(-4, 4),
        fill=st.sampled_from([0.0, 0.25]),
    ),
    st.sampled_from([8_000, 44_100, 192_000]),
)


@given(compressors, sounds)
def test_reduction_is_never_negative_and_everything_is_finite(compressor, clip):
    result = compressor.apply(clip)
    assert result.reduction_db.min() >= 0
    assert np.isfinite(result.reduction_db).all() and np.isfinite(result.detector_db).all()
    assert np.isfinite(result.output.samples).all() and result.output.samples.shape == clip.samples.shape
    # The reduction can't exceed the static curve's at the loudest moment that was heard.
    loudest = max(result.detector_db.max(), 20 * math.log10(max(np.abs(clip.samples).max() * 4, 1e-10)))
    assert result.reduction_db.max() <= loudest - compressor.static_curve(loudest) + 1e-9


@given(compressors, st.lists(st.floats(-300, 100), min_size=2, max_size=50))
def test_the_static_curve_never_falls_and_never_lies_above_its_input(compressor, levels):
    levels = np.sort(levels)
    out = compressor.static_curve(levels)
    assert np.all(np.diff(out) >= -1e-9)
    assert np.all(out <= levels + 1e-12)


@given(compressors, sounds)
def test_ratio_one_changes_nothing(compressor, clip):
    result = replace(compressor, ratio=1.0, makeup_db=0.0).apply(clip)
    assert not result.reduction_db.any()
    assert np.allclose(result.output.samples, clip.samples, rtol=1e-14, atol=0)


@given(compressors, sounds, st.floats(-20, 20))
def test_scaling_sound_and_threshold_together_changes_nothing_but_level(compressor, clip, gain_db):
    compressor = replace(compressor, threshold_db=min(max(compressor.threshold_db, -90.0), 0.0))
    first = compressor.apply(clip)
    second = replace(compressor, threshold_db=compressor.threshold_db + gain_db).apply(clip.gained(gain_db))
    assert np.abs(first.reduction_db - second.reduction_db).max() < 1e-8
    gain = 10 ** (gain_db / 20)
    assert np.allclose(second.output.samples, first.output.samples * gain, rtol=1e-8, atol=1e-300)


@given(compressors, sounds)
def test_mix_zero_is_the_input_bit_for_bit(compressor, clip):
    out = replace(compressor, mix=0.0).apply(clip).output.samples
    assert out.tobytes() == clip.samples.tobytes()


@given(compressors, sounds, st.randoms())
def test_the_order_of_channels_does_not_matter(compressor, clip, random):
    columns = clip.columns
    order = list(range(clip.channels))
    random.shuffle(order)
    first, second = compressor.apply(clip.with_samples(columns)), compressor.apply(clip.with_samples(columns[:, order]))
    assert np.abs(first.reduction_db - second.reduction_db).max() < 1e-8
    assert np.allclose(first.output.samples[:, order], second.output.samples, rtol=1e-8, atol=1e-12)


@pytest.mark.filterwarnings("ignore:overflow")
@pytest.mark.parametrize("topology", ["feedforward", "feedback"])
@pytest.mark.parametrize("knee_db", (5e-324, 1e-310, 1e-9))
def test_a_knee_of_next_to_nothing_is_a_hard_knee(rng, knee_db, topology):
    clip = Clip(rng.uniform(-1, 1, 600), 48_000)
    soft, hard = (Compressor(-20, math.inf, 1, 50, knee, topology=topology).apply(clip) for knee in (knee_db, 0.0))
    assert np.abs(soft.reduction_db - hard.reduction_db).max() < 1e-8


@pytest.mark.parametrize("scale", (5e-324, 1e-300, 1e-160, 1e6))
@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_samples_far_from_full_scale(rng, detector, scale):
    clip = Clip(rng.uniform(-1, 1, 300) * scale, 48_000)
    result = Compressor(-40, 4, 1, 50, detector=detector, sidechain_highpass_hz=80).apply(clip)
    assert np.isfinite(result.output.samples).all() and np.isfinite(result.reduction_db).all()
    assert (result.reduction_db.max() > 0) == (scale > 1)


@pytest.mark.parametrize("mix", [0.0, 0.3, 1.0])
def test_what_was_removed_is_the_reduced_share_without_the_make_up(rng, mix):
    clip = Clip(0.5 * rng.standard_normal(4000), 48_000)
    result = Compressor(-24, 4, 1, 50, makeup_db=6, mix=mix).apply(clip)
    expected = mix * (1 - 10 ** (-result.reduction_db / 20)) * clip.samples
    np.testing.assert_allclose(result.removed.samples, expected, atol=1e-12)
