"""By hand: the fast solver against the plain list loop and against a loop compiled by numba, all in one run.

    python tests/benchmarks/bench_solver.py

Prints times (best of several) and their ratios. Goals: at least 4 times faster than the plain loop, and within 12
times of
the compiled one. Absolute times say more about the machine than about the code.
"""

from __future__ import annotations

import time

import numba
import numpy as np

from vocomp_lab.recursion import (
    coefficient,
    smooth_branching,
    smooth_branching_loop,
    smooth_feedback,
    static_reduction,
)

RATE = 48_000
SECONDS = 10
THRESHOLD_DB, SLOPE, KNEE_DB = -24.0, 0.75, 6.0
TIMES_MS = [(0.05, 60.0), (1.0, 60.0), (5.0, 100.0), (30.0, 300.0)]
GOAL_LOOP, GOAL_NUMBA = 4.0, 12.0


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


def sung_level_db(rng) -> np.ndarray:
    """The peak detector's level of something sung: a buzz with phrases, words and a little noise."""
    t = np.arange(SECONDS * RATE) / RATE
    phrases = np.clip(np.sin(2 * np.pi * 0.35 * t) + 0.4, 0, 1) * (0.6 + 0.4 * np.sin(2 * np.pi * 2.7 * t))
    buzz = sum(np.sin(2 * np.pi * 196 * k * t + k * k) / k for k in range(1, 25))
    sound = 0.4 * phrases * buzz + 1e-4 * rng.standard_normal(len(t))
    return 20 * np.log10(np.abs(sound) + 1e-10)


def best_ms(jobs, repeats=12) -> dict[str, float]:
    """Least time of each job. They take turns, so that a busy moment of the machine hits all of them."""
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


if __name__ == "__main__":
    main()
