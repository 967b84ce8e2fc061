"""Loudness by ITU-R BS.1770-5 in the EBU's mode: momentary, short-term, integrated, and the loudness range.

One meter does all of it: :class:`LoudnessMeter` takes sound block by block and keeps nothing but the energy of every
10 ms; :func:`loudness` and :func:`integrated_lufs` feed it a whole clip.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter, sos2tf

from vocomp_lab.sound.audio import A_CLIP, Clip, check_rate, check_samples
from vocomp_lab.sound.checks import as_numbers, asks, check_choice, check_numbers, check_whole, shown
from vocomp_lab.sound.levels import db_to_power, power_to_db
from vocomp_lab.sound.remembered import kept_with_clip

STEP_S = 0.01
"""Distance of momentary and short-term values. The standard asks for 0.1 s or less; 10 ms catches a 400 ms burst."""
MOMENTARY_STEPS = 40
SHORT_TERM_STEPS = 300
_BLOCK_STRIDE = 10  # integrated loudness and range look every 100 ms

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_PERCENTILES = (10, 95)
_OFFSET_DB = -0.691

SPEAKER_WEIGHTS = {"M": 1.0, "L": 1.0, "R": 1.0, "C": 1.0, "LFE": 0.0, "Ls": 1.41, "Rs": 1.41}
"""What each speaker's power counts for (BS.1770-5, table 3); M is mono."""
_LAYOUTS = {5: "L R C Ls Rs", 6: "L R C LFE Ls Rs"}

# K-weighting at 48 kHz (BS.1770-5, tables 1 and 2): a high shelf for the head, then a high-pass.
# Rows of b0 b1 b2 a0 a1 a2.
_K_WEIGHTING_48K = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)
_THREAD_SAMPLES = 1_000_000


@dataclass(frozen=True, eq=False)
class Loudness:
    """What the loudness meter says about a clip.

    Parameters
    ----------
    integrated_lufs : float
        Loudness of the whole, pauses gated out; −inf when nothing is above −70 LUFS.
    range_lu : float
        Loudness range (LRA) in LU; 0 for a clip shorter than 3 s or with nothing above −70 LUFS.
    momentary_lufs, short_term_lufs : ndarray, shape (steps,)
        Loudness of the last 400 ms and of the last 3 s, every 10 ms. Silence is assumed before the clip, as on a
        meter that was just switched on, so they need 400 ms and 3 s to fill.
    times : ndarray, shape (steps,)
        Seconds. The *end* of the window that a value is measured over.
    """

    integrated_lufs: float
    range_lu: float
    momentary_lufs: np.ndarray = field(repr=False)
    short_term_lufs: np.ndarray = field(repr=False)
    times: np.ndarray = field(repr=False)

    @property
    def max_momentary_lufs(self) -> float:
        """Largest momentary loudness."""
        return float(self.momentary_lufs.max())

    @property
    def max_short_term_lufs(self) -> float:
        """Largest short-term loudness."""
        return float(self.short_term_lufs.max())


def k_weighting(rate: int) -> np.ndarray:
    """The loudness filter as second-order sections at any rate.

    Parameters
    ----------
    rate : int
        Samples per second, 8,000 to 192,000.

    Returns
    -------
    ndarray, shape (2, 6)
        Sections for :func:`scipy.signal.sosfilt`: a high shelf of +4 dB from about 1.7 kHz, then a high-pass at 38 Hz.

    Raises
    ------
    ValueError
        If the rate is not allowed.

    Notes
    -----
    The standard gives coefficients at 48 kHz only (BS.1770-5, tables 1 and 2). Undoing their bilinear transform gives
    the analogue filter, and doing it again at `rate`, with each section's corner kept in place, gives the same
    response at any rate: the very coefficients of the tables at 48 kHz, within about 0.01 dB of that from 32 kHz up.
    Lower down the transform squeezes the shelf's slope below half the rate, and so makes it steeper: at 22.05, 16,
    11.025 and 8 kHz the curve is up to 0.03, 0.07, 0.15 and 0.29 dB too high near 2.5 kHz, and a little too low under
    1.7 kHz. That is left so, since speech then reads only 0.005, 0.01, 0.03 and 0.06 LU too low, where the meter's
    own tolerance is 0.1 LU.
    """
    rate = check_rate(rate)
    sections = np.empty((2, 6))
    for section, table in zip(sections, _K_WEIGHTING_48K, strict=True):
        # With z⁻¹ = (1 − u)/(1 + u), u = s/2·(sampling interval): polynomials in u, whose corner is at |u| = √(d0/d2).
        numerator, denominator = _BILINEAR @ table[:3], _BILINEAR @ table[3:]
        corner = math.sqrt(denominator[0] / denominator[2])
        there = math.tan(math.atan(corner) * 48_000 / rate)
        powers = (corner / there) ** np.arange(3)
        section[:3] = _BILINEAR @ (numerator * powers) / 4
        section[3:] = _BILINEAR @ (denominator * powers) / 4
        section /= section[3]
    return sections


# Coefficients of c0 + c1·z⁻¹ + c2·z⁻² times (1 + u)², by powers of u; applied twice it multiplies by 4.
_BILINEAR = np.array([[1.0, 1.0, 1.0], [2.0, 0.0, -2.0], [1.0, -1.0, 1.0]])


def channel_weights(channels: int, layout=None) -> np.ndarray:
    """How much each channel's power counts.

    Parameters
    ----------
    channels : int
        Number of channels.
    layout : str or sequence of str, optional
        The speaker of every channel, such as ``"L R C LFE Ls Rs"`` (names: the keys of ``SPEAKER_WEIGHTS``). Without
        it, 5 channels are taken as L R C Ls Rs and 6 as L R C LFE Ls Rs, with the surrounds at 1.41 and the
        low-frequency channel left out; any other number of channels counts 1 each.

    Returns
    -------
    ndarray, shape (channels,)

    Raises
    ------
    ValueError
        If the layout has another number of channels, or a name that is not known.

    Notes
    -----
    ITU-R BS.1770-5, table 3. A mono clip counts as one loudspeaker: the same clip on both channels of a stereo one
    reads 3.01 LU more.
    """
    if layout is None:
        layout = _LAYOUTS.get(channels)
        if layout is None:
            return np.ones(channels)
    names = layout.split() if isinstance(layout, str) else layout
    if not isinstance(names, (list, tuple)):
        raise ValueError(f"layout: {shown(layout)} is not allowed; give a text such as 'L R', or a list of speakers.")
    for name in names:
        check_choice("layout", name, tuple(SPEAKER_WEIGHTS))
    if len(names) != channels:
        raise ValueError(f"layout: {len(names)} speakers are named, but the clip has {channels} channels.")
    return np.array([SPEAKER_WEIGHTS[name] for name in names])


class LoudnessMeter:
    """A loudness meter that is fed block by block.

    Parameters
    ----------
    rate : int
        Samples per second, 8,000 to 192,000.
    channels : int
        Number of channels, ≥ 1.
    layout : str or sequence of str, optional
        The speaker of every channel: see :func:`channel_weights`.
    weights : sequence of float, optional
        Instead of a layout, what each channel's power counts for, ≥ 0.

    Raises
    ------
    ValueError
        If a setting is not allowed.

    Notes
    -----
    However the sound is cut into blocks, the result is the same to 1e-9. An hour takes 3 MB.
    """

    def __init__(self, rate: int, channels: int = 1, layout=None, *, weights=None):
        self.rate = check_rate(rate)
        self.channels = check_whole("channels", channels, 1, 65_535)
        if weights is None:
            self.weights = channel_weights(self.channels, layout)
        elif layout is not None:
            raise ValueError("weights: both a layout and weights were given; give one of the two.")
        else:
            self.weights = _checked_weights(weights, self.channels)
        self._frames = 0
        self._meters = [_ChannelEnergy(self.rate) if weight > 0 else None for weight in self.weights]
        self._energies: list[np.ndarray] = []

    def feed(self, block) -> None:
        """Take in the next stretch of sound.

        Parameters
        ----------
        block : array_like, shape (frames,) for one channel, or (frames, channels)
            Full scale at ±1. May be empty.

        Raises
        ------
        ValueError
            If its shape is another, or a sample is NaN or infinite.
        """
        block = as_numbers("block", block)
        if block.ndim == 1 and self.channels == 1:
            block = block[:, None]
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ValueError(f"block: shape {block.shape} is not allowed; give (frames, {self.channels}).")
        check_samples(block, self._frames, "block")
        self._take(block)

    def _take(self, block: np.ndarray) -> None:
        """Measure a block, shape (frames, channels), that is known to be sound."""
        jobs = [(meter, column, weight) for meter, column, weight in zip(self._meters, block.T, self.weights) if meter]

        def measure(job):
            meter, column, weight = job
            return weight * meter.feed(column)

        if len(jobs) > 1 and block.size >= _THREAD_SAMPLES:
            # The filter lets go of Python's lock, so channels run side by side.
            with ThreadPoolExecutor(len(jobs)) as pool:
                energies = list(pool.map(measure, jobs))
        else:
            energies = [measure(job) for job in jobs]
        self._frames += len(block)
        if energies and len(energies[0]):
            self._energies.append(np.sum(energies, axis=0))

    def integrated_lufs(self) -> float:
        """Integrated loudness of what was fed so far; see :attr:`Loudness.integrated_lufs`."""
        return self._integrated(self._steps())

    def result(self) -> Loudness:
        """Everything about what was fed so far. The meter can be fed on afterwards.

        Raises
        ------
        ValueError
            If nothing was fed yet.
        """
        if self._frames == 0:
            raise ValueError("meter: it was fed no sound yet; feed at least one frame.")
        steps = self._steps()
        # Silence before and after: windows fill up from the start; the last one ends at or just behind the clip's end.
        rest = self._rest()
        shown = np.concatenate([np.zeros(SHORT_TERM_STEPS - 1), steps, [rest] if self._has_rest() else []])
        momentary, short_term = _windows(shown, self.rate)
        count = len(shown) - SHORT_TERM_STEPS + 1
        return Loudness(
            integrated_lufs=self._integrated(steps),
            range_lu=_range_lu(steps, self.rate),
            momentary_lufs=power_to_lufs(momentary[-count:]),
            short_term_lufs=power_to_lufs(short_term),
            times=np.arange(1, count + 1) * STEP_S,
        )

    def _steps(self) -> np.ndarray:
        """Weighted energy of every complete 10 ms so far."""
        if len(self._energies) > 1:
            self._energies = [np.concatenate(self._energies)]
        return self._energies[0] if self._energies else np.zeros(_steps_in(self._frames, self.rate))

    def _rest(self) -> float:
        """Weighted energy of what came after the last complete 10 ms."""
        return sum(weight * meter.rest for meter, weight in zip(self._meters, self.weights) if meter)

    def _has_rest(self) -> bool:
        return self._frames > _step_start(_steps_in(self._frames, self.rate), self.rate)

    def _integrated(self, steps: np.ndarray) -> float:
        if self._frames == 0:
            return -math.inf
        if len(steps) < MOMENTARY_STEPS:
            # Too short for one of the standard's blocks. A word on its own is loud all the same: one shorter block.
            blocks = np.array([(steps.sum() + self._rest()) / self._frames])
        else:
            blocks = _window_sums(steps, MOMENTARY_STEPS, _BLOCK_STRIDE) / (MOMENTARY_STEPS * STEP_S * self.rate)
        blocks = _above(blocks, ABSOLUTE_GATE_LUFS)
        if len(blocks):
            blocks = _above(blocks, power_to_lufs(blocks.mean()) + RELATIVE_GATE_LU)
        return power_to_lufs(blocks.mean()) if len(blocks) else -math.inf


@asks(clip=A_CLIP)
def loudness(clip: Clip, layout=None, *, weights=None) -> Loudness:
    """Loudness of a clip.

    Parameters
    ----------
    clip : Clip
        Any number of channels.
    layout, weights : optional
        What the channels are and how much they count: see :class:`LoudnessMeter`.

    Returns
    -------
    Loudness

    Raises
    ------
    ValueError
        If layout or weights don't fit the clip.

    Notes
    -----
    ITU-R BS.1770-5, annex 1 (K-weighting, 400 ms blocks that overlap by 75 %, gates at −70 LUFS and 10 LU below what
    passes the first), EBU Tech 3341 (momentary, short-term) and Tech 3342 (range). Only complete blocks count towards
    the integrated loudness; a clip shorter than 400 ms is measured as one block of its own length, which the standard
    doesn't provide for.
    """
    return _fed(clip, layout, weights).result()


@asks(clip=A_CLIP)
def integrated_lufs(clip: Clip, layout=None, *, weights=None) -> float:
    """The integrated loudness alone, for matching levels quickly: the same as ``loudness(clip).integrated_lufs``."""
    return _fed(clip, layout, weights).integrated_lufs()


@asks(clip=A_CLIP)
def stretch_loudness_lufs(clip: Clip, stretches_s) -> np.ndarray:
    """How loud each of some stretches of a clip is: a word, a line.

    Parameters
    ----------
    clip : Clip
    stretches_s : array_like, shape (stretches, 2)
        Start and end of each in seconds, within the clip.

    Returns
    -------
    ndarray, shape (stretches,)
        LUFS; −inf for a stretch of silence.

    Notes
    -----
    K-weighted mean power (ITU-R BS.1770-5) in steps of 10 ms, with the standard's relative gate: steps more than 10 LU
    below the mean of the stretch don't count, so that the gap at a word's end doesn't. The standard's blocks of 400 ms
    are longer than most words; steps of 10 ms are common practice, no source.
    """
    steps = _fed(clip, None, None)._steps() / (STEP_S * clip.rate)
    found = np.full(len(stretches_s), -math.inf)
    for number, (start_s, end_s) in enumerate(stretches_s):
        first = min(round(start_s / STEP_S), max(len(steps) - 1, 0))
        powers = steps[first : max(round(end_s / STEP_S), first + 1)]
        if powers.any():
            found[number] = power_to_lufs(_above(powers, power_to_lufs(powers.mean()) + RELATIVE_GATE_LU).mean())
    return found


@kept_with_clip
def _fed_plainly(clip: Clip) -> LoudnessMeter:
    """With one energy for each 10 ms of the clip, from which everything follows quickly; nobody feeds it on."""
    return _fed_anew(clip, None, None)


def _fed(clip: Clip, layout, weights) -> LoudnessMeter:
    return _fed_plainly(clip) if layout is None and weights is None else _fed_anew(clip, layout, weights)


def _fed_anew(clip: Clip, layout, weights) -> LoudnessMeter:
    meter = LoudnessMeter(clip.rate, clip.channels, layout, weights=weights)
    meter._take(clip.columns)  # a Clip has checked its samples
    return meter


class _ChannelEnergy:
    """K-weighted energy (sum of squares) of one channel for every 10 ms, carried on from block to block."""

    def __init__(self, rate: int):
        self.rate = rate
        # Both sections as one filter of fourth order: a quarter faster, and even at 192 kHz within 0.00001 LU of them.
        self.filter = sos2tf(k_weighting(rate))
        self.state = np.zeros(4)
        self.frames = 0
        self.left_over = np.empty(0)

    @property
    def rest(self) -> float:
        """Energy since the last complete 10 ms."""
        return float(self.left_over.sum())

    def feed(self, column: np.ndarray) -> np.ndarray:
        """Energy of each 10 ms that `column`, shape (frames,), completes."""
        # Two seconds at a time: more leaves the processor's cache, less makes threads wait for Python's lock too often.
        length = 2 * self.rate
        parts = [self._feed_part(column[start : start + length]) for start in range(0, len(column), length)]
        return np.concatenate(parts) if parts else np.empty(0)

    def _feed_part(self, column: np.ndarray) -> np.ndarray:
        weighted, self.state = lfilter(*self.filter, column, zi=self.state)
        # In digital silence the filter rings down to denormal numbers, which are ten times as slow; end it before.
        self.state[np.abs(self.state) < 1e-120] = 0.0
        squares = np.square(weighted, out=weighted)
        if len(self.left_over):
            squares = np.concatenate([self.left_over, squares])
        first = _steps_in(self.frames, self.rate)
        self.frames += len(column)
        last = _steps_in(self.frames, self.rate)
        edges = _step_start(np.arange(first, last + 1), self.rate) - _step_start(first, self.rate)
        self.left_over = squares[edges[-1] :].copy()
        if last == first:
            return np.empty(0)
        return np.add.reduceat(squares[: edges[-1]], edges[:-1])


def _step_start(step, rate: int):
    """First frame of a 10 ms step: a whole frame, also at rates such as 22,050 Hz."""
    return (step * rate + 50) // 100


def _steps_in(frames: int, rate: int) -> int:
    """How many 10 ms steps are complete after so many frames."""
    step = frames * 100 // rate + 1
    while _step_start(step, rate) > frames:
        step -= 1
    return step


def _window_sums(values: np.ndarray, count: int, stride: int = 1, apart: int = 1) -> np.ndarray:
    """Sums of `count` values, each `apart` from the next, at every `stride`-th place where they all fit.

    Added up, not taken as differences of cumulative sums: those would leave a faint trace of a loud passage in the silence
    after it.
    """
    places = max(len(values) - (count - 1) * apart, 0)
    return sum(values[first : first + places : stride] for first in range(0, count * apart, apart))


def _windows(steps: np.ndarray, rate: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean power of every complete momentary and every complete short-term window, a window each 10 ms."""
    tens = _window_sums(steps, 10)
    momentary = _window_sums(tens, MOMENTARY_STEPS // 10, apart=10)
    hundreds = _window_sums(tens, 10, apart=10)
    short_term = _window_sums(hundreds, SHORT_TERM_STEPS // 100, apart=100)
    frames = STEP_S * rate
    return momentary / (MOMENTARY_STEPS * frames), short_term / (SHORT_TERM_STEPS * frames)


def _range_lu(steps: np.ndarray, rate: int) -> float:
    """Loudness range of EBU Tech 3342."""
    powers = _windows(steps, rate)[1][::_BLOCK_STRIDE] if len(steps) >= SHORT_TERM_STEPS else np.empty(0)
    powers = _above(powers, ABSOLUTE_GATE_LUFS)
    if len(powers) == 0:
        return 0.0
    powers = np.sort(_above(powers, power_to_lufs(powers.mean()) + RANGE_GATE_LU))
    low, high = (powers[math.floor((len(powers) - 1) * percent / 100 + 0.5)] for percent in RANGE_PERCENTILES)
    return power_to_lufs(high) - power_to_lufs(low)


def _above(powers: np.ndarray, gate_lufs: float) -> np.ndarray:
    return powers[powers > db_to_power(gate_lufs - _OFFSET_DB)]


def power_to_lufs(power):
    """Loudness in LUFS of K-weighted, channel-weighted mean power (BS.1770-5): its decibels and a constant."""
    return power_to_db(power) + _OFFSET_DB


def _checked_weights(weights, channels: int) -> np.ndarray:
    weights = check_numbers("weights", weights, 0, 1_000)
    if weights.shape != (channels,):
        raise ValueError(
            f"weights: shape {weights.shape} is not allowed; give one number for each of {channels} channels."
        )
    return weights
