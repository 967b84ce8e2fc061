"""Distortion: what a processor adds to a steady tone that was not in it.

A compressor whose release is faster than a cycle of the voice follows the wave itself instead of its level, and bends
it (lesson ``04_peak_control``); a circuit bends it by its curve, and a computer may fold back what that adds
(``07_compressor_types``).
"""

from __future__ import annotations

import numpy as np

from vocomp_lab.processors.flow import A_PROCESSOR
from vocomp_lab.sound.audio import Clip, check_rate
from vocomp_lab.sound.checks import Having, asks, check_below_nyquist, check_number, check_whole

A_PROCESS = Having(("__call__",), "a function of a clip, such as Colour(6).apply")
NOTHING_DB = -300.0
"""What counts as no line at all: far below the rounding of a double."""


@asks(processor=A_PROCESSOR)
def harmonic_distortion_percent(processor, freq_hz: float, level_dbfs: float, rate: int = 48_000) -> float:
    """Total harmonic distortion that a processor gives a steady sine.

    Parameters
    ----------
    processor : object
        Anything with ``apply(clip)`` that returns a Clip or an object with ``output``.
    freq_hz : float
        Frequency of the sine, from 20 Hz; taken to the nearest one of which whole cycles fill a second.
    level_dbfs : float
        Its peak, −120 to 0 dBFS.
    rate : int

    Returns
    -------
    float
        Root of the summed squares of the harmonics over the fundamental, in percent. The processor has two seconds to
        settle; the third is measured, so that every harmonic falls on a line of the spectrum and needs no window.

    Notes
    -----
    The definition of IEC 60268-3 with the fundamental as reference (value from memory).
    """
    lines, freq_hz = _settled_lines(processor.apply, freq_hz, level_dbfs, rate)
    harmonics = lines[2 * freq_hz :: freq_hz]
    return 100.0 * float(np.sqrt(np.sum(harmonics**2)) / max(lines[freq_hz], 1e-300))


@asks(processor=A_PROCESSOR)
def harmonics_db(processor, freq_hz: float, level_dbfs: float, highest: int = 7, rate: int = 48_000) -> np.ndarray:
    """Levels of the single harmonics that a processor gives a steady sine.

    Parameters
    ----------
    processor, freq_hz, level_dbfs, rate
        As for :func:`harmonic_distortion_percent`.
    highest : int
        The highest harmonic, 2 to 100; it must lie below half the rate.

    Returns
    -------
    ndarray, shape (highest − 1,)
        Levels of the 2nd, 3rd, … harmonic relative to the fundamental, in dB; −300 where there is none.
    """
    highest = check_whole("highest", highest, 2, 100)
    lines, freq_hz = _settled_lines(processor.apply, freq_hz, level_dbfs, rate)
    check_below_nyquist("highest", highest * freq_hz, rate)
    return _below_fundamental_db(lines, freq_hz)[2 * freq_hz : (highest + 1) * freq_hz : freq_hz]


@asks(process=A_PROCESS)
def tone_spectrum_db(process, freq_hz: float, level_dbfs: float, rate: int = 48_000) -> np.ndarray:
    """The spectrum that a steady sine has after a process, one line a hertz.

    Parameters
    ----------
    process : function
        From a Clip to a Clip, or to an object with ``output``; such as ``Colour(6).apply``.
    freq_hz, level_dbfs, rate
        As for :func:`harmonic_distortion_percent`.

    Returns
    -------
    ndarray, shape (rate // 2 + 1,)
        Levels relative to the fundamental, in dB, from 0 Hz on; −300 where there is nothing.
    """
    return _below_fundamental_db(*_settled_lines(process, freq_hz, level_dbfs, rate))


@asks(process=A_PROCESS)
def aliasing_db(process, freq_hz: float, level_dbfs: float, rate: int = 48_000) -> float:
    """The strongest tone that a process adds to a steady sine and that is no harmonic of it.

    Parameters
    ----------
    process, freq_hz, level_dbfs, rate
        As for :func:`tone_spectrum_db`. Choose a frequency that shares no factor with the rate; otherwise
        folded harmonics can land on true ones and stay hidden.

    Returns
    -------
    float
        Its level relative to the fundamental, in dB.

    Notes
    -----
    A harmonic beyond half the rate can't be held by the samples: n·f comes back at |n·f − m·rate|.
    """
    lines, freq_hz = _settled_lines(process, freq_hz, level_dbfs, rate)
    spectrum_db = _below_fundamental_db(lines, freq_hz)
    spectrum_db[::freq_hz] = NOTHING_DB
    return float(spectrum_db.max())


def _settled_lines(process, freq_hz, level_dbfs, rate):
    """Magnitudes of the third second's spectrum, one line a hertz, and the frequency as taken."""
    rate = check_rate(rate)
    freq_hz = round(check_number("freq_hz", freq_hz, 20, 20_000, "Hz"))
    check_below_nyquist("freq_hz", freq_hz, rate)
    level_dbfs = check_number("level_dbfs", level_dbfs, -120, 0, "dBFS")
    tone = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * np.arange(3 * rate) / rate)
    result = process(Clip(tone, rate))
    settled = getattr(result, "output", result)
    if not isinstance(settled, Clip) or settled.samples.shape != tone.shape:
        raise ValueError(
            "process: it doesn't make a clip of a clip, as long as that; give one that does, such as Colour(6).apply."
        )
    return np.abs(np.fft.rfft(settled.samples[-rate:])), freq_hz


def _below_fundamental_db(lines, freq_hz):
    share = lines / max(lines[freq_hz], 1e-300)
    return 20.0 * np.log10(np.maximum(share, 10 ** (NOTHING_DB / 20)))
