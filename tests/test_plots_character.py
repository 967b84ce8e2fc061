"""The pictures of lesson 07 show what was measured."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pytest

from vocomp_lab.analysis.distortion import aliasing_db
from vocomp_lab.analysis.times import measure_burst
from vocomp_lab.pictures.character import plot_aliasing, plot_bursts, plot_harmonics
from vocomp_lab.processors.character import character
from vocomp_lab.processors.colour import Colour


@pytest.fixture
def axes():
    figure, axes = plt.subplots(1, 2)
    yield axes
    plt.close(figure)


def texts(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def test_bursts_are_drawn_downward_as_shares_and_end_where_they_should(axes):
    bursts = {kind: measure_burst(character(kind, attack_ms=5, release_ms=100), 1, 3) for kind in ("fet", "opto")}
    plot_bursts(*axes, bursts, attack_ms=5, release_ms=100)
    for ax in axes:
        low, high = ax.get_ylim()
        assert low > 100 and high == 0 and ax.get_xlabel().endswith("(ms)")
        assert texts(ax)[:2] == ["fet", "opto"] and "as set" in texts(ax)[2]
    coming, going = ([line.get_ydata() for line in ax.lines[:2]] for ax in axes)
    assert all(curve[0] < curve[-1] and curve[-1] == pytest.approx(100, abs=0.5) for curve in coming)
    assert going[0][-1] < 1 < 10 < going[1][-1]
    assert len({(line.get_color(), str(line.get_linestyle())) for line in axes[0].lines}) == 3


def test_a_compressor_that_does_nothing_can_be_drawn(axes):
    plot_bursts(*axes, {"idle": measure_burst(character("fet", threshold_db=0), 0.1, 0.1)}, 5, 100)
    assert not axes[0].lines[0].get_ydata().any()


def test_harmonics_stand_side_by_side_and_what_is_not_there_is_said(axes):
    plot_harmonics(axes[0], {"one": np.array([-40.0, -95.0, -60.0]), "none": np.full(3, -300.0)}, low_db=-90)
    one, none = axes[0].lines
    assert one.get_ydata().tolist() == [-40.0, -60.0] and np.allclose(np.round(one.get_xdata()), [2, 4])
    assert len(none.get_ydata()) == 0 and texts(axes[0]) == ["one", "none (none above −90 dB)"]
    assert one.get_marker() != none.get_marker()


def test_false_tones_are_told_from_harmonics(axes):
    colour = Colour(6, 0.03)
    plot_aliasing(*axes, colour, 7_001, 0)
    for ax, process in zip(axes, (colour.apply_bare, colour.apply)):
        true, false = ax.lines[:2]
        assert np.allclose(np.round(true.get_xdata() * 1000) % 7_001, 0) and max(true.get_ydata()) == 0
        strongest = aliasing_db(process, 7_001, 0)
        if strongest > -105:
            assert max(false.get_ydata()) == pytest.approx(strongest)
        else:
            assert len(false.get_ydata()) == 0
        assert true.get_marker() != false.get_marker() and "kHz" in ax.get_xlabel()
    assert len(axes[0].lines[1].get_ydata()) > 5 and "aliasing" in texts(axes[1])[1]
