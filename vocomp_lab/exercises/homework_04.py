"""Homework beside lesson ``04_peak_control``: the gain computer, compressors for peaks only, and what goes wrong with them, by
ear and by numbers.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import Change, Goal, clip_numbers, measure_change
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.exercises.kinds import Diagnose, FindIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import (
    CLEAN,
    FAULTY,
    LAST_THREE_LINES_S,
    blind_test,
    knocks,
    knocks_s,
    lasts_s,
    levelled,
    one_line_of,
    span,
    table,
    take,
    turned,
    voice,
    window,
)
from vocomp_lab.exercises.tasks import Task, as_code
from vocomp_lab.lessons.goals import GOALS
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import sample_peak_dbfs
from vocomp_lab.sound.text import decibels, figure

TITLE = "Peak control"
_RELEASE_MS = 80.0


def _voice(name: str) -> Clip:
    return voice(name, LAST_THREE_LINES_S)


def _computer(draw):
    threshold, ratio, over = draw.step(-24, -12, 1), draw.choice((2.5, 3, 4, 5, 6, 8)), draw.step(5, 14, 0.5)
    answer = over * (1 - 1 / ratio)
    return WorkOut(
        prompt=f"A steady level of **{decibels(threshold + over)} dBFS**, a threshold of **{decibels(threshold, 0)} "
        f"dBFS**, a ratio of **{ratio:g}:1**, a hard knee. What gain reduction does the static curve call for?",
        answer=answer,
        unit="dB",
        tolerance=0.1,
        mistakes={
            "slope_for_ratio": over / ratio,
            "reduction_as_gain": -answer,
            "ratio_for_slope": over * ratio,
            "output_for_reduction": threshold + over / ratio,
            "no_threshold": (threshold + over) * (1 - 1 / ratio),
        },
        hints=(
            "First: how far is the level over the threshold?",
            f"At {ratio:g}:1, one of {ratio:g} decibels over the threshold stays.",
        ),
        solution=f"It is {over:g} dB over the threshold; {over:g}/{ratio:g} = {over / ratio:.2f} dB of that stay, so "
        f"{over:g} − {over / ratio:.2f} = **{answer:.2f} dB** are taken off.",
    )


_GAIN_START = '''def target_reduction_db(level_db, threshold_db, ratio):
    """Decibels of reduction that a hard knee asks for at a level."""
    ...
'''
_GAIN_MODEL = '''def target_reduction_db(level_db, threshold_db, ratio):
    """Decibels of reduction that a hard knee asks for at a level."""
    excess = max(level_db - threshold_db, 0)
    return min(excess * (1 - 1 / ratio), MOST)
'''


def _gain_computer(draw):
    most_db = draw.step(4, 13, 0.5)
    calls = []
    for over in (
        draw.step(2, 4, 0.5),
        draw.step(10, 18, 0.5),
        0.0,
        -draw.step(3, 12, 0.5),
        draw.step(4, 12, 0.25),
        30.0,
    ):
        threshold = draw.step(-30, -10, 1)
        calls.append((threshold + over, threshold, draw.choice((2.5, 3.0, 4.0, 8.0))))
    # JSON has no infinity: for the box a ratio this large is as good.
    calls.append((-14 + draw.step(0.25, 0.75, 0.25) * most_db, -14.0, 1e9))

    def without_limit(level, threshold, ratio):
        return max(level - threshold, 0) * (1 - 1 / ratio)

    def limited(reduction_db):
        return min(reduction_db, most_db)

    def reduction(*call):
        return limited(without_limit(*call))

    model = _GAIN_MODEL.replace("MOST", f"{most_db:g}")
    return WriteIt(
        prompt="Write the gain computer. It takes level, threshold and ratio (numbers: dBFS, dBFS, and 4.0 for 4:1) and "
        "returns the target reduction in dB, which is never negative, and never more than this compressor's **range of "
        f"{most_db:g} dB**. Hard knee. One of the inputs has a very large ratio.",
        start=_GAIN_START,
        calls=tuple(calls),
        right=reduction,
        tolerance=0.01,
        model=model,
        mistakes={
            "limit_left_out": without_limit,
            "below_threshold": lambda level, threshold, ratio: limited((level - threshold) * (1 - 1 / ratio)),
            "slope_for_ratio": lambda level, threshold, ratio: limited(max(level - threshold, 0) / ratio),
            "reduction_as_gain": lambda *call: -reduction(*call),
            "output_for_reduction": lambda level, *knobs: level - reduction(level, *knobs),
        },
        hints=(
            "Three steps: find the excess, never below 0; find the part that is taken off; return it, but no more than the range.",
            f"The part that is taken off is 1 − 1/ratio of the excess; `min(…, {most_db:g})` keeps to the range.",
        ),
        solution="After Giannoulis, Massberg & Reiss (2012), eq. 4, with a hard knee and a range:\n\n" + as_code(model),
    )


@cache
def _levelled(name: str) -> Clip:
    """The same stretch as the lesson begins with it: a word that is too loud as a whole is no peak."""
    return levelled(name).cut(*LAST_THREE_LINES_S)


# The lesson's, but for the crest factor: on these two takes what is taught takes 1 to 2.4 dB off it.
_GOALS = tuple(
    Goal("crest_change_db", low=-3) if goal.measure == "crest_change_db" else goal for goal in GOALS["peaks"]
)


def _for_peaks(peak_dbfs, ratios=(3, 4, 6, 8, 12)):
    """Settings to try for the key, by how far the threshold is under the highest peak."""
    return [
        Compressor(round(peak_dbfs - down, 2), ratio, 1, _RELEASE_MS)
        for ratio in ratios
        for down in (7, 6.5, 6, 7.5, 5.5, 5)
    ]


def _never_lets_go(processor, change) -> bool:
    return change.reduction.share > 0.6


# Either less or more at most than the workbook's proposal takes off, so that it takes a hand to set it.
_DEEPEST_DB = (2.0, 2.1, 3.5, 3.6, 3.7, 3.8)


def _peaks_only(draw):
    name, off_db, low = draw.choice(FAULTY), draw.step(-8, 2, 0.1), draw.choice(_DEEPEST_DB)
    goals = tuple(Goal("max_db", low, round(low + 0.6, 1)) if goal.measure == "max_db" else goal for goal in _GOALS)
    peak_dbfs = _peak_dbfs(name) + off_db
    ratio, down_db = (3, 6.0) if low < 3 else (10, 7.0 if name == FAULTY[0] else 7.5)

    return SetIt(
        prompt="Set this compressor for **peaks only**, on a take that is yours alone: it should act during at most 15 % "
        f"of the sung time, take off **{low:g} to {low + 0.6:g} dB** where it acts most, and tame the peaks without flattening "
        "them: the crest factor may fall by 3 dB at most.",
        clip=lambda: _levelled(name).gained(off_db),
        start=Compressor(threshold_db=-48, ratio=3, attack_ms=1, release_ms=_RELEASE_MS),
        goals=goals,
        candidates=lambda: [Compressor(peak_dbfs - down_db, ratio, 1, _RELEASE_MS), *_for_peaks(peak_dbfs)],
        mistakes={"never_lets_go": _never_lets_go, "flattened": _flattened},
        hints=(
            "Raise the threshold until the reduction is a few islands with nothing in between.",
            "Then it is the ratio's turn: it says how much of what is over the threshold goes, without acting more often.",
        ),
        solution=f"This take's level is {decibels(off_db, sign=True)} dB from the workbook's, so the threshold moves with "
        f"it, to {down_db:g} dB under the highest peak (about {decibels(peak_dbfs - down_db)} dBFS). There {ratio}:1 with 1 ms and "
        f"80 ms takes off as much as was asked{'' if low < 3 else '; a lower threshold would act too often'}. At 20:1 "
        "and 0.05 ms the same moments lose everything that stood out.",
    )


def _flattened(processor, change) -> bool:
    return change.after.crest_db - change.before.crest_db < -3


def _late(draw):
    name, off_db = draw.choice(FAULTY), draw.step(-8, 2, 0.5)
    attack, down = draw.choice((30.0, 35.0, 40.0, 50.0)), draw.step(9, 11, 0.5)
    # Less often than the workbook's proposal acts, so that it takes a hand to set it.
    most = draw.choice((6, 6.5, 7, 7.5))
    goals = tuple(Goal("share_percent", high=most) if goal.measure == "share_percent" else goal for goal in _GOALS)

    def still_late(processor, change) -> bool:
        return processor.attack_ms >= 5 and change.reduction.max_db >= 0.05

    return SetIt(
        prompt=f"Somebody's compressor for peaks, and the words still jump out. It acts, but too late: its attack is "
        f"**{attack:g} ms**. Make it catch them: the highest **peak** comes down by **1.2 dB or more**. It acts in at "
        f"most **{most:g} %** of the sung time, takes off 2 to 8 dB where it acts most, and takes no more than 3 dB off the crest "
        "factor.",
        clip=lambda: _levelled(name).gained(off_db),
        start=Compressor(round(_peak_dbfs(name) + off_db - down, 1), ratio=3, attack_ms=attack, release_ms=_RELEASE_MS),
        goals=(Goal("peak_change_db", high=-1.2), *goals),
        candidates=lambda: _for_peaks(_peak_dbfs(name) + off_db, (4, 6)),
        mistakes={"late_for_peaks": still_late, "never_lets_go": _never_lets_go, "flattened": _flattened},
        hints=(
            "Repeat the deepest reduction, and look at the curve there: does it arrive before the spike is over?",
            "With a fast attack the same threshold takes off more, and more often. So it has to go up again.",
        ),
        solution=f"The spikes last a few milliseconds, and after {attack:g} ms they are over. With 1 ms the threshold had to "
        f"be so low only because the attack was late: raised to 6 dB under the highest peak "
        f"({decibels(_peak_dbfs(name) + off_db - 6)} dBFS here) and with 4:1, it is out of the way most of the time again.",
    )


@cache
def _peak_dbfs(name: str) -> float:
    return sample_peak_dbfs(_levelled(name))


_ROUGH = Compressor(threshold_db=-34, ratio=4, attack_ms=0.5, release_ms=200, makeup_db=10)
_LOW_SINGER = FAULTY[1]


@cache
def _held(release_ms: float) -> Clip:
    return replace(_ROUGH, release_ms=release_ms).apply(levelled(_LOW_SINGER)).output


def _rough(draw):
    release_ms, place, off_db = draw.choice((3.0, 3.5, 4.0)), draw.choice(range(4)), draw.step(-4, 2, 0.5)
    lines, turn = take(_LOW_SINGER).truth["phrases"], turned(draw, _LOW_SINGER)
    line, there = lines[place], turn.item(lines[place])

    def clip() -> Clip:
        usual, bent = _held(_ROUGH.release_ms), _held(release_ms)
        # As loud as it was: a fast release gives back so much that the line would be found by its level.
        loud, bent_loud = (integrated_lufs(sound.cut(*span(line))) for sound in (usual, bent))
        return turn.clip(one_line_of(bent.gained(loud - bent_loud), usual, lines, place).gained(off_db))

    return FindIt(
        prompt="A low voice, held down by a compressor. In **one of its four lines** the release was set so short that it "
        "lets go within each cycle of the voice, and bends the wave. You can't tell by the loudness of the lines. Listen, and "
        "give a time within that line.",
        clip=clip,
        windows=(window(there),),
        unit="s",
        hints=(
            "Don't listen to the words but to the vowels that are held: in which line do they rasp?",
            "Compare the last word of each line. Three of them are held smoothly.",
        ),
        solution=f"“{line['text']}”, {there['start_s']:.2f} to {there['end_s']:.2f} s: its release is {release_ms:g} ms, as "
        f"short as a cycle of this voice (3 to 9 ms). In the other lines it is {_ROUGH.release_ms:g} ms. Fast is "
        "right for peaks, but many cycles long: 40 to 100 ms for most singers (common practice, no source).",
    )


def _knocks(draw):
    name = draw.choice(CLEAN)
    off_db = draw.step(-9, -3, 0.5)
    words = [word for word in take(name).truth["words"] if lasts_s(word) > 0.3]
    chosen = draw.sample(words[::2], 3)
    return FindIt(
        prompt="Three words in this verse got a knock a few hundredths of a second long, far louder than the rest. Find "
        "them: give a time within each of the three words. (`reduction_moments`, from the lesson's appendix, lists what a "
        "fast compressor reacts to most.)",
        clip=lambda: knocks(chosen, 14, 30).apply(take(name).clip).gained(off_db),
        windows=tuple(window(word) for word in chosen),
        unit="s",
        hints=(
            "Look for thin spikes in the waveform, not for thick words.",
            "Take a compressor with a threshold that hardly anything reaches, and find its three deepest moments.",
        ),
        solution="The knocks are at "
        + ", ".join(f"{at_s:.2f} s (“{word['text']}”)" for at_s, word in zip(knocks_s(chosen), chosen))
        + ".",
    )


@cache
def _as_it_comes() -> tuple:
    """Where the faulty verse is sung, and its numbers."""
    clip = _voice("lesson_verse_faulty")
    sung = active_mask(clip)
    return sung, clip_numbers(clip, sung)


@cache  # of the few dozen settings that can be drawn, each is measured once for a class
def _change_by(compressor: Compressor) -> Change:
    """What a setting does to the faulty verse."""
    sung, numbers = _as_it_comes()
    result = compressor.apply(_voice("lesson_verse_faulty"))
    return measure_change(numbers, result.output, result.reduction_db, sung)


def _what_is_wrong(draw):
    _, numbers = _as_it_comes()
    fine = Compressor(numbers.peak_dbfs - draw.step(6, 7, 0.5), 3, 1, draw.choice((60.0, 80.0)))
    variants = {
        "threshold": Compressor(numbers.peak_dbfs - draw.step(22, 27, 1), fine.ratio, 1, fine.release_ms),
        "attack": Compressor(fine.threshold_db, fine.ratio, draw.choice((30.0, 40.0, 50.0)), fine.release_ms),
        "idle": Compressor(numbers.peak_dbfs + draw.step(1, 4, 1), fine.ratio, 1, fine.release_ms),
        "nothing": fine,
    }
    answer = draw.choice(list(variants))
    change = _change_by(variants[answer])
    stats, before, after = change.reduction, change.before, change.after
    off_db = draw.step(-6, 2, 0.5)  # the level of this take, which says nothing about what is wrong
    peaks = f"{decibels(before.peak_dbfs + off_db)} → {decibels(after.peak_dbfs + off_db)} dBFS"
    rows = (
        ("acting", f"{100 * stats.share:.0f} % of the sung time"),
        ("median", f"{stats.median_db:.1f} dB of reduction"),
        ("largest", f"{stats.max_db:.1f} dB of reduction"),
        ("peak", peaks),
        ("crest factor", f"{before.crest_db:.1f} → {after.crest_db:.1f} dB"),
        ("loudness", f"{decibels(before.loudness_lufs + off_db)} → {decibels(after.loudness_lufs + off_db)} LUFS"),
    )
    return Diagnose(
        prompt=f"Somebody set a compressor for peaks at {fine.ratio:g}:1. These are its numbers. What would you "
        f"say?\n\n{table(rows, '<<')}",
        choices={
            "threshold": "the threshold is far too low",
            "attack": "the attack is too slow for peaks",
            "idle": "the threshold is above every peak",
            "nothing": "nothing is wrong: it does its job",
        },
        answer=answer,
        why_not={
            "threshold": f"It acts during {100 * stats.share:.0f} % of the sung time; with a threshold far too low it "
            f"never lets go.",
            "attack": f"The peak went {peaks}, with {stats.max_db:.1f} dB of reduction at most.",
            "idle": f"Its largest reduction is {stats.max_db:.1f} dB; above every peak it would be 0.",
            "nothing": f"Look at how long it acts ({100 * stats.share:.0f} %), the largest reduction "
            f"({stats.max_db:.1f} dB) and what became of the peak.",
        },
        hints=(
            "Does it act at all? If so, most of the time, or only now and then?",
            "If only now and then: did the peak come down by about as much as the largest reduction?",
        ),
        solution=f"It was a threshold of {decibels(variants[answer].threshold_db + off_db)} dBFS with an attack of "
        f"{figure(variants[answer].attack_ms)} ms: “{answer}”.",
    )


def _peaks_blind(draw):
    threshold_db, off_db = draw.step(-22, -18, 0.5), draw.step(-6, 0, 0.5)

    def sounds():
        clip = _voice("lesson_verse_faulty")
        return clip.gained(off_db), Compressor(threshold_db, 4, 1, _RELEASE_MS).apply(clip).output.gained(off_db)

    return blind_test(
        "Can you hear peak control at all? A is the voice; B is the voice with its peaks tamed, at the same loudness. Ten "
        "trials, blind.",
        sounds,
        "Listen to the starts of “past” and “back”, not to the whole phrase.",
        "Many hear no difference, and that is how peak control should be.",
    )


TASKS = (
    Task("computer", "How much is taken off?", _computer),
    Task("gain_within_range", "Write the gain computer", _gain_computer, points=2),
    Task("peaks_so_much", "Peaks only", _peaks_only, points=2),
    Task("late_and_seldom", "Late for every peak", _late, points=2),
    Task("knocks", "Three knocks", _knocks),
    Task("rough_line", "Where does it turn rough?", _rough),
    Task("what_went_wrong", "What is wrong here?", _what_is_wrong),
    Task("blind", "Hear it blind", _peaks_blind),
)
