"""Homework beside lesson ``01_levels_and_meters``: decibels, meters, trim, and what a compressor's threshold sees."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.exercises.kinds import Diagnose, FindIt, HearIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import (
    CLEAN,
    FAULTY,
    LAST_THREE_LINES_S,
    louder,
    strong_words,
    table,
    take,
    turned,
    window,
)
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import amplitude_to_db, rms_dbfs, sample_peak_dbfs
from vocomp_lab.sound.text import decibels

TITLE = "Levels and meters"


@cache
def _lines(name: str) -> Clip:
    return take(name).clip.cut(*LAST_THREE_LINES_S)


@cache
def _loudness(name: str) -> float:
    return integrated_lufs(_lines(name))


def _amplitude(draw):
    amplitude = draw.step(0.03, 0.6, 0.001)
    answer = amplitude_to_db(amplitude)
    return WorkOut(
        prompt=f"The largest sample of a take has a magnitude of **{amplitude:.3f}**. What is its sample peak in dBFS?",
        answer=answer,
        unit="dBFS",
        tolerance=0.1,
        mistakes={"ten_for_twenty": answer / 2, "sign": -answer},
        hints=(
            "dBFS compares an amplitude with full scale, which is 1.",
            "20·log₁₀ of the magnitude; in Python, `20 * math.log10(…)`.",
        ),
        solution=f"20·log₁₀({amplitude:.3f}) = {decibels(answer, 2)} dBFS. Below full scale, levels are negative.",
    )


def _trimmed(draw):
    peak, crest, trim = draw.step(-9, -2, 0.5), draw.step(13, 20, 0.5), draw.step(-9, -3, 0.5)
    answer = peak - crest + trim
    return WorkOut(
        prompt=f"A take peaks at **{decibels(peak)} dBFS** and has a crest factor of **{crest:g} dB**. Then you trim it "
        f"by **{decibels(trim)} dB**. What is its RMS level after that?",
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
            "A trim moves peak and RMS by the same amount and leaves the crest factor alone.",
        ),
        solution=f"RMS = peak − crest factor = {decibels(peak)} − {crest:g} = {decibels(peak - crest)} dBFS. With the "
        f"trim, {decibels(peak - crest)} − {-trim:g} = **{decibels(answer)} dBFS**.",
    )


_RMS_START = '''def rms_level(samples):
    """RMS level of an array of samples, in decibels."""
    ...
'''
_RMS_MODEL = '''def rms_level(samples):
    """RMS level of an array of samples, in decibels."""
    heard = samples[SKIPPED:]
    return 20 * np.log10(np.sqrt(np.mean(heard ** 2)))PLUS
'''
_REFERENCES = {
    0.0: "in dBFS, where an RMS of 1 is 0",
    3.01: "counted from a sine at full scale: that one reads 0, so everything reads 3.01 dB higher than in dBFS",
    18.0: "counted from −18 dBFS, the level at which many desks read 0: −18 dBFS reads 0",
    20.0: "counted from −20 dBFS, a usual level for a voice: −20 dBFS reads 0",
}


def _rms(draw):
    above_db, skipped = draw.choice(list(_REFERENCES)), draw.choice((40, 50, 60, 80, 100, 120, 150))
    calls = []
    for place in range(5):
        rate = 8000
        t = np.arange(400 + 200 * place) / rate
        wave = np.sin(2 * np.pi * draw.step(80, 900, 10) * t) ** draw.choice((1, 3))
        # A click as the cable is plugged in: what is to be left out is no small part.
        wave = np.where(np.arange(len(t)) < skipped, draw.step(0.5, 0.9, 0.05), draw.step(0.05, 0.9, 0.01) * wave)
        calls.append((wave + draw.step(-0.05, 0.05, 0.01),))

    def level(x, shape=lambda heard: 10 * math.log10(np.mean(heard**2)), above=above_db):
        return shape(x[skipped:]) + above

    model = _RMS_MODEL.replace("SKIPPED", str(skipped)).replace("PLUS", f" + {above_db:g}" if above_db else "")
    mistakes = {
        "no_root": lambda x: level(x, lambda heard: 20 * math.log10(np.mean(heard**2))),
        "ten_for_twenty": lambda x: level(x, lambda heard: 10 * math.log10(math.sqrt(np.mean(heard**2)))),
        "natural_log": lambda x: level(x, lambda heard: 20 * math.log(math.sqrt(np.mean(heard**2)))),
        "mean_for_rms": lambda x: level(x, lambda heard: 20 * math.log10(np.mean(np.abs(heard)))),
        "start_left_in": lambda x: 10 * math.log10(np.mean(x**2)) + above_db,
    }
    if above_db:
        mistakes["reference_left_out"] = lambda x: level(x, above=0.0)
    return WriteIt(
        prompt="Write your own RMS meter: a function that takes an array of samples (one channel, full scale is 1) and "
        f"returns the RMS level, {_REFERENCES[above_db]}. The first **{skipped} samples** are the crack of a plug and don't "
        "count. You can use `np` and `math`.",
        start=_RMS_START,
        calls=tuple(calls),
        right=level,
        tolerance=0.01,
        model=model,
        mistakes=mistakes,
        hints=(
            f"`samples[{skipped}:]` leaves out the start. Square, take the mean, take the root: read “root mean square” from "
            "right to left.",
            "Then 20·log₁₀ of that, as for any amplitude."
            + (f" That is dBFS; to count from another level, add {above_db:g}." if above_db else ""),
        ),
        solution="The root of the mean of the squares, then into decibels:\n\n" + as_code(model),
    )


def _loud_word(draw):
    name = draw.choice(CLEAN)
    word, gain_db = draw.choice(strong_words(name)), draw.step(10, 12, 0.5)
    trim_db, turn = draw.step(-12, -6, 0.5), turned(draw, name)
    there = turn.item(word)
    return FindIt(
        prompt="One word in this verse was sung far too loud. Look at the picture, listen, and give a time within that "
        "word.",
        clip=lambda: turn.clip(louder(word, gain_db).apply(take(name).clip).gained(trim_db)),
        windows=(window(there),),
        unit="s",
        hints=(
            "Look for the word whose RMS stands out, not just its peak: it is thick in the waveform.",
            "Compare words that are close together: which one is more than twice as tall as its neighbours?",
        ),
        solution=f"“{word['text']}” from {there['start_s']:.2f} to {there['end_s']:.2f} s was turned up by {gain_db:g} "
        f"dB.",
    )


def _trim(draw):
    name, target = draw.choice(FAULTY), draw.step(-27, -21, 0.5)
    off_db = draw.step(-14, 4, 0.5)
    missing_db = target - _loudness(name) - off_db

    def by_peak(processor, change) -> bool:
        return abs(change.after.peak_dbfs - target) < 0.4

    return SetIt(
        prompt=f"Trim this take to an integrated loudness of **{decibels(target)} LUFS**, within 0.3 LU.",
        clip=lambda: _lines(name).gained(off_db),
        start=Gain(0),
        goals=(Goal("loudness_lufs", low=target - 0.3, high=target + 0.3),),
        candidates=lambda: [Gain(round(missing_db, 2))],
        mistakes={"peak_for_loudness": by_peak},
        hints=(
            "The line under the bench says how loud the take is now.",
            "A gain of 1 dB moves the loudness by 1 LU: the gain you need is what is missing.",
        ),
        solution=f"The take has {decibels(target - missing_db)} LUFS, so it needs {decibels(missing_db, sign=True)} dB to "
        f"reach {decibels(target)} LUFS.",
    )


# How much has to be added to a threshold to get the trim with which the verse acts on it as asked.
_OVER_DB = 14.0


def _staging(draw):
    threshold, off_db = draw.step(-24, -14, 1), draw.choice((draw.step(-14, -10, 0.25), draw.step(5, 8, 0.25)))
    return SetIt(
        prompt=f"After the trim comes a compressor with a threshold of {decibels(threshold, 0)} dBFS, and you may not "
        f"touch it. Set the **trim** so that it acts during 5 to 15 % of the sung time.",
        clip=lambda: _lines("lesson_verse_faulty").gained(off_db),
        start=Gain(0),
        then=Compressor(threshold_db=threshold, ratio=3, attack_ms=3, release_ms=80),
        goals=(Goal("share_percent", low=5, high=15),),
        candidates=lambda: [Gain(round(threshold + _OVER_DB + near_db - off_db, 1)) for near_db in (0, 1, -1, 2, -2)],
        mistakes={"never_lets_go": lambda processor, change: change.reduction.share > 0.6},
        hints=(
            "The threshold is a fixed level in dBFS: what counts is how far the voice is above or below it.",
            "Does it act too much? Less trim. Not at all? More.",
        ),
        solution=f"This take was recorded {decibels(off_db, sign=True)} dB from the level of the workbook's verse. A "
        f"trim of {decibels(threshold + _OVER_DB - off_db, 1, sign=True)} dB brings it to where this threshold catches the loudest "
        "moments only.",
    )


@cache
def _levels(threshold_db: float | None = None) -> tuple[float, float, float]:
    """Peak, RMS and loudness of the clean take, as recorded or compressed; a gain moves all three alike."""
    clip = _lines("lesson_verse_clean")
    if threshold_db is not None:
        clip = Compressor(threshold_db, 8, 0.05, 60).apply(clip).output
    return sample_peak_dbfs(clip), rms_dbfs(clip), integrated_lufs(clip)


def _meters(draw):
    recorded, squeezed = _levels(), _levels(draw.choice((-22, -21, -20)))
    up_db = draw.step(3, 6, 0.5)
    # Turned up until its peak is about the take's, so the peak gives nothing away.
    makeup_db = recorded[0] - squeezed[0] - draw.step(0, 3, 0.5)
    names = draw.shuffled("abc")
    levels = dict(
        zip(names, (recorded, [level + up_db for level in recorded], [level + makeup_db for level in squeezed]))
    )
    head = ("version", "peak (dBFS)", "RMS (dBFS)", "loudness (LUFS)")
    rows = [(name, *map(decibels, three)) for name, three in sorted(levels.items())]
    crest_db = {name: peak - rms for name, (peak, rms, _) in levels.items()}
    return Diagnose(
        prompt="Three versions of one take, measured. One is as recorded, one was only turned up, one went through a "
        f"fast compressor and a gain. Which one was **compressed**?\n\n{table([head, *rows], '<>>>')}",
        choices={"a": "version a", "b": "version b", "c": "version c"},
        answer=names[2],
        why_not={
            names[
                0
            ]: f"Its crest factor is {crest_db[names[0]]:.1f} dB, and so is that of another version: a gain leaves "
            f"the crest factor alone, a compressor doesn't.",
        },
        mistakes={"peak_only": names[1]},
        hints=(
            "Work out peak minus RMS for each.",
            "Two of them have the same crest factor: only a gain lies between those.",
        ),
        solution=f"As recorded and turned up, the crest factor is {crest_db[names[0]]:.1f} dB; compressed, it is "
        f"{crest_db[names[2]]:.1f} dB. A gain changes levels but not the crest factor, so it is version {names[2]}.",
    )


def _game(draw):
    return HearIt(
        prompt="Play the guessing game of the lesson for at least five rounds, and guess the loudness in each.",
        rounds=5,
        hints=("Your ear is good at comparing: how much softer is it than the stretch you know?",),
        solution="There is no right answer here. Most people get closer from round to round.",
    )


TASKS = (
    Task("magnitude", "From samples to decibels", _amplitude),
    Task("trimmed", "Peak, crest factor, trim", _trimmed),
    Task("meter_from_zero", "Write a meter", _rms, points=2),
    Task("word_too_loud", "One word too loud", _loud_word),
    Task("loudness", "Trim to a loudness", _trim),
    Task("trim_for_threshold", "What the threshold sees", _staging, points=2),
    Task("versions", "Which one was compressed?", _meters),
    Task("game", "Guess, then measure", _game),
)
