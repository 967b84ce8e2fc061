"""How marking gets faster with more workers: python tests/benchmarks/bench_workers.py [SHEETS [SHEETS ON PAPER]]

Marks one class with one worker, with two, and with a Dask cluster of two local workers, and checks that the table is the
same to the byte. Then it measures what only the marker itself can do (read the sheets, keep the journal, write the table
and pages), with answers that come at once. From both follows, on paper, how long more sheets take with more workers: the
start, and for each sheet the marker's own time or a worker's divided by their number, whichever is longer.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from concurrent.futures import Executor, Future
from pathlib import Path

from distributed import LocalCluster

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from simulated_class import simulate_all  # noqa: E402

from vocomp_lab.exercises.catalogue import homework_names  # noqa: E402
from vocomp_lab.exercises.marking import mark_folder, mark_sheet  # noqa: E402
from vocomp_lab.exercises.sheets import sheet_name  # noqa: E402
from vocomp_lab.exercises.workers import cluster  # noqa: E402


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


def timed(folder: Path, out: Path, **who) -> tuple[float, float]:
    """Seconds by the clock until the first sheet is done, and from then on."""
    first, start = [], time.monotonic()
    mark_folder(folder, out, progress=lambda done, total: done and first.append(time.monotonic()), **who)
    return first[0] - start, time.monotonic() - first[0]


def main(sheets: int, on_paper: int) -> None:
    names = homework_names()
    simulated = [data for data, _ in simulate_all([(n, names[n % len(names)]) for n in range(sheets)])]
    with tempfile.TemporaryDirectory() as home:
        here = Path(home)
        folder = write(here / "sheets", simulated)
        started, rates = {}, {}
        for count in (1, 2):
            started[count], rest = timed(folder, here / f"{count}" / "marks.csv", workers=count)
            rates[count] = rest / (sheets - 1)
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, local_directory=home) as local,
            cluster(local.scheduler_address) as executor,
        ):
            start_s, rest = timed(folder, here / "cluster" / "marks.csv", executor=executor)
            rates["cluster"] = rest / (sheets - 1)
        tables = {(here / name / "marks.csv").read_bytes() for name in ("1", "2", "cluster")}
        assert len(tables) == 1, "who marks made a difference"
        print(f"{sheets} sheets, the same table three times")
        for who, named in ((1, "1 worker"), (2, "2 workers"), ("cluster", "a cluster with 2 workers")):
            print(f"{named}: {rates[who]:.3f} s a sheet, {rates[1] / rates[who]:.2f} times as fast as one")
        ready = {data["homework"]: mark_sheet(json.dumps(data).encode()) for data in simulated[: len(names)]}
        many = (simulated[n % len(names)] | {"learner": f"many.{n}"} for n in range(on_paper))
        start = time.monotonic()
        mark_folder(write(here / "many", many), here / "many.csv", executor=Ready(ready))
        own_s = (time.monotonic() - start) / on_paper
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"the marker's own time: {1000 * own_s:.1f} ms a sheet over {on_paper} sheets; memory at most {peak_mb:.0f} MB"
    )
    print(f"on paper, hours:minutes for {on_paper} sheets (start {started[1]:.0f} s)")
    for count in (1, 2, 4, 8, 16, 32, 64):
        minutes = (started[1] + on_paper * max(own_s, rates[1] / count)) / 60
        print(f"{count:4} workers  {int(minutes) // 60}:{int(minutes) % 60:02}")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    main(*(given + [36, 10_000][len(given) :]))
