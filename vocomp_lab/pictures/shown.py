"""A figure with its text alternative: its findings, its axes, and the numbers of every line, read off what is drawn."""

from __future__ import annotations

import base64
import html
import io
import weakref

import numpy as np
from IPython.display import HTML, display
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vocomp_lab.sound.checks import Of, asks
from vocomp_lab.sound.text import figure as figure_text

A_FIGURE = Of(Figure, "a Figure, such as plt.subplots() makes")
POINTS = 5
"""How many points of a line the text gives, ends included."""
MOST_DOTS = 8
"""Of so few separate dots it gives each one."""
_SAID: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


@asks(figure=A_FIGURE)
def show(figure: Figure) -> None:
    """Display a figure with its text alternative, and close it.

    Parameters
    ----------
    figure : Figure
        Its alternative text is what :func:`described` says.

    Notes
    -----
    It goes out as HTML, so the text stays with the picture in exported pages, too. The paper is white in both themes,
    like that of all pictures here.
    """
    from matplotlib import pyplot  # takes half a second to import, and a description doesn't need it

    display(HTML(picture_html(figure)))
    pyplot.close(figure)


def picture_html(figure: Figure) -> str:
    """A figure as an ``<img>`` with picture and text alternative."""
    file = io.BytesIO()
    figure.savefig(file, format="png", facecolor="white", bbox_inches="tight")
    source = base64.b64encode(file.getvalue()).decode()
    alt = html.escape(described(figure))
    return f'<img class="vocomp-figure" style="max-width:100%" alt="{alt}" src="data:image/png;base64,{source}">'


def tell(ax: Axes, *sentences: str) -> None:
    """Say what an Axes shows where its lines alone don't say it well. Replaces what is read off its lines."""
    _SAID[ax] = sentences


def described(figure: Figure) -> str:
    """What a figure shows, in words and numbers.

    Parameters
    ----------
    figure : Figure

    Returns
    -------
    str
        The title. Then for each Axes its own title, what its axes show and their ranges, points of each line that has
        a label, with its highest and lowest, and the text in it. Where :func:`tell` was called, its sentences replace
        the lines and the text.
    """
    title = figure.get_suptitle()
    parts = [title] if title else []
    for ax in figure.axes:
        if ax.get_visible() and ax.axison:
            parts += _axes_in_words(ax)
    return _clean(" ".join(part if part.endswith((".", "?", "!")) else f"{part}." for part in parts))


def _axes_in_words(ax: Axes) -> list[str]:
    titles = [title for loc in ("left", "center", "right") if (title := ax.get_title(loc=loc))]
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    across = _label([ax, *ax.get_shared_x_axes().get_siblings(ax)], Axes.get_xlabel)
    upward = _label([ax, *ax.get_shared_y_axes().get_siblings(ax)], Axes.get_ylabel)
    axes = [f"across {across}, {_number(left)} to {_number(right)}"] if across else []
    if upward:
        low, high = sorted((bottom, top))
        axes.append(f"{'upward' if bottom <= top else 'downward'} {upward}, {_number(low)} to {_number(high)}")
    return [*titles, *(["Axes: " + "; ".join(axes)] if axes else []), *(_SAID[ax] if ax in _SAID else _contents(ax))]


def _label(siblings, get) -> str:
    """The label of an axis, or of one that shares it. An axis of names has none."""
    return next((label for ax in siblings if (label := get(ax))), "")


def _contents(ax: Axes) -> list[str]:
    named = [line for line in ax.lines if line.get_visible() and not line.get_label().startswith("_")]
    lines = [_line_in_words(ax, line) for line in named]
    written = [text.get_text() for text in ax.texts if text.get_visible() and text.get_text().strip()]
    return [*lines, *(["Text in it: " + "; ".join(written)] if written else [])]


def _line_in_words(ax: Axes, line) -> str:
    """Points of a line, evenly spread over the part in sight, and its lowest and highest where these are elsewhere."""
    x, y = (np.asarray(values, dtype=np.float64) for values in line.get_data(orig=False))
    low, high = sorted(ax.get_xlim())
    seen = np.isfinite(x) & np.isfinite(y) & (x >= low) & (x <= high)
    x, y = x[seen], y[seen]
    label = line.get_label()
    if len(x) == 0:
        return f"{label}: nothing in sight"
    if len(x) == 2 and x[0] == x[1]:
        return f"{label}: at {_number(x[0])}"
    if line.get_linestyle() in ("None", "none", " ", "") and len(x) > MOST_DOTS:
        return f"{label}: {len(x)} dots, from {_number(y.min())} to {_number(y.max())}"
    if len(x) <= MOST_DOTS:
        return f"{label}: " + ", ".join(f"{_number(b)} at {_number(a)}" for a, b in zip(x, y))
    spread = np.geomspace if ax.get_xscale() == "log" else np.linspace
    chosen = np.unique(np.abs(x[:, None] - spread(x.min(), x.max(), POINTS)).argmin(axis=0))
    points = ", ".join(f"{_number(y[k])} at {_number(x[k])}" for k in chosen)
    ends = [
        f"{name} {_number(y[k])} at {_number(x[k])}"
        for name, k in (("lowest", int(y.argmin())), ("highest", int(y.argmax())))
        if not np.isclose(y[chosen], y[k], atol=0.02 * max(float(np.ptp(y)), 1e-9)).any()
    ]
    return f"{label}: {'; '.join([points, *ends])}"


def _number(value: float) -> str:
    return figure_text(value, digits=3, most_decimals=2)


def _clean(text: str) -> str:
    return " ".join(text.split())
