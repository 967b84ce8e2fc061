"""The command line: ``python -m vocomp_lab open`` and its fellows."""

from __future__ import annotations

import argparse
import sys

from vocomp_lab.commands import add_commands
from vocomp_lab.jupyter.classroom import GROUP
from vocomp_lab.jupyter.start import FIRST_LESSON, open_workbook


def make_data_again(arguments) -> int:
    """Make the shipped clips anew, bit for bit."""
    from vocomp_lab.singer.song import make_data

    def report(done, total, name):
        print(
            f"\r[{'#' * done}{'.' * (total - done)}] {name:24}",
            end="\n" if done == total else "",
            file=sys.stderr,
            flush=True,
        )

    for path in make_data(arguments.folder, report):
        print(path)
    return 0


def bar_on_stderr(width: int = 40):
    """A function of (done, total) that draws how far the work is, where somebody looks on."""

    def report(done, total):
        filled = width * done // max(total, 1)
        bar, end = "#" * filled + "." * (width - filled), "\n" if done == total else ""
        print(f"\r[{bar}] {done} of {total}", end=end, file=sys.stderr, flush=True)

    return report


def mark_class(arguments) -> int:
    """Mark a folder of answer sheets."""
    from vocomp_lab.exercises.marking import mark_folder

    try:
        result = mark_folder(arguments.folder, arguments.out, progress=bar_on_stderr())
    except KeyboardInterrupt:
        print("\nstopped; the same command goes on where this one ended.", file=sys.stderr)
        return 130
    for file, says in result.notes:
        print(f"{file}: {says}")
    learners = len({mark["learner"] for mark in result.marked})
    print(
        f"sheets marked: {len(result.marked)}, of learners: {learners}, in {arguments.out}; "
        f"lines to read in the report: {len(result.notes)}"
    )
    return 0


def collect_class(arguments) -> int:
    """Collect the answer sheets of a class server's students in one folder."""
    from vocomp_lab.jupyter.collecting import collect, homes_of_group

    homes = homes_of_group(arguments.group)
    result = collect(homes, arguments.out)
    for where, says in result.notes:
        print(f"{where}: {says}")
    print(
        f"members of {arguments.group}: {len(homes)}, sheets in {arguments.out}: {len(result.taken)}, "
        f"new or changed: {len(result.changed)}, not taken: {len(result.notes)}"
    )
    return 0


def print_answer_key(arguments) -> int:
    """Print a homework's answers, worked out for one learner."""
    from vocomp_lab.exercises.reports import answer_key

    print(answer_key(arguments.homework, arguments.learner), end="")
    return 0


def main(argv=None) -> int:
    parser = argparse.ArgumentParser(prog="python -m vocomp_lab", description="A workbook on vocal compression.")
    commands = parser.add_subparsers(dest="command", required=True)
    opening = commands.add_parser("open", help="open the workbook in the browser at its first lesson")
    opening.add_argument("notebook", nargs="?", default=FIRST_LESSON, help=f"default: {FIRST_LESSON}")
    opening.add_argument("--no-browser", action="store_true", help="only print the address")
    opening.set_defaults(work=open_workbook)
    making = commands.add_parser("make-data", help="make the clips in data_synthetic anew, bit for bit")
    making.add_argument("folder", nargs="?", help="default: data_synthetic")
    making.set_defaults(work=make_data_again)
    marking = commands.add_parser("mark", help="mark a folder of homework answer sheets")
    marking.add_argument("folder", help="where the answer sheets are, in it or in folders in it")
    marking.add_argument("--out", default="marks.csv", help="the table; all else goes beside it (default: marks.csv)")
    marking.set_defaults(work=mark_class)
    collecting = commands.add_parser("collect", help="collect the answer sheets on a class server, to be marked")
    collecting.add_argument(
        "--group", default=GROUP, help=f"the system's group of those who may log in (default: {GROUP})"
    )
    collecting.add_argument("--out", default="answers", help="the folder that they go to (default: answers)")
    collecting.set_defaults(work=collect_class)
    key = commands.add_parser(
        "answer-key", help="print the answers to a homework for one learner, with worked solutions"
    )
    key.add_argument("homework", help="its number, such as 04")
    key.add_argument("--learner", required=True, help="the learner's id: the numbers depend on it")
    key.set_defaults(work=print_answer_key)
    add_commands(commands)
    arguments = parser.parse_args(argv)
    try:
        return arguments.work(arguments)
    except (ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
