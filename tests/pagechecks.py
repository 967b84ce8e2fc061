"""Checks of a page with benches: controls answer, sound plays, nothing is cut off, type is large when presenting.

Used by the page tests of the lessons and the homework. What many pages have in common is tried on the first of them:
each kind of stage, player, blind test and so on (`OpenPage.new`). On the others each bench answers one slider.
"""

from __future__ import annotations

import functools
import json
import math
import os
import re
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from labdriver import (
    ROOT,
    Lab,
    cell_prompts,
    cell_seconds,
    choose_menu,
    kernel_trouble,
    open_notebook,
    prompts,
    run_all,
    save_notebook,
    set_theme,
    start_playing,
    wait_for,
)
from matplotlib.text import Text

import vocomp_lab
from vocomp_lab import Chain, shipped
from vocomp_lab.bench.screen import PRESENTED_PX, PRESENTED_SCALE
from vocomp_lab.lessons.controls import Choice, controls_for
from vocomp_lab.pictures.pictures import picture_class

SCREENSHOTS = ROOT / "tests" / "screenshots"
"""Pictures of benches in the light and the dark theme and in the presenter's mode:
<notebook>_<number of the bench>_<light|dark|present>.png."""
CELL_LIMIT_S = 60.0
"""No cell may take longer, or as much longer as the machine has more to do than processors. Idle, the slowest takes under
8 s."""
LARGE_PX = 18.0
"""Controls, numbers and the step's sentence are at least this large in the presenter's mode at 1280×720. A projected
picture is about 1.1 m high, so 18 of 720 rows are 28 mm, readable from 7 m (common practice, no source)."""
HINT_PX = 16.0
"""The same for what a class need not read: the line about keys."""
LETTERING_PX = 14.0
"""The same for the smallest lettering in the picture: numbers on its axes, which the line below repeats."""
NEEDED = {"Detector": "RMS"}
"""Menu entries without which some slider would do nothing: a peak detector has no RMS time."""
RELOAD_LIMIT_S = 180.0
"""A reloaded page asks the kernel for all its widgets at once. Where the answer takes over 4 s (a page of seven benches
on a busy machine), it asks for them one by one, which works but takes long."""
BUSY_DB = -43.5
"""A threshold at which every compressor and de-esser has work to do, so that its other settings matter."""
QUIET_START = 0.1
"""Largest RMS level at the volume that a player starts with; full scale is 1."""

_SCRIPTS = (Path(__file__).with_name("pagechecks.js")).read_text("utf-8")


def _in_page(page, function: str, *given):
    """Call a function of ``pagechecks.js`` in the page."""
    return page.evaluate(f"(given) => {{ {_SCRIPTS}; return {function}(...given); }}", list(given))


@dataclass
class BenchOnPage:
    """One bench with its player, found on a page."""

    page: object
    number: int
    cell: int
    id: str
    kind: str
    tracks: str

    @property
    def widget(self):
        return self.page.locator(f'.vocomp-bench[data-under-test="{self.number}"]')

    @property
    def player(self):
        return self.page.locator(f'.vocomp-player[data-under-test="{self.number}"]')

    def part(self, name):
        """The element that Python named `name` for the page's script."""
        return self.page.locator(f".vocomp-{self.id}-{name}")

    def button(self, label):
        return self.widget.locator(f"button:text-is('{label}')")

    def has(self, label) -> bool:
        button = self.button(label)
        return bool(button.count()) and button.first.is_visible()

    def ask(self, call):
        """Call the page's player, for example ``position()``."""
        return self.player.evaluate(f"root => root.vocomp.{call}")

    def state(self) -> dict:
        """What Python last sent to the page."""
        return json.loads(self.part("state").text_content())

    def chain(self) -> Chain:
        """The chain as it is set, from the settings that the player offers."""
        return Chain.from_json(self.state()["json"])

    def kinds(self) -> set[type]:
        """The kinds of its stages."""
        return {type(processor) for _, processor in self.chain().stages}

    def seen(self) -> str:
        """The picture, or the numbers where there is none. Not both: they arrive one after the other, so a wait for a
        change could end with the late one of the move before."""
        picture = self.part("picture")
        if picture.count():
            return picture.first.get_attribute("src")
        return " ".join(self.widget.locator(".vocomp-numbers").all_inner_texts())

    def menu(self, label):
        """The menu with a label."""
        exact = re.compile(rf"^\s*{re.escape(label)}\s*$")
        return (
            self.widget.locator(".widget-dropdown")
            .filter(has=self.page.locator(".widget-label", has_text=exact))
            .locator("select")
        )

    def show(self):
        """Scroll it to the top of the notebook."""
        tops = [(part.bounding_box()["y"], part) for part in (self.widget, self.player) if part.is_visible()]
        min(tops, key=lambda top: top[0])[1].evaluate("e => e.scrollIntoView({block: 'start'})")

    def alerts(self) -> list[str]:
        return [text for text in self.widget.locator("[role=alert]").all_inner_texts() if text.strip()]


def benches(page) -> list[BenchOnPage]:
    """Every bench of the page, in order, once all their players are awake."""
    page.wait_for_function("() => [...document.querySelectorAll('.vocomp-player')].every((player) => !player.hidden)")
    return [BenchOnPage(page, **found) for found in _in_page(page, "findBenches")]


@dataclass
class OpenPage:
    """An open notebook that was run from top to bottom."""

    page: object
    name: str
    path: Path
    benches: list = field(default_factory=list)
    known: set = field(default_factory=set)

    def new(self, *what) -> bool:
        """Whether no page had this yet; from now on it counts as known."""
        return what not in self.known and not self.known.add(what)

    def no_trouble(self):
        """No error in the console, none from the kernel, no alert on a bench, no dialog."""
        assert not self.page.errors, self.page.errors
        assert not kernel_trouble(self.page), kernel_trouble(self.page)
        assert not self.page.locator(".jp-Dialog").count(), self.page.locator(".jp-Dialog").inner_text()
        for bench in self.benches:
            assert not bench.alerts(), f"bench {bench.number}: {bench.alerts()}"

    def picture(self, bench, kind):
        SCREENSHOTS.mkdir(exist_ok=True)
        bench.show()
        self.page.screenshot(path=SCREENSHOTS / f"{self.name}_{bench.number}_{kind}.png")


def open_and_run(page, lab: Lab, source: Path, *, instead=("", "")) -> OpenPage:
    """Open a copy of a notebook in a folder of its own, one text in it replaced, and run all of it."""
    home = lab.folder / source.stem
    home.mkdir()
    path = home / source.name
    path.write_text(source.read_text("utf-8").replace(*instead), "utf-8")
    page.set_viewport_size({"width": 1280, "height": 720})
    open_notebook(page, lab.address, lab.token, f"{source.stem}/{source.name}")
    page.errors.clear()
    run_all(page)
    return OpenPage(page, source.stem, path, benches(page), lab.known)


# ---- running ----------------------------------------------------------------------------------------------------


def check_run(opened: OpenPage):
    """Save the notebook by its menu: no cell failed, wrote to stderr or took too long."""
    notebook = save_notebook(opened.page, opened.path)
    for cell in notebook["cells"]:
        for output in cell.get("outputs", ()):
            first = "".join(cell["source"])[:60]
            assert output["output_type"] != "error", f"{first}: {output.get('ename')}: {output.get('evalue')}"
            assert output.get("name") != "stderr", f"{first}: {output.get('text')}"
    times = cell_seconds(notebook)
    assert len(times) == sum(cell["cell_type"] == "code" for cell in notebook["cells"])
    slowest, line = max(times)
    print(f"{opened.name}: slowest cell {slowest:.1f} s ({line}), all {sum(time for time, _ in times):.1f} s")
    allowed_s = CELL_LIMIT_S * max(1, os.getloadavg()[0] / (os.cpu_count() or 1))
    assert slowest <= allowed_s, f"{line}: {slowest:.1f} s, allowed are {allowed_s:.0f} s"
    opened.no_trouble()


def cell_sources(path: Path) -> list[str]:
    """The code of each cell of a notebook, in order; nothing for cells of prose."""
    cells = json.loads(path.read_text("utf-8"))["cells"]
    return ["".join(cell["source"]) if cell["cell_type"] == "code" else "" for cell in cells]


def run_cell(page, place: int, text: str | None = None) -> str:
    """Choose a cell, folded or not, replace its text if asked to, run it by Shift+Enter, and return what it shows."""
    cell = page.locator(".jp-Notebook .jp-Cell").nth(place)
    old = cell_prompts(page)[place]
    if text is None:
        folded = cell.locator(".jp-InputPlaceholder").is_visible()
        cell.locator(".jp-InputPrompt").click()  # the margin: a click on a folded cell's line opens it
        if folded and page.evaluate("Boolean(window.vocompMargin)"):
            assert cell.locator(".jp-InputPlaceholder").is_visible(), "a click in the margin opened a folded cell"
    else:
        cell.locator(".cm-content").click()
        page.keyboard.press("Control+a")
        page.keyboard.insert_text(text)
    page.keyboard.press("Shift+Enter")

    def ran():
        now = cell_prompts(page)[place]
        return now != old and now.isdigit()

    wait_for(page, ran, f"cell {place}")
    return cell.locator(".jp-OutputArea").inner_text()


def restart_and_run_all(opened: OpenPage):
    """A fresh kernel, and every cell again."""
    page = opened.page
    choose_menu(page, "Kernel", "Restart Kernel and Run All Cells…")
    page.locator(".jp-Dialog button.jp-mod-accept").click()
    wait_for(page, lambda: not page.locator(".jp-Dialog").count(), "the question to go")
    # The old numbers stay until the kernel is new.
    wait_for(page, lambda: not all(prompt.isdigit() for prompt in prompts(page)), "the new kernel")
    wait_for(page, lambda: all(prompt.isdigit() for prompt in prompts(page)), "all cells to have run again", 300)
    opened.benches = benches(page)


# ---- moving -----------------------------------------------------------------------------------------------------


def move_everything(opened: OpenPage, bench: BenchOnPage, present: bool = True):
    """Use a bench by hand: all that no page had yet, and one slider of what is known; see that it answers.

    With `present`, the first bench of a page that has the presenter's mode is shown in it.
    """
    bench.show()
    if bench.kind in ("bench", "regions", "rides", "mix"):
        check_in_reach(bench)
    if opened.new("player", bench.tracks):
        play_everything(bench)
    elif bench.number == 1:
        play_everything(bench, briefly=True)
    if bench.kind == "blind" and opened.new("blind test", bench.tracks):
        answer_all_trials(bench)
    elif bench.kind == "practice" and opened.new("practice"):
        practise(bench)
    elif bench.kind == "mix":
        move_balance(bench)
    elif bench.kind == "gallery" and opened.new("gallery"):
        guess_in_gallery(bench)
    elif bench.kind in ("bench", "regions", "rides"):
        if bench.has("More controls") and (bench.kinds() - opened.known or opened.new("in sight", bench.kind)):
            bench.button("More controls").click()
            move_stages(opened, bench)
            move_view(bench)
            check_fit(bench)
            bench.button("More controls").click()
        else:
            move_one(bench)
        if bench.kind == "regions" and opened.new("regions"):
            edit_regions(bench)
        if bench.kind == "rides" and opened.new("rides"):
            edit_ride(bench)
        if bench.has("Present"):
            if opened.new("take along", bench.kind):
                take_along(bench)
            if opened.new("steps", bench.kind):
                step_through(opened, bench)
            elif present and bench is next(other for other in opened.benches if other.has("Present")):
                present_briefly(opened, bench)
    assert not bench.alerts(), bench.alerts()


def guess_in_gallery(bench: BenchOnPage):
    """No name before a guess; then the numbers, and with a guess the names, all of them in sight."""
    told = bench.widget.locator(".vocomp-told")
    bench.button("Show the names").click()
    wait_for(bench.page, lambda: bench.alerts(), "why there are no names yet")
    bench.button("Show the numbers").click()
    wait_for(bench.page, lambda: "gain ripple" in told.inner_text(), "the numbers")
    bench.menu("Number 1").select_option("noise")
    bench.button("Show the names").click()
    wait_for(bench.page, lambda: "of 1 right" in told.inner_text(), "the names")
    assert not told.evaluate("e => e.scrollWidth > e.clientWidth"), "cut off at the side"


def move_one(bench: BenchOnPage):
    """Move the first slider in sight and take it back: the settings follow."""
    handles = bench.widget.locator(".noUi-handle:visible")
    if handles.count() and bench.has("Reset"):
        old = bench.chain()
        step_by_hand(bench.page, handles.first)
        wait_for(bench.page, lambda: bench.chain() != old, "the settings to follow")
        bench.button("Reset").click()
        wait_for(bench.page, lambda: bench.chain() == old, "Reset")


def play_everything(bench: BenchOnPage, briefly: bool = False):
    """Play quietly, switch to each choice, use all that the player has, pause; `briefly`: play and pause only."""
    page, root = bench.page, bench.player
    play = root.locator("[data-part=play]")
    if bench.ask("playing()"):  # a test before has failed in the middle
        play.click()
        wait_for(page, lambda: not bench.ask("playing()"), "rest")
    start_playing(page, root)
    start = bench.ask("position()")
    wait_for(page, lambda: bench.ask("position()") > start + 0.1, "the position to move")
    choices = root.locator("input[type=radio]:visible")
    values = [choices.nth(n).get_attribute("value") for n in range(choices.count())]
    values = values or [root.locator("input[type=radio]").first.get_attribute("value")]
    for value in [] if briefly else [*values[1:], values[0]]:
        if len(values) > 1:
            root.locator(f"input[value={value}]").check()
        # The mix bench mixes what is heard from several tracks.
        tracks = list(bench.state().get("mix", {}).get("gains", {value: [value]})[value])
        page.wait_for_function(
            """([root, heard]) => { const gains = Object.entries(root.vocomp.gains() || {});
            return gains.length && gains.every(([name, gain]) => (heard.includes(name) ? gain > 0 : gain === 0)); }""",
            arg=[root.element_handle(), tracks],
        )
    # A clip may begin with a pause.
    page.wait_for_function("root => root.vocomp.level() > 1e-4", arg=root.element_handle())
    levels = [bench.ask("level()") for _ in range(5)]
    assert max(levels) < QUIET_START, levels
    if briefly:
        play.click()
        wait_for(page, lambda: not bench.ask("playing()"), "the pause")
        return
    for box in root.locator("input[type=checkbox]:visible").all():
        box.click()
        box.click()
    if not bench.ask("playing()"):  # it reached its end while the loop was off
        start_playing(page, root)
    clock, volume = root.locator("[data-part=seek]"), root.locator("[data-part=volume]")
    duration = bench.state()["duration_s"]
    clock.evaluate("(e, at) => { e.value = at; e.dispatchEvent(new Event('input', {bubbles: true})); }", duration / 2)
    wait_for(page, lambda: duration / 2 - 0.1 < bench.ask("position()") < duration / 2 + 3, "the position asked for")
    text = root.locator("[data-part=volume-text]").inner_text()
    volume.focus()
    page.keyboard.press("ArrowLeft")
    assert root.locator("[data-part=volume-text]").inner_text() != text
    page.keyboard.press("ArrowRight")
    assert root.locator("[data-part=volume-text]").inner_text() == text == "−24 dB"
    play.click()
    wait_for(page, lambda: not bench.ask("playing()"), "the pause")


def move_stages(opened: OpenPage, bench: BenchOnPage):
    """Every control of each kind of stage that no page had; the menus of a chain on the first that has them."""
    stage_menu = bench.menu("Stage")
    if stage_menu.count():
        begun_with = stage_menu.evaluate("e => e.selectedIndex")
        # An option writes its spaces as no-break spaces; the chain has the names.
        for place, (name, processor) in enumerate(bench.chain().stages):
            if type(processor) in opened.known:
                continue
            if place != stage_menu.evaluate("e => e.selectedIndex"):
                old = bench.state()
                stage_menu.select_option(index=place)
                wait_for(bench.page, lambda: bench.state() != old, f"the stage {name!r}")
            move_stage(opened, bench, name)
        if begun_with != stage_menu.evaluate("e => e.selectedIndex"):
            old = bench.state()
            stage_menu.select_option(index=begun_with)
            wait_for(bench.page, lambda: bench.state() != old, "the stage that it began with")
        for place in (1, 0) if opened.new("compare") else ():
            old = bench.state()
            bench.menu("Compare").select_option(index=place)
            wait_for(bench.page, lambda: bench.state() != old, f"comparison {place}")
    elif bench.kinds() - opened.known:
        move_stage(opened, bench, bench.chain().stages[0][0])


def move_stage(opened: OpenPage, bench: BenchOnPage, stage: str):
    """Every handle and menu of a stage, and the boxes of settings that no page had yet.

    Each answer to those is waited for; for the others only the settings at the end.
    """
    page, first = bench.page, bench.chain()[stage]
    controls, anew = controls_for(type(first)), type(first) not in opened.known
    fresh = {control.field for control in controls} - opened.known | {"threshold_db"}
    opened.known.update({type(first)}, fresh)

    # Without a region a crossfade changes nothing that could be seen.
    looked_at = (lambda: bench.state()["json"]) if getattr(first, "regions", None) == () else bench.seen

    def typed(control):
        return shown()[control.field]

    def texts(processor):
        return {c.field: c.text(getattr(processor, c.field)) for c in controls if not isinstance(c, Choice)}

    def shown():
        boxes = {c.field: f".vocomp-{bench.id}-typed-{c.field} input" for c in controls if not isinstance(c, Choice)}
        read = "boxes => Object.entries(boxes).map(([field, box]) => [field, document.querySelector(box)?.value])"
        return dict(page.evaluate(read, boxes))

    wait_for(page, lambda: shown() == texts(first), lambda: f"{stage}: {texts(first)}, shown {shown()}")
    pressed = []
    # The threshold first, to where there is work to do; then each entry of each menu and back, unless a slider needs it.
    for control in sorted(controls, key=lambda c: (c.field != "threshold_db", not isinstance(c, Choice))):
        if isinstance(control, Choice):
            menu = bench.menu(control.label)
            start = menu.evaluate("e => e.selectedIndex")
            labels = menu.locator("option").all_inner_texts()
            others = [n for n in range(len(labels)) if n != start]
            for place in [*(others if anew else others[:1]), start]:
                old = looked_at()
                menu.select_option(index=place)
                wait_for(page, lambda: looked_at() != old, f"{stage}, {control.label} {labels[place]!r}: an answer")
            if NEEDED.get(control.label, labels[start]) != labels[start]:
                old = looked_at()
                menu.select_option(label=NEEDED[control.label])
                wait_for(page, lambda: looked_at() != old, f"{stage}, {control.label}: an answer")
            continue
        old, was = looked_at(), typed(control)
        handle = bench.part(f"slider-{control.field}").locator(".noUi-handle")
        handle.focus()
        last = handle.get_attribute("aria-valuenow") == handle.get_attribute("aria-valuemax")
        page.keyboard.press("ArrowLeft" if last else "ArrowRight")
        if control.field not in fresh:
            pressed.append((control, was))
            continue
        wait_for(page, lambda: typed(control) != was, f"{stage}, {control.label}: the box to follow the handle")
        wait_for(page, lambda: looked_at() != old, f"{stage}, {control.label}: an answer to the handle")
        old, stops = looked_at(), control.stops()
        used = (typed(control), control.text(getattr(first, control.field)))
        some = (control.text(stops[len(stops) // part]) for part in (3, 2, 4))
        other = next(text for text in some if text not in used)
        other = control.text(BUSY_DB) if control.field == "threshold_db" else other
        box = bench.part(f"typed-{control.field}").locator("input")
        box.fill(other)
        box.press("Enter")
        wait_for(page, lambda: looked_at() != old, f"{stage}, {control.label}: an answer to {other!r}")

    for control, was in pressed:
        wait_for(page, lambda: typed(control) != was, f"{stage}, {control.label}: the box to follow the handle")

    def settled():
        now = bench.chain()[stage]
        return texts(now) == shown()

    wait_for(page, settled, lambda: f"{stage}: {shown()} in the settings sheet, which says {bench.chain()[stage]}")
    now = bench.chain()[stage]
    moved = [c for c in controls if not isinstance(c, Choice)]
    still = [c.label for c in moved if getattr(now, c.field) == getattr(first, c.field)]
    assert not still, f"{stage}: {still} moved, and the settings did not"
    bench.button("Reset").click()

    def back():
        return shown() == texts(first) and bench.chain()[stage] == first

    wait_for(page, back, lambda: f"{stage}: Reset to {first}, {shown()}")


def step_by_hand(page, handle):
    """Move a slider one step by an arrow key, to the side that has room."""
    handle.focus()
    at_the_start = handle.get_attribute("aria-valuenow") == handle.get_attribute("aria-valuemin")
    page.keyboard.press("ArrowRight" if at_the_start else "ArrowLeft")


def move_view(bench: BenchOnPage):
    """The two handles of the stretch in sight."""
    handles = bench.widget.locator(".widget-slider").filter(has_text="In sight (s)").locator(".noUi-handle")

    def there():
        at = bench.page.evaluate("document.activeElement.outerHTML.slice(0, 200)")
        return f"handle {place} of what is in sight, {handles.nth(place).get_attribute('aria-valuenow')}; focus: {at}"

    for place, key in enumerate(("ArrowRight", "ArrowLeft")):
        for press in (key, "ArrowLeft" if key == "ArrowRight" else "ArrowRight"):
            old, was = bench.seen(), bench.state()["window"]
            handles.nth(place).focus()
            bench.page.keyboard.press(press)
            wait_for(bench.page, lambda: bench.seen() != old, lambda: f"an answer to {press} on {there()}, from {was}")
            wait_for(bench.page, lambda: bench.state()["window"] != was, "the stretch in sight")


def move_balance(bench: BenchOnPage):
    """The balance of vocal and band, up and down again; and what of both is measured."""
    handle = bench.part("slider-balance").locator(".noUi-handle")
    for key in ("ArrowRight", "ArrowLeft"):
        old, sounds = bench.seen(), bench.state()
        handle.focus()
        bench.page.keyboard.press(key)
        wait_for(bench.page, lambda: bench.seen() != old, "the picture to answer the balance")
        wait_for(bench.page, lambda: bench.state() != sounds, "the sound to answer the balance")
    for place in (1, 0):
        old = bench.seen()
        bench.menu("Measured").select_option(index=place)
        wait_for(bench.page, lambda: bench.seen() != old, "the picture to answer the menu")


def answer_all_trials(bench: BenchOnPage):
    """Take a blind test to its end: a click counts after listening, and the result appears after the last answer only."""
    page, buttons = bench.page, bench.widget.locator("button").all()
    status = bench.widget.locator("[role=status]")
    trials = int(re.search(r"Trial 1 of (\d+)", status.inner_text())[1])
    # Again where something that arrived has moved the button away under the mouse.
    wait_for(page, lambda: "Listen first" in status.inner_text() or buttons[0].click(), "no answer without listening")
    start_playing(page, bench.player)
    for trial in range(1, trials + 1):
        wait_for(page, lambda: f"Trial {trial} of" in status.inner_text(), f"trial {trial}")
        assert "right" not in status.inner_text() and "answered" not in status.inner_text()
        after = f"Trial {trial + 1} of" if trial < trials else f"All {trials} trials answered"
        for _ in range(4):
            listen_to(bench, ["x"] if "x" in bench.tracks else bench.tracks.split(","))
            page.wait_for_timeout(450)  # what comes sooner counts as a double click
            buttons[trial % len(buttons)].click()
            # On a busy machine the page may hear of the new trial late, and what was played till then isn't of it.
            if came_soon(page, lambda: after in status.inner_text()):
                break
    wait_for(page, lambda: f"All {trials} trials answered" in status.inner_text(), "the result")
    assert all(button.is_disabled() for button in buttons)


def came_soon(page, holds, within_s: float = 20) -> bool:
    """Whether something holds before long."""
    deadline = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > deadline:
            return False
        page.wait_for_timeout(100)
    return True


def listen_to(bench: BenchOnPage, tracks):
    """Play each of some tracks for as long as it takes to count as heard."""
    for track in tracks:
        bench.player.locator(f"input[value={track}]").check()
        played = bench.part("plays").locator("textarea")

        def heard():
            return sum(seconds for name, _, seconds in json.loads(played.input_value() or "[]") if name == track)

        before = heard()
        wait_for(bench.page, lambda: heard() >= before + 0.6, f"{track} to be heard")


def practise(bench: BenchOnPage):
    """A round by keys alone: no answer without listening, three answers, a wrong one waits."""
    page, status = bench.page, bench.widget.locator(".vocomp-numbers[role=status]")
    bench.player.locator("[data-part=play]").focus()
    page.keyboard.press("1")
    wait_for(page, lambda: "Listen first" in status.inner_text(), "no answer without listening")
    page.keyboard.press("p")
    offered = [choice.get_attribute("value") for choice in bench.player.locator("input[type=radio]:visible").all()]
    for trial in (1, 2, 3):
        wait_for(page, lambda: f"rial {trial} " in status.inner_text(), f"trial {trial}")
        listen_to(bench, offered)
        page.keyboard.press("1")
        answered = f"Trial {trial + 1} of", "Hear it again"
        wait_for(page, lambda: any(text in status.inner_text() for text in answered), "what was right")
        if "Hear it again" in status.inner_text():
            page.wait_for_timeout(450)  # what comes sooner counts as a double click
            page.keyboard.press("n")
    wait_for(page, lambda: "Trial 4 of" in status.inner_text(), "trial 4")
    page.keyboard.press("p")


def tick_and_untick(page, box):
    """Click a box on and off; again where a picture that arrived has moved it away under the mouse."""
    for wanted in (True, False):
        wait_for(page, lambda: box.is_checked() == wanted or box.click(), f"a box that is {wanted}")


def edit_regions(bench: BenchOnPage):
    """Every button of the list of regions, and its fields."""
    page, listed = bench.page, bench.part("list").locator("select")

    def entries():
        return [text.replace("\xa0", " ") for text in listed.locator("option").all_inner_texts()]

    def press(name):
        # Undo may take back a move of the crossfade, which the list does not show; the settings sheet changes each time.
        old = bench.state()["json"]
        bench.part(name.lower().replace(" ", "-")).click()
        wait_for(page, lambda: bench.state()["json"] != old, f"an answer to {name}")

    first = entries()
    while bench.part("accept").is_enabled():
        press("Accept")
    if any(text.startswith("proposed") for text in first):
        while bench.part("undo").is_enabled():
            press("Undo")
        press("Accept all")
    if bench.part("breaths-down").count() and bench.part("breaths-down").is_enabled():
        press("Breaths down")
    listed.select_option(label="a new region …")
    wait_for(page, lambda: bench.part("add").is_enabled(), "a region to be typed")
    duration = bench.state()["duration_s"]
    free = next(at for at in (k * duration / 50 for k in range(1, 49)) if not taken(entries(), at, at + 0.3))
    for label, value in (("Start (s)", f"{free:.2f}"), ("End (s)", f"{free + 0.3:.2f}"), ("Gain (dB)", "-4")):
        box = bench.widget.get_by_label(label, exact=True)
        box.fill(value)
        box.press("Enter")
    old = bench.seen()
    press("Add")
    wait_for(page, lambda: bench.seen() != old, "the picture of a new region")
    press("Split")
    press("Undo")
    press("Redo")
    press("Delete")
    while bench.part("undo").is_enabled():
        press("Undo")
    wait_for(page, lambda: entries() == first, lambda: f"the first list {first}, not {entries()}")
    if first[-1].startswith("section"):
        listed.select_option(index=len(first) - 1)
        wait_for(page, lambda: bench.part("split").is_enabled(), "a section to be split")
        bench.part("split").click()
        # What is proposed depends on the sections.
        sections = lambda: [text for text in entries() if text.startswith("section")]  # noqa: E731
        before = [text for text in first if text.startswith("section")]
        wait_for(
            page, lambda: len(sections()) > len(before), lambda: f"one section more than {before}, not {entries()}"
        )
        bench.part("undo").click()
        wait_for(page, lambda: entries() == first, "the sections as they were")
    around = page.locator(f".jp-Cell:has(.vocomp-{bench.id}-editor) [data-part=loop-chosen]")
    tick_and_untick(page, around)


PRESS_AS_SOON_AS_TOLD = """([id, key]) => new Promise((done) => {
  const point = document.activeElement, line = document.querySelector(`.vocomp-${id}-command textarea`);
  const press = () => point.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
  line.addEventListener("change", () => setTimeout(() => { press(); done(); }), { once: true });
  press();
})"""
"""Press a key on the focused point twice; the second time when the page has told Python of the first, and before it answers."""


def edit_ride(bench: BenchOnPage):
    """The fader's points: with the mouse in the picture, by keyboard on a point, typed, and with every button."""
    page, picture, points = bench.page, bench.part("picture").first, page_points(bench)
    bench.show()
    first = told(bench)["points"]

    def press(name):
        old = told(bench)["points"]
        bench.part(name.lower().replace(" ", "-")).click()
        wait_for(page, lambda: told(bench)["points"] != old, f"an answer to {name}")

    def wait_for_points(wanted, what, within=(0.06, 0.11)):
        """By default as near as the mouse can point."""
        near = lambda: (  # noqa: E731
            np.shape(told(bench)["points"]) == np.shape(wanted)
            and np.allclose(told(bench)["points"], wanted, rtol=0, atol=within)
        )
        wait_for(page, near, lambda: f"{what}: {wanted}, not {told(bench)['points']}")

    def at(seconds, gain_db):
        state, box = told(bench), picture.bounding_box()
        (left, top, right, bottom), (start, end), (high, low) = (
            state["time_box"],
            state["window"],
            state["gain_range_db"],
        )
        across, down = (seconds - start) / (end - start), (high - gain_db) / (high - low)
        return box["x"] + box["width"] * (left + (right - left) * across), box["y"] + box["height"] * (
            top + (bottom - top) * down
        )

    if bench.part("take-the-proposal").is_enabled():
        press("Take the proposal")
        press("Undo")
        press("Redo")
        press("Undo")
    position = bench.ask("position()")
    page.mouse.click(*at(5, 0))
    wait_for_points([[5, 0]], "a click on the line")
    page.mouse.move(*at(7, 0))
    page.mouse.down()
    page.mouse.move(*at(7.5, -1), steps=3)
    page.mouse.move(*at(8, -2), steps=3)
    page.mouse.up()
    wait_for_points([[5, 0], [8, -2]], "a drag from the line")
    page.mouse.move(*at(5, 0))
    page.mouse.down()
    page.mouse.move(*at(5.5, 0.5), steps=3)
    page.mouse.move(*at(6, 1), steps=3)
    page.mouse.up()
    wait_for_points([[6, 1], [8, -2]], "a drag of a point")
    assert bench.ask("position()") == position, "a drag is not a click into the picture"
    chosen = points.locator("[tabindex='0']")
    chosen.focus()
    (at_s, gain_db), other = told(bench)["points"]
    exact = 0.002, 0.02
    for key in ("ArrowUp", "ArrowUp", "ArrowRight"):
        page.keyboard.press(key)
    wait_for_points([[at_s + 0.05, gain_db + 1], other], "three quick keys", exact)
    page.evaluate(PRESS_AS_SOON_AS_TOLD, [bench.id, "ArrowRight"])
    wait_for_points([[at_s + 0.15, gain_db + 1], other], "a key before Python has answered the one before", exact)
    page.keyboard.press("ArrowLeft")
    wait_for_points([[at_s + 0.10, gain_db + 1], other], "a key after that", exact)
    (at_s, gain_db), _ = told(bench)["points"]
    wait_for(
        page,
        lambda: chosen.get_attribute("aria-label") == f"Point 1 of 2: {at_s:.2f} s, +{gain_db:.1f} dB",
        "the point to say where it is",
    )
    page.keyboard.press("PageDown")
    wait_for(page, lambda: told(bench)["number"] == 1, "the next point")
    page.keyboard.press("Shift+ArrowDown")
    second = [other[0], other[1] - 0.1]
    wait_for_points([[at_s, gain_db], second], "a small step", exact)
    page.keyboard.press("Delete")
    wait_for_points([[at_s, gain_db]], "a point to be removed", exact)
    wait_for(
        page,
        lambda: page.evaluate("document.activeElement.ariaLabel || ''").startswith("Point 1 of 1"),
        "the keys at its neighbour",
    )
    page.keyboard.press("Control+z")
    wait_for_points([[at_s, gain_db], second], "undo by keyboard", exact)
    bench.part("list").locator("select").select_option(label="a new point …")
    wait_for(page, lambda: bench.part("add").is_enabled(), "a point to be typed")
    for label, value in (("Time (s)", "9.5"), ("Fader (dB)", "-1")):
        box = bench.widget.get_by_label(label, exact=True)
        box.fill(value)
        box.press("Enter")
    press("Add")
    wait_for_points([[at_s, gain_db], second, [9.5, -1]], "a typed point", exact)
    press("Delete")
    while bench.part("undo").is_enabled():
        press("Undo")
    assert told(bench)["points"] == first
    around = page.locator(f".jp-Cell:has(.vocomp-{bench.id}-editor) [data-part=loop-chosen]")
    tick_and_untick(page, around)


def told(bench: BenchOnPage) -> dict:
    """What Python last told the page about a list that is edited by hand."""
    return json.loads(bench.part("edited").text_content())


def page_points(bench: BenchOnPage):
    """The points of a ride as the page's buttons."""
    return bench.widget.locator(".vocomp-ride-points")


def taken(entries, start_s, end_s) -> bool:
    """Whether a listed region or proposal meets a stretch."""
    listed = [text for text in entries if re.search(r"\d", text) and not text.startswith("section")]
    edges = [tuple(float(x) for x in re.findall(r"(\d+\.\d+)", text)[:2]) for text in listed]
    return any(start < end_s + 0.05 and end > start_s - 0.05 for start, end in edges)


def take_along(bench: BenchOnPage):
    """The settings can be read back as a sheet and as Python, and both can be copied."""
    root = bench.part("notes")
    root.locator("summary").click()
    sheet, python = (root.locator(f"textarea[data-part={part}]") for part in ("json", "python"))
    chain = Chain.from_json(sheet.input_value())
    assert chain == bench.chain() == eval(python.input_value(), {**vars(vocomp_lab), "math": math})
    for part in ("python", "json"):
        root.locator(f"[data-part=copy-{part}]").click()
        wait_for(bench.page, lambda: "copied" in root.locator("[data-part=copied]").inner_text(), "the copy")
    root.locator("summary").click()


# ---- presenting -------------------------------------------------------------------------------------------------


def begin_presenting(opened: OpenPage, bench: BenchOnPage):
    """The presenter's mode is large, and nothing in it is cut off; a picture of it. Returns the step's line."""
    page = bench.page
    bench.button("Present").click()
    step = bench.widget.locator(".vocomp-step").first
    wait_for(page, lambda: bench.state().get("present") and step.inner_text().startswith("1 of "), "the first step")
    page.wait_for_function("root => root.classList.contains('vocomp-present')", arg=bench.player.element_handle())
    check_large(bench)
    check_fit(bench)
    check_in_reach(bench)
    opened.picture(bench, "present")
    return step


def end_presenting(bench: BenchOnPage, before: Chain):
    """The settings from before the steps are back."""
    bench.button("Present").click()
    wait_for(bench.page, lambda: not bench.state()["present"], "the end of the presenter's mode")
    wait_for(bench.page, lambda: bench.chain() == before, "the settings from before the steps")


def present_briefly(opened: OpenPage, bench: BenchOnPage):
    """Into the presenter's mode and back."""
    before = bench.chain()
    begin_presenting(opened, bench)
    end_presenting(bench, before)


def step_through(opened: OpenPage, bench: BenchOnPage):
    """All steps of the presenter's mode, forth and back; numbers held back; a tally of guesses."""
    page, before = bench.page, bench.chain()
    step = begin_presenting(opened, bench)
    first = bench.chain()
    steps = int(re.match(r"1 of (\d+)", step.inner_text())[1])
    for place in range(2, steps + 1):
        old = bench.state()
        bench.button("Next step").click()
        wait_for(page, lambda: step.inner_text().startswith(f"{place} of "), f"step {place}")
        wait_for(page, lambda: bench.state() != old, f"step {place} on the bench")
        check_in_reach(bench)
    if steps > 1:
        assert bench.button("Next step").is_disabled()
        last = bench.chain()
        for chain in (first, last):
            bench.button("Play the first step").click()
            wait_for(page, lambda: bench.chain() == chain, "the first step for comparison, and the last again")
        assert step.inner_text().startswith(f"{steps} of ")
        bench.button("Previous step").click()
        if steps > 2:
            wait_for(page, lambda: step.inner_text().startswith(f"{steps - 1} of "), "the step before the last")
            bench.button("First step").click()
        wait_for(page, lambda: step.inner_text().startswith("1 of "), "the first step again")
    numbers = bench.widget.locator(".vocomp-numbers")
    hold = bench.button("Hold the numbers back")
    hold.click()
    wait_for(page, lambda: "guess first" in step.inner_text(), "the step to say so")
    wait_for(page, lambda: not numbers.first.is_visible(), "the numbers to be hidden")
    playhead = bench.widget.locator(".vocomp-playhead:visible")
    wait_for(page, lambda: not playhead.count(), "the play position to go with the picture")
    hold.click()
    wait_for(page, lambda: numbers.first.is_visible(), "the numbers to be shown")
    tally(bench)
    end_presenting(bench, before)


def tally(bench: BenchOnPage):
    """Type other answers, and count hands."""
    page = bench.page
    bench.button("Tally of guesses").click()
    answers = bench.widget.get_by_label("Answers")
    answers.fill("yes, no")
    answers.press("Enter")
    hands = bench.widget.locator("input[type=number]:visible")
    wait_for(page, lambda: hands.count() == 2, "two boxes for hands")
    hands.first.fill("7")
    hands.first.press("Enter")
    wait_for(page, lambda: "7" in " ".join(bench.widget.locator(".vocomp-step").all_inner_texts()[1:]), "the tally")
    check_fit(bench)
    check_in_reach(bench)
    bench.button("Tally of guesses").click()


def check_large(bench: BenchOnPage):
    """All text on the bench is large enough, and so is the smallest lettering in its picture."""
    sizes = _in_page(bench.page, "letterSizes", bench.number)
    small = [(size, text) for size, hint, text in sizes if size < (HINT_PX if hint else LARGE_PX)]
    assert sizes and not small, small
    if bench.part("picture").count():
        drawn = smallest_lettering_px(bench)
        assert drawn >= LETTERING_PX, f"the picture's smallest lettering is {drawn:.1f} px"


def smallest_lettering_px(bench: BenchOnPage) -> float:
    """The smallest lettering in the presenter's picture, at its size on the screen."""
    clip = shipped("lesson_verse_clean").clip.cut(0, 1)
    kinds = {picture_class(stage) for stage in bench.chain().apply(clip).stages.values()}
    shown, drawn = bench.part("picture").evaluate("e => [e.getBoundingClientRect().width, e.naturalWidth]")
    return min(drawn_px(kind) for kind in kinds) * shown / drawn


@functools.cache
def drawn_px(kind: type) -> float:
    """The smallest lettering of a kind of picture in the presenter's size, in pixels of the picture."""
    picture = kind(*PRESENTED_PX, PRESENTED_SCALE)
    texts = [text for text in picture.figure.findobj(Text) if text.get_visible() and text.get_text()]
    return min(text.get_fontsize() for text in texts) * picture.dpi / 72


# ---- looks ------------------------------------------------------------------------------------------------------


def check_fit(bench: BenchOnPage):
    """No control is cut off, covers another one, or makes the cell scroll sideways."""
    faults = _in_page(bench.page, "faultsOfFit", bench.number)
    assert not faults, f"bench {bench.number}: " + "; ".join(faults[:12])


def check_in_reach(bench: BenchOnPage):
    """On a laptop's screen of 1280×720 each slider in sight fits on it together with Play, what can be heard, and the picture's panels."""
    found = _in_page(bench.page, "heightsInReach", bench.number)
    far = [f"{slider} ({px} px)" for slider, px in found["needed"] if px > found["room"]]
    assert not far, f"bench {bench.number}: not in sight together in {found['room']:.0f} px: {', '.join(far)}"


def look_in_both_themes(opened: OpenPage):
    """Nothing is cut off. Pictures in both themes of the page's first bench and of each kind that no page had."""
    page = opened.page
    for bench in opened.benches:
        check_fit(bench)
    shown = [bench for bench in opened.benches if opened.new("seen", bench.kind, bench.tracks) or bench.number == 1]
    # It begins with the theme that the page before has left.
    dark = page.evaluate("document.body.dataset.jpThemeLight") == "false"
    for now_dark in (dark, not dark):
        set_theme(page, now_dark)
        for bench in shown:
            opened.picture(bench, "dark" if now_dark else "light")


# ---- coming back ------------------------------------------------------------------------------------------------


def reload_and_find(opened: OpenPage):
    """Reload the page while the kernel lives: every bench is back, a moved one as it was moved, and it plays."""
    page = opened.page
    save_notebook(page, opened.path)
    moved = next((b for b in opened.benches if b.kind in ("bench", "regions") and b.has("Reset")), None)
    settings = None
    if moved:
        handle = moved.widget.locator(".noUi-handle:visible").first
        old = moved.state()["json"]
        step_by_hand(page, handle)
        wait_for(page, lambda: moved.state()["json"] != old, "the moved control")
        settings = moved.state()["json"]
    count = len(opened.benches)
    page.reload()
    page.wait_for_selector(".jp-Notebook .jp-Cell")
    players = page.locator(".vocomp-player")
    shown = page.locator(".vocomp-player:not([hidden])")
    wait_for(
        page,
        lambda: shown.count() == count,
        lambda: (
            f"{count} players; there are {players.count()}, {shown.count()} of them awake, on "
            f"{page.locator('.vocomp-bench').count()} benches; console: {page.errors}, kernel: {kernel_trouble(page)}"
        ),
        RELOAD_LIMIT_S,
    )
    wait_for(page, lambda: len(benches(page)) == count, "the benches")
    opened.benches = benches(page)
    for bench in opened.benches:
        if bench.part("picture").count():
            picture = bench.part("picture").first
            wait_for(page, lambda: picture.evaluate("e => e.naturalWidth") > 0, f"the picture of bench {bench.number}")
    if moved:
        back = opened.benches[moved.number - 1]
        assert back.state()["json"] == settings
        play_everything(back, briefly=True)
    opened.no_trouble()
