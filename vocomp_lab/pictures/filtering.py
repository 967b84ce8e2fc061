"""The still pictures of ``03_filtering``: low cuts, what a pop does to a reduction, and hiss against voice."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from vocomp_lab.analysis.lowend import LOW_END_HZ, Pop, running_level_db, split_low_end
from vocomp_lab.pictures.reduction_axis import fit_reduction
from vocomp_lab.pictures.shown import tell
from vocomp_lab.pictures.style import AN_AXES, BEFORE_AFTER, BLUE, GREY, INK, ORANGE, frequency_axis, legend, plain
from vocomp_lab.sound.audio import A_CLIP, A_RATE, Clip
from vocomp_lab.sound.checks import REDUCTION, Each, Having, Named, Numbers, Of, Range, asks, check_choice
from vocomp_lab.sound.text import decibels

_AROUND_S = (0.15, 0.45)


@asks(
    ax=AN_AXES,
    filters=Named(Having(("response_db",), "a filter, such as HighPass(80)")),
    rate=A_RATE,
    lowest_hz=Range(20, 1_000, "Hz"),
)
def plot_low_cuts(ax: Axes, filters: dict[str, object], rate: int, lowest_hz: float) -> None:
    """Responses of low cuts, with the lowest sung note.

    Parameters
    ----------
    ax : Axes
    filters : dict of label to an object with ``response_db``
    rate : int
    lowest_hz : float
        Fundamental of the lowest note.
    """
    plain(ax, BEFORE_AFTER)
    freqs_hz = np.geomspace(20, min(1_000, 0.49 * rate), 400)
    ax.axvspan(20, LOW_END_HZ, color=ORANGE, alpha=0.18, linewidth=0)
    ax.text(21, 1.5, f"below {LOW_END_HZ:g} Hz:\nhardly any voice", fontsize=10, va="top")
    ax.axvline(lowest_hz, color=GREY, linestyle=(0, (1, 1)), linewidth=2.0)
    ax.annotate(f" lowest note,\n {lowest_hz:.0f} Hz", (lowest_hz, -21), fontsize=10)
    for label, cut in filters.items():
        ax.plot(freqs_hz, cut.response_db(freqs_hz, rate), linewidth=2.0, label=label)
    frequency_axis(ax, 20, 1_000)
    ax.set(ylim=(-36, 3), ylabel="gain (dB)")
    legend(ax, "lower right")


@asks(
    axes=Each(AN_AXES, "two Axes"),
    recorded=A_CLIP,
    pop=Of(Pop, "a Pop, such as find_pops(clip) finds"),
    reductions=Named(REDUCTION),
)
def plot_reaction(axes, recorded: Clip, pop: Pop, reductions: dict[str, np.ndarray]) -> None:
    """The level of the low end around a pop, and under it what compressors did meanwhile.

    Parameters
    ----------
    axes : two Axes
        For the level and for the reductions.
    recorded : Clip
        The take before any filter.
    pop : Pop
    reductions : dict of label to ndarray of shape (frames,)
        Gain reduction in dB, drawn downward.
    """
    if len(axes) != 2:
        raise ValueError(f"axes: {len(axes)} of them are not allowed; give two Axes.")
    level_ax, reduction_ax = axes
    for ax in axes:
        plain(ax, BEFORE_AFTER)
    rate = recorded.rate
    start = max(int((pop.time_s - _AROUND_S[0]) * rate), 0)
    part = slice(start, min(int((pop.time_s + _AROUND_S[1]) * rate), recorded.frames))
    if part.stop <= part.start or any(len(reduction_db) != recorded.frames for reduction_db in reductions.values()):
        raise ValueError(
            "recorded: the pop and the reductions don't fit this clip; give the one that they were found in."
        )
    times_s = np.arange(part.start, part.stop) / rate
    low_db = running_level_db(split_low_end(recorded)[0])[part]
    level_ax.plot(times_s, low_db, color=INK, linestyle="-", linewidth=1.8, label="level of the low end")
    level_ax.axvline(pop.time_s, color=GREY, linestyle=(0, (1, 1)))
    level_ax.set(
        ylabel=f"below {LOW_END_HZ:g} Hz\n(dBFS)",
        ylim=(max(float(low_db.min()), -80) - 3, max(float(low_db.max()), -60) + 4),
    )
    for label, reduction_db in reductions.items():
        reduction_ax.plot(times_s, reduction_db[part], linewidth=2.0, label=label)
    reduction_ax.axvline(pop.time_s, color=GREY, linestyle=(0, (1, 1)))
    deepest = max(float(np.max(reduction_db[part])) for reduction_db in reductions.values())
    reduction_ax.set(xlabel="time (s)", ylabel="gain reduction\n(dB)")
    fit_reduction(reduction_ax, deepest)
    legend(reduction_ax, "lower left")
    for ax in axes:
        ax.set_xlim(times_s[0], times_s[-1])


@asks(ax=AN_AXES, balances_db=Named(Numbers(-np.inf, 1_000, "dB", dims=0, nan=True)))
def plot_balances(ax: Axes, balances_db: dict[str, float], reference: str) -> None:
    """Hiss against voice in several versions of a take, a row each.

    Parameters
    ----------
    ax : Axes
    balances_db : dict of label to float
        From :func:`vocomp_lab.analysis.sibilants.sibilance_balance_db`. NaN gets no dot.
    reference : str
        The label of the version that the others are compared with; a line marks it.
    """
    check_choice("reference", reference, list(balances_db))
    plain(ax, grid="x")
    rows = np.arange(len(balances_db))
    values = np.array(list(balances_db.values()))
    ax.axvline(balances_db[reference], color=GREY, linestyle=(0, (4, 2)), linewidth=1.4)
    ax.plot(values, rows, "o", color=BLUE, markersize=9)
    for row, value in zip(rows, values):
        if np.isfinite(value):
            change = value - balances_db[reference]
            text = f"{decibels(value)} dB" + (
                f" ({decibels(change, sign=True)} dB)" if row and np.isfinite(change) else ""
            )
            ax.annotate(text, (value, row), (9, 0), textcoords="offset points", va="center", fontsize=10)
    tell(ax, "; ".join(f"{label} {decibels(value)} dB" for label, value in balances_db.items()))
    ax.set(xlabel=f"hiss of the s sounds against the voice (dB); dashed: {reference}", ylim=(len(rows) - 0.5, -0.5))
    ax.set_yticks(rows, list(balances_db))
    ax.margins(x=0.25)
