"""The levels of a sound of any length, measured block by block: the numbers that say what a file is like.

The single measures stand in :mod:`vocomp_lab.sound.levels`, :mod:`vocomp_lab.analysis.loudness` and :mod:`vocomp_lab.analysis.meters`, and are
explained in ``01_levels_and_meters``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from vocomp_lab.analysis.loudness import Loudness, LoudnessMeter
from vocomp_lab.analysis.meters import (
    MASK_STEP_MS,
    PAUSE_STEP_MS,
    active_steps,
    pause_level_dbfs,
    voice_band_sections,
)
from vocomp_lab.processors.memory import Memory
from vocomp_lab.sound.audio import Clip, SoundReader, channel_by_channel, largest_magnitudes
from vocomp_lab.sound.levels import TruePeakMeter, amplitude_to_db, power_to_db


@dataclass(frozen=True)
class FileLevels:
    """What a sound is like, in numbers.

    Attributes
    ----------
    rate, channels : int
    duration_s : float
    peak_dbfs, true_peak_dbtp, rms_dbfs, crest_db : float
        As :func:`vocomp_lab.sound.levels.sample_peak_dbfs` and its neighbours say; the crest factor over the sung
        time, NaN where nobody sings.
    loudness_lufs, range_lu : float
        Integrated loudness and loudness range (:func:`vocomp_lab.analysis.loudness.loudness`).
    noise_floor_dbfs : float
        Level in the pauses (:func:`vocomp_lab.analysis.meters.noise_floor_dbfs`); NaN where there is no pause.
    active_share : float
        Part of the time in which somebody sings (:func:`vocomp_lab.analysis.meters.active_mask`), 0 to 1.
    cut_short : str, optional
        A sentence that says so if the file is shorter than it says.
    """

    rate: int
    channels: int
    duration_s: float
    peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    crest_db: float
    loudness_lufs: float
    range_lu: float
    noise_floor_dbfs: float
    active_share: float
    cut_short: str | None = None


class StepMeans:
    """Means (or something else, such as the largest) over steps of so many frames, of values that come in blocks."""

    def __init__(self, length: int, of=np.mean):
        self.length, self._of = length, of
        self._means: list[np.ndarray] = []
        self._rest = np.empty(0)

    @classmethod
    def of_ms(cls, step_ms: float, rate: int, of=np.mean) -> "StepMeans":
        """With steps as long as :func:`vocomp_lab.sound.levels.step_powers` makes them."""
        return cls(max(int(round(step_ms * rate / 1000)), 1), of)

    def feed(self, values: np.ndarray) -> None:
        """Take in the next values, shape (frames,)."""
        if len(self._rest):
            begun = min(self.length - len(self._rest), len(values))
            self._rest = np.concatenate([self._rest, values[:begun]])
            values = values[begun:]
            if len(self._rest) == self.length:
                self._means.append(self._of(self._rest[None, :], axis=1))
                self._rest = self._rest[:0]
        whole = len(values) // self.length * self.length
        if whole:
            self._means.append(self._of(values[:whole].reshape(-1, self.length), axis=1))
        if len(values):
            self._rest = values[whole:].copy()

    def means(self) -> np.ndarray:
        """The mean of every step so far, the last one perhaps shorter; shape (steps,)."""
        return np.concatenate([*self._means, [self._of(self._rest)] if len(self._rest) else []])


class LevelMeter:
    """Measures all of :class:`FileLevels` of a sound that is fed block by block.

    Parameters
    ----------
    rate : int
        Samples per second.
    channels : int

    Notes
    -----
    An hour takes about 10 MB.
    """

    def __init__(self, rate: int, channels: int):
        self.rate, self.channels, self.frames = rate, channels, 0
        self._loudness, self._true_peak = LoudnessMeter(rate, channels), TruePeakMeter(rate, channels)
        self._highest, self._energy = 0.0, 0.0
        self._memory, self._voice_band = Memory(), voice_band_sections(rate)
        self._voice, self._pauses = StepMeans.of_ms(MASK_STEP_MS, rate), StepMeans.of_ms(PAUSE_STEP_MS, rate)
        self._powers, self._peaks = StepMeans.of_ms(MASK_STEP_MS, rate), StepMeans.of_ms(MASK_STEP_MS, rate, np.max)

    def feed(self, block: np.ndarray) -> None:
        """Take in the next samples, shape (frames, channels), full scale at ±1.

        Raises
        ------
        ValueError
            If a sample is NaN or infinite.
        """
        if len(block) == 0:
            return
        block = channel_by_channel(block)
        self._loudness.feed(block)
        self._true_peak.feed(block)
        self.frames += len(block)
        peaks = largest_magnitudes(block)
        self._highest = max(self._highest, float(peaks.max()))
        powers = _mean_squares(block)
        self._energy += float(powers.sum())
        self._pauses.feed(powers)
        self._powers.feed(powers)
        self._peaks.feed(peaks)
        self._voice.feed(_mean_squares(self._memory.sosfilt("voice", self._voice_band, block)))

    def loudness(self) -> Loudness:
        """Loudness over time of what was fed so far."""
        return self._loudness.result()

    def active(self) -> np.ndarray:
        """Where somebody sings, of every 10 ms, shape (steps,) of bool."""
        return active_steps(self._voice.means())

    def levels(self) -> FileLevels:
        """All numbers of what was fed so far.

        Raises
        ------
        ValueError
            If nothing was fed.
        """
        loud, active, powers = self.loudness(), self.active(), self._pauses.means()
        first = np.arange(len(powers)) * self._pauses.length
        end = np.minimum(first + self._pauses.length, self.frames)
        count = np.concatenate([[0], np.cumsum(active)])
        touched = count[(end - 1) // self._voice.length + 1] - count[first // self._voice.length]
        return FileLevels(
            rate=self.rate,
            channels=self.channels,
            duration_s=self.frames / self.rate,
            peak_dbfs=amplitude_to_db(self._highest),
            true_peak_dbtp=self._true_peak.dbtp(),
            rms_dbfs=power_to_db(self._energy / self.frames),
            crest_db=self._crest_db(active),
            loudness_lufs=loud.integrated_lufs,
            range_lu=loud.range_lu,
            noise_floor_dbfs=pause_level_dbfs(powers[touched == 0]),
            active_share=float(active.mean()),
        )

    def _crest_db(self, active: np.ndarray) -> float:
        """:func:`vocomp_lab.sound.levels.crest_factor_db` of the sung steps; the last step may be a short one."""
        lengths = np.full(len(active), self._powers.length)
        lengths[-1] = self.frames - self._powers.length * (len(active) - 1)
        if not active.any():
            return math.nan
        power = np.average(self._powers.means()[active], weights=lengths[active])
        return amplitude_to_db(self._peaks.means()[active].max()) - power_to_db(power)


def _mean_squares(block: np.ndarray) -> np.ndarray:
    """Mean power of the channels, frame by frame."""
    return np.einsum("ij,ij->i", block, block) / block.shape[1]


def measure_file(path) -> FileLevels:
    """Measure a sound file of any length, in little memory.

    Parameters
    ----------
    path : str or path-like

    Returns
    -------
    FileLevels

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        If it can't be read, is empty or holds NaN or infinity.
    """
    with SoundReader(path) as reader:
        meter = LevelMeter(reader.rate, reader.channels)
        feed_all(meter, reader, reader.blocks())
        return replace(meter.levels(), cut_short=reader.cut_short())


def feed_all(meter: LevelMeter, reader: SoundReader, blocks: Iterable[np.ndarray]) -> None:
    """Feed a meter with a file's blocks; a ValueError in one sentence if there is nothing in it."""
    for block in blocks:
        meter.feed(block)
    if reader.frames_read == 0:
        with reader.explained():
            Clip(np.zeros((0, reader.channels)), reader.rate)
