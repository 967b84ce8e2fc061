"""Another order of the same stages, and what it changes."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import one_sentence
from takes import ci_only

from vocomp_lab import Chain, Compressor, Gain, HighPass, active_mask, shipped
from vocomp_lab.analysis.order import measure_order, move_stage
from vocomp_lab.lessons.course import begin

CHAIN = Chain(
    [("low cut", HighPass(90, 3)), ("peaks", Compressor(-12, 3, 1, 60)), ("steady", Compressor(-26, 2, 10, 200))]
)


@pytest.mark.parametrize(
    ("name", "behind", "order"),
    [
        ("low cut", "steady", ["peaks", "steady", "low cut"]),
        ("low cut", "peaks", ["peaks", "low cut", "steady"]),
        ("steady", None, ["steady", "low cut", "peaks"]),
        ("peaks", "low cut", ["low cut", "peaks", "steady"]),
    ],
)
def test_a_stage_goes_where_it_should_and_keeps_its_settings(name, behind, order):
    moved = move_stage(CHAIN, name, behind)
    assert [stage for stage, _ in moved.stages] == order and dict(moved.stages) == dict(CHAIN.stages)


def test_refusals():
    one_sentence(pytest.raises(ValueError, move_stage, CHAIN, "colour", None), "name", "colour")
    one_sentence(pytest.raises(ValueError, move_stage, CHAIN, "peaks", "colour"), "behind", "colour")
    one_sentence(pytest.raises(ValueError, move_stage, CHAIN, "peaks", "peaks"), "behind", "itself")


def test_stages_without_memory_or_level_may_be_swapped_freely():
    """Two linear stages commute (a closed form): nothing may change but rounding."""
    clip = shipped("lesson_verse_clean").clip
    chain = Chain([("low cut", HighPass(90, 3)), ("trim", Gain(-4))])
    swapped = move_stage(chain, "low cut", "trim")
    np.testing.assert_allclose(chain.apply(clip).output.samples, swapped.apply(clip).output.samples, atol=1e-12)
    first, second = (measure_order(c.apply(clip)) for c in (chain, swapped))
    assert first.max_db == second.max_db == 0 and first.stages == {}
    assert first.spread_lu == pytest.approx(second.spread_lu, abs=1e-6)


@pytest.mark.parametrize("name", ["lesson_verse_faulty", *ci_only(["second_verse_faulty"])])
def test_level_prep_belongs_first(name, tmp_path):
    """Lesson 08 on the workbook's takes: at the end it leaves the words less even, and the compressors work harder."""
    lesson = begin("08_the_vocal_in_the_mix", name, tmp_path)
    sung = active_mask(lesson.clip)
    last = [stage for stage, _ in lesson.chain.stages][-1]
    taught = measure_order(lesson.result, sung)
    spread = {}
    for stage in ("level prep", "low cut", "peaks"):
        moved = measure_order(move_stage(lesson.chain, stage, last).apply(lesson.clip), sung)
        spread[stage] = moved.spread_lu - taught.spread_lu
        if stage == "level prep":
            assert moved.stages["steady"].max_db > taught.stages["steady"].max_db + 0.5
    print(name, {stage: round(value, 2) for stage, value in spread.items()})
    assert spread["level prep"] > 0.3 > 0.15 > max(abs(spread["low cut"]), abs(spread["peaks"]))
