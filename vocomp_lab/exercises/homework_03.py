"""Homework beside lesson ``03_filtering``: what a thump costs, the low cut, a ring, sharp s sounds, and the order."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowend import band_level_db, find_pops, low_end_reaction
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.exercises.kinds import Diagnose, FindIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import LAST_TWO_LINES_S, blind_test, table, take
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.faults import SIBILANTS, Boxiness, Pops, Sibilance
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import power_to_db
from vocomp_lab.sound.text import decibels

TITLE = "Filtering"
_SINGERS = ("lesson_verse", "second_verse")


def _clean(singer: str):
    return take(f"{singer}_clean")


@cache
def _lines(singer: str, kind: str = "clean") -> Clip:
    return take(f"{singer}_{kind}").clip.cut(*LAST_TWO_LINES_S)


@cache
def _loudness(singer: str) -> float:
    return integrated_lufs(_lines(singer))


@cache
def _lowest_hz(singer: str) -> float:
    return min(note["pitch_hz"] for word in _clean(singer).truth["words"] for note in word["notes"])


@cache
def _bursts_s(singer: str, phones: str) -> tuple[tuple[float, str], ...]:
    """When the breath of each p, b, t or k comes out in a take, and in which word."""
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
        prompt=f"Under a vowel at **{decibels(vowel)} dBFS** RMS lies the thump of a p at **{decibels(thump)} dBFS** RMS. "
        f"The compressor hears both together (RMS detector, threshold **{decibels(threshold)} dBFS**, "
        f"**{ratio:g}:1**, hard knee). By how many decibels **more** does the static curve turn the vowel down than it "
        "would without the thump?",
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
            "First, the level of both together: levels don't add, but powers do, 10^(dB/10).",
            "The vowel alone is over the threshold too. Only what the thump adds to the level counts, times 1 − 1/ratio.",
        ),
        solution=f"Powers: 10·log₁₀(10^({decibels(vowel)}/10) + 10^({decibels(thump)}/10)) = {decibels(both, 2)} dBFS, "
        f"{both - vowel:.2f} dB more than the vowel alone. At {ratio:g}:1, {slope:.3g} of that is taken off: "
        f"**{answer:.2f} dB**, off a word, for a sound that nobody wants.",
    )


_CORNER_START = '''def highest_corner(notes_hz, order, most_loss_db):
    """Corner in Hz up to which a low cut takes no more than most_loss_db off the lowest of the notes."""
    ...
'''
_CORNER_MODEL = '''def highest_corner(notes_hz, order, most_loss_db):
    """Corner in Hz up to which a low cut takes no more than most_loss_db off the lowest of the notes."""
    lowest_hz = min(notes_hz) * 2 ** (-SCOOP / 12)
    corner_hz = lowest_hz * (10 ** (most_loss_db / 10) - 1) ** (1 / (2 * order))
    return min(corner_hz, CEILING)
'''


def _corner_for(lowest_hz, order, loss_db):
    return lowest_hz * (10 ** (loss_db / 10) - 1) ** (1 / (2 * order))


def _corner(draw):
    scoop, ceiling_hz = draw.choice((1, 2, 3, 4)), draw.choice((100, 110, 120, 130, 140, 150))
    down = 2 ** (-scoop / 12)
    calls = []
    for order in draw.shuffled((1, 2, 3, 4, 5)):
        tonic = 440.0 * 2 ** (draw.step(-29, -8, 1) / 12)
        melody = draw.shuffled([0, *draw.sample((2, 3, 4, 5, 7, 9, 12), 4)])
        if melody[0] == 0:  # if it began on its lowest note, nobody could tell whether that was looked for
            melody = melody[1:] + melody[:1]
        notes_hz = [round(tonic * 2 ** (step / 12), 2) for step in melody]
        calls.append((notes_hz, order, draw.choice((0.25, 0.5, 1.0, 1.5))))
    # One low voice and one high one: with these the ceiling is out of reach, and reached.
    for tonic, order in ((82.41, 2), (246.94, 4)):
        calls.append(([round(tonic * 2 ** (step / 12), 2) for step in (4, 0, 7)], order, 0.5))

    def limited(corner_hz):
        return min(corner_hz, ceiling_hz)

    model = _CORNER_MODEL.replace("SCOOP", str(scoop)).replace("CEILING", str(ceiling_hz))
    return WriteIt(
        prompt="How high may a low cut go? Write a function that takes the pitches of a melody (a list, in Hz), the order "
        "of the filter, and how many decibels the lowest note may lose. It returns the highest corner allowed, in Hz. This "
        f"singer slides into every note from **{scoop} semitone{'s' if scoop > 1 else ''} below** it, and that moment counts "
        f"as well: a semitone is a factor of 2^(1/12). And **{ceiling_hz} Hz** is the most, whatever the melody. With its "
        "corner at c, a Butterworth high-pass takes 10·log₁₀(1 + (c/f)^(2·order)) dB off the frequency f. You can use `math` "
        "and `np`.",
        start=_CORNER_START,
        calls=tuple(calls),
        right=lambda notes_hz, order, loss_db: limited(_corner_for(min(notes_hz) * down, order, loss_db)),
        tolerance=0.05,
        model=model,
        mistakes={
            "lowest_note_missed": lambda notes, order, loss_db: limited(_corner_for(notes[0] * down, order, loss_db)),
            "slide_left_out": lambda notes, order, loss_db: limited(_corner_for(min(notes), order, loss_db)),
            "limit_left_out": lambda notes, order, loss_db: _corner_for(min(notes) * down, order, loss_db),
            "corner_on_the_note": lambda notes, order, loss_db: limited(min(notes) * down),
            "order_not_doubled": lambda notes, order, loss: limited(_corner_for(min(notes) * down, order / 2, loss)),
        },
        hints=(
            f"The lowest frequency is the lowest note times 2^(−{scoop}/12). Set the loss equal to what is allowed, with f that "
            "frequency, and solve for c.",
            f"10^(loss/10) − 1 is (c/f)^(2·order); take the 2·order-th root to get c/f. Last comes `min(…, {ceiling_hz})`.",
        ),
        solution="Solved for c. The steeper the filter, the closer its corner may come to the note: for half a decibel, "
        "0.59 times the note's frequency at order 2 and 0.77 times at order 4. (The formula: Butterworth 1930, value from "
        "memory; the tests check it against SciPy's filter.)\n\n" + as_code(model),
    )


def _thumps(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, 3, 0.5)
    chosen = draw.sample(_bursts_s(singer, "pb"), 3)
    freqs = tuple(draw.step(36, 52, 1) for _ in chosen)
    levels = tuple(_loudness(singer) + draw.step(7, 10, 0.5) for _ in chosen)
    return FindIt(
        prompt="In this verse, three p or b sounds blow into the microphone. They are hard to hear on small loudspeakers, "
        "but a compressor hears them well. Give the time of each, as a list.",
        clip=lambda: Pops(tuple(at for at, _ in chosen), freqs, levels).apply(_clean(singer).clip).gained(off_db),
        windows=tuple((round(at - 0.06, 3), round(at + 0.2, 3), f"“{word}”") for at, word in chosen),
        unit="s",
        hints=(
            "Listen to what a low cut **removes**: thumps, and no words.",
            "Or look at the level below 80 Hz over time, as `find_pops` of the lesson does.",
        ),
        solution="The thumps come with the breath of "
        + ", ".join(f"“{word}” at {at:.2f} s" for at, word in chosen)
        + ".",
    )


def _ring(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, 0, 0.5)
    freq, gain, q = draw.step(300, 760, 5), draw.step(9, 11, 0.5), draw.step(3, 4, 0.25)
    return FindIt(
        prompt="This voice was recorded in a box that rings somewhere between 250 and 850 Hz. Sweep with a narrow boost, "
        "quietly, and give the frequency where it honks most, to within a tenth.",
        clip=lambda: Boxiness(freq, gain, q).apply(_lines(singer)).gained(off_db),
        windows=((round(0.9 * freq, 1), round(1.1 * freq, 1), f"the ring at {freq:g} Hz"),),
        unit="Hz",
        hints=(
            "A ring stays put while the vowels move: sweep twice, over different words.",
            "`find_resonances` gives you a second opinion; your ear has the last word.",
        ),
        solution=f"The ring is at **{freq:g} Hz**, {decibels(gain, sign=True)} dB with a Q of {q:g}. You would cut about "
        f"three quarters of what you found there, some {3 * gain / 4:.0f} dB, and listen again.",
    )


_LEFT_DB = 0.3, 1.3
_MEASURED = (38, 44, 48, 52, 60), (1.02, 1.0, 0.94, 0.905, 0.895)


def _low_cut(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, -1, 0.5)
    first_s, last_s = LAST_TWO_LINES_S
    chosen = draw.sample([burst for burst in _bursts_s(singer, "pbtk") if first_s < burst[0] < last_s - 1], 3)
    loud = _loudness(singer)
    thump_hz, loudest_lu = draw.step(38, 60, 0.5), draw.step(20, 23, 0.25)
    # Two more that are softer and lower, so that only one of them decides.
    freqs, levels = draw.shuffled((0, 1, 2)), (0.0, -2.0, -4.0)
    freqs, levels = zip(*[(thump_hz - 3 * which, loud + loudest_lu + levels[which]) for which in freqs])
    behind = Compressor(round(loud + off_db + 7.5, 1), ratio=4, attack_ms=3, release_ms=100, detector="rms")
    spared = round(loud + off_db - 0.12, 2)

    def clip() -> Clip:
        times = tuple(at - first_s for at, _ in chosen)
        return Pops(times, freqs, levels).apply(_lines(singer)).gained(off_db)

    def thin(processor, change) -> bool:
        return change.reduction.max_db <= _LEFT_DB[1] and change.after.loudness_lufs < spared

    def more_than_needed(processor, change) -> bool:
        return change.reduction.max_db < _LEFT_DB[0] and change.after.loudness_lufs >= spared

    def near_hz(order: int) -> float:
        # The filter's own slope, and what was measured: the lower the thump, the better the detector follows its waves.
        return float(np.interp(thump_hz, *_MEASURED)) * thump_hz * 10 ** (0.1 * (loudest_lu - 8.5) / (2 * order))

    def candidates():
        for order in (4, 5, 3, 6):
            yield from (
                HighPass(round(share * near_hz(order)), order) for share in (1, 0.97, 1.03, 0.94, 1.06, 0.91, 1.09)
            )

    return SetIt(
        prompt="After your **low cut** comes a compressor whose threshold hardly a word of this take reaches. Three thumps "
        "do, and each time it ducks the voice. Filter as much as you need and no more: with your low cut, the compressor's "
        f"deepest reduction should be **{_LEFT_DB[0]:g} to {_LEFT_DB[1]:g} dB**. And the voice keeps its body: the output must "
        f"not fall below **{decibels(spared, 2)} LUFS**.",
        clip=clip,
        start=HighPass(20, 1),
        then=behind,
        goals=(Goal("max_db", *_LEFT_DB), Goal("loudness_lufs", low=spared)),
        candidates=candidates,
        mistakes={"into_the_voice": thin, "more_than_needed": more_than_needed},
        hints=(
            "Raise the corner until the reduction is nearly gone, then listen: has the voice become thin?",
            "If you can't get both, make it steeper (a higher order), and then the corner may be lower again.",
        ),
        solution=f"The loudest thump is at {thump_hz:g} Hz, and this singer's lowest note is at {_lowest_hz(singer):.0f} Hz: there "
        f"is room in between. It has to come down by some {loudest_lu - 7.5 - 1:.0f} dB. Order 4 takes 24 dB from one octave to the "
        f"next, so its corner goes to 1.25 to 1.6 times the thump's frequency, {1.25 * thump_hz:.0f} to {1.6 * thump_hz:.0f} Hz; the "
        "number says where in between. Everything above that would cost voice and win nothing.",
    )


def _deess(draw):
    singer, off_db = draw.choice(_SINGERS), draw.step(-6, 2, 0.5)
    freq, gain = draw.step(6_400, 7_600, 100), draw.step(8, 12, 0.5)
    low = draw.step(2, 6.5, 0.5)

    def clip() -> Clip:
        first, last = LAST_TWO_LINES_S
        phones = [phone for word in _clean(singer).truth["words"] for phone in word["phones"]]
        spans = [(p["start_s"] - first, p["end_s"] - first) for p in phones
            if p["phone"] in SIBILANTS and p["start_s"] > first and p["end_s"] < last]  # fmt: skip
        return Sibilance(tuple(spans), freq, gain, 1.4).apply(_lines(singer)).gained(off_db)

    return SetIt(
        prompt=f"This **de-esser** lisps: it is set far too low. Set it to take **{low:g} to {low + 1.5:g} dB** off the sharpest s, and to "
        "act during **2 to 9 %** of the sung time: on the s sounds, and not in the vowels.",
        clip=clip,
        start=DeEsser(threshold_db=-50, range_db=12),
        goals=(Goal("max_db", low=low, high=low + 1.5), Goal("share_percent", low=2, high=9)),
        candidates=lambda: [
            DeEsser(db, range_db=low + 0.8) for db in (-18, -16, -14, -12, -20, -13, -15, -22, -11, -24, -10)
        ],
        mistakes={"lisps": lambda processor, change: change.reduction.share > 0.15},
        hints=(
            "First the threshold: raise it until only s sounds are left in “what was removed”.",
            "If the loudest s then loses too much, set the range: it is the most that is ever taken off.",
        ),
        solution=f"The s sounds of this take are {gain:g} dB too sharp near {freq:,.0f} Hz. Use a threshold that only they "
        f"reach, and a range of {low + 0.8:g} dB: no s can lose more than that, however sharp it is.",
    )


@cache
def _order_numbers(singer: str, way: str, under_db: float, ratio: float, corner_hz: float):
    """Correlation, largest extra reduction in dB and level below 80 Hz in dBFS for one way of treating the low end."""
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
    return Peaking(400, -4, 3).apply(take(f"{singer}_faulty").clip.cut(4.0, 12.9))


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
    recorded = _low_end_dbfs(singer) + off_db
    rows = (
        ("correlation of reduction and low end", decibels(correlation, 2), ""),
        ("largest extra reduction at a pop", decibels(extra), "dB"),
        ("level below 80 Hz, as recorded", decibels(recorded), "dBFS"),
        ("level below 80 Hz, in the result", decibels(low + off_db), "dBFS"),
    )
    follows = f"The largest extra reduction at a pop is {extra:.1f} dB"
    lies = f"below 80 Hz the result has {decibels(low + off_db)} dBFS, the take {decibels(recorded)} dBFS"
    return Diagnose(
        prompt=f"A take full of pops went through a compressor at {ratio:g}:1. How was its low end dealt "
        f"with?\n\n{table(rows, '<><')}",
        choices={
            "first": "a low cut before the compressor",
            "last": "a low cut after the compressor",
            "sidechain": "a side-chain cut in the compressor, no filter in the sound",
            "none": "not at all",
        },
        answer=way,
        why_not={
            "first": f"Then the reduction would ignore the pops and the low end would be gone. {follows}; {lies}.",
            "last": f"Then the low end would be gone, but the reduction would have followed it. {follows}; {lies}.",
            "sidechain": f"Then the reduction would ignore the pops and the low end would still be there. {follows}; "
            f"{lies}.",
            "none": f"Then the reduction would follow the pops and the low end would still be there. {follows}; {lies}.",
        },
        hints=(
            "Two questions: did the compressor hear the pops, and does the listener?",
            "The extra reduction answers the first one, the level below 80 Hz the second.",
        ),
        solution=f"{follows}, so the compressor {'heard' if way in ('last', 'none') else 'did not hear'} the pops. And "
        f"{lies}: the low end {'was cut from' if way in ('first', 'last') else 'is still in'} the sound. That is “{way}”.",
    )


def _cut_blind(draw):
    singer, share, off_db = draw.choice(_SINGERS), draw.step(0.6, 0.75, 0.05), draw.step(-6, 0, 0.5)
    corner = 5 * round(share * _lowest_hz(singer) / 5)

    def sounds():
        voice = _lines(singer, "faulty").gained(off_db)
        return voice, HighPass(corner, 3).apply(voice)

    return blind_test(
        f"A is a voice as recorded, B the same with a low cut at {corner} Hz, {share:g} times its lowest note. Can you "
        "hear what you filtered out for the compressor's sake? Ten trials, blind. Note whether you used loudspeakers or "
        "headphones.",
        sounds,
        "Listen for what is missing under a p or b, not for the colour of the vowels.",
        "On small loudspeakers hardly anybody hears it, which is why pops are found late. The compressor hears them "
        "anywhere.",
    )


TASKS = (
    Task("thump_costs", "What a thump costs", _thump_costs),
    Task("corner_below_slides", "Write the low cut's limit", _corner, points=2),
    Task("thumps", "Three thumps", _thumps),
    Task("ring", "Where is the box?", _ring),
    Task("just_enough_cut", "For the compressor's sake", _low_cut, points=2),
    Task("so_much_less_s", "Sharp, not lisping", _deess, points=2),
    Task("which_order", "In which order?", _which_order),
    Task("cut_blind", "Do you hear the low cut?", _cut_blind),
)
