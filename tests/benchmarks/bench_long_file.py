"""By hand: five minutes of stereo through low cut, bell and two compressors, with loudness and true peak before and
after: ``python -m vocomp_lab render`` beside FFmpeg's filters for the like, in one run.

    python tests/benchmarks/bench_long_file.py [MINUTES] [ROUNDS]

Goals: at most 1.5 times FFmpeg's processor time, and no slower by the clock. The two take turns, and of each the least
counts, so that whatever else the machine does hits both alike. FFmpeg works in one thread. Of ours, the work is told
without the start of Python and SciPy, and the whole command with it (its report's picture left out of both). Where
other work keeps the processors busy, the clock says little; the processor time of our longest thread, the chain's, is
told as well: with two processors free, the clock can't be less, nor less than half of the whole.
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
import soundfile

from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.song import shipped

RATE = 48_000
GOAL_PROCESSOR, GOAL_CLOCK = 1.5, 1.0
CHAIN = Chain(
    [
        ("low cut", HighPass(90)),
        ("boxiness", Peaking(400, -4, 2)),
        ("peaks", Compressor(-14, 3, 1, 60)),
        ("steady", Compressor(-24, 2, 10, 150, knee_db=6, detector="rms", makeup_db=3)),
    ]
)
THEIRS = (
    "ebur128=peak=true,highpass=f=90,equalizer=f=400:t=q:w=2:g=-4,"
    "acompressor=threshold=-14dB:ratio=3:attack=1:release=60:detection=peak,"
    "acompressor=threshold=-24dB:ratio=2:attack=10:release=150:knee=2:makeup=1.41:detection=rms,ebur128=peak=true"
)
# Times without the start of Python: the clock, the processor, and the processor for the longest thread.
RUN = """
import sys, time
from vocomp_lab.commands import render_file
from vocomp_lab.processors.chain import Chain
source, sheet, target = sys.argv[1:]
chain = Chain.from_json(open(sheet, encoding="utf-8").read())
clocks = time.perf_counter, time.process_time, time.thread_time
begun = [clock() for clock in clocks]
render_file(source, chain, target, "PCM_16", overwrite=True)
print(*(clock() - start for clock, start in zip(clocks, begun)))
"""


def timed(command: list[str]) -> tuple[np.ndarray, str]:
    """The clock and the processor time of a command in seconds, and what it printed."""
    before, start = os.times(), time.perf_counter()
    shown = subprocess.run(command, capture_output=True, text=True)
    clock, after = time.perf_counter() - start, os.times()
    if shown.returncode:
        sys.exit(shown.stderr)
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return np.array([clock, spent]), shown.stdout


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 5.0
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    if shutil.which("ffmpeg") is None:
        sys.exit("This compares with FFmpeg; install the program ffmpeg first.")
    voice = shipped("lesson_verse_faulty").clip.samples
    verse = np.stack([voice, 0.7 * np.roll(voice, 2_000)], axis=1)
    with tempfile.TemporaryDirectory() as folder:
        source, sheet, target = (Path(folder) / name for name in ("in.wav", "chain.json", "out.wav"))
        frames = int(minutes * 60 * RATE)
        soundfile.write(source, np.tile(verse, (frames // len(verse) + 1, 1))[:frames], RATE, "PCM_16")
        sheet.write_text(CHAIN.to_json(), "utf-8")
        theirs = ["ffmpeg", "-v", "error", "-y", "-threads", "1", "-filter_threads", "1", "-i", str(source)]
        theirs += ["-af", THEIRS, "-threads", "1", "-c:a", "pcm_s16le", str(target)]
        ours = [sys.executable, "-c", RUN, str(source), str(sheet), str(target)]
        taken: dict[str, list[np.ndarray]] = {"FFmpeg": [], "ours, the work": [], "ours, with Python's start": []}
        for _ in range(rounds):
            taken["FFmpeg"].append(timed(theirs)[0])
            whole, told = timed(ours)
            taken["ours, with Python's start"].append(whole)
            taken["ours, the work"].append(np.array([float(number) for number in told.split()]))
    least = {name: np.min(times, axis=0) for name, times in taken.items()}
    thread = least["ours, the work"][2] / least["FFmpeg"][1]
    print(f"{minutes:g} minutes of stereo, least of {rounds} rounds, {os.cpu_count()} processors:")
    for name, (clock, processor, *_) in least.items():
        ratios = least[name][:2] / least["FFmpeg"]
        goals = ""
        if name != "FFmpeg":
            met = [ratio <= goal for ratio, goal in zip(ratios, (GOAL_CLOCK, GOAL_PROCESSOR))]
            goals = "  " + ", ".join("goal met" if one else "goal MISSED" for one in met)
        print(f"  {name:26} by the clock {clock:5.2f} s ({ratios[0]:.2f} ×), processor {processor:5.2f} s ", end="")
        print(f"({ratios[1]:.2f} ×){goals}")
    print(f"  our longest thread takes {thread:.2f} × FFmpeg's processor time")


if __name__ == "__main__":
    main()
