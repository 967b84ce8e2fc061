"""Homework beside lesson ``03_filtering``: what a thump costs, the low cut, a ring, sharp s sounds, and the order."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowend import band_level_db, find_pops, low_end_reaction
from vocomp_lab.analysis.measures import Goal, decibels
from vocomp_lab.exercises.tasks import Diagnose, FindIt, HearIt, SetIt, Task, WorkOut, WriteIt, as_code
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.faults import SIBILANTS, Boxiness, Pops, Sibilance
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import power_to_db

TITLE = "Filtering"
_SINGERS = ("lesson_verse", "second_verse")
_LAST_LINES_S = (7.3, 14.6)


@cache
def _clean(singer: str):
    return shipped(f"{singer}_clean")


@cache
def _lines(singer: str, kind: str = "clean") -> Clip:
    """The last two lines of a take."""
    return shipped(f"{singer}_{kind}").clip.cut(*_LAST_LINES_S)


@cache
def _loudness(singer: str) -> float:
    return integrated_lufs(_lines(singer))


@cache
def _lowest_hz(singer: str) -> float:
    return min(note["pitch_hz"] for word in _clean(singer).truth["words"] for note in word["notes"])


@cache
def _bursts_s(singer: str, phones: str) -> tuple[tuple[float, str], ...]:
    """When the breath of p, b, t or k comes out in a take, and in which word."""
    return tuple((p["release_s"], word["text"]) for word in _clean(singer).truth["words"] for p in word["phones"]
        if p["phone"] in phones and "release_s" in p)  # fmt: skip


def _thump_costs(draw):
    vowel, over, ratio = draw.step(-24, -18, 0.5), draw.step(1, 5, 0.5), draw.choice((2, 2.5, 3, 4))
    thump, threshold = vowel + over, vowel - draw.step(3, 6, 0.5)
    powers = [10 ** (level / 10) for level in (vowel, thump)]
    both, slope = float(power_to_db(sum(powers))), 1 - 1 / ratio
    answer = (both - vowel) * slope
    as_waves = 20 * float(np.log10(sum(np.sqrt(powers))))
    return WorkOut(
        prompt=f"A vowel at **{decibels(vowel)} dBFS** RMS, and under it the thump of a p at **{decibels(thump)} "
        "dBFS** RMS. "
        f"The compressor hears both together (RMS detector, threshold **{decibels(threshold)} dBFS**, "
        f"**{ratio:g}:1**, hard "
        "knee). By how many decibels does the static curve turn the vowel down **more** than it would without the "
        "thump?",
        answer=answer,
        unit="dB",
        tolerance=0.1,
        mistakes={
            "loudest_alone": over * slope,
            "amplitudes_added": (as_waves - vowel) * slope,
            "slope_for_ratio": (both - vowel) / ratio,
            "whole_reduction": (both - threshold) * slope,
        },
        hints=(
            "First the level of both together: levels don't add, powers do, 10^(dB/10).",
            "The vowel alone is over "
            "the "
            "threshold, too. Only what the thump adds to the level counts, times 1 − 1/ratio.",
        ),
        solution=f"Powers: 10·log₁₀(10^({decibels(vowel)}/10) + 10^({decibels(thump)}/10)) = {decibels(both, 2)} "
        "dBFS, which is "
        f"{both - vowel:.2f} dB more than the vowel alone. At {ratio:g}:1, {slope:.3g} of that goes: **{answer:.2f} "
        "dB**, "
        "taken off a word for a sound that nobody wants.",
    )


_CORNER_START = '''def highest_corner(notes_hz, order, most_loss_db):
    """Corner in Hz up to which a low cut takes no more than most_loss_db off the lowest of the notes."""
    ...
'''
_CORNER_MODEL = '''def highest_corner(notes_hz, order, most_loss_db):
    """Corner in Hz up to which a low cut takes no more than most_loss_db off the lowest of the notes."""
    lowest_hz = min(notes_hz)
    return lowest_hz * (10 ** (most_loss_db / 10) - 1) ** (1 / (2 * order))
'''


def _corner_for(lowest_hz, order, loss_db):
    return lowest_hz * (10 ** (loss_db / 10) - 1) ** (1 / (2 * order))


def _corner(draw):
    calls = []
    for order in draw.shuffled((1, 2, 3, 4, 5)):
        tonic = 440.0 * 2 ** (draw.step(-29, -8, 1) / 12)
        melody = draw.shuffled([0, *draw.sample((2, 3, 4, 5, 7, 9, 12), 4)])
        if melody[0] == 0:  # a melody that begins on its lowest note would not show whether that was looked for
            melody = melody[1:] + melody[:1]
        notes_hz = [round(tonic * 2 ** (step / 12), 2) for step in melody]
        calls.append((notes_hz, order, draw.choice((0.25, 0.5, 1.0, 1.5))))
    return WriteIt(
        prompt="How high may a low cut go? Write the function: in come the pitches of a melody (a list, in Hz), the "
        "order of "
        "the filter, and how many decibels the lowest note may lose. Out comes the highest corner that is allowed, in "
        "Hz. "
        "With its corner at c, a Butterworth high-pass takes 10·log₁₀(1 + (c/f)^(2·order)) dB off the frequency f. "
        "`math` "
        "and `np` are at hand.",
        start=_CORNER_START,
        calls=tuple(calls),
        right=lambda notes_hz, order, loss_db: _corner_for(min(notes_hz), order, loss_db),
        tolerance=0.05,
        model=_CORNER_MODEL,
        mistakes={
            "lowest_note_missed": lambda notes_hz, order, loss_db: _corner_for(notes_hz[0], order, loss_db),
            "corner_on_the_note": lambda notes_hz, order, loss_db: min(notes_hz),
            "order_not_doubled": lambda notes_hz, order, loss_db: _corner_for(min(notes_hz), order / 2, loss_db),
        },
        hints=(
            "Set the loss equal to what is allowed, with f the lowest note, and solve for c.",
            "10^(loss/10) − 1 is (c/f)^(2·order); the 2·order-th root of it is c/f.",
        ),
        solution="Solved for c. The steeper the filter, the nearer the corner may come to the note: at half a "
        "decibel, 0.59 "
        "times its frequency for order 2 and 0.77 times for order 4. (The formula: Butterworth 1930, value from "
        "memory; "
        "the tests hold it against SciPy's filter.)\n\n" + as_code(_CORNER_MODEL),
    )


def _thumps(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, 3, 0.5)
    chosen = draw.sample(_bursts_s(singer, "pb"), 3)
    freqs = tuple(draw.step(36, 52, 1) for _ in chosen)
    levels = tuple(_loudness(singer) + draw.step(7, 10, 0.5) for _ in chosen)

    def clip() -> Clip:
        return Pops(tuple(at for at, _ in chosen), freqs, levels).apply(_clean(singer).clip).gained(off_db)

    return FindIt(
        prompt="In this verse three sounds of p or b blow at the microphone. They are hard to hear on small "
        "loudspeakers; a "
        "compressor hears them well. Give the time of each, as a list.",
        clip=clip,
        windows=tuple((round(at - 0.06, 3), round(at + 0.2, 3), f"“{word}”") for at, word in chosen),
        unit="s",
        hints=(
            "Listen to what a low cut **removes**: thumps and no words.",
            "Or look at the level below 80 Hz over time, as `find_pops` of the lesson does.",
        ),
        solution="The thumps come with the breath of "
        + ", ".join(f"“{word}” at {at:.2f} s" for at, word in chosen)
        + ".",
    )


def _ring(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, 0, 0.5)
    freq, gain, q = draw.step(300, 760, 5), draw.step(9, 11, 0.5), draw.step(3, 4, 0.25)

    def clip() -> Clip:
        return Boxiness(freq, gain, q).apply(_lines(singer)).gained(off_db)

    return FindIt(
        prompt="This voice was recorded in a box that rings somewhere between 250 and 850 Hz. Sweep with a narrow "
        "boost, "
        "quietly, and give the frequency at which it honks most, within a tenth of it.",
        clip=clip,
        windows=((round(0.9 * freq, 1), round(1.1 * freq, 1), f"the ring at {freq:g} Hz"),),
        unit="Hz",
        hints=(
            "A ring stays where it is while the vowels move: sweep twice, over different words.",
            "`find_resonances` gives you a second opinion; your ear has the last word.",
        ),
        solution=f"The ring is at **{freq:g} Hz**, {decibels(gain, sign=True)} dB with a Q of {q:g}. You would cut "
        "about two "
        f"thirds of what you found there, some {2 * gain / 3:.0f} dB, and listen again.",
    )


def _low_cut(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, -1, 0.5)
    inside = [burst for burst in _bursts_s(singer, "pbtk") if _LAST_LINES_S[0] < burst[0] < _LAST_LINES_S[1] - 1]
    chosen = draw.sample(inside, 3)
    loud = _loudness(singer)
    freqs = tuple(draw.step(44, 52, 1) for _ in chosen)
    levels = tuple(loud + draw.step(21, 23, 0.5) for _ in chosen)
    behind = Compressor(round(loud + off_db + 7.5, 1), ratio=4, attack_ms=3, release_ms=100, detector="rms")
    spared = round(loud + off_db - 0.12, 2)

    def clip() -> Clip:
        times = tuple(at - _LAST_LINES_S[0] for at, _ in chosen)
        return Pops(times, freqs, levels).apply(_lines(singer)).gained(off_db)

    def thin(processor, change) -> bool:
        return change.reduction.max_db <= 0.5 and change.after.loudness_lufs < spared

    return SetIt(
        prompt="Behind your **low cut** sits a compressor that hardly a word of this take reaches. Three thumps do, "
        "and it "
        f"ducks the voice behind them. Set the low cut so that it reacts by **no more than 0.5 dB** to anything, and "
        "the "
        f"voice keeps its body: what comes out must not fall below **{decibels(spared, 2)} LUFS**.",
        clip=clip,
        start=HighPass(20, 1),
        then=behind,
        goals=(Goal("max_db", high=0.5), Goal("loudness_lufs", low=spared)),
        candidates=lambda: [HighPass(hz, order) for order in (4, 3, 5, 6) for hz in (90, 80, 100, 110)],
        mistakes={"into_the_voice": thin},
        hints=(
            "Raise the corner until the reduction has gone, then listen whether the voice got thin.",
            "If both don't go together, be steeper (a higher order) instead of higher.",
        ),
        solution=f"The thumps lie near {min(freqs):g} to {max(freqs):g} Hz, the lowest note of this singer at "
        f"{_lowest_hz(singer):.0f} Hz: there is room between them. Order 4 with its corner near 90 Hz takes the "
        "thumps and "
        "leaves the notes.",
    )


def _deess(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, 2, 0.5)
    freq, gain = draw.step(6_400, 7_600, 100), draw.step(7, 11, 0.5)

    def clip() -> Clip:
        first, last = _LAST_LINES_S
        phones = [phone for word in _clean(singer).truth["words"] for phone in word["phones"]]
        spans = [(p["start_s"] - first, p["end_s"] - first) for p in phones
            if p["phone"] in SIBILANTS and p["start_s"] > first and p["end_s"] < last]  # fmt: skip
        return Sibilance(tuple(spans), freq, gain, 1.4).apply(_lines(singer)).gained(off_db)

    return SetIt(
        prompt="This **de-esser** lisps: it is set far too low. Set it so that it takes **3 to 6 dB** off the "
        "sharpest s, "
        "and acts in **2 to 9 %** of the sung time: on the s sounds, and idle in the vowels.",
        clip=clip,
        start=DeEsser(threshold_db=-50, range_db=12),
        goals=(Goal("max_db", low=3, high=6), Goal("share_percent", low=2, high=9)),
        candidates=lambda: [DeEsser(level_db, range_db=6) for level_db in (-18, -20, -16, -22, -14, -24, -12, -26)],
        mistakes={"lisps": lambda processor, change: change.reduction.share > 0.15},
        hints=(
            "First the threshold: raise it until only s sounds are left in “what was removed”.",
            "If the loudest s then loses too much, the range says what is taken at most.",
        ),
        solution=f"The s sounds of this take are {gain:g} dB too sharp near {freq:,.0f} Hz. A threshold that only "
        "they reach, "
        "and a range of 6 dB: then no s loses more, however sharp it is.",
    )


@cache
def _order_numbers(singer: str, way: str, under_db: float, ratio: float, corner_hz: float):
    """Correlation, largest extra reduction in dB and level below 80 Hz in dBFS of one way to treat the low end."""
    voice = _boxless(singer)
    cut = HighPass(corner_hz, 3)
    machine = Compressor(round(integrated_lufs(voice) - under_db, 1), ratio, attack_ms=10, release_ms=150)
    if way == "sidechain":
        machine = replace(machine, sidechain_highpass_hz=100)
    fed = cut.apply(voice) if way == "first" else voice
    reaction = low_end_reaction(machine, fed, voice, _pops(singer))
    out = machine.apply(fed).output
    out = cut.apply(out) if way == "last" else out
    return reaction.correlation, reaction.largest_db, band_level_db(out, 20, 80)


@cache
def _boxless(singer: str) -> Clip:
    return Peaking(400, -4, 3).apply(shipped(f"{singer}_faulty").clip.cut(4.0, 12.9))


@cache
def _pops(singer: str):
    return find_pops(_boxless(singer))


@cache
def _low_end_dbfs(singer: str) -> float:
    return band_level_db(_boxless(singer), 20, 80)


def _which_order(draw):
    way = draw.choice(("first", "last", "sidechain", "none"))
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, 3, 0.5)
    under, ratio, corner = draw.choice((2.0, 3.0, 4.0)), draw.choice((3.0, 4.0)), draw.choice((85.0, 95.0))
    correlation, extra, low = _order_numbers(singer, way, under, ratio, corner)
    follows = f"The largest extra reduction at a pop is {extra:.1f} dB"
    recorded = _low_end_dbfs(singer) + off_db
    lies = f"below 80 Hz the result has {decibels(low + off_db)} dBFS, the take {decibels(recorded)}"
    return Diagnose(
        prompt=f"A take full of pops went through a compressor at {ratio:g}:1. In what way was its low end dealt "
        "with?\n\n"
        f"    correlation of reduction and low end   {decibels(correlation, 2)}\n"
        f"    largest extra reduction at a pop       {decibels(extra)} dB\n"
        f"    level below 80 Hz, as recorded         {decibels(recorded)} dBFS\n"
        f"    level below 80 Hz, of the result       {decibels(low + off_db)} dBFS",
        choices={
            "first": "a low cut before the compressor",
            "last": "a low cut behind the compressor",
            "sidechain": "a side-chain cut in the compressor, no filter in the sound",
            "none": "not at all",
        },
        answer=way,
        why_not={
            "first": f"Then the reduction would leave the pops alone and the low end would be gone. {follows}; {lies}.",
            "last": f"Then the low end would be gone, and the reduction would have followed it. {follows}; {lies}.",
            "sidechain": f"Then the reduction would leave the pops alone and the low end would be there. {follows}; "
            f"{lies}.",
            "none": f"Then the reduction would follow the pops and the low end would be there. {follows}; {lies}.",
        },
        hints=(
            "Two questions: did the compressor hear the pops, and does the listener?",
            "The first one is answered by the extra reduction, the second one by the level below 80 Hz.",
        ),
        solution=f"{follows}, so the compressor {'heard' if way in ('last', 'none') else 'did not hear'} the pops. "
        f"And {lies}: "
        f"the low end {'has been cut from' if way in ('first', 'last') else 'is still in'} the sound. That is “{way}”.",
    )


def _blind(draw):
    singer, share, off_db = draw.choice(_SINGERS), draw.step(0.6, 0.75, 0.05), draw.step(-6, 0, 0.5)
    corner = 5 * round(share * _lowest_hz(singer) / 5)

    def sounds():
        voice = _lines(singer, "faulty").gained(off_db)
        return voice, HighPass(corner, 3).apply(voice)

    return HearIt(
        prompt=f"A is a voice as recorded, B the same with a low cut at {corner} Hz, {share:g} times its lowest note. "
        "Do you "
        "hear what you filtered for the compressor's sake? Listen blind, ten trials, and note whether on loudspeakers "
        "or "
        "on headphones.",
        rounds=10,
        sounds=sounds,
        hints=("Listen for what is missing under a p or b, not for the colour of the vowels.",),
        solution="There is no right answer here. On small loudspeakers hardly anybody hears it, which is why pops are "
        "found late. The compressor behind it hears them anywhere.",
    )


TASKS = (
    Task("thump_costs", "What a thump costs", _thump_costs),
    Task("highest_corner", "Write the low cut's limit", _corner, points=2),
    Task("thumps", "Three thumps", _thumps),
    Task("ring", "Where is the box?", _ring),
    Task("low_cut", "For the compressor's sake", _low_cut, points=2),
    Task("deess", "Sharp, not lisping", _deess, points=2),
    Task("which_order", "In which order?", _which_order),
    Task("cut_blind", "Do you hear the low cut?", _blind),
)
