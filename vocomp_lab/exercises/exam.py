"""An exam on paper: the tasks that need neither sound nor bench, one variant for each learner, and the key apart.

The variants depend on a word that only the teacher knows, so nobody who has the workbook can print a key beforehand.
"""

from __future__ import annotations

import hashlib
import html
import string

from vocomp_lab.exercises.catalogue import pose, tasks_of, title_of
from vocomp_lab.exercises.class_list import Listed
from vocomp_lab.exercises.homework import to_html
from vocomp_lab.exercises.kinds import Diagnose, WorkOut, WriteIt
from vocomp_lab.exercises.tasks import Posed, Task
from vocomp_lab.lessons.tables import table_html
from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.text import figure

MOST_LEARNERS = 1_000
_LINES_FOR_CODE = 9
_MORE_THAN_ONE = " or "
_LETTERS = string.ascii_uppercase
_STYLE = (
    "@page{size:A4;margin:16mm}:root{color-scheme:light;background:#fff;color:#000}"
    "body{font:11.5pt/1.45 sans-serif;max-width:178mm;margin:1em auto;padding:0 1em}"
    ".one{break-after:page;border-bottom:1px dashed #666;padding-bottom:1em;margin-bottom:2em}"
    ".one:last-child{break-after:auto;border:0}"
    "article h2{margin-top:4mm}section{break-inside:avoid;margin:0 0 7mm}h1{font-size:16pt;margin:0 0 2mm}h2{font-size:13pt;margin:0 0 1mm}"
    "p{margin:0 0 2mm}pre{white-space:pre-wrap;overflow-wrap:anywhere;margin:0 0 2mm;font-size:10pt}"
    ".head{display:flex;flex-wrap:wrap;gap:2mm 8mm;border-bottom:1px solid #000;padding-bottom:2mm;margin-bottom:5mm}"
    ".write{border-bottom:1px solid #000;display:inline-block;min-width:45mm}"
    ".line{border-bottom:1px solid #999;height:8mm}ul{list-style:none;padding:0;margin:0}li{margin:0 0 1.5mm}"
    ".box{display:inline-block;width:3.6mm;height:3.6mm;border:1px solid #000;margin-right:2.5mm;vertical-align:-.4mm}"
    "table{border-collapse:collapse}th,td{border:1px solid #666;padding:.5mm 2mm;text-align:left;font-weight:normal}"
    "thead th{font-weight:bold}@media print{.one{border:0;margin:0;padding:0}body{margin:0;max-width:none;padding:0}}"
)


def paper_tasks(homework: str) -> list[Task]:
    """The tasks of a homework that can be done on paper.

    Raises
    ------
    ValueError
        If there is no such homework.
    """
    return [task for task in tasks_of(homework) if _on_paper(pose(homework, task, "paper"))]


def _on_paper(posed: Posed) -> bool:
    return posed.clip is None and isinstance(posed, (WorkOut, WriteIt, Diagnose))


def variant_of(learner: str, word: str) -> str:
    """The id that a learner's variant is drawn by. ``answer-key`` takes it, too."""
    return f"exam-{hashlib.sha256(f'{word} {learner}'.encode()).hexdigest()[:16]}"


def exam_pages(homeworks, learners, word: str) -> tuple[str, str]:
    """An exam for a class.

    Parameters
    ----------
    homeworks : sequence of str
        Which homeworks the tasks come from, such as ("02", "04").
    learners : sequence of Listed
        At most ``MOST_LEARNERS``.
    word : str
        1 to 64 characters that the variants depend on: the same word makes the same exam again.

    Returns
    -------
    papers : str
        A page of HTML without answers, for printing: each learner's paper begins on a new sheet.
    key : str
        The key as a page of HTML: all answers in one table, then each learner's with the worked solutions.

    Raises
    ------
    ValueError
        If there is no such homework, nobody or too many are to sit the exam, or the word is not allowed.
    """
    homeworks, learners = list(dict.fromkeys(homeworks)), list(learners)
    if not 1 <= len(learners) <= MOST_LEARNERS:
        raise ValueError(f"learners: {len(learners)} are not allowed; give 1 to {MOST_LEARNERS}.")
    if not isinstance(word, str) or not 1 <= len(word.strip()) <= 64 or not word.isprintable():
        raise ValueError(f"word: {shown(word)} is not allowed; give 1 to 64 characters.")
    tasks = [(homework, task) for homework in homeworks for task in paper_tasks(homework)]
    titles = "; ".join(title_of(homework) for homework in homeworks)
    papers, keys, rows = [], [], []
    for learner in learners:
        variant = variant_of(learner.id, word)
        posed = [(task, pose(homework, task, variant)) for homework, task in tasks]
        papers.append(_paper(titles, learner, posed))
        keys.append(_key(learner, variant, posed))
        rows.append((learner.id, *(_short_answer(one) for _, one in posed)))
    head = ("learner", *(str(number) for number in range(1, len(tasks) + 1)))
    either = ""
    if any(_MORE_THAN_ONE in cell for _, *cells in rows for cell in cells):
        either = "<p>Where two letters stand, either is right; each learner's key says why.</p>"
    about = (
        f"<h1>Key: {html.escape(titles)}</h1><p>Made with the word <code>{html.escape(word)}</code>; the same command with "
        f"<code>--word</code> and this word makes the same exam again. Keep this page and the word to yourself: with "
        f"them anybody can print every answer.</p>{either}{table_html(rows, head)}"
    )
    return _page(f"Exam: {titles}", "".join(papers)), _page(f"Key: {titles}", about + "".join(keys))


def _paper(titles: str, learner: Listed, posed) -> str:
    points = sum(task.points for task, _ in posed)
    about = "".join(f"<span>{html.escape(part)}</span>" for part in (learner.name, learner.group) if part)
    parts = [
        f"<article class='one'><h1>{html.escape(titles)}</h1><div class='head'><span><b>{html.escape(learner.id)}</b></span>"
        f"{about}<span>Date <span class='write'></span></span><span>{points} points: <span class='write'></span></span></div>"
    ]
    for number, (task, one) in enumerate(posed, start=1):
        count = f"{task.points} point{'s' if task.points > 1 else ''}"
        parts.append(
            f"<section><h2>{number}. {html.escape(task.title)} ({count})</h2>{to_html(one.prompt)}{_room(one)}</section>"
        )
    return "".join(parts) + "</article>"


def _room(posed: Posed) -> str:
    """Where the answer is written."""
    if isinstance(posed, Diagnose):
        rows = "".join(
            f"<li><span class='box'></span><b>{letter}</b> {html.escape(_sentence(words))}</li>"
            for letter, words in zip(_LETTERS, posed.choices.values())
        )
        return f"<p>Tick one:</p><ul>{rows}</ul>"
    if isinstance(posed, WriteIt):
        head = next(line for line in posed.start.splitlines() if line.startswith("def "))
        return f"<pre>{html.escape(head)}</pre>" + "<div class='line'></div>" * _LINES_FOR_CODE
    within = figure(posed.tolerance)
    return f"<p>Answer, within {within}: <span class='write'></span> {html.escape(posed.unit)}</p>"


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


def _short_answer(posed: Posed) -> str:
    if isinstance(posed, Diagnose):
        return _MORE_THAN_ONE.join(letter for letter, _ in _right_choices(posed))
    if isinstance(posed, WriteIt):
        return "below"
    return f"{figure(posed.answer, posed.unit)} ± {figure(posed.tolerance)}"


def _right_choices(posed: Diagnose) -> list[tuple[str, str]]:
    """The letters that are right, in their order, each with its word."""
    return [
        (letter, word) for letter, word in zip(_LETTERS, posed.choices) if word == posed.answer or word in posed.also
    ]


def _told_answer(posed: Posed) -> str:
    if isinstance(posed, Diagnose):
        right = _right_choices(posed)
        told = "; or ".join(f"{letter} ({posed.choices[word]})" for letter, word in right)
        return told if len(right) == 1 else f"either is right: {told}"
    return "a function" if isinstance(posed, WriteIt) else _short_answer(posed)


def _key(learner: Listed, variant: str, posed) -> str:
    parts = [f"<article class='one'><h2>{html.escape(str(learner))}</h2><p>Variant <code>{variant}</code></p>"]
    for number, (task, one) in enumerate(posed, start=1):
        parts.append(
            f"<section><b>{number}. {html.escape(task.title)} ({task.points}): {html.escape(_told_answer(one))}</b>"
            f"{''.join(map(to_html, getattr(one, 'also', {}).values()))}{to_html(one.solution)}</section>"
        )
    return "".join(parts) + "</article>"


def _page(title: str, body: str) -> str:
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{html.escape(title)}</title>"
        f"<style>{_STYLE}</style></head><body><main>{body}</main></body></html>\n"
    )
