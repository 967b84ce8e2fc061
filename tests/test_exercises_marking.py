"""Marking a class: exact marks, hostile sheets, a run that is stopped and goes on, other executors, what is written."""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import subprocess
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache, partial

import pytest
from conftest import one_sentence
from hostile import DATA, FUNCTIONS, SHEETS, entry, mark_or_die, sheet, source_of
from PIL import Image
from simulated_class import simulate

from vocomp_lab.__main__ import main
from vocomp_lab.exercises import journal, marking, workers
from vocomp_lab.exercises.box import Limits
from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of
from vocomp_lab.exercises.kinds import functions
from vocomp_lab.exercises.marking import mark_folder, mark_sheet
from vocomp_lab.exercises.reports import answer_key, class_numbers, key_sheet, page_text, safe_cell, table_text
from vocomp_lab.exercises.sheets import sheet_name
from vocomp_lab.exercises.tasks import RIGHT

pytestmark = pytest.mark.usefixtures("undrawn_class")
CLASS = 9  # a learner for each homework; bench_marking.py takes 300
HOMEWORKS = ("01", "04")
NEVER_END = ("endless loop", "fork for ever", "a huge number", "an error that never ends")
SOME_FUNCTIONS = NEVER_END[:1] + tuple(name for name in FUNCTIONS if name not in NEVER_END)[1::2]
"""test_exercises_box.py runs all of them. One of those that use up their seconds is enough here."""
EVERY = homework_names()


def write(folder, data, name=None):
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / (name or sheet_name(data["homework"], data["learner"]))
    path.write_text(json.dumps(data), "utf-8")
    return path


def rows(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def some():
    """Some simulated learners' sheets, with what they must come to."""
    return [simulate(number, HOMEWORKS[number % 2]) for number in range(4)]


def outcome(mark):
    return {task["id"]: [task["status"], task["mistake"]] for task in mark["tasks"]}


def assert_as_expected(marked, simulated):
    expected = {data["learner"]: (data, tasks) for data, tasks in simulated}
    assert [mark["learner"] for mark in marked] == sorted(expected)
    for mark in marked:
        data, tasks = expected[mark["learner"]]
        assert outcome(mark) == tasks, mark["learner"]
        assert mark["homework"] == data["homework"]
        points = sum(task["of"] for task in mark["tasks"] if tasks[task["id"]][0] == "right")
        assert mark["points"] == points
        assert sum(task["tries"] for task in mark["tasks"]) == sum(
            answer["tries"] for answer in data["answers"].values()
        )


@pytest.mark.ci
def test_a_large_class_gets_exactly_the_marks_that_it_must(tmp_path):
    """The time is only printed, here and by ``tests/benchmarks/bench_marking.py``: a test machine may be busy."""
    simulated = [simulate(number, EVERY[number % len(EVERY)]) for number in range(CLASS)]
    assert {data["homework"] for data, _ in simulated} == set(EVERY)
    for data, _ in simulated:
        write(tmp_path / "sheets", data)
    before, start, seen = os.times(), time.monotonic(), []
    here = ThreadPoolExecutor(1)  # which has the clips already; processes mark the sheets of other tests
    result = mark_folder(
        tmp_path / "sheets", tmp_path / "marks.csv", here, progress=lambda done, total: seen.append((done, total))
    )
    after = os.times()
    processor_s = sum(after[:4]) - sum(before[:4])
    print(f"\n{CLASS} sheets: {processor_s:.0f} s of processor time, {time.monotonic() - start:.0f} s by the clock")
    assert seen[0] == (0, CLASS) and seen[-1] == (CLASS, CLASS) and len(seen) == CLASS + 1
    assert_as_expected(result.marked, simulated)
    assert result.notes == []
    assert len(rows(tmp_path / "marks.csv")) == CLASS
    assert len(list((tmp_path / "marks.pages").iterdir())) == CLASS
    tasks, mistakes = class_numbers(result.marked)
    counted = sum(mistake is not None for _, expected in simulated for _, mistake in expected.values())
    assert sum(count for _, count in mistakes) == counted > 5


def test_marks_come_from_the_answers_and_from_nothing_else(some):
    data, expected = some[1]
    answers = {name: {**answer, "tries": 0, "hints": 0} for name, answer in data["answers"].items()}
    data = {**data, "answers": answers}
    assert outcome(mark_sheet(json.dumps(data).encode())) == expected


def test_one_learners_numbers_are_worth_little_to_others():
    """A chance hit may be; a function, a compressor and a listening session serve anybody who hands them in."""
    hits, own = {}, {"computer", "knocks"}
    for learner in (f"thief.{number}" for number in range(12)):
        for task in tasks_of("04"):
            if task.id in own:
                stolen = json.loads(key_sheet_of_ann())["answers"][task.id]
                verdict = pose("04", task, learner).judge_data(stolen["answer"])
                hits[task.id] = hits.get(task.id, 0) + (verdict.status == RIGHT)
    assert set(hits) == own
    assert all(hits[name] <= 4 for name in own), hits


@cache
def key_sheet_of_ann():
    return key_sheet("04", "ann").to_json()


@pytest.mark.ci
def test_forty_hostile_sheets_are_survived_and_cost_nobody_a_mark(tmp_path, some, monkeypatch):
    monkeypatch.setattr(functions, "run_in_box", partial(functions.run_in_box, limits=Limits(cpu_s=1)))
    folder = tmp_path / "sheets"
    for data, _ in some[:4]:
        write(folder, data)
    (tmp_path / "victim").write_text("still here")
    for number, name in enumerate(SOME_FUNCTIONS):
        write(
            folder,
            sheet(
                {"gain_within_range": entry({"source": source_of(name, "target_reduction_db", tmp_path)})},
                f"function.{number:02}",
            ),
        )
    for number, (name, raw) in enumerate(SHEETS.items()):
        (folder / f"bad{number:02}.json").write_bytes(raw)
    for number, (task, data) in enumerate(DATA.values()):
        write(folder, sheet({task: entry(data)}, f"data.{number:02}"))
    assert len(SOME_FUNCTIONS) + len(SHEETS) + len(DATA) >= 40
    (folder / "notes.txt").write_text("hello")
    (folder / "empty.json").mkdir()
    (folder / "link.json").symlink_to("/etc/passwd")
    os.mkfifo(folder / "pipe.json")
    write(folder, sheet({"no_such_task": entry({"number": 1})}, "unknown.task"))

    result = mark_folder(folder, tmp_path / "marks.csv", ThreadPoolExecutor(1))
    assert (tmp_path / "victim").read_text() == "still here"
    by_learner = {mark["learner"]: mark for mark in result.marked}
    assert_as_expected([by_learner[data["learner"]] for data, _ in some[:4]], some[:4])
    for learner, mark in by_learner.items():
        if learner.startswith(("function.", "data.", "unknown.")):
            assert mark["points"] == 0, learner
    assert len(by_learner) == 4 + len(SOME_FUNCTIONS) + len(DATA) + 1
    notes = dict(result.notes)
    assert set(notes) == {
        *(f"bad{n:02}.json" for n in range(len(SHEETS))),
        "notes.txt",
        "link.json",
        "pipe.json",
        "homework_04_unknown.task.json",
    }
    for says in notes.values():
        one_sentence_or_two(says)
    lines = (tmp_path / "marks.report.txt").read_text("utf-8").splitlines()
    assert lines == [f"{file}: {says}" for file, says in result.notes]


def one_sentence_or_two(says):
    one_sentence(says.removeprefix("Not marked. "))


def test_copies_of_a_sheet_are_marked_once(tmp_path, some):
    (data, _), folder = some[1], tmp_path / "sheets"
    write(folder / "group b", data, "copy (1).json")
    write(folder / "group b", data)
    write(folder, some[2][0], "wrongly named.json")
    result = mark_folder(folder, tmp_path / "marks.csv", ThreadPoolExecutor(1))
    assert_as_expected(result.marked, some[1:3])
    own = f"group b/{sheet_name(data['homework'], data['learner'])}"
    notes = dict(result.notes)
    assert f"twice, with the same content; {own} was marked" in notes["group b/copy (1).json"]
    assert notes["wrongly named.json"].startswith("Marked, but wrongly named")
    assert len(notes) == 2 and result.conflicts == []


def test_a_guest_gets_no_marks(tmp_path):
    write(tmp_path / "sheets", sheet({}, "guest"))
    result = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv")
    assert result.marked == [] and "guest" in result.notes[0][1]
    assert rows(tmp_path / "marks.csv") == []


@pytest.mark.ci
def test_a_run_that_was_killed_goes_on_with_nothing_lost_or_counted_twice(tmp_path, some):
    simulated = some
    for data, _ in simulated:
        write(tmp_path / "sheets", data)
    command = [
        sys.executable,
        "-m",
        "vocomp_lab",
        "mark",
        str(tmp_path / "sheets"),
        "--out",
        str(tmp_path / "marks.csv"),
    ]
    path = tmp_path / "marks.journal"  # one line more than sheets
    run = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
    try:
        for _ in range(1200):
            if path.exists() and path.read_bytes().count(b"\n") >= 3:
                break
            assert run.poll() is None
            time.sleep(0.05)
        os.kill(run.pid, signal.SIGKILL)
        run.wait()
        # Nobody told its workers: they have to notice.
        for _ in range(200):
            if not group_lives(run.pid):
                break
            time.sleep(0.05)
        assert not group_lives(run.pid)
    finally:
        if group_lives(run.pid):
            os.killpg(run.pid, signal.SIGKILL)
    done = path.read_bytes()
    assert 3 <= done.count(b"\n") <= len(simulated) and not (tmp_path / "marks.csv").exists()
    path.write_bytes(done[:-40])  # as if it had been ended in the middle of a line
    kept = done[:-40].count(b"\n") - 1
    steps = []
    result = mark_folder(
        tmp_path / "sheets",
        tmp_path / "marks.csv",
        ThreadPoolExecutor(1),
        progress=lambda done, total: steps.append(done),
    )
    assert steps == list(range(kept, len(simulated) + 1))
    assert_as_expected(result.marked, simulated)
    again = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", executor=Untouchable())
    assert again == result
    assert len(rows(tmp_path / "marks.csv")) == len(simulated)


def group_lives(leader: int) -> bool:
    try:
        os.killpg(leader, 0)
    except ProcessLookupError:
        return False
    return True


class Untouchable(ThreadPoolExecutor):
    def submit(self, *_, **__):
        raise AssertionError("nothing was left to do")


def test_a_sheet_that_changed_is_marked_anew(tmp_path):
    path = write(tmp_path / "sheets", sheet({}, "ann"))
    assert mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", ThreadPoolExecutor(1)).marked[0]["points"] == 0
    path.write_text(key_sheet_of_ann(), "utf-8")
    mark = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", ThreadPoolExecutor(1)).marked[0]
    assert mark["points"] == mark["of"]


def test_other_clips_are_marked_anew(tmp_path, monkeypatch):
    """The sound that a task is measured on comes from them: marks in the journal are for the clips as they were."""
    write(tmp_path / "sheets", sheet({}, "ann"))
    clips = tmp_path / "clips"
    clips.mkdir()
    monkeypatch.setattr(journal, "DATA_FOLDER", clips)
    for content in ("one", "another"):
        (clips / "verse.flac").write_text(content)
        journal.workbook_digest.cache_clear()
        before = journal_lines(tmp_path)
        mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", ThreadPoolExecutor(1))
        assert journal_lines(tmp_path) == max(before, 1) + 1, "not marked again with other clips"
    mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", Untouchable())
    journal.workbook_digest.cache_clear()


def journal_lines(folder) -> int:
    """With its first line, which is no sheet."""
    path = folder / "marks.journal"
    return len(path.read_bytes().splitlines()) if path.exists() else 0


@pytest.mark.ci
def test_what_marking_wrote_itself_is_passed_over(tmp_path):
    """Marks beside the sheets, as ``mark .`` writes them: again, and under another name."""
    write(tmp_path, sheet({}, "ann"))
    (tmp_path / "letter.csv").write_text("not marking's own")
    for out in ("marks.csv", "marks.csv", "again.csv"):
        result = mark_folder(tmp_path, tmp_path / out, ThreadPoolExecutor(1))
        assert [file for file, _ in result.notes] == ["letter.csv"] and len(result.marked) == 1
    assert {"marks.html", "marks.04.png", "again.journal"} <= {path.name for path in tmp_path.iterdir()}


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems refuse such names")
def test_a_file_name_that_is_not_utf8_costs_nobody_a_mark(tmp_path):
    folder = tmp_path / "sheets"
    write(folder, sheet({}, "ann"))
    for name, content in (
        (b"m\xfcller.json", ""),
        (b"m\xfcller 2.json", json.dumps(sheet({}, "bob"))),
        (b"a\nb.json", "{}"),
    ):
        with open(os.fsencode(folder) + b"/" + name, "w") as file:
            file.write(content)
    result = mark_folder(folder, tmp_path / "marks.csv", ThreadPoolExecutor(1))
    assert [(mark["learner"], mark["file"]) for mark in result.marked] == [
        ("ann", "homework_04_ann.json"), ("bob", "m\\xfcller 2.json"),
    ]  # fmt: skip
    says = dict(result.notes)
    assert says["m\\xfcller.json"] == "Not marked. The sheet is empty."
    assert says["m\\xfcller 2.json"].startswith("Marked, but wrongly named") and "a\\nb.json" in says
    assert len((tmp_path / "marks.report.txt").read_text("utf-8").splitlines()) == 3


def test_any_executor_will_do(tmp_path, some):
    for data, _ in some[:3]:
        write(tmp_path / "sheets", data)
    with ThreadPoolExecutor(2) as threads:
        result = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", executor=threads)
        assert threads.submit(int, 3).result() == 3  # it is left open
    assert_as_expected(result.marked, some[:3])


def test_a_worker_that_fails_costs_its_own_sheet_only(tmp_path, some):
    for data, _ in some[:3]:
        write(tmp_path / "sheets", data)

    class Clumsy(ThreadPoolExecutor):
        def submit(self, work, sheet):
            if sheet.learner == some[1][0]["learner"]:
                future = Future()
                future.set_exception(OSError("the cable is out"))
                return future
            return super().submit(work, sheet)

    result = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", executor=Clumsy(1))
    assert_as_expected(result.marked, [some[0], some[2]])
    ((file, says),) = result.notes
    assert some[1][0]["learner"] in file and "the cable is out" in says


def test_a_box_that_does_not_start_is_no_mark(tmp_path, monkeypatch):
    """Not zero points, and marked the next time."""
    write(tmp_path / "sheets", json.loads(key_sheet_of_ann()))
    monkeypatch.setattr(functions, "run_in_box", partial(functions.run_in_box, limits=Limits(start_s=0.001)))
    result = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", ThreadPoolExecutor(1))
    ((_, says),) = result.notes
    assert result.marked == [] and "Not marked" in says and "could not be run" in says
    monkeypatch.undo()
    (mark,) = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", ThreadPoolExecutor(1)).marked
    assert mark["points"] == mark["of"]


@pytest.mark.ci
def test_a_cluster_and_any_number_of_workers_mark_alike_to_the_byte(tmp_path, some, monkeypatch):
    """The cluster's workers could be other machines; one with another workbook is refused."""
    distributed = (
        pytest.importorskip("distributed") if os.environ.get("CI", "").lower() != "true" else __import__("distributed")
    )
    for data, _ in some[:2]:
        write(tmp_path / "sheets", data)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, local_directory=str(tmp_path / "dask")
    ) as local:
        command = [
            "mark", str(tmp_path / "sheets"), "--out", str(tmp_path / "there.csv"),
            "--scheduler", local.scheduler_address,
        ]  # fmt: skip
        assert main(command) == 0
        monkeypatch.setattr(workers, "workbook_digest", lambda: os.getpid())
        with pytest.raises(ValueError) as error, workers.cluster(local.scheduler_address):
            pass
        one_sentence(error, "has another version of the workbook")
        nobody = local.scheduler_address
    with pytest.raises(ValueError) as error, workers.cluster(nobody, wait_s=1):
        pass
    one_sentence(error, "no scheduler answers")
    assert_as_expected(mark_folder(tmp_path / "sheets", tmp_path / "here.csv", workers=2).marked, some[:2])
    for suffix in (".csv", ".report.txt"):
        there, here = ((tmp_path / name).with_suffix(suffix).read_bytes() for name in ("there.csv", "here.csv"))
        assert there == here
    for page in (tmp_path / "here.pages").iterdir():
        assert page.read_bytes() == (tmp_path / "there.pages" / page.name).read_bytes()


@pytest.mark.ci
def test_a_process_that_dies_takes_nobody_along(tmp_path, some, monkeypatch):
    """The pool's process is killed in the middle of a sheet, as the system does when memory runs out."""
    for data, _ in some[:3]:
        write(tmp_path / "sheets", data)
    monkeypatch.setattr(marking, "mark_sheet", mark_or_die)
    monkeypatch.setenv("DEADLY_FOR", some[1][0]["learner"])
    result = mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", workers=1)
    assert_as_expected(result.marked, [some[0], some[2]])
    ((file, says),) = result.notes
    assert some[1][0]["learner"] in file and "broke down" in says


# --------------------------------------------------------------------------------------------------- what is written


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_is_a_formula(start):
    assert safe_cell(start) == f"'{start}"
    assert safe_cell("ann") == "ann" and safe_cell(5) == "5"


def test_the_table_guards_names_and_files(tmp_path):
    mark = mark_sheet(json.dumps(sheet({}, "@sum")).encode()) | {"file": "=1+1.json"}
    text = table_text([mark])
    assert text.splitlines()[1].startswith("'@sum,04,0,") and text.strip().endswith("'=1+1.json")


def test_the_table_has_a_column_for_each_task_and_the_points_in_it(tmp_path, some):
    marks = [{"file": "x.json", **mark_sheet(json.dumps(data).encode())} for data, _ in some[:2]]
    for row, mark in zip(csv.DictReader(table_text(marks).splitlines()), marks):
        points = [task["points"] for task in mark["tasks"]]
        assert [row[f"task {n}"] for n in range(1, len(points) + 1)] == [str(value) for value in points]
        assert int(row["points"]) == sum(points) and int(row["of"]) == sum(task["of"] for task in mark["tasks"])


def test_a_page_stands_alone_and_runs_nothing(some):
    data, _ = some[2]
    mark = mark_sheet(json.dumps(data).encode())
    mark["tasks"][0]["says"] = "<script>alert(1)</script>"
    page = page_text(data["learner"], [mark])
    assert "<script" not in page and "&lt;script&gt;" in page
    assert not re.search(r"(src|href)=", page) and "http" not in page
    assert all(f"{number}. " in page for number in range(1, len(mark["tasks"]) + 1))
    assert f"{mark['points']} of {mark['of']} points" in page


@pytest.mark.drawn
@pytest.mark.ci
def test_the_class_picture_is_drawn(tmp_path, some):
    for data, _ in some[:4]:
        write(tmp_path / "sheets", data)
    mark_folder(tmp_path / "sheets", tmp_path / "marks.csv", executor=ThreadPoolExecutor(1))
    with Image.open(tmp_path / "marks.04.png") as picture:
        assert picture.width > 800 and len(picture.convert("RGB").getcolors(2**24)) > 10


def test_the_picture_names_the_hardest_task_and_the_commonest_mistake():
    from vocomp_lab.pictures.marks import plot_class

    figure = plot_class(
        [("01.1 easy", 0.9, 10, False), ("01.2 hard", 0.2, 10, False)], [("slope for ratio", 4), ("wrong sign", 1)]
    )
    upper, lower = figure.axes
    assert "01.2 hard" in upper.get_title() and "20 %" in upper.get_title()
    assert "slope for ratio" in lower.get_title()
    assert [bar.get_width() for bar in upper.patches] == [90, 20]
    upper, lower = plot_class([("a", 1.0, 1, False)], []).axes
    assert "Every task is right" in upper.get_title() and "No typical mistake" in lower.get_title()


def test_the_answer_key_has_every_task_with_answer_and_solution():
    key = answer_key("04", "ann")
    assert key.startswith("Homework 04: Peak control. Answer key for ann.")
    right = json.loads(key_sheet_of_ann())["answers"]
    assert f"{right['computer']['answer']['number']}" in key
    assert key.count("A right answer:") == len(right)
    assert "def target_reduction_db" in key
