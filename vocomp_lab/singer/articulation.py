"""What the mouth does from sound to sound: formants that move, bandwidths, and the way through the nose."""

from __future__ import annotations

import numpy as np

from vocomp_lab.singer.phonetics import CONSONANTS, locus, vowel_formants
from vocomp_lab.singer.score import Singer
from vocomp_lab.singer.timing import Segment, neighbours
from vocomp_lab.singer.tracks import smoothed, span

# Formants above the third, in Hz, placed by the length of an average vocal tract, c/(4L)·(2n − 1) (Klatt 1980: 17 cm
# for a man).
_FOURTH_FIFTH = {"men": (3500.0, 4500.0), "women": (4150.0, 5150.0)}
_RINGING = {"men": (2950.0, 3450.0), "women": (3550.0, 4050.0)}
_SPACING = {"men": 1030.0, "women": 1190.0}
_HIGHEST_POLE_HZ = 13_500.0
# Bandwidths of F1 to F5 (Klatt 1980, values from memory); above, a fixed share of the frequency.
_BANDWIDTHS = (65.0, 85.0, 125.0, 190.0, 230.0)
_HIGH_BANDWIDTH = 0.065
_WOMAN_BANDWIDTH = 1.15
# How long formants take to move from one target to the next.
_MOVE_S = 0.034


def mouth_tracks(
    singer: Singer, segments: list[Segment], times_s: np.ndarray, f0_hz: np.ndarray
) -> dict[str, np.ndarray]:
    """The tracks `formants_hz`, `bandwidths_hz`, `nasal` and `zero_hz` of :class:`vocomp_lab.singer.tracks.Tracks`.

    Vowels aim at the table in :mod:`vocomp_lab.singer.phonetics`. Consonants pull their neighbours towards their place
    ("locus"). Smooth movement joins it all, so no two instances of a vowel are alike.
    """
    at, aims = _aims(singer.voice, segments)
    low = smoothed(np.stack([np.interp(times_s, at, aim) for aim in aims.T], axis=1), _MOVE_S)
    upper = _upper_formants(singer)
    formants = np.concatenate([low, np.broadcast_to(upper, (len(times_s), len(upper)))], axis=1)
    base = np.array([*_BANDWIDTHS, *(_HIGH_BANDWIDTH * f for f in upper[2:])])
    if singer.voice == "women":
        base = _WOMAN_BANDWIDTH * base
    widen = np.ones((len(times_s), len(base)))
    nasal, zero = np.zeros(len(times_s)), np.full(len(times_s), 1000.0)
    for s in segments:
        if s.kind == "nasal":
            inside = span(times_s, s.start_s, s.end_s)
            widen[inside, 1:] = 2.6
            nasal[inside] = 1.0
            zero[span(times_s, s.start_s - 0.03, s.end_s + 0.03)] = CONSONANTS[s.phone].zero_hz
        elif s.kind == "aspirate" or (s.kind == "plosive" and s.release_s < s.end_s):
            widen[span(times_s, s.release_s, s.end_s), :2] = 2.0
    bandwidths = base * smoothed(widen, 0.02)
    # A singer opens the mouth so that the first formant stays above a high note (Sundberg).
    formants[:, 0] = np.maximum(formants[:, 0], 1.12 * f0_hz)
    bandwidths[:, 0] += 0.12 * f0_hz
    return {"formants_hz": formants, "bandwidths_hz": bandwidths, "nasal": smoothed(nasal, 0.016), "zero_hz": zero}


def _upper_formants(singer: Singer) -> list[float]:
    """F4 and up: a little lower where the singer's formant is strong, then evenly spaced as in a tube."""
    plain, rung = _FOURTH_FIFTH[singer.voice], _RINGING[singer.voice]
    upper = [(1 - singer.ring) * a + singer.ring * b for a, b in zip(plain, rung)]
    pole = upper[-1] + _SPACING[singer.voice]
    while pole < _HIGHEST_POLE_HZ:
        upper.append(pole)
        pole += _SPACING[singer.voice]
    return upper


def _aims(voice, segments):
    """Targets of F1, F2 and F3: their times, shape (n,), and their frequencies in Hz, shape (n, 3)."""
    vowels = {s.syllable: s for s in segments if s.kind == "vowel"}
    aims = []
    for before, s, _ in neighbours(segments):
        length = s.end_s - s.start_s
        if s.kind == "vowel":
            aims += _vowel_aims(s, before, voice)
            continue
        left, right = _sides(s, vowels, voice)
        if s.kind == "aspirate":
            aims.append((s.start_s + 0.3 * length, right))
        elif s.kind in ("nasal", "approximant"):
            aim = np.array(CONSONANTS[s.phone].formants[voice == "women"], float)
            if s.kind == "nasal":
                # In an m the tongue is free, so F2 and F3 lean towards the neighbours.
                lean = 0.5 if CONSONANTS[s.phone].place == "labial" else 0.25
                aim[1:] = (1 - lean) * aim[1:] + lean * 0.5 * (left + right)[1:]
            aims += [(s.start_s + 0.3 * length, aim), (s.end_s - 0.3 * length, aim)]
        else:
            place = CONSONANTS[s.phone].place
            opens = s.release_s if s.kind == "plosive" else s.end_s
            aims += [(s.start_s + 0.002, locus(place, left, voice)), (opens - 0.002, locus(place, right, voice))]
    aims.sort(key=lambda aim: aim[0])
    return np.array([at for at, _ in aims]), np.array([aim for _, aim in aims])


def _sides(s, vowels, voice):
    """Formants of the vowels around a consonant: the end of the one before, the start of the one after."""
    own = vowels[s.syllable]
    other = vowels.get(s.syllable - 1 if s.role == "onset" else s.syllable + 1)
    near = other is not None and other.phrase == s.phrase
    first, last = vowel_formants(own.phone, voice)
    if s.role == "onset":
        return (vowel_formants(other.phone, voice)[1] if near else first), first
    return last, (vowel_formants(other.phone, voice)[0] if near else last)


def _vowel_aims(s, before, voice):
    length = s.end_s - s.start_s
    first, last = vowel_formants(s.phone, voice)
    turn = min(0.050, 0.35 * length)
    # After an aspirated plosive the mouth has moved most of the way before the voice sets in.
    aspirated = before is not None and before.kind == "plosive" and before.end_s - before.release_s > 0.03
    aims = [(s.start_s + (0.3 * turn if aspirated else turn), first)]
    if first is not last:
        # A held diphthong stays on its first vowel, and glides late.
        aims.append((max(s.start_s + max(0.5 * length, length - 0.32), s.start_s + turn + 0.002), first))
    aims.append((max(s.end_s - turn, s.start_s + turn + 0.004), last))
    return aims
