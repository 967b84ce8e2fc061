"""The panels with the meters' readings: over time, and for the whole clip."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.ticker import FixedLocator

from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.analysis.meters import active_mask, vu_reading
from vocomp_lab.pictures.panels import Panel, Window, column_extremes
from vocomp_lab.pictures.style import BLUE, GREEN, GREY, INK, PURPLE, VERMILION
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import amplitude_to_db, crest_factor_db, rms_dbfs, sample_peak_dbfs, true_peak_dbtp
from vocomp_lab.sound.text import decibels

_METERS_LOW_DB, _METERS_TOP_DB, _METERS_FAR_TOP_DB = -54.0, 6.0, 30.0


@dataclass(frozen=True)
class Readings:
    """What the meters say about one clip: numbers for all of it in dBFS, dBTP or LUFS, and needle and loudness over time.

    Parameters
    ----------
    peak_dbfs, true_peak_dbtp, rms_dbfs, loudness_lufs : float
        RMS of the whole clip, pauses included, as a plain meter has it.
    crest_db : float
        Crest factor over the sung time; NaN where nobody sings.
    needle_times_s, needle_dbfs : ndarray, shape (steps,)
        A VU meter's needle for the loudest channel, on a scale where a steady sine reads its own peak.
    times_s, momentary_lufs, short_term_lufs : ndarray, shape (steps,)
    """

    peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    loudness_lufs: float
    crest_db: float
    needle_times_s: np.ndarray
    needle_dbfs: np.ndarray
    times_s: np.ndarray
    momentary_lufs: np.ndarray
    short_term_lufs: np.ndarray

    @classmethod
    def of(cls, clip: Clip) -> "Readings":
        """Read all meters."""
        times_s, needle = vu_reading(clip, reference_dbfs=0.0)
        loud = loudness(clip)
        return cls(
            sample_peak_dbfs(clip), true_peak_dbtp(clip), rms_dbfs(clip), loud.integrated_lufs,
            crest_factor_db(clip, active_mask(clip)), times_s, needle.reshape(len(needle), -1).max(axis=1), loud.times, loud.momentary_lufs, loud.short_term_lufs,
        )  # fmt: skip

    @property
    def needle_highest_dbfs(self) -> float:
        """The highest reading of the needle."""
        return float(self.needle_dbfs.max())

    @property
    def top_db(self) -> float:
        """The highest of all readings."""
        return max(self.peak_dbfs, self.true_peak_dbtp, self.needle_highest_dbfs, float(self.momentary_lufs.max()))


class _MeterScale(Panel):
    """A panel on the meters' scale: dB below full scale, and some room above it, more where a clip goes far over."""

    axis: str

    def __init__(self, ax):
        super().__init__(ax)
        self.top_db = None
        self.make_room(0.0)

    def make_room(self, top_db: float) -> bool:
        """Choose how far the scale goes over full scale; True if that changed."""
        top = _METERS_TOP_DB if top_db < _METERS_TOP_DB - 1 else _METERS_FAR_TOP_DB
        if top == self.top_db:
            return False
        self.top_db = top
        getattr(self.ax, f"set_{self.axis}lim")(_METERS_LOW_DB, top)
        step = 12 if self.axis == "y" else 24
        getattr(self.ax, f"{self.axis}axis").set_major_locator(
            FixedLocator([level for level in range(-48, 61, step) if level < top])
        )
        return True


class MetersPanel(_MeterScale):
    """Peaks, a VU needle and two kinds of loudness over time, with a line at full scale."""

    axis = "y"

    def __init__(self, ax):
        super().__init__(ax)
        ax.axhline(0, color=INK, linestyle=":", linewidth=1.2)
        ax.text(0.004, -1, "full scale", transform=ax.get_yaxis_transform(), va="top", fontsize=8.5, color="#333333")
        (self.peak,) = ax.plot([], [], color=GREY, linewidth=0.8, label="peak (thin)")
        (self.needle,) = ax.plot([], [], color=VERMILION, linestyle="--", linewidth=1.7, label="VU needle (dashed)")
        (self.momentary,) = ax.plot([], [], color=BLUE, linewidth=1.9, label="momentary (solid)")
        (self.short_term,) = ax.plot([], [], color=GREEN, linestyle="-.", linewidth=1.9, label="short-term (dash-dot)")
        ax.set_ylabel("level\n(dBFS, LUFS)")
        self.moving = [self.peak, self.needle, self.momentary, self.short_term]

    def set_readings(self, clip: Clip, readings: Readings, window: Window) -> None:
        start, end = window.frames(clip.rate, clip.frames)
        low, high = column_extremes(clip.samples[start:end], self.columns)
        times = self._times(window, len(high))
        self.peak.set_data(times, amplitude_to_db(np.maximum(high, -low), floor_db=-200))
        for line, at, values in (
            (self.needle, readings.needle_times_s, readings.needle_dbfs),
            (self.momentary, readings.times_s, readings.momentary_lufs),
            (self.short_term, readings.times_s, readings.short_term_lufs),
        ):
            line.set_data(times, np.interp(times - window.shift_s, at, np.maximum(values, -200)))


class ReadingsPanel(_MeterScale):
    """A row for each number: where it is on the scale, and its value."""

    axis = "x"
    rows = (
        ("sample peak", "peak_dbfs", "dBFS", INK, "o"),
        ("true peak", "true_peak_dbtp", "dBTP", INK, "D"),
        ("VU needle, highest", "needle_highest_dbfs", "dBFS", VERMILION, "^"),
        ("loudness, integrated", "loudness_lufs", "LUFS", BLUE, "s"),
        ("RMS, whole clip", "rms_dbfs", "dBFS", PURPLE, "v"),
    )

    def __init__(self, ax):
        super().__init__(ax)
        count = len(self.rows)
        ax.axvline(0, color=INK, linestyle=":", linewidth=1.2)
        self.dots = [ax.plot([], [], marker, color=color, markersize=7)[0] for _, _, _, color, marker in self.rows]
        (self.crest,) = ax.plot([], [], "|-", color=GREY, linewidth=3.0, markersize=9)
        self.texts = [
            ax.text(1.04, row, "", transform=ax.get_yaxis_transform(), va="center", weight="bold")
            for row in range(count + 1)
        ]
        ax.set(ylim=(count + 0.6, -0.6), xlabel="after (dBFS, LUFS)")
        ax.yaxis.set_major_locator(FixedLocator(range(count + 1)))
        ax.set_yticklabels([*(label for label, *_ in self.rows), "crest factor, sung"])
        ax.tick_params(axis="y", length=0)
        self.moving = [*self.dots, self.crest, *self.texts]

    def set_readings(self, readings: Readings) -> None:
        for row, (dot, text, (_, name, unit, _, _)) in enumerate(zip(self.dots, self.texts, self.rows)):
            value = getattr(readings, name)
            dot.set_data([value if math.isfinite(value) else math.nan], [row])
            text.set_text(f"{decibels(value, sign=value > 0)} {unit}")
        # NaN draws nothing: silence has no crest factor.
        ends = readings.peak_dbfs - np.array([readings.crest_db, 0.0 * readings.crest_db])
        self.crest.set_data(ends, [len(self.rows)] * 2)
        self.texts[-1].set_text(f"{decibels(readings.crest_db)} dB")
