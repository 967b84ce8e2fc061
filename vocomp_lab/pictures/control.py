"""Still pictures of what compressors do: static curves, reductions over time, words, onsets, beats.

Each function draws into an Axes. Where it sets a title, the title says what was found.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from matplotlib.axes import Axes

from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.onsets import ONSET_MS, SUSTAIN_MS, onset_to_sustain_db
from vocomp_lab.analysis.parallel import blended_curve
from vocomp_lab.analysis.pumping import smoothed_db
from vocomp_lab.analysis.stretches import checked_words
from vocomp_lab.pictures.reduction_axis import fit_reduction
from vocomp_lab.pictures.style import AN_AXES, BEFORE_AFTER, GREY, INK, LEVEL_RANGE_DB, legend, plain, title
from vocomp_lab.processors.compressor import A_COMPRESSOR
from vocomp_lab.sound.audio import A_CLIP, A_RATE, CURVE_RATE, Clip
from vocomp_lab.sound.checks import MOST_SECONDS, REDUCTION, By, Each, Having, Named, Numbers, OrNone, Range, Span, asks
from vocomp_lab.sound.levels import power_to_db, step_powers
from vocomp_lab.sound.text import decibels


@asks(
    ax=AN_AXES,
    clips=Named(A_CLIP),
    words=By(checked_words),
    called=OrNone(Having(("__call__",), "a function, such as lesson.called")),
)
def plot_word_loudness(ax: Axes, clips: dict[str, Clip], words, called=None) -> None:
    """The loudness of each word, with their spread to both sides of the middle one shaded: how even they are.

    Parameters
    ----------
    ax : Axes
    clips : dict of label to Clip
        Equally long; the others are compared with the first. Each is drawn against its own middle word, so only
        evenness shows, not loudness.
    words : sequence with ``start_s`` and ``end_s``
        The source's words (:func:`vocomp_lab.analysis.words.voiced_words`).
    called : callable, optional
        What a stretch is called, from its start and end in seconds, such as a lesson's ``called``; else nothing is named.
    """
    plain(ax, BEFORE_AFTER)
    measured = []
    for label, clip in clips.items():
        levels = word_levels(clip, words)
        if math.isnan(levels.spread_lu):
            continue
        gaps = np.full(len(words), np.nan)
        at_s = np.column_stack([levels.starts_s, levels.ends_s, gaps]).ravel()
        offsets_lu = np.column_stack([levels.offsets_lu, levels.offsets_lu, gaps]).ravel()
        # A short word shows one dash at most, so the clips differ in width, too.
        width = 2.0 + 2.5 * len(measured)
        (line,) = ax.plot(at_s, offsets_lu, linewidth=width, label=f"{label} ({decibels(levels.spread_lu)} LU)")
        ax.axhspan(-levels.spread_lu, levels.spread_lu, color=line.get_color(), alpha=0.13, linewidth=0)
        there = levels.starts_s[levels.farthest], levels.farthest_lu
        ax.plot(*there, "o", color=line.get_color(), markersize=7, fillstyle="none", label="_farthest")
        measured.append(levels)
    ax.set(xlabel="time (s)", ylabel="loudness of each word,\nagainst the middle one (LU)")
    finding = "Nobody sings in this clip"
    if measured:
        spreads = " → ".join(decibels(levels.spread_lu) for levels in measured)
        middles_s = [(words[one.farthest].start_s + words[one.farthest].end_s) / 2 for one in measured]
        names = [called(at_s - 0.01, at_s + 0.01) if called else "" for at_s in middles_s]  # not the words beside it
        same = len(set(names)) == 1
        farthest = " → ".join(
            f"{'' if same else f'{name} '}{decibels(levels.farthest_lu, sign=True)}"
            for name, levels in zip(names, measured)
        )
        named = f", {names[0]}," if same and names[0] else ""
        finding = f"Spread of the words {spreads} LU; the farthest{named} (circle) {farthest} LU"
        low, high = ax.get_ylim()
        ax.set_ylim(low, high + 0.18 * (high - low))  # room for the legend over the lines
        legend(ax, "upper left", 2)
    title(ax, finding)


@asks(ax=AN_AXES, compressor=A_COMPRESSOR, mixes=Each(Range(0, 1), "a list of numbers from 0 to 1"))
def plot_blends(ax: Axes, compressor, mixes) -> None:
    """How a compressor's static curve changes with its mix: gain against level in.

    Parameters
    ----------
    ax : Axes
    compressor : processor with ``mix``, ``static_curve`` and ``makeup_db``
    mixes : sequence of float
        From 0 to 1.
    """
    level_db = np.linspace(-70, 0, 281)
    plain(ax)
    for mix in mixes:
        curve = blended_curve(dataclasses.replace(compressor, mix=mix), level_db)
        ax.plot(level_db, curve - level_db, linewidth=2, label=f"mix {mix:g}")
    ax.set(xlim=(-70, 0), xlabel="level in (dBFS)", ylabel="gain (dB)")
    lowest = min((mix for mix in mixes if 0 < mix < 1), default=None)
    finding = "All compressed: the louder it gets, the more is taken away"
    if lowest is not None:
        finding = f"However loud it gets, mix {lowest:g} takes no more than {decibels(-20 * np.log10(1 - lowest))} dB"
    legend(ax, "lower left")
    title(ax, finding)


@asks(
    ax=AN_AXES,
    clips=Named(A_CLIP),
    onsets_s=Numbers(0, MOST_SECONDS, "s", dims=1),
    before_ms=Range(0, 2_000, "ms"),
    after_ms=Range(SUSTAIN_MS[1], 2_000, "ms"),
)
def plot_onsets(
    ax: Axes, clips: dict[str, Clip], onsets_s, *, before_ms: float = 60.0, after_ms: float = 300.0
) -> None:
    """The level of all notes from their beginnings on, laid over each other: the median course of an onset.

    Parameters
    ----------
    ax : Axes
    clips : dict of label to Clip
        Equally long. The title compares the last with the first.
    onsets_s : array_like, shape (onsets,)
        Where the notes begin, in seconds.
    before_ms, after_ms : float
        How much is shown before and after.

    Notes
    -----
    Each course is drawn against its own level from 120 to 250 ms after the onset, so only its shape shows. As in
    :func:`vocomp_lab.analysis.onsets.onset_to_sustain_db`, notes that are over before that are left out.
    """
    step_ms = 5.0
    offsets = np.arange(round(-before_ms / step_ms), round(after_ms / step_ms) + 1)
    at_ms = offsets * step_ms
    early = (at_ms >= 0) & (at_ms < ONSET_MS)
    sustain = (at_ms >= SUSTAIN_MS[0]) & (at_ms <= SUSTAIN_MS[1])
    onsets_s = np.asarray(onsets_s, dtype=float)
    plain(ax, BEFORE_AFTER)
    tops = []
    for label, clip in clips.items():
        _, powers = step_powers(clip, step_ms)
        level_db = power_to_db(powers, floor_db=-120.0)
        lasting = np.isfinite(onset_to_sustain_db(clip, onsets_s))
        places = np.rint(onsets_s[lasting] * 1000 / step_ms).astype(int)[:, None] + offsets
        places = places[(places.min(axis=1) >= 0) & (places.max(axis=1) < len(level_db))]
        if len(places) == 0:
            continue
        courses = level_db[places]
        course = np.median(courses - courses[:, sustain].mean(axis=1, keepdims=True), axis=0)
        tops.append(float(course[early].max()))
        ax.plot(at_ms, course, linewidth=2, label=label)
    ax.axvspan(0, ONSET_MS, color=GREY, alpha=0.12, linewidth=0)
    ax.axvline(0, color=INK, linewidth=0.8)
    ax.set(xlabel="time from the beginning of the note (ms)", ylabel="level, against\nwhat follows (dB)")
    ax.set_xlim(at_ms[0], at_ms[-1])
    finding = "No note here is long enough to draw"
    if tops:
        ax.set_ylim(min(-18.0, min(tops) - 3), max(tops) + 3)
        apart = decibels(tops[-1] - tops[0], sign=True)
        finding = f"Top within the first 50 ms (shaded): {apart} dB from the first to the last line"
        legend(ax, "lower right")
    title(ax, finding)


@asks(
    ax=AN_AXES,
    reductions=Named(REDUCTION),
    rate=A_RATE,
    window=Span(),
    beats_s=Numbers(-MOST_SECONDS, MOST_SECONDS, "s", dims=1),
)
def plot_release_and_beat(ax: Axes, reductions: dict[str, np.ndarray], rate: int, window, beats_s) -> None:
    """Gain reductions over time with the song's beats: which have let go by the next beat, and which pump.

    Parameters
    ----------
    ax : Axes
    reductions : dict of label to ndarray of shape (frames,)
        In dB; drawn downward, smoothed over 50 ms.
    rate : int
    window : (float, float)
        The stretch of time to show, in seconds.
    beats_s : array_like
        Times of the beats, in seconds.
    """
    start_s, end_s = window
    moved, deepest = [], [0.0]
    plain(ax)
    for label, reduction_db in reductions.items():
        smooth = smoothed_db(reduction_db, rate)
        first, last = (min(max(round(at * rate), 0), len(smooth)) for at in window)
        seen = smooth[first:last]
        moved.append(float(np.subtract(*np.percentile(seen, [90, 10]))) if len(seen) else 0.0)
        deepest.append(float(seen.max(initial=0.0)))
        step = max(len(seen) // 2000, 1)
        times_s = start_s + np.arange(0, len(seen), step) / rate
        name = f"{label}: {decibels(moved[-1])} dB"
        ax.plot(times_s, seen[::step], linewidth=2, label=name)
    for number, beat in enumerate(b for b in beats_s if start_s <= b <= end_s):
        ax.axvline(beat, color=GREY, linestyle=(0, (1, 2)), linewidth=1.2, label=None if number else "beat (dotted)")
    ax.set(xlabel="time (s)", ylabel="gain reduction,\nover 50 ms (dB)", xlim=(start_s, end_s))
    fit_reduction(ax, max(deepest), room=0.25)
    legend(ax, "lower left", 2)
    title(ax, f"Four fifths of the time the gain swings within {', '.join(map(decibels, moved))} dB")


@asks(ax=AN_AXES, compressors=Named(Having(("static_curve",), "a compressor, such as Compressor(-18, 3, 5, 80)")))
def plot_static_curves(ax: Axes, compressors: dict[str, object]) -> None:
    """Static curves in one Axes, distinguished by line style, each with its label.

    Parameters
    ----------
    ax : Axes
    compressors : dict of label to an object with ``static_curve``
    """
    plain(ax)
    x = np.linspace(*LEVEL_RANGE_DB, 241)
    ax.plot(x, x, color=GREY, linestyle=":", linewidth=1.0, label="no change (dotted)")
    for label, compressor in compressors.items():
        ax.plot(x, compressor.static_curve(x), linewidth=2.0, label=label)
    ax.set(xlim=LEVEL_RANGE_DB, ylim=LEVEL_RANGE_DB, xlabel="level in (dBFS)", ylabel="level out (dBFS)")
    legend(ax, "upper left")


@asks(ax=AN_AXES, curves=Named(Numbers(-1e6, 1e6, dims=1, nan=True)), rate=CURVE_RATE)
def plot_over_time(ax: Axes, curves: dict[str, np.ndarray], rate: int, *, unit: str = "ms") -> None:
    """Gain reductions over time in one Axes, drawn downward, distinguished by line style.

    Parameters
    ----------
    ax : Axes
    curves : dict of label to ndarray of shape (frames,)
        Reduction in dB.
    rate : int
    unit : {"ms", "s"}
    """
    plain(ax)
    scale = 1000.0 if unit == "ms" else 1.0
    for label, curve in curves.items():
        ax.plot(scale * np.arange(len(curve)) / rate, curve, linewidth=1.8, label=label)
    ax.set(xlabel=f"time ({unit})", ylabel="gain reduction (dB)")
    fit_reduction(ax, max(float(np.max(curve)) for curve in curves.values()))
    legend(ax)
