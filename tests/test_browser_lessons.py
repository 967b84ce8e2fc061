"""Every lesson in a real browser: run, moved, played, presented, looked at in both themes, reloaded.

Lessons 02, 04 and 09 are in files of their own, with more about their benches. Screenshots go to tests/screenshots/.
"""

from __future__ import annotations

import pagechecks
import pytest
from labdriver import ROOT, chromium, lab_server

FOLDER = ROOT / "notebooks"
ELSEWHERE = ("02_level_prep", "04_peak_control", "09_your_own_vocal")
LESSONS = [path for path in sorted(FOLDER.glob("*.ipynb")) if path.stem not in ELSEWHERE]


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    folder, home = tmp_path_factory.mktemp("notebooks"), tmp_path_factory.mktemp("home")
    with chromium(1280, 720) as page, lab_server(folder, home) as server:
        yield page, server, folder, set()


@pytest.fixture(scope="module", params=LESSONS, ids=lambda path: path.stem)
def lesson(lab, request):
    page, server, folder, known = lab
    opened = pagechecks.open_and_run(page, server, request.param, folder)
    opened.known = known
    yield opened
    pagechecks.close_kernels(server)


def test_it_runs_in_time_and_without_complaint(lesson):
    pagechecks.check_run(lesson)


def test_every_control_answers(lesson):
    """All that a bench has, behind "More controls" too, on the first one of each lesson and where a stage of a kind comes
    that no lesson had yet; of the others, which are the same again, what stands open. The presenter's mode on the first
    of each lesson, and on each that is more than stages.
    """
    first = next((bench.number for bench in lesson.benches if bench.has("Present")), None)
    for bench in lesson.benches:
        if bench.number in (1, first) or bench.kind != "bench" or bench.kinds() - lesson.known:
            thorough = bench.number == first
            pagechecks.move_everything(lesson, bench, thorough, present=thorough or bench.kind != "bench")
        else:
            pagechecks.move_what_stands_open(bench)
    lesson.no_trouble()


def test_nothing_is_cut_off_in_either_theme(lesson):
    pagechecks.look_in_both_themes(lesson)
    for bench in lesson.benches:
        pagechecks.check_fit(bench)


def test_reloaded_it_is_found_as_it_was_left(lesson):
    pagechecks.reload_and_find(lesson)
