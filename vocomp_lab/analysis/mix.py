"""The vocal against the backing: a balance set by ear, and how often the vocal sinks below it or sticks out of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import butter, sosfilt

from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import Loudness, integrated_lufs, loudness
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Numbers, asks, check_choice, check_number, checked_active, shown
from vocomp_lab.sound.text import decibels

KINDS = ("phrases", "words")
"""What is followed: phrases by the short-term loudness of both, words by the vocal's momentary loudness."""
RANGES = {"full range": None, "middle": (500.0, 5_000.0)}
"""What of both tracks is measured, as the lowest and highest frequency in Hz. The middle leaves out bass and kick, which
are loud but hide few words: common practice, no source for its edges."""
_SHORT_S, _MOMENTARY_S = 3.0, 0.4
_MOST_OFFSET_LU = 40.0
# Within a range of frequencies one track may hold next to nothing.
_HIGHEST_BALANCE_LU = 200.0
_LEAST_ACTIVE = 0.5
# Where the band is this far below its own loudness it is pausing, and there is nothing to sink into.
_PAUSING_LU = 20.0


@dataclass(frozen=True)
class Mix:
    """A vocal laid over a backing. Made by :func:`balance`.

    Attributes
    ----------
    vocal, backing : Clip
        As they lie in the mix: the same rate, length and number of channels.
    offset_lu : float
        Loudness of the vocal minus that of the backing.
    gain_db : float
        What brought the vocal there.
    """

    vocal: Clip = field(repr=False)
    backing: Clip = field(repr=False)
    offset_lu: float
    gain_db: float

    @property
    def output(self) -> Clip:
        """The sum; it may go over full scale."""
        return self.backing.with_samples(self.backing.samples + self.vocal.samples)

    def balance_in(self, band_hz: tuple[float, float] | None = None) -> float:
        """Loudness of the vocal minus that of the backing between two frequencies, in LU; without them, `offset_lu`.

        It is what "in its place" means for :func:`vocal_over_backing` with the same `band_hz`. NaN where there is
        nothing between them.
        """
        if band_hz is None:
            return self.offset_lu
        return whole_difference_lu(*(loudness(limited_to(track, band_hz)) for track in (self.vocal, self.backing)))


@asks(vocal=A_CLIP, backing=A_CLIP)
def balance(vocal: Clip, backing: Clip, offset_lu: float = 0.0) -> Mix:
    """Lay a vocal over a backing, louder or softer than the backing as a whole by a given amount.

    Parameters
    ----------
    vocal : Clip
        Mono, or with as many channels as the backing. Mono goes to all of them alike: to the middle.
    backing : Clip
        Of the same rate and length.
    offset_lu : float
        Integrated loudness (ITU-R BS.1770-5) of the vocal in the mix minus that of the backing, −40 to 40 LU.

    Returns
    -------
    Mix

    Raises
    ------
    ValueError
        If one is no Clip, they don't fit each other, or either is silent.

    Notes
    -----
    Two vocals laid over the same backing with the same offset are equally loud, so they can be compared.
    """
    vocal = placed(vocal, backing)
    offset_lu = check_number("offset_lu", offset_lu, -_MOST_OFFSET_LU, _MOST_OFFSET_LU, "LU")
    levels = integrated_lufs(vocal), integrated_lufs(backing)
    for name, level in zip(("vocal", "backing"), levels):
        if math.isinf(level):
            raise ValueError(f"{name}: this clip is silent, so there is no balance; give a sound.")
    gain_db = match_gain_db(levels[0], levels[1] + offset_lu)
    return Mix(vocal.gained(gain_db), backing, offset_lu, gain_db)


@asks(vocal=A_CLIP, backing=A_CLIP)
def vocal_over_backing(
    vocal: Clip, backing: Clip, active, kind: str = "phrases", band_hz: tuple[float, float] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """How far the vocal is over the backing, from moment to moment.

    Parameters
    ----------
    vocal : Clip
        As it lies in the mix (:func:`balance`), without the backing.
    backing : Clip
    active : array_like of bool, shape (frames,)
        Where the singer sings: of the vocal as recorded, so that before and after are judged at the same moments.
    kind : {"phrases", "words"}
        "phrases": short-term loudness (3 s) of both. "words": the vocal's momentary loudness (400 ms) against the
        backing's short-term one around it, since between two drum beats the backing's own momentary loudness says
        nothing.
    band_hz : (float, float), optional
        Measure only what lies between these two frequencies, in both tracks; 20 Hz up. Default: the full range.

    Returns
    -------
    times_s : ndarray, shape (steps,)
        The *middle* of the window, every 10 ms.
    difference_lu : ndarray, shape (steps,)
        NaN where less than half of the vocal's window is sung or the backing pauses.

    Raises
    ------
    ValueError
        If the clips or `active` don't fit each other, there is no such kind, or `band_hz` is no such pair.

    Notes
    -----
    Windows of ITU-R BS.1770-5 and EBU Tech 3341; comparing the two tracks by them is common practice, no source.

    This compares loudness and is no model of masking: it doesn't know which tones of the vocal the backing covers. Over
    the full range a loud bass counts as much as guitars that hide the words; ``RANGES`` has a range without it.
    """
    check_choice("kind", kind, KINDS)
    vocal = placed(vocal, backing)
    active = checked_active(active, (vocal.frames,))
    voice, under = (loudness(limited_to(track, band_hz)) for track in (vocal, backing))
    return voice_over(voice, under, active, vocal.rate, kind)


def limited_to(clip: Clip, band_hz: tuple[float, float] | None) -> Clip:
    """What a clip has between two frequencies, Hz (fourth-order Butterworth at either end); all of it for None.

    An upper edge that the clip's rate can't hold is lowered to 0.45 times the rate.
    """
    if band_hz is None:
        return clip
    try:
        low, high = (float(edge) for edge in band_hz)
    except (TypeError, ValueError):
        low = high = math.nan
    if not 20 <= low < min(high, 0.45 * clip.rate):
        raise ValueError(
            f"band_hz: {shown(band_hz)} is not allowed; give two frequencies in Hz, the lower one first, "
            f"from 20 and below {0.45 * clip.rate:g}."
        )
    sections = butter(4, (low, min(high, 0.45 * clip.rate)), "bandpass", fs=clip.rate, output="sos")
    return clip.with_samples(sosfilt(sections, clip.samples, axis=0))


def whole_difference_lu(voice: Loudness, backing: Loudness) -> float:
    """Integrated loudness of one minus that of the other; NaN where either is silent."""
    levels = voice.integrated_lufs, backing.integrated_lufs
    return levels[0] - levels[1] if all(map(math.isfinite, levels)) else math.nan


def sung_levels(voice: Loudness, active, rate: int, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """A voice's own loudness from moment to moment, windows and times as in :func:`vocal_over_backing`.

    NaN where less than half of a window is sung.
    """
    window_s = _SHORT_S if kind == "phrases" else _MOMENTARY_S
    level = voice.short_term_lufs if kind == "phrases" else voice.momentary_lufs
    counted = np.concatenate([[0], np.cumsum(active)])
    last = np.clip(np.rint(voice.times * rate).astype(int), 0, len(active))
    first = np.rint((voice.times - window_s) * rate).astype(int)
    share = (counted[last] - counted[np.maximum(first, 0)]) / (window_s * rate)
    heard = (first >= 0) & (share >= _LEAST_ACTIVE) & np.isfinite(level)
    return voice.times - window_s / 2, np.where(heard, level, np.nan)


def voice_over(voice: Loudness, band: Loudness, active, rate: int, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """:func:`vocal_over_backing` for two tracks whose loudness is known, at this many frames a second."""
    times, level = sung_levels(voice, active, rate, kind)
    # The backing's window has the same middle: a momentary one ends 1.3 s before the short-term one around it. Near the
    # clip's start and end it is the first or the last whole one, for one that reaches beyond the clip is partly silent.
    ends = np.interp(np.maximum(times + _SHORT_S / 2, _SHORT_S), band.times, np.arange(len(band.times)))
    under = band.short_term_lufs[np.rint(ends).astype(int)]
    heard = ~np.isnan(level) & (under > band.integrated_lufs - _PAUSING_LU)
    return times, np.where(heard, level, np.nan) - np.where(heard, under, 0.0)


@dataclass(frozen=True)
class Presence:
    """How well a vocal holds its place. Made by :func:`presence`.

    Attributes
    ----------
    sinks_percent, sticks_out_percent : float
        Share of the sung time in which it is more than the margin below, or above, its balance.
    spread_lu : float
        The range that it stays within for nine tenths of the time (5th to 95th percentile).
    deepest_lu : float
        How far below its balance it falls at most; 0 if it never does.
    margin_lu : float
    """

    sinks_percent: float
    sticks_out_percent: float
    spread_lu: float
    deepest_lu: float
    margin_lu: float

    @property
    def in_place_percent(self) -> float:
        """The rest: the part of the sung time within the margin."""
        return 100.0 - self.sinks_percent - self.sticks_out_percent

    def __str__(self):
        return (
            f"sinks in {decibels(self.sinks_percent, 0)} % of the sung time, sticks out in {decibels(self.sticks_out_percent, 0)} % "
            f"(by over {self.margin_lu:g} LU); 90 % of the time within {decibels(self.spread_lu)} LU"
        )


@asks(difference_lu=Numbers(-1_000, 1_000, "LU", nan=True))
def presence(difference_lu, balance_lu: float, margin_lu: float = 3.0) -> Presence:
    """How often the vocal sinks below its balance, or sticks out of it.

    Parameters
    ----------
    difference_lu : array_like
        From :func:`vocal_over_backing`; NaN doesn't count.
    balance_lu : float
        Where it should be: the offset that was set by ear, or :meth:`Mix.balance_in` where only a range was measured.
    margin_lu : float
        How far off it may be, above 0 to 40 LU. 3 LU is common practice, no source.

    Returns
    -------
    Presence
        All NaN where nothing is sung.
    """
    balance_lu = check_number("balance_lu", balance_lu, -_HIGHEST_BALANCE_LU, _HIGHEST_BALANCE_LU, "LU")
    margin_lu = check_number("margin_lu", margin_lu, 0, _MOST_OFFSET_LU, "LU", low_open=True)
    off = np.asarray(difference_lu, dtype=float) - balance_lu
    off = off[~np.isnan(off)]
    if not len(off):
        return Presence(math.nan, math.nan, math.nan, math.nan, margin_lu)
    low, high = np.percentile(off, [5, 95])
    sinks, sticks_out = (100.0 * float(np.mean(far)) for far in (off < -margin_lu, off > margin_lu))
    return Presence(sinks, sticks_out, float(high - low), max(-float(off.min()), 0.0), margin_lu)


def placed(vocal, backing) -> Clip:
    """The vocal with the backing's channels; a ValueError in one sentence if the two don't fit each other."""
    for name, clip in (("vocal", vocal), ("backing", backing)):
        if not isinstance(clip, Clip):
            raise ValueError(f"{name}: {type(clip).__name__} is not allowed; give a Clip, such as one from load().")
    for what in ("rate", "frames"):
        if getattr(vocal, what) != getattr(backing, what):
            raise ValueError(
                f"vocal: {getattr(vocal, what)} as its {what} is not the backing's {getattr(backing, what)}; "
                f"give a vocal that was sung to this backing."
            )
    if vocal.channels == backing.channels:
        return vocal
    if vocal.channels != 1:
        raise ValueError(f"vocal: {vocal.channels} channels don't fit the backing's {backing.channels}; make it mono.")
    return backing.with_samples(np.repeat(vocal.columns, backing.channels, axis=1).reshape(backing.samples.shape))
