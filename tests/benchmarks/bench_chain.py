"""By hand: a chain of seven stages on 10 s of sound, against real time, and what moving one control costs.

    python tests/benchmarks/bench_chain.py

Goal: at least 60 times faster than real time.
"""

from __future__ import annotations

import dataclasses
import time

import numpy as np

from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, HighShelf, Peaking
from vocomp_lab.sound.audio import Clip

RATE = 48_000
SECONDS = 10
GOAL = 60.0
CHAIN = Chain(
    [
        ("low cut", HighPass(90, 3)),
        ("boxiness", Peaking(400, -4, 2)),
        ("peaks", Compressor(-14, 3, 1, 60)),
        ("steady", Compressor(-24, 2, 10, 150, knee_db=6, detector="rms", makeup_db=3)),
        ("slow attack", Compressor(-20, 3, 30, 120, sidechain_highpass_hz=120)),
        ("presence", Peaking(3_500, 2, 1)),
        ("air", HighShelf(9_000, 2)),
    ]
)


def sung(channels) -> Clip:
    t = np.arange(SECONDS * RATE) / RATE
    phrases = np.clip(np.sin(2 * np.pi * 0.35 * t) + 0.4, 0, 1) * (0.6 + 0.4 * np.sin(2 * np.pi * 2.7 * t))
    buzz = sum(np.sin(2 * np.pi * 196 * k * t + k * k) / k for k in range(1, 25))
    sound = 0.4 * phrases * buzz + 1e-4 * np.random.default_rng(7).standard_normal(len(t))
    return Clip(sound if channels == 1 else np.stack([sound] * channels, axis=1), RATE)


def best_s(function, repeats=9) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    for channels in (1, 2):
        clip = sung(channels)
        whole = best_s(lambda: CHAIN.apply(clip))
        verdict = "goal met" if SECONDS / whole >= GOAL else "goal MISSED"
        speed = SECONDS / whole
        print(f"{channels} channel(s): {1000 * whole:.0f} ms for {SECONDS} s, {speed:.0f} × real time; {verdict}")
        before = CHAIN.apply(clip)
        for name, processor in CHAIN.stages:
            own = best_s(lambda: processor.apply(before.stages[name].source))
            field = dataclasses.fields(processor)[0].name
            moved = CHAIN.with_stage(name, dataclasses.replace(processor, **{field: getattr(processor, field) + 1}))
            again = best_s(lambda: moved.apply(clip, reuse=before), repeats=5)
            print(f"  {name:12} alone {1000 * own:6.1f} ms, moved by a slider {1000 * again:6.1f} ms")


if __name__ == "__main__":
    main()
