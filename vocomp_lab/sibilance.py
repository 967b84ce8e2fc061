"""Sibilance: a compressor that hears and turns down only the hiss of s, sh and z. Explained in ``03_filtering``."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, lfilter, sosfiltfilt

from vocomp_lab.audio import Clip
from vocomp_lab.checks import Range, Words, check_below_nyquist
from vocomp_lab.compressor import DYNAMICS_RULES, FLOOR_DB, Compressed, Dynamics
from vocomp_lab.levels import db_to_amplitude, power_to_db, rms_dbfs
from vocomp_lab.recursion import coefficient, smooth_branching

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
    held against silence. Curve and smoother: Giannoulis, Massberg & Reiss (2012), eq. 4 and 16. The rest: common
    practice, no source. Explained in ``03_filtering``.

    Examples
    --------
    >>> import numpy as np
    >>> from vocomp_lab import Clip, DeEsser
    >>> tone = Clip(0.5 * np.sin(2 * np.pi * 1000 * np.arange(48000) / 48000), 48000)
    >>> float(DeEsser(threshold_db=-22).apply(tone).reduction_db.max())
    0.0
    """

    threshold_db: float = -22.0
    freq_hz: float = 6_000.0
    ratio: float = 4.0
    attack_ms: float = 0.5
    release_ms: float = 40.0
    range_db: float = 12.0
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
        detector_db = _running_db(high, coefficient(BAND_MS, clip.rate))
        if self.reference == "voice":
            detector_db = detector_db - _voice_db(clip)
        asked = self.asked_db(detector_db)
        attack, release = coefficient(self.attack_ms, clip.rate), coefficient(self.release_ms, clip.rate)
        reduction_db = np.maximum(smooth_branching(asked, attack, release), 0.0)
        turned_down = high if self.mode == "split-band" else clip.columns
        taken = (1.0 - db_to_amplitude(-reduction_db))[:, None] * turned_down
        output = clip.with_samples(clip.samples - taken.reshape(clip.samples.shape))
        return Compressed(output, reduction_db, detector_db, clip)

    def asked_db(self, level_db):
        """The reduction that the static curve asks for at a level, never more than `range_db`."""
        return np.minimum(super().asked_db(level_db), self.range_db)

    def _high(self, clip):
        """The band above `freq_hz`, shape (frames, channels)."""
        check_below_nyquist("freq_hz", self.freq_hz, clip.rate)
        sos = butter(2, self.freq_hz, "highpass", fs=clip.rate, output="sos")
        # The sound is continued by its mirror image; a clip of a few frames has no more of it than its own length.
        return sosfiltfilt(sos, clip.columns, axis=0, padlen=min(clip.frames - 1, 9))


def _running_db(columns, a) -> np.ndarray:
    """Level of the running mean square with coefficient `a`, all channels together, shape (frames,)."""
    return power_to_db(lfilter([1.0 - a], [1.0, -a], np.mean(columns * columns, axis=1)), FLOOR_DB)


def _voice_db(clip) -> np.ndarray:
    """The voice's running level in dBFS, shape (frames,)."""
    rise, fall = coefficient(VOICE_RISE_MS, clip.rate), coefficient(VOICE_FALL_MS, clip.rate)
    lowest_db = max(rms_dbfs(clip) + VOICE_FLOOR_DB, SILENCE_DBFS)
    power = smooth_branching(np.mean(clip.columns * clip.columns, axis=1), rise, fall)
    return np.maximum(power_to_db(np.maximum(power, 0.0), FLOOR_DB), lowest_db)
