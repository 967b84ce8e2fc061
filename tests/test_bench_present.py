"""The presenter's mode of a bench."""

from __future__ import annotations

import html
import json
import re

import numpy as np
import pytest

from vocomp_lab import Chain, Compressor, Gain, HighPass, integrated_lufs, shipped
from vocomp_lab.bench import Bench
from vocomp_lab.scenarios import Scenario


@pytest.fixture(scope="module")
def clip():
    return shipped("lesson_verse_faulty").clip.cut(0, 5)


def state(bench):
    return json.loads(html.unescape(re.sub(r"</?span>", "", bench._state.value)))


def test_steps_change_the_stage_from_where_it_started_and_end_at_the_ends(clip):
    start = Compressor(-20, 3, 1, 80)
    bench = Bench(clip, start).present()
    bar = bench._presenter
    bar.go(-1)
    assert bench.processor == start
    seen = []
    for place in range(1, len(bar.steps)):
        bar._next.click()
        changed = {f: v for f, v in bar.step.settings.items()}
        assert bench.processor == Compressor(**{**vars(start), **changed})
        seen.append(bench.processor)
    assert bar._next.disabled and len(set(seen)) == len(seen)
    bar._next.click()
    assert bench.processor == seen[-1]


def test_every_step_can_be_heard_as_loud_as_before(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80)).present()
    for place in range(len(bench._presenter.steps)):
        bench._presenter.go(place)
        heard = bench.result.output.gained(state(bench)["match_gain_db"])
        assert integrated_lufs(heard) == pytest.approx(integrated_lufs(clip), abs=0.1)


def test_held_back_nothing_in_sight_tells_the_answer(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80)).present()
    bench._presenter.go(1)
    said = bench._presenter._say.value
    bench._presenter._guess.value = True
    for part in (bench._grid, bench._line, bench._image):
        assert part.layout.visibility == "hidden"
    assert "held back" in state(bench)["alt"]
    assert bench._presenter.step.name in said and bench._presenter.step.name not in bench._presenter._say.value
    bench._presenter._guess.value = False
    assert bench._image.layout.visibility is None and "dB" in state(bench)["alt"]


def test_given_steps_are_for_their_stage_and_others_get_their_own(clip):
    steps = [Scenario("much lower", "What is nearer?", {"threshold_db": -40})]
    chain = Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-20, 3, 1, 80))])
    bench = Bench(clip, chain, scenarios=steps).present()
    assert bench._presenter.steps == tuple(steps)
    bench._presenter.go(0)
    assert bench.processor.threshold_db == -40
    bench.choose_stage("low cut")
    assert bench._presenter.step.name == "as prepared" and len(bench._presenter.steps) > 2
    with pytest.raises(ValueError, match="scenarios"):
        Bench(clip, Gain(0), scenarios=["loud"])


def test_the_mode_makes_the_picture_larger_and_back(clip):
    bench = Bench(clip, Gain(2))
    usual = bench._picture.dpi
    assert bench.present()._picture.dpi > usual and state(bench)["present"] is True
    assert bench.present(False)._picture.dpi == usual and state(bench)["present"] is False
    assert bench._presenter.widget.layout.display == "none"


def test_hands_are_counted_and_a_wrong_list_of_answers_leaves_the_tally(clip):
    bar = Bench(clip, Gain(2)).present()._presenter
    bar._hands.children[1].value = 7
    assert bar.tally.hands == (0, 7, 0) and "100 %" in bar._counted.value
    bar._answers.value = ","
    assert "answers" in bar._counted.value and bar.tally.hands == (0, 7, 0)
    bar._answers.value = "louder, softer"
    assert [box.description for box in bar._hands.children] == ["louder", "softer"]
    assert np.sum(bar.tally.hands) == 0
