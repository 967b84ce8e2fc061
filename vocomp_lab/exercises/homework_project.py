"""The final project: the whole job on a take of the learner's own, as ``09_your_own_vocal`` puts it together."""

from __future__ import annotations

from functools import lru_cache

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowend import measure_low_end
from vocomp_lab.analysis.meters import active_mask, active_rms_dbfs, peak_to_loudness_ratio_db
from vocomp_lab.analysis.resonance import find_resonances
from vocomp_lab.exercises.kinds import Aim, BuildIt, Built, Diagnose, FindIt, WorkOut, stage_aim
from vocomp_lab.exercises.material import blind_test, lasts_s, span, table
from vocomp_lab.exercises.project_take import (
    LONG_WORD_S,
    OwnTake,
    could_be_loud,
    out_db,
    own_take,
    two_lines,
)
from vocomp_lab.exercises.tasks import Task
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.faults import Boxiness, LoudWord, Pops
from vocomp_lab.sound.levels import sample_peak_dbfs, true_peak_dbtp
from vocomp_lab.sound.text import decibels

TITLE = "The whole vocal"


# ------------------------------------------------------------------------------------------------------- 1, diagnosis

_FIRST_THINGS = {
    "word": "one word stands far out: level it by hand",
    "thump": "something thumps below the voice: a low cut",
    "ring": "something rings in the voice: an equaliser",
    "clean": "nothing: it is ready for the compressors",
}
# Few, so that a marker measures each of them only once.
_OTHER_LINES = (("lesson_verse_clean", 1), ("second_verse_clean", 0))


@lru_cache(maxsize=16)
def _friends_take(name: str, first: int, fault: str, severity: int):
    """The numbers of another take with one fault, or none."""
    clean, words, _ = two_lines(name, first)
    word = could_be_loud(name, first)[severity % len(could_be_loud(name, first))]
    clip = clean.gained(-12.0 - sample_peak_dbfs(clean))
    if fault == "word":
        clip = LoudWord(word, "", *span(words[word]), 8.0 + 0.5 * severity).apply(clip)
    if fault == "ring":
        clip = Boxiness(440.0 + 40 * severity, 8.0 + 0.5 * severity, 3.0).apply(clip)
    if fault == "thump":
        clip = Pops((words[word]["start_s"],), (38.0,), (-16.0 + 2 * severity,)).apply(clip)
    sung = active_mask(clip)
    outs = [out_db(clip, words, n) for n, one in enumerate(words) if lasts_s(one) >= LONG_WORD_S]
    rings = find_resonances(clip)
    return {
        "rms": active_rms_dbfs(clip, sung),
        "peak": sample_peak_dbfs(clip),
        "thump": measure_low_end(clip, sung).thump_db,
        "out": max(outs),
        "ring": rings[0].gain_db if rings else 0.0,
    }


def _first_thing(draw):
    fault, severity = draw.choice(list(_FIRST_THINGS)), draw.choice(range(2))
    numbers = _friends_take(*draw.choice(_OTHER_LINES), fault, severity)
    level = draw.step(-6, 2, 0.5)
    rows = (
        ("level while singing", f"{decibels(numbers['rms'] + level)} dBFS RMS"),
        ("peak", f"{decibels(numbers['peak'] + level)} dBFS"),
        ("loudest 50 ms below the voice", f"{decibels(numbers['thump'], sign=True)} dB relative to the voice"),
        ("word that stands out most", f"{decibels(numbers['out'], sign=True)} dB relative to its neighbours"),
        ("strongest ring, 150 to 1,200 Hz", f"{decibels(numbers['ring'], sign=True)} dB above the voice around it"),
    )
    thump = decibels(numbers["thump"], sign=True)
    return Diagnose(
        prompt="A friend sends you two lines of another take, with these numbers. What one thing needs fixing before any "
        "compressor? (Worth a stage of its own: a word from about 6 dB up, a thump from about −20 dB up, and a ring from "
        f"about 6 dB up, since part of it is the voice itself. Common practice, no source.)\n\n{table(rows, '<<')}",
        choices=_FIRST_THINGS,
        answer=fault,
        why_not={
            "word": f"The word that stands out most does so by {decibels(numbers['out'])} dB.",
            "thump": f"The loudest moment below the voice is at {thump} dB: no compressor notices that.",
            "ring": f"The strongest ring stands out by {decibels(numbers['ring'])} dB, and in any voice some of that is its own.",
            "clean": "One of the rows is far from what you expect of a good take.",
        },
        hints=(
            "Three rows are suspects, one for each fault: go through them one by one.",
            "Each fault has its own limit: which row is beyond it?",
        ),
        solution=f"Below the voice there is {thump} dB at most; the word stands out by {decibels(numbers['out'])} dB, the "
        f"strongest ring by {decibels(numbers['ring'])} dB. So it is **{fault}**: {_FIRST_THINGS[fault]}.",
    )


# ---------------------------------------------------------------------------------------------- 2, what stands out


def _standing_out(draw):
    own = own_take(draw)
    word = own.words[own.word]["text"]
    return FindIt(
        prompt="**This take is yours for the rest of the project.** Before anything else, find what a compressor would "
        "react to first: the one word that is far too loud, and the one thump below the voice. Give two times: one "
        "within the word, and one no more than a tenth of a second from the thump.",
        clip=lambda: own.clip,
        windows=(
            (*own.loud, f"the loud word, “{word}”"),
            (own.pop_s - 0.1, own.pop_s + 0.1, "the thump"),
        ),
        unit="s",
        hints=(
            "The word is thick in the waveform along its whole length. The thump is over within a tenth of a second, and you "
            "feel it in your chest more than you hear it.",
            "`low_end, voice = split_low_end(home.clip(2), 60)` of `vocomp_lab.analysis` separates the two. The loudest sample of "
            "`low_end` is the thump. For the word, samples won't do, since knocks are taller: look where "
            "`running_level_db(voice, 300)` is highest, and let your ears have the last word.",
        ),
        solution=f"“{word}” from {own.loud[0]:.2f} to {own.loud[1]:.2f} s is {own.word_db:g} dB too loud. The thump is "
        f"at {own.pop_s:.2f} s.",
    )


# --------------------------------------------------------------------------------------------------------- 3, levels


def _ends(of) -> object:
    return lambda built: of(built.output)


def _level_aims(own: OwnTake, within_db: float = 1.5) -> tuple:
    return (
        Aim("the loud word, compared with its neighbours", "dB", _ends(own.outstanding_db), -within_db, within_db),
        Aim("the soft line, compared with the other", "dB", _ends(own.lines_db), -within_db, within_db),
    )


def _levels(draw):
    own = own_take(draw)
    word_aim, line_aim = _level_aims(own)
    still = Aim("largest move of any other word in the loud word's line", "dB", _ends(own.moved_db), high=1.5)

    def wrong_word(built: Built, unmet) -> bool:
        gains = built.chain.stages[0][1]
        return (
            word_aim.label in unmet
            and isinstance(gains, ClipGain)
            and any(
                region.gain_db <= -2 and not (region.start_s < own.loud[1] and region.end_s > own.loud[0])
                for region in gains.regions
            )
        )

    return BuildIt(
        prompt="Level prep by hand: bring the loud word down to its neighbours, and the soft line up to the other line. "
        "Leave alone what was sung well. (A word is measured between 150 Hz and 5 kHz, and compared with the two longer "
        "words on either side.)",
        clip=lambda: own.clip,
        start=Chain([("level prep", ClipGain())]),
        aims=(word_aim, line_aim, still),
        candidates=lambda: [Chain([("level prep", own.levels)])],
        mistakes={"wrong_word": wrong_word},
        hints=(
            "Two regions: one for the word, from its first consonant to its end, and one for the whole soft line.",
            "Give a first guess, such as −6 dB on the word and +6 dB on the line. What is measured then says how far there still "
            "is to go, and each decibel of gain moves it by one.",
        ),
        solution=" and ".join(
            f"{decibels(region.gain_db, sign=True)} dB from {region.start_s:.2f} to {region.end_s:.2f} s"
            for region in own.levels.regions
        )
        + ": to the level of their neighbours, to half a decibel.",
    )


# -------------------------------------------------------------------------------------------------------- 4, filters

_NO_FILTERS = Chain([("low cut", HighPass(20, 2)), ("boxiness", Peaking(1000, 0, 2))])
_LOW_END, _LOWEST_NOTE = "change of what is below 50 Hz, relative to the voice", "change of the lowest sung note"


def _filter_aims(own: OwnTake, least_db: float = 2.0, most_db: float = 3.2) -> tuple:
    return (
        Aim(_LOW_END, "dB", _ends(own.low_end_db), high=-10),
        Aim(_LOWEST_NOTE, "dB", _ends(own.lowest_note_db), low=-1.5),
        Aim("change of the ring", "dB", _ends(own.ring_change_db), -most_db, -least_db),
    )


def _into_the_voice(_, unmet) -> bool:
    return _LOWEST_NOTE in unmet


def _filters(draw):
    own = own_take(draw)
    low_cut, cut = own.filters["low cut"], own.filters["boxiness"]
    return BuildIt(
        prompt="Filter out what the compressors must not react to: the rumble and the thump, without taking much off the "
        "lowest note of these two lines; and **2 to 3.2 dB** of the ring, wherever it is, since the rest is the voice's own. (Each is measured relative to what is between 1 "
        "and 4 kHz.)",
        clip=lambda: own.clip,
        start=_NO_FILTERS,
        aims=_filter_aims(own),
        candidates=lambda: [own.filters],
        mistakes={"into_the_voice": _into_the_voice},
        hints=(
            "Raise the corner until the low end is gone. If the note goes with it, use a higher order and a lower corner.",
            "Sweep for the ring: move a bell of +10 dB with a Q of 4 slowly from 250 to 700 Hz; where it honks, turn it "
            "into a cut. `find_resonances(home.clip(4))` names a ring that is sure; your ear has the last word.",
        ),
        solution=f"The lowest note is at {own.lowest_note['pitch_hz']:.0f} Hz: a corner of {low_cut.freq_hz:g} Hz of order "
        f"{low_cut.order} takes no more than some tenths of a decibel off it. The ring of {own.ring_db:g} dB is at {own.ring_hz:g} Hz; "
        f"{decibels(cut.gain_db)} dB with a Q of {cut.q:g} take out as much of it as was asked.",
    )


# ---------------------------------------------------------------------------------------------------- 5, compressors

_TOGETHER = "median reduction of all compressors together"
_IDLE = Chain([("peaks", Compressor(0, 4, 1, 80)), ("steady", Compressor(0, 2.5, 10, 200, 6))])
# Either less or more than the workbook's proposal, which goes for 3 dB, so that it takes a hand to set it.
_MEDIANS_DB = (2.0, 3.7, 4.1)


def _least_median_db(draw) -> float:
    """How much the second compressor is asked for; the same in two tasks."""
    return draw.shared("project median").choice(_MEDIANS_DB)


def _never_lets_go(built: Built, _) -> bool:
    change = built.change("peaks")
    return change is not None and change.reduction is not None and change.reduction.share > 0.6


def _worked_too_hard(built: Built, _) -> bool:
    return built.reduction.median_db > 5.5


def _matching_alone(label: str):
    return lambda _, unmet: unmet == {label}


def _compressors(draw):
    own, low = own_take(draw), _least_median_db(draw)
    keeps = stage_aim("steady", "loudness_change_lu", -0.5, 0.5)
    aims = (
        stage_aim("peaks", "share_percent", high=15),
        stage_aim("peaks", "max_db", 2, 8),
        stage_aim("steady", "share_percent", low=80),
        stage_aim("steady", "median_db", low, round(low + 0.8, 1)),
        keeps,
    )

    def solution() -> str:
        return (
            "Peaks: a threshold that only the loudest moments reach, with 1 ms and 80 ms. Steady: a threshold below nearly "
            "everything that is sung, a low ratio, a soft knee. Its make-up gain is about as large as its median reduction; "
            "the loudness tells you exactly how large."
        )

    return BuildIt(
        prompt="Here is your take, levelled and filtered for you, so this task doesn't depend on the ones before. Set both "
        f"compressors: `peaks` acts now and then; `steady` acts nearly all the time, by a median of **{low:g} to {low + 0.8:g} dB**, "
        "and gives back the loudness it takes.",
        clip=lambda: own.prepared,
        start=_IDLE,
        aims=aims,
        candidates=lambda: own.compressors(low + 0.3),
        mistakes={
            "never_lets_go": _never_lets_go,
            "worked_too_hard": _worked_too_hard,
            "forgot_to_match": _matching_alone(keeps.label),
        },
        hints=(
            "Peaks first: the second compressor gets what the first one leaves, so the other way round you would set it twice.",
            "Does the steady one act too seldom? Lower its threshold. Does it then take too much? Lower the ratio, or use a softer "
            "knee.",
        ),
        solution=solution(),
    )


# ------------------------------------------------------------------------------------------------- 6, the whole chain


def _whole(draw):
    own, target, low = own_take(draw), draw.choice((-27.0, -26.0, -25.0)), _least_median_db(draw)
    loudness = Aim("loudness", "LUFS", lambda built: built.numbers.loudness_lufs, target - 0.5, target + 0.5)
    aims = (
        # The stages after level prep also move words, by a little.
        *_level_aims(own, 2.5),
        *_filter_aims(own, 1.2, 3.8),
        # By what comes out, not by which stages did it: one compressor in between may do the work of two (lesson 05).
        Aim("spread of the words, of what levelling and filters leave", "%", _ends(own.spread_percent), 30, 75),
        Aim(_TOGETHER, "dB", lambda built: built.reduction.median_db, low, round(low + 1, 1)),
        Aim("gain movement within a word", "dB", lambda built: built.swing_db(own.sung), high=5),
        loudness,
        Aim("true peak", "dBTP", _ends(true_peak_dbtp), high=-1),
        # If the peaks are closer than this, the voice has been pressed flat; common practice, no source.
        Aim("peaks above the loudness", "dB", _ends(peak_to_loudness_ratio_db), 9, round(own.peaks_db + 3)),
    )

    def candidates():
        for pair in own.compressors(low + 0.4):
            stages = [("level prep", own.levels), *own.filters.stages, *pair.stages]
            gain_db = target - integrated_lufs(pair.apply(own.prepared).output)
            yield Chain([*stages, ("deliver", Gain(round(gain_db, 1)))])

    def left_to_the_compressor(built: Built, _) -> bool:
        return own.outstanding_db(built.into_compressors) > 4

    return BuildIt(
        prompt="The whole job, on the take as it was recorded: levelling by hand, filters, compression, and a last gain "
        f"that brings the result to **{decibels(target, 0)} LUFS**. Any chain that does the job is right: one compressor "
        "or three, in the order that you can give a reason for. (A stage that you don't need can stay as it is, or go.)",
        by_name=False,
        clip=lambda: own.clip,
        start=Chain([("level prep", ClipGain()), *_NO_FILTERS.stages, *_IDLE.stages, ("deliver", Gain(0))]),
        aims=aims,
        candidates=candidates,
        mistakes={
            "left_to_the_compressor": left_to_the_compressor,
            "into_the_voice": _into_the_voice,
            "never_lets_go": _never_lets_go,
            "worked_too_hard": _worked_too_hard,
            "last_gain_left_out": _matching_alone(loudness.label),
        },
        hints=(
            "Go from front to back: every stage changes what the next one gets. What you found in tasks 3 to 5 is a good place "
            "to start.",
            "The last gain is a subtraction: target loudness minus measured loudness.",
        ),
        solution="The stages of the last three tasks, in that order; then `deliver` makes up the rest of the loudness. "
        f"For this take: {decibels(own.word_gain_db)} dB on the word, a low cut below {own.lowest_note['pitch_hz']:.0f} Hz, a "
        f"cut at {own.ring_hz:g} Hz, and both compressors as in task 5.",
    )


# -------------------------------------------------------------------------------------------------- 7 and 8, the rest


def _heard(draw):
    return blind_test(
        "Your own result against the take as recorded, at the same loudness, without knowing which is which: six trials. "
        "Then ask yourself the other question: which one would you put in the song?",
        None,
        "Switch in the middle of a line, between a loud word and a soft one.",
        "What counts is that you have listened at the same loudness. If the two are hard to tell apart, your chain does "
        "little. If one is easy to pick out because it pumps or lisps, it does too much.",
        rounds=6,
    )


def _elsewhere(draw):
    threshold, trim = -draw.step(20, 32, 0.5), draw.choice((-6.0, -4.5, -3.0, 3.0, 4.5, 6.0, 7.5))
    hotter = draw.choice((2.0, 2.5, 5.0, 8.0))
    answer = threshold - trim + hotter
    return WorkOut(
        prompt=f"Your settings sheet says: a trim of **{decibels(trim, sign=True)} dB**, and further down `steady` with a "
        f"threshold of **{decibels(threshold)} dBFS**. Next week the same singer sings just as loud, but the preamplifier "
        f"is turned up by **{hotter:g} dB**, and the desk has no trim. At what threshold does the compressor take off as "
        f"much as it did with your sheet?",
        answer=answer,
        unit="dBFS",
        tolerance=0.1,
        mistakes={
            "trim_left_out": threshold + hotter,
            "inverted": threshold + trim - hotter,
            "gain_left_out": threshold - trim,
            "sign": -answer,
        },
        hints=(
            "What counts is how far the voice is above the threshold. By how much does the level at the compressor change?",
            "Two things change: the trim is missing, and there is more gain in front.",
        ),
        solution=f"Without the trim the voice arrives {decibels(-trim, sign=True)} dB from the sheet's level; with the "
        f"preamplifier too, {decibels(hotter - trim, sign=True)} dB. The threshold moves with it: {decibels(threshold)} "
        f"{decibels(hotter - trim, sign=True)} = **{decibels(answer)} dBFS**. A settings sheet means nothing without its level.",
    )


TASKS = (
    Task("first_thing", "What comes first?", _first_thing),
    Task("word_and_thump", "What stands out in your take?", _standing_out),
    Task("levels_by_hand", "Level by hand", _levels, points=2),
    Task("filters_sparing", "What the compressors must not hear", _filters, points=2),
    Task("compressors_so_much", "Two compressors", _compressors, points=2),
    Task("whole_so_much", "The whole chain, delivered", _whole, points=5),
    Task("heard", "Raw against finished", _heard),
    Task("elsewhere", "The sheet in another room", _elsewhere),
)
