"""The picture of a class: which tasks were hard, and which mistakes were common."""

from __future__ import annotations

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vocomp_lab.pictures.style import BLUE, VERMILION
from vocomp_lab.sound.files import whole_or_not_at_all

_MOST_MISTAKES = 10


def plot_class(tasks, mistakes) -> Figure:
    """Draw what a class found hard.

    Parameters
    ----------
    tasks : list of (str, float, int)
        Label, share right 0 to 1, number of sheets.
    mistakes : list of (str, int)
        Label and count, most common first.

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
    upper.bar_label(
        bars, [f"{share:.0f} % of {count}" for share, (_, _, count) in zip(shares, tasks)], padding=4, fontsize=10
    )
    hardest, common = class_findings(tasks, mistakes)
    upper.set_title(hardest, fontsize=12)
    upper.set_xlim(0, 118)
    upper.set_xlabel("right, % of the sheets", fontsize=11)
    bars = lower.barh(
        [label for label, _ in mistakes],
        [count for _, count in mistakes],
        color=VERMILION,
        hatch="//",
        edgecolor="white",
    )
    lower.bar_label(bars, padding=4, fontsize=10)
    lower.set_title(common, fontsize=12)
    lower.set_xlabel("answers", fontsize=11)
    for ax in (upper, lower):
        ax.invert_yaxis()
        ax.tick_params(labelsize=10)
        ax.margins(x=0.12)
    if not mistakes:
        lower.set_axis_off()
    return figure


def class_findings(tasks, mistakes) -> tuple[str, str]:
    """The titles of the picture: the hardest task, and the most common mistake."""
    hardest, share, _ = min(tasks, key=lambda task: task[1])
    hard = "Every task is right on every sheet"
    if share < 1:
        hard = f"Hardest: {hardest}, right on {100 * share:.0f} % of the sheets"
    if not mistakes:
        return hard, "No typical mistake was recognised"
    return hard, f"Most common mistake: {mistakes[0][0]}, {mistakes[0][1]} times"


def class_in_words(tasks, mistakes) -> str:
    """The picture's text alternative: its findings and every number in it."""
    hard, common = class_findings(tasks, mistakes)
    right = "; ".join(f"{label} {100 * share:.0f} % of {count}" for label, share, count in tasks)
    seen = "; ".join(f"{label} {count}" for label, count in mistakes[:_MOST_MISTAKES])
    return f"{hard}. {common}. Right: {right}." + (f" Mistakes: {seen}." if seen else "")


def save_class_picture(tasks, mistakes, path) -> None:
    """Draw it into a PNG file, with its text alternative in it. The file is written whole or not at all."""
    with whole_or_not_at_all(path) as beside:
        plot_class(tasks, mistakes).savefig(
            beside, format="png", dpi=96, metadata={"Description": class_in_words(tasks, mistakes)}
        )
