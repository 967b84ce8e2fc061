"""The pictures of ear practice: how a round's difficulty follows the answers, and thresholds over days."""

from __future__ import annotations

import datetime
from typing import Callable, NamedTuple

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from vocomp_lab.pictures.shown import tell
from vocomp_lab.pictures.style import BLUE, GREY, SKY, VERMILION, in_our_style

_TICKS = 5
_COLUMNS = 3
_EDGE = 1.1


def plot_round(sizes, right, ladder, value: Callable[[float], str], trials: int) -> Figure:
    """How a round went: the size of the difference in each trial, and whether the answer was right.

    Parameters
    ----------
    sizes : sequence of float
        Of the trials that are answered.
    right : sequence of bool
    ladder : sequence of float
        All sizes, the easiest first.
    value : callable
        A size as it is told, such as "2.4 dB".
    trials : int
        How many the round has.
    """
    sizes, right = np.asarray(sizes, float), np.asarray(right, bool)
    with in_our_style():
        figure = Figure(figsize=(6.4, 2.3), dpi=90, layout="constrained")
        FigureCanvasAgg(figure)
        ax = figure.subplots()
        numbers = np.arange(1, len(sizes) + 1)
        ax.plot(numbers, sizes, color=GREY, linewidth=1.0, drawstyle="steps-mid")
        for which, mark, colour, label in ((right, "o", BLUE, "right"), (~right, "x", VERMILION, "wrong")):
            ax.plot(numbers[which], sizes[which], mark, color=colour, markersize=7, markeredgewidth=2, label=label)
        _sizes_axis(ax, ladder, value)
        ax.set_xlim(0.5, trials + 0.5)
        ax.set_xticks(range(1, trials + 1, 1 if trials <= 15 else 5))
        ax.set_xlabel("trial")
        ax.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, fontsize=9, borderaxespad=0.2)
        done = f"{int(right.sum())} of {len(sizes)} right" if len(sizes) else "no answer yet"
        ax.set_title(f"{done}; it gets harder downward", loc="left")
        said = [f"trial {n}: {value(size)}, {'right' if ok else 'wrong'}" for n, size, ok in zip(numbers, sizes, right)]
        tell(ax, "; ".join(said) or "No trial is answered yet")
    return figure


class Days(NamedTuple):
    """One drill over days: its title, its ladder, how a size is told, and for each day the threshold with its interval."""

    title: str
    ladder: tuple[float, ...]
    value: Callable[[float], str]
    rows: tuple[tuple[str, float, float, float, bool], ...]
    """Date as YYYY-MM-DD, size, low, high, and whether it can be told."""


def plot_thresholds(drills) -> Figure | None:
    """Thresholds over days, a panel for each drill; None where there is none.

    Parameters
    ----------
    drills : sequence of Days
        Those without a day are left out.
    """
    drills = [one for one in drills if one.rows]
    if not drills:
        return None
    columns = min(len(drills), _COLUMNS)
    lines = -(-len(drills) // columns)
    with in_our_style():
        figure = Figure(figsize=(3.6 * columns + 0.4, 2.5 * lines), dpi=90, layout="constrained")
        FigureCanvasAgg(figure)
        panels = figure.subplots(lines, columns, squeeze=False).ravel()
        for ax, one in zip(panels, drills):
            _draw_days(ax, one)
        for ax in panels[len(drills) :]:
            ax.set_axis_off()
    return figure


def _draw_days(ax, one: Days):
    days = [datetime.date.fromisoformat(row[0]) for row in one.rows]
    after = np.array([(day - days[0]).days for day in days], float)
    size, low, high = (np.array([row[place] for row in one.rows]) for place in (1, 2, 3))
    # What lies beyond the ladder is drawn at its edge.
    size, low, high = (
        np.clip(values, min(one.ladder) / _EDGE, max(one.ladder) * _EDGE) for values in (size, low, high)
    )
    told = np.array([row[4] for row in one.rows], bool)
    ax.fill_between(after, low, high, facecolor=SKY, alpha=0.35, edgecolor=BLUE, linewidth=0.5)
    if len(after) == 1:
        ax.errorbar(after, size, [size - low, high - size], color=BLUE, capsize=4)
    ax.plot(after, size, color=BLUE, linewidth=1.2)
    ax.plot(after[told], size[told], "o", color=BLUE)
    ax.plot(after[~told], size[~told], "o", markerfacecolor="white", color=BLUE)
    _sizes_axis(ax, one.ladder, one.value)
    ax.set_xlim(-0.5, max(after[-1], 1) + 0.5)
    ax.xaxis.get_major_locator().set_params(integer=True, nbins=5)
    ax.set_xlabel(f"days since {one.rows[0][0]}")
    ax.set_title(one.title, loc="left")
    said = (
        f"{row[0]}: {one.value(row[1])}, between {one.value(row[2])} and {one.value(row[3])}"
        + ("" if row[4] else ", not sure yet")
        for row in one.rows
    )
    tell(ax, "; ".join(said))


def _sizes_axis(ax, ladder, value):
    ax.set_yscale("log")
    low, high = min(ladder), max(ladder)
    ax.set_ylim(low / 1.15, high * 1.15)
    ax.yaxis.set_major_locator(FixedLocator(np.geomspace(low, high, _TICKS)))
    ax.yaxis.set_minor_locator(NullLocator())
    ax.yaxis.set_major_formatter(FuncFormatter(lambda size, _: value(size)))
