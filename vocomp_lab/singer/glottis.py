"""The voice's source: one cycle of the glottis, described by its harmonics.

The synthetic singer adds harmonics instead of playing a pulse sample by sample, so nothing above the Nyquist
frequency ever exists and no alias can buzz. What it needs from the glottis is therefore not a waveform but the
Fourier coefficients of one period, which the LF pulse has in closed form.
"""

from __future__ import annotations

import functools

import numpy as np
from scipy.optimize import brentq

PRESSED_RD = 0.4
BREATHY_RD = 2.7
_SHAPES = np.linspace(PRESSED_RD, BREATHY_RD, 47)
_HARMONICS = 320


def pulse_times(rd: float) -> tuple[float, float, float]:
    """The three times of the LF pulse that go with one shape number.

    Parameters
    ----------
    rd : float
        Shape from 0.4 (pressed, long closed phase, bright) to 2.7 (breathy, barely closing, dark).

    Returns
    -------
    peak, closing, tail : float
        In periods: when the flow is largest, when the glottis shuts (steepest fall), and the time constant of the
        return after it.

    Notes
    -----
    G. Fant, "The LF-model revisited: transformations and frequency domain analysis", STL-QPSR 36(2–3), 1995, the
    regression of Ra, Rk and Rg on Rd (value from memory).
    """
    tail = (-1.0 + 4.8 * rd) / 100.0
    skew = (22.4 + 11.8 * rd) / 100.0
    frequency = 0.25 * skew * (0.5 + 1.2 * skew) / (0.11 * rd - tail * (0.5 + 1.2 * skew))
    peak = 1.0 / (2.0 * frequency)
    return peak, peak * (1.0 + skew), tail


def pulse_harmonics(rd: float, count: int = _HARMONICS) -> np.ndarray:
    """Fourier coefficients of the LF pulse (derivative of the glottal flow), the steepest fall normalised to −1.

    Parameters
    ----------
    rd : float
        Shape of the pulse, see :func:`pulse_times`.
    count : int
        Number of harmonics.

    Returns
    -------
    ndarray of complex, shape (count,)
        c[k−1] for k = 1 … count, so that e(t) = 2·Re Σ c_k·exp(2πi·k·t), t in periods from the opening.

    Notes
    -----
    G. Fant, J. Liljencrants, Q. Lin, "A four-parameter model of glottal flow", STL-QPSR 26(4), 1985: an exponentially
    growing sine until the closing time, then an exponential return, with no net flow over the period. Both pieces are
    exponentials, so the coefficients are exact.
    """
    peak, closing, tail = pulse_times(rd)
    rest = 1.0 - closing
    turn = np.pi / peak
    # The return's rate solves rate·tail = 1 − exp(−rate·rest); Newton from its usual start converges in a few steps.
    decay = 1.0 / tail
    for _ in range(50):
        decay -= (decay * tail - 1.0 + np.exp(-decay * rest)) / (tail - rest * np.exp(-decay * rest))
    end = np.exp(-decay * rest)
    returned = -((1.0 - end) / decay - rest * end) / (decay * tail)

    def open_flow(growth):
        # Area under exp(growth·(t − closing))·sin(turn·t) over the open phase, scaled so that it ends at −1.
        area = growth * np.sin(turn * closing) - turn * np.cos(turn * closing) + turn * np.exp(-growth * closing)
        return -area / ((growth**2 + turn**2) * np.sin(turn * closing))

    growth = brentq(lambda g: open_flow(g) + returned, -60.0, 400.0, xtol=1e-12)
    spin = 2j * np.pi * np.arange(1, count + 1)
    shut = np.exp(-spin * closing)
    forward, backward = growth + 1j * turn - spin, growth - 1j * turn - spin
    ends = np.exp(-growth * closing)
    opened = (np.exp(1j * turn * closing) * shut - ends) / forward - (
        np.exp(-1j * turn * closing) * shut - ends
    ) / backward
    opened = -opened / (2j * np.sin(turn * closing))
    falling = shut * (1.0 - np.exp(-(decay + spin) * rest)) / (decay + spin) - end * (shut - 1.0) / spin
    return opened - falling / (decay * tail)


@functools.lru_cache(maxsize=1)
def _table() -> np.ndarray:
    table = np.stack([pulse_harmonics(rd) for rd in _SHAPES])
    table.flags.writeable = False
    return table


def harmonics(rd, count: int) -> np.ndarray:
    """The first `count` harmonics for many pulse shapes at once, from a table, linear in between.

    Parameters
    ----------
    rd : array_like, shape (n,)
        Pulse shapes; clamped to 0.4 … 2.7.
    count : int
        At most 320.

    Returns
    -------
    ndarray of complex, shape (n, count)
    """
    if count > _HARMONICS:
        raise ValueError(f"count: {count} is not allowed; the table holds {_HARMONICS} harmonics.")
    place = (np.clip(rd, PRESSED_RD, BREATHY_RD) - PRESSED_RD) / (_SHAPES[1] - _SHAPES[0])
    below = np.minimum(place.astype(int), len(_SHAPES) - 2)
    share = (place - below)[:, None]
    table = _table()[:, :count]
    return (1.0 - share) * table[below] + share * table[below + 1]
