"""Homework beside lesson ``07_detector_types``: what each type does with its settings, colour in numbers, and false
tones.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal, decibels
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.analysis.times import measure_burst
from vocomp_lab.exercises.tasks import Diagnose, HearIt, SetIt, Task, WorkOut, WriteIt, as_code, figure
from vocomp_lab.processors.character import FetCompressor, OptoCompressor, character
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip

TITLE = "Detector types"
_VERSES = ("lesson_verse_faulty", "second_verse_faulty")
# Where the key begins to look on each take: thresholds in dBFS for the opto, and for the FET with a long attack. And
# where the FET stands to begin with: with a short attack the median is about 3 dB there.
_OPTO_NEAR_DB = dict(zip(_VERSES, (-29.0, -28.0)))
_FET_NEAR_DB = dict(zip(_VERSES, (-28.0, -27.5)))
_FET_START_DB = dict(zip(_VERSES, (-25.0, -23.5)))


@cache
def _voice(name: str) -> Clip:
    """The last two lines of a take with its low end and boxiness out, as the lesson begins."""
    return Peaking(410, -5, 2).apply(HighPass(90, 3).apply(shipped(name).clip)).cut(7.3, 14.6)


def _grip(draw):
    was, now = draw.sample((2, 3, 4, 5, 6, 8, 10, 12), 2)
    was, now = (was, now) if draw.choice((True, False)) else (now, was)
    attack = draw.step(4, 20, 1)
    effect = attack / was
    answer = effect * now
    return WorkOut(
        prompt=f"A FET compressor is set to **{was}:1** with an attack of **{attack:g} ms**, and grips just as you "
        f"like it. Now you want **{now}:1**. Which attack do you set, so that it grips as fast as before?",
        answer=answer,
        unit="ms",
        tolerance=round(0.02 * answer, 2),
        mistakes={"inverted": attack * was / now, "feedback_left_out": attack},
        hints=(
            "How fast does it grip at the old ratio, with its detector behind the gain?",
            "As many times faster than set as the ratio says.",
        ),
        solution=f"In effect its time constant is {attack:g} ms / {was} = {effect:.2f} ms. At {now}:1 it is {now} "
        f"times faster than set, so {effect:.2f} ms · {now} = **{answer:.2f} ms**.",
    )


def _percent(draw):
    below, more = draw.step(38, 52, 1), draw.step(3, 9, 1)
    answer = 100 * 10 ** ((more - below) / 20)
    return WorkOut(
        prompt=f"A colour stage gives a tone a second harmonic at **{decibels(-below, 0)} dB** relative to the tone. "
        f"You raise the drive by **{more:g} dB**; at so little drive the second harmonic rises along, decibel for "
        f"decibel. How large is its amplitude then, in percent of the tone's?",
        answer=answer,
        unit="%",
        tolerance=round(0.03 * answer, 3),
        mistakes={
            "ten_for_twenty": 100 * 10 ** ((more - below) / 10),
            "inverted": 100 * 10 ** ((-more - below) / 20),
        },
        hints=(
            "First the new level in dB: more drive, stronger harmonic.",
            "−20 dB is a tenth of the amplitude, −40 dB a hundredth; what lies between is 10^(dB/20).",
        ),
        solution=f"{decibels(-below, 0)} + {more:g} = {decibels(more - below, 0)} dB, and "
        f"10^({decibels(more - below, 0)}/20) = {answer / 100:.4f}, that is **{answer:.2f} %**.",
    )


def _folded(draw):
    rate, order = draw.choice((44_100, 48_000)), draw.choice((3, 5))
    low, high = {3: (9_000, 14_000), 5: (9_500, 12_500)}[order]
    note = draw.step(low, high, 100)
    answer = abs(order * note - rate)
    return WorkOut(
        prompt=f"A curve without oversampling bends a sound at a rate of **{rate:,} Hz**. An overtone of the sound "
        "lies at "
        f"**{note:,.0f} Hz**, and the curve makes its harmonic number **{order}**. At which frequency, in **kHz**, "
        "does that sound?",
        answer=answer / 1000,
        unit="kHz",
        tolerance=0.02,
        mistakes={"not_folded": order * note / 1000, "folded_at_half": abs(order * note - rate / 2) / 1000},
        hints=(
            "Where would the harmonic lie, and what is the highest frequency that the samples can hold?",
            "What lies over half the rate comes back at its distance from the rate itself.",
        ),
        solution=f"{order} · {note:,.0f} Hz = {order * note:,.0f} Hz is over half the rate, {rate / 2:,.0f} Hz. It "
        f"comes back at |{order * note:,.0f} − {rate:,}| = **{answer:,.0f} Hz**, {answer / 1000:g} kHz, which is no "
        "multiple of anything that "
        f"was sung. Oversampling bends the sound at a higher rate and filters before it comes back.",
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
_LOOP_MODEL = _LOOP_START.replace("asked = ...", "heard = level - reduction\n"
    "        asked = max(heard - threshold_db, 0) * (ratio - 1)")  # fmt: skip


def _loop(level_db, rate, attack_ms, release_ms, target_reduction_db):
    attack, release = (math.exp(-1000 / (time * rate)) for time in (attack_ms, release_ms))
    reduction, history = 0.0, []
    for level in level_db:
        asked = target_reduction_db(level, reduction)
        keep = attack if asked > reduction else release
        reduction = keep * reduction + (1 - keep) * asked
        history.append(reduction)
    return history


def _hears_itself(level_db, rate, threshold_db, ratio, attack_ms, release_ms):
    return _loop(level_db, rate, attack_ms, release_ms,
        lambda level, reduction: max(level - reduction - threshold_db, 0) * (ratio - 1))  # fmt: skip


def _in_front(level_db, rate, threshold_db, ratio, attack_ms, release_ms):
    return _loop(level_db, rate, attack_ms, release_ms,
        lambda level, reduction: max(level - threshold_db, 0) * (1 - 1 / ratio))  # fmt: skip


def _wrong_curve(level_db, rate, threshold_db, ratio, attack_ms, release_ms):
    return _loop(level_db, rate, attack_ms, release_ms,
        lambda level, reduction: max(level - reduction - threshold_db, 0) * (1 - 1 / ratio))  # fmt: skip


def _bottomless(level_db, rate, threshold_db, ratio, attack_ms, release_ms):
    return _loop(level_db, rate, attack_ms, release_ms,
        lambda level, reduction: (level - reduction - threshold_db) * (ratio - 1))  # fmt: skip


def _feedback(draw):
    calls = []
    for _ in range(4):
        threshold = draw.step(-30, -16, 1)
        levels = [threshold + draw.step(low, high, 0.5) for low, high in ((4, 12), (-10, -2), (2, 9))] + [-60.0]
        calls.append(([level for level in levels for _ in range(40)], draw.choice((2000, 4000)), threshold,
            draw.choice((1.5, 2.0, 3.0, 4.0)), draw.step(5, 15, 1), draw.step(20, 80, 10)))  # fmt: skip
    return WriteIt(
        prompt="Write what a FET's detector asks for; the rest of the loop stands there already. The detector sits "
        "behind the gain: it hears the level of the sample **after** the reduction that stands so far. For the "
        "decibels "
        "by which that lies over the threshold it asks for **ratio − 1** times as many of reduction, and below the "
        "threshold for nothing. Levels come in dBFS, times in ms, the rate in Hz; `math` is at hand.",
        start=_LOOP_START,
        calls=tuple(calls),
        right=_hears_itself,
        tolerance=1e-4,
        model=_LOOP_MODEL,
        mistakes={"feedback_left_out": _in_front, "forward_curve": _wrong_curve, "below_threshold": _bottomless},
        hints=(
            "What is heard is `level - reduction`.",
            "At 4:1, one decibel over the threshold comes out for four that went in: three have gone.",
        ),
        solution="Why ratio − 1: of o decibels over the threshold, o/ratio come out and the rest has gone, which is "
        "ratio − 1 times what comes out. Feedback against feed-forward: Giannoulis, Massberg & Reiss (2012), section "
        "2.1; the workbook's own model also does without the delay of a sample.\n\n" + as_code(_LOOP_MODEL),
    )


@cache
def _lost_lu(name: str, threshold_db: float) -> float:
    """What an opto takes off the loudness; a take that is louder by as much as the threshold is higher loses the
    same.
    """
    voice = _voice(name)
    return integrated_lufs(voice) - integrated_lufs(OptoCompressor(threshold_db).apply(voice).output)


def _opto(draw):
    name, off_db = draw.choice(_VERSES), draw.step(-9, 3, 0.5)

    def clip() -> Clip:
        return _voice(name).gained(off_db)

    def candidates():
        for near_db in (0, 1, -1, 2, -2, 3):
            threshold = _OPTO_NEAR_DB[name] + near_db
            yield OptoCompressor(round(threshold + off_db, 2), makeup_db=round(_lost_lu(name, threshold), 2))

    return SetIt(
        prompt="Let an **opto** do the steady work on a take that is yours alone: in the middle of the sung time "
        "(median) "
        "it should take **2.5 to 3.5 dB**, and the voice should come out as loud as it went in, **within 0.5 LU**.",
        clip=clip,
        start=OptoCompressor(threshold_db=-60),
        goals=(Goal("median_db", low=2.5, high=3.5), Goal("loudness_change_lu", low=-0.5, high=0.5)),
        candidates=candidates,
        mistakes={"worked_too_hard": lambda processor, change: change.reduction.median_db > 6},
        hints=(
            "First the threshold, until the median fits; then the make-up gain.",
            "The line under the bench says "
            "how "
            "many LU are missing: that is the make-up gain, not the median reduction.",
        ),
        solution=f"On this take, recorded {decibels(off_db, sign=True)} dB from the workbook's, a threshold near "
        f"{decibels(_OPTO_NEAR_DB[name] + off_db, 0)} dBFS takes about 3 dB in the middle. It takes more of the loud "
        f"words, and loudness listens to those: so the make-up gain is larger than the median.",
    )


def _edge(draw):
    name, off_db = draw.choice(_VERSES), draw.step(-8, -3, 0.5)
    attack = draw.choice((4.0, 5.0, 6.0))

    def clip() -> Clip:
        return _voice(name).gained(off_db)

    def candidates():
        for near_db in (0, -0.5, 0.5, -1, 1):
            for attack_ms in (100, 150):
                yield FetCompressor(_FET_NEAR_DB[name] + near_db + off_db, 4, attack_ms, 100)

    def shaves(processor, change) -> bool:
        return change.reduction.median_db >= 1.5 and processor.attack_ms / processor.ratio < 10

    return SetIt(
        prompt=f"Somebody set a **FET** for a vocal that should keep its edge, with an attack of {attack:g} ms as on "
        f"the compressor before, and the starts of the words are gone. Do it better: a median reduction of **1.5 to 3 "
        f"dB**, and a crest factor that falls by **no more than 0.2 dB**.",
        clip=clip,
        start=FetCompressor(_FET_START_DB[name] + off_db, ratio=4, attack_ms=attack, release_ms=100),
        goals=(Goal("median_db", low=1.5, high=3), Goal("crest_change_db", low=-0.2)),
        candidates=candidates,
        mistakes={"starts_shaved": shaves},
        hints=(
            "How fast does a FET grip at 4:1, when its attack says 40 ms?",
            "With the longer attack less goes in the middle, too: then the threshold comes down a little.",
        ),
        solution=f"An attack of 100 ms at 4:1 is 25 ms in effect: long enough for the start of a word to pass. The "
        f"threshold near {decibels(_FET_NEAR_DB[name] + off_db, 0)} dBFS keeps the median in its window.",
    )


_BURSTS = {"short, loud": (0.1, -6.0), "long, loud": (2.0, -6.0), "long, softer": (2.0, -16.0)}


@cache
def _bursts(kind: str, ratio: float, attack_ms: float, release_ms: float) -> dict:
    model = character(kind, threshold_db=-26, ratio=ratio, attack_ms=attack_ms, release_ms=release_ms)
    return {name: measure_burst(model, length, 3.0, level, rate=24_000) for name, (length, level) in _BURSTS.items()}


def _no_label(draw):
    kind = draw.choice(("vca", "fet", "opto", "tube"))
    ratio, attack, release = draw.choice((3, 4, 6)), draw.choice((12.0, 16.0, 20.0)), draw.choice((80.0, 100.0, 120.0))
    bursts = _bursts(kind, ratio, attack, release)
    rows = "\n".join(
        f"    {name:<13} {burst.reached_db:4.1f} dB {burst.attack_ms():9.1f} ms {burst.release_ms(0.5):9.0f} ms "
        f"{burst.release_ms(0.1):12.0f} ms"
        for name, burst in bursts.items()
    )
    short, long, softer = bursts.values()
    return Diagnose(
        prompt=f"A compressor without a label. Its knobs say **{ratio}:1, attack {attack:g} ms, release {release:g} "
        f"ms**, the threshold lies at −26 dBFS. Three bursts of a steady sound, at −6 or −16 dBFS, gave this. Of which "
        f"**type** is it?\n\n    burst         reached     63 % after   half gone   all but a tenth\n{rows}",
        choices={
            "vca": "as it is told",
            "fet": "it hears itself",
            "opto": "it remembers",
            "tube": "it leans in",
        },
        answer=kind,
        why_not={
            "vca": f"It would reach 63 % a little after the {attack:g} ms that were set, whatever the burst, and let "
            "go "
            "alike after a short and a long one.",
            "fet": f"It would be {ratio} times as fast as set on the way in; this one took {long.attack_ms():.1f} ms.",
            "opto": f"It would keep a tail after long work; here all but a tenth has gone after "
            f"{short.release_ms(0.1):.0f} "
            f"ms (short) and {long.release_ms(0.1):.0f} ms (long).",
            "tube": "It would grip faster the louder the sound is; here 63 % are reached after "
            f"{long.attack_ms():.1f} ms (loud) and {softer.attack_ms():.1f} ms (softer).",
        },
        hints=(
            "Compare the attack with the knob, then the loud burst with the softer one.",
            "Compare the release after the short and after the long burst, its first half and its end.",
        ),
        solution={
            "vca": f"{long.attack_ms():.1f} and {softer.attack_ms():.1f} ms are the attack that was set, and a little "
            "for the "
            "detector's average; short or long makes no difference to the release: it does as it is told, a **VCA**.",
            "fet": f"{long.attack_ms():.1f} ms instead of {attack:g} ms is {ratio} times as fast as set, which is the "
            "ratio: it "
            "hears its own output, a **FET**.",
            "opto": f"Half has gone after {figure(round(long.release_ms(0.5)))} ms either way, and the end takes "
            f"{long.release_ms(0.1):.0f} ms after long work, {short.release_ms(0.1):.0f} ms after short: an **opto**.",
            "tube": f"It grips within {long.attack_ms():.1f} ms when it is loud and {softer.attack_ms():.1f} ms when "
            "it is "
            "softer, lets go more slowly after a long burst, and 10 dB more of sound got it far more reduction in "
            "proportion: the gain falls gradually, a **tube**.",
        }[kind],
    )


def _blind(draw):
    one, other = draw.choice((("fet", "opto"), ("fet", "tube"), ("opto", "vca"), ("tube", "vca"), ("fet", "vca")))
    name, off_db = draw.choice(_VERSES), draw.step(-6, 0, 0.5)

    def sounds():
        voice = _voice(name)
        models = (character(kind) for kind in (one, other))
        models = (replace(model, threshold_db=threshold_for(model, voice, "median_db", 3)) for model in models)
        return tuple(model.apply(voice).output.gained(off_db) for model in models)

    return HearIt(
        prompt=f"Do you hear the type at all? A and B are your voice through **{one}** and **{other}**, both with a "
        f"median of 3 dB or a little more, at equal loudness. First note whether you expect to tell them apart; then "
        f"listen blind, ten trials.",
        rounds=10,
        sounds=sounds,
        hints=(
            "The start of a word, and how the voice comes back after a loud one: nowhere else do types differ more.",
        ),
        solution="There is no right answer here. Not told apart means: not shown to be different to you, on this voice "
        "and these loudspeakers. Then choose by what is at hand.",
    )


TASKS = (
    Task("grip", "Another ratio, the same grip", _grip),
    Task("percent", "How much colour is that?", _percent),
    Task("folded", "A tone that nobody sang", _folded),
    Task("fet_loop", "Write the detector that hears itself", _feedback, points=2),
    Task("opto_work", "Steady work for an opto", _opto, points=2),
    Task("fet_edge", "A FET that leaves the edge", _edge, points=2),
    Task("no_label", "No label on it", _no_label),
    Task("types_blind", "Do you hear the type?", _blind),
)
