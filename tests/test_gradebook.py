"""The class list and the gradebook: read whatever a spreadsheet saves, and opened again by one cell by cell."""

from __future__ import annotations

import csv
import datetime
import io
import math
import re
from pathlib import Path

import openpyxl
import pytest
from conftest import one_sentence
from hypothesis import given
from hypothesis import strategies as st

from vocomp_lab.exercises.catalogue import tasks_of
from vocomp_lab.exercises.class_list import ClassList, Listed, read_class_list
from vocomp_lab.exercises.class_rules import ClassRules
from vocomp_lab.exercises.class_settings import ClassSettings
from vocomp_lab.exercises.class_spread import group_shares, points_spread, spread_tables, task_spread
from vocomp_lab.exercises.gradebook import gradebook_csv, gradebook_rows
from vocomp_lab.exercises.handed_in import Conflict
from vocomp_lab.exercises.reports import page_text
from vocomp_lab.exercises.spreadsheet import spreadsheet_bytes
from vocomp_lab.pictures.groups import group_finding, groups_in_words, plot_groups

NOW = datetime.datetime(2026, 11, 1, tzinfo=datetime.timezone.utc)
TRICKY = [
    "0012", "007", "1e5", "3-4", "2026-10-05", "1.5", "12:30", "mar-1", "TRUE", "=SUM(A1:A9)", "+1", "-1", "@cmd", "'quoted",
    "=HYPERLINK(\"x\")", "a,b;c\td", "two\nlines", "cr\rlf\r\n", " spaced ", "Ünï 漢字 😀", "<b>&amp;</b>", "_x0041_", "", "#N/A",
]  # fmt: skip


def opened(rows):
    book = openpyxl.load_workbook(io.BytesIO(spreadsheet_bytes(rows)))
    return book.active


# -------------------------------------------------------------------------------------------------------- spreadsheet


def test_every_cell_comes_back_as_it_was_typed():
    numbers = [0, 12, -3, 1.8, 0.1 + 0.2, 1e-9, 123456789012345, 87.5]
    rows = [["id", "value"], *([text, number] for text, number in zip(TRICKY, numbers * 3)), ["empty", None]]
    sheet = opened(rows)
    assert (sheet.max_row, sheet.max_column) == (len(rows), 2)
    for line, row in zip(sheet.iter_rows(), rows):
        for cell, typed in zip(line, row):
            assert cell.data_type != "f", "no cell is a formula"
            if typed is None:
                assert cell.value is None
            elif isinstance(typed, str):
                assert (cell.value or "") == typed and (not typed or cell.data_type == "s")
            else:
                assert cell.value == typed and type(cell.value) is type(typed) and cell.data_type == "n"
    assert sheet.title == "marks" and sheet.freeze_panes == "A2" and sheet["A1"].font.bold and not sheet["A2"].font.bold


@given(
    st.lists(
        st.lists(st.one_of(st.text(max_size=20), st.integers(-(10**9), 10**9), st.floats(-1e9, 1e9)), max_size=4),
        max_size=4,
    )
)
def test_any_text_makes_a_file_that_opens(rows):
    sheet = opened(rows)
    for number, row in enumerate(rows, start=1):
        for place, typed in enumerate(row, start=1):
            value = sheet.cell(number, place).value
            if isinstance(typed, str):
                kept = re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", typed)
                assert (value or "") == kept
            else:
                assert value == typed


def test_columns_go_beyond_z_and_equal_tables_are_equal_bytes():
    row = [f"c{n}" for n in range(705)]
    assert opened([row]).cell(1, 705).coordinate == "AAC1" and opened([row]).cell(1, 705).value == "c704"
    assert spreadsheet_bytes([row]) == spreadsheet_bytes([row])


@pytest.mark.parametrize(
    ("rows", "name", "parts"),
    [
        ([[math.nan]], "marks", ["A1", "nan"]),
        ([["a", True]], "marks", ["B1", "True"]),
        ([["a"], [["b"]]], "marks", ["A2"]),
        ([["x" * 40_000]], "marks", ["A1", "32767"]),
        ([["a"]], "a/b", ["name", "'a/b'"]),
        ([["a"]], "", ["name"]),
    ],
)
def test_what_no_sheet_can_hold_is_refused(rows, name, parts):
    with pytest.raises(ValueError) as error:
        spreadsheet_bytes(rows, name)
    one_sentence(error, *parts)


# --------------------------------------------------------------------------------------------------------- class list

WANTED = ClassList((Listed("ann", "Lee, Ann", "a"), Listed("bo", "Bö", "b"), Listed("0012", "", "")))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_a_class_list_is_read_as_spreadsheets_save_it(tmp_path, encoding, delimiter):
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
    writer.writerows([["id", "name", "group"], [" Ann ", "Lee,  Ann", "a"], [], ["bo", "Bö", "b"], ["0012"]])
    path = tmp_path / "class.csv"
    path.write_bytes(out.getvalue().encode(encoding))
    assert read_class_list(path) == WANTED


def test_columns_may_stand_in_any_order(tmp_path):
    path = tmp_path / "class.csv"
    path.write_text("Group;Mail;ID;Name\na;x@y.z;ann;Lee, Ann\nb;;bo;Bö\n;;0012;\n", "utf-8")
    found = read_class_list(path)
    assert (found.learners, found.groups, found.passed_over) == (WANTED.learners, ("a", "b"), ("Mail",))
    assert WANTED.spelled_like("00012") is None and ClassList((Listed("12"),)).spelled_like("0012") == "12"
    path.write_text('id,name,group\nann,"Lee, Ann",a\nbo,Bö,b\n0012,,\n', "utf-8")
    assert read_class_list(path).learners == WANTED.learners


def test_a_name_cannot_forge_a_line_of_the_report(tmp_path):
    path = tmp_path / "class.csv"
    path.write_text('id,name,group\nann,"two\nlines \x1b[2J\u202e",a\n', "utf-8")
    (one,) = read_class_list(path).learners
    assert str(one) == "ann (two lines [2J, group a)"


@pytest.mark.parametrize(
    ("raw", "parts"),
    [
        (b"", ["empty"]),
        (b"id,name,group\n", ["nobody"]),
        (b"id,name\nann,Ann\nb o,Bo\n", ["line 3", "'b o'", "without spaces"]),
        (b"id\nann\nANN\n", ["lines 2 and 3", "'ann'"]),
        (b"id\nguest\n", ["line 2", "guest"]),
        (b"id,id\nann,bo\n", ["two columns", "'id'"]),
        ("id,name\nann,Müller\n".encode("latin-1"), ["not UTF-8", "CSV in UTF-8"]),
        (b'id,name\nann,"open\n', ["not CSV"]),
        (b"full name;group\nAnn Lee;a\n", ["first row", "'full name, group'", "must name the columns"]),
    ],
)
def test_a_wrong_list_is_said_in_one_sentence(tmp_path, raw, parts):
    path = tmp_path / "class.csv"
    path.write_bytes(raw)
    with pytest.raises(ValueError) as error:
        read_class_list(path)
    assert one_sentence(error, *parts).startswith("class list: ")


def test_missing_and_unknown_learners_are_told():
    marks = [mark("ann", "04", 3), mark("eve", "04", 3)]
    _, notes = ClassRules(listed=WANTED, files=(Path("class.csv"),)).applied(marks)
    assert notes == [
        ("class.csv", "bo (Bö, group b) has handed in nothing that could be marked."),
        ("class.csv", "0012 has handed in nothing that could be marked."),
        ("eve 04.json", "eve is not on the class list; the sheet was marked all the same."),
    ]


# ---------------------------------------------------------------------------------------------------------- gradebook


def mark(learner, homework, points, of=10, **about):
    one = {
        "title": "One",
        "status": "right" if points else "not yet",
        "points": points,
        "of": of,
        "tries": 2,
        "hints": 1,
    }
    one |= {"answer": "x", "traces": [], "given": ""} | about
    return {
        "learner": learner, "homework": homework, "points": points, "of": of, "tasks": [one], "unknown": [],
        "file": f"{learner} {homework}.json",
    }  # fmt: skip


MARKS = [mark("=1+1", "04", 3), mark("ann", "04", 8.25), mark("ann", "05", 6), mark("bo", "04", 5)]


def test_a_row_a_learner_and_a_column_a_homework():
    assert gradebook_rows(MARKS) == [
        ["id", "homework 04 (of 10)", "homework 05 (of 10)", "total (of 20)", "of", "percent"],
        ["=1+1", 3, None, 3, 20, 15],
        ["ann", 8.25, 6, 14.25, 20, 71.3],
        ["bo", 5, None, 5, 20, 25],
    ]
    assert gradebook_rows([]) == [["id", "total", "of", "percent"]]


def test_with_a_list_everybody_has_a_row_and_strangers_come_last():
    rows = gradebook_rows(MARKS, listed=WANTED)
    assert rows[0][:3] == ["id", "name", "group"]
    assert [row[:3] for row in rows[1:]] == [
        ["ann", "Lee, Ann", "a"], ["bo", "Bö", "b"], ["0012", "", ""], ["=1+1", "", "not on the list"],
    ]  # fmt: skip
    assert rows[3][3:] == [None, None, 0, 20, 0]


def test_weights_scale_and_due_dates():
    day = datetime.date
    settings = ClassSettings(
        weights={"05": 0.5}, scale={"2": 50, "1.5": 75.1, "5": 0}, zone="+00:00",
        due={"05": day(2026, 12, 24), "06": day(2026, 10, 5), "07": day(2026, 12, 24)},
    )  # fmt: skip
    head, *rows = gradebook_rows(MARKS, settings, now=NOW)
    of_06 = sum(task.points for task in tasks_of("06"))
    assert head == [
        "id", "homework 04 (of 10)", "homework 05 (of 10, × 0.5)", f"homework 06 (of {of_06})", f"total (of up to {15 + of_06})",
        "of", "percent", "grade",
    ]  # fmt: skip
    ann = rows[1]
    # 05 isn't due yet: it counts for ann, who has handed it in, and for nobody else. 06 was due; 07 is not asked for yet.
    assert ann == ["ann", 8.25, 6, None, 11.25, 15 + of_06, round(1125 / (15 + of_06), 1), 5]
    assert rows[2] == ["bo", 5, None, None, 5, 10 + of_06, round(500 / (10 + of_06), 1), 5]
    assert [settings.grade(percent) for percent in (100, 75.1, 75.06, 75.04, 50, 49.9, 0)] == [
        "1.5", "1.5", "1.5", "2", "2", "5", "5",
    ]  # fmt: skip
    assert gradebook_rows(MARKS, ClassSettings(weights={"04": 0, "05": 0}), now=NOW)[1][-3:] == [0, 0, 0]


def test_the_csv_has_a_mark_and_no_cell_is_a_formula_or_a_guess():
    text = gradebook_csv([["id", "points"], *([name, 1.5] for name in TRICKY)])
    assert text.startswith("\ufeffid,points\n")
    cells = [row[0] for row in csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""))][1:]
    for typed, cell in zip(TRICKY, cells, strict=True):
        assert cell in (typed, f"'{typed}") and not cell.startswith(("=", "+", "-", "@"))
    assert cells[:9] == [f"'{name}" for name in TRICKY[:9]]
    assert gradebook_csv([["ann", "learner.001", "ann12", "marc", 7, None]]) == "\ufeffann,learner.001,ann12,marc,7,\n"


def test_the_gradebook_opens_as_a_spreadsheet():
    rows = gradebook_rows(MARKS, ClassSettings(scale={"A": 50, "F": 0}), WANTED)
    sheet = opened(rows)
    assert [[cell.value for cell in line] for line in sheet.iter_rows()] == [list(row) for row in rows]
    assert sheet["A5"].value == "=1+1" and sheet["A5"].data_type != "f" and sheet["A4"].value == "0012"


# ------------------------------------------------------------------------------------------------- spread and groups


def test_tries_hints_and_points_by_task_and_homework():
    marks = [
        mark("a", "04", 10, tries=1, hints=0),
        mark("b", "04", 0, tries=5, hints=2),
        mark("c", "04", 4, tries=2, hints=1),
    ]
    assert task_spread(marks) == [("04.1 One", "3 of 3", "2; 5", "1.0; 2", "4.7 of 10")]
    assert points_spread(marks) == [("04", 3, 10, "0", "2", "4", "7", "10")]
    assert "<script" not in spread_tables([mark("a", "04", 1, title="<script>")]) and spread_tables([]) == ""


def test_groups_are_compared_in_numbers_and_in_a_picture():
    listed = ClassList(
        (Listed("ann", "", "_$x$"), Listed("bo", "", "b"), Listed("cy", "", "empty"), Listed("di", "", ""))
    )
    marks = [mark("ann", "04", 10), mark("bo", "04", 0), mark("di", "05", 3), mark("eve", "05", 0)]
    groups, shares = group_shares(marks, listed)
    assert groups == ["_$x$", "b", ""]
    assert [label for label, *_ in shares] == ["04.1 One", "05.1 One"]
    # eve, who is not on the list, counts nowhere.
    assert shares[0][1][:2] == [(1.0, 1), (0.0, 1)] and shares[1][1][2] == (1.0, 1) and shares[0][1][2][1] == 0
    assert group_finding(groups, shares) == "Farthest apart, 100 % in the group _$x$ and 0 % in the group b: 04.1 One"
    figure = plot_groups(groups, shares)
    figure.canvas.draw()
    (legend,) = figure.legends
    assert [text.get_text().strip() for text in legend.get_texts()] == [r"_\$x\$", "b", "none"]
    assert "04.1 One _$x$ 100 %, b 0 %" in groups_in_words(groups, shares)


def test_a_homework_that_waits_for_a_decision_counts_neither_way():
    waiting = [Conflict("bo", "05", ("a.json", "b.json")), Conflict("dee", "04", ("c.json", "d.json"))]
    without = {row[0]: row for row in gradebook_rows(MARKS, ClassSettings(scale={"F": 0}), now=NOW)[1:]}
    head, *rows = gradebook_rows(MARKS, ClassSettings(scale={"F": 0}), now=NOW, conflicts=waiting)
    told = {row[0]: row for row in rows}
    assert [told["bo"][2], told["bo"][-1], told["dee"][1], told["dee"][-1]] == ["to decide"] * 4
    assert told["ann"] == without["ann"] and told["bo"][-3] < without["bo"][-3]
    page = page_text("dee", [], undecided=["04"])
    assert "Homework 04" in page and "Your teacher decides which one counts" in page
