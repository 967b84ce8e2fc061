"""Filters against SciPy, against the cookbook's formulas written out here, and on tones."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import one_sentence, rms_db, sine
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import butter, freqz, lfilter, sosfilt, sosfreqz

from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.sound.audio import Clip

RATES = (8_000, 44_100, 192_000)
BELLS = [(80, 6, 0.7), (400, -9, 3), (3_000, 12, 0.4), (3_999, -36, 40), (10, 36, 0.1)]


def cookbook(kind, freq_hz, gain_db, q, rate):
    """R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients" (W3C Audio EQ Cookbook note)."""
    A = 10 ** (gain_db / 40)
    w0 = 2 * math.pi * freq_hz / rate
    alpha = math.sin(w0) / (2 * q)
    cos = math.cos(w0)
    if kind is Peaking:
        b = [1 + alpha * A, -2 * cos, 1 - alpha * A]
        a = [1 + alpha / A, -2 * cos, 1 - alpha / A]
    elif kind is LowShelf:
        b = [
            A * ((A + 1) - (A - 1) * cos + 2 * math.sqrt(A) * alpha),
            2 * A * ((A - 1) - (A + 1) * cos),
            A * ((A + 1) - (A - 1) * cos - 2 * math.sqrt(A) * alpha),
        ]
        a = [
            (A + 1) + (A - 1) * cos + 2 * math.sqrt(A) * alpha,
            -2 * ((A - 1) + (A + 1) * cos),
            (A + 1) + (A - 1) * cos - 2 * math.sqrt(A) * alpha,
        ]
    else:
        b = [
            A * ((A + 1) + (A - 1) * cos + 2 * math.sqrt(A) * alpha),
            -2 * A * ((A - 1) + (A + 1) * cos),
            A * ((A + 1) + (A - 1) * cos - 2 * math.sqrt(A) * alpha),
        ]
        a = [
            (A + 1) - (A - 1) * cos + 2 * math.sqrt(A) * alpha,
            2 * ((A - 1) - (A + 1) * cos),
            (A + 1) - (A - 1) * cos - 2 * math.sqrt(A) * alpha,
        ]
    return np.array(b), np.array(a)


def measured_gain_db(filter_, freq_hz, rate) -> float:
    """Gain of a tone after the filter has settled, over a whole number of cycles."""
    tone = sine(freq_hz, 1.5, rate)
    out = filter_.apply(Clip(tone, rate)).samples
    cycles = rate // math.gcd(rate, int(freq_hz))
    last = slice(-(rate // 2) // cycles * cycles or None, None)
    return rms_db(out[last]) - rms_db(tone[last])


# ---------------------------------------------------------------------------------------------------- against others


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("kind", [Peaking, LowShelf, HighShelf])
@pytest.mark.parametrize("freq_hz, gain_db, q", BELLS)
def test_bells_and_shelves_are_the_cookbooks(rng, kind, freq_hz, gain_db, q, rate, deviation):
    b, a = cookbook(kind, freq_hz, gain_db, q, rate)
    ours = kind(freq_hz, gain_db, q)
    sections = ours.sections(rate)
    assert sections.shape == (1, 6)
    assert np.allclose(sections[0], np.concatenate([b, a]) / a[0], rtol=1e-12, atol=1e-14)
    freqs_hz = np.geomspace(5, rate / 2, 300)
    _, expected = freqz(b, a, worN=freqs_hz, fs=rate)
    assert np.allclose(ours.response(freqs_hz, rate), expected, rtol=1e-6, atol=1e-12)
    noise = rng.standard_normal(2_000)
    filtered = lfilter(b / a[0], a / a[0], noise)
    off = (ours.apply(Clip(noise, rate)).samples - filtered) / np.abs(filtered).max()
    deviation("bell and shelves, on noise, of its peak", "R. Bristow-Johnson's cookbook", off, 1e-7)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("order", range(1, 9))
def test_high_pass_is_scipys_butterworth(rng, order, rate, deviation):
    for freq_hz in (10, 90, 3_999):
        sos = butter(order, freq_hz, "highpass", fs=rate, output="sos")
        freqs_hz = np.linspace(1, rate / 2, 200)
        ours = HighPass(freq_hz, order)
        assert np.allclose(
            ours.response(freqs_hz, rate), sosfreqz(sos, worN=freqs_hz, fs=rate)[1], rtol=1e-9, atol=1e-15
        )
        noise = rng.standard_normal((1_000, 2))
        off = ours.apply(Clip(noise, rate)).samples - sosfilt(sos, noise, axis=0)
        deviation("high-pass, orders 1 to 8, on noise", "SciPy's Butterworth", off, 1e-12)


# ------------------------------------------------------------------------------------------------ what they promise


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("order", range(1, 9))
def test_high_pass_is_3_db_down_at_the_corner_and_6_db_per_octave_and_order_below(order, rate):
    corner = 160.0
    high_pass = HighPass(corner, order)
    assert high_pass.response_db([corner], rate)[0] == pytest.approx(10 * math.log10(0.5), abs=1e-6)
    # Butterworth: |H|² = 1/(1 + (corner/f)^(2·order)); at 160 Hz the warp of the bilinear transform
    # doesn't show.
    for octaves in (-1, 1, 2, 3, 4):
        expected = -10 * math.log10(1 + 2.0 ** (2 * order * octaves))
        assert high_pass.response_db([corner / 2**octaves], rate)[0] == pytest.approx(expected, abs=0.1)
    slope = np.diff(high_pass.response_db([corner / 16, corner / 8], rate))[0]
    assert slope == pytest.approx(20 * math.log10(2) * order, abs=0.12)
    assert high_pass.response_db([0.0], rate)[0] < -200
    assert high_pass.response_db([rate / 2], rate)[0] == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("order", (1, 2, 4, 8))
def test_high_pass_slope_on_tones(order):
    """The same, measured on tones at 48 kHz: at the corner, and one and two octaves below it."""
    high_pass = HighPass(400, order)
    for freq_hz, octaves in ((400, 0), (200, 1), (100, 2)):
        expected = -10 * math.log10(1 + 2.0 ** (2 * order * octaves))
        assert measured_gain_db(high_pass, freq_hz, 48_000) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("rate", (44_100, 96_000))
@pytest.mark.parametrize("gain_db", (-36.0, -6.0, 0.0, 3.0, 36.0))
def test_gains_at_the_centre_at_dc_and_at_the_top(gain_db, rate):
    top = rate / 2
    for q in (0.3, 1.0, 12.0):
        bell = Peaking(1_000, gain_db, q).response_db([0, 1_000, top], rate)
        assert bell == pytest.approx([0, gain_db, 0], abs=1e-6)
        low = LowShelf(1_000, gain_db, q).response_db([0, top], rate)
        assert low == pytest.approx([gain_db, 0], abs=1e-6)
        high = HighShelf(1_000, gain_db, q).response_db([0, top], rate)
        assert high == pytest.approx([0, gain_db], abs=1e-6)
    for shelf in (LowShelf, HighShelf):
        half = shelf(1_000, gain_db).response_db([1_000], rate)[0]
        assert half == pytest.approx(gain_db / 2, abs=1e-6)
        # At the default steepness the shelf has no bump: it never leaves the span between its two levels.
        everywhere = shelf(1_000, gain_db).response_db(np.linspace(0, top, 2_000), rate)
        assert everywhere.min() > min(0, gain_db) - 1e-6 and everywhere.max() < max(0, gain_db) + 1e-6


def test_bandwidth_of_a_bell_lies_between_the_points_of_half_its_gain():
    """The cookbook's Q: centre over the distance of the half-gain points, exact before the bilinear warp (here 1 kHz
    of 192 kHz).
    """
    for gain_db, q in ((6.0, 1.0), (-12.0, 4.0)):
        freqs_hz = np.linspace(100, 4_000, 200_001)
        inside = np.abs(Peaking(1_000, gain_db, q).response_db(freqs_hz, 192_000)) >= abs(gain_db) / 2
        assert np.ptp(freqs_hz[inside]) == pytest.approx(1_000 / q, rel=0.005)


def test_tones_through_bells_and_shelves():
    for filter_, freq_hz, gain_db in (
        (Peaking(400, -8, 2), 400, -8),
        (Peaking(400, 8, 2), 6_400, 0),
        (LowShelf(300, 5), 30, 5),
        (HighShelf(2_000, -7), 12_000, -7),
    ):
        assert measured_gain_db(filter_, freq_hz, 48_000) == pytest.approx(gain_db, abs=0.1)


def test_boost_and_cut_undo_each_other(rng):
    clip = Clip(rng.standard_normal(5_000), 48_000)
    for kind in (Peaking, LowShelf, HighShelf):
        there_and_back = kind(500, -9, 1.3).apply(kind(500, 9, 1.3).apply(clip))
        assert np.abs(there_and_back.samples - clip.samples).max() < 1e-9


ANY = [HighPass(80, 1), HighPass(300, 8), Peaking(700, 9, 5), LowShelf(200, -6), HighShelf(3_000, 12, 2)]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("filter_", ANY, ids=repr)
def test_response_is_the_spectrum_of_what_an_impulse_gives(filter_, rate):
    frames = 1 << 17
    impulse = np.zeros(frames)
    impulse[0] = 1.0
    spectrum = np.fft.rfft(filter_.apply(Clip(impulse, rate)).samples)
    freqs_hz = np.fft.rfftfreq(frames, 1 / rate)
    assert np.abs(spectrum - filter_.response(freqs_hz, rate)).max() < 1e-6


# --------------------------------------------------------------------------------------------------- shapes and edges


@pytest.mark.parametrize("rate", (8_000, 192_000))
@pytest.mark.parametrize("filter_", ANY, ids=repr)
def test_every_shape_and_silence(rng, filter_, rate):
    for shape in ((1,), (1, 1), (1, 6), (200,), (200, 1), (200, 6)):
        samples = rng.uniform(-1, 1, shape)
        out = filter_.apply(Clip(samples, rate))
        assert out.samples.shape == shape and out.rate == rate
        assert not filter_.apply(Clip(np.zeros(shape), rate)).samples.any()
    one, six = filter_.apply(Clip(samples[:, 3], rate)).samples, filter_.apply(Clip(samples, rate)).samples
    assert np.array_equal(six[:, 3], one)  # a channel doesn't hear its neighbours


def test_responses_have_the_shape_of_their_frequencies():
    assert Peaking(500, 3).response(500.0, 48_000).shape == ()
    assert Peaking(500, 3).response([[100, 200], [300, 400]], 48_000).shape == (2, 2)
    assert Peaking(500, 3).response_db(500.0, 48_000) == pytest.approx(3)


@pytest.mark.parametrize(
    "filter_", [HighPass(4_000), Peaking(5_000, 3), LowShelf(4_000, 1), HighShelf(96_000, 1)], ids=repr
)
def test_frequencies_from_half_the_rate_up_are_refused_when_used(filter_):
    for use in (lambda: filter_.apply(Clip(np.zeros(10), 8_000)), lambda: filter_.response([100], 8_000)):
        with pytest.raises(ValueError) as caught:
            use()
        one_sentence(caught, f"freq_hz: {filter_.freq_hz:g} Hz", "8000 Hz", "4000 Hz")
    with pytest.raises(ValueError) as caught:
        filter_.response([100], 7_000)
    one_sentence(caught, "rate: 7000")


filters = st.one_of(
    st.builds(HighPass, st.floats(10, 3_999), st.integers(1, 8)),
    *(
        st.builds(kind, st.floats(10, 3_999), st.floats(-36, 36), st.floats(0.1, 40))
        for kind in (Peaking, LowShelf, HighShelf)
    ),
)


@given(filters, st.sampled_from(RATES), st.integers(0, 2**32 - 1))
def test_any_filter_is_stable_and_linear(filter_, rate, seed):
    assert np.abs(np.concatenate([np.roots(section[3:]) for section in filter_.sections(rate)])).max() < 1
    samples = np.random.default_rng(seed).uniform(-1, 1, 2_000)
    clip = Clip(samples, rate)
    out = filter_.apply(clip).samples
    assert np.isfinite(out).all()
    assert np.allclose(filter_.apply(clip.gained(-20)).samples, out / 10, rtol=1e-6, atol=1e-9 * np.abs(out).max())
