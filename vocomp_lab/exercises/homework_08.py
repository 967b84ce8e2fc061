"""Homework beside lesson ``08_the_vocal_in_the_mix``: a place in the band, what is too much, and what a blind test
shows.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np

from vocomp_lab.analysis.diagnosis import SIGNS, findings, measure_compression
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.order import measure_order, move_stage
from vocomp_lab.exercises.kinds import Diagnose, FindIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import (
    FAULTY,
    blind_test,
    filtered,
    lost_lu,
    louder,
    softer,
    strong_words,
    table,
    take,
    window,
)
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.lessons.gallery import FAULTS, make_faulty
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels, figure

TITLE = "The vocal in the mix"
# Thresholds in dBFS that suit each take as recorded: for peak control, and for steady compression by some 3 dB.
_PEAKS_DB = dict(zip(FAULTY, (-15.5, -18.0)))
_STEADY_DB = dict(zip(FAULTY, (-26.5, -30.5)))
# Medians asked for, each with the thresholds that take so much off the two takes. Either less or more than the workbook's
# proposal, which goes for 3 dB, so that it takes a hand to set it.
_MEDIANS_DB = {
    1.2: (-23.0, -24.5), 1.5: (-23.5, -25.5), 1.8: (-24.0, -26.5), 3.6: (-27.5, -30.5), 3.9: (-28.5, -31.0),
}  # fmt: skip
_MARGIN_LU = 3
_FROM_S = 7.3


@cache
def _recorded(name: str) -> Clip:
    """The last two lines of a take, with the quiet phrase and the loud word."""
    return take(name).clip.cut(_FROM_S, 14.9)


def _steady(threshold_db: float, makeup_db: float = 0.0) -> Compressor:
    return Compressor(threshold_db, 2.5, 10, 200, knee_db=6, makeup_db=makeup_db)


def _right(name: str) -> tuple:
    """The compressors that suit a take."""
    return ("peaks", Compressor(_PEAKS_DB[name], 4, 1, 80)), ("steady", _steady(_STEADY_DB[name], makeup_db=4))


@cache
def _whole_chain(name: str) -> Chain:
    """Every stage in the order that is taught; its level prep undoes what the take's truth says was wrong."""
    faults = take(name).truth["faults"]
    regions = [
        GainRegion(fault["start_s"] - _FROM_S, fault["end_s"] - _FROM_S, -fault["gain_db"])
        for fault in (faults["quiet_phrase"], faults["loud_word"])
    ]
    return Chain(
        [
            ("level prep", ClipGain(regions)),
            ("low cut", HighPass(90, 3)),
            ("boxiness", Peaking(410, -5, 2)),
            *_right(name),
        ]
    )


@cache
def _prepared(name: str) -> Clip:
    """The voice as it reaches the compressors: levelled and filtered."""
    return Chain(_whole_chain(name).stages[:3]).apply(_recorded(name)).output


def _guessing(draw):
    trials = draw.choice(range(6, 21))
    right = draw.choice(range(math.ceil(0.55 * trials), math.ceil(0.85 * trials)))
    ways = [math.comb(trials, count) for count in range(right, trials + 1)]
    answer = 100 * sum(ways) / 2**trials
    return WorkOut(
        prompt=f"Somebody took a blind test of **{trials} trials** and got **{right}** right. What percentage of such "
        f"tests comes out at least as well by guessing alone?",
        answer=answer,
        unit="%",
        tolerance=0.2,
        mistakes={
            "exactly_that_many": 100 * ways[0] / 2**trials,
            "share_for_percent": answer / 100,
            "both_sides": 2 * answer,
            "share_right": 100 * right / trials,
        },
        hints=(
            f"A guess is a coin toss: {trials} tosses can come out in 2^{trials} = {2**trials:,} ways, all equally likely.",
            f"In how many of them are {right} or more right? `math.comb({trials}, {right})` counts those with {right}.",
        ),
        solution=f"{' + '.join(str(way) for way in ways)} = {sum(ways)} of {2**trials:,} ways have {right} or more "
        f"right: **{answer:.1f} %**. "
        + (
            "That is rare enough: at the usual 5 % level, a difference is shown."
            if answer <= 5
            else "That is too often to say that a difference is shown. Nor is it shown that there is none."
        ),
    )


def _fader(draw):
    deep, high = draw.step(4, 9, 0.1), draw.step(0.5, 2.5, 0.1)
    answer = high + deep - _MARGIN_LU
    return WorkOut(
        prompt=f"Compared with its balance with the band, a raw vocal's deepest phrase is **{deep:g} LU** below, and its "
        f"highest phrase **{high:g} LU** above. Using only the fader, you push it up until no phrase sinks by more than "
        f"{_MARGIN_LU} LU. How far above the balance is the highest phrase then?",
        answer=answer,
        unit="LU",
        tolerance=0.05,
        mistakes={"margin_left_out": high + deep, "fader_alone": deep - _MARGIN_LU, "fader_left_out": high},
        hints=(
            "How far does the fader have to go up, if the deepest phrase may stay 3 LU below?",
            "A fader takes everything along.",
        ),
        solution=f"The fader has to go up by {deep:g} − {_MARGIN_LU} = {deep - _MARGIN_LU:g} dB, and takes the highest "
        f"phrase along: {high:g} + {deep - _MARGIN_LU:g} = **{answer:g} LU** above the balance. "
        + (
            "So it sticks out. What keeps a vocal in its place is being steady, not being loud."
            if answer > _MARGIN_LU
            else "Here that just about works; with a slightly deeper phrase it would stick out."
        ),
    )


_SINKS_START = '''def sinks_percent(vocal_lufs, band_lufs, sung, balance_lu):
    """In how many percent of the sung time the vocal sinks too far under its balance."""
    ...
'''
_SINKS_MODEL = '''def sinks_percent(vocal_lufs, band_lufs, sung, balance_lu):
    """In how many percent of the sung time the vocal sinks too far under its balance."""
    off_lu = [vocal - band - balance_lu for vocal, band, sings in zip(vocal_lufs, band_lufs, sung) if sings]
    return 100 * sum(off < -LIMIT for off in off_lu) / len(off_lu)
'''


def _write_sinks(draw):
    limit_lu, calls = draw.choice((1, 1.5, 2, 2.5, 3.5, 4, 4.5, 5)), []
    for _ in range(5):
        balance = draw.choice((-3.0, -2.0, 1.0, 2.0, 4.0))
        sung = draw.shuffled([1] * draw.choice((13, 14, 15)) + [0] * draw.choice((4, 5, 6)))
        band = [draw.step(-26, -20, 0.5) for _ in sung]
        # In the pauses there is next to nothing of the voice; while it is sung it is off by up to 6 LU.
        vocal = [level + balance + draw.step(-6.25, 6.25, 0.5) if sings else -58.0 for level, sings in zip(band, sung)]
        calls.append((vocal, band, sung, balance))

    def sinks(vocal_lufs, band_lufs, sung, balance_lu, far=lambda off: off < -limit_lu, counted=lambda sung: sung == 1):
        """The right function; with other arguments, the wrong ones."""
        off_lu = np.asarray(vocal_lufs) - np.asarray(band_lufs) - balance_lu
        return 100 * float(np.mean(far(off_lu[counted(np.asarray(sung))])))

    model = _SINKS_MODEL.replace("LIMIT", f"{limit_lu:g}")
    return WriteIt(
        prompt="Write the number that the lesson judges a vocal's place by. The function takes three lists of the same "
        "length, moment by moment: the loudness of the vocal and of the band in LUFS, and 1 while somebody sings, "
        "otherwise 0; then the balance in LU that was set by ear. It returns for what **percentage of the sung time** the "
        f"vocal is **more than {limit_lu:g} LU below** that balance.",
        start=_SINKS_START,
        calls=tuple(calls),
        right=sinks,
        tolerance=0.01,
        model=model,
        mistakes={
            "pauses_counted": lambda *call: sinks(*call, counted=lambda sung: sung >= 0),
            "share_for_percent": lambda *call: sinks(*call) / 100,
            "balance_left_out": lambda *call: sinks(*call[:3], 0.0),
            "either_side": lambda *call: sinks(*call, far=lambda off: np.abs(off) > limit_lu),
            "ones_as_places": lambda *call: sinks(*call, counted=lambda sung: sung),
        },
        hints=(
            "How far off is the vocal in one moment? Vocal minus band, minus the balance.",
            "`zip(vocal_lufs, band_lufs, sung)` goes through the moments together; skip those without singing.",
        ),
        solution="Take the difference, subtract the balance, and count over the sung moments only:\n\n"
        + as_code(model),
    )


@cache
def _lost_lu(name: str, threshold_db: float) -> float:
    """What the key's steady compressor takes off the loudness, at the take's own level."""
    return lost_lu(_steady(threshold_db), _prepared(name))


def _too_much(draw):
    name, off_db = draw.choice(FAULTY), draw.step(-8, 2, 0.5)
    low = draw.choice(list(_MEDIANS_DB))
    high, threshold_dbfs = round(low + 0.8, 1), dict(zip(FAULTY, _MEDIANS_DB[low]))[name]
    release, up_db = draw.choice((20, 25, 30)), draw.step(3, 6, 0.5)
    # As much make-up gain as would keep the loudness, and too much besides.
    start = Compressor(_STEADY_DB[name] - 12 + off_db, 8, 0.2, release, makeup_db=14 + up_db)

    def candidates():
        for near_db in (0, 0.5, -0.5, 1, -1, 1.5, -1.5):
            threshold = threshold_dbfs + near_db
            yield _steady(threshold + off_db, makeup_db=round(_lost_lu(name, threshold), 2))

    return SetIt(
        prompt=f"Somebody's only compressor, in the mix: its threshold is far too low, its times far too short, and it is "
        f"far too loud. Rescue it: a median reduction of **{low:g} to {high:g} dB**, a crest factor that falls by "
        "**no more than 0.5 dB**, and the vocal's loudness as it was, **within 0.5 LU**, so that its balance with the band "
        "stays.",
        clip=lambda: _prepared(name).gained(off_db),
        start=start,
        goals=(
            Goal("median_db", low=low, high=high),
            Goal("crest_change_db", low=-0.5),
            Goal("loudness_change_lu", low=-0.5, high=0.5),
        ),
        candidates=candidates,
        mistakes={"worked_too_hard": lambda processor, change: change.reduction.median_db > 6},
        hints=(
            "One thing at a time: threshold and ratio until the median fits, then the attack for the crest factor.",
            "Make-up gain comes last, since everything else changes the loudness.",
        ),
        solution=f"A threshold near {decibels(threshold_dbfs + off_db)} dBFS, 2.5:1 with a knee of 6 dB, 10 ms and "
        f"200 ms: a little, nearly all the time. Then as much make-up gain as is missing, going by the loudness under the "
        "bench. At 8:1 and 0.2 ms the starts of the words are the first to go, whatever the threshold.",
    )


# The breath around a phrase counts as part of it, since windows of 3 s reach that far.
_REST_S = 0.4
# Phrases that are also the deepest by the lesson's measure once they are turned down: no softer one follows.
_CAN_SINK = {"lesson_verse_clean": (0, 1, 2, 3), "second_verse_clean": (2, 3)}


def _place(draw):
    name = draw.choice(list(_CAN_SINK))
    phrase = draw.choice(_CAN_SINK[name])
    # Not in the next phrase: windows of 3 s would take the two for one.
    word = draw.choice([word for word in strong_words(name, 14) if abs(word["phrase"] - phrase) > 1])
    deep_db, up_db, off_db = draw.step(-9, -7.5, 0.5), draw.step(9, 11, 0.5), draw.step(-7, -1, 0.5)
    sunk = take(name).truth["phrases"][phrase]

    def clip() -> Clip:
        return louder(word, up_db).apply(softer(sunk, -deep_db).apply(take(name).clip)).gained(off_db)

    start_s, end_s, label = window(word)
    return FindIt(
        prompt="This vocal was sung to the workbook's band, and it doesn't keep its place: one **phrase** drowns, and one "
        "**word** shouts. Play it with the band, listen and look, and give two times: one within that phrase, one within "
        "that word.",
        clip=clip,
        windows=(
            (sunk["start_s"] - _REST_S, sunk["end_s"] + _REST_S, f"the phrase “{sunk['text']}”"),
            (start_s, end_s, f"the word {label}"),
        ),
        unit="s",
        hints=(
            "In the upper half of the picture, the phrases, look for the deepest coloured area: its middle is in the "
            "phrase.",
            "Turn the balance down until the band covers nearly all of the vocal: which word can you still hear?",
        ),
        solution=f"“{sunk['text']}” ({sunk['start_s']:.1f} to {sunk['end_s']:.1f} s) was turned down by {-deep_db:g} dB, "
        f"and “{word['text']}” ({word['start_s']:.2f} to {word['end_s']:.2f} s) up by {up_db:g} dB. Both are jobs for level "
        "prep, not for a compressor.",
    )


# Stretches of 8 s, by where they begin, on which the lesson's limits tell the faults apart.
_PARTS = {FAULTY[0]: (0.0, 1.5), FAULTY[1]: (0.0, 3.5)}


@cache
def _numbers(name: str, from_s: float, fault: str):
    """The meters' numbers for a render with a fault."""
    voice = filtered(take(name).clip).cut(from_s, from_s + 8)
    result = make_faulty(voice, fault, Chain(_right(name)))
    return measure_compression(voice, result.output, result.reduction_db)


def _fault(draw):
    name, answer = draw.choice(FAULTY), draw.choice(list(FAULTS))
    numbers = _numbers(name, draw.choice(_PARTS[name]), answer)
    values, beyond = numbers.values, [finding.name for finding in findings(numbers)]
    rows = [
        (
            sign.label,
            sign.text(values[key]),
            sign.unit,
            f"({'within ±' if key == 'make-up' else 'limit '}{decibels(sign.limit)})",
        )
        for key, sign in SIGNS.items()
    ]
    said = {key: f"The {sign.label} is {sign.text(values[key])} {sign.unit}." for key, sign in SIGNS.items()}
    return Diagnose(
        prompt="A render from the gallery, with the lesson's numbers and their limits. Several may be beyond their limits, "
        f"because one cause has several effects. What was **done wrong**?\n\n{table(rows, '<><<')}",
        choices={
            "reduction": "the threshold is far too low",
            "release": "the release is far too fast, and low notes turn rough",
            "onsets": "the attack is so fast, and the ratio so high, that the starts of words are gone",
            "make-up": "too much make-up gain",
            "noise": "a lot is taken off and quickly given back: noise comes up in every pause",
            "sibilance": "s and sh jump out",
            "nothing": "nothing: well set",
        },
        answer=answer,
        why_not={
            **{key: said[key] for key in FAULTS if key in said},
            "noise": f"{said['noise']} {said['gain movement']} If noise were all that is wrong, the other numbers would be "
            "within their limits.",
            "nothing": f"{len(beyond)} of the numbers {'is' if len(beyond) == 1 else 'are'} beyond the limit.",
        },
        mistakes={"symptom_for_cause": "noise"} if "noise" in beyond and answer != "noise" else {},
        hints=(
            "Which numbers are beyond their limits? Then: which fault would explain *all* of those?",
            "Deep reduction lifts noise as well, so make noise alone your last guess, not your first.",
        ),
        solution=f"{FAULTS[answer].words[0].upper()}{FAULTS[answer].words[1:]}. "
        + (said[answer] if answer in said else "No number is beyond its limit."),
    )


_ORDERS = {"as taught": None, "level prep last": "level prep", "low cut last": "low cut"}


def _in_order(name: str, order: str, deeper_db: float) -> Chain:
    stages = dict(_whole_chain(name).stages)
    steady = replace(stages["steady"], threshold_db=stages["steady"].threshold_db - deeper_db)
    chain = Chain([*{**stages, "steady": steady}.items()])
    return chain if _ORDERS[order] is None else move_stage(chain, _ORDERS[order], behind="steady")


@cache
def _order_numbers(name: str, order: str, deeper_db: float):
    return measure_order(_in_order(name, order, deeper_db).apply(_recorded(name)))


def _order(draw):
    name, deeper_db, off_db = draw.choice(FAULTY), draw.choice((0.0, 1.0, 2.0)), draw.step(-6, 1, 0.1)
    letters = draw.shuffled("abc")
    numbers = {letter: _order_numbers(name, order, deeper_db) for letter, order in zip(letters, _ORDERS)}
    head = ("order", "words within (LU)", "most reduction (dB)", "gain moves within a word (dB)", "peak (dBFS)")
    rows = [
        (letter, f"{one.spread_lu:.1f}", f"{one.max_db:.1f}", f"{one.swing_db:.1f}", decibels(one.peak_dbfs + off_db))
        for letter, one in sorted(numbers.items())
    ]
    right, wrong, cut_last = (numbers[letter] for letter in letters)
    return Diagnose(
        prompt="One chain (level prep, low cut, boxiness, peaks, steady) with the same settings in three orders: as "
        "taught, with the low cut last, and with **level prep last**. Which one is that? (The reduction is that of both "
        f"compressors together.)\n\n{table([head, *rows], '<>>>>')}",
        choices={letter: f"order {letter}" for letter in "abc"},
        answer=letters[1],
        why_not={
            letters[
                0
            ]: f"Its words are within {right.spread_lu:.1f} LU, and the compressors take off {right.max_db:.1f} dB "
            "at most.",
            letters[2]: f"Its words are within {cut_last.spread_lu:.1f} LU, and the compressors take off "
            f"{cut_last.max_db:.1f} dB at most.",
        },
        hints=(
            "With level prep last, what do the compressors get to hear?",
            "They work hardest on a loud word that nobody turned down before. And the region that turns it down comes on "
            "top of that.",
        ),
        solution=f"Order {letters[1]}: the compressors get the loud word as it was recorded and take off "
        f"{wrong.max_db:.1f} dB at most, against {right.max_db:.1f} dB as taught. Then the regions no longer fit what comes "
        f"out, and the words are within {wrong.spread_lu:.1f} LU instead of {right.spread_lu:.1f} LU. The place of the low "
        f"cut makes a difference of tenths here ({figure(round(cut_last.spread_lu, 1))} LU).",
    )


def _order_blind(draw):
    name, off_db, deeper_db = draw.choice(FAULTY), draw.step(-6, 0, 0.5), draw.choice((0.0, 1.0, 2.0))
    other = draw.choice(("level prep last", "low cut last"))

    def sounds():
        chains = (_in_order(name, order, deeper_db) for order in ("as taught", other))
        return tuple(chain.apply(_recorded(name)).output.gained(off_db) for chain in chains)

    return blind_test(
        f"Does the order matter to you? A is a whole chain as taught, B the same with its **{other}**, at the same "
        f"loudness. Note what you expect, then listen: 12 trials, blind. Stick to that number, and don't look in between.",
        sounds,
        "Listen to one place only, such as the loudest word, and say at once which one X is.",
        "If you got fewer right than needed, say “I did not show a difference”, never “there is none”.",
        rounds=12,
    )


TASKS = (
    Task("guessing_odds", "How good is guessing?", _guessing),
    Task("fader_by_tenths", "With the fader alone", _fader),
    Task("sinks_too_far", "Write how often it sinks", _write_sinks, points=2),
    Task("rescued", "Rescue it", _too_much, points=2),
    Task("place", "Drowned and shouted", _place, points=2),
    Task("fault", "What was done wrong?", _fault),
    Task("order_of_three", "Which order was it?", _order),
    Task("order_blind", "Does the order matter to you?", _order_blind),
)
