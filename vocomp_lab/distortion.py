"""Distortion: what a processor adds to a steady tone that was not in it.

A compressor whose release is faster than a cycle of the voice follows the wave itself instead of its level, and bends it.
Explained in ``04_peak_control``.
"""

from __future__ import annotations

import numpy as np

from vocomp_lab.audio import Clip, check_rate
from vocomp_lab.checks import check_below_nyquist, check_number


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
        Root of the summed squares of the harmonics over the fundamental, in percent. The processor has two seconds to settle; the
        third is measured, so that every harmonic falls on a line of the spectrum and needs no window.

    Notes
    -----
    The definition of IEC 60268-3 with the fundamental as reference (value from memory). Explained in ``04_peak_control``.
    """
    rate = check_rate(rate)
    freq_hz = round(check_number("freq_hz", freq_hz, 20, 20_000, "Hz"))
    check_below_nyquist("freq_hz", freq_hz, rate)
    level_dbfs = check_number("level_dbfs", level_dbfs, -120, 0, "dBFS")
    tone = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * np.arange(3 * rate) / rate)
    result = processor.apply(Clip(tone, rate))
    settled = getattr(result, "output", result).samples[-rate:]
    lines = np.abs(np.fft.rfft(settled))
    harmonics = lines[2 * freq_hz :: freq_hz]
    return 100.0 * float(np.sqrt(np.sum(harmonics**2)) / max(lines[freq_hz], 1e-300))
