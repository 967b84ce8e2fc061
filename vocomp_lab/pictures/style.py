"""Colours, line styles and axes that all pictures share.

Colours are Okabe and Ito's colour-blind-safe palette (Okabe & Ito, "Color Universal Design", 2008). Line style, filling
or a label repeats what a colour means. Lines stand out from white by 3:1 (WCAG 2.1, success criterion 1.4.11). The
palette's orange and sky blue don't, so they are for areas with an edge; ``AMBER`` is a darker orange.
"""

from __future__ import annotations

import matplotlib as mpl
from matplotlib import cycler
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from vocomp_lab.sound.checks import Of

INK = "#000000"
ORANGE = "#E69F00"
AMBER = "#BD8200"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
GREY = "#6b6b6b"
LINES = cycler(
    color=[BLUE, VERMILION, GREEN, PURPLE, AMBER, INK],
    linestyle=["-", "--", "-.", (0, (5, 1, 1, 1, 1, 1)), (0, (3, 1)), (0, (9, 2))],
)
"""Lines side by side."""
BEFORE_AFTER = cycler(
    color=[AMBER, BLUE, GREEN, PURPLE, INK], linestyle=["--", "-", "-.", (0, (5, 1, 1, 1, 1, 1)), (0, (9, 2))]
)
"""Lines of which the first is what was there before: dashed. The second, after it, is solid."""
LEVEL_RANGE_DB = (-60.0, 0.0)
TEXT_PT, TITLE_PT = 10.5, 12.0
"""Text in the lessons' pictures, and their titles."""


def literal(text) -> str:
    """A teacher's or a learner's text, with no sign that matplotlib would read as a formula."""
    return str(text).replace("$", r"\$")


def looks(text_pt: float = TEXT_PT) -> dict[str, object]:
    """Matplotlib's settings (rcParams) for all figures made here, with text of a size in points."""
    return {
        **dict.fromkeys(("font.size", "axes.labelsize", "legend.fontsize"), text_pt),
        "axes.titlesize": text_pt + 0.5,
        **dict.fromkeys(("xtick.labelsize", "ytick.labelsize"), text_pt - 0.5),
        "axes.grid": True,
        "grid.color": "#dddddd",
        "grid.linewidth": 0.6,
        "axes.axisbelow": True,
        **dict.fromkeys(("axes.spines.top", "axes.spines.right"), False),
        "legend.frameon": False,
    }


def in_our_style(text_pt: float = TEXT_PT):
    """A context in which figures and axes are made with :func:`looks`."""
    return mpl.rc_context(looks(text_pt))


def plain(ax: Axes, lines=LINES, grid: str = "both") -> None:
    """Give an Axes that was made elsewhere the same looks, before anything is drawn into it.

    Parameters
    ----------
    ax : Axes
    lines : Cycler
        Colours and line styles of the lines to come. A line that names only its colour takes the next style, too.
    grid : {"both", "x", "y"}
    """
    look = looks()
    ax.set_prop_cycle(lines)
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(True, axis=grid, color=look["grid.color"], linewidth=look["grid.linewidth"])
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=TEXT_PT)
    for label in (ax.xaxis.label, ax.yaxis.label):
        label.set_size(TEXT_PT)


AN_AXES = Of(Axes, "an Axes, such as plt.subplots() makes")


def legend(ax: Axes, loc: str = "best", columns: int = 1) -> None:
    """A legend without a frame."""
    ax.legend(frameon=False, fontsize=TEXT_PT, loc=loc, ncols=columns)


def title(ax: Axes, finding: str) -> None:
    """Put what was found on top of an Axes, in one sentence."""
    ax.set_title(finding, fontsize=TITLE_PT, loc="left")


def frequency_axis(ax: Axes, low_hz: float = 20, high_hz: float = 20_000) -> None:
    """Make the x axis a logarithmic frequency axis with readable ticks."""
    ax.set_xscale("log")
    ax.set_xlim(low_hz, high_hz)
    ax.xaxis.set_major_locator(FixedLocator([20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda f, _: f"{f / 1000:g}k" if f >= 1000 else f"{f:g}"))
    ax.set_xlabel("frequency (Hz)")
