"""Takes prepared for lessons 05 and 06 by what is *known* of them: those lessons' claims are then tested apart from what
the proposals find.
"""

from __future__ import annotations

import dataclasses
import functools
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from conftest import need_program
from takes import make_take

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip, load
from vocomp_lab.sound.remembered import remembered

TAKES = ("lesson_verse_faulty", "second-402")
"""Both singers: the shipped takes, and performances with faults that nothing was tuned on."""
SPEECH = (
    "the kettle sang before the rain came down. nobody took the last boat home. "
    "count every lantern on the quay, and tell me which of them is out."
)


@dataclass(frozen=True, eq=False)
class Prepared:
    """A voice with its faults undone, before and after peak control, and where it is active."""

    bare: Clip
    peaks: Compressor
    voice: Clip
    sung: np.ndarray
    truth: dict


@functools.cache
def prepared(name: str) -> Prepared:
    """A take of ``TAKES`` with its loud word, quiet phrase, low end and boxiness undone by its truth; then peak control."""
    take = shipped(name) if "-" not in name else make_take(name.split("-")[0], int(name.split("-")[1]))
    faults = take.truth["faults"]
    undone = [faults[kind] for kind in ("loud_word", "quiet_phrase") if kind in faults]
    regions = [GainRegion(f["start_s"], f["end_s"], -f["gain_db"]) for f in sorted(undone, key=lambda f: f["start_s"])]
    box = faults["boxiness"]
    chain = Chain(
        [
            ("level prep", ClipGain(tuple(regions))),
            ("low cut", HighPass(80, 3)),
            ("boxiness", Peaking(box["freq_hz"], -5, 2)),
        ]
    )
    bare = chain.apply(take.clip).output
    peaks = Compressor(-20, 3, 1, 80)
    peaks = Compressor(threshold_for(peaks, bare, "share_percent", 10), 3, 1, 80)
    return Prepared(bare, peaks, peaks.apply(bare).output, active_mask(bare), take.truth)


@remembered(16)
def steady(voice: Clip, median_db: float = 3.0) -> Compressor:
    """The steady compressor of lesson 05 at the threshold that gives this median reduction."""
    compressor = Compressor(-26, 2.5, 10, 200, knee_db=6)
    return dataclasses.replace(compressor, threshold_db=threshold_for(compressor, voice, "median_db", median_db))


def speech(folder: Path) -> Clip:
    """Three sentences by espeak-ng."""
    path = folder / "speech.wav"
    subprocess.run([need_program("espeak-ng"), "-s", "140", "-w", str(path), SPEECH], check=True, timeout=60)
    return load(path)
