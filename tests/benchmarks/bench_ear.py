"""From slider to ear in a real browser, and what a move sends: python tests/benchmarks/bench_ear.py

A bench with five stages plays a steady tone of 15 s, and of four minutes. The threshold of its peak stage goes to the bottom of its
slider at once, and the time is taken until the level at the page's output has changed by a tenth: with the sound that the page makes
itself, and with the sound that Python makes, as where the page has no audio worklet. Budget: 50 ms median, 100 ms at the 95th
percentile. Then the bytes that a move brings from the kernel: all of them, and those that are not the picture. Last, the memory of
the pages of lesson 08 with every bench open.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from heard import listen  # noqa: E402
from labdriver import ROOT, chromium, lab_server, open_notebook, run_all, write_notebook  # noqa: E402

MOVES = 12
SETUP = """
import numpy as np
from vocomp_lab import Chain, Clip, Compressor, HighPass, HighShelf, Peaking
from vocomp_lab.bench import Bench
rate = 48_000
tone = {seconds: Clip(0.25 * np.sin(2 * np.pi * 500 * np.arange(seconds * rate) / rate), rate) for seconds in (15, 240)}
chain = Chain([("low cut", HighPass(90, 3)), ("boxiness", Peaking(410, -5, 2)), ("peaks", Compressor(0, 3, 1, 80)),
               ("steady", Compressor(0, 2.5, 5, 150, knee_db=6, makeup_db=4)), ("air", HighShelf(8000, 2))])
"""
TIME_ONE = """
async (handle) => {
  const press = (key) => handle.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
  const old = heard.last(8), start = performance.now();
  press("Home");
  while (Math.abs(heard.last(1) - old) < 0.1 * old) {
    if (performance.now() - start > 10000) return null;
    await new Promise((resolve) => setTimeout(resolve, 1));
  }
  const passed = performance.now() - start;
  setTimeout(press, 400, "End");
  return passed;
}
"""


def timed(page, place):
    """Slider to ear on one bench of the page."""
    bench = page.locator(".vocomp-bench").nth(place)
    bench.scroll_into_view_if_needed()
    player = bench.locator(".vocomp-player")
    player.locator("input[value=after]").check()
    player.locator("[data-part=match]").uncheck()
    player.locator("[data-part=play]").click()
    handle, times = bench.locator("[class*='-slider-threshold_db'] .noUi-handle").element_handle(), []
    for move in range(MOVES):
        page.wait_for_timeout(2000 + 37 * move % 100)
        times.append(page.evaluate(TIME_ONE, handle))
    player.locator("[data-part=play]").click()
    if None in times:
        raise RuntimeError(f"{times.count(None)} of {len(times)} moves were not heard")
    return statistics.median(times), sorted(times)[int(0.95 * len(times))]


def sent_by_a_move(page, received, place):
    """Bytes from the kernel for one step of the slider: all, and without the picture."""
    bench = page.locator(".vocomp-bench").nth(place)
    handle, image = (
        bench.locator("[class*='-slider-threshold_db'] .noUi-handle"),
        bench.locator("img[class*='-picture']"),
    )
    handle.focus()
    sums = []
    for _ in range(5):
        received.clear()
        page.keyboard.press("ArrowLeft")
        page.wait_for_timeout(2500)
        picture = image.evaluate("async (img) => (await (await fetch(img.src)).arrayBuffer()).byteLength")
        sums.append((sum(received), sum(received) - picture))
    return [statistics.median(column) for column in zip(*sums)]


def memory_mib():
    """Proportional set size of all processes of the browser, in MiB."""
    total = 0
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if b"chromium" in (process / "cmdline").read_bytes():
                lines = (process / "smaps_rollup").read_text().splitlines()
                total += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
        except OSError:
            continue
    return total / 1024


def main():
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as home:
        write_notebook(
            Path(folder) / "ear.ipynb", SETUP, *(f'Bench(tone[{s}], chain, stage="peaks")' for s in (15, 240))
        )
        shutil.copy(ROOT / "notebooks" / "08_the_vocal_in_the_mix.ipynb", folder)
        medians = {}
        with lab_server(Path(folder), Path(home)) as (address, token):
            for made in ("by Python", "in the page"):
                with chromium() as page:
                    if made == "by Python":
                        page.context.add_init_script("window.vocompLive = { possible: false }")
                    listen(page)
                    received = []
                    page.on("websocket", lambda ws: ws.on("framereceived", lambda data: received.append(len(data))))
                    open_notebook(page, address, token, "ear.ipynb")
                    run_all(page)
                    page.wait_for_function("document.querySelectorAll('.vocomp-player:not([hidden])').length > 1")
                    # Of four minutes, Python's sound takes longer than a hand rests.
                    for place, length in enumerate(("15 s", "4 min") if made == "in the page" else ("15 s",)):
                        median, high = medians[made, length] = timed(page, place)
                        whole, rest = sent_by_a_move(page, received, place)
                        first = medians["by Python", "15 s"][0]
                        print(
                            f"sound made {made:11} {length:5}: slider to ear median {median:5.0f} ms, 95 % under {high:5.0f} ms, "
                            f"1/{first / median:.0f} of Python's for 15 s; a move sends {whole / 1024:7.1f} KiB, without its picture "
                            f"{rest / 1024:7.1f}"
                        )
            with chromium() as page:
                page.goto("about:blank")
                before = memory_mib()
                open_notebook(page, address, token, "08_the_vocal_in_the_mix.ipynb")
                run_all(page)
                page.wait_for_timeout(5000)
                benches = page.locator(".vocomp-player:not([hidden])").count()
                page.locator(".vocomp-player [data-part=play]").first.click()
                page.wait_for_timeout(3000)
                print(f"lesson 08 with its {benches} players: {memory_mib() - before:.0f} MiB of browser memory")


if __name__ == "__main__":
    main()
