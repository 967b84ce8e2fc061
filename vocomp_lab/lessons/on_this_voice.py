"""What a lesson says of the workbook's voice, said of the voice at hand: a sentence that goes by its measured numbers.

Each says so, too, where that voice does otherwise, and where it has nothing to measure by. Two figures count as alike that
are closer than a tenth of a decibel or so, by which no ear tells them apart (common practice, no source).
"""

from __future__ import annotations

import math

from vocomp_lab.analysis.resonance import RingSearch
from vocomp_lab.analysis.tradeoff import Tradeoff
from vocomp_lab.processors.filters import Peaking
from vocomp_lab.sound.text import decibels

ALIKE_DB = 0.2
LOUD_WORD_LU = 7.0
"""From here on a word belongs to level prep and not to a compressor (common practice, no source)."""
NEAR_RING_OCTAVES = 1 / 6
"""A bell whose centre lies nearer to a ring than this is on it."""
_HERE = "On this voice"
_COLUMNS = {
    "calm peaks": "peaks_db",
    "an even gain within a word": "swing_db",
    "little distortion": "distortion_percent",
    "quiet pauses": "room_db",
}


def loudest_word(farthest_lu: float, at_s: float) -> str:
    """Lesson 05: whether a single word is still for level prep. `farthest_lu`: over the middle word; `at_s`: where."""
    if not farthest_lu >= LOUD_WORD_LU:
        return ""
    return (
        f"First go back to lesson 02: the word at {at_s:.1f} s lies {decibels(farthest_lu)} LU over the middle one, and a few "
        "gain regions do more for it than any threshold."
    )


def ratios(low_share: float, high_share: float) -> str:
    """Lesson 04: two ratios with the same largest reduction. The shares of the sung time in which they act, 0 to 1."""
    if not (math.isfinite(low_share) and math.isfinite(high_share)) or max(low_share, high_share) == 0:
        return f"{_HERE} neither of them acts."
    told = f"{_HERE} 3:1 acts in {100 * low_share:.0f} % of the sung time, and 8:1 in {100 * high_share:.0f} %"
    return f"{told}." if low_share > high_share else f"{told}: no more often, for once."


def peaks_after(before_db: float, after_db: float) -> str:
    """Lesson 05: what steady compression did to the peaks, each over its own loudness, in dB."""
    if not (math.isfinite(before_db) and math.isfinite(after_db)):
        return f"{_HERE} there is nothing to measure it by."
    change_db = after_db - before_db
    if abs(change_db) < ALIKE_DB:
        return f"{_HERE} the peaks stand out as far as before."
    if change_db > 0:
        return f"{_HERE} the peaks stand out more than before, by {decibels(change_db)} dB."
    return f"{_HERE} the peaks stand out less than before, by {decibels(-change_db)} dB."


def pair_or_one(pair: Tradeoff, single: dict[str, Tradeoff]) -> str:
    """Lesson 05: two compressors in a row against one alone, as even: where the pair has the lowest figure of all.

    Parameters
    ----------
    pair : Tradeoff
    single : dict of str to Tradeoff
        One alone, in several versions.
    """
    best, told = [], 0
    for name, field in _COLUMNS.items():
        mine, others = getattr(pair, field), [getattr(one, field) for one in single.values()]
        if not all(map(math.isfinite, (mine, *others))):
            continue
        told += 1
        least = ALIKE_DB if field != "distortion_percent" else 0.1 * max(min(others), 1e-9)
        if mine < min(others) - least:
            best.append(name)
    if told == 0:
        return f"{_HERE} there is nothing to measure it by."
    if not best:
        return f"{_HERE} the pair is best at nothing that was measured."
    return f"{_HERE} the pair is best at {len(best)} of {told} things: {' and '.join(best)}."


def starts_so_far(before_db: float, after_db: float) -> str:
    """Lesson 06: how the words' starts stand out, from behind peak control to behind the steady compressor."""
    if not (math.isfinite(before_db) and math.isfinite(after_db)):
        return f"{_HERE} there is no note that lasts, or no steady compressor, to measure it by."
    change_db = after_db - before_db
    if abs(change_db) < ALIKE_DB:
        return f"{_HERE} the steady compressor has left the starts as they were."
    way = "further out" if change_db > 0 else "less far out"
    return f"{_HERE} the steady compressor has put the starts {decibels(abs(change_db))} dB {way}."


def deesser_place(in_front_db: float, at_the_end_db: float) -> str:
    """Lesson 08: the hiss against the voice, with the de-esser in front of the compressors and at the end."""
    if not (math.isfinite(in_front_db) and math.isfinite(at_the_end_db)):
        return f"{_HERE} there is no de-esser to move, or no s to measure it by."
    further_db = in_front_db - at_the_end_db
    if abs(further_db) < ALIKE_DB:
        return f"{_HERE} it makes no difference to the hiss where it stands."
    where = "at the end" if further_db > 0 else "in front"
    return f"{_HERE} it takes the hiss {decibels(abs(further_db))} dB further down {where}."


def fader_up(before_db: float, after_db: float) -> str:
    """Lesson 08: how far the raw and the finished vocal would have to go up, so that no phrase sinks."""
    saved_db = before_db - after_db
    if not math.isfinite(saved_db) or abs(saved_db) < ALIKE_DB:
        return f"{_HERE} the chain makes no difference to that."
    if saved_db > 0:
        return f"{_HERE} the chain saves the fader {decibels(saved_db)} dB."
    return f"{_HERE} the finished vocal would have to go up more, by {decibels(-saved_db)} dB: look at the phrase that sinks."


def breaths_closer(before_db: float, behind_db: float) -> str:
    """Lesson 02: the middle breath against the voice, before and behind a hard compressor."""
    if not (math.isfinite(before_db) and math.isfinite(behind_db)):
        return f"{_HERE} no breath was found to measure."
    closer_db = behind_db - before_db
    if abs(closer_db) < ALIKE_DB:
        return f"{_HERE} the breaths are no closer behind the compressor than before it."
    way = "closer" if closer_db > 0 else "further away"
    return f"{_HERE} the breaths are {decibels(abs(closer_db))} dB {way} behind the compressor, as sung."


def pops(times_s, extra_db) -> str:
    """Lesson 03: where the pops are, and which of them a compressor reacts to most."""
    if not len(times_s):
        return f"{_HERE} no pops were found."
    at = [f"{time_s:.1f}" for time_s in times_s]
    if len(at) == 1:
        return f"{_HERE} there is a pop at {at[0]} s."
    worst = at[max(range(len(at)), key=lambda n: extra_db[n])]
    return f"{_HERE} there are {len(at)} pops, at {', '.join(at[:-1])} and {at[-1]} s; the one at {worst} s adds most."


def ring_cut(bell: Peaking | None, search: RingSearch) -> str:
    """Lesson 03: a bell against boxiness, or none, beside what the finder says."""
    found = [f"{ring.freq_hz:.0f} Hz ({decibels(ring.gain_db)} dB, {ring.how_sure})" for ring in search.found]
    theirs = f"the finder says {' and '.join(found)}" if found else f"the finder says “{search.verdict}”"
    if bell is None or bell.gain_db == 0:
        return f"boxiness: left out; {theirs}."
    ours = f"boxiness: {decibels(bell.gain_db, sign=True)} dB at {bell.freq_hz:.0f} Hz"
    if any(abs(math.log2(bell.freq_hz / ring.freq_hz)) <= NEAR_RING_OCTAVES for ring in search.found):
        return f"{ours}; {theirs}."
    return f"{ours}; {theirs}, so your ear alone decides."
