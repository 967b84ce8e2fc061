"""Takes of recorded people with faults of known size: what finds or proposes is judged on takes of these that nothing was tuned on.

Spoken takes are single words by volunteers, recorded at home (Debian's ``ktuberling-data``); sung ones are scores sung with
recorded diphones (Debian's ``festival`` with ``festvox-kallpc16k``). Words, scores and faults are drawn from seeds. Seeds
below ``HELD_OUT`` and the languages of ``TO_TUNE`` may be used while a finder is made; tests use other seeds, of all five languages.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
from conftest import IN_CI, PROJECT, need_program
from scipy.signal import lfilter, resample_poly

from vocomp_lab.processors.filters import Peaking
from vocomp_lab.singer.faults import Pops
from vocomp_lab.sound.audio import Clip

TO_TUNE, TO_JUDGE = ("en", "lt", "uk"), ("fr", "de")
HELD_OUT = 1_000
"""Seeds from here on are for judging only."""
FAULTS = ("loud word", "quiet phrase", "rumble", "pops", "ring")
LOUD_DB, QUIET_DB = 7.0, -6.0
RING = Peaking(400.0, 6.0, 4.0)
NOISE_DBFS, RUMBLE_DBFS, VOICE_DBFS = -68.0, -50.0, -24.0
RATE = 44_100
SPOKEN = Path("/usr/share/ktuberling/sounds")
SUNG = PROJECT / ".pytest_cache" / "sung"
_SHORTEST_S, _LONGEST_S = 0.25, 1.5
_STEP_S = 0.01
# Made up for these takes: any words will do, of one to three syllables.
_SUNG_WORDS = (
    ("harbour", 2), ("lantern", 2), ("slow", 1), ("water", 2), ("over", 2), ("morning", 2), ("home", 1), ("silver", 2),
    ("rain", 1), ("window", 2), ("evening", 2), ("tide", 1), ("open", 2), ("road", 1), ("garden", 2), ("blue", 1),
    ("carry", 2), ("light", 1), ("remember", 3), ("sail", 1), ("under", 2), ("moon", 1), ("letter", 2), ("gone", 1),
)  # fmt: skip
# From 98 to 294 Hz: the program calls 440 Hz A5. A score keeps to nine of them in a row.
_NOTES = ("G3", "A3", "B3", "C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5", "D5")
_NOTES_OF_A_SCORE = 9
_TELL_WORDS = """(voice_kal_diphone)
(define (tell utt)
  (mapcar (lambda (word) (format stderr "WORD %f %f\\n" (item.feat word "word_start") (item.feat word "word_end")))
    (utt.relation.items utt 'Word)) utt)
(set! after_synth_hooks (list tell))
"""


@dataclass(frozen=True, eq=False)
class Recorded:
    """A take and its truth.

    Attributes
    ----------
    clip : Clip
    words : ndarray, shape (words, 2)
        Start and end in seconds.
    phrase : ndarray of int, shape (words,)
        Number of each word's phrase.
    planted_db : ndarray, shape (words,)
        How much too loud each word was made.
    ring : Peaking or None
    pops_s : tuple of float
    """

    clip: Clip
    words: np.ndarray
    phrase: np.ndarray
    planted_db: np.ndarray
    ring: Peaking | None
    pops_s: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class _Ready:
    """A take before its faults, and those that are drawn for it: it is asked for with one set of faults after another."""

    samples: np.ndarray
    rate: int
    words: np.ndarray
    phrase: np.ndarray
    quiet: int
    loud: int
    noise: np.ndarray
    rumble: np.ndarray
    pops: Pops


def spoken(language: str, seed: int, faults=FAULTS) -> Recorded:
    """Four phrases of 3 to 5 words by one volunteer; skips (in CI: fails) where the recordings are missing."""
    return _faulty(_spoken(language, seed), faults)


def sung(seed: int, faults=FAULTS) -> Recorded:
    """Four lines of 3 to 5 words sung with recorded diphones; skips (in CI: fails) where the program is missing."""
    return _faulty(_sung(seed), faults)


@functools.lru_cache(maxsize=4)
def _spoken(language: str, seed: int) -> _Ready:
    rng = np.random.default_rng([seed, *language.encode()])
    counts = rng.integers(3, 6, 4)
    gap_s = rng.uniform(0.03, 0.2)
    measure = _measure(rng)
    every = _words_of(language)
    picked = [every[k] for k in rng.permutation(len(every))[: counts.sum()]]
    parts, words, phrase, at = [np.zeros(int(0.6 * RATE))], [], [], int(0.6 * RATE)
    for number, sound in enumerate(picked):
        sound = sound * 10 ** ((VOICE_DBFS + rng.uniform(-1, 1) - measure(sound)) / 20)
        words.append((at / RATE, (at + len(sound)) / RATE))
        phrase.append(int(np.searchsorted(np.cumsum(counts), number, side="right")))
        ends = number + 1 in np.cumsum(counts)
        gap = np.zeros(int((rng.uniform(0.5, 1.0) if ends else gap_s * rng.uniform(0.6, 1.4)) * RATE))
        parts += [sound, gap]
        at += len(sound) + len(gap)
    return _ready(np.concatenate(parts), RATE, np.array(words), np.array(phrase), rng)


@functools.lru_cache(maxsize=4)
def _sung(seed: int) -> _Ready:
    rng = np.random.default_rng([seed, 99])
    counts = rng.integers(3, 6, 4)
    order = rng.permutation(len(_SUNG_WORDS))[: counts.sum()]
    bpm, lines, number, note = rng.integers(45, 90), [], 0, rng.integers(2, 6)
    lowest, measure = rng.integers(0, len(_NOTES) - _NOTES_OF_A_SCORE + 1), _measure(rng)
    for count in counts:
        for _ in range(count):
            text, syllables = _SUNG_WORDS[order[number]]
            notes, beats = [], []
            for _ in range(syllables):
                note = int(np.clip(note + rng.integers(-2, 3), 0, _NOTES_OF_A_SCORE - 1))
                notes.append(_NOTES[lowest + note])
                beats.append(str(rng.choice([0.5, 0.75, 1.0, 1.5])))
            lines.append(
                f'<PITCH NOTE="{",".join(notes)}"><DURATION BEATS="{",".join(beats)}">{text}</DURATION></PITCH>'
            )
            number += 1
        lines.append(f'<REST BEATS="{rng.uniform(1.5, 2.5):.2f}"></REST>')
    samples, rate, words = _sing(f'<SINGING BPM="{bpm}">\n' + "\n".join(lines) + "\n</SINGING>")
    phrase = np.repeat(np.arange(4), counts)
    lead = int(0.6 * rate)
    samples, words = np.concatenate([np.zeros(lead), samples, np.zeros(lead)]), words + 0.6
    gains = []
    for start, end in words:
        gains.append(VOICE_DBFS + rng.uniform(-1, 1) - measure(samples[int(start * rate) : int(end * rate)]))
    samples = samples * 10 ** (_steps(words, gains, len(samples), rate) / 20)
    return _ready(samples, rate, words, phrase, rng)


def cases(count_spoken: int, count_sung: int, first: int = HELD_OUT) -> list[tuple]:
    """Keys of takes to judge on: (language or "sung", seed)."""
    languages = (*TO_JUDGE, *TO_TUNE)
    return [(languages[k % len(languages)], first + k) for k in range(count_spoken)] + [
        ("sung", first + k) for k in range(count_sung)
    ]


@functools.lru_cache(maxsize=64)
def recorded(kind: str, seed: int, faults=FAULTS) -> Recorded:
    """A take by its key of :func:`cases`."""
    return sung(seed, faults) if kind == "sung" else spoken(kind, seed, faults)


def need_voices(language: str) -> Path:
    """The folder of a language's recordings. Where it is missing the test skips and says so; with CI=true it fails."""
    folder = SPOKEN / language
    if not folder.is_dir():
        message = "Debian's package 'ktuberling-data' is not installed, and this test needs its recorded words"
        if IN_CI:
            pytest.fail(message)
        pytest.skip(message)
    return folder


def _ready(samples, rate, words, phrase, rng) -> _Ready:
    quiet = int(rng.integers(4))
    loud = int(rng.choice(np.flatnonzero(phrase != quiet)))
    noise = lfilter([1.0], [1.0, -0.9], rng.standard_normal(len(samples) + 1_000))[1_000:]
    noise *= 10 ** (NOISE_DBFS / 20) / np.sqrt(np.mean(noise**2))
    low = rng.standard_normal(len(samples) + rate)
    for _ in range(3):
        low = lfilter([1.0], [1.0, -np.exp(-2 * np.pi * 25 / rate)], low)
    low = low[rate:] * 10 ** (RUMBLE_DBFS / 20) / np.sqrt(np.mean(low[rate:] ** 2))
    chosen = np.sort(rng.permutation(len(words))[:4])
    pops = Pops(tuple(words[chosen, 0]), tuple(rng.uniform(40, 65, 4)), tuple(rng.uniform(-20, -15, 4)))
    for values in (samples, words, phrase):
        values.setflags(write=False)
    return _Ready(samples, rate, words, phrase, quiet, loud, noise, low, pops)


def _faulty(ready: _Ready, faults) -> Recorded:
    words, phrase = ready.words, ready.phrase
    planted_db = np.zeros(len(words))
    if "quiet phrase" in faults:
        planted_db[phrase == ready.quiet] = QUIET_DB
    if "loud word" in faults:
        planted_db[ready.loud] = LOUD_DB
    samples = ready.samples
    if planted_db.any():
        samples = samples * 10 ** (_steps(words, planted_db, len(samples), ready.rate) / 20)
    samples = samples + ready.noise
    if "rumble" in faults:
        samples = samples + ready.rumble
    clip = Clip(samples, ready.rate)
    pops_s = ()
    if "pops" in faults:
        clip, pops_s = ready.pops.apply(clip), ready.pops.times_s
    ring = None
    if "ring" in faults:
        ring = RING
        clip = ring.apply(clip)
    return Recorded(clip, words, phrase, planted_db, ring, pops_s)


def _steps(words, gains_db, frames, rate):
    """A gain for every frame: each word's own, with straight fades of 10 ms centred on its ends."""
    times = np.arange(frames) / rate
    edges = [(start, end, level) for (start, end), level in zip(words, gains_db)]
    points, values = [0.0], [0.0]
    for k, (start, end, level) in enumerate(edges):
        after = edges[k + 1][0] if k + 1 < len(edges) else np.inf
        points += [start + 0.005, end - 0.005]
        values += [level, level]
        if after - end > 0.02:
            points += [end + 0.005, min(after, times[-1] + 1) - 0.005]
            values += [0.0, 0.0]
    return np.interp(times, points, values)


@functools.lru_cache(maxsize=8)
def _words_of(language: str) -> list[np.ndarray]:
    """The single words of a volunteer, trimmed to where they are loud, at ``RATE``."""
    found = []
    for path in sorted(need_voices(language).iterdir()):
        if path.suffix not in (".ogg", ".wav"):
            continue
        samples, rate = soundfile.read(path, always_2d=True)
        mono = sum(samples.T) / samples.shape[1]  # far quicker than a mean over so short an axis
        if rate != RATE:
            mono = resample_poly(mono, RATE, rate)
        word = _trimmed(mono, RATE)
        if _SHORTEST_S <= len(word) / RATE <= _LONGEST_S:
            found.append(word)
    return found


def _trimmed(samples, rate):
    levels = _levels_db(samples, rate)
    loud = np.flatnonzero(levels > levels.max() - 35)
    step = int(_STEP_S * rate)
    first, last = max(int(loud[0]) - 1, 0) * step, (int(loud[-1]) + 2) * step
    word = samples[first:last].copy()
    fade = np.linspace(0, 1, int(0.005 * rate))
    word[: len(fade)] *= fade
    word[-len(fade) :] *= fade[::-1]
    return word


def _levels_db(samples, rate):
    step = int(_STEP_S * rate)
    whole = samples[: len(samples) // step * step].reshape(-1, step)
    return 10 * np.log10(np.mean(whole**2, axis=1) + 1e-12)


def _measure(rng):
    """How the words of a take are brought to one level: by their RMS, or by that of their loud part."""
    return _gated_db if rng.random() < 0.5 else lambda sound: 10 * np.log10(np.mean(sound**2))


def _gated_db(samples):
    """Level of what lies within 10 dB of the mean: the loud part of a word."""
    step = 441
    powers = np.mean(samples[: len(samples) // step * step].reshape(-1, step) ** 2, axis=1)
    return 10 * np.log10(powers[powers > powers.mean() / 10].mean() + 1e-12)


@functools.lru_cache(maxsize=64)  # a seed is asked for with one fault and with another, and is sung alike
def _sing(score: str) -> tuple[np.ndarray, int, np.ndarray]:
    """Samples, rate and the words' ends in seconds of a score; a word before a rest ends where it has died away."""
    text2wave = need_program("text2wave")
    # Kept on disk: several files judge on the same seeds.
    made_by = f"{score} {_TELL_WORDS} {Path(text2wave).stat().st_mtime_ns}"
    kept = SUNG / hashlib.sha256(made_by.encode()).hexdigest()[:16]
    if not kept.is_dir():
        _sing_to(kept, text2wave, score)
    samples, rate = soundfile.read(kept / "sung.wav")
    words = np.array(json.loads((kept / "words.json").read_text("utf-8")))
    levels = _levels_db(samples, rate)
    for word in words:
        inside = slice(int(word[0] / _STEP_S), int(word[1] / _STEP_S))
        loud = np.flatnonzero(levels[inside] > levels[inside].max() - 35)
        word[1] = word[0] + (loud[-1] + 1) * _STEP_S
    for values in (samples, words):
        values.setflags(write=False)
    return samples, rate, words


def _sing_to(kept: Path, text2wave: str, score: str) -> None:
    """Let the program sing a score, and keep the sound and when each word begins and ends: both or nothing."""
    kept.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=kept.parent) as folder:
        there = Path(folder)
        (there / "tell.scm").write_text(_TELL_WORDS)
        (there / "score.xml").write_text(
            '<?xml version="1.0"?>\n<!DOCTYPE SINGING PUBLIC "-//SINGING//DTD SINGING mark up//EN" '
            f'"Singing.v0_1.dtd" []>\n{score}\n'
        )
        command = [text2wave, "-eval", "tell.scm", "-mode", "singing", "score.xml", "-o", "sung.wav"]
        done = subprocess.run(command, cwd=there, capture_output=True, text=True, timeout=120, check=True)
        told = [line.split()[1:] for line in done.stderr.splitlines() if line.startswith("WORD")]
        (there / "words.json").write_text(json.dumps([[float(time) for time in word] for word in told]))
        with contextlib.suppress(OSError):  # another process was quicker
            there.rename(kept)
        there.mkdir(exist_ok=True)  # for the context, which takes it away again
