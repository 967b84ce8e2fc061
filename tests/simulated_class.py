"""A class of simulated learners who make known mistakes, and the marks that they must get.

Right answers come from the key. Wrong processors, chains and functions are written out here by hand; where a mistake
leads to a number, it comes from the task itself.
"""

from __future__ import annotations

import dataclasses
import re
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from hostile import entry, sheet

from vocomp_lab import Chain, ClipGain, Compressor, DeEsser, Gain, GainRegion, HighPass
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.kinds import BuildIt, FindIt, WorkOut
from vocomp_lab.exercises.tasks import NOT_YET, RIGHT, UNREAD
from vocomp_lab.processors.character import FetCompressor, OptoCompressor

NO_ANSWER = "no answer"

# What a learner gets wrong, as changes to a right function: patterns, and what stands in their place.
_LOG, _TEN, _TURNED = (r"log10", "log"), (r"20 \*", "10 *"), (r"return 20", "return -20")
FUNCTIONS = {
    "meter_from_zero": [
        ("no_root", (r"np.sqrt\((.*2\))\)\)", r"\1)")),
        ("ten_for_twenty", _TEN),
        ("natural_log", _LOG),
        ("mean_for_rms", (r"np.sqrt\(np.mean\(heard \*\* 2\)\)", "np.mean(abs(heard))")),
        ("start_left_in", (r"samples\[\d+:\]", "samples")),
        ("reference_left_out", (r" \+ [\d.]+$", "")),
        (None, (r"return .*", "return -20.0")),
    ],
    "gain_within_range": [
        ("slope_for_ratio", (r"\(1 - 1 / ratio\)", "(1 / ratio)")),
        ("below_threshold", (r"max\((.*), 0\)", r"\1")),
        ("reduction_as_gain", (r"return min", "return -min")),
        ("output_for_reduction", (r"return min", "return level_db - min")),
        ("limit_left_out", (r"min\((.*), [\d.]+\)", r"\1")),
    ],
    "corner_below_slides": [
        ("lowest_note_missed", (r"min\(notes_hz\)", "notes_hz[0]")),
        ("corner_on_the_note", (r"lowest_hz \* .*", "lowest_hz")),
        ("order_not_doubled", (r"\(2 \* order\)", "order")),
        ("slide_left_out", (r" \* 2 \*\* .*", "")),
        ("limit_left_out", (r"min\(corner_hz, \d+\)", "corner_hz")),
        (None, (r"return .*", "return 0.7 * lowest_hz")),
    ],
    "fet_loop_with_pad": [
        ("feedback_left_out", (r"level - reduction", "level"), (r"\(ratio - 1\)", "(1 - 1 / ratio)")),
        ("forward_curve", (r"\(ratio - 1\)", "(1 - 1 / ratio)")),
        ("below_threshold", (r"max\((heard - threshold_db), 0\)", r"(\1)")),
        ("limit_left_out", (r"min\((.*), [\d.]+\)", r"\1")),
        ("pad_left_out", (r"reduction - [\d.]+\n", "reduction\n")),
        (None, (r"\(ratio - 1\)", "ratio")),
    ],
    "blend_with_makeup": [
        ("decibels_mixed", (r"10 \*\* \((.*) / 20\)\n.*", r"mix * \1\n    return compressed")),
        ("mix_swapped", (r"mix \* compressed \+ \(1 - mix\)", "(1 - mix) * compressed + mix")),
        ("dry_left_out", (r"compressed \+ .*", "compressed)")),
        ("makeup_on_blend", (r"\((\d+) - (.*\n.*)", r"(0 - \2 + \1")),
        ("makeup_left_out", (r"\(\d+ - red", "(0 - red")),
        ("ten_for_twenty", (r"20 \* math", "10 * math")),
        ("natural_log", _LOG),
        ("sign", _TURNED),
        (None, (r"return .*", "return reduction_db")),
    ],
    "start_over_rest": [
        ("sign", _TURNED),
        ("ten_for_twenty", _TEN),
        ("natural_log", _LOG),
        ("no_root", (r"np.sqrt\((.*)\)\n", r"\1\n")),
        ("begin_left_out", (r"begin_s \+ ", "")),
        ("peak_for_rms", (r"np.sqrt\(.*\)\n", "max(abs(part))\n")),
        (None, (r"return 20.*", "return 1.0")),
    ],
    "sinks_too_far": [
        ("pauses_counted", (r" if sings", "")),
        ("share_for_percent", (r"100 \* ", "")),
        ("balance_left_out", (r" - balance_lu", "")),
        ("either_side", (r"off < -([\d.]+)", r"abs(off) > \1")),
        ("ones_as_places", (r" if sings\]", "]\n    off_lu = np.array(off_lu)[sung]")),
        (None, (r"off < -", "off > ")),
    ],
    "gains_for_words": [
        ("all_of_it", (r"-min\(.*?, [\d.]+\)", "usual - level")),
        ("every_word_levelled", (r" if level.*?else 0", "")),
        ("soft_words_too", (r"if level - usual", "if abs(level - usual)")),
        ("mean_for_median", (r"median", "mean")),
        ("sign", (r"-min", "min")),
        (None, (r"-min\(.*?, [\d.]+\)", "-threshold_db")),
    ],
}


def wrong_functions(task, posed) -> list:
    """Wrong functions as (source, mistake); those that change nothing in this learner's are left out."""
    made = []
    for name, *changes in FUNCTIONS[task.id]:
        source = posed.model
        for pattern, instead in changes:
            source = re.sub(pattern, instead, source.rstrip())
        if source != posed.model.rstrip():
            made.append((source, name))
    return made


PROCESSORS = {
    "loudness": [(None, Gain(30))],
    "trim_for_threshold": [("threshold_above_peaks", Gain(-50)), ("never_lets_go", Gain(40))],
    "peaks_so_much": [
        ("never_lets_go", Compressor(-60, 3, 1, 80)), ("threshold_above_peaks", Compressor(0, 3, 1, 80)),
        ("flattened", lambda posed: Compressor(posed.key().threshold_db, 100, 0.03, 80)),
    ],
    "late_and_seldom": [
        ("late_for_peaks", Compressor(-60, 3, 40, 80)), ("never_lets_go", Compressor(-60, 3, 1, 80)),
        ("threshold_above_peaks", Compressor(6, 3, 1, 80)),
        ("flattened", lambda posed: Compressor(posed.key().threshold_db, 100, 0.03, 80)),
    ],
    "just_enough_cut": [("into_the_voice", HighPass(350, 4)), ("more_than_needed", HighPass(100, 6)), (None, HighPass(30, 1))],
    "so_much_less_s": [("lisps", DeEsser(-45, range_db=12)), ("threshold_above_peaks", DeEsser(20))],
    "steady_hand": [
        ("worked_too_hard", Compressor(-70, 2.5, 10, 200, 6)), ("threshold_above_peaks", Compressor(6, 2.5, 10, 200, 6)),
        ("peaks_for_steady", lambda posed: Compressor(posed.key().threshold_db + 11, 4, 0.5, 60)),
        ("forgot_to_match", lambda posed: dataclasses.replace(posed.key(), makeup_db=0)),
        ("flattened", lambda posed: Compressor(posed.key().threshold_db + 8, 10, 0.05, 1_000)),
    ],
    "squashed_so_much": [
        ("all_wet", Compressor(-45, 6, 1, 40)), ("threshold_above_peaks", Compressor(6, 6, 1, 40, mix=0.4)),
        ("hardly_mixed", Compressor(-45, 6, 1, 40, mix=0.05)),
    ],
    "regions": [
        ("all_turned_down", ClipGain([GainRegion(0, 20, -15)])), (None, ClipGain([GainRegion(0, 0.1, -3)])),
    ],
    "opto_so_much": [("worked_too_hard", OptoCompressor(-70)), ("threshold_above_peaks", OptoCompressor(20))],
    "edge_left": [("starts_shaved", FetCompressor(-60, 4, 2, 100)), ("threshold_above_peaks", FetCompressor(20, 4, 100))],
    "back_to_bite": [
        ("beginnings_caught", Compressor(-26, 20, 0.1, 100)), ("worked_too_hard", Compressor(-60, 4, 30, 100)),
        ("threshold_above_peaks", Compressor(6, 4, 30, 100)),
    ],
    "lets_go": [
        ("release_too_long", Compressor(-60, 4, 30, 1200)), ("threshold_above_peaks", Compressor(6, 4, 30, 100)),
    ],
    "rescued": [("worked_too_hard", Compressor(-60, 8, 10, 200)), ("threshold_above_peaks", Compressor(6, 3, 10, 200))],
}  # fmt: skip


def _without(*names):
    return lambda chain: Chain([stage for stage in chain.stages if stage[0] not in names])


def _with(name, **settings):
    return lambda chain: chain.with_stage(name, dataclasses.replace(chain[name], **settings))


CHAINS = {
    "levels_by_hand": [
        ("wrong_word", lambda chain: Chain([("level prep", _late(chain["level prep"]))])),
        (None, lambda chain: Chain([("level prep", ClipGain([GainRegion(0.0, 0.1, -1)]))])),
    ],
    "filters_sparing": [
        ("into_the_voice", _with("low cut", freq_hz=400, order=4)),
        (None, _with("boxiness", gain_db=0)),
        (None, _without("boxiness")),
    ],
    "compressors_so_much": [
        ("threshold_above_peaks", _with("peaks", threshold_db=6)),
        ("never_lets_go", _with("peaks", threshold_db=-60)),
        ("worked_too_hard", _with("steady", threshold_db=-70)),
        ("forgot_to_match", _with("steady", makeup_db=-3)),
        (None, _without("steady")),
    ],
    "whole_so_much": [
        ("left_to_the_compressor", _without("level prep")),
        ("into_the_voice", _with("low cut", freq_hz=400, order=4)),
        ("never_lets_go", _with("peaks", threshold_db=-60)),
        ("worked_too_hard", _with("steady", threshold_db=-70)),
        ("last_gain_left_out", _with("deliver", gain_db=-20)),
    ],
}  # fmt: skip
"""Wrong chains by task: what turns the right chain into one."""


def _late(gains):
    """The gain of the loud word, a second and a half too late."""
    word = min(gains.regions, key=lambda region: region.end_s - region.start_s)
    return ClipGain([dataclasses.replace(word, start_s=word.start_s + 1.5, end_s=word.end_s + 1.5)])


UNREADABLE = {
    "sheet": {"sheet": 5},
    "number": {"number": "eight"},
    "numbers": {"numbers": []},
    "settings": {"settings": 5},
    "source": {"source": None},
    "word": {"word": "?"},
}


def wrong_answers(task, posed) -> list:
    """Wrong answers to a task as (data, status, mistake)."""
    if task.id in FUNCTIONS:
        return [({"source": source}, NOT_YET, name) for source, name in wrong_functions(task, posed)]
    if task.id in PROCESSORS:
        wrong = [(name, one(posed) if callable(one) else one) for name, one in PROCESSORS[task.id]]
        return [(posed.to_data(processor), NOT_YET, name) for name, processor in wrong]
    if isinstance(posed, BuildIt):
        key = posed.key()
        return [(posed.to_data(wrong(key)), NOT_YET, name) for name, wrong in CHAINS[task.id]]
    if isinstance(posed, WorkOut):
        values = [
            (name, value) for name, value in posed.mistakes.items() if abs(value - posed.answer) > 2 * posed.tolerance
        ]
        lone = [
            (name, value)
            for name, value in values
            if all(abs(value - other) > 2 * posed.tolerance for named, other in values if named != name)
        ]
        return [({"number": value}, NOT_YET, name) for name, value in lone] + [({"number": 12_345.0}, NOT_YET, None)]
    if isinstance(posed, FindIt):
        times = posed.key()
        return [
            ({"numbers": [1000 * time for time in times]}, NOT_YET, "ms_for_seconds" if posed.unit == "s" else None),
            ({"numbers": times[:-1] + [0.0]}, NOT_YET, None),
        ]  # fmt: skip
    if hasattr(posed, "choices"):
        named = {choice: name for name, choice in posed.mistakes.items()}
        wrong = [word for word in posed.choices if word != posed.answer and word not in posed.also]
        return [({"word": word}, NOT_YET, named.get(word)) for word in wrong]
    return [({"heard": [["A", "B", 1.0]]}, NOT_YET, None)]


def simulate(number: int, homework: str) -> tuple[dict, dict]:
    """A learner's sheet, and for each task the status and mistake that marking must find.

    Learner 0 gets everything right. Each of the others gets every third task wrong, leaves one out, and gives something
    that can't be read in one.
    """
    learner = f"learner.{number:03}"
    answers, expected = {}, {}
    for place, task in enumerate(tasks_of(homework)):
        posed = pose(homework, task, learner)
        turn = (number + place) % 9 if number else 0
        if turn in (1, 4, 7):
            wrong = wrong_answers(task, posed)
            data, *expected[task.id] = wrong[number // 3 % len(wrong)]
        elif turn == 2:
            expected[task.id] = [NO_ANSWER, None]
            continue
        elif turn == 5:
            ((kind, _),) = posed.to_data(posed.key()).items()
            data, expected[task.id] = UNREADABLE.get(kind, {"heard": 3}), [UNREAD, None]
        else:
            data, expected[task.id] = posed.to_data(posed.key()), [RIGHT, None]
        answers[task.id] = entry(data, tries=1 + number % 4, hints=number % 3)
    return sheet(answers, learner, homework), expected


def simulate_all(wanted) -> list:
    """:func:`simulate` for many, on all processors."""
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        return list(pool.map(simulate, *zip(*wanted), chunksize=8))
