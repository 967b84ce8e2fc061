"""Homework in a real browser: run, moved, played, answered, looked at in both themes. Three of them: one with
regions, one with a blind test, and the final project. ``test_notebooks.py`` runs the others without a page.

Screenshots go to tests/screenshots/.
"""

from __future__ import annotations

import json
import re

import pagechecks
import pytest
from labdriver import ROOT, shared_page, wait_for

from vocomp_lab import Chain
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.kinds import BuildIt, HearIt, SetIt, WorkOut
from vocomp_lab.exercises.sheets import load_sheet

pytestmark = pytest.mark.ci
FOLDER = ROOT / "notebooks" / "homework"
HOMEWORKS = [FOLDER / f"homework_{name}.ipynb" for name in ("02", "04", "project")]
LEARNER = "ann"
IN_FULL = ("homework_04", "homework_project")
"""Where the blind test is answered to its end, and the page reloaded: in the other that would be the same again."""


@pytest.fixture(scope="module", params=HOMEWORKS, ids=lambda path: path.stem)
def homework(lab, request):
    yield pagechecks.open_and_run(shared_page(), lab, request.param, instead=("guest", LEARNER))
    lab.close_kernels()


def test_it_runs_in_time_and_without_complaint(homework):
    pagechecks.check_run(homework)


def test_its_benches_answer(homework):
    for bench in homework.benches:
        pagechecks.move_everything(homework, bench, present=False)
        if bench.kind == "blind" and homework.name in IN_FULL and "trials answered" not in bench.widget.inner_text():
            pagechecks.answer_all_trials(bench)
    homework.no_trouble()


def test_what_is_answered_in_the_page_stands_in_the_sheet(homework):
    """A number typed into its cell, a bench set by hand, a blind test answered to its end."""
    page, sources = homework.page, pagechecks.cell_sources(homework.path)
    name = homework.name.removeprefix("homework_")
    tasks = tasks_of(name)
    expected = {}
    for place, source in enumerate(sources):
        found = re.fullmatch(r"home\.give\((\d+), (\w+)\)", source)
        if not found:
            continue
        task, given = tasks[int(found[1]) - 1], found[2]
        posed = pose(name, task, LEARNER)
        if isinstance(posed, WorkOut) and "number" not in expected:
            expected["number"] = task.id, 12.5
            shown = pagechecks.run_cell(page, place, f"home.give({found[1]}, 12.5)")
        elif isinstance(posed, (SetIt, BuildIt)) and "settings" not in expected:
            cell = next(n for n, text in enumerate(sources) if text.endswith(f"\n{given}"))
            bench = next(bench for bench in homework.benches if bench.cell == cell)
            if bench.kind != "bench":
                continue  # level prep without a region is no answer yet
            chain = move_by_hand(bench)
            expected["settings"] = task.id, chain
            shown = pagechecks.run_cell(page, place)
        elif isinstance(posed, HearIt) and given == "blind" and homework.name in IN_FULL:
            expected["heard"] = task.id, None
            shown = pagechecks.run_cell(page, place)
        else:
            continue
        assert f"Task {found[1]}:" in shown and "no answer yet" not in shown, shown
    (path,) = (homework.path.parent / "answers").glob("*.json")
    sheet = load_sheet(path)
    assert (sheet.learner, sheet.homework) == (LEARNER, name)
    # Where the blind test isn't answered to its end, a homework whose benches all need regions leaves the number alone.
    assert len(expected) >= 1 + (homework.name in IN_FULL), f"a homework with only {list(expected)} to answer"
    for kind, (task_id, value) in expected.items():
        entry = sheet.answers[task_id]
        assert entry.tries == 1, entry
        if kind == "number":
            assert entry.answer == {"number": value}
        elif kind == "heard":
            assert len(entry.answer["heard"]) >= 6, entry
        elif "sheet" in entry.answer:
            assert Chain.from_json(json.dumps(entry.answer["sheet"])) == value
        else:
            assert Chain.from_json(json.dumps(entry.answer["settings"]))["yours"] == value["yours"]
    begun_again = pagechecks.run_cell(page, next(n for n, text in enumerate(sources) if "home = Homework(" in text))
    assert f"{len(expected)} of {len(tasks)} tasks answered so far" in begun_again
    homework.no_trouble()


def move_by_hand(bench) -> Chain:
    """Move the bench's first slider by one step; returns its chain then."""
    old = bench.state()["json"]
    pagechecks.step_by_hand(bench.page, bench.widget.locator(".noUi-handle:visible").first)
    wait_for(bench.page, lambda: bench.state()["json"] != old, "the moved setting")
    return bench.chain()


def test_nothing_is_cut_off_in_either_theme(homework):
    pagechecks.look_in_both_themes(homework)
    if homework.name in IN_FULL:
        pagechecks.reload_and_find(homework)
