"""The picture of a class: which tasks of a homework were hard, and which mistakes were common."""

from __future__ import annotations

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vocomp_lab.pictures.style import BLUE, SKY, VERMILION, literal
from vocomp_lab.sound.files import whole_or_not_at_all
from vocomp_lab.sound.text import half_up, percent

WIDE_IN, PX_PER_IN = 12.2, 96
"""A picture for a projector: as wide as a screen of 1280 by 720 leaves, and with its own heading no higher. A page must
show it at this scale, of so many of its pixels to the inch."""
MOST_IN = 6.1
LETTER_PT, HEADING_PT = 11.5, 13.0
"""Lettering, of 15 and 17 of a page's pixels."""
SHARP = 2
"""So many of the picture's pixels to one of the page's."""
_MOST_MISTAKES = 6
"""The table has them all."""


def rows_in(rows: int, around: float) -> float:
    """The height in inches of a picture with so many rows, and of what stands around them; 26 rows fit a screen."""
    return around + rows * min(0.3, max((MOST_IN - around) / rows, 0.17))


def plot_class(tasks, mistakes) -> Figure:
    """Draw what a class found hard.

    Parameters
    ----------
    tasks : list of (str, float, int, bool)
        Label, share right 0 to 1, number of sheets, and whether the task has no right answer, but counts for being done.
    mistakes : list of (str, int)
        Label and count, most common first.

    Returns
    -------
    Figure
    """
    mistakes = mistakes[:_MOST_MISTAKES]
    parts = [len(tasks), max(len(mistakes), 1)]
    figure = Figure(figsize=(WIDE_IN, rows_in(sum(parts), 1.9)), layout="constrained")
    FigureCanvasAgg(figure)
    upper, lower = figure.subplots(2, 1, height_ratios=parts)
    hardest, common = class_findings(tasks, mistakes)
    bars = upper.barh([literal(task[0]) for task in tasks], [half_up(100 * task[1]) for task in tasks], color=BLUE)
    for bar, (*_, by_doing) in zip(bars, tasks):
        if by_doing:
            bar.set(facecolor=SKY, hatch="..", edgecolor="white")
    upper.bar_label(
        bars,
        [f"{_so_many(share, by_doing)} of {count}" for _, share, count, by_doing in tasks],
        padding=4,
        fontsize=LETTER_PT,
    )
    upper.set_title(literal(hardest), fontsize=HEADING_PT)
    upper.set_xlim(0, 118)
    upper.set_xlabel("right, % of the sheets", fontsize=LETTER_PT)
    bars = lower.barh(
        [literal(label) for label, _ in mistakes],
        [count for _, count in mistakes],
        color=VERMILION,
        hatch="//",
        edgecolor="white",
    )
    lower.bar_label(bars, padding=4, fontsize=LETTER_PT)
    lower.set_title(literal(common), fontsize=HEADING_PT)
    lower.set_xlabel("answers", fontsize=LETTER_PT)
    lower.xaxis.get_major_locator().set_params(integer=True)
    for ax in (upper, lower):
        ax.invert_yaxis()
        ax.tick_params(labelsize=LETTER_PT)
        ax.margins(x=0.12, y=0.02)
    if not mistakes:
        lower.set_axis_off()
    return figure


def _so_many(share: float, by_doing: bool) -> str:
    return f"done by {percent(share)}" if by_doing else percent(share)


def class_findings(tasks, mistakes) -> tuple[str, str]:
    """The titles of the picture: the hardest task, and the most common mistake. A task that counts for being done is never
    the hardest.
    """
    judged = [task for task in tasks if not task[3]]
    if not judged:
        hard = "No task here has a right answer: they count for being done"
    elif min(share for _, share, _, _ in judged) < 1:
        hardest, share, _, _ = min(judged, key=lambda task: task[1])
        hard = f"Hardest, right on {percent(share)} of the sheets: {hardest}"
    else:
        hard = f"Every task{' with a right answer' if len(judged) < len(tasks) else ''} is right on every sheet"
    if not mistakes:
        return hard, "No typical mistake was recognised"
    label, count = mistakes[0]
    return hard, f"Most common mistake: {label}, {'once' if count == 1 else f'{count} times'}"


def class_in_words(tasks, mistakes) -> str:
    """The picture's text alternative: its findings and every number in it."""
    hard, common = class_findings(tasks, mistakes)
    right = "; ".join(f"{label} {_so_many(share, by_doing)} of {count}" for label, share, count, by_doing in tasks)
    seen = "; ".join(f"{label} {count}" for label, count in mistakes[:_MOST_MISTAKES])
    return f"{hard}. {common}. Right: {right}." + (f" Mistakes: {seen}." if seen else "")


def save_class_picture(tasks, mistakes, path) -> None:
    """Draw it into a PNG file, with its text alternative in it. The file is written whole or not at all."""
    save_for_page(plot_class(tasks, mistakes), class_in_words(tasks, mistakes), path)


def save_for_page(figure: Figure, words: str, path) -> None:
    """A figure as a PNG file with its text alternative, ``SHARP`` times as large as a page shows it."""
    with whole_or_not_at_all(path) as beside:
        figure.savefig(beside, format="png", dpi=SHARP * PX_PER_IN, metadata={"Description": words})
