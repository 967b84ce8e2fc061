"""The take of the final project: two lines of one of the workbook's verses, spoilt anew for each learner.

One word is too loud, the other line too soft; there is a ring, a thump, rumble, and a level of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from scipy.fft import next_fast_len, rfft

from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.meters import peak_to_loudness_ratio_db
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.analysis.words import Span
from vocomp_lab.exercises.material import knocks_s, lasts_s, lost_lu, span, take
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.faults import Boxiness, HardOnsets, Hiss, LoudWord, Pops, QuietPhrase, Rumble
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import power_to_db, sample_peak_dbfs

_VOICE_BAND_HZ = (150.0, 5000.0)
RING_CUT_DB = -3.5
"""How much of a ring is cut: the rest of it may be the voice's own."""
LONG_WORD_S = 0.25
"""How long a word lasts that a neighbour can be measured against."""
_LINES = (
    ("lesson_verse_clean", 0), ("lesson_verse_clean", 1), ("lesson_verse_clean", 2), ("second_verse_clean", 1),
)  # fmt: skip
"""Verses, each with the first of two lines that are sung about equally loud."""
_AROUND_S = 0.3
_LEAST_EVEN_DB = 1.5
# Neither a low cut nor the cut of a boxy ring reaches up here: other bands are compared with it.
_STILL_BAND_HZ = (1000.0, 4000.0)


def _power(clip: Clip, band_hz, spans) -> float:
    """Mean power of a clip between two frequencies, over stretches of time given as (start_s, end_s)."""
    total = frames = 0.0
    for start_s, end_s in spans:
        part = clip.samples[int(start_s * clip.rate) : int(end_s * clip.rate)]
        # Zeros at the end add no energy, and a length without large prime factors is many times as fast.
        length = next_fast_len(len(part), real=True)
        first, last = (math.ceil(hz * length / clip.rate) for hz in band_hz)
        # Parseval's theorem.
        total += 2 * float(np.sum(np.abs(rfft(part, length)[first:last]) ** 2)) / length
        frames += len(part)
    return total / frames


def _level_db(clip: Clip, band_hz, spans) -> float:
    return power_to_db(_power(clip, band_hz, spans), floor_db=-200.0)


@lru_cache(maxsize=16)
def two_lines(name: str, first: int):
    """Two lines of a verse as they were sung: the clip, and its words and lines with their times in it."""
    truth = take(name).truth
    lines = truth["phrases"][first : first + 2]
    start_s = lines[0]["start_s"] - _AROUND_S
    clip = take(name).clip.cut(start_s, lines[1]["end_s"] + _AROUND_S)

    def moved(item):
        return {name: value - start_s if name.endswith("_s") else value for name, value in item.items()}

    words = [
        {**moved(word), "phones": [moved(phone) for phone in word["phones"]],
         "notes": [moved(note) for note in word["notes"]], "line": word["phrase"] - first}
        for line in lines for word in truth["words"][slice(*line["words"])]
    ]  # fmt: skip
    return clip, words, [moved(line) for line in lines]


def _neighbours(words, place: int) -> list:
    """The two longer words on either side of a word, in its own line: what it is compared with."""
    line = [n for n, word in enumerate(words) if word["line"] == words[place]["line"]]
    longer = [n for n in line if lasts_s(words[n]) >= LONG_WORD_S]
    near = [n for n in longer if n < place][-2:] + [n for n in longer if n > place][:2]
    return [span(words[n]) for n in near]


def out_db(clip: Clip, words, place: int) -> float:
    """How far a word stands out of its neighbours, in dB between 150 Hz and 5 kHz."""
    own, around = ([span(words[place])], _neighbours(words, place))
    return _level_db(clip, _VOICE_BAND_HZ, own) - _level_db(clip, _VOICE_BAND_HZ, around)


@lru_cache(maxsize=16)
def could_be_loud(name: str, first: int) -> list[int]:
    """Words that can be made too loud: long, not at a line's end, and sung about as loud as their neighbours."""
    clip, words, _ = two_lines(name, first)
    found = []
    for n, word in enumerate(words):
        inside = 0 < n < len(words) - 1 and words[n - 1]["line"] == word["line"] == words[n + 1]["line"]
        if inside and lasts_s(word) > 0.28 and len(_neighbours(words, n)) >= 3:
            if abs(out_db(clip, words, n)) < _LEAST_EVEN_DB:
                found.append(n)
    return found


@dataclass(frozen=True)
class OwnTake:
    """A learner's take: what was drawn for it, and everything that follows from that."""

    name: str
    first: int
    word: int
    word_db: float
    line_db: float
    ring_hz: float
    ring_db: float
    pop_word: int
    pop_hz: float
    pop_dbfs: float
    rumble_dbfs: float
    level_db: float
    noise_seed: int

    @property
    def words(self) -> list:
        return two_lines(self.name, self.first)[1]

    @property
    def loud(self) -> tuple[float, float]:
        """When the loud word is sung."""
        return span(self.words[self.word])

    @property
    def soft_line(self) -> tuple[float, float]:
        """When the soft line is sung: it is the other line."""
        return span(two_lines(self.name, self.first)[2][1 - self.words[self.word]["line"]])

    @property
    def pop_s(self) -> float:
        """When the thump begins."""
        phone = self.words[self.pop_word]["phones"][0]
        return phone.get("release_s", phone["start_s"])

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """Where words begin hard: what is left for the peak compressor."""
        return knocks_s([word for word in self.words if word["hard_onset"]])

    @cached_property
    def clip(self) -> Clip:
        """The take as recorded."""
        clean, words, _ = two_lines(self.name, self.first)
        faults = (
            LoudWord(self.word, words[self.word]["text"], *self.loud, self.word_db),
            QuietPhrase(0, "", *self.soft_line, self.line_db),
            HardOnsets(self.knocks_s, 9.0, 25.0),
            Boxiness(self.ring_hz, self.ring_db, 3.0),
            Pops((self.pop_s,), (self.pop_hz,), (self.pop_dbfs,)),
            Rumble(30.0, 60.0, self.rumble_dbfs, self.noise_seed),
            Hiss(-68.0, self.noise_seed),
        )
        clip = clean.gained(-6.0 - sample_peak_dbfs(clean))
        for fault in faults:
            clip = fault.apply(clip)
        return clip.gained(self.level_db)

    @property
    def lowest_note(self) -> dict:
        return min((note for word in self.words for note in word["notes"]), key=lambda note: note["pitch_hz"])

    def outstanding_db(self, clip: Clip) -> float:
        """How far the loud word stands out of its neighbours."""
        return out_db(clip, self.words, self.word)

    def lines_db(self, clip: Clip) -> float:
        """Level of the soft line compared with the other, without the loud word."""
        loud_line = self.words[self.word]["line"]
        spans = {True: [], False: []}
        for n, word in enumerate(self.words):
            if n != self.word:
                spans[word["line"] == loud_line].append(span(word))
        return _level_db(clip, _VOICE_BAND_HZ, spans[False]) - _level_db(clip, _VOICE_BAND_HZ, spans[True])

    def moved_db(self, clip: Clip) -> float:
        """The largest change of level of any other word in the loud word's line."""
        loud_line = self.words[self.word]["line"]
        spans = [span(w) for n, w in enumerate(self.words) if n != self.word and w["line"] == loud_line]
        return max(
            abs(_level_db(clip, _VOICE_BAND_HZ, [span]) - _level_db(self.clip, _VOICE_BAND_HZ, [span]))
            for span in spans
        )

    def _band_change_db(self, clip: Clip, band_hz, span) -> float:
        """How much a band changed compared with the band from 1 to 4 kHz."""
        after, before = (
            _level_db(one, band_hz, [span]) - _level_db(one, _STILL_BAND_HZ, [span]) for one in (clip, self.clip)
        )
        return after - before

    def low_end_db(self, clip: Clip) -> float:
        """Change of what is below the voice, up to 50 Hz."""
        return self._band_change_db(clip, (20.0, 50.0), (0.0, clip.duration_s))

    def lowest_note_db(self, clip: Clip) -> float:
        """Change of the lowest sung note's fundamental."""
        note = self.lowest_note
        band_hz = (0.84 * note["pitch_hz"], 1.19 * note["pitch_hz"])
        return self._band_change_db(clip, band_hz, span(note))

    def ring_change_db(self, clip: Clip) -> float:
        """Change of a third of an octave around the ring."""
        band_hz = (self.ring_hz / 1.12, self.ring_hz * 1.12)
        # Word by word, so it doesn't matter which words were turned up or down.
        spans = [span(word) for word in self.words if lasts_s(word) >= LONG_WORD_S]
        return float(np.median([self._band_change_db(clip, band_hz, span) for span in spans]))

    @cached_property
    def levels(self) -> ClipGain:
        """Gains that bring word and line to the level of their neighbours, to half a decibel."""
        word_db, line_db = (
            -round(2 * value) / 2 for value in (self.outstanding_db(self.clip), self.lines_db(self.clip))
        )
        return ClipGain((GainRegion(*self.loud, word_db), GainRegion(*self.soft_line, line_db)))

    @property
    def word_gain_db(self) -> float:
        """The gain that brings the loud word to the level of its neighbours."""
        return next(region.gain_db for region in self.levels.regions if region.start_s == self.loud[0])

    @cached_property
    def filters(self) -> Chain:
        """Filters that take out the low end and part of the ring."""
        corner_hz = min(5 * round(0.14 * self.lowest_note["pitch_hz"]), 120)
        return Chain([("low cut", HighPass(corner_hz, 4)), ("boxiness", Peaking(self.ring_hz, RING_CUT_DB, 2.5))])

    @cached_property
    def prepared(self) -> Clip:
        """The take as it should reach the two compressors."""
        return self.filters.apply(self.levels.apply(self.clip)).output

    def spread_lu(self, clip: Clip) -> float:
        """Spread of the words (lesson 05)."""
        return word_levels(clip, self.sung).spread_lu

    @cached_property
    def sung(self) -> list[Span]:
        """When each word is sung."""
        return [Span(*span(word), math.nan) for word in self.words]

    def spread_percent(self, clip: Clip) -> float:
        """Spread of the words, as a part of what it is in the levelled and filtered take."""
        return 100.0 * self.spread_lu(clip) / self._prepared_numbers[0]

    @property
    def peaks_db(self) -> float:
        """How far the peaks of the levelled and filtered take stand out from its loudness."""
        return self._prepared_numbers[1]

    @cached_property
    def _prepared_numbers(self) -> tuple[float, float]:
        return self.spread_lu(self.prepared), peak_to_loudness_ratio_db(self.prepared)

    def compressors(self, median_db: float):
        """Pairs of compressors to try, the most likely pair first; the second takes off this much in the median."""
        for ratio, share_percent, attack_ms in ((4, 10.0, 1), (8, 8.0, 1), (8, 12.0, 1), (4, 6.0, 1), (8, 10.0, 0.3)):
            peaks = Compressor(0, ratio, attack_ms, 80)
            peaks = replace(peaks, threshold_db=threshold_for(peaks, self.prepared, "share_percent", share_percent))
            tamed = peaks.apply(self.prepared).output
            for more_db in (0.0, -0.3, -0.6, 0.3):
                steady = Compressor(-26, 2.5, 10, 200, 6)
                threshold_db = threshold_for(steady, tamed, "median_db", median_db + more_db)
                steady = replace(steady, threshold_db=threshold_db)
                steady = replace(steady, makeup_db=round(lost_lu(steady, tamed), 1))
                yield Chain([("peaks", peaks), ("steady", steady)])


@lru_cache(maxsize=4)
def _one(own: OwnTake) -> OwnTake:
    """The same object again for the same take, with everything it has measured."""
    return own


def own_take(draw) -> OwnTake:
    """A learner's take, the same in every task."""
    draw = draw.shared("project take")
    name, first = draw.choice(_LINES)
    word = draw.choice(could_be_loud(name, first))
    _, words, _ = two_lines(name, first)
    starts = [n for n, w in enumerate(words) if n != word and w["phones"][0]["phone"] in "pbktdg"]
    return _one(
        OwnTake(
            name, first, word, word_db=draw.step(7, 9, 0.5), line_db=-draw.step(5, 6.5, 0.5),
            ring_hz=draw.step(320, 620, 10), ring_db=draw.step(6, 8, 0.5), pop_word=draw.choice(starts),
            pop_hz=draw.step(32, 44, 1), pop_dbfs=draw.step(-13, -10, 0.5), rumble_dbfs=draw.step(-44, -38, 1),
            level_db=draw.step(-9, -2, 0.5), noise_seed=draw.seed(),
        )
    )  # fmt: skip
