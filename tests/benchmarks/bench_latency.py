"""From slider to picture in a real browser: python tests/benchmarks/bench_latency.py

Opens a bench with a five-stage chain on the 15 s verse in JupyterLab under headless Chromium, presses an arrow key on a
slider of the peak stage over and over, and times key press to decoded new picture inside the page. For scale, the same
is done with a slider that only echoes its value. Budget: 150 ms median, 300 ms at the 95th percentile. Then the same
with the verse sixteen times over, four minutes, where the stretch in sight answers first. In the end, the same for the
threshold with the whole chain compared, so that all later stages are in the answer, too.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from labdriver import chromium, lab_server, open_notebook, run_all, write_notebook  # noqa: E402

PRESSES = 40
SETUP = """
import ipywidgets as widgets
from vocomp_lab import Chain, Compressor, HighPass, HighShelf, Peaking, shipped
from vocomp_lab.bench.bench import Bench
import numpy as np
from vocomp_lab import Clip
take = shipped("lesson_verse_faulty").clip
song = Clip(np.tile(take.samples, 16), take.rate)
chain = Chain([("low cut", HighPass(90, 3)), ("boxiness", Peaking(410, -5, 2)), ("peaks", Compressor(-20, 3, 1, 80)),
               ("steady", Compressor(-28, 2.5, 5, 150, knee_db=6, makeup_db=4)), ("air", HighShelf(8000, 2))])
"""
ECHO = """
slider, echo = widgets.IntSlider(value=50), widgets.HTML("50")
slider.add_class("echo-slider"), echo.add_class("echo-text")
slider.observe(lambda change: setattr(echo, "value", str(change["new"])), "value")
widgets.VBox([slider, echo])
"""
TIME_ONE = """
async ([handle, watched, key]) => {
  const read = () => watched.tagName === "IMG" ? watched.src : watched.textContent;
  const old = read(), start = performance.now();
  handle.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true}));
  while (read() === old) {
    if (performance.now() - start > 10000) return null;
    await new Promise((resolve) => setTimeout(resolve, 1));
  }
  if (watched.tagName === "IMG") await watched.decode().catch(() => 0);
  return performance.now() - start;
}
"""


def timed(page, handle, watched, rest_ms):
    times = []
    for press in range(PRESSES):
        key = "ArrowRight" if press % 20 < 10 else "ArrowLeft"
        times.append(page.evaluate(TIME_ONE, [handle, watched, key]))
        page.wait_for_timeout(rest_ms)
    if None in times:
        raise RuntimeError(f"{times.count(None)} of {PRESSES} presses got no answer")
    times.sort()
    return statistics.median(times), times[int(0.95 * len(times))]


def main():
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as home:
        benches = [f'Bench({clip}, chain, stage="peaks")' for clip in ("take", "song")]
        write_notebook(Path(folder) / "latency.ipynb", SETUP, ECHO, *benches)
        with lab_server(Path(folder), Path(home)) as (address, token), chromium() as page:
            open_notebook(page, address, token, "latency.ipynb")
            run_all(page)
            page.wait_for_selector(".vocomp-player:not([hidden])")
            find = page.query_selector
            echo = timed(page, find(".echo-slider .noUi-handle"), find(".echo-text .widget-html-content"), 100)
            print(f"a slider that only echoes:        median {echo[0]:5.0f} ms, 95 % under {echo[1]:5.0f} ms")
            for place, length in enumerate(("15 s", "4 min")):
                page.wait_for_function(f"document.querySelectorAll('.vocomp-player:not([hidden])').length > {place}")
                bench = f".vocomp-bench >> nth={place}"
                image = page.locator(bench).locator("img[class*='-picture']").element_handle()
                for field, compared in (("threshold_db", 0), ("attack_ms", 0), ("threshold_db", 1)):
                    page.locator(bench).locator(".widget-dropdown select").nth(1).select_option(index=compared)
                    page.wait_for_timeout(3000)
                    handle = page.locator(bench).locator(f"[class*='-slider-{field}'] .noUi-handle").element_handle()
                    for name, rest_ms in (("one by one", 900), ("as in a drag", 30)):
                        median, high = timed(page, handle, image, rest_ms)
                        print(
                            f"{length:5} {field:12} {('stage', 'whole chain')[compared]:11} {name:12} to picture: median {median:5.0f} ms, "
                            f"95 % under {high:5.0f} ms, {median / echo[0]:.1f} × the echo"
                        )


if __name__ == "__main__":
    main()
