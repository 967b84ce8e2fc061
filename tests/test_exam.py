"""The printed exam: a variant for each learner, no answer on the papers, and a key that only the teacher's word makes."""

from __future__ import annotations

import re
from functools import cache

import pytest
from conftest import one_sentence

from vocomp_lab.__main__ import main
from vocomp_lab.exercises.catalogue import homework_names, pose, tasks_of
from vocomp_lab.exercises.class_list import Listed
from vocomp_lab.exercises.exam import exam_pages, paper_tasks, variant_of
from vocomp_lab.exercises.kinds import WorkOut, WriteIt
from vocomp_lab.sound.text import figure

CLASS = (Listed("ann", "Lee, <Ann>", "a"), Listed("bo", "Bö", "b"))


@cache
def pages(word="secret"):
    return exam_pages(("02", "04"), CLASS, word)


def posed(learner, word="secret"):
    return [
        pose(homework, task, variant_of(learner, word)) for homework in ("02", "04") for task in paper_tasks(homework)
    ]


def test_every_homework_has_tasks_for_paper_and_none_needs_a_sound():
    for homework in homework_names():
        tasks = paper_tasks(homework)
        assert len(tasks) >= 2
        assert all(pose(homework, task, "ann").clip is None for task in tasks)
        assert len(tasks) < len(tasks_of(homework))


def test_each_paper_has_its_own_numbers_and_no_answer():
    papers, key = pages()
    both = papers.split("<article")[1:]
    assert len(both) == 2 and "&lt;Ann&gt;" in both[0] and "<Ann>" not in papers
    for learner, paper in zip(("ann", "bo"), both):
        for one in posed(learner):
            bold = re.findall(r"[*][*]([^*]+)[*][*]", one.prompt)
            assert all(f"<b>{text}</b>" in paper for text in bold if "&" not in text and "`" not in text)
            assert one.solution.split("\n")[0][:60] not in papers
            if isinstance(one, WriteIt):
                body = one.model.strip().splitlines()[-1].strip()
                assert body not in papers and body.replace("<", "&lt;").replace(">", "&gt;") in key
            if isinstance(one, WorkOut):
                assert f"{figure(one.answer, one.unit)} ± " in key and f"{figure(one.answer, one.unit)} ± " not in paper
    assert both[0].replace("ann", "bo") != both[1]
    assert "secret" not in papers and "exam-" not in papers and "secret" in key and variant_of("ann", "secret") in key
    assert "break-after:page" in papers and not re.search(r"(src|href)=", papers + key)


def test_the_word_makes_the_variant_and_the_homework_id_does_not():
    assert exam_pages(("02", "04"), CLASS, "secret") == pages()
    other = exam_pages(("02", "04"), CLASS, "another")
    assert other[0] != pages()[0] and other[1] != pages()[1]
    own = [pose("04", task, "ann").prompt for task in paper_tasks("04")]
    assert own != [one.prompt for one in posed("ann")][-len(own) :]


@pytest.mark.parametrize(
    ("homeworks", "learners", "word", "parts"),
    [
        (["77"], CLASS, "x", ["homework", "'77'"]),
        (["04"], (), "x", ["learners", "0", "1000"]),
        (["04"], CLASS, " ", ["word", "' '"]),
        (["04"], CLASS, "a\nb", ["word"]),
    ],
)
def test_what_makes_no_exam_is_said_in_one_sentence(homeworks, learners, word, parts):
    with pytest.raises(ValueError) as error:
        exam_pages(homeworks, learners, word)
    one_sentence(error, *parts)


def test_the_command_writes_papers_and_key_and_never_over_them(tmp_path, capsys):
    (tmp_path / "class.csv").write_text("id;name\nann;Lee\nbo;Bö\n", "utf-8")
    out = tmp_path / "exam.html"
    asked = ["exam", "04", "--list", str(tmp_path / "class.csv"), "--out", str(out)]
    assert main(asked) == 0 and "papers: 2" in capsys.readouterr().out
    key = (tmp_path / "exam.key.html").read_text("utf-8")
    word = re.search(r"with the word <code>(\w{12})</code>", key)[1]
    papers = out.read_text("utf-8")
    assert main(asked) == 2 and "exists already" in capsys.readouterr().err and out.read_text("utf-8") == papers
    assert main([*asked, "--overwrite", "--word", word]) == 0
    assert out.read_text("utf-8") == papers and (tmp_path / "exam.key.html").read_text("utf-8") == key
