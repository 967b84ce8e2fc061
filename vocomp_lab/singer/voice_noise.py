"""The singer's noises: breath in the voice, hissing and bursting consonants, and breaths between phrases."""

from __future__ import annotations

import numpy as np
from scipy import fft

from vocomp_lab.singer.glottis import pulse_times
from vocomp_lab.singer.phonetics import CONSONANTS, noise_gain, vowel_formants
from vocomp_lab.singer.score import Score, Singer
from vocomp_lab.singer.timing import Breath, Segment
from vocomp_lab.singer.tracks import STEP_S, Tracks
from vocomp_lab.singer.tract import tract
from vocomp_lab.sound.seeded import stream

_CLOSING = pulse_times(1.2)[1]
# The size of the mouth moves the consonants' noises up and down.
_NOISE_SHIFT = {"men": 0.96, "women": 1.04}
_BREATH_SHIFT = {"men": 0.92, "women": 1.06}
_BREATH_DB = -27.0
_BURST_DECAY_S = {"p": 0.004, "t": 0.006, "k": 0.008}
_FRAMES_AT_ONCE = 256


def aspiration(tracks: Tracks, cycles: np.ndarray, seed: int, rate: int) -> np.ndarray:
    """Breath noise through the moving tract, pulsing with the voice.

    Overlapping frames of 8 ms, each filtered in the frequency domain with the tract's magnitude at its centre.

    Parameters
    ----------
    tracks : Tracks
    cycles : ndarray, shape (frames,)
        Phase of the voice in periods.
    seed, rate : int

    Returns
    -------
    ndarray, shape (frames,)
        Relative to a vowel of RMS 1.
    """
    frames = len(cycles)
    hop = 2 * max(1, int(round(STEP_S * rate)))
    length = 2 * hop
    size = fft.next_fast_len(2 * length, real=True)
    # A zero-phase filter rings on both sides, so each frame lies in the middle of a longer stretch.
    before = (size - length) // 2
    window = np.sin(np.pi * (np.arange(length) + 0.5) / length) ** 2
    points = -(-frames // hop) + 1
    noise = stream(seed, "aspiration").standard_normal((points + 1) * hop)
    at = np.minimum(np.rint(np.arange(points) * hop / rate / STEP_S).astype(int), len(tracks.times_s) - 1)
    freqs = np.arange(size // 2 + 1) * (rate / size)
    # The first formant is damped by the open glottis, and the noise source leans to high frequencies.
    tilt = (freqs / np.hypot(freqs, 1400.0)) / np.sqrt(1.0 + (freqs / 9000.0) ** 2)
    out = np.zeros((points + 2) * hop + size)
    audible = np.flatnonzero(tracks.aspiration[at] > 1e-5)
    for first in range(0, len(audible), _FRAMES_AT_ONCE):
        here = audible[first : first + _FRAMES_AT_ONCE]
        places = at[here]
        gain = np.abs(tract(np.tile(freqs, (len(here), 1)), tracks.formants_hz[places], tracks.bandwidths_hz[places]))
        gain *= tilt
        gain *= (tracks.aspiration[places] / np.sqrt((gain**2).mean(axis=1)))[:, None]
        pieces = np.zeros((len(here), size))
        pieces[:, before : before + length] = noise[here[:, None] * hop + np.arange(length)] * window
        for index, shaped in zip(here, fft.irfft(fft.rfft(pieces, axis=1) * gain, size, axis=1)):
            out[index * hop : index * hop + size] += shaped
    # A frame's centre, `hop` after its start, is the moment its control point stands for.
    out = out[before + hop : before + hop + frames]
    voiced = np.interp(np.arange(frames) / rate, tracks.times_s, np.minimum(tracks.voice * 4.0, 1.0))
    return out * _pulsed(cycles, 0.65 * voiced)


def consonants(
    score: Score, singer: Singer, segments: list[Segment], tracks: Tracks, cycles: np.ndarray, seed: int, rate: int
) -> np.ndarray:
    """Hiss of the fricatives and bursts of the plosives, relative to a vowel of RMS 1, shape of `cycles`."""
    out = np.zeros(len(cycles))
    for index, s in enumerate(segments):
        if s.kind not in ("plosive", "fricative"):
            continue
        rng = stream(seed, f"noise {index}")
        syllable = score.syllables[s.syllable]
        at = min(int(round(0.5 * (s.start_s + s.end_s) / STEP_S)), len(tracks.times_s) - 1)
        # Consonants only partly follow the loudness of the singing.
        loud_db = 0.6 * tracks.loudness_db[at] + rng.standard_normal()
        f2 = vowel_formants(syllable.parts[1], singer.voice)[0 if s.role == "onset" else 1][1]
        # Rounded lips lengthen the cavity in front of the tongue and lower its noise.
        shift = _NOISE_SHIFT[singer.voice] * (0.93 if f2 < 1250 else 1.0)
        if s.kind == "fricative":
            _hiss(out, s, loud_db, shift, cycles, rng, rate)
        else:
            _burst(out, s, loud_db, shift, f2, syllable.hard and s.role == "onset", rng, rate)
    return out


def _hiss(out, s, loud_db, shift, cycles, rng, rate):
    consonant = CONSONANTS[s.phone]
    start, length = s.start_s - 0.008, s.end_s - s.start_s
    envelope = _hump(length + 0.016, min(0.045, 0.5 * length), min(0.030, 0.4 * length), rate)
    if consonant.voiced:
        part = cycles[max(int(round(start * rate)), 0) :][: len(envelope)]
        envelope[: len(part)] *= _pulsed(part, 0.7)
    _add_noise(out, start, envelope, consonant.noise, loud_db + consonant.noise_db, shift, rng, rate)


def _burst(out, s, loud_db, shift, f2, hard, rng, rate):
    consonant = CONSONANTS[s.phone]
    level_db = loud_db + consonant.noise_db + (4.0 if hard else 0.0)
    if s.end_s - s.release_s < 0.016 and not consonant.voiced:
        # Before another consonant a plosive barely opens.
        level_db -= 5.0
    decay = _BURST_DECAY_S[consonant.noise]
    t = np.arange(int(0.06 * rate)) / rate
    hiss = 0.0 if consonant.voiced else 0.16 * np.exp(-t / 0.020)
    envelope = np.clip(t / 0.0006, 0, 1) * (np.exp(-t / decay) + hiss)
    if consonant.noise == "k":
        # The back of the tongue lets go twice, at a frequency that follows the vowel.
        again = t - 0.011
        envelope += 0.6 * np.clip(again / 0.0006, 0, 1) * np.exp(-np.maximum(again, 0) / decay)
        shift = float(np.clip(1.02 * f2 / 1850.0, 0.62, 1.5))
    _add_noise(out, s.release_s, envelope, consonant.noise, level_db, shift, rng, rate)


def inhalations(breaths: list[Breath], singer: Singer, frames: int, seed: int, rate: int) -> np.ndarray:
    """The breaths between phrases, shape (frames,), relative to a vowel of RMS 1."""
    out = np.zeros(frames)
    for breath in breaths:
        rng = stream(seed, f"breath {breath.phrase}")
        length = breath.end_s - breath.start_s
        level_db = _BREATH_DB + 1.5 * rng.standard_normal()
        envelope = _hump(length, 0.55 * length, 0.30 * length, rate)
        _add_noise(out, breath.start_s, envelope, "breath", level_db, _BREATH_SHIFT[singer.voice], rng, rate)
    return out


def _pulsed(cycles, depth):
    """Factor for noise that is loudest where the glottis shuts: a gentle bump once per period, mean square 1."""
    return (1.0 + depth * np.cos(2.0 * np.pi * (cycles - _CLOSING))) / np.sqrt(1.0 + 0.5 * depth**2)


def _add_noise(out, start_s, envelope, spectrum, level_db, shift, rng, rate):
    """Add noise of one spectrum under an envelope; `level_db` is its RMS where the envelope is 1."""
    first, length = int(round(start_s * rate)), len(envelope)
    size = fft.next_fast_len(length + 512, real=True)
    gain = noise_gain(spectrum, np.arange(size // 2 + 1) * (rate / size), shift)
    # A slow random ripple of the spectrum, so no two sounds of a kind are alike.
    ripple_db = np.interp(np.arange(len(gain)), np.linspace(0, len(gain), 24), 1.5 * rng.standard_normal(24))
    gain = gain * 10.0 ** (ripple_db / 20.0)
    noise = fft.irfft(fft.rfft(rng.standard_normal(size)) * gain, size)[:length]
    noise *= 10.0 ** (level_db / 20.0) / np.sqrt((gain**2).mean())
    low, high = max(first, 0), min(first + length, len(out))
    if high > low:
        out[low:high] += (noise * envelope)[low - first : high - first]


def _hump(length_s, rise_s, fall_s, rate):
    """Envelope that rises and falls along half cosines, shape (length_s·rate,)."""
    t = np.arange(max(int(round(length_s * rate)), 2)) / rate
    rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(t / rise_s, 0, 1))
    return rise * (0.5 - 0.5 * np.cos(np.pi * np.clip((t[-1] - t) / fall_s, 0, 1)))
