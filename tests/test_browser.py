"""The whole loop in a real browser, on lesson 04: slider, picture, numbers, player; then the checks of every page.

Of the page tests only this file runs without CI=true.

Screenshots go to tests/screenshots/.
"""

from __future__ import annotations

import json
import math
import re
import time

import pagechecks
import pytest
from heard import OVER, listen
from labdriver import ROOT, chromium, run_all, start_playing, wait_for

from vocomp_lab.processors.chain import Chain

DURATION_S = 15.6
LESSON = ROOT / "notebooks" / "04_peak_control.ipynb"
PYTHON = {"name": "python3", "display_name": "Python 3 (ipykernel)", "language": "python"}


@pytest.fixture(scope="module")
def opened(lab):
    """The peak-control lesson, run from top to bottom, on a page of a laptop's size."""
    with chromium(1280, 720) as page:
        listen(page)
        yield pagechecks.open_and_run(page, lab, LESSON)
    lab.close_kernels()


@pytest.fixture
def lesson(opened):
    return opened.page


def first(page, selector):
    """The first bench's part that a selector names."""
    return page.locator(selector).first


def player(page, call):
    return page.evaluate(f"document.querySelector('.vocomp-player').vocomp.{call}")


def position_and_clock(page) -> tuple[float, float]:
    """Both read in the page at one moment, since on a busy machine its answers come late.

    The clock is the loudspeaker's: a busy machine's sound falls behind the clock on the wall, which moves nothing in it.
    """
    return tuple(page.evaluate("[document.querySelector('.vocomp-player').vocomp.position(), vocompSpeaker.now()]"))


def off_course(page, at, started) -> tuple[float, float]:
    """How far the position is from where the loudspeaker's clock says, in a loop of the whole clip; and the clock's time."""
    now, clock = position_and_clock(page)
    passed = clock - started
    return abs((now - at - passed + DURATION_S / 2) % DURATION_S - DURATION_S / 2), passed


def play_for_a_while(page):
    start_playing(page, first(page, ".vocomp-player"))
    wait_for(page, lambda: player(page, "position()") > 0.8, "playback")


def pause(page):
    """However the test before has left the player."""
    if player(page, "mode()") != "idle":
        first(page, ".vocomp-player [data-part=play]").click()
    wait_for(page, lambda: player(page, "mode()") == "idle", "the pause")


def picture(page):
    return first(page, "img[class*='-picture']").get_attribute("src")


def numbers(page):
    return first(page, ".vocomp-bench .vocomp-numbers").inner_text()


def threshold_db(page) -> float:
    """Of the first bench, by the settings that Python sent last."""
    return pagechecks.benches(page)[0].chain().stages[0][1].threshold_db


def only(choice, gains) -> bool:
    return gains[choice] > 0.05 and all(gain == 0 for name, gain in gains.items() if name != choice)


def at_rest(element):
    """Wait until an element stays where it is."""
    boxes = [None, element.bounding_box()]
    while boxes[-1] != boxes[-2]:
        element.page.wait_for_timeout(100)
        boxes.append(element.bounding_box())


def test_no_news_question_stands_in_the_way(lesson):
    assert lesson.locator("text=Would you like to").count() == 0


def test_it_runs_in_time_and_without_complaint(opened):
    pagechecks.check_run(opened)


def test_dragging_the_threshold_changes_picture_and_numbers(lesson):
    handle = first(lesson, "[class*='-slider-threshold_db'] .noUi-handle")
    first(lesson, ".vocomp-bench").scroll_into_view_if_needed()
    at_rest(handle)
    old_picture, old_numbers = picture(lesson), numbers(lesson)
    box = handle.bounding_box()
    assert 100 < box["y"] < 690, box
    lesson.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    lesson.mouse.down()
    for step in range(1, 9):
        lesson.mouse.move(box["x"] + box["width"] / 2 + 4 * step, box["y"] + box["height"] / 2)
    lesson.mouse.up()
    wait_for(lesson, lambda: picture(lesson) != old_picture, "a new picture")
    wait_for(lesson, lambda: numbers(lesson) != old_numbers, "new numbers")
    typed = first(lesson, "[class*='-typed-threshold_db'] input").input_value()
    assert float(typed.replace("−", "-")) > -32, typed


def test_a_typed_value_is_taken_as_it_stands(lesson):
    box = first(lesson, "[class*='-typed-threshold_db'] input")
    seen, since = None, time.monotonic()

    def at_rest():
        """A late answer to the drag before would write over what is typed."""
        nonlocal seen, since
        now = box.input_value(), threshold_db(lesson)
        if now != seen:
            seen, since = now, time.monotonic()
        return now[0] == f"{now[1]:.1f}".replace("-", "−") and time.monotonic() - since > 2

    wait_for(lesson, at_rest, "the end of the drag")
    box.fill("-14.3")
    box.press("Enter")
    wait_for(lesson, lambda: numbers(lesson).count("goal met") == 3, "the numbers of −14.3 dBFS")
    wait_for(lesson, lambda: threshold_db(lesson) == -14.3, "the settings of −14.3 dBFS")
    lesson.wait_for_timeout(300)
    assert box.input_value() == "−14.3", "the slider must not round a typed value"
    alt = first(lesson, "img[class*='-picture']").get_attribute("alt")
    assert "Reduction acts in" in alt and "LUFS" in alt


def test_a_wrong_value_is_refused_in_one_sentence_and_the_bench_goes_on(lesson):
    box = first(lesson, "[class*='-typed-ratio'] input")
    box.fill("0.5")
    box.press("Enter")
    error = first(lesson, ".vocomp-error")
    wait_for(lesson, lambda: error.count() and "Ratio: 0.5 is not allowed" in error.inner_text(), "the sentence")
    box.fill("3:1")
    box.press("Enter")
    wait_for(lesson, lambda: first(lesson, ".vocomp-bench").locator(".vocomp-error").count() == 0, "the sentence to go")


def test_switching_while_playing_keeps_the_position_and_mutes_the_others(lesson):
    pause(lesson)
    play_for_a_while(lesson)
    for choice in ("after", "removed", "before", "after"):
        at, started = position_and_clock(lesson)
        first(lesson, f".vocomp-player input[value={choice}]").check()
        wait_for(lesson, lambda: only(choice, player(lesson, "gains()")), f"{choice!r} alone to be heard")
        off_s, passed_s = off_course(lesson, at, started)
        assert off_s < 0.05, f"{choice}: the position is off by {off_s:.3f} s after {passed_s:.3f} s"
    assert player(lesson, "level()") < 0.1, "playback must start quiet"


def test_moving_a_slider_while_playing_goes_over_to_the_new_sound_at_the_same_place(lesson):
    if not player(lesson, "playing()"):
        play_for_a_while(lesson)
    at, started = position_and_clock(lesson)
    handle = first(lesson, "[class*='-slider-threshold_db'] .noUi-handle")
    handle.focus()
    old = picture(lesson)
    for _ in range(5):
        lesson.keyboard.press("ArrowLeft")
    wait_for(lesson, lambda: picture(lesson) != old, "a new picture")
    wait_for(lesson, lambda: position_and_clock(lesson)[1] - started > 1.5, "some time at the loudspeaker")
    assert off_course(lesson, at, started)[0] < 0.05
    pause(lesson)


_HOLD_MESSAGES = """hold => {
  const plain = Object.getPrototypeOf(WebSocket.prototype); // labdriver's own class stands before it
  if (!window.heldMessages) {
    const send = plain.send, held = (window.heldMessages = []);
    plain.send = function (data) { window.holding ? held.push([this, data]) : send.call(this, data); };
    window.letGo = () => { for (const [socket, data] of held.splice(0)) send.call(socket, data); };
  }
  window.holding = hold;
  if (!hold) window.letGo();
}"""


def reading(page) -> dict:
    """What the meters show."""
    return player(page, "needle.reading()")


def test_the_ear_hears_a_control_before_python_knows_of_it(lesson):
    """How soon is a matter of ``benchmarks/bench_ear.py``; here, that the ear does not wait for Python, which hears nothing meanwhile."""
    pause(lesson)
    first(lesson, ".vocomp-player input[value=after]").check()
    first(lesson, ".vocomp-player [data-part=match]").uncheck()
    handle = first(lesson, "[class*='-slider-threshold_db'] .noUi-handle")
    for _ in range(40):
        handle.press("PageUp")
    wait_for(lesson, lambda: threshold_db(lesson) == 0, "a threshold that nothing passes")
    play_for_a_while(lesson)
    assert player(lesson, "isLive()")

    def idle():
        now = reading(lesson)  # nothing yet in the first moments
        return "peaks" in now and now["peaks"][0] > 0.1 and now["reduction"]["most"] < 0.1

    wait_for(lesson, idle, "a voice, and no reduction")
    lesson.evaluate(_HOLD_MESSAGES, True)
    handle.press("Home")
    wait_for(lesson, lambda: reading(lesson)["reduction"]["most"] > 3, "a reduction at the ear")

    def less_out():
        before, after = reading(lesson)["peaks"]
        return after < 0.8 * before

    wait_for(lesson, less_out, "less out than in")
    assert threshold_db(lesson) == 0 and len(lesson.evaluate("heldMessages")), "Python can't know"
    lesson.evaluate(_HOLD_MESSAGES, False)
    wait_for(lesson, lambda: threshold_db(lesson) == -60, "Python to follow")
    assert lesson.locator(".vocomp-bench").first.locator("audio[class*='-after']").count() == 0, "no sound was sent"
    shown = first(lesson, ".vocomp-needle [data-show=text]")
    wait_for(lesson, lambda: re.match(r"−[1-9][\d.]* dB \(most −", shown.inner_text()), "the reduction in figures")
    meters = first(lesson, ".vocomp-needle [role=img]")
    wait_for(lesson, lambda: "reduction −" in meters.get_attribute("aria-label"), "the same for a screen reader")
    pause(lesson)
    first(lesson, ".vocomp-player [data-part=match]").check()
    first(lesson, ".vocomp-bench").locator("button:text-is('Reset')").click()


def test_a_moment_is_gone_round_in_and_the_whole_again(lesson):
    pause(lesson)
    menu = first(lesson, ".vocomp-player [data-part=moments]")
    options = menu.locator("option").all_inner_texts()
    assert options[0] == "the whole clip" and any(text.startswith("loud word, ") for text in options)
    menu.select_option(index=1)
    start, end = (float(edge) for edge in menu.input_value().split("/"))
    start_playing(lesson, first(lesson, ".vocomp-player"))
    seen = [player(lesson, "position()")]

    def went_round():
        seen.append(player(lesson, "position()"))
        return seen[-1] < seen[-2]

    wait_for(lesson, went_round, "the end of the stretch, and its start again")
    assert all(start - 0.05 <= at <= end + 0.05 for at in seen), seen
    menu.select_option(index=0)
    wait_for(lesson, lambda: player(lesson, "position()") > end + 0.3, "the rest of the sound")
    pause(lesson)


def test_keys_work_from_a_slider_and_never_move_the_position(lesson):
    pause(lesson)
    handle = first(lesson, "[class*='-slider-threshold_db'] .noUi-handle")
    handle.focus()
    at, was = player(lesson, "position()"), threshold_db(lesson)
    for key, track in (("1", "before"), ("3", "removed"), ("2", "after")):
        lesson.keyboard.press(key)
        assert player(lesson, "heard()") == track
    assert player(lesson, "position()") == at and threshold_db(lesson) == was
    lesson.keyboard.press("p")
    wait_for(lesson, lambda: player(lesson, "playing()"), "playback by key")
    first(lesson, "[class*='-typed-threshold_db'] input").press("p")
    assert player(lesson, "playing()"), "what is typed into a field is no key"
    first(lesson, "[class*='-typed-threshold_db'] input").press("Escape")
    handle.focus()
    lesson.keyboard.press("p")
    wait_for(lesson, lambda: not player(lesson, "playing()"), "the pause by key")


def test_controls_are_named_and_keys_work(lesson):
    handles = lesson.locator(".vocomp-bench").first.locator(".noUi-handle")
    names = [handles.nth(n).get_attribute("aria-label") for n in range(handles.count())]
    assert "Threshold (dBFS)" in names and "Attack (ms)" in names
    pause(lesson)
    code_cells = lesson.locator(".jp-CodeCell").count()
    for take_focus in (
        lambda: first(lesson, ".vocomp-player input[value=before]").focus(),
        lambda: first(lesson, ".vocomp-player [data-part=clock]").click(),
    ):
        take_focus()
        lesson.keyboard.press("1")
        assert player(lesson, "heard()") == "before"
        lesson.keyboard.press("2")
        assert player(lesson, "heard()") == "after"
        lesson.keyboard.press("p")
        wait_for(lesson, lambda: player(lesson, "playing()"), "playback by key")
        lesson.keyboard.press("p")
        wait_for(lesson, lambda: not player(lesson, "playing()"), "the pause by key")
    assert lesson.locator(".jp-CodeCell").count() == code_cells, (
        "JupyterLab's own keys must not turn cells into headings"
    )


def test_with_the_band_a_control_moves_while_both_play_and_the_balance_stays_set(opened):
    lesson, bench = opened.page, opened.benches[0]
    pause(lesson)
    bench.player.locator("input[value=after]").check()
    play_for_a_while(lesson)
    at, started = position_and_clock(lesson)
    bench.player.locator("[data-part=band]").check()
    wait_for(lesson, lambda: bench.ask("gains()")["band"] > 0, "the band")
    assert off_course(lesson, at, started)[0] < 0.05, "it comes in at the same place"
    for track in ("before", "after"):
        bench.player.locator(f"input[value={track}]").check()
        wait_for(lesson, lambda: bench.ask("gains()")[track] > 0.05, track)
    loud = bench.ask("gains()")
    balance = bench.player.locator("[data-part=balance]")
    assert balance.get_attribute("aria-valuetext") == "+2.0 LU"
    balance.focus()
    for _ in range(4):
        lesson.keyboard.press("ArrowRight")
    wait_for(
        lesson, lambda: bench.ask("gains()")["band"] == pytest.approx(loud["band"] * 10 ** (-2 / 20), rel=1e-3), "+4 LU"
    )
    assert bench.ask("gains()")["after"] == pytest.approx(loud["after"], rel=1e-3), "the voice stays where it is"
    kept = opened.path.parent / ".state" / "lesson_verse_faulty" / "band.json"
    wait_for(
        lesson, lambda: kept.exists() and json.loads(kept.read_text())["balance_lu"] == 4, "the balance to be kept"
    )
    step_by_keys = first(lesson, "[class*='-slider-threshold_db'] .noUi-handle")
    old = picture(lesson)
    step_by_keys.focus()
    for _ in range(3):
        lesson.keyboard.press("ArrowRight")
    wait_for(lesson, lambda: picture(lesson) != old, "a new picture")
    assert bench.ask("gains()")["band"] > 0 and off_course(lesson, at, started)[0] < 0.05
    # The cell that is run again has the balance and the band still; the baritone of the last bench has none.
    place = bench.cell
    pagechecks.run_cell(lesson, place)
    opened.benches = pagechecks.benches(lesson)
    again = opened.benches[0].player
    wait_for(lesson, lambda: again.locator("[data-part=balance-text]").inner_text() == "+4.0 LU", "the same balance")
    assert again.locator("[data-part=band]").is_checked()
    assert not opened.benches[-1].player.locator("[data-part=band]").is_visible()
    again.locator("[data-part=band]").uncheck()
    for way in ("small", "quiet", "as it is"):
        again.locator("[data-part=way]").select_option(way)
        assert lesson.locator("[data-part=way]").last.input_value() == way, "one loudspeaker, one way to listen"
    opened.no_trouble()


# The loudest that "before" gets when it is played once, as peak and as RMS of what the recorder calls a block, and where.
_PLAYED_ONCE = """async () => {
  const root = document.querySelector(".vocomp-player"), id = root.querySelector("input[type=radio]").name.slice(7);
  const state = JSON.parse(document.querySelector(`.vocomp-${id}-state`).textContent);
  const bytes = await (await fetch(document.querySelector(`.vocomp-${id}-clip`).src)).arrayBuffer();
  const rate = heard.contexts.at(-1).sampleRate;
  const sound = (await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes)).getChannelData(0);
  const gain = state.clip_scale * 10 ** (Number(root.querySelector("[data-part=volume]").value) / 20);
  let peak = 0, most = 0, at = 0;
  for (let n = 0; n + heard.BLOCK <= sound.length; n += heard.BLOCK / 8) {
    let energy = 0;
    for (let k = n; k < n + heard.BLOCK; k++) { energy += sound[k] ** 2; peak = Math.max(peak, Math.abs(sound[k])); }
    if (energy > most) [most, at] = [energy, n / rate];
  }
  return [gain * peak, gain * Math.sqrt(most / heard.BLOCK), at];
}"""

# Clicks and seeks faster than a driver's, around the loudest place.
_HANDS = """([loudest, doing]) => {
  const rest = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  const part = (place, name) => document.querySelectorAll(".vocomp-player")[place].querySelector(`[data-part=${name}]`);
  const click = (place) => part(place, "play").click();
  const seek = () => {
    part(0, "seek").value = Math.max(loudest - 0.15, 0);
    part(0, "seek").dispatchEvent(new Event("input", { bubbles: true }));
  };
  return Object.getPrototypeOf(async () => {}).constructor("rest", "click", "seek", doing)(rest, click, seek);
}"""


def test_no_burst_is_louder_than_the_sound_played_once(opened):
    """Through JupyterLab, the kernel and real sound; ``test_player_page.py`` has many more bursts, on the player alone."""
    page, play = opened.page, opened.benches[0].player.locator("[data-part=play]")
    pause(page)
    first(page, ".vocomp-player input[value=before]").check()
    start_playing(page, opened.benches[0].player)
    peak, rms, loudest = page.evaluate(_PLAYED_ONCE)

    def hands(doing):
        page.evaluate(_HANDS, [loudest, doing])

    def louder() -> float:
        page.wait_for_timeout(500)  # until the loudest place is over
        heard_peak, heard_rms = page.evaluate("heard.most()")
        page.evaluate("heard.clear()")
        return max(heard_peak / peak, heard_rms / rms)

    def silence():
        page.evaluate("[...document.querySelectorAll('.vocomp-player')].forEach((player) => player.vocomp.stop())")
        page.wait_for_timeout(200)
        page.evaluate("heard.clear()")
        page.wait_for_timeout(200)
        assert page.evaluate("heard.most()") == [0, 0], "a voice goes on after the pause"

    def step_threshold(key):
        old = picture(page)
        first(page, "[class*='-slider-threshold_db'] .noUi-handle").focus()
        for _ in range(6):
            page.keyboard.press(key)
        wait_for(page, lambda: picture(page) != old, "a new picture")

    silence()
    hands("seek(); click(0)")
    assert 0.85 < louder() < OVER, "played once, it is as loud as it was reckoned to be"
    measured = {}
    hands("for (let n = 0; n < 30; n++) { seek(); await rest(n); }")
    measured["seeks"] = louder()
    for key in ("ArrowLeft", "ArrowRight", "ArrowLeft"):
        step_threshold(key)
        hands("await rest(300); seek(); await rest(200); seek();")
    measured["slider and seeks"] = louder()
    silence()
    step_threshold("ArrowRight")
    hands("await rest(600); seek(); click(0); click(0); click(0);")  # the new sound is not decoded yet
    measured["clicks while it waits"] = louder()
    hands("for (let n = 0; n < 10; n++) { seek(); click(0); await rest(40); } seek();")
    measured["ten clicks"] = louder()
    silence()
    hands("seek(); click(1); click(0);")
    measured["two benches"] = louder()
    place = opened.benches[0].cell
    assert "\npeaks = Bench(" in pagechecks.cell_sources(opened.path)[place]
    pagechecks.run_cell(page, place)
    opened.benches = pagechecks.benches(page)
    play.scroll_into_view_if_needed()
    hands("seek(); click(0); click(0); click(0);")
    measured["run again"] = louder()
    print(", ".join(f"{name} {20 * math.log10(most):+.2f} dB" for name, most in measured.items()))
    assert all(most < OVER for most in measured.values()), measured
    assert any(most > 0.85 for most in measured.values()), measured
    silence()
    opened.no_trouble()


@pytest.mark.ci
def test_every_control_answers(opened):
    """The first bench's kind of stage is new to the page tests, so that all of its controls are moved here."""
    opened.benches[0].button("Reset").click()
    for bench in opened.benches:
        pagechecks.move_everything(opened, bench)
    bench = opened.benches[0]
    as_set = bench.chain()
    for left in (Chain([]), as_set):
        bench.button("Leave it out").click()
        wait_for(bench.page, lambda: bench.chain() == left, "the stage to be left out, and then put back")
    opened.no_trouble()


@pytest.mark.ci
def test_nothing_is_cut_off_in_either_theme(opened):
    pagechecks.look_in_both_themes(opened)


@pytest.mark.ci
def test_reloaded_it_is_found_as_it_was_left(opened):
    pagechecks.reload_and_find(opened)


@pytest.mark.ci
def test_a_link_to_a_heading_of_a_page_that_is_not_open_yet_leads_there(lab):
    """JupyterLab opens the page and stays at its top."""
    home = lab.folder / "linked"
    home.mkdir()
    bench = "from vocomp_lab import Gain, shipped\nfrom vocomp_lab.bench import Bench\nBench(shipped('song_clean').clip.cut(0, 2), Gain(0))"
    write_notebook(home / "from_here.ipynb", [("code", bench), ("markdown", "[there](to_there.ipynb#Far-down)")])
    parts = [("markdown", f"## Part {n}\n\n" + "Some words. " * 150) for n in range(12)]
    write_notebook(home / "to_there.ipynb", [*parts[:9], ("markdown", "## Far down"), *parts[9:]])
    with chromium(1280, 720) as page:
        page.goto(f"{lab.address}lab/tree/linked/from_here.ipynb?token={lab.token}&reset")
        page.wait_for_selector("text=/Python 3 .* \\| Idle/")
        run_all(page)
        page.wait_for_selector(".vocomp-player", state="attached")
        page.locator(".jp-Notebook a", has_text="there").click()
        heading = page.locator("[data-jupyter-id='Far-down']")
        wait_for(page, lambda: heading.count() and 0 < heading.first.bounding_box()["y"] < 400, "the heading in sight")
        assert not page.errors, page.errors
    lab.close_kernels()


def write_notebook(path, cells):
    made = [
        {"cell_type": kind, "id": f"c{n}", "metadata": {}, "source": text}
        | ({"outputs": [], "execution_count": None} if kind == "code" else {})
        for n, (kind, text) in enumerate(cells)
    ]
    path.write_text(json.dumps({"cells": made, "metadata": {"kernelspec": PYTHON}, "nbformat": 4, "nbformat_minor": 5}))
