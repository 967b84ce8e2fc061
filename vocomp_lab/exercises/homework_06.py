"""Homework beside lesson ``06_slow_attack``: starts of notes that get through, releases that let go, and when they
don't.
"""

from __future__ import annotations

import math
from functools import cache, lru_cache

import numpy as np

from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.meters import active_mask, reduction_stats
from vocomp_lab.analysis.onsets import find_onsets, onset_to_sustain_db, recovered_percent
from vocomp_lab.analysis.pumping import gain_swing_db
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.exercises.kinds import Diagnose, FindIt, HearIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import CLEAN, FAULTY, blind_test, lost_lu, table, take, voice
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.lessons.drills import TRIALS
from vocomp_lab.lessons.goals import GOALS
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels

TITLE = "Slow attack"
# Where the key begins for each take: thresholds in dBFS that take some 2 dB off in the median at 4:1, 30 ms, 100 ms.
_MILD_NEAR_DB = dict(zip(FAULTY, (-27.0, -29.0)))
# The same for a release of 80 ms, with 5.75 dB at the 95th percentile.
_BREATHING_NEAR_DB = dict(zip(FAULTY, (-26.5, -27.75)))
# The highest median allowed for each 95th percentile asked for: out of reach for releases over 600 ms.
_MOST_MEDIAN_DB = {5.0: 1.6, 5.5: 1.8, 6.0: 2.0}
# What the lesson asks of the beginnings and the loudness; the median is each task's own.
_LIFT_AND_LOUDNESS = tuple(goal for goal in GOALS["excitement"] if goal.measure != "median_db")
_LEAST_LIFT_DB = next(goal.low for goal in _LIFT_AND_LOUDNESS if goal.measure == "beginnings_db")


@cache
def _voice(name: str) -> Clip:
    """The last two lines of a take with its peaks tamed, as the lesson begins."""
    return Compressor(-14, 3, 1, 80).apply(voice(name)).output


def _stands_out(draw):
    asked, attack, early, late = draw.step(6, 12, 0.5), draw.step(65, 100, 5), draw.choice((30, 40, 50)), 185
    left = [asked * math.exp(-time / attack) for time in (early, late)]
    answer = left[0] - left[1]
    return WorkOut(
        prompt=f"A note begins out of silence, and from its first moment to its last the static curve calls for "
        f"**{asked:g} dB** of reduction. The attack is **{attack:g} ms** as this workbook states it: the reduction starts "
        f"at 0 and runs towards {asked:g} dB with that time constant. How many decibels less is the note turned down "
        f"**{early} ms** after it begins than **{late} ms** after?",
        answer=answer,
        unit="dB",
        tolerance=0.1,
        mistakes={"arrived_in_full": left[0], "no_memory": 0.0},
        hints=(
            "After a time t, exp(−t/τ) of the full reduction is still missing.",
            "Work out how much is missing at both moments. The difference is how far the start stands out.",
        ),
        solution=f"After {early} ms, {asked:g}·exp(−{early}/{attack:g}) = {left[0]:.2f} dB are still missing; after "
        f"{late} ms, {left[1]:.2f} dB. So the start stands out by {left[0]:.2f} − {left[1]:.2f} = **{answer:.2f} dB** more "
        "than it did. A faster attack leaves less at the start, and with a slower one too much is still missing in the "
        "sustain as well: somewhere in between there is a best one.",
    )


_NOTES = {"quarters": 1.0, "eighths": 0.5}


def _let_go(draw):
    tempo, notes, gone = draw.step(66, 144, 2), draw.choice(("quarters", "eighths")), draw.choice((60, 65, 70, 75, 80))
    apart = 60_000 / tempo * _NOTES[notes]
    constants = math.log(1 / (1 - gone / 100))
    answer = apart / constants
    return WorkOut(
        prompt=f"A song has **{tempo:g} beats** (quarters) a minute, and the singer sings **{notes}**. Suppose a note only "
        f"calls for reduction as it begins. Which release, as a time constant, lets **{gone} %** of the reduction go by "
        "the time the next note begins?",
        answer=answer,
        unit="ms",
        tolerance=round(0.02 * answer, 1),
        mistakes={
            "beat_for_note": answer / _NOTES[notes] if notes != "quarters" else answer / 2,
            "inverted": apart * constants,
            "linear_share": apart / (gone / 100),
            "gone_for_left": apart / math.log(100 / gone),
        },
        hints=(
            "How many milliseconds are there from one note to the next?",
            f"If {gone} % are gone, {100 - gone} % are left: exp(−t/τ) = {1 - gone / 100:.2f}. How many τ is that?",
        ),
        solution=f"A beat is 60,000/{tempo:g} = {60_000 / tempo:.1f} ms, so the notes begin {apart:.1f} ms apart. "
        f"exp(−t/τ) = {1 - gone / 100:.2f} at t = {constants:.3f} τ, and τ = {apart:.1f}/{constants:.3f} = "
        f"**{answer:.0f} ms**. In practice the release has to be much shorter, since a note goes on calling for reduction "
        "as long as it sounds.",
    )


_CONTRAST_START = '''def onset_over_sustain(samples, rate, begin_s):
    """How far the first moment of a note stands out of what follows it, in dB."""
    ...
'''
_CONTRAST_MODEL = '''def onset_over_sustain(samples, rate, begin_s):
    """How far the first moment of a note stands out of what follows it, in dB."""
    def rms(from_s, to_s):
        part = samples[round((begin_s + from_s) * rate):round((begin_s + to_s) * rate)]
        return np.sqrt(np.mean(part ** 2))
    return 20 * np.log10(rms(0, FIRST) / rms(FROM, TO))
'''


def _write_contrast(draw):
    first_ms, from_ms, to_ms = (
        draw.choice((30, 40, 50, 60)),
        draw.choice((100, 110, 120, 130, 140)),
        draw.choice((220, 250, 280)),
    )
    edges_s = (0, first_ms / 1000), (from_ms / 1000, to_ms / 1000)

    def contrast(samples, rate, begin_s, level=lambda part: 10 * math.log10(np.mean(part**2))):
        parts = (samples[round((begin_s + low) * rate) : round((begin_s + high) * rate)] for low, high in edges_s)
        return float(np.subtract(*(level(part) for part in parts)))

    calls = []
    for _ in range(4):
        rate, begin = draw.choice((1000, 2000)), draw.choice((0.1, 0.15, 0.2, 0.3))
        t = np.arange(round((begin + 0.4) * rate)) / rate - begin
        # The soft tail of the note before, then the note: its start falls towards its sustain, or rises to it.
        tail, sustain, more = draw.step(0.02, 0.08, 0.01), draw.step(0.1, 0.5, 0.01), draw.step(-0.06, 0.4, 0.02)
        height = np.where(t < 0, tail, sustain + more * np.exp(-t.clip(0) / 0.06))
        calls.append((height * np.sin(2 * np.pi * draw.step(60, 180, 10) * t), rate, begin))
    model = (
        _CONTRAST_MODEL.replace("FIRST", f"{first_ms / 1000:g}")
        .replace("FROM", f"{from_ms / 1000:g}")
        .replace("TO", f"{to_ms / 1000:g}")
    )
    return WriteIt(
        prompt="Write the number that the lesson is about, for one note. The function takes an array of samples (one "
        "channel), the sample rate in Hz and the moment in seconds when the note begins. It returns the RMS level of the "
        f"note's first **{first_ms} ms** minus the RMS level from **{from_ms} to {to_ms} ms** after it begins, in dB. (The "
        "lesson takes the loudest 10 ms of the start; here, take all of it.) You can use `np` and `math`.",
        start=_CONTRAST_START,
        calls=tuple(calls),
        right=contrast,
        tolerance=0.01,
        model=model,
        mistakes={
            "sign": lambda *call: -contrast(*call),
            "ten_for_twenty": lambda *call: contrast(*call) / 2,
            "no_root": lambda *call: 2 * contrast(*call),
            "natural_log": lambda *call: math.log(10) * contrast(*call),
            "begin_left_out": lambda samples, rate, begin_s: contrast(samples, rate, 0.0),
            "peak_for_rms": lambda *call: contrast(*call, level=lambda part: 20 * math.log10(np.abs(part).max())),
        },
        hints=(
            f"From seconds to samples: `round((begin_s + {first_ms / 1000:g}) * rate)`. The two parts are slices.",
            "Take the RMS of each part, then 20·log₁₀ of one divided by the other.",
        ),
        solution="Two slices, their RMS, and the ratio in decibels. For a stage, take it before and after at the same "
        "starts of notes: the difference is what the stage did.\n\n" + as_code(model),
    )


def _first_consonant_s(word) -> float:
    """How long a word's consonant lasts before its note begins; 0 if there is none, or it is voiced."""
    kinds = [phone["kind"] for phone in word["phones"][:2]]
    if len(kinds) < 2 or kinds[0] not in ("fricative", "plosive") or kinds[1] != "vowel":
        return 0.0
    return word["phones"][1]["start_s"] - word["start_s"]


@cache
def _late_notes(name: str) -> list[list[dict]]:
    """By phrase of a clean take, the words whose note begins well after their consonant."""
    truth = take(name).truth
    by_phrase = []
    for phrase in truth["phrases"]:
        sung = [word for word in truth["words"] if phrase["start_s"] - 0.001 <= word["start_s"] < phrase["end_s"]]
        texts = [word["text"] for word in sung]
        by_phrase.append([w for w in sung if texts.count(w["text"]) == 1 and _first_consonant_s(w) >= 0.09])
    return by_phrase


def _begins(draw):
    name = draw.choice(CLEAN)
    lines, by_phrase = take(name).truth["phrases"], _late_notes(name)
    phrases = draw.sample([place for place, words in enumerate(by_phrase) if words], 2)
    chosen = [draw.choice(by_phrase[place]) for place in phrases]
    skipped, off_db = draw.step(0.02, 0.6, 0.02), draw.step(-9, -3, 0.5)
    begins = [word["phones"][1]["start_s"] - skipped for word in chosen]
    wanted = " and of ".join(f"“{word['text']}” (in “{lines[place]['text']}”)" for word, place in zip(chosen, phrases))
    return FindIt(
        prompt=f"A slow attack counts from the start of a **note**, and that is not where its word starts. Find where the "
        f"notes of {wanted} begin, within 40 ms.",
        clip=lambda: take(name).clip.cut(skipped, 15.4).gained(off_db),
        windows=tuple((begin - 0.04, begin + 0.04, f"“{word['text']}”") for word, begin in zip(chosen, begins)),
        unit="s",
        hints=(
            "The consonant is not the note: look for the moment when the voice itself rises.",
            "The lesson's `find_onsets` lists where all the notes of a clip begin; your ears say which ones you need.",
        ),
        solution="The vowels begin at "
        + " and ".join(
            f"{begin:.2f} s (“{word['text']}”, whose consonant began {1000 * _first_consonant_s(word):.0f} ms before)"
            for word, begin in zip(chosen, begins)
        )
        + ". That is where the level rises out of the consonant, and where the compressor starts to grip.",
    )


@cache
def _lost_lu(name: str, threshold_db: float) -> float:
    """What the key's mild setting takes off the loudness, at the take's own level."""
    return lost_lu(Compressor(threshold_db, 4, 30, 100), _voice(name))


def _bite(draw):
    name, off_db, low = draw.choice(FAULTY), draw.step(-8, 2, 0.1), draw.choice((1.0, 1.2, 1.4, 1.6))

    def candidates():
        for near_db in (0, -1, 1, -2, 2, -3, 3, 4):
            threshold = _MILD_NEAR_DB[name] + near_db
            yield Compressor(threshold + off_db, 4, 30, 100, makeup_db=round(_lost_lu(name, threshold), 2))

    def caught(processor, change) -> bool:
        return processor.attack_ms < 10 and change.beginnings_db < _LEAST_LIFT_DB

    return SetIt(
        prompt=f"This compressor was exaggerated: its threshold is so low that it squashes everything, and its attack is 1 "
        f"ms. Turn it into **bite**: a median reduction of **{low:g} to {low + 1.5:g} dB**, beginnings of notes that stand "
        "out **0.8 to 2.5 dB** more than before, and the loudness as it was, **within 0.5 LU**.",
        clip=lambda: _voice(name).gained(off_db),
        start=Compressor(_MILD_NEAR_DB[name] - 12 + off_db, ratio=4, attack_ms=1, release_ms=100),
        goals=(Goal("median_db", low=low, high=low + 1.5), *_LIFT_AND_LOUDNESS),
        candidates=candidates,
        mistakes={
            "beginnings_caught": caught,
            "worked_too_hard": lambda processor, change: change.reduction.median_db > 6,
        },
        hints=(
            "First the attack: from what time on do the starts of the notes come through? Then raise the threshold.",
            "Make-up gain comes last: the line under the bench says how many LU are missing.",
        ),
        solution=f"An attack of 30 ms at 4:1 and a release of 100 ms. A threshold near "
        f"{decibels(_MILD_NEAR_DB[name] + off_db, 0)} dBFS puts the median reduction in its window, and the "
        "beginnings come out by a decibel or two. The rest is make-up gain. (A crest factor would not have told you: a fader "
        "that is pulled back for a second and let go raises it as well.)",
    )


def _lets_go(draw):
    name, off_db, low = draw.choice(FAULTY), draw.step(-8, 2, 0.5), draw.choice(list(_MOST_MEDIAN_DB))
    release = draw.choice((1200, 1500, 1800))
    most, threshold = _MOST_MEDIAN_DB[low], _BREATHING_NEAR_DB[name] + 5.5 - low + off_db

    def candidates():
        for near_db in (0, -0.25, 0.25, -0.5, 0.5, -1):
            for release_ms in (80, 120):
                yield Compressor(threshold + near_db, 4, 30, release_ms)

    def held(processor, change) -> bool:
        return processor.release_ms >= 400 and change.reduction.median_db > most

    return SetIt(
        prompt=f"Somebody found the attack and forgot the release. At **{release:,} ms**, every word begins already turned "
        f"down, and the compressor might as well be a fader pulled back. Let it **let go**: a median reduction of **at "
        f"most {most:g} dB**, still **{low:g} to {low + 2:g} dB** at the 95th percentile, and beginnings of notes that "
        f"stand out by **at least {_LEAST_LIFT_DB:g} dB** more.",
        clip=lambda: _voice(name).gained(off_db),
        start=Compressor(threshold - 2, ratio=4, attack_ms=30, release_ms=release),
        goals=(
            Goal("median_db", high=most),
            Goal("p95_db", low=low, high=low + 2),
            Goal("beginnings_db", low=_LEAST_LIFT_DB),
        ),
        candidates=candidates,
        mistakes={"release_too_long": held},
        hints=(
            "How far apart do the notes begin? The lesson's useful releases are between a quarter and half of that.",
            "A shorter release means less reduction altogether: lower the threshold a little to make up for it.",
        ),
        solution=f"The notes begin some 350 ms apart. With a release of 80 ms, most of the reduction is gone by the next "
        f"note, and a threshold near {decibels(threshold, 0)} dBFS keeps the strong syllables where they should be. "
        "Raising the threshold alone also brings the median down, but it takes the strong syllables with it.",
    )


# By what is wrong: threshold relative to the take's mild one, ratio, attack and release.
_WRONG = {
    "caught": ((3, 6, 0.3, 100), (2, 5, 0.5, 100)),
    "late": ((-2, 4, 300, 100), (-1, 4, 250, 120)),
    "held": ((0, 4, 30, 1500), (-1, 4, 25, 1200)),
    "pumps": ((-10, 8, 30, 40), (-9, 8, 25, 30)),
    "nothing": ((0, 4, 30, 100), (-1, 4, 25, 90)),
}


@lru_cache(maxsize=64)
def _measured(name: str, wrong: str, which: int, lower_db: float, slower: float) -> dict[str, float]:
    """The lesson's numbers for one setting, and for one close to it."""
    clip = _voice(name)
    near_db, ratio, attack_ms, release_ms = _WRONG[wrong][which]
    result = Compressor(_MILD_NEAR_DB[name] + near_db - lower_db, ratio, attack_ms, slower * release_ms).apply(clip)
    sung, onsets_s = active_mask(clip), find_onsets(clip)
    stands_out_db = [onset_to_sustain_db(one, onsets_s) for one in (result.output, clip)]
    starts = np.rint(onsets_s * clip.rate).astype(int)
    ends = starts + round(0.15 * clip.rate)
    starts, ends = starts[ends < clip.frames] + round(0.015 * clip.rate), ends[ends < clip.frames]
    return {
        "start": float(np.median(result.reduction_db[starts])),
        "later": float(np.median(result.reduction_db[ends])),
        "beginnings": float(np.nanmedian(np.subtract(*stands_out_db))),
        "gone": float(np.nanmedian(recovered_percent(result.reduction_db, clip.rate, onsets_s))),
        "median": reduction_stats(result.reduction_db, sung).median_db,
        "swing": gain_swing_db(result.reduction_db, clip.rate, voiced_words(clip)),
    }


def _no_bite(draw):
    name, answer, which = draw.choice(FAULTY), draw.choice(list(_WRONG)), draw.choice((0, 1))
    told = _measured(name, answer, which, draw.step(-0.5, 0.5, 0.25), draw.choice((0.95, 1.0, 1.05)))
    rows = (
        ("reduction 15 ms after a note begins", f"{told['start']:.1f}", "dB"),
        ("reduction 150 ms after it begins", f"{told['later']:.1f}", "dB"),
        ("part of the reduction gone by the next note", f"{told['gone']:.0f}", "%"),
        ("median reduction while the singer sings", f"{told['median']:.1f}", "dB"),
        ("onset over sustain, change", decibels(told["beginnings"], sign=True), "dB"),
        ("the gain moves within a word by", f"{told['swing']:.1f}", "dB"),
    )
    gap = f"{told['start']:.1f} dB of reduction 15 ms after a note begins and {told['later']:.1f} dB after 150 ms"
    return Diagnose(
        prompt="After peak control and steady compression, somebody added a compressor to give the words some bite. Here "
        f"is what it does, in the median over all notes. Which sentence fits it best?\n\n{table(rows, '<><')}",
        choices={
            "caught": "the attack is too fast: most of the reduction is there before the start of the note is over",
            "late": "the attack is too slow: the word is nearly over before it grips",
            "held": "the release is too long: it never lets go of the word before",
            "pumps": "far too deep and quick to let go: it pumps",
            "nothing": "nothing is wrong: the starts come through, the rest is turned down a little",
        },
        answer=answer,
        why_not={
            "caught": f"Look at the reduction early and late in the note: there is {gap}.",
            "late": f"It has {told['later']:.1f} dB after 150 ms, and a median of {told['median']:.1f} dB.",
            "held": f"{told['gone']:.0f} % of the reduction is gone by the next note.",
            "pumps": f"The gain moves by {told['swing']:.1f} dB within a word, at a median of {told['median']:.1f} dB.",
            "nothing": f"Look at the starts ({gap}), at how much is gone by the next note ({told['gone']:.0f} %), and at "
            f"how far the gain moves within a word ({told['swing']:.1f} dB).",
        },
        hints=(
            "Compare the reduction early in a note with that later on: does the start get through?",
            "Then see whether it lets go by the next note, and how far the gain moves for that.",
        ),
        solution={
            "caught": f"There is {gap}: the start is caught along with the rest, so it doesn't stand out.",
            "late": f"There is {gap}, and by then the word is nearly over: hardly anything is turned down at all.",
            "held": f"Only {told['gone']:.0f} % is gone by the next note, so there are already {told['start']:.1f} dB of "
            "reduction when that begins.",
            "pumps": f"The starts come through, and then it drops by {told['later']:.1f} dB; the gain moves "
            f"by {told['swing']:.1f} dB within a word. You hear it move.",
            "nothing": f"There is {gap}. It lets {told['gone']:.0f} % go by the next note, and moves by "
            f"{told['swing']:.1f} dB within a word: that is what the stage is for.",
        }[answer],
    )


def _worth_it(draw):
    name, off_db = draw.choice(FAULTY), draw.step(-6, 0, 0.5)
    attack, deeper = draw.choice((25, 30, 35)), draw.step(0, 3, 0.5)

    def sounds():
        clip = _voice(name)
        stage = Compressor(_MILD_NEAR_DB[name] - deeper, 4, attack, 100)
        return clip.gained(off_db), stage.apply(clip).output.gained(off_db)

    return blind_test(
        f"Is the stage worth it? A is the voice without it, B with a slow attack of **{attack} ms**, gently set, at the "
        f"same loudness. First note what you expect; then listen. Ten trials, blind.",
        sounds,
        "Listen to how words begin, and to nothing else: say one of them along with the singer.",
        "If you can't tell them apart on your loudspeakers, leave the stage out, or go further. It is optional.",
    )


def _practised(draw):
    return HearIt(
        prompt="A round of ear practice: **fast or slow attack**, twelve trials, as hard as your answers make them. Play both "
        "sounds before each answer.",
        rounds=TRIALS,
        drill="attack",
        hints=(
            "Listen to the first instant of each word: with a slow attack it knocks, with a fast one it is rounded off.",
        ),
        solution="There is no right answer here. What you hear by now stands under the bench; do another round on another "
        "day, and see whether it gets smaller.",
    )


TASKS = (
    Task("stands_out", "How far does the start stand out?", _stands_out),
    Task("let_go", "A release for this song", _let_go),
    Task("start_over_rest", "Write the number for a start", _write_contrast, points=2),
    Task("begins", "Where does the note begin?", _begins),
    Task("back_to_bite", "Back off", _bite, points=2),
    Task("lets_go", "Let go by the next word", _lets_go, points=2),
    Task("which_bite", "What does this one do?", _no_bite),
    Task("worth_it", "Is it worth it?", _worth_it),
    Task("practised", "A round for the ear", _practised),
)
