"""How fast the loudness meter is, against pyloudnorm and FFmpeg on the same ten minutes of stereo.

Run by hand: ``python tests/benchmarks/bench_loudness.py``. Each figure is the best of several runs, all in one go on
one machine; only the ratios carry over to another.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile

from vocomp_lab import Clip, integrated_lufs, load, loudness, true_peak_dbtp
from vocomp_lab.sound.levels import db_to_amplitude

RATE = 48_000
MINUTES = 10
RUNS = 4


def best_s(tasks: dict) -> dict:
    """Shortest time of each task in seconds. They take turns, so that whatever else the machine does hits all alike."""
    best = dict.fromkeys(tasks, float("inf"))
    for _ in range(RUNS):
        for name, task in tasks.items():
            start = time.perf_counter()
            task()
            best[name] = min(best[name], time.perf_counter() - start)
    return best


def ffmpeg(path: Path, peak: str):
    """A task: FFmpeg reads the file and measures I, LRA, M and S."""
    command = [shutil.which("ffmpeg"), "-nostdin", "-hide_banner", "-nostats", "-i", str(path)]
    command += ["-af", f"ebur128=framelog=verbose:peak={peak}", "-f", "null", "-"]
    return lambda: subprocess.run(command, check=True, capture_output=True)


def main() -> None:
    if shutil.which("ffmpeg") is None:
        sys.exit("This compares with FFmpeg; install the program ffmpeg first.")
    rng = np.random.default_rng(0)
    frames = MINUTES * 60 * RATE
    swell = db_to_amplitude(-24 + 10 * np.sin(2 * np.pi * np.arange(frames) / (11 * RATE)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ten_minutes.wav"
        soundfile.write(path, rng.standard_normal((frames, 2)) * swell[:, None], RATE, subtype="PCM_16")
        clip = load(path)
        verse = Clip(clip.samples[: 15 * RATE, 0], RATE)
        theirs = pyloudnorm.Meter(RATE, filter_class="DeMan")
        assert abs(integrated_lufs(clip) - theirs.integrated_loudness(clip.samples)) < 0.01
        seconds = best_s(
            {
                "ours: integrated loudness": lambda: integrated_lufs(clip),
                "ours: loudness, everything": lambda: loudness(clip),
                "ours: reading the file": lambda: load(path),
                "ours: true peak": lambda: true_peak_dbtp(clip),
                "ours: integrated loudness of 15 s mono": lambda: integrated_lufs(verse),
                "pyloudnorm: integrated loudness": lambda: theirs.integrated_loudness(clip.samples),
                "FFmpeg: reading, loudness": ffmpeg(path, "none"),
                "FFmpeg: reading, loudness, true peak": ffmpeg(path, "true"),
            }
        )

    print(f"{MINUTES} minutes of stereo at {RATE} Hz, {os.cpu_count()} processors")
    for name, took in seconds.items():
        print(f"  {name:40}{1000 * took:9.1f} ms")
    ratio = seconds["pyloudnorm: integrated loudness"] / seconds["ours: integrated loudness"]
    print(f"pyloudnorm takes {ratio:.1f} times as long as our integrated loudness (goal: 5 or more)")
    ours = seconds["ours: reading the file"] + seconds["ours: loudness, everything"]
    ratio = ours / seconds["FFmpeg: reading, loudness"]
    print(f"our reading and loudness take {ratio:.2f} times as long as FFmpeg's (goal: 3 or less)")
    ratio = (ours + seconds["ours: true peak"]) / seconds["FFmpeg: reading, loudness, true peak"]
    print(f"with the true peak {ratio:.2f} times as long as FFmpeg's")


if __name__ == "__main__":
    main()
