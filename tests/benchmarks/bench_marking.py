"""How long a class takes to mark: python tests/benchmarks/bench_marking.py [LEARNERS]

Processor time and time by the clock of ``mark_folder`` over all homeworks, with the right and wrong answers of the
tests' simulated class, and what one sheet costs beside one run of a plain compressor over ten seconds, as a ratio
within this run.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from simulated_class import simulate_all  # noqa: E402

from vocomp_lab import Clip, Compressor  # noqa: E402
from vocomp_lab.exercises.catalogue import homework_names  # noqa: E402
from vocomp_lab.exercises.marking import mark_folder  # noqa: E402
from vocomp_lab.exercises.sheets import sheet_name  # noqa: E402


def processor_s() -> float:
    return sum(os.times()[:4])


def main(learners: int) -> None:
    names = homework_names()
    simulated = simulate_all([(number, names[number // 9 % len(names)]) for number in range(learners)])
    clip = Clip(0.3 * np.random.default_rng(1).standard_normal(480_000), 48_000)
    start = processor_s()
    for _ in range(20):
        Compressor(-20, 3, 1, 80).apply(clip)
    plain_s = (processor_s() - start) / 20
    with tempfile.TemporaryDirectory() as folder:
        for data, _ in simulated:
            path = Path(folder, "sheets", sheet_name(data["homework"], data["learner"]))
            path.parent.mkdir(exist_ok=True)
            path.write_text(json.dumps(data), "utf-8")
        start, clock = processor_s(), time.monotonic()
        mark_folder(Path(folder, "sheets"), Path(folder, "marks.csv"))
        spent, passed = processor_s() - start, time.monotonic() - clock
    print(f"{learners} sheets: {spent:.0f} s of processor time, {passed:.0f} s by the clock")
    print(f"one sheet: {spent / learners:.2f} s, {spent / learners / plain_s:.0f} times a compressor over 10 s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
