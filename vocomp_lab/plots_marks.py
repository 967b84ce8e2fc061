"""The picture of a class: which tasks were hard, and which mistakes common (homework of ``01_levels_and_meters`` and
on).
"""

from __future__ import annotations

import os
from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vocomp_lab.plots import BLUE, VERMILION

_MOST_MISTAKES = 10


def plot_class(tasks, mistakes) -> Figure:
    """Draw what a class found hard.

    Parameters
    ----------
    tasks : list of (str, float, int)
        Label, share right 0 to 1, number of sheets.
    mistakes : list of (str, int)
        Label and count, the most common first.

    Returns
    -------
    Figure
    """
    mistakes = mistakes[:_MOST_MISTAKES]
    rows = len(tasks) + max(len(mistakes), 1)
    figure = Figure(figsize=(10, 2.4 + 0.36 * rows), layout="constrained")
    FigureCanvasAgg(figure)
    upper, lower = figure.subplots(2, 1, height_ratios=[len(tasks), max(len(mistakes), 1)])
    labels, shares = [label for label, _, _ in tasks], [100 * share for _, share, _ in tasks]
    bars = upper.barh(labels, shares, color=BLUE)
    upper.bar_label(bars, [f"{share:.0f} % of {count}" for share, (_, _, count) in zip(shares, tasks)], padding=4,
        fontsize=10)
    hardest, share, _ = min(tasks, key=lambda task: task[1])
    upper.set_title(
        f"Hardest: {hardest}, right on {100 * share:.0f} % of the sheets" if share < 1 else "Every task is right on every sheet",
        fontsize=12,
    )
    upper.set_xlim(0, 118)
    upper.set_xlabel("right, % of the sheets", fontsize=11)
    bars = lower.barh([label for label, _ in mistakes], [count for _, count in mistakes], color=VERMILION, hatch="//",
        edgecolor="white")
    lower.bar_label(bars, padding=4, fontsize=10)
    common = "No typical mistake was recognised"
    if mistakes:
        common = f"Most common mistake: {mistakes[0][0]}, {mistakes[0][1]} times"
    lower.set_title(common, fontsize=12)
    lower.set_xlabel("answers", fontsize=11)
    for ax in (upper, lower):
        ax.invert_yaxis()
        ax.tick_params(labelsize=10)
        ax.margins(x=0.12)
    if not mistakes:
        lower.set_axis_off()
    return figure


def save_class_picture(tasks, mistakes, path) -> None:
    """Draw it into a PNG file, put in place in one step."""
    path = Path(path)
    beside = path.with_name(f".{path.name}.new")
    plot_class(tasks, mistakes).savefig(beside, format="png", dpi=96)
    os.replace(beside, path)
