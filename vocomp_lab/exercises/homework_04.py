"""Homework beside lesson ``04_peak_control``: gain computer, time constants, and a compressor for peaks only."""

from __future__ import annotations

import math

from vocomp_lab.analysis.measures import Goal, clip_numbers, measure_change
from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.times import stated_times
from vocomp_lab.exercises.kinds import Diagnose, FindIt, SetIt, WorkOut, WriteIt
from vocomp_lab.exercises.material import (
    CLEAN,
    FAULTY,
    LAST_THREE_LINES_S,
    blind_test,
    knocks,
    knocks_s,
    lasts_s,
    table,
    take,
    voice,
    window,
)
from vocomp_lab.exercises.tasks import Task, as_code
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


def _definition(draw):
    stated = draw.choice((3, 4, 5, 7, 8, 10, 12, 15, 20))
    per_tau = stated_times(1.0, step_db=12).ninety_percent_ms
    answer = stated / per_tau
    return WorkOut(
        prompt=f"A colleague's compressor states an attack of **{stated} ms**, and means the time for **90 %** of a step. "
        f"Which `attack_ms` behaves the same in this workbook, where it is the time for 63.2 %?",
        answer=answer,
        unit="ms",
        tolerance=round(0.03 * answer, 2),
        mistakes={"inverted": stated * per_tau, "linear_share": stated * 0.632 / 0.9},
        hints=(
            "What is left of the step after a time t is exp(−t/τ).",
            "90 % is done when exp(−t/τ) = 0.1: how many τ is that?",
        ),
        solution=f"exp(−t/τ) = 0.1 at t = {per_tau:.3f} τ, so τ = {stated} / {per_tau:.3f} = **{answer:.2f} ms**.",
    )


_GAIN_START = '''def target_reduction_db(level_db, threshold_db, ratio):
    """Decibels of reduction that a hard knee asks for at a level."""
    ...
'''
_GAIN_MODEL = '''def target_reduction_db(level_db, threshold_db, ratio):
    """Decibels of reduction that a hard knee asks for at a level."""
    excess = max(level_db - threshold_db, 0)
    return excess * (1 - 1 / ratio)
'''


def _gain_computer(draw):
    calls = []
    for over in (draw.step(2, 9, 0.5), draw.step(10, 18, 0.5), 0.0, -draw.step(3, 12, 0.5), draw.step(4, 12, 0.25)):
        threshold = draw.step(-30, -10, 1)
        calls.append((threshold + over, threshold, draw.choice((1.5, 2.5, 3.0, 4.0, 8.0))))
    # JSON has no infinity: for the box a ratio this large is as good.
    calls.append((draw.step(-9, -1, 0.5), -14.0, 1e9))

    def reduction(level, threshold, ratio):
        return max(level - threshold, 0) * (1 - 1 / ratio)

    return WriteIt(
        prompt="Write the gain computer. It takes level, threshold and ratio (numbers: dBFS, dBFS, and 4.0 for 4:1) and "
        "returns the target reduction in dB, which is never negative. Hard knee. One of the inputs has a very large "
        "ratio.",
        start=_GAIN_START,
        calls=tuple(calls),
        right=reduction,
        tolerance=0.01,
        model=_GAIN_MODEL,
        mistakes={
            "below_threshold": lambda level, threshold, ratio: (level - threshold) * (1 - 1 / ratio),
            "slope_for_ratio": lambda level, threshold, ratio: max(level - threshold, 0) / ratio,
            "reduction_as_gain": lambda *call: -reduction(*call),
            "output_for_reduction": lambda level, threshold, ratio: level - reduction(level, threshold, ratio),
        },
        hints=(
            "Three steps: find the excess, never below 0; find the part that is taken off; return it.",
            "The part that is taken off is 1 − 1/ratio of the excess.",
        ),
        solution="After Giannoulis, Massberg & Reiss (2012), eq. 4, with a hard knee:\n\n" + as_code(_GAIN_MODEL),
    )


_SMOOTH_START = '''def smoothed(demand_db, rate, attack_ms, release_ms):
    """Reduction for each sample: it follows a list of demands at two paces."""
    reduction, history = 0.0, []
    for demand in demand_db:
        ...
        history.append(reduction)
    return history
'''
_SMOOTH_MODEL = '''def smoothed(demand_db, rate, attack_ms, release_ms):
    """Reduction for each sample: it follows a list of demands at two paces."""
    attack = math.exp(-1 / (attack_ms / 1000 * rate))
    release = math.exp(-1 / (release_ms / 1000 * rate))
    reduction, history = 0.0, []
    for demand in demand_db:
        keep = attack if demand > reduction else release
        reduction = keep * reduction + (1 - keep) * demand
        history.append(reduction)
    return history
'''


def _smooth(demand, rate, attack_ms, release_ms):
    attack, release = (math.exp(-1000 / (time * rate)) for time in (attack_ms, release_ms))
    reduction, history = 0.0, []
    for value in demand:
        keep = attack if value > reduction else release
        reduction = keep * reduction + (1 - keep) * value
        history.append(reduction)
    return history


def _smoother(draw):
    calls = []
    for _ in range(4):
        steps = [draw.step(0, 12, 0.5) for _ in range(4)] + [0.0]
        demand = [level for level in steps for _ in range(30)]
        calls.append((demand, draw.choice((1000, 2000, 4000)), draw.step(1, 9, 1), draw.step(20, 120, 10)))
    return WriteIt(
        prompt="Write the smoother of the lesson. It takes a list of demands in dB, one for each sample, the sample rate "
        "in Hz, and both time constants in milliseconds. It returns a list of the same length: the reduction, which "
        "starts at 0 and follows the demand, with the attack while the demand is above it, otherwise with the release. "
        "You can use `math`.",
        start=_SMOOTH_START,
        calls=tuple(calls),
        right=_smooth,
        tolerance=1e-4,
        model=_SMOOTH_MODEL,
        mistakes={
            "swapped_times": lambda demand, rate, attack, release: _smooth(demand, rate, release, attack),
            "seconds_for_ms": lambda demand, rate, attack, release: _smooth(
                demand, rate, 1000 * attack, 1000 * release
            ),
            "no_memory": lambda demand, rate, attack, release: demand,
        },
        hints=(
            "After each sample, exp(−1 / (τ·rate)) of the old value is kept, with τ in seconds.",
            "`keep = attack if demand > reduction else release`, then `reduction = keep * reduction + (1 - keep) * "
            "demand`.",
        ),
        solution="The loop of the lesson, without its gain computer:\n\n" + as_code(_SMOOTH_MODEL),
    )


def _peaks_only(draw):
    name, off_db = draw.choice(FAULTY), draw.step(-8, 2, 0.5)

    def clip() -> Clip:
        return _voice(name).gained(off_db)

    def candidates():
        peak = sample_peak_dbfs(clip())
        return [Compressor(peak - down, 3, 1, _RELEASE_MS) for down in (6, 6.5, 5.5, 7, 5, 8, 4, 9)]

    return SetIt(
        prompt="Set this compressor for **peaks only**, on a take that is yours alone: it should act during at most 15 % "
        "of the sung time, and take off 2 to 8 dB where it acts most.",
        clip=clip,
        start=Compressor(threshold_db=-48, ratio=3, attack_ms=1, release_ms=_RELEASE_MS),
        goals=(Goal("share_percent", high=15), Goal("max_db", low=2, high=8)),
        candidates=candidates,
        mistakes={"never_lets_go": lambda processor, change: change.reduction.share > 0.6},
        hints=(
            "Raise the threshold until the reduction is a few islands with nothing in between.",
            "Does it act seldom enough, but take off too much? Then lower the ratio.",
        ),
        solution=f"This take's level is {decibels(off_db, sign=True)} dB from the workbook's, so the threshold moves with "
        f"it. With a threshold that only the loudest moments reach, 3:1 with 1 ms and 80 ms meets both goals.",
    )


def _knocks(draw):
    name = draw.choice(CLEAN)
    off_db = draw.step(-9, -3, 0.5)
    words = [word for word in take(name).truth["words"] if lasts_s(word) > 0.3]
    chosen = draw.sample(words[::2], 3)
    return FindIt(
        prompt="Three words in this verse got a knock a few hundredths of a second long, far louder than the rest. Find "
        "them: give a time within each of the three words. (The lesson's `reduction_moments` lists what a fast compressor "
        "reacts to most.)",
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


def _what_is_wrong(draw):
    clip = _voice("lesson_verse_faulty")
    sung = active_mask(clip)
    numbers = clip_numbers(clip, sung)
    fine = Compressor(numbers.peak_dbfs - draw.step(6, 7, 0.5), 3, 1, draw.choice((60.0, 80.0)))
    variants = {
        "threshold": Compressor(numbers.peak_dbfs - draw.step(22, 27, 1), fine.ratio, 1, fine.release_ms),
        "attack": Compressor(fine.threshold_db, fine.ratio, draw.choice((30.0, 40.0, 50.0)), fine.release_ms),
        "idle": Compressor(numbers.peak_dbfs + draw.step(1, 4, 1), fine.ratio, 1, fine.release_ms),
        "nothing": fine,
    }
    answer = draw.choice(list(variants))
    result = variants[answer].apply(clip)
    change = measure_change(numbers, result.output, result.reduction_db, sung)
    stats, before, after = change.reduction, change.before, change.after
    rows = (
        ("acting", f"{100 * stats.share:.0f} % of the sung time"),
        ("median", f"{stats.median_db:.1f} dB of reduction"),
        ("largest", f"{stats.max_db:.1f} dB of reduction"),
        ("peak", f"{decibels(before.peak_dbfs)} → {decibels(after.peak_dbfs)} dBFS"),
        ("crest factor", f"{before.crest_db:.1f} → {after.crest_db:.1f} dB"),
        ("loudness", f"{decibels(before.loudness_lufs)} → {decibels(after.loudness_lufs)} LUFS"),
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
            "attack": f"The peak went from {decibels(before.peak_dbfs)} to {decibels(after.peak_dbfs)} dBFS, with "
            f"{stats.max_db:.1f} dB of reduction at most.",
            "idle": f"Its largest reduction is {stats.max_db:.1f} dB; above every peak it would be 0.",
            "nothing": f"Look at how long it acts ({100 * stats.share:.0f} %), the largest reduction "
            f"({stats.max_db:.1f} dB) and what became of the peak.",
        },
        hints=(
            "Does it act at all? If so, most of the time, or only now and then?",
            "If only now and then: did the peak come down by about as much as the largest reduction?",
        ),
        solution=f"It was a threshold of {figure(variants[answer].threshold_db)} dBFS with an attack of "
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
    Task("definition", "Another sheet, another definition", _definition),
    Task("target_reduction_db", "Write the gain computer", _gain_computer, points=2),
    Task("smoothed", "Write the smoother", _smoother, points=2),
    Task("peaks_only", "Peaks only", _peaks_only, points=2),
    Task("knocks", "Three knocks", _knocks),
    Task("what_is_wrong", "What is wrong here?", _what_is_wrong),
    Task("blind", "Hear it blind", _peaks_blind),
)
