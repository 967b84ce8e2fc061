"""The pictures of ``08_the_vocal_in_the_mix``: all reductions on one time axis, and the vocal against the band."""

from __future__ import annotations

import io

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from vocomp_lab.analysis.mix import KINDS, RANGES, Presence
from vocomp_lab.pictures.panels import column_extremes
from vocomp_lab.pictures.reduction_axis import fit_reduction
from vocomp_lab.pictures.shown import A_FIGURE, tell
from vocomp_lab.pictures.style import AMBER, BLUE, GREY, INK, TITLE_PT, VERMILION, in_our_style
from vocomp_lab.processors.chain import A_RESULT, ChainResult
from vocomp_lab.sound.checks import MOST_SECONDS, By, Each, asks, check_number, shown
from vocomp_lab.sound.text import decibels

MIX_PX = (1120, 470)
MIX_TIME_BOX = (0.078, 0.17, 0.985, 0.885)
"""Where time runs in the mix picture, as shares of its width and height from the top left."""
_COLUMNS = 900
_TEXT_SIZE = 10
_WORD_ROWS = 3


def _checked_word(word) -> dict:
    if not isinstance(word, dict) or not isinstance(word.get("text"), str):
        raise ValueError(f"words: {shown(word)} is not allowed; give words with a text, such as take.truth['words'].")
    check_number("words", word.get("start_s"), 0, MOST_SECONDS, "s")
    return word


TRUE_WORDS = Each(By(_checked_word), "a list such as take.truth['words']")
"""The rule that something is the words of a take's truth."""


@asks(figure=A_FIGURE, result=A_RESULT, words=TRUE_WORDS)
def plot_stage_reductions(figure: Figure, result: ChainResult, words=()) -> None:
    """The gain reduction of every dynamics stage, one below the other over the same time, and the total at the bottom.

    Parameters
    ----------
    figure : Figure
        Empty; about 9.5 by 1.2 inches for each row.
    result : ChainResult
        Stages without a gain reduction are left out.
    words : sequence of dict
        The words of a take's truth, written across the top; none for the student's own voice.

    Notes
    -----
    All rows have the same scale: what goes deeper does more.
    """
    rows = {name: stage.reduction_db for name, stage in result.stages.items() if stage.reduction_db is not None}
    stages, total = len(rows), result.reduction_db
    rows["all together"] = total
    clip = result.source
    with in_our_style():
        axes = figure.subplots(len(rows), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
        for ax, (name, reduction_db) in zip(axes, rows.items()):
            last = ax is axes[-1]
            low, high = column_extremes(reduction_db, _COLUMNS)
            t = clip.duration_s * (np.arange(len(high)) + 0.5) / len(high)
            color = INK if last else VERMILION
            ax.fill_between(t, 0 * low, high, color=color, alpha=0.3, linewidth=0)
            ax.plot(t, high, color=color, linewidth=1.2)
            most = f"{name}: {decibels(float(reduction_db.max()))} dB at most"
            tell(ax, f"{most}, at {int(reduction_db.argmax()) / clip.rate:.1f} s")
            weight = "bold" if last else "normal"
            ax.text(0.995, 0.05, most, transform=ax.transAxes, ha="right", va="bottom", weight=weight)
        axes[0].set_xlim(0.0, clip.duration_s)
        fit_reduction(axes[0], float(total.max()), room=0.24)  # for the text under the curve
        axes[-1].set_xlabel("time (s)")
        axes[(len(rows) - 1) // 2].set_ylabel("gain reduction (dB)")
        title = (
            f"{stages} stage{'s' * (stages != 1)}, and never more than {decibels(float(total.max()))} dB together"
            if stages
            else "No stage turns the gain down"
        )
        figure.suptitle(title, x=0.01, ha="left", fontsize=TITLE_PT, weight="bold")
        figure.subplots_adjust(left=0.07, right=0.985, top=0.86 if words else 0.92, bottom=0.11, hspace=0.16)
        write_words(axes[0], words)


def write_words(ax: Axes, words) -> list[Text]:
    """The words over an axes, each in the lowest of three rows where the word before it leaves room; what was written."""
    left, right = ax.get_xlim()
    # A letter of 10 points is about 0.08 inches wide.
    letter_s = 0.08 * (right - left) / (ax.figure.get_figwidth() * ax.get_position().width)
    free_from = [left] * _WORD_ROWS
    written = []
    for word in words:
        start = word["start_s"]
        if not left <= start < right:
            continue
        row = next((row for row, free in enumerate(free_from) if free <= start), int(np.argmin(free_from)))
        free_from[row] = start + letter_s * (len(word["text"]) + 1.5)
        written.append(ax.annotate(
            word["text"], (start, 1.0), (0, 3 + 12 * row), xycoords=("data", "axes fraction"),
            textcoords="offset points", fontsize=_TEXT_SIZE, color=GREY, annotation_clip=False,
        ))  # fmt: skip
    return written


def plot_presence(
    ax: Axes, curves: dict[str, tuple[np.ndarray, np.ndarray]], balance_lu: float, margin_lu: float = 3.0
) -> None:
    """How far vocals are over a backing, from moment to moment, with the range that they should stay in.

    Parameters
    ----------
    ax : Axes
    curves : dict of label to (times_s, difference_lu)
        At most two, the one before and the one after: from :func:`vocomp_lab.analysis.mix.vocal_over_backing`.
    balance_lu : float
        Where the vocal should be.
    margin_lu : float
        Half the width of that range.
    """
    low_lu, high_lu = balance_lu - margin_lu, balance_lu + margin_lu
    ax.axhspan(low_lu, high_lu, color="#e9e9e9", zorder=0, label=f"in its place (±{margin_lu:g} LU)")
    ax.axhline(balance_lu, color=GREY, linewidth=1.0, linestyle=":", zorder=1)
    looks = ((AMBER, "--", 1.6), (BLUE, "-", 1.8))
    for (label, (times_s, difference_lu)), (color, style, width) in zip(curves.items(), looks):
        ax.plot(times_s, difference_lu, color=color, linestyle=style, linewidth=width, label=label, zorder=3)
        sunk = difference_lu < low_lu
        ax.fill_between(times_s, difference_lu, low_lu, where=sunk, color=color, alpha=0.3, linewidth=0, zorder=2)
    ax.set(xlabel="time (s)", ylabel="vocal over backing (LU)")


def mix_picture(
    curves: dict[str, dict[str, tuple[np.ndarray, np.ndarray]]],
    places: dict[str, Presence],
    balance_lu: float,
    duration_s: float,
    words=(),
    measured: str = "full range",
) -> bytes:
    """The picture of the mix bench of ``08_the_vocal_in_the_mix``: phrases above, words below, each before and after.

    Parameters
    ----------
    curves : dict of kind to curves
        For each of ``KINDS`` what :func:`plot_presence` takes.
    places : dict of Presence
        The phrases', by the same labels: the title says how often they sink.
    balance_lu, duration_s : float
    words : sequence of dict
        As for :func:`plot_stage_reductions`.
    measured : {"full range", "middle"}
        What of both tracks the curves are about. In the middle they are distances from the vocal's place there.

    Returns
    -------
    bytes
        As PNG.
    """
    with in_our_style():
        figure = Figure(figsize=(MIX_PX[0] / 96, MIX_PX[1] / 96), dpi=96, facecolor="white")
        FigureCanvasAgg(figure)
        axes = figure.subplots(len(KINDS), 1, sharex=True)
        left, _, right, bottom = MIX_TIME_BOX
        figure.subplots_adjust(left=left, right=right, top=0.83, bottom=1 - bottom, hspace=0.12)
        for ax, kind in zip(axes, KINDS):
            plot_presence(ax, curves[kind], balance_lu, next(iter(places.values())).margin_lu)
            what = "vocal\nover backing" if RANGES[measured] is None else "above\nits place"
            ax.set_ylabel(f"{kind}: {what} (LU)", fontsize=_TEXT_SIZE)
            ax.set_ylim(*_limits(curves[kind], balance_lu))
        axes[0].set(xlabel="", xlim=(0.0, duration_s))
        write_words(axes[0], words)
        handles = axes[0].get_legend_handles_labels()
        figure.legend(*handles, loc="upper right", ncols=3, bbox_to_anchor=(0.99, 1.0))
        figure.text(0.008, 0.985, mix_finding(places, measured), va="top", fontsize=TITLE_PT, weight="bold")
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png")
    return buffer.getvalue()


def range_text(measured: str) -> str:
    """What of both tracks is measured, with its edges: one of ``RANGES`` in words."""
    band_hz = RANGES[measured]
    return measured if band_hz is None else f"{measured}, {band_hz[0]:g} Hz to {band_hz[1] / 1000:g} kHz"


def mix_finding(places: dict[str, Presence], measured: str = "full range") -> str:
    """What the mix picture of ``08_the_vocal_in_the_mix`` says, in one sentence."""
    shares = " → ".join(f"{place.sinks_percent:.0f} %" for place in places.values())
    return (
        "Nobody sings here"
        if "nan" in shares
        else f"Phrases sink in {shares} of the sung time ({range_text(measured)})"
    )


def _limits(curves, balance_lu):
    """Room for nearly all of the swing of either curve (99.5 %), and never less than 8 LU up and down."""
    found = np.concatenate([difference[~np.isnan(difference)] - balance_lu for _, difference in curves.values()])
    reach = max(8.0, float(np.percentile(np.abs(found), 99.5)) + 1.0) if len(found) else 8.0
    return balance_lu - reach, balance_lu + reach
