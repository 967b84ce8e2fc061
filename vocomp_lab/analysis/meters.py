"""Meters beside the loudness meter: where the singer sings, how much a compressor works there, and needles.

Everything here turns sound or gain reduction into the few numbers that a lesson's claim is checked by.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.signal import bilinear, butter, lfilter, resample_poly, sosfilt

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.stretches import bridged, filled, stretches
from vocomp_lab.processors.recursion import coefficient, smooth_branching
from vocomp_lab.sound.audio import A_CLIP, Clip, check_rate
from vocomp_lab.sound.checks import REDUCTION, asks, check_choice, check_number, checked_active
from vocomp_lab.sound.levels import amplitude_to_db, db_to_amplitude, power_to_db, step_powers, true_peak_dbtp
from vocomp_lab.sound.remembered import remembered

VOICE_BAND_HZ = (120.0, 4000.0)
MASK_STEP_MS = 10.0
"""Step in which :func:`active_mask` looks at a clip."""
PAUSE_STEP_MS = 50.0
"""Step in which :func:`noise_floor_dbfs` looks at the pauses."""
_NEEDLE_STEP_S = 0.005
_NEEDLE_RATE_HZ = 44_100
# Types of peak programme meter: milliseconds to charge, and seconds to fall by so many dB.
_PPM_TIMES = {"I": (2.0, 1.7, 20.0), "II": (3.75, 2.8, 24.0)}
_PPM_POWER = 1.5
_LOUD_PERCENTILE = 95
_FLOOR_PERCENTILE = 5
# What :func:`active_mask` says of each: how far under the loud level, over the noise floor, and how short.
_ONSET_DROP_DB, _HOLD_DROP_DB, _NOISE_MARGIN_DB, _SILENCE_DBFS = 15.0, 28.0, 8.0, -70.0
_BRIDGE_MS, _BLIP_MS = 150.0, 60.0


@asks(clip=A_CLIP)
def active_mask(clip: Clip) -> np.ndarray:
    """Where the singer sings: the frames that count for statistics, with pauses and breaths left out.

    The clip's level is taken every 10 ms in the band of the voice's strongest tones (120 to 4,000 Hz), so that
    rumble, pops, hiss and most of a breath don't count. The *loud level* is its 95th percentile. A stretch of sound is
    singing if it stays within 28 dB of the loud level and comes within 15 dB of it somewhere. That keeps a phrase that
    was sung 8 dB too softly, and drops a breath on its own.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    ndarray of bool, shape (frames,)
        All False for a silent clip.

    Notes
    -----
    Both thresholds stay 8 dB above the noise floor (5th percentile of the level) and above −70 dBFS. Gaps under 150 ms
    (consonants) count as singing; stretches under 60 ms (clicks) don't. Common practice (thresholds with hysteresis),
    no source. It doesn't know words: a loud breath that leads into a note without a gap counts as singing, and so do
    other instruments.
    """
    active, lengths = _active_steps(clip)
    return np.repeat(active, lengths)


@remembered(16)  # nearly every measurement asks for it
def _active_steps(clip: Clip) -> tuple[np.ndarray, np.ndarray]:
    """Which steps are sung, and how many frames each has."""
    edges, powers = step_powers(_voice_band(clip), MASK_STEP_MS)
    return active_steps(powers), np.diff(edges)


def active_steps(powers: np.ndarray, onset_drop_db: float = _ONSET_DROP_DB) -> np.ndarray:
    """:func:`active_mask` without the clip, from the power of the voice's band in steps of 10 ms.

    Parameters
    ----------
    powers : ndarray, shape (steps,)
        Mean power between 120 and 4,000 Hz (:func:`voice_band_sections`) of every 10 ms.
    onset_drop_db : float
        How far below the loud level a stretch's loudest moment may lie.

    Returns
    -------
    ndarray of bool, shape (steps,)
    """
    level_db = power_to_db(powers, floor_db=-300.0)
    sounding = level_db > level_db.max() - 40.0  # so that a clip that is mostly pause is judged by its few words
    loud_db = np.percentile(level_db[sounding], _LOUD_PERCENTILE)
    # Where nobody ever pauses the "floor" is the voice itself, which must not push the thresholds over the voice.
    floor_db = min(np.percentile(level_db, _FLOOR_PERCENTILE) + _NOISE_MARGIN_DB, loud_db - onset_drop_db / 2)
    onset_db = max(loud_db - onset_drop_db, floor_db, _SILENCE_DBFS)
    hold_db = max(loud_db - _HOLD_DROP_DB, floor_db, _SILENCE_DBFS)

    starts, ends = stretches(level_db > hold_db)
    loudest = np.maximum.reduceat(np.append(level_db, -np.inf), np.ravel([starts, ends], order="F"))[::2]
    starts, ends = bridged(starts[loudest > onset_db], ends[loudest > onset_db], _BRIDGE_MS / MASK_STEP_MS)
    long = ends - starts >= _BLIP_MS / MASK_STEP_MS
    return filled(starts[long], ends[long], len(powers))


@dataclass(frozen=True)
class ReductionStats:
    """How much a compressor works while the singer sings (see :func:`reduction_stats`).

    Parameters
    ----------
    share : float
        Part of the sung time, 0 to 1, in which the reduction is above `floor_db`.
    median_db, p95_db, max_db : float
        Median, 95th percentile and maximum of the reduction over the sung time, in dB, ≥ 0.
    floor_db : float
        From where a reduction counts as one.
    """

    share: float
    median_db: float
    p95_db: float
    max_db: float
    floor_db: float


def reduction_stats(reduction_db, active, floor_db: float = 0.5) -> ReductionStats:
    """Statistics of a gain reduction over the sung part.

    Parameters
    ----------
    reduction_db : array_like, shape (frames,)
        Gain reduction in dB, ≥ 0.
    active : array_like of bool, shape (frames,)
        Where the singer sings: see :func:`active_mask`.
    floor_db : float
        Reduction above this counts as reduction; half a decibel is about what one can hear.

    Returns
    -------
    ReductionStats
        All zero where nothing is sung.

    Raises
    ------
    ValueError
        If the shapes don't fit each other, or a reduction is negative, NaN or infinite.
    """
    floor_db = check_number("floor_db", floor_db, 0, 100, "dB")
    reduction_db = REDUCTION.check("reduction_db", reduction_db)
    active = checked_active(active, reduction_db.shape)
    counted = reduction_db[active]
    if len(counted) == 0:
        return ReductionStats(0.0, 0.0, 0.0, 0.0, floor_db)
    median, p95 = np.percentile(counted, [50, 95], overwrite_input=True)
    share = float(np.mean(counted > floor_db))
    return ReductionStats(share, float(median), float(p95), float(counted.max()), floor_db)


@asks(clip=A_CLIP)
def vu_reading(clip: Clip, reference_dbfs: float = -18.0) -> tuple[np.ndarray, np.ndarray]:
    """What a VU meter's needle shows: the average of the rectified wave, as slowly as the needle moves.

    Parameters
    ----------
    clip : Clip
    reference_dbfs : float
        Peak level of the steady sine that reads 0 VU. −18 dBFS is the EBU's alignment level (R 68; value from memory).

    Returns
    -------
    times_s : ndarray, shape (steps,)
        Every 5 ms.
    reading_vu : ndarray, shape (steps,) or (steps, channels), as the clip's samples
        Decibels above the reference; −inf where the needle rests.

    Notes
    -----
    IEC 60268-17 (value from memory): a sine that starts takes the needle to 99 % of its final deflection in 300 ms,
    and 1 to 1.5 % beyond it. A second-order low-pass with those two figures, after a full-wave rectifier.
    """
    scale = math.pi / 2 / db_to_amplitude(_checked_reference(reference_dbfs))
    samples, rate = _dense(clip)
    needle = lfilter(*needle_filter(rate), np.abs(samples), axis=0)
    # The needle's swing below zero stops at the pin.
    return _read_needle(scale * np.maximum(needle, 0.0), rate)


@asks(clip=A_CLIP)
def ppm_reading(clip: Clip, kind: str = "II", reference_dbfs: float = -18.0) -> tuple[np.ndarray, np.ndarray]:
    """What a peak programme meter shows: quick to rise, slow to fall.

    Parameters
    ----------
    clip : Clip
    kind : {"I", "II"}
        Type of the meter: I is the quicker one (20 dB back in 1.7 s), II the slower (24 dB in 2.8 s).
    reference_dbfs : float
        Peak level of the steady sine that reads 0.

    Returns
    -------
    times_s : ndarray, shape (steps,)
        Every 5 ms.
    reading_db : ndarray, shape (steps,) or (steps, channels), as the clip's samples
        Decibels above the reference; −inf for silence from the start.

    Notes
    -----
    IEC 60268-10 (value from memory) says what short tone bursts must read: type II 10 ms −2.5, 5 ms −4, 1.5 ms −9 dB;
    type I 10 ms −1, 5 ms −2, 3 ms −4 dB. A rectifier that charges one store can't follow type II's figures with the
    plain amplitude: it is too slow for the shortest burst when right for the longest. Raised to the power 3/2 before
    the store, and taken back after it, it meets both types with one time constant each, fitted here to the figures
    above.
    """
    check_choice("kind", kind, tuple(_PPM_TIMES))
    samples, rate = _dense(clip)
    scale = 1.0 / (db_to_amplitude(_checked_reference(reference_dbfs)) * _quasi_peak_of_sine(kind, rate))
    columns = [_quasi_peak(column, kind, rate) for column in samples.reshape(len(samples), -1).T]
    return _read_needle(scale * np.stack(columns, axis=-1).reshape(samples.shape), rate)


def reduction_needle(reduction_db, rate: int) -> np.ndarray:
    """What a needle shows that moves by gain reduction: behind the true value, and blind to short peaks.

    Parameters
    ----------
    reduction_db : array_like, shape (frames,)
        Gain reduction in dB, ≥ 0.
    rate : int
        Samples per second.

    Returns
    -------
    ndarray, shape (frames,)
        The needle's reading in dB, ≥ 0.

    Raises
    ------
    ValueError
        If the shape is another, a reduction is negative, NaN or infinite, or the rate not allowed.

    Notes
    -----
    The mechanics of a VU meter (see :func:`vu_reading`) on a scale that is even in dB: common practice, no source.
    """
    moved = lfilter(*needle_filter(check_rate(rate)), REDUCTION.check("reduction_db", reduction_db))
    return np.maximum(moved, 0.0)


@asks(clip=A_CLIP)
def peak_to_loudness_ratio_db(clip: Clip) -> float:
    """True peak minus integrated loudness, in dB: how far the peaks stand out from the loudness; NaN for silence.

    Notes
    -----
    EBU Tech 3343 names it PLR (value from memory).
    """
    lufs = integrated_lufs(clip)
    return true_peak_dbtp(clip) - lufs if lufs > -math.inf else math.nan


@asks(clip=A_CLIP)
def noise_floor_dbfs(clip: Clip, active) -> float:
    """Level of what is left in the pauses: hiss, hum and rumble, as RMS in dB re full scale.

    Parameters
    ----------
    clip : Clip
    active : array_like of bool, shape (frames,)
        Where the singer sings: see :func:`active_mask`.

    Returns
    -------
    float
        The lower quartile over the 50 ms steps that lie wholly in pauses, since breaths and the ends of notes may fill
        most of a pause; −inf for digital silence, NaN for a clip without any such step.

    Raises
    ------
    ValueError
        If `active` doesn't fit the clip.

    Notes
    -----
    Common practice, no source.
    """
    active = checked_active(active, (clip.frames,))
    edges, powers = step_powers(clip, PAUSE_STEP_MS)
    return pause_level_dbfs(powers[~np.logical_or.reduceat(active, edges[:-1])])


def pause_level_dbfs(powers: np.ndarray) -> float:
    """The noise floor of :func:`noise_floor_dbfs`, from the mean power of every step that lies wholly in a pause."""
    return power_to_db(float(np.percentile(powers, 25))) if len(powers) else math.nan


def _dense(clip: Clip) -> tuple[np.ndarray, int]:
    """The clip's samples and rate, interpolated where they lie too far apart for the top of a rectified wave."""
    factor = math.ceil(_NEEDLE_RATE_HZ / clip.rate)
    samples = resample_poly(clip.samples, factor, 1, axis=0) if factor > 1 else clip.samples
    return samples, factor * clip.rate


def _quasi_peak(samples: np.ndarray, kind: str, rate: int) -> np.ndarray:
    """The charge of a peak programme meter's store, as an amplitude, shape (frames,)."""
    charge_ms, fall_s, fall_db = _PPM_TIMES[kind]
    fall_ms = 1000.0 * fall_s / math.log(db_to_amplitude(fall_db)) / _PPM_POWER
    charge, fall = coefficient(charge_ms, rate), coefficient(fall_ms, rate)
    stored = smooth_branching(np.abs(samples) ** _PPM_POWER, charge, fall, unit=1e-14)
    return stored ** (1.0 / _PPM_POWER)


@functools.lru_cache(maxsize=32)
def _quasi_peak_of_sine(kind: str, rate: int) -> float:
    """What the store settles to on a steady 1 kHz sine of amplitude 1: a little under it."""
    sine = np.sin(2 * np.pi * 1000 * np.arange(rate) / rate)
    return float(_quasi_peak(sine, kind, rate)[-rate // 100 :].max())


@functools.lru_cache(maxsize=32)
def needle_filter(rate: int) -> tuple[np.ndarray, np.ndarray]:
    """Numerator and denominator of a VU needle: 99 % of a step after 300 ms, 1.25 % overshoot."""
    overshoot = 0.0125
    damping = -math.log(overshoot) / math.hypot(math.pi, math.log(overshoot))
    ringing = math.sqrt(1.0 - damping**2)

    def step_response(angle):
        """Of a second-order low-pass, at a time of `angle`/(natural frequency)."""
        return 1.0 - math.exp(-damping * angle) * (
            math.cos(ringing * angle) + damping / ringing * math.sin(ringing * angle)
        )

    # The first time at 99 %: before the response's peak, which is at π/ringing.
    natural = brentq(lambda angle: step_response(angle) - 0.99, 0.1, math.pi / ringing) / 0.3
    return bilinear([natural**2], [1.0, 2.0 * damping * natural, natural**2], fs=rate)


def _read_needle(position: np.ndarray, rate: int) -> tuple[np.ndarray, np.ndarray]:
    """Times and readings in dB every 5 ms of a needle's position, one value a frame."""
    steps = max(int(len(position) / rate / _NEEDLE_STEP_S + 1e-9), 1)
    times_s = np.arange(1, steps + 1) * _NEEDLE_STEP_S
    frames = np.minimum(np.rint(times_s * rate).astype(int), len(position)) - 1
    return times_s, amplitude_to_db(position[frames])


def _checked_reference(reference_dbfs) -> float:
    return check_number("reference_dbfs", reference_dbfs, -100, 0, "dBFS")


def _voice_band(clip: Clip) -> Clip:
    """The clip between 120 Hz and 4 kHz."""
    return clip.with_samples(sosfilt(voice_band_sections(clip.rate), clip.samples, axis=0))


def voice_band_sections(rate: int) -> np.ndarray:
    """Second-order sections that let pass the voice's strongest tones, 120 to 4,000 Hz, shape (4, 6)."""
    low, high = VOICE_BAND_HZ
    return butter(4, [low, min(high, 0.45 * rate)], "bandpass", fs=rate, output="sos")


def active_rms_dbfs(clip: Clip, active: np.ndarray) -> float:
    """RMS while the singer sings, in dB re full scale; `active` is bool, shape (frames,), with one True at least."""
    return power_to_db(float(np.mean(np.square(clip.columns[active]))))
