"""Every homework in a real browser: run, moved, played, answered, looked at in both themes, reloaded.

Screenshots go to tests/screenshots/.
"""

from __future__ import annotations

import json
import re

import pagechecks
import pytest
from labdriver import ROOT, chromium, lab_server, wait_for

from vocomp_lab import Chain
from vocomp_lab.exercises.catalogue import pose, tasks_of
from vocomp_lab.exercises.kinds import BuildIt, HearIt, SetIt, WorkOut
from vocomp_lab.exercises.sheets import load_sheet

FOLDER = ROOT / "notebooks" / "homework"
HOMEWORKS = sorted(FOLDER.glob("*.ipynb"))
LEARNER = "ann"
RELOADED = PRESENTED = ("homework_04", "homework_project")
"""Where the page is reloaded, and a bench presented: all of it in each homework would take as long as in the
lessons."""


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder, home = tmp_path_factory.mktemp("homework"), tmp_path_factory.mktemp("home")
    with chromium(1280, 720) as page, lab_server(folder, home) as server:
        yield page, server, folder, set()


@pytest.fixture(scope="module", params=HOMEWORKS, ids=lambda path: path.stem)
def homework(lab, request):
    page, server, folder, known = lab
    opened = pagechecks.open_and_run(page, server, request.param, folder, instead=("guest", LEARNER))
    opened.known = known  # handles are moved on every bench, boxes typed into once for each setting in all homeworks
    yield opened
    pagechecks.close_kernels(server)


def test_it_runs_in_time_and_without_complaint(homework):
    pagechecks.check_run(homework)


def test_every_control_answers(homework):
    """Of each bench what stands open, and all of one in two homeworks: the lessons' tests move everything of each kind."""
    first = next((bench for bench in homework.benches if bench.has("Present")), None)
    for bench in homework.benches:
        presented = bench is first and homework.name in PRESENTED
        if presented or bench.kind in ("blind", "mix"):
            pagechecks.move_everything(homework, bench, present=presented)
        else:
            pagechecks.move_what_stands_open(bench)
    homework.no_trouble()


def test_what_is_answered_in_the_page_stands_in_the_sheet(homework):
    """A number typed into its cell, a bench as it is set by hand, a blind test that was listened through."""
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
                continue  # gains without a region are no answer yet
            chain = move_by_hand(bench)
            expected["settings"] = task.id, chain
            shown = pagechecks.run_cell(page, place)
        elif isinstance(posed, HearIt) and given == "blind":
            expected["heard"] = task.id, None
            shown = pagechecks.run_cell(page, place)
        else:
            continue
        assert f"Task {found[1]}:" in shown and "no answer yet" not in shown, shown
    (path,) = (homework.path.parent / "answers").glob("*.json")
    sheet = load_sheet(path)
    assert (sheet.learner, sheet.homework) == (LEARNER, name)
    assert len(expected) >= 2, f"a homework with only {list(expected)} to answer"
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
    """One step of the bench's first slider; gives the chain that it says it is then."""
    old = bench.state()["json"]
    pagechecks.step_by_hand(bench.page, bench.widget.locator(".noUi-handle:visible").first)
    wait_for(bench.page, lambda: bench.state()["json"] != old, "the moved setting")
    return bench.chain()


def test_nothing_is_cut_off_in_either_theme(homework):
    pagechecks.look_in_both_themes(homework)
    for bench in homework.benches:
        pagechecks.check_fit(bench)


def test_reloaded_it_is_found_as_it_was_left(homework):
    if homework.name in RELOADED:
        pagechecks.reload_and_find(homework)
    else:  # the page is the same; that its answers are found again is tested above
        pagechecks.save_notebook(homework.page, homework.path)
