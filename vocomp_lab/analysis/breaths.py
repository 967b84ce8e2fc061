"""Breaths and pauses of a take, and gain regions that turn them down a little: 3 to 6 dB, and never out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, find_peaks, sosfilt

from vocomp_lab.analysis.stretches import stretches
from vocomp_lab.analysis.words import STEPS_PER_S, analyse
from vocomp_lab.processors.clip_gain import GainRegion
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Each, Of, asks, check_number, checked_active
from vocomp_lab.sound.levels import power_to_db, step_powers
from vocomp_lab.sound.remembered import remembered

MOST_DOWN_DB, LEAST_DOWN_DB, DOWN_DB = 6.0, 3.0, 4.0
"""How far a breath is turned down, and how far to begin with: it then doesn't jump out behind a compressor, and the singer
still breathes. Common practice, no source."""
NOISY_DB = -40.0
"""The noise in a pause is worth turning down from here on, against the voice; two compressors bring it up by some 6 dB. Common
practice, no source."""
_STEP_MS = 1000.0 / STEPS_PER_S
_BAND_HZ = (400.0, 5_000.0)
# A breath is this much louder than the room and softer than the voice, and its lengths in steps.
_OVER_ROOM_DB, _UNDER_VOICE_DB, _LENGTHS = 6.0, 6.0, (18, 150)
_DIP_DB, _FALL_DB, _FROM_WORD, _ALONE = 3.0, 15.0, 3, 2
# Most of a breath is noise above the hum of a word that dies away and below the hiss of an s or sh.
_BREATH_HZ, _LEAST_BREATH, _MOST_TONE = (1_000.0, 3_500.0), 0.45, 0.5
_TONE_HZ = (70.0, 500.0)
_SHORTEST_PAUSE, _INTO_PAUSE = 40, 8
# Places closer than this share a region: the gain would flutter between them.
_SHARED_S = 0.12


@dataclass(frozen=True)
class QuietPlace:
    """A breath, or a pause without one.

    Attributes
    ----------
    kind : str
        ``"breath"`` or ``"pause"``.
    start_s, end_s : float
        Seconds from the clip's start.
    level_db : float
        RMS level between 400 Hz and 5 kHz, against the voice's there, in dB.
    """

    kind: str
    start_s: float
    end_s: float
    level_db: float


_PLACES = Each(
    Of(QuietPlace, "a place that find_breaths(clip) finds"), "a list of places, as find_breaths(clip) gives it"
)


@asks(clip=A_CLIP)
def find_breaths(clip: Clip) -> list[QuietPlace]:
    """The breaths between the lines of a take, in order of time; see ``02_level_prep``.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of QuietPlace
        Empty where none is heard over the room.

    Notes
    -----
    A breath is a stretch of 0.18 to 1.5 s between two words that stands out of the room, is softer than the voice, and is
    noise: no pitch, and no s. Common practice, no source; on takes that nothing was tuned on: ``tests/test_breaths.py``.
    """
    return [place for place in _places(clip) if place.kind == "breath"]


def find_pauses(clip: Clip) -> list[QuietPlace]:
    """The pauses of at least 0.4 s in which only the room is heard, in order of time; see ``02_level_prep``."""
    return [place for place in _places(clip) if place.kind == "pause"]


def find_noise(clip: Clip) -> list[QuietPlace]:
    """Those of :func:`find_pauses` whose noise is loud enough to be heard in a song (``NOISY_DB``); see ``02_level_prep``."""
    return [place for place in find_pauses(clip) if place.level_db > NOISY_DB]


@asks(clip=A_CLIP, places=_PLACES)
def breath_level_db(clip: Clip, places: list[QuietPlace], active) -> float:
    """How loud the breaths are against the voice.

    Parameters
    ----------
    clip : Clip
        The take that the places were found in, or what a chain made of it.
    places : list of QuietPlace
    active : array_like of bool, shape (frames,)
        Where the singer sings.

    Returns
    -------
    float
        Of the middle one, in dB between 400 Hz and 5 kHz; NaN without places, without singing, or in digital silence.
    """
    active = checked_active(active, (clip.frames,))
    if not places or not active.any():
        return math.nan
    powers = _in_band(clip).columns.mean(axis=1) ** 2
    voice = powers[active].mean()
    inside = [powers[int(place.start_s * clip.rate) : int(place.end_s * clip.rate)] for place in places]
    breaths = [part.mean() for part in inside if part.size]
    if not breaths or not (voice > 0 and min(breaths) > 0):
        return math.nan
    return float(np.median(power_to_db(np.array(breaths))) - power_to_db(voice))


@asks(places=_PLACES)
def turned_down(places: list[QuietPlace], by_db: float = DOWN_DB) -> list[GainRegion]:
    """A gain region for each breath or pause; one for both where they adjoin.

    Parameters
    ----------
    places : list of QuietPlace
        In any order.
    by_db : float
        3 to 6 dB.

    Raises
    ------
    ValueError
        If `by_db` is out of its range.
    """
    by_db = check_number("by_db", by_db, LEAST_DOWN_DB, MOST_DOWN_DB, "dB")
    joined: list[tuple[float, float]] = []
    for place in sorted(places, key=lambda place: place.start_s):
        if joined and place.start_s - joined[-1][1] < _SHARED_S:
            joined[-1] = (joined[-1][0], max(joined[-1][1], place.end_s))
        else:
            joined.append((place.start_s, place.end_s))
    return [GainRegion(start_s, end_s, -by_db) for start_s, end_s in joined]


@remembered(8)
def _places(clip: Clip) -> tuple[QuietPlace, ...]:
    found = analyse(clip)
    steps = len(found.powers)
    in_word = np.zeros(steps, dtype=bool)
    for a, b in found.words:
        in_word[max(a - 1, 0) : b + _FROM_WORD] = True
    in_word[: len(found.voiced)] |= found.voiced
    if not found.voiced.any() or in_word.all():
        return ()
    mono = clip.columns.mean(axis=1)
    middle = step_powers(_in_band(clip), _STEP_MS)[1][:steps]
    level_db = power_to_db(np.convolve(middle, np.full(7, 1 / 7), "same"), floor_db=-200.0)
    voice_db = power_to_db(float(middle[found.voiced[:steps]].mean()))
    room_db = float(np.percentile(level_db[~in_word], 20))
    heard = ~in_word & (level_db > room_db + _OVER_ROOM_DB) & (level_db < voice_db - _UNDER_VOICE_DB)
    places, is_breath = [], np.zeros(steps, dtype=bool)
    for top in find_peaks(np.where(in_word, -200.0, level_db), prominence=_DIP_DB)[0]:
        if not heard[top] or is_breath[top]:
            continue
        off = np.flatnonzero(~(heard & (level_db > level_db[top] - _FALL_DB)))
        a, b = (int(off[off < top].max(initial=-1)) + 1, int(off[off > top].min(initial=steps)))
        # The first consonant of a word runs into its vowel, and the last one out of it. A breath stands alone.
        alone = not in_word[max(a - _ALONE, 0) : b + _ALONE].any()
        if alone and _LENGTHS[0] <= b - a <= _LENGTHS[1] and _is_noise(clip, mono, found.edges_s[a], found.edges_s[b]):
            is_breath[a:b] = True
            places.append(_place("breath", found.edges_s, a, b, middle, voice_db))
    # A soft word that wasn't taken for one is louder than the room.
    for a, b in zip(*stretches(~in_word & ~is_breath & (level_db < room_db + _OVER_ROOM_DB))):
        a, b = a + (a > 0) * _INTO_PAUSE, b - (b < steps) * _INTO_PAUSE
        if b - a >= _SHORTEST_PAUSE:
            places.append(_place("pause", found.edges_s, a, b, middle, voice_db))
    return tuple(sorted(places, key=lambda place: place.start_s))


def _in_band(clip: Clip) -> Clip:
    """The channels' mean, as far as it lies where a breath is heard."""
    band_hz = (_BAND_HZ[0], min(_BAND_HZ[1], 0.45 * clip.rate))
    sections = butter(2, band_hz, "bandpass", fs=clip.rate, output="sos")
    return clip.with_samples(sosfilt(sections, clip.columns.mean(axis=1)))


def _place(kind: str, edges_s, a: int, b: int, powers, voice_db: float) -> QuietPlace:
    level_db = power_to_db(float(powers[a:b].mean()), floor_db=-200.0) - voice_db
    return QuietPlace(kind, float(edges_s[a]), float(edges_s[b]), float(level_db))


def _is_noise(clip: Clip, mono: np.ndarray, start_s: float, end_s: float) -> bool:
    """Whether a stretch has neither a pitch nor the spectrum of an s."""
    part = mono[int(start_s * clip.rate) : int(end_s * clip.rate)]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)))) ** 2
    freqs_hz = np.fft.rfftfreq(len(part), 1 / clip.rate)
    heard = freqs_hz > _BAND_HZ[0]
    breath = spectrum[(freqs_hz > _BREATH_HZ[0]) & (freqs_hz < _BREATH_HZ[1])].sum() / max(spectrum[heard].sum(), 1e-30)
    around = np.fft.irfft(np.where((freqs_hz > _TONE_HZ[0]) & (freqs_hz < 1_500), spectrum, 0.0))
    first, last = (int(clip.rate / hz) for hz in reversed(_TONE_HZ))
    tone = around[first : min(last, len(around) // 2)].max(initial=0.0) / max(around[0], 1e-30)
    return bool(breath > _LEAST_BREATH and tone < _MOST_TONE)
