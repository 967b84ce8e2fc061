"""The picture of a class by group: how many of each got a task right."""

from __future__ import annotations

import math

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vocomp_lab.pictures.style import AMBER, BLUE, GREEN, INK, PURPLE, VERMILION
from vocomp_lab.sound.files import whole_or_not_at_all

MOST_GROUPS = 6
"""More can't be told apart in a picture; the table has them all."""
_MARKS = tuple(zip("os^Dv*", (BLUE, VERMILION, GREEN, PURPLE, AMBER, INK)))


def plot_groups(groups, shares) -> Figure:
    """Draw how many of each group got each task right.

    Parameters
    ----------
    groups : list of str
        At most ``MOST_GROUPS`` are drawn: the first.
    shares : list of (str, list)
        Task, and for each group (share right 0 to 1, sheets); NaN where nobody handed it in.

    Returns
    -------
    Figure
    """
    drawn = groups[:MOST_GROUPS]
    figure = Figure(figsize=(10, 2.2 + 0.4 * len(shares)), layout="constrained")
    FigureCanvasAgg(figure)
    ax = figure.subplots()
    places = range(len(shares))
    for place, (_, row) in enumerate(shares):
        known = [100 * share for share, count in row[: len(drawn)] if count]
        if known:
            ax.plot([min(known), max(known)], [place, place], color="#999999", linewidth=2, zorder=1)
    for number, group in enumerate(drawn):
        mark, colour = _MARKS[number]
        values = [100 * row[number][0] for _, row in shares]
        # A label that began with a line beneath would be left out, hence the space before it. A little above one another, so that groups with equal shares can all be seen.
        lifted = [place + 0.12 * (number - (len(drawn) - 1) / 2) for place in places]
        ax.scatter(values, lifted, marker=mark, color=colour, s=52, label=f" {_plain(group)}", zorder=2)
    ax.set_yticks(list(places), [_plain(label) for label, _ in shares])
    ax.set_title(_plain(group_finding(groups, shares)), fontsize=12)
    ax.set_xlim(-3, 103)
    ax.set_xlabel("right, % of the group's sheets", fontsize=11)
    ax.tick_params(labelsize=10)
    ax.grid(axis="x", color="#dddddd", linewidth=0.6)
    ax.invert_yaxis()
    figure.legend(loc="outside lower center", ncols=len(drawn), fontsize=10, title="group")
    return figure


def _plain(text: str) -> str:
    """A teacher's or a learner's text, with no sign that matplotlib would read as a formula."""
    return str(text).replace("$", r"\$")


def group_finding(groups, shares) -> str:
    """The picture's title: where the groups lie farthest apart."""
    apart = []
    for label, row in shares:
        known = [
            (share, group)
            for (share, count), group in zip(row, groups[:MOST_GROUPS])
            if count and not math.isnan(share)
        ]
        if len(known) > 1:
            low, high = min(known), max(known)
            apart.append((high[0] - low[0], label, high, low))
    if not apart:
        return "No task was handed in by two groups"
    gap, label, high, low = max(apart, key=lambda one: one[0])
    if not gap:
        return "Every task was right equally often in all groups"
    return f"Farthest apart: {label}, {100 * high[0]:.0f} % in {high[1]} and {100 * low[0]:.0f} % in {low[1]}"


def groups_in_words(groups, shares) -> str:
    """The picture's text alternative: its finding and every number in it."""
    told = "; ".join(
        f"{label} "
        + ", ".join(f"{group} {100 * share:.0f} %" for (share, count), group in zip(row, groups[:MOST_GROUPS]) if count)
        for label, row in shares
    )
    return f"{group_finding(groups, shares)}. Right by group: {told}."


def save_group_picture(groups, shares, path) -> None:
    """Draw it into a PNG file, with its text alternative in it. The file is written whole or not at all."""
    with whole_or_not_at_all(path) as beside:
        plot_groups(groups, shares).savefig(
            beside, format="png", dpi=96, metadata={"Description": groups_in_words(groups, shares)}
        )
