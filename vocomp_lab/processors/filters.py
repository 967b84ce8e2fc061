"""Filters that take out what a compressor should not react to: high-pass, bell and shelves.

The second-order sections come from SciPy (Butterworth) and from R. Bristow-Johnson, "Cookbook formulae for audio EQ
biquad filter coefficients" (published as the W3C Audio EQ Cookbook note).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfreqz

from vocomp_lab.processors.flow import Flow, Piece, Processor
from vocomp_lab.sound.audio import A_RATE, check_rate
from vocomp_lab.sound.checks import Numbers, Range, Whole, asks, check_below_nyquist
from vocomp_lab.sound.levels import amplitude_to_db

FREQ_HZ = Range(10, 96_000, "Hz")
FREQS_HZ = Numbers(0, 192_000, "Hz")
BELL_RULES = {"freq_hz": FREQ_HZ, "gain_db": Range(-36, 36, "dB"), "q": Range(0.1, 40)}


class FilterFlow(Flow):
    """Runs the sections, which start at rest."""

    def __init__(self, processor, rate, channels):
        super().__init__(processor, rate, channels)
        self.sections = processor.sections(rate)

    def push(self, block, last):
        yield Piece(self.memory.sosfilt("filter", self.sections, block))


class Filter(Processor):
    """What all filters share; each filter only designs its sections."""

    FLOW = FilterFlow
    freq_hz: float

    def sections(self, rate: int) -> np.ndarray:
        """Second-order sections at a sample rate, shape (sections, 6), as ``scipy.signal.sosfilt`` takes them."""
        check_below_nyquist("freq_hz", self.freq_hz, rate)
        return self._design(rate)

    @asks(freqs_hz=FREQS_HZ, rate=A_RATE)
    def response(self, freqs_hz, rate: int) -> np.ndarray:
        """Complex frequency response.

        Parameters
        ----------
        freqs_hz : array_like, shape (n,)
            0 to half the rate.
        rate : int
            Samples per second.

        Returns
        -------
        ndarray of complex, shape (n,)
        """
        freqs_hz = np.asarray(freqs_hz, dtype=float)
        _, response = sosfreqz(self.sections(check_rate(rate)), worN=np.atleast_1d(freqs_hz), fs=rate)
        return response.reshape(freqs_hz.shape)

    @asks(freqs_hz=FREQS_HZ, rate=A_RATE)
    def response_db(self, freqs_hz, rate: int) -> np.ndarray:
        """Magnitude of :meth:`response` in dB."""
        return amplitude_to_db(self.response(freqs_hz, rate))


@functools.lru_cache(maxsize=256)  # a search for a low cut asks for the same ones again and again
def _high_pass(order: int, freq_hz: float, rate: int) -> np.ndarray:
    return butter(order, freq_hz, "highpass", fs=rate, output="sos")


@dataclass(frozen=True)
class HighPass(Filter):
    """Butterworth high-pass: −3.01 dB at the corner, then 6·order dB per octave downwards.

    Parameters
    ----------
    freq_hz : float
        Corner, 10 Hz to below half the clip's rate.
    order : int
        1 to 8.
    """

    freq_hz: float
    order: int = 2

    RULES = {"freq_hz": FREQ_HZ, "order": Whole(1, 8)}

    def _design(self, rate):
        return _high_pass(self.order, self.freq_hz, rate).copy()


@dataclass(frozen=True)
class Peaking(Filter):
    """A bell: boosts or cuts around a frequency and leaves the rest alone.

    Parameters
    ----------
    freq_hz : float
        Centre, 10 Hz to below half the clip's rate.
    gain_db : float
        Gain at the centre, −36 to 36.
    q : float
        Centre frequency over bandwidth, 0.1 to 40. The bandwidth is measured where the gain in dB is half.
    """

    freq_hz: float
    gain_db: float
    q: float = 1.0

    RULES = BELL_RULES

    def _design(self, rate):
        a, w, alpha = _cookbook(self, rate)
        return np.array(
            [[1 + alpha * a, -2 * math.cos(w), 1 - alpha * a, 1 + alpha / a, -2 * math.cos(w), 1 - alpha / a]]
        ) / (1 + alpha / a)


@dataclass(frozen=True)
class LowShelf(Filter):
    """Boosts or cuts everything below a frequency.

    Parameters
    ----------
    freq_hz : float
        Where half the gain (in dB) is reached, 10 Hz to below half the clip's rate.
    gain_db : float
        Gain far below, −36 to 36.
    q : float
        Steepness, 0.1 to 40; 0.707 is as steep as can be without a bump.
    """

    freq_hz: float
    gain_db: float
    q: float = math.sqrt(0.5)

    RULES = BELL_RULES

    def _design(self, rate):
        return _shelf(self, rate, side=1)


@dataclass(frozen=True)
class HighShelf(Filter):
    """Boosts or cuts everything above a frequency; the settings are those of :class:`LowShelf`."""

    freq_hz: float
    gain_db: float
    q: float = math.sqrt(0.5)

    RULES = BELL_RULES

    def _design(self, rate):
        return _shelf(self, rate, side=-1)


def _cookbook(settings, rate):
    """The cookbook's A, w0 and alpha."""
    w = 2 * math.pi * settings.freq_hz / rate
    return 10 ** (settings.gain_db / 40), w, math.sin(w) / (2 * settings.q)


def _shelf(settings, rate, side):
    """The cookbook's low shelf (side 1); the high shelf is its mirror image, with cos w0 negated (side −1)."""
    a, w, alpha = _cookbook(settings, rate)
    cos, root = side * math.cos(w), 2 * math.sqrt(a) * alpha
    section = np.array(
        [
            a * ((a + 1) - (a - 1) * cos + root),
            side * 2 * a * ((a - 1) - (a + 1) * cos),
            a * ((a + 1) - (a - 1) * cos - root),
            (a + 1) + (a - 1) * cos + root,
            side * -2 * ((a - 1) + (a + 1) * cos),
            (a + 1) + (a - 1) * cos - root,
        ]
    )
    return (section / section[3])[None, :]
