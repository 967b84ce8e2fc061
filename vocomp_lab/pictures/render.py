"""The picture of a rendered file: loudness before and after, and every stage's gain reduction over the same time."""

from __future__ import annotations

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from vocomp_lab.analysis.file_render import Rendered, StageTrack
from vocomp_lab.pictures.panels import column_extremes
from vocomp_lab.pictures.reduction_axis import fit_reduction
from vocomp_lab.pictures.style import AMBER, BLUE, GREY, SKY, VERMILION, in_our_style
from vocomp_lab.sound.text import clock, decibels

COLUMNS = 1_000
_TICKS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800)
_LOUDNESS_SPAN_LU = 40.0


def render_figure(rendered: Rendered) -> Figure:
    """Draw what a rendering did.

    Parameters
    ----------
    rendered : Rendered

    Returns
    -------
    Figure
        Loudness on top, then a panel for every stage with a gain reduction. :func:`findings` says the same in words.
    """
    words = findings(rendered)
    with in_our_style():
        figure = Figure(figsize=(10, 3.0 + 1.9 * len(rendered.tracks)), dpi=100, layout="constrained")
        FigureCanvasAgg(figure)
        panels = figure.subplots(1 + len(rendered.tracks), 1, sharex=True, squeeze=False)[:, 0]
        _draw_loudness(panels[0], rendered)
        for ax, track in zip(panels[1:], rendered.tracks):
            _draw_reduction(ax, track, rendered.before.duration_s)
        for ax, title in zip(panels, words):
            ax.set_title(title, loc="left")
        panels[-1].set_xlim(0, rendered.before.duration_s)
        panels[-1].xaxis.set_major_locator(
            MultipleLocator(next((s for s in _TICKS_S if s * 9 >= rendered.before.duration_s), 3600))
        )
        panels[-1].xaxis.set_major_formatter(FuncFormatter(_tick))
        panels[-1].set_xlabel("time (min:s)")
        if rendered.tracks:
            figure.legend(*panels[-1].get_legend_handles_labels(), loc="outside lower center", ncols=3)
    return figure


def findings(rendered: Rendered) -> list[str]:
    """One sentence for each panel of :func:`render_figure`: the finding that is its title."""
    before, after = rendered.before, rendered.after
    loud = (
        f"Loudness {decibels(before.loudness_lufs)} → {decibels(after.loudness_lufs)} LUFS, "
        f"range {before.range_lu:.1f} → {after.range_lu:.1f} LU, crest factor {decibels(before.crest_db)} → {decibels(after.crest_db)} dB"
    )
    return [loud, *(_finding(track) for track in rendered.tracks)]


def _finding(track: StageTrack) -> str:
    stats = track.stats
    if track.max_db < 0.05:
        return f"{track.name}: never acts"
    return (
        f"{track.name}: over {stats.floor_db:g} dB in {100 * stats.share:.0f} % of the sung time, "
        f"median {stats.median_db:.1f} dB, at most {track.max_db:.1f} dB"
    )


def _tick(time_s: float, _place) -> str:
    """Minutes and seconds, with a decimal only where a tick needs it."""
    return clock(time_s, 0 if round(float(time_s), 1).is_integer() else 1)


def _columns(duration_s: float, values: np.ndarray):
    low, high = column_extremes(values, COLUMNS)
    return (np.arange(len(low)) + 0.5) * duration_s / len(low), low, high


def _draw_loudness(ax, rendered):
    duration_s = rendered.before.duration_s
    tops = []
    for lufs, colour, line, label in (
        (rendered.before_lufs, AMBER, "--", "before"),
        (rendered.after_lufs, BLUE, "-", "after"),
    ):
        times_s, _, high = _columns(duration_s, lufs)
        tops.append(high.max())
        ax.plot(times_s, np.maximum(high, -200.0), color=colour, linestyle=line, linewidth=1.3, label=label)
    top = max(tops) if np.isfinite(max(tops)) else 0.0
    ax.set_ylim(top - _LOUDNESS_SPAN_LU, top + 3.0)
    ax.set_ylabel("short-term\nloudness (LUFS)")
    ax.legend(loc="lower right", ncols=2, frameon=True, framealpha=0.9)


def _draw_reduction(ax, track, duration_s):
    times_s, low, high = _columns(duration_s, track.reduction_db)
    ax.fill_between(
        times_s,
        low,
        high,
        facecolor=SKY,
        edgecolor=BLUE,
        linewidth=0.5,
        label="least to most reduction (10 ms means)",
    )
    ax.plot(times_s, high, color=VERMILION, linewidth=0.9, label="most")
    ax.axhline(track.stats.median_db, color=GREY, linestyle=":", linewidth=1.4, label="median while someone sings")
    fit_reduction(ax, float(high.max()))
    ax.set_ylabel("gain\nreduction (dB)")
