"""What lesson 07 says about its take holds on other performances of both singers and on speech, and the page runs on an
own voice.
"""

from __future__ import annotations

import math
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from conftest import PROJECT, code_cells, need_program
from takes import ci_only, make_take

from vocomp_lab.analysis.distortion import aliasing_db, harmonics_db
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.meters import active_mask, reduction_stats
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.analysis.times import measure_burst
from vocomp_lab.bench.bench import Bench
from vocomp_lab.lessons.course import begin
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.character import CHARACTERS, character
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.sound.audio import Clip, load
from vocomp_lab.sound.levels import crest_factor_db, rms_dbfs

pytestmark = [pytest.mark.ci, pytest.mark.usefixtures("undrawn")]

APPENDIX = PROJECT / "notebooks" / "appendices" / "07_more_on_types.ipynb"
PEAKS = [Goal("share_percent", high=15), Goal("max_db", low=2, high=8)]
WORDS = "The paper boat is turning round the corner of the silver bay, and nobody has seen it go."


@pytest.fixture(scope="module", params=["first 71", *ci_only(["second 72", "spoken"])])
def voice(request, tmp_path_factory):
    if request.param == "spoken":
        path = tmp_path_factory.mktemp("speech") / "spoken.wav"
        subprocess.run([need_program("espeak-ng"), "-w", str(path), WORDS], check=True)
        return load(path)
    verse, seed = request.param.split()
    return HighPass(90, 3).apply(make_take(verse, int(seed)).clip.cut(0, 8))  # two lines: enough to measure


@pytest.fixture(scope="module")
def models(voice):
    """The four at the same work, as in the lesson."""
    plain = {kind: character(kind) for kind in CHARACTERS}
    return {
        kind: replace(model, threshold_db=threshold_for(model, voice, "median_db", 3)) for kind, model in plain.items()
    }


def stats_of(model, clip):
    return reduction_stats(model.apply(clip).reduction_db, active_mask(clip))


def apart_db(clip, one, other):
    """How far the difference of two sounds, equally loud, lies below the voice."""
    one, other = (match_loudness(sound, clip)[0].samples for sound in (one, other))
    return rms_dbfs(clip) - rms_dbfs(clip.with_samples(one - other))


def test_at_the_same_median_the_fet_goes_deepest_and_leaves_the_smallest_peaks(voice, models):
    stats = {kind: stats_of(model, voice) for kind, model in models.items()}
    crest = {kind: crest_factor_db(model.apply(voice).output) for kind, model in models.items()}
    for kind, one in stats.items():
        assert 3 <= one.median_db < 3.7, kind
        assert kind == "fet" or one.max_db < stats["fet"].max_db - 0.5
        assert kind == "fet" or crest[kind] > crest["fet"] + 2


def test_colour_is_far_softer_than_what_timing_and_curve_do(voice, models):
    outputs = {kind: model.apply(voice).output for kind, model in models.items()}
    without = replace(models["fet"], drive_db=-60).apply(voice).output
    colour = apart_db(voice, outputs["fet"], without)
    apart = {kind: apart_db(voice, outputs[kind], outputs["vca"]) for kind in ("fet", "opto", "tube")}
    assert 8 < apart["fet"] < colour - 12
    # The speech is far louder than the takes, so that it gets more colour.
    assert all(8 < value < colour - 5 for value in apart.values())


def test_the_fets_bench_starts_outside_its_goals_and_its_threshold_alone_meets_them(voice, models):
    bench = Bench(voice, models["fet"], goals=PEAKS)
    assert not PEAKS[0].met(bench.change)
    thresholds = np.arange(models["fet"].threshold_db, 0.1, 1.0)
    assert any(all(goal.met(bench.set(threshold_db=float(value)).change) for goal in PEAKS) for value in thresholds)


def test_three_in_a_row_do_what_is_asked_and_are_kept_for_the_next_lesson(voice, tmp_path):
    lesson = begin("07_compressor_types", voice, folder=tmp_path)
    sound, stages = lesson.clip, []
    for name, model, measure, target in (
        ("peaks", character("fet", ratio=4, attack_ms=0.2, release_ms=60), "share_percent", 10),
        ("steady", character("opto"), "median_db", 2),
        ("excitement", character("fet", ratio=3, attack_ms=60, release_ms=120), "median_db", 1),
    ):
        model = replace(model, threshold_db=threshold_for(model, sound, measure, target))
        stages.append((name, model))
        sound = model.apply(sound).output
    result = Chain(stages).apply(voice)
    sung = active_mask(voice)
    median_db = {name: reduction_stats(stage.reduction_db, sung).median_db for name, stage in result.stages.items()}
    assert 0.08 < reduction_stats(result.stages["peaks"].reduction_db, sung).share < 0.2
    assert 2 <= median_db["steady"] < 2.8 and 1 <= median_db["excitement"] < 1.8
    assert 2.5 < reduction_stats(result.reduction_db, sung).median_db < 5
    assert "peaks, steady, excitement" in lesson.keep(Chain(stages))
    following = begin("08_the_vocal_in_the_mix", voice, folder=tmp_path)
    assert [following.chain[name] for name, _ in stages] == [model for _, model in stages]
    assert begin("07_compressor_types", voice, folder=tmp_path).kept == Chain(stages)
    # And back to the plain ones: what lessons 04 and 05 propose.
    lesson.keep(Chain([]))
    following = begin("08_the_vocal_in_the_mix", voice, folder=tmp_path)
    assert following.chain == lesson.chain


def test_set_alike_they_come_and_go_as_the_lesson_prints():
    """Closed forms where there are any: a step needs τ, the feedback τ/ratio, a fall to a share x needs −τ·ln x."""
    alike = dict(threshold_db=-26, ratio=4, attack_ms=5, release_ms=100)
    bursts = {kind: measure_burst(character(kind, **alike), 1, 3) for kind in CHARACTERS}
    for kind in ("vca", "fet", "opto"):
        assert bursts[kind].reached_db == pytest.approx(15, abs=0.01)
    assert bursts["tube"].reached_db == pytest.approx(0.75 * (20 - 12 * math.log(1 + 20 / 12)), abs=1e-6)
    assert bursts["opto"].attack_ms() == pytest.approx(5, abs=0.05)
    assert bursts["fet"].attack_ms() == pytest.approx(5 / 4, abs=0.05)
    assert 6 < bursts["vca"].attack_ms() < 9 and bursts["tube"].attack_ms() < 3
    for kind in ("fet", "opto"):
        assert bursts[kind].release_ms(0.5) == pytest.approx(100 * math.log(2), abs=0.1)
    assert bursts["opto"].release_ms(0.1) > 5 * bursts["fet"].release_ms(0.1)


def test_on_a_tone_they_take_longer_and_reach_less_than_on_the_square_wave_of_the_lesson():
    """A sine swings through zero; a square wave is a plain step for a peak detector."""
    tone = Clip(10 ** (-6 / 20) * np.sin(2 * np.pi * 220 * np.arange(48_000) / 48_000), 48_000)
    for kind in CHARACTERS:
        model = character(kind, threshold_db=-26, ratio=4, attack_ms=5, release_ms=100)
        square, curve = measure_burst(model, 1, 0.1), model.apply(tone).reduction_db
        settled_db = float(np.median(curve[24_000:]))
        assert 0.8 * square.reached_db < settled_db < square.reached_db - 0.2, kind
        assert 1000 * np.argmax(curve > 0.632 * settled_db) / 48_000 > 1.03 * square.attack_ms(), kind


def test_6_db_more_drive_adds_6_db_where_one_half_is_bent_more_and_nearly_12_where_both_are_alike(voice):
    for asymmetry, low_db, high_db in ((0.58, 4.5, 6.2), (0.03, 9, 12.1)):
        # The speech is far louder than the takes: turned down to their level, where the curve has room.
        clip = voice.gained(-30 - rms_dbfs(voice))
        made = [Colour(drive_db, asymmetry).apply(clip).samples - clip.samples for drive_db in (-6, 0, 6)]
        steps_db = np.diff([rms_dbfs(clip.with_samples(added)) for added in made])
        assert np.all((low_db < steps_db) & (steps_db < high_db)), steps_db


@pytest.mark.parametrize("ratio", [1.5, 4, 20])
def test_the_fet_is_as_many_times_faster_as_its_ratio_says(ratio):
    burst = measure_burst(character("fet", threshold_db=-26, ratio=ratio, attack_ms=5), 0.2, 0.1, rate=192_000)
    assert 5 / burst.attack_ms() == pytest.approx(ratio, rel=0.03)


def test_the_second_half_of_the_optos_release_grows_with_the_time_it_has_worked():
    bursts = [measure_burst(character("opto"), seconds, 6) for seconds in (0.08, 0.5, 5)]
    halves, quarters, tenths = ([burst.release_ms(left) for burst in bursts] for left in (0.5, 0.25, 0.1))
    assert np.ptp(halves) < 1
    assert quarters[0] < quarters[1] / 2 < quarters[2] / 4 and tenths[0] < tenths[1] / 2 < tenths[2] / 2


def test_colour_is_the_second_harmonic_for_the_tube_the_third_for_the_fet_and_falls_with_the_level():
    still = {kind: character(kind, release_ms=3000) for kind in CHARACTERS}
    loud, soft = ({kind: harmonics_db(model, 1000, level)[:2] for kind, model in still.items()} for level in (-6, -18))
    assert max(*loud["vca"], *loud["opto"]) < -90
    assert loud["tube"][0] > loud["tube"][1] + 40 and loud["fet"][1] > loud["fet"][0]
    assert all(soft[kind].max() < loud[kind].max() - 3 for kind in ("fet", "tube"))


def test_oversampling_keeps_false_tones_down_up_to_the_drive_that_the_lesson_names():
    for drive_db in (0, 6):
        for freq_hz in (997, 3001, 7001, 9001):
            assert aliasing_db(Colour(drive_db, 0.03).apply, freq_hz, 0) < -80
    assert aliasing_db(Colour(6, 0.03).apply_bare, 9001, 0) > -20
    assert aliasing_db(Colour(24, 0.03).apply, 9001, 0) > -80, "the lesson says that this is too much"


def test_the_loop_that_students_read_is_the_model():
    """The appendix's own loop, run from the notebook, on a signal that it does not use."""
    source = next(cell for cell in code_cells(APPENDIX) if "def opto_reduction" in cell)
    names = {"np": np}
    exec(source[: source.index("\n\n\nopto = ")], names)
    model = character("opto", attack_ms=3, release_ms=90, tail_ms=300, memory_ms=200)
    rng = np.random.default_rng(3)
    clip = Clip(np.repeat(rng.uniform(0, 0.6, 40), 300) * rng.uniform(-1, 1, 12_000), 16_000)
    result = model.apply(clip)
    demand_db = model.target_reduction_db(result.detector_db).tolist()
    times_ms = model.attack_ms, model.release_ms, model.tail_ms, model.memory_ms
    loop = names["opto_reduction"](demand_db, 16_000, *times_ms)
    assert np.abs(loop - result.reduction_db).max() < 1e-9 and loop.max() > 3
