"""Homework beside lesson ``02_level_prep``: what stands out, regions of gain, when to stop, and the work that they save the
compressor.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache, lru_cache

import numpy as np

from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.meters import ReductionStats, active_mask, reduction_stats
from vocomp_lab.analysis.words import eye_and_ear
from vocomp_lab.exercises.kinds import Diagnose, FindIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import (
    CLEAN,
    LONG_WORD_S,
    blind_test,
    knocks,
    lasts_s,
    louder,
    softer,
    span,
    table,
    take,
    turned,
    window,
)
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import decibels

TITLE = "Level prep"
_AFTER = Compressor(threshold_db=-24, ratio=3, attack_ms=1, release_ms=80)
_KNOCK_MS = 12


def _words(name: str) -> list:
    return take(name).truth["words"]


def _lines(name: str) -> list:
    return take(name).truth["phrases"]


@cache
def _heard(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Peak and loudness of every word as it was meant."""
    return eye_and_ear(take(name).clip, [span(word) for word in _words(name)])


def _needed(draw):
    over, higher, allowed = draw.step(9, 12, 0.5), draw.step(0.5, 3, 0.5), draw.step(1, 2, 0.25)
    ratio = draw.choice((2.5, 3, 4))
    slope = 1 - 1 / ratio
    left = allowed / slope
    answer = -(over - higher - left)
    return WorkOut(
        prompt=f"One word is **{over:g} dB** louder than its neighbours. The compressor after it has its threshold "
        f"**{higher:g} dB above** the level of those neighbours and a ratio of **{ratio:g}:1** (hard knee; take the "
        f"levels as steady). It should take no more than **{allowed:g} dB** off that word. What gain does the word's "
        f"region need? Turn it down as little as you can.",
        answer=answer,
        unit="dB",
        tolerance=0.1,
        mistakes={
            "slope_for_ratio": -(over - higher - allowed * ratio),
            "no_threshold": -(over - left),
            "reduction_for_excess": -(over - higher - allowed),
        },
        hints=(
            f"How far over the threshold may the word still be, if {allowed:g} dB are taken off?",
            f"At {ratio:g}:1, {slope:.2f} dB of each decibel over the threshold are taken off. And how far over the "
            f"threshold is the word now?",
        ),
        solution=f"Of what is over the threshold, 1 − 1/{ratio:g} = {slope:.3f} is taken off, so the word may stay "
        f"{allowed:g}/{slope:.3f} = {left:.2f} dB over it. Now it is {over:g} − {higher:g} = {over - higher:g} dB over "
        f"it. The region needs **{decibels(answer, 2)} dB**.",
    )


def _jumps_out(draw):
    name, more_db, trim_db = draw.choice(CLEAN), draw.step(4, 5.5, 0.5), draw.step(-10, -6, 0.5)
    words, (_, loud) = _words(name), _heard(name)
    # Without a hard start, so it is not tall, and long enough to be heard as a word, but not a held last note.
    places = [k for k, word in enumerate(words) if LONG_WORD_S < lasts_s(word) < 1.5 and not word["hard_onset"]]
    place = draw.choice(places)
    word, gain_db = words[place], loud.max() + more_db - loud[place]
    knocked = draw.sample([other for other in words if other["hard_onset"] and other is not word], 2)
    knock_db = draw.step(10, 12, 0.5)

    def clip() -> Clip:
        marred = louder(word, gain_db).apply(take(name).clip)
        return knocks(knocked, knock_db, _KNOCK_MS).apply(marred).gained(trim_db)

    tall = " and ".join(f"“{other['text']}” at {other['start_s']:.1f} s" for other in knocked)
    return FindIt(
        prompt="One word in this verse makes you flinch, and it is not one of the tallest in the waveform. Give a time "
        "within it.",
        clip=clip,
        windows=(window(word),),
        unit="s",
        hints=(
            "Listen with your eyes shut first; then look where that was.",
            "A knock is tall and thin, a loud word is thick: look at the momentary loudness in the picture, not at the "
            "tips.",
        ),
        solution=f"“{word['text']}”, {word['start_s']:.2f} to {word['end_s']:.2f} s, is {gain_db:.1f} dB louder than it "
        f"was meant to be. The tallest are {tall}: knocks of a fiftieth of a second, a job for peak control or for regions "
        f"that are just as short.",
    )


# So much of a line's first consonant, and of the end of its last note, may be left out: what `find_phrases` leaves out, too.
_EDGES_S = 0.15, 0.2


def _sunk_line(draw):
    name, place = draw.choice(CLEAN), draw.choice(range(4))
    down_db, trim_db, turn = draw.step(6, 7.5, 0.5), draw.step(-4, 4, 0.5), turned(draw, name)
    line = turn.item(_lines(name)[place])
    ends_s = [turn.item(one)["end_s"] for one in _lines(name)]
    breaths_s = [turn.at_s(max(start_s, turn.first_s)) for start_s, _ in take(name).truth["breaths"]]
    before_s = max((end - 0.03 for end in ends_s if end < line["start_s"]), default=0.0)
    behind_s = min((start + 0.13 for start in breaths_s if start > line["end_s"] - 0.1), default=turn.length_s)
    return FindIt(
        prompt="One line in this verse was sung from too far away. Where would you make a region for it **start** and "
        "**end**? Put both edges where it's quiet, or cut off no more than a tenth of a second. The breath that leads into the "
        "line may be in the region or not; the next line's breath stays out.",
        clip=lambda: turn.clip(softer(_lines(name)[place], down_db).apply(take(name).clip).gained(trim_db)),
        windows=(
            (before_s, line["start_s"] + _EDGES_S[0], "where it starts"),
            (line["end_s"] - _EDGES_S[1], behind_s, "where it ends"),
        ),
        unit="s",
        hints=(
            "Which line makes you lean forward? In the picture, all of its words have sunk.",
            "`find_phrases(clip)` of `vocomp_lab.analysis` lists where each line starts and ends. It goes by the voice, so the "
            "first consonant is a moment earlier; check it by eye.",
        ),
        solution=f"“{line['text']}” was turned down by {down_db:g} dB. It is sung from {line['start_s']:.2f} to "
        f"{line['end_s']:.2f} s. The region runs from the pause before it to the end of its last word, and stops before "
        f"the next breath.",
    )


@cache
def _as_meant(name: str, place: int) -> tuple[Clip, float, ReductionStats]:
    """Two lines as they were meant, when they begin, and what the compressor after them does to them."""
    lines = _lines(name)
    start_s = lines[place]["start_s"] - 0.15
    clip = take(name).clip.cut(start_s, lines[place + 1]["end_s"] + 0.15)
    return clip, start_s, reduction_stats(_AFTER.apply(clip).reduction_db, active_mask(clip))


def _long_words(name: str, place: int) -> list:
    """The words of a line that last long enough to be heard as words, but not its held last note."""
    first, last = _lines(name)[place]["words"]
    return [word for word in _words(name)[first:last] if LONG_WORD_S < lasts_s(word) < 1.5]


def _shifted(part: dict, begin_s: float) -> dict:
    """A word or a line in a clip that begins later than the take."""
    return {**part, "start_s": max(part["start_s"] - begin_s, 0), "end_s": part["end_s"] - begin_s}


def _two_faults(draw, least_up_db: float, most_up_db: float):
    """A line that has sunk and a word in the line beside it that is too loud: take, first of both lines, the sunk one, the other,
    by how much down and up, a trim, and the word.
    """
    name, place = draw.choice(CLEAN), draw.choice(range(3))
    sunk, other = (place, place + 1) if draw.choice((True, False)) else (place + 1, place)
    down_db, up_db, trim_db = draw.step(5.5, 7, 0.5), draw.step(least_up_db, most_up_db, 0.5), draw.step(-3, 3, 0.5)
    return name, place, sunk, other, down_db, up_db, trim_db, draw.choice(_long_words(name, other))


_WAYS = {"levelled": "one region for the line that had sunk, one for the word that was too loud",
    "flattened": "a region for every word, so that all are equally loud",
    "wrong stretch": "the line that had sunk turned up, but the whole line of the loud word turned down"}  # fmt: skip


def _handed_on(draw):
    name, place, sunk, other, down_db, up_db, trim_db, word = _two_faults(draw, 8, 10)
    meant, begin_s, _ = _as_meant(name, place)
    letters = dict(zip(draw.shuffled("abc"), _WAYS))
    line, loud_line = (_shifted(_lines(name)[which], begin_s) for which in (sunk, other))
    loud = _shifted(word, begin_s)
    firsts, lasts = zip(*(_lines(name)[which]["words"] for which in (place, place + 1)))
    words = [GainRegion(*span(_shifted(one, begin_s)), 0.0) for one in _words(name)[firsts[0] : lasts[1]]]

    @cache
    def versions() -> dict:
        marred = louder(loud, up_db).apply(softer(line, down_db).apply(meant))
        off_lu = word_levels(marred, words).offsets_lu
        ways = {
            "levelled": [GainRegion(*span(line), down_db), GainRegion(*span(loud), -up_db)],
            "flattened": [replace(one, gain_db=-float(off)) for one, off in zip(words, off_lu)],
            "wrong stretch": [GainRegion(*span(line), down_db), GainRegion(*span(loud_line), -up_db)],
        }
        made = {way: ClipGain(regions).apply(marred) for way, regions in ways.items()}
        loudness = integrated_lufs(meant)
        return {way: (len(ways[way]), one.gained(loudness - integrated_lufs(one))) for way, one in made.items()}

    def clip() -> Clip:
        sounds = [versions()[letters[letter]][1].samples for letter in "abc"]
        pause = np.zeros((meant.rate, *sounds[0].shape[1:]))
        parts = [part for sound in sounds for part in (sound, pause)][:-1]
        return meant.with_samples(np.concatenate(parts)).gained(trim_db)

    def measured(letter):
        count, sound = versions()[letters[letter]]
        levels = word_levels(sound, words)
        off_lu = levels.offsets_lu
        return (
            letter,
            str(count),
            f"{levels.spread_lu:.1f}",
            *(decibels(float(end), sign=True) for end in (off_lu.max(), off_lu.min())),
        )

    head = ("version", "regions", "spread of the words (LU)", "loudest (LU)", "softest (LU)")
    by_way = {way: letter for letter, way in letters.items()}
    return Diagnose(
        prompt="Two lines of a verse: one had sunk, and in the other one word was far too loud. Three people levelled them, "
        "and you hear the three one after another, equally loud. “Loudest” and “softest” are words, against the middle one. "
        "Which version would you **hand on** to the compressor? Listen first; small words may be soft.\n\n"
        + table([head, *map(measured, "abc")], "<>>>>"),
        clip=clip,
        choices={letter: f"version {letter}" for letter in "abc"},
        answer=by_way["levelled"],
        why_not={
            by_way["flattened"]: "It has the smallest spread, and no life: the small words shout along with the rest.",
            by_way["wrong stretch"]: "One word still stands out of its line, and the rest of that line has sunk.",
        },
        mistakes={"flattest_for_best": by_way["flattened"]},
        hints=(
            "Sing along: which words does a singer mean to be soft?",
            "Two faults need two regions. And the smallest spread is not the goal: that is what a machine would hand on.",
        ),
        solution=". ".join(f"Version {letter}: {_WAYS[way]}" for letter, way in sorted(letters.items()))
        + f". So it is **{by_way['levelled']}**: it undoes what was wrong and leaves the singing alone.",
    )


def _regions(draw):
    name, place, sunk, _, down_db, up_db, trim_db, word = _two_faults(draw, 9, 11)
    meant, begin_s, stats = _as_meant(name, place)
    line = _lines(name)[sunk]
    after = replace(_AFTER, threshold_db=_AFTER.threshold_db + trim_db)

    def clip() -> Clip:
        sung = softer(_shifted(line, begin_s), down_db).apply(meant)
        return louder(_shifted(word, begin_s), up_db).apply(sung).gained(trim_db)

    def candidates():
        for share in (1.0, 0.9, 1.1):
            yield ClipGain([
                GainRegion(max(part["start_s"] - begin_s, 0), part["end_s"] - begin_s, round(share * gain_db, 2))
                for part, gain_db in ((line, down_db), (word, -up_db))
            ])  # fmt: skip

    # What the compressor did with the lines as they were meant, and a little room.
    most_db, middle_db = round(stats.max_db + 0.5, 1), round(stats.median_db, 1)
    return SetIt(
        prompt="Here are two lines. One has sunk; in the other, one word is far too loud. Level them with **regions**, so "
        f"that the compressor after them ({after.ratio:g}:1 over {decibels(after.threshold_db)} dBFS) gets an even voice: "
        f"at most {most_db:g} dB of reduction at its deepest, and about {middle_db:g} dB in the median. You may not touch "
        "the compressor.",
        clip=clip,
        start=ClipGain(),
        then=after,
        goals=(Goal("max_db", high=most_db), Goal("median_db", round(middle_db - 0.2, 1), round(middle_db + 0.5, 1))),
        candidates=candidates,
        mistakes={
            "all_turned_down": lambda processor, change: any(
                region.gain_db < 0 and region.end_s - region.start_s > 1.7 for region in processor.regions
            )
        },
        hints=(
            "The phrase first: turn up the line that has sunk. Then the word.",
            "The deepest reduction tells you about the loud word, the median about the soft line.",
        ),
        solution=f"“{line['text']}” up by {down_db:g} dB, “{word['text']}” ({word['start_s'] - begin_s:.2f} to "
        f"{word['end_s'] - begin_s:.2f} s here) down by {up_db:g} dB. Turning everything down would spare the compressor "
        f"its work too, but it levels nothing: the median gives it away.",
    )


_GAINS_START = '''def region_gains(levels_db, threshold_db):
    """Gains in dB for words that are too loud, and 0 for all the others."""
    ...
'''
_GAINS_MODEL = '''def region_gains(levels_db, threshold_db):
    """Gains in dB for words that are too loud, and 0 for all the others."""
    usual = np.median(levels_db)
    return [-min(SHARE * (level - usual), MOST) if level - usual > threshold_db else 0 for level in levels_db]
'''


def _region_gains(draw):
    share, most_db = draw.choice((0.5, 0.6, 0.7, 0.75, 0.8, 0.9)), draw.choice((4.0, 5.0, 6.0, 7.0))
    calls = []
    for loud in (1, 2, 1, 2, 0):
        usual = draw.step(-30, -20, 0.5)
        levels = [usual + draw.step(-1.5, 1.5, 0.25) for _ in range(7)]
        levels += [usual + draw.step(5.5, 10, 0.25) for _ in range(loud)] + [usual - draw.step(7.5, 11, 0.25)]
        calls.append((draw.shuffled(levels), draw.choice((4.0, 4.5, 5.0))))

    def limited(off_db):
        return -np.minimum(share * off_db, most_db)

    def too_loud(levels_db, threshold_db, usual=np.median):
        off_db = np.asarray(levels_db) - usual(levels_db)
        return np.where(off_db > threshold_db, limited(off_db), 0.0)

    def soft_too(levels_db, threshold_db):
        off_db = np.asarray(levels_db) - np.median(levels_db)
        return np.where(np.abs(off_db) > threshold_db, limited(off_db), 0.0)

    def as_far(levels_db, threshold_db):
        off_db = np.asarray(levels_db) - np.median(levels_db)
        return np.where(off_db > threshold_db, -off_db, 0.0)

    model = _GAINS_MODEL.replace("SHARE", f"{share:g}").replace("MOST", f"{most_db:g}")
    return WriteIt(
        prompt="Write a function that proposes gains for words that are **too loud**. It takes a list with the level of "
        "each word in dB, and a threshold in dB. It returns a list of gains. A word that is more than the threshold above "
        f"the **median** level of all the words is turned down by **{share:g} times** as much as it is above the median, but "
        f"never by more than **{most_db:g} dB**. Every other word gets 0: soft words are meant to be soft. You can use `np` "
        "and `math`.",
        start=_GAINS_START,
        calls=tuple(calls),
        right=too_loud,
        tolerance=0.01,
        model=model,
        mistakes={
            "all_of_it": as_far,
            "every_word_levelled": lambda levels, threshold: limited(np.asarray(levels) - np.median(levels)),
            "soft_words_too": soft_too,
            "mean_for_median": lambda levels, threshold: too_loud(levels, threshold, np.mean),
            "sign": lambda levels, threshold: -too_loud(levels, threshold),
        },
        hints=(
            "`np.median(levels_db)` is the median level.",
            f"For each level: is it above the median by more than the threshold? Then {share:g} times the difference, at most "
            f"{most_db:g}, with a minus in front; else 0.",
        ),
        solution="The median, because one shouted word would pull up a mean:\n\n" + as_code(model),
    )


_WORD_DB, _LINE_DB, _KNOCK_DB = 9.0, 8.0, 9.0


@lru_cache(maxsize=64)
def _measured(name: str, place: int, fault: str, more_db: float, off_db: float) -> tuple[list, np.ndarray, np.ndarray]:
    """The words of a line with a fault, somewhat larger than usual, in a line that is off by a little: peak and loudness,
    against the medians of the take as it was meant."""
    line = _lines(name)[place]
    first, last = line["words"]
    words = _words(name)[first:last]
    # Not the last word, which may be held so long that it would be most of the line.
    longest = max(words[:-1], key=lasts_s)
    softest = min((k for k in range(first, last) if _words(name)[k]["hard_onset"]), key=lambda k: _heard(name)[1][k])
    makes = {
        "word": louder(longest, _WORD_DB + more_db),
        "line": softer(line, _LINE_DB + more_db),
        "knock": knocks([_words(name)[softest]], _KNOCK_DB + more_db, _KNOCK_MS),
    }
    begin_s = max(line["start_s"] - 0.6, 0.0)
    clip = take(name).clip
    clip = (makes[fault].apply(clip) if fault in makes else clip).cut(begin_s, line["end_s"] + 0.6)
    seen = eye_and_ear(clip, [(word["start_s"] - begin_s, word["end_s"] - begin_s) for word in words])
    return [word["text"] for word in words], *(
        now - np.median(usual) + off_db for now, usual in zip(seen, _heard(name))
    )


def _which_edit(draw):
    name, answer = draw.choice(CLEAN), draw.choice(("word", "line", "knock", "nothing"))
    texts, peaks, louds = _measured(
        name, draw.choice(range(4)), answer, draw.step(0, 1, 0.25), draw.step(-0.5, 0.5, 0.1)
    )
    head = ("word", "peak (dB)", "loudness (dB)")
    rows = [(text, *(decibels(value, sign=True) for value in two)) for text, *two in zip(texts, peaks, louds)]
    tallest, loudest = int(np.argmax(peaks)), int(np.argmax(louds))
    median = decibels(np.median(louds), sign=True)
    no_knock = (
        f"The highest peak, “{texts[tallest]}”, is at {decibels(peaks[tallest], sign=True)} dB with a loudness of "
        f"{decibels(louds[tallest], sign=True)} dB; a knock is tall but not loud."
    )
    return Diagnose(
        prompt="One line of a take, word by word. Each figure says how far the word is from the median word of the whole "
        "verse. Small words may be a few decibels softer, and that is fine. A loud word also shows in its neighbours, "
        "because loudness is an average over 0.4 s. What would you do in level prep?\n\n" + table([head, *rows], "<>>"),
        choices={
            "word": "turn one word down",
            "line": "turn the whole line up",
            "peak": "turn one peak down, with a region no longer than the peak",
            "knock": "nothing: one peak is for the fast compressor",
            "nothing": "nothing: the line is as it should be",
        },
        answer=answer,
        also={
            "peak": "A region of a few hundredths of a second takes the knock down and leaves the word alone. Leaving it "
            "to the fast compressor is right as well; on many hard starts it is less work."
        }
        if answer == "knock"
        else {},
        why_not={
            "word": f"The loudest word, “{texts[loudest]}”, is at {decibels(louds[loudest], sign=True)} dB in loudness.",
            "line": f"The loudness of its words has a median of {median} dB; in a line that has sunk, it is far below 0.",
            **dict.fromkeys(("knock", "peak"), no_knock),
            "nothing": f"Look at the highest peak ({decibels(peaks.max(), sign=True)} dB), the highest loudness "
            f"({decibels(louds.max(), sign=True)} dB) and the median loudness ({median} dB).",
        },
        mistakes={"knock": {"tall_for_loud": "word"}, "line": {"words_for_line": "word"}}.get(answer, {}),
        hints=("Is one word out of line, or all of them?", "If it is one: in peak only, or in loudness as well?"),
        solution={
            "word": f"“{texts[loudest]}” stands out in loudness, by {decibels(louds[loudest], sign=True)} dB: one region.",
            "line": f"All of its words are low, with a median of {median} dB: one region for the phrase, none for words.",
            "knock": f"“{texts[tallest]}” is tall, at {decibels(peaks[tallest], sign=True)} dB, but no louder than the "
            f"others: a knock. Leave it to peak control (lesson 04), or turn down those few hundredths of a second by "
            f"hand. Turn the whole word down, and it sinks.",
            "nothing": "A few decibels up and down, as singing has them. Leave it.",
        }[answer],
    )


def _two_decibels(draw):
    name, gain_db = draw.choice(CLEAN), draw.choice((-3.0, -2.5, -2.0, 2.0, 2.5))
    place = draw.choice((1, 2))
    line = _lines(name)[place]
    word = draw.choice([word for word in _words(name)[slice(*line["words"])] if lasts_s(word) > LONG_WORD_S])

    def sounds():
        gains = ClipGain([GainRegion(*span(word), gain_db)])
        clip = take(name).clip
        return tuple(one.cut(line["start_s"] - 0.3, line["end_s"] + 0.3) for one in (clip, gains.apply(clip)))

    return blind_test(
        f"Do two decibels on one word matter? A is a line as it was sung; in B, “{word['text']}” has a region of "
        f"{decibels(gain_db, sign=True)} dB. Ten trials, blind.",
        sounds,
        f"Don't listen to the sound of “{word['text']}”; listen for whether it steps out of its line.",
        "Two or three decibels on one word are close to the least that one notices. That's why a region of six is a lot.",
    )


TASKS = (
    Task("needed", "How much for one word?", _needed),
    Task("jumps_out", "The word that makes you flinch", _jumps_out),
    Task("line_edges", "Edges for a line", _sunk_line),
    Task("regions", "Phrase, then word", _regions, points=2),
    Task("handed_on", "Which one would you hand on?", _handed_on),
    Task("gains_for_words", "Write proposals", _region_gains, points=2),
    Task("edit_for_a_line", "Word, line, or nothing?", _which_edit),
    Task("two_decibels", "Two decibels, blind", _two_decibels),
)
