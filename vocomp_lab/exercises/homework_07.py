"""Homework beside lesson ``07_compressor_types``: what each type does with its settings, by ear and by numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache, lru_cache

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.analysis.times import measure_burst
from vocomp_lab.exercises.kinds import Diagnose, FindIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import (
    FAULTY,
    blind_test,
    levelled,
    lost_lu,
    one_line_of,
    span,
    table,
    take,
    turned,
    voice,
    window,
)
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.processors.character import FetCompressor, OptoCompressor, character
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels, figure

TITLE = "Compressor types"
# Where the key begins for each take: thresholds in dBFS for the opto, and for the FET with a long attack. And where the
# FET's bench begins: with a short attack, the median there is about 3 dB.
_OPTO_NEAR_DB = dict(zip(FAULTY, (-29.0, -28.0)))
_FET_NEAR_DB = dict(zip(FAULTY, (-28.0, -27.5)))
_FET_START_DB = dict(zip(FAULTY, (-25.0, -23.5)))
# Thresholds for a median of 5 dB over a whole levelled take, with a short attack and with a long one.
_FET_FAST_DB, _FET_SLOW_DB, _LONG_MS = dict(zip(FAULTY, (-27.5, -30.0))), dict(zip(FAULTY, (-33.0, -37.5))), 120.0


def _grip(draw):
    was, now = draw.sample((2, 3, 4, 5, 6, 8, 10, 12), 2)
    was, now = (was, now) if draw.choice((True, False)) else (now, was)
    attack = draw.step(4, 20, 1)
    effect = attack / was
    answer = effect * now
    return WorkOut(
        prompt=f"A FET compressor is set to **{was}:1** with an attack of **{attack:g} ms**, and grips just as you like "
        f"it. Now you want **{now}:1**. What attack do you set to make it grip as fast as before?",
        answer=answer,
        unit="ms",
        tolerance=round(0.02 * answer, 2),
        mistakes={"inverted": attack * was / now, "feedback_left_out": attack},
        hints=(
            "How fast does it grip at the old ratio, with its detector after the gain?",
            "It is faster than set, by a factor of the ratio.",
        ),
        solution=f"Its effective time constant is {attack:g} ms / {was} = {effect:.2f} ms. At {now}:1 it is {now} times "
        f"faster than set, so {effect:.2f} ms · {now} = **{answer:.2f} ms**.",
    )


def _percent(draw):
    below, more = draw.step(38, 52, 0.5), draw.step(3, 9, 0.5)
    answer = 100 * 10 ** ((more - below) / 20)
    return WorkOut(
        prompt=f"A colour stage adds a second harmonic at **{decibels(-below)} dB** relative to the tone. You raise the "
        f"drive by **{more:g} dB**; at such low drive, the second harmonic rises with it, decibel for decibel. How large "
        "is its amplitude then, as a percentage of the tone's?",
        answer=answer,
        unit="%",
        tolerance=round(0.03 * answer, 3),
        mistakes={
            "ten_for_twenty": 100 * 10 ** ((more - below) / 10),
            "inverted": 100 * 10 ** ((-more - below) / 20),
        },
        hints=(
            "First the new level in dB: more drive, stronger harmonic.",
            "−20 dB is a tenth of the amplitude, −40 dB a hundredth; in between it is 10^(dB/20).",
        ),
        solution=f"{decibels(-below)} + {more:g} = {decibels(more - below)} dB, and "
        f"10^({decibels(more - below)}/20) = {answer / 100:.4f}, which is **{answer:.2f} %**.",
    )


_LOOP_START = '''def fet_reduction(level_db, rate, threshold_db, ratio, attack_ms, release_ms):
    """Reduction of a compressor that hears its own output, for each sample of a list of levels."""
    attack = math.exp(-1000 / (attack_ms * rate))
    release = math.exp(-1000 / (release_ms * rate))
    reduction, history = 0.0, []
    for level in level_db:
        asked = ...
        keep = attack if asked > reduction else release
        reduction = keep * reduction + (1 - keep) * asked
        history.append(reduction)
    return history
'''
_LOOP_MODEL = _LOOP_START.replace("asked = ...", "heard = level - reduction - PAD\n"
    "        asked = min(max(heard - threshold_db, 0) * (ratio - 1), MOST)")  # fmt: skip


def _loop(level_db, rate, attack_ms, release_ms, target_reduction_db):
    attack, release = (math.exp(-1000 / (time * rate)) for time in (attack_ms, release_ms))
    reduction, history = 0.0, []
    for level in level_db:
        asked = target_reduction_db(level, reduction)
        keep = attack if asked > reduction else release
        reduction = keep * reduction + (1 - keep) * asked
        history.append(reduction)
    return history


def _feedback(draw):
    pad_db, most_db = draw.choice((1, 1.5, 2, 2.5, 3)), draw.choice((8, 9, 10, 12, 15))
    calls = []
    for _ in range(4):
        threshold = draw.step(-30, -16, 1)
        levels = [threshold + draw.step(low, high, 0.5) for low, high in ((9, 16), (-10, -2), (4, 11))] + [-60.0]
        calls.append(([level for level in levels for _ in range(40)], draw.choice((2000, 4000)), threshold,
            draw.choice((2.0, 3.0, 4.0)), draw.step(5, 15, 1), draw.step(20, 80, 10)))  # fmt: skip

    def with_rule(rule):
        """The loop, with what it asks for at the level that goes in, the reduction so far, the threshold and the ratio."""

        def run(level_db, rate, threshold_db, ratio, attack_ms, release_ms):
            return _loop(level_db, rate, attack_ms, release_ms,
                lambda level, reduction: rule(level, reduction, threshold_db, ratio))  # fmt: skip

        return run

    def limited(reduction_db):
        return min(reduction_db, most_db)

    hears_itself = with_rule(lambda x, gone, low, ratio: limited(max(x - gone - pad_db - low, 0) * (ratio - 1)))
    model = _LOOP_MODEL.replace("PAD", f"{pad_db:g}").replace("MOST", f"{most_db:g}")
    return WriteIt(
        prompt="Write the reduction that a FET's detector calls for; the rest of the loop is there already. The detector "
        "comes after the gain: it hears the level of the sample **after** the reduction so far, and here through a pad that "
        f"takes **{pad_db:g} dB** off it. For every decibel of that over the threshold it calls for **ratio − 1** decibels of "
        f"reduction, but never for more than **{most_db} dB**; below the threshold, for none. Levels are in dBFS, times in ms, "
        "the rate in Hz. You can use `math`.",
        start=_LOOP_START,
        calls=tuple(calls),
        right=hears_itself,
        tolerance=1e-4,
        model=model,
        mistakes={
            "feedback_left_out": with_rule(
                lambda x, gone, low, ratio: limited(max(x - pad_db - low, 0) * (1 - 1 / ratio))
            ),
            "forward_curve": with_rule(
                lambda x, gone, low, ratio: limited(max(x - gone - pad_db - low, 0) * (1 - 1 / ratio))
            ),
            "below_threshold": with_rule(lambda x, gone, low, ratio: limited((x - gone - pad_db - low) * (ratio - 1))),
            "limit_left_out": with_rule(lambda x, gone, low, ratio: max(x - gone - pad_db - low, 0) * (ratio - 1)),
            "pad_left_out": with_rule(lambda x, gone, low, ratio: limited(max(x - gone - low, 0) * (ratio - 1))),
        },
        hints=(
            f"What it hears is `level - reduction - {pad_db:g}`.",
            "At 4:1, for four decibels over the threshold that go in, one comes out: three are taken off. "
            f"`min(…, {most_db})` keeps to the most it may call for.",
        ),
        solution="Why ratio − 1: of o decibels over the threshold, o/ratio come out. The rest is taken off, and that is "
        "ratio − 1 times what comes out. Feedback against feed-forward: Giannoulis, Massberg & Reiss (2012), section 2.1. "
        "The workbook's own model also does without the delay of one sample, the pad and the limit.\n\n"
        + as_code(model),
    )


@cache
def _lost_lu(name: str, threshold_db: float) -> float:
    """What an opto takes off the loudness. A louder take with a threshold higher by as much loses the same."""
    return lost_lu(OptoCompressor(threshold_db), voice(name))


def _opto(draw):
    name, off_db, low = draw.choice(FAULTY), draw.step(-9, 3, 0.25), draw.choice((2.0, 2.5, 3.0, 3.5, 4.0))

    def candidates():
        for near_db in (0, 1, -1, 2, -2, 3, -3, 4, -4):
            threshold = _OPTO_NEAR_DB[name] + near_db
            yield OptoCompressor(round(threshold + off_db, 2), makeup_db=round(_lost_lu(name, threshold), 2))

    return SetIt(
        prompt="Let an **opto** do the steady work on a take that is yours alone. Its median reduction should be "
        f"**{low:g} to {low + 1:g} dB**, and the voice should come out as loud as it went in, **within 0.5 LU**.",
        clip=lambda: voice(name).gained(off_db),
        start=OptoCompressor(threshold_db=-60),
        goals=(Goal("median_db", low=low, high=low + 1), Goal("loudness_change_lu", low=-0.5, high=0.5)),
        candidates=candidates,
        mistakes={"worked_too_hard": lambda processor, change: change.reduction.median_db > 6},
        hints=(
            "First the threshold, until the median fits; then the make-up gain.",
            "The line under the bench says how many LU are missing. That is the make-up gain, not the median reduction.",
        ),
        solution=f"On this take, recorded {decibels(off_db, sign=True)} dB from the workbook's level, a threshold near "
        f"{decibels(_OPTO_NEAR_DB[name] + off_db, 0)} dBFS gives a median of about 3 dB. It takes more off the loud words, "
        f"and those count most in loudness: so the make-up gain is larger than the median.",
    )


def _edge(draw):
    name, off_db = draw.choice(FAULTY), draw.step(-12, 2, 0.25)
    attack = draw.choice((4.0, 5.0, 6.0))

    def candidates():
        for near_db in (0, -0.5, 0.5, -1, 1):
            for attack_ms in (100, 150):
                yield FetCompressor(_FET_NEAR_DB[name] + near_db + off_db, 4, attack_ms, 100)

    def shaves(processor, change) -> bool:
        return change.reduction.median_db >= 1.5 and processor.attack_ms / processor.ratio < 10

    return SetIt(
        prompt=f"Somebody set a **FET** for a vocal that should keep its edge. They used an attack of {attack:g} ms, as on "
        f"their last compressor, and the starts of the words are gone. Do better: a median reduction of **1.5 to 3 dB**, "
        f"and a crest factor that falls by **no more than 0.2 dB**.",
        clip=lambda: voice(name).gained(off_db),
        start=FetCompressor(_FET_START_DB[name] + off_db, ratio=4, attack_ms=attack, release_ms=100),
        goals=(Goal("median_db", low=1.5, high=3), Goal("crest_change_db", low=-0.2)),
        candidates=candidates,
        mistakes={"starts_shaved": shaves},
        hints=(
            "How fast does a FET grip at 4:1 when its attack says 40 ms?",
            "With the longer attack the median falls too: then lower the threshold a little.",
        ),
        solution=f"An attack of 100 ms at 4:1 is 25 ms in effect: long enough for the start of a word to get through. A "
        f"threshold near {decibels(_FET_NEAR_DB[name] + off_db, 0)} dBFS keeps the median in its window.",
    )


@cache
def _through_fet(name: str, attack_ms: float) -> Clip:
    """A take through a FET, by a median of some 5 dB."""
    threshold_db = (_FET_FAST_DB if attack_ms < 10 else _FET_SLOW_DB)[name]
    return FetCompressor(threshold_db, 4, attack_ms, 60).apply(levelled(name)).output


def _no_edge(draw):
    name, place, off_db = draw.choice(FAULTY), draw.choice(range(4)), draw.step(-2, 4, 0.5)
    attack = draw.choice((1.5, 2.0, 2.5))
    lines = take(name).truth["phrases"]
    line, turn = lines[place], turned(draw, name)
    there = turn.item(line)

    def clip() -> Clip:
        usual, dull = (_through_fet(name, attack_ms) for attack_ms in (_LONG_MS, attack))
        loud, dull_loud = (integrated_lufs(sound.cut(*span(line))) for sound in (usual, dull))
        return turn.clip(one_line_of(dull.gained(loud - dull_loud), usual, lines, place).gained(off_db))

    return FindIt(
        prompt="This verse went through a FET, hard at work, with a long attack, so that the words keep their edge. In **one "
        "of its four lines** somebody left the attack where another compressor would have it. You can't tell by the loudness "
        "of the lines. Listen, and give a time within that line.",
        clip=clip,
        windows=(window(there),),
        unit="s",
        hints=(
            "Listen to how the words begin, and to nothing else. In which line do they all begin softly?",
            "In the picture, the first instant of a word is taller than the rest of it. In one line it hardly is.",
        ),
        solution=f"“{line['text']}”, {there['start_s']:.2f} to {there['end_s']:.2f} s: its attack says {attack:g} ms, which is "
        f"{attack / 4:g} ms in effect at 4:1. In the other lines it says {_LONG_MS:g} ms, {_LONG_MS / 4:g} ms in effect.",
    )


_BURSTS = {"short, loud": (0.1, -6.0), "long, loud": (2.0, -6.0), "long, softer": (2.0, -16.0)}


@lru_cache(maxsize=200)
def _bursts(kind: str, ratio: float, attack_ms: float, release_ms: float) -> dict:
    model = character(kind, threshold_db=-26, ratio=ratio, attack_ms=attack_ms, release_ms=release_ms)
    return {name: measure_burst(model, length, 3.0, level, rate=24_000) for name, (length, level) in _BURSTS.items()}


def _no_label(draw):
    kind = draw.choice(("vca", "fet", "opto", "tube"))
    ratio, attack = draw.choice((3, 4, 5, 6)), draw.choice((12.0, 14.0, 16.0, 18.0, 20.0))
    release = draw.choice((80.0, 90.0, 100.0, 110.0, 120.0))
    bursts = _bursts(kind, ratio, attack, release)
    head = ("burst", "reached", "63 % after", "half gone", "all but a tenth gone")
    rows = [
        (
            name,
            f"{burst.reached_db:.1f} dB",
            f"{burst.attack_ms():.1f} ms",
            f"{burst.release_ms(0.5):.0f} ms",
            f"{burst.release_ms(0.1):.0f} ms",
        )
        for name, burst in bursts.items()
    ]
    short, long, softer = bursts.values()
    return Diagnose(
        prompt=f"A compressor without a label. Its controls say **{ratio}:1, attack {attack:g} ms, release {release:g} "
        f"ms**, and the threshold is at −26 dBFS. Three bursts of a square wave, at −6 or −16 dBFS, gave these numbers. "
        f"Which **type** is it?\n\n{table([head, *rows], '<>>>>')}",
        choices={
            "vca": "does what it is told",
            "fet": "hears itself",
            "opto": "remembers",
            "tube": "leans in",
        },
        answer=kind,
        why_not={
            "vca": f"It would reach 63 % a little after the {attack:g} ms that were set, whatever the burst, and let go "
            "alike after a short and a long one.",
            "fet": f"It would grip {ratio} times as fast as set; this one took {long.attack_ms():.1f} ms.",
            "opto": f"After long work it would let go with a long tail; here all but a tenth is gone after "
            f"{short.release_ms(0.1):.0f} ms (short) and {long.release_ms(0.1):.0f} ms (long).",
            "tube": f"The louder the sound, the faster it would grip; here 63 % are reached after {long.attack_ms():.1f} "
            f"ms (loud) and {softer.attack_ms():.1f} ms (softer).",
        },
        hints=(
            "Compare the attack with its setting, then the loud burst with the softer one.",
            "Compare the release after the short and after the long burst: its first half, and its end.",
        ),
        solution={
            "vca": f"{long.attack_ms():.1f} and {softer.attack_ms():.1f} ms are the attack that was set, plus a little for "
            "the detector's averaging. Short or long makes no difference to the release: it does what it is told, a "
            "**VCA**.",
            "fet": f"{long.attack_ms():.1f} ms instead of {attack:g} ms is {ratio} times as fast as set, and that is the "
            "ratio: it hears its own output, a **FET**.",
            "opto": f"Half is gone after {figure(round(long.release_ms(0.5)))} ms either way, and the end takes "
            f"{long.release_ms(0.1):.0f} ms after long work, {short.release_ms(0.1):.0f} ms after short: an **opto**.",
            "tube": f"It grips within {long.attack_ms():.1f} ms on a loud sound and {softer.attack_ms():.1f} ms on a softer "
            "one, and lets go more slowly after a long burst. Ten decibels more of sound got it far more reduction in "
            "proportion: the gain falls gradually, a **tube**.",
        }[kind],
    )


def _types_blind(draw):
    one, other = draw.choice((("fet", "opto"), ("fet", "tube"), ("opto", "vca"), ("tube", "vca"), ("fet", "vca")))
    name, off_db = draw.choice(FAULTY), draw.step(-6, 0, 0.5)

    def sounds():
        clip = voice(name)
        models = (character(kind) for kind in (one, other))
        models = (replace(model, threshold_db=threshold_for(model, clip, "median_db", 3)) for model in models)
        return tuple(model.apply(clip).output.gained(off_db) for model in models)

    return blind_test(
        f"Can you hear the type at all? A and B are your voice through **{one}** and **{other}**, both with a median of 3 "
        f"dB or a little more, at the same loudness. First note whether you expect to tell them apart. Then listen: ten "
        f"trials, blind.",
        sounds,
        "Listen to the start of a word, and to how the voice comes back after a loud one: types differ most there.",
        "If you couldn't tell them apart, no difference was shown for you, this voice and these loudspeakers. Then choose "
        "whichever is at hand.",
    )


TASKS = (
    Task("grip", "Another ratio, the same grip", _grip),
    Task("percent_of_colour", "How much colour is that?", _percent),
    Task("fet_loop_with_pad", "Write the detector that hears itself", _feedback, points=2),
    Task("opto_so_much", "Steady work for an opto", _opto, points=2),
    Task("edge_left", "A FET that leaves the edge", _edge, points=2),
    Task("line_without_edge", "Which line has lost its edge?", _no_edge),
    Task("no_name_on_it", "No label on it", _no_label),
    Task("types_blind", "Do you hear the type?", _types_blind),
)
