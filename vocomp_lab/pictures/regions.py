"""The pictures of level prep: words against the level around them, gain regions, and what a waveform hides.

A region is shaded and labelled with its gain. A proposal has a dashed outline. Where there are several sections, each has
its name at the top, a dotted line at its level, and a double line where it begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import to_rgba

from vocomp_lab.analysis.sections import Section
from vocomp_lab.analysis.stretches import checked_words
from vocomp_lab.analysis.words import Span, running_level, voiced_words
from vocomp_lab.pictures.panels import Panel, WaveformPanel, Window
from vocomp_lab.pictures.pictures import Picture
from vocomp_lab.pictures.shown import tell
from vocomp_lab.pictures.style import AMBER, AN_AXES, BLUE, GREEN, GREY, INK, PURPLE, TEXT_PT, VERMILION, plain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import By, Each, Numbers, Of, asks, check_whole, listed
from vocomp_lab.sound.text import decibels

_LABELS, _NAMES = 40, 12
_BELOW_DB, _ABOVE_DB, _OVER_DB = 15.0, 10.0, 6.0
_LEVELS = Numbers(-math.inf, 1_000, "dB", dims=1)
_SPREAD_PERCENTILES = (5, 95)


@dataclass(frozen=True)
class Marks:
    """What a picture shows besides the regions: proposals, the stretch that is chosen in the list, and sections."""

    proposals: tuple[GainRegion, ...] = ()
    chosen: tuple[float, float] | None = None
    sections: tuple[Section, ...] = ()


class RegionsPanel(Panel):
    """Each word's level before and after as a bar, the running level behind them, and shaded regions."""

    def __init__(self, ax: Axes):
        super().__init__(ax)
        self.regions = PolyCollection(
            [], facecolor=to_rgba(GREEN, 0.2), edgecolor=GREEN, hatch="//", label="region (hatched)"
        )
        self.proposals = PolyCollection(
            [], facecolor="none", edgecolor=PURPLE, linestyle="--", linewidth=1.8, label="proposed (dashed)"
        )
        self.chosen = PolyCollection([], facecolor="none", edgecolor=INK, linewidth=2.0)
        self.before = LineCollection(
            [], colors=AMBER, linewidths=2.0, linestyles=(0, (3, 1)), label="word before (dashed)"
        )
        self.after = LineCollection([], colors=BLUE, linewidths=3.0, label="word after")
        # Two lines side by side: nothing else in the picture has that form.
        self.edges = LineCollection([], colors=INK, linewidths=5.0, transform=ax.get_xaxis_transform())
        self.gaps = LineCollection([], colors="white", linewidths=2.0, transform=ax.get_xaxis_transform())
        self.usual = LineCollection([], colors=INK, linewidths=1.2, linestyles=":")
        sections = (self.edges, self.gaps, self.usual)
        for collection in (*sections, self.regions, self.proposals, self.chosen, self.before, self.after):
            ax.add_collection(collection, autolim=False)
        (self.running,) = ax.plot([], [], color=GREY, linewidth=1.4, linestyle="-.", label="level around it (dash-dot)")
        self.labels = [self._text(0.07, va="bottom", ha="center") for _ in range(_LABELS)]
        self.names = [self._text(0.97, va="top", ha="left") for _ in range(_NAMES)]
        ax.set_ylabel("loudness of the\nwords (LUFS)")
        ax.set_xlabel("time (s)")
        self.moving = [
            *sections, self.regions, self.proposals, self.chosen, self.running, self.before, self.after, *self.labels, *self.names
        ]  # fmt: skip

    def _text(self, height: float, **place):
        return self.ax.text(
            0, height, "", transform=self.ax.get_xaxis_transform(), fontsize=9.5, weight="bold", clip_on=True, zorder=5,
            bbox={"facecolor": "white", "alpha": 0.75, "linewidth": 0, "pad": 0.8}, **place,
        )  # fmt: skip

    def set_clip(self, clip: Clip, shift_s: float) -> None:
        """Show the words of the source."""
        self.clip, self.words, self.shift_s = clip, voiced_words(clip), shift_s
        words = self.words
        self.before.set_segments(self._bars([word.level_db for word in words]))
        middle = float(np.median([word.level_db for word in words])) if words else -30.0
        loudest = max([word.level_db for word in words], default=middle)
        self.ax.set_ylim(middle - _BELOW_DB, max(middle + _ABOVE_DB, loudest + _OVER_DB))

    def set_gains(self, gains: ClipGain, marks: Marks, window: Window) -> np.ndarray:
        """Show regions and marks, and the level around with the gains. Returns the words' levels with the gains."""
        times_s, level_db = running_level(self.clip, gains.gain_db_at)
        self.running.set_data(self.shift_s + times_s, np.where(np.isfinite(level_db), level_db, np.nan))
        after_db = word_levels_after(self.words, gains)
        self.after.set_segments(self._bars(after_db))
        self.regions.set_verts([self._box(region.start_s, region.end_s) for region in gains.regions])
        self.proposals.set_verts([self._box(region.start_s, region.end_s, 0.06) for region in marks.proposals])
        self.chosen.set_verts([] if marks.chosen is None else [self._box(*marks.chosen, 0.035)])
        texts = [(region, "") for region in gains.regions] + [(region, "?") for region in marks.proposals]
        seen = [
            (region, mark) for region, mark in texts if region.end_s > window.start_s and region.start_s < window.end_s
        ]
        for label, (region, mark) in zip(self.labels, seen):
            label.set_text(f"{decibels(region.gain_db, sign=True)} dB{mark}")
            middle_s = (max(region.start_s, window.start_s) + min(region.end_s, window.end_s)) / 2
            label.set_x(self.shift_s + middle_s)
        for number, label in enumerate(self.labels):
            label.set_visible(number < len(seen))
        self._set_sections(marks.sections if len(marks.sections) > 1 else (), window)
        return after_db

    def _set_sections(self, sections: tuple[Section, ...], window: Window) -> None:
        edges = [[(self.shift_s + section.start_s, 0), (self.shift_s + section.start_s, 1)] for section in sections[1:]]
        self.edges.set_segments(edges)
        self.gaps.set_segments(edges)
        self.usual.set_segments(
            [
                (
                    (self.shift_s + section.start_s, section.level_lufs),
                    (self.shift_s + section.end_s, section.level_lufs),
                )
                for section in sections
                if np.isfinite(section.level_lufs)
            ]
        )
        seen = [
            (number, section)
            for number, section in enumerate(sections, 1)
            if section.end_s > window.start_s and section.start_s < window.end_s
        ]
        margin_s = 0.008 * (window.end_s - window.start_s)
        for name, (number, section) in zip(self.names, seen):
            name.set_text(f"section {number}: {decibels(section.level_lufs)} LUFS")
            name.set_x(self.shift_s + max(section.start_s, window.start_s) + margin_s)
        for place, name in enumerate(self.names):
            name.set_visible(place < len(seen))

    def _bars(self, levels_db) -> list:
        return [
            ((self.shift_s + word.start_s, level_db), (self.shift_s + word.end_s, level_db))
            for word, level_db in zip(self.words, levels_db)
        ]

    def _box(self, start_s: float, end_s: float, inset: float = 0.0) -> list[tuple[float, float]]:
        low, high = self.ax.get_ylim()
        low, high = low + inset * (high - low), high - inset * (high - low)
        start_s, end_s = self.shift_s + start_s, self.shift_s + end_s
        return [(start_s, low), (start_s, high), (end_s, high), (end_s, low)]


class RegionsPicture(Picture):
    """Waveform before and after; the words' levels with the gain regions over them."""

    foot = 0.115

    def _make_panels(self, figure):
        above, below = self._over_time(figure, (1, 1.7), 0.077)
        self.waveform, self.levels = WaveformPanel(above), RegionsPanel(below)
        self.waveform.ax.tick_params(labelbottom=False)
        for panel in (self.waveform, self.levels):
            panel.legend_above()
        self.marks = Marks()
        return [self.waveform, self.levels]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        for panel in (self.waveform, self.levels):
            panel.show_window(window)
        self.waveform.set_before(clip, window)
        self.levels.set_clip(clip, window.shift_s)
        self.invalidate()

    def set_result(self, stage, window: Window, active: np.ndarray) -> None:
        """Show what the regions do, and the ``marks`` beside them."""
        if self.waveform.set_after(stage.output, window):
            self.invalidate()
        self.gains = stage.processor
        self.spread_db = tuple(
            spread_db(levels)
            for levels in (
                [word.level_db for word in self.levels.words],
                self.levels.set_gains(self.gains, self.marks, window),
            )
        )

    def finding(self, change) -> str:
        """How far the words' levels lie apart, before and after."""
        count, (before, after) = len(self.gains.regions), self.spread_db
        regions = "No region yet" if count == 0 else "1 region" if count == 1 else f"{count} regions"
        if not np.isfinite(before):
            return f"{regions}: nobody sings here"
        change = (
            f"lie {decibels(before)} dB apart"
            if count == 0
            else f"lie {decibels(after)} dB apart, not {decibels(before)}"
        )
        return f"{regions}: nine words in ten {change}"

    def description(self, change) -> str:
        """The finding, and every region and proposal with its numbers."""
        parts = [
            f"{kind} {stretch_text(region)}"
            for kind, group in (("region", self.gains.regions), ("proposed", self.marks.proposals))
            for region in group
        ]
        if len(self.marks.sections) > 1:
            parts += [section_text(*numbered) for numbered in enumerate(self.marks.sections, 1)]
        return "; ".join([self.finding(change), *parts])


def stretch_text(region: GainRegion) -> str:
    """A region in one line: "7.43 to 10.09 s, +3.9 dB"."""
    return f"{region.start_s:.2f} to {region.end_s:.2f} s, {decibels(region.gain_db, sign=True)} dB"


def section_text(number: int, section: Section) -> str:
    """A section in one line: "section 2: 13.54 to 28.20 s, −26.1 LUFS"."""
    return f"section {number}: {section.start_s:.2f} to {section.end_s:.2f} s, {decibels(section.level_lufs)} LUFS"


@asks(words=By(checked_words), gains=Of(ClipGain, "a ClipGain"))
def word_levels_after(words: list[Span], gains: ClipGain) -> np.ndarray:
    """The words' levels with the gains on them, each by the gain at its middle; shape (words,)."""
    levels_db = np.array([word.level_db for word in words])
    return levels_db + gains.gain_db_at([(word.start_s + word.end_s) / 2 for word in words]) if words else levels_db


@asks(levels_db=Numbers(-1_000, 1_000, "dB", dims=1))
def spread_db(levels_db) -> float:
    """How far apart nine levels in ten lie: 95th minus 5th percentile in dB; NaN without levels."""
    levels_db = np.asarray(levels_db, dtype=np.float64)
    return float(np.diff(np.percentile(levels_db, _SPREAD_PERCENTILES))[0]) if len(levels_db) else np.nan


@asks(ax=AN_AXES, peaks_dbfs=_LEVELS, loudness_lufs=_LEVELS, labels=Each(Of(str, "a name"), "a list of names"))
def plot_eye_and_ear(ax: Axes, peaks_dbfs, loudness_lufs, labels, named=()) -> None:
    """Peak against loudness, a dot for each word: what the eye sees in a waveform, and what the ear hears.

    Parameters
    ----------
    ax : Axes
    peaks_dbfs, loudness_lufs : array_like, shape (words,)
    labels : sequence of str, length (words,)
    named : sequence of int
        Indices of the words whose dots are labelled.
    """
    if not len(peaks_dbfs) == len(loudness_lufs) == len(labels):
        raise ValueError(
            f"labels: {len(peaks_dbfs)} peaks, {len(loudness_lufs)} loudnesses and {len(labels)} names don't fit; give as many "
            "of each."
        )
    named = [check_whole("named", k, 0, len(labels) - 1) for k in listed("named", named, "a list of numbers of words")]
    plain(ax)
    ax.plot(loudness_lufs, peaks_dbfs, "o", color=BLUE, markersize=6, alpha=0.7)
    for k in named:
        ax.plot(loudness_lufs[k], peaks_dbfs[k], "D", color=VERMILION, markersize=8)
        ax.annotate(labels[k], (loudness_lufs[k], peaks_dbfs[k]), (7, 4), textcoords="offset points", fontsize=TEXT_PT)
    tell(ax, f"{len(labels)} words", *(
        f"{labels[k]}: loudness {decibels(loudness_lufs[k])} LUFS, peak {decibels(peaks_dbfs[k])} dBFS" for k in sorted(named)
    ))  # fmt: skip
    ax.set(
        xlabel="loudness: what the ear hears (LUFS, loudest 0.4 s of the word)", ylabel="peak: what the eye sees (dBFS)"
    )
    ax.margins(0.12)
