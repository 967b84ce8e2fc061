"""Find a take's phrases and words by their levels."""

from __future__ import annotations

import dataclasses
import functools
import weakref
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import convolve1d
from scipy.signal import butter, find_peaks, sosfilt

from vocomp_lab.analysis.loudness import MOMENTARY_STEPS, STEP_S, k_weighting, loudness, power_to_lufs
from vocomp_lab.analysis.meters import active_steps, voice_band_sections
from vocomp_lab.analysis.stretches import bridged, stretches
from vocomp_lab.analysis.syllables import LEAST_STEPS, gated_lufs, joined
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Spans, asks
from vocomp_lab.sound.levels import power_to_db, sample_peak_dbfs, step_powers

LOWEST_HZ = 120.0
"""Loudness is taken above this: rumble and pops are nobody's word."""
STEPS_PER_S = 100
_STEP_MS = 1000.0 / STEPS_PER_S
_FLOOR_DB = -150.0
_RUNNING_S = 3.0
# Dips are looked for where m, n, l and w are weak, and in the tones that carry the pitch.
_CONSONANT_BAND_HZ = (600.0, 3500.0)
_TILT_HZ = 400.0
_DIP_DB = 3.0
_SMOOTHING = np.full(4, 0.25)
# Where the level drops this far and stays there for a while, a new syllable begins even without a dip. A much larger
# drop is the end of a vowel before a consonant.
_DROP_DB = (4.0, 12.0)
_DROP_STEPS = 16
# Sound lies this far under the loud level (95th percentile) at most, and over the noise; but only near to voiced sound,
# which is told in the tilted band, where most of a breath is missing.
_HOLD_DB, _NOISE_MARGIN_DB, _SILENCE_LUFS, _BLIP_STEPS = 30.0, 8.0, -75.0, 4
_VOICED_DROP_DB, _BEFORE_VOICE_STEPS, _AFTER_VOICE_STEPS = 18.0, 3, 10
# The shortest gap that may part phrases, where a take's own gaps don't say it.
_PAUSE_STEPS, _PAUSE_RANGE, _PARTED_RATIO = 40, (40, 80), 1.3
_WEAK_DB = 12.0
_REMEMBERED = 4


@dataclass(frozen=True)
class Span:
    """A phrase or a word, found by its level.

    Attributes
    ----------
    start_s, end_s : float
        Seconds from the clip's start.
    level_db : float
        Loudness in LUFS, as :func:`find_words` describes it.
    parts_s : tuple of (float, float)
        A word's syllables, as far as gaps and dips part them: start and end of each. Empty for a phrase.
    """

    start_s: float
    end_s: float
    level_db: float
    parts_s: tuple[tuple[float, float], ...] = ()

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s


@dataclass(frozen=True, eq=False)
class Analysis:
    """A take in steps of 10 ms.

    Attributes
    ----------
    edges_s : ndarray, shape (steps + 1,)
        Where the steps begin, and where the last one ends.
    powers : ndarray, shape (steps,)
        K-weighted mean power above ``LOWEST_HZ``.
    voiced : ndarray of bool, shape (steps,)
        Where somebody sings or speaks.
    phrases : ndarray of int, shape (phrases, 2)
        First and one past the last step of each.
    words : ndarray of int, shape (words, 2)
        The same of the words, without the gaps around them.
    syllables : ndarray of int, shape (syllables, 2)
        The same of what the words were joined from.
    """

    edges_s: np.ndarray
    powers: np.ndarray
    voiced: np.ndarray
    phrases: np.ndarray
    words: np.ndarray
    syllables: np.ndarray

    @functools.cached_property
    def levels_lufs(self) -> np.ndarray:
        """Loudness of each word, shape (words,); not to be changed."""
        levels = np.array([gated_lufs(self.powers[a:b]) for a, b in self.words])
        levels.flags.writeable = False
        return levels

    def parts_s(self, first: int, last: int) -> tuple[tuple[float, float], ...]:
        """The syllables between two steps, in seconds."""
        inside = self.syllables[(self.syllables[:, 0] >= first) & (self.syllables[:, 1] <= last)]
        return tuple((float(self.edges_s[a]), float(self.edges_s[b])) for a, b in inside if b - a >= LEAST_STEPS)

    @property
    def phrase(self) -> np.ndarray:
        """Number of each word's phrase, shape (words,)."""
        # A consonant before the first voiced sound lies before the phrase's start.
        return np.searchsorted(self.phrases[:, 0], self.words[:, 1], side="left") - 1

    @property
    def tiles(self) -> np.ndarray:
        """The words with the gaps inside their phrase halved among them, shape (words, 2)."""
        tiles, phrase = self.words.copy(), self.phrase
        if len(tiles) == 0:
            return tiles
        same = np.flatnonzero(phrase[1:] == phrase[:-1])
        tiles[same, 1] = tiles[same + 1, 0] = (self.words[same, 1] + self.words[same + 1, 0]) // 2
        # A phrase's first and last word take its ends with them.
        first = np.flatnonzero(np.diff(phrase, prepend=-1))
        last = np.append(first[1:], len(phrase)) - 1
        tiles[first, 0], tiles[last, 1] = self.phrases[phrase[first], 0], self.phrases[phrase[last], 1]
        return tiles

    @functools.cached_property
    def counts(self) -> np.ndarray:
        """Which words count: not the closures, bursts and hisses that stand alone between two gaps; not to be changed."""
        counts = np.diff(self.words, axis=1)[:, 0] >= LEAST_STEPS
        levels, phrase = self.levels_lufs, self.phrase
        for k in np.unique(phrase):
            own = phrase == k
            if (own & counts).any():
                counts &= ~own | (levels > np.median(levels[own & counts]) - _WEAK_DB)
        counts.flags.writeable = False
        return counts


@asks(clip=A_CLIP)
def find_phrases(clip: Clip) -> list[Span]:
    """Find the phrases: the singing between two pauses.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Span
        In order; empty for silence.

    Notes
    -----
    A gap is where the voice's band, with its highs turned down, lies over 28 dB below the loud parts or within 8 dB of the
    noise; sound that stays 18 dB below them is a breath. A pause is a gap of 0.4 s or more. Where a take's own gaps fall into short and long ones, the
    border lies between them, from 0.35 to 0.8 s: a careful speaker leaves half a second between two words. Common
    practice, no source.
    """
    found = analyse(clip)
    levels = [gated_lufs(found.powers[a:b]) for a, b in found.phrases]
    return _spans(found, found.phrases, levels)


def find_words(clip: Clip) -> list[Span]:
    """Find the words, as well as levels and gaps tell them.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Span
        In order, without gaps inside a phrase; empty for silence. They may not be the words of the language: in a line
        that is sung through, they are its notes, and two words without a gap or a dip between them are one.

    Notes
    -----
    The level of a word is its loudness (ITU-R BS.1770-5) above 120 Hz, where rumble and pops are gone, with a gate
    20 LU below its mean, so that its gaps don't count. Syllables part at gaps, at dips of 3 dB or more of the mean of
    two levels (above 120 Hz with 6 dB less per octave above 400 Hz, and from 600 to 3,500 Hz, where m, n, l and w are
    weak), and where the level drops by 4 to 12 dB and stays there. :mod:`vocomp_lab.analysis.syllables` joins them to
    words. A gap inside a phrase is halved between its neighbours. Common practice, no source.
    """
    found = analyse(clip)
    spans = _spans(found, found.tiles, found.levels_lufs)
    return [dataclasses.replace(span, parts_s=found.parts_s(*steps)) for span, steps in zip(spans, found.words)]


@asks(clip=A_CLIP)
def voiced_words(clip: Clip) -> list[Span]:
    """The words of :func:`find_words` that have a level of their own: no lone closures, bursts or hisses.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Span
        In order: at least 0.1 s long, and no more than 12 LU below the middle one of their phrase.

    Notes
    -----
    These are the words that :func:`vocomp_lab.propose_regions` compares.
    """
    found = analyse(clip)
    return [word for word, counts in zip(find_words(clip), found.counts) if counts]


@asks(clip=A_CLIP, stretches_s=Spans())
def eye_and_ear(clip: Clip, stretches_s) -> tuple[np.ndarray, np.ndarray]:
    """For each stretch: how high it looks in the waveform, and how loud it is.

    Parameters
    ----------
    clip : Clip
    stretches_s : sequence of (float, float)
        Start and end in seconds.

    Returns
    -------
    peaks_dbfs : ndarray, shape (stretches,)
        Sample peak.
    loudness_lufs : ndarray, shape (stretches,)
        Highest momentary loudness (BS.1770, 0.4 s) that is centred in the stretch; −inf for silence.
    """
    heard = loudness(clip)
    # A reading comes at the end of its 0.4 s; what it measures lies in the middle of them.
    centres_s = np.asarray(heard.times) - MOMENTARY_STEPS * STEP_S / 2
    peaks, louds = [], []
    for start_s, end_s in stretches_s:
        peaks.append(sample_peak_dbfs(clip.cut(start_s, end_s)))
        inside = (centres_s >= start_s) & (centres_s <= end_s)
        nearest = np.abs(centres_s - (start_s + end_s) / 2).argmin() if len(centres_s) else 0
        inside[nearest : nearest + 1] = True
        louds.append(np.max(heard.momentary_lufs[inside], initial=-np.inf))
    return np.array(peaks), np.array(louds)


def running_level(clip: Clip, gain_db_at=None) -> tuple[np.ndarray, np.ndarray]:
    """The take's level around every moment: what a word is compared with.

    Parameters
    ----------
    clip : Clip
    gain_db_at : callable, optional
        Gives the gain in dB at an array of times in seconds: the level is told as it is with that.

    Returns
    -------
    times_s : ndarray, shape (steps,)
        Middle of every step of 10 ms.
    level_db : ndarray, shape (steps,)
        Mean level of what is sung within 1.5 s before and after, on the scale of :func:`find_words`; −inf where nothing
        is.
    """
    found = analyse(clip)
    reach = round(_RUNNING_S / 2 * STEPS_PER_S)
    places = np.arange(len(found.powers))
    first, last = np.maximum(places - reach, 0), np.minimum(places + reach + 1, len(places))
    middles_s = (found.edges_s[:-1] + found.edges_s[1:]) / 2
    powers = found.powers if gain_db_at is None else found.powers * 10 ** (gain_db_at(middles_s) / 10)
    # Counts tell exactly where nothing is sung; differences of sums alone would leave rounding there.
    count = np.concatenate([[0], np.cumsum(found.voiced)])
    energy = np.concatenate([[0.0], np.cumsum(np.where(found.voiced, powers, 0.0))])
    counted = count[last] - count[first]
    power = np.where(counted > 0, np.maximum(energy[last] - energy[first], 0.0) / np.maximum(counted, 1), 0.0)
    return middles_s, power_to_lufs(power)


# A bench, its picture and a lesson ask for the same take again and again.
_known: dict[int, tuple[weakref.ref, Analysis]] = {}


def analyse(clip: Clip) -> Analysis:
    """A take in steps, with its phrases and words; the last few takes are remembered."""
    known = _known.get(id(clip))
    if known is not None and known[0]() is clip:
        return known[1]
    found = _analysed(clip)
    while len(_known) >= _REMEMBERED:
        _known.pop(next(iter(_known)), None)
    _known[id(clip)] = weakref.ref(clip), found
    return found


def _analysed(clip: Clip) -> Analysis:
    high_pass = butter(4, LOWEST_HZ, "highpass", fs=clip.rate, output="sos")
    voice = _through(clip, high_pass)
    edges, powers = step_powers(_through(voice, k_weighting(clip.rate)), _STEP_MS)
    tilted_voice = _through(voice, butter(1, _TILT_HZ, fs=clip.rate, output="sos"))
    tilted = step_powers(tilted_voice, _STEP_MS)[1]
    consonants = _through(clip, butter(2, _CONSONANT_BAND_HZ, "bandpass", fs=clip.rate, output="sos"))
    high = step_powers(consonants, _STEP_MS)[1]
    voiced_band = _through(tilted_voice, voice_band_sections(clip.rate))
    voiced = active_steps(step_powers(voiced_band, _STEP_MS)[1], _VOICED_DROP_DB)
    begins, ends = stretches(voiced)
    near = np.zeros(len(voiced), dtype=bool)
    for a, b in zip(begins, ends):
        near[max(a - _BEFORE_VOICE_STEPS, 0) : b + _AFTER_VOICE_STEPS] = True
    starts, ends = stretches(_sounding(powers) & near)
    kept = ends - starts >= _BLIP_STEPS
    starts, ends = starts[kept], ends[kept]
    dips_in = sum(power_to_db(convolve1d(p, _SMOOTHING), floor_db=_FLOOR_DB) for p in (tilted, high)) / 2
    level_db = power_to_db(tilted, floor_db=_FLOOR_DB)
    fragments, island = [], []
    for number, (a, b) in enumerate(zip(starts, ends)):
        dips = [a, *(a + find_peaks(-dips_in[a:b], prominence=_DIP_DB)[0]), b]
        cuts = sorted({*dips, *_drops(level_db, dips)})
        fragments += zip(cuts, cuts[1:])
        island += [number] * (len(cuts) - 1)
    fragments = np.array(fragments, dtype=int).reshape(-1, 2)
    words = joined(powers, fragments, np.array(island, dtype=int))
    starts, ends = stretches(voiced)
    phrases = np.stack(bridged(starts, ends, _pause_steps(starts[1:] - ends[:-1])), axis=1)
    words = words[[np.any((phrases[:, 0] < b) & (phrases[:, 1] > a)) for a, b in words]] if len(words) else words
    return Analysis(edges / clip.rate, powers, voiced, phrases, words, fragments)


def _spans(found: Analysis, steps: np.ndarray, levels) -> list[Span]:
    return [
        Span(float(found.edges_s[a]), float(found.edges_s[b]), float(level)) for (a, b), level in zip(steps, levels)
    ]


def _through(clip: Clip, sections) -> Clip:
    return clip.with_samples(sosfilt(sections, clip.samples, axis=0))


def _sounding(powers: np.ndarray) -> np.ndarray:
    """Which steps are sound and no gap."""
    level_db = power_to_db(convolve1d(powers, np.full(3, 1 / 3)), floor_db=_FLOOR_DB)
    loud_db = np.percentile(level_db[level_db > level_db.max() - 40.0], 95)
    # Where nobody ever pauses the "noise" is the voice itself, which must not push the threshold over the voice.
    noise_db = min(np.percentile(level_db, 5) + _NOISE_MARGIN_DB, loud_db - 9.0)
    return level_db > max(loud_db - _HOLD_DB, noise_db, _SILENCE_LUFS)


def _pause_steps(gaps: np.ndarray) -> float:
    """From how long on a gap parts phrases: where a take's gaps fall into short and long ones, between the two."""
    low, high = _PAUSE_RANGE
    long = np.sort(np.minimum(gaps[gaps >= low], high))
    # There are more gaps between words than between phrases, so the short ones must be in the majority.
    ratios = long[1:] / long[:-1]
    ratios[: len(long) // 2] = 0.0
    if len(ratios) == 0 or ratios.max() < _PARTED_RATIO:
        return _PAUSE_STEPS
    wide = int(np.argmax(ratios))
    return float(np.sqrt(long[wide] * long[wide + 1]))


def _drops(level_db: np.ndarray, cuts) -> list[int]:
    """Where, between two cuts, the level drops for good: at most one place each."""
    drops = []
    for a, b in zip(cuts, cuts[1:]):
        if b - a >= 2 * _DROP_STEPS:
            medians = np.median(sliding_window_view(level_db[a:b], _DROP_STEPS), axis=1)
            fall_db = medians[:-_DROP_STEPS] - medians[_DROP_STEPS:]
            fall_db[fall_db > _DROP_DB[1]] = 0.0
            if fall_db.max() >= _DROP_DB[0]:
                drops.append(int(a + _DROP_STEPS + fall_db.argmax()))
    return drops
