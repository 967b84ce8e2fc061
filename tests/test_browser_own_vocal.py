"""Lesson 09 in a real browser: as every lesson, and an own file goes in, the finished file and the sheets come out.

Screenshots go to tests/screenshots/.
"""

from __future__ import annotations

import json
import shutil

import pagechecks
import pytest
import soundfile
from labdriver import ROOT, cell_prompts, shared_page, start_playing, wait_for

from vocomp_lab import Chain, integrated_lufs, load

pytestmark = pytest.mark.ci
LESSON = ROOT / "notebooks" / "09_your_own_vocal.ipynb"


@pytest.fixture(scope="module")
def lesson(lab):
    yield pagechecks.open_and_run(shared_page(), lab, LESSON)
    lab.close_kernels()


def place_of(lesson, text):
    return next(n for n, source in enumerate(pagechecks.cell_sources(lesson.path)) if text in source)


def chain_bench(lesson):
    return next(bench for bench in lesson.benches if bench.kind == "bench" and len(bench.chain().stages) > 1)


def test_it_runs_in_time_and_without_complaint(lesson):
    pagechecks.check_run(lesson)


def test_every_control_answers(lesson):
    for bench in lesson.benches:
        pagechecks.move_everything(lesson, bench)
    lesson.no_trouble()


def press(page, text):
    page.get_by_role("button", name=text, exact=True).click()


def older_lines(page):
    return page.locator(".vocomp-player-notes", has_text="Older than the bench")


def test_files_are_written_at_the_button_by_the_bench_as_it_is_set_then(lesson):
    bench, home, page = chain_bench(lesson), lesson.path.parent, lesson.page
    assert not list(home.glob("my_vocal*")) and not list(home.glob(".state/*/09_*.json")), "the run wrote or kept"
    press(page, "Write the files")
    wait_for(page, lambda: list(home.glob("my_vocal/settings.html")), "the files")
    first = {path: path.read_bytes() for path in home.glob("my_vocal/*")}
    assert {path.name for path in first} == {"vocal.wav", "vocal_louder.flac", "settings.json", "settings.html"}
    assert Chain.from_json((home / "my_vocal" / "settings.json").read_text("utf-8")) == bench.chain()

    old = bench.state()["json"]
    bench.widget.locator(".noUi-handle:visible").first.focus()
    page.keyboard.press("ArrowLeft")
    wait_for(page, lambda: bench.state()["json"] != old, "the moved trim")
    wait_for(page, lambda: older_lines(page).count() == 4, "every cell further down that goes by the bench")
    page.locator(".vocomp-player-notes button", has_text="up to date").first.click()
    wait_for(page, lambda: older_lines(page).count() == 0, "all brought up to date")
    last = place_of(lesson, "KeepChoice(")
    wait_for(page, lambda: (cell_prompts(page)[last] or "").isdigit(), "the last cell")
    assert chain_bench(lesson).state()["json"] == bench.state()["json"], "the bench itself stays as it is set"
    press(page, "Write the files")
    second = home / "my_vocal_2"
    wait_for(page, lambda: (second / "settings.html").exists(), "the second folder")
    assert all(path.read_bytes() == data for path, data in first.items()), "an earlier export was written over"
    assert Chain.from_json((second / "settings.json").read_text("utf-8")) == bench.chain()
    for name, lufs in (("vocal.wav", -23.0), ("vocal_louder.flac", -12.0)):
        info = soundfile.info(second / name)
        assert info.frames == round(bench.state()["duration_s"] * info.samplerate)
        assert integrated_lufs(load(second / name)) <= lufs + 0.1
    assert "<html" in (second / "settings.html").read_text("utf-8").lower()


def test_what_was_kept_is_found_by_a_fresh_kernel(lesson):
    """The moved trim, kept by the lesson's last button, is on the bench after a restart."""
    kept = chain_bench(lesson).chain()
    press(lesson.page, "Keep this chain")
    wait_for(lesson.page, lambda: list(lesson.path.parent.glob(".state/*/09_*.json")), "the kept sheet")
    pagechecks.restart_and_run_all(lesson)
    again = chain_bench(lesson)
    assert dict(again.chain().stages) == dict(kept.stages)
    assert "kept in 09_your_own_vocal" in lesson.page.locator(".jp-Notebook .jp-Cell").nth(again.cell).inner_text()
    lesson.no_trouble()


def test_another_recording_is_loaded_by_its_name_and_a_wrong_name_is_refused(lesson):
    page = lesson.page
    shutil.copy(ROOT / "data_synthetic" / "lesson_verse_clean.flac", lesson.path.parent / "my_take.flac")
    box = page.get_by_label("or its path").first
    for name, told in (("nowhere.wav", "nowhere.wav"), ("my_take.flac", "my_take.flac is loaded")):
        box.fill(name)
        box.press("Enter")
        notes = page.locator(".vocomp-own[role=status], .vocomp-own[role=alert]")
        wait_for(page, lambda: told in " ".join(notes.all_inner_texts()), f"{told!r}")
    assert "my_take.flac" in pagechecks.run_cell(page, place_of(lesson, "lesson = own.lesson"))
    assert not page.errors, page.errors


def test_a_band_of_ones_own_is_moved_into_place_while_it_plays(lesson):
    page = lesson.page
    shutil.copy(ROOT / "data_synthetic" / "backing.flac", lesson.path.parent / "my_band.flac")
    box = page.get_by_label("or its path").nth(1)
    box.fill("my_band.flac")
    box.press("Enter")
    notes = page.locator(".vocomp-own[role=status]")
    wait_for(page, lambda: "my_band.flac goes with this voice" in " ".join(notes.all_inner_texts()), "the band")
    place = place_of(lesson, "lesson = own.lesson")
    pagechecks.run_cell(page, place)
    wait_for(page, lambda: any(bench.cell == place for bench in pagechecks.benches(page)), "the bench")
    lesson.benches = pagechecks.benches(page)
    bench = next(bench for bench in lesson.benches if bench.cell == place)
    bench.show()
    part = lambda name: bench.player.locator(f"[data-part={name}]")  # noqa: E731
    part("band").check()
    start_playing(page, bench.player)
    wait_for(page, lambda: bench.ask("gains()").get("band", 0) > 0, "voice and band")
    for slider, key, presses in (("coarse", "ArrowRight", 3), ("fine", "ArrowLeft", 2)):
        part(slider).focus()
        for _ in range(presses):
            page.keyboard.press(key)
    assert part("align-text").inner_text() == "= +0.298 s"
    assert (part("coarse").get_attribute("aria-valuetext"), part("fine").get_attribute("aria-valuetext")) == (
        "+0.3 s",
        "−2 ms",
    )

    def kept() -> list[float]:
        sheets = [json.loads(path.read_text()) for path in lesson.path.parent.glob(".state/*/band.json")]
        return [backing["shift_s"] for sheet in sheets for backing in sheet["backings"].values()]

    wait_for(page, lambda: kept() == [0.298], "the place to be kept")
    assert bench.ask("playing()") and bench.ask("gains()")["band"] > 0
    pagechecks.check_fit(bench)
    lesson.picture(bench, "aligned")
    part("play").click()
    part("band").uncheck()
    lesson.no_trouble()


def test_nothing_is_cut_off_in_either_theme(lesson):
    lesson.benches = pagechecks.benches(lesson.page)
    pagechecks.look_in_both_themes(lesson)


def test_reloaded_it_is_found_as_it_was_left(lesson):
    pagechecks.reload_and_find(lesson)
