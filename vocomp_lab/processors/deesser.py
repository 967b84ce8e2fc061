"""Sibilance: a compressor that hears and turns down only the hiss of s, sh and z."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfiltfilt

from vocomp_lab.processors.compressor import DYNAMICS_RULES, FLOOR_DB, Compressed, Dynamics
from vocomp_lab.processors.memory import Memory
from vocomp_lab.processors.recursion import coefficient
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import Range, Words, check_below_nyquist
from vocomp_lab.sound.levels import db_to_amplitude, power_to_db, rms_dbfs

MODES = ("split-band", "wideband")
REFERENCES = ("voice", "full scale")


# Time constants of the level of the hiss and, up and down, of the voice's running level; how far under the clip's own
# level the latter may fall.
BAND_MS = 2.0
VOICE_RISE_MS, VOICE_FALL_MS = 150.0, 2_000.0
VOICE_FLOOR_DB = -6.0


# A voice softer than this, in dBFS, is silence, in which nothing hisses.
SILENCE_DBFS = -120.0


@dataclass(frozen=True)
class DeEsser(Dynamics):
    """Turns sharp s sounds down while they last.

    Parameters
    ----------
    threshold_db : float
        Level of the band above `freq_hz` from which it is turned down, −120 to 24: in dB over the voice's running
        level, or in dBFS, as `reference` says.
    freq_hz : float
        Where the band of the hiss begins, 500 Hz to under half the clip's rate.
    ratio : float
        Decibels in per decibel out above the threshold, 1 to infinity.
    attack_ms, release_ms : float
        Time constants, above 0 to 1,000 and 5,000.
    range_db : float
        The most that is ever taken away, 0 to 48.
    mode : {"split-band", "wideband"}
        Whether only the band of the hiss is turned down, or everything at that moment.
    reference : {"voice", "full scale"}
        What the threshold is counted from. Against the voice's own level an s is an s in a soft phrase as in a loud
        one, and the setting holds for every take; against full scale a soft phrase keeps its hiss.
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
    memory) without its turn of phase, so that they add up to the sound itself, bit for bit where nothing is turned
    down. The level is the running mean square of the band (2 ms); the voice's running level is that of the whole sound
    (150 ms up, 2 s down), never under 6 dB below the clip's RMS, so that a first s, or a breath after a pause, isn't
    held against silence. With the settings as they come, s sounds of both synthetic singers are turned down by 5 to 6
    dB at their sharpest, and never by more. Curve and smoother: Giannoulis, Massberg & Reiss (2012), eq. 4 and 16. The
    rest: common practice, no source.

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

    RULES = {
        **{name: DYNAMICS_RULES[name] for name in ("threshold_db", "ratio", "knee_db")},
        "freq_hz": Range(500, 96_000, "Hz"),
        "attack_ms": Range(0, 1_000, "ms", low_open=True),
        "release_ms": Range(0, 5_000, "ms", low_open=True),
        "range_db": Range(0, 48, "dB"),
        "mode": Words(MODES),
        "reference": Words(REFERENCES),
    }

    def split(self, clip: Clip) -> tuple[Clip, Clip]:
        """The band below and the band above `freq_hz`, which add up to the clip.

        Raises
        ------
        ValueError
            If `freq_hz` lies at or over half the clip's sample rate.
        """
        high = self._high(clip).reshape(clip.samples.shape)
        return clip.with_samples(clip.samples - high), clip.with_samples(high)

    def apply(self, clip: Clip) -> Compressed:
        """De-ess a clip.

        Parameters
        ----------
        clip : Clip

        Returns
        -------
        Compressed
            With `reduction_db` of the band above `freq_hz` (of everything, in wideband mode), and `detector_db` counted
            as the threshold is.

        Raises
        ------
        ValueError
            If `freq_hz` lies at or over half the clip's sample rate.
        """
        high = self._high(clip)
        detector_db = self._detector_db(clip, high)
        reduction_db = self.reduction_db(detector_db, clip.rate)
        turned_down = high if self.mode == "split-band" else clip.columns
        taken = (1.0 - db_to_amplitude(-reduction_db))[:, None] * turned_down
        output = clip.with_samples(clip.samples - taken.reshape(clip.samples.shape))
        return Compressed(output, reduction_db, detector_db, clip)

    @property
    def level_unit(self) -> str:
        """What the threshold and the detector's level are counted in."""
        return "dB re voice" if self.reference == "voice" else "dBFS"

    def asked_db(self, level_db):
        """The reduction that the static curve asks for at a level, never more than `range_db`."""
        return np.minimum(super().asked_db(level_db), self.range_db)

    def detector_db(self, clip: Clip) -> np.ndarray:
        """The level of the hiss as the threshold is counted, shape (frames,)."""
        return self._detector_db(clip, self._high(clip))

    def _detector_db(self, clip, high):
        return self.hiss_db(_powers(high), _powers(clip.columns), clip.rate, rms_dbfs(clip))

    def hiss_db(
        self, band_powers: np.ndarray, powers: np.ndarray, rate: int, clip_dbfs: float, memory: Memory | None = None
    ) -> np.ndarray:
        """The level of the hiss as the threshold is counted, shape (frames,).

        Parameters
        ----------
        band_powers, powers : ndarray, shape (frames,)
            Mean square over the channels of every frame, of the band above `freq_hz` and of the whole sound.
        rate : int
        clip_dbfs : float
            RMS of the whole clip, which limits how far the voice's running level falls.
        memory : Memory, optional
            Of the block before, where a long file is taken block by block.
        """
        memory = Memory() if memory is None else memory
        level_db = power_to_db(memory.one_pole("band", coefficient(BAND_MS, rate), band_powers), FLOOR_DB)
        if self.reference != "voice":
            return level_db
        rise, fall = coefficient(VOICE_RISE_MS, rate), coefficient(VOICE_FALL_MS, rate)
        voice = np.maximum(memory.branching("voice", powers, rise, fall), 0.0)
        lowest_db = max(clip_dbfs + VOICE_FLOOR_DB, SILENCE_DBFS)
        return level_db - np.maximum(power_to_db(voice, FLOOR_DB), lowest_db)

    def reduction_db(self, hiss_db: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The smoothed reduction that a level of :meth:`hiss_db` leads to: dB, ≥ 0, shape (frames,)."""
        memory = Memory() if memory is None else memory
        attack, release = coefficient(self.attack_ms, rate), coefficient(self.release_ms, rate)
        return np.maximum(memory.branching("reduction", self.asked_db(hiss_db), attack, release), 0.0)

    def _high(self, clip):
        """The band above `freq_hz`, shape (frames, channels)."""
        check_below_nyquist("freq_hz", self.freq_hz, clip.rate)
        sos = butter(2, self.freq_hz, "highpass", fs=clip.rate, output="sos")
        # The sound is continued by its mirror image; a clip of a few frames has no more of it than its own length.
        return sosfiltfilt(sos, clip.columns, axis=0, padlen=min(clip.frames - 1, 9))


def _powers(columns) -> np.ndarray:
    """Mean square of all channels together, frame by frame."""
    return np.mean(columns * columns, axis=1)
