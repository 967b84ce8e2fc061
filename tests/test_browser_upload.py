"""Giving lesson 09 a recording in a real browser: dropped on its box or chosen by its button, whole or in pieces, while
another is being sent, and when the page is reloaded in the middle.
"""

from __future__ import annotations

import base64
import contextlib
import io
import struct

import pytest
import soundfile
from conftest import sine
from labdriver import chromium, kernel_trouble, open_notebook, run_all, wait_for, write_notebook

pytestmark = pytest.mark.ci
CELL = """import pathlib, time
from ipywidgets import Button
from vocomp_lab.bench import file_box
from vocomp_lab.bench.own_vocal import OwnVocal
from vocomp_lab.lessons.course import begin
own = OwnVocal(begin("09_your_own_vocal", "first.wav"))
forget = Button(description="forget")
forget.on_click(lambda _: setattr(own, "_incoming", None))
def slowly(incoming, name, token, number, count, data, take=file_box._Incoming.take):
    take(incoming, name, token, number, count, data)
    while number == 2 and pathlib.Path({hold!r}).exists():
        time.sleep(0.01)
file_box._Incoming.take = slowly
display(forget, own)"""
RATE = 16_000


def sound(seconds) -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, sine(200, seconds, RATE, -9), RATE, format="WAV", subtype="PCM_16")
    return buffer.getvalue()


def padded(content: bytes, size: int) -> tuple[bytes | int, ...]:
    """A WAV file, as parts, with a meaningless chunk before its sound: large, and quick to measure."""
    return content[:12] + b"JUNK" + struct.pack("<I", size), size, content[12:]


GOOD = (sound(1.0),)
LARGE = padded(sound(1.5), 9 << 20)
"""Sent in three pieces; the sound is in the last."""
HUGE = (60 << 20,)
"""No sound at all, in fifteen pieces."""
TEXT = (b"la la la " * 1_000,)


@pytest.fixture(scope="module")
def page(lab, tmp_path_factory):
    folder, elsewhere = lab.folder / "own_vocal", tmp_path_factory.mktemp("elsewhere")
    folder.mkdir()
    (folder / "first.wav").write_bytes(sound(1.2))
    write_notebook(folder / "own.ipynb", CELL.format(hold=str(elsewhere / "hold")))
    with chromium(1280, 900) as page:
        page.elsewhere, page.folder = elsewhere, folder
        page.address = f"{lab.address}doc/tree/own_vocal/own.ipynb?reset"
        open_notebook(page, lab.address, lab.token, "own_vocal/own.ipynb")
        run_all(page)
        wait_for(page, lambda: page.locator(".vocomp-drop[data-ready]").count() == 2, "the boxes to drop on")
        yield page
    lab.close_kernels()


@contextlib.contextmanager
def in_the_middle(page, name):
    """Send a large file, and stay at its second piece until the block ends: however fast or busy the machine is."""
    hold = page.elsewhere / "hold"
    hold.touch()
    try:
        drop(page, (name, HUGE))
        wait_for(page, lambda: f"{name}: 7 %" in beside(page), "the second piece to be sent")
        yield
    finally:
        hold.unlink()


def told(page) -> str:
    """The text under the button, and the report."""
    return " ".join(page.locator(".vocomp-own").all_inner_texts())


def beside(page) -> str:
    """The text in the box itself."""
    return page.locator(".vocomp-drop [data-part=note]").first.inner_text()


def loaded(page, name):
    wait_for(
        page,
        lambda: f"{name} is loaded." in told(page),
        lambda: f"{name} to be loaded: {told(page)[:300]!r} {beside(page)!r}",
    )
    assert f"Loaded: {name}" in told(page) and "true peak" in told(page)


def drop(page, *files):
    """Drag files over the box and let go; each is (name, parts), a part bytes or a number of zeros."""
    page.evaluate(
        """(files) => {
          const carried = new DataTransfer(), box = document.querySelector(".vocomp-drop");
          const made = (what) => (typeof what === "number" ? new Uint8Array(what) : Uint8Array.from(atob(what), (c) => c.charCodeAt(0)));
          for (const [name, parts] of files) carried.items.add(new File(parts.map(made), name));
          const happens = (kind) => box.dispatchEvent(new DragEvent(kind, { dataTransfer: carried, bubbles: true, cancelable: true }));
          happens("dragover");
          if (!box.hasAttribute("data-over")) throw new Error("the box doesn't show that it would take the file");
          happens("drop");
          if (box.hasAttribute("data-over")) throw new Error("the box goes on showing that it would take a file");
        }""",
        [
            [name, [part if isinstance(part, int) else base64.b64encode(part).decode() for part in parts]]
            for name, parts in files
        ],
    )


def choose(page, name, parts):
    path = page.elsewhere / name
    path.write_bytes(b"".join(bytes(part) for part in parts))
    with page.expect_file_chooser() as chooser:
        page.click("button:has-text('Choose a file')")
    chooser.value.set_files(path)


def test_a_file_is_dropped_and_measured(page):
    drop(page, ("dropped.wav", GOOD))
    loaded(page, "dropped.wav")
    assert "1.0 s, mono, 16 kHz" in told(page) and beside(page) == ""


def test_a_file_is_chosen_by_the_button_and_again(page):
    choose(page, "chosen.wav", GOOD)
    loaded(page, "chosen.wav")
    drop(page, ("between.wav", GOOD))
    loaded(page, "between.wav")
    choose(page, "chosen.wav", GOOD)
    loaded(page, "chosen.wav")


@pytest.mark.parametrize("way", ["drop", "choose"])
def test_a_large_file_comes_in_pieces(page, way):
    {"drop": drop, "choose": lambda page, file: choose(page, *file)}[way](page, (f"large by {way}.wav", LARGE))
    loaded(page, f"large by {way}.wav")
    assert "1.5 s, mono, 16 kHz" in told(page)


def test_a_file_without_sound_is_refused_in_the_page_and_the_next_file_goes_in(page):
    drop(page, ("before.wav", GOOD))
    loaded(page, "before.wav")
    for send in (drop, lambda page, file: choose(page, *file)):
        send(page, ("<b>text.wav", TEXT))
        alert = page.locator(".vocomp-own[role=alert]")
        wait_for(page, lambda: alert.count() == 1, "the refusal")
        assert alert.inner_text().startswith("path: '<b>text.wav' can't be read as WAV, FLAC, AIFF or OGG sound")
        assert alert.inner_text().endswith("before.wav stays loaded.") and "Loaded: before.wav" in told(page)
        drop(page, ("before.wav", GOOD))
        loaded(page, "before.wav")


def test_of_two_files_one_is_taken_and_that_is_said(page):
    drop(page, ("one.wav", GOOD), ("two.wav", GOOD))
    loaded(page, "one.wav")
    wait_for(page, lambda: beside(page) == "Only the first of 2 files was taken, one.wav.", lambda: beside(page))
    drop(page)
    wait_for(page, lambda: beside(page) == "That is not a file: drop one sound file.", lambda: beside(page))


def test_a_file_that_comes_while_another_is_being_sent_has_to_wait(page):
    drop(page, ("before.wav", GOOD))
    loaded(page, "before.wav")
    with in_the_middle(page, "huge.wav"):
        drop(page, ("hasty.wav", GOOD))
        assert "hasty.wav was not taken, because huge.wav is still being sent" in beside(page)
        choose(page, "button.wav", GOOD)
        refused = "button.wav was not taken, because huge.wav is still being sent"
        wait_for(page, lambda: refused in beside(page), lambda: beside(page))
    wait_for(page, lambda: "huge.wav' can't be read" in told(page), lambda: told(page)[:300])
    assert "Loaded: before.wav" in told(page)
    drop(page, ("hasty.wav", GOOD))
    loaded(page, "hasty.wav")
    assert beside(page) == ""


def test_a_page_whose_pieces_no_longer_fit_stops_at_once_and_says_so(page):
    """As when another page sends a file to the same kernel in between."""
    with in_the_middle(page, "torn.wav"):
        page.click("button:has-text('forget')")
    wait_for(page, lambda: "'torn.wav' did not arrive complete" in told(page), lambda: told(page)[:300])
    wait_for(page, lambda: beside(page) == "", lambda: beside(page))
    drop(page, ("next.wav", LARGE))
    loaded(page, "next.wav")


def test_a_page_reloaded_in_the_middle_leaves_what_was_loaded_and_takes_the_next(page):
    with in_the_middle(page, "lost.wav"):
        # JupyterLab asks before a page with changes is left.
        page.once("dialog", lambda dialog: dialog.accept())
        page.goto(page.address)
    page.wait_for_selector(".jp-Notebook .jp-Cell")
    page.wait_for_selector("text=/Python 3 .* \\| Idle/")
    run_all(page)
    wait_for(page, lambda: page.locator(".vocomp-drop[data-ready]").count() == 2, "the boxes to drop on")
    wait_for(page, lambda: "Loaded: first" in told(page), "the lesson's own clip")
    drop(page, ("after.wav", LARGE))
    loaded(page, "after.wav")


def test_nothing_went_wrong_that_nobody_saw(page):
    assert not page.errors, page.errors
    assert not kernel_trouble(page)
    assert {path.name for path in page.folder.iterdir() if not path.name.startswith(".")} == {"first.wav", "own.ipynb"}
