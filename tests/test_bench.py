"""The bench without a browser: settings, answers, and when it computes what."""

from __future__ import annotations

import asyncio
import dataclasses
import html
import io
import json
import math
import re

import numpy as np
import pytest
import soundfile
from conftest import one_sentence
from PIL import Image

from vocomp_lab import (
    Chain,
    Clip,
    Compressor,
    DeEsser,
    Gain,
    Goal,
    HighPass,
    Peaking,
    active_mask,
    crest_factor_db,
    integrated_lufs,
    reduction_stats,
    shipped,
)
from vocomp_lab.bench import screen
from vocomp_lab.bench.bench import FINISH_DELAY_S, Bench
from vocomp_lab.bench.live import needle_coefficients
from vocomp_lab.bench.player import still_html
from vocomp_lab.bench.results import PREROLL_S
from vocomp_lab.bench.view import LONGEST_VIEW_S
from vocomp_lab.lessons.controls import CONTROLS
from vocomp_lab.sound.levels import rms_dbfs
from vocomp_lab.sound.text import decibels

pytestmark = pytest.mark.usefixtures("undrawn")
RATE = 16_000


@pytest.fixture(scope="module")
def clip():
    """Four seconds of bursts at two levels with pauses between them."""
    t = np.arange(4 * RATE) / RATE
    level = np.where(t % 1 < 0.6, np.where(t < 2, 0.5, 0.1), 1e-4)
    return Clip(level * np.sin(2 * np.pi * 220 * t) + 1e-5 * np.random.default_rng(1).standard_normal(len(t)), RATE)


@pytest.fixture
def chain():
    return Chain(
        [
            ("low cut", HighPass(90, 3)),
            ("peaks", Compressor(-20, 3, 1, 80)),
            ("steady", Compressor(-30, 2, 5, 150, makeup_db=3)),
        ]
    )


def asking(bench):
    """As if its page can't make the sound itself."""
    bench._player._wanted.value = "sound"
    return bench


def state(bench):
    return json.loads(bench._player.state_text)


def size(png):
    return Image.open(io.BytesIO(png)).size


@pytest.mark.drawn
def test_a_new_bench_shows_picture_numbers_and_sound(clip):
    bench = asking(Bench(clip, Compressor(-20, 3, 1, 80)))
    assert size(bench._screen.image.value) == screen.PICTURE_PX
    assert "of the sung time" in bench._screen.line.value
    for part in ("before", "after"):
        samples, rate = soundfile.read(io.BytesIO(bytes(bench._player.sounds[part].value)))
        assert rate == RATE and len(samples) == clip.frames


@pytest.mark.drawn
def test_moving_a_control_from_code_moves_slider_box_picture_numbers_and_sound(clip):
    bench = asking(Bench(clip, Compressor(-20, 3, 1, 80)))
    picture, numbers, sound = bench._screen.image.value, bench._screen.line.value, bench._player.sounds["after"].value
    bench.set(threshold_db=-30, ratio=6)
    moved = bench._controls.inputs["threshold_db"]
    control, slider, typed = moved.control, moved.slider, moved.typed
    assert typed.value == "−30.0" and control.stops()[slider.value] == -30
    assert bench.processor == Compressor(-30, 6, 1, 80)
    assert (
        bench._screen.image.value != picture
        and bench._screen.line.value != numbers
        and bench._player.sounds["after"].value != sound
    )


def test_moving_a_slider_by_hand_sets_what_the_box_then_shows(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80))
    moved = bench._controls.inputs["release_ms"]
    control, slider, typed = moved.control, moved.slider, moved.typed
    slider.value = control.nearest(250)
    assert bench.processor.release_ms == 250 and typed.value == "250"


def test_a_typed_value_stays_as_typed_though_the_slider_has_no_such_stop(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80))
    typed = bench._controls.inputs["attack_ms"].typed
    typed.value = "0.123 ms"
    assert bench.processor.attack_ms == 0.123 and typed.value == "0.123"
    bench._controls.inputs["ratio"].typed.value = "∞"
    assert bench.processor.ratio == math.inf


def test_what_stands_in_the_state_is_what_was_computed(clip):
    bench = asking(Bench(clip, Compressor(-24, 4, 1, 80, makeup_db=5, mix=0.7)))
    told = state(bench)
    assert told["match_gain_db"] == pytest.approx(integrated_lufs(clip) - integrated_lufs(bench.result.output))
    assert Chain.from_json(told["json"]) == bench.chain
    assert eval(told["python"], {"Chain": Chain, "Compressor": Compressor, "math": math}) == bench.chain
    assert told["duration_s"] == clip.duration_s
    of_before, of_after = told["removed_shares"]
    removed = of_before * clip.samples - of_after * bench.result.output.samples
    np.testing.assert_allclose(removed, bench.stage_result.detail.removed.samples, atol=1e-12)
    assert len(bench._player.sounds["after"].value) == told["after_bytes"]


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [
        ("ratio", "0.5", "Ratio: 0.5 is not allowed"),
        ("threshold_db", "loud", "Threshold: &#x27;loud&#x27; can&#x27;t be read"),
        ("attack_ms", "0", "Attack: 0.0"),
    ],
)
def test_a_wrong_value_shows_one_sentence_and_changes_nothing(clip, field, text, words):
    bench = Bench(clip, Compressor(-20, 3, 1, 80))
    before = bench.processor, bench._screen.image.value
    shown = bench._controls.inputs[field].typed.value
    bench._controls.inputs[field].typed.value = text
    assert bench._controls.inputs[field].typed.value == shown, "the box says what is in force, not what was refused"
    assert words in bench._error.value and "Traceback" not in bench._error.value
    assert (bench.processor, bench._screen.image.value) == before
    bench._controls.inputs[field].typed.value = "-5" if field == "threshold_db" else "5"
    assert bench._error.value == "" and abs(getattr(bench.processor, field)) == 5


def test_a_setting_that_the_clip_cannot_have_shows_one_sentence_and_the_bench_goes_on(clip):
    bench = Bench(clip, HighPass(90, 3))
    bench.set(freq_hz=9000)  # over half of 16 kHz
    assert "freq_hz: 9000 Hz is not allowed" in bench._error.value
    bench.set(freq_hz=120)
    assert bench._error.value == "" and bench.processor.freq_hz == 120


def test_settings_from_code_are_all_or_nothing(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80))
    for settings, name in (({"ratio": 2, "volume": 3}, "volume"), ({"threshold_db": -30, "ratio": 0}, "ratio")):
        with pytest.raises(ValueError) as error:
            bench.set(**settings)
        one_sentence(error, name)
        assert bench.processor == Compressor(-20, 3, 1, 80)


def test_reset_goes_back_to_the_first_settings(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80)).set(threshold_db=-40, knee_db=12).reset()
    assert bench.processor == Compressor(-20, 3, 1, 80)
    assert bench._controls.inputs["knee_db"].typed.value == "0.0"


def test_reset_puts_one_stage_back_and_says_so(clip, chain):
    bench = Bench(clip, chain, stage="peaks").set(threshold_db=-40).choose_stage("steady").set(ratio=7)
    bench._tools.reset.click()
    assert bench.processor == chain["steady"] and bench.chain["peaks"].threshold_db == -40
    assert "this stage" in bench._tools.reset.tooltip and "the bench" not in bench._tools.reset.tooltip


def test_a_move_measures_the_loudness_of_its_result_once(clip, monkeypatch):
    bench = Bench(clip, Compressor(-20, 3, 1, 80))
    measured = []
    monkeypatch.setattr(
        "vocomp_lab.bench.results.integrated_lufs", lambda clip: (measured.append(clip), integrated_lufs(clip))[1]
    )
    for threshold_db in range(-30, -50, -2):  # so many that older results are forgotten
        bench.set(threshold_db=threshold_db)
        assert [known is bench.result.output for known in measured] == [True], "the source is measured once and for all"
        assert bench.change.match_gain_db == state(bench)["match_gain_db"]
        measured.clear()


def test_a_stage_of_a_chain_is_computed_from_the_results_before_it(clip, chain):
    bench = Bench(clip, chain, stage="peaks")
    low_cut = bench.result.stages["low cut"]
    bench.set(threshold_db=-28)
    assert bench.result.stages["low cut"] is low_cut
    assert bench.result.output == bench.chain.apply(clip).output
    assert bench.stage_result.source is low_cut.output


def test_another_stage_brings_its_own_controls(clip, chain):
    bench = Bench(clip, chain, stage="peaks").choose_stage("low cut")
    assert list(bench._controls.inputs) == ["freq_hz", "order"] and bench.processor == HighPass(90, 3)
    bench.set(order=1)
    assert bench.chain["low cut"] == HighPass(90, 1) and bench.chain["peaks"] == chain["peaks"]
    with pytest.raises(ValueError) as error:
        bench.choose_stage("reverb")
    one_sentence(error, "reverb", "peaks")


@pytest.mark.drawn
def test_to_look_at_another_stage_computes_nothing_anew(clip, chain, monkeypatch):
    bench = Bench(clip, chain)
    before, shown = bench.result, []
    monkeypatch.setattr(Chain, "apply", lambda *_, **__: pytest.fail("computed anew"))
    for name, _ in chain.stages:
        shown.append(bench.choose_stage(name)._screen.image.value)
        assert bench.result is before
    assert len(set(shown)) == len(chain.stages)


def test_before_and_after_of_the_whole_chain_can_be_compared(clip, chain):
    bench = Bench(clip, chain, stage="peaks")
    stage_gain = state(bench)["match_gain_db"]
    bench._tools.compare.value = "chain"
    whole = state(bench)
    assert whole["match_gain_db"] == pytest.approx(integrated_lufs(clip) - integrated_lufs(bench.result.output))
    assert whole["match_gain_db"] != stage_gain and whole["removed_shares"][1] == pytest.approx(10 ** (-3 / 20))


@pytest.mark.drawn
def test_compared_as_a_whole_picture_and_numbers_are_the_chains_too(clip, chain):
    bench = Bench(clip, chain, stage="peaks", goals=[Goal("max_db", 1, 6)])
    of_stage, time_box = bench._screen.line.value, state(bench)["time_box"]
    bench._tools.compare.value = "chain"
    total, sung = bench.result.reduction_db, active_mask(clip)
    stats, line, panel = reduction_stats(total, sung), bench._screen.line.value, bench._screen.picture.reduction
    for number in (f"{100 * stats.share:.0f} % of the sung time", f"<b>{decibels(stats.median_db)} dB</b>",
                   f"<b>{decibels(stats.p95_db)} dB</b>", f"<b>{decibels(stats.max_db)} dB</b>",
                   f"{decibels(integrated_lufs(clip))} → {decibels(integrated_lufs(bench.result.output))} LUFS",
                   f"{decibels(crest_factor_db(clip, sung))} → {decibels(crest_factor_db(bench.result.output, sung))} dB"):  # fmt: skip
        assert number in line, number
    assert "the whole chain (reduction: peaks + steady added up)" in line
    assert panel.line.get_ydata().max() == pytest.approx(total.max())
    before, after = bench._screen.picture.waveform.before_high, bench._screen.picture.waveform.after
    assert before.get_ydata().max() == pytest.approx(clip.samples.max())
    assert after.get_paths()[0].vertices[:, 1].max() == pytest.approx(bench.result.output.samples.max())
    told = state(bench)["alt"]
    assert bench._screen.picture.title.get_text().startswith("Whole chain: ") and told.startswith("Whole chain: ")
    assert "gain reduction of peaks, steady added up" in told and f"{decibels(stats.max_db)} dB at most" in told
    assert state(bench)["time_box"] == list(bench._screen.picture.time_box) != time_box, (
        "the play position is drawn there"
    )
    # Goals, and what a lesson reads, stay those of the stage.
    assert "✗ goal" in of_stage and "✓" not in line and "✗" not in line and "goals are for peaks alone" in line
    assert bench.stage_result.name == "peaks" and bench.change.reduction.max_db < stats.max_db
    # Whichever stage is moved: the chain is shown as it is then, at once.
    bench.choose_stage("low cut").set(freq_hz=300)
    assert panel.line.get_ydata().max() == pytest.approx(bench.result.reduction_db.max()) != total.max()
    bench._tools.compare.value = "stage"
    assert (
        "Loudness changes" in bench._screen.picture.title.get_text() and "whole chain" not in bench._screen.line.value
    )
    assert bench.choose_stage("peaks")._screen.line.value.startswith('<div class="vocomp-numbers"><span>acting')


def test_a_whole_chain_says_whose_reductions_it_adds_up(clip, chain):
    bench = Bench(clip, chain, stage="peaks", left_out=["steady"])
    bench._tools.compare.value = "chain"
    assert "the whole chain (reduction: peaks alone)" in bench._screen.line.value
    bench.leave_out()
    assert "the whole chain:" in bench._screen.line.value and "reduction" not in bench._screen.line.value
    assert "no stage in it reduces the gain" in bench._screen.picture.title.get_text()
    bench.choose_stage("low cut").leave_out()
    assert bench.chain == Chain([]) and bench._error.value == "" and "±0.0 dB" in bench._screen.picture.title.get_text()


def test_while_a_control_moves_the_whole_chain_is_shown_and_its_sound_follows(clip, chain, monkeypatch):
    async def drag():
        bench = asking(Bench(clip, chain, stage="peaks"))
        bench._tools.compare.value = "chain"
        line, done, show, send = bench._screen.line.value, [], bench._screen.show, bench._player.send
        monkeypatch.setattr(
            bench._screen, "show", lambda *args, **kw: (show(*args, **kw), done.append(bench._screen.line.value))
        )
        monkeypatch.setattr(bench._player, "send", lambda *args, **kw: (send(*args, **kw), done.append("sound")))
        control = bench._controls.inputs["threshold_db"].control
        bench._controls.inputs["threshold_db"].slider.value = control.nearest(-40)
        while "sound" not in done:
            await asyncio.sleep(0.02)
        return bench, line, done

    bench, line, done = asyncio.run(drag())
    assert done == [bench._screen.line.value, "sound"] and done[0] != line, "picture and numbers first, then the sound"
    assert bench._player._sent["after"] is bench.result.output


def test_a_stage_can_be_left_out_and_put_back(clip, chain, capsys):
    bench = Bench(clip, chain, stage="peaks", goals=[Goal("max_db", low=90)])
    names, settings, with_it = [name for name, _ in chain.stages], bench.processor, bench.result.output
    assert bench.left_out == () and not bench.done
    bench._tools.leave_out.value = True
    without = [stage for stage in chain.stages if stage[0] != "peaks"]
    assert bench.left_out == ("peaks",) and bench.done and bench.processor == settings
    assert bench.chain == Chain(without) and list(bench.result.stages) == [name for name, _ in without]
    assert np.array_equal(bench.result.output.samples, Chain(without).apply(clip).output.samples)
    assert bench.change.match_gain_db == 0 and "Left out" in bench._screen.picture.title.get_text()
    assert "Left out" in state(bench)["alt"] and "peaks" not in state(bench)["json"]
    bench.check()
    assert capsys.readouterr().out == "peaks: left out, so there are no goals to meet.\n"
    # Other stages don't change that, and each says for itself whether it is left out.
    assert not bench.choose_stage(names[0])._tools.leave_out.value and bench.left_out == ("peaks",)
    assert bench.choose_stage("peaks")._tools.leave_out.value
    # A control that moves brings its stage back; so does the button, with the settings as they were.
    bench.set(threshold_db=settings.threshold_db)
    assert bench.left_out == () and bench.result.output == with_it and not bench._tools.leave_out.value
    bench.leave_out().leave_out(on=False)
    assert bench.chain == chain
    # Presenting shows the stage, and afterwards it is left out again.
    bench.leave_out().present()
    assert bench.left_out == () and bench.present(False).left_out == ("peaks",)
    begun = Bench(clip, chain, stage="peaks", left_out=("peaks",))
    assert begun._tools.leave_out.value and begun.set(ratio=2).left_out == () and begun.reset().left_out == ("peaks",)
    alone = Bench(clip, HighPass(90)).leave_out()
    assert alone.chain == Chain([]) and alone.result.output is clip
    for wrong in (lambda: bench.leave_out("loudness"), lambda: Bench(clip, chain, left_out=["loudness"])):
        with pytest.raises(ValueError) as error:
            wrong()
        one_sentence(error, "'loudness'")


def test_settings_on_offer_are_set_by_their_buttons(clip, chain):
    offers = {"gentle": Compressor(-14, 2, 1, 80), "firm": Compressor(-24, 4, 1, 80)}
    bench = Bench(clip, chain, stage="peaks", offers=offers, left_out=["peaks"])
    bench._offers.buttons["firm"].click()
    assert bench.processor == offers["firm"] == bench.chain["peaks"] and bench.left_out == ()
    assert bench._offers.widget.layout.display is None
    assert bench.choose_stage("steady")._offers.widget.layout.display == "none", "they are for another stage"
    assert Bench(clip, chain)._offers.widget.layout.display == "none"
    with pytest.raises(ValueError) as error:
        Bench(clip, chain, stage="peaks", offers={"a bell": Peaking(400, -3, 2)})
    one_sentence(error, "offers: 'a bell' is a Peaking", "'peaks'")


def test_goals_are_shown_and_checked(clip, capsys):
    bench = Bench(clip, Compressor(-20, 3, 1, 80), goals=[Goal("max_db", low=1), Goal("share_percent", high=1)])
    assert "✓ goal met" in bench._screen.line.value and "✗ goal not met yet" in bench._screen.line.value
    assert f"({decibels(100 * bench.change.reduction.share)})" in bench._screen.line.value, "by how much it is missed"
    bench.check()
    printed = capsys.readouterr().out.splitlines()
    assert len(printed) == 2 and ": met (measured: " in printed[0] and ": not met yet (measured: " in printed[1]
    bench.check(Goal("max_db", high=0.01))
    assert "not met yet" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda clip: Bench("take.wav", HighPass(90)), "clip"),
        (lambda clip: Bench(clip, Chain([])), "processor"),
        (lambda clip: Bench(clip, Chain([("x", HighPass(90))]), stage="y"), "stage"),
        (lambda clip: Bench(clip, HighPass(90), view=(3, 2)), "view"),
        (lambda clip: Bench(clip, HighPass(90), view="all"), "view"),
    ],
)
def test_a_bench_that_cannot_be_is_refused_in_one_sentence(clip, make, name):
    with pytest.raises(ValueError) as error:
        make(clip)
    one_sentence(error, name)


@pytest.mark.drawn
@pytest.mark.parametrize(
    "clip",
    [
        Clip(np.zeros(RATE), RATE),
        Clip([0.5], 8000),
        Clip(np.full((2000, 2), 3.0), 44_100),
        Clip(0.1 * np.random.default_rng(2).standard_normal((5000, 6)), 192_000),
    ],
    ids=["silence", "one sample", "over full scale", "six channels"],
)
@pytest.mark.parametrize(
    "processor", [Compressor(-20, 3, 1, 80, makeup_db=6), Peaking(400, -6)], ids=["compressor", "bell"]
)
def test_odd_clips_work(clip, processor):
    bench = asking(Bench(clip, processor))
    assert bench._error.value == ""
    assert all(math.isfinite(value) for value in (state(bench)["match_gain_db"], *state(bench)["removed_shares"]))
    samples, _ = soundfile.read(io.BytesIO(bytes(bench._player.sounds["after"].value)), always_2d=True)
    np.testing.assert_allclose(samples * state(bench)["after_scale"], bench.result.output.columns, atol=2e-4)


def test_moves_that_queue_up_are_answered_together_with_the_newest(clip, monkeypatch):
    async def drag():
        bench = Bench(clip, Compressor(-20, 3, 1, 80))
        shown = []
        original = bench._show
        monkeypatch.setattr(
            bench, "_show", lambda *args, **kw: (shown.append(bench.processor.threshold_db), original(*args, **kw))
        )
        moved = bench._controls.inputs["threshold_db"]
        control, slider = moved.control, moved.slider
        for threshold_db in range(-21, -41, -1):
            slider.value = control.nearest(threshold_db)
        await asyncio.sleep(0.05)
        first = list(shown)
        await asyncio.sleep(FINISH_DELAY_S + 0.2)
        return bench, first

    bench, shown = asyncio.run(drag())
    assert shown == [-40], "twenty moves of one go, one picture"
    assert Chain.from_json(state(bench)["json"]) == bench.chain, "when the hand rests, sound and state follow"


def test_results_are_up_to_date_though_the_page_is_still_waiting(clip):
    async def read_at_once():
        bench = Bench(clip, Compressor(-20, 3, 1, 80))
        bench._controls.inputs["threshold_db"].slider.value = bench._controls.inputs["threshold_db"].control.nearest(
            -45
        )
        return bench.result.output, bench.processor

    output, processor = asyncio.run(read_at_once())
    assert processor.threshold_db == -45 and output == processor.apply(clip).output


@pytest.fixture(scope="module")
def long_clip():
    verse = shipped("lesson_verse_faulty").clip
    return Clip(np.tile(verse.samples[::6], 5), 8000)


def test_a_long_clip_is_previewed_in_sight_and_then_computed_whole(long_clip):
    async def work():
        bench = Bench(long_clip, Compressor(-20, 3, 1, 80), view=(30.0, 50.0))
        await bench._background.task
        whole = bench._screen.line.value
        bars = []
        bench._background.bar.layout.observe(lambda change: bars.append(change["new"]), "display")
        moved = bench._controls.inputs["threshold_db"]
        control, slider = moved.control, moved.slider
        slider.value = control.nearest(-30)
        await asyncio.sleep(0.03)
        preview, title = bench._screen.line.value, bench._screen.picture.title.get_text()
        await asyncio.sleep(FINISH_DELAY_S + 0.05)
        await bench._background.task
        return bench, whole, preview, title, bars

    bench, whole, preview, title, bars = asyncio.run(work())
    assert "in the stretch in sight" in preview and "in the stretch in sight" in title
    assert "in the stretch in sight" not in whole and "in the stretch in sight" not in bench._screen.line.value
    assert bars == [None, "none"], "a progress bar while it works, none after"
    assert bench._results.partial.output == Compressor(-30, 3, 1, 80).apply(long_clip).output
    left, right = bench._screen.picture.panels[0].ax.get_xlim()
    assert (left, right) == (30.0, 50.0)


def test_the_whole_chain_of_a_long_clip_is_previewed_in_sight_too(long_clip):
    async def work():
        chain = Chain([("peaks", Compressor(-20, 3, 1, 80)), ("steady", Compressor(-28, 2, 5, 150))])
        bench = Bench(long_clip, chain, stage="peaks", view=(30.0, 50.0))
        await bench._background.task
        bench._tools.compare.value = "chain"
        preview, title = bench._screen.line.value, bench._screen.picture.title.get_text()
        await bench._background.task
        return bench, preview, title

    bench, preview, title = asyncio.run(work())
    assert "the whole chain" in preview and "in the stretch in sight" in preview and "in the stretch in sight" in title
    whole = bench._screen.line.value
    assert "the whole chain" in whole and "in the stretch in sight" not in whole
    assert f"largest <b>{decibels(bench.result.reduction_db[active_mask(long_clip)].max())} dB" in whole
    assert bench._screen.picture.reduction.ax.get_xlim() == (30.0, 50.0)


def test_the_preview_is_that_stretch_of_the_whole(long_clip):
    bench = Bench(long_clip, Compressor(-20, 3, 1, 80), view=(30.0, 50.0))
    bench._refresh()
    preview = bench._results.preview.stages["Compressor"]
    whole = Compressor(-20, 3, 1, 80).apply(long_clip).reduction_db
    ahead = round(PREROLL_S * 8000)
    seen = preview.reduction_db[ahead:]
    np.testing.assert_allclose(seen, whole[30 * 8000 : 30 * 8000 + len(seen)], atol=1e-4)


def test_work_that_is_replaced_leaves_the_progress_bar_to_the_newer_one(long_clip):
    async def work():
        bench = Bench(long_clip, Compressor(-20, 3, 1, 80))
        first = bench._background.task
        await asyncio.sleep(0)  # the first one has begun
        bench._finish()
        while not first.done():
            await asyncio.sleep(0)
        during = bench._background.bar.layout.display
        await bench._background.task
        return during, bench._background.bar.layout.display

    assert asyncio.run(work()) == (None, "none")


def test_a_slider_moved_again_ends_the_work_on_the_old_setting(long_clip):
    async def work():
        bench = Bench(long_clip, Compressor(-20, 3, 1, 80))
        first = bench._background.task
        bench.set(threshold_db=-40)
        await bench._background.task
        return bench, first

    bench, first = asyncio.run(work())
    assert first.cancelled() or first.done()
    assert bench._results.partial.stages["Compressor"].processor.threshold_db == -40


@pytest.mark.filterwarnings("ignore:coroutine 'Background._run' was never awaited")  # it died with its page
@pytest.mark.parametrize("length", ["short", "long"])
def test_a_page_closed_in_the_middle_of_an_answer_takes_no_answer_of_the_next_page_along(clip, long_clip, length):
    """The kernel answers each page on an event loop of its own, and closes it with the page."""
    bench = asking(Bench(clip if length == "short" else long_clip, Compressor(-20, 3, 1, 80)))
    moved = bench._controls.inputs["threshold_db"]
    control, slider = moved.control, moved.slider

    page = asyncio.new_event_loop()

    def move_and_leave():
        bench._finish()  # of a long clip, work is under way
        slider.value = control.nearest(-30)  # its answer is due in the loop's next round, which never comes
        page.stop()

    page.call_soon(move_and_leave)
    page.run_forever()
    page.close()

    async def move():
        slider.value = control.nearest(-40)
        await asyncio.sleep(FINISH_DELAY_S + 0.2)
        if bench._background.task is not None:
            await bench._background.task

    old = bench._screen.png
    asyncio.run(move())
    assert bench._screen.png != old and bench._player._sent["after"] is bench.result.output
    assert bench._results.partial.stages["Compressor"].processor.threshold_db == -40


def test_at_most_a_minute_of_a_long_clip_is_in_sight(long_clip):
    bench = Bench(long_clip, Compressor(-20, 3, 1, 80), view=(0, long_clip.duration_s))
    assert bench._view.window.end_s == LONGEST_VIEW_S
    bench._view.widget.value = (5.0, long_clip.duration_s)
    assert bench._view.window.end_s - bench._view.window.start_s == LONGEST_VIEW_S


@pytest.mark.drawn
def test_what_a_page_without_a_kernel_gets(clip):
    bench = Bench(clip, Compressor(-20, 3, 1, 80))
    still = still_html(bench._screen.still())
    assert re.search(r'<img alt="[^"]*Reduction acts in[^"]*LUFS[^"]*"', still)
    assert "data:image/png;base64," in still and bench._screen.line.value in still
    assert still.endswith("<p>Run this cell for its controls and its sound.</p></div>")


@pytest.mark.drawn
def test_every_kind_of_processor_that_has_controls_works_on_a_bench(clip):
    clip = clip.cut(0, 1)
    needed = {"threshold_db": -20, "ratio": 3, "attack_ms": 1, "release_ms": 80, "freq_hz": 900, "gain_db": -6}
    for kind in CONTROLS:
        fields = kind.__dataclass_fields__.values()
        bench = Bench(clip, kind(**{f.name: needed[f.name] for f in fields if f.default is dataclasses.MISSING}))
        assert bench._error.value == "" and size(bench._screen.image.value) == screen.PICTURE_PX, kind
        sheet = state(bench)
        assert Chain.from_json(sheet["json"]) == bench.chain and sheet["alt"]


# ---- the sound that the page makes itself ---------------------------------------------------------------------------


def test_the_page_gets_the_clip_once_and_the_chain_as_set(clip, chain):
    bench = Bench(clip, chain, stage="peaks")
    live, sound = state(bench)["live"], bench._player.sounds["clip"].value
    samples, _ = soundfile.read(io.BytesIO(bytes(sound)))
    assert np.abs(samples - clip.samples).max() < 2**-23, "as exact as single precision"
    assert [stage["type"] for stage in live["stages"]] == [type(p).__name__ for _, p in chain.stages]
    names = [name for name, _ in chain.stages]
    assert [live[key] for key in ("first", "last", "moved")] == 3 * [names.index("peaks")]
    bench._tools.compare.value = "chain"
    assert (state(bench)["live"]["first"], state(bench)["live"]["last"]) == (0, len(names) - 1)
    bench.set(threshold_db=-31.5).leave_out(names[0])
    live = state(bench)["live"]
    assert live["stages"][names.index("peaks")]["threshold_db"] == -31.5
    assert live["stages"][0]["type"] in ("Gain", "ClipGain"), "left out: it keeps its place and does nothing"
    assert bench._player.sounds["clip"].value == sound
    for part in ("before", "after"):
        assert bench._player.sounds[part].value == b"", "nobody has asked for it"
    assert Bench(clip, chain)._player._files["clip_id"] == bench._player._files["clip_id"], (
        "benches share a clip in the page"
    )


def told(line) -> dict:
    """What a hidden line says."""
    return json.loads(html.unescape(line.value.removeprefix("<span>").removesuffix("</span>")))


def news_of(bench) -> dict:
    return told(bench._player._news)


def test_what_is_refused_is_told_to_the_page_which_has_begun_to_play_it(clip):
    bench = Bench(clip, Peaking(3_000, 6, 2))
    bench.set(freq_hz=9_000)  # over half of 16 kHz
    assert news_of(bench)["refused"] and "9000 Hz is not allowed at a rate of 16000 Hz" in bench._error.value
    bench.set(freq_hz=2_000)
    assert "refused" not in news_of(bench) and news_of(bench)["settings"]["freq_hz"] == 2_000


def test_a_page_told_of_another_stage_knows_which_one_its_settings_are_of(clip, chain):
    bench = Bench(clip, chain, stage="peaks")
    bench.choose_stage("low cut")
    news = news_of(bench)
    assert (news["moved"], news["first"], news["last"]) == (0, 0, 0) and news["settings"]["type"] == "HighPass"


def test_a_long_clip_can_be_heard_before_all_of_it_is_computed(long_clip):
    """What is measured of the stretch in sight does not count as measured: elsewhere it may be much louder."""

    async def begin():
        bench = Bench(long_clip, Compressor(-20, 3, 1, 80), view=(30.0, 50.0))
        early = state(bench)
        assert early["clip_id"] and not early["measured"] and early["duration_s"] == long_clip.duration_s
        bench.set(threshold_db=-30)
        assert not news_of(bench)["measured"]
        await asyncio.wait_for(bench._background.task, 60)
        return early, state(bench)

    early, late = asyncio.run(begin())
    assert late["measured"] and late["live"]["stages"][0]["threshold_db"] == -30 and late["clip_id"] == early["clip_id"]


def test_clips_that_differ_only_by_their_scale_are_two_clips():
    """Over full scale, both are the same file with another scale."""
    shape = np.sin(2 * np.pi * 220 * np.arange(RATE) / RATE)
    ids = [state(Bench(Clip(peak * shape, RATE), Gain(0)))["clip_id"] for peak in (1.5, 6.0)]
    assert ids[0] != ids[1]


def test_the_needle_is_made_for_the_rate_at_which_the_page_plays():
    bench = Bench(Clip(np.full(19_200, 0.1), 192_000), Gain(0))
    assert state(bench)["rate"] == 96_000
    assert state(bench)["live"]["needle"] == needle_coefficients(96_000) != needle_coefficients(192_000)


def test_what_a_move_sends_is_small_and_says_all_that_the_sound_needs(clip):
    async def move():
        bench = Bench(clip, Compressor(-20, 3, 1, 80))
        moved, serial = bench._controls.inputs["threshold_db"], state(bench)["serial"]
        moved.slider.value = moved.control.nearest(-40)
        await asyncio.sleep(0.1)
        return bench, moved, serial

    bench, moved, serial = asyncio.run(move())
    text, news = html.unescape(bench._player._news.value), news_of(bench)
    assert len(text) < 800 and news["settings"]["threshold_db"] == -40
    assert news["at"]["threshold_db"] == moved.slider.value and news["serial"] == serial + 1
    wanted = integrated_lufs(clip) - integrated_lufs(bench.result.output)
    assert news["match_gain_db"] == pytest.approx(wanted) and news["measured"]
    assert [news[place] for place in ("first", "last", "moved")] == [0, 0, 0]
    stops = told(bench._player._stops)
    assert stops["threshold_db"][moved.slider.value] == -40 and stops["sidechain_highpass_hz"][0] is None


def test_a_de_esser_in_the_page_knows_how_loud_the_whole_of_its_input_is(clip):
    bench = Bench(clip, Chain([("trim", Gain(-6)), ("s", DeEsser())]))
    assert state(bench)["live"]["stages"][1]["input_dbfs"] == pytest.approx(rms_dbfs(clip) - 6, abs=1e-6)
