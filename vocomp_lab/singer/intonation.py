"""The sung pitch: notes of the score, the slides between them, vibrato, and the irregularities of a living voice."""

from __future__ import annotations

import numpy as np

from vocomp_lab.singer.phonetics import CONSONANTS
from vocomp_lab.singer.score import Score, Singer, midi_to_hz
from vocomp_lab.singer.timing import Segment
from vocomp_lab.singer.tracks import noise_track, smoothed, span
from vocomp_lab.sound.seeded import stream

# The pitch heads for a note a little before its vowel.
_EARLY_S = 0.015
_SCOOP_S = 0.055
_SHORTEST_VIBRATO_S = 0.38
_DRIFT_CENTS = 4.0
# Voiceless consonants start the vowel a little sharp, voiced ones a little flat (common practice, no source).
_PUSH_CENTS = {False: 22.0, True: -32.0}
_CENTS_PER_PERCENT = 17.3


def pitch_track(score: Score, singer: Singer, segments: list[Segment], times_s: np.ndarray, seed: int) -> np.ndarray:
    """Fundamental frequency in Hz at `times_s` (equal spacing), shape of `times_s`."""
    rng = stream(seed, "pitch")
    vowels = [s for s in segments if s.kind == "vowel"]
    midi = smoothed(_notes(score, segments, vowels, times_s), 2.0 * singer.glide_ms / 1000.0)
    cents = np.zeros(len(times_s))
    entries = {next(s.syllable for s in vowels if s.phrase == index) for index in range(len(score.phrases))}
    for s in vowels:
        draw = rng.random_sample(4)
        if s.syllable in entries or draw[0] < 0.25:
            depth = singer.scoop_cents * (0.7 + 0.6 * draw[1]) * (1.0 if s.syllable in entries else 0.6)
            since = times_s - _voice_starts(segments, s)
            scoop = depth * np.exp(-np.maximum(since, 0.0) / _SCOOP_S)
            cents -= np.where((since > -0.05) & (times_s < s.end_s), scoop, 0.0)
        if s.end_s - s.start_s > _SHORTEST_VIBRATO_S:
            cents += _vibrato(singer, s, times_s, draw[2], draw[3])
    for s in segments:
        if s.kind in ("plosive", "fricative"):
            since = times_s - s.end_s
            coming, going = np.clip((times_s - s.start_s) / 0.02, 0, 1), np.exp(-np.maximum(since, 0.0) / 0.028)
            cents += _PUSH_CENTS[CONSONANTS[s.phone].voiced] * np.where(since < 0, coming, going)
    cents = smoothed(cents, 0.016)
    cents += _DRIFT_CENTS * noise_track(rng, len(times_s), 0.5)
    cents += _CENTS_PER_PERCENT * singer.jitter_percent * noise_track(rng, len(times_s), 0.008)
    return midi_to_hz(midi + cents / 100.0)


def _notes(score, segments, vowels, times_s):
    """The score as steps of MIDI numbers. Each phrase takes on its first note a little before its first sound."""
    firsts = {}
    for s in segments:
        firsts.setdefault(s.phrase, s)
    edges = [s.start_s - _EARLY_S for s in vowels]
    for phrase, first in firsts.items():
        # The pitch changes to that of a new phrase unheard, in the pause before it.
        edges[first.syllable] = min(edges[first.syllable], first.start_s - 0.12) if phrase else -1.0
    steps = np.zeros(len(times_s))
    for edge, syllable in zip(edges, score.syllables):
        steps[span(times_s, edge, times_s[-1] + 1.0)] = syllable.pitch_midi
    return steps


def _vibrato(singer, s, times_s, depth_draw, rate_draw):
    local, held = times_s - s.start_s, s.end_s - s.start_s
    rise = np.clip((local - singer.vibrato_delay_s * min(1.0, held / 0.9)) / 0.35, 0, 1)
    fall = np.clip((s.end_s - times_s) / 0.10, 0, 1)
    swing = singer.vibrato_cents * (0.85 + 0.3 * depth_draw) * 0.5 * (1 - np.cos(np.pi * rise)) * fall
    # It quickens slightly while the note lasts.
    rate = singer.vibrato_hz * (1.0 + 0.05 * (rate_draw - 0.5)) * (1.0 + 0.04 * np.clip(local, 0, 3))
    return np.where((local > 0) & (times_s < s.end_s), swing * np.sin(2 * np.pi * rate * local), 0.0)


def _voice_starts(segments, vowel) -> float:
    """Where the voicing that runs into this vowel starts."""
    begin = vowel.start_s
    for s in reversed([s for s in segments if s.syllable == vowel.syllable and s.role == "onset"]):
        if s.kind not in ("nasal", "approximant"):
            break
        begin = s.start_s
    return begin
