"""What a teacher and a learner read after marking: the report's lines, the class page, feedback pages, the key."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from vocomp_lab.exercises.answer_text import answer_text
from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of
from vocomp_lab.exercises.class_list import ClassList, Listed
from vocomp_lab.exercises.class_reports import class_details, missing_lines
from vocomp_lab.exercises.class_rules import ClassRules
from vocomp_lab.exercises.class_settings import ClassSettings
from vocomp_lab.exercises.exam import _told_answer, exam_pages, paper_tasks, variant_of
from vocomp_lab.exercises.gradebook import gradebook_rows
from vocomp_lab.exercises.handed_in import Conflict
from vocomp_lab.exercises.kinds import Diagnose, FindIt, HearIt, WorkOut
from vocomp_lab.exercises.marking import ClassMarks
from vocomp_lab.exercises.reports import answer_key, class_numbers, page_text, write_reports
from vocomp_lab.pictures.groups import plot_groups
from vocomp_lab.pictures.marks import MOST_IN, PX_PER_IN, class_findings, plot_class
from vocomp_lab.sound.text import half_up, percent

ZONE = datetime.timezone(datetime.timedelta(hours=1))
NOW = datetime.datetime(2026, 11, 25, 12, tzinfo=ZONE)
DAY = datetime.date
RULES = ClassRules(
    settings=ClassSettings(
        zone="+01:00", grace_hours=12, late_percent_per_day=10,
        due={"02": DAY(2026, 11, 13), "03": DAY(2026, 11, 20), "05": DAY(2026, 11, 27)},
    ),
    listed=ClassList((Listed("ann", "Ann Lee", "a"), Listed("bo", "Bo <b>", "b"), Listed("cy", "", "b"))),
    files=(Path("class.csv"),),
)  # fmt: skip


def task(title="How much?", *, right=True, kind="work it out", **about):
    one = {
        "title": title, "status": "right" if right else "not yet", "points": int(right), "of": 1, "tries": 1, "hints": 0,
        "says": "−6.92 dB is right.", "mistake": None, "given": "2026-11-24T09:00:00+01:00", "prompt": "Work it out.",
        "solution": "The worked solution.", "kind": kind, "answer": "−6.92 dB", "shown": "", "traces": [],
    }  # fmt: skip
    return one | about


def mark(learner, homework, *tasks):
    tasks = list(tasks) or [task()]
    points, of = (sum(one[name] for one in tasks) for name in ("points", "of"))
    return {
        "learner": learner, "homework": homework, "points": points, "of": of, "unknown": [], "tasks": tasks,
        "file": f"homework_{homework}_{learner}.json",
    }  # fmt: skip


def test_the_report_says_for_each_homework_from_whom_it_is_missing():
    marks = [mark("ann", "01"), mark("ann", "02"), mark("bo", "01"), mark("cy", "01"), mark("zed", "02")]
    conflict = Conflict("bo", "02", ("a/homework_02_bo.json", "b/homework_02_bo.json"))
    # 01 is there from everybody; 03 was due and nobody handed it in; 05 isn't due yet.
    assert list(missing_lines(marks, RULES, [conflict], NOW)) == [
        (
            "class.csv",
            "Homework 02: nothing that could be marked from 2 of the 3 on the list: bo (Bo <b>; sheets for you to decide on), "
            "cy.",
        ),
        (
            "class.csv",
            "Homework 03: nothing that could be marked from 3 of the 3 on the list: ann (Ann Lee), bo (Bo <b>), cy.",
        ),
    ]
    assert not list(missing_lines(marks, ClassRules(settings=RULES.settings), [conflict], NOW))


def test_the_excused_and_the_withdrawn_are_missed_nowhere():
    own = ClassSettings(
        zone="+01:00", due={"02": DAY(2026, 11, 13)}, due_for={"cy": {"02": DAY(2026, 12, 1)}}, excused={"02": ["ann"]},
        withdrawn=["bo"],
    )  # fmt: skip
    rules = ClassRules(settings=own, listed=RULES.listed, files=RULES.files)
    (_, says), = missing_lines([mark("ann", "01"), mark("cy", "01")], rules, now=NOW)  # fmt: skip
    assert says == (
        "Homework 02: nothing that could be marked from 1 of the 2 on the list: cy (has time until the end of 2026-12-01)."
    )
    of = sum(one.points for one in tasks_of("02"))
    assert gradebook_rows([mark("ann", "02"), mark("zed", "02", task(right=False))], own, RULES.listed, NOW) == [
        ["id", "name", "group", "homework 02 (of 1)", "total (of up to 1)", "of", "percent"],
        ["ann", "Ann Lee", "a", "excused", 0, 0, 0],
        ["cy", "", "b", None, 0, 0, 0],
        ["zed", "", "not on the list", 0, 0, 1, 0],
    ]
    assert gradebook_rows([], own, RULES.listed, NOW)[0][3] == f"homework 02 (of {of})"


def test_the_class_page_names_nobody_counts_the_list_only_and_has_a_picture_a_homework(tmp_path):
    out = tmp_path / "marks.csv"
    hear = task("Blind", right=False, kind=HearIt.label)
    some = [mark("ann", "02", task(), hear), mark("bo", "02", task(right=False), hear), mark("bo", "04")]
    zed = mark("zed", "02", task(right=False), hear)
    (tmp_path / "marks.07.png").write_bytes(b"of a run before")
    conflict = Conflict("cy", "02", ("a/homework_02_cy.json", "b/homework_02_cy.json"))
    pages = []
    for marked in (some, [*some, zed]):
        result = ClassMarks(sorted(marked, key=lambda one: one["learner"]), [("a", "cy's sheets")], [conflict])
        write_reports(result, out, RULES, class_details(marked, RULES, out))
        pages.append(out.with_suffix(".html").read_text("utf-8"))
    without, page = pages
    told = "<p>One learner is not on the class list and is left out here.</p>"
    assert told in page and page.replace(told, "") == without, "a learner who is not on the list shapes nothing"
    assert "One homework waits for you" in page and "marks.report.txt" in page
    for name in ("ann", "Ann Lee", "bo", "cy", "zed", "homework_02_cy"):
        assert f" {name}" not in page and f">{name}" not in page
    assert {path.name for path in tmp_path.glob("*.png")} == {"marks.02.png", "marks.02.groups.png", "marks.04.png"}
    assert page.count("<img ") == 3 and "50 % of 2" in page and "33 %" not in page
    write_reports(ClassMarks([zed], []), out, RULES, class_details([zed], RULES, out))
    page = out.with_suffix(".html").read_text("utf-8")
    assert told in page and "<img" not in page and not list(tmp_path.glob("*.png"))


def test_a_picture_of_the_largest_homework_fits_a_projector():
    """Lettering of at least 14 of the page's pixels, at the scale that the page shows it in."""
    most = max(len(tasks_of(name)) for name in homework_names())
    tasks = [(f"06.{n} The word that makes you flinch, again", 0.5, 300, n == most) for n in range(1, most + 8)]
    names = [f"{n} Wednesday evening choir of the second year" for n in range(6)]
    shares = [(label, [(n / 6, 9) for n in range(6)], done) for label, _, _, done in tasks[:most]]
    for figure in (plot_class(tasks, [(f"mistake {n}", n) for n in range(9, 0, -1)]), plot_groups(names, shares)):
        wide, high = figure.get_size_inches() * PX_PER_IN
        assert wide < 1200 and high <= MOST_IN * PX_PER_IN < 600
        figure.canvas.draw()
        texts = figure.findobj(lambda one: hasattr(one, "get_fontsize"))
        # Figures on an axis may lie outside, unseen.
        seen = [text for text in texts if text.get_text().strip(" −0123456789")]
        assert len(seen) > 18 and all(text.get_fontsize() * PX_PER_IN / 72 >= 14 for text in seen)
        edge = figure.bbox.padded(1)
        assert all(
            edge.containsx(box.x0) and edge.containsx(box.x1) for box in map(lambda t: t.get_window_extent(), seen)
        )


def test_what_counts_for_being_done_is_never_the_hardest():
    hear = {"kind": HearIt.label}
    tasks, _ = class_numbers([mark("ann", "02", task(right=False), task("Blind", right=False, **hear))] * 3
                             + [mark("bo", "02", task(), task("Blind", right=False, **hear))])  # fmt: skip
    assert tasks == [("02.1 How much?", 0.25, 4, False), ("02.2 Blind", 0.0, 4, True)]
    assert class_findings(tasks, [])[0] == "Hardest, right on 25 % of the sheets: 02.1 How much?"
    assert "right answer is right on every" in class_findings([("a", 1.0, 4, False), tasks[1]], [])[0]
    assert "count for being done" in class_findings(tasks[1:], [])[0]
    (bar, done), *_ = (ax.texts for ax in plot_class(tasks, []).axes)
    assert (bar.get_text(), done.get_text()) == ("25 % of 4", "done by 0 % of 4")


def test_a_feedback_page_has_the_name_one_minus_and_the_due_date_and_keeps_the_solution_until_then():
    late = task("How much for one word?", deducted=["10 days late: 50 % less."])
    page = page_text("bo", [mark("bo", "02", late, task("Blind", kind=HearIt.label)), mark("bo", "05")], RULES, NOW)
    assert "<h1>Bo &lt;b&gt; (bo)</h1>" in page and "<h1>cy</h1>" in page_text("cy", [mark("cy", "02")], RULES, NOW)
    assert "?:" not in page and "<h3>1. How much for one word?</h3><p><b>Right: 1 of 1 point</b></p>" in page
    assert "<b>Done: 1 of 1 point</b>" in page
    assert "10 days late: 50 % less. Due: the end of 2026-11-13." in page
    assert "Due: the end of 2026-11-13; nothing is taken off before 2026-11-14, 12:00." in page
    over, to_come = page.split("<h2>Homework 05")
    assert "The worked solution." in over and "The worked solution." not in to_come
    assert "from 2026-11-28, 12:00 on" in to_come
    after = page_text("bo", [mark("bo", "05")], RULES, NOW + datetime.timedelta(days=3, seconds=1))
    assert "The worked solution." in after and "The worked solution." in page_text("bo", [mark("bo", "05")])
    shown = page_text("bo", [mark("bo", "02", task(answer="12.153333333333332 s", shown="12.153 s"))])
    assert "<pre tabindex='0'>12.153 s</pre>" in shown and "3333" not in shown


def first(kind, homework="04"):
    return next(one for one in (pose(homework, task, "ann") for task in tasks_of(homework)) if isinstance(one, kind))


def test_an_answer_is_read_with_sensible_digits_and_compared_with_all():
    find, work = first(FindIt), first(WorkOut)
    assert find.unit == "s" and work.unit == "dB"
    given = {"numbers": [12.153333333333332, 18.05032258064516]}
    assert answer_text(find, given) == "12.153, 18.05 s"
    assert answer_text(find, given, exact=True) == "12.153333333333332, 18.05032258064516 s"
    assert answer_text(work, {"number": -6.92}) == answer_text(work, {"number": -6.92}, exact=True) == "−6.92 dB"


def test_the_key_prints_a_number_where_a_number_is_asked():
    key = answer_key("02", "ann")
    one, several = first(FindIt, "02"), [pose("02", task, "ann") for task in tasks_of("02")]
    assert len(one.windows) == 1 and f"Answer: a number in s.\n\nA right answer:\n{one.key()[0]}\n" in key
    lists = [posed.key() for posed in several if isinstance(posed, FindIt) and len(posed.windows) > 1]
    assert lists and all(f"\n{numbers}\n" in key for numbers in lists)


def test_where_two_choices_are_right_the_exams_key_says_why():
    (edit,) = [task for task in paper_tasks("02") if task.id == "edit_for_a_line"]
    learners = [Listed(f"ann{n}") for n in range(12)]
    posed = {one.id: pose("02", edit, variant_of(one.id, "word")) for one in learners}
    assert all(isinstance(one, Diagnose) for one in posed.values())
    two = [one for one in posed.values() if one.also]
    assert 0 < len(two) < len(posed)
    _, key = exam_pages(["02"], learners, "word")
    assert "Where two letters stand, either is right" in key and "C or D" in key and "D or C" not in key
    (why,) = two[0].also.values()
    assert key.count(why) == len(two)
    assert _told_answer(two[0]).startswith("either is right: C (turn one peak down")


@pytest.mark.parametrize(
    ("value", "digits", "told"), [(6.25, 1, 6.3), (100 * 0.145, 0, 15), (71.25, 1, 71.3), (6.24, 1, 6.2)]
)
def test_a_half_is_rounded_up(value, digits, told):
    assert half_up(value, digits) == told
    assert [percent(share) for share in (0.125, 0.145, 0.625, 0, 1, 0.004)] == [
        "13 %",
        "15 %",
        "63 %",
        "0 %",
        "100 %",
        "0 %",
    ]
