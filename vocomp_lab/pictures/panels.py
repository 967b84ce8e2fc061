"""The panels of a picture: each is drawn once into an Axes and then only updated, so that a slider is answered at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.ticker import FixedLocator, FuncFormatter

from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.analysis.measures import decibels
from vocomp_lab.analysis.meters import vu_reading
from vocomp_lab.pictures.style import (
    AMBER,
    BLUE,
    GREEN,
    GREY,
    INK,
    LEVEL_RANGE_DB,
    PURPLE,
    SKY,
    VERMILION,
    frequency_axis,
)
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import amplitude_to_db, rms_dbfs, sample_peak_dbfs, true_peak_dbtp

_METERS_LOW_DB, _METERS_TOP_DB, _METERS_FAR_TOP_DB = -54.0, 6.0, 30.0
_REDUCTION_LIMITS_DB = (3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 240.0)


@dataclass(frozen=True)
class Window:
    """The stretch of a clip that a picture shows, in seconds; `shift_s` is the time at which the clip itself begins."""

    start_s: float
    end_s: float
    shift_s: float = 0.0

    def frames(self, rate: int, frames: int) -> tuple[int, int]:
        """First frame and the frame behind the last, inside a clip of this many frames; never empty."""
        start = min(max(int(round(self.start_s * rate)), 0), frames - 1)
        return start, min(max(int(round(self.end_s * rate)), start + 1), frames)


def column_extremes(values: np.ndarray, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest value per picture column, so that a million samples draw like a thousand.

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
    """One Axes with artists that are kept; `moving` are the ones that change with a control."""

    columns = 800

    def __init__(self, ax: Axes):
        self.ax = ax
        self.moving = []
        ax.spines[["top", "right"]].set_visible(False)
        ax.grid(True, color="#dddddd", linewidth=0.6)
        ax.set_axisbelow(True)

    def _times(self, window: Window, count: int) -> np.ndarray:
        step = (window.end_s - window.start_s) / count
        return window.shift_s + window.start_s + step * (np.arange(count) + 0.5)

    def legend_above(self, crowded: bool = False) -> None:
        """The legend in one line over the right end of the panel, where it covers no data; crowded, without what is in
        brackets."""
        handles, labels = self.ax.get_legend_handles_labels()
        self.ax.legend(
            handles, [label.partition(" (")[0] if crowded else label for label in labels],
            loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=6, frameon=False, borderpad=0, borderaxespad=0.1,
            handlelength=1.1 if crowded else 1.6, columnspacing=0.7 if crowded else 1.4, handletextpad=0.4 if crowded else 0.8,
        )  # fmt: skip

    def show_window(self, window: Window) -> bool:
        """Show this stretch of time; True if it is another than before."""
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
        """Fit the axis to a peak, by steps of 3 dB so that it seldom changes; True if it did."""
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
    """Gain reduction, drawn downward from 0 dB."""

    def __init__(self, ax):
        super().__init__(ax)
        self.area = ax.fill_between([0, 1], 0, 0, color=VERMILION, alpha=0.35, linewidth=0)
        (self.line,) = ax.plot([], [], color=VERMILION, linewidth=1.2)
        self.limit_db = 0.0
        ax.set_ylabel("gain\nreduction\n(dB)")
        ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.3g}"))
        self.moving = [self.area, self.line]

    def set_reduction(self, reduction_db: np.ndarray, rate: int, window: Window) -> bool:
        """Show the reduction; True if the axis changed."""
        start, end = window.frames(rate, len(reduction_db))
        low, high = column_extremes(reduction_db[start:end], self.columns)
        t = self._times(window, len(high))
        self.line.set_data(t, high)
        self.area.set_data(t, low * 0.0, high)
        limit = next((x for x in _REDUCTION_LIMITS_DB if float(high.max()) <= 0.96 * x), _REDUCTION_LIMITS_DB[-1])
        if limit == self.limit_db:
            return False
        self.limit_db = limit
        self.ax.set_ylim(limit, 0.0)
        self.ax.yaxis.set_major_locator(FixedLocator([0, limit / 3, 2 * limit / 3, limit]))
        return True


class CurvePanel(Panel):
    """The static curve, with the clip's levels as a histogram under it."""

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
        # Over the panel, where no line crosses it.
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


@dataclass(frozen=True)
class Readings:
    """What the meters say about one clip: the whole of it in dBFS, dBTP or LUFS, and needle and loudness over time.

    Parameters
    ----------
    peak_dbfs, true_peak_dbtp, rms_dbfs, loudness_lufs : float
    needle_times_s, needle_dbfs : ndarray, shape (steps,)
        A VU meter's needle, of the loudest channel, on a scale on which a steady sine reads its own peak.
    times_s, momentary_lufs, short_term_lufs : ndarray, shape (steps,)
    """

    peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    loudness_lufs: float
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
            times_s, needle.reshape(len(needle), -1).max(axis=1), loud.times, loud.momentary_lufs, loud.short_term_lufs,
        )  # fmt: skip

    @property
    def needle_highest_dbfs(self) -> float:
        """The highest that the needle ever shows."""
        return float(self.needle_dbfs.max())

    @property
    def crest_db(self) -> float:
        """Crest factor: sample peak minus RMS; NaN for silence."""
        return self.peak_dbfs - self.rms_dbfs if math.isfinite(self.rms_dbfs) else math.nan

    @property
    def top_db(self) -> float:
        """The highest of them all."""
        return max(self.peak_dbfs, self.true_peak_dbtp, self.needle_highest_dbfs, float(self.momentary_lufs.max()))


class _MeterScale(Panel):
    """A panel on the meters' scale: dB below full scale, with room above it, and more where a clip goes far over."""

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
    """Peaks, a VU needle, and loudness of two lengths over time; full scale as a line."""

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
    """One row a number: where it lies on the scale, and what it is."""

    axis = "x"
    rows = (
        ("sample peak", "peak_dbfs", "dBFS", INK, "o"),
        ("true peak", "true_peak_dbtp", "dBTP", INK, "D"),
        ("VU needle, highest", "needle_highest_dbfs", "dBFS", VERMILION, "^"),
        ("loudness, integrated", "loudness_lufs", "LUFS", BLUE, "s"),
        ("RMS", "rms_dbfs", "dBFS", PURPLE, "v"),
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
        ax.set_yticklabels([*(label for label, *_ in self.rows), "crest factor"])
        ax.tick_params(axis="y", length=0)
        self.moving = [*self.dots, self.crest, *self.texts]

    def set_readings(self, readings: Readings) -> None:
        for row, (dot, text, (_, name, unit, _, _)) in enumerate(zip(self.dots, self.texts, self.rows)):
            value = getattr(readings, name)
            dot.set_data([value if math.isfinite(value) else math.nan], [row])
            text.set_text(f"{decibels(value, sign=value > 0)} {unit}")
        ends = [readings.rms_dbfs, readings.peak_dbfs] if math.isfinite(readings.rms_dbfs) else [math.nan] * 2
        self.crest.set_data(ends, [len(self.rows)] * 2)
        self.texts[-1].set_text(f"{decibels(readings.crest_db)} dB")


class SpectrumPanel(Panel):
    """Average spectrum before and after a filter."""

    def __init__(self, ax):
        super().__init__(ax)
        (self.before,) = ax.plot([], [], color=AMBER, linewidth=1.6, linestyle="--", label="before (dashed)")
        (self.after,) = ax.plot([], [], color=BLUE, linewidth=1.3, label="after")
        frequency_axis(ax)
        ax.set_ylabel("level per third\nof an octave (dB)")
        ax.set_ylim(-100, -10)
        self.legend_above()
        self.moving = [self.before, self.after]

    def set_before(self, clip: Clip) -> None:
        freqs, level = third_octave_spectrum(clip)
        self.before.set_data(freqs, level)
        top = 6 * math.ceil((float(level.max()) + 6) / 6) if np.isfinite(level).any() else 0
        self.ax.set_ylim(top - 72, top)

    def set_after(self, clip: Clip) -> None:
        self.after.set_data(*third_octave_spectrum(clip))


class ResponsePanel(Panel):
    """Frequency response of a filter."""

    def __init__(self, ax):
        super().__init__(ax)
        ax.axhline(0, color=GREY, linestyle=":", linewidth=1.0)
        (self.curve,) = ax.plot([], [], color=BLUE, linewidth=2.0)
        frequency_axis(ax)
        ax.set_ylim(-30, 18)
        ax.set_ylabel("gain (dB)")
        self.moving = [self.curve]

    def set_processor(self, processor, rate: int) -> None:
        freqs = np.geomspace(20, min(20_000, 0.499 * rate), 256)
        self.curve.set_data(freqs, np.maximum(processor.response_db(freqs, rate), -200))

    def told(self) -> str:
        """Points of the response in words."""
        freqs, gain_db = self.curve.get_data()
        at = [freq for freq in (50, 100, 200, 500, 1000, 2000, 5000, 10_000) if freq <= freqs[-1]]
        points = zip(at, np.interp(at, freqs, gain_db))
        return "response: " + ", ".join(f"{decibels(gain)} dB at {freq} Hz" for freq, gain in points)


class SaturationPanel(Panel):
    """A memoryless curve: which sample out for which sample in."""

    def __init__(self, ax):
        super().__init__(ax)
        ax.plot([-1, 1], [-1, 1], color=GREY, linestyle=":", linewidth=1.0, label="no change (dotted)")
        (self.curve,) = ax.plot([], [], color=BLUE, linewidth=2.0)
        ax.set(xlim=(-1, 1), ylim=(-1.1, 1.1), xlabel="sample in (FS = 1)", ylabel="sample out (FS = 1)")
        self.legend_above()
        self.moving = [self.curve]

    def set_processor(self, processor, rate: int) -> None:
        x = np.linspace(-1, 1, 201)
        self.curve.set_data(x, processor.curve(x))

    def told(self) -> str:
        """Points of the curve in words."""
        at = (-1.0, -0.5, -0.25, 0.25, 0.5, 1.0)
        points = zip(at, np.interp(at, *self.curve.get_data()))
        return ("curve, sample in → out: " + ", ".join(f"{x:g} → {y:.2f}" for x, y in points)).replace("-", "−")


def third_octave_spectrum(clip: Clip) -> tuple[np.ndarray, np.ndarray]:
    """Average level in bands a third of an octave wide, six centres per octave.

    Returns
    -------
    freqs_hz, level_db : ndarray
        Centres from 20 Hz to a third of the rate, and RMS in dBFS.
    """
    size = min(8192, clip.frames)
    mono = clip.columns.mean(axis=1)
    frames = np.lib.stride_tricks.sliding_window_view(mono, size)[::size]
    window = np.hanning(size) if size > 2 else np.ones(size)
    power = np.zeros(size // 2 + 1)
    for start in range(0, len(frames), 256):
        power += (np.abs(np.fft.rfft(frames[start : start + 256] * window)) ** 2).sum(axis=0)
    # One-sided power per bin, so that all bins add up to the mean square.
    power *= 2 / (len(frames) * size * float((window**2).sum()))
    freqs = np.fft.rfftfreq(size, 1 / clip.rate)
    centres = np.geomspace(20, min(20_000, clip.rate / 3), 61)
    summed = np.concatenate([[0.0], np.cumsum(power)])
    edge = lambda f: np.interp(f, freqs, summed[:-1])  # noqa: E731
    band = edge(centres * 2 ** (1 / 6)) - edge(centres * 2 ** (-1 / 6))
    with np.errstate(divide="ignore"):
        return centres, np.maximum(10 * np.log10(np.maximum(band, 0)), -200)
