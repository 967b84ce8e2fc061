"""Colours, line styles and axes that all pictures share.

Colours are Okabe and Ito's colour-blind-safe palette (Okabe & Ito, "Color Universal Design", 2008), and what a colour
means is said again by line style, by filling or by a label. Lines stand out from white by 3:1 (WCAG 2.1, success
criterion 1.4.11): the palette's orange and sky blue don't, and serve for areas with an edge; ``AMBER`` is the orange
darkened.
"""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

INK = "#000000"
ORANGE = "#E69F00"
AMBER = "#BD8200"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
GREY = "#6b6b6b"
LINE_STYLES = (
    (BLUE, "-"), (VERMILION, "--"), (GREEN, "-."), (PURPLE, (0, (5, 1, 1, 1, 1, 1))), (AMBER, (0, (3, 1))), (INK, (0, (9, 2))),
)  # fmt: skip
LEVEL_RANGE_DB = (-60.0, 0.0)
STYLE = {"font.size": 9.5, "axes.titlesize": 10, "axes.labelsize": 9.5, "xtick.labelsize": 9, "ytick.labelsize": 9}


def frequency_axis(ax: Axes, low_hz: float = 20, high_hz: float = 20_000) -> None:
    """Make the x axis a logarithmic frequency axis with readable ticks."""
    ax.set_xscale("log")
    ax.set_xlim(low_hz, high_hz)
    ax.xaxis.set_major_locator(FixedLocator([20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda f, _: f"{f / 1000:g}k" if f >= 1000 else f"{f:g}"))
    ax.set_xlabel("frequency (Hz)")
