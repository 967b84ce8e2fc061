"""The invented band behind the singer: drums, bass and chords, made from sines and noise."""

from __future__ import annotations

import numpy as np
from scipy import fft
from scipy.signal import butter, sosfilt

from vocomp_lab.singer.score import midi_to_hz
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.seeded import stream

# Notes of each chord (MIDI) as the keys play them, and the bass note.
_CHORDS = {
    "Am7": ((57, 60, 64, 67), 45),
    "Am": ((57, 60, 64, 69), 45),
    "C": ((55, 60, 64, 67), 48),
    "F": ((57, 60, 65, 69), 41),
    "G": ((55, 59, 62, 67), 43),
}


def play(
    chords, beat_s: float, lead_in_s: float, length_s: float, seed: int, rate: int = 48_000, swells_db=None
) -> tuple[Clip, dict]:
    """One chord a bar of four beats, with drums, bass and keys, after a lead-in of hi-hat; the last chord rings out.

    Parameters
    ----------
    chords : sequence of str
        Names: Am, Am7, C, F, G.
    beat_s, lead_in_s, length_s : float
        Length of a beat, of the lead-in before the first bar, and of the whole, in seconds.
    seed : int
        Draws the small irregularities of time and force.
    rate : int
        Samples per second.
    swells_db : sequence of float, optional
        For each chord, how much more than usual everybody plays in its bar; by default nothing.

    Returns
    -------
    clip : Clip
        Stereo, shape (frames, 2).
    truth : dict
        Chords and drum hits, with their times in seconds.
    """
    for name in chords:
        if name not in _CHORDS:
            raise ValueError(f"chords: {name!r} is not allowed; give one of {', '.join(_CHORDS)}.")
    rng = stream(seed, "band")
    frames = int(round(length_s * rate))
    dry, wet = np.zeros((frames, 2)), np.zeros((frames, 2))
    swells = np.ones(len(chords)) if swells_db is None else 10.0 ** (np.asarray(swells_db, float) / 20.0)
    swell = 1.0
    hits = {"kick": [], "snare": [], "hat": []}

    def add(sound, start_s, gain, place=0.0, room=0.0):
        first = int(round(start_s * rate))
        part = sound[: max(frames - first, 0)]
        # Equal-power panning: `place` −1 left to 1 right.
        sides = swell * gain * np.array([np.cos((place + 1) * np.pi / 4), np.sin((place + 1) * np.pi / 4)])
        dry[first : first + len(part)] += part[:, None] * sides
        wet[first : first + len(part)] += room * part[:, None] * sides

    def hit(drum, start_s, force):
        start_s = max(0.0, start_s + 0.003 * rng.standard_normal())
        force *= 1.0 + 0.08 * rng.standard_normal()
        sound = {"kick": _kick, "snare": _snare, "hat": _hat}[drum](rate, rng)
        add(
            sound,
            start_s,
            force,
            {"kick": 0.0, "snare": 0.08, "hat": 0.35}[drum],
            {"kick": 0.02, "snare": 0.25, "hat": 0.08}[drum],
        )
        hits[drum].append(round(float(start_s), 4))

    for beat in np.arange(lead_in_s % (beat_s / 2), lead_in_s - 1e-6, beat_s / 2):
        hit("hat", beat, 0.05)
    named = []
    for bar, name in enumerate(chords):
        start, swell = lead_in_s + bar * 4 * beat_s, swells[bar]
        last = bar == len(chords) - 1
        end = length_s if last else start + 4 * beat_s
        named.append({"chord": name, "start_s": round(float(start), 4), "end_s": round(float(end), 4)})
        notes, root = _CHORDS[name]
        if last:
            hit("kick", start, 0.30)
            add(_bass(midi_to_hz(root), length_s - start, rate), start, 0.17)
            _strum(add, notes, start, length_s - start, 0.035, rate, rng)
            continue
        for eighth in range(8):
            hit("hat", start + eighth * beat_s / 2, 0.055 if eighth % 2 == 0 else 0.034)
        for beat in (0.0, 1.5, 2.5) if bar % 2 else (0.0, 2.5):
            hit("kick", start + beat * beat_s, 0.30 if beat == 0.0 else 0.24)
        for beat in (1, 3):
            hit("snare", start + beat * beat_s, 0.16)
        for beat, length, step in ((0.0, 1.4, 0), (1.5, 0.9, 0), (2.5, 0.9, 7), (3.5, 0.5, 0)):
            add(
                _bass(midi_to_hz(root + (step if root + step < 53 else step - 12)), length * beat_s, rate),
                start + beat * beat_s,
                0.17,
            )
        for beat, length, force in ((0.0, 2.4, 0.033), (2.5, 1.5, 0.026)):
            _strum(add, notes, start + beat * beat_s, length * beat_s, force, rate, rng)
    mix = dry + _room(wet, rate, seed)
    fade = np.clip((frames - np.arange(frames)) / (0.35 * rate), 0, 1)
    return Clip(mix * (0.5 - 0.5 * np.cos(np.pi * fade))[:, None], rate), {"chords": named, "drums": hits}


def _decay(length_s, rate):
    return np.arange(int(length_s * rate)) / rate


def _kick(rate, rng):
    t = _decay(0.7, rate)
    fall = 2.0 * np.pi * (48.0 * t + 75.0 * 0.028 * (1.0 - np.exp(-t / 0.028)))
    click = 0.12 * rng.standard_normal(len(t)) * np.exp(-t / 0.003)
    return np.sin(fall) * np.exp(-t / 0.11) * np.minimum(t / 0.002, 1.0) + click


def _snare(rate, rng):
    t = _decay(0.5, rate)
    shell = 0.5 * np.sin(2 * np.pi * 188 * t) * np.exp(-t / 0.055) + 0.25 * np.sin(2 * np.pi * 331 * t) * np.exp(
        -t / 0.035
    )
    wires = sosfilt(butter(2, (1400, 0.19 * rate), "bandpass", fs=rate, output="sos"), rng.standard_normal(len(t)))
    return (shell + 0.75 * wires * np.exp(-t / 0.075)) * np.minimum(t / 0.001, 1.0)


def _hat(rate, rng):
    t = _decay(0.14, rate)
    return sosfilt(
        butter(3, min(7500, 0.35 * rate), "highpass", fs=rate, output="sos"), rng.standard_normal(len(t))
    ) * np.exp(-t / 0.018)


def _bass(freq_hz, length_s, rate):
    t = _decay(length_s, rate)
    tone = sum(np.sin(2 * np.pi * k * freq_hz * t) * np.exp(-t * (0.9 + 1.1 * k)) / k**1.3 for k in range(1, 9))
    return tone * np.minimum(t / 0.006, 1.0) * np.clip((length_s - t) / 0.05, 0.0, 1.0)


def _strum(add, notes, start_s, length_s, force, rate, rng):
    """Keys: each note is a few decaying partials, spread across the stereo image."""
    t = _decay(length_s, rate)
    release = np.clip((length_s - t) / 0.12, 0.0, 1.0) * np.minimum(t / 0.004, 1.0)
    partials = ((1.0, 1.0, 1.3), (2.0, 0.42, 0.9), (3.0, 0.16, 0.6), (4.0, 0.07, 0.45), (7.0, 0.05, 0.10))
    for index, note in enumerate(notes):
        freq = midi_to_hz(note) * (1.0 + 0.0004 * rng.standard_normal())
        tone = sum(part * np.sin(2 * np.pi * ratio * freq * t) * np.exp(-t / ring) for ratio, part, ring in partials)
        place = 0.5 * (2.0 * index / (len(notes) - 1) - 1.0)
        add(tone * release, start_s + 0.006 * index, force * (1.0 + 0.1 * rng.standard_normal()), place, 0.35)


def _room(sound, rate, seed):
    """A small room: 0.8 s of decaying noise, different on either side, through an FFT."""
    rng = stream(seed, "room")
    t = _decay(0.8, rate)
    tail = rng.standard_normal((len(t), 2)) * (np.exp(-t / 0.16) * np.minimum(t / 0.012, 1.0))[:, None]
    tail = sosfilt(butter(1, 4500, fs=rate, output="sos"), tail, axis=0)
    tail /= np.sqrt((tail**2).sum(axis=0))
    size = fft.next_fast_len(len(sound) + len(t), real=True)
    out = [
        fft.irfft(fft.rfft(sound[:, side], size) * fft.rfft(tail[:, side], size), size)[: len(sound)] for side in (0, 1)
    ]
    return np.stack(out, axis=1)
