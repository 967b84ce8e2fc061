"""The pictures of lessons 05 and 06: what they draw, and what their titles say, is what was measured."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pytest
from conftest import sine

from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.pictures.control import plot_blends, plot_onsets, plot_release_and_beat, plot_word_loudness
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels

RATE = 48_000


@pytest.fixture
def ax():
    figure, ax = plt.subplots(figsize=(9, 3.8))
    yield ax
    figure.canvas.draw()  # whatever is drawn can be
    title = ax._left_title
    assert title.get_text() and title.get_window_extent().x1 <= figure.bbox.x1, "the title runs out of the picture"
    for text in (title, ax.xaxis.label, ax.yaxis.label, *ax.get_xticklabels(), *ax.get_yticklabels()):
        assert text.get_fontsize() >= 10
    plt.close(figure)


def lines(ax):
    return {line.get_label(): line for line in ax.lines if not line.get_label().startswith("_")}


def steps(*levels_db):
    return Clip(np.concatenate([sine(500, 1.5, RATE, level) for level in levels_db]), RATE)


def test_word_loudness_names_the_spreads_and_differs_in_style(ax):
    before, after = steps(-30, -20, -26), steps(-30, -27, -29)
    words = voiced_words(before)
    plot_word_loudness(ax, {"before": before, "after": after}, words)
    levels = [word_levels(clip, words) for clip in (before, after)]
    spreads = [decibels(one.spread_lu) for one in levels]
    farthest = [decibels(one.farthest_lu, sign=True) for one in levels]
    assert " → ".join(spreads) in ax.get_title(loc="left") and " → ".join(farthest) in ax.get_title(loc="left")
    assert [f"{label} ({spread} LU)" for label, spread in zip(("before", "after"), spreads)] == list(lines(ax))
    styles = {line.get_linestyle() for line in lines(ax).values()}
    assert len(styles) == 2
    plot_word_loudness(ax, {"before": before, "after": after}, words, lambda start_s, end_s: f"word at {start_s:.1f}")
    at_s = [(words[one.farthest].start_s + words[one.farthest].end_s) / 2 - 0.01 for one in levels]
    assert all(f"word at {start_s:.1f}" in ax.get_title(loc="left") for start_s in at_s)


def test_word_loudness_of_nobody_is_said_so(ax):
    clip = steps(-30)
    plot_word_loudness(ax, {"before": clip}, [])
    assert "Nobody sings" in ax.get_title(loc="left")


def test_blends_draw_the_mixed_curve_and_name_its_floor(ax):
    plot_blends(ax, Compressor(-40, 6, 1, 40), (1, 0.5, 0.2))
    assert "mix 0.2 takes no more than 1.9 dB" in ax.get_title(loc="left")
    at_top = {label: line.get_ydata()[-1] for label, line in lines(ax).items()}
    assert at_top["mix 1"] == pytest.approx(-40 * 5 / 6)
    assert -6.02 < at_top["mix 0.5"] < -5.5


def test_onsets_name_what_the_last_line_gained(ax):
    t = np.arange(3 * RATE) / RATE
    gate = ((t % 1) > 0.3) & ((t % 1) < 0.8)
    flat = Clip(0.1 * gate * np.sin(2 * np.pi * 400 * t), RATE)
    jump = np.where(((t % 1) > 0.3) & ((t % 1) < 0.36), 2.0, 1.0)
    plot_onsets(ax, {"flat": flat, "jump": flat.with_samples(flat.samples * jump)}, [0.3, 1.3, 2.3])
    assert "+6.0 dB from the first to the last line" in ax.get_title(loc="left")
    assert set(lines(ax)) == {"flat", "jump"}


def test_onsets_without_room_are_said_so(ax):
    plot_onsets(ax, {"one": steps(-20)}, [1.49])
    assert "No note here" in ax.get_title(loc="left")


def test_release_and_beat_are_drawn_downward_with_their_swing(ax):
    t = np.arange(4 * RATE) / RATE
    reductions = {"release 80 ms": 3 + 2 * np.sin(2 * np.pi * t), "release 800 ms": np.full(len(t), 3.0)}
    plot_release_and_beat(ax, reductions, RATE, (0.0, 4.0), np.arange(0.5, 4, 1.0))
    assert ax.get_ylim() == (12, 0), "on 6 dB the legend would cover the curve of 5 dB"
    # 80 % of a sine's time lie within ±sin(0.4·π) of it; 50 ms smooth away little.
    swing = decibels(4 * np.sin(0.4 * np.pi) * np.sinc(0.05))
    assert f"within {swing}, 0.0 dB" in ax.get_title(loc="left")
    assert f"release 80 ms: {swing} dB" in lines(ax) and "beat (dotted)" in lines(ax)
