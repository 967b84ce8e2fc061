"""The bench in Firefox, in one go: it plays what it says, in the page itself, answers a slider, and records.

The browser is Debian's firefox-esr, driven through WebDriver BiDi by the npm package puppeteer-core; a null sink of
pulseaudio takes what it plays, since without a sound device Firefox holds all sound back.
"""

from __future__ import annotations

import json
import os
import subprocess
import time

import numpy as np
import pytest
from conftest import need_program
from heard import OVER, RECORDER
from labdriver import ROOT, TIMEOUT_S, lab_server, write_notebook
from npmtools import npm_package
from pagechecks import QUIET_START, SCREENSHOTS

pytestmark = pytest.mark.ci
LEVEL_DBFS, THRESHOLD_DB, RATIO = -12, -32, 3
# A steady tone: what is heard of it tells the reduction to a fraction of a decibel. 512 samples hold 16 cycles of it.
CELLS = f"""import numpy as np
from vocomp_lab import Clip, Compressor
from vocomp_lab.bench import Bench
from vocomp_lab.bench.recorder import SoundCheck
tone = 10 ** ({LEVEL_DBFS} / 20) * np.sin(2 * np.pi * 1500 * np.arange(8 * 48000) / 48000)
Bench(Clip(tone, 48000), Compressor({THRESHOLD_DB}, {RATIO}, 1, 80), stage="peaks")"""


@pytest.fixture
def sound_server(tmp_path):
    """The address of a sound server whose only device swallows all sound."""
    socket = tmp_path / "sound"
    with open(tmp_path / "sound.log", "w") as log:
        server = subprocess.Popen(
            [need_program("pulseaudio"), "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
             "--load=module-null-sink", f"--load=module-native-protocol-unix socket={socket} auth-anonymous=1"],
            env={**os.environ, "HOME": str(tmp_path), "PULSE_RUNTIME_PATH": str(tmp_path / "runtime")},
            stdout=log, stderr=log,
        )  # fmt: skip
    try:
        deadline = time.monotonic() + TIMEOUT_S
        while not socket.exists():
            assert server.poll() is None and time.monotonic() < deadline, (tmp_path / "sound.log").read_text()
            time.sleep(0.1)
        yield f"unix:{socket}"
    finally:
        server.kill()
        server.wait()


@pytest.fixture
def seen(tmp_path, sound_server):
    """What ``firefox.mjs`` saw."""
    firefox, node = need_program("firefox-esr"), need_program("node")
    puppeteer = npm_package("puppeteer-core") / "lib" / "cjs" / "puppeteer" / "puppeteer-core.js"
    folder, home = tmp_path / "notebooks", tmp_path / "home"
    folder.mkdir(), home.mkdir()
    write_notebook(folder / "tone.ipynb", CELLS, "SoundCheck()")
    SCREENSHOTS.mkdir(exist_ok=True)
    with lab_server(folder, home) as (address, token):
        page = f"{address}doc/tree/tone.ipynb?token={token}&reset"
        done = subprocess.run(
            [node, ROOT / "tests" / "firefox.mjs", puppeteer, firefox, page, SCREENSHOTS / "firefox.png"],
            input=RECORDER, env={**os.environ, "PULSE_SERVER": sound_server}, capture_output=True, text=True, timeout=600,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_bench_plays_answers_and_records(seen):
    assert "failed" not in seen, seen
    assert not seen["errors"] and seen["live"] and seen["still_live"] and seen["stopped"]
    assert seen["position"][0] < seen["position"][1], "the position stood still"
    levels_db = {name: 20 * np.log10(seen[name][1]) for name in ("before", "after", "unmatched", "moved")}
    assert seen["before"][1] < QUIET_START
    assert levels_db["after"] == pytest.approx(levels_db["before"], abs=20 * np.log10(OVER)), "as loud as before"
    for name, settings in zip(("unmatched", "moved"), seen["settings"]):
        reduction_db = (LEVEL_DBFS - settings["threshold_db"]) * (1 - 1 / settings["ratio"])
        assert levels_db[name] - levels_db["before"] == pytest.approx(-reduction_db, abs=0.5), name
    assert seen["settings"][0]["threshold_db"] == THRESHOLD_DB > seen["settings"][1]["threshold_db"]
    assert seen["recorded"][0].startswith("Recorded: ") and "dBFS" in seen["recorded"][1]
