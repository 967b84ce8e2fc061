"""By hand: the fast solver against the plain loop and against a loop compiled by numba, all in one run; then every
compressor type against a plain compressor and against its own plain loop.

    python tests/benchmarks/bench_solver.py

Prints times (best of several) and their ratios. Goals: at least 4 times faster than the plain loop, and within 12 times
of the compiled one; a compressor type takes at most 4 times as long as a plain compressor, colour included, and its
reduction is at least 4 times faster than its loop. Absolute times say more about the machine than about the code.
"""

from __future__ import annotations

import math
import time

import numba
import numpy as np

from vocomp_lab.processors.character import OPTO_MEMORY_PER_DB, TUBE_PER_DB, character
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.recursion import (
    coefficient,
    smooth_branching,
    smooth_branching_loop,
    smooth_feedback,
    static_reduction,
)
from vocomp_lab.sound.audio import Clip

RATE = 48_000
SECONDS = 10
THRESHOLD_DB, SLOPE, KNEE_DB = -24.0, 0.75, 6.0
TIMES_MS = [(0.05, 60.0), (1.0, 60.0), (5.0, 100.0), (30.0, 300.0)]
GOAL_LOOP, GOAL_NUMBA, GOAL_MODEL = 4.0, 12.0, 4.0


@numba.njit
def branching_compiled(target, attack, release):
    out = np.empty_like(target)
    y = 0.0
    for n in range(len(target)):
        x = target[n]
        a = attack if x > y else release
        y = a * y + (1 - a) * x
        out[n] = y
    return out


def vca_loop(model, target_reduction_db):
    return smooth_branching_loop(
        target_reduction_db, coefficient(model.attack_ms, RATE), coefficient(model.release_ms, RATE)
    )


def fet_loop(model, target_reduction_db):
    """The hard-knee feedback loop in closed form, the fastest loop for it."""
    floor, slope = coefficient(model.release_ms, RATE), model.slope
    attack, release = (a * (1 - slope) / (1 - a * slope) for a in (coefficient(model.attack_ms, RATE), floor))
    r, out = 0.0, []
    for x in target_reduction_db.tolist():
        a = attack if x > r else release
        r = max(a * r + (1 - a) * x, floor * r)
        out.append(r)
    return np.array(out)


def opto_loop(model, target_reduction_db):
    attack, release, b = (coefficient(ms, RATE) for ms in (model.attack_ms, model.release_ms, model.memory_ms))
    tail_frames = model.tail_ms / 1000 * RATE
    fast = memory = tail = 0.0
    out = []
    for x in target_reduction_db.tolist():
        a = attack if x > fast else release
        fast = a * fast + (1 - a) * x
        memory = b * memory + (1 - b) * fast
        half = fast / 2
        a = b if half > tail else math.exp(-1 / (tail_frames * (1 + OPTO_MEMORY_PER_DB * memory)))
        tail = a * tail + (1 - a) * half
        out.append(max(fast, tail))
    return np.array(out)


def tube_loop(model, target_reduction_db):
    attack_frames, release_frames = model.attack_ms / 1000 * RATE, model.release_ms / 1000 * RATE
    b = coefficient(model.memory_ms, RATE)
    r = memory = 0.0
    out = []
    for x in target_reduction_db.tolist():
        memory = b * memory + (1 - b) * x
        if x > r:
            a = math.exp(-(1 + TUBE_PER_DB * x) / attack_frames)
        else:
            a = math.exp(-1 / (release_frames * (1 + TUBE_PER_DB * memory)))
        r = a * r + (1 - a) * x
        out.append(r)
    return np.array(out)


MODEL_LOOPS = {"vca": vca_loop, "fet": fet_loop, "opto": opto_loop, "tube": tube_loop}


def sung(rng) -> np.ndarray:
    """Something sung: a buzz with phrases, words and a little noise."""
    t = np.arange(SECONDS * RATE) / RATE
    phrases = np.clip(np.sin(2 * np.pi * 0.35 * t) + 0.4, 0, 1) * (0.6 + 0.4 * np.sin(2 * np.pi * 2.7 * t))
    buzz = sum(np.sin(2 * np.pi * 196 * k * t + k * k) / k for k in range(1, 25))
    return 0.4 * phrases * buzz + 1e-4 * rng.standard_normal(len(t))


def sung_level_db(rng) -> np.ndarray:
    """Its level at the peak detector."""
    return 20 * np.log10(np.abs(sung(rng)) + 1e-10)


def best_ms(jobs, repeats=12) -> dict[str, float]:
    """The least time of each job. They take turns, so a busy moment of the machine hits all of them."""
    best = dict.fromkeys(jobs, float("inf"))
    for _ in range(repeats):
        for name, job in jobs.items():
            start = time.perf_counter()
            job()
            best[name] = min(best[name], 1000 * (time.perf_counter() - start))
    return best


def main() -> None:
    level_db = sung_level_db(np.random.default_rng(7))
    demand_db = static_reduction(level_db, THRESHOLD_DB, SLOPE, KNEE_DB)
    branching_compiled(demand_db[:10], 0.5, 0.5)
    print(f"{SECONDS} s at {RATE} Hz, best of several, ms")
    heads = "".join(f"{head:>9}" for head in ("attack", "release", "solver", "loop", "numba", "feedback"))
    print(f"{heads}  loop/solver  solver/numba  error")
    for attack_ms, release_ms in TIMES_MS:
        attack, release = coefficient(attack_ms, RATE), coefficient(release_ms, RATE)
        best = best_ms(
            {
                "solver": lambda: smooth_branching(demand_db, attack, release),
                "loop": lambda: smooth_branching_loop(demand_db, attack, release),
                "numba": lambda: branching_compiled(demand_db, attack, release),
                "feedback": lambda: smooth_feedback(level_db, attack, release, THRESHOLD_DB, SLOPE, KNEE_DB),
            }
        )
        error = np.abs(
            smooth_branching(demand_db, attack, release) - smooth_branching_loop(demand_db, attack, release)
        ).max()
        gained, behind = best["loop"] / best["solver"], best["solver"] / best["numba"]
        verdict = "goals met" if gained >= GOAL_LOOP and behind <= GOAL_NUMBA else "goals MISSED"
        times = "".join(f"{best[name]:9.2f}" for name in ("solver", "loop", "numba", "feedback"))
        print(f"{attack_ms:9g}{release_ms:9g}{times}  {gained:11.1f}  {behind:12.1f}  {error:.0e}  {verdict}")
    compare_models()


def compare_models() -> None:
    """Every compressor type, colour included, against a plain compressor; its reduction against its own loop."""
    sound = sung(np.random.default_rng(7))
    mono, stereo = Clip(sound, RATE), Clip(np.column_stack([sound, sound]), RATE)
    plain, models = Compressor(-20, 3, 5, 100), {kind: character(kind) for kind in MODEL_LOOPS}
    level_db = plain.detect_db(mono.columns, RATE)
    jobs = {"plain": lambda: plain.apply(mono), "plain, stereo": lambda: plain.apply(stereo)}
    for kind, model in models.items():
        target_reduction_db = model.target_reduction_db(level_db)
        jobs[kind] = lambda model=model: model.apply(mono)
        jobs[f"{kind}, stereo"] = lambda model=model: model.apply(stereo)
        jobs[f"{kind}, reduction"] = lambda model=model: model.reduction_db(level_db, RATE)
        jobs[f"{kind}, loop"] = lambda kind=kind, model=model, target_reduction_db=target_reduction_db: MODEL_LOOPS[
            kind
        ](model, target_reduction_db)
    best = best_ms(jobs, 6)
    print(f"\ncompressor types; a plain compressor takes {best['plain']:.1f} ms, in stereo {best['plain, stereo']:.1f}")
    print("  type   whole  × plain  stereo  × plain  reduction    loop  loop/reduction  error")
    for kind, model in models.items():
        whole, stereo_ms, reduction, loop = (best[kind + part] for part in ("", ", stereo", ", reduction", ", loop"))
        behind, stereo_behind, gained = whole / best["plain"], stereo_ms / best["plain, stereo"], loop / reduction
        error = np.abs(
            model.reduction_db(level_db, RATE) - MODEL_LOOPS[kind](model, model.target_reduction_db(level_db))
        ).max()
        verdict = "goals met" if max(behind, stereo_behind) <= GOAL_MODEL and gained >= GOAL_LOOP else "goals MISSED"
        print(
            f"{kind:>6} {whole:7.1f} {behind:8.1f} {stereo_ms:7.1f} {stereo_behind:8.1f} {reduction:10.1f} "
            f"{loop:7.0f} {gained:15.1f}  {error:.0e}  {verdict}"
        )


if __name__ == "__main__":
    main()
