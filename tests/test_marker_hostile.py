"""Nothing that is handed in stops the class or takes another's marks; times, what was posed, two markers at once."""

from __future__ import annotations

import errno
import json
import os
import random
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from conftest import one_sentence
from hostile import entry, sheet

from vocomp_lab.__main__ import main
from vocomp_lab.exercises import reports, workers
from vocomp_lab.exercises.box import run_in_box
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.handed_in import gather
from vocomp_lab.exercises.journal import Journal
from vocomp_lab.exercises.kinds import SetIt
from vocomp_lab.exercises.learners import check_learner
from vocomp_lab.exercises.marking import mark_folder, mark_sheet
from vocomp_lab.exercises.reports import key_sheet
from vocomp_lab.exercises.sheets import Entry, Sheet, load_sheet, odd_times, read_sheet, save_sheet, sheet_name
from vocomp_lab.exercises.tasks import NOT_YET, POSED_ANEW, RIGHT
from vocomp_lab.sound.text import printable

LINUX = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems refuse such names")
pytestmark = pytest.mark.usefixtures("undrawn_class")


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "sheets"
    path.mkdir()
    return path


def put(folder, learner, answers=None, name=None, **changes):
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / (name or sheet_name("04", learner))
    path.write_text(json.dumps(sheet(answers or {}, learner, **changes)), "utf-8")
    return path


def mark(folder, **options):
    return mark_folder(folder, folder.parent / "marks.csv", ThreadPoolExecutor(1), **options)


def learners(result):
    return [mark["learner"] for mark in result.marked]


# ---------------------------------------------------------------------------------------------------- names and text


@LINUX
def test_two_hundred_hostile_files_are_survived_and_told_in_lines_that_do_no_harm(folder):
    put(folder, "victim")
    random.seed(17)
    whole = json.dumps(sheet({"computer": entry({"number": 1.0})}, "mutant")).encode()
    names = [bytes([byte]) + b".json" for byte in range(1, 256) if byte not in b"./"][:120]
    names += [
        f"{text}.json".encode() for text in ("=cmd|'C calc'!A1", "<script>", "%s%n", "-rf", "𝔞" * 60, "\u202egpj")
    ]
    names += [b"\xff" * 250 + b".json", b"a\x1b[2J\x1b[1;1Hmarks: all right.json", b"x.json\nann: Marked. 9 of 9.json"]
    while len(names) < 200:
        names.append(b"mutant %d.json" % len(names))
    for number, name in enumerate(names):
        raw = bytearray(whole.replace(b"mutant", b"mutant.%d" % number))
        if number % 4:
            place = random.randrange(len(raw))
            raw[place : place + random.randrange(3)] = random.randbytes(random.randrange(4))
        if number % 5 == 0:
            raw = raw[: random.randrange(len(raw))]
        with open(os.fsencode(folder) + b"/" + name, "wb") as file:
            file.write(raw)
    result = mark(folder)
    assert "victim" in learners(result)
    for line in [f"{file}: {says}" for file, says in result.notes] + [mark["file"] for mark in result.marked]:
        assert line.isprintable(), line
    told = {file for file, _ in result.notes}
    assert len(told) == len(names), "each of them is told: none has the name that the workbook gives"
    assert len((folder.parent / "marks.report.txt").read_text("utf-8").split("\n")) == len(result.notes) + 1


def test_an_id_too_long_for_a_file_costs_nobody_else_a_mark(folder):
    long = "𝔞" * 64
    put(folder, "ann")
    put(folder, long, name="long.json")
    result = mark(folder)
    assert learners(result) == ["ann"] and (folder.parent / "marks.html").exists()
    ((file, says),) = result.notes
    assert file == "long.json" and "too long" in says
    with pytest.raises(ValueError) as error:
        check_learner(long)
    one_sentence(error, "learner")
    assert check_learner("龍" * 64) == "龍" * 64  # three bytes each fit


def test_a_page_that_cannot_be_written_is_told_and_the_rest_is_there(folder, monkeypatch):
    put(folder, "ann"), put(folder, "bob")

    def write(path, text):
        if path.name == "page_ann.html":
            raise OSError(errno.ENAMETOOLONG, "File name too long")
        return write_whole(path, text)

    write_whole = reports.write_whole
    monkeypatch.setattr(reports, "write_whole", write)
    result = mark(folder)
    assert learners(result) == ["ann", "bob"] and (folder.parent / "marks.html").exists()
    assert "page_ann.html: This page could not be written" in (folder.parent / "marks.report.txt").read_text("utf-8")


def test_what_is_told_holds_nothing_unprintable():
    assert printable("a\x1b[2J\nb\u202e\udcfc\ud800é") == "a\\x1b[2J\\nb\\u202e\\xfc\\ud800é"
    assert printable("two\nlines\x07", keep="\n") == "two\nlines\\x07"
    said = run_in_box("def f(x):\n    raise ValueError(chr(0xd800) + chr(27) + '[2J')", "f", [(1.0,)]).trouble
    assert "\\ud800\\x1b[2J" in said and said.isprintable()


def test_half_a_character_leaves_no_sheet_unmarked(folder):
    """In an exception, where the box is asked; in the name of a task; in the name of a stage."""
    raising = "def target_reduction_db(level_db, threshold_db, ratio):\n    raise ValueError(chr(0xd800))"
    right = json.loads(key_sheet("04", "ann").to_json())["answers"]["computer"]
    answers = {"computer": right, "gain_within_range": entry({"source": raising}), "\ud800": entry({"number": 1})}
    put(folder, "ann", answers)
    (marked,) = mark(folder).marked
    statuses = {task["id"]: task["status"] for task in marked["tasks"]}
    assert statuses["computer"] == RIGHT and "\\ud800" in repr(marked) and "\ud800" not in str(marked["unknown"])
    assert "\\ud800" in (folder.parent / "marks.pages" / "page_ann.html").read_text("utf-8")
    again = load_sheet(folder / sheet_name("04", "ann"))
    save_sheet(again, folder / "copy.json")
    assert load_sheet(folder / "copy.json") == again


def test_answers_that_are_nested_deeply_or_endless_stop_nobody(folder):
    put(folder, "ann")
    for number, value in enumerate(("[" * 900 + "]" * 900, "1e999", "[" * 985 + "]" * 985)):
        text = json.dumps(sheet({"computer": entry({"number": 0})}, f"deep.{number}"))
        (folder / sheet_name("04", f"deep.{number}")).write_text(
            text.replace('{"number": 0}', f'{{"number": {value}}}')
        )
    result = mark(folder)
    told = {file for file, _ in result.notes} | {mark["file"] for mark in result.marked}
    assert "ann" in learners(result) and len(told) == 4 and all(mark["points"] == 0 for mark in result.marked)


# ----------------------------------------------------------------------------------------------------------- conflicts


def test_conflicting_sheets_count_for_nobody_until_the_teacher_decides(folder, capsys):
    full = json.loads(key_sheet("04", "bob").to_json())["answers"]
    put(folder / "bob", "bob", {"computer": full["computer"]}), put(folder / "zoe", "zoe")
    forged = put(folder / "an attacker", "bob")  # the same name, an earlier folder
    (folder / "0.txt").write_text("sorts first")
    result = mark(folder)
    assert learners(result) == ["zoe"]
    page = (folder.parent / "marks.pages" / "page_bob.html").read_text("utf-8")
    assert "Your teacher decides which one counts" in page and "<section" not in page
    (conflict,) = result.conflicts
    assert (conflict.learner, conflict.homework) == ("bob", "04")
    assert conflict.files == ("an attacker/homework_04_bob.json", "bob/homework_04_bob.json")
    report = (folder.parent / "marks.report.txt").read_text("utf-8").splitlines()
    assert "bob's homework 04 was handed in 2 times" in report[0] and "--accept" in report[0]
    page = (folder.parent / "marks.html").read_text("utf-8")
    assert "can print the key" in page, "what the marks are worth"
    assert page.index("One homework waits for you") < page.index("<img") and "bob" not in page, "it is for a projector"
    # The teacher decides: as told, by a path from here, or wrongly.
    own = "bob/homework_04_bob.json"
    for accepted in (own, str(folder / own)):
        result = mark(folder, accept=[accepted])
        assert [mark["points"] > 0 for mark in result.marked] == [True, False] and result.conflicts == []
        assert "with other content; bob/homework_04_bob.json was marked" in dict(result.notes)[conflict.files[0]]
    for accepted, words in ((["nowhere.json"], "not an answer sheet in"), ([own, forged], "for the same homework")):
        with pytest.raises(ValueError, match=words) as error:
            mark(folder, accept=accepted)
        one_sentence(error, "accept")


@LINUX
def test_a_sheet_can_be_accepted_by_the_name_that_is_told(folder):
    put(folder, "bob")
    with open(os.fsencode(folder) + b"/m\xfc\x1b.json", "w") as file:
        json.dump(sheet({"computer": entry({"number": 1})}, "bob"), file)
    put(
        folder, "bob", {"computer": entry({"number": 2})}, name="m\\xfc\\x1b.json"
    )  # looks like the other one's escapes
    (conflict,) = mark(folder).conflicts
    assert len(set(conflict.files)) == 3
    told = next(name for name in conflict.files if name.startswith("m\\xfc"))
    (marked,) = mark(folder, accept=[told]).marked
    assert marked["file"] == told == "m\\xfc\\x1b.json"


# ----------------------------------------------------------------------------------------- folders, and marking's own


def test_the_page_of_a_learner_who_withdrew_goes(folder):
    gone = put(folder, "gone")
    put(folder, "ann")
    pages = folder.parent / "marks.pages"
    mark(folder)
    (pages / "my notes.html").write_text("the teacher's")
    gone.unlink()
    mark(folder)
    assert sorted(path.name for path in pages.iterdir()) == ["my notes.html", "page_ann.html"]
    (folder / sheet_name("04", "ann")).unlink()
    mark(folder)
    assert [path.name for path in pages.iterdir()] == ["my notes.html"] and not (folder.parent / "marks.html").exists()


def test_a_linked_folder_is_told_and_not_followed(folder, tmp_path):
    put(tmp_path / "elsewhere", "bob"), put(folder, "ann")
    (folder / "link").symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    (folder / "loop").symlink_to(folder, target_is_directory=True)
    result = mark(folder)
    assert learners(result) == ["ann"]
    assert [file for file, _ in result.notes] == ["link", "loop"]
    assert all("Not looked into. It is a link" in says for _, says in result.notes)


@LINUX
def test_folders_in_folders_without_end_stop_nobody(folder):
    put(folder, "ann")
    at, above = folder, []
    for _ in range(1_050):
        at = at / "a"
        at.mkdir()
        above.append(at)
    try:
        assert sorted(gather(folder).sheets) == [sheet_name("04", "ann")]
    finally:  # pytest can't remove them
        for path in reversed(above):
            path.rmdir()


@pytest.mark.parametrize("first", ["marks.csv", "MARKS.CSV", "week 1.marks.csv"])
def test_a_second_run_is_not_confused_by_its_own_output(folder, first):
    put(folder, "ann"), put(folder, "bob", name="marks.json" if first == "marks.csv" else None)
    for out in (first, first, "again.csv"):
        result = mark_folder(folder, folder / out, ThreadPoolExecutor(1))
        assert learners(result) == ["ann", "bob"]
        assert all(says.startswith("Marked, but wrongly named") for _, says in result.notes), result.notes
    moved = folder / "last week"
    moved.mkdir()
    (folder / first).rename(moved / first)  # a table on its own is known by how it begins
    assert not [
        file for file, _ in mark_folder(folder, folder / "again.csv", ThreadPoolExecutor(1)).notes if "week/" in file
    ]


def test_a_journal_that_was_handed_in_is_not_believed(folder):
    put(folder, "ann")
    mark_folder(folder, folder / "marks.csv", ThreadPoolExecutor(1))
    forged = (folder / "marks.journal").read_bytes().replace(b'"points": 0', b'"points": 9')
    assert b'"points": 9' in forged
    (folder / "marks.journal").unlink()
    (folder / "marks.journal").write_bytes(forged.replace(b'"file": "', b'"file": "1'))
    (marked,) = mark_folder(folder, folder / "marks.csv", ThreadPoolExecutor(1)).marked
    assert marked["points"] == 0
    (folder / "marks.journal").write_bytes(b"something else\n")
    result = mark_folder(folder, folder / "marks.csv", ThreadPoolExecutor(1))
    assert result.marked[0]["points"] == 0 and "nothing in it counts" in dict(result.notes)["marks.journal"]


# ------------------------------------------------------------------------------------------------ markers and workers


def test_a_second_marker_on_the_same_output_says_so_and_ends(folder, capsys):
    put(folder, "ann")
    command = ["mark", str(folder), "--out", str(folder.parent / "marks.csv")]
    with Journal(folder.parent / "marks.journal"):
        assert main(command) == 2
        one_sentence(capsys.readouterr().err.strip(), "another marker is at work on marks")
        assert not (folder.parent / "marks.csv").exists()
        with Journal(folder.parent / "other.journal"):
            pass
    assert learners(mark(folder)) == ["ann"]


@LINUX
def test_what_is_in_the_journals_place_is_told_and_not_waited_for(folder):
    put(folder, "ann")
    (folder / "note.txt").write_text("with a pipe where its journal would be")
    os.mkfifo(folder / "note.journal")
    assert {file for file, _ in gather(folder).notes} == {"note.txt", "note.journal"}
    os.mkfifo(folder.parent / "marks.journal")
    with pytest.raises(ValueError) as error:
        mark(folder)
    one_sentence(error, "marks.journal is not an ordinary file")
    with pytest.raises(ValueError) as error:
        mark_folder(folder, folder.parent)
    one_sentence(error, "is a folder; give the name of the table")


def test_nothing_marked_is_told_by_the_exit_code(folder, capsys):
    command = ["mark", str(folder), "--out", str(folder.parent / "marks.csv"), "--workers", "1"]
    assert main(command) == 1
    assert "sheets marked: 0" in capsys.readouterr().out


def test_the_command_passes_on_who_works_and_what_is_accepted(folder, monkeypatch, capsys):
    seen = {}

    def noted(folder, out, executor=None, progress=None, **options):
        seen.update(options, executor=executor)
        return mark_folder(folder, out, ThreadPoolExecutor(1), accept=options["accept"])

    monkeypatch.setattr("vocomp_lab.exercises.marking.mark_folder", noted)
    monkeypatch.setattr(workers, "cluster", lambda address: nullcontext(f"at {address}"))
    put(folder, "ann"), put(folder, "ann", {"computer": entry({"number": 1})}, "b.json")
    command = ["mark", str(folder), "--out", str(folder.parent / "marks.csv")]
    assert main([*command, "--workers", "3"]) == 1
    assert capsys.readouterr().out.splitlines()[0].startswith(f"{sheet_name('04', 'ann')}: Not marked. ann's")
    nothing = {"class_file": None, "list_file": None}
    assert seen == {"workers": 3, "accept": [], "executor": None, **nothing}
    assert main([*command, "--scheduler", "tcp://s:1", "--accept", "b.json"]) == 0
    assert seen == {"workers": None, "accept": ["b.json"], "executor": "at tcp://s:1", **nothing}


def test_wrong_workers_and_a_missing_package_are_one_sentence(folder, monkeypatch):
    for number in (0, 1.5, 10**6):
        with pytest.raises(ValueError) as error:
            mark_folder(folder, folder.parent / "marks.csv", workers=number)
        one_sentence(error, "workers")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ValueError) as error, workers.cluster("tcp://127.0.0.1:1"):
        pass
    one_sentence(error, "the package distributed has to be installed")


# ------------------------------------------------------------------------------------------ times, and what was posed


def test_times_that_cannot_be_are_told_and_cost_nothing(folder):
    now = datetime(2026, 11, 27, 18, tzinfo=UTC)

    def said(given, **more):
        return odd_times(Sheet("04", "ann", {"computer": Entry({"number": 1}, 1, 0, given)}), at=now, **more)

    for fine in (None, "2026-11-27T18:05:00+00:00", "2026-11-27T23:00:00+05:00", "2025-06-01T12:00:00Z"):
        assert said(fine) == []
    for given, why in (
        ("2026-11-27T19:00:00+00:00", "has not come yet"), ("2026-11-27T23:00:00+02:00", "has not come yet"),
        ("1999-01-01T00:00:00Z", "before there was"), ("yesterday", "not a time"), ("2026-11-27T18:00:00", "not a time"),
        ("0001-01-01T00:00:00+14:00", "not a time"),
    ):  # fmt: skip
        (says,) = said(given)
        assert why in says
    changed = datetime(2026, 11, 20, tzinfo=UTC).timestamp()
    assert said("2026-11-21T00:00:00Z", modified_s=changed) == []
    assert "after the file was last changed" in said("2026-11-25T00:00:00Z", modified_s=changed)[0]
    # In a class: told, and the mark stands; a sheet from before there were times is fine.
    answers = json.loads(key_sheet("04", "ann").to_json())["answers"]
    put(folder, "ann", {"computer": answers["computer"] | {"given": "2199-01-01T00:00:00Z"}}), put(folder, "old")
    result = mark(folder)
    ((file, says),) = result.notes
    assert file == sheet_name("04", "ann") and "has not come yet" in says and "The mark stands" in says
    first = result.marked[0]["tasks"][0]
    assert first["status"] == RIGHT and first["given"] == "2199-01-01T00:00:00+00:00"


def test_an_answer_to_a_task_that_is_posed_otherwise_now_is_told_and_not_called_wrong(folder):
    """Another learner's numbers stand for those of another version of the workbook."""
    task = tasks_of("04")[0]
    today = pose("04", task, "ann")
    posed = (pose("04", task, f"learner.{number}") for number in range(100))
    then = next(other for other in posed if abs(other.answer - today.answer) > 2 * today.tolerance)
    assert then.digest != today.digest == pose("04", task, "ann").digest

    def sheet_of(answer, digest):
        return Sheet("04", "ann", {task.id: Entry({"number": answer}, 1, 0, posed=digest)})

    for digest, status in ((then.digest, POSED_ANEW), (today.digest, NOT_YET), (None, NOT_YET)):
        marked = mark_sheet(sheet_of(then.answer, digest))
        assert (marked["tasks"][0]["status"], marked["points"]) == (status, 0)
    assert mark_sheet(sheet_of(today.answer, then.digest))["tasks"][0]["status"] == RIGHT, "what is right counts"
    save_sheet(sheet_of(then.answer, then.digest), folder / sheet_name("04", "ann"))
    ((_, says),) = mark(folder).notes
    assert "poses task 1 with other words or numbers" in says


def test_what_was_posed_is_known_by_words_numbers_and_sound():
    task = next(task for task in tasks_of("04") if isinstance(pose("04", task, "ann"), SetIt))
    posed = pose("04", task, "ann")
    louder = posed.clip().with_samples(2 * posed.clip().samples)
    others = [replace(posed, prompt=posed.prompt + " Please."), replace(posed, goals=posed.goals[:1])]
    others.append(replace(posed, clip=lambda: louder))
    digests = [one.digest for one in (posed, *others)]
    assert len(set(digests)) == 4 and replace(posed, prompt=f"\n {posed.prompt}").digest == posed.digest
    number = pose("04", tasks_of("04")[0], "ann")
    assert replace(number, answer=number.answer + 1).digest != number.digest
    assert replace(number, answer=number.answer * (1 + 1e-13)).digest == number.digest


def test_parts_of_an_entry_that_cannot_be_are_refused():
    for part, value in (("given", 5), ("posed", ["a"]), ("tried", "abc"), ("tried", ["a"] * 201), ("given", "1" * 65)):
        raw = json.dumps(sheet({"computer": entry({"number": 1}) | {part: value}})).encode()
        with pytest.raises(ValueError) as error:
            read_sheet(raw)
        one_sentence(error, part)
