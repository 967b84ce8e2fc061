"""What a homework notebook calls, and the sheet that it keeps."""

from __future__ import annotations

import json
import os
from datetime import datetime
from functools import partial
from itertools import count

import pytest
from conftest import PROJECT, code_cells, one_sentence
from hostile import SHEETS

from vocomp_lab import Gain
from vocomp_lab.exercises import Homework
from vocomp_lab.exercises.box import Limits, run_in_box
from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of
from vocomp_lab.exercises.kinds import WriteIt, functions
from vocomp_lab.exercises.reports import key_sheet
from vocomp_lab.exercises.sheets import Sheet, load_sheet, now, read_sheet, save_sheet


@pytest.fixture
def home(tmp_path):
    return Homework("04", "ann", tmp_path)


def right_number(home):
    return pose("04", tasks_of("04")[0], home.learner).answer


def kept(home):
    return json.loads(home.path.read_text("utf-8"))


def test_an_answer_is_kept_at_once_and_found_again(home, tmp_path):
    assert "no answer yet" in repr(home.give(1, None)) and not home.path.exists()
    assert "not yet" in repr(home.give(1, 0.123))
    sheet = kept(home)
    entry = sheet.pop("answers")["computer"]
    assert sheet == {"format": "vocomp-lab answers", "version": 1, "homework": "04", "learner": "ann"}
    assert entry.pop("given") and entry.pop("posed") and len(entry.pop("tried")) == 1
    assert entry == {"answer": {"number": 0.123}, "tries": 1, "hints": 0}
    assert "✔ right (try 2)" in repr(home.give(1, right_number(home)))
    assert "✘ not yet\n" in repr(home.give(1, 0.5))
    again = Homework("04", " Ann ", tmp_path)
    assert "Your answer from before" in repr(again.give(1)) and "✔ right" in repr(again.give(1))
    assert f"1 of {len(tasks_of('04'))} tasks answered" in repr(again)


def test_a_right_answer_stays_and_tries_stop_counting(home):
    home.give(1, right_number(home))
    before = kept(home)
    assert "Your right answer from before stays" in repr(home.give(1, 0.5))
    home.give(1, right_number(home) * 1.0001)
    assert kept(home) == before and before["answers"]["computer"]["tries"] == 1


def test_only_different_answers_are_tries_and_running_all_cells_costs_nothing(tmp_path, monkeypatch):
    function = "def target_reduction_db(level_db, threshold_db, ratio):\n    return 1"
    times = count(10)
    monkeypatch.setattr("vocomp_lab.exercises.homework.now", lambda: f"2026-11-27T18:{next(times)}:00+01:00")
    for home in (Homework("04", "ann", tmp_path) for _ in range(2)):
        for number, answer in ((1, 0.1), (1, 0.2), (1, 0.1), (2, function), (2, f"{function}  # one\n")):
            home.give(number, answer)
    entries = kept(home)["answers"]
    assert (entries["computer"]["tries"], entries["gain_within_range"]["tries"]) == (2, 1)
    before = home.path.read_bytes()
    again = Homework("04", "ann", tmp_path)
    again.give(1, 0.1), again.give(2, function)
    assert home.path.read_bytes() == before, "the same answers again changed the sheet, perhaps its times"


def test_each_answer_carries_when_it_was_given_and_a_clock_that_went_back_is_told(home, monkeypatch):
    monkeypatch.setattr("vocomp_lab.exercises.homework.now", lambda: "2026-11-27T18:00:00+01:00")
    assert "clock" not in repr(home.give(1, 0.1))
    monkeypatch.setattr("vocomp_lab.exercises.homework.now", lambda: "2026-11-26T18:00:00+01:00")
    assert "Your computer's clock says 2026-11-26 18:00" in repr(home.give(5, [0.1]))
    monkeypatch.undo()
    given = [entry["given"] for entry in kept(home)["answers"].values()]
    assert given == ["2026-11-27T18:00:00+01:00", "2026-11-26T18:00:00+01:00"]
    assert datetime.fromisoformat(now()).utcoffset() is not None


def test_an_answer_from_before_the_task_changed_is_not_called_wrong(home, tmp_path):
    home.give(1, 0.5)
    sheet = load_sheet(home.path)
    sheet.answers["computer"].posed = "of another version"
    save_sheet(sheet, home.path)
    again = Homework("04", "ann", tmp_path)
    assert "? posed anew" in repr(again.give(1)) and "? posed anew" in repr(again.tally())
    again.give(1, 0.5)  # as when all cells are run
    assert load_sheet(home.path) == sheet
    again.give(1, 0.6)
    assert "not yet" in repr(again.give(1))


def test_what_cannot_be_read_is_no_try(home):
    card = repr(home.give(1, "eight"))
    assert "can't be read" in card and not home.path.exists()
    one_sentence(card.splitlines()[1])


def test_a_machine_that_cannot_run_a_function_costs_no_try(home, monkeypatch):
    number = next(n for n, task in enumerate(tasks_of("04"), 1) if isinstance(pose("04", task, "ann"), WriteIt))
    source = key_sheet("04", "ann").answers[tasks_of("04")[number - 1].id].answer["source"]
    monkeypatch.setattr(functions, "run_in_box", partial(run_in_box, limits=Limits(start_s=0.001)))
    card = repr(home.give(number, source))
    assert "not judged yet" in card and not home.path.exists()
    one_sentence(card.splitlines()[1], "could not be run")
    monkeypatch.undo()
    assert "✔ right" in repr(home.give(number, source))
    # A right answer that can't be judged again just now is not written over by a wrong one.
    again, kept_before = Homework("04", "ann", home.path.parent), kept(home)
    monkeypatch.setattr(functions, "run_in_box", partial(run_in_box, limits=Limits(start_s=0.001)))
    for card in (
        again.give(number),
        again.solution(number),
        again.give(number, source.replace("return", "return 7 +")),
    ):
        assert "not judged yet" in repr(card)
    assert "not judged yet" in repr(again.tally()) and kept(home) == kept_before
    limits = iter([Limits(), Limits(start_s=0.001)])  # the new answer is judged, the kept one is not
    monkeypatch.setattr(functions, "run_in_box", lambda *given: run_in_box(*given, limits=next(limits)))
    assert "not judged yet" in repr(again.give(number, source.replace("return", "return 7 +")))
    assert kept(home) == kept_before


def test_hints_come_one_by_one_and_are_counted(home):
    hints = pose("04", tasks_of("04")[0], "ann").hints
    assert len(hints) == 2
    for shown in ((True, False), (True, True), (True, True)):
        card = repr(home.hint(1))
        assert tuple(hint in card for hint in hints) == shown
    assert kept(home)["answers"]["computer"]["hints"] == len(hints)


def test_a_hint_that_was_taken_costs_nothing_again(tmp_path):
    """Whoever runs all cells again makes the homework anew, and then asks for the same hints."""
    for _ in range(3):
        home = Homework("04", "ann", tmp_path)
        assert "hint 1 of 2" in repr(home.hint(1))
    assert kept(home)["answers"]["computer"]["hints"] == 1
    assert "hint 2 of 2" in repr(home.hint(1)) and "hint 2 of 2" in repr(Homework("04", "ann", tmp_path).hint(1))


def test_the_solution_opens_when_the_answer_is_right(home):
    solution = pose("04", tasks_of("04")[0], "ann").solution
    assert solution not in repr(home.solution(1))
    home.give(1, 0.5)
    assert solution not in repr(home.solution(1))
    home.give(1, right_number(home))
    assert solution in repr(home.solution(1))


def test_the_tally_adds_up(tmp_path):
    save_sheet(key_sheet("04", "ann"), tmp_path / "homework_04_ann.json")
    home = Homework("04", "ann", tmp_path)
    text = repr(home.tally())
    points = sum(task.points for task in tasks_of("04"))
    assert text.startswith(f"{points} of {points} points") and text.count("✔ right") == len(tasks_of("04"))
    assert f"{tmp_path.name}/homework_04_ann.json" in text


def test_two_windows_lose_nothing_of_each_other(tmp_path):
    first, second = Homework("04", "ann", tmp_path), Homework("04", "ann", tmp_path)
    first.give(1, 0.1)
    second.give(5, [0.1])
    first.hint(3)
    assert set(kept(first)["answers"]) == {"computer", "knocks", "peaks_so_much"}


def test_a_guest_leaves_nothing_behind(tmp_path):
    home = Homework("04", folder=tmp_path)
    assert "not yet" in repr(home.give(1, 0.1)) and "hint 1" in repr(home.hint(1))
    assert list(tmp_path.iterdir()) == [] and "guest" in repr(home)


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_that_cannot_be_read_is_refused_and_left_alone(tmp_path, name):
    path = tmp_path / "homework_04_ann.json"
    path.write_bytes(SHEETS[name])
    with pytest.raises(ValueError) as error:
        Homework("04", "ann", tmp_path)
    assert "left as it is" in one_sentence(error)
    assert path.read_bytes() == SHEETS[name]


def test_another_learners_sheet_is_not_written_over(tmp_path):
    save_sheet(Sheet("04", "ben"), tmp_path / "homework_04_ann.json")
    with pytest.raises(ValueError, match="it is ben's homework 04"):
        Homework("04", "ann", tmp_path)


def test_a_sheet_that_goes_bad_meanwhile_is_not_written_over(home):
    home.give(1, 0.1)
    home.path.write_text("{", "utf-8")
    with pytest.raises(ValueError, match="left as it is"):
        home.give(1, 0.2)
    assert home.path.read_text("utf-8") == "{"


def test_a_failure_while_writing_leaves_the_old_sheet_whole(home, monkeypatch):
    home.give(1, 0.1)
    before = home.path.read_bytes()
    monkeypatch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(OSError("no room")))
    with pytest.raises(OSError, match="no room"):
        home.give(1, 0.2)
    assert home.path.read_bytes() == before and [path.name for path in home.path.parent.iterdir()] == [home.path.name]


def test_sheets_come_back_as_they_were(tmp_path):
    sheet = key_sheet("01", "jürgen")
    save_sheet(sheet, tmp_path / "s.json")
    assert load_sheet(tmp_path / "s.json") == read_sheet(sheet.to_json().encode()) == sheet


def test_a_wrong_call_gets_one_sentence(home):
    for call in (lambda: home.ask(0), lambda: home.ask(10), lambda: home.ask("1"), lambda: home.give(1.5),
        lambda: Homework("99"),
                 lambda: Homework(4), lambda: Homework("04", "a b"), lambda: home.clip(1), lambda: home.goals(1),
                 lambda: home.sounds(1)):  # fmt: skip
        with pytest.raises(ValueError) as error:
            call()
        one_sentence(error)


def test_cards_are_escaped(home):
    card = home.give(2, "def target_reduction_db(a, b, c):\n    raise ValueError('<script>alert(1)</script>')")
    assert "<script" not in card._repr_html_() and "&lt;script&gt;" in card._repr_html_()


def test_a_card_for_the_page_and_one_for_reading_say_the_same(home):
    card = home.ask(7)
    for word in ("What is wrong here?", "crest factor", "of the sung time"):
        assert word in repr(card) and word in card._repr_html_()
    assert "<pre>" in card._repr_html_() and "<code>" in card._repr_html_()


def test_a_bench_that_was_not_touched_is_no_try(home, tmp_path):
    from vocomp_lab.bench.homework import task_bench

    bench = task_bench(home, 3)
    assert "no answer yet" in repr(home.give(3, bench))
    first = Homework("01", "ann", tmp_path)
    trim = task_bench(first, 6)
    assert list(dict(trim.chain.stages)) == ["yours", "after it"] and trim.goals == first.goals(6)
    assert "no answer yet" in repr(first.give(6, trim))
    assert "not yet" in repr(first.give(6, Gain(60)))
    assert task_bench(first, 4).clip == first.clip(4)


@pytest.mark.parametrize("homework", homework_names())
def test_the_notebook_asks_and_takes_every_task_and_holds_the_skeletons(homework):
    cells = code_cells(PROJECT / "notebooks" / "homework" / f"homework_{homework}.ipynb")
    tasks = tasks_of(homework)
    assert f'home = Homework("{homework}", learner="guest")' in cells[0]
    for number, task in enumerate(tasks, start=1):
        assert f"home.ask({number})" in cells
        assert sum(cell.startswith(f"home.give({number}, ") for cell in cells) == 1
        posed = pose(homework, task, "ann")
        if isinstance(posed, WriteIt):
            assert posed.start.strip() in cells and f"home.give({number}, {posed.name})" in cells
    assert not any("home.ask(" in cell and f"({len(tasks) + 1})" in cell for cell in cells)
    assert len(cells) <= 30


def test_on_a_class_server_the_login_name_stands_in_for_a_guest(tmp_path, monkeypatch):
    monkeypatch.setenv("JUPYTERHUB_USER", "Ann.Lee")
    signed_in = Homework("04", learner="guest", folder=tmp_path)
    assert signed_in.learner == "ann.lee" and signed_in.path is not None and "ann.lee" in repr(signed_in)
    assert Homework("04", learner="ben", folder=tmp_path).learner == "ben"
    monkeypatch.setenv("JUPYTERHUB_USER", "a name with spaces")
    assert Homework("04", learner="guest", folder=tmp_path).path is None
    monkeypatch.delenv("JUPYTERHUB_USER")
    assert Homework("04", learner="guest", folder=tmp_path).path is None


def test_a_hint_after_the_right_answer_costs_nothing_and_the_card_says_what_may(home):
    home.hint(1)
    home.give(1, right_number(home))
    before = home.path.read_bytes()
    told = repr(home.hint(1)) + repr(home.hint(1))
    assert home.path.read_bytes() == before and kept(home)["answers"]["computer"]["hints"] == 1
    assert "hint 2 of" in told and "take something off for a hint" in told
