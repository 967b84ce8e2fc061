"""The axis of a gain reduction, the same in every picture: from 0 dB downward, to one of a few fixed depths.

An axis that always fits its curve makes 1.7 dB look as deep as 13. With few depths, all of them with ticks at whole
decibels, most curves share a scale, and where the scale changes it can be read.
"""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter

DEPTHS_DB = (6, 12, 18, 24, 36, 48, 72, 96, 240)
"""Each is a multiple of three whole decibels: there are ticks at its thirds."""
_ROOM = 1.04


def depth_for(deepest_db: float, room: float = 0.0) -> int:
    """The smallest depth in dB at which a reduction as deep as this is not cut off, with a little room under it.

    `room` is how much is kept free under the curve at least, as a share of the panel.
    """
    needed_db = max(_ROOM * deepest_db, deepest_db / (1.0 - room))
    return next((depth for depth in DEPTHS_DB if needed_db <= depth), DEPTHS_DB[-1])


def draw_down_to(ax: Axes, depth_db: int) -> None:
    """Let an Axes run from 0 dB down to a depth of ``DEPTHS_DB``, with ticks at whole decibels."""
    ax.set_ylim(depth_db, 0)
    ax.yaxis.set_major_locator(FixedLocator([depth_db * third // 3 for third in range(4)]))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda db, _: f"{db:.0f}"))


def fit_reduction(ax: Axes, deepest_db: float, room: float = 0.0) -> int:
    """Give an Axes the scale for a reduction in dB, which is drawn as a number of 0 or more.

    Parameters
    ----------
    ax : Axes
    deepest_db : float
        The deepest reduction that is drawn.
    room : float
        As for :func:`depth_for`: for a legend.

    Returns
    -------
    int
        The depth in dB, one of ``DEPTHS_DB``.
    """
    depth_db = depth_for(deepest_db, room)
    draw_down_to(ax, depth_db)
    return depth_db
