"""The panels of filters and colour: spectrum, frequency response, and the curve that bends the sound."""

from __future__ import annotations

import math

import numpy as np

from vocomp_lab.pictures.panels import Panel
from vocomp_lab.pictures.style import AMBER, BLUE, GREY, frequency_axis
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels, minus


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

    def in_words(self) -> str:
        """Points of both spectra in words."""
        (freqs, before_db), (_, after_db) = self.before.get_data(), self.after.get_data()
        at = [freq for freq in (100, 400, 1600, 6400) if freq <= freqs[-1]]
        points = zip(at, np.interp(at, freqs, before_db), np.interp(at, freqs, after_db))
        return "spectrum, before → after: " + ", ".join(
            f"{decibels(before)} → {decibels(after)} dB at {freq} Hz" for freq, before, after in points
        )


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

    def in_words(self) -> str:
        """Points of the response in words."""
        freqs, gain_db = self.curve.get_data()
        at = [freq for freq in (50, 100, 200, 500, 1000, 2000, 5000, 10_000) if freq <= freqs[-1]]
        points = zip(at, np.interp(at, freqs, gain_db))
        return "response: " + ", ".join(f"{decibels(gain)} dB at {freq} Hz" for freq, gain in points)


class SaturationPanel(Panel):
    """A memoryless curve: the sample out for each sample in."""

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

    def in_words(self) -> str:
        """Points of the curve in words."""
        at = (-1.0, -0.5, -0.25, 0.25, 0.5, 1.0)
        points = zip(at, np.interp(at, *self.curve.get_data()))
        return minus("curve, sample in → out: " + ", ".join(f"{x:g} → {y:.2f}" for x, y in points))


def third_octave_spectrum(clip: Clip) -> tuple[np.ndarray, np.ndarray]:
    """Average level in bands a third of an octave wide, with six centres per octave.

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
