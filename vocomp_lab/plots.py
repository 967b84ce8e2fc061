"""The pictures: each panel is drawn once into an Axes and then only updated, so that a slider is answered at once.

Colours are Okabe and Ito's colour-blind-safe palette (Okabe & Ito, "Color Universal Design", 2008), and what a colour
means is said again by line style, by filling or by a label. Lines stand out from white by 3:1 (WCAG 2.1, success
criterion 1.4.11): the palette's orange and sky blue don't, and serve for areas with an edge; ``AMBER`` is the orange
darkened.
"""

from __future__ import annotations

import io
import math
import zlib
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from PIL import Image

from vocomp_lab.audio import Clip
from vocomp_lab.colour import Colour
from vocomp_lab.compressor import Compressed
from vocomp_lab.filters import Filter
from vocomp_lab.gain import Gain
from vocomp_lab.levels import amplitude_to_db, rms_dbfs, sample_peak_dbfs, true_peak_dbtp
from vocomp_lab.loudness import loudness
from vocomp_lab.measures import decibels
from vocomp_lab.meters import vu_reading

INK = "#000000"
ORANGE = "#E69F00"
AMBER = "#BD8200"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
GREY = "#6b6b6b"
_LINES = (
    (BLUE, "-"), (VERMILION, "--"), (GREEN, "-."), (PURPLE, (0, (5, 1, 1, 1, 1, 1))), (AMBER, (0, (3, 1))), (INK, (0, (9, 2))),
)  # fmt: skip

LEVEL_RANGE_DB = (-60.0, 0.0)
_HISTOGRAM_STRIDE = 16
_METERS_LOW_DB, _METERS_TOP_DB, _METERS_FAR_TOP_DB = -54.0, 6.0, 30.0
_REDUCTION_LIMITS_DB = (3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 240.0)
_STYLE = {"font.size": 9.5, "axes.titlesize": 10, "axes.labelsize": 9.5, "xtick.labelsize": 9, "ytick.labelsize": 9}


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


class _Panel:
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


class WaveformPanel(_Panel):
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


class LevelPanel(_Panel):
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


class ReductionPanel(_Panel):
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


class CurvePanel(_Panel):
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

    Explained in ``01_levels_and_meters``.

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


class _MeterScale(_Panel):
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


class SpectrumPanel(_Panel):
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


class ResponsePanel(_Panel):
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


class SaturationPanel(_Panel):
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


def frequency_axis(ax: Axes, low_hz: float = 20, high_hz: float = 20_000) -> None:
    """Make the x axis a logarithmic frequency axis with readable ticks."""
    ax.set_xscale("log")
    ax.set_xlim(low_hz, high_hz)
    ax.xaxis.set_major_locator(FixedLocator([20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda f, _: f"{f / 1000:g}k" if f >= 1000 else f"{f:g}"))
    ax.set_xlabel("frequency (Hz)")


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


def plot_static_curves(ax: Axes, compressors: dict[str, object]) -> None:
    """Static curves in one Axes, told apart by line style, each with its label.

    Parameters
    ----------
    ax : Axes
    compressors : dict of label to an object with ``static_curve``
    """
    x = np.linspace(*LEVEL_RANGE_DB, 241)
    ax.plot(x, x, color=GREY, linestyle=":", linewidth=1.0, label="no change (dotted)")
    for (label, compressor), (color, style) in zip(compressors.items(), _LINES):
        ax.plot(x, compressor.static_curve(x), color=color, linestyle=style, linewidth=2.0, label=label)
    ax.set(xlim=LEVEL_RANGE_DB, ylim=LEVEL_RANGE_DB, xlabel="level in (dBFS)", ylabel="level out (dBFS)")
    ax.grid(True, color="#dddddd", linewidth=0.6)
    ax.legend(frameon=False, loc="upper left")


def plot_over_time(ax: Axes, curves: dict[str, np.ndarray], rate: int, *, unit: str = "ms") -> None:
    """Gain reductions over time in one Axes, drawn downward, told apart by line style.

    Parameters
    ----------
    ax : Axes
    curves : dict of label to ndarray of shape (frames,)
        Reduction in dB.
    rate : int
    unit : {"ms", "s"}
    """
    scale = 1000.0 if unit == "ms" else 1.0
    for (label, curve), (color, style) in zip(curves.items(), _LINES):
        ax.plot(scale * np.arange(len(curve)) / rate, curve, color=color, linestyle=style, linewidth=1.8, label=label)
    ax.set(xlabel=f"time ({unit})", ylabel="gain reduction (dB)")
    ax.set_ylim(1.08 * max(float(np.max(curve)) for curve in curves.values()) + 0.1, 0)
    ax.grid(True, color="#dddddd", linewidth=0.6)
    ax.legend(frameon=False)


_USUAL_WIDTH_PX = 1120
"""For which the margins of the pictures were made."""


class Picture:
    """A figure whose still parts are drawn once and whose moving artists are drawn over them.

    Parameters
    ----------
    width_px, height_px : int
    scale : float
        Makes everything larger, text too, for a projector.

    Attributes
    ----------
    time_box : (left, top, right, bottom)
        Where time runs in the picture, as shares of its width and height from the top left: the player draws its
        position there.
    """

    time_box: tuple[float, float, float, float]
    _crowded_head = 0.0
    """Of the height: how much lower the panels begin on a narrow sheet, where the title reaches over what stands above
    them."""

    def __init__(self, width_px: int, height_px: int, scale: float = 1.0):
        self.dpi = 96 * scale
        # What stands left and right of the time axis keeps its size: on a smaller sheet it takes a larger share.
        self._crowding = max(1.0, _USUAL_WIDTH_PX / width_px)
        left, top, right, bottom = type(self).time_box
        top += self._crowded_head if self._crowding > 1 else 0.0
        self.time_box = (left * self._crowding, top, self._from_right(right), bottom)
        with mpl.rc_context(_STYLE):
            self.figure = Figure(figsize=(width_px / 96, height_px / 96), dpi=self.dpi, facecolor="white")
            self.canvas = FigureCanvasAgg(self.figure)
            self.panels = self._make_panels(self.figure)
            self.title = self.figure.text(0.008, 0.985, "", va="top", fontsize=12, weight="bold")
        self._background = self._palette = None
        self._moving = [(panel.ax, artist) for panel in self.panels for artist in panel.moving]
        for _, artist in self._moving:
            artist.set_animated(True)
        self.title.set_animated(True)

    def _from_right(self, place: float) -> float:
        return 1 - (1 - place) * self._crowding

    def _make_panels(self, figure) -> list[_Panel]:
        raise NotImplementedError

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        raise NotImplementedError

    def set_result(self, stage, window: Window, sung: np.ndarray) -> None:
        """Show what a stage of a chain (a ``StageResult``) did; `sung` is where in its source the singer sings."""
        raise NotImplementedError

    def finding(self, change) -> str:
        """What the numbers (a ``Change``) say, in one sentence: the picture's title."""
        raise NotImplementedError

    def description(self, change) -> str:
        """What the picture says that the numbers under it don't: its alternative in words."""
        return self.finding(change)

    def invalidate(self) -> None:
        """Say that a still part (limits, ticks) has changed."""
        self._background = self._palette = None

    def render(self) -> bytes:
        """The picture as PNG."""
        if self._background is None:
            self.canvas.draw()
            self._background = self.canvas.copy_from_bbox(self.figure.bbox)
        else:
            self.canvas.restore_region(self._background)
        for ax, artist in self._moving:
            ax.draw_artist(artist)
        self.figure.draw_artist(self.title)
        image = Image.fromarray(np.ascontiguousarray(np.asarray(self.canvas.buffer_rgba())[..., :3]))
        if self._palette is None:
            self._palette = image.quantize(256, method=Image.Quantize.FASTOCTREE)
            # The palette's near-white is the page's white.
            self._palette.putpalette([255 if value >= 250 else value for value in self._palette.getpalette()])
        # With its palette known and run lengths for compression a picture is encoded in a tenth of PNG's usual time.
        buffer = io.BytesIO()
        image.quantize(palette=self._palette, dither=Image.Dither.NONE).save(
            buffer, "png", compress_level=1, compress_type=zlib.Z_RLE
        )
        return buffer.getvalue()


class DynamicsPicture(Picture):
    """Waveform, level with threshold, and reduction over time; the static curve beside them."""

    time_box = (0.078, 0.115, 0.7, 0.895)
    _crowded_head = 0.045
    _unit = "dBFS"

    def _make_panels(self, figure):
        left, top, right, _ = self.time_box
        grid = figure.add_gridspec(3, 1, left=left, right=right, top=1 - top, bottom=0.105, hspace=0.28)
        self.waveform, self.level, self.reduction = (
            kind(figure.add_subplot(grid[row])) for row, kind in enumerate((WaveformPanel, LevelPanel, ReductionPanel))
        )
        self.curve = CurvePanel(
            figure.add_subplot(
                figure.add_gridspec(
                    1, 1, left=self._from_right(0.768), right=self._from_right(0.988), top=1 - top, bottom=0.105
                )[0]
            )
        )
        for panel in (self.waveform, self.level):
            panel.ax.tick_params(labelbottom=False)
        for panel in (self.waveform, self.level):
            panel.legend_above()
        self.reduction.ax.set_xlabel("time (s)")
        return [self.waveform, self.level, self.reduction, self.curve]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        changed = [panel.show_window(window) for panel in (self.waveform, self.level, self.reduction)]
        if any([*changed, self.waveform.set_before(clip, window)]):
            self.invalidate()

    def set_result(self, stage, window: Window, sung: np.ndarray) -> None:
        """Show what a dynamics stage did."""
        rate, detector_db = stage.output.rate, stage.detail.detector_db
        grown = self.waveform.set_after(stage.output, window)
        threshold_db = getattr(stage.processor, "threshold_db", None)
        self.level.set_level(detector_db, rate, window)
        self.level.set_threshold(threshold_db)
        changed = self.reduction.set_reduction(stage.reduction_db, rate, window)
        self.curve.set_levels(detector_db[sung][::_HISTOGRAM_STRIDE])
        self.curve.set_curve(stage.processor.static_curve, threshold_db)
        self._processor = stage.processor
        unit = getattr(stage.processor, "level_unit", "dBFS")
        if grown or changed or unit != self._unit:
            self._unit = unit
            self.level.ax.set_ylabel(f"level\n({unit})")
            self.curve.ax.set(xlabel=f"level in ({unit})", ylabel=f"level out ({unit})")
            self.invalidate()

    def finding(self, change) -> str:
        """How often and how far the reduction acts."""
        stats = change.reduction
        if stats.max_db < stats.floor_db:
            return "No reduction to speak of: the voice never gets far enough over the threshold"
        middle = f"typically {decibels(stats.median_db)} dB (median), " if stats.median_db >= 0.05 else ""
        return (
            f"Reduction acts in {100 * stats.share:.0f} % of the sung time: {middle}{decibels(stats.max_db)} dB at most"
        )

    def description(self, change) -> str:
        """The finding, the threshold, and points of the static curve."""
        threshold_db = getattr(self._processor, "threshold_db", None)
        told = [self.finding(change)]
        if threshold_db is not None:
            told.append(f"threshold {decibels(threshold_db)} {self._unit}")
        levels_db = np.array([-48.0, -36.0, -24.0, -12.0, 0.0])
        points = zip(levels_db, self._processor.static_curve(levels_db))
        curve = ", ".join(f"{decibels(at)} → {decibels(out)}" for at, out in points)
        return "; ".join([*told, f"static curve, level in → out in {self._unit}: {curve}"])


class FilterPicture(Picture):
    """Waveform over time, spectrum before and after, and the filter's response."""

    right_panel = ResponsePanel
    time_box = (0.078, 0.115, 0.985, 0.34)

    def _make_panels(self, figure):
        left, _, right, _ = self.time_box
        self.waveform = WaveformPanel(
            figure.add_subplot(figure.add_gridspec(1, 1, left=left, right=right, top=0.885, bottom=0.66)[0])
        )
        lower = figure.add_gridspec(1, 2, left=left, right=right, top=0.53, bottom=0.115, wspace=0.17)
        self.spectrum = SpectrumPanel(figure.add_subplot(lower[0]))
        self.response = self.right_panel(figure.add_subplot(lower[1]))
        self.waveform.ax.set_xlabel("time (s)")
        self.waveform.legend_above()
        return [self.waveform, self.spectrum, self.response]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        self.waveform.show_window(window)
        self.waveform.set_before(clip, window)
        self.spectrum.set_before(clip.cut(window.start_s, window.end_s))
        self.invalidate()

    def set_result(self, stage, window: Window, sung: np.ndarray) -> None:
        """Show what the stage did."""
        if self.waveform.set_after(stage.output, window):
            self.invalidate()
        self.spectrum.set_after(stage.output.cut(window.start_s, window.end_s))
        self.response.set_processor(stage.processor, stage.output.rate)

    def finding(self, change) -> str:
        """What became of loudness and crest factor."""
        crest = change.after.crest_db - change.before.crest_db
        loud = change.after.loudness_lufs - change.before.loudness_lufs
        return f"Loudness changes by {decibels(loud, sign=True)} LU, crest factor by {decibels(crest, sign=True)} dB"

    def description(self, change) -> str:
        """The finding, and points of the curve at the lower right."""
        return f"{self.finding(change)}; {self.response.told()}"


class ColourPicture(FilterPicture):
    """Waveform over time, spectrum before and after, and the curve that adds the colour."""

    right_panel = SaturationPanel


class MetersPicture(Picture):
    """Waveform over time, the meters' readings over time, and what they say about the whole result."""

    time_box = (0.078, 0.115, 0.648, 0.895)

    def _make_panels(self, figure):
        left, _, right, _ = self.time_box
        grid = figure.add_gridspec(
            2, 1, left=left, right=right, top=0.885, bottom=0.105, hspace=0.22, height_ratios=(1, 2.1)
        )
        self.waveform = WaveformPanel(figure.add_subplot(grid[0]))
        self.meters = MetersPanel(figure.add_subplot(grid[1]))
        self.numbers = ReadingsPanel(
            figure.add_subplot(
                figure.add_gridspec(
                    1, 1, left=self._from_right(0.782), right=self._from_right(0.912), top=0.885, bottom=0.105
                )[0]
            )
        )
        self.waveform.ax.tick_params(labelbottom=False)
        for panel in (self.waveform, self.meters):
            panel.legend_above(crowded=self._crowding > 1)
        self.meters.ax.set_xlabel("time (s)")
        return [self.waveform, self.meters, self.numbers]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        changed = [panel.show_window(window) for panel in (self.waveform, self.meters)]
        if any([*changed, self.waveform.set_before(clip, window)]):
            self.invalidate()

    def set_result(self, stage, window: Window, sung: np.ndarray) -> None:
        """Show what the meters say about a stage's output."""
        self.readings = Readings.of(stage.output)
        self.meters.set_readings(stage.output, self.readings, window)
        self.numbers.set_readings(self.readings)
        changed = [self.waveform.set_after(stage.output, window)]
        changed += [panel.make_room(self.readings.top_db) for panel in (self.meters, self.numbers)]
        if any(changed):
            self.invalidate()

    def finding(self, change) -> str:
        """How far the meters are apart."""
        over = "Over full scale: peak" if self.readings.true_peak_dbtp > 0 else "Peak"
        return (
            f"{over} {decibels(change.after.peak_dbfs, sign=change.after.peak_dbfs > 0)} dBFS, "
            f"loudness {decibels(change.after.loudness_lufs)} LUFS; "
            f"the needle never shows more than {decibels(self.readings.needle_highest_dbfs)} dBFS"
        )

    def description(self, change) -> str:
        """The finding, and every number of the picture."""
        values = ((label, getattr(self.readings, name), unit) for label, name, unit, *_ in ReadingsPanel.rows)
        rows = (f"{label} {decibels(value, sign=value > 0)} {unit}" for label, value, unit in values)
        return f"{self.finding(change)}. After: {'; '.join(rows)}; crest factor {decibels(self.readings.crest_db)} dB"


PICTURES: dict[type, type[Picture]] = {
    Compressed: DynamicsPicture,
    Filter: FilterPicture,
    Gain: MetersPicture,
    Colour: ColourPicture,
}
"""Which picture shows a stage, by the type of the details that it reports, or else by the type of its processor."""


def picture_class(stage) -> type[Picture]:
    """The kind of picture that shows a stage of a chain (a ``StageResult``); ValueError if there is none."""
    for kind in (*type(stage.detail).__mro__, *type(stage.processor).__mro__):
        if kind in PICTURES:
            return PICTURES[kind]
    raise ValueError(
        f"processor: there is no picture for a {type(stage.processor).__name__}; list one in plots.PICTURES."
    )
