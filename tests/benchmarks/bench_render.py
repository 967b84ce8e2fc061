"""By hand: an hour of stereo at 48 kHz through ``python -m vocomp_lab render`` and ``measure``: memory and speed.

    python tests/benchmarks/bench_render.py [MINUTES]

Goal: peak resident memory under 400 MB for an hour. Speed is told in processor time, against real time and against the
same chain on a whole clip. Needs about 4.5 GB of disk for temporary files.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from vocomp_lab.processors.blocks import in_blocks
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.character import TubeCompressor
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip

RATE = 48_000
LIMIT_MB = 400
PEAKS = ("peaks", Compressor(-14, 3, 1, 60))
STEADY = ("steady", Compressor(-24, 2, 10, 150, knee_db=6, detector="rms", makeup_db=3))
CHAINS = {
    "a filter and two compressors": Chain([("low cut", HighPass(90, 3)), PEAKS, STEADY]),
    "the whole order of work, with a tube": Chain(
        [
            ("level prep", ClipGain([GainRegion(11, 12, -6)])),
            ("low cut", HighPass(90, 3)),
            ("boxiness", Peaking(400, -4, 2)),
            ("sibilance", DeEsser()),
            PEAKS,
            STEADY,
            ("excitement", Compressor(-20, 3, 30, 120, lookahead_ms=1)),
            ("colour", TubeCompressor()),
        ]
    ),
}
# The peak is read from /proc (Linux): what getrusage says would count the process that started this one.
RUN = """
import re, sys, time
from vocomp_lab.__main__ import main
code = main(sys.argv[1:])
peak = re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read())
print("took", time.process_time(), peak[1], file=sys.stderr)
sys.exit(code)
"""


def run(*arguments) -> tuple[float, float]:
    """Processor time in seconds and peak resident memory in MB of a command."""
    shown = subprocess.run([sys.executable, "-c", RUN, *map(str, arguments)], capture_output=True, text=True)
    if shown.returncode:
        sys.exit(shown.stderr)
    _, took_s, peak = shown.stderr.splitlines()[-1].split()
    return float(took_s), float(peak) * 1024 / 1e6


def verse() -> np.ndarray:
    voice = shipped("lesson_verse_faulty").clip.samples
    return np.stack([voice, 0.7 * np.roll(voice, 2_000)], axis=1)


def against_the_whole(chain) -> float:
    """Processor time in blocks over that of the whole, for a minute."""
    clip = Clip(np.tile(verse(), (4, 1)), RATE)
    blocks = range(0, clip.frames, 1 << 18)
    ratios = []
    for _ in range(3):
        start = time.process_time()
        chain.apply(clip)
        middle = time.process_time()
        for _ in in_blocks(chain, lambda: (clip.columns[at : at + (1 << 18)] for at in blocks), RATE, 2):
            pass
        ratios.append((time.process_time() - middle) / (middle - start))
    return float(np.median(ratios))


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as folder:
        source, block = Path(folder) / "in.flac", verse()
        left = int(minutes * 60 * RATE)
        with soundfile.SoundFile(source, "w", RATE, 2, "PCM_16") as file:
            while left > 0:
                file.write(block[:left])
                left -= len(block)
        took_s, peak_mb = run("measure", source)
        print(f"measure, {minutes:g} min: {60 * minutes / took_s:.0f} × real time, {peak_mb:.0f} MB at most")
        for name, chain in CHAINS.items():
            sheet = Path(folder) / "chain.json"
            sheet.write_text(chain.to_json(), "utf-8")
            took_s, peak_mb = run("render", source, "--sheet", sheet, "-o", Path(folder) / "out.flac", "--overwrite")
            verdict = "goal met" if peak_mb < LIMIT_MB else "goal MISSED"
            speed, ratio = 60 * minutes / took_s, against_the_whole(chain)
            print(f"render, {minutes:g} min, {name}: {peak_mb:.0f} MB at most, {verdict}; {speed:.0f} × real time;")
            print(f"  {ratio:.2f} times the processor time of the whole clip at once")


if __name__ == "__main__":
    main()
