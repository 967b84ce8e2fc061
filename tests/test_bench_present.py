"""The presenter's mode of a bench."""

from __future__ import annotations

import html
import json
import re

import numpy as np
import pytest

from vocomp_lab import Chain, ClipGain, Compressor, Gain, GainRegion, Goal, HighPass, integrated_lufs, shipped
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.homework import task_bench
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.bench.stages import Stages
from vocomp_lab.exercises import Homework
from vocomp_lab.lessons.scenarios import Scenario, scenarios_for

pytestmark = pytest.mark.usefixtures("undrawn")
TAKES = ("lesson_verse_faulty", "second_verse_faulty")
CHAIN = Chain(
    [
        ("low cut", HighPass(90, 3)),
        ("peaks", Compressor(-20, 3, 1, 80)),
        ("steady", Compressor(-28, 2.5, 10, 200, knee_db=6)),
    ]
)


@pytest.fixture(scope="module")
def clip():
    return shipped("lesson_verse_faulty").clip.cut(0, 5)


def state(bench):
    return json.loads(html.unescape(re.sub(r"</?span>", "", bench._player._state.value)))


def said(bench):
    return html.unescape(re.sub(r"<[^>]*>", " ", bench._presenter._say.value))


@pytest.mark.ci
def test_steps_change_the_stage_from_where_it_started_and_end_at_the_ends(clip):
    start = Compressor(-20, 3, 1, 80)
    bench = Bench(clip, start).present()
    bar = bench._presenter
    bar.go(-1)
    assert bench.processor == start
    seen = []
    for place in range(1, len(bar.steps)):
        bar._next.click()
        assert bench.processor == Compressor(**{**vars(start), **bar.step.settings})
        seen.append(bench.processor)
    assert bar._next.disabled and len(set(seen)) == len(seen) > 4
    bar._next.click()
    assert bench.processor == seen[-1]
    bar._first.click()
    assert bench.processor == start and bar._back.disabled and bar._first.disabled and "1 of" in said(bench)


@pytest.mark.ci
@pytest.mark.parametrize("take", TAKES)
@pytest.mark.parametrize("stage", [name for name, _ in CHAIN.stages])
def test_every_step_has_the_same_before_and_an_after_that_is_as_loud(take, stage):
    bench = Bench(shipped(take).clip.cut(4, 10), CHAIN, stage=stage).present()
    bar, before, worst = bench._presenter, state(bench)["clip_id"], 0.0
    assert len(bar.steps) > 2
    for place in range(len(bar.steps)):
        bar.go(place)
        heard = bench.stage_result.output.gained(state(bench)["match_gain_db"])
        worst = max(worst, abs(integrated_lufs(heard) - integrated_lufs(bench.stage_result.source)))
        assert state(bench)["clip_id"] == before
    assert worst <= 0.1


def test_with_the_whole_chain_in_the_picture_the_answer_says_which_stage_it_is_of(clip):
    bench = Bench(clip, CHAIN, stage="peaks").present()
    assert "Measured: " in said(bench)
    bench._tools.compare.value = "chain"
    assert "Measured of “peaks” alone: " in said(bench)
    bench._tools.compare.value = "stage"
    assert "Measured: " in said(bench)


def test_held_back_nothing_in_sight_tells_the_answer(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80)).present()
    bar = bench._presenter
    bar.go(1)
    assert bar.step.name in said(bench) and bar.step.answer and bar.step.answer in said(bench)
    bar._guess.value = True
    for part in (bench._controls.widget, bench._screen.line, bench._screen.image):
        assert part.layout.display == "none"
    told = state(bench)
    assert all("held back" in told[part] for part in ("alt", "python", "json")) and "−30" not in json.dumps(
        told, ensure_ascii=False
    )
    assert not told["meters"] and not told["moments"], "they would tell it as well"
    assert "held back" in said(bench) and bar.step.listen_for in said(bench)
    assert bar.step.name not in said(bench) and bar.step.answer not in said(bench)
    bar._guess.value = False
    assert bench._screen.image.layout.display is None and "dB" in state(bench)["alt"] and "held back" not in said(bench)
    assert state(bench)["meters"] and state(bench)["moments"]


@pytest.mark.ci
def test_turned_off_it_leaves_the_bench_as_it_found_it(clip):
    bench = Bench(clip, CHAIN, stage="peaks").set(threshold_db=-17.5, ratio=2.2, knee_db=3)
    mine, loudness = bench.chain, bench.change.after.loudness_lufs
    bench.present()
    assert "as prepared." in said(bench) and bench.processor == CHAIN["peaks"]
    bench._presenter.go(3)
    assert bench.chain != mine
    bench.choose_stage("steady")
    assert bench.chain["peaks"] == mine["peaks"], "a stage that is left must not keep a step"
    bench._presenter.go(2)
    bench._presenter._guess.value = True
    bench.present(False)
    assert bench.chain == mine and bench._screen.image.layout.display is None
    assert bench.choose_stage("peaks").change.after.loudness_lufs == pytest.approx(loudness)
    assert bench._controls.inputs["threshold_db"].typed.value == "−17.5"


def test_regions_made_while_presenting_stay_and_only_with_them_are_there_steps(clip):
    bench = RegionBench(clip, ClipGain((), crossfade_ms=30), proposals=[]).present()
    assert len(bench._presenter.steps) == 1 and "No other step" in said(bench) and "as it is set" in said(bench)
    bench.set_regions([GainRegion(1, 2, -6)])
    assert len(bench._presenter.steps) == 2 and "1 of 2: as prepared." in said(bench)
    bench._presenter._next.click()
    assert bench.processor.crossfade_ms == 600
    bench._presenter._guess.value = True
    assert bench._editor.widget.layout.display == "none", "the list of regions tells their gains"
    bench.present(False)
    assert bench.gains == ClipGain((GainRegion(1, 2, -6),), 30) and bench._editor.widget.layout.display is None


def test_each_step_brings_its_answers_and_the_teacher_may_type_others(clip):
    bench = Bench(clip, HighPass(90, 3)).present()
    bar = bench._presenter
    for place in (0, 1, 2):
        bar.go(place)
        assert bar.tally.answers == bar.step.answers and len(bar.step.answers) >= 2
        assert [box.description for box in bar._hands.children] == list(bar.step.answers)
        assert bar._answers.value == ", ".join(bar.step.answers)
    bar._answers.value = "nearer, rougher"
    bar._hands.children[1].value = 5
    assert bar.tally.answers == ("nearer", "rougher") and bar.tally.hands == (0, 5)
    bar.go(1)
    assert bar.tally.answers == bar.step.answers and bar.tally.total == 0
    # A step without answers takes those that stand there.
    own = Bench(
        clip, Compressor(-20, 3, 1, 80), scenarios=[Scenario("lower", "What is nearer?", {"threshold_db": -40})]
    )
    own.present()._presenter._answers.value = "she, he"
    own._presenter.go(0)
    assert own._presenter.tally.answers == ("she", "he")


def test_the_first_step_is_played_for_comparison_and_the_present_one_comes_back_as_it_was(clip):
    chain = Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-20, 3, 1, 80))])
    steps = [
        Scenario(f"ratio {ratio}", "Is it steadier?", {"ratio": ratio}, "Measured.", ("yes", "no"))
        for ratio in (3, 5, 8)
    ]
    bench = Bench(clip, chain, stage="peaks", scenarios=steps).present()
    bar, first = bench._presenter, bench.processor
    assert bar._compare.disabled, "the first step is on the bench"
    bar.go(2)
    bench.set(release_ms=300)
    mine, question, text = bench.processor, bar.step.listen_for, said(bench)
    bar._hands.children[0].value = 4
    before, tally = state(bench)["clip_id"], bar.tally
    bench.compare_with_first()
    assert bench.processor == first and bench.result.stages["peaks"].processor == first
    assert bar._compare.value and "Now the first step is playing" in said(bench)
    assert "3 of" in said(bench) and question in said(bench) and bar.tally == tally
    assert state(bench)["clip_id"] == before, "the sound is not sent anew, so the position stays"
    bench.compare_with_first(False)
    assert bench.processor == mine and said(bench) == text and bar.tally == tally and not bar._compare.value
    # By the button, with the numbers held back, and without the stage.
    bar._guess.value = True
    bench.leave_out()
    bar._compare.value = True
    assert bench.left_out == () and bench.processor == first and "first step is playing" in said(bench)
    assert bench._screen.image.layout.display == "none" and bar.step.answer not in said(bench)
    bar._compare.value = False
    assert bench.left_out == ("peaks",) and bench.processor == mine
    # What is moved meanwhile is gone afterwards; another step or another stage ends it.
    bench.compare_with_first().set(ratio=9)
    bench.compare_with_first(False)
    assert bench.processor == mine
    bench.compare_with_first()
    bar.go(1)
    assert not bar._compare.value and bench.processor != first and "then changed" not in said(bench)
    bench.compare_with_first().choose_stage("low cut")
    assert not bar._compare.value and bench.chain["peaks"] == chain["peaks"]
    bar.go(1)
    assert bench.compare_with_first().present(False).chain == chain
    assert bench.compare_with_first().chain == chain and not bar._compare.value, "outside of the mode it does nothing"


def test_a_trim_in_front_of_a_compressor_has_steps_of_its_own(clip):
    chain = Chain([("trim", Gain(0)), ("compressor", Compressor(-18, 3, 3, 80))])
    whole = shipped("lesson_verse_faulty").clip
    bench = Bench(whole.gained(4), chain, stage="trim", watch="compressor", goals=[Goal("share_percent", 5, 15)])
    bar = bench.present()._presenter
    assert len(bar.steps) == 3 and bar.tally.answers == ("too much", "the right amount", "too little")
    done = []
    for place in range(3):
        bar.go(place)
        done.append(bench.done)
        assert f"{100 * bench.change.reduction.share:.0f} % of the sung time" in bar.step.answer
    assert done == [False, False, True]


def test_the_whole_chain_can_be_compared_while_presenting(clip):
    bench = Bench(clip, CHAIN, stage="peaks").present()
    bench._tools.compare.value = "chain"
    bench._presenter.go(1)
    assert "the whole chain" in bench._screen.line.value
    picture = bench._screen.picture
    assert picture.title.get_text().startswith("Whole chain") and picture.dpi > 96
    picture.canvas.draw()
    title = picture.title.get_window_extent()
    assert title.x1 < picture.figure.bbox.width
    for panel in picture.panels:
        legend = panel.ax.get_legend()
        assert legend is None or legend.get_window_extent().y1 < title.y0
    bench._presenter._guess.value = True
    assert bench._screen.line.layout.display == "none" and "held back" in state(bench)["alt"]


@pytest.mark.ci
def test_homework_is_not_done_by_its_prepared_steps():
    home = Homework("04", learner="guest")
    bench = task_bench(home, 3)
    bench.present()
    for place in range(len(bench._presenter.steps)):
        bench._presenter.go(place)
        assert "goal" not in bench._presenter.step.answer
    assert (
        bench._presenter.steps[0].settings
        == scenarios_for(bench.first_processor, *bench.stage_in_sight()[:2])[0].settings
    )


def test_a_control_moved_by_hand_is_said_and_the_first_step_comes_back(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80)).present()
    bench._presenter.go(1)
    assert "by hand" not in said(bench)
    bench.set(release_ms=300)
    assert "then changed by hand" in said(bench) and "Measured" not in said(bench)
    bench._presenter._first.click()
    assert bench.processor == Compressor(-20, 3, 1, 80) and "by hand" not in said(bench)


@pytest.mark.ci
def test_a_stage_without_steps_is_presented_as_it_is_set(clip):
    bench = Bench(clip, HighPass(20, 1)).set(freq_hz=25)
    usual = bench._screen.picture.dpi
    bench.present()
    assert bench.processor == HighPass(25, 1) and bench._screen.picture.dpi > usual and "as it is set" in said(bench)
    assert bench._presenter._first.disabled and bench._presenter._next.disabled
    bench.set(freq_hz=30)
    assert "by hand" not in said(bench).replace("move a control by hand", "")
    assert bench._presenter._compare.disabled
    assert bench.present(False).processor == HighPass(25, 1)


@pytest.mark.ci
def test_a_start_far_from_what_the_bench_asks_for_is_prepared_and_comes_back_after(clip):
    goals = [Goal("share_percent", high=15), Goal("max_db", 2, 8)]
    for start in (Compressor(-32, 3, 1, 80), Compressor(0, 3, 1, 80)):
        bench = Bench(clip, start, goals=goals)
        before = bench.change.reduction
        assert before.share > 0.5 or before.max_db < 1
        bench.present()
        shown = bench.change.reduction
        assert (
            shown.max_db >= 2
            and 0.05 < shown.share < 0.5 * before.share
            or shown.median_db == pytest.approx(3, abs=0.5)
        )
        assert bench.present(False).processor == start


def test_given_steps_are_for_their_stage_and_others_get_their_own(clip):
    steps = [Scenario("much lower", "What is nearer?", {"threshold_db": -40})]
    chain = Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-20, 3, 1, 80))])
    bench = Bench(clip, chain, scenarios=steps).present()
    assert bench._presenter.steps == tuple(steps)
    assert bench.processor.threshold_db == -40
    bench.choose_stage("low cut")
    assert bench._presenter.step.name == "as prepared" and len(bench._presenter.steps) > 2
    for wrong in (["loud"], []):
        with pytest.raises(ValueError, match="scenarios"):
            Bench(clip, Gain(0), scenarios=wrong)


@pytest.mark.ci
def test_a_long_clip_is_demonstrated_by_the_stretch_in_sight(clip):
    long = clip.with_samples(np.concatenate([np.zeros(40 * clip.rate), np.tile(clip.samples, 2)]))
    bench = Bench(long, Compressor(-20, 3, 1, 80), view=(41, 49)).present()
    times = [float(re.search(r"around ([\d.]+) s", step.listen_for)[1]) for step in bench._presenter.steps]
    assert len(times) > 4 and all(40 <= time <= 50 for time in times)


def test_a_clip_that_a_stage_cant_take_leaves_one_step_and_no_traceback(clip):
    bench = Bench(type(clip)(clip.samples[::6], 8_000), HighPass(200, 3))
    bench._first = Stages(Chain([("HighPass", HighPass(5_000, 3))]))
    bench._take(bench.first_processor)
    assert "allowed at a rate of 8000 Hz" in bench._error.value
    bench.present()
    assert [step.name for step in bench._presenter.steps] == ["as prepared"]


@pytest.mark.drawn
def test_the_mode_makes_the_picture_larger_and_back_with_room_for_its_title(clip):
    bench = Bench(clip, Compressor(-32, 3, 1, 80))
    usual = bench._screen.picture.dpi
    picture = bench.present()._screen.picture
    assert picture.dpi > usual and state(bench)["present"] is True
    picture.canvas.draw()
    title, caption = picture.title.get_window_extent(), picture.curve.ax._left_title.get_window_extent()
    assert title.x1 > caption.x0, "a title so short proves nothing"
    assert title.y0 - caption.y1 > 4 and title.x1 < picture.figure.bbox.width
    assert bench.present(False)._screen.picture.dpi == usual and state(bench)["present"] is False
    assert bench._presenter.widget.layout.display == "none"


def test_hands_are_counted_and_a_wrong_list_of_answers_leaves_the_tally(clip):
    bench = Bench(clip, HighPass(90, 3)).present()
    bar = bench._presenter
    assert bar._tally_box.layout.display == "none"
    bar._count.value = True
    assert bar._tally_box.layout.display is None
    bar._hands.children[1].value = 7
    assert bar.tally.hands == (0, 7, 0) and "100 %" in bar._counted.value
    bar._answers.value = ","
    assert "answers" in bar._counted.value and bar.tally.hands == (0, 7, 0)
    bar._answers.value = "louder, <b>softer"
    assert [box.description for box in bar._hands.children] == ["louder", "<b>softer"]
    assert np.sum(bar.tally.hands) == 0
    bar._hands.children[1].value = 2
    assert "<b>" not in bar._counted.value
    assert bench._controls.widget.layout.display == "none", "the tally needs the room"
    bench.present(False)
    assert bench._controls.widget.layout.display is None, "a student needs the controls"
