"""The command line: ``python -m vocomp_lab open`` and the other commands."""

from __future__ import annotations

import argparse
import secrets
import sys
from contextlib import nullcontext
from pathlib import Path

from vocomp_lab import console
from vocomp_lab.commands import ProgressBar, add_commands, measure_command, said
from vocomp_lab.jupyter.classroom import FOLDER, GROUP
from vocomp_lab.jupyter.start import FIRST_LESSON, open_workbook
from vocomp_lab.sound.files import is_taken, write_whole


def make_data_again(arguments) -> int:
    """Make the shipped clips again, bit for bit."""
    from vocomp_lab.singer.song import make_data

    with ProgressBar() as bar:
        paths = make_data(arguments.folder, lambda done, total, name: bar.show(done / total, name))
    print("\n".join(map(str, paths)))
    return 0


def mark_class(arguments) -> int:
    """Mark a folder of answer sheets; 1 if there was nothing to mark."""
    from vocomp_lab.exercises.box import about_memory
    from vocomp_lab.exercises.marking import mark_folder

    try:
        with marking_workers(arguments.scheduler) as executor, ProgressBar() as bar:
            result = mark_folder(
                arguments.folder,
                arguments.out,
                executor,
                progress=lambda done, total: bar.show(done / max(total, 1), f"{done} of {total}"),
                class_file=arguments.class_file,
                list_file=arguments.list_file,
                workers=arguments.workers,
                accept=arguments.accept,
            )
    except KeyboardInterrupt:
        print("Stopped. Run the same command again to go on from here.", file=sys.stderr)
        return 130
    for file, says in result.notes:
        print(f"{file}: {says}")
    learners = len({mark["learner"] for mark in result.marked})
    print(
        f"sheets marked: {len(result.marked)}, learners: {learners}, table: {arguments.out}; "
        f"notes in the report: {len(result.notes)}"
    )
    if result.marked and (says := about_memory()):
        print(says)
    return 0 if result.marked else 1


def marking_workers(scheduler):
    """The executor of a cluster, or nothing where this machine does the work, in a `with`."""
    if scheduler is None:
        return nullcontext()
    from vocomp_lab.exercises.workers import cluster

    return cluster(scheduler)


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


def print_exam(arguments) -> int:
    """Write an exam for printing, and its key."""
    from vocomp_lab.exercises.class_list import Listed, read_class_list
    from vocomp_lab.exercises.exam import exam_pages
    from vocomp_lab.exercises.learners import check_learner

    paper = Path(arguments.out)
    key = paper.with_suffix(".key.html")
    for path in (paper, key):
        # Papers that are printed already can't be marked without their own key.
        if is_taken(path) and not arguments.overwrite:
            raise ValueError(f"out: {str(path)!r} exists already; give another name, or --overwrite.")
    if arguments.list_file is not None:
        learners = read_class_list(arguments.list_file).learners
    else:
        learners = [Listed(check_learner(learner)) for learner in arguments.learner]
    word = secrets.token_hex(6) if arguments.word is None else arguments.word
    for path, text in zip((paper, key), exam_pages(arguments.homework, learners, word)):
        write_whole(path, text, arguments.overwrite)
    print(f"papers: {len(learners)} in {paper}; key: {key}")
    return 0


WRITE_NOTHING = (measure_command, print_answer_key)
"""Commands that Ctrl+C may end at once, since they only read and print."""


def main(argv=None) -> int:
    """Run the command in `argv` (default: what was typed); gives the exit code."""
    return console.run(lambda: run_command(argv))


def run_command(argv) -> int:
    """Read what was typed and do it."""
    parser = argparse.ArgumentParser(prog="python -m vocomp_lab", description="A workbook on vocal compression.")
    commands = parser.add_subparsers(dest="command", required=True)
    opening = commands.add_parser("open", help="open the workbook in the browser at its first lesson")
    opening.add_argument("notebook", nargs="?", default=FIRST_LESSON, help=f"default: {FIRST_LESSON}")
    opening.add_argument(
        "--folder",
        help="work in a copy of the lessons in this folder, made or completed first; nothing there is overwritten "
        f"(default: the notebooks of a checkout; else {FOLDER} in your home folder)",
    )
    opening.add_argument("--no-browser", action="store_true", help="only print the address")
    opening.set_defaults(work=open_workbook)
    making = commands.add_parser("make-data", help="make the clips again, bit for bit")
    making.add_argument("folder", nargs="?", help="default: data_synthetic, of a checkout; else where you are")
    making.set_defaults(work=make_data_again)
    marking = commands.add_parser("mark", help="mark a folder of homework answer sheets")
    marking.add_argument("folder", help="the folder with the answer sheets; folders inside it count, too")
    marking.add_argument(
        "--out", default="marks.csv", help="the table of marks; the reports go beside it (default: marks.csv)"
    )
    marking.add_argument(
        "--class",
        dest="class_file",
        metavar="TOML",
        help="what you set for the class (default: FOLDER/class.toml, if any)",
    )
    marking.add_argument(
        "--list", dest="list_file", metavar="CSV", help="the class list: id, name, group (default: as class.toml says)"
    )
    marking.add_argument(
        "--accept", action="append", default=[], metavar="PATH",
        help="where there are different sheets of one learner for one homework: the right one (can be given again)",
    )  # fmt: skip
    by = marking.add_mutually_exclusive_group()
    by.add_argument("--workers", type=int, metavar="N", help="how many processes (default: one for each processor)")
    by.add_argument(
        "--scheduler", metavar="ADDRESS",
        help="the scheduler of a Dask cluster with the same workbook on it; needs the package distributed",
    )  # fmt: skip
    marking.set_defaults(work=mark_class)
    collecting = commands.add_parser("collect", help="collect the answer sheets from a class server for marking")
    collecting.add_argument(
        "--group", default=GROUP, help=f"the system group whose members may log in (default: {GROUP})"
    )
    collecting.add_argument("--out", default="answers", help="the folder to put them in (default: answers)")
    collecting.set_defaults(work=collect_class)
    key = commands.add_parser("answer-key", help="print one learner's answers to a homework, with worked solutions")
    key.add_argument("homework", help="the homework's number, such as 04")
    key.add_argument("--learner", required=True, help="the learner's id, which the numbers depend on")
    key.set_defaults(work=print_answer_key)
    exam = commands.add_parser(
        "exam",
        help="write a printable exam without answers, one variant a learner, and its key",
        description="Write a printable exam (HTML) of the tasks that need no sound, one variant a learner, and its key beside it.",
    )
    exam.add_argument("homework", nargs="+", help="where the tasks come from, such as 02 04")
    who = exam.add_mutually_exclusive_group(required=True)
    who.add_argument("--list", dest="list_file", metavar="CSV", help="the class list: id, name, group")
    who.add_argument("--learner", action="append", help="a learner's id; may be given several times")
    exam.add_argument("--out", default="exam.html", help="the papers; the key goes beside them (default: exam.html)")
    exam.add_argument(
        "--word", help="what the variants depend on; keep it secret (default: made up, and told in the key)"
    )
    exam.add_argument("--overwrite", action="store_true", help="replace papers and key that exist")
    exam.set_defaults(work=print_exam)
    add_commands(commands)
    arguments = parser.parse_args(argv)
    if arguments.work not in WRITE_NOTHING:
        console.let_it_clean_up()
    try:
        return arguments.work(arguments)
    except (ValueError, OSError) as error:
        print(said(error), file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
