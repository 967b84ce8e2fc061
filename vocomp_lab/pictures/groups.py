"""The picture of a class by group: how many of each got a task right."""

from __future__ import annotations

import textwrap

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vocomp_lab.pictures.marks import HEADING_PT, LETTER_PT, WIDE_IN, rows_in, save_for_page
from vocomp_lab.pictures.style import AMBER, BLUE, GREEN, INK, PURPLE, VERMILION, literal
from vocomp_lab.sound.text import percent

MOST_GROUPS = 6
"""More can't be told apart in a picture; the table has them all."""
_MARKS = tuple(zip("os^Dv*", (BLUE, VERMILION, GREEN, PURPLE, AMBER, INK)))


def plot_groups(groups, shares) -> Figure:
    """Draw how many of each group got each task right.

    Parameters
    ----------
    groups : list of str
        At most ``MOST_GROUPS`` are drawn: the first. "" stands for learners without a group.
    shares : list of (str, list, bool)
        Task, for each group (share right 0 to 1, sheets), NaN where nobody handed it in, and whether the task has no right
        answer, but counts for being done.

    Returns
    -------
    Figure
    """
    drawn = groups[:MOST_GROUPS]
    figure = Figure(figsize=(WIDE_IN, rows_in(1.4 * len(shares), 1.7)), layout="constrained")
    FigureCanvasAgg(figure)
    ax = figure.subplots()
    places = range(len(shares))
    for place, row in enumerate(row for _, row, _ in shares):
        known = [100 * share for share, count in row[: len(drawn)] if count]
        if known:
            ax.plot([min(known), max(known)], [place, place], color="#999999", linewidth=2, zorder=1)
    for number, group in enumerate(drawn):
        mark, colour = _MARKS[number]
        values = [100 * row[number][0] for _, row, _ in shares]
        # A label that began with a line beneath would be left out, hence the space before it. A little above one another, so that groups with equal shares can all be seen.
        lifted = [place + 0.12 * (number - (len(drawn) - 1) / 2) for place in places]
        ax.scatter(values, lifted, marker=mark, color=colour, s=52, label=f" {_short(group)}", zorder=2)
    ax.set_yticks(list(places), [literal(f"{label}{' (done)' * by_doing}") for label, _, by_doing in shares])
    figure.suptitle(literal(textwrap.fill(group_finding(groups, shares), 122)), fontsize=HEADING_PT)
    ax.set_xlim(-3, 103)
    ax.set_xlabel("right, % of the group's sheets", fontsize=LETTER_PT)
    ax.tick_params(labelsize=LETTER_PT)
    ax.grid(axis="x", color="#dddddd", linewidth=0.6)
    ax.invert_yaxis()
    figure.legend(
        loc="outside lower center",
        ncols=len(drawn) if len("".join(map(_short, drawn))) < 70 else 3,  # or they are wider than the picture
        fontsize=LETTER_PT,
        title="group",
        title_fontsize=LETTER_PT,
    )
    return figure


def _short(group: str) -> str:
    return literal(textwrap.shorten(group, 24, placeholder="…") or "none")


def group_finding(groups, shares) -> str:
    """The picture's title: where the groups lie farthest apart in what is right."""
    apart = []
    for label, row, by_doing in shares:
        known = [(share, group) for (share, count), group in zip(row, groups[:MOST_GROUPS]) if count and not by_doing]
        if len(known) > 1:
            low, high = min(known), max(known)
            apart.append((high[0] - low[0], label, high, low))
    if not apart:
        return "No task with a right answer was handed in by two groups"
    gap, label, high, low = max(apart, key=lambda one: one[0])
    if not gap:
        return "Every task with a right answer was right equally often in all groups"
    return f"Farthest apart, {_in_group(*high)} and {_in_group(*low)}: {label}"


def _in_group(share: float, group: str) -> str:
    return f"{percent(share)} {f'in the group {group}' if group else 'of those in no group'}"


def groups_in_words(groups, shares) -> str:
    """The picture's text alternative: its finding and every number in it."""
    told = "; ".join(
        f"{label}{' (done)' * by_doing} "
        + ", ".join(
            f"{group or 'no group'} {percent(share)}"
            for (share, count), group in zip(row, groups[:MOST_GROUPS])
            if count
        )
        for label, row, by_doing in shares
    )
    return f"{group_finding(groups, shares)}. Right by group: {told}."


def save_group_picture(groups, shares, path) -> None:
    """Draw it into a PNG file, with its text alternative in it. The file is written whole or not at all."""
    save_for_page(plot_groups(groups, shares), groups_in_words(groups, shares), path)
