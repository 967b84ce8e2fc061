"""Where two versions of a voice differ most to the ear, and by how much: in a band, or as a whole for a moment."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import sosfilt, sosfreqz

from vocomp_lab.analysis.loudness import k_weighting
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import db_to_power, power_to_db

BANDS_HZ = (
    50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000,
    10_000, 12_500,
)  # fmt: skip
"""Centres of bands a third of an octave wide, about as wide as the ear's own (preferred frequencies of ISO 266; memory)."""
MOMENT_S, INSTANT_S = 0.2, 0.025
"""Bands are told apart over the first, the starts of words over the second."""
PROMINENT_DB = 20.0
"""A band counts at a moment in which it is at most so far below the loudest one, and an instant if it is at most so far below
the loudest of all, both K-weighted (common practice, no source)."""
_FLOOR_DB = -200.0


@dataclass(frozen=True, eq=False)
class HeardLevels:
    """K-weighted levels of a voice while it sings.

    Attributes
    ----------
    moments_s : ndarray, shape (moments,)
        The middles of moments of 0.2 s.
    bands_db : ndarray, shape (moments, bands)
        Level in each of ``BANDS_HZ``; very low where a band is above half the rate.
    instants_s, whole_db : ndarray, shape (instants,)
        The middles of instants of 25 ms, and the level of the whole voice.
    """

    moments_s: np.ndarray = field(repr=False)
    bands_db: np.ndarray = field(repr=False)
    instants_s: np.ndarray = field(repr=False)
    whole_db: np.ndarray = field(repr=False)

    def gained(self, gain_db: float) -> "HeardLevels":
        """The same voice, louder or softer."""
        return HeardLevels(self.moments_s, self.bands_db + gain_db, self.instants_s, self.whole_db + gain_db)

    @property
    def spread_db(self) -> float:
        """How far the loudest tenth of the moments lies above the softest; NaN where nobody sings."""
        if not len(self.bands_db):
            return float("nan")
        return float(np.subtract(*np.percentile(power_to_db(db_to_power(self.bands_db).sum(axis=1)), [90, 10])))

    def mean_db(self, low_hz: float, high_hz: float) -> float:
        """Mean level over the bands whose centres lie in a range, both ends included; NaN where nobody sings."""
        chosen = [place for place, hz in enumerate(BANDS_HZ) if low_hz <= hz <= high_hz]
        if not len(self.bands_db):
            return float("nan")
        return float(power_to_db(np.mean(np.sum(db_to_power(self.bands_db[:, chosen]), axis=1))))


@dataclass(frozen=True)
class Difference:
    """The largest difference between two versions of a voice.

    Attributes
    ----------
    where_s : float
        The middle of the moment; 0 where there is none.
    change_db : float
        How much higher the level is there in the second version; negative if it is lower.
    band_hz : int or None
        The band that it is the level of, one of ``BANDS_HZ``; None if the whole voice differs, and more than any band.
    """

    where_s: float
    change_db: float
    band_hz: int | None = None


def heard_levels(clip: Clip, active: np.ndarray) -> HeardLevels:
    """Measure a voice for :func:`largest_difference`.

    Parameters
    ----------
    clip : Clip
    active : ndarray of bool, shape (frames,)
        Where somebody sings: the same for all versions of a voice.
    """
    sections = k_weighting(clip.rate)
    starts, size = _stretches(clip, active, MOMENT_S)
    freqs_hz = np.fft.rfftfreq(size, 1 / clip.rate)
    weights = np.abs(sosfreqz(sections, freqs_hz, fs=clip.rate)[1]) ** 2
    window = np.hanning(size) if size > 2 else np.ones(size)
    edges = np.searchsorted(freqs_hz, np.outer([2 ** (-1 / 6), 2 ** (1 / 6)], BANDS_HZ))
    powers = np.zeros((len(starts), len(BANDS_HZ)))
    for channel in clip.columns.T:
        for place, start in enumerate(starts):
            power = weights * np.abs(np.fft.rfft(channel[start : start + size] * window)) ** 2
            summed = np.concatenate([[0.0], np.cumsum(power)])
            powers[place] += summed[edges[1]] - summed[edges[0]]
    # One-sided: the other half of the power is at the negative frequencies.
    bands_db = power_to_db(2 * powers / (size * float((window**2).sum())), floor_db=_FLOOR_DB)
    instants, short = _stretches(clip, active, INSTANT_S)
    squares = np.square(sosfilt(sections, clip.columns, axis=0)).sum(axis=1)
    summed = np.concatenate([[0.0], np.cumsum(squares)])
    whole_db = power_to_db(np.maximum(summed[instants + short] - summed[instants], 0) / short, floor_db=_FLOOR_DB)
    return HeardLevels((starts + size / 2) / clip.rate, bands_db, (instants + short / 2) / clip.rate, whole_db)


def largest_difference(first: HeardLevels, second: HeardLevels, whole_too: bool = True) -> Difference:
    """Where two versions of a voice differ most while it sings.

    Parameters
    ----------
    first, second : HeardLevels
        At equal loudness: otherwise that alone makes the difference.
    whole_too : bool
        Whether the level of the whole voice counts, too, and not only that of its bands.

    Returns
    -------
    Difference

    Notes
    -----
    A change is heard where the level within a critical band changes by about 1 dB (E. Zwicker and R. Feldtkeller, *Das Ohr
    als Nachrichtenempfänger*, 1967; memory). Here the bands are thirds of an octave. Used by every bench
    (``00_start_here``).
    """
    band, whole = Difference(0.0, 0.0), Difference(0.0, 0.0)
    if len(first.moments_s):
        louder_db = np.maximum(first.bands_db, second.bands_db)
        changes_db = _where_prominent(louder_db, louder_db.max(axis=1, keepdims=True), second.bands_db - first.bands_db)
        moment, place = np.unravel_index(np.abs(changes_db).argmax(), changes_db.shape)
        band = Difference(float(first.moments_s[moment]), float(changes_db[moment, place]), BANDS_HZ[place])
    if whole_too and len(first.instants_s):
        louder_db = np.maximum(first.whole_db, second.whole_db)
        changes_db = _where_prominent(louder_db, louder_db.max(), second.whole_db - first.whole_db)
        instant = int(np.abs(changes_db).argmax())
        whole = Difference(float(first.instants_s[instant]), float(changes_db[instant]))
    return whole if abs(whole.change_db) > abs(band.change_db) else band


def _where_prominent(levels_db, loudest_db, changes_db) -> np.ndarray:
    prominent = (levels_db > loudest_db - PROMINENT_DB) & (levels_db > _FLOOR_DB / 2)
    return np.where(prominent, changes_db, 0.0)


def _stretches(clip: Clip, active: np.ndarray, length_s: float) -> tuple[np.ndarray, int]:
    """First frames of the stretches that are sung for more than half, overlapping by half, and their length in frames."""
    size = min(max(round(length_s * clip.rate), 1), clip.frames)
    starts = np.arange(0, clip.frames - size + 1, max(size // 2, 1))
    sung = np.concatenate([[0], np.cumsum(active)])
    return starts[sung[starts + size] - sung[starts] > size / 2], size
