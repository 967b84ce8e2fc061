"""What only ears can judge: questions that no number answers, and what was answered on which day.

Beside the sheets of a voice (:mod:`vocomp_lab.lessons.course`) lies ``judgements.json``. Answers are added to it and never
replaced, since the point is to compare today's with those of another day. The questions are common practice, no source.
"""

from __future__ import annotations

import datetime
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from vocomp_lab.lessons.unkept import not_kept
from vocomp_lab.sound.checks import check_choice, shown
from vocomp_lab.sound.files import write_whole

FILE_NAME = "judgements.json"
LONGEST_NOTE = 400


@dataclass(frozen=True)
class Question:
    """Something to do and to answer by ear.

    Attributes
    ----------
    task : str
        What to do.
    answers : tuple of str
        What can be answered.
    hidden_overnight : bool
        Whether earlier answers stay hidden until today's is given, so that it's a second opinion and no memory.
    """

    task: str
    answers: tuple[str, ...]
    hidden_overnight: bool = False


QUESTIONS = {
    "two quiet passes": Question(
        "Play the whole song twice, very quiet, with the band. Touch nothing. Did any word make you flinch or lean in?",
        ("none did", "some did", "can't tell"),
    ),
    "a stranger's words": Question(
        "Play it at a low level to somebody who doesn't know the song, and let them write the words down. Are all of them there?",
        ("all of them", "some are missing", "can't tell"),
    ),
    "the next day": Question(
        "Before you look at a number or a curve: is the voice compressed too much, too little, or right? Answer again tomorrow.",
        ("too much", "right", "too little", "can't tell"),
        hidden_overnight=True,
    ),
}


@dataclass(frozen=True)
class Judgement:
    """One answer.

    Parameters
    ----------
    question : str
        One of ``QUESTIONS``.
    answer : str
        One of that question's answers.
    day : str
        The date as YYYY-MM-DD.
    note : str
        Where, or what; at most ``LONGEST_NOTE`` characters.
    """

    question: str
    answer: str
    day: str
    note: str = ""

    def __post_init__(self):
        check_choice("question", self.question, tuple(QUESTIONS))
        check_choice("answer", self.answer, QUESTIONS[self.question].answers)
        try:
            datetime.date.fromisoformat(self.day)
        except (TypeError, ValueError):
            raise ValueError(f"day: {shown(self.day)} is not allowed; give a date such as '2026-01-31'.") from None
        if not (isinstance(self.note, str) and len(self.note) <= LONGEST_NOTE):
            raise ValueError(
                f"note: {shown(self.note)} is not allowed; give a text of at most {LONGEST_NOTE} characters."
            )


def read_judgements(folder: Path) -> tuple[Judgement, ...]:
    """What was answered about a voice, the oldest first.

    Parameters
    ----------
    folder : Path
        Where that voice's sheets are kept.

    Raises
    ------
    ValueError
        If the file can't be read as judgements; it stays as it is.
    """
    path = folder / FILE_NAME
    try:
        return tuple(Judgement(**one) for one in json.loads(path.read_text("utf-8")))
    except FileNotFoundError:
        return ()
    except (OSError, ValueError, TypeError) as error:
        told = getattr(error, "strerror", None) or " ".join(str(error).split()).rstrip(".")
        raise ValueError(
            f"{FILE_NAME}: the answers in {folder.name} can't be read ({told}); move the file away to start anew."
        ) from None


def add_judgement(folder: Path, judgement: Judgement) -> tuple[Judgement, ...]:
    """Keep one more answer, and return all.

    Raises
    ------
    ValueError
        If the answers so far can't be read, or this one can't be written.
    """
    every = (*read_judgements(folder), judgement)
    try:
        write_whole(folder / FILE_NAME, json.dumps([asdict(one) for one in every], indent=2, ensure_ascii=False) + "\n")
    except OSError as error:
        raise ValueError(not_kept(error, folder / FILE_NAME)) from None
    return every


def since(judgements, question: str) -> str:
    """How the last answer to a question compares with the one of the day before it that has one; empty without two days."""
    ours = [one for one in judgements if one.question == question]
    earlier = [one for one in ours if one.day < ours[-1].day] if ours else []
    if not earlier:
        return ""
    same = "the same as" if earlier[-1].answer == ours[-1].answer else "not the same as"
    return f"{ours[-1].answer}: {same} on {earlier[-1].day} ({earlier[-1].answer})"
