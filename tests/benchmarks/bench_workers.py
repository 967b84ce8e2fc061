"""How marking gets faster with more workers: python tests/benchmarks/bench_workers.py [SHEETS [SHEETS ON PAPER]]

Marks one class with one worker, with two, and with a Dask cluster of two local workers, and checks that the table is the
same to the byte. For each it tells the time by the clock, which only means something on a machine that does nothing else,
and the workers' processor time for a sheet: if two take no more of it than one, two free processors take half the time.
Their start is not in it: it is what a few sheets take, and taken away.

Then it measures what only the marker itself can do (read the sheets, keep the journal, write the table and pages), with
marks that come at once. From both follows, on paper, how long more sheets take with more workers: the start, and for each
sheet the marker's own time or a worker's divided by their number, whichever is longer.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import tempfile
import time
from concurrent.futures import Executor, Future
from pathlib import Path

from distributed import Client, LocalCluster

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from simulated_class import simulate_all  # noqa: E402

from vocomp_lab.exercises.catalogue import homework_names  # noqa: E402
from vocomp_lab.exercises.marking import mark_folder, mark_sheet  # noqa: E402
from vocomp_lab.exercises.sheets import sheet_name  # noqa: E402
from vocomp_lab.exercises.workers import cluster  # noqa: E402


FEW = 18  # so that each of two workers has loaded what each homework needs


class Ready(Executor):
    """Has each mark at once: the work of another sheet, with the learner's name on it."""

    def __init__(self, marks: dict):
        self._marks = marks

    def submit(self, work, sheet):
        future = Future()
        future.set_result({**self._marks[sheet.homework], "learner": sheet.learner})
        return future


def write(folder: Path, sheets) -> Path:
    folder.mkdir()
    for data in sheets:
        (folder / sheet_name(data["homework"], data["learner"])).write_text(json.dumps(data), "utf-8")
    return folder


def timed(folder: Path, out: Path, spent_s, **who) -> tuple[float, float]:
    """Seconds by the clock, and of the workers' processor time."""
    start, before = time.monotonic(), spent_s()
    mark_folder(folder, out, **who)
    return time.monotonic() - start, spent_s() - before


def of_processes() -> float:
    """Processor time of the processes that were started here and have ended, in seconds."""
    return sum(os.times()[2:4])


def of_this_worker() -> float:
    """Processor time of a cluster's worker and what it has started, in seconds; runs there."""
    return sum(os.times()[:4])


def main(sheets: int, on_paper: int) -> None:
    names = homework_names()
    simulated = [data for data, _ in simulate_all([(n, names[n % len(names)]) for n in range(sheets)])]
    with tempfile.TemporaryDirectory() as home:
        here = Path(home)
        folder = write(here / "sheets", simulated)
        few = write(here / "few", simulated[:FEW])
        tables, clock, work, started = set(), {}, {}, 0.0

        def measure(named, spent_s, **who):
            few_s = timed(few, here / f"{named} few" / "marks.csv", spent_s, **who)
            out = here / named / "marks.csv"
            all_s = timed(folder, out, spent_s, **who)
            clock[named], work[named] = ((whole - part) / (sheets - FEW) for whole, part in zip(all_s, few_s))
            tables.add(out.read_bytes())
            return few_s[0]

        started = measure("1 worker", of_processes, workers=1)
        measure("2 workers", of_processes, workers=2)
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, local_directory=home) as local,
            Client(local) as client,
            cluster(local.scheduler_address) as executor,
        ):
            measure("a cluster of 2", lambda: sum(client.run(of_this_worker).values()), executor=executor)
        assert len(tables) == 1, "who marks made a difference"
        print(f"{sheets} sheets, three times the same table; for each sheet")
        for named in work:
            print(f"{named}: {work[named]:.2f} s of processor time, {clock[named]:.2f} s by the clock")
        ready = {data["homework"]: mark_sheet(json.dumps(data).encode()) for data in simulated[: len(names)]}
        many = (simulated[n % len(names)] | {"learner": f"many.{n}"} for n in range(on_paper))
        start = time.monotonic()
        mark_folder(write(here / "many", many), here / "many.csv", executor=Ready(ready))
        own_s = (time.monotonic() - start) / on_paper
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"the marker's own time: {1000 * own_s:.1f} ms a sheet over {on_paper} sheets; memory at most {peak_mb:.0f} MB"
    )
    print(f"on paper, hours:minutes for {on_paper} sheets (start {started:.0f} s)")
    for count in (1, 2, 4, 8, 16, 32, 64):
        minutes = (started + on_paper * max(own_s, work["1 worker"] / count)) / 60
        print(f"{count:4} workers  {int(minutes) // 60}:{int(minutes) % 60:02}")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    main(*(given + [90, 10_000][len(given) :]))
