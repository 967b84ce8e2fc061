"""A class of simulated learners who make known mistakes, and the marks that they must get.

Right answers come from the key. Wrong processors, chains and functions are written out here by hand; where a mistake
leads to a number, it comes from the task itself.
"""

from __future__ import annotations

import dataclasses
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from hostile import entry, sheet

from vocomp_lab import Chain, ClipGain, Compressor, DeEsser, Gain, GainRegion, HighPass
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.kinds import BuildIt, FindIt, WorkOut
from vocomp_lab.exercises.tasks import NOT_YET, RIGHT, UNREAD
from vocomp_lab.processors.character import FetCompressor, OptoCompressor

NO_ANSWER = "no answer"

FUNCTIONS = {
    "rms_level": [
        ("no_root", "def rms_level(x):\n    return 20 * np.log10(np.mean(x ** 2))"),
        ("ten_for_twenty", "def rms_level(x):\n    return 10 * np.log10(np.sqrt(np.mean(x ** 2)))"),
        ("mean_for_rms", "def rms_level(x):\n    return 20 * np.log10(np.mean(abs(x)))"),
        (None, "def rms_level(x):\n    return -20.0"),
    ],
    "target_reduction_db": [
        ("slope_for_ratio", "def target_reduction_db(l, t, r):\n    return max(l - t, 0) / r"),
        ("below_threshold", "def target_reduction_db(l, t, r):\n    return (l - t) * (1 - 1 / r)"),
        ("reduction_as_gain", "def target_reduction_db(l, t, r):\n    return min(t - l, 0) * (1 - 1 / r)"),
        ("output_for_reduction", "def target_reduction_db(l, t, r):\n    return l if l < t else t + (l - t) / r"),
    ],
    "highest_corner": [
        ("lowest_note_missed", "def highest_corner(n, o, d):\n    return n[0] * (10 ** (d / 10) - 1) ** (0.5 / o)"),
        ("corner_on_the_note", "def highest_corner(n, o, d):\n    return sorted(n)[0]"),
        ("order_not_doubled", "def highest_corner(n, o, d):\n    return min(n) * (10 ** (d / 10) - 1) ** (1 / o)"),
        (None, "def highest_corner(n, o, d):\n    return 0.7 * min(n)"),
    ],
    "fet_loop": [
        (
            name,
            "def fet_reduction(levels, rate, threshold_db, ratio, attack_ms, release_ms):\n"
            "    a, r = [math.exp(-1000 / (ms * rate)) for ms in (attack_ms, release_ms)]\n"
            f"    y, out = 0, []\n    for x in levels:\n        c = {asked}\n        k = a if c > y else r\n"
            "        y = k * y + (1 - k) * c\n        out.append(y)\n    return out",
        )
        for name, asked in (
            ("feedback_left_out", "max(x - threshold_db, 0) * (1 - 1 / ratio)"),
            ("forward_curve", "max(x - y - threshold_db, 0) * (1 - 1 / ratio)"),
            ("below_threshold", "(x - y - threshold_db) * (ratio - 1)"),
            (None, "max(x - threshold_db, 0) * (ratio - 1)"),
        )
    ],
    "blend_db": [
        (name, f"def blend_db(r, mix):\n    g = 10 ** (-r / 20)\n    return {result}")
        for name, result in (
            ("decibels_mixed", "-r * mix"),
            ("mix_swapped", "20 * math.log10((1 - mix) * g + mix)"),
            ("dry_left_out", "20 * math.log10(mix * g)"),
            ("ten_for_twenty", "10 * math.log10(mix * g + 1 - mix)"),
            ("sign", "-20 * math.log10(mix * g + 1 - mix)"),
            (None, "r"),
        )
    ],
    "onset_over_sustain": [
        (
            name,
            "def onset_over_sustain(x, rate, begin):\n"
            "    def level(a, b):\n"
            f"        p = x[round(({begin} + a) * rate):round(({begin} + b) * rate)]\n        return {level}\n"
            f"    return {result}",
        )
        for name, begin, level, result in (
            ("sign", "begin", "10 * np.log10(np.mean(p ** 2))", "level(.12, .25) - level(0, .05)"),
            ("ten_for_twenty", "begin", "10 * np.log10(np.sqrt(np.mean(p ** 2)))", "level(0, .05) - level(.12, .25)"),
            ("no_root", "begin", "20 * np.log10(np.mean(p ** 2))", "level(0, .05) - level(.12, .25)"),
            ("begin_left_out", "0", "10 * np.log10(np.mean(p ** 2))", "level(0, .05) - level(.12, .25)"),
            ("peak_for_rms", "begin", "20 * np.log10(np.max(np.abs(p)))", "level(0, .05) - level(.12, .25)"),
            (None, "begin", "1.0", "level(0, 1)"),
        )
    ],
    "sinks_percent": [
        (
            name,
            "def sinks_percent(vocal, band, sung, balance):\n"
            f"    off = np.array(vocal) - np.array(band) - {balance}\n    off = off[{counted}]\n"
            f"    return {times} * np.mean({sinks})",
        )
        for name, balance, counted, times, sinks in (
            ("pauses_counted", "balance", ":", 100, "off < -3"),
            ("share_for_percent", "balance", "np.array(sung) == 1", 1, "off < -3"),
            ("balance_left_out", "0", "np.array(sung) == 1", 100, "off < -3"),
            ("either_side", "balance", "np.array(sung) == 1", 100, "abs(off) > 3"),
            (None, "balance", "np.array(sung) == 1", 100, "off > 3"),
        )
    ],
    "region_gains": [
        (name, f"def region_gains(x, t):\n    m = np.{middle}(x)\n    return [{gain} for v in x]")
        for name, middle, gain in (
            ("every_word_levelled", "median", "m - v"),
            ("soft_words_too", "median", "m - v if abs(v - m) > t else 0"),
            ("mean_for_median", "mean", "m - v if v - m > t else 0"),
            ("sign", "median", "v - m if v - m > t else 0"),
            (None, "median", "-t if v - m > t else 0"),
        )
    ],
}
PROCESSORS = {
    "loudness": [(None, Gain(30))],
    "staging": [("threshold_above_peaks", Gain(-50)), ("never_lets_go", Gain(40))],
    "peaks_only": [
        ("never_lets_go", Compressor(-60, 3, 1, 80)), ("threshold_above_peaks", Compressor(0, 3, 1, 80)),
        ("flattened", lambda posed: Compressor(posed.key().threshold_db, 100, 0.03, 80)),
    ],
    "late": [
        ("late_for_peaks", Compressor(-60, 3, 40, 80)), ("never_lets_go", Compressor(-60, 3, 1, 80)),
        ("threshold_above_peaks", Compressor(6, 3, 1, 80)),
        ("flattened", lambda posed: Compressor(posed.key().threshold_db, 100, 0.03, 80)),
    ],
    "low_cut": [("into_the_voice", HighPass(350, 4)), (None, HighPass(30, 1))],
    "deess": [("lisps", DeEsser(-45, range_db=12)), ("threshold_above_peaks", DeEsser(20))],
    "sleeve": [
        ("worked_too_hard", Compressor(-70, 2.5, 10, 200, 6)), ("threshold_above_peaks", Compressor(6, 2.5, 10, 200, 6)),
        ("peaks_for_steady", Compressor(-15, 4, 0.5, 60)), ("forgot_to_match", Compressor(-28, 2.5, 10, 200, 6)),
        ("flattened", lambda posed: Compressor(posed.key().threshold_db + 8, 10, 0.05, 1_000)),
    ],
    "blend": [
        ("all_wet", Compressor(-45, 6, 1, 40)), ("threshold_above_peaks", Compressor(6, 6, 1, 40, mix=0.4)),
        ("hardly_mixed", Compressor(-45, 6, 1, 40, mix=0.05)),
    ],
    "regions": [
        ("all_turned_down", ClipGain([GainRegion(0, 20, -15)])), (None, ClipGain([GainRegion(0, 0.1, -3)])),
    ],
    "opto_work": [("worked_too_hard", OptoCompressor(-70)), ("threshold_above_peaks", OptoCompressor(20))],
    "fet_edge": [("starts_shaved", FetCompressor(-60, 4, 2, 100)), ("threshold_above_peaks", FetCompressor(20, 4, 100))],
    "bite": [
        ("beginnings_caught", Compressor(-26, 20, 0.1, 100)), ("worked_too_hard", Compressor(-60, 4, 30, 100)),
        ("threshold_above_peaks", Compressor(6, 4, 30, 100)),
    ],
    "lets_go": [
        ("release_too_long", Compressor(-60, 4, 30, 1200)), ("threshold_above_peaks", Compressor(6, 4, 30, 100)),
    ],
    "too_much": [("worked_too_hard", Compressor(-60, 8, 10, 200)), ("threshold_above_peaks", Compressor(6, 3, 10, 200))],
}  # fmt: skip


def _without(*names):
    return lambda chain: Chain([stage for stage in chain.stages if stage[0] not in names])


def _with(name, **settings):
    return lambda chain: chain.with_stage(name, dataclasses.replace(chain[name], **settings))


CHAINS = {
    "levels": [
        ("wrong_word", lambda chain: Chain([("level prep", _late(chain["level prep"]))])),
        (None, lambda chain: Chain([("level prep", ClipGain([GainRegion(0.0, 0.1, -1)]))])),
    ],
    "filters": [
        ("into_the_voice", _with("low cut", freq_hz=400, order=4)),
        (None, _with("boxiness", gain_db=0)),
        (None, _without("boxiness")),
    ],
    "compressors": [
        ("threshold_above_peaks", _with("peaks", threshold_db=6)),
        ("never_lets_go", _with("peaks", threshold_db=-60)),
        ("worked_too_hard", _with("steady", threshold_db=-70)),
        ("forgot_to_match", _with("steady", makeup_db=-3)),
        (None, _without("steady")),
    ],
    "whole": [
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
        return [({"source": source}, NOT_YET, name) for name, source in FUNCTIONS[task.id]]
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
