"""The sounds of one trial of ear practice: a short stretch of a voice, treated so that only what is asked differs.

Each maker takes a stretch, the size of the difference and a source of chance, and returns a :class:`Trial`. All sounds of a
trial are equally loud. The drills that use them: :mod:`vocomp_lab.lessons.drills`.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import MEASURES, Change
from vocomp_lab.analysis.meters import active_mask, reduction_stats
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.processors.character import character
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import Peaking
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import db_to_amplitude, sample_peak_dbfs, step_powers
from vocomp_lab.sound.text import decibels

LOUDNESS_LUFS = -24.0
"""All sounds of all trials, unless their peaks don't fit."""
_HEADROOM_DB = 1.0
FAST_ATTACK_MS, FAST_RELEASE_MS = 3.0, 40.0
LIGHT_DB = 1.5
"""The reduction of the one that is compressed less."""
DEEP_DB = 9.0
"""The reduction at which attacks and releases are compared: all but the loudest twentieth of the singing has less."""
RINGS_HZ = (400, 800, 1600, 3200)
RING_Q = 8.0
TYPES = {"vca": "VCA", "fet": "FET", "opto": "opto", "tube": "tube"}
PEAKS_SHARE_PERCENT, STEADY_SHARE_PERCENT = 12.0, 90.0
"""How much of the time the two ways of compressing act: less and more than the goals of lessons 04 and 05 ask for."""
_MIDDLE = 0.35, 0.65
_STEP_MS = 20.0
_CROSSFADE_MS = 15.0


@dataclass(frozen=True)
class Trial:
    """One question to the ear.

    Attributes
    ----------
    sounds : dict of str to Clip
        By track: "before", "after", or "a", "b" and "c". Equally loud.
    answers : tuple of str
        What can be answered.
    right : str
        The answer that is right.
    told : str
        What was in it, for after the answer.
    """

    sounds: dict[str, Clip] = field(repr=False)
    answers: tuple[str, ...]
    right: str
    told: str


def equally_loud(sounds: dict[str, Clip]) -> dict[str, Clip]:
    """The same sounds, all at ``LOUDNESS_LUFS``; if the peaks of one don't fit then, all are turned down alike."""
    first = next(iter(sounds.values()))
    reference = first.gained(LOUDNESS_LUFS - integrated_lufs(first))
    matched = {name: match_loudness(clip, reference)[0] for name, clip in sounds.items()}
    over_db = max(sample_peak_dbfs(clip) for clip in matched.values()) + _HEADROOM_DB
    return {name: clip.gained(-over_db) for name, clip in matched.items()} if over_db > 0 else matched


def compressed_by(
    clip: Clip, compressor: Compressor, measure: str, wanted_db: float, at: tuple[str, float] = None
) -> Clip:
    """A clip compressed so that a measure of its reduction is exactly so many decibels.

    Parameters
    ----------
    clip : Clip
    compressor : Compressor
        Its threshold is found, then its reduction is scaled to what is wanted, which is the same as another ratio.
    measure : str
        Such as "median_db".
    wanted_db : float
    at : (str, float), optional
        A measure and what it shall come to for the threshold, if that is not the one that is wanted.
    """
    threshold_db = threshold_for(compressor, clip, *(at or (measure, wanted_db)), exact=False)
    reduction_db = dataclasses.replace(compressor, threshold_db=threshold_db).apply(clip).reduction_db
    measured = MEASURES[measure].of(Change(None, None, reduction_stats(reduction_db, active_mask(clip))))
    scaled = reduction_db * (wanted_db / measured if measured > 0 else 1.0)
    return clip.with_samples((clip.columns * db_to_amplitude(-scaled)[:, None]).reshape(clip.samples.shape))


_EVERYDAY = Compressor(-20, 4, 5, 100, 6)


def more(clip: Clip, size: float, random) -> Trial:
    """Which of two is compressed more, by so many decibels in the middle of the singing."""
    light, heavy = (compressed_by(clip, _EVERYDAY, "median_db", db) for db in (LIGHT_DB, LIGHT_DB + size))
    return _pair(light, heavy, random, f"{{right}} has {_db(LIGHT_DB + size)} of reduction, {{other}} {_db(LIGHT_DB)}.")


def attack(clip: Clip, size: float, random) -> Trial:
    """Which of two has the slower attack; `size` says how often it is doubled."""
    return _of_times(clip, size, random, "attack_ms", FAST_ATTACK_MS, "an attack")


def release(clip: Clip, size: float, random) -> Trial:
    """Which of two has the longer release; `size` says how often it is doubled."""
    return _of_times(clip, size, random, "release_ms", FAST_RELEASE_MS, "a release")


def _of_times(clip, size, random, which, fast_ms, what):
    slow_ms = fast_ms * 2**size
    fast, slow = (
        compressed_by(clip, dataclasses.replace(_EVERYDAY, **{which: time_ms}), "p95_db", DEEP_DB)
        for time_ms in (fast_ms, slow_ms)
    )
    return _pair(fast, slow, random, f"{{right}} has {what} of {in_ms(slow_ms)}, {{other}} one of {in_ms(fast_ms)}.")


def steady(clip: Clip, size: float, random) -> Trial:
    """Which of two is compressed all the time, the other only at its peaks, each by so many decibels at most."""
    peaks = compressed_by(clip, Compressor(-10, 10, 1, 60), "max_db", size, at=("share_percent", PEAKS_SHARE_PERCENT))
    always = compressed_by(
        clip, Compressor(-30, 2, 15, 250, 6), "max_db", size, at=("share_percent", STEADY_SHARE_PERCENT)
    )
    return _pair(
        peaks,
        always,
        random,
        f"{{right}} is compressed all the time, {{other}} only at its peaks, both by {_db(size)} at most.",
    )


def different(clip: Clip, size: float, random) -> Trial:
    """Which of three is not like the other two: it is compressed, by so many decibels in the middle of the singing."""
    odd = int(random.integers(3))
    treated = compressed_by(clip, _EVERYDAY, "median_db", size)
    sounds = {name: treated if place == odd else clip for place, name in enumerate("abc")}
    return Trial(
        equally_loud(sounds),
        ("A", "B", "C"),
        "ABC"[odd],
        f"{'ABC'[odd]} has {_db(size)} of reduction, the others none.",
    )


def level_steps(clip: Clip, size: float, random) -> Trial:
    """By how many decibels the second half is turned down: one, two or three steps of a size."""
    steps = int(random.integers(1, 4))
    _, powers = step_powers(clip, _STEP_MS)
    low, high = (round(edge * len(powers)) for edge in _MIDDLE)
    at_s = (low + int(np.argmin(powers[low:high])) + 0.5) * _STEP_MS / 1000  # in the softest place near the middle
    after = _turned(clip, at_s, clip.duration_s, -steps * size)
    answers = tuple(_db(k * size) for k in (1, 2, 3))
    told = f"From {at_s:.1f} s on it is turned down by {answers[steps - 1]}."
    return Trial(equally_loud({"before": clip, "after": after}), answers, answers[steps - 1], told)


def ring(clip: Clip, size: float, random) -> Trial:
    """Where a ring of so many decibels was added."""
    freq_hz = RINGS_HZ[int(random.integers(len(RINGS_HZ)))]
    after = Peaking(freq_hz, size, RING_Q).apply(clip)
    answers = tuple(f"{hz} Hz" for hz in RINGS_HZ)
    return Trial(
        equally_loud({"before": clip, "after": after}),
        answers,
        f"{freq_hz} Hz",
        f"A ring of {_db(size)} at {freq_hz} Hz.",
    )


def word(clip: Clip, size: float, random, words_s=()) -> Trial:
    """Which of three words was turned down by so many decibels."""
    place = int(random.integers(len(words_s)))
    after = _turned(clip, *words_s[place], -size)
    answers = ("first", "second", "third")[: len(words_s)]
    told = f"The {answers[place]} word is turned down by {_db(size)}."
    return Trial(equally_loud({"before": clip, "after": after}), answers, answers[place], told)


def kind(clip: Clip, size: float, random) -> Trial:
    """Which of the four types of compressor it is, at so many decibels in the middle of the singing."""
    name = tuple(TYPES)[int(random.integers(len(TYPES)))]
    made = character(name)
    made = dataclasses.replace(made, threshold_db=threshold_for(made, clip, "median_db", size))
    told = f"It is {TYPES[name]}, with about {_db(size)} of reduction."
    return Trial(
        equally_loud({"before": clip, "after": made.apply(clip).output}), tuple(TYPES.values()), TYPES[name], told
    )


def _pair(less: Clip, wanted: Clip, random, told: str) -> Trial:
    """Two sounds in an order drawn by chance; the one that is asked for is `wanted`."""
    first = bool(random.integers(2))
    sounds = {"a": wanted, "b": less} if first else {"a": less, "b": wanted}
    right, other = ("A", "B") if first else ("B", "A")
    return Trial(equally_loud(sounds), ("A", "B"), right, told.format(right=right, other=other))


def _turned(clip, start_s, end_s, gain_db):
    return ClipGain([GainRegion(start_s, end_s, gain_db)], crossfade_ms=_CROSSFADE_MS).apply(clip)


def in_ms(time_ms: float) -> str:
    """A time as it is told."""
    return f"{time_ms:.{1 if time_ms < 10 and time_ms % 1 else 0}f} ms"


def _db(size: float) -> str:
    return f"{decibels(size)} dB"
