"""The pictures: what they draw is what was measured."""

from __future__ import annotations

import io

import matplotlib.pyplot as plt
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure
from PIL import Image

from vocomp_lab import Chain, Clip, Colour, Compressor, Gain, HighPass, Peaking
from vocomp_lab.bench.bench import Bench
from vocomp_lab.pictures.control import plot_over_time, plot_static_curves  # fmt: skip
from vocomp_lab.pictures.panels import Window, column_extremes
from vocomp_lab.pictures.reduction_axis import DEPTHS_DB, depth_for, fit_reduction
from vocomp_lab.pictures.spectra import third_octave_spectrum
from vocomp_lab.pictures.style import BLUE, GREEN, GREY, INK, ORANGE, PURPLE, SKY, VERMILION
from vocomp_lab.processors.clip_gain import ClipGain

RATE = 48_000

# Okabe & Ito, "Color Universal Design" (2008): the published palette.
OKABE_ITO = {"#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"}


def test_colours_are_those_of_the_published_palette():
    assert {INK, ORANGE, SKY, GREEN, BLUE, VERMILION, PURPLE} <= OKABE_ITO


@pytest.mark.parametrize("colour", [INK, GREY, BLUE])
def test_what_is_read_stands_out_from_white(colour):
    """Contrast of 4.5:1 at least (WCAG 2.1, success criterion 1.4.3 and its formula)."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    luminance = np.dot([0.2126, 0.7152, 0.0722], linear)
    assert 1.05 / (luminance + 0.05) >= 4.5


@given(st.integers(1, 3000), st.integers(1, 500), st.integers(1, 3), st.integers(0, 2**31))
def test_no_peak_is_lost_between_picture_columns(frames, columns, channels, seed):
    values = np.random.default_rng(seed).standard_normal((frames, channels))
    low, high = column_extremes(values, columns)
    assert len(low) == len(high) == min(frames, columns)
    assert low.min() == values.min() and high.max() == values.max()
    assert (low <= high).all()


@given(st.floats(0, 50), st.floats(0.001, 50))
def test_a_window_is_never_empty_nor_beyond_the_clip(start_s, length_s):
    start, stop = Window(start_s, start_s + length_s).frames(1000, 20_000)
    assert 0 <= start < stop <= 20_000


def test_the_spectrum_adds_up_to_the_power_of_the_clip():
    noise = Clip(0.1 * np.random.default_rng(0).standard_normal(4 * RATE), RATE)
    freqs, level_db = third_octave_spectrum(noise)
    # White noise: a third of an octave around f holds f·(2^(1/6) − 2^(−1/6)) of half the rate.
    expected = -20 + 10 * np.log10(freqs * (2 ** (1 / 6) - 2 ** (-1 / 6)) / (RATE / 2))
    inside = freqs > 100
    np.testing.assert_allclose(level_db[inside], expected[inside], atol=1.0)


def test_a_tone_stands_at_its_frequency_and_level():
    tone = Clip(0.5 * np.sin(2 * np.pi * 1000 * np.arange(2 * RATE) / RATE), RATE)
    freqs, level_db = third_octave_spectrum(tone)
    assert abs(np.log2(freqs[level_db.argmax()] / 1000)) < 1 / 6
    assert level_db.max() == pytest.approx(-9.03, abs=0.1)


def shown(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def test_the_reduction_is_drawn_downward_and_ends_where_it_was_measured():
    t = np.arange(RATE) / RATE
    clip = Clip(np.where(t < 0.5, 0.9, 0.001) * np.sin(2 * np.pi * 500 * t), RATE)
    bench = Bench(clip, Compressor(-20, 4, 1, 60))
    panel = bench._screen.picture.reduction
    bottom, top = panel.ax.get_ylim()
    assert top == 0 and bottom > 0, "0 dB on top, more reduction further down"
    assert panel.line.get_ydata().max() == pytest.approx(bench.change.reduction.max_db, abs=1e-9)
    assert bottom >= bench.change.reduction.max_db


def test_the_scale_of_the_reduction_grows_at_once_and_shrinks_only_when_something_else_is_shown():
    t = np.arange(RATE) / RATE
    clip = Clip(np.where(t < 0.5, 0.9, 0.05) * np.sin(2 * np.pi * 500 * t), RATE)
    chain = Chain([("gentle", Compressor(-3, 3, 1, 60)), ("firm", Compressor(-20, 4, 1, 60))])
    bench = Bench(clip, chain, stage="firm")
    depth_db = lambda: bench._screen.picture.reduction.ax.get_ylim()[0]  # noqa: E731
    small = depth_db()
    assert bench.set(threshold_db=-40).change.reduction.max_db < depth_db() > small
    large = depth_db()
    for threshold_db in (-30, -10, -2):
        bench.set(threshold_db=threshold_db)
        assert depth_db() == large, "a control that moves must not make less look like more"
        assert f"down to {large:.0f} dB" in bench._screen.alt
    bench.reset()
    assert depth_db() == small and f"down to {small:.0f} dB" in bench._screen.alt
    bench.set(threshold_db=-40).choose_stage("gentle")
    assert depth_db() == DEPTHS_DB[0]
    bench._view._moved(0.6, 1.0)
    bench.choose_stage("firm")
    assert depth_db() < large, "where it is soft the reduction has let go"


@given(st.floats(0, 230), st.floats(0, 0.4))
def test_a_reduction_axis_runs_downward_in_whole_decibels_and_holds_its_curve(deepest_db, room):
    ax = Figure().add_subplot()
    depth_db = fit_reduction(ax, deepest_db, room)
    assert ax.get_ylim() == (depth_db, 0) and depth_db in DEPTHS_DB
    assert deepest_db <= (1 - room) * depth_db or depth_db == DEPTHS_DB[-1]
    ticks = ax.yaxis.get_major_locator()()
    assert list(ticks) == [round(tick) for tick in ticks] and max(ticks) == depth_db and min(ticks) == 0
    assert depth_for(deepest_db) <= depth_db
    shallower = [depth for depth in DEPTHS_DB if depth < depth_db]
    assert not shallower or max(1.04 * deepest_db, deepest_db / (1 - room)) > shallower[-1], (
        "no deeper than it has to be"
    )


def test_an_updated_picture_is_the_one_that_is_drawn_afresh():
    t = np.arange(RATE) / RATE
    clip = Clip(0.3 * np.sin(2 * np.pi * 300 * t) * (t % 0.25 < 0.15), RATE)
    # The second compressor goes deeper: the scale of the reduction grows with it, but would not shrink.
    for first, then in ((Compressor(-22, 2, 5, 90), Compressor(-30, 4, 1, 60)), (Peaking(300, 6), Peaking(900, -9, 2))):
        moved = Bench(clip, first)
        moved.set(**{name: getattr(then, name) for name in then.__dataclass_fields__})
        fresh = Bench(clip, then)
        assert np.abs(shown(moved._screen.png) - shown(fresh._screen.png)).mean() < 0.5


def test_every_panel_names_its_axes_with_units():
    clip = Clip(0.1 * np.random.default_rng(3).standard_normal(RATE), RATE)
    bench = Bench(clip, Chain([("a", HighPass(90)), ("b", Compressor(-20, 3, 1, 80))]))
    for name in ("b", "a"):
        bench.choose_stage(name)
        for panel in bench._screen.picture.panels:
            labels = panel.ax.get_ylabel() + panel.ax.get_xlabel()
            assert any(unit in labels for unit in ("dB", "FS", "(s)", "Hz")), labels


STYLES = {"(solid)": "-", "(dashed)": "--", "(dash-dot)": "-.", "(dotted)": ":"}


def test_lines_have_the_style_that_their_labels_name():
    clip = Clip(0.1 * np.random.default_rng(3).standard_normal(RATE), RATE)
    named = []
    for processor in (Compressor(-20, 3, 1, 80), HighPass(90), Gain(3), Colour(0), ClipGain()):
        picture = Bench(clip, processor)._screen.picture
        for panel in picture.panels:
            for line in panel.ax.lines:
                named += [(style, line) for word, style in STYLES.items() if word in line.get_label()]
        outlines = picture.panels[0].before_low, picture.panels[0].before_high
        assert [line.get_linestyle() for line in outlines] == ["-", "-"]
    assert len(named) >= 6
    for style, line in named:
        assert line.get_linestyle() == style, line.get_label()


def test_lesson_pictures_draw_into_an_axes_and_tell_lines_apart_by_style():
    _, (left, right) = plt.subplots(1, 2)
    plot_static_curves(left, {"a": Compressor(-20, 3, 1, 80), "b": Compressor(-20, 8, 1, 80)})
    plot_over_time(right, {"x": np.linspace(0, 6, 480), "y": np.ones(480)}, RATE)
    styles = [line.get_linestyle() for line in left.lines[1:]]
    assert len(set(styles)) == 2
    assert right.get_ylim() == (12, 0), "6 dB would touch the frame of an axis of 6 dB"
    plt.close("all")
