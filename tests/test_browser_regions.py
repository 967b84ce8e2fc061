"""The region bench in a real browser, on lesson 02: dragging in the picture, the list by keyboard, undo, the player.

Then the checks of every page, and a fresh kernel that finds what was kept.

Screenshots go to tests/screenshots/.
"""

from __future__ import annotations

import json

import pagechecks
import pytest
from labdriver import ROOT, shared_page, start_playing
from labdriver import wait_for as wait_until

pytestmark = pytest.mark.ci
LESSON = ROOT / "notebooks" / "02_level_prep.ipynb"
LENGTH_S = 15.6
TIME_BOX = (0.078, 0.985)
"""Where the time axis begins and ends, as shares of the picture's width."""


@pytest.fixture(scope="module")
def opened(lab):
    """Lesson 02, run from top to bottom."""
    yield pagechecks.open_and_run(shared_page(), lab, LESSON)
    lab.close_kernels()


@pytest.fixture
def lesson(opened):
    """Its page, high enough for the whole bench, so that the mouse reaches all of the picture without scrolling."""
    opened.page.set_viewport_size({"width": 1280, "height": 900})
    opened.benches[0].show()
    yield opened.page
    opened.page.set_viewport_size({"width": 1280, "height": 720})


def entries(page):
    options = page.locator(".vocomp-bench").first.locator("[class*='-list'] option").all_inner_texts()
    return [option.replace("\xa0", " ") for option in options]


def wait_for(page, condition, what):
    wait_until(page, condition, lambda: f"{what}: {entries(page)}")


def at(page, seconds):
    """Where on the page a time of the picture is."""
    box = page.locator("img[class*='-picture']").first.bounding_box()
    left, right = TIME_BOX
    return box["x"] + box["width"] * (left + (right - left) * seconds / LENGTH_S), box["y"] + 0.7 * box["height"]


def drag(page, start_s, end_s):
    page.wait_for_timeout(400)
    page.mouse.move(*at(page, start_s))
    page.mouse.down()
    page.mouse.move(*at(page, (start_s + end_s) / 2), steps=3)
    page.mouse.move(*at(page, end_s), steps=3)
    page.mouse.up()


def press(page, name):
    page.locator(f".vocomp-bench button:text-is('{name}')").first.click()


def position(page):
    return page.evaluate("document.querySelector('.vocomp-player').vocomp.position()")


def chosen(page):
    """Start and end of the region that Python calls chosen, in seconds; None without one."""
    return json.loads(page.locator("[class*='-edited']").first.text_content())["chosen"]


def regions(page):
    """Start and end of every region in the list, in seconds."""
    shown = [entry.split(" s,")[0].split(" to ") for entry in entries(page) if entry[0].isdigit()]
    return [(float(start), float(end)) for start, end in shown]


def test_it_runs_in_time_and_without_complaint(opened):
    pagechecks.check_run(opened)


def test_proposals_stand_in_the_list_and_are_accepted(lesson):
    offered = [entry for entry in entries(lesson) if entry.startswith("proposed")]
    assert len(offered) == 2, entries(lesson)
    press(lesson, "Accept")
    wait_for(lesson, lambda: len(regions(lesson)) == 1, "the first proposal in force")
    press(lesson, "Accept all")
    wait_for(lesson, lambda: len(regions(lesson)) == 2, "all proposals in force")


def test_a_drag_over_an_empty_place_makes_a_region_and_does_not_move_the_player(lesson):
    before = position(lesson)
    drag(lesson, 4.4, 5.2)
    wait_for(lesson, lambda: len(regions(lesson)) == 3, "a new region")
    start_s, end_s = regions(lesson)[0]
    assert start_s == pytest.approx(4.4, abs=0.05) and end_s == pytest.approx(5.2, abs=0.05)
    assert position(lesson) == before


def test_an_edge_and_a_whole_region_are_moved(lesson):
    drag(lesson, 5.2, 5.6)
    wait_for(lesson, lambda: regions(lesson)[0][1] == pytest.approx(5.6, abs=0.05), "the edge")
    assert regions(lesson)[0][0] == pytest.approx(4.4, abs=0.05)
    drag(lesson, 5.0, 4.0)
    wait_for(lesson, lambda: regions(lesson)[0][0] == pytest.approx(3.4, abs=0.06), "the region")
    start_s, end_s = regions(lesson)[0]
    assert end_s - start_s == pytest.approx(1.2, abs=0.08)


def test_a_drag_onto_another_region_is_refused_in_one_sentence(lesson):
    old = regions(lesson)
    drag(lesson, 4.0, 8.5)
    error = lesson.locator(".vocomp-bench .vocomp-error").first
    wait_for(lesson, lambda: error.count() and "overlap" in error.inner_text(), "the sentence")
    assert regions(lesson) == old


def test_undo_and_redo(lesson):
    now = regions(lesson)
    press(lesson, "Undo")
    wait_for(lesson, lambda: regions(lesson) != now, "the old place")
    press(lesson, "Redo")
    wait_for(lesson, lambda: regions(lesson) == now, "the new place again")


def test_a_click_chooses_and_the_list_works_by_keyboard(lesson):
    lesson.wait_for_timeout(400)
    lesson.mouse.click(*at(lesson, 11.7))
    gain = lesson.get_by_label("Gain (dB)", exact=True).first
    word = next(entry for entry in entries(lesson) if entry.startswith("11."))
    wait_for(lesson, lambda: f", {gain.input_value()} dB" in word, "the loud word's gain")
    select = lesson.get_by_label("Regions, proposals, sections").first
    select.focus()
    lesson.keyboard.press("ArrowUp")
    phrase = next(entry for entry in entries(lesson) if entry.startswith("7."))
    wait_for(lesson, lambda: f", +{gain.input_value()} dB" in phrase, "the gain of the phrase")
    gain.fill("4")
    gain.press("Enter")
    wait_for(lesson, lambda: any("+4.0 dB" in entry for entry in entries(lesson)), "the typed gain")
    lesson.get_by_label("Start (s)", exact=True).first.fill("7.4")
    lesson.keyboard.press("Tab")
    wait_for(lesson, lambda: 7.4 in [start for start, _ in regions(lesson)], "the typed start")


def test_it_plays_around_the_chosen_stretch(lesson):
    lesson.mouse.click(*at(lesson, 11.7))
    # The page goes round the region that Python calls chosen, which a busy machine tells a moment after the click.
    wait_for(lesson, lambda: chosen(lesson) and 11 < chosen(lesson)[0] < 12, "the loud word chosen")
    # Not by the mouse: the numbers of what was chosen may still move the row.
    around = lesson.locator(".vocomp-hand-bar [data-part=loop-chosen]").first
    around.dispatch_event("click")
    wait_for(lesson, around.is_checked, "only the chosen region to be played")
    play = lesson.locator(".vocomp-player [data-part=play]").first
    start_playing(lesson, lesson.locator(".vocomp-player").first)
    wait_for(lesson, lambda: 10.5 < position(lesson) < 13, "playback at the region")
    seen = []
    for _ in range(40):
        lesson.wait_for_timeout(100)
        seen.append(position(lesson))
    play.click()
    assert min(seen) > 10.5 and max(seen) < 13, (min(seen), max(seen))
    assert any(b < a for a, b in zip(seen, seen[1:])), "it never went back to the start"
    around.dispatch_event("click")


def test_a_sections_edge_is_dragged_and_a_section_is_split_where_the_player_is(opened):
    page, bench = opened.page, opened.benches[3]
    page.set_viewport_size({"width": 1280, "height": 900})
    bench.show()
    listed = bench.part("list").locator("select")

    def starts():
        told = [text for text in listed.locator("option").all_inner_texts() if text.startswith("section")]
        return [float(text.split(":")[1].split()[0]) for text in told]

    def x(seconds):
        box, (left, right) = bench.part("picture").bounding_box(), TIME_BOX
        return box["x"] + box["width"] * (left + (right - left) * seconds / bench.state()["duration_s"])

    wait_until(page, lambda: starts() == [0, 13.53], lambda: f"a verse and a chorus, not {starts()}")
    box = bench.part("picture").bounding_box()
    page.mouse.move(x(13.53), box["y"] + 0.75 * box["height"])
    page.mouse.down()
    page.mouse.move(x(12), box["y"] + 0.75 * box["height"], steps=3)
    page.mouse.move(x(10.4), box["y"] + 0.75 * box["height"], steps=3)
    page.mouse.up()
    wait_until(page, lambda: starts()[1] == pytest.approx(10.4, abs=0.08), lambda: f"the edge, not at {starts()}")
    assert len(starts()) == 2 and not any(text[0].isdigit() for text in listed.locator("option").all_inner_texts())
    listed.select_option(index=listed.locator("option").count() - 1)
    seek = bench.player.locator("[data-part=seek]")
    seek.evaluate("e => { e.value = 20; e.dispatchEvent(new Event('input', { bubbles: true })); }")
    at = bench.widget.get_by_label("Split at (s)", exact=True)
    wait_until(page, lambda: at.input_value().startswith("20"), lambda: f"the player's place, not {at.input_value()}")
    bench.button("Split").click()
    wait_until(page, lambda: len(starts()) == 3 and starts()[2] == pytest.approx(20, abs=0.05), "a third section")
    bench.button("Join").click()
    wait_until(page, lambda: len(starts()) == 2, "two sections again")
    for _ in range(3):
        count = bench.seen()
        bench.button("Undo").click()
        wait_until(page, lambda: bench.seen() != count, "the picture before")
    wait_until(page, lambda: starts() == [0, 13.53], lambda: f"the first sections, not {starts()}")


def test_what_was_kept_is_found_by_a_fresh_kernel(opened):
    page, kept = opened.page, regions(opened.page)
    place = next(n for n, text in enumerate(pagechecks.cell_sources(opened.path)) if "lesson.keep(" in text)
    assert len(kept) >= 3 and "Kept level prep" in pagechecks.run_cell(page, place)
    pagechecks.restart_and_run_all(opened)
    assert regions(page) == kept
    opened.no_trouble()


def test_every_control_answers(opened):
    for bench in opened.benches:
        pagechecks.move_everything(opened, bench)
    opened.no_trouble()


def test_nothing_is_cut_off_in_either_theme(opened):
    pagechecks.look_in_both_themes(opened)


def test_reloaded_it_is_found_as_it_was_left(opened):
    pagechecks.reload_and_find(opened)
