"""How hard the singer sings: loudness from note to note, the voice's attack and release, the glottis, and the breath in
it.

Lengths and depths of attacks, swells and releases are common practice, no source.
"""

from __future__ import annotations

import numpy as np

from vocomp_lab.singer.phonetics import CONSONANTS
from vocomp_lab.singer.score import Score, Singer
from vocomp_lab.singer.timing import Segment, neighbours
from vocomp_lab.singer.tracks import noise_track, smoothed, span
from vocomp_lab.sound.levels import db_to_amplitude
from vocomp_lab.sound.seeded import stream

_UNMUFFLED_HZ = 20_000.0
_BEHIND_CLOSED_MOUTH_HZ = 270.0
_BEHIND_NARROW_MOUTH_HZ = 1100.0


def note_loudness(score: Score, singer: Singer, seed: int) -> np.ndarray:
    """Loudness of every syllable in dB: stress, height of the note, arc of the phrase, and a little chance."""
    chance = stream(seed, "loudness")
    middle = 0.5 * (singer.lowest_midi + singer.highest_midi)
    out = []
    for phrase in score.phrases:
        starts = np.array([s.start_s for s in phrase])
        place = (starts - starts[0]) / max(starts[-1] - starts[0], 0.1)
        arc = singer.arc_db * (np.sin(np.pi * np.clip(0.15 + 0.75 * place, 0, 1)) - 0.75)
        height = np.array([0.15 * (s.pitch_midi - middle) for s in phrase])
        random = singer.unsteady_db * np.clip(chance.standard_normal(len(phrase)), -2, 2)
        out.append(np.array([s.loudness_db for s in phrase]) + arc + height + random)
    return np.concatenate(out)


def source_tracks(
    score: Score, singer: Singer, segments: list[Segment], times_s: np.ndarray, loudness_db: np.ndarray, seed: int
) -> dict[str, np.ndarray]:
    """The tracks `voice`, `shape_rd`, `muffle_hz` and `aspiration` of :class:`vocomp_lab.singer.tracks.Tracks`."""
    count = len(times_s)
    level, swell_db, opening = np.zeros(count), np.zeros(count), np.zeros(count)
    muffle = np.full(count, _UNMUFFLED_HZ)
    breath_db = np.full(count, singer.breathiness_db)
    puff = np.zeros(count)
    for before, s, after in neighbours(segments):
        at = span(times_s, s.start_s, s.end_s)
        if s.kind == "vowel":
            level[at] = 1.0
            hard = score.syllables[s.syllable].hard
            _shape_vowel(s, before, after, hard, times_s[at], swell_db[at], opening[at], breath_db[at])
        elif s.kind == "plosive":
            _shape_plosive(s, before, times_s, level, muffle, puff)
        elif s.kind == "aspirate":
            puff[at] = db_to_amplitude(-18.0)
        else:
            level[at] = db_to_amplitude(CONSONANTS[s.phone].voice_db)
            if s.kind != "fricative":
                opening[at] += 0.2
            elif CONSONANTS[s.phone].voiced:
                muffle[at] = _BEHIND_NARROW_MOUTH_HZ
                opening[at] += 0.5
    voiced = _attacked(score, segments, level, times_s) * _ramps(segments, times_s)
    rng = stream(seed, "source")
    shimmer = noise_track(rng, count, 0.010)
    tremor = noise_track(rng, count, 0.18)
    wander = noise_track(rng, count, 0.12)
    swell_db = smoothed(swell_db, 0.012) + singer.shimmer_db * shimmer + 0.45 * tremor
    voice = voiced * db_to_amplitude(loudness_db + swell_db)
    # Louder singing shuts the glottis faster: the pulse gets brighter.
    pressed = singer.shape_rd * 10.0 ** (-0.022 * (loudness_db + 0.6 * swell_db))
    shape = np.clip(pressed + smoothed(opening, 0.016) + 0.05 * wander, 0.4, 2.7)
    puffs = smoothed(puff, 0.010) * db_to_amplitude(0.5 * loudness_db)
    aspiration = np.hypot(voice * db_to_amplitude(smoothed(breath_db, 0.02)), puffs)
    return {"voice": voice, "shape_rd": shape, "muffle_hz": smoothed(muffle, 0.012), "aspiration": aspiration}


def _shape_vowel(s, before, after, hard, times, swell_db, opening, breath_db):
    """Attack, swell and release of one vowel, written into its stretch of the tracks."""
    gone, left, held = times - s.start_s, s.end_s - times, s.end_s - s.start_s
    plosive = before is not None and before.kind == "plosive"
    attack_db = 3.0 if hard else (1.0 if plosive else -1.5)
    swell_db += attack_db * np.exp(-gone / (0.060 if hard else 0.035))
    swell_db += min(2.0, 2.5 * held) * np.sin(np.pi * np.clip(gone / held, 0, 1))
    swell_db -= (1.5 if after is not None else 3.0) * np.exp(-left / (0.05 + 0.12 * min(held, 1.0)))
    # The glottis closes gradually as the voice sets in, and opens again towards a pause.
    if not hard and (before is None or not _is_voiced(before)):
        opening += 0.45 * np.exp(-gone / 0.03)
        breath_db += 5.0 * np.exp(-gone / 0.04)
    opening += (0.25 if after is not None else 0.8) * np.exp(-left / 0.06)
    breath_db += (1.0 if after is not None else 5.0) * np.exp(-left / 0.08)


def _shape_plosive(s, before, times_s, level, muffle, puff):
    """The hum behind the closed mouth of b d g, or the puff of breath behind p t k."""
    consonant = CONSONANTS[s.phone]
    if consonant.voiced:
        if before is not None or s.role == "onset":
            closed = span(times_s, s.start_s, s.release_s)
            part = (times_s[closed] - s.start_s) / max(s.release_s - s.start_s, 1e-6)
            level[closed] = db_to_amplitude(consonant.voice_db - 5.0 * part)
            muffle[closed] = _BEHIND_CLOSED_MOUTH_HZ
    elif s.end_s - s.release_s > 0.016:
        opened = span(times_s, s.release_s, s.end_s)
        puff[opened] = db_to_amplitude(-17.0 - 5.0 * (times_s[opened] - s.release_s) / (s.end_s - s.release_s))


def _attacked(score, segments, level, times_s):
    """The level with its steps rounded: over 30 ms as a rule, over 10 ms where the attack is hard."""
    hard = np.zeros(len(times_s), bool)
    for s in segments:
        if s.kind == "vowel" and score.syllables[s.syllable].hard:
            hard[span(times_s, s.start_s - 0.02, s.start_s + 0.02)] = True
    return np.where(hard, smoothed(level, 0.010), smoothed(level, 0.030))


def _ramps(segments, times_s):
    """The voice takes time to start and to stop, and nothing of it leaks into a pause."""
    ramps = np.ones(len(times_s))
    for before, s, after in neighbours(segments):
        at = span(times_s, s.start_s, s.end_s)
        if s.kind in ("vowel", "nasal", "approximant"):
            if before is None:
                ramps[at] *= _rise(times_s[at] - s.start_s, 0.045)
            if after is None:
                ramps[at] *= _rise(s.end_s - times_s[at], min(0.15, 0.45 * (s.end_s - s.start_s)))
    ends = [-1.0, *(s.end_s for s in segments)]
    starts = [*(s.start_s - 0.012 for s in segments), times_s[-1] + 1.0]
    for end, start in zip(ends, starts):
        ramps[span(times_s, end, start)] = 0.0
    return ramps


def _rise(elapsed, length):
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(elapsed / length, 0, 1))


def _is_voiced(segment: Segment) -> bool:
    return segment.kind == "vowel" or CONSONANTS[segment.phone].voiced
