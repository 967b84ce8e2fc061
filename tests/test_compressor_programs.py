"""Settled levels on steady tones against two outside programs, within 0.1 dB: SoX `compand` and FFmpeg `acompressor`.

How the three differ, and why the comparison holds all the same:

* Detector. SoX and FFmpeg smooth the *amplitude* (each sample's magnitude) with attack and release, ours smooths the
  *reduction in dB*. With an attack of a hundredth of a millisecond, a release of seconds, and levels that only rise,
  all three hold the tone's peak, so "level" means the sine's peak level in each.
* Knee. FFmpeg's is a factor between 1 and 8 around the threshold and a cubic, SoX's a rounding of the corner, ours
  the quadratic of Giannoulis, Massberg & Reiss. Only the hard knee is the same in all, so only that is compared
  (FFmpeg's factor 1; SoX rounds by 0.01 dB at least).
* Threshold. Ours and SoX's are given in dB re full scale, SoX's as a corner of a piecewise curve of input and output
  levels; FFmpeg's as an amplitude.
* Make-up gain. Off in all: FFmpeg's factor 1, SoX's gain 0.
"""

from __future__ import annotations

import subprocess

import numpy as np
import pytest
import soundfile
from conftest import need_program, rms_db, sine

from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.audio import Clip

RATE = 48_000
THRESHOLD_DB = -30.0
RATIOS = (1.5, 2, 3, 4, 8, 20)
LEVELS_DB = (-45.0, -31.0, -29.0, -24.0, -18.0, -12.0, -6.0, -1.0)
PLATEAU_S = 0.5
TOLERANCE_DB = 0.1
SETTLED = "settled level of steady tones, ratios 1.5 to 20, hard knee"


@pytest.fixture(scope="module")
def plateaus() -> np.ndarray:
    return np.concatenate([sine(1000, PLATEAU_S, RATE, level) for level in LEVELS_DB])


@pytest.fixture(scope="module")
def source(plateaus, tmp_path_factory):
    path = tmp_path_factory.mktemp("plateaus") / "tones.wav"
    soundfile.write(str(path), plateaus, RATE, subtype="FLOAT")
    return path


def settled_db(samples) -> np.ndarray:
    """Level of the last 100 ms of every plateau, as the peak level of the sine that has that RMS."""
    ends = samples.reshape(len(LEVELS_DB), -1)[:, -RATE // 10 :]
    return np.array([rms_db(end) for end in ends]) + 20 * np.log10(np.sqrt(2))


def ours_db(plateaus, ratio, **changes) -> np.ndarray:
    compressor = Compressor(THRESHOLD_DB, ratio, attack_ms=0.01, release_ms=9_000, **changes)
    return settled_db(compressor.apply(Clip(plateaus, RATE)).output.samples)


def run(*arguments) -> None:
    done = subprocess.run([str(a) for a in arguments], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


def test_the_tones_are_what_they_are_said_to_be(plateaus):
    assert settled_db(plateaus) == pytest.approx(LEVELS_DB, abs=1e-3)


def test_settled_levels_against_ffmpeg(plateaus, source, tmp_path, deviation):
    """One process: the tones are split into a compressor for every ratio."""
    threshold = 10 ** (THRESHOLD_DB / 20)
    names = [f"r{k}" for k in range(len(RATIOS))]
    graph = f"[0:a]asplit={len(RATIOS)}" + "".join(f"[i{name}]" for name in names)
    for name, ratio in zip(names, RATIOS):
        graph += (
            f";[i{name}]acompressor=threshold={threshold:.9f}:ratio={ratio}:attack=0.01:release=9000"
            f":knee=1:detection=peak:makeup=1:mix=1[{name}]"
        )
    outputs = []
    for name in names:
        outputs += ["-map", f"[{name}]", "-c:a", "pcm_f32le", tmp_path / f"{name}.wav"]
    run(need_program("ffmpeg"), "-v", "error", "-nostdin", "-y", "-i", source, "-filter_complex", graph, *outputs)
    for name, ratio in zip(names, RATIOS):
        theirs = settled_db(soundfile.read(str(tmp_path / f"{name}.wav"))[0])
        difference = ours_db(plateaus, ratio) - theirs
        deviation(SETTLED, "FFmpeg, acompressor", difference, TOLERANCE_DB, "dB", f"ratio {ratio}")
        # Something was compressed: two copies of the input must not pass for agreement.
        assert LEVELS_DB[-1] - theirs[-1] == pytest.approx(
            (LEVELS_DB[-1] - THRESHOLD_DB) * (1 - 1 / ratio), abs=TOLERANCE_DB
        )


@pytest.mark.parametrize("ratio", RATIOS)
def test_settled_levels_against_sox(plateaus, source, tmp_path, ratio, deviation):
    """SoX's curve goes on with slope 1 below its first corner; the second corner is full scale."""
    top_db = THRESHOLD_DB + (0 - THRESHOLD_DB) / ratio
    curve = f"{THRESHOLD_DB},{THRESHOLD_DB},0,{top_db}"
    out = tmp_path / "out.wav"
    run(need_program("sox"), source, "-e", "float", "-b", "32", out, "compand", "0,9", curve, 0, -90, 0)
    theirs = settled_db(soundfile.read(str(out))[0])
    difference = ours_db(plateaus, ratio) - theirs
    deviation(SETTLED, "SoX, compand", difference, TOLERANCE_DB, "dB")
    assert LEVELS_DB[-1] - theirs[-1] == pytest.approx(
        (LEVELS_DB[-1] - THRESHOLD_DB) * (1 - 1 / ratio), abs=TOLERANCE_DB
    )


@pytest.mark.parametrize("ratio", RATIOS)
def test_feedback_and_decoupled_settle_on_the_same_levels(plateaus, ratio):
    for changes in (dict(topology="feedback"), dict(ballistics="decoupled")):
        assert np.abs(ours_db(plateaus, ratio, **changes) - ours_db(plateaus, ratio)).max() < TOLERANCE_DB
