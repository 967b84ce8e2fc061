"""The panels of a bench's picture. Each is drawn once into an Axes and then only updated, so a slider is answered at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.ticker import FixedLocator

from vocomp_lab.pictures.reduction_axis import depth_for, draw_down_to
from vocomp_lab.pictures.style import AMBER, BLUE, GREY, INK, LEVEL_RANGE_DB, SKY, VERMILION
from vocomp_lab.sound.audio import Clip


@dataclass(frozen=True)
class Window:
    """The stretch of a clip that a picture shows, in seconds. `shift_s` is when the clip itself begins."""

    start_s: float
    end_s: float
    shift_s: float = 0.0

    def frames(self, rate: int, frames: int) -> tuple[int, int]:
        """First frame, and the frame after the last, within a clip of this many frames; never empty."""
        start = min(max(int(round(self.start_s * rate)), 0), frames - 1)
        return start, min(max(int(round(self.end_s * rate)), start + 1), frames)


def column_extremes(values: np.ndarray, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest value of each picture column: a million samples draw as fast as a thousand.

    Parameters
    ----------
    values : ndarray, shape (frames,) or (frames, channels)
        Channels are taken together.
    columns : int

    Returns
    -------
    low, high : ndarray, shape (min(columns, frames),)
    """
    frames = len(values)
    starts = np.linspace(0, frames, min(columns, frames), endpoint=False).astype(int)
    low, high = np.minimum.reduceat(values, starts, axis=0), np.maximum.reduceat(values, starts, axis=0)
    return (low, high) if values.ndim == 1 else (low.min(axis=1), high.max(axis=1))


class Panel:
    """One Axes and its artists. Those that change with a control are in `moving`."""

    columns = 800

    def __init__(self, ax: Axes):
        self.ax = ax
        self.moving = []

    def _times(self, window: Window, count: int) -> np.ndarray:
        step = (window.end_s - window.start_s) / count
        return window.shift_s + window.start_s + step * (np.arange(count) + 0.5)

    def legend_above(self, crowded: bool = False) -> None:
        """The legend in one line over the right end of the panel, where it covers no data.

        Where there is little room (`crowded`) the brackets are left out.
        """
        handles, labels = self.ax.get_legend_handles_labels()
        self.ax.legend(
            handles, [label.partition(" (")[0] if crowded else label for label in labels],
            loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=6, frameon=False, borderpad=0, borderaxespad=0.1,
            handlelength=1.1 if crowded else 1.6, columnspacing=0.7 if crowded else 1.4, handletextpad=0.4 if crowded else 0.8,
        )  # fmt: skip

    def show_window(self, window: Window) -> bool:
        """Show this stretch of time; True if it has changed."""
        limits = (window.shift_s + window.start_s, window.shift_s + window.end_s)
        if self.ax.get_xlim() == limits:
            return False
        self.ax.set_xlim(*limits)
        return True


class WaveformPanel(Panel):
    """Waveform before (outlined, orange) and after (filled, blue) as envelopes."""

    def __init__(self, ax):
        super().__init__(ax)
        self.before_low, self.before_high = (ax.plot([], [], color=AMBER, linewidth=1.0)[0] for _ in range(2))
        self.after = ax.fill_between([0, 1], 0, 0, color=BLUE, alpha=0.75, linewidth=0)
        self.before_peak = 0.0
        ax.set_ylabel("amplitude\n(FS = 1)")
        self.moving = [self.after, self.before_low, self.before_high]
        self.before_low.set_label("before: orange outline")
        self.after.set_label("after: blue filled")

    def set_before(self, clip: Clip, window: Window) -> bool:
        """Show the source; True if the axis had to change."""
        start, end = window.frames(clip.rate, clip.frames)
        low, high = column_extremes(clip.samples[start:end], self.columns)
        t = self._times(window, len(low))
        self.before_low.set_data(t, low)
        self.before_high.set_data(t, high)
        self.before_peak = max(float(high.max()), -float(low.min()))
        return self._fit(self.before_peak)

    def set_after(self, clip: Clip, window: Window) -> bool:
        """Show the result; True if the axis had to change."""
        start, end = window.frames(clip.rate, clip.frames)
        low, high = column_extremes(clip.samples[start:end], self.columns)
        self.after.set_data(self._times(window, len(low)), low, high)
        return self._fit(max(self.before_peak, float(high.max()), -float(low.min())))

    def _fit(self, peak: float) -> bool:
        """Fit the axis to a peak, in steps of 3 dB so that it seldom changes; True if it did."""
        limit = 2.0 ** (math.ceil(2 * math.log2(1.05 * max(peak, 1e-3))) / 2)
        changed = self.ax.get_ylim()[1] != limit
        if changed:
            self.ax.set_ylim(-limit, limit)
        return changed


class LevelPanel(Panel):
    """The level that the detector sees, and the threshold."""

    def __init__(self, ax):
        super().__init__(ax)
        (self.level,) = ax.plot([], [], color=INK, linewidth=0.9, label="level at the detector")
        self.threshold = ax.axhline(-20, color=VERMILION, linestyle="--", linewidth=1.4, label="threshold (dashed)")
        ax.set_ylim(*LEVEL_RANGE_DB)
        ax.yaxis.set_major_locator(FixedLocator([-60, -48, -36, -24, -12, 0]))
        ax.set_ylabel("level\n(dBFS)")
        self.moving = [self.level, self.threshold]

    def set_level(self, detector_db: np.ndarray, rate: int, window: Window) -> None:
        start, end = window.frames(rate, len(detector_db))
        _, high = column_extremes(detector_db[start:end], self.columns)
        self.level.set_data(self._times(window, len(high)), high)

    def set_threshold(self, threshold_db: float | None) -> None:
        self.threshold.set_visible(threshold_db is not None)
        if threshold_db is not None:
            self.threshold.set_ydata([threshold_db, threshold_db])


class ReductionPanel(Panel):
    """Gain reduction, drawn downward from 0 dB.

    Its scale grows as soon as the curve would be cut off, and stays while a control moves, so that what looks half as
    deep is half as deep. After :meth:`fit_anew` it may shrink, too.
    """

    def __init__(self, ax):
        super().__init__(ax)
        self.area = ax.fill_between([0, 1], 0, 0, color=VERMILION, alpha=0.35, linewidth=0)
        (self.line,) = ax.plot([], [], color=VERMILION, linewidth=1.2)
        self.depth_db, self._anew = 0, False
        ax.set_ylabel("gain\nreduction\n(dB)")
        self.moving = [self.area, self.line]

    def set_reduction(self, reduction_db: np.ndarray, rate: int, window: Window) -> bool:
        """Show the reduction; True if the axis changed."""
        start, end = window.frames(rate, len(reduction_db))
        low, high = column_extremes(reduction_db[start:end], self.columns)
        t = self._times(window, len(high))
        self.line.set_data(t, high)
        self.area.set_data(t, low * 0.0, high)
        depth_db = max(depth_for(float(high.max())), 0 if self._anew else self.depth_db)
        changed, self.depth_db, self._anew = depth_db != self.depth_db, depth_db, False
        if changed:
            draw_down_to(self.ax, depth_db)
        return changed

    def fit_anew(self) -> None:
        """Let the next reduction have the scale that fits it, even if that is a smaller one."""
        self._anew = True

    def in_words(self) -> str:
        """The scale, for a text alternative."""
        return f"the axis of the reduction runs down to {self.depth_db} dB"


class CurvePanel(Panel):
    """The static curve, with a histogram of the clip's levels under it."""

    bins = np.arange(-60.0, 0.01, 1.0)

    def __init__(self, ax):
        super().__init__(ax)
        low, high = LEVEL_RANGE_DB
        ax.plot([low, high], [low, high], color=GREY, linestyle=":", linewidth=1.0)
        self.levels = ax.fill_between(
            [low, high], low, low, step="mid", facecolor=to_rgba(SKY, 0.6), edgecolor=BLUE, linewidth=0.7
        )
        (self.curve,) = ax.plot([], [], color=BLUE, linewidth=2.0)
        self.threshold = ax.axvline(-20, color=VERMILION, linestyle="--", linewidth=1.2)
        ax.set(xlim=(low, high), ylim=(low, high), xlabel="level in (dBFS)", ylabel="level out (dBFS)")
        for axis in (ax.xaxis, ax.yaxis):
            axis.set_major_locator(FixedLocator([-60, -48, -36, -24, -12, 0]))
        # Above the panel, where no line crosses it.
        ax.set_title(
            "dotted: no change; shaded: how\noften the voice has each level",
            fontsize=8.5,
            color="#333333",
            loc="left",
            pad=3,
        )
        self.moving = [self.levels, self.curve, self.threshold]

    def set_levels(self, levels_db: np.ndarray) -> None:
        """Show a histogram of levels in dB, any number of them."""
        counts, _ = np.histogram(levels_db, self.bins)
        shares = counts / max(int(counts.max()), 1)
        low, high = LEVEL_RANGE_DB
        middle = (self.bins[:-1] + self.bins[1:]) / 2
        self.levels.set_data(middle, np.full_like(middle, low), low + 0.3 * (high - low) * shares)

    def set_curve(self, static_curve, threshold_db: float | None) -> None:
        x = np.linspace(*LEVEL_RANGE_DB, 241)
        self.curve.set_data(x, static_curve(x))
        self.threshold.set_visible(threshold_db is not None)
        if threshold_db is not None:
            self.threshold.set_xdata([threshold_db, threshold_db])
