"""What lesson 09 says about its take holds on other performances of both singers, too."""

from __future__ import annotations

import numpy as np
import pytest
from takes import ci_only, make_take

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.measures import clip_numbers
from vocomp_lab.analysis.meters import active_mask, noise_floor_dbfs, reduction_stats
from vocomp_lab.bench.bench import Bench
from vocomp_lab.lessons.course import begin
from vocomp_lab.lessons.export import export
from vocomp_lab.lessons.proposals import check_goals
from vocomp_lab.lessons.report import examine
from vocomp_lab.lessons.settings_page import what_it_did
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import load

pytestmark = [pytest.mark.ci, pytest.mark.usefixtures("undrawn")]


@pytest.fixture(scope="module", params=[("first", 621), *ci_only([("second", 634)])], ids=lambda p: f"{p[0]}-{p[1]}")
def lesson(request, tmp_path_factory):
    """The lesson, begun with a take that nobody has seen and nothing kept."""
    return begin("09_your_own_vocal", make_take(*request.param).clip, tmp_path_factory.mktemp("state"))


def test_the_proposed_chain_does_what_its_compressors_are_for(lesson):
    assert {"low cut", "peaks", "steady"} <= set(lesson.result.stages)
    assert "not met yet" not in check_goals(lesson.result)
    sung = active_mask(lesson.clip)
    before, after = (clip_numbers(clip, sung) for clip in (lesson.clip, lesson.voice))
    assert after.crest_db < before.crest_db - 1


def test_the_whole_chain_stands_on_one_bench_with_the_gains_set_by_hand_and_a_trim(lesson):
    stages = {"trim": Gain(0), **dict(lesson.chain.stages)}
    bench = Bench(lesson.clip, Chain(list(stages.items())), stage="trim")
    assert "level prep" in stages and list(bench.result.stages) == list(stages)
    assert np.abs(bench.result.output.samples - lesson.voice.samples).max() < 1e-12
    for name in stages:
        assert bench.choose_stage(name).processor == stages[name]


def test_a_sheet_without_its_level_does_something_else(lesson):
    """Less reduction at 8 dB less; with 8 dB of trim, the same as before; the de-esser, where there is one, doesn't
    mind."""
    chain = lesson.chain
    found = []
    for take in (lesson.clip, lesson.clip.gained(-8), lesson.clip.gained(-8).gained(8)):
        result = chain.apply(take)
        found.append((reduction_stats(result.reduction_db, active_mask(take)).median_db, result))
    assert found[1][0] < 0.5 * found[0][0]
    assert found[2][0] == pytest.approx(found[0][0], abs=1e-6)
    if "sibilance" in found[0][1].stages:
        as_it_was, softer = (result.stages["sibilance"].reduction_db for _, result in found[:2])
        assert np.abs(as_it_was - softer).max() < 0.01


def test_noise_in_the_pauses_comes_up_by_the_make_up_gain(lesson):
    steady = lesson.chain["steady"]
    source = lesson.result.stages["steady"].source
    sung = active_mask(source)
    lifted = noise_floor_dbfs(steady.apply(source).output, sung) - noise_floor_dbfs(source, sung)
    assert lifted == pytest.approx(steady.makeup_db, abs=0.8)


def test_what_is_taken_along_can_be_taken_up_again(lesson, tmp_path):
    whole = lesson.with_stages(Chain([("trim", Gain(0))]))
    assert [name for name, _ in whole.stages][0] == "trim"
    assert Chain.from_json(whole.to_json()) == whole
    done = export(lesson.voice, tmp_path / "vocal.wav", loudness_lufs=-23)
    assert integrated_lufs(load(done.path)) == pytest.approx(done.loudness_lufs, abs=0.02)
    assert done.loudness_lufs == pytest.approx(-23, abs=0.02) and done.true_peak_dbtp < -5, "room for a mix"
    loud = export(lesson.voice, tmp_path / "loud.flac", loudness_lufs=-8)
    assert loud.short_by_lu > 0 and loud.true_peak_dbtp <= -1
    assert "this page starts from it next time" in lesson.keep(whole)
    again = begin("09_your_own_vocal", lesson.clip, lesson.folder.parent)
    assert again.kept == whole


def test_each_stage_has_its_line(lesson):
    for name, stage in lesson.result.stages.items():
        line = what_it_did(stage)
        assert ("reduction" in line) == (stage.reduction_db is not None), name
        assert "nan" not in line and len(line) < 200


def test_the_finished_voice_is_more_even_than_the_raw_one(lesson):
    raw, finished = examine(lesson.clip)["phrases"].value, examine(lesson.voice)["phrases"].value
    assert finished < raw - 2
