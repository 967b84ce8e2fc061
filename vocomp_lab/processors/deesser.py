"""The de-esser: a compressor that hears only the hiss of s, sh and z, and turns that down."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter

from vocomp_lab.processors.compressor import DYNAMICS_RULES, FLOOR_DB, Dynamics
from vocomp_lab.processors.flow import Flow, Piece, Queue, in_shape_of
from vocomp_lab.processors.memory import Memory
from vocomp_lab.processors.recursion import coefficient
from vocomp_lab.processors.zero_phase import ZeroPhase
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Range, Words, asks, check_below_nyquist
from vocomp_lab.sound.levels import db_to_amplitude, power_to_db, rms_dbfs

MODES = ("split-band", "wideband")
REFERENCES = ("voice", "full scale")
# Time constants of the level of the hiss, and of the voice's running level on its way up and down; and how far below
# the clip's own level the voice's may fall.
BAND_MS = 2.0
VOICE_RISE_MS, VOICE_FALL_MS = 150.0, 2_000.0
VOICE_FLOOR_DB = -6.0
# A voice softer than this, in dBFS, is silence: nothing hisses there.
SILENCE_DBFS = -120.0
# Less than that, as a power.
_SMALL_POWER = 1e-14


# In blocks, the split may hold back this many frames at most: a high-pass near half of the rate fades slowly.
_MOST_AHEAD = 1 << 20


class DeEsserFlow(Flow):
    """Splits off the hiss, which holds the sound back, and turns it down."""

    def __init__(self, processor, rate, channels):
        super().__init__(processor, rate, channels)
        self.split = processor._splitter(rate, channels)
        self.samples, self.highs = Queue(channels), Queue(channels)

    @property
    def asks_for_power(self):
        return self.processor.reference == "voice"

    def for_blocks(self, grain=1):
        if self.split.ahead > _MOST_AHEAD:
            raise ValueError(
                f"freq_hz: {self.processor.freq_hz:g} Hz is too near to half of the rate of {self.rate} Hz for work in "
                "blocks; give a lower frequency."
            )
        super().for_blocks(grain)

    def push(self, block, last):
        self.samples.put(block)
        self.highs.put(self.split.push(block, last))
        ready = self.ready(len(self.highs), last)
        if ready == 0:
            return
        hiss_db = self.processor.hiss_db(
            _powers(self.highs.look(ready)),
            _powers(self.samples.look(ready)),
            self.rate,
            -math.inf if self.input_power is None else power_to_db(self.input_power),
            self.memory,
        )
        reduction_db = self.processor.reduction_db(hiss_db, self.rate, self.memory)
        for part in self.pieces(ready):
            # Taken piece by piece, so that what waits here makes room for what waits behind.
            columns, high = (queue.take(part.stop - part.start) for queue in (self.samples, self.highs))
            turned_down = high if self.processor.mode == "split-band" else columns
            taken = (1.0 - db_to_amplitude(-reduction_db[part]))[:, None] * turned_down
            yield Piece(columns - taken, reduction_db[part], hiss_db[part])


@dataclass(frozen=True)
class DeEsser(Dynamics):
    """Turns sharp s sounds down while they last.

    Parameters
    ----------
    threshold_db : float
        The band above `freq_hz` is turned down from this level on, −120 to 24: in dB relative to the voice's running
        level, or in dBFS, as `reference` says.
    freq_hz : float
        Where the band of the hiss begins, 500 Hz to below half the clip's rate.
    ratio : float
        Decibels in per decibel out above the threshold, 1 to infinity.
    attack_ms, release_ms : float
        Time constants, above 0 to 1,000 and 5,000.
    range_db : float
        The largest reduction, 0 to 48.
    mode : {"split-band", "wideband"}
        Whether only the band of the hiss is turned down, or everything at that moment.
    reference : {"voice", "full scale"}
        What the threshold is relative to. Relative to the voice, an s counts the same in a soft phrase as in a loud
        one, and a setting works for every take. Relative to full scale, a soft phrase keeps its hiss.
    knee_db : float
        Width of the soft knee, 0 to 48.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.

    Notes
    -----
    The band is split by a second-order Butterworth high-pass run forwards and backwards, and its complement: both have
    the magnitude of a fourth-order Linkwitz–Riley crossover (S. Linkwitz, J. Audio Eng. Soc. 24(1), 1976, value from
    memory) without its phase shift. So they add up to the sound itself, bit for bit where nothing is turned down. The
    level is the running mean square of the band (2 ms). The voice's running level is that of the whole sound (150 ms
    up, 2 s down), but at least 6 dB below the clip's RMS, so that a first s, or a breath after a pause, isn't compared
    with silence. The default settings turn the s sounds of both synthetic singers down by 5 to 6 dB at their sharpest,
    and never by more. Curve and smoother: Giannoulis, Massberg & Reiss (2012), eq. 4 and 16. The rest: common practice,
    no source.

    Examples
    --------
    >>> import numpy as np
    >>> from vocomp_lab import Clip, DeEsser
    >>> tone = Clip(0.5 * np.sin(2 * np.pi * 1000 * np.arange(48000) / 48000), 48000)
    >>> float(DeEsser(threshold_db=-22).apply(tone).reduction_db.max())
    0.0
    """

    threshold_db: float = -25.0
    freq_hz: float = 6_000.0
    ratio: float = 4.0
    attack_ms: float = 0.5
    release_ms: float = 30.0
    range_db: float = 6.0
    mode: str = "split-band"
    reference: str = "voice"
    knee_db: float = 6.0

    FLOW = DeEsserFlow
    RULES = {
        **{name: DYNAMICS_RULES[name] for name in ("threshold_db", "ratio", "knee_db")},
        "freq_hz": Range(500, 96_000, "Hz"),
        "attack_ms": Range(0, 1_000, "ms", low_open=True),
        "release_ms": Range(0, 5_000, "ms", low_open=True),
        "range_db": Range(0, 48, "dB"),
        "mode": Words(MODES),
        "reference": Words(REFERENCES),
    }

    @asks(clip=A_CLIP)
    def split(self, clip: Clip) -> tuple[Clip, Clip]:
        """The band below and the band above `freq_hz`, which add up to the clip.

        Raises
        ------
        ValueError
            If `freq_hz` lies at or over half the clip's sample rate.
        """
        high = in_shape_of(clip, self._high(clip))
        return clip.with_samples(clip.samples - high.samples), high

    @property
    def level_unit(self) -> str:
        """The unit of the threshold and of the detector's level."""
        return "dB re voice" if self.reference == "voice" else "dBFS"

    def target_reduction_db(self, level_db):
        """The static curve's reduction at a level, never more than `range_db`."""
        return np.minimum(super().target_reduction_db(level_db), self.range_db)

    @asks(clip=A_CLIP)
    def detector_db(self, clip: Clip) -> np.ndarray:
        """The level of the hiss on the threshold's scale, shape (frames,)."""
        return self.hiss_db(_powers([self._high(clip)]), _powers([clip.columns]), clip.rate, rms_dbfs(clip))

    def hiss_db(
        self, band_powers: np.ndarray, powers: np.ndarray, rate: int, clip_dbfs: float, memory: Memory | None = None
    ) -> np.ndarray:
        """The level of the hiss on the threshold's scale, shape (frames,).

        Parameters
        ----------
        band_powers, powers : ndarray, shape (frames,)
            Mean square of each frame over the channels: of the band above `freq_hz`, and of the whole sound.
        rate : int
        clip_dbfs : float
            RMS of the whole clip, which limits how far the voice's running level may fall.
        memory : Memory, optional
            For a long file, block by block: what the block before left.
        """
        memory = Memory() if memory is None else memory
        level_db = power_to_db(memory.one_pole("band", coefficient(BAND_MS, rate), band_powers), FLOOR_DB)
        if self.reference != "voice":
            return level_db
        rise, fall = coefficient(VOICE_RISE_MS, rate), coefficient(VOICE_FALL_MS, rate)
        voice = np.maximum(memory.branching("voice", powers, rise, fall, unit=_SMALL_POWER), 0.0)
        lowest_db = max(clip_dbfs + VOICE_FLOOR_DB, SILENCE_DBFS)
        return level_db - np.maximum(power_to_db(voice, FLOOR_DB), lowest_db)

    def reduction_db(self, hiss_db: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The smoothed reduction that a level of :meth:`hiss_db` leads to: dB, ≥ 0, shape (frames,)."""
        memory = Memory() if memory is None else memory
        attack, release = coefficient(self.attack_ms, rate), coefficient(self.release_ms, rate)
        return np.maximum(memory.branching("reduction", self.target_reduction_db(hiss_db), attack, release), 0.0)

    def _splitter(self, rate, channels):
        """The filter that passes the band above `freq_hz`."""
        check_below_nyquist("freq_hz", self.freq_hz, rate)
        return ZeroPhase(butter(2, self.freq_hz, "highpass", fs=rate, output="sos"), channels)

    def _high(self, clip):
        """The band above `freq_hz`, shape (frames, channels)."""
        return self._splitter(clip.rate, clip.channels).push(clip.columns, last=True)


def _powers(parts) -> np.ndarray:
    """Mean square of all channels together, frame by frame, of sound in parts of shape (frames, channels)."""
    return np.concatenate([np.mean(part * part, axis=1) for part in parts])
