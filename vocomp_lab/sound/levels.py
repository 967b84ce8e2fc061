"""Levels of a clip, and the decibels that express them.

Everything that turns a number into decibels goes through the four functions at the top, so "0 is −inf dB" and "20·log
for amplitudes, 10·log for powers" stand once.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import as_numbers, asks, check_number, checked_active

# 10^(db/20) = e^(db/this): NumPy's exp is about eight times as fast as its power.
_DB_PER_NEPER = 20.0 / math.log(10.0)

TRUE_PEAK_RATE_HZ = 192_000
"""The least rate that :func:`true_peak_dbtp` oversamples to: four times 48 kHz."""
_SIDE_LOBES = 24
# Short blocks: the fewer samples a bound goes by, the closer it is.
_BLOCK_FACTORS = (2, 2, 2, 3)
_BLOCK_FRAMES = math.prod(_BLOCK_FACTORS)
_SLICE_FRAMES = 1 << 20
# A matrix product of no more than this runs in one thread, so that its rounding doesn't depend on the machine.
_BATCH_PRODUCTS = 1 << 18


def amplitude_to_db(amplitude, floor_db: float | None = None):
    """Decibels of an amplitude: 20·log10 |amplitude|.

    Parameters
    ----------
    amplitude : float or array_like, any shape
        Amplitude or ratio of amplitudes. Its sign (or complex phase) doesn't matter.
    floor_db : float, optional
        The lowest value to return. Without it, 0 gives −inf.

    Returns
    -------
    float or ndarray of the same shape
        NaN stays NaN.

    Raises
    ------
    ValueError
        If it is no number or array of numbers.
    """
    amplitude = amplitude if np.iscomplexobj(amplitude) else as_numbers("amplitude", amplitude)
    magnitude = np.abs(amplitude)
    return _in_decibels(magnitude, 20.0, floor_db)


def power_to_db(power, floor_db: float | None = None):
    """Decibels of a power (a mean square): 10·log10 power.

    Parameters
    ----------
    power : float or array_like, any shape
        Power or ratio of powers, ≥ 0.
    floor_db : float, optional
        The lowest value to return. Without it, 0 gives −inf.

    Returns
    -------
    float or ndarray of the same shape
        NaN stays NaN.

    Raises
    ------
    ValueError
        If it is no number or array of numbers, or a power is negative.
    """
    power = np.array(as_numbers("power", power))
    lowest = power.min(initial=0.0)
    if lowest < 0:
        raise ValueError(f"power: {lowest:g} is not allowed; a power is 0 or more.")
    return _in_decibels(power, 10.0, floor_db)


def db_to_amplitude(db):
    """Amplitude (ratio) of a value in decibels: 10^(db/20); −inf gives 0. Undoes :func:`amplitude_to_db`.

    Parameters
    ----------
    db : float or array_like, any shape

    Returns
    -------
    float or ndarray of the same shape
        NaN stays NaN.

    Raises
    ------
    ValueError
        If it is no number or array of numbers, or the ratio is too large for one.
    """
    return _raised(db, 1.0 / _DB_PER_NEPER)


def db_to_power(db):
    """Power (ratio) of a value in decibels: 10^(db/10); −inf gives 0. Undoes :func:`power_to_db`.

    Parameters
    ----------
    db : float or array_like, any shape

    Returns
    -------
    float or ndarray of the same shape
        NaN stays NaN.

    Raises
    ------
    ValueError
        If it is no number or array of numbers, or the ratio is too large for one.
    """
    return _raised(db, 2.0 / _DB_PER_NEPER)


@asks(clip=A_CLIP)
def sample_peak_dbfs(clip: Clip) -> float:
    """Largest sample of any channel, in dB re full scale; −inf for silence.

    The wave between the samples can go higher: see :func:`true_peak_dbtp`.
    """
    return amplitude_to_db(_sample_peak(clip.samples))


@asks(clip=A_CLIP)
def rms_dbfs(clip: Clip) -> float:
    """Root mean square of all samples of all channels, in dB re full scale; −inf for silence.

    Notes
    -----
    Plain arithmetic: a full-scale square wave reads 0, a full-scale sine −3.01 dB. Some meters add 3.01 dB so that the
    sine reads 0 (AES17 defines full scale that way; value from memory). This one doesn't, so a clip's RMS, peak and
    crest factor fit together.
    """
    return _rms_dbfs(clip.samples.reshape(-1))


def _rms_dbfs(flat: np.ndarray) -> float:
    return power_to_db(float(np.dot(flat, flat)) / flat.size)


@asks(clip=A_CLIP)
def crest_factor_db(clip: Clip, active=None) -> float:
    """Sample peak minus RMS, in dB: how far the peaks stand out. 3.01 for a sine; NaN for silence, which has none.

    Parameters
    ----------
    clip : Clip
    active : array_like of bool, shape (frames,), optional
        The frames that count: for a voice, those where somebody sings
        (:func:`vocomp_lab.analysis.meters.active_mask`). Otherwise pauses lower the RMS and so raise the crest factor,
        though no peak has changed. None counts every frame.

    Returns
    -------
    float
        dB; NaN also where no frame counts.

    Raises
    ------
    ValueError
        If `active` doesn't fit the clip.
    """
    if active is None:
        rms = rms_dbfs(clip)
        return sample_peak_dbfs(clip) - rms if rms > -math.inf else math.nan
    counted = clip.columns[checked_active(active, (clip.frames,))].reshape(-1)
    rms = _rms_dbfs(counted) if len(counted) else -math.inf
    return amplitude_to_db(_sample_peak(counted)) - rms if rms > -math.inf else math.nan


@asks(clip=A_CLIP)
def true_peak_dbtp(clip: Clip) -> float:
    """Highest point of the wave in any channel, also between the samples, in dB re full scale; −inf for silence.

    Notes
    -----
    After ITU-R BS.1770-5, annex 2: the clip is interpolated to at least four times its rate (and at least 192 kHz, to
    look at low rates as closely), and the largest value is taken. Within EBU Tech 3341's tolerance of
    +0.2/−0.4 dB at any phase for content up to a third of the rate; up to 0.4 of the rate it reads low by 0.5 dB at
    most. The standard's 12 dB of attenuation before the filter protects integer arithmetic from overflow; float64
    doesn't need it. Silence is assumed before and after the clip.
    """
    meter = TruePeakMeter(clip.rate, clip.channels, _sample_peak(clip.samples))
    for start in range(0, clip.frames, _SLICE_FRAMES):
        meter.feed(clip.columns[start : start + _SLICE_FRAMES])
    return meter.dbtp()


class TruePeakMeter:
    """A true-peak meter fed block by block; :func:`true_peak_dbtp` says what it measures.

    Parameters
    ----------
    rate : int
        Samples per second.
    channels : int
    at_least : float
        An amplitude known to be reached: whatever can't get above it is skipped.

    Notes
    -----
    The result doesn't depend on how the sound is cut into blocks.
    """

    def __init__(self, rate: int, channels: int = 1, at_least: float = 0.0):
        factor = oversampling_factor(rate)
        self._matrix, self._most = _block_matrix(factor), float(np.abs(_interpolator(factor)).sum(axis=0).max())
        self._highest = at_least
        # Silence before the sound, for the points before the first sample.
        self._held = np.zeros((2 * _SIDE_LOBES - 1, channels), order="F")

    def feed(self, block: np.ndarray) -> None:
        """Take in the next samples, shape (frames, channels); may be empty."""
        if len(block) == 0:
            return
        held = np.concatenate([self._held, block])
        # A block's last points reach into the two blocks after it.
        done = max(len(held) // _BLOCK_FRAMES - 2, 0) * _BLOCK_FRAMES
        if done:
            self._highest = self._between(held[: done + 2 * _BLOCK_FRAMES])
        self._held = held[done:].copy(order="F")

    def dbtp(self) -> float:
        """The true peak so far, in dB re full scale, as if silence followed; −inf for silence."""
        blocks = -(-(len(self._held) + 2 * _SIDE_LOBES) // _BLOCK_FRAMES)
        padded = np.zeros((blocks * _BLOCK_FRAMES, self._held.shape[1]), order="F")
        padded[: len(self._held)] = self._held
        return amplitude_to_db(self._between(padded))

    def _between(self, columns: np.ndarray) -> float:
        """The highest value so far, including these samples, a whole number of blocks, and the points between them."""
        highest = self._highest
        for channel in columns.T:
            highest = _interpolated_peak(np.ascontiguousarray(channel), self._matrix, self._most, highest)
        return highest


def oversampling_factor(rate: int) -> int:
    """How many times :func:`true_peak_dbtp` oversamples a clip of this rate in Hz: at least 4."""
    return max(4, math.ceil(TRUE_PEAK_RATE_HZ / rate))


@asks(clip=A_CLIP)
def step_powers(clip: Clip, step_ms: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean power of the clip, step by step.

    Parameters
    ----------
    clip : Clip
        With several channels, their mean is taken.
    step_ms : float
        Length of a step, rounded to whole frames; the last step may be shorter.

    Returns
    -------
    edges : ndarray of int, shape (steps + 1,)
        First frame of every step, and the frame after the last.
    powers : ndarray, shape (steps,)
    """
    length = max(int(round(step_ms * clip.rate / 1000)), 1)
    edges = np.append(np.arange(0, clip.frames, length), clip.frames)
    powers = np.square(clip.samples) if clip.samples.ndim == 1 else np.square(clip.samples).mean(axis=1)
    return edges, np.add.reduceat(powers, edges[:-1]) / np.diff(edges)


def _raised(db, nepers_per_db: float):
    exponent = as_numbers("db", db) * nepers_per_db
    try:
        with np.errstate(over="raise"):
            return _plain(np.exp(exponent))
    except FloatingPointError:
        raise ValueError(
            f"db: {float(np.max(exponent)) / nepers_per_db:g} dB is not allowed; its ratio is too large for a number."
        ) from None


def _in_decibels(magnitude, scale: float, floor_db: float | None):
    """`scale`·log10(magnitude), in place if `magnitude` is an array: it must then be our own."""
    if floor_db is not None:
        floor_db = check_number("floor_db", floor_db, -math.inf, math.inf, "dB")
    out = magnitude if isinstance(magnitude, np.ndarray) else None
    with np.errstate(divide="ignore"):
        db = np.log10(magnitude, out=out)
    db *= scale
    if floor_db is not None:
        db = np.maximum(db, floor_db, out=out)
    return _plain(db)


def _plain(values):
    """A 0-dimensional result as a float."""
    return float(values) if np.ndim(values) == 0 else values


def _sample_peak(samples: np.ndarray) -> float:
    return max(float(samples.max()), -float(samples.min()))


@functools.lru_cache(maxsize=32)
def _interpolator(factor: int) -> np.ndarray:
    """Weights of the points between two samples, shape (2·side lobes, factor − 1).

    A sinc under a Kaiser window: it passes through the samples themselves, so only the points between them are
    computed.
    """
    fraction = np.arange(1, factor) / factor
    distance = np.arange(-_SIDE_LOBES + 1, _SIDE_LOBES + 1)[:, None] - fraction
    window = np.i0(8.0 * np.sqrt(1.0 - (distance / _SIDE_LOBES) ** 2)) / np.i0(8.0)
    weights = np.sinc(distance) * window
    weights /= weights.sum(axis=0)
    weights.flags.writeable = False
    return weights


@functools.lru_cache(maxsize=32)
def _block_matrix(factor: int) -> np.ndarray:
    """What three blocks of samples are multiplied by for the points from the first block on: one column each."""
    weights = _interpolator(factor)
    matrix = np.zeros((3 * _BLOCK_FRAMES, _BLOCK_FRAMES, factor - 1))
    for place in range(_BLOCK_FRAMES):
        matrix[place : place + len(weights), place] = weights
    matrix = matrix.reshape(3 * _BLOCK_FRAMES, -1)
    matrix.flags.writeable = False
    return matrix


def _interpolated_peak(channel: np.ndarray, matrix: np.ndarray, most: float, highest: float) -> float:
    """The larger of `highest` and the largest magnitude of one channel's samples and of the points between them.

    The channel holds a whole number of blocks. An interpolated value can't exceed the largest sample nearby times the
    weights' absolute sum, so blocks too soft to matter are never interpolated. That is exact, and for a singing voice
    it leaves a tenth of them.
    """
    peaks = np.abs(channel)
    for parts in _BLOCK_FACTORS:
        # Far faster than a maximum over rows as short as a block.
        peaks = functools.reduce(np.maximum, (peaks[part::parts] for part in range(parts)))
    highest = max(highest, float(peaks.max()))
    ceiling = most * np.maximum(np.maximum(peaks[:-2], peaks[1:-1]), peaks[2:])
    high = np.flatnonzero(ceiling > highest)
    high = high[np.argsort(-ceiling[high])]
    spans = np.lib.stride_tricks.sliding_window_view(channel, 3 * _BLOCK_FRAMES)[::_BLOCK_FRAMES]
    step = max(_BATCH_PRODUCTS // matrix.size, 1)
    for first in range(0, len(high), step):
        batch = high[first : first + step]
        if ceiling[batch[0]] <= highest:
            break
        between = spans[batch] @ matrix
        highest = max(highest, float(between.max()), -float(between.min()))
    return highest
