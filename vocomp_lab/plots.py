"""The pictures: each panel is drawn once into an Axes and then only updated, so that a slider is answered at once.

Colours are Okabe and Ito's colour-blind-safe palette (Okabe & Ito, "Color Universal Design", 2008), and what a colour
means is said again by line style, by filling or by a label.
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
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from PIL import Image

from vocomp_lab.audio import Clip
from vocomp_lab.levels import amplitude_to_db

INK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
GREY = "#6b6b6b"
_LINES = ((BLUE, "-"), (VERMILION, "--"), (GREEN, "-."), (PURPLE, (0, (5, 1, 1, 1, 1, 1))), (ORANGE, (0, (1, 1))), (INK, "-"))

LEVEL_RANGE_DB = (-60.0, 0.0)
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

    def legend_above(self) -> None:
        """The legend in one line over the right end of the panel, where it covers no data."""
        self.ax.legend(
            loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=3, frameon=False, borderpad=0, borderaxespad=0.1, handlelength=1.6
        )

    def show_window(self, window: Window) -> None:
        self.ax.set_xlim(window.shift_s + window.start_s, window.shift_s + window.end_s)


class WaveformPanel(_Panel):
    """Waveform before (outlined, orange) and after (filled, blue) as envelopes."""

    def __init__(self, ax):
        super().__init__(ax)
        self.before_low, self.before_high = (ax.plot([], [], color=ORANGE, linewidth=1.0)[0] for _ in range(2))
        self.after = ax.fill_between([0, 1], 0, 0, color=BLUE, alpha=0.75, linewidth=0)
        ax.set_ylabel("amplitude\n(FS = 1)")
        self.moving = [self.after, self.before_low, self.before_high]
        self.before_low.set_label("before: orange outline")
        self.after.set_label("after: blue filled")

    def set_before(self, clip: Clip, window: Window) -> None:
        start, end = window.frames(clip.rate, clip.frames)
        low, high = column_extremes(clip.samples[start:end], self.columns)
        t = self._times(window, len(low))
        self.before_low.set_data(t, low)
        self.before_high.set_data(t, high)
        limit = 1.25 * max(float(high.max()), -float(low.min()), 1e-3)
        self.ax.set_ylim(-limit, limit)

    def set_after(self, clip: Clip, window: Window) -> bool:
        """Show the result; True if the axis had to grow."""
        start, end = window.frames(clip.rate, clip.frames)
        low, high = column_extremes(clip.samples[start:end], self.columns)
        self.after.set_data(self._times(window, len(low)), low, high)
        peak = max(float(high.max()), -float(low.min()))
        if peak > self.ax.get_ylim()[1]:
            self.ax.set_ylim(-1.25 * peak, 1.25 * peak)
            return True
        return False


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
        self.levels = ax.fill_between([low, high], low, low, step="mid", color=SKY, alpha=0.6, linewidth=0)
        (self.curve,) = ax.plot([], [], color=BLUE, linewidth=2.0)
        self.threshold = ax.axvline(-20, color=VERMILION, linestyle="--", linewidth=1.2)
        ax.set(xlim=(low, high), ylim=(low, high), xlabel="level in (dBFS)", ylabel="level out (dBFS)")
        for axis in (ax.xaxis, ax.yaxis):
            axis.set_major_locator(FixedLocator([-60, -48, -36, -24, -12, 0]))
        ax.text(
            0.03, 0.97, "dotted: no change\nshaded: how often the\nvoice has each level", transform=ax.transAxes, va="top",
            fontsize=8.5, color="#333333", bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1},
        )  # fmt: skip
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


class SpectrumPanel(_Panel):
    """Average spectrum before and after a filter."""

    def __init__(self, ax):
        super().__init__(ax)
        (self.before,) = ax.plot([], [], color=ORANGE, linewidth=1.6, linestyle="--", label="before (dashed)")
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

    def set_response(self, processor, rate: int) -> None:
        freqs = np.geomspace(20, min(20_000, 0.499 * rate), 256)
        self.curve.set_data(freqs, np.maximum(processor.response_db(freqs, rate), -200))


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
        Where time runs in the picture, as shares of its width and height from the top left: the player draws its position there.
    """

    time_box: tuple[float, float, float, float]

    def __init__(self, width_px: int, height_px: int, scale: float = 1.0):
        self.dpi = 96 * scale
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

    def _make_panels(self, figure) -> list[_Panel]:
        raise NotImplementedError

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
        # With its palette known and run lengths for compression a picture is encoded in a tenth of PNG's usual time.
        buffer = io.BytesIO()
        image.quantize(palette=self._palette, dither=Image.Dither.NONE).save(
            buffer, "png", compress_level=1, compress_type=zlib.Z_RLE
        )
        return buffer.getvalue()


class DynamicsPicture(Picture):
    """Waveform, level with threshold, and reduction over time; the static curve beside them."""

    time_box = (0.078, 0.115, 0.7, 0.895)

    def _make_panels(self, figure):
        left, _, right, _ = self.time_box
        grid = figure.add_gridspec(3, 1, left=left, right=right, top=0.885, bottom=0.105, hspace=0.28)
        self.waveform, self.level, self.reduction = (
            kind(figure.add_subplot(grid[row])) for row, kind in enumerate((WaveformPanel, LevelPanel, ReductionPanel))
        )
        self.curve = CurvePanel(figure.add_subplot(figure.add_gridspec(1, 1, left=0.768, right=0.988, top=0.885, bottom=0.105)[0]))
        for panel in (self.waveform, self.level):
            panel.ax.tick_params(labelbottom=False)
        for panel in (self.waveform, self.level):
            panel.legend_above()
        self.reduction.ax.set_xlabel("time (s)")
        return [self.waveform, self.level, self.reduction, self.curve]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        for panel in (self.waveform, self.level, self.reduction):
            panel.show_window(window)
        self.waveform.set_before(clip, window)
        self.invalidate()

    def set_result(self, processor, output: Clip, reduction_db, detector_db, window: Window, levels_db) -> None:
        """Show what a dynamics stage did. `levels_db` are the detector's levels that go into the histogram."""
        grown = self.waveform.set_after(output, window)
        threshold_db = getattr(processor, "threshold_db", None)
        self.level.set_level(detector_db, output.rate, window)
        self.level.set_threshold(threshold_db)
        changed = self.reduction.set_reduction(reduction_db, output.rate, window)
        self.curve.set_levels(levels_db)
        self.curve.set_curve(processor.static_curve, threshold_db)
        if grown or changed:
            self.invalidate()


class FilterPicture(Picture):
    """Waveform over time, spectrum before and after, and the filter's response."""

    time_box = (0.078, 0.115, 0.985, 0.34)

    def _make_panels(self, figure):
        left, _, right, _ = self.time_box
        self.waveform = WaveformPanel(figure.add_subplot(figure.add_gridspec(1, 1, left=left, right=right, top=0.885, bottom=0.66)[0]))
        lower = figure.add_gridspec(1, 2, left=left, right=right, top=0.53, bottom=0.115, wspace=0.17)
        self.spectrum = SpectrumPanel(figure.add_subplot(lower[0]))
        self.response = ResponsePanel(figure.add_subplot(lower[1]))
        self.waveform.ax.set_xlabel("time (s)")
        self.waveform.legend_above()
        return [self.waveform, self.spectrum, self.response]

    def set_source(self, clip: Clip, window: Window) -> None:
        """Show another source or another stretch of it."""
        self.waveform.show_window(window)
        self.waveform.set_before(clip, window)
        self.spectrum.set_before(clip.cut(window.start_s, window.end_s))
        self.invalidate()

    def set_result(self, processor, output: Clip, window: Window) -> None:
        """Show what a filter did."""
        if self.waveform.set_after(output, window):
            self.invalidate()
        self.spectrum.set_after(output.cut(window.start_s, window.end_s))
        self.response.set_response(processor, output.rate)
