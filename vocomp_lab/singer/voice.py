"""The synthetic singer: source–filter synthesis from a score.

The voiced part is a sum of harmonics whose amplitudes and phases come from the glottal pulse
(:mod:`vocomp_lab.singer.glottis`) and the vocal tract, so its pitch and formants are exact and nothing aliases. Breath
and consonant noise are added. The scheme is Klatt's cascade synthesizer (J. Acoust. Soc. Am. 67(3), 1980), with
harmonics in place of a sampled pulse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vocomp_lab.singer.articulation import mouth_tracks
from vocomp_lab.singer.effort import note_loudness, source_tracks
from vocomp_lab.singer.glottis import harmonics
from vocomp_lab.singer.intonation import pitch_track
from vocomp_lab.singer.score import HYPHEN, Score, Singer, Syllable, midi_to_hz
from vocomp_lab.singer.timing import Segment, breaths_between, timed_segments
from vocomp_lab.singer.tracks import STEP_S, Tracks, smoothed
from vocomp_lab.singer.tract import mouth
from vocomp_lab.singer.voice_noise import aspiration, consonants, inhalations
from vocomp_lab.sound.audio import Clip, check_rate
from vocomp_lab.sound.seeded import stream

__all__ = ["Score", "Singer", "Sung", "Syllable", "midi_to_hz", "sing"]

VOICE_RMS = 0.08
"""RMS of a vowel at a loudness of 0 dB."""
_HIGHEST_HZ = 11_500.0
# The share of a vowel's natural level that the singer evens out.
_LEVELLING = 0.8
# How many control points of 2 ms are rendered at once (small enough to stay in the processor's cache), and per random
# waver of a harmonic.
_CHUNK = 64
_WAVER_POINTS = 4
_SHELF_HZ = 2_200.0
_BRIGHTER_DB_PER_DB = 0.45


@dataclass(frozen=True, eq=False)
class Sung:
    """A performance: the sound, and what was sung when (the fields are described in ``data_synthetic/README.md``)."""

    clip: Clip
    truth: dict


def sing(score: Score, singer: Singer, seed: int, rate: int = 48_000) -> Sung:
    """Sing a score.

    Parameters
    ----------
    score : Score
    singer : Singer
    seed : int
        The performance: small irregularities of time, pitch, loudness and noise all come from it.
    rate : int
        Samples per second.

    Returns
    -------
    Sung
        A mono clip of `score.length_s`, a vowel of mean loudness at about −22 dBFS RMS, and its truth.

    Raises
    ------
    ValueError
        If a note lies outside the singer's range, or the first syllable starts too early for its consonants.
    """
    rate = check_rate(rate)
    for syllable in score.syllables:
        if not singer.lowest_midi <= syllable.pitch_midi <= singer.highest_midi:
            raise ValueError(
                f"pitch_midi: {syllable.pitch_midi:g} of {syllable.text!r} is outside {singer.name}'s range, "
                f"{singer.lowest_midi:g} to {singer.highest_midi:g}."
            )
    segments = timed_segments(score, seed)
    breaths = breaths_between(score, segments, seed)
    tracks = control_tracks(score, singer, segments, seed)
    frames = int(round(score.length_s * rate))
    gain = _levelled(tracks, segments, singer.brightness_db)
    cycles, sound = _voiced(tracks, gain, singer.brightness_db, seed, rate, frames)
    sound += aspiration(tracks, cycles, seed, rate)
    sound += consonants(score, singer, segments, tracks, cycles, seed, rate)
    sound += inhalations(breaths, singer, frames, seed, rate)
    return Sung(Clip(VOICE_RMS * sound, rate), _truth(score, singer, segments, breaths, seed))


def control_tracks(score: Score, singer: Singer, segments: list[Segment], seed: int) -> Tracks:
    """All control tracks of a performance."""
    times = np.arange(int(np.ceil(score.length_s / STEP_S)) + 2) * STEP_S
    notes_db = note_loudness(score, singer, seed)
    vowels = [s for s in segments if s.kind == "vowel"]
    keys = [(t, notes_db[s.syllable]) for s in vowels for t in (s.start_s + 0.01, max(s.end_s, s.start_s + 0.02))]
    loudness = smoothed(np.interp(times, *zip(*keys)), 0.03)
    f0 = pitch_track(score, singer, segments, times, seed)
    return Tracks(
        times_s=times,
        f0_hz=f0,
        loudness_db=loudness,
        **mouth_tracks(singer, segments, times, f0),
        **source_tracks(score, singer, segments, times, loudness, seed),
    )


def _source(freqs_hz: np.ndarray, tracks: Tracks, at, brightness_db: float) -> np.ndarray:
    """Harmonics of the glottal pulse at `freqs_hz` (n, k), brighter where the singing is louder.

    The pulse's shape alone changes the balance below 1 kHz. But the region of the singer's formant gains about 1.5 dB
    per decibel of loudness (Sundberg, "The Science of the Singing Voice", 1987; value from memory), since the
    flow also stops more abruptly: a gentle shelf stands for that.
    """
    shelf_db = brightness_db + _BRIGHTER_DB_PER_DB * np.clip(tracks.loudness_db[at], -12.0, 10.0)
    shelf = 10.0 ** (shelf_db / 20.0)[:, None]
    place = (freqs_hz / _SHELF_HZ) ** 2
    return harmonics(tracks.shape_rd[at], freqs_hz.shape[1]) * np.sqrt((1.0 + place * shelf**2) / (1.0 + place))


def _levelled(tracks: Tracks, segments: list[Segment], brightness_db: float) -> np.ndarray:
    """Source amplitude that makes the vowels come out near their loudness.

    Vowels differ in level by nature: a wide-open one is about 6 dB above a closed one, and a harmonic that meets a
    formant jumps out. Singers even that out in part, and so does this, slowly enough to leave vibrato alone; through
    consonants the correction slides from vowel to vowel.
    """
    every = max(1, int(round(0.010 / STEP_S)))
    vowels = [(s.start_s + 0.02, max(s.end_s - 0.01, s.start_s + 0.03)) for s in segments if s.kind == "vowel"]
    at = np.concatenate([np.arange(*np.searchsorted(tracks.times_s, span), every) for span in vowels])
    freqs = tracks.f0_hz[at][:, None] * np.arange(1, int(4_000 / tracks.f0_hz[at].min()))
    amplitude = np.abs(_source(freqs, tracks, at, brightness_db) * mouth(freqs, tracks, at))
    powers = 10.0 * np.log10(2.0 * (amplitude**2).sum(axis=1))
    mean = powers.mean()
    added = smoothed(np.interp(tracks.times_s, tracks.times_s[at], mean + _LEVELLING * (powers - mean)), 0.16)
    return tracks.voice * 10.0 ** (-added / 20.0)


def _voiced(tracks, gain, brightness_db, seed, rate, frames):
    """(cycles, sound): phase of the voice in periods, and its harmonics added up; both shape (frames,)."""
    hop = max(1, int(round(STEP_S * rate)))
    points = -(-frames // hop)
    grid = np.arange(points + 1) * (hop / rate)
    at_grid = np.minimum(np.rint(grid / STEP_S).astype(int), len(tracks.times_s) - 1)
    f0 = np.interp(np.arange(points * hop) / rate, tracks.times_s, tracks.f0_hz)
    cycles = np.cumsum(f0 / rate)
    cycles -= np.floor(cycles)
    count = int(_HIGHEST_HZ / tracks.f0_hz.min()) + 1
    rough = stream(seed, "harmonics").standard_normal((2, points // _WAVER_POINTS + 2, count))
    sound = np.zeros(points * hop)
    ramp = np.arange(hop) / hop
    top = min(_HIGHEST_HZ, 0.46 * rate)
    for first in range(0, points, _CHUNK):
        last = min(first + _CHUNK, points)
        at = at_grid[first : last + 1]
        if not (gain[at] > 1e-6).any():
            continue
        here = int(top / tracks.f0_hz[at].min()) + 1
        freqs = tracks.f0_hz[at][:, None] * np.arange(1, here + 1)
        amplitude = _source(freqs, tracks, at, brightness_db) * mouth(freqs, tracks, at)
        amplitude *= (2.0 * gain[at])[:, None] * np.clip((top - freqs) / (0.25 * top), 0.0, 1.0) ** 2
        # Harmonics of a voice are not locked to each other like an organ's: the higher they are, the more they waver.
        place = np.arange(first, last + 1) / _WAVER_POINTS
        below = place.astype(int)
        part = (place - below)[:, None]
        waver = (1 - part) * rough[:, below, :here] + part * rough[:, below + 1, :here]
        depth = 0.02 + 0.40 * np.clip((freqs - 1500.0) / 6500.0, 0.0, 1.0)
        amplitude *= 1.0 + depth * (waver[0] + 1j * waver[1])
        real, imag = amplitude.real.T.copy(), amplitude.imag.T.copy()
        real_steps, imag_steps = np.diff(real), np.diff(imag)
        block = slice(first * hop, last * hop)
        angle = 2.0 * np.pi * cycles[block].reshape(-1, hop)
        turn_cos, turn_sin = np.cos(angle), np.sin(angle)
        c, s = turn_cos.copy(), turn_sin.copy()
        total = np.zeros_like(angle)
        # In place: a fresh array for every step would cost more than the steps.
        crossed, turned, swell = (np.empty_like(angle) for _ in range(3))
        for k in range(here):
            if k:
                np.multiply(s, turn_sin, out=crossed)
                np.multiply(c, turn_sin, out=turned)
                c *= turn_cos
                c -= crossed
                s *= turn_cos
                s += turned
            for level, steps, wave, add in ((real, real_steps, c, np.add), (imag, imag_steps, s, np.subtract)):
                np.multiply(steps[k, :, None], ramp, out=swell)
                swell += level[k, :-1, None]
                swell *= wave
                add(total, swell, out=total)
        sound[block] = total.ravel()
    return cycles[:frames], sound[:frames].copy()


def _truth(score, singer, segments, breaths, seed) -> dict:
    """Everything that was sung, with times, as plain numbers, texts, lists and dicts."""
    loud = note_loudness(score, singer, seed)
    words, phrases, index = [], [], 0
    for number, phrase in enumerate(score.phrases):
        first_word = len(words)
        begun = False
        for syllable in phrase:
            mine = [s for s in segments if s.syllable == index]
            nucleus = next(s for s in mine if s.role == "nucleus")
            if not begun:
                words.append(
                    {
                        "text": "",
                        "phrase": number,
                        "start_s": 0.0,
                        "end_s": 0.0,
                        "hard_onset": syllable.hard,
                        "notes": [],
                        "phones": [],
                    }
                )
            word = words[-1]
            word["text"] += syllable.text.removesuffix(HYPHEN)
            word["notes"].append(
                {
                    "text": syllable.text,
                    "start_s": _time(nucleus.start_s),
                    "end_s": _time(nucleus.end_s),
                    "pitch_midi": syllable.pitch_midi,
                    "pitch_hz": round(syllable.pitch_hz, 3),
                    "loudness_db": round(float(loud[index]), 2),
                }
            )
            for s in mine:
                sound = {"phone": s.phone, "kind": s.kind, "start_s": _time(s.start_s), "end_s": _time(s.end_s)}
                if s.kind == "plosive":
                    sound["release_s"] = _time(s.release_s)
                word["phones"].append(sound)
            word["start_s"], word["end_s"] = word["phones"][0]["start_s"], word["phones"][-1]["end_s"]
            begun = syllable.text.endswith(HYPHEN)
            index += 1
        mine = words[first_word:]
        phrases.append(
            {
                "text": " ".join(word["text"] for word in mine),
                "start_s": mine[0]["start_s"],
                "end_s": mine[-1]["end_s"],
                "words": [first_word, len(words)],
            }
        )
    sung = [[phrase["start_s"], phrase["end_s"]] for phrase in phrases]
    return {
        "singer": {
            "name": singer.name,
            "voice": singer.voice,
            "lowest_midi": singer.lowest_midi,
            "highest_midi": singer.highest_midi,
        },
        "seed": seed,
        "duration_s": _time(score.length_s),
        "words": words,
        "phrases": phrases,
        "sung": sung,
        "pauses": _gaps(sung, score.length_s),
        "silences": _gaps(sorted(sung + [[_time(b.start_s), _time(b.end_s)] for b in breaths]), score.length_s),
        "breaths": [[_time(b.start_s), _time(b.end_s)] for b in breaths],
    }


def _gaps(spans, length_s):
    """The stretches of [0, length_s] outside sorted spans."""
    edges = [0.0, *(edge for pair in spans for edge in pair), _time(length_s)]
    return [[a, b] for a, b in zip(edges[::2], edges[1::2]) if b > a]


def _time(seconds: float) -> float:
    return round(float(seconds), 4)
