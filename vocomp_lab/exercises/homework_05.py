"""Homework beside lesson ``05_steady_compression``: how close two words come, make-up gain, parallel mixing, and what a
steady compressor leaves behind.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache, lru_cache

from vocomp_lab.analysis.evenness import even_threshold_db, word_levels
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.meters import active_mask, peak_to_loudness_ratio_db, reduction_stats
from vocomp_lab.analysis.parallel import quiet_lift_db
from vocomp_lab.analysis.pumping import pause_lift
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.exercises.kinds import Diagnose, FindIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import (
    FAULTY,
    blind_test,
    levelled,
    lost_lu,
    one_line_of,
    table,
    take,
    turned,
    window,
)
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.lessons.goals import GOALS
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels

TITLE = "Steady compression"
_STEADY = Compressor(threshold_db=-28, ratio=2.5, attack_ms=10, release_ms=200, knee_db=6)
_PEAKS = Compressor(threshold_db=-17, ratio=4, attack_ms=0.5, release_ms=60)
# Made up for what the squashing takes off, so that the mix is one of two paths about equally loud.
_SQUASH = Compressor(threshold_db=-40, ratio=6, attack_ms=1, release_ms=40, makeup_db=12)
# Where the key begins for each take: the threshold that takes off a median of 3.65 dB.
_STEADY_NEAR_DB = dict(zip(FAULTY, (-27.0, -29.75)))


@cache
def _voice(name: str) -> Clip:
    """Its last two lines."""
    return levelled(name).cut(7.0, 14.95)


@cache
def _sung(name: str):
    return active_mask(_voice(name))


@cache
def _words(name: str):
    return voiced_words(_voice(name))


def _spread_lu(name: str, clip: Clip) -> float:
    return word_levels(clip, _words(name)).spread_lu


def _apart(draw):
    threshold, ratio = draw.step(-32, -24, 1), draw.choice((2, 2.5, 3, 4))
    over, under, makeup = draw.step(6, 12, 0.5), draw.step(2, 5, 0.5), draw.step(2.5, 6, 0.5)
    answer = under + over / ratio
    return WorkOut(
        prompt=f"Two held words reach a steady compressor at **{decibels(threshold + over)} dBFS** and "
        f"**{decibels(threshold - under)} dBFS**. Its threshold is **{decibels(threshold, 0)} dBFS**, its ratio "
        f"**{ratio:g}:1**, with a hard knee and **{makeup:g} dB** of make-up gain. How many decibels apart do they come "
        f"out?",
        answer=answer,
        unit="dB",
        tolerance=0.1,
        mistakes={
            "below_threshold": (over + under) / ratio,
            "makeup_tells_apart": answer + makeup,
            "reduction_for_rest": over * (1 - 1 / ratio),
            "untouched_distance": over + under,
        },
        hints=(
            "At what level does each of the two come out?",
            "Only one of them is over the threshold; make-up gain is the same for both.",
        ),
        solution=f"The soft word is {under:g} dB below the threshold and stays where it is. The loud one is {over:g} dB "
        f"over it, and {over:g}/{ratio:g} = {over / ratio:.2f} dB of that stay. Apart: {under:g} + {over / ratio:.2f} = "
        f"**{answer:.2f} dB** instead of {over + under:g}. Make-up gain lifts both alike. A threshold below the soft word "
        f"too would bring them to {(over + under) / ratio:.2f} dB; going lower still brings them no closer.",
    )


@cache
def _lost(name: str, threshold_db: float) -> tuple[float, float, float]:
    """Loudness lost to the steady compressor, with median and largest reduction; a trim of both changes nothing."""
    steady = replace(_STEADY, threshold_db=threshold_db)
    stats = reduction_stats(steady.apply(_voice(name)).reduction_db, _sung(name))
    return lost_lu(steady, _voice(name)), stats.median_db, stats.max_db


def _makeup(draw):
    name, threshold, off_db = draw.choice(FAULTY), draw.step(-33, -25, 0.5), draw.step(-8, 3, 0.5)
    answer, median_db, max_db = _lost(name, threshold)
    return WorkOut(
        prompt=f"Somebody set a steady compressor for your take: threshold **{decibels(threshold + off_db)} dBFS**, "
        f"{_STEADY.ratio:g}:1, attack {_STEADY.attack_ms:g} ms, release {_STEADY.release_ms:g} ms, knee "
        f"{_STEADY.knee_db:g} dB, no make-up gain. Set it on the bench, and find the make-up gain with which bypassing it "
        f"doesn't change the loudness.",
        clip=lambda: _voice(name).gained(off_db),
        answer=answer,
        unit="dB",
        tolerance=0.3,
        mistakes={"makeup_by_median": median_db, "makeup_by_largest": max_db},
        hints=(
            "The line under the bench gives the loudness before and after.",
            "Raise the make-up gain until that line shows no change of loudness; 1 dB of gain moves it by 1 LU.",
        ),
        solution=f"The loudness falls by **{answer:.1f} LU**, so that is the make-up gain. The reduction has a median of "
        f"{median_db:.1f} dB and a maximum of {max_db:.1f} dB. Neither is the loudness that was lost, because loud words "
        f"count most in loudness.",
    )


# Either less or more than the workbook's proposal, which goes for 3 dB, so that it takes a hand to set it.
_MEDIANS_DB = (2.0, 2.1, 3.6, 3.8, 4.0, 4.2)
_MEDIAN_ROOM_DB = 0.6


def _sleeve(draw):
    name, off_db, release_ms = draw.choice(FAULTY), draw.step(-8, 2, 0.25), draw.choice((150.0, 200.0, 250.0))
    low = draw.choice(_MEDIANS_DB)
    high = round(low + _MEDIAN_ROOM_DB, 1)
    # At 2.5:1, two decibels of threshold make one of median.
    near_dbfs = _STEADY_NEAR_DB[name] + off_db - 2 * ((low + high) / 2 - 3.65)
    goals = tuple(Goal("median_db", low, high) if goal.measure == "median_db" else goal for goal in GOALS["steady"])

    def candidates():
        for near_db in (0, 0.5, -0.5, 1, -1, 1.5, -1.5):
            setting = Compressor(round(near_dbfs + near_db, 2), 2.5, 10, release_ms, 6)
            yield replace(setting, makeup_db=round(lost_lu(setting, clip()), 1))

    def clip() -> Clip:
        return _voice(name).gained(off_db)

    return SetIt(
        prompt=f"Keep a {'light' if low < 3 else 'steady'} hand on this voice: act nearly all the time, by a median of **{low:g} to "
        f"{high:g} dB**, bring the words closer together, keep their beginnings, and leave the voice as loud as before. But for "
        f"the median, the goals are the lesson's. The release starts at {release_ms:g} ms; all controls are yours.",
        clip=clip,
        start=Compressor(threshold_db=-6, ratio=2.5, attack_ms=10, release_ms=release_ms, knee_db=6),
        goals=goals,
        candidates=candidates,
        mistakes={
            "worked_too_hard": lambda processor, change: change.reduction.median_db > high + 1,
            "peaks_for_steady": lambda processor, change: 0 < change.reduction.share < 0.5,
            "flattened": lambda processor, change: change.beginnings_db < 0,
        },
        hints=(
            "Drag the threshold down past the loud words, until even the soft ones reach it.",
            "Too deep, or far deeper on some words than on the rest? Lower the ratio. Are the beginnings gone? A slower "
            "attack. Make-up gain comes last.",
        ),
        solution=f"At 2.5:1 with a knee of 6 dB, a threshold near {decibels(near_dbfs)} dBFS is below nearly every word of "
        f"this take and takes off a median of {low:g} to {high:g} dB, and 10 ms let the beginnings of the words through. Then "
        "add as much make-up gain as the loudness has fallen.",
    )


# Level of the middle word of each take, as its compressor hears it: so far over the threshold is half of the sung time.
_MIDDLE_DBFS = dict(zip(FAULTY, (-21.2, -24.1)))


def _blend(draw):
    name, off_db, ratio = draw.choice(FAULTY), draw.step(-6, 2, 0.25), draw.choice((5, 6, 8))
    median_db, softer_lu = draw.choice((10, 11, 12, 13, 14)), draw.choice((2.0, 3.0, 4.2))
    threshold = round(_MIDDLE_DBFS[name] + off_db - (median_db + 1.5) / (1 - 1 / ratio), 1)
    mix = {2.0: 0.3, 3.0: 0.4, 4.2: 0.5}[softer_lu]
    return SetIt(
        prompt=f"Squash this voice by a median of **{median_db} to {median_db + 3} dB**, without make-up gain, and mix the "
        "untouched voice back in. Use enough of the squashed one to count: the blend should be "
        f"**{softer_lu:g} to {softer_lu + 1.2:g} LU** softer than what went in. But its crest factor should stay **within 1 dB** "
        "of the old one, so that the words keep their shape.",
        clip=lambda: _voice(name).gained(off_db),
        start=Compressor(threshold_db=-12, ratio=ratio, attack_ms=1, release_ms=40),
        goals=(
            Goal("median_db", median_db, median_db + 3),
            Goal("crest_change_db", -1, 1),
            Goal("loudness_change_lu", round(-softer_lu - 1.2, 1), -softer_lu),
        ),
        keeps={"makeup_db": "make-up gain"},
        candidates=lambda: [
            Compressor(threshold - lower_db, ratio, 1, 40, mix=round(mix + more, 2))
            for more in (0, 0.03, -0.03, 0.06, -0.06)
            for lower_db in (0, 1, -1)
        ],
        mistakes={
            "all_wet": lambda processor, change: processor.mix > 0.9 and change.reduction.median_db >= median_db,
            "hardly_mixed": lambda processor, change: processor.mix < 0.2 and change.reduction.median_db >= median_db,
        },
        hints=(
            "First the threshold, at a mix of 100 %, until the median is there. Don't let the picture scare you.",
            "Then turn the mix down: whatever the squashing takes off, the untouched share stays.",
        ),
        solution=f"At {ratio}:1 a threshold near {decibels(threshold, 0)} dBFS squashes by a median of {median_db} to "
        f"{median_db + 3} dB, and a mix of about {100 * mix:.0f} % makes the blend softer by as much as was asked; the crest factor "
        "moves by half a decibel. All wet, it would have moved by several decibels.",
    )


_BLEND_START = '''def blend_db(reduction_db, mix):
    """Change of level in dB when a compressed voice is mixed with the untouched one."""
    ...
'''
_BLEND_MODEL = '''def blend_db(reduction_db, mix):
    """Change of level in dB when a compressed voice is mixed with the untouched one."""
    compressed = 10 ** ((MAKEUP - reduction_db) / 20)
    return 20 * math.log10(mix * compressed + DRY * 1)
'''


def _blend_function(draw):
    makeup_db, crossfade = draw.choice((2, 3, 4, 5, 6, 8, 9, 10)), draw.choice((True, False))
    reductions = [draw.step(2, 6, 0.5), draw.step(7, 12, 0.5), draw.step(13, 20, 0.5), 60.0, 0.0, draw.step(3, 9, 0.5)]
    calls = tuple((reduction, draw.step(0.2, 0.8, 0.05)) for reduction in reductions)

    def dry(mix):
        return 1 - mix if crossfade else 1.0

    def blended(reduction_db, mix, log=math.log10, makeup=makeup_db):
        return 20 * log(mix * 10 ** ((makeup - reduction_db) / 20) + dry(mix))

    mistakes = {
        "decibels_mixed": lambda reduction, mix: mix * (makeup_db - reduction),
        "dry_left_out": lambda reduction, mix: 20 * math.log10(mix) + makeup_db - reduction,
        "makeup_on_blend": lambda reduction, mix: blended(reduction, mix, makeup=0) + makeup_db,
        "makeup_left_out": lambda reduction, mix: blended(reduction, mix, makeup=0),
        "ten_for_twenty": lambda reduction, mix: blended(reduction, mix) / 2,
        "natural_log": lambda reduction, mix: blended(reduction, mix, math.log),
        "sign": lambda reduction, mix: -blended(reduction, mix),
    }
    if crossfade:
        mistakes["mix_swapped"] = lambda reduction, mix: (
            20 * math.log10((1 - mix) * 10 ** ((makeup_db - reduction) / 20) + mix)
        )
    model = _BLEND_MODEL.replace("MAKEUP", f"{makeup_db}").replace("DRY", "(1 - mix)" if crossfade else "1")
    how = (
        "the mix, from 0 (untouched) to 1 (all compressed): what one path gains in share, the other loses"
        if crossfade
        else "the mix, from 0 to 1: how much of the compressed path is **added** to the untouched voice, which stays as it is"
    )
    return WriteIt(
        prompt="Write what a mix control does to the level. The function takes the reduction of the compressed path in dB "
        f"(0 or more) and {how}. It returns the change of level of the blend in dB. The compressed path has **{makeup_db} dB "
        "of make-up gain**; the two paths are in time with each other. You can use `math`.",
        start=_BLEND_START,
        calls=calls,
        right=blended,
        tolerance=0.01,
        model=model,
        mistakes=mistakes,
        hints=(
            "Both paths are the same wave at two gains, so their amplitudes add.",
            f"The compressed path has a gain of 10^(({makeup_db} − reduction)/20), the untouched one a gain of 1. Weight them by "
            f"mix and {'1 − mix' if crossfade else '1'}, add them, and go back to decibels.",
        ),
        solution="Amplitudes add, and the untouched share stays however deep the reduction: "
        + ("the level never falls by more than 20·log₁₀(1 − mix)" if crossfade else "so the level never falls at all")
        + ".\n\n"
        + as_code(model),
    )


def _line_off(draw):
    name, place, off_db = draw.choice(FAULTY), draw.choice(range(4)), draw.step(-8, -2, 0.5)
    lower_db = draw.step(0, 4, 1)
    lines = take(name).truth["phrases"]
    turn = turned(draw, name)
    there = turn.item(lines[place])

    def clip() -> Clip:
        whole = levelled(name)
        made = replace(_STEADY, threshold_db=-38 - lower_db)
        steady = made.apply(whole).output.gained(lost_lu(made, whole))
        return turn.clip(one_line_of(whole, steady, lines, place).gained(off_db))

    return FindIt(
        prompt="A steady compressor, far too deep and with its make-up gain, runs over these four lines. In **one of them "
        "it was bypassed** by mistake, from the pause before the line to the pause after it. You can't tell by the "
        "loudness of the lines. Give a time within that line.",
        clip=clip,
        windows=(window(there),),
        unit="s",
        hints=(
            "What does make-up gain lift besides the voice? Listen to that, not to the words.",
            "Compare the pauses and the breaths between the lines: where are two in a row much softer? "
            "`rms_dbfs(home.clip(6).cut(1.0, 1.3))` of `vocomp_lab`, with times of your own, measures a stretch.",
        ),
        solution=f"It was off over “{there['text']}”, {there['start_s']:.2f} to {there['end_s']:.2f} s. In a pause, a "
        f"compressor lets go but the make-up gain stays, so the room and the breaths come up. Around this line they "
        f"don't.",
    )


_JOBS = {"steady": "steady compression", "parallel": "a squashed voice mixed with the untouched one",
    "peaks": "peak control"}  # fmt: skip


@lru_cache(maxsize=200)
def _traces(name: str, job: str, lower_db: float) -> tuple[float, ...]:
    """What one of the three leaves at equal loudness: spread in LU; changes of peaks, soft parts and room in dB."""
    voice, sung = _voice(name), _sung(name)
    processor = {"steady": _STEADY, "parallel": replace(_SQUASH, mix=0.4), "peaks": _PEAKS}[job]
    # Peak control must not go lower: it would turn into something else.
    lower_db = lower_db if job != "peaks" else 0.0
    made = replace(processor, threshold_db=processor.threshold_db - lower_db).apply(voice).output
    return (
        _spread_lu(name, made),
        peak_to_loudness_ratio_db(made) - peak_to_loudness_ratio_db(voice),
        quiet_lift_db(voice, made, sung),
        pause_lift(voice, made, sung).room_db,
    )


def _which(draw):
    name, job, lower_db = draw.choice(FAULTY), draw.choice(list(_JOBS)), draw.step(0, 2.5, 0.25)
    letters = dict(zip(draw.shuffled("abc"), _JOBS))
    head = ("version", "spread of the words (LU)", "peaks (dB)", "soft parts (dB)", "room (dB)")
    rows = []
    for letter, other in sorted(letters.items()):
        spread, *changes = _traces(name, other, lower_db)
        rows.append((letter, f"{spread:.1f}", *(decibels(change, sign=True) for change in changes)))
    tells = {
        "steady": "It brings the words closer together, the room comes up by a few decibels, and the soft parts by less",
        "parallel": "The words come closer, too, but soft parts and room come up by far more than with the other two",
        "peaks": "The peaks come down; soft parts and room hardly move",
    }
    answer = next(letter for letter, other in letters.items() if other == job)
    return Diagnose(
        prompt=f"One voice, with a spread of its words of {_spread_lu(name, _voice(name)):.1f} LU, was treated "
        f"in three ways, all at the same loudness. “Peaks” says how much further above the loudness they are than before. "
        f"Which one is **{_JOBS[job]}**?\n\n{table([head, *rows], '<>>>>')}",
        choices={letter: f"version {letter}" for letter in "abc"},
        answer=answer,
        why_not={
            letter: f"{tells[other]}: that is {_JOBS[other]}." for letter, other in letters.items() if letter != answer
        },
        hints=(
            "Where does each job act: on words, on moments, or on what is soft within a word?",
            "One takes peaks down and lifts next to nothing. Of the other two, one lets go within each word, and so lifts the "
            "soft parts most of all.",
        ),
        solution=f"Version {answer}. {tells[job]}.",
    )


@cache
def _rivals(name: str) -> tuple[Clip, Clip]:
    """Two compressors in a row, and a single fast one that leaves the words as even."""
    voice = _voice(name)
    pair = _STEADY.apply(_PEAKS.apply(voice).output).output
    single = Compressor(-20, ratio=3, attack_ms=1, release_ms=80, knee_db=6)
    threshold_db = even_threshold_db(single, voice, _words(name), _spread_lu(name, pair))
    return pair, replace(single, threshold_db=threshold_db).apply(voice).output


def _one_or_two(draw):
    name, off_db = draw.choice(FAULTY), draw.step(-6, 0, 0.5)
    return blind_test(
        "Is a second compressor worth it? A went through two in a row, B through a single fast one that leaves the words "
        "just as even. Same loudness, ten trials, blind.",
        lambda: tuple(clip.gained(off_db) for clip in _rivals(name)),
        "Listen to the gain, not to the voice: which one lets go between the words? And on low notes, which one is rougher?",
        "The difference is small. If you hear none, you have learned what the second compressor is worth to you.",
    )


TASKS = (
    Task("apart", "How close do two words come?", _apart),
    Task("makeup_needed", "As loud as before", _makeup),
    Task("blend_with_makeup", "Write the mix control", _blend_function, points=2),
    Task("steady_hand", "A steady hand", _sleeve, points=2),
    Task("squashed_so_much", "Squash, and keep it alive", _blend, points=2),
    Task("line_bypassed", "Where was it off?", _line_off),
    Task("which_of_three_jobs", "Which job was done?", _which),
    Task("one_or_two", "One or two, blind", _one_or_two),
)
