"""What the homeworks share: the shipped takes, their words, faults to put on them, tables in prompts, blind tests."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.exercises.kinds import HearIt
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.faults import HardOnsets, LoudWord, QuietPhrase, spans_mask
from vocomp_lab.singer.song import Take, shipped
from vocomp_lab.sound.audio import Clip

FAULTY = ("lesson_verse_faulty", "second_verse_faulty")
CLEAN = ("lesson_verse_clean", "second_verse_clean")
LAST_TWO_LINES_S, LAST_THREE_LINES_S = (7.3, 14.6), (4.0, 14.6)
LONG_WORD_S = 0.35
"""How long a word has to last to be noticed as a word."""


# ------------------------------------------------------------------------------------------------------------- takes


@cache
def take(name: str) -> Take:
    """One of the shipped takes, loaded once."""
    return shipped(name)


def filtered(clip: Clip) -> Clip:
    """A voice with its low end and boxiness out, as the lessons on compression begin."""
    return Peaking(410, -5, 2).apply(HighPass(90, 3).apply(clip))


@cache
def voice(name: str, span_s: tuple[float, float] = LAST_TWO_LINES_S) -> Clip:
    """A stretch of a filtered take: enough to measure, and quick."""
    return filtered(take(name).clip).cut(*span_s)


@cache
def levelled(name: str) -> Clip:
    """A faulty take levelled by hand, then filtered, as the lessons on compression begin."""
    faults = take(name).truth["faults"]
    prep = ClipGain([GainRegion(*span(faults["quiet_phrase"]), 5), GainRegion(*span(faults["loud_word"]), -6)])
    return filtered(prep.apply(take(name).clip))


def one_line_of(other: Clip, usual: Clip, lines, place: int) -> Clip:
    """A take in which one line comes from another version of it, with the breath before it and without the one after it.

    Parameters
    ----------
    other, usual : Clip
        Both versions, of the same length.
    lines : sequence of dict
        The take's lines, with their times.
    place : int
        Which of them comes from `other`.
    """
    start_s = lines[place - 1]["end_s"] if place else 0.0
    # A turned take may begin behind this line: then the next line's breath would be far from it, and would give it away.
    end_s = lines[place]["end_s"] + 0.005 if place + 1 < len(lines) else usual.duration_s
    share = spans_mask(usual, ((start_s, end_s),), 0.02)
    return usual.with_samples((1 - share) * usual.samples + share * other.samples)


_BREATH_FADE_S = 0.06


def _faded_in(samples: np.ndarray, frames: int) -> np.ndarray:
    faded = np.array(samples)
    faded[:frames] *= np.linspace(0.0, 1.0, frames).reshape((-1,) + (1,) * (faded.ndim - 1))
    return faded


@dataclass(frozen=True)
class Turned:
    """A verse that begins with another of its lines: the lines before that one come after the last.

    Parameters
    ----------
    first_s, last_s : float
        Where the verse is cut, so that the pause between its last line and its first is no longer than the others.
    begin_s : float
        What becomes the start, in the pause behind a line.
    """

    first_s: float
    last_s: float
    begin_s: float

    @property
    def length_s(self) -> float:
        """How long the turned verse lasts."""
        return self.last_s - self.first_s

    def clip(self, clip: Clip) -> Clip:
        """The sound. It no longer lies where it did in its song, so it has no origin."""
        cut = _faded_in(clip.cut(self.first_s, self.last_s).samples, round(_BREATH_FADE_S * clip.rate))
        samples = np.roll(cut, -round((self.begin_s - self.first_s) * clip.rate), axis=0)
        few = round(0.005 * clip.rate)
        return clip.with_samples(_faded_in(_faded_in(samples, few)[::-1], few)[::-1]).coming_from(None)

    def at_s(self, time_s: float) -> float:
        """Where a moment of the verse comes to lie."""
        return (time_s - self.begin_s) % self.length_s

    def item(self, item: dict) -> dict:
        """A word or a line with its new times."""
        start_s = self.at_s(item["start_s"])
        return {**item, "start_s": start_s, "end_s": start_s + lasts_s(item)}


def turned(draw, name: str) -> Turned:
    """A verse with one of its lines first, drawn for a learner: that a neighbour has found a place says nothing then."""
    lines, breaths = take(name).truth["phrases"], take(name).truth["breaths"]
    # The first breath is longer than the others, and so is the silence behind the last line.
    first_s, last_s = max(breaths[0][0], lines[0]["start_s"] - 0.4), lines[-1]["end_s"] + 0.03
    # Each line is followed by a moment of silence, and then by the next one's breath.
    quiet_s = [(line["end_s"] + 0.01, breath[0] - 0.005) for line, breath in zip(lines, breaths[1:])]
    start_s, end_s = draw.choice([(first_s, first_s + 0.03), *quiet_s])
    return Turned(first_s, last_s, draw.step(start_s, end_s, (end_s - start_s) / 12))


def lost_lu(processor, clip: Clip) -> float:
    """How much loudness a compressor takes off a clip, in LU."""
    return integrated_lufs(clip) - integrated_lufs(processor.apply(clip).output)


# ------------------------------------------------------------------------------------------------- words and their faults


def span(item: dict) -> tuple[float, float]:
    """Start and end in seconds of a word, a line or a phone of a take's truth."""
    return item["start_s"], item["end_s"]


def lasts_s(item: dict) -> float:
    """How long a word, a line or a phone lasts, in seconds."""
    return item["end_s"] - item["start_s"]


def window(word: dict) -> tuple[float, float, str]:
    """A word as a window of a *find it* task."""
    return (*span(word), f"“{word['text']}”")


def first_vowel(word: dict) -> dict:
    """The first vowel among a word's phones."""
    return next(phone for phone in word["phones"] if phone["kind"] == "vowel")


@cache
def strong_words(name: str, before_s: float = float("inf")) -> tuple[dict, ...]:
    """The louder half of a clean take's long words, the loudest first.

    They are below the loudest that was sung, so a boost makes one stand out and not the melody.
    """
    words = [word for word in take(name).truth["words"] if lasts_s(word) > LONG_WORD_S and word["end_s"] < before_s]
    return tuple(sorted(words, key=lambda word: -word["level_clean_dbfs"])[: len(words) // 2])


def louder(word: dict, gain_db: float) -> LoudWord:
    """The fault of a word that was sung too loud."""
    return LoudWord(0, word["text"], *span(word), gain_db)


def softer(line: dict, down_db: float) -> QuietPhrase:
    """The fault of a line that was sung from too far away."""
    return QuietPhrase(0, line["text"], *span(line), -down_db)


def knocks_s(words) -> tuple[float, ...]:
    """When knocks on words happen: as the first vowel begins, not in a closure, where there is nothing to be louder."""
    return tuple(first_vowel(word)["start_s"] + 0.02 for word in words)


def knocks(words, gain_db: float, length_ms: float) -> HardOnsets:
    """The fault of words that begin with a knock."""
    return HardOnsets(knocks_s(words), gain_db, length_ms)


# ------------------------------------------------------------------------------------------------------------- prompts


def table(rows, align: str) -> str:
    """Rows of text in columns, as an indented block of a prompt.

    Parameters
    ----------
    rows : sequence of sequences of str
        The first may hold the headings.
    align : str
        ``<`` or ``>`` for each column: where its text stands.
    """
    widths = [max(map(len, column)) for column in zip(*rows)]
    lines = ("  ".join(f"{cell:{side}{width}}" for cell, side, width in zip(row, align, widths)) for row in rows)
    return "\n".join(f"    {line}".rstrip() for line in lines)


def blind_test(prompt: str, sounds, hint: str, afterwards: str, rounds: int = 10) -> HearIt:
    """A blind comparison of two sounds, which has no right answer.

    Parameters
    ----------
    prompt, hint : str
    sounds : callable
        Returns the two clips.
    afterwards : str
        What to make of the result.
    rounds : int
    """
    return HearIt(
        prompt=prompt,
        rounds=rounds,
        sounds=sounds,
        hints=(hint,),
        solution=f"There is no right answer here. {afterwards}",
    )
