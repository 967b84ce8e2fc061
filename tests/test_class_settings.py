"""What a teacher sets for a class: the file is checked, points follow from it, and without it nothing changes."""

from __future__ import annotations

import copy
import datetime
import functools
import json
import re
import textwrap
from concurrent.futures import ThreadPoolExecutor

import pytest
from conftest import one_sentence
from hostile import entry, sheet

from vocomp_lab.exercises import class_settings
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.class_rules import read_class
from vocomp_lab.exercises.class_settings import DEFAULTS, ClassSettings, read_class_settings
from vocomp_lab.exercises.grading import grade_all, graded, read_time
from vocomp_lab.exercises.kinds import Diagnose, WorkOut
from vocomp_lab.exercises.marking import mark_folder
from vocomp_lab.exercises.reports import FORMATIVE, page_text, table_text
from vocomp_lab.exercises.sheets import sheet_name

pytestmark = pytest.mark.usefixtures("undrawn_class")
NOW = datetime.datetime(2026, 11, 1, tzinfo=datetime.timezone.utc)
DUE = datetime.datetime(2026, 10, 5, 18, tzinfo=datetime.timezone.utc)


def settings_from(tmp_path, text):
    path = tmp_path / "class.toml"
    path.write_text(text, "utf-8")
    return read_class_settings(path)


def task(points=2, of=2, hints=0, given="", answer="8.0 dB", **more):
    return {
        "id": "computer", "title": "A task", "status": "right" if points else "not yet", "points": points, "of": of,
        "tries": 1, "hints": hints, "says": "", "mistake": None, "prompt": "", "solution": "", "given": given,
        "answer": answer, "traces": [], **more,
    }  # fmt: skip


def mark(*tasks, learner="ann", homework="04", file="ann.json"):
    return {
        "learner": learner, "homework": homework, "points": sum(one["points"] for one in tasks),
        "of": sum(one["of"] for one in tasks), "unknown": [], "tasks": list(tasks), "file": file,
    }  # fmt: skip


def points(settings, **about):
    return graded(mark(task(**about)), settings)["points"]


# ------------------------------------------------------------------------------------------------------------ the file


def test_the_example_in_the_docstring_is_read(tmp_path):
    example = textwrap.dedent(re.search(r"::\n\n((?:    .*\n|\n)+)", class_settings.__doc__)[1])
    read = settings_from(tmp_path, example)
    assert (read.class_list, read.grace_hours, read.hint_percent, read.several) == ("class.csv", 12, 10, "best")
    assert read.due == {"04": datetime.date(2026, 10, 5)} and read.weights == {"project": 3}
    assert list(read.scale.items()) == [("A", 90), ("B", 75), ("F", 0)]
    assert read.due_at("04").isoformat() == "2026-10-06T00:00:00+02:00"
    assert settings_from(tmp_path, "\ufeff") == DEFAULTS


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("hint_percent = 101", ["hint_percent", "101", "0 to 100"]),
        ("hint_percent = true", ["hint_percent", "True"]),
        ("hint_percent = nan", ["hint_percent", "nan"]),
        ("grace_hours = -1", ["grace_hours", "-1"]),
        ("late_percent_per_day = '10'", ["late_percent_per_day", "'10'"]),
        ("late_percent_most = 500", ["late_percent_most", "500"]),
        ("several = 'first'", ["several", "'first'", "'best', 'last'"]),
        ("zone = 'Atlantis/Port'", ["zone", "'Atlantis/Port'", "Europe/Vienna"]),
        ("zone = '../../etc/passwd'", ["zone"]),
        ("zone = '+25:00'", ["zone", "'+25:00'"]),
        ("zone = 2", ["zone", "2", "quotes"]),
        ("class_list = 5", ["class_list", "5"]),
        ("due = 5", ["due", "[due]"]),
        ("[due]\n12 = 2026-10-05", ["due", "'12'", "'04'"]),
        ("[due]\n04 = '2026-10-05'", ["due.04", "'2026-10-05'", "without quotes"]),
        ("[due]\n04 = 18:00:00", ["due.04"]),
        ("[due]\n04 = 0202-10-05", ["due.04", "202", "2000 to 2200"]),
        ("grace_hours = 5\n[due]\n04 = 2026-10-05", ["late_percent_per_day", "missing"]),
        ("[weights]\n4 = 2", ["weights", "'4'"]),
        ("[weights]\n04 = -2", ["weights.04", "-2"]),
        ("[scale]\nA = 'high'", ["scale.A", "'high'"]),
        ("[scale]\nA = 90", ["scale", "90 %", "begins at 0"]),
        ("[scale]\nA = 90\nB = 90\nF = 0", ["scale", "same percentage"]),
        ('[scale]\n"" = 0', ["scale", "1 to 40"]),
        ("hints_cost = 5", ["'hints_cost'", "unknown", "hint_percent"]),
        ("hint_percent = ", ["not TOML"]),
        ("a = " + "[" * 5000, ["not TOML"]),
    ],
)
def test_whatever_is_wrong_is_said_in_one_sentence(tmp_path, text, parts):
    with pytest.raises(ValueError) as error:
        settings_from(tmp_path, text)
    assert one_sentence(error, *parts).startswith("class: 'class.toml'")


def test_a_file_that_cannot_be_read_is_said_in_one_sentence(tmp_path):
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\0")
    (tmp_path / "link.toml").symlink_to("/etc/hostname")
    for name in ("binary.toml", "link.toml", "gone.toml"):
        with pytest.raises(ValueError) as error:
            read_class_settings(tmp_path / name)
        one_sentence(error, name)


# ---------------------------------------------------------------------------------------------------------- deductions


def test_without_settings_the_very_same_marks_come_back():
    marks = [mark(task(hints=2, given="2031-01-01T00:00:00+00:00"), task(0)), mark(learner="bo")]
    before = copy.deepcopy(marks)
    after, notes = grade_all(marks, DEFAULTS, NOW)
    assert all(one is same for one, same in zip(after, marks)) and marks == before and notes == []


def test_a_hint_costs_its_share_and_never_more_than_there_is():
    settings = ClassSettings(hint_percent=30)
    assert [points(settings, hints=hints) for hints in range(5)] == [2, 1.4, 0.8, 0.2, 0]
    assert points(settings, points=0, hints=2) == 0
    assert isinstance(points(settings, hints=0), int)
    told = graded(mark(task(hints=2)), settings)["tasks"][0]["deducted"]
    assert told == ["2 hints: 60 % less."]


@pytest.mark.parametrize(("hours", "days"), [(-1, 0), (0, 0), (12, 0), (12.01, 1), (36, 1), (36.01, 2), (24 * 30, 30)])
def test_days_late_begin_after_the_grace(hours, days):
    settings = ClassSettings(due={"04": DUE}, grace_hours=12, late_percent_per_day=10, late_percent_most=40)
    given = DUE + datetime.timedelta(hours=hours)
    assert settings.days_late("04", given) == days
    assert points(settings, given=given.isoformat()) == pytest.approx(2 * (1 - min(days * 0.1, 0.4)))


def test_each_answer_is_late_by_itself_and_offsets_are_minded():
    settings = ClassSettings(due={"04": DUE}, late_percent_per_day=25, hint_percent=25)
    times = ("2026-10-05T20:00:00+02:00", "2026-10-05T20:00:00+01:00", "2026-10-05T13:59:00-04:00", "")
    tasks = graded(mark(*(task(given=given) for given in times), task(hints=1, given=times[1])), settings)["tasks"]
    assert [one["points"] for one in tasks] == [2, 1.5, 2, 2, 1]
    assert tasks[3]["deducted"] == ["When it was given is not known for sure, so nothing is taken off for lateness."]
    assert graded(mark(task(given=times[1]), homework="05"), settings)["points"] == 2


def test_a_date_means_the_end_of_its_day_where_the_class_is():
    winter, summer = datetime.date(2026, 12, 5), datetime.date(2026, 7, 5)
    settings = ClassSettings(due={"04": winter, "05": summer}, zone="Europe/Vienna")
    assert settings.due_at("04").isoformat() == "2026-12-06T00:00:00+01:00"
    assert settings.due_at("05").isoformat() == "2026-07-06T00:00:00+02:00"
    assert ClassSettings(due={"04": winter}, zone="-03:30").due_at("04").isoformat() == "2026-12-06T00:00:00-03:30"
    assert ClassSettings(due={"04": winter}).due_at("04").tzinfo is not None


@pytest.mark.parametrize(
    "lines, told",
    [
        ("[due]\n04 = 2026-10-05", True),
        ("[due_for.ann]\n04 = 2026-10-05", True),
        ("[due_for.ann]\n04 = 2026-10-05T18:00:00+02:00", False),
        ('zone = "+02:00"\n[due_for.ann]\n04 = 2026-10-05', False),
    ],
)
def test_dates_in_the_time_of_this_machine_are_said_to_be(lines, told, tmp_path):
    (tmp_path / "class.toml").write_text(lines)
    notes = [text for _, text in read_class(tmp_path).notes]
    assert any("in the time of this machine" in note for note in notes) == told, notes


@pytest.mark.parametrize(
    "text", ["", None, 5, "yesterday", "2026-10-05", "2026-10-05T18:00:00", "9999-12-31T23:59:59-12:00"]
)
def test_a_time_that_says_nothing_costs_nothing(text):
    assert read_time(text) is None


def test_the_report_tells_of_unknown_and_late_times_and_a_wrong_clock_costs_nothing():
    settings = ClassSettings(due={"04": DUE}, late_percent_per_day=10)
    one = mark(
        task(), task(given="2031-01-01T00:00:00+00:00"), task(given="2026-10-04T00:00:00+00:00"), task(0, answer="")
    )
    (after, _), notes = grade_all([one, mark(task(), homework="05")], settings, NOW)
    assert after["points"] == 6, "one is dated ahead, one has no time, one came in time"
    assert [text for file, text in notes if file == "ann.json"] == [
        "The time of 2 of its 3 answers is not known for sure; nothing is taken off those for lateness."
    ]
    late = mark(task(given="2026-10-06T18:00:01+00:00"), task(given="2026-10-05T18:00:01+00:00"))
    (after,), notes = grade_all([late], settings, NOW)
    assert after["points"] == pytest.approx(2 * 0.8 + 2 * 0.9)
    assert notes == [("ann.json", "2 of its 2 answers came late, the latest 2 days.")]


# ------------------------------------------------------------------------------------------------------ several sheets


def versions():
    first = mark(task(2, hints=0, given="2026-10-01T00:00:00+00:00"), task(0, answer="", given=""), file="a.json")
    second = mark(
        task(0, hints=1, given="2026-10-02T00:00:00+00:00"), task(2, given="2026-10-02T00:00:00+00:00"), file="b.json"
    )
    return [first, second]


def test_the_best_or_the_last_answer_to_each_task_counts_with_its_own_hints():
    (best,), notes = grade_all(versions(), ClassSettings(several="best", hint_percent=50), NOW)
    assert [one["points"] for one in best["tasks"]] == [2, 2] and best["points"] == 4, (
        "more hints elsewhere cost something"
    )
    assert "there 2 times (also b.json)" in notes[0][1] and "the best answer counts" in notes[0][1]
    (last,), _ = grade_all(versions(), ClassSettings(several="last"), NOW)
    assert [one["points"] for one in last["tasks"]] == [0, 2]
    undated = versions()
    undated[1]["tasks"][0]["given"] = ""
    (last,), notes = grade_all(undated, ClassSettings(several="last"), NOW)
    assert last["tasks"][0]["points"] == 2 and "For 1 of the tasks a time is not known" in notes[0][1]


def write(folder, data, name=None):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / (name or sheet_name(data["homework"], data["learner"]))).write_text(json.dumps(data), "utf-8")


def partly(learner, *names, **about):
    """A sheet with the right answers to some tasks of homework 04."""
    posed = {task.id: pose("04", task, learner) for task in tasks_of("04") if task.id in names}
    return sheet({name: entry(posed[name].to_data(posed[name].key()), **about) for name in names}, learner)


@functools.cache
def easy_tasks():
    """Two tasks of homework 04 that are marked in no time: a number and a word."""
    posed = {task.id: pose("04", task, "ann") for task in tasks_of("04") if task.points == 1}
    return [next(name for name, own in posed.items() if isinstance(own, kind)) for kind in (WorkOut, Diagnose)]


def test_a_folder_is_marked_by_its_class_file(tmp_path):
    """All at once: hints, two sheets of one learner, the list, the pages; and the same folder without the file."""
    folder, out = tmp_path / "sheets", tmp_path / "marks.csv"
    number, word = easy_tasks()
    write(folder, partly("ann", number, hints=1))
    write(folder / "week 2", partly("ann", word), "again.json")
    write(folder, partly("bo", number, word))
    plain = mark_folder(folder, out, ThreadPoolExecutor(1))
    assert not [file for file, _ in plain.notes if file.startswith("class")]
    table = out.read_bytes()
    (folder / "class.toml").write_text('class_list = "list.csv"\nseveral = "best"\nhint_percent = 20\n', "utf-8")
    (folder / "list.csv").write_text("id,name,group\nann,Ann,x\ncy,Cy Ö.,y\n", "utf-8")
    result = mark_folder(folder, out, ThreadPoolExecutor(1))
    assert [(one["learner"], one["points"]) for one in result.marked] == [("ann", 1.8), ("bo", 2)]
    notes = "\n".join(f"{file}: {says}" for file, says in result.notes)
    for said in (
        "class.toml: Read for this class: class_list list.csv; hint_percent 20; several best.",
        "list.csv: cy (Cy Ö., group y) has handed in nothing that could be marked.",
        "homework_04_bo.json: bo is not on the class list",
        "there 2 times (also week 2/again.json); of each task the best",
    ):
        assert said in notes, said
    assert "ends in .json" not in notes
    page = (tmp_path / "marks.pages" / "page_ann.html").read_text("utf-8")
    assert "0.8 of 1" in page and "1 hint: 20 % less." in page and "Your answer" in page
    assert FORMATIVE in (tmp_path / "marks.html").read_text("utf-8")
    (folder / "class.toml").unlink()
    (folder / "list.csv").unlink()
    again = mark_folder(folder, out, ThreadPoolExecutor(1))
    assert again == plain and out.read_bytes() == table == table_text(plain.marked).encode()


def test_a_wrong_class_file_stops_before_anything_is_written(tmp_path):
    folder = tmp_path / "sheets"
    write(folder, sheet({}, "ann"))
    (folder / "class.toml").write_text("several = 3", "utf-8")
    with pytest.raises(ValueError, match="class: 'class.toml': several"):
        mark_folder(folder, tmp_path / "marks.csv", ThreadPoolExecutor(1))
    assert not (tmp_path / "marks.csv").exists()
    other = tmp_path / "other.toml"
    other.write_text("class_list = '.'", "utf-8")
    with pytest.raises(ValueError, match="class list: .* is not a file"):
        mark_folder(folder, tmp_path / "marks.csv", ThreadPoolExecutor(1), class_file=other)
    other.write_text("", "utf-8")
    result = mark_folder(folder, tmp_path / "marks.csv", ThreadPoolExecutor(1), class_file=other)
    assert ("class.toml", "Not read, since another file was given instead.") in result.notes


def test_a_folder_or_link_called_like_the_class_file_stops_nobody(tmp_path):
    write(tmp_path / "one", sheet({}, "ann"))
    write(tmp_path / "one" / "class.toml", sheet({}, "bo"))
    write(tmp_path / "two", sheet({}, "ann"))
    (tmp_path / "two" / "class.toml").symlink_to("/etc/hostname")
    for name, count in (("one", 2), ("two", 1)):
        result = mark_folder(tmp_path / name, tmp_path / f"{name}.csv", ThreadPoolExecutor(1))
        assert len(result.marked) == count and not [says for _, says in result.notes if "Read for" in says]


def test_the_page_shows_the_answer_and_nothing_of_it_acts():
    evil = task(answer="def f():\n    return '<img src=x onerror=alert(1)>'", given="2026-10-05T18:00:00+02:00")
    page = page_text("ann", [mark(evil)])
    assert "&lt;img src=x" in page and "<img" not in page
    assert "Your answer, given on 2026-10-05 at 18:00" in page


def test_one_learner_may_have_more_time_be_excused_or_have_left(tmp_path):
    (tmp_path / "class.toml").write_text(
        'accept = ["b/homework_04_ann.json", "gone.json"]\nwithdrawn = ["KIM"]\nlate_percent_per_day = 50\nzone = "+00:00"\n'
        '[due]\n04 = 2026-10-05\n[due_for.Bo]\n04 = 2026-10-12\n[excused]\n05 = ["cy"]\n',
        "utf-8",
    )
    settings = read_class_settings(tmp_path / "class.toml")
    late = datetime.datetime(2026, 10, 7, tzinfo=datetime.timezone.utc)
    assert (settings.days_late("04", late, "ann"), settings.days_late("04", late, "bo")) == (1, 0)
    assert settings.is_excused("05", "cy") and not settings.is_excused("04", "cy")
    name, *_ = easy_tasks()
    for learner in ("ann", "kim"):
        write(tmp_path, partly(learner, name, given="2026-10-05T10:00:00+00:00"))
    write(tmp_path / "b", partly("ann", *easy_tasks(), given="2026-10-05T10:00:00+00:00"))
    result = mark_folder(tmp_path, tmp_path / "marks.csv")
    assert [(mark["learner"], mark["points"]) for mark in result.marked] == [("ann", 2)] and not result.conflicts
    says = dict(result.notes)
    assert says["homework_04_kim.json"] == "Passed over: kim has withdrawn."
    assert any("gone.json is not an answer sheet" in text for _, text in result.notes)
    for text, parts in (
        ('accept = "x"', ["accept", "list of texts"]),
        ('withdrawn = ["a b"]', ["withdrawn", "'a b'"]),
        ("due_for = 3", ["due_for", "table"]),
        ("[due_for]\nbo = 3", ["due_for", "under [due_for.bo]"]),
        ('[due_for.bo]\n04 = "x"', ["due_for.bo.04", "date"]),
        ('[excused]\n99 = ["bo"]', ["excused"]),
    ):
        (tmp_path / "class.toml").write_text(text, "utf-8")
        with pytest.raises(ValueError) as error:
            read_class_settings(tmp_path / "class.toml")
        one_sentence(error, *parts)


def test_the_table_takes_no_other_files_place(tmp_path):
    sheets = tmp_path / "sheets"
    name, *_ = easy_tasks()
    write(sheets, partly("ann", name))
    for taken, out, parts in (
        ("list.csv", "list.csv", ["out", "list.csv", "no table of marks"]),
        ("marks.gradebook.xlsx", "marks.csv", ["marks.gradebook.xlsx", "is there already"]),
        (None, "marks.xlsx", ["ends in .csv"]),
    ):
        if taken:
            (tmp_path / taken).write_text("id\nann\n", "utf-8")
        with pytest.raises(ValueError) as error:
            mark_folder(sheets, tmp_path / out)
        one_sentence(error, *parts)
        assert not taken or (tmp_path / taken).read_text("utf-8") == "id\nann\n"
    for _ in range(2):
        assert mark_folder(sheets, tmp_path / "new.csv").marked
    (tmp_path / "new.csv").unlink()
    assert mark_folder(sheets, tmp_path / "new.csv").marked, "its own leavings stood in its way"


def test_a_friends_sheet_under_an_own_id_is_called_what_it_is(tmp_path):
    answers = {name: posed_entry(name, "ann") for name in easy_tasks()}
    for learner in ("ann", "bo"):
        write(tmp_path, sheet(answers, learner))
    result = mark_folder(tmp_path, tmp_path / "marks.csv", ThreadPoolExecutor(1))
    says = dict(result.notes)["homework_04_bo.json"]
    assert "numbers are those of ann" in says and "version" not in says
    assert "homework_04_ann.json" not in dict(result.notes)
    assert "another learner's numbers" in next(
        task["says"] for mark in result.marked for task in mark["tasks"] if mark["learner"] == "bo" and task["says"]
    )


def posed_entry(name, learner):
    posed = pose("04", next(task for task in tasks_of("04") if task.id == name), learner)
    return entry(posed.to_data(posed.key()), posed=posed.digest)
