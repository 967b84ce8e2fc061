"""Every lesson in a real browser: run, moved, played, presented, looked at in both themes.

Lessons 02, 04 and 09 have files of their own, with more about their benches. Screenshots go to tests/screenshots/.
"""

from __future__ import annotations

import pagechecks
import pytest
from labdriver import ROOT, shared_page

pytestmark = pytest.mark.ci
FOLDER = ROOT / "notebooks"
ELSEWHERE = ("02_level_prep", "04_peak_control", "09_your_own_vocal")
LESSONS = [path for path in sorted(FOLDER.glob("*.ipynb")) if path.stem not in ELSEWHERE]
RELOADED = ("07_compressor_types", "08_the_vocal_in_the_mix", "08b_judging_your_work")
"""Lessons with a kind of bench that the files of lessons 02, 04 and 09 don't reload."""


@pytest.fixture(scope="module", params=LESSONS, ids=lambda path: path.stem)
def lesson(lab, request):
    yield pagechecks.open_and_run(shared_page(), lab, request.param)
    lab.close_kernels()


def test_it_runs_in_time_and_without_complaint(lesson):
    pagechecks.check_run(lesson)


def test_its_benches_answer(lesson):
    for bench in lesson.benches:
        pagechecks.move_everything(lesson, bench)
    lesson.no_trouble()


def test_nothing_is_cut_off_in_either_theme(lesson):
    pagechecks.look_in_both_themes(lesson)
    if lesson.name in RELOADED:
        pagechecks.reload_and_find(lesson)
