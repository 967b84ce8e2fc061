"""Homeworks 03 and 07 against what stands outside them: filters of SciPy, the workbook's own models, measured bursts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from vocomp_lab import Clip, Compressor
from vocomp_lab.analysis.lowend import find_pops
from vocomp_lab.analysis.resonance import find_resonances
from vocomp_lab.analysis.times import measure_burst
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.homework_03 import _boxless, _lowest_hz
from vocomp_lab.processors.character import FetCompressor

LEARNERS = [f"learner{number}" for number in range(12)]


def posed(homework, name, learner="ann"):
    return pose(homework, next(task for task in tasks_of(homework) if task.id == name), learner)


def test_the_highest_corner_costs_just_what_is_allowed():
    """Against SciPy's own Butterworth design at a rate so high that the bilinear transform bends nothing."""
    task, seen = posed("03", "corner_below_slides"), 0
    semitones, most_hz = (int(part.split()[0]) for part in _bold(task.prompt))
    for notes_hz, order, loss_db in task.calls:
        corner_hz = task.right(notes_hz, order, loss_db)
        sections = butter(order, corner_hz, "highpass", fs=192_000, output="sos")
        _, response = sosfreqz(sections, worN=[min(notes_hz) * 2 ** (-semitones / 12)], fs=192_000)
        lost_db = -20 * math.log10(abs(response[0]))
        if corner_hz < most_hz:
            assert lost_db == pytest.approx(loss_db, abs=0.001)
            seen += 1
        else:
            assert corner_hz == most_hz and lost_db <= loss_db + 0.001
    assert 0 < seen < len(task.calls)


def test_a_melody_never_begins_on_its_lowest_note():
    for learner in LEARNERS:
        assert all(notes[0] > min(notes) for notes, _, _ in posed("03", "corner_below_slides", learner).calls)


def test_what_a_thump_costs_is_what_the_compressor_takes():
    """Two tones, 50 and 400 Hz, of the levels that the task gives, through a compressor with a slow RMS detector."""
    for learner in LEARNERS[:4]:
        task = posed("03", "thump_costs", learner)
        vowel, thump, threshold = (float(part.split(" dBFS")[0].replace("−", "-")) for part in _bold(task.prompt)[:3])
        ratio = float(_bold(task.prompt)[3].split(":")[0])
        t = np.arange(48_000) / 48_000
        tones = [
            10 ** (level / 20) * math.sqrt(2) * np.sin(2 * np.pi * hz * t) for level, hz in ((vowel, 400), (thump, 50))
        ]
        machine = Compressor(threshold, ratio, 20, 20, detector="rms", rms_ms=100)
        taken = [machine.apply(Clip(wave, 48_000)).reduction_db[-9600:].mean() for wave in (tones[0], sum(tones))]
        assert taken[1] - taken[0] == pytest.approx(task.answer, abs=task.tolerance)


def _bold(prompt):
    return [part for place, part in enumerate(prompt.split("**")) if place % 2]


@pytest.mark.parametrize("learner", LEARNERS[:8])
def test_the_finders_of_the_lesson_find_thumps_and_rings(learner):
    thumps = posed("03", "thumps", learner)
    found = [pop.time_s for pop in find_pops(thumps.clip())]
    assert thumps.judge(thumps.read(found)).status == "right", (found, thumps.windows)


@pytest.mark.ci
def test_the_finder_of_rings_is_a_second_opinion():
    tasks = [posed("03", "ring", learner) for learner in LEARNERS]
    right = [task.judge(task.read([find_resonances(task.clip())[0].freq_hz])).status == "right" for task in tasks]
    assert sum(right) >= 10, right


@pytest.mark.ci
def test_each_way_with_the_low_end_is_told_by_its_numbers():
    """The two questions of the hint decide for every learner: heard by the compressor, left in the sound."""
    ways = set()
    for learner in [f"learner{number}" for number in range(16)]:
        task = posed("03", "which_order", learner)
        rows = [line.split()[-2:] for line in task.prompt.splitlines() if line.startswith("    ")]
        extra, recorded, result = (float(row[0].replace("−", "-")) for row in rows[1:])
        heard, left = extra > 0.6, recorded - result < 8
        assert {(False, False): "first", (True, False): "last", (False, True): "sidechain", (True, True): "none"}[
            heard, left] == task.answer, (learner, task.prompt)  # fmt: skip
        ways.add(task.answer)
    assert len(ways) == 4 and find_pops(_boxless("lesson_verse")) and _lowest_hz("second_verse") < 120


TO_SET = [("03", "just_enough_cut"), ("03", "so_much_less_s"), ("07", "opto_so_much")]


@pytest.mark.parametrize(("homework", "name"), TO_SET)
def test_what_is_to_be_set_is_not_right_as_it_comes(homework, name):
    for learner in LEARNERS[:4]:
        task = posed(homework, name, learner)
        assert task.judge(task.read(task.start)).status == "not yet", (learner, task.start)


def test_a_fet_set_like_another_compressor_shaves_the_starts_and_is_told():
    for learner in LEARNERS[:6]:
        task = posed("07", "edge_left", learner)
        verdict = task.judge(task.read(task.start))
        assert (verdict.status, verdict.mistake) == ("not yet", "starts_shaved")


def test_a_fet_set_as_asked_grips_as_before():
    for learner in LEARNERS[:6]:
        task = posed("07", "grip", learner)
        was, attack, now = (float(part.split(":")[0].split(" ms")[0]) for part in _bold(task.prompt))
        took = [
            measure_burst(FetCompressor(-26, ratio, attack_ms), 0.3, 0.01, rate=192_000).attack_ms()
            for ratio, attack_ms in ((was, attack), (now, task.answer))
        ]
        assert took[1] == pytest.approx(took[0], rel=0.02)


def test_the_written_loop_settles_and_grips_as_the_workbooks_fet():
    """One sample late, it comes to the same as the loop without delay, the closer the higher the rate."""
    tasks = (posed("07", "fet_loop_with_pad", f"learner{number}") for number in range(200))
    # One whose limit is out of reach here at 2:1, and is only in the way of the attack at 4:1.
    task, pad_db = next((one, float(_bold(one.prompt)[1].split()[0])) for one in tasks if "**15 dB**" in one.prompt)
    levels = np.repeat([-10.0, -60.0], 24_000)
    for ratio in (2.0, 4.0):
        mine = task.right(levels.tolist(), 96_000, -24.0, ratio, 10.0, 60.0)
        theirs = FetCompressor(-24.0 + pad_db, ratio, 10.0, 60.0).reduction_db(levels, 96_000)
        assert mine[23_999] == pytest.approx((14 - pad_db) * (1 - 1 / ratio), abs=1e-6)
        if ratio == 2.0:
            assert np.abs(np.array(mine) - theirs).max() < 0.05


def test_a_type_without_a_label_is_told_by_its_numbers():
    """The rules of the lesson, written out, decide for every learner."""
    kinds = set()
    for learner in [f"learner{number}" for number in range(16)]:
        task = posed("07", "no_name_on_it", learner)
        knobs = _bold(task.prompt)[0]
        ratio, attack = float(knobs.split(":")[0]), float(knobs.split("attack ")[1].split(" ")[0])
        rows = [line.split() for line in task.prompt.splitlines() if " ms " in line and line.startswith("    ")]
        (_, fast, _, tail_short), (_, _, _, tail_long), (_, slow, _, _) = (
            [float(word) for word in row if word.replace(".", "").isdigit()] for row in rows
        )
        if fast < 1.1 * attack / ratio:
            told = "fet"
        elif slow > 1.25 * fast:
            told = "tube"
        else:
            told = "opto" if tail_long > 1.5 * tail_short else "vca"
        assert told == task.answer, task.prompt
        kinds.add(told)
    assert kinds == {"vca", "fet", "opto", "tube"}
