"""When each speech sound of a score starts and ends, and when a breath is taken."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vocomp_lab.singer.phonetics import CONSONANTS, kind_of
from vocomp_lab.singer.score import Score
from vocomp_lab.sound.seeded import stream

# Sounds closer together than this are sung without a break.
_JOINED_S = 0.005


@dataclass(frozen=True)
class Segment:
    """One speech sound in time. `release_s` is where a plosive opens; for all other sounds it is the start."""

    phone: str
    kind: str
    start_s: float
    release_s: float
    end_s: float
    syllable: int
    phrase: int
    role: str


@dataclass(frozen=True)
class Breath:
    """An audible breath before a phrase."""

    start_s: float
    end_s: float
    phrase: int


def timed_segments(score: Score, seed: int, timing_ms: float = 6.0) -> list[Segment]:
    """When each speech sound starts and ends.

    Vowels start on their beat, give or take a few milliseconds, as with people. Consonants take their time from the
    syllable before, and all get shorter together where there is too little room.
    """
    syllables = score.syllables
    phrase_of = [index for index, phrase in enumerate(score.phrases) for _ in phrase]
    sway = np.clip(stream(seed, "timing").standard_normal(len(syllables)), -2, 2) * timing_ms / 1000.0
    onsets = np.array([s.start_s for s in syllables]) + sway
    ends = np.array([s.start_s + s.length_s for s in syllables])
    before = [_lengths(s.parts[0], (s.parts[1],)) for s in syllables]
    behind = []
    scale_before, scale_behind = np.ones(len(syllables)), np.ones(len(syllables))
    tied = np.zeros(len(syllables), bool)
    for i, syllable in enumerate(syllables):
        last = i + 1 == len(syllables) or phrase_of[i + 1] != phrase_of[i]
        following = () if last else syllables[i + 1].parts[0] or (syllables[i + 1].parts[1],)
        behind.append(_lengths(syllable.parts[2], following))
        need = sum(map(sum, behind[i]))
        if not last:
            ahead = sum(map(sum, before[i + 1]))
            tied[i] = ends[i] > onsets[i + 1] - ahead - 0.03
        if tied[i]:
            room = onsets[i + 1] - onsets[i]
            fits = (room - max(0.45 * room, 0.06)) / max(need + ahead, 1e-9)
            scale_behind[i] = scale_before[i + 1] = min(1.0, fits)
            ends[i] = onsets[i + 1] - scale_before[i + 1] * ahead
        else:
            scale_behind[i] = min(1.0, 0.55 * (ends[i] - onsets[i]) / max(need, 1e-9))
    segments = []

    def lay(phones, lengths, scale, at, index, role):
        for phone, (closed, opened) in zip(phones, lengths):
            release = at + closed * scale if opened else at
            end = at + (closed + opened) * scale
            segments.append(Segment(phone, kind_of(phone), at, release, end, index, phrase_of[index], role))
            at = end

    for i, syllable in enumerate(syllables):
        first, vowel, rest = syllable.parts
        lead = scale_before[i] * sum(map(sum, before[i]))
        tail = scale_behind[i] * sum(map(sum, behind[i]))
        lay(first, before[i], scale_before[i], onsets[i] - lead, i, "onset")
        segments.append(Segment(vowel, "vowel", onsets[i], onsets[i], ends[i] - tail, i, phrase_of[i], "nucleus"))
        lay(rest, behind[i], scale_behind[i], ends[i] - tail, i, "coda")
    if segments[0].start_s < 0:
        raise ValueError(
            f"start_s: the first syllable needs {-segments[0].start_s:.2f} s more for the consonants before its vowel; "
            "start it later."
        )
    return segments


def _lengths(phones, following) -> list[tuple[float, float]]:
    """(closed, opened) seconds of each consonant; `opened` is a plosive's release."""
    out = []
    for i, phone in enumerate(phones):
        consonant = CONSONANTS[phone]
        if consonant.kind != "plosive":
            shorter = 0.8 if len(phones) > 1 else 1.0
            out.append((shorter * consonant.length_ms / 1000.0, 0.0))
            continue
        after = phones[i + 1] if i + 1 < len(phones) else (following[0] if following else "")
        kind = kind_of(after) if after else ""
        if kind == "vowel":
            release = 15.0 if i and phones[i - 1] == "s" else consonant.release_ms
        elif kind == "approximant":
            release = 0.75 * consonant.release_ms
        elif after:
            release = 14.0
        else:
            release = 45.0 if not consonant.voiced else 25.0
        out.append((consonant.length_ms / 1000.0, max(release, 6.0) / 1000.0))
    return out


def breaths_between(score: Score, segments: list[Segment], seed: int) -> list[Breath]:
    """A breath before each phrase that leaves room for one."""
    rng = stream(seed, "breaths")
    free_from, out = 0.0, []
    for index in range(len(score.phrases)):
        inside = [s for s in segments if s.phrase == index]
        end = inside[0].start_s - 0.05 - 0.02 * rng.random_sample()
        length = min(0.42 + 0.06 * rng.random_sample(), end - free_from - 0.05)
        if length >= 0.16:
            out.append(Breath(end - length, end, index))
        free_from = inside[-1].end_s
    return out


def neighbours(segments: list[Segment]) -> list[tuple[Segment | None, Segment, Segment | None]]:
    """Each sound with the ones before and after it; None where there is silence."""
    out = []
    for before, s, after in zip([None, *segments], segments, [*segments[1:], None]):
        out.append(
            (
                before if before is not None and before.end_s > s.start_s - _JOINED_S else None,
                s,
                after if after is not None and after.start_s < s.end_s + _JOINED_S else None,
            )
        )
    return out
