"""Homework beside lesson ``01_levels_and_meters``: decibels, meters, trim, and what a compressor's threshold sees."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal, decibels
from vocomp_lab.exercises.tasks import Diagnose, FindIt, HearIt, SetIt, Task, WorkOut, WriteIt, as_code
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.faults import LoudWord
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import amplitude_to_db, rms_dbfs, sample_peak_dbfs

TITLE = "Levels and meters"


_VERSES = ("lesson_verse_faulty", "second_verse_faulty")
_THREE_LINES_S = (4.0, 14.6)


@cache
def _take(name: str):
    return shipped(name)


def _lines(name: str) -> Clip:
    """The last three lines of a verse: enough to measure, and quick."""
    return _take(name).clip.cut(*_THREE_LINES_S)


@cache
def _loudness(name: str) -> float:
    return integrated_lufs(_lines(name))


def _amplitude(draw):
    amplitude = draw.step(0.03, 0.45, 0.01)
    answer = amplitude_to_db(amplitude)
    return WorkOut(
        prompt=f"The largest sample of a take has the magnitude **{amplitude:.2f}**. What is its sample peak in dBFS?",
        answer=answer,
        unit="dBFS",
        tolerance=0.1,
        mistakes={"ten_for_twenty": answer / 2, "sign": -answer},
        hints=(
            "dBFS compares an amplitude with full scale, which is 1.",
            "20·log₁₀ of the magnitude; in Python `20 * math.log10(…)`.",
        ),
        solution=f"20·log₁₀({amplitude:.2f}) = {decibels(answer, 2)} dBFS. Below full scale a level is negative.",
    )


def _trimmed(draw):
    peak, crest, trim = draw.step(-9, -2, 0.5), draw.step(13, 20, 0.5), draw.step(-9, -3, 0.5)
    answer = peak - crest + trim
    return WorkOut(
        prompt=f"A take peaks at **{decibels(peak)} dBFS** and has a crest factor of **{crest:g} dB**. Then its trim "
        f"is set to **{decibels(trim)} dB**. What is its RMS level after that?",
        answer=answer,
        unit="dBFS",
        tolerance=0.1,
        mistakes={
            "gain_left_out": peak - crest,
            "crest_added": peak + crest + trim,
            "inverted": peak - crest - trim,
            "sign": -answer,
        },
        hints=(
            "The crest factor is peak minus RMS.",
            "A trim moves peak and RMS by as much, and leaves the crest factor alone.",
        ),
        solution=f"RMS = peak − crest factor = {decibels(peak)} − {crest:g} = {decibels(peak - crest)} dBFS; with the "
        f"trim {decibels(peak - crest)} − {-trim:g} = **{decibels(answer)} dBFS**.",
    )


_RMS_START = '''def rms_level(samples):
    """RMS level of an array of samples, in dBFS."""
    ...
'''
_RMS_MODEL = '''def rms_level(samples):
    """RMS level of an array of samples, in dBFS."""
    return 20 * np.log10(np.sqrt(np.mean(samples ** 2)))
'''


def _rms(draw):
    calls = []
    for place in range(5):
        rate = 8000
        t = np.arange(400 + 200 * place) / rate
        wave = np.sin(2 * np.pi * draw.step(80, 900, 10) * t) ** draw.choice((1, 3))
        calls.append((draw.step(0.05, 0.9, 0.01) * wave + draw.step(-0.05, 0.05, 0.01),))
    return WriteIt(
        prompt="Write the function that a meter for RMS is: it takes an array of samples (one channel, full scale is "
        "1) and returns the RMS level in dBFS. `np` and `math` are at hand.",
        start=_RMS_START,
        calls=tuple(calls),
        right=lambda x: 10 * math.log10(np.mean(x * x)),
        tolerance=0.01,
        model=_RMS_MODEL,
        mistakes={
            "no_root": lambda x: 20 * math.log10(np.mean(x * x)),
            "ten_for_twenty": lambda x: 10 * math.log10(math.sqrt(np.mean(x * x))),
            "mean_for_rms": lambda x: 20 * math.log10(np.mean(np.abs(x))),
        },
        hints=(
            "Square, take the mean, take the root: read RMS from right to left.",
            "Then 20·log₁₀ of it, as of any amplitude.",
        ),
        solution="Root of the mean of the squares, then into decibels:\n\n" + as_code(_RMS_MODEL),
    )


def _loud_word(draw):
    take = _take(draw.choice(("lesson_verse_clean", "second_verse_clean")))
    # Long enough to be found, and softer than the loudest as it was sung, so that the boost and not the melody makes
    # it stand out.
    words = [w for w in take.truth["words"] if w["end_s"] - w["start_s"] > 0.35]
    words = sorted(words, key=lambda w: -w["level_clean_dbfs"])[: len(words) // 2]
    word, gain_db = draw.choice(words), draw.step(10, 12, 0.5)
    trim_db = draw.step(-12, -6, 0.5)

    def clip() -> Clip:
        fault = LoudWord(0, word["text"], word["start_s"], word["end_s"], gain_db)
        return fault.apply(take.clip).gained(trim_db)

    return FindIt(
        prompt="In this verse one word was sung far too loud. Look at the picture, listen, and give a time that lies "
        "within it.",
        clip=clip,
        windows=((word["start_s"], word["end_s"], f"“{word['text']}”"),),
        unit="s",
        hints=(
            "Look for the word whose RMS stands out, not only its peak: it is thick in the waveform.",
            "Compare words near each other: which one is more than twice as tall as its neighbours?",
        ),
        solution=f"“{word['text']}” from {word['start_s']:.2f} to {word['end_s']:.2f} s was turned up by {gain_db:g} "
        f"dB.",
    )


def _trim(draw):
    name, target = draw.choice(_VERSES), draw.step(-27, -21, 0.5)
    off_db = draw.step(-14, 4, 0.5)

    def clip() -> Clip:
        return _lines(name).gained(off_db)

    asked_db = target - _loudness(name) - off_db

    def by_peak(processor, change) -> bool:
        return abs(change.after.peak_dbfs - target) < 0.4

    return SetIt(
        prompt=f"Trim this take to an integrated loudness of **{decibels(target)} LUFS**, within 0.3 LU.",
        clip=clip,
        start=Gain(0),
        goals=(Goal("loudness_lufs", low=target - 0.3, high=target + 0.3),),
        candidates=lambda: [Gain(round(asked_db, 2))],
        mistakes={"peak_for_loudness": by_peak},
        hints=(
            "The line under the bench says how loud the take is now.",
            "A gain moves the loudness by just as many LU: the gain is what is missing.",
        ),
        solution=f"The take has {decibels(target - asked_db)} LUFS, so {decibels(target)} LUFS takes "
        f"{decibels(asked_db, sign=True)} dB.",
    )


def _staging(draw):
    threshold, off_db = draw.choice((-20, -18, -16)), draw.choice((-13, -12, -11, 6, 7, 8))
    behind = Compressor(threshold_db=threshold, ratio=3, attack_ms=3, release_ms=80)

    def clip() -> Clip:
        return _lines("lesson_verse_faulty").gained(off_db)

    return SetIt(
        prompt=f"Behind the trim sits a compressor with a threshold of {decibels(threshold, 0)} dBFS, and you may not "
        f"touch it. Set the **trim** so that it acts in 5 to 15 % of the sung time.",
        clip=clip,
        start=Gain(0),
        then=behind,
        goals=(Goal("share_percent", low=5, high=15),),
        candidates=lambda: [Gain(threshold + near_db - off_db) for near_db in range(13, 21)],
        mistakes={"never_lets_go": lambda processor, change: change.reduction.share > 0.6},
        hints=(
            "A threshold knows dBFS only: what counts is the distance from the level to it.",
            "Acts too much? Less trim. Not at all? More.",
        ),
        solution=f"This take was recorded {decibels(off_db, 0, sign=True)} dB away from the workbook's verse; a trim "
        f"that undoes most of that brings it back to where the compressor acts on its loudest moments only.",
    )


@cache
def _levels(threshold_db: float | None = None) -> tuple[float, float, float]:
    """Peak, RMS and loudness of the clean take, as it is or compressed; a gain moves all three alike."""
    clip = _lines("lesson_verse_clean")
    if threshold_db is not None:
        clip = Compressor(threshold_db, 8, 0.05, 60).apply(clip).output
    return sample_peak_dbfs(clip), rms_dbfs(clip), integrated_lufs(clip)


def _meters(draw):
    as_it_is, squeezed = _levels(), _levels(draw.choice((-22, -21, -20)))
    up_db = draw.step(3, 6, 0.5)
    # Made up again until its peak is about that of the take, so that the peak gives nothing away.
    makeup_db = as_it_is[0] - squeezed[0] - draw.step(0, 3, 0.5)
    names = draw.shuffled("abc")
    levels = dict(
        zip(names, (as_it_is, [level + up_db for level in as_it_is], [level + makeup_db for level in squeezed]))
    )
    rows = "\n".join(
        f"    {name}:  peak {decibels(peak):>6} dBFS   RMS {decibels(rms):>6} dBFS   loudness {decibels(loud):>6} LUFS"
        for name, (peak, rms, loud) in sorted(levels.items())
    )
    crest_db = {name: peak - rms for name, (peak, rms, _) in levels.items()}
    return Diagnose(
        prompt=f"Three versions of one take, measured. One is as recorded, one was only turned up, one went through a "
        f"fast compressor and a gain. Which one was **compressed**?\n\n{rows}",
        choices={"a": "version a", "b": "version b", "c": "version c"},
        answer=names[2],
        why_not={
            names[0]: f"Its crest factor is {crest_db[names[0]]:.1f} dB, as that of another one is: a gain leaves it "
            f"alone, a compressor doesn't.",
        },
        mistakes={"peak_only": names[1]},
        hints=(
            "Work out peak minus RMS for each.",
            "Two of them have the same crest factor: those differ by a gain only.",
        ),
        solution=f"Crest factors: as recorded and turned up {crest_db[names[0]]:.1f} dB, compressed "
        f"{crest_db[names[2]]:.1f} dB. A gain changes levels and not the crest factor; so version {names[2]} is the "
        f"one.",
    )


def _game(draw):
    return HearIt(
        prompt="Play the guessing game of the lesson for at least five rounds, and guess the loudness in each.",
        rounds=5,
        hints=("The ear compares: how much softer than the stretch that you know is it?",),
        solution="There is no right answer here; most people come closer from round to round.",
    )


TASKS = (
    Task("amplitude", "From samples to decibels", _amplitude),
    Task("trimmed", "Peak, crest factor, trim", _trimmed),
    Task("rms_level", "Write a meter", _rms, points=2),
    Task("loud_word", "One word too loud", _loud_word),
    Task("loudness", "Trim to a loudness", _trim),
    Task("staging", "What the threshold sees", _staging, points=2),
    Task("versions", "Which one was compressed?", _meters),
    Task("game", "Guess, then measure", _game),
)
